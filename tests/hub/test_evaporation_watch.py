"""An evaporation watch in the hub: days of a reservoir whose water goes as psychrolib says."""

from math import exp
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import gsw
import psychrolib
import pytest
from custom_components.stillwell.const import (
    DOMAIN,
    SUBENTRY_EVAPORATION_WATCH,
    SUBENTRY_SUMP,
    SUBENTRY_TEMPERATURE_WATCH,
)
from custom_components.stillwell.engine.pipeline import VesselModel
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.util import dt as dt_util

from .conftest import fill_line, reservoir
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable

    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry

    from .lab import Lab

psychrolib.SetUnitSystem(psychrolib.SI)
WATER = "sensor.lagoon_temperature"
ROOM = "sensor.room_temperature"
HUMIDITY = "sensor.room_humidity"
HEATER = "switch.lagoon_heater"
ISSUE = "watch_settings_invalid_lagoon_evaporation"
WATER_C, ROOM_C, HUMID_FRAC = 26.0, 22.0, 0.5
SURFACE_M2 = 1.2
SQUARE = {"kind": "box", "length_m": 0.5, "width_m": 0.5, "height_m": 0.34}
CM_PER_L = 0.4
"""A box of 50 cm by 50 cm."""


def _per_coefficient_l() -> float:
    """Return L/d at 1 kg/(m2 h kPa): psychrolib's pressures, gsw's activity of the water."""
    lowered = gsw.chem_potential_water_t_exact(35.16504, WATER_C, 0.0)
    lowered -= gsw.chem_potential_water_t_exact(0.0, WATER_C, 0.0)
    activity = exp(float(lowered) * 18.015268 / 8.314472 / (273.15 + WATER_C))
    gap = activity * psychrolib.GetSatVapPres(WATER_C)
    gap -= psychrolib.GetVapPresFromRelHum(ROOM_C, HUMID_FRAC)
    return float(24.0 * SURFACE_M2 * gap / 1000.0 / 0.9970476)


PER_L = _per_coefficient_l()
USUAL_L = 0.05 * PER_L
"""A closed cover: 0.05 kg/(m2 h kPa), 2.85 L a day."""


def watch(**changes: Any) -> dict[str, Any]:
    """Return an evaporation watch as a subentry; None leaves out."""
    data = {
        "vessel": "lagoon_reservoir", "temperature_source": WATER,
        "room_temperature_source": ROOM, "humidity_source": HUMIDITY,
        "surface_m2": SURFACE_M2, "activity_frac": 0.625,
    } | changes  # fmt: skip
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": "lagoon_evaporation",
        "subentry_type": SUBENTRY_EVAPORATION_WATCH,
        "title": "Lagoon evaporation",
        "unique_id": None,
    }


def heater_watch() -> dict[str, Any]:
    """Return the watch of a heater of 100 W."""
    return {
        "data": {
            "temperature_source": WATER, "heater": HEATER, "heater_power_w": 100.0,
            "low_c": 24.0, "high_c": 28.0,
        },
        "subentry_id": "lagoon_temperature",
        "subentry_type": SUBENTRY_TEMPERATURE_WATCH,
        "title": "Lagoon temperature",
        "unique_id": None,
    }  # fmt: skip


class Room:
    """The lab's room and the reservoir, whose water replaces what evaporates."""

    def __init__(self, lab: Lab, unit: str = "°C") -> None:
        self.lab = lab
        self.unit = unit
        self.level_cm = 29.0
        self.humid_frac = HUMID_FRAC
        lab.freezer.move_to("2026-02-02 08:00:00+00:00")  # midnight where the hub is

    def show(self) -> None:
        """Let the sensors report."""
        states = self.lab.hass.states
        for entity_id, temp_c in ((WATER, WATER_C), (ROOM, ROOM_C)):
            shown = temp_c if self.unit == "°C" else temp_c * 1.8 + 32.0
            states.async_set(entity_id, f"{shown:.2f}", {"unit_of_measurement": self.unit})
        states.async_set(HUMIDITY, f"{100.0 * self.humid_frac:.1f}", {"unit_of_measurement": "%"})
        # The heater regulates: on for half of the time.
        is_off = states.is_state(HEATER, "on")
        states.async_set(HEATER, "off" if is_off else "on")

    async def set_up(self, *more: dict[str, Any], **changes: Any) -> None:
        self.show()
        self.lab.hass.states.async_set(
            self.lab.source, f"{self.level_cm:.2f}", {"unit_of_measurement": "cm"}
        )
        await self.lab.set_up(*more, shape=SQUARE, **changes)

    async def run(self, days: float, l_per_day: float = USUAL_L) -> None:
        """Let days pass, a look each quarter of an hour."""
        for _ in range(round(days * 96)):
            self.level_cm -= l_per_day / 96.0 * CM_PER_L
            self.show()
            await self.lab.run([self.level_cm], 900.0)


