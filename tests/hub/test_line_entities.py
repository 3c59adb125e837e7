"""What a fill line shows and lets a person do; what it does beside its own device."""

from datetime import timedelta
from math import exp
from typing import Any

import pytest
from custom_components.stillwell.const import DOMAIN, EVENT_DECISION
from custom_components.stillwell.countdown import Countdown
from custom_components.stillwell.decision_text import async_load_texts
from homeassistant.const import EVENT_STATE_CHANGED
from homeassistant.core import Event, EventStateChangedData, HomeAssistant, ServiceCall, callback
from homeassistant.exceptions import HomeAssistantError, ServiceValidationError
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import async_capture_events, async_mock_service

from .conftest import fill_line, reservoir
from .lab import FLOAT, LEAK, SQUARE_L_PER_CM, VALVE, Lab
from .test_fill_watch import fill

MAIN = "switch.main_valve"
AUTO_OFF = "number.valve_auto_off"
RETURN_PUMP = "switch.return_pump"


@pytest.fixture
async def guarded(hass: HomeAssistant, lab: Lab) -> Lab:
    """A lab with a fill device, a float and a leak contact, ready to fill."""
    hass.states.async_set(FLOAT, "off", {"friendly_name": "Reservoir float"})
    hass.states.async_set(LEAK, "off", {"friendly_name": "Floor"})
    await lab.set_up(
        device=VALVE, high_inputs=[FLOAT], leak_inputs=[LEAK], high_test_days=90, leak_test_days=30
    )
    await lab.settle()
    assert lab.is_permitted
    return lab


def commands(hass: HomeAssistant, entity_id: str, *, obeys: bool = True) -> list[str]:
    """Note what is sent to a switch, which does as told or does not."""
    heard: list[str] = []

    @callback
    def on_call(call: ServiceCall) -> None:
        if entity_id in call.data["entity_id"]:
            heard.append(call.service)
            if obeys:
                hass.states.async_set(entity_id, call.service.removeprefix("turn_"))

    for action in ("turn_on", "turn_off"):
        hass.services.async_register("switch", action, on_call)
    return heard


# Run by hand


async def test_run_by_hand_is_short_and_ends_by_itself(guarded: Lab) -> None:
    await guarded.press("run_by_hand")
    assert guarded.is_valve_on
    assert guarded.state("guard_state").state == "filling"
    level = 20.0
    for _ in range(20):
        level += 0.1
        await guarded.run([round(level, 2)], 20)
    # Five minutes have passed (GuardSettings.hand_run_s); no fault.
    assert not guarded.is_valve_on
    assert not guarded.is_locked_out


async def test_run_by_hand_in_a_lockout_and_never_past_an_input(
    hass: HomeAssistant, guarded: Lab
) -> None:
    await guarded.line.async_lock_out("hose off")
    await guarded.press("run_by_hand")
    assert guarded.is_valve_on
    assert guarded.state("guard_state").state == "hand_run"
    notice = guarded.state("notice").attributes
    assert (notice["event_type"], notice["severity"]) == ("run_by_hand", "warning")
    hass.states.async_set(FLOAT, "on")
    await hass.async_block_till_done()
    assert not guarded.is_valve_on
    with pytest.raises(ServiceValidationError) as refused:
        await guarded.press("run_by_hand")
    assert refused.value.translation_key == "run_refused"
    assert refused.value.translation_placeholders == {
        "line": "Lagoon reservoir fill line",
        "why": "High or leak input on",
    }
    assert not guarded.is_valve_on


# Maintenance and rehearsal


