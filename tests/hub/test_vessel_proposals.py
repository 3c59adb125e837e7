"""What the forms of a new reservoir propose, and the blueprints that come along if asked for."""

import errno
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest
from custom_components.stillwell.blueprint_care import ISSUE_ABSENT, async_offer
from custom_components.stillwell.blueprint_files import SHIPPED
from custom_components.stillwell.const import DOMAIN
from homeassistant.const import ATTR_FRIENDLY_NAME, ATTR_UNIT_OF_MEASUREMENT
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir

from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry

SOURCE = "sensor.strip_one"
FIRST = {"name": "Lagoon reservoir", "source": SOURCE, "measure": "depth", "shape": "box"}
BOX = {"length": 30, "width": 30, "height": 34, "sensor_zero": 0}
BAND = {"empty": 2, "start": 7, "full": 30, "high": 32, "filling": {}, "signal": {}}

type Add = Callable[..., MockConfigEntry]


@pytest.fixture(autouse=True)
def _entry_is_not_set_up() -> Iterator[None]:
    """Keep the system itself out: here only the forms are looked at."""
    with patch("custom_components.stillwell.async_setup_entry", return_value=True):
        yield


@pytest.fixture
def walk(hass: HomeAssistant, add_system: Add, check_form: Callable[[Any], None]) -> Walk:
    return Walk(hass, add_system("Lagoon"), check_form)


def _level(hass: HomeAssistant, entity_id: str, name: str, unit: str = "cm") -> None:
    hass.states.async_set(
        entity_id, "20.3", {ATTR_FRIENDLY_NAME: name, ATTR_UNIT_OF_MEASUREMENT: unit}
    )


async def test_the_name_is_that_of_the_system(
    hass: HomeAssistant, walk: Walk, add_system: Add, vessel: Callable[..., dict[str, Any]]
) -> None:
    await walk.open()
    assert walk.shown("name") == "Lagoon reservoir"
    second = add_system("Lagoon", vessel("Lagoon reservoir"))
    walk = Walk(hass, second, walk.check_form)
    await walk.open()
    assert walk.shown("name") == "Lagoon reservoir 2"


@pytest.mark.parametrize("unit", ["mm", "cm", "m", "in"])
async def test_the_only_level_is_proposed(hass: HomeAssistant, walk: Walk, unit: str) -> None:
    _level(hass, SOURCE, "Strip one", unit)
    # None of these is a level: too long, another quantity, nothing to read.
    _level(hass, "sensor.phone_home", "Phone", "km")
    _level(hass, "sensor.water", "Water", "°C")
    hass.states.async_set("sensor.gone", "unavailable", {ATTR_UNIT_OF_MEASUREMENT: "cm"})
    _level(hass, "binary_sensor.odd", "Odd")
    await walk.open()
    assert walk.shown("source") == SOURCE


async def test_of_several_the_one_of_the_system_s_name_is_proposed(
    hass: HomeAssistant, walk: Walk
) -> None:
    _level(hass, "sensor.strip_two", "Nursery strip")
    _level(hass, "sensor.strip_three", "Bench strip")
    await walk.open()
    assert walk.shown("source") is None
    _level(hass, SOURCE, "Level of the lagoon")
    await walk.open()
    assert walk.shown("source") == SOURCE
    # Two of the name: nobody knows which.
    _level(hass, "sensor.strip_four", "Lagoon sump")
    await walk.open()
    assert walk.shown("source") is None


async def test_what_is_taken_or_our_own_is_not_proposed(
    hass: HomeAssistant, walk: Walk, add_system: Add, vessel: Callable[..., dict[str, Any]]
) -> None:
    _level(hass, SOURCE, "Strip one")
    add_system("Nursery", vessel("Nursery reservoir", source=SOURCE))
    own = er.async_get(hass).async_get_or_create("sensor", DOMAIN, "x_depth")
    _level(hass, own.entity_id, "Lagoon depth")
    await walk.open()
    assert walk.shown("source") is None