@pytest.fixture
def room(lab: Lab) -> Room:
    return Room(lab)


@pytest.mark.parametrize("unit", ["°C", "°F"])
async def test_measured_against_expected(lab: Lab, unit: str) -> None:
    room = Room(lab, unit)
    await room.set_up(watch(), heater_watch())
    await room.run(0.25)
    # The first guess: 0.625 of ASHRAE's 0.144 kg/(m2 h kPa).
    assert lab.value("evaporation_expected") == pytest.approx(0.09 * PER_L, rel=1e-3)
    assert lab.state("evaporation_expected").attributes["learned"] is False
    for key in ("evaporation_ratio", "evaporation_reading"):
        assert lab.state(key).state == "unknown"
    await room.run(3.85)
    # The level is shown to 0.1 mm, which is 25 mL; psychrolib and ours differ by 0.05 %.
    assert lab.value("evaporation_measured") == pytest.approx(USUAL_L, rel=0.02)
    assert lab.value("evaporation_expected") == pytest.approx(USUAL_L, rel=0.02)
    assert lab.value("evaporation_ratio") == pytest.approx(100.0, abs=3.0)
    assert lab.state("evaporation_reading").state == "as_expected"
    told = lab.entry.runtime_data.watches["lagoon_evaporation"].report()
    assert told["expected_evaporation_l"] == pytest.approx(USUAL_L, rel=0.02)
    assert told["hands_needed"] == []
    assert lab.state("evaporation_reading").attributes["quiet_days"] >= 3
    assert lab.state("evaporation_expected").attributes["learned"] is True
    measured = lab.state("evaporation_measured")
    assert measured.attributes["measured_from"] == "Lagoon reservoir"
    # 0.9968 kg/L and 2439.6 kJ/kg (FAO-56 eq. 3-1) over a day.
    heat_w = USUAL_L * 0.9968 * 2439.6e3 / 86400.0
    assert lab.value("heat_lost") == pytest.approx(heat_w, rel=0.02)
    registry = er.async_get(lab.hass)
    hidden = registry.async_get(lab.entity_id("evaporation_coefficient"))
    assert hidden.disabled_by is er.RegistryEntryDisabler.INTEGRATION


async def test_twice_as_much_and_no_heat_for_it_is_a_leak(lab: Lab, room: Room) -> None:
    """The heater brings 50 W before and after: the additional 80 W were not paid."""
    await room.set_up(watch(temperature_watch="lagoon_temperature"), heater_watch())
    await room.run(4.1)
    await room.run(1.5, 2.0 * USUAL_L)
    assert lab.value("evaporation_ratio") == pytest.approx(200.0, abs=10.0)
    assert lab.state("evaporation_reading").state == "water_leaving"
    told = lab.entry.runtime_data.watches["lagoon_evaporation"].report()
    assert told["alarms"] == ["Lagoon evaporation: Water leaks out"]
    assert told["hands_needed"] == []


async def test_without_heater_the_cause_is_not_named_and_can_be_made_normal(
    lab: Lab, room: Room
) -> None:
    await room.set_up(watch())
    await room.run(4.1)
    await room.run(1.5, 2.0 * USUAL_L)
    assert lab.state("evaporation_reading").state == "raised"
    (alive,) = lab.entry.runtime_data.watches.values()
    told = ["Lagoon evaporation: More than expected: rule out a leak"]
    assert (alive.report()["alarms"], alive.report()["hands_needed"]) == ([], told)
    await lab.press("relearn_evaporation")
    assert lab.state("evaporation_reading").state == "unknown"
    assert lab.state("evaporation_reading").attributes["quiet_days"] == 0


async def test_without_humidity_only_what_is_measured_is_shown(lab: Lab, room: Room) -> None:
    await room.set_up(watch(humidity_source=None, room_temperature_source=None))
    await room.run(1.0)
    assert lab.value("evaporation_measured") == pytest.approx(USUAL_L, rel=0.05)
    assert lab.value("heat_lost") > 0.0
    for key in ("evaporation_expected", "evaporation_ratio", "evaporation_reading"):
        assert lab.state(key).state == "unknown"
    # Without a level for more than an hour nothing is measured.
    await lab.level("unavailable")
    await lab.wait(3000.0)
    await lab.wait(900.0)
    assert lab.state("evaporation_measured").state == "unknown"
    assert lab.state("heat_lost").state == "unknown"