async def test_the_maintenance_pause_stops_a_rule_and_ends_by_itself(guarded: Lab) -> None:
    await fill(guarded)
    await guarded.switch("maintenance", on=True)
    assert not guarded.is_valve_on
    assert guarded.state("maintenance").state == "on"
    until = guarded.state("maintenance").attributes["until"]
    assert (until - dt_util.utcnow()).total_seconds() == pytest.approx(7200.0, abs=5.0)
    assert guarded.state("signal").state == "function_check"
    assert guarded.state("signal_reason").state == "maintenance"
    await guarded.run([*[22.5] * 12, *[19.0] * 12, *[20.0] * 12], 20)
    assert guarded.state("block_reason").state == "maintenance"
    await guarded.settle(20.0, 320)
    assert guarded.state("maintenance").state == "on"
    await guarded.settle(20.0, 20)
    assert guarded.state("maintenance").state == "off"
    assert guarded.state("signal_reason").state == "none"
    assert guarded.is_permitted
    # What hands moved meanwhile is no use.
    assert guarded.value("used_today") == pytest.approx(0.0, abs=0.1)
    assert guarded.state("unexplained_loss").state != "on"


async def test_the_maintenance_pause_can_be_ended(guarded: Lab) -> None:
    await guarded.switch("maintenance", on=True)
    assert not guarded.is_permitted
    await guarded.switch("maintenance", on=False)
    assert guarded.state("maintenance").attributes["until"] is None
    await guarded.settle()
    assert guarded.is_permitted


