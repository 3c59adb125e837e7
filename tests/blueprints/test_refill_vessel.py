"""Refill a vessel between two levels: the shipped YAML in the real automation engine.

Levels and times are the trade's (common practice, no source): a strip about 15 in long, refill on
below 3 in, off above 13 in, a little over one hour, cut off at two, an unplugged strip reads 0.
The unit factors are exact by definition (international yard and pound agreement, 1959): 1 in =
25.4 mm.
"""

import asyncio
from datetime import timedelta
from typing import Any

import pytest
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState, ServiceCall
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import async_fire_time_changed, async_mock_service

from .conftest import LEVEL, LOCKOUT, VALVE, Bench

FILE = "stillwell_refill_vessel.yaml"
HIGH = "binary_sensor.lagoon_reservoir_high"
LEAK = "binary_sensor.lagoon_floor_leak"
REQUIRED = {"level_entity": LEVEL, "valve": VALVE, "lockout_entity": LOCKOUT}
INCHES = REQUIRED | {"level_unit": "in", "start_level": 3, "stop_level": 13}
GUARDED = INCHES | {"high_inputs": [HIGH], "leak_inputs": [LEAK]}
NOT_LEVELS = [0, "0.0", -0.2, "unavailable", "unknown", "nan", "inf", "-inf", "", "wet", "True"]


async def ready(
    bench: Bench,
    level: float,
    inputs: dict[str, Any],
    valve: str = "off",
    unit: str | None = None,
) -> None:
    """All in order: lockout clear, permit standing, inputs dry, a fresh level."""
    bench.set(VALVE, valve)
    bench.set(HIGH, "off")
    bench.set(LEAK, "off")
    await bench.report(level, unit or inputs.get("level_unit", "%"))
    await bench.lockout("off")
    await bench.load(FILE, inputs)


async def in_a_fill(bench: Bench, level: float = 8, inputs: dict[str, Any] = INCHES) -> None:
    """A fill that the automation itself began, and that is half done."""
    await ready(bench, 2.9, inputs)
    await bench.pass_time(60, level=2.9)
    assert bench.state(VALVE) == "on"
    began = bench.hass.states.get(VALVE).last_changed
    await bench.lockout("off", run_started=began.isoformat())
    await bench.pass_time(60, level=level)
    assert bench.state(VALVE) == "on"
    bench.commands.clear()


# The main job -----------------------------------------------------------------------------------


async def test_fills_from_three_to_thirteen_inches(bench: Bench) -> None:
    await ready(bench, 3.4, INCHES)
    await bench.pass_time(600, level=3.4)
    assert bench.commands == []
    await bench.pass_time(60, level=3.0)
    assert bench.commands == [("turn_on", VALVE)]
    # 10 in in 64 min: a little over one hour
    for minute in range(64):
        await bench.pass_time(60, level=round(3.0 + 10 * minute / 64, 1))
    assert bench.commands == [("turn_on", VALVE)]
    await bench.report(13.0)
    assert bench.commands == [("turn_on", VALVE), ("turn_off", VALVE)]
    await bench.pass_time(600, level=12.9, step=60)
    assert bench.count("turn_on") == 1
    assert bench.lock_outs == []


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("in", 1.0), ("cm", 2.54), ("mm", 25.4), ("L", 5.9), ("%", 100 / 15)],
)
async def test_works_from_depth_percentage_or_volume(
    bench: Bench, unit: str, factor: float
) -> None:
    # 5.9 L per inch: a bin with a footprint of 0.232 m2
    inputs = INCHES | {"level_unit": unit, "start_level": 3 * factor, "stop_level": 13 * factor}
    await ready(bench, 3.2 * factor, inputs)
    await bench.pass_time(120, level=3.2 * factor, unit=unit)
    assert bench.commands == []
    await bench.pass_time(60, level=2.9 * factor, unit=unit)
    assert bench.commands == [("turn_on", VALVE)]
    await bench.report(12.8 * factor, unit)
    assert bench.count("turn_off") == 0
    await bench.report(13.1 * factor, unit)
    assert bench.commands[-1] == ("turn_off", VALVE)