async def test_measured_in_a_sump_between_top_offs(lab: Lab, room: Room) -> None:
    """Once a day a line brings back what evaporated, in five minutes; it is no evaporation."""
    sump = reservoir("Lagoon sump", source="sensor.lagoon_sump", shape=SQUARE)
    lab.hass.states.async_set("sensor.lagoon_sump", "20.00", {"unit_of_measurement": "cm"})
    await room.set_up(
        sump | {"subentry_type": SUBENTRY_SUMP},
        fill_line("lagoon_sump", "Lagoon top-off"),
        watch(vessel="lagoon_sump"),
    )
    lab.source, room.level_cm = "sensor.lagoon_sump", 20.0
    for _ in range(4):
        await room.run(0.9)
        await lab.valve(on=True)
        for _ in range(5):
            room.level_cm += USUAL_L / 5.0 * CM_PER_L
            await lab.run([room.level_cm], 60.0)
        await lab.valve(on=False)
        await room.run(0.1 - 300.0 / 86400.0)
    assert not lab.is_locked_out
    # What evaporates in the five minutes of a fill is 0.3 %, what a level shows 0.9 %.
    assert lab.value("evaporation_measured") == pytest.approx(USUAL_L, rel=0.05)
    assert lab.state("evaporation_measured").attributes["measured_from"] == "Lagoon sump"
    await room.run(0.1)
    alive = lab.entry.runtime_data.watches["lagoon_evaporation"]
    ledger = alive.salt_ledger(dt_util.utcnow().timestamp())
    assert ledger.fresh_in_l_per_day == pytest.approx(USUAL_L, rel=0.05)
    assert ledger.evaporation_l_per_day == pytest.approx(USUAL_L, rel=0.05)


async def test_useless_sources_say_nothing(
    lab: Lab, room: Room, caplog: pytest.LogCaptureFixture
) -> None:
    await room.set_up(watch())
    states = lab.hass.states
    states.async_set(HUMIDITY, "8", {"unit_of_measurement": "g/m³"})
    await lab.wait(30.0)
    states.async_set(HUMIDITY, "unavailable")
    await lab.wait(30.0)
    room.show()
    # 78 with the unit of degC is Fahrenheit under a wrong name; told once.
    for _ in range(3):
        states.async_set(WATER, "78", {"unit_of_measurement": "°C"}, force_update=True)
        await lab.wait(30.0)
    assert caplog.text.count("looks like degF") == 1
    room.show()
    await lab.wait(30.0)
    # Silent for more than six hours: nobody knows.
    for _ in range(30):
        await lab.wait(900.0)
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.diagnostics()["learned"]["books"]["open"][0]["covered_s"] < 6.5 * 3600.0


async def test_an_alarm_makes_no_quiet_day(lab: Lab, room: Room) -> None:
    await room.set_up(watch(), device="input_boolean.lagoon_valve")
    await room.run(0.1)
    await lab.line.async_lock_out("hose off")
    await room.run(0.1)
    (alive,) = lab.entry.runtime_data.watches.values()
    (today,) = alive.diagnostics()["learned"]["books"]["open"]
    assert today["is_disturbed"] is True


async def test_dry_air_is_told_to_the_loss_test_of_the_vessel(lab: Lab, room: Room) -> None:
    """From 50 to 20 % relative humidity; psychrolib says how much more the air then asks for."""
    await room.set_up(watch(), replaces_evaporation=True)
    told: list[float | None] = []
    with patch.object(VesselModel, "set_demand", lambda _, ratio: told.append(ratio)):
        await room.run(2.0)
        assert set(told) == {None}  # fewer than three quiet days
        await room.run(2.1)
        assert told[-1] == pytest.approx(1.0, abs=1e-3)
        room.humid_frac = 0.2
        await room.run(0.15)
    more = psychrolib.GetVapPresFromRelHum(ROOM_C, 0.5) - psychrolib.GetVapPresFromRelHum(
        ROOM_C, 0.2
    )
    usual_pa = PER_L * 1000.0 * 0.9970476 / 24.0 / SURFACE_M2
    assert told[-1] == pytest.approx(1.0 + more / usual_pa, rel=2e-3)


async def test_a_vessel_that_does_not_replace_evaporation_hears_nothing(
    lab: Lab, room: Room
) -> None:
    await room.set_up(watch(), replaces_evaporation=False)
    with patch.object(VesselModel, "set_demand") as told:
        await room.run(0.1)
    told.assert_not_called()


