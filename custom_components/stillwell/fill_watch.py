"""The watch on a fill line's device: events of the hub to the guard, its commands to the device.

Nothing is decided here. Order matters: an OFF goes out before anything is saved or shown, an
ON only after what safety depends on is on the disk.
"""

import asyncio
import logging
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from homeassistant.core import (
    CALLBACK_TYPE,
    Context,
    Event,
    EventStateChangedData,
    HassJob,
    HomeAssistant,
    callback,
)
from homeassistant.helpers.event import (
    async_track_point_in_utc_time,
    async_track_state_change_event,
)
from homeassistant.util import dt as dt_util

from .actuator import Actuator, contacts
from .const import DOMAIN
from .countdown import Countdown
from .decision_text import common_text
from .engine import guard
from .engine.guard_events import (
    Actor,
    ActuatorReported,
    BlockReason,
    Command,
    Decision,
    DecisionKind,
    InputsReported,
    LevelReported,
    LockOutRequested,
    Reasons,
    ReturnPumpReported,
    SettingsChanged,
    SourceReported,
    Started,
    Stopping,
    StopRequested,
    Tick,
)
from .engine.guard_events import (
    Event as GuardEvent,
)
from .engine.guard_rules import tail_s
from .engine.guard_state import GuardSettings, GuardState
from .engine.guard_table import HEARD, RUNNING, Phase
from .engine.mirror import mirrored
from .engine.pipeline import VesselModel
from .engine.settling import SettlingTime
from .line_settings import FillLineSettings
from .secondary import SecondaryShutOff

if TYPE_CHECKING:
    from .fill_line import FillLine

_LOGGER = logging.getLogger(__name__)

DECISIONS_KEPT: Final = 50
ANSWER_S: Final = 10.0
"""How long the end of a watch waits for its device to take the OFF."""


