"""A salinity watch in the hub: probes of all kinds, readings by hand, what moves the salinity."""

from typing import TYPE_CHECKING, Any

import gsw
import pytest
from custom_components.stillwell.const import (
    DOMAIN,
    SUBENTRY_EVAPORATION_WATCH,
    SUBENTRY_SALINITY_WATCH,
)
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir

from .test_evaporation_watch import USUAL_L, WATER, Room
from .test_evaporation_watch import watch as evaporation_watch
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable

    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry

    from .lab import Lab

PROBE = "sensor.lagoon_conductivity"
VOLUME_L = 450.0
PSS78 = 0.002
"""The fit is published to so much; ours and gsw's temperature scales agree to less."""


def watch(**changes: Any) -> dict[str, Any]:
    """Return a salinity watch as a subentry; None leaves out."""
    data = {
        "salinity_kind": "conductivity_at_25", "salinity_source": PROBE,
        "low_psu": 33.0, "high_psu": 36.5, "overfill_l": 4.5,
    } | changes  # fmt: skip
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": "lagoon_salinity",
        "subentry_type": SUBENTRY_SALINITY_WATCH,
        "title": "Lagoon salinity",
        "unique_id": None,
    }


BY_HAND = {"salinity_kind": "by_hand", "salinity_source": None}


@pytest.fixture
def show(hass: HomeAssistant) -> Callable[..., None]:
    """Return a function that lets a sensor report."""

    def report(value: float | str, unit: str | None, entity_id: str = PROBE) -> None:
        attributes = {} if unit is None else {"unit_of_measurement": unit}
        hass.states.async_set(entity_id, str(value), attributes)

    return report


async def _record(lab: Lab, **reading: float) -> dict[str, Any]:
    answer = await lab.hass.services.async_call(
        DOMAIN,
        "record_salinity",
        {"entity_id": lab.entity_id("salinity"), **reading},
        blocking=True,
        return_response=True,
    )
    await lab.hass.async_block_till_done()
    (told,) = answer["watches"]
    return dict(told)


async def test_a_salinity_typed_in_wrong_is_taken_back(
    lab: Lab, hass_storage: dict[str, Any]
) -> None:
    """The last one, or one by its time; the others stay, over a restart as well."""
    await lab.set_up(watch(**BY_HAND))
    for psu in (34.8, 35.3, 39.9):
        await _record(lab, salinity_psu=psu)
        await lab.wait(3600.0)

    async def take_back(**data: Any) -> dict[str, Any]:
        target = {"entity_id": lab.entity_id("salinity")}
        answer = await lab.hass.services.async_call(
            DOMAIN, "take_back", target | data, blocking=True, return_response=True
        )
        await lab.hass.async_block_till_done()
        return dict(answer)

    assert lab.value("salinity") == pytest.approx(39.9)
    told = await take_back()
    assert told["taken_back"]["salinity_psu"] == 39.9
    assert lab.value("salinity") == pytest.approx(35.3)
    assert [one["salinity_psu"] for one in told["left"]] == [35.3, 34.8]
    await take_back(what="salinity", recorded=told["left"][1]["recorded"])
    key = f"{DOMAIN}.{lab.entry.entry_id}.learned"
    books = hass_storage[key]["data"]["vessels"]["lagoon_salinity"]["watch"]["books"]
    assert [psu for _, psu in books["records"]] == [35.3]
    await lab.reload()
    assert lab.value("salinity") == pytest.approx(35.3)
    await take_back()
    assert lab.state("salinity").state == "unknown"
    with pytest.raises(ServiceValidationError, match="no such entry"):
        await take_back(what="dose")