async def test_the_three_required_inputs_are_enough(bench: Bench) -> None:
    await ready(bench, 21, REQUIRED)
    await bench.pass_time(60, level=21, unit="%")
    assert bench.commands == []
    await bench.pass_time(60, level=20, unit="%")
    assert bench.commands == [("turn_on", VALVE)]
    await bench.report(90, "%")
    assert bench.commands[-1] == ("turn_off", VALVE)


@pytest.mark.parametrize(
    ("device", "opens", "shuts", "shut"),
    [
        ("switch.lagoon_reservoir_valve", "turn_on", "turn_off", "off"),
        ("input_boolean.lagoon_reservoir_valve", "turn_on", "turn_off", "off"),
        ("valve.lagoon_reservoir_valve", "open_valve", "close_valve", "closed"),
    ],
)
async def test_commands_each_kind_of_device(
    bench: Bench, device: str, opens: str, shuts: str, shut: str
) -> None:
    bench.set(device, shut)
    await bench.report(2.5)
    await bench.lockout("off", fill_device=device)
    await bench.load(FILE, INCHES | {"valve": device})
    await bench.pass_time(60, level=2.5)
    assert bench.commands == [(opens, device)]
    await bench.report(13.2)
    assert bench.commands == [(opens, device), (shuts, device)]


@pytest.mark.parametrize("state", ["opening", "closing", "open"])
async def test_a_valve_on_its_way_counts_as_not_shut(bench: Bench, state: str) -> None:
    device = "valve.lagoon_reservoir_valve"
    bench.set(device, state)
    await bench.report(13.5)
    await bench.lockout("off", fill_device=device)
    await bench.load(FILE, INCHES | {"valve": device})
    await bench.pass_time(20, level=13.5)
    assert bench.commands[0] == ("close_valve", device)


async def test_number_sources_without_a_unit(bench: Bench) -> None:
    inputs = INCHES | {"level_unit": "no unit"}
    bench.set(VALVE, "off")
    await bench.report(2.5, None)
    await bench.lockout("off")
    await bench.load(FILE, inputs)
    await bench.pass_time(80)
    assert bench.commands == [("turn_on", VALVE)]


# Starts: neither on an edge nor missed -----------------------------------------------------------


async def test_starts_once_when_the_level_was_low_from_the_beginning(bench: Bench) -> None:
    await ready(bench, 2.0, INCHES)
    await bench.pass_time(40, level=2.0)
    assert bench.commands == [("turn_on", VALVE)]


async def test_never_starts_on_the_edge_of_a_return(bench: Bench) -> None:
    await ready(bench, 5.0, INCHES)
    await bench.report("unavailable")
    await bench.lockout("off", permit=False, block_reason="signal")
    await bench.pass_time(300)
    await bench.report(2.0)
    assert bench.commands == []
    await bench.lockout("off", permit=True)
    assert bench.commands == []
    # the permit has not stood for 15 s at the first tick after it was given
    bench.freezer.tick(timedelta(seconds=10))
    await bench.lockout("off", permit=False)
    await bench.lockout("off", permit=True)
    await bench.pass_time(10, level=2.0)
    assert bench.commands == []
    await bench.pass_time(40, level=2.0)
    assert bench.commands == [("turn_on", VALVE)]


@pytest.mark.parametrize("wrong", [1.0, 2.9])
async def test_one_wrong_report_starts_nothing(bench: Bench, wrong: float) -> None:
    await ready(bench, 5.0, INCHES)
    for _ in range(10):
        await bench.pass_time(20, level=5.0)
        await bench.report(wrong)
        await bench.report(5.0)
        await bench.pass_time(20, level=wrong)
        await bench.report(5.1)
    assert bench.commands == []


async def test_two_reports_that_differ_start(bench: Bench) -> None:
    await ready(bench, 3.2, INCHES)
    bench.freezer.tick(timedelta(seconds=16))
    await bench.report(2.9)
    assert bench.commands == []
    await bench.report(2.8)
    assert bench.commands == [("turn_on", VALVE)]


