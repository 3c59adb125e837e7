"""Sump and mixing vat: their forms, and that everything takes them for vessels."""

from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest
from custom_components.stillwell.const import DOMAIN, SUBENTRY_FILL_LINE
from custom_components.stillwell.system_health import _shown
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from pytest_homeassistant_custom_component.common import MockConfigEntry

from .conftest import fill_line, reservoir_data
from .lab import VALVE, Lab
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from homeassistant.core import HomeAssistant

SOURCE = "sensor.lagoon_sump"
PUMP = "switch.lagoon_return"
FIRST = {"name": "Lagoon sump", "source": SOURCE, "measure": "depth", "shape": "box"}
BOX = {"length": 60, "width": 40, "height": 40, "sensor_zero": 0}
"""0.24 m2: 2.4 L a centimetre, 96 L in all."""
BAND = {"empty": 8, "start": 16, "full": 17.5, "high": 25, "filling": {}, "signal": {}}
AGAIN = {key: value for key, value in BAND.items() if key != "filling"}
"""A vessel that is there already is not asked what fills it."""
SUMP = {"rim": 38, "return_pump": PUMP, "display_surface": 0.72}
VAT_FIRST = FIRST | {"name": "Lagoon vat", "source": "sensor.lagoon_vat"}
VAT = {"target_salinity": 35.0, "salinity_at_25": True, "salt_water": 5.0}


def sump(title: str = "Lagoon sump", **changes: Any) -> dict[str, Any]:
    """Return a sump as a subentry: a box of 60 cm by 40 cm by 40 cm; None leaves out."""
    data = reservoir_data(
        source=SOURCE,
        shape={"kind": "box", "length_m": 0.6, "width_m": 0.4, "height_m": 0.4},
        empty_m=0.08,
        start_m=0.16,
        full_m=0.175,
        high_m=0.25,
        replaces_evaporation=True,
    )
    data |= changes
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": title.lower().replace(" ", "_"),
        "subentry_type": "sump",
        "title": title,
        "unique_id": None,
    }


def vat(title: str = "Lagoon vat", **changes: Any) -> dict[str, Any]:
    """Return a mixing vat as a subentry: a box of 50 cm by 40 cm by 60 cm; None leaves out."""
    data = reservoir_data(
        source="sensor.lagoon_vat",
        shape={"kind": "box", "length_m": 0.5, "width_m": 0.4, "height_m": 0.6},
        empty_m=0.02,
        start_m=0.1,
        full_m=0.5,
        high_m=0.55,
        zero_is_suspect=False,
    )
    data |= changes
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": title.lower().replace(" ", "_"),
        "subentry_type": "mixing_vat",
        "title": title,
        "unique_id": None,
    }


# The forms


@pytest.fixture
def _entry_is_not_set_up() -> Iterator[None]:
    """Keep the system itself out: here only the forms are looked at."""
    with patch("custom_components.stillwell.async_setup_entry", return_value=True):
        yield


@pytest.fixture
def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    _entry_is_not_set_up: None,
) -> Walk:
    """Return a walk through the forms of the sump of a system without vessels."""
    hass.states.async_set(SOURCE, "16.4", {"unit_of_measurement": "cm"})
    return Walk(hass, add_system("Lagoon"), check_form, kind="sump")


async def test_a_sump_is_added_with_its_top_off_line(walk: Walk) -> None:
    await walk.open()
    await walk.send(FIRST)
    await walk.send(BOX)
    assert walk.shown("replaces_evaporation") is True
    await walk.send(BAND | {"filling": {"fill_device": "switch.top_off"}})
    assert walk.form["step_id"] == "sump"
    assert (await walk.send(SUMP))["step_id"] == "confirm"
    await walk.send({"go_back": True})
    await walk.all(FIRST, BOX, BAND | {"filling": {"fill_device": "switch.top_off"}})
    assert walk.shown("rim") == SUMP["rim"]
    assert (await walk.send(SUMP))["step_id"] == "confirm"
    # 0.6 m x 0.4 m x 0.164 m = 39.36 L; the top-off ends at 0.175 m, 42 L: 94 %.
    assert "39.4 L, 94 % full" in walk.placeholders["reading"]
    assert (await walk.send({}))["type"] is FlowResultType.CREATE_ENTRY
    stored, line = walk.entry.subentries.values()
    assert stored.subentry_type == "sump"
    assert stored.data["replaces_evaporation"] is True
    assert stored.data["rim_m"] == 0.38
    assert stored.data["return_pump"] == PUMP
    assert stored.data["display_surface_m2"] == 0.72
    # What tops it off brings fresh water straight to the animals: it has the cap of one run.
    assert line.subentry_type == SUBENTRY_FILL_LINE
    assert line.data["feeds_system"] is True
    assert line.data["destination"] == stored.subentry_id
    # The way back shows what is stored, and what is emptied is forgotten.
    await walk.open(stored.subentry_id)
    await walk.all(FIRST, BOX, AGAIN)
    assert [walk.shown(key) for key in SUMP] == [38.0, PUMP, 0.72]
    await walk.all({}, {})
    stored = walk.entry.subentries[stored.subentry_id]
    assert not {"rim_m", "return_pump", "display_surface_m2"} & set(stored.data)