class FillWatch:
    """Guards one fill device in the hub."""

    def __init__(
        self,
        hass: HomeAssistant,
        line: FillLine,
        settings: FillLineSettings,
        guard_settings: GuardSettings,
        save: Callable[[], Awaitable[bool]],
    ) -> None:
        """Make the watch; `restore` brings its memory, `async_start` brings it to life."""
        self.hass = hass
        self.settings = settings
        self.guard_settings = guard_settings
        self.actuator = Actuator(hass, settings.device)
        self.secondary = SecondaryShutOff(hass, settings.secondary)
        self.countdown = None if settings.countdown is None else Countdown(hass, settings.countdown)
        self.settling = SettlingTime(settings.return_settle_s, guard_settings.high_l)
        self.state = GuardState()
        self.decisions: deque[dict[str, Any]] = deque(maxlen=DECISIONS_KEPT)
        self.is_permitted = False
        """Whether a rule may start a run, or go on with one, now."""
        self.block_reason: str | None = None
        """Why not, if it may not."""
        self._line = line
        self._save = save
        self._start: object | None = None
        """Stands for a start whose ON is still to go out; None once that run is over."""
        self._on: asyncio.Task[None] | None = None
        """The ON that went out last; one that still hangs is given up with its run."""
        self._members: tuple[str, ...] = ()
        """Members of the group that the device is, as far as they are followed."""
        self._unfollow: CALLBACK_TYPE | None = None
        self._cancel_wake: CALLBACK_TYPE | None = None
        self._wake_s: float | None = None
        self._was_on_s: float | None = None
        """When the device was last heard to be on, or to leave that."""

    # Memory

    def restore(self, data: Mapping[str, Any] | None, *, is_damaged: bool) -> None:
        """Take up the stored state; damaged state means locked out, not forgotten."""
        if data is None:
            if is_damaged:
                self._begin_locked_out("the file could not be read")
            return
        try:
            self.state = GuardState.from_dict(data["guard"])
            self.decisions.extend(dict(entry) for entry in data.get("decisions", ()))
            self.settling.restore(data.get("return_settle_s", []))
        except (KeyError, TypeError, ValueError) as err:
            self._begin_locked_out(str(err))
            return
        rehearsal = bool(data.get("rehearsal", self.guard_settings.rehearsal))
        self.guard_settings = replace(
            self.guard_settings, rehearsal=rehearsal, return_settle_s=self.settling.value_s
        )
        self.secondary.is_pending = bool(data.get("secondary_pending", False))

    def _begin_locked_out(self, why: str) -> None:
        _LOGGER.warning("Stored state of %s is damaged, locked out: %s", self._line.title, why)
        self.state = GuardState.damaged(dt_util.utcnow().timestamp())

    def snapshot(self) -> dict[str, Any]:
        """Return what must outlive the hub."""
        return {
            "guard": self.state.to_dict(),
            "decisions": list(self.decisions),
            "rehearsal": self.guard_settings.rehearsal,
            "secondary_pending": self.secondary.is_pending,
            "return_settle_s": self.settling.snapshot(),
        }

    # What entities show

    @property
    def is_on(self) -> bool | None:
        """Whether the fill device is on."""
        return self.actuator.is_on

    def has_run_since(self, t_s: float) -> bool:
        """Whether the device has been on at any time since then, as far as it was heard."""
        return self.is_on is True or (self._was_on_s is not None and self._was_on_s >= t_s)

    def moves(self, t_s: float, interval_s: float | None) -> bool:
        """Whether its water moves a level now, or did just before; the interval is the level's."""
        if self.is_on is True:
            return True
        was_s = self._was_on_s
        return was_s is not None and t_s - was_s <= tail_s(interval_s, self.guard_settings.settle_s)

    @property
    def is_locked_out(self) -> bool:
        """Whether a trip is latched."""
        return self.state.trip is not None

    @property
    def lockout_reason(self) -> str:
        """Why it is locked out, or none."""
        return "none" if self.state.trip is None else self.state.trip.reason.value

    @property
    def phase(self) -> str:
        """Where the guard is."""
        return self.state.phase.value

    @property
    def attributes(self) -> dict[str, Any]:
        """What rules read beside the lockout."""
        run, trip = self.state.run, self.state.trip
        return {
            "reason": self.lockout_reason,
            "reason_text": None if trip is None or not trip.note else trip.note,
            "since": None if trip is None else _iso(trip.since_s),
            "permit": self.is_permitted,
            "block_reason": self.block_reason,
            "fill_device": self.settings.device,
            "run_started": None if run is None else _iso(run.started_s),
            "deadline": None if run is None else _iso(run.deadline_s),
        }

    # Life

    @callback
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Look at the device first, put it off if it is not off, then follow it."""
        settings = self.settings
        self.process(Started(now_s, self.actuator.is_on))
        if self.secondary.is_pending:
            self.secondary.is_pending = False
            self.secondary.async_order()
        self.process(self._inputs(now_s))
        self._async_follow_members()
        unsubscribe = [
            async_track_state_change_event(self.hass, settings.device, self._async_actuator),
            self._async_unfollow_members,
            self._async_cancel_wake,
            self.secondary.async_pause,
            *self.actuator.async_follow_rules(),
            self.actuator.async_follow_requests(self._async_asked_to_stop),
        ]
        if (on := self.actuator.is_on) is not self.state.actuator:
            # It took the OFF at once, when nobody followed it yet, and will not say so again.
            self.process(ActuatorReported(now_s, on, Actor.LINE))
        inputs = (*settings.high_inputs, *settings.leak_inputs, *settings.supply_empty_inputs)
        if inputs:
            unsubscribe.append(
                async_track_state_change_event(self.hass, list(inputs), self._async_input)
            )
        if settings.return_pump is not None:
            pump_on = Actuator.read(self.hass.states.get(settings.return_pump))
            self.process(ReturnPumpReported(now_s, pump_on))
            unsubscribe.append(
                async_track_state_change_event(
                    self.hass, settings.return_pump, self._async_return_pump
                )
            )
        return unsubscribe

    async def async_stop(self) -> None:
        """Put the device off, if it is not, before nobody watches it any more.

        The permit goes too, and is seen to go before this first waits: rules live on while the
        hub stops, and a device they started now would have no guard.
        """
        if self.state.phase is Phase.ASLEEP:
            return
        outcome = self.decide(Stopping(dt_util.utcnow().timestamp()))
        sent = None
        if outcome is not None and outcome.command is Command.OFF:
            sent = self._send(on=False)
        self.is_permitted = False
        self.block_reason = BlockReason.NOT_STARTED.value
        self._async_cancel_wake()
        self._line.refresh()
        if sent is not None:
            # A device that never answers must hold up neither other lines nor what is saved next.
            await asyncio.wait((sent,), timeout=ANSWER_S)
        if self.actuator.is_on is not False:
            self._line.async_tell_left_on()

    @callback
    def _async_follow_members(self) -> None:
        """Follow the members of a group, too: it says nothing of each by itself."""
        if (members := self.actuator.members) == self._members:
            return
        self._async_unfollow_members()
        self._members = members
        if members:
            self._unfollow = async_track_state_change_event(
                self.hass, members, self._async_actuator
            )

    @callback
    def _async_unfollow_members(self) -> None:
        self._members = ()
        if self._unfollow is not None:
            self._unfollow()
            self._unfollow = None

    @callback
    def _async_actuator(self, event: Event[EventStateChangedData]) -> None:
        self._async_follow_members()
        on, t_s = self.actuator.is_on, event.time_fired_timestamp
        if on or Actuator.read(event.data["old_state"]):
            self._was_on_s = t_s
        actor = self.actuator.actor_of_report(event.context, t_s, on=on)
        is_late = on is True and actor is Actor.LINE and self.state.run is None
        self.process(ActuatorReported(t_s, on, actor))
        if is_late:
            # It obeys an order that was given up: nobody wants this run any more.
            self.process(StopRequested(t_s, Actor.LINE))
        self._line.async_publish(t_s)

    @callback
    def _async_asked_to_stop(self, context: Context) -> None:
        """Take up what somebody asked: an OFF that is not obeyed is the line's affair too."""
        now_s = dt_util.utcnow().timestamp()
        self.process(StopRequested(now_s, self.actuator.actor(context)))
        self._line.refresh()

    @callback
    def _async_input(self, event: Event[EventStateChangedData]) -> None:
        self.process(self._inputs(event.time_fired_timestamp))
        self._line.refresh()

    @callback
    def _async_return_pump(self, event: Event[EventStateChangedData]) -> None:
        on, t_s = Actuator.read(event.data["new_state"]), event.time_fired_timestamp
        if on is not True:
            self.settling.disturbed()
        elif Actuator.read(event.data["old_state"]) is False:
            self.settling.started(t_s)
        self.process(ReturnPumpReported(t_s, on))
        self._line.async_tick(t_s)

    def _inputs(self, t_s: float) -> InputsReported:
        return InputsReported(
            t_s,
            high=contacts(self.hass, self.settings.high_inputs),
            leak=contacts(self.hass, self.settings.leak_inputs),
            supply_empty=contacts(self.hass, self.settings.supply_empty_inputs),
        )

    @callback
    def async_level(
        self,
        t_s: float,
        model: VesselModel,
        *,
        is_alone: bool = True,
        with_it: Iterable[FillLine] = (),
        against: Iterable[FillLine] = (),
    ) -> None:
        """Pass a judged report on.

        Args:
            t_s: Time of the report.
            model: The destination's model.
            is_alone: Whether this line alone fills the vessel; else the rate that was learned
                from its fills may be another line's, and is not passed on.
            with_it: Other lines that move its level the same way.
            against: Lines that move it the other way.
        """
        level = model.guard_level(t_s)
        is_fed, is_drawn = (
            any(line.watch.moves(t_s, level.interval_s) for line in lines)
            for lines in (with_it, against)
        )
        if is_fed or is_drawn:
            level = replace(level, is_fed=is_fed, is_drawn=is_drawn)
        if self.settings.is_drain:
            level = mirrored(level, model.spec.shape)
        self._learn_settling(level)
        self.process(level if is_alone else replace(level, fill_rate_l_per_s=None))

    def _learn_settling(self, level: LevelReported) -> None:
        """Learn from the pump's starts how long its vessel takes to settle."""
        if self.is_on is not False:
            self.settling.disturbed()
        elif level.volume_l is not None and self.settling.reading(
            level.t_s, level.volume_l, level.noise_l, level.resolution_l
        ):
            self.guard_settings = replace(
                self.guard_settings, return_settle_s=self.settling.value_s
            )

    @callback
    def async_source(self, t_s: float, model: VesselModel) -> None:
        """Pass on what the source vessel holds; its own conditioning says how old is too old."""
        level = model.guard_level(t_s)
        held_l = model.accepted_l if level.suspended else level.volume_l
        self.process(SourceReported(t_s, held_l, usable=level.usable))

    @callback
    def async_source_lost(self, t_s: float) -> None:
        """Take the source vessel's level as lost."""
        self.process(SourceReported(t_s, None, usable=False))

    @callback
    def async_lost(self, t_s: float) -> None:
        """Take the level as lost, and let time pass."""
        self.process(LevelReported(t_s, None, usable=False))
        self.process(Tick(t_s))

    @callback
    def async_tick(self, t_s: float, model: VesselModel) -> None:
        """Let time pass."""
        if model.is_signal_lost:
            self.process(LevelReported(t_s, None, usable=False))
        self.process(Tick(t_s))

    async def async_set_rehearsal(self, *, on: bool) -> None:
        """Begin or end the rehearsal: in it nothing is started, only told."""
        self.guard_settings = replace(self.guard_settings, rehearsal=on)
        self.process(SettingsChanged(dt_util.utcnow().timestamp()))
        await self._save()

    async def async_request(self, event: GuardEvent) -> guard.Outcome | None:
        """Pass on what a person or a rule asks for; returns when it is on the disk."""
        outcome = self.decide(event)
        if outcome is not None:
            self._carry_out(outcome)
            await self._save()
        return outcome

    # The guard's loop

    def hears(self, event: GuardEvent) -> bool:
        """Whether the guard takes such an event now: at rest it takes hardly any."""
        return type(event) in HEARD[self.state.phase]

    @callback
    def process(self, event: GuardEvent) -> None:
        """Let the guard hear an event, and do what it says."""
        if not self.hears(event):
            # Put to rest at unload; reports still come in until the listeners are gone.
            return
        outcome = self.decide(event)
        if outcome is not None:
            self._carry_out(outcome)

    def decide(self, event: GuardEvent) -> guard.Outcome | None:
        """Ask the guard; a fault of our own puts the device off rather than nothing.

        A start that still waits for disk or device is forgotten with its run: no ON may follow
        the OFF.
        """
        try:
            outcome = guard.process(self.state, self.guard_settings, event)
        except Exception:
            _LOGGER.exception("The guard of %s failed at %s", self.settings.device, event)
            self._give_up_start()
            self._send(on=False)
            return None
        self.state = outcome.state
        if self.state.phase not in RUNNING:
            self._give_up_start()
        return outcome

    def _give_up_start(self) -> None:
        """Forget a start that waits, and an ON that hangs: it may get through after the OFF."""
        self._start = None
        if self._on is not None:
            self._on.cancel()
            self._on = None

    def _carry_out(self, outcome: guard.Outcome) -> None:
        if outcome.command is Command.OFF:
            self._send(on=False)
        if outcome.secondary_off:
            self.secondary.async_order()
        elif outcome.state.trip is None:
            self.secondary.async_cancel()
        is_newly_permitted = outcome.permit and not self.is_permitted
        self.is_permitted = outcome.permit
        self.block_reason = self._told(outcome.block_reason)
        if outcome.decision is not None:
            self._note(outcome.decision)
        for notice in outcome.notices:
            self._line.async_tell(notice)
        if outcome.command is Command.ON:
            self._start = start = object()
            self.hass.async_create_task(self._async_save_then_on(start), f"{DOMAIN} on")
        elif outcome.save_now:
            self.hass.async_create_task(self._async_save(), f"{DOMAIN} save")
        self._prepare_countdown(outcome, is_newly_permitted=is_newly_permitted)
        self._wake_at(outcome.wake_at_s)

    def _prepare_countdown(self, outcome: guard.Outcome, *, is_newly_permitted: bool) -> None:
        """Have the device's own auto-off in place before a rule may start a run, and renew it."""
        countdown, decision = self.countdown, outcome.decision
        if countdown is None or outcome.command is not Command.NONE:
            return
        run_s = self.settings.longest_run_s
        value = countdown.value(run_s)
        begins = decision is not None and decision.kind is DecisionKind.STARTED
        if begins or (is_newly_permitted and (value is None or not countdown.shows(value))):
            self.hass.async_create_task(countdown.async_write(run_s), f"{DOMAIN} auto-off")

    @callback
    def _send(self, *, on: bool) -> asyncio.Task[None]:
        # An ON begins a turn later, so that whatever it brings about can still give it up.
        return self.hass.async_create_task(
            self.actuator.async_command(on=on), f"{DOMAIN} command", eager_start=not on
        )

    async def _async_save(self) -> bool:
        """Save; a run that is not on the disk, where a crash would forget it, does not go on."""
        is_saved = await self._save()
        if not is_saved and self.state.run is not None:
            note = common_text(self.hass, "not_saved")
            self.process(LockOutRequested(dt_util.utcnow().timestamp(), note))
            self._line.refresh()
        return is_saved

    async def _async_save_then_on(self, start: object) -> None:
        if not await self._async_save():
            return
        run = self.state.run
        if self.countdown is not None and run is not None and self._start is start:
            await self.countdown.async_write(run.deadline_s - run.started_s)
        # While disk and device were busy the run may have ended, another begun, or the watch gone.
        if self._start is start:
            self._start = None
            self._on = self._send(on=True)

    def _told(self, reason: Reasons | None) -> str | None:
        """Return a reason's word; the high limit of a drain is its drain mark."""
        if self.settings.is_drain and reason is BlockReason.HIGH_LEVEL:
            return BlockReason.SOURCE_LOW.value
        return None if reason is None else reason.value

    def _note(self, decision: Decision) -> None:
        t_s = self.state.seen_s or 0.0
        reason = self._told(decision.reason)
        entry = {
            "time": _iso(t_s),
            "decision": decision.kind.value,
            "reason": reason,
            **decision.values,
        }
        repeated = DecisionKind.OFF_REPEATED.value
        if self.decisions and self.decisions[-1]["decision"] == repeated == entry["decision"]:
            # An OFF without an answer is repeated for ever; it must not push out all the rest.
            self.decisions[-1] = entry
            return
        self.decisions.append(entry)
        # A lockout is no fault of the software: the notice, the logbook and a repair tell of it.
        level = logging.INFO if decision.kind is DecisionKind.LOCKED_OUT else logging.DEBUG
        _LOGGER.log(
            level, "%s of %s: %s", decision.kind.value, self._line.title, reason or "no reason"
        )
        self._line.async_noted(entry)

    def _wake_at(self, wake_s: float | None) -> None:
        if wake_s == self._wake_s:
            return
        self._async_cancel_wake()
        self._wake_s = wake_s
        if wake_s is not None:
            self._cancel_wake = async_track_point_in_utc_time(
                self.hass,
                HassJob(self._async_wake, f"{DOMAIN} guard", cancel_on_shutdown=True),
                dt_util.utc_from_timestamp(wake_s),
            )

    @callback
    def _async_cancel_wake(self) -> None:
        self._wake_s = None
        if self._cancel_wake is not None:
            self._cancel_wake()
            self._cancel_wake = None

    @callback
    def _async_wake(self, _due: datetime) -> None:
        self._cancel_wake = None
        self._wake_s = None
        # The hub tells for when it was asked. In one that was busy meanwhile others may have told
        # later times already, and this one would look like a clock that went back.
        self._line.async_tick(dt_util.utcnow().timestamp())


def _iso(t_s: float) -> str:
    return dt_util.utc_from_timestamp(t_s).isoformat(timespec="seconds")
