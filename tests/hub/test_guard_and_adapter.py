"""Guard and adapter together: whatever happens around a fill line in the hub, in any order.

A valve that may go deaf, stick or go away, a level that may be lost or lie, contacts, hands,
rules, reloads, changed options and time are drawn at random. What must hold afterwards is judged
by what was told to the hub and what was ordered of the valve, not by the guard's own state.

Levels and times are the trade's (common practice, no source).
"""

from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.engine.guard_state import GuardState
from custom_components.stillwell.fill_watch import FillWatch
from homeassistant.core import Context, HomeAssistant, ServiceCall, callback
from homeassistant.exceptions import HomeAssistantError
from homeassistant.util import dt as dt_util
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from .lab import FLOAT, LEAK, Lab

if TYPE_CHECKING:
    from freezegun.api import FrozenDateTimeFactory

VALVE = "valve.lagoon_fill"
HIGH_CM = 32.0
LONGEST_S, HAND_S = 600.0, 300.0
REPORT_S, STEP_S = 20.0, 10.0
STALE_S = 120.0
"""Set in the vessel; three reports are less."""
AGREEING = 3
"""So many readings agree before a sudden step is believed; until then it may be a spike."""
OFF_GAP_S = 60.0
"""An OFF that is not obeyed is sent again at least so often."""
CONTACT = st.sampled_from(["off", "off", "on", "unavailable", "unknown"])


@dataclass(frozen=True)
class Order:
    """What was asked of the valve, when, and whether the line itself asked."""

    t_s: float
    on: bool
    by_line: bool