async def test_a_source_that_only_tells_of_changes_starts_after_a_minute(bench: Bench) -> None:
    await ready(bench, 5.0, INCHES)
    await bench.report(2.9)
    await bench.pass_time(50)
    assert bench.commands == []
    await bench.pass_time(30)
    assert bench.commands == [("turn_on", VALVE)]


@pytest.mark.parametrize("before", ["unavailable", "unknown", "nan", "0"])
async def test_the_first_report_after_a_gap_starts_nothing(bench: Bench, before: str) -> None:
    await ready(bench, 5.0, INCHES)
    bench.freezer.tick(timedelta(seconds=16))
    await bench.report(before)
    await bench.report(2.0)
    await bench.pass_time(20)
    assert bench.commands == []
    await bench.report(1.9)
    assert bench.commands == [("turn_on", VALVE)]


async def test_dead_band_leaves_a_valve_as_it_is(bench: Bench) -> None:
    await ready(bench, 8.0, INCHES, valve="on")
    await bench.pass_time(300, level=8.0)
    assert bench.commands == []
    bench.set(VALVE, "off")
    await bench.pass_time(300, level=8.0)
    assert bench.commands == []


async def test_run_by_hand_skips_no_check(bench: Bench) -> None:
    await ready(bench, 2.0, INCHES)
    await bench.lockout("on")
    bench.commands.clear()
    for skip in (True, False):
        await bench.hass.services.async_call(
            "automation",
            "trigger",
            {"entity_id": "automation.a0", "skip_condition": skip},
            blocking=True,
        )
        await bench.settle()
    assert bench.commands == []


async def test_run_by_hand_starts_when_all_is_in_order(bench: Bench) -> None:
    await ready(bench, 2.0, INCHES)
    bench.freezer.tick(timedelta(seconds=16))
    bench.hass.states.async_set(LEVEL, "2.0", {"unit_of_measurement": "in"})
    await bench.hass.services.async_call(
        "automation", "trigger", {"entity_id": "automation.a0"}, blocking=True
    )
    await bench.settle()
    assert bench.commands == [("turn_on", VALVE)]


# A level that is lost ----------------------------------------------------------------------------


@pytest.mark.parametrize("reading", NOT_LEVELS)
async def test_unplugged_at_idle_never_starts(bench: Bench, reading: float | str) -> None:
    await ready(bench, 5.0, INCHES)
    await bench.report(reading)
    await bench.pass_time(1800)
    assert bench.commands == []


@pytest.mark.parametrize("reading", NOT_LEVELS)
async def test_unplugged_in_a_fill_shuts_at_once(bench: Bench, reading: float | str) -> None:
    await in_a_fill(bench)
    await bench.report(reading)
    assert bench.commands == [("turn_off", VALVE)]
    await bench.pass_time(600)
    assert bench.count("turn_on") == 0


async def test_a_level_entity_that_is_gone_shuts_at_once(bench: Bench) -> None:
    await in_a_fill(bench)
    bench.hass.states.async_remove(LEVEL)
    await bench.settle()
    assert bench.is_shut_by("turn_off", VALVE)


async def test_frozen_in_a_fill_shuts_when_the_last_report_is_too_old(bench: Bench) -> None:
    await in_a_fill(bench)
    await bench.pass_time(15 * 60 - 20)
    assert bench.commands == []
    await bench.pass_time(40)
    assert bench.commands == [("turn_off", VALVE)]


async def test_frozen_at_idle_never_starts(bench: Bench) -> None:
    await ready(bench, 2.0, INCHES)
    await bench.lockout("off", permit=False)
    await bench.pass_time(16 * 60)
    await bench.lockout("off", permit=True)
    await bench.pass_time(300)
    assert bench.commands == []


async def test_the_same_value_reported_again_is_fresh(bench: Bench) -> None:
    await in_a_fill(bench)
    await bench.pass_time(3600, level=8.0, step=300)
    assert bench.commands == []


async def test_a_report_from_the_future_is_not_believed(bench: Bench) -> None:
    await in_a_fill(bench)
    bench.freezer.move_to(dt_util.utcnow() - timedelta(seconds=30))
    await bench.lockout("off", run_started=dt_util.utcnow().isoformat())
    assert bench.commands == [("turn_off", VALVE)]


