"""Devices that answer late, hang or know positions only, and orders that come at the wrong time."""

import asyncio
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.components.switch import SwitchEntity
from homeassistant.components.valve import ValveEntityFeature
from homeassistant.core import Context, HomeAssistant, ServiceCall
from homeassistant.exceptions import ServiceValidationError, Unauthorized
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import (
    MockUser,
    async_fire_time_changed,
    async_mock_service,
    setup_test_component_platform,
)

from .lab import SOURCE, VALVE, Lab
from .test_fill_watch import turns

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

PUMP = "switch.lagoon_pump"
POSITIONS = {"supported_features": int(ValveEntityFeature.SET_POSITION)}
TAP = "valve.lagoon"


class SlowPump:
    """A plug whose ON hangs until it is let; its OFF is quick."""

    def __init__(self, hass: HomeAssistant) -> None:
        self.hass = hass
        self.gate = asyncio.Event()
        self.ons = 0
        hass.services.async_register("switch", "turn_on", self._on)
        hass.services.async_register("switch", "turn_off", self._off)

    async def _on(self, call: ServiceCall) -> None:
        self.ons += 1
        await self.gate.wait()
        self.hass.states.async_set(PUMP, "on", context=call.context)

    async def _off(self, call: ServiceCall) -> None:
        self.hass.states.async_set(PUMP, "off", context=call.context)


@pytest.fixture
async def slow(hass: HomeAssistant, lab: Lab) -> SlowPump:
    """A lab in which a run by hand was asked for, whose ON hangs."""
    hass.states.async_set(PUMP, "off")
    await lab.level(20.0)
    await lab.set_up(device=PUMP)
    slow = SlowPump(hass)
    await lab.settle(20.0)
    await ask_for_a_run(lab)
    assert (slow.ons, lab.watch.phase) == (1, "filling")
    return slow


async def ask_for_a_run(lab: Lab) -> None:
    target = {"entity_id": lab.entity_id("run_by_hand")}
    await lab.hass.services.async_call("button", "press", target, blocking=True)
    await turns()


async def pass_time(lab: Lab, steps: int) -> None:
    """Let 20 s pass, and the level be told, again and again, while the ON hangs."""
    for _ in range(steps):
        lab.freezer.tick(20)
        async_fire_time_changed(lab.hass)
        shown = {"unit_of_measurement": "cm"}
        lab.hass.states.async_set(SOURCE, "20.00", shown, force_update=True)
        await turns(100)


async def test_an_on_that_hangs_is_given_up_with_its_run(
    hass: HomeAssistant, lab: Lab, slow: SlowPump
) -> None:
    """It hangs for minutes: a minute after it was asked for the run is over."""
    await pass_time(lab, 20)
    assert lab.watch.decisions[-2]["reason"] == "no_answer"
    assert lab.is_permitted
    slow.gate.set()
    await hass.async_block_till_done()
    assert hass.states.is_state(PUMP, "off")


async def test_an_on_that_hangs_does_not_outlive_the_watch(
    hass: HomeAssistant, lab: Lab, slow: SlowPump
) -> None:
    """Nobody would put it off again, and nobody would tell that it is on."""
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    slow.gate.set()
    await hass.async_block_till_done()
    assert hass.states.is_state(PUMP, "off")


async def test_an_on_that_hangs_is_given_up_when_the_hub_stops(
    hass: HomeAssistant, slow: SlowPump
) -> None:
    hass.bus.async_listen_once("homeassistant_final_write", lambda _: slow.gate.set())
    await hass.async_stop(force=True)
    assert hass.states.is_state(PUMP, "off")


class DeafPump:
    """A plug that takes orders and does nothing."""

    def __init__(self, hass: HomeAssistant) -> None:
        self.ons = async_mock_service(hass, "switch", "turn_on")
        self.offs = async_mock_service(hass, "switch", "turn_off")