class World(RuleBasedStateMachine):
    """The line's surroundings; every rule ends when the hub has nothing left to do."""

    hass: HomeAssistant
    freezer: FrozenDateTimeFactory

    def __init__(self) -> None:
        super().__init__()
        self.lab = Lab(self.hass, self.freezer)
        self.cm = 20.0
        self.valve_mode = "obeys"
        self.is_open = False
        self.orders: list[Order] = []
        self.contacts = {FLOAT: "off", LEAK: "off"}
        self.told: list[float | None] = []
        """What the strip said; None is no number, or the 0 of an unplugged strip."""
        self.good_s = 0.0
        self.open_since_s: float | None = None
        self.unwanted_since_s: float | None = None
        self.hand_s: float | None = None
        self.was_locked_out = False

    def do(self, work: Coroutine[Any, Any, None]) -> None:
        """Run something in the hub until all is done."""
        self.hass.loop.run_until_complete(work)

    @property
    def now_s(self) -> float:
        """The hub's time."""
        return dt_util.utcnow().timestamp()

    # The valve: an entity of a platform that is not ours.

    @callback
    def _ordered(self, call: ServiceCall) -> None:
        on, context = call.service == "open_valve", call.context
        by_line = context.parent_id is None and context.user_id is None
        self.orders.append(Order(self.now_s, on, by_line))
        stays_open = self.valve_mode == "sticks" and not on
        if self.valve_mode in ("deaf", "away") or stays_open:
            return
        self._moves(on=on, context=context)

    def _moves(self, *, on: bool, context: Context | None = None) -> None:
        if on != self.is_open:
            self.open_since_s = self.now_s if on else None
        self.is_open = on
        self._shows(context)

    def _shows(self, context: Context | None = None) -> None:
        state = "open" if self.is_open else "closed"
        shown = "unavailable" if self.valve_mode == "away" else state
        self.hass.states.async_set(VALVE, shown, context=context)

    # Begin and end

    @initialize()
    def set_up(self) -> None:
        """A line with its inputs, ready to fill."""
        self.do(self._set_up())
        assert self.lab.is_permitted

    async def _set_up(self) -> None:
        for service in ("open_valve", "close_valve"):
            self.hass.services.async_register("valve", service, self._ordered)
        for contact, state in self.contacts.items():
            self.hass.states.async_set(contact, state)
        self._shows()
        await self.lab.set_up(
            device=VALVE,
            high_inputs=[FLOAT],
            leak_inputs=[LEAK],
            longest_run_s=LONGEST_S,
            stale_after_s=STALE_S,
        )
        for _ in range(12):
            await self._report()

    def teardown(self) -> None:
        """Take the system out of the hub again."""
        if self.lab.entry is not None:
            self.do(self._tear_down())

    async def _tear_down(self) -> None:
        await self.hass.config_entries.async_remove(self.lab.entry.entry_id)
        await self.hass.async_block_till_done(wait_background_tasks=True)

    # What may happen

    async def _report(self, shown: str | None = None) -> None:
        for _ in range(round(REPORT_S / STEP_S)):
            await self._wait_a_step()
        self.cm = min(34.0, max(0.5, self.cm + (0.1 if self.is_open else 0.0)))
        shown = f"{self.cm:.2f}" if shown is None else shown
        is_number = shown not in ("0", "unavailable", "unknown", "nan")
        self.told.append(float(shown) if is_number else None)
        if is_number:
            self.good_s = self.now_s
        await self.lab.level(shown)

    async def _wait_a_step(self) -> None:
        await self.lab.wait(STEP_S)
        self._judge()

    @rule(count=st.integers(1, 12))
    def reports(self, count: int) -> None:
        """The strip reports for a while; the level rises while the valve is open."""

        async def work() -> None:
            for _ in range(count):
                await self._report()
                self._judge()

        self.do(work())

    @precondition(lambda self: self.lab.is_permitted and not self.is_open)
    @rule(count=st.integers(3, 40))
    def a_rule_fills(self, count: int) -> None:
        """A rule that asks starts a run, and water comes for a while."""
        self.somebody_switches(on=True, by="rule")
        self.reports(count)

    @rule(lost=st.sampled_from(["0", "unavailable", "unknown", "nan"]), count=st.integers(1, 4))
    def level_lost(self, lost: str, count: int) -> None:
        """The strip is unplugged or gone."""

        async def work() -> None:
            for _ in range(count):
                await self._report(lost)
                self._judge()

        self.do(work())

    @rule(cm=st.sampled_from([1.0, 33.5]))
    def spike(self, cm: float) -> None:
        """One wild reading."""
        self.do(self._report(str(cm)))

    @rule(seconds=st.integers(6, 180))
    def silence(self, seconds: int) -> None:
        """No report for a while, then three on time."""

        async def work() -> None:
            for _ in range(round(seconds / STEP_S)):
                await self._wait_a_step()
            for _ in range(AGREEING):
                await self._report()

        self.do(work())

    @rule(cm=st.sampled_from([5.0, 15.0, 29.0, 31.5, 33.0]))
    def water_poured_or_drawn(self, cm: float) -> None:
        """A hand pours or draws; the strip shows it from now on."""
        self.cm = cm

        async def work() -> None:
            for _ in range(AGREEING + 2):
                await self._report()

        self.do(work())

    @rule(contact=st.sampled_from([FLOAT, LEAK]), state=CONTACT)
    def contact_turns(self, contact: str, state: str) -> None:
        """An independent input says something else."""
        self.contacts[contact] = state

        async def work() -> None:
            self.hass.states.async_set(contact, state)
            await self.hass.async_block_till_done()

        self.do(work())

    @rule(mode=st.sampled_from(["obeys", "obeys", "deaf", "sticks", "away"]))
    def valve_changes(self, mode: str) -> None:
        """The valve stops obeying, or obeys again."""
        self.valve_mode = mode

        async def work() -> None:
            self._shows()
            await self.hass.async_block_till_done()

        self.do(work())

    @precondition(lambda self: self.valve_mode != "away")
    @rule(on=st.booleans())
    def valve_moves_by_itself(self, on: bool) -> None:
        """The relay comes back, or a knob on the valve is turned."""

        async def work() -> None:
            self._moves(on=on)
            await self.hass.async_block_till_done()

        self.do(work())

    @rule(on=st.sampled_from([True, True, False]), by=st.sampled_from(["rule", "person"]))
    def somebody_switches(self, on: bool, by: str) -> None:
        """A rule that does not ask, or a hand at a switch of the hub."""
        context = Context(parent_id="rule") if by == "rule" else Context(user_id="keeper")
        action = "open_valve" if on else "close_valve"

        async def work() -> None:
            await self.hass.services.async_call(
                "valve", action, {"entity_id": VALVE}, blocking=True, context=context
            )
            await self.hass.async_block_till_done()

        self.do(work())

    @rule()
    def reset(self) -> None:
        """The keeper presses reset; a lockout may end only with everything clear."""
        self._press("reset")
        if self.was_locked_out and not self.lab.is_locked_out:
            assert set(self.contacts.values()) == {"off"}
            assert not self.is_open
            assert self.valve_mode != "away"
        self.was_locked_out = self.lab.is_locked_out

    @rule()
    def run_by_hand(self) -> None:
        """The keeper presses the button: the one way by which the line itself says ON."""
        count = len(self.orders)
        self.hand_s = self.now_s
        self._press("run_by_hand")
        if any(order.on for order in self.orders[count:]):
            assert self._reason_for_off(ignores_lockout=True) is None

    def _press(self, key: str) -> None:
        async def work() -> None:
            refused: str | None = "not refused"
            try:
                await self.lab.press(key)
            except HomeAssistantError as err:
                refused = err.translation_key
            assert refused is not None, "refused without a reason"
            await self.hass.async_block_till_done()

        self.do(work())

    @rule()
    def lock_out(self) -> None:
        """Somebody reports a fault."""

        async def work() -> None:
            await self.lab.line.async_lock_out("hose off")
            await self.hass.async_block_till_done()

        self.do(work())

    @rule(on=st.booleans())
    def maintenance(self, on: bool) -> None:
        """The keeper pauses the line, or ends the pause."""
        self.do(self.lab.switch("maintenance", on=on))

    @rule()
    def reload(self) -> None:
        """The system is loaded anew, as after an update or a restart."""
        self.do(self.lab.reload())

    @rule(longest_s=st.sampled_from([300.0, LONGEST_S]))
    def options_change(self, longest_s: float) -> None:
        """The keeper changes the longest run, within what the judgement goes by."""
        self.do(self.lab.change("fill_line", longest_run_s=longest_s))

    # What must hold

    def _reason_for_off(self, *, ignores_lockout: bool = False) -> str | None:
        """Return why no water may be let in now, by what the hub was told."""
        if set(self.contacts.values()) != {"off"}:
            return "a contact is on or unknown"
        if not self.told or self.told[-1] is None:
            return "no level"
        if self.now_s - self.good_s > STALE_S + STEP_S:
            return "level too old"
        last = self.told[-AGREEING:]
        if len(last) == AGREEING and all(cm is not None and cm >= HIGH_CM for cm in last):
            return "high level"
        if self.lab.is_locked_out and not ignores_lockout:
            return "locked out"
        return None

    def _reason_to_stop(self) -> str | None:
        reason = self._reason_for_off()
        hand_s = None if self.hand_s is None else self.now_s - self.hand_s
        if reason == "locked out" and hand_s is not None and hand_s <= HAND_S + STEP_S:
            # The button outranks the lockout, for five minutes.
            return None
        open_s = 0.0 if self.open_since_s is None else self.now_s - self.open_since_s
        return "longest run" if reason is None and open_s > LONGEST_S + STEP_S else reason

    @invariant()
    def nothing_is_broken(self) -> None:
        """Judge after every rule; long rules judge at every step of time as well."""
        if self.lab.entry is not None and self.told:
            self._judge()

    def _judge(self) -> None:
        if len(self.told) < AGREEING:
            return
        self._permit_means_all_is_well()
        self._a_lockout_stays()
        self._water_that_must_stop_is_stopped()
        self._the_line_never_opens_by_itself()

    def _permit_means_all_is_well(self) -> None:
        if self.lab.is_permitted:
            reason = self._reason_for_off()
            assert reason is None, f"permitted, and {reason}"
            assert self.valve_mode != "away"

    def _a_lockout_stays(self) -> None:
        # `reset` sets the mark itself; no other way leads out.
        assert self.lab.is_locked_out or not self.was_locked_out, "a lockout is forgotten"
        self.was_locked_out = self.lab.is_locked_out

    def _water_that_must_stop_is_stopped(self) -> None:
        reason = self._reason_to_stop() if self.is_open else None
        if reason is None:
            self.unwanted_since_s = None
            return
        assert self.valve_mode != "obeys", f"open, and {reason}"
        if self.valve_mode == "away":
            # Nothing says that it is open; the orders are judged when it shows.
            self.unwanted_since_s = None
            return
        if self.unwanted_since_s is None:
            self.unwanted_since_s = self.now_s
        offs_s = [order.t_s for order in self.orders if order.by_line and not order.on]
        assert offs_s, f"no OFF, and {reason}"
        assert self.now_s - offs_s[-1] <= OFF_GAP_S + STEP_S, f"no OFF again, and {reason}"

    def _the_line_never_opens_by_itself(self) -> None:
        for order in self.orders:
            assert (
                not (order.on and order.by_line)
                or order.t_s == self.hand_s
                or (self.hand_s is not None and 0.0 <= order.t_s - self.hand_s <= STEP_S)
            )
        # Judged once is enough; the last OFF is kept for the repeats.
        self.orders = [order for order in self.orders if order.by_line and not order.on][-1:]