async def test_a_higher_lowest_level_is_obeyed(bench: Bench) -> None:
    await ready(bench, 0.4, INCHES | {"lowest_level": 0.5})
    await bench.pass_time(120, level=0.4)
    assert bench.commands == []
    await bench.pass_time(60, level=0.6)
    assert bench.commands == [("turn_on", VALVE)]


# Units and settings ------------------------------------------------------------------------------


async def test_another_display_unit_shuts_and_is_told(bench: Bench) -> None:
    # 13 in are 330.2 mm; a keeper who changes the display unit to cm makes them 33.02 cm
    await in_a_fill(bench, inputs=INCHES | {"notify_entities": ["notify.quay"]})
    await bench.report(round(8 * 2.54, 2), "cm")
    assert bench.is_shut_by("turn_off", VALVE)
    assert len(bench.messages) == 1
    assert "cm" in bench.messages[0].data["message"]
    await bench.pass_time(600, level=2.0, unit="cm")
    assert bench.count("turn_on") == 0
    assert len(bench.messages) == 1


@pytest.mark.parametrize(
    "wrong",
    [
        {"start_level": 13, "stop_level": 3},
        {"start_level": 5, "stop_level": 5},
        {"start_level": 0, "stop_level": 13},
        {"start_level": "three"},
        {"stop_level": None},
        {"lowest_level": "nan"},
        {"longest_run": {"hours": 0, "minutes": 0, "seconds": 0}},
        {"longest_run": "soon"},
        {"longest_run": None},
        {"oldest_report": {"minutes": -5}},
        {"level_unit": "cm"},
        {"lockout_entity": "binary_sensor.nursery_reservoir_lockout"},
    ],
)
async def test_nonsense_settings_shut_and_never_open(bench: Bench, wrong: dict[str, Any]) -> None:
    bench.set(
        "binary_sensor.nursery_reservoir_lockout", "off", permit=True, fill_device="switch.other"
    )
    await ready(bench, 2.0, INCHES | wrong, valve="on", unit="in")
    await bench.pass_time(20, level=2.0)
    assert bench.commands == [("turn_off", VALVE)]
    await bench.pass_time(300, level=2.0)
    assert bench.count("turn_on") == 0
    assert bench.lock_outs == []


@pytest.mark.parametrize("watched", [None, "switch.nursery_reservoir_valve"])
async def test_without_a_guard_on_this_very_valve_nothing_runs(
    bench: Bench, watched: str | None
) -> None:
    await ready(bench, 2.0, INCHES)
    await bench.lockout("off", fill_device=watched)
    await bench.pass_time(120, level=2.0)
    assert bench.commands == []


# The lockout -------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["on", "unavailable", "unknown"])
async def test_lockout_not_clear_shuts_and_never_opens(bench: Bench, state: str) -> None:
    await in_a_fill(bench)
    await bench.lockout(state)
    assert bench.is_shut_by("turn_off", VALVE)
    await bench.pass_time(600, level=2.0)
    assert bench.count("turn_on") == 0
    assert bench.lock_outs == []


async def test_lockout_that_is_gone_shuts(bench: Bench) -> None:
    await in_a_fill(bench)
    bench.hass.states.async_remove(LOCKOUT)
    await bench.settle()
    assert bench.is_shut_by("turn_off", VALVE)
    await bench.pass_time(600, level=2.0)
    assert bench.count("turn_on") == 0


@pytest.mark.parametrize("permit", [False, None, "yes", 1])
async def test_only_a_true_permit_is_one(bench: Bench, permit: object) -> None:
    await in_a_fill(bench)
    await bench.lockout("off", permit=permit)
    assert bench.commands == [("turn_off", VALVE)]
    await bench.pass_time(120, level=2.0)
    assert bench.count("turn_on") == 0


# Independent inputs ------------------------------------------------------------------------------


