"""Rule and dosing line together: the shipped blueprint on a real line of the integration.

The plant is plain arithmetic: a sump of 0.24 m2, a pump of 50 mL/min, its own count of what the
pump gave. The rule is judged by that count, never by what the line says it counted.
"""

from collections import deque
from typing import Any

import pytest
from custom_components.stillwell.const import (
    CONFIG_MINOR_VERSION,
    CONFIG_VERSION,
    DOMAIN,
    SUBENTRY_DOSING,
    SUBENTRY_SUMP,
)
from homeassistant.const import EVENT_HOMEASSISTANT_STOP
from homeassistant.core import Event, HassJob, HomeAssistant
from homeassistant.helpers import entity_registry as er
from pytest_homeassistant_custom_component.common import MockConfigEntry

from .conftest import Bench

FILE = "stillwell_apply_dose.yaml"
PUMP = "input_boolean.lagoon_dosing_pump"
STRIP = "sensor.lagoon_sump_strip"
ML_PER_S = 50.0 / 60.0
AREA_M2 = 0.24
EVAPORATION_ML_PER_S = 120.0 / 3600.0
HOUR_CAP_ML = 60.0
SUMP = {
    "source": STRIP,
    "measure": "depth",
    "sensor_zero_m": 0.0,
    "shape": {"kind": "box", "length_m": 0.6, "width_m": 0.4, "height_m": 0.4},
    "empty_m": 0.08,
    "start_m": 0.16,
    "full_m": 0.175,
    "high_m": 0.25,
    "replaces_evaporation": True,
    "zero_is_suspect": True,
}
LINE = {
    "vessel": "sump",
    "target_m": 0.17,
    "dosing_pump": PUMP,
    "pump_l_per_h": 3.0,
    "ceiling_l_per_h": 0.3,
    "floor_l_per_h": 0.0,
    "most_per_dose_l": 0.03,
    "most_per_hour_l": HOUR_CAP_ML / 1000.0,
    "most_per_day_l": 2.0,
    "alkalinity_dkh": 8.0,
    "most_ph_rise": 0.1,
}


@pytest.fixture(autouse=True)
def _stillwell_is_installed(enable_custom_integrations: None) -> None:
    """Let the hub find custom integrations."""