async def test_no_proposal_where_something_is_stored(
    hass: HomeAssistant,
    add_system: Add,
    vessel: Callable[..., dict[str, Any]],
    check_form: Callable[[Any], None],
) -> None:
    _level(hass, SOURCE, "Lagoon strip")
    walk = Walk(hass, add_system("Lagoon", vessel("Mix")), check_form)
    await walk.open("mix")
    assert walk.shown("name") == "Mix"
    assert walk.shown("source") == "sensor.lagoon_level"


def _folder(hass: HomeAssistant) -> Path:
    return Path(hass.config.config_dir, "blueprints", "automation", "stillwell")


async def _to_confirm(hass: HomeAssistant, walk: Walk) -> Any:
    _level(hass, SOURCE, "Strip one")
    await walk.open()
    return await walk.all(FIRST, BOX, BAND)


async def test_the_blueprints_come_along_on_the_keeper_s_word(
    hass: HomeAssistant, walk: Walk, issue_registry: ir.IssueRegistry
) -> None:
    await async_offer(hass)
    assert issue_registry.async_get_issue(DOMAIN, ISSUE_ABSENT)
    await _to_confirm(hass, walk)
    assert walk.shown("install_blueprints") is False
    form = await walk.send({"install_blueprints": True})
    assert form["type"] is FlowResultType.CREATE_ENTRY
    written = {path.name: path.read_bytes() for path in _folder(hass).glob("*.yaml")}
    assert written == {path.name: path.read_bytes() for path in SHIPPED.glob("*.yaml")}
    # What was done here is not asked for again.
    assert issue_registry.async_get_issue(DOMAIN, ISSUE_ABSENT) is None


async def test_without_the_word_nothing_is_written(hass: HomeAssistant, walk: Walk) -> None:
    await _to_confirm(hass, walk)
    form = await walk.send({})
    assert form["type"] is FlowResultType.CREATE_ENTRY
    assert not _folder(hass).exists()


async def test_blueprints_that_cannot_be_written_do_not_keep_the_reservoir_out(
    hass: HomeAssistant, walk: Walk
) -> None:
    await _to_confirm(hass, walk)
    full = OSError(errno.ENOSPC, "No space left on device", str(_folder(hass)))
    with patch("custom_components.stillwell.blueprint_care.install", side_effect=full):
        form = await walk.send({"install_blueprints": True})
    assert form["errors"] == {"install_blueprints": "not_written"}
    assert walk.placeholders["why"] == (
        "no space left for the folder blueprints/automation/stillwell"
    )
    assert not walk.entry.subentries
    form = await walk.send({"install_blueprints": False})
    assert form["type"] is FlowResultType.CREATE_ENTRY


async def test_the_blueprints_are_offered_to_newcomers_only(
    hass: HomeAssistant, walk: Walk
) -> None:
    await _to_confirm(hass, walk)
    await walk.send({})
    (vessel_id,) = walk.entry.subentries
    await walk.open(vessel_id)
    form = await walk.all(FIRST, BOX, {key: BAND[key] for key in BAND if key != "filling"})
    assert form["step_id"] == "confirm"
    assert "install_blueprints" not in form["data_schema"].schema


async def test_blueprints_that_are_there_are_not_offered(hass: HomeAssistant, walk: Walk) -> None:
    def keep_one() -> None:
        _folder(hass).mkdir(parents=True)
        shutil.copy(next(SHIPPED.glob("*.yaml")), _folder(hass))

    await hass.async_add_executor_job(keep_one)
    form = await _to_confirm(hass, walk)
    assert "install_blueprints" not in form["data_schema"].schema


async def test_where_nobody_can_look_nothing_is_offered(hass: HomeAssistant, walk: Walk) -> None:
    with patch("custom_components.stillwell.blueprint_care.compare", side_effect=OSError("gone")):
        form = await _to_confirm(hass, walk)
    assert "install_blueprints" not in form["data_schema"].schema