@pytest.mark.parametrize("which", [HIGH, LEAK])
async def test_a_wet_input_shuts_and_locks_out(bench: Bench, which: str) -> None:
    await in_a_fill(bench, inputs=GUARDED)
    bench.set(which, "on", friendly_name="Brim switch")
    await bench.settle()
    assert bench.commands == [("turn_off", VALVE)]
    assert len(bench.lock_outs) >= 1
    assert bench.lock_outs[0].data["entity_id"] in (LOCKOUT, [LOCKOUT])
    assert "Brim switch" in bench.lock_outs[0].data["reason"]
    await bench.lockout("on")
    told = len(bench.lock_outs)
    await bench.pass_time(120, level=2.0)
    assert len(bench.lock_outs) == told
    assert bench.count("turn_on") == 0


@pytest.mark.parametrize("which", [HIGH, LEAK])
@pytest.mark.parametrize("state", ["unavailable", "unknown"])
async def test_an_input_that_is_lost_shuts_and_does_not_lock_out(
    bench: Bench, which: str, state: str
) -> None:
    await in_a_fill(bench, inputs=GUARDED)
    bench.set(which, state)
    await bench.settle()
    assert bench.commands == [("turn_off", VALVE)]
    await bench.pass_time(120, level=2.0)
    assert bench.count("turn_on") == 0
    assert bench.lock_outs == []
    bench.set(which, "off")
    await bench.pass_time(60, level=2.0)
    assert bench.count("turn_on") == 1


async def test_an_input_that_is_gone_counts_as_lost(bench: Bench) -> None:
    await in_a_fill(bench, inputs=GUARDED)
    bench.hass.states.async_remove(HIGH)
    await bench.settle()
    assert bench.commands == [("turn_off", VALVE)]


# Longest run -------------------------------------------------------------------------------------


async def test_cut_off_at_two_hours(bench: Bench) -> None:
    await in_a_fill(bench)
    opened = bench.hass.states.get(VALVE).last_changed
    ran = (dt_util.utcnow() - opened).total_seconds()
    await bench.pass_time(2 * 3600 - ran, level=8.0, step=300)
    assert bench.commands == []
    await bench.pass_time(20, level=8.0)
    assert bench.commands == [("turn_off", VALVE)]
    assert len(bench.lock_outs) == 1
    assert bench.lock_outs[0].data["entity_id"] in (LOCKOUT, [LOCKOUT])
    assert "120" in bench.lock_outs[0].data["reason"]


async def test_cut_off_counts_from_the_valve_when_no_run_is_recorded(bench: Bench) -> None:
    await ready(bench, 8.0, INCHES, valve="on")
    await bench.pass_time(2 * 3600 - 60, level=8.0, step=300)
    assert bench.commands == []
    await bench.pass_time(120, level=8.0)
    assert bench.commands == [("turn_off", VALVE)]
    assert len(bench.lock_outs) == 1


async def test_a_run_that_began_before_a_restart_counts_in_full(bench: Bench) -> None:
    await ready(bench, 8.0, INCHES, valve="on")
    began = dt_util.utcnow() - timedelta(hours=2, seconds=6)
    await bench.lockout("off", run_started=began.isoformat())
    assert bench.commands == [("turn_off", VALVE)]
    assert len(bench.lock_outs) >= 1


async def test_an_idle_valve_that_was_long_unavailable_is_no_long_run(bench: Bench) -> None:
    await ready(bench, 8.0, INCHES)
    bench.set(VALVE, "unavailable")
    await bench.pass_time(3 * 3600, level=8.0, step=300)
    assert bench.lock_outs == []


async def test_overtime_is_repeated_until_the_lockout_holds(bench: Bench) -> None:
    await in_a_fill(bench)
    bench.obeys = False
    await bench.pass_time(2 * 3600, level=8.0, step=300)
    await bench.pass_time(60, level=8.0)
    assert len(bench.lock_outs) >= 2
    await bench.lockout("on")
    told = len(bench.lock_outs)
    bench.commands.clear()
    await bench.pass_time(120, level=8.0)
    assert len(bench.lock_outs) == told
    assert bench.count("turn_off") >= 2


# A device that does not do as told ---------------------------------------------------------------


