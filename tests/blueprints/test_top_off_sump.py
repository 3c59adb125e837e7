"""Top off a sump from a reservoir: the shipped YAML in the real automation engine.

Levels are the trade's (common practice, no source): sump top-off on below 6 in, off above 7 in.
"""

from datetime import timedelta
from typing import Any

import pytest
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState

from .conftest import LEVEL, LOCKOUT, Bench

FILE = "stillwell_top_off_sump.yaml"
PUMP = "switch.lagoon_top_off_pump"
SOURCE = "sensor.lagoon_reservoir_usable_volume"
RETURN = "switch.lagoon_return_pump"
FEEDING = "input_boolean.lagoon_feeding"
HIGH = "binary_sensor.lagoon_sump_high"
REQUIRED = {
    "level_entity": LEVEL,
    "pump": PUMP,
    "lockout_entity": LOCKOUT,
    "source_entity": SOURCE,
}
ALL = REQUIRED | {"return_pumps": [RETURN], "holds": [FEEDING], "high_inputs": [HIGH]}
NOT_NUMBERS = ["unavailable", "unknown", "nan", "inf", ""]


async def source(bench: Bench, amount: float | str, unit: str = "L") -> None:
    bench.set(SOURCE, amount, unit_of_measurement=unit)
    await bench.settle()


async def ready(
    bench: Bench, level: float, inputs: dict[str, Any] = ALL, pump: str = "off"
) -> None:
    """All in order, the return pump long on, the rest after the last pulse over."""
    bench.set(PUMP, pump)
    bench.set(RETURN, "on")
    bench.set(FEEDING, "off")
    bench.set(HIGH, "off")
    bench.freezer.tick(timedelta(minutes=10))
    await source(bench, 40)
    await bench.report(level)
    await bench.lockout("off", fill_device=PUMP)
    await bench.load(FILE, inputs)


async def run(bench: Bench, seconds: float, level: float, amount: float = 40) -> None:
    """Let time pass while the sump and the reservoir keep reporting."""
    for _ in range(round(seconds / 10)):
        await source(bench, amount)
        await bench.pass_time(10, level=level, step=10)


async def in_a_pulse(bench: Bench, inputs: dict[str, Any] = ALL) -> None:
    await ready(bench, 5.8, inputs)
    await run(bench, 30, 5.8)
    assert bench.state(PUMP) == "on"
    bench.commands.clear()


async def test_pulses_lift_a_low_sump_above_six_inches(bench: Bench) -> None:
    await ready(bench, 6.1)
    await run(bench, 120, 6.1)
    assert bench.commands == []
    level, on_s = 5.0, 0
    # 10 mm a minute, as a small pump gives a sump of this kind
    for _ in range(90):
        await run(bench, 10, round(level, 2))
        if bench.state(PUMP) == "on":
            level, on_s = level + 10 / 25.4 / 6, on_s + 10
    assert 6.0 < level < 7.0
    assert bench.state(PUMP) == "off"
    starts = bench.count("turn_on")
    assert starts == bench.count("turn_off") == 3
    assert on_s / starts <= 70
    assert bench.lock_outs == []


async def test_a_long_pulse_ends_at_seven_inches(bench: Bench) -> None:
    await ready(bench, 5.9, ALL | {"longest_pulse": 600})
    await run(bench, 30, 5.9)
    await run(bench, 300, 6.9)
    assert bench.commands == [("turn_on", PUMP)]
    await bench.report(7.0)
    assert bench.commands == [("turn_on", PUMP), ("turn_off", PUMP)]
    await run(bench, 300, 6.1)
    assert bench.count("turn_on") == 1


async def test_the_required_inputs_are_enough(bench: Bench) -> None:
    await ready(bench, 6.0, REQUIRED)
    await run(bench, 30, 6.0)
    assert bench.commands == [("turn_on", PUMP)]
    await bench.report(7.0)
    assert bench.commands[-1] == ("turn_off", PUMP)


async def test_a_pulse_ends_after_its_length_and_rests(bench: Bench) -> None:
    await in_a_pulse(bench)
    await run(bench, 40, 5.8)
    assert bench.commands == []
    await run(bench, 30, 5.8)
    assert bench.commands == [("turn_off", PUMP)]
    await run(bench, 30, 5.8)
    assert bench.commands == [("turn_off", PUMP)]
    await run(bench, 20, 5.8)
    assert bench.commands == [("turn_off", PUMP), ("turn_on", PUMP)]


async def test_one_wrong_report_starts_no_pulse(bench: Bench) -> None:
    await ready(bench, 6.5)
    for _ in range(10):
        await run(bench, 10, 6.5)
        await run(bench, 10, 4.0)
    assert bench.commands == []


@pytest.mark.parametrize("amount", [5, 4.9, 0, *NOT_NUMBERS])
async def test_reservoir_low_or_unknown_stops_a_pulse(bench: Bench, amount: float | str) -> None:
    await in_a_pulse(bench)
    await source(bench, amount)
    assert bench.is_shut_by("turn_off", PUMP)


@pytest.mark.parametrize("amount", [5, 0, *NOT_NUMBERS])
async def test_reservoir_low_or_unknown_starts_none(bench: Bench, amount: float | str) -> None:
    await ready(bench, 6.5)
    await source(bench, amount)
    await bench.pass_time(600, level=5.0, step=10)
    assert bench.commands == []


async def test_reservoir_that_stopped_reporting_is_unknown(bench: Bench) -> None:
    await ready(bench, 6.5)
    await bench.pass_time(16 * 60, level=6.5)
    await bench.pass_time(120, level=5.0, step=10)
    assert bench.commands == []