async def test_what_was_learned_outlives_a_restart(lab: Lab, room: Room) -> None:
    await room.set_up(watch())
    await room.run(2.2)
    (alive,) = lab.entry.runtime_data.watches.values()
    learned = alive.snapshot()["watch"]
    assert learned["books"]["learner"]["days"]
    assert alive.report()["evaporation_l"] == pytest.approx(USUAL_L, rel=0.05)
    assert alive.report()["expected_evaporation_l"] is None  # a guess as yet
    alive.view = None
    assert alive.report() == {}
    await lab.reload()
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.snapshot()["watch"]["books"]["learner"] == learned["books"]["learner"]
    assert not alive.restore({"watch": {"vessel": "lagoon_reservoir", "books": {}}})
    assert not alive.restore({"watch": {}})
    # Another vessel's books are of no use.
    alive.relearn(learned | {"vessel": "another"})
    assert alive.diagnostics()["view"] is not None
    await lab.change(SUBENTRY_EVAPORATION_WATCH, surface_m2=1.3)
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.snapshot()["watch"]["books"]["learner"]["days"] == []


async def test_what_it_is_linked_to_is_removed(lab: Lab, room: Room) -> None:
    await room.set_up(watch(temperature_watch="lagoon_temperature"), heater_watch())
    issues = ir.async_get(lab.hass)
    entries = lab.hass.config_entries
    assert len(lab.entry.runtime_data.watches) == 2
    entries.async_remove_subentry(lab.entry, "lagoon_temperature")
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    assert issues.async_get_issue(DOMAIN, ISSUE)
    await lab.change(SUBENTRY_EVAPORATION_WATCH, temperature_watch=None)
    assert not issues.async_get_issue(DOMAIN, ISSUE)
    await lab.change(surface="none", shape=None)
    assert "not running" in issues.async_get_issue(DOMAIN, ISSUE).translation_placeholders["error"]
    entries.async_remove_subentry(lab.entry, "lagoon_reservoir")
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    assert "removed" in issues.async_get_issue(DOMAIN, ISSUE).translation_placeholders["error"]
    await lab.change(SUBENTRY_EVAPORATION_WATCH, vessel=None)
    assert "name" in issues.async_get_issue(DOMAIN, ISSUE).translation_placeholders["error"]


async def test_a_source_that_is_renamed_is_followed_and_one_that_is_gone_is_told(
    lab: Lab, room: Room
) -> None:
    registry = er.async_get(lab.hass)
    registry.async_get_or_create("sensor", "test", "humidity", suggested_object_id="room_humidity")
    await room.set_up(watch())
    registry.async_update_entity(HUMIDITY, new_entity_id="sensor.lab_humidity")
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    (stored,) = lab.entry.get_subentries_of_type(SUBENTRY_EVAPORATION_WATCH)
    assert stored.data["humidity_source"] == "sensor.lab_humidity"
    registry.async_remove("sensor.lab_humidity")
    await lab.hass.async_block_till_done()
    issue = "source_missing_lagoon_evaporation_sensor.lab_humidity"
    assert ir.async_get(lab.hass).async_get_issue(DOMAIN, issue)


# The form

FILLED = {
    "name": "Lagoon evaporation", "vessel": "lagoon_reservoir", "temperature_source": WATER,
    "room_temperature_source": ROOM, "humidity_source": HUMIDITY, "surface": 1.2, "activity": 0.6,
}  # fmt: skip
STORED = {
    "vessel": "lagoon_reservoir", "temperature_source": WATER, "room_temperature_source": ROOM,
    "humidity_source": HUMIDITY, "surface_m2": 1.2, "activity_frac": 0.6,
}  # fmt: skip


@pytest.fixture
async def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    vessel: Callable[..., dict[str, Any]],
) -> AsyncGenerator[Walk]:
    for entity_id in (WATER, ROOM):
        hass.states.async_set(entity_id, "25.1", {"unit_of_measurement": "°C"})
    hass.states.async_set(HUMIDITY, "50", {"unit_of_measurement": "%"})
    entry = add_system("Lagoon", vessel(), heater_watch())
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done()
    yield Walk(hass, entry, check_form, kind=SUBENTRY_EVAPORATION_WATCH)
    # What was saved last reloads the system; that must not outlast the test.
    await hass.async_block_till_done(wait_background_tasks=True)