@pytest.mark.parametrize(
    ("kind", "value", "unit", "water", "psu"),
    [
        # gsw.SP_from_C takes mS/cm and the temperature the conductivity holds for.
        ("conductivity_at_25", 53.0, "mS/cm", None, gsw.SP_from_C(53.0, 25.0, 0.0)),
        ("conductivity_at_25", 53000, "µS/cm", None, gsw.SP_from_C(53.0, 25.0, 0.0)),
        ("conductivity_at_25", 53000, "\u03bcS/cm", None, gsw.SP_from_C(53.0, 25.0, 0.0)),
        ("conductivity", 0.0545, "S/cm", (26.5, "°C"), gsw.SP_from_C(54.5, 26.5, 0.0)),
        ("conductivity", 52.0, "mS/cm", (77.0, "°F"), gsw.SP_from_C(52.0, 25.0, 0.0)),
        ("salinity", 34.6, "PSU", None, 34.6),
        ("salinity", 34.6, None, None, 34.6),
        ("salinity", 35.0, "g/kg", None, gsw.SP_from_SR(35.0)),
    ],
    ids=str,
)
async def test_a_probe_of_each_kind(  # noqa: PLR0917 - one column each
    lab: Lab,
    show: Callable[..., None],
    kind: str,
    value: float,
    unit: str | None,
    water: tuple[float, str] | None,
    psu: float,
) -> None:
    show(value, unit)
    if water is not None:
        show(*water, WATER)
    thermometer = None if water is None else WATER
    await lab.set_up(watch(salinity_kind=kind, temperature_source=thermometer))
    assert lab.value("salinity") == pytest.approx(float(psu), abs=PSS78)


@pytest.mark.parametrize(
    ("kind", "value", "unit", "told"),
    [
        ("conductivity_at_25", 53000, "mS/cm", "looks like uS/cm"),
        ("conductivity_at_25", 53.0, "µS/cm", "conductivity"),
        ("conductivity_at_25", 53.0, "ppm", "the unit ppm"),
        ("salinity", 1.026, "PSU", "salinity"),
        ("salinity", 35.0, "%", "the unit %"),
    ],
)
async def test_what_no_tank_has_is_not_taken(
    lab: Lab, show: Callable[..., None], caplog: pytest.LogCaptureFixture, *,
    kind: str, value: float, unit: str, told: str,
) -> None:  # fmt: skip
    show(value, unit)
    await lab.set_up(watch(salinity_kind=kind))
    await lab.wait(30.0)
    assert lab.state("salinity").state == "unknown"
    (line,) = [one for one in caplog.messages if "takes no reading" in one]
    assert told in line
    show(*((53.0, "mS/cm") if kind != "salinity" else (35.0, "PSU")))
    await lab.wait(30.0)
    assert 34.9 < lab.value("salinity") < 35.1


async def test_a_probe_that_says_nothing(lab: Lab, show: Callable[..., None]) -> None:
    show("unavailable", "mS/cm")
    show(25.0, "°C", WATER)
    await lab.set_up(watch(salinity_kind="conductivity", temperature_source=WATER))
    for key in ("salinity", "overfill_effect", "salinity_low", "salinity_high"):
        assert lab.state(key).state == "unknown"
    show(53.0, "mS/cm")
    await lab.wait(30.0)
    assert lab.value("salinity") == pytest.approx(float(gsw.SP_from_C(53.0, 25.0, 0.0)), abs=PSS78)
    show("unavailable", "°C", WATER)
    await lab.wait(30.0)
    assert lab.state("salinity").state == "unknown"
    show("53.1", "mS/cm")
    # Silent for more than a day, while the thermometer is not: nobody knows.
    for hour in range(25):
        assert (lab.state("salinity").state == "unknown") is (hour == 0)
        show(25.0 + 0.01 * hour, "°C", WATER)
        await lab.wait(3600.0)
    assert lab.state("salinity").state == "unknown"


def _after(fresh_l: float) -> float:
    """Return 450 L of 35 PSU at 25 degC with fresh water added, by gsw's densities."""
    mass = VOLUME_L * float(gsw.rho_t_exact(35.16504, 25.0, 0.0)) / 1000.0
    return 35.0 * mass / (mass + fresh_l * float(gsw.rho_t_exact(0.0, 25.0, 0.0)) / 1000.0)