class Sump:
    """The plant, and hands to run it."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.hass: HomeAssistant = bench.hass
        self.depth_m = 0.163
        self.given_ml = 0.0
        self.hour: deque[float] = deque(maxlen=720)
        """What was given in each 5 s of the last hour."""
        self.steps = 0
        self.entry = MockConfigEntry(
            domain=DOMAIN,
            title="Lagoon",
            version=CONFIG_VERSION,
            minor_version=CONFIG_MINOR_VERSION,
            data={"volume_l": 450.0, "salinity_psu": 35.0},
            subentries_data=[
                _subentry("sump", SUBENTRY_SUMP, "Lagoon sump", SUMP),
                _subentry("limewater", SUBENTRY_DOSING, "Lagoon limewater", LINE),
            ],
        )

    async def set_up(self) -> None:
        self.bench.set(PUMP, "off")
        self._report()
        self.entry.add_to_hass(self.hass)
        assert await self.hass.config_entries.async_setup(self.entry.entry_id)
        await self.hass.async_block_till_done(wait_background_tasks=True)
        await self.bench.load(FILE, self.inputs)

    @property
    def inputs(self) -> dict[str, Any]:
        return {
            "permit_entity": self.entity("dose_permit"),
            "rate_entity": self.entity("dose_rate"),
            "dose_entity": self.entity("next_dose"),
            "pump": PUMP,
        }

    def entity(self, key: str) -> str:
        registry = er.async_get(self.hass)
        for entity in er.async_entries_for_config_entry(registry, self.entry.entry_id):
            if entity.unique_id == f"limewater_{key}":
                return entity.entity_id
        raise AssertionError(key)

    def _report(self) -> None:
        self.bench.set(STRIP, f"{100.0 * self.depth_m:.3f}", unit_of_measurement="cm")

    @property
    def is_on(self) -> bool:
        """Whether the pump runs; one that does not say so still does as it was told last."""
        if self.bench.obeys:
            return self.hass.states.is_state(PUMP, "on")
        told = [action for action, entity in self.bench.commands if entity == PUMP]
        return told[-1:] == ["turn_on"]

    async def run(self, seconds: float) -> None:
        """Let time pass in steps of 5 s; the strip reports each half minute."""
        for _ in range(round(seconds / 5)):
            is_on = self.is_on
            ml = 5.0 * ML_PER_S if is_on else 0.0
            self.given_ml += ml
            self.hour.append(ml)
            assert sum(self.hour) <= HOUR_CAP_ML + 1e-6
            self.depth_m += (ml - 5.0 * EVAPORATION_ML_PER_S) / 1e6 / AREA_M2
            self.steps += 1
            if self.steps % 6 == 0:
                self._report()
            await self.bench.pass_time(5, step=5)

    async def arm(self, *, on: bool = True) -> None:
        action = "turn_on" if on else "turn_off"
        await self.hass.services.async_call(
            "switch", action, {"entity_id": self.entity("dose_armed")}, blocking=True
        )
        await self.bench.settle()

    def value(self, key: str) -> float:
        return float(self.bench.state(self.entity(key)))


def _subentry(key: str, kind: str, title: str, data: dict[str, Any]) -> dict[str, Any]:
    return {
        "data": data, "subentry_id": key, "subentry_type": kind, "title": title, "unique_id": None,
    }  # fmt: skip


@pytest.fixture
def sump(bench: Bench) -> Sump:
    return Sump(bench)


async def test_the_line_counts_what_the_plant_gave_and_the_cap_holds(sump: Sump) -> None:
    """Nothing before it is armed; then what the sump needs, and no hour above its cap."""
    await sump.set_up()
    await sump.run(1200)
    assert sump.given_ml == 0.0
    await sump.arm()
    await sump.run(5400)
    assert sump.given_ml > HOUR_CAP_ML
    assert sump.value("dosed_today") == pytest.approx(sump.given_ml, abs=1.5)


async def test_the_cap_holds_a_pump_that_never_says_on(sump: Sump) -> None:
    """It runs as it is told and reads off all the time; ten times the cap would be needed."""
    sump.depth_m = 0.15
    await sump.set_up()
    sump.bench.obeys = False
    await sump.run(1200)
    await sump.arm()
    await sump.run(5400)
    assert sump.bench.state(PUMP) == "off"
    assert sump.given_ml > HOUR_CAP_ML
    assert sump.value("dosed_today") == pytest.approx(sump.given_ml, abs=1.5)


async def test_a_restart_in_the_middle_of_a_dose_neither_repeats_nor_forgets(sump: Sump) -> None:
    """The integration and the rule are loaded anew while the pump runs."""
    await sump.set_up()
    await sump.arm()
    while not sump.bench.hass.states.is_state(PUMP, "on"):
        await sump.run(5)
    await sump.run(5)
    before_ml = sump.given_ml
    assert before_ml > 0.0
    assert await sump.hass.config_entries.async_reload(sump.entry.entry_id)
    await sump.hass.async_block_till_done(wait_background_tasks=True)
    assert sump.bench.state(PUMP) == "off"  # the permit was gone for a moment
    await sump.bench.reload(FILE, sump.inputs)
    await sump.run(3600)
    assert sump.given_ml > before_ml
    assert sump.value("dosed_today") == pytest.approx(sump.given_ml, abs=1.5)


async def test_disarmed_in_the_middle_of_a_dose_it_stops(sump: Sump) -> None:
    await sump.set_up()
    await sump.arm()
    while not sump.bench.hass.states.is_state(PUMP, "on"):
        await sump.run(5)
    await sump.arm(on=False)
    assert sump.bench.state(PUMP) == "off"
    given_ml = sump.given_ml
    await sump.run(1200)
    assert sump.given_ml == given_ml


# a hub that has stopped leaves its ticks armed, and with the process they go
@pytest.mark.parametrize("expected_lingering_timers", [True])
@pytest.mark.parametrize(("first_s", "then_s"), [(12, 0), (12, 60), (0, 60)])
async def test_the_pump_stays_off_however_long_the_hub_takes_to_stop(
    sump: Sump, first_s: int, then_s: int
) -> None:
    """The rule's ticks go on until the hub is gone, and a pump it starts then is left running.

    The hub waits for others in stages: 20 s for the first, 100 s for the second.
    """
    await sump.set_up()
    await sump.run(1200)
    await sump.arm()
    while not sump.bench.hass.states.is_state(PUMP, "on"):
        await sump.run(5)

    async def another_integration() -> None:
        await sump.bench.pass_time(first_s, step=5)

    async def one_more(_event: Event) -> None:
        await sump.bench.pass_time(then_s, step=5)

    sump.hass.async_add_shutdown_job(HassJob(another_integration))
    sump.hass.bus.async_listen_once(EVENT_HOMEASSISTANT_STOP, one_more)
    before = len(sump.bench.commands)
    await sump.hass.async_stop(force=True)
    assert set(sump.bench.commands[before:]) == {("turn_off", PUMP)}
    assert sump.bench.state(PUMP) == "off"