async def test_form_adds_and_changes(walk: Walk) -> None:
    await walk.open()
    assert walk.shown("vessel") == "lagoon_reservoir"
    await walk.send(FILLED | {"temperature_watch": "lagoon_temperature"})
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_EVAPORATION_WATCH)
    assert dict(stored.data) == STORED | {"temperature_watch": "lagoon_temperature"}
    await walk.open(stored.subentry_id)
    assert walk.shown("surface") == 1.2
    # 150 cm by 60 cm are 0.9 m2.
    sides = {key: FILLED[key] for key in FILLED if key != "surface"}
    await walk.send(sides | {"length": 150, "width": 60, "name": " Lagoon air "})
    assert walk.form["reason"] == "reconfigure_successful"
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_EVAPORATION_WATCH)
    assert stored.title == "Lagoon air"
    assert dict(stored.data) == STORED | {"surface_m2": 0.9}


async def test_form_proposes_the_surface_of_the_display_a_sump_serves(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    vessel: Callable[..., dict[str, Any]],
) -> None:
    sump = vessel("Lagoon sump", display_surface_m2=0.8) | {"subentry_type": "sump"}
    entry = add_system("Lagoon", sump)
    walk = Walk(hass, entry, check_form, kind=SUBENTRY_EVAPORATION_WATCH)
    await walk.open()
    assert walk.shown("surface") == 0.8
    assert walk.shown("vessel") == "lagoon_sump"


async def test_form_in_feet_stores_metres(imperial: HomeAssistant, walk: Walk) -> None:
    """One foot is 0.3048 m: 10 ft2 are 0.929030 m2; 48 in by 24 in are 8 ft2, 0.743224 m2."""
    await walk.open()
    await walk.send(FILLED | {"surface": 10})
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_EVAPORATION_WATCH)
    assert stored.data["surface_m2"] == 0.92903
    await walk.open(stored.subentry_id)
    assert walk.shown("surface") == 10.0
    sides = {key: FILLED[key] for key in FILLED if key != "surface"}
    await walk.send(sides | {"length": 48, "width": 24})
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_EVAPORATION_WATCH)
    assert stored.data["surface_m2"] == 0.743224


@pytest.mark.parametrize(
    ("changes", "field", "error"),
    [
        ({"name": "  "}, "name", "name_empty"),
        ({"temperature_source": "sensor.level"}, "temperature_source", "temperature_unit"),
        (
            {"room_temperature_source": "sensor.level"},
            "room_temperature_source",
            "temperature_unit",
        ),
        ({"humidity_source": "sensor.level"}, "humidity_source", "humidity_unit"),
        ({"room_temperature_source": None}, "room_temperature_source", "room_missing"),
        (
            {"room_temperature_source": FILLED["temperature_source"]},
            "room_temperature_source",
            "entity_twice",
        ),
        ({"surface": -1.0}, "surface", "surface_range"),
        ({"surface": None}, "surface", "surface_twice"),
        ({"surface": None, "length": 50}, "surface", "surface_twice"),
        ({"length": 50, "width": 50}, "surface", "surface_twice"),
        ({"surface": 6000}, "surface", "surface_range"),
        ({"surface": None, "length": 0, "width": 50}, "surface", "surface_range"),
        ({"activity": 50}, "activity", "activity_range"),
    ],
    ids=str,
)
async def test_form_refuses(walk: Walk, changes: dict[str, Any], field: str, error: str) -> None:
    walk.hass.states.async_set("sensor.level", "20", {"unit_of_measurement": "cm"})
    await walk.open()
    values = FILLED | changes
    await walk.send({key: value for key, value in values.items() if value is not None})
    assert walk.form["errors"] == {field: error}


async def test_form_of_a_room_without_humidity_and_heater(hass: HomeAssistant, walk: Walk) -> None:
    hass.config_entries.async_remove_subentry(walk.entry, "lagoon_temperature")
    await hass.async_block_till_done()
    await walk.open()
    optional = ("room_temperature_source", "humidity_source")
    await walk.send({key: FILLED[key] for key in FILLED if key not in optional})
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_EVAPORATION_WATCH)
    assert dict(stored.data) == {key: STORED[key] for key in STORED if key not in optional}


async def test_form_refuses_a_name_twice(walk: Walk) -> None:
    await walk.open()
    await walk.send(FILLED)
    await walk.open()
    await walk.send(FILLED | {"name": "lagoon EVAPORATION"})
    assert walk.form["errors"] == {"name": "name_taken"}
    assert walk.placeholders["other_name"] == "lagoon EVAPORATION 2"


async def test_form_needs_a_vessel(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    entry = add_system()
    assert await hass.config_entries.async_setup(entry.entry_id)
    walk = Walk(hass, entry, check_form, kind=SUBENTRY_EVAPORATION_WATCH)
    await walk.open()
    assert walk.form["reason"] == "no_vessel"