async def test_what_would_move_the_salinity(lab: Lab, show: Callable[..., None]) -> None:
    """By the use of the reservoir that replaces what evaporates; no evaporation watch here."""
    room = Room(lab)
    show(35.0, "PSU")
    await room.set_up(watch(salinity_kind="salinity"), replaces_evaporation=True)
    assert lab.value("overfill_effect") == pytest.approx(_after(4.5) - 35.0, abs=0.005)
    assert lab.state("overfill_effect").attributes["overfill_l"] == 4.5
    assert lab.state("unreplaced_drift").state == "unknown"
    for _ in range(24):
        show(35.0, "PSU")
        await room.run(0.0416667)
    assert lab.value("unreplaced_drift") == pytest.approx(_after(-USUAL_L) - 35.0, abs=0.01)
    # 36.5 PSU are reached when 4.1 % of the water is gone; the level is good to 25 mL in 2.9 L.
    mass = VOLUME_L * float(gsw.rho_t_exact(35.16504, 25.0, 0.0)) / 1000.0
    gone_l = mass * (1.0 - 35.0 / 36.5) / 0.9970476
    shown = lab.state("band_left_in")
    assert shown.attributes["unit_of_measurement"] == "d"
    assert float(shown.state) == pytest.approx(gone_l / USUAL_L, rel=0.02)
    assert lab.state("salt_verdict").state == "unknown"
    # The level is lost: nothing is measured any more, and nothing said of it.
    await lab.level("unavailable")
    for _ in range(5):
        show(35.0, "PSU")
        await lab.wait(900.0)
    assert lab.state("band_left_in").state == "unknown"


async def test_without_any_evaporation_only_the_rest_is_shown(
    lab: Lab, show: Callable[..., None]
) -> None:
    show(35.0, "PSU")
    await lab.set_up(watch(salinity_kind="salinity"))
    await lab.wait(30.0)
    assert lab.value("salinity") == 35.0
    assert lab.state("unreplaced_drift").state == "unknown"


async def test_salt_water_that_leaves(lab: Lab, show: Callable[..., None]) -> None:
    """Five quiet days, then 2.6 L of salt water leave each day: 0.2 PSU a day of 450 L.

    What leaves is replaced by fresh water, so that the reservoir sees it too; both watches say
    the same. The probe shows two digits.
    """
    room, psu = Room(lab), 35.0
    show(35.0, "PSU")
    await room.set_up(watch(salinity_kind="salinity"), evaporation_watch())
    for _ in range(5):
        show(35.0, "PSU")
        await room.run(1.0)
    assert lab.state("salt_verdict").state == "steady"
    assert "leaving_l_per_day" not in lab.state("salt_verdict").attributes
    for _ in range(64):
        psu *= 1.0 - 2.6 / 16.0 / VOLUME_L
        show(round(psu, 2), "PSU")
        await room.run(1.0 / 16.0, USUAL_L + 2.6)
    assert lab.state("salt_verdict").state == "salt_water_leaving"
    leaving = lab.state("salt_verdict").attributes["leaving_l_per_day"]
    assert leaving == pytest.approx(2.6, abs=0.8)  # the last of five days are not all leaky
    assert lab.value("salinity_drift") < -0.1
    assert lab.state("evaporation_reading").state == "water_leaving"
    alive = lab.entry.runtime_data.watches["lagoon_salinity"]
    assert alive.report()["salinity_psu"] == pytest.approx(psu, abs=0.02)
    assert alive.report()["alarms"] == ["Lagoon salinity: Salt water is leaving"]
    alive.view = None
    assert alive.report() == {}


async def test_a_water_change_begins_the_drift_anew(lab: Lab, show: Callable[..., None]) -> None:
    """Hands in the sump: what the salinity was before says nothing of drift."""
    room = Room(lab)
    show(35.0, "PSU")
    await room.set_up(watch(salinity_kind="salinity"), device="input_boolean.lagoon_valve")
    for day in range(4):
        for _ in range(4):
            show(35.0 - 0.1 * day, "PSU")
            await room.run(0.25)
    assert lab.value("salinity_drift") == pytest.approx(-0.1, abs=0.01)
    lab.runtime.kind = "sump"
    await lab.line.async_set_maintenance(on=True)
    await lab.wait(30.0)
    assert lab.state("salinity_drift").state == "unknown"


