"""Adding and changing a reservoir in the UI."""

import re
from http import HTTPStatus
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest
from custom_components.stillwell.const import (
    DOMAIN,
    SUBENTRY_FILL_LINE,
    SUBENTRY_RESERVOIR,
)
from custom_components.stillwell.engine.geometry import Box
from custom_components.stillwell.form_units import FormUnits
from custom_components.stillwell.line_settings import fill_line_settings
from custom_components.stillwell.settings import Measure, vessel_settings
from custom_components.stillwell.vessel_checks import Refusal, check_marks
from homeassistant.const import ATTR_UNIT_OF_MEASUREMENT, UnitOfLength, UnitOfVolume
from homeassistant.data_entry_flow import FlowResultType, InvalidData
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component
from homeassistant.util.unit_conversion import DistanceConverter, VolumeConverter
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM
from hypothesis import given
from hypothesis import strategies as st
from pytest_homeassistant_custom_component.common import MockConfigEntry

from .test_dosing import dosing
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from homeassistant.core import HomeAssistant

SOURCE = "sensor.lagoon_level"
FIRST = {"name": "Lagoon reservoir", "source": SOURCE, "measure": "depth", "shape": "box"}
BOX = {"length": 30, "width": 30, "height": 34, "sensor_zero": 0}
BAND = {"empty": 2, "start": 7, "full": 30, "high": 32, "filling": {}, "signal": {}}


@pytest.fixture(autouse=True)
def _entry_is_not_set_up() -> Iterator[None]:
    """Keep the system itself out: here only the forms are looked at."""
    with patch("custom_components.stillwell.async_setup_entry", return_value=True):
        yield


@pytest.fixture
def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> Walk:
    """Return a walk through the forms of a system without vessels."""
    return Walk(hass, add_system("Lagoon"), check_form)


def _set(hass: HomeAssistant, entity_id: str, value: str, unit: str | None) -> None:
    hass.states.async_set(
        entity_id, value, {} if unit is None else {ATTR_UNIT_OF_MEASUREMENT: unit}
    )


async def test_a_reservoir_is_added(hass: HomeAssistant, walk: Walk) -> None:
    _set(hass, SOURCE, "20.3", "cm")
    _set(hass, "sensor.lagoon_water", "25.4", "°C")
    form = await walk.open()
    assert form["step_id"] == "user"
    assert (await walk.send(FIRST))["step_id"] == "shape"
    assert (await walk.send(BOX))["step_id"] == "band"
    assert walk.placeholders["height"] == "34.0 cm"
    assert walk.placeholders["capacity"] == "30.6 L"
    form = await walk.send(
        BAND
        | {
            "temperature_source": "sensor.lagoon_water",
            "replaces_evaporation": True,
            "filling": {
                "fill_device": "switch.lagoon_valve",
                "longest_run": {"hours": 1, "minutes": 45},
                "high_inputs": ["binary_sensor.lagoon_float", "binary_sensor.lagoon_optical"],
                "leak_inputs": ["binary_sensor.lagoon_floor"],
            },
            "signal": {"zero_is_suspect": False, "stale_after": {"minutes": 15}},
        }
    )
    assert form["step_id"] == "confirm"
    # 20.3 cm of a box 30 cm by 30 cm is 18.27 L; full at 30 cm is 27 L: 68 %.
    assert walk.placeholders == {
        "reading": "lagoon level reads 20.3 cm: depth 20.3 cm, 18.3 L, 68 % full.",
        "empty": "2.0 cm, 1.8 L",
        "start": "7.0 cm, 6.3 L",
        "full": "30.0 cm, 27.0 L",
        "high": "32.0 cm, 28.8 L",
    }
    result = await walk.send({})
    assert result["type"] is FlowResultType.CREATE_ENTRY
    subentry, line = walk.entry.subentries.values()
    assert subentry.subentry_type == SUBENTRY_RESERVOIR
    assert subentry.title == "Lagoon reservoir"
    assert dict(subentry.data) == {
        "source": SOURCE,
        "measure": "depth",
        "shape": {"kind": "box", "length_m": 0.3, "width_m": 0.3, "height_m": 0.34},
        "sensor_zero_m": 0.0,
        "empty_m": 0.02,
        "start_m": 0.07,
        "full_m": 0.3,
        "high_m": 0.32,
        "temperature_source": "sensor.lagoon_water",
        "replaces_evaporation": True,
        "zero_is_suspect": False,
        "stale_after_s": 900.0,
    }
    # What fills it is a line of its own beside it.
    assert line.subentry_type == SUBENTRY_FILL_LINE
    assert line.title == "Lagoon reservoir fill line"
    assert dict(line.data) == {
        "destination": subentry.subentry_id,
        "device": "switch.lagoon_valve",
        "longest_run_s": 6300.0,
        "high_inputs": ["binary_sensor.lagoon_float", "binary_sensor.lagoon_optical"],
        "leak_inputs": ["binary_sensor.lagoon_floor"],
    }
    assert fill_line_settings(line.data).device == "switch.lagoon_valve"