async def test_a_sump_in_inches_and_square_feet(walk: Walk, imperial: HomeAssistant) -> None:
    """Top-off on below 6 in, off above 7 in of a strip of 15 in: common practice, no source."""
    imperial.states.async_set(SOURCE, "6.2", {"unit_of_measurement": "in"})
    await walk.open()
    await walk.all(FIRST, {"length": 16, "width": 10, "height": 15, "sensor_zero": 0})
    # One inch of 16 in x 10 in is 160 cubic inches, 2.62 L: less than 0.8 % of 450 L, 3.6 L.
    assert [walk.shown(mark) for mark in ("empty", "start", "full", "high")] == [3, 6, 7, 9]
    await walk.all({"filling": {}, "signal": {}})
    assert walk.placeholders["area_unit"] == "ft²"
    await walk.all({"display_surface": 7.75}, {})
    (stored,) = walk.entry.subentries.values()
    # 1 ft = 0.3048 m exactly.
    assert stored.data["display_surface_m2"] == pytest.approx(7.75 * 0.3048**2, abs=1e-6)


async def test_the_proposed_top_off_is_never_too_much_fresh_water(walk: Walk) -> None:
    await walk.open()
    await walk.all(FIRST, BOX)
    # A fifteenth of 40 cm is 2.67 cm, 6.4 L; one run may bring 1 % of 450 L, 4.5 L.
    start, full = walk.shown("start"), walk.shown("full")
    assert start == 16.0
    assert 0.0 < (full - start) * 2.4 <= 4.5
    device = {"filling": {"fill_device": "switch.top_off"}}
    form = await walk.send(BAND | {"full": 18.7} | device)
    assert form["errors"] == {"full": "full_over_cap"}
    assert walk.placeholders["band"] == "6.5 L"
    assert walk.placeholders["cap"] == "4.5 L"
    works = float(walk.placeholders["works"].removesuffix(" cm"))
    form = await walk.send(BAND | {"full": works} | device)
    assert form["step_id"] == "sump"


@pytest.mark.parametrize(
    ("wrong", "field", "error"),
    [
        ({"rim": 24.9}, "rim", "rim_range"),
        ({"rim": 40.1}, "rim", "rim_range"),
        ({"display_surface": 0}, "display_surface", "surface_range"),
        ({"display_surface": 1001}, "display_surface", "surface_range"),
    ],
)
async def test_what_no_sump_has_is_refused(
    walk: Walk, wrong: dict[str, Any], field: str, error: str
) -> None:
    await walk.open()
    await walk.all(FIRST, BOX, BAND)
    form = await walk.send(SUMP | wrong)
    assert form["errors"] == {field: error}
    works = float(walk.placeholders["works"].split()[0])
    assert (await walk.send(SUMP | {field: works}))["step_id"] == "confirm"


async def test_a_mixing_vat_is_added_and_changed(walk: Walk) -> None:
    walk.kind = "mixing_vat"
    walk.hass.states.async_set("sensor.vat_ec", "53.1", {"unit_of_measurement": "mS/cm"})
    await walk.open()
    await walk.all(VAT_FIRST, BOX)
    assert walk.shown("replaces_evaporation") is False
    assert walk.shown("full") == pytest.approx(40 * 13 / 15, abs=0.05)
    await walk.all(BAND)
    assert walk.shown("target_salinity") == 35.0  # the system's
    assert walk.shown("salt_water") == 0.0
    await walk.all(VAT | {"salinity_source": "sensor.vat_ec"}, {})
    (stored,) = walk.entry.subentries.values()
    assert stored.subentry_type == "mixing_vat"
    assert stored.data["target_psu"] == 35.0
    assert stored.data["salinity_source"] == "sensor.vat_ec"
    assert stored.data["salinity_at_25"] is True
    assert stored.data["salt_water_frac"] == pytest.approx(0.05)
    await walk.open(stored.subentry_id)
    await walk.all(VAT_FIRST, BOX, AGAIN)
    assert walk.shown("salt_water") == 5.0
    assert walk.shown("salinity_source") == "sensor.vat_ec"
    await walk.all({**VAT, "target_salinity": 33.0}, {})
    stored = walk.entry.subentries[stored.subentry_id]
    assert stored.data["target_psu"] == 33.0
    assert "salinity_source" not in stored.data


VAT_REFUSED: list[tuple[dict[str, Any], str, str]] = [
    ({"target_salinity": 1.9}, "target_salinity", "target_range"),
    ({"target_salinity": 53}, "target_salinity", "target_range"),
    ({"salt_water": -1}, "salt_water", "salt_water_range"),
    ({"salt_water": 31}, "salt_water", "salt_water_range"),
    ({"salinity_source": "sensor.gravity"}, "salinity_source", "salinity_unit"),
    ({"salinity_source": "sensor.ppm"}, "salinity_source", "salinity_unit"),
    (
        {"salinity_source": "sensor.vat_ec", "salinity_at_25": False},
        "salinity_source",
        "salinity_needs_temperature",
    ),
]