async def test_reservoir_in_another_unit_starts_none(bench: Bench) -> None:
    await ready(bench, 6.5)
    # 4 L would be 4000 mL, far above a least amount of 5
    await source(bench, 4000, "mL")
    await bench.pass_time(120, level=5.0, step=10)
    assert bench.commands == []


async def test_a_return_pump_that_stops_ends_the_pulse(bench: Bench) -> None:
    await in_a_pulse(bench)
    bench.set(RETURN, "off")
    await bench.settle()
    assert bench.commands == [("turn_off", PUMP)]
    bench.set(RETURN, "on")
    # the sump dips when the pump fills the pipes again: no top-off while that settles
    await run(bench, 280, 4.5)
    assert bench.count("turn_on") == 0
    await run(bench, 60, 5.8)
    assert bench.count("turn_on") == 1


@pytest.mark.parametrize("state", ["off", "unavailable", "unknown"])
async def test_no_pulse_while_a_return_pump_is_off(bench: Bench, state: str) -> None:
    await ready(bench, 6.5)
    bench.set(RETURN, state)
    await run(bench, 600, 6.5)
    await run(bench, 60, 5.0)
    assert bench.commands == []


@pytest.mark.parametrize("state", ["on", "unavailable", "unknown"])
async def test_a_hold_ends_the_pulse_and_starts_none(bench: Bench, state: str) -> None:
    await in_a_pulse(bench)
    bench.set(FEEDING, state)
    await bench.settle()
    assert bench.commands == [("turn_off", PUMP)]
    await run(bench, 180, 5.0)
    assert bench.count("turn_on") == 0


@pytest.mark.parametrize("reading", [0, -1, *NOT_NUMBERS])
async def test_sump_level_lost(bench: Bench, reading: float | str) -> None:
    await in_a_pulse(bench)
    await bench.report(reading)
    assert bench.commands == [("turn_off", PUMP)]
    await bench.pass_time(300)
    assert bench.count("turn_on") == 0


async def test_sump_level_frozen(bench: Bench) -> None:
    await ready(bench, 5.5)
    await bench.lockout("off", permit=False, fill_device=PUMP)
    for _ in range(80):
        await source(bench, 40)
        await bench.pass_time(12)
    await bench.lockout("off", fill_device=PUMP)
    for _ in range(10):
        await source(bench, 40)
        await bench.pass_time(12)
    assert bench.commands == []


@pytest.mark.parametrize("state", ["on", "unavailable", "unknown"])
async def test_lockout_not_clear(bench: Bench, state: str) -> None:
    await in_a_pulse(bench)
    await bench.lockout(state, fill_device=PUMP)
    assert bench.is_shut_by("turn_off", PUMP)
    await run(bench, 180, 5.0)
    assert bench.count("turn_on") == 0


async def test_no_permit_no_pulse(bench: Bench) -> None:
    await in_a_pulse(bench)
    await bench.lockout("off", permit=False, fill_device=PUMP)
    assert bench.commands == [("turn_off", PUMP)]
    await run(bench, 180, 5.0)
    assert bench.count("turn_on") == 0


async def test_high_input_locks_out(bench: Bench) -> None:
    await in_a_pulse(bench)
    bench.set(HIGH, "on")
    await bench.settle()
    assert bench.commands == [("turn_off", PUMP)]
    assert len(bench.lock_outs) >= 1


async def test_a_pump_that_does_not_stop_is_locked_out(bench: Bench) -> None:
    await in_a_pulse(bench)
    bench.obeys = False
    await run(bench, 300, 5.9)
    assert bench.count("turn_off") >= 10
    assert len(bench.lock_outs) >= 1


async def test_a_recorded_start_counts_through_a_restart(bench: Bench) -> None:
    await ready(bench, 6.5, pump="on")
    began = bench.hass.states.get(PUMP).last_changed - timedelta(minutes=10)
    await bench.lockout("off", fill_device=PUMP, run_started=began.isoformat())
    assert bench.commands[0] == ("turn_off", PUMP)


async def test_hub_start_stops_the_pump_first(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, 6.5, pump="on")
    bench.commands.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert bench.commands == [("turn_off", PUMP)]


# a hub that has stopped leaves its ticks armed, and with the process they go
@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_hub_shutdown_stops_the_pump(bench: Bench) -> None:
    await in_a_pulse(bench)
    await bench.hass.async_stop(force=True)
    assert ("turn_off", PUMP) in bench.commands


@pytest.mark.parametrize(
    "wrong",
    [
        {"start_level": 7, "stop_level": 6},
        {"start_level": "six"},
        {"lowest_level": 6},
        {"least_source": -1},
        {"longest_pulse": 0},
        {"longest_pulse": None},
        {"rest": "long"},
        {"settle": None},
        {"oldest_report": 0},
        {"level_unit": "cm"},
    ],
)
async def test_nonsense_settings_stop_and_never_start(bench: Bench, wrong: dict[str, Any]) -> None:
    await ready(bench, 5.0, ALL | wrong, pump="on")
    await run(bench, 180, 5.0)
    assert bench.commands == [("turn_off", PUMP)]
    assert bench.lock_outs == []


async def test_low_reservoir_is_told_once_and_taken_back(bench: Bench) -> None:
    await ready(bench, 6.5, ALL | {"notify_entities": ["notify.lab_desk"]})
    for _ in range(5):
        await source(bench, 4.8)
        await bench.pass_time(60, level=6.5)
    assert len(bench.messages) == 1
    assert "4.8 L" in bench.messages[0].data["message"]
    await source(bench, 60)
    await bench.pass_time(60, level=6.5)
    assert len(bench.messages) == 1
