"""Make a batch in a mixing vat: the shipped YAML in the real automation engine.

Fill once on request, keep mixing, never overfill, never mix dry. The levels are a school lab's
own: a vat of 120 L, filled to 90 %, mixed from 30 % up, dry at 15 %.
"""

from datetime import timedelta
from typing import Any

import pytest
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import async_mock_service

from .conftest import LEVEL, LOCKOUT, VALVE, Bench

FILE = "stillwell_mix_batch.yaml"
REQUEST = "input_boolean.lagoon_batch"
MIXER = "switch.lagoon_mixing_pump"
HOLD = "input_boolean.lagoon_mixing_hold"
HIGH = "binary_sensor.lagoon_vat_high"
LEAK = "binary_sensor.lagoon_vat_leak"
REQUIRED = {
    "level_entity": LEVEL,
    "valve": VALVE,
    "request": REQUEST,
    "lockout_entity": LOCKOUT,
}
ALL = REQUIRED | {
    "mixing_pumps": [MIXER],
    "mixing_holds": [HOLD],
    "high_inputs": [HIGH],
    "leak_inputs": [LEAK],
    "notify_entities": ["notify.lab_desk"],
}
NOT_LEVELS = [0, -3, "unavailable", "unknown", "nan", "inf", ""]


async def ready(
    bench: Bench, level: float, inputs: dict[str, Any] = ALL, request: str = "off"
) -> None:
    assert await async_setup_component(bench.hass, "homeassistant", {})
    for entity_id in (VALVE, MIXER, HOLD, HIGH, LEAK):
        bench.set(entity_id, "off")
    bench.set(REQUEST, request)
    await bench.report(level, "%")
    await bench.lockout("off")
    await bench.load(FILE, inputs)


async def in_a_fill(bench: Bench, level: float = 20) -> None:
    await ready(bench, level, request="on")
    await bench.pass_time(60, level=level, unit="%")
    assert bench.state(VALVE) == "on"
    bench.commands.clear()


async def test_one_request_makes_one_batch(bench: Bench) -> None:
    await ready(bench, 5)
    await bench.pass_time(120, level=5, unit="%")
    assert bench.commands == []
    bench.set(REQUEST, "on")
    for level in range(5, 90, 5):
        await bench.pass_time(60, level=level, unit="%")
        assert bench.state(VALVE) == "on"
        assert bench.state(MIXER) == ("on" if level >= 30 else "off")
    await bench.report(90, "%")
    assert bench.state(VALVE) == "off"
    await bench.pass_time(20, level=90, unit="%")
    assert bench.state(REQUEST) == "off"
    assert len(bench.messages) == 1
    assert "salinity" in bench.messages[0].data["message"]
    # water is drawn from the batch: nothing thins what is left, and it is mixed until it is low
    for level in range(85, 5, -5):
        await bench.pass_time(60, level=level, unit="%")
        assert bench.state(MIXER) == ("on" if level > 15 else "off")
    assert bench.count("turn_on") == 2
    assert bench.lock_outs == []


async def test_the_required_inputs_are_enough(bench: Bench) -> None:
    await ready(bench, 50, REQUIRED, request="on")
    await bench.pass_time(40, level=50, unit="%")
    assert bench.commands == [("turn_on", VALVE)]
    await bench.report(90, "%")
    assert bench.commands[-1] == ("turn_off", VALVE)


async def test_one_wrong_report_at_the_brim_stops_but_does_not_end_the_batch(bench: Bench) -> None:
    await in_a_fill(bench)
    await bench.report(97, "%")
    assert ("turn_off", VALVE) in bench.commands
    await bench.pass_time(60, level=21, unit="%")
    assert bench.state(REQUEST) == "on"
    assert bench.state(VALVE) == "on"


@pytest.mark.parametrize("state", ["off", "unavailable", "unknown"])
async def test_a_request_taken_back_shuts_the_valve(bench: Bench, state: str) -> None:
    await in_a_fill(bench)
    bench.set(REQUEST, state)
    await bench.settle()
    assert bench.commands == [("turn_off", VALVE)]