async def test_alarms_wait_ten_minutes(lab: Lab, show: Callable[..., None]) -> None:
    show(36.6, "PSU")
    await lab.set_up(watch(salinity_kind="salinity"))
    assert lab.state("salinity_high").state == "off"
    await lab.wait(300.0)
    assert lab.state("salinity_high").state == "off"
    await lab.wait(301.0)
    assert lab.state("salinity_high").state == "on"
    assert lab.state("salinity_low").state == "off"


# Readings by hand


@pytest.mark.parametrize(
    ("reading", "psu", "within"),
    [
        ({"salinity_psu": 34.5}, 34.5, 1e-9),
        # 25/25, from gsw.rho_t_exact; the equation of 1983 is within 0.03 kg/m3, 0.04 PSU.
        (
            {"specific_gravity": 1.0264, "sample_temperature_c": 25, "reference_temperature_c": 25},
            35.035,
            0.04,
        ),
        # 60/60 degF: 35 PSU is 1.02686.
        (
            {
                "specific_gravity": 1.02686,
                "sample_temperature_c": 15.56,
                "reference_temperature_c": 15.56,
            },
            35.0,
            0.04,
        ),
        (
            {"conductivity_ms_per_cm": 53.0, "sample_temperature_c": 25},
            float(gsw.SP_from_C(53.0, 25.0, 0.0)),
            PSS78,
        ),
    ],
    ids=str,
)
async def test_a_reading_by_hand(
    lab: Lab, reading: dict[str, float], psu: float, within: float
) -> None:
    await lab.set_up(watch(**BY_HAND))
    assert lab.state("salinity").state == "unknown"
    told = await _record(lab, **reading)
    assert told == {
        "watch": "Lagoon salinity",
        "salinity_psu": pytest.approx(psu, abs=within + 0.005),
    }
    assert lab.value("salinity") == pytest.approx(psu, abs=within + 1e-4)


@pytest.mark.parametrize(
    ("reading", "why"),
    [
        ({}, "exactly one"),
        ({"specific_gravity": 1.026}, "two temperatures"),
        ({"specific_gravity": 1.026, "sample_temperature_c": 25}, "two temperatures"),
        (
            {"specific_gravity": 1.026, "sample_temperature_c": 77, "reference_temperature_c": 25},
            "degF",
        ),
        ({"conductivity_ms_per_cm": 53000, "sample_temperature_c": 25}, "uS/cm"),
        ({"conductivity_ms_per_cm": 53.0}, "temperature"),
        ({"salinity_psu": 1.026}, "specific gravity"),
    ],
    ids=str,
)
async def test_a_reading_that_is_refused(lab: Lab, reading: dict[str, float], why: str) -> None:
    await lab.set_up(watch(**BY_HAND))
    with pytest.raises(ServiceValidationError) as caught:
        await _record(lab, **reading)
    assert caught.value.translation_key == "salinity_refused"
    assert why in caught.value.translation_placeholders["why"]
    assert lab.state("salinity").state == "unknown"


async def test_the_action_is_for_salinity_watches_only(lab: Lab) -> None:
    await lab.set_up(watch(**BY_HAND))
    with pytest.raises(ServiceValidationError) as caught:
        await lab.hass.services.async_call(
            DOMAIN,
            "record_salinity",
            {"entity_id": lab.entity_id("volume"), "salinity_psu": 35.0},
            blocking=True,
        )
    assert caught.value.translation_key == "not_a_watch"