@pytest.fixture
async def deaf(hass: HomeAssistant, lab: Lab) -> DeafPump:
    """A lab whose pump did not answer a run by hand; seven minutes later a rule may start again."""
    hass.states.async_set(PUMP, "off")
    await lab.level(20.0)
    await lab.set_up(device=PUMP)
    deaf = DeafPump(hass)
    await lab.settle(20.0)
    await lab.press("run_by_hand")
    assert len(deaf.ons) == 1
    await lab.settle(20.0, 22)
    assert lab.is_permitted
    deaf.offs.clear()
    return deaf


@pytest.mark.parametrize("is_named", [True, False])
async def test_an_on_that_a_device_obeys_minutes_late_is_put_off(
    hass: HomeAssistant, lab: Lab, deaf: DeafPump, *, is_named: bool
) -> None:
    """Its radio was busy; where it tells by its own message, that does not say who asked.

    What was asked for was a short run by hand, not one up to the line's own limit.
    """
    hass.states.async_set(PUMP, "on", context=deaf.ons[0].context if is_named else None)
    await hass.async_block_till_done()
    assert lab.watch.phase == "stopping"
    assert len(deaf.offs) == 1
    hass.states.async_set(PUMP, "off")
    await lab.settle(20.0, 22)
    assert not lab.is_locked_out
    # That order is done with: the device's own button is nobody's late answer any more.
    hass.states.async_set(PUMP, "on")
    await hass.async_block_till_done()
    assert lab.watch.phase == "filling"


async def test_whoever_asks_after_an_order_that_was_not_heard_is_the_one_who_is_obeyed(
    hass: HomeAssistant, lab: Lab, deaf: DeafPump
) -> None:
    rule = Context(parent_id="rule")
    await hass.services.async_call("switch", "turn_on", {"entity_id": PUMP}, True, rule)
    await lab.settle(20.0, 1)
    hass.states.async_set(PUMP, "on")
    await hass.async_block_till_done()
    assert lab.watch.phase == "filling"
    assert lab.watch.decisions[-1]["reason"] == "automation"


# A valve that knows positions only


class Tap:
    """It refuses to open and to close, as the hub does, and goes where it is told."""

    def __init__(self, hass: HomeAssistant) -> None:
        self.hass = hass
        self.told: list[int] = []
        self.answers = True
        hass.services.async_register("valve", "set_valve_position", self._move)

    async def _move(self, call: ServiceCall) -> None:
        self.told.append(call.data["position"])
        if self.answers:
            self.say("open" if call.data["position"] else "closed", call.context)

    def say(self, state: str, context: Context | None = None) -> None:
        self.hass.states.async_set(TAP, state, POSITIONS, context=context)

    async def turn(self, position: int, by: Context) -> None:
        target = {"entity_id": TAP, "position": position}
        await self.hass.services.async_call("valve", "set_valve_position", target, True, by)
        await self.hass.async_block_till_done()


@pytest.fixture
async def tap(hass: HomeAssistant, lab: Lab) -> Tap:
    """A lab that fills through such a valve; it is closed."""
    tap = Tap(hass)
    tap.say("closed")
    await lab.level(20.0)
    await lab.set_up(device=TAP)
    await lab.settle(20.0)
    return tap


async def test_a_valve_that_knows_positions_only_is_run_by_hand(lab: Lab, tap: Tap) -> None:
    await lab.press("run_by_hand")
    assert tap.told == [100]
    assert lab.watch.phase == "filling"
    # The run by hand takes five minutes.
    await lab.run([20.0 + 0.1 * step for step in range(1, 17)], 20)
    assert tap.told == [100, 0]
    assert lab.watch.phase in ("settling", "idle")