async def test_a_rehearsal_says_what_it_would_do_and_touches_nothing(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up(device=VALVE, rehearsal=True)
    heard = async_capture_events(hass, "call_service")
    assert lab.state("rehearsal").state == "on"
    await lab.settle(8.0)
    await lab.run([round(8.0 - 0.05 * step, 2) for step in range(60)])
    assert lab.state("block_reason").state == "rehearsal"
    assert not lab.is_permitted
    assert not lab.is_valve_on
    assert not [event for event in heard if event.data["domain"] == "input_boolean"]
    texts = [entry["text"] for entry in lab.line.decisions]
    assert texts[-1] == "Rehearsal: would start now"
    # It is remembered, whatever the settings began with.
    await lab.switch("rehearsal", on=False)
    await lab.reload()
    assert lab.state("rehearsal").state == "off"
    await lab.settle(5.0)
    assert lab.is_permitted
    await lab.switch("rehearsal", on=True)
    assert not lab.is_permitted


# Figures of the ledger


async def test_volume_and_run_time_of_the_day(guarded: Lab) -> None:
    assert guarded.value("volume_24h") == 0.0
    assert guarded.value("run_time_24h") == 0.0
    await fill(guarded, 10)
    # 3 mm a minute of 0.9 L a centimetre, for ten minutes: 2.7 L.
    assert guarded.value("volume_24h") == pytest.approx(2.7, abs=0.2)
    assert guarded.value("run_time_24h") == pytest.approx(10.0, abs=0.5)
    await guarded.valve(on=False)
    await guarded.settle(23.0)
    assert guarded.value("volume_24h") == pytest.approx(2.7, abs=0.3)
    await guarded.reload()
    await guarded.settle(23.0)
    assert guarded.value("volume_24h") == pytest.approx(2.7, abs=0.3)
    for _ in range(145):
        await guarded.run([23.0], 600)
    assert guarded.value("volume_24h") == 0.0
    assert guarded.value("run_time_24h") == 0.0


async def test_a_daily_limit_locks_out(lab: Lab) -> None:
    await lab.set_up(device=VALVE, daily_run_s=300.0)
    await lab.settle()
    await fill(lab, 4)
    await lab.run([21.3, 21.4, 21.5, 21.6, 21.7, 21.8], 20)
    assert not lab.is_valve_on
    assert lab.state("lockout_reason").state == "daily_run_time"


async def test_fresh_water_of_one_run_is_capped(lab: Lab) -> None:
    """One hundredth of 450 L are 4.5 L: 5 cm of this vessel."""
    await lab.set_up(device=VALVE, feeds_system=True)
    await lab.settle(8.0)
    await lab.valve(on=True)
    level = 8.0
    while lab.is_valve_on and level < 20:
        level += 0.1
        await lab.run([round(level, 2)], 20)
    assert lab.state("lockout_reason").state == "run_volume"
    assert level - 8.0 == pytest.approx(5.0, abs=0.3)


# Notices, log book


async def test_notices_are_events(hass: HomeAssistant, guarded: Lab) -> None:
    hass.states.async_set(LEAK, "on")
    await hass.async_block_till_done()
    told = guarded.state("notice")
    assert told.attributes["event_type"] == "locked_out"
    assert told.attributes["severity"] == "critical"
    assert told.attributes["reason"] == "leak"
    hass.states.async_set(LEAK, "off")
    await hass.async_block_till_done()
    await guarded.press("reset")
    assert guarded.state("notice").attributes["event_type"] == "reset"


async def test_what_the_guard_says_at_its_start_is_told(hass: HomeAssistant, guarded: Lab) -> None:
    """A valve found on past its longest run is locked out before any entity is there to tell."""
    assert await hass.config_entries.async_unload(guarded.entry.entry_id)
    hass.states.async_set("input_boolean.lagoon_valve", "on")
    told: list[str] = []

    @callback
    def note(event: Event[EventStateChangedData]) -> None:
        new = event.data["new_state"]
        if new is not None and new.attributes.get("event_type") is not None:
            told.append(new.attributes["event_type"])

    hass.bus.async_listen(EVENT_STATE_CHANGED, note)
    assert await hass.config_entries.async_setup(guarded.entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    assert told == ["run_interrupted"]


async def test_decisions_are_in_the_logbook(hass: HomeAssistant, guarded: Lab) -> None:
    described: dict[str, Any] = {}
    from custom_components.stillwell import logbook  # noqa: PLC0415 - as the hub loads it

    heard: list[Event] = async_capture_events(hass, EVENT_DECISION)
    logbook.async_describe_events(hass, lambda _, kind, how: described.update({kind: how}))
    await fill(guarded)
    await guarded.level("0")
    (started, stopped, _) = heard
    lockout = guarded.entity_id("lockout")
    assert described[EVENT_DECISION](started) == {
        "name": "Lagoon reservoir fill line",
        "message": "Run started: By a rule",
        "entity_id": lockout,
    }
    assert described[EVENT_DECISION](stopped)["message"] == "Run stopped: Level signal not good"
    # French has a space before a colon, one that does not break (Imprimerie nationale).
    hass.config.language = "fr"
    await async_load_texts(hass)
    what, why = described[EVENT_DECISION](stopped)["message"].split("\u00a0: ")
    assert (what, why) == ("Marche arrêtée", "Signal de niveau pas bon")


async def test_an_off_without_an_answer_does_not_push_out_the_log(
    hass: HomeAssistant, guarded: Lab
) -> None:
    await fill(guarded)
    async_mock_service(hass, "input_boolean", "turn_off")
    await guarded.level("unavailable")
    for _ in range(70):
        await guarded.wait(60)
    log = [entry["decision"] for entry in guarded.line.decisions]
    assert "started" in log
    assert log.count("off_repeated") <= 2
    assert guarded.line.decisions[-1]["tries"] > 50


# Proof tests


async def test_proof_tests_fall_due_are_told_and_passed(hass: HomeAssistant, guarded: Lab) -> None:
    registry = er.async_get(hass)
    entities = er.async_entries_for_config_entry(registry, guarded.entry.entry_id)
    due = {e.original_name: e for e in entities if "_proof_test_due_" in e.unique_id}
    assert set(due) == {"Test due: Reservoir float", "Test due: Floor"}
    passed = {e.original_name: e for e in entities if "_proof_test_passed_" in e.unique_id}
    floor = due["Test due: Floor"].entity_id

    def days_left() -> float:
        moment = dt_util.parse_datetime(hass.states.get(floor).state)
        return (moment - dt_util.utcnow()) / timedelta(days=1)

    def overdue() -> set[str]:
        return {
            issue.translation_placeholders["input"]
            for issue in ir.async_get(hass).issues.values()
            if issue.translation_key == "proof_test_overdue"
        }

    assert days_left() == pytest.approx(30.0, abs=0.01)
    await guarded.wait(29 * 86400)
    assert overdue() == set()
    await guarded.wait(2 * 86400)
    assert overdue() == {"Floor"}
    button = passed["Test passed: Floor"].entity_id
    await hass.services.async_call("button", "press", {"entity_id": button}, blocking=True)
    assert overdue() == set()
    assert days_left() == pytest.approx(30.0, abs=0.01)
    await guarded.reload()
    assert days_left() == pytest.approx(30.0, abs=0.01)
    await guarded.wait(60 * 86400)
    assert overdue() == {"Floor", "Reservoir float"}


async def test_an_input_that_is_chosen_no_more_takes_its_test_along(
    hass: HomeAssistant, guarded: Lab
) -> None:
    def tests() -> set[str]:
        entities = er.async_entries_for_config_entry(er.async_get(hass), guarded.entry.entry_id)
        return {e.original_name for e in entities if "_proof_test_" in e.unique_id}

    await guarded.wait(100 * 86400)
    issues = ir.async_get(hass).issues.values()
    assert len([i for i in issues if i.translation_key == "proof_test_overdue"]) == 2
    await guarded.change("fill_line", leak_inputs=None)
    assert tests() == {"Test due: Reservoir float", "Test passed: Reservoir float"}
    issues = ir.async_get(hass).issues.values()
    (left,) = [i for i in issues if i.translation_key == "proof_test_overdue"]
    assert left.translation_placeholders["input"] == "Reservoir float"


async def test_a_test_is_known_by_the_registry_and_survives_a_rename(
    hass: HomeAssistant, lab: Lab
) -> None:
    registry = er.async_get(hass)
    contact = registry.async_get_or_create(
        "binary_sensor", "lab", "1", suggested_object_id="lagoon_float", original_name="Float"
    )
    await lab.set_up(device=VALVE, high_inputs=[FLOAT], high_test_days=90)
    (test,) = lab.line.proof_tests.tests.values()
    assert (test.key, test.name) == (contact.id, "Float")
    passed_s = test.passed_s
    await lab.wait(86400)
    registry.async_update_entity(FLOAT, new_entity_id="binary_sensor.float_2")
    await hass.async_block_till_done()
    (test,) = lab.line.proof_tests.tests.values()
    assert (test.key, test.passed_s) == (contact.id, passed_s)


# Second shut-off


async def test_the_second_shut_off_is_closed_until_it_confirms(
    hass: HomeAssistant, lab: Lab
) -> None:
    hass.states.async_set(MAIN, "on")
    hass.states.async_set(LEAK, "off")
    await lab.set_up(device=VALVE, leak_inputs=[LEAK], secondary=[MAIN])
    heard = commands(hass, MAIN, obeys=False)
    await lab.settle()
    hass.states.async_set(LEAK, "on")
    await hass.async_block_till_done()
    assert heard == ["turn_off"]
    for _ in range(24):
        await lab.wait(5)
    # At 0, 5, 15, 30, 60 and 120 s.
    assert len(heard) == 6
    # It is not forgotten over a restart.
    await lab.reload()
    assert len(heard) == 7
    hass.states.async_set(MAIN, "off")
    for _ in range(30):
        await lab.wait(5)
    assert len(heard) == 7
    assert not lab.watch.secondary.is_pending


async def test_a_reset_ends_the_orders_to_the_second_shut_off(
    hass: HomeAssistant, lab: Lab
) -> None:
    hass.states.async_set(MAIN, "unavailable")
    hass.states.async_set(LEAK, "off")
    await lab.set_up(device=VALVE, leak_inputs=[LEAK], secondary=[MAIN])
    heard = commands(hass, MAIN, obeys=False)
    await lab.settle()
    hass.states.async_set(LEAK, "on")
    await hass.async_block_till_done()
    hass.states.async_set(LEAK, "off")
    await hass.async_block_till_done()
    await lab.press("reset")
    sent = len(heard)
    assert sent >= 1
    for _ in range(30):
        await lab.wait(5)
    assert len(heard) == sent


# The device's own auto-off


def number(hass: HomeAssistant, **attributes: Any) -> list[float]:
    """Make a number that takes what is written; return what was.

    The hub's own numbers are set up before, or they would take its place.
    """
    written: list[float] = []

    @callback
    def on_call(call: ServiceCall) -> None:
        written.append(call.data["value"])
        hass.states.async_set(AUTO_OFF, str(call.data["value"]), attributes)

    hass.services.async_register("number", "set_value", on_call)
    hass.states.async_set(AUTO_OFF, "0", attributes)
    return written


async def test_the_auto_off_is_written_before_a_permit_and_at_each_start(
    hass: HomeAssistant, lab: Lab
) -> None:
    """Two hours and a minute, in the number's own unit."""
    assert await async_setup_component(hass, "number", {})
    written = number(hass, unit_of_measurement="min", min=0, max=300, step=1)
    await lab.set_up(device=VALVE, countdown=AUTO_OFF)
    await lab.settle()
    assert written == [121.0]
    await lab.valve(on=True)
    assert written == [121.0, 121.0]
    await lab.run([20.1, 20.2], 20)
    await lab.valve(on=False)
    await lab.settle(20.2, 30)
    # The device has it already: nothing is written for nothing.
    assert written == [121.0, 121.0]
    order: list[str] = []
    assert await async_setup_component(hass, "number", {})
    hass.services.async_register("number", "set_value", lambda _: order.append("auto-off"))
    hass.services.async_register("input_boolean", "turn_on", lambda _: order.append("on"))
    await lab.press("run_by_hand")
    assert order == ["auto-off", "on"]


@pytest.mark.parametrize(
    ("attributes", "value"),
    [
        ({"unit_of_measurement": "s"}, 7260.0),
        ({"unit_of_measurement": "h", "step": 0.5}, 2.5),
        ({"unit_of_measurement": "h", "step": 0.01}, 2.02),
        # A device that closes after ten minutes at most does so: no fault.
        ({"unit_of_measurement": "min", "max": 10}, 10.0),
        ({"unit_of_measurement": "min", "min": 180}, 180.0),
        ({"unit_of_measurement": "L"}, None),
        (None, None),
    ],
)
async def test_the_auto_off_in_any_unit(
    hass: HomeAssistant, attributes: dict[str, Any] | None, value: float | None
) -> None:
    if attributes is not None:
        hass.states.async_set(AUTO_OFF, "0", attributes)
    assert Countdown(hass, AUTO_OFF).value(7200.0) == value


@pytest.mark.parametrize("fault", [HomeAssistantError("no radio"), RuntimeError("defect")])
async def test_an_auto_off_that_cannot_be_written_is_told_and_stops_nothing(
    hass: HomeAssistant, lab: Lab, caplog: pytest.LogCaptureFixture, fault: Exception
) -> None:
    async def fail(_: ServiceCall) -> None:
        raise fault

    assert await async_setup_component(hass, "number", {})
    hass.services.async_register("number", "set_value", fail)
    hass.states.async_set(AUTO_OFF, "0", {"unit_of_measurement": "s"})
    await lab.set_up(device=VALVE, countdown=AUTO_OFF)
    await lab.settle()
    await lab.press("run_by_hand")
    assert lab.is_valve_on
    assert "was not written" in caplog.text


async def test_an_auto_off_without_a_unit_is_told(
    hass: HomeAssistant, lab: Lab, caplog: pytest.LogCaptureFixture
) -> None:
    hass.states.async_set(AUTO_OFF, "0")
    await lab.set_up(device=VALVE, countdown=AUTO_OFF)
    await lab.settle()
    assert "shows no time" in caplog.text
    assert lab.is_permitted


# Source vessel


async def test_the_source_vessel_keeps_the_pump_from_running_dry(
    hass: HomeAssistant, lab: Lab
) -> None:
    """The mixing vat's empty mark is at 2 cm."""
    mix = reservoir("Lagoon mix", source="sensor.mix_level")

    def mix_level(value: str) -> None:
        hass.states.async_set("sensor.mix_level", value, {"unit_of_measurement": "cm"})

    async def both(values: list[float], mixes: list[float]) -> None:
        for value, mixed in zip(values, mixes, strict=True):
            await lab.wait(20)
            mix_level(f"{mixed:.2f}")
            await lab.level(value)

    await lab.set_up(mix, device=VALVE, source_vessel="lagoon_mix")
    await both([20.0] * 15, [5.0 + 0.01 * (step % 2) for step in range(15)])
    assert lab.is_permitted
    await lab.valve(on=True)
    await both(
        [round(20.0 + 0.1 * k, 2) for k in range(1, 40)], [5 - 0.1 * k for k in range(1, 40)]
    )
    assert not lab.is_valve_on
    assert lab.state("block_reason").state == "source_low"
    assert not lab.is_locked_out
    await both([23.9] * 30, [4.0] * 30)
    assert lab.state("block_reason").state == "none"
    mix_level("unavailable")
    await hass.async_block_till_done()
    assert lab.state("block_reason").state == "source_unknown"
    assert not lab.is_permitted


async def test_a_fault_in_judging_the_source_counts_as_unknown(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    mix = reservoir("Lagoon mix", source="sensor.mix_level")
    await lab.set_up(mix, device=VALVE, source_vessel="lagoon_mix")
    for _ in range(15):
        lab.hass.states.async_set("sensor.mix_level", "9", {"unit_of_measurement": "cm"})
        await lab.run([20.0], 20)
    assert lab.is_permitted

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("defect")

    monkeypatch.setattr("custom_components.stillwell.engine.pipeline.VesselModel.report", broken)
    lab.hass.states.async_set("sensor.mix_level", "9.1", {"unit_of_measurement": "cm"})
    await lab.hass.async_block_till_done()
    assert lab.state("block_reason").state == "source_unknown"
    assert not lab.is_permitted


async def test_supply_empty_stops_and_needs_ten_quiet_minutes(
    hass: HomeAssistant, lab: Lab
) -> None:
    hass.states.async_set("binary_sensor.supply", "off")
    await lab.set_up(device=VALVE, supply_empty_inputs=["binary_sensor.supply"])
    await lab.settle()
    await fill(lab)
    hass.states.async_set("binary_sensor.supply", "on")
    await hass.async_block_till_done()
    assert not lab.is_valve_on
    assert not lab.is_locked_out
    hass.states.async_set("binary_sensor.supply", "off")
    await lab.settle(21.5, 24)
    assert lab.state("block_reason").state == "supply_empty"
    await lab.settle(21.5, 12)
    assert lab.is_permitted


# Return pump


async def test_a_return_pump_that_stands_is_no_use_no_fill_and_no_permit(
    hass: HomeAssistant, lab: Lab
) -> None:
    """A feeding pause: the sump rises by 3 cm, dips when the pump starts, and is as before."""
    hass.states.async_set(RETURN_PUMP, "on")
    await lab.set_up(device=VALVE, return_pump=RETURN_PUMP, return_settle_s=300.0)
    await lab.run([round(20.0 - 0.002 * minute, 2) for minute in range(180)])
    assert lab.is_permitted
    used_l = lab.value("total_used")
    hass.states.async_set(RETURN_PUMP, "off")
    await hass.async_block_till_done()
    assert not lab.is_permitted
    assert lab.state("block_reason").state == "return_pump"
    assert lab.state("signal_reason").state == "return_pump"
    await lab.run([21.0, 22.0, 22.6, *[22.6] * 12])
    assert lab.state("signal").state == "function_check"
    assert lab.value("volume") == pytest.approx(22.6 * SQUARE_L_PER_CM, abs=0.1)
    hass.states.async_set(RETURN_PUMP, "on")
    await lab.run([21.0, 19.0, 19.5, 19.6])
    assert not lab.is_permitted
    await lab.run([19.6] * 15)
    assert lab.is_permitted
    assert lab.state("signal_reason").state == "none"
    assert lab.state("unexplained_loss").state != "on"
    assert lab.value("added_today") == pytest.approx(0.0, abs=0.05)
    # 34 minutes of 2 mm in 100 min, 0.0018 L a minute: no more than that was carried.
    assert lab.value("total_used") == pytest.approx(used_l, abs=0.1)


async def test_how_long_the_level_settles_is_learned_from_the_pumps_starts(
    hass: HomeAssistant, lab: Lab
) -> None:
    """A lag of 100 s by which 3 cm come back, 2.7 L of the 28.8 L below the high limit of 32 cm.

    It is at rest within half a hundredth of that, 0.144 L, after 100 s x ln(2.7 / 0.144) = 293 s.
    """
    hass.states.async_set(RETURN_PUMP, "on")
    await lab.set_up(device=VALVE, return_pump=RETURN_PUMP, return_settle_s=900.0)
    await lab.settle(20.0, 60, 60)
    for _ in range(3):
        assert lab.watch.guard_settings.return_settle_s == 900.0
        hass.states.async_set(RETURN_PUMP, "off")
        await lab.run([23.0] * 6, 60)
        hass.states.async_set(RETURN_PUMP, "on")
        await lab.run([20.0 + 3.0 * exp(-20.0 * n / 100.0) for n in range(1, 150)], 20)
    learned_s = lab.watch.guard_settings.return_settle_s
    # A quarter more than what was seen, which is the next report of 20 s.
    assert 1.25 * 293.0 <= learned_s <= 1.25 * 320.0
    assert lab.line.diagnostics()["return_settles_in_s"] == learned_s
    await lab.reload()
    assert lab.watch.guard_settings.return_settle_s == learned_s


# Options, settings, several lines


async def test_a_change_of_options_in_a_run_ends_it(guarded: Lab) -> None:
    await fill(guarded)
    await guarded.change("fill_line", longest_run_s=14_400.0)
    assert not guarded.is_valve_on
    assert guarded.watch.guard_settings.longest_run_s == 14_400.0
    await guarded.settle()
    assert guarded.state("lockout").attributes["run_started"] is None


async def test_a_change_of_options_cannot_lengthen_a_run_that_does_not_end(
    hass: HomeAssistant, guarded: Lab
) -> None:
    """The device is deaf: the run stays on record with the deadline it began with."""
    await fill(guarded)
    async_mock_service(hass, "input_boolean", "turn_off")
    deadline = guarded.state("lockout").attributes["deadline"]
    await guarded.change("fill_line", longest_run_s=28_800.0)
    assert guarded.is_valve_on
    assert guarded.state("lockout").attributes["deadline"] == deadline
    await guarded.change("fill_line", longest_run_s=600.0)
    assert guarded.is_valve_on
    assert guarded.state("lockout").attributes["deadline"] <= deadline


async def test_a_line_whose_vessel_is_gone_is_put_off_and_told(
    hass: HomeAssistant, guarded: Lab
) -> None:
    await guarded.line.async_lock_out("hose off")
    hass.config_entries.async_remove_subentry(guarded.entry, "lagoon_reservoir")
    await hass.async_block_till_done()
    issue = "line_settings_invalid_lagoon_reservoir_fill_line"
    assert (
        "removed"
        in ir.async_get(hass).async_get_issue(DOMAIN, issue).translation_placeholders["error"]
    )
    assert not guarded.entry.runtime_data.lines
    await guarded.valve(on=True)
    await guarded.reload()
    assert not guarded.is_valve_on
    # Its lockout is kept for the day it has a vessel again.
    assert "lagoon_reservoir_fill_line" in guarded.entry.runtime_data._kept_safety


async def test_a_line_whose_vessel_is_not_running_is_told(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device=VALVE, start_m=0.5)
    issue = "line_settings_invalid_lagoon_reservoir_fill_line"
    told = ir.async_get(hass).async_get_issue(DOMAIN, issue).translation_placeholders
    assert told["error"] == "Lagoon reservoir is not running"
    await lab.change(start_m=0.07)
    assert ir.async_get(hass).async_get_issue(DOMAIN, issue) is None
    await lab.settle()
    assert lab.is_permitted


async def test_a_line_without_a_device_is_told(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(longest_run_s=600.0, device=None)
    assert not lab.entry.runtime_data.lines


async def test_two_lines_into_one_vessel(hass: HomeAssistant, lab: Lab) -> None:
    second = fill_line(title="Second line", device="input_boolean.second")
    boolean = {"input_boolean": {"lagoon_valve": None, "second": None}}
    assert await async_setup_component(hass, "input_boolean", boolean)
    await lab.set_up(second, device=VALVE)
    await lab.settle()
    assert lab.runtime.fill_on is False
    async_mock_service(hass, "input_boolean", "turn_off")
    hass.states.async_set("input_boolean.second", "on")
    assert lab.runtime.fill_on is True
    hass.states.async_set("input_boolean.second", "unavailable")
    assert lab.runtime.fill_on is None
    # Whose rate was learned, nobody knows: the guard is not told it.
    assert {line.watch.state.level.rate_l_per_s for line in lab.runtime.lines} == {None}


async def test_actions_on_a_vessel_reach_its_lines_and_the_other_way_round(guarded: Lab) -> None:
    async def call(action: str, key: str, **data: Any) -> Any:
        return await guarded.hass.services.async_call(
            DOMAIN,
            action,
            {"entity_id": guarded.entity_id(key), **data},
            blocking=True,
            return_response=action in ("decision_log", "daily_use"),
        )

    await call("lock_out", "volume", reason="hose off")
    assert guarded.is_locked_out
    (told,) = (await call("decision_log", "volume"))["lines"]
    assert (told["line"], told["vessel"]) == ("Lagoon reservoir fill line", "Lagoon reservoir")
    assert told["decisions"][-1]["text"] == "Locked out: Locked out by a rule or a person"
    (days,) = (await call("daily_use", "lockout"))["vessels"]
    assert days["vessel"] == "Lagoon reservoir"


async def test_a_missing_part_of_a_line_is_told(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(
        device=VALVE,
        secondary=[MAIN],
        countdown=AUTO_OFF,
        return_pump=RETURN_PUMP,
        supply_empty_inputs=["binary_sensor.supply"],
    )
    issues = ir.async_get(hass).issues.values()
    missing = {
        issue.translation_placeholders["entity"]
        for issue in issues
        if issue.translation_key == "actuator_missing"
    }
    assert missing == {MAIN, AUTO_OFF, RETURN_PUMP, "binary_sensor.supply"}


async def test_a_removed_line_leaves_nothing(hass: HomeAssistant, guarded: Lab) -> None:
    await guarded.wait(100 * 86400)
    assert [key for key in ir.async_get(hass).issues if "proof_test_overdue" in key[1]]
    hass.config_entries.async_remove_subentry(guarded.entry, "lagoon_reservoir_fill_line")
    await hass.async_block_till_done()
    assert not guarded.entry.runtime_data.lines
    entities = er.async_entries_for_config_entry(er.async_get(hass), guarded.entry.entry_id)
    assert {entity.config_subentry_id for entity in entities} == {"lagoon_reservoir"}
    devices = dr.async_entries_for_config_entry(dr.async_get(hass), guarded.entry.entry_id)
    assert [device.name for device in devices] == ["Lagoon reservoir"]
    assert guarded.runtime.fill_on is None
    assert not [key for key in ir.async_get(hass).issues if "fill_line" in key[1]]