async def test_what_is_not_chosen_is_not_stored(hass: HomeAssistant, walk: Walk) -> None:
    _set(hass, SOURCE, "20.3", "cm")
    await walk.open()
    await walk.all(FIRST, BOX)
    # A duration field that was touched and emptied sends zeros.
    nothing = {"hours": 0, "minutes": 0, "seconds": 0}
    await walk.all(
        BAND
        | {
            "filling": {"high_inputs": [], "leak_inputs": []},
            "signal": {"stale_after": nothing},
        },
        {},
    )
    (subentry,) = walk.entry.subentries.values()
    assert set(subentry.data) == {
        "source",
        "measure",
        "shape",
        "sensor_zero_m",
        "empty_m",
        "start_m",
        "full_m",
        "high_m",
        "replaces_evaporation",
        "zero_is_suspect",
    }
    assert subentry.data["zero_is_suspect"] is True


@pytest.mark.parametrize(
    ("kind", "unit", "measure"),
    [
        ("humidity", "%", "percent"),
        ("battery", "%", "percent_volume"),
        ("ph", None, "percent"),
    ],
)
async def test_a_sensor_of_something_else_is_no_level(
    hass: HomeAssistant, walk: Walk, *, kind: str, unit: str | None, measure: str
) -> None:
    """A room at 48 % is no vessel that is half full."""
    hass.states.async_set(SOURCE, "48", {"device_class": kind, ATTR_UNIT_OF_MEASUREMENT: unit})
    await walk.open()
    form = await walk.send(FIRST | {"measure": measure})
    assert form["errors"] == {"source": "source_no_level"}
    # What the hub was told to show as a plain number is taken.
    hass.states.async_set(SOURCE, "48", {ATTR_UNIT_OF_MEASUREMENT: "%"})
    assert (await walk.send(FIRST | {"measure": measure}))["step_id"] == "shape"


async def test_going_back_keeps_what_was_entered(hass: HomeAssistant, walk: Walk) -> None:
    """A length of 300 cm for 30 shows at the last step; nobody has to type the rest anew."""
    _set(hass, SOURCE, "20.3", "cm")
    await walk.open()
    await walk.send(FIRST)
    await walk.send(BOX | {"length": 300.0})
    await walk.send(BAND | {"filling": {"fill_device": "switch.lagoon_valve"}})
    # 20.3 cm of 300 cm by 30 cm.
    assert "182.7 L" in walk.placeholders["reading"]
    assert (await walk.send({"go_back": True}))["step_id"] == "user"
    assert walk.shown("name") == FIRST["name"]
    assert walk.shown("source") == SOURCE
    await walk.send(FIRST)
    assert walk.shown("length") == 300.0
    await walk.send(BOX)
    assert walk.shown("full") == BAND["full"]
    assert walk.shown("filling", "fill_device") == "switch.lagoon_valve"
    await walk.send(BAND | {"filling": {"fill_device": "switch.lagoon_valve"}})
    assert "18.3 L" in walk.placeholders["reading"]
    assert (await walk.send({}))["type"] is FlowResultType.CREATE_ENTRY
    vessel, line = walk.entry.subentries.values()
    assert vessel.data["shape"]["length_m"] == 0.3
    assert line.data["device"] == "switch.lagoon_valve"