async def test_a_valve_that_was_set_to_closed_is_held_off_by_a_person(lab: Lab, tap: Tap) -> None:
    """It answers later, by a message of its own."""
    await tap.turn(60, Context(parent_id="rule"))
    assert lab.watch.phase == "filling"
    await lab.run([20.1, 20.2], 20)
    tap.answers = False
    await tap.turn(0, Context(user_id="keeper"))
    assert lab.watch.decisions[-1]["reason"] == "by_hand"
    await lab.wait(7)
    tap.say("closed")
    await lab.settle(20.2, 30)
    assert lab.watch.block_reason == "hold_off"


async def test_a_rule_that_sets_it_to_closed_in_vain_is_taken_up(lab: Lab, tap: Tap) -> None:
    await tap.turn(100, Context(parent_id="rule"))
    await lab.run([20.1, 20.2], 20)
    tap.answers = False
    await tap.turn(0, Context(parent_id="rule"))
    assert lab.watch.phase == "stopping"
    await lab.run([20.3, 20.4, 20.5, 20.6], 20)
    assert lab.state("lockout_reason").state == "stuck_on"
    assert tap.told.count(0) >= 5


async def test_a_position_that_is_none_asks_nothing(lab: Lab, tap: Tap) -> None:
    await tap.turn(100, Context(parent_id="rule"))
    for position in (None, "shut"):
        lab.hass.bus.async_fire(
            "call_service",
            {
                "domain": "valve",
                "service": "set_valve_position",
                "service_data": {"entity_id": TAP, "position": position},
            },
        )
    await lab.hass.async_block_till_done()
    assert lab.watch.phase == "filling"


# A group of the hub's


class Plug(SwitchEntity):
    """A switch as an integration brings it; it may stop to obey."""

    _attr_should_poll = False
    _attr_is_on = False
    works = True

    def __init__(self, name: str) -> None:
        self._attr_name = name

    async def async_turn_on(self, **_: Any) -> None:
        self.say(is_on=True)

    async def async_turn_off(self, **_: Any) -> None:
        if self.works:
            self.say(is_on=False)

    def say(self, *, is_on: bool = True, is_there: bool = True) -> None:
        self._attr_is_on, self._attr_available = is_on, is_there
        self.async_write_ha_state()


@pytest.fixture(params=[False, True], ids=["any", "all"])
async def pair(hass: HomeAssistant, lab: Lab, request: pytest.FixtureRequest) -> list[Plug]:
    """A supply valve and a pump behind one group, filling on a rule's word.

    The hub says of it "on" when any, or only when all of them are on.
    """
    plugs = [Plug("supply"), Plug("booster")]
    setup_test_component_platform(hass, "switch", plugs)
    members = ["switch.supply", "switch.booster"]
    group = {"platform": "group", "name": "pair", "entities": members, "all": request.param}
    assert await async_setup_component(hass, "switch", {"switch": [{"platform": "test"}, group]})
    await lab.level(20.0)
    await lab.set_up(device="switch.pair")
    await lab.settle(20.0)
    await pair_turned(lab, "on")
    assert lab.watch.phase == "filling"
    await lab.run([20.1, 20.2, 20.3], 20)
    assert lab.watch.phase == "filling"
    return plugs


async def pair_turned(lab: Lab, to: str) -> None:
    target, rule = {"entity_id": "switch.pair"}, Context(parent_id="rule")
    await lab.hass.services.async_call("switch", f"turn_{to}", target, True, rule)
    await lab.hass.async_block_till_done()


@pytest.mark.usefixtures("pair")
async def test_a_group_that_obeys_is_a_device_like_any_other(lab: Lab) -> None:
    await pair_turned(lab, "off")
    assert lab.watch.phase == "settling"
    # The shortest pause of five minutes included.
    await lab.settle(20.3, 20)
    assert (lab.is_locked_out, lab.is_permitted) == (False, True)


async def test_a_group_is_not_off_while_a_member_is_on(
    hass: HomeAssistant, lab: Lab, pair: list[Plug]
) -> None:
    """The booster's contacts are welded; the group may say off."""
    pair[1].works = False
    await pair_turned(lab, "off")
    assert hass.states.is_state("switch.booster", "on")
    assert lab.watch.phase == "stopping"
    await lab.run([20.4, 20.5, 20.6, 20.7], 20)
    assert lab.state("lockout_reason").state == "stuck_on"
    pair[1].say(is_on=False)
    await hass.async_block_till_done()
    assert lab.watch.phase == "locked_out"