def play(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, examples: int, *, shrinks: bool = True
) -> None:
    """Play so many stories, the same each time."""
    machine = type("Story", (World,), {"hass": hass, "freezer": freezer})
    phases = (Phase.generate, Phase.shrink) if shrinks else (Phase.generate,)
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=examples,
            stateful_step_count=30,
            derandomize=True,
            database=None,
            deadline=None,
            phases=phases,
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_whatever_happens_no_water_comes_unwanted(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory
) -> None:
    play(hass, freezer, 20)


def _hears_no_contact(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(FillWatch, "_async_input", callback(lambda *_args: None))


def _forgets_at_reload(monkeypatch: pytest.MonkeyPatch) -> None:
    def restore(self: FillWatch, *_args: Any, **_more: Any) -> None:
        self.state = GuardState()

    monkeypatch.setattr(FillWatch, "restore", restore)


def _does_not_say_off(monkeypatch: pytest.MonkeyPatch) -> None:
    send = FillWatch._send

    def only_on(self: FillWatch, *, on: bool) -> None:
        if on:
            send(self, on=on)

    monkeypatch.setattr(FillWatch, "_send", only_on)


@pytest.mark.parametrize(
    ("plant", "shows"),
    [
        (_hears_no_contact, "(permitted|open), and a contact is on or unknown"),
        (_forgets_at_reload, "a lockout is forgotten"),
        (_does_not_say_off, "open, and"),
    ],
)
def test_a_fault_planted_in_the_adapter_is_found(
    hass: HomeAssistant,
    freezer: FrozenDateTimeFactory,
    monkeypatch: pytest.MonkeyPatch,
    plant: Callable[[pytest.MonkeyPatch], None],
    shows: str,
) -> None:
    plant(monkeypatch)
    with pytest.raises(AssertionError, match=shows):
        play(hass, freezer, 10, shrinks=False)