async def test_a_valve_on_without_a_request_is_shut(bench: Bench) -> None:
    await ready(bench, 40)
    bench.set(VALVE, "on")
    await bench.settle()
    assert ("turn_off", VALVE) in bench.commands


@pytest.mark.parametrize("reading", NOT_LEVELS)
async def test_level_lost_shuts_the_valve_and_stops_the_mixer(
    bench: Bench, reading: float | str
) -> None:
    await in_a_fill(bench, level=50)
    assert bench.state(MIXER) == "on"
    await bench.report(reading, "%")
    assert set(bench.commands) == {("turn_off", VALVE), ("turn_off", MIXER)}
    await bench.pass_time(300)
    assert bench.count("turn_on") == 0


async def test_level_frozen_stops_everything(bench: Bench) -> None:
    await in_a_fill(bench, level=50)
    await bench.pass_time(15 * 60 - 40)
    assert bench.commands == []
    await bench.pass_time(80)
    assert set(bench.commands) == {("turn_off", VALVE), ("turn_off", MIXER)}


async def test_a_mixer_that_does_not_stop_is_told_again(bench: Bench) -> None:
    await in_a_fill(bench, level=50)
    bench.obeys = False
    await bench.report(10, "%")
    await bench.pass_time(120, level=10, unit="%")
    assert bench.commands.count(("turn_off", MIXER)) >= 6


@pytest.mark.parametrize("state", ["on", "unavailable"])
async def test_a_hold_stops_the_mixer_and_not_the_fill(bench: Bench, state: str) -> None:
    await in_a_fill(bench, level=50)
    bench.set(HOLD, state)
    await bench.settle()
    assert bench.commands == [("turn_off", MIXER)]
    assert bench.state(VALVE) == "on"


async def test_a_lockout_shuts_ends_the_request_and_goes_on_mixing(bench: Bench) -> None:
    await in_a_fill(bench, level=50)
    await bench.lockout("on", reason="longest_run")
    assert bench.state(VALVE) == "off"
    assert bench.state(REQUEST) == "off"
    assert bench.state(MIXER) == "on"
    assert len(bench.messages) == 1
    assert bench.messages[0].data["message"].startswith("Longest run.")
    # the reset brings no old request back
    await bench.lockout("off")
    await bench.pass_time(120, level=50, unit="%")
    assert bench.count("turn_on") == 0


@pytest.mark.parametrize("state", ["unavailable", "unknown"])
async def test_a_lockout_that_is_away_shuts(bench: Bench, state: str) -> None:
    await in_a_fill(bench)
    await bench.lockout(state)
    assert bench.is_shut_by("turn_off", VALVE)
    await bench.pass_time(120, level=20, unit="%")
    assert bench.count("turn_on") == 0


@pytest.mark.parametrize(("which", "mixer"), [(HIGH, "on"), (LEAK, "off")])
async def test_wet_inputs_lock_out(bench: Bench, which: str, mixer: str) -> None:
    await in_a_fill(bench, level=50)
    bench.set(which, "on", friendly_name="Vat switch")
    await bench.settle()
    assert bench.state(VALVE) == "off"
    assert bench.state(MIXER) == mixer
    assert "Vat switch" in bench.lock_outs[0].data["reason"]


async def test_too_long_a_run_is_locked_out(bench: Bench) -> None:
    await in_a_fill(bench, level=50)
    await bench.pass_time(2 * 3600 + 60, level=50, unit="%", step=300)
    assert bench.state(VALVE) == "off"
    assert len(bench.lock_outs) >= 1


@pytest.mark.parametrize(
    "wrong",
    [
        {"full_level": 20},
        {"full_level": "brim"},
        {"mix_level": 10},
        {"dry_level": None},
        {"lowest_level": 16},
        {"longest_run": {"hours": 0}},
        {"oldest_report": "old"},
        {"level_unit": "L"},
    ],
)
async def test_nonsense_settings_keep_everything_off(bench: Bench, wrong: dict[str, Any]) -> None:
    await ready(bench, 50, ALL | wrong, request="on")
    bench.set(MIXER, "on")
    await bench.pass_time(120, level=50, unit="%")
    assert bench.count("turn_on") == 0
    assert bench.state(MIXER) == "off"