async def test_off_is_repeated_without_end_while_it_is_not_confirmed(bench: Bench) -> None:
    await in_a_fill(bench)
    bench.obeys = False
    await bench.report(13.5)
    await bench.pass_time(900, level=13.5)
    assert bench.count("turn_off") >= 15
    bench.obeys = True
    await bench.pass_time(20, level=13.5)
    assert bench.state(VALVE) == "off"
    bench.commands.clear()
    await bench.pass_time(300, level=13.5)
    assert bench.commands == []


@pytest.mark.parametrize("state", ["unavailable", "unknown"])
async def test_a_device_that_is_not_known_to_be_off_is_commanded_off(
    bench: Bench, state: str
) -> None:
    await ready(bench, 2.0, INCHES)
    bench.obeys = False
    bench.set(VALVE, state)
    await bench.pass_time(60, level=2.0)
    assert bench.count("turn_off") >= 3
    assert bench.count("turn_on") == 0


async def test_a_device_that_comes_back_on_is_shut_first(bench: Bench) -> None:
    await ready(bench, 5.0, INCHES)
    bench.set(VALVE, "unavailable")
    await bench.settle()
    bench.commands.clear()
    bench.set(VALVE, "on")
    await bench.settle()
    assert bench.commands == [("turn_off", VALVE)]
    assert bench.state(VALVE) == "off"


async def test_a_failing_off_still_locks_out(bench: Bench) -> None:
    await in_a_fill(bench, inputs=GUARDED)
    bench.hass.services.async_remove("switch", "turn_off")
    bench.set(HIGH, "on")
    await bench.settle()
    assert len(bench.lock_outs) >= 1


async def test_an_on_that_hangs_holds_up_no_off(bench: Bench) -> None:
    await ready(bench, 2.0, INCHES)
    bench.freezer.tick(timedelta(seconds=10))
    await bench.report(2.0)
    answered = asyncio.Event()
    calls: list[str] = []

    async def hang(call: ServiceCall) -> None:
        calls.append("turn_on")
        bench.set(VALVE, "on")
        await answered.wait()

    bench.hass.services.async_register("switch", "turn_on", hang)
    bench.freezer.tick(timedelta(seconds=20))
    async_fire_time_changed(bench.hass)
    for _ in range(20):
        await asyncio.sleep(0)
    assert calls == ["turn_on"]
    bench.hass.states.async_set(LEVEL, "0", {"unit_of_measurement": "in"})
    for _ in range(20):
        await asyncio.sleep(0)
    assert bench.commands == [("turn_off", VALVE)]
    answered.set()
    await bench.settle()


# Restart, shutdown, reload -----------------------------------------------------------------------


async def test_hub_start_with_the_valve_on_shuts_it_first(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, 8.0, INCHES, valve="on")
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert bench.commands == [("turn_off", VALVE)]
    # in the dead band after the restart: idle
    await bench.pass_time(600, level=8.0)
    assert bench.commands == [("turn_off", VALVE)]