async def test_a_reading_is_remembered_and_grows_old(
    lab: Lab, hass_storage: dict[str, Any]
) -> None:
    """On the disk at once; a fortnight later it counts no more."""
    await lab.set_up(watch(**BY_HAND))
    await _record(lab, salinity_psu=34.5)
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.report()["hands_needed"] == []
    stored = hass_storage[f"{DOMAIN}.{lab.entry.entry_id}.learned"]["data"]["vessels"]
    ((_, psu),) = stored["lagoon_salinity"]["watch"]["books"]["records"]
    assert psu == 34.5
    await lab.wait(3 * 86400.0)
    await lab.reload()
    shown = lab.state("salinity")
    assert float(shown.state) == 34.5
    assert shown.attributes["age_days"] == 3
    assert shown.attributes["recorded_salinity"] == 34.5
    await lab.wait(11 * 86400.0 + 60.0)
    shown = lab.state("salinity")
    assert shown.state == "unknown"
    assert shown.attributes["age_days"] == 14
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.report()["hands_needed"] == ["Lagoon salinity: measure the salinity by hand"]
    assert shown.attributes["recorded_salinity"] is None


async def test_a_probe_and_a_reading_beside_it(lab: Lab, show: Callable[..., None]) -> None:
    show(35.0, "PSU")
    await lab.set_up(watch(salinity_kind="salinity"))
    await _record(lab, salinity_psu=34.0)
    shown = lab.state("salinity")
    assert float(shown.state) == 35.0
    assert shown.attributes["recorded_salinity"] == 34.0


async def test_a_renamed_probe_keeps_its_drift(lab: Lab, show: Callable[..., None]) -> None:
    registry = er.async_get(lab.hass)
    registry.async_get_or_create(
        "sensor", "lab", "1", suggested_object_id=PROBE.removeprefix("sensor.")
    )
    room = Room(lab)
    show(35.0, "PSU")
    await room.set_up(watch(salinity_kind="salinity"))
    for day in range(4):
        for _ in range(4):
            show(35.0 - 0.1 * day, "PSU")
            await room.run(0.25)
    before = lab.value("salinity_drift")
    assert before == pytest.approx(-0.1, abs=0.01)
    registry.async_update_entity(PROBE, new_entity_id="sensor.probe")
    await lab.hass.async_block_till_done()
    show(34.7, "PSU", "sensor.probe")
    await lab.wait(30.0)
    assert lab.value("salinity_drift") == pytest.approx(before, abs=0.001)


async def test_memory_that_is_damaged_or_of_another_probe(
    lab: Lab, show: Callable[..., None]
) -> None:
    room = Room(lab)
    show(35.0, "PSU")
    await room.set_up(watch(salinity_kind="salinity"))
    for _ in range(9):
        show(35.0, "PSU")
        await room.run(0.25)
    (alive,) = lab.entry.runtime_data.watches.values()
    assert len(alive.learned()["books"]["days"]) == 2
    assert not alive.restore({"watch": {"books": {}, "source": PROBE}})
    assert not alive.restore({})
    assert alive.diagnostics()["view"]["salinity_psu"] == 35.0
    show(35.0, "PSU", "sensor.other_probe")
    await lab.change(SUBENTRY_SALINITY_WATCH, salinity_source="sensor.other_probe")
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.learned()["books"]["days"] == []


async def test_settings_that_are_no_use_are_told(lab: Lab) -> None:
    await lab.set_up(watch(low_psu=37.0))
    issues = ir.async_get(lab.hass)
    issue = "watch_settings_invalid_lagoon_salinity"
    assert issues.async_get_issue(DOMAIN, issue)
    await lab.change(SUBENTRY_SALINITY_WATCH, low_psu=33.0, salinity_kind="by eye")
    assert issues.async_get_issue(DOMAIN, issue)
    await lab.change(SUBENTRY_SALINITY_WATCH, salinity_kind="conductivity")
    assert issues.async_get_issue(DOMAIN, issue)
    await lab.change(SUBENTRY_SALINITY_WATCH, salinity_kind="by_hand")
    assert not issues.async_get_issue(DOMAIN, issue)


# The form