async def test_a_group_is_not_off_while_a_member_is_lost(
    hass: HomeAssistant, lab: Lab, pair: list[Plug]
) -> None:
    """Nobody knows of the booster whether it is on, and it heard no OFF."""
    pair[1].works = False
    pair[1].say(is_there=False)
    await pair_turned(lab, "off")
    assert lab.watch.phase == "stopping"
    assert hass.states.is_state("switch.supply", "off")
    await lab.run([20.4], 20)
    assert lab.watch.phase == "stopping"
    pair[1].works = True
    pair[1].say()
    await lab.run([20.5], 20)
    assert hass.states.is_state("switch.booster", "off")
    assert lab.watch.phase == "settling"


# Orders at the wrong time


@pytest.mark.parametrize(
    "order",
    [
        lambda lab: lab.press("reset"),
        lambda lab: lab.press("run_by_hand"),
        lambda lab: lab.switch("maintenance", on=True),
    ],
    ids=["reset", "run_by_hand", "maintenance"],
)
async def test_an_order_to_a_line_that_was_put_to_rest_is_refused(
    hass: HomeAssistant,
    lab: Lab,
    caplog: pytest.LogCaptureFixture,
    order: Callable[[Lab], Awaitable[None]],
) -> None:
    """While the hub stops, buttons and rules live on for a minute."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    await lab.watch.async_stop()
    offs = async_mock_service(hass, "input_boolean", "turn_off")
    with pytest.raises(ServiceValidationError) as refused:
        await order(lab)
    assert refused.value.translation_key == "line_at_rest"
    assert offs == []
    assert "failed at" not in caplog.text


async def test_a_reset_in_a_run_without_a_lockout_is_nobodys_business(lab: Lab) -> None:
    """It has no lockout that could stay."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    await lab.valve(on=True)
    await lab.press("reset")
    assert lab.watch.phase == "filling"


async def test_a_rule_that_says_much_locks_out_all_the_same(hass: HomeAssistant, lab: Lab) -> None:
    """The shipped rules name every contact that is not dry."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    await lab.valve(on=True)
    for reason in ("Not dry: " + ", ".join(["Lagoon cabinet, under the return pump"] * 8), ""):
        target = {"entity_id": lab.entity_id("lockout"), "reason": reason}
        await hass.services.async_call(DOMAIN, "lock_out", target, blocking=True)
        assert lab.is_locked_out
        assert not lab.is_valve_on
        assert lab.state("lockout").attributes["reason_text"] == (reason[:200] or None)
        await lab.press("reset")
        assert not lab.is_locked_out


async def test_who_may_only_look_resets_no_lockout(hass: HomeAssistant, lab: Lab) -> None:
    """As the hub itself keeps such a user from pressing the button."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    guest = MockUser(name="Visitor").add_to_hass(hass)
    guest.mock_policy({"entities": {"all": {"read": True}}})
    keeper = MockUser(name="Keeper").add_to_hass(hass)
    keeper.mock_policy({"entities": True})
    await lab.line.async_lock_out("hose off")
    target = {"entity_id": lab.entity_id("lockout")}
    seen = Context(user_id=guest.id)
    with pytest.raises(Unauthorized):
        await hass.services.async_call(DOMAIN, "reset_lockout", target, True, seen)
    assert lab.is_locked_out
    log = await hass.services.async_call(
        DOMAIN, "decision_log", target, True, seen, return_response=True
    )
    assert log["lines"][0]["decisions"]
    await hass.services.async_call(
        DOMAIN, "reset_lockout", target, True, Context(user_id=keeper.id)
    )
    assert not lab.is_locked_out