async def test_settings_that_cannot_work_are_shown_in_the_hub_itself(bench: Bench) -> None:
    """A rule saved with a mistake and without a phone must not just do nothing."""
    shown = async_mock_service(bench.hass, "persistent_notification", "create")
    gone = async_mock_service(bench.hass, "persistent_notification", "dismiss")
    await ready(bench, 50)
    # So the hub tells that a rule was saved.
    bench.hass.bus.async_fire("automation_reloaded")
    await bench.hass.async_block_till_done()
    assert shown == []
    await bench.lockout("off", fill_device="switch.nursery_vat_valve")
    bench.hass.bus.async_fire("automation_reloaded")
    await bench.hass.async_block_till_done()
    (told,) = [call.data for call in shown]
    assert told["message"].startswith("The lockout watches switch.nursery_vat_valve, not ")
    gone.clear()
    await bench.lockout("off", fill_device=VALVE)
    bench.hass.bus.async_fire("automation_reloaded")
    await bench.hass.async_block_till_done()
    assert [call.data["notification_id"] for call in gone] == [told["notification_id"]]


async def test_hub_start_shuts_the_valve_first(bench: Bench, phone: str) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, 50, ALL | {"phones": [phone]}, request="on")
    bench.set(VALVE, "on")
    bench.commands.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert bench.commands[0] == ("turn_off", VALVE)
    # a toggle the hub restored is no request
    assert bench.state(REQUEST) == "off"
    assert len(bench.messages) == 1
    assert bench.messages[0].data["message"].startswith("The hub has started anew")
    assert [call.data["message"] for call in bench.phone] == [bench.messages[0].data["message"]]
    await bench.pass_time(120, level=50, unit="%")
    assert ("turn_on", VALVE) not in bench.commands


@pytest.mark.parametrize("before", ["unavailable", "unknown", None])
async def test_a_request_switch_that_comes_back_on_after_the_start_is_no_request(
    bench: Bench, before: str | None
) -> None:
    """It was on at the hub's stop, and its radio network is up later than the hub."""
    relay = "switch.lagoon_batch"
    bench.hass.set_state(CoreState.starting)
    if before is not None:
        bench.set(relay, before)
    await ready(bench, 50, ALL | {"request": relay})
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    await bench.pass_time(40, level=50, unit="%")
    bench.commands.clear()
    bench.set(relay, "on")
    await bench.settle()
    assert bench.commands == [("turn_off", relay)]
    assert [call.data["message"][:22] for call in bench.messages] == ["The request was silent"]
    await bench.pass_time(120, level=50, unit="%")
    assert ("turn_on", VALVE) not in bench.commands
    # put on by somebody it is a request
    bench.set(relay, "on")
    await bench.pass_time(40, level=50, unit="%")
    assert bench.state(VALVE) == "on"


async def test_a_request_that_was_silent_in_a_fill_must_be_put_on_again(bench: Bench) -> None:
    await in_a_fill(bench)
    bench.set(REQUEST, "unavailable")
    await bench.settle()
    bench.set(REQUEST, "on")
    await bench.settle()
    assert bench.state(REQUEST) == "off"
    await bench.pass_time(120, level=20, unit="%")
    assert bench.state(VALVE) == "off"
    assert len(bench.messages) == 1


# a hub that has stopped leaves its ticks armed, and with the process they go
@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_hub_shutdown_stops_valve_and_mixer(bench: Bench) -> None:
    await in_a_fill(bench, level=50)
    await bench.hass.async_stop(force=True)
    assert {("turn_off", VALVE), ("turn_off", MIXER)} <= set(bench.commands)


async def test_never_starts_on_the_edge_of_a_return(bench: Bench) -> None:
    await ready(bench, 50, request="on")
    await bench.lockout("off", permit=False)
    bench.freezer.tick(timedelta(seconds=10))
    await bench.lockout("off")
    await bench.pass_time(5, level=50, unit="%")
    assert ("turn_on", VALVE) not in bench.commands
    await bench.pass_time(40, level=50, unit="%")
    assert ("turn_on", VALVE) in bench.commands