async def test_the_facts_of_the_trade_in_inches(
    imperial: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    """Strip 15 in, refill on below 3 in and off above 13 in: common practice, no source."""
    walk = Walk(imperial, add_system("Lagoon"), check_form)
    _set(imperial, SOURCE, "8", "in")
    await walk.open()
    await walk.send(FIRST)
    length = walk.form["data_schema"].schema["length"]
    assert length.config["unit_of_measurement"] == "in"
    await walk.send({"length": 20, "width": 12, "height": 15})
    # The proposals are just these marks.
    assert {name: walk.shown(name) for name in ("empty", "start", "full", "high")} == {
        "empty": 1.0,
        "start": 3.0,
        "full": 13.0,
        "high": 14.0,
    }
    assert walk.shown("filling", "longest_run") == {"hours": 2, "minutes": 0, "seconds": 0}
    await walk.send({"filling": {"fill_device": "valve.lagoon"}, "signal": {}})
    # 20 x 12 x 8 cubic inches; a US gallon is 231 of them (NIST Handbook 44, appendix C).
    assert walk.placeholders["reading"] == (
        "lagoon level reads 8 in: depth 8.0 in, 8.3 gal, 62 % full."
    )
    assert pytest.approx(8.3, abs=0.05) == 20 * 12 * 8 / 231
    await walk.send({})
    subentry, line = walk.entry.subentries.values()
    # 1 in = 25.4 mm exactly (international yard and pound agreement of 1959).
    assert subentry.data["shape"] == {
        "kind": "box",
        "length_m": 0.508,
        "width_m": 0.3048,
        "height_m": 0.381,
    }
    assert subentry.data["start_m"] == 0.0762
    assert subentry.data["full_m"] == 0.3302
    assert line.data["longest_run_s"] == 7200


SHAPES = {
    "upright_cylinder": ({"diameter": 45, "height": 80}, {"diameter_m": 0.45, "height_m": 0.8}),
    "lying_cylinder": ({"diameter": 50, "length": 120}, {"diameter_m": 0.5, "length_m": 1.2}),
    "tapered_bin": (
        {
            "bottom_length": 50,
            "bottom_width": 35,
            "top_length": 60,
            "top_width": 43,
            "height": 40,
        },
        {
            "bottom_length_m": 0.5,
            "bottom_width_m": 0.35,
            "top_length_m": 0.6,
            "top_width_m": 0.43,
            "height_m": 0.4,
        },
    ),
    "cone_bottom": (
        {"diameter": 58, "cone": 18, "height": 98},
        {"diameter_m": 0.58, "cone_m": 0.18, "height_m": 0.98},
    ),
    "strapping": (
        # As a person types it: no line for the floor, a decimal comma, blanks, empty lines.
        {"table": "5; 3.1\n10;7,9\n\n  20 19.8 \n40;45.3\n"},
        {"depths_m": [0.0, 0.05, 0.1, 0.2, 0.4], "volumes_l": [0.0, 3.1, 7.9, 19.8, 45.3]},
    ),
}


@pytest.mark.parametrize("kind", list(SHAPES))
async def test_every_shape(hass: HomeAssistant, walk: Walk, kind: str) -> None:
    typed, stored = SHAPES[kind]
    _set(hass, SOURCE, "50", "%")
    await walk.open()
    await walk.send(FIRST | {"shape": kind, "measure": "percent_volume"})
    await walk.send(typed)
    assert walk.form["step_id"] == "band"
    await walk.all({"filling": {}, "signal": {}}, {})
    (subentry,) = walk.entry.subentries.values()
    assert subentry.data["shape"] == {"kind": kind} | stored
    settings = vessel_settings(subentry.data)
    assert settings.vessel.height_m == pytest.approx(settings.high_m * 15 / 14, abs=0.001)
    # The same way back.
    form = await walk.open(subentry.subentry_id)
    assert form["step_id"] == "user"
    await walk.send(FIRST | {"shape": kind, "measure": "percent_volume"})
    again = {name: walk.shown(name) for name in typed}
    if kind == "strapping":
        assert again["table"] == "0; 0\n5; 3.1\n10; 7.9\n20; 19.8\n40; 45.3"
    else:
        assert again == typed
    await walk.all(again, {"signal": {}})
    assert (await walk.send({}))["reason"] == "reconfigure_successful"
    (again_stored,) = walk.entry.subentries.values()
    assert again_stored.data["shape"] == {"kind": kind} | stored
    # The hub shows inches and gallons now; who only looks and saves has the same vessel still.
    hass.config.units = US_CUSTOMARY_SYSTEM
    await walk.open(subentry.subentry_id)
    await walk.send(FIRST | {"shape": kind, "measure": "percent_volume"})
    await walk.all({name: walk.shown(name) for name in typed}, {"signal": {}}, {})
    (again_stored,) = walk.entry.subentries.values()
    assert again_stored.data["shape"] == {"kind": kind} | stored


SENSORS = {
    # How a reading of 20.3 cm in a box 34 cm high comes from each kind of sensor.
    "distance": ("13.7", "cm", {}, {"sensor_zero_m": 0.34}),
    "distance above the brim": ("18.7", "cm", {"sensor_face": 39}, {"sensor_zero_m": 0.39}),
    "depth": ("18.3", "cm", {"sensor_zero": 2}, {"sensor_zero_m": 0.02}),
    # 4 mA at 0 cm and 20 mA at 40 cm (IEC 60381-1): 20.3 cm is 4 + 16 x 20.3 / 40 mA.
    "current": ("12.12", "mA", {"sensor_zero": 0, "span": 40}, {"span_m": 0.4}),
    "percent": ("59.706", "%", {}, {}),
    "percent_volume": ("59.706", None, {}, {}),
    "volume": ("18.27", "L", {}, {}),
}


async def test_a_reading_above_the_high_limit_is_said_to_be_so(
    hass: HomeAssistant, walk: Walk
) -> None:
    """33 cm, where the high limit is 32 cm."""
    _set(hass, SOURCE, "33", "cm")
    await walk.open()
    await walk.all(FIRST, BOX | {"sensor_zero": 0}, BAND)
    assert "at or above the high limit, where no fill can start" in walk.placeholders["reading"]


@pytest.mark.parametrize("kind", list(SENSORS))
async def test_every_kind_of_sensor(hass: HomeAssistant, walk: Walk, kind: str) -> None:
    value, unit, typed, stored = SENSORS[kind]
    measure = kind.split(maxsplit=1)[0]
    box = {name: BOX[name] for name in ("length", "width", "height")}
    _set(hass, SOURCE, value, unit)
    await walk.open()
    await walk.all(FIRST | {"measure": measure}, box | typed, BAND)
    assert ": depth 20.3 cm, 18.3 L, 68 % full." in walk.placeholders["reading"]
    await walk.send({})
    (subentry,) = walk.entry.subentries.values()
    assert subentry.data["measure"] == measure
    assert stored.items() <= subentry.data.items()
    # Exactly 0 means unplugged where a low number means little water.
    is_low_number = measure not in ("distance", "current")
    assert subentry.data["zero_is_suspect"] is is_low_number
    await walk.open(subentry.subentry_id)
    await walk.send(FIRST | {"measure": measure})
    assert {name: walk.shown(name) for name in typed} == typed


@pytest.mark.parametrize(
    ("state", "unit", "said"),
    [
        (None, None, "sensor.lagoon_level does not exist now. You can save all the same;"),
        ("unavailable", "cm", "reads unavailable cm, which gives no level now (Source unavail"),
        ("unknown", None, "reads unknown, which gives no level now (Source unavailable)."),
        ("nan", "cm", "reads nan cm, which gives no level now (Not a finite number)."),
        ("90", "cm", "reads 90 cm, which gives no level now (Outside the vessel)."),
        ("0", "cm", "reads 0 cm: depth 0.0 cm, 0.0 L. Exactly 0 is how an unplugged strip"),
    ],
)
async def test_a_source_that_says_nothing_now_can_be_saved(
    hass: HomeAssistant, walk: Walk, *, state: str | None, unit: str | None, said: str
) -> None:
    if state is not None:
        _set(hass, SOURCE, state, unit)
    await walk.open()
    await walk.all(FIRST, BOX, BAND)
    assert said in walk.placeholders["reading"]
    assert (await walk.send({}))["type"] is FlowResultType.CREATE_ENTRY


WRONG_SOURCES = {
    "name_empty": ({"name": " "}, "name", ("20", "cm")),
    "name_taken": ({"name": "lagoon MIX"}, "name", ("20", "cm")),
    "source_taken": ({"source": "sensor.nursery_level"}, "source", ("20", "cm")),
    "source_not_numeric": ({}, "source", ("open", None)),
    "unit_useless": ({}, "source", ("1013", "hPa")),
    "unit_missing": ({}, "measure", ("20", None)),
    "unit_unfit": ({}, "measure", ("20", "L")),
}


@pytest.mark.parametrize("error", list(WRONG_SOURCES))
async def test_a_source_that_cannot_work_is_refused(
    hass: HomeAssistant,
    walk: Walk,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
    error: str,
) -> None:
    changes, field, (value, unit) = WRONG_SOURCES[error]
    add_system("Nursery", vessel("Nursery reservoir", source="sensor.nursery_level"))
    walk.entry = add_system("Lagoon two", vessel("Lagoon mix", source="sensor.mix_level"))
    _set(hass, SOURCE, value, unit)
    await walk.open()
    form = await walk.send(FIRST | changes)
    assert form["errors"] == {field: error}
    assert walk.shown("name") == (FIRST | changes)["name"]
    expected = {
        "name_empty": ("other_name", "lagoon level"),
        "name_taken": ("other_name", "lagoon MIX 2"),
        "source_taken": ("other", "Nursery reservoir (Nursery)"),
        "source_not_numeric": ("raw", "open"),
        "unit_useless": ("unit", "hPa"),
        "unit_missing": ("works", "Percent of the full depth, Percent of the full volume"),
        "unit_unfit": ("works", "Volume"),
    }[error]
    assert walk.placeholders[expected[0]] == expected[1]
    _set(hass, SOURCE, "20", "cm")
    assert (await walk.send(FIRST))["step_id"] == "shape"


async def test_own_entities_are_not_offered(hass: HomeAssistant, walk: Walk) -> None:
    own = er.async_get(hass).async_get_or_create("sensor", DOMAIN, "x_volume").entity_id
    form = await walk.open()
    assert form["data_schema"].schema["source"].config["exclude_entities"] == [own]
    with pytest.raises(InvalidData):
        await walk.send(FIRST | {"source": own})
    with pytest.raises(InvalidData):
        await walk.send(FIRST | {"source": "light.lagoon"})
    assert (await walk.send(FIRST))["step_id"] == "shape"


WRONG_SHAPES = {
    "length_range low": ("box", "depth", BOX | {"width": 0.2}, "width"),
    "length_range high": ("box", "depth", BOX | {"height": 3400}, "height"),
    "length_range zero": ("box", "depth", BOX | {"sensor_zero": 33.6}, "sensor_zero"),
    "length_range high face": ("box", "distance", BOX | {"sensor_face": 2001}, "sensor_face"),
    "length_range face": ("box", "distance", BOX | {"sensor_face": 0}, "sensor_face"),
    "length_range span": ("box", "current", BOX | {"span": 0}, "span"),
    "cone_too_deep": (
        "cone_bottom",
        "percent",
        {"diameter": 58, "cone": 99, "height": 98},
        "cone",
    ),
    "table_line text": ("strapping", "percent", {"table": "5; 3\nten; 7"}, "table"),
    "table_line one": ("strapping", "percent", {"table": "5"}, "table"),
    "table_line inf": ("strapping", "percent", {"table": "5; inf"}, "table"),
    "table_line below": ("strapping", "percent", {"table": "-5; 3"}, "table"),
    "table_order": ("strapping", "percent", {"table": "5; 3\n10; 3"}, "table"),
    "table_order floor": ("strapping", "percent", {"table": "0; 1\n0; 3"}, "table"),
    "table_short": ("strapping", "percent", {"table": "0; 0"}, "table"),
    "shape_refused": ("strapping", "percent", {"table": "0; 2\n10; 3"}, "table"),
}


@pytest.mark.parametrize("case", list(WRONG_SHAPES))
async def test_a_shape_that_cannot_be_is_refused(
    walk: Walk, texts: dict[str, Any], case: str
) -> None:
    kind, measure, typed, field = WRONG_SHAPES[case]
    texts = texts["config_subentries"]["reservoir"]
    await walk.open()
    await walk.send(FIRST | {"shape": kind, "measure": measure})
    needed = {key.schema for key in walk.form["data_schema"].schema}
    wrong = {name: value for name, value in typed.items() if name in needed}
    form = await walk.send(wrong)
    assert form["step_id"] == "shape"
    assert form["errors"] == {field: case.split(maxsplit=1)[0]}
    assert walk.shown(field) == wrong[field]
    right = BOX | {
        "diameter": 58,
        "cone": 18,
        "table": "10; 7.9\n20; 19.8",
        "span": 40,
        "sensor_face": 34,
    }
    form = await walk.send({name: right[name] for name in needed})
    assert form["step_id"] == "band"


WRONG_BANDS: dict[str, tuple[dict[str, Any], str, str]] = {
    "empty below the floor": ({"empty": -1}, "empty", "length_range"),
    "empty above the brim": ({"empty": 35}, "empty", "length_range"),
    "start below empty": ({"start": 2}, "start", "start_range"),
    "start above the brim": ({"start": 34}, "start", "start_range"),
    "full below start": ({"full": 7}, "full", "full_range"),
    "full above the brim": ({"full": 35, "high": 36}, "full", "full_range"),
    "high below full": ({"high": 29}, "high", "high_range"),
    "high above the brim": ({"high": 34.1}, "high", "high_range"),
    "run too short": (
        {"filling": {"fill_device": "switch.lagoon_valve", "longest_run": {"seconds": 59}}},
        "filling",
        "longest_run_range",
    ),
    "run too long": (
        {"filling": {"fill_device": "switch.lagoon_valve", "longest_run": {"days": 2}}},
        "filling",
        "longest_run_range",
    ),
    "device of another": (
        {"filling": {"fill_device": "switch.nursery_valve"}},
        "filling",
        "device_taken",
    ),
    "device that doses": (
        {"filling": {"fill_device": "switch.nursery_limewater"}},
        "filling",
        "pump_doses",
    ),
    "device as input": (
        {"filling": {"fill_device": "input_boolean.a", "leak_inputs": ["input_boolean.a"]}},
        "filling",
        "device_is_input",
    ),
    "one switch as two layers": (
        {
            "filling": {
                "fill_device": "switch.lagoon_valve",
                "high_inputs": ["input_boolean.a"],
                "leak_inputs": ["input_boolean.a"],
            }
        },
        "filling",
        "entity_twice",
    ),
    "stale too short": ({"signal": {"stale_after": {"seconds": 5}}}, "signal", "stale_range"),
    "stale too long": ({"signal": {"stale_after": {"days": 8}}}, "signal", "stale_range"),
    "stale too slow to fill": (
        {
            "filling": {"fill_device": "switch.lagoon_valve"},
            "signal": {"stale_after": {"minutes": 31}},
        },
        "signal",
        "stale_slow",
    ),
    "temperature in %": (
        {"temperature_source": "sensor.room_humidity"},
        "temperature_source",
        "temperature_unit",
    ),
    "temperature without unit": (
        {"temperature_source": "input_number.bare"},
        "temperature_source",
        "temperature_unit",
    ),
}


@pytest.mark.parametrize("case", list(WRONG_BANDS))
async def test_marks_and_limits_that_cannot_work_are_refused(
    hass: HomeAssistant,
    walk: Walk,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
    *,
    line: Callable[..., dict[str, Any]],
    texts: dict[str, Any],
    case: str,
) -> None:
    changes, field, error = WRONG_BANDS[case]
    add_system(
        "Nursery",
        vessel("Nursery reservoir", source="sensor.n"),
        line("nursery_reservoir", "Nursery fill line", device="switch.nursery_valve"),
        dosing(vessel="nursery_reservoir", dosing_pump="switch.nursery_limewater"),
    )
    _set(hass, "sensor.room_humidity", "55", "%")
    _set(hass, "input_number.bare", "25", None)
    await walk.open()
    await walk.all(FIRST, BOX)
    form = await walk.send(BAND | changes)
    assert form["step_id"] == "band"
    assert form["errors"] == {field: error}
    step = texts["config_subentries"]["reservoir"]["step"]["band"]
    names = step["data"] | {key: part["name"] for key, part in step["sections"].items()}
    assert walk.placeholders["field"] == names[field]
    if field in ("filling", "signal"):
        # The section with the fault stands open.
        assert form["data_schema"].schema[field].options["collapsed"] is False
    works = walk.placeholders.get("works")
    if field in BAND and works and works.endswith(" cm"):
        corrected = BAND | changes | {field: float(works.removesuffix(" cm"))}
        form = await walk.send(corrected)
        assert field not in (form["errors"] or {})
    if form["step_id"] == "band":
        form = await walk.send(BAND)
    assert form["step_id"] == "confirm"


WORKS_M = re.compile(r"^([0-9.]+) cm$")


@pytest.mark.parametrize(
    ("measure", "place", "changes", "field", "error"),
    [
        ("depth", {"sensor_zero": 8}, {}, "start", "start_unseen"),
        ("distance", {"sensor_face": 29}, {}, "full", "full_unseen"),
        ("distance", {"sensor_face": 31}, {}, "high", "high_unseen"),
        ("current", {"sensor_zero": 3, "span": 20}, {}, "full", "full_unseen"),
        ("distance", {"sensor_face": 6}, {}, "start", "start_range"),
    ],
)
async def test_marks_that_the_sensor_cannot_see_are_refused(
    walk: Walk,
    *,
    measure: str,
    place: dict[str, float],
    changes: dict[str, float],
    field: str,
    error: str,
) -> None:
    await walk.open()
    await walk.send(FIRST | {"measure": measure})
    needed = {key.schema for key in walk.form["data_schema"].schema}
    await walk.send({k: v for k, v in (BOX | place).items() if k in needed})
    values = BAND | changes
    form = await walk.send(values)
    assert form["errors"] == {field: error}
    # Taking the proposed value, field by field, leads through.
    for _ in range(4):
        match = WORKS_M.match(walk.placeholders["works"])
        assert match
        (field,) = form["errors"]
        values[field] = float(match[1])
        form = await walk.send(values)
        if form["step_id"] == "confirm":
            break
    assert form["step_id"] == "confirm"


async def test_everything_can_be_changed_later(
    hass: HomeAssistant,
    walk: Walk,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
    line: Callable[..., dict[str, Any]],
) -> None:
    walk.entry = add_system(
        "Lagoon two",
        vessel(
            temperature_source="sensor.lagoon_water",
            stale_after_s=930.0,
        ),
        line(longest_run_s=5400.0),
    )
    before, filling = walk.entry.subentries.values()
    _set(hass, "number.lagoon_tof", "120", "mm")
    await walk.open(before.subentry_id)
    assert {name: walk.shown(name) for name in FIRST} == FIRST
    # Another kind of source, and with it another place; its own name is not taken.
    await walk.send(FIRST | {"source": "number.lagoon_tof", "measure": "distance"})
    assert walk.shown("height") == 34
    await walk.send({"length": 30, "width": 30, "height": 34, "sensor_face": 36})
    shown = {name: walk.shown(name) for name in ("empty", "start", "full", "high")}
    assert shown == {"empty": 2, "start": 7, "full": 30, "high": 32}
    assert walk.shown("temperature_source") == "sensor.lagoon_water"
    assert walk.shown("signal", "stale_after") == {"hours": 0, "minutes": 15, "seconds": 30}
    # What fills it is the line's; only its longest run still bounds the age of a level.
    assert "filling" not in walk.form["data_schema"].schema
    reconfigured = {key: value for key, value in BAND.items() if key != "filling"}
    form = await walk.send(reconfigured | {"signal": {"stale_after": {"minutes": 23}}})
    assert form["errors"] == {"signal": "stale_slow"}
    assert walk.placeholders["works"] == "0:22:30"
    assert walk.shown("signal", "stale_after") == {"minutes": 23}
    # Optional entities are only suggested: left out, they are gone.
    await walk.send(reconfigured)
    result = await walk.send({})
    assert result["type"] is FlowResultType.ABORT
    assert result["reason"] == "reconfigure_successful"
    after, still = walk.entry.subentries.values()
    assert still == filling
    assert after.subentry_id == before.subentry_id
    assert after.data["source"] == "number.lagoon_tof"
    assert after.data["sensor_zero_m"] == 0.36
    for gone in ("temperature_source", "stale_after_s"):
        assert gone not in after.data


async def test_unusable_stored_settings_can_be_corrected(
    walk: Walk,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
) -> None:
    broken = vessel()
    broken["data"] = {"source": SOURCE}
    walk.entry = add_system("Lagoon two", broken)
    (before,) = walk.entry.subentries.values()
    await walk.open(before.subentry_id)
    assert walk.shown("source") == SOURCE
    await walk.all(FIRST, BOX, {key: BAND[key] for key in BAND if key != "filling"}, {})
    (after,) = walk.entry.subentries.values()
    assert vessel_settings(after.data).measure is Measure.DEPTH


async def test_marks_are_taken_live_from_the_sensor(hass: HomeAssistant, walk: Walk) -> None:
    # A face 40 cm above the floor: a distance of 37 cm leaves 3 cm of water (40 - 37).
    _set(hass, SOURCE, "37", "cm")
    await walk.open()
    await walk.send(FIRST | {"measure": "distance"})
    await walk.send({"length": 30, "width": 30, "height": 34, "sensor_face": 40})
    form = await walk.send(BAND | {"temperature_source": "sensor.t", "capture": "empty"})
    assert (form["step_id"], form["errors"]) == ("band", {})
    assert walk.shown("empty") == 3.0
    assert walk.shown("capture") is None
    # What else was typed stays.
    assert walk.shown("full") == 30
    assert walk.shown("temperature_source") == "sensor.t"
    _set(hass, SOURCE, "11.5", "cm")
    form = await walk.send(BAND | {"empty": 3.0, "capture": "full"})
    # 40 - 11.5.
    assert walk.shown("empty") == 3.0
    assert walk.shown("full") == 28.5
    await walk.send(BAND | {"empty": 3.0, "full": 28.5})
    await walk.send({})
    (subentry,) = walk.entry.subentries.values()
    assert (subentry.data["empty_m"], subentry.data["full_m"]) == (0.03, 0.285)
    assert "capture" not in subentry.data


async def test_a_mark_taken_in_inches(
    hass: HomeAssistant, imperial: HomeAssistant, walk: Walk
) -> None:
    _set(hass, SOURCE, "33.02", "cm")
    await walk.open()
    await walk.send(FIRST)
    await walk.send({"length": 12, "width": 12, "height": 15, "sensor_zero": 0})
    marks = {"empty": 1, "start": 3, "full": 12, "high": 14}
    await walk.send(BAND | marks | {"capture": "full"})
    # 33.02 cm / 2.54 cm (one inch by definition).
    assert walk.shown("full") == 13.0


@pytest.mark.parametrize(
    ("value", "error", "why"),
    [
        ("unavailable", "capture_none", "Source unavailable"),
        ("90", "capture_none", "Outside the vessel"),
        ("0.0", "capture_zero", None),
    ],
)
async def test_no_mark_is_taken_from_a_reading_that_is_not_to_be_believed(
    hass: HomeAssistant, walk: Walk, value: str, error: str, why: str | None
) -> None:
    _set(hass, SOURCE, "20", "cm")
    await walk.open()
    await walk.send(FIRST)
    await walk.send(BOX)
    _set(hass, SOURCE, value, "cm")
    form = await walk.send(BAND | {"capture": "empty"})
    assert form["errors"] == {"capture": error}
    assert walk.placeholders["raw"] == value
    assert walk.placeholders.get("why") == why
    assert walk.shown("empty") == 2
    # Typed marks go on without the sensor.
    assert (await walk.send(BAND))["step_id"] == "confirm"


async def test_a_zero_may_be_a_mark_where_it_is_not_suspect(
    hass: HomeAssistant, walk: Walk
) -> None:
    _set(hass, SOURCE, "0", "cm")
    await walk.open()
    await walk.send(FIRST)
    await walk.send(BOX)
    form = await walk.send(BAND | {"signal": {"zero_is_suspect": False}, "capture": "empty"})
    assert form["errors"] == {}
    assert walk.shown("empty") == 0.0


async def test_a_source_taken_while_the_form_was_open(
    walk: Walk,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
) -> None:
    await walk.open()
    await walk.all(FIRST, BOX, BAND)
    add_system("Nursery", vessel("Nursery reservoir", source=SOURCE))
    result = await walk.send({})
    assert result["type"] is FlowResultType.ABORT
    assert result["reason"] == "already_configured"
    assert not walk.entry.subentries


@pytest.mark.parametrize(
    ("language", "depth"),
    [("de", "Tiefe 20,3 cm"), ("nl", "diepte 20,3 cm"), ("cy", "depth 20.3 cm")],
)
async def test_texts_come_in_the_language_of_the_hub_or_in_english(
    hass: HomeAssistant, walk: Walk, language: str, depth: str
) -> None:
    hass.config.language = language
    _set(hass, SOURCE, "20.3", "cm")
    await walk.open()
    await walk.all(FIRST, BOX, BAND)
    assert depth in walk.placeholders["reading"]


def test_forms_convert_as_the_hub_does() -> None:
    """The hub's own converters are the reference for inches and gallons."""
    assert DistanceConverter.convert(15, "in", "m") == pytest.approx(0.381, abs=1e-12)
    assert VolumeConverter.convert(1, "gal", "L") == pytest.approx(3.785411784, abs=1e-12)


async def test_the_forms_reach_a_browser(
    hass: HomeAssistant, hass_client: Callable[..., Any]
) -> None:
    """Walk through both flows over the hub's HTTP interface, as the UI does."""
    assert await async_setup_component(hass, "config", {})
    _set(hass, SOURCE, "20.3", "cm")
    client = await hass_client()

    async def post(path: str, values: dict[str, Any]) -> Any:
        answer = await client.post(f"/api/config/config_entries/{path}", json=values)
        assert answer.status == HTTPStatus.OK, await answer.text()
        return await answer.json()

    form = await post("flow", {"handler": DOMAIN})
    result = await post(
        f"flow/{form['flow_id']}", {"name": "Lagoon", "volume": 450, "salinity": 35}
    )
    kind, flow_id = result["next_flow"]
    assert kind == "config_subentries_flow"
    path = f"subentries/flow/{flow_id}"
    form = await post(path, FIRST)
    height = next(field for field in form["data_schema"] if field["name"] == "height")
    assert height["selector"]["number"]["unit_of_measurement"] == "cm"
    form = await post(path, BOX)
    fields = {field["name"]: field for field in form["data_schema"]}
    assert fields["full"]["default"] == 29.5
    assert fields["filling"]["type"] == "expandable"
    assert fields["filling"]["expanded"] is False
    run = next(f for f in fields["filling"]["schema"] if f["name"] == "longest_run")
    assert run["default"] == {"hours": 2, "minutes": 0, "seconds": 0}
    form = await post(path, BAND | {"full": 40})
    assert form["errors"] == {"full": "full_range"}
    form = await post(path, BAND)
    assert form["step_id"] == "confirm"
    result = await post(path, {})
    assert result["type"] == "create_entry"
    (entry,) = hass.config_entries.async_entries(DOMAIN)
    (subentry,) = entry.subentries.values()
    assert subentry.title == "Lagoon reservoir"


NAMES = ("empty", "start", "full", "high")


@given(
    kind=st.sampled_from(list(Measure)),
    height_cm=st.floats(5, 200),
    place=st.floats(0, 1.5),
    marks=st.lists(st.floats(-10, 300), min_size=4, max_size=4),
    is_imperial=st.booleans(),
)
def test_a_value_that_is_said_to_work_works(
    *, kind: Measure, height_cm: float, place: float, marks: list[float], is_imperial: bool
) -> None:
    """From any marks, taking the proposed value each time ends without a refusal."""
    units = (
        FormUnits(UnitOfLength.INCHES, UnitOfVolume.GALLONS)
        if is_imperial
        else FormUnits(UnitOfLength.CENTIMETERS, UnitOfVolume.LITERS)
    )
    vessel = Box(0.3, 0.3, round(height_cm / 100, 6))
    data = {
        "measure": kind,
        "sensor_zero_m": round(place * vessel.height_m * 0.6 + 0.005 * (kind == "distance"), 6),
        "span_m": round(vessel.height_m * 0.7, 6),
        **{f"{name}_m": units.to_m(mark) for name, mark in zip(NAMES, marks, strict=True)},
    }
    for _ in range(5):
        try:
            check_marks(data, vessel, units)
        except Refusal as refusal:
            value = float(refusal.placeholders["works"].split()[0])
            data[f"{refusal.field}_m"] = units.to_m(value)
        else:
            break
    check_marks(data, vessel, units)
    assert data["empty_m"] < data["start_m"] < data["full_m"] <= data["high_m"]