FILLED = {
    "name": "Lagoon salinity", "salinity_kind": "conductivity", "salinity_source": PROBE,
    "temperature_source": WATER, "low": 33.0, "high": 36.5, "overfill": 4.5,
}  # fmt: skip
STORED = {
    "salinity_kind": "conductivity", "salinity_source": PROBE, "temperature_source": WATER,
    "low_psu": 33.0, "high_psu": 36.5, "overfill_l": 4.5,
}  # fmt: skip


@pytest.fixture
async def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    show: Callable[..., None],
) -> AsyncGenerator[Walk]:
    show(53.0, "mS/cm")
    show(25.0, "°C", WATER)
    entry = add_system()
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done()
    yield Walk(hass, entry, check_form, kind=SUBENTRY_SALINITY_WATCH)
    # What was saved last reloads the system; that must not outlast the test.
    await hass.async_block_till_done(wait_background_tasks=True)


async def test_form_adds_and_changes(walk: Walk) -> None:
    await walk.open()
    # One hundredth of the system's 450 L.
    assert walk.shown("overfill") == 4.5
    await walk.send(FILLED)
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_SALINITY_WATCH)
    assert dict(stored.data) == STORED
    await walk.open(stored.subentry_id)
    assert walk.shown("high") == 36.5
    await walk.send(FILLED | {"salinity_kind": "by_hand", "name": "By hand"})
    assert walk.form["reason"] == "reconfigure_successful"
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_SALINITY_WATCH)
    assert stored.title == "By hand"
    by_hand = {key: STORED[key] for key in STORED if key != "salinity_source"}
    assert dict(stored.data) == by_hand | {"salinity_kind": "by_hand"}


async def test_form_in_gallons_stores_litres(imperial: HomeAssistant, walk: Walk) -> None:
    """A US gallon is 3.785411784 L."""
    await walk.open()
    assert walk.shown("overfill") == pytest.approx(4.5 / 3.785411784, abs=1e-5)
    await walk.send(FILLED | {"overfill": 2})
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_SALINITY_WATCH)
    assert stored.data["overfill_l"] == pytest.approx(7.570823568, abs=1e-6)


@pytest.mark.parametrize(
    ("changes", "field", "error"),
    [
        ({"name": "  "}, "name", "name_empty"),
        ({"salinity_source": None}, "salinity_source", "probe_missing"),
        ({"temperature_source": None}, "temperature_source", "thermometer_missing"),
        ({"temperature_source": PROBE}, "temperature_source", "temperature_unit"),
        ({"salinity_source": WATER}, "salinity_source", "conductivity_unit"),
        ({"salinity_kind": "salinity"}, "salinity_source", "salinity_unit"),
        ({"low": 37.0}, "high", "band_range"),
        ({"high": 53.0}, "high", "band_range"),
        ({"overfill": 0}, "overfill", "overfill_range"),
        ({"overfill": 451}, "overfill", "overfill_range"),
    ],
    ids=str,
)
async def test_form_refuses(walk: Walk, changes: dict[str, Any], field: str, error: str) -> None:
    await walk.open()
    values = FILLED | changes
    await walk.send({key: value for key, value in values.items() if value is not None})
    assert walk.form["errors"] == {field: error}


async def test_form_refuses_a_name_twice(walk: Walk) -> None:
    await walk.open()
    await walk.send(FILLED)
    await walk.open()
    await walk.send(FILLED | {"name": "lagoon SALINITY"})
    assert walk.form["errors"] == {"name": "name_taken"}


async def test_the_two_watches_need_each_other_in_no_order(
    lab: Lab, show: Callable[..., None]
) -> None:
    """The evaporation watch comes first or last, or its settings are no use."""
    room = Room(lab)
    show(35.0, "PSU")
    await room.set_up(evaporation_watch(), watch(salinity_kind="salinity"))
    await room.run(0.25)
    assert lab.value("unreplaced_drift") > 0.0
    await lab.change(SUBENTRY_EVAPORATION_WATCH, surface_m2=0.0)
    show(35.0, "PSU")
    await lab.wait(30.0)
    assert lab.value("salinity") == 35.0
    assert lab.state("unreplaced_drift").state == "unknown"