async def test_hub_start_with_a_low_level_opens_once_all_is_in_order(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    bench.set(VALVE, "unavailable")
    bench.set(LEVEL, "unavailable")
    await bench.load(FILE, INCHES)
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    bench.set(VALVE, "off")
    await bench.report(2.0)
    await bench.lockout("off", permit=False)
    await bench.pass_time(60, level=2.0)
    assert bench.count("turn_on") == 0
    await bench.lockout("off")
    await bench.pass_time(60, level=2.0)
    assert bench.count("turn_on") == 1


# a hub that has stopped leaves its ticks armed, and with the process they go
@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_hub_shutdown_shuts_the_valve(bench: Bench) -> None:
    await in_a_fill(bench)
    await bench.hass.async_stop(force=True)
    assert ("turn_off", VALVE) in bench.commands
    assert bench.count("turn_on") == 0


async def test_reload_judges_at_once_and_goes_on(bench: Bench) -> None:
    await in_a_fill(bench)
    await bench.hass.services.async_call(
        "automation", "turn_off", {"entity_id": "automation.a0"}, blocking=True
    )
    await bench.report(13.4)
    assert bench.commands == []
    await bench.reload(FILE, INCHES | {"stop_level": 12.5})
    assert bench.commands == [("turn_off", VALVE)]
    await bench.pass_time(60, level=2.5)
    assert bench.commands[-1] == ("turn_on", VALVE)


@pytest.mark.parametrize("edit", [{}, {"stop_level": 12.5}])
async def test_a_reload_in_a_fill_goes_on_watching(bench: Bench, edit: dict[str, Any]) -> None:
    await in_a_fill(bench)
    await bench.reload(FILE, INCHES | edit)
    await bench.pass_time(60, level=8.0)
    assert bench.commands == []
    await bench.report(13.1)
    assert bench.commands == [("turn_off", VALVE)]


async def test_a_shorter_longest_run_counts_from_the_recorded_start(
    bench: Bench,
) -> None:
    await in_a_fill(bench)
    await bench.reload(FILE, INCHES | {"longest_run": {"minutes": 30}})
    await bench.pass_time(30 * 60, level=8.0)
    assert bench.commands == [("turn_off", VALVE)]
    assert len(bench.lock_outs) == 1


async def test_settings_that_cannot_work_are_shown_in_the_hub_itself(bench: Bench) -> None:
    """A rule saved with a mistake and without a phone must not just do nothing."""
    shown = async_mock_service(bench.hass, "persistent_notification", "create")
    gone = async_mock_service(bench.hass, "persistent_notification", "dismiss")
    await ready(bench, 8.0, INCHES)
    # So the hub tells that a rule was saved.
    bench.hass.bus.async_fire("automation_reloaded")
    await bench.hass.async_block_till_done()
    assert shown == []
    await bench.lockout("off", fill_device="switch.nursery_reservoir_valve")
    bench.hass.bus.async_fire("automation_reloaded")
    await bench.hass.async_block_till_done()
    (told,) = [call.data for call in shown]
    assert told["message"].startswith("The lockout watches switch.nursery_reservoir_valve, not ")
    assert told["message"].endswith("The valve stays shut.")
    gone.clear()
    await bench.lockout("off", fill_device=VALVE)
    bench.hass.bus.async_fire("automation_reloaded")
    await bench.hass.async_block_till_done()
    assert [call.data["notification_id"] for call in gone] == [told["notification_id"]]
    assert len(shown) == 1


# Messages ----------------------------------------------------------------------------------------


async def test_one_notice_each_fault_taken_back_when_over(bench: Bench, phone: str) -> None:
    own = [{"action": "test.own_step", "data": {"text": "{{ notice }}"}}]
    receivers = {"phones": [phone], "notify_entities": ["notify.lab_desk"], "own_steps": own}
    await in_a_fill(bench, inputs=INCHES | receivers)
    bench.phone.clear()
    await bench.lockout("on", reason_text="Ran longer than 120 min")
    await bench.pass_time(3600, level=8.0, step=300)
    assert len(bench.phone) == len(bench.messages) == len(bench.own) == 1
    told = bench.phone[0].data
    assert told["message"].startswith("Ran longer than 120 min.")
    assert told["data"]["tag"] == f"stillwell_{LOCKOUT}"
    assert bench.messages[0].data["message"] == told["message"]
    assert bench.own[0].data["text"] == told["message"]
    await bench.lockout("off")
    await bench.pass_time(3600, level=8.0, step=300)
    assert len(bench.phone) == 2
    assert bench.phone[1].data["message"] == "clear_notification"
    assert bench.phone[1].data["data"]["tag"] == told["data"]["tag"]
    assert len(bench.messages) == len(bench.own) == 1


async def test_a_lockout_that_is_away_takes_no_notice_back(bench: Bench, phone: str) -> None:
    await in_a_fill(bench, inputs=INCHES | {"phones": [phone]})
    await bench.lockout("on")
    assert len(bench.phone) == 1
    await bench.lockout("unavailable")
    assert len(bench.phone) == 1


async def test_a_receiver_that_fails_keeps_the_others_informed(bench: Bench) -> None:
    own = [{"action": "test.own_step"}]
    receivers = {
        "phones": ["no_such_device"],
        "notify_entities": ["notify.lab_desk"],
        "own_steps": own,
    }
    await ready(bench, 8.0, INCHES | receivers)
    await bench.lockout("on")
    assert len(bench.messages) == len(bench.own) == 1
