"""A valve that knows positions only, as a device of the hub's own valve platform, under each rule.

The hub refuses to open a valve that does not say it can be opened, and to close one that does not
say it can be closed; position 100 is open and 0 is closed (the hub's documentation of valves).
"""

from datetime import timedelta
from typing import Any

import pytest
from homeassistant.components.valve import ValveEntity, ValveEntityFeature
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import setup_test_component_platform

from . import test_apply_dose as dose
from .conftest import LEVEL, LOCKOUT, Bench

DEVICE = "valve.lagoon_water"
SOURCE = "sensor.lagoon_reservoir_usable_volume"
REQUEST = "input_boolean.lagoon_batch"
OPEN, CLOSE = ValveEntityFeature.OPEN, ValveEntityFeature.CLOSE
POSITION = ValveEntityFeature.SET_POSITION
RULES: dict[str, dict[str, Any]] = {
    "stillwell_refill_vessel.yaml": {
        "valve": DEVICE, "level_unit": "in", "start_level": 3, "stop_level": 13,
    },
    "stillwell_top_off_sump.yaml": {
        "pump": DEVICE, "level_unit": "in", "start_level": 3, "stop_level": 13,
        "source_entity": SOURCE,
    },
    "stillwell_mix_batch.yaml": {
        "valve": DEVICE, "level_unit": "in", "full_level": 13, "mix_level": 6, "dry_level": 3,
        "request": REQUEST,
    },
}  # fmt: skip


class Valve(ValveEntity):
    """A closed valve as an integration brings it, that notes how it was told to move."""

    _attr_should_poll = False
    _attr_reports_position = True
    _attr_current_valve_position: int | None = 0
    _attr_name = "lagoon water"

    def __init__(self, features: ValveEntityFeature) -> None:
        self._attr_supported_features = features
        self.told: list[int] = []

    async def async_set_valve_position(self, position: int) -> None:
        self.told.append(position)
        self._attr_current_valve_position = position
        self.async_write_ha_state()


async def valve(bench: Bench, features: ValveEntityFeature) -> Valve:
    made = Valve(features)
    setup_test_component_platform(bench.hass, "valve", [made])
    assert await async_setup_component(bench.hass, "valve", {"valve": {"platform": "test"}})
    await bench.settle()
    assert bench.state(DEVICE) == "closed"
    return made


# One that can be opened or closed besides is moved to a position by the hub itself.
WAYS = [POSITION, POSITION | CLOSE, POSITION | OPEN, POSITION | OPEN | CLOSE]


@pytest.mark.parametrize("file", RULES)
@pytest.mark.parametrize("features", WAYS)
async def test_a_fill_rule_opens_and_shuts_it(
    bench: Bench, file: str, features: ValveEntityFeature
) -> None:
    made = await valve(bench, features)
    bench.set(SOURCE, 40, unit_of_measurement="L")
    bench.set(REQUEST, "on")
    await bench.report(2.5)
    await bench.lockout("off", fill_device=DEVICE)
    bench.freezer.tick(timedelta(minutes=10))
    await bench.load(file, RULES[file] | {"level_entity": LEVEL, "lockout_entity": LOCKOUT})
    for _ in range(6):
        bench.set(SOURCE, 40, unit_of_measurement="L")
        await bench.pass_time(10, level=2.5, step=10)
        if made.told:
            break
    assert bench.state(DEVICE) == "open"
    await bench.report(13.2)
    assert bench.state(DEVICE) == "closed"
    assert made.told == [100, 0]


@pytest.mark.parametrize("features", WAYS)
async def test_a_dose_runs_through_it(bench: Bench, features: ValveEntityFeature) -> None:
    bench.freezer.move_to("2026-03-10 08:09:40+00:00")
    made = await valve(bench, features)
    bench.set(dose.LEAK, "off")
    dose.permit(bench, "on", DEVICE)
    dose.rate(bench, 150.0)
    bench.freezer.tick(timedelta(seconds=16))
    await bench.load(dose.FILE, dose.ALL | {"pump": DEVICE})
    await dose.run(bench, 60)
    assert made.told == [100, 0]