@pytest.mark.parametrize(("wrong", "field", "error"), VAT_REFUSED)
async def test_what_no_vat_has_is_refused(
    walk: Walk, wrong: dict[str, Any], field: str, error: str
) -> None:
    walk.kind = "mixing_vat"
    walk.hass.states.async_set("sensor.vat_ec", "53100", {"unit_of_measurement": "µS/cm"})
    walk.hass.states.async_set("sensor.gravity", "1.026")
    walk.hass.states.async_set("sensor.ppm", "500", {"unit_of_measurement": "ppm"})
    await walk.open()
    await walk.all(VAT_FIRST, BOX, BAND)
    form = await walk.send(VAT | wrong)
    assert form["errors"] == {field: error}
    assert (await walk.send(VAT))["step_id"] == "confirm"


async def test_vessels_of_all_kinds_share_names_and_sources(
    walk: Walk, add_system: Callable[..., MockConfigEntry]
) -> None:
    walk.entry = add_system("Nursery", sump("Nursery sump", source="sensor.n"), vat("Nursery vat"))
    walk.kind = "reservoir"
    await walk.open()
    form = await walk.send(FIRST | {"name": "nursery VAT", "source": "sensor.o"})
    assert form["errors"] == {"name": "name_taken"}
    form = await walk.send(FIRST | {"source": "sensor.n"})
    assert form["errors"] == {"source": "source_taken"}
    # A line may lead into any of them, and draw from any.
    walk.kind = "fill_line"
    form = await walk.open()
    options = form["data_schema"].schema["destination"].config["options"]
    assert [option["value"] for option in options] == ["nursery_sump", "nursery_vat"]


# In the hub


async def test_every_kind_lives_as_a_vessel(lab: Lab) -> None:
    hass = lab.hass
    line = fill_line("lagoon_sump", "Lagoon top-off", device=VALVE, source_vessel="lagoon_vat")
    for source, level in ((SOURCE, "17"), ("sensor.lagoon_vat", "30")):
        hass.states.async_set(source, level, {"unit_of_measurement": "cm"})
    await lab.set_up(sump(return_pump=PUMP), vat(), line)
    for _ in range(6):
        await lab.wait(20.0)
        for source, level in ((SOURCE, "17.0"), ("sensor.lagoon_vat", "30.0")):
            hass.states.async_set(source, level, {"unit_of_measurement": "cm"}, force_update=True)
        await hass.async_block_till_done()

    def shown(subentry_id: str, key: str) -> str:
        unique_id = f"{subentry_id}_{key}"
        entity_id = er.async_get(hass).async_get_entity_id("sensor", DOMAIN, unique_id)
        assert entity_id is not None
        return hass.states.get(entity_id).state

    # 0.24 m2 x 0.17 m and 0.2 m2 x 0.3 m.
    assert float(shown("lagoon_vat", "volume")) == pytest.approx(60.0, abs=0.1)
    assert shown("lagoon_sump", "evaporation_per_day") == "unknown"
    assert (await _shown(hass))["vessels"] == 3
    made = await hass.services.async_call(
        DOMAIN, "dashboard", {}, blocking=True, return_response=True
    )
    headings = [
        card["heading"]
        for view in made["views"]
        for section in view["sections"]
        for card in section["cards"]
        if card["type"] == "heading"
    ]
    assert {"Lagoon reservoir", "Lagoon sump", "Lagoon vat"} <= set(headings)
    # The line heard of the sump's own pump: while that is not known to run, nothing starts.
    assert lab.watch.guard_settings.has_return_pump
    assert lab.watch.settings.return_pump == PUMP
    assert lab.watch.block_reason == "return_pump"


@pytest.mark.parametrize(
    ("made", "what"),
    [
        (sump(rim_m=0.2), "rim_m"),
        (sump(rim_m=0.5), "rim_m"),
        (sump(display_surface_m2=-1.0), "display_surface_m2"),
        (vat(target_psu=350.0), "target_psu"),
        (vat(salt_water_frac=5.0), "salt_water_frac"),
    ],
)
async def test_settings_that_are_no_use_are_told(
    lab: Lab, texts: dict[str, Any], made: dict[str, Any], what: str
) -> None:
    await lab.set_up(made)
    subentry_id = made["subentry_id"]
    issue = ir.async_get(lab.hass).async_get_issue(DOMAIN, f"vessel_settings_invalid_{subentry_id}")
    assert issue is not None
    # By the name a keeper knows, not by the key it is stored under.
    assert issue.translation_placeholders["error"].startswith(texts["common"][f"term_{what}"])
    assert set(lab.entry.runtime_data.vessels) == {"lagoon_reservoir"}
