"""Setting up a water system in the UI."""

from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest
from custom_components.stillwell.const import CONFIG_VERSION, DOMAIN, SUBENTRY_RESERVOIR
from custom_components.stillwell.migration import async_migrate_entry
from homeassistant.config_entries import SOURCE_USER, ConfigEntryState
from homeassistant.data_entry_flow import FlowResultType
from pytest_homeassistant_custom_component.common import MockConfigEntry

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from homeassistant.core import HomeAssistant

LAGOON = {"name": "Lagoon", "volume": 450, "salinity": 35}


@pytest.fixture(autouse=True)
def _entry_is_not_set_up() -> Iterator[None]:
    """Keep the system itself out: here only the forms are looked at."""
    with patch("custom_components.stillwell.async_setup_entry", return_value=True):
        yield


async def _open(hass: HomeAssistant) -> Any:
    return await hass.config_entries.flow.async_init(DOMAIN, context={"source": SOURCE_USER})


async def test_a_system_is_added_and_its_first_vessel_offered(
    hass: HomeAssistant, check_form: Callable[[Any], None]
) -> None:
    form = await _open(hass)
    check_form(form)
    assert form["step_id"] == "user"
    result = await hass.config_entries.flow.async_configure(form["flow_id"], LAGOON)
    assert result["type"] is FlowResultType.CREATE_ENTRY
    assert result["title"] == "Lagoon"
    assert result["data"] == {"volume_l": 450.0, "salinity_psu": 35.0}
    assert result["version"] == CONFIG_VERSION
    kind, flow_id = result["next_flow"]
    assert kind == "config_subentries_flow"
    first = hass.config_entries.subentries.async_get(flow_id)
    assert first["handler"] == (result["result"].entry_id, SUBENTRY_RESERVOIR)
    assert first["step_id"] == "user"


async def test_gallons_are_asked_for_in_an_imperial_hub(imperial: HomeAssistant) -> None:
    form = await _open(imperial)
    volume = next(v for k, v in form["data_schema"].schema.items() if k == "volume")
    assert volume.config["unit_of_measurement"] == "gal"
    result = await imperial.config_entries.flow.async_configure(
        form["flow_id"], LAGOON | {"volume": 120}
    )
    # US gallon = 231 cubic inches = 3.785411784 L (NIST Handbook 44, appendix C).
    assert result["data"]["volume_l"] == pytest.approx(454.249414, abs=1e-6)


@pytest.mark.parametrize(
    ("wrong", "field", "error"),
    [
        ({"name": "  "}, "name", "name_empty"),
        ({"name": "nursery"}, "name", "name_taken"),
        ({"volume": 0.5}, "volume", "volume_range"),
        ({"volume": 2e6}, "volume", "volume_range"),
        ({"salinity": 43}, "salinity", "salinity_range"),
    ],
)
async def test_a_wrong_entry_is_named_and_can_be_corrected(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    *,
    wrong: dict[str, Any],
    field: str,
    error: str,
) -> None:
    add_system("Nursery")
    add_system("Nursery 2")
    form = await _open(hass)
    form = await hass.config_entries.flow.async_configure(form["flow_id"], LAGOON | wrong)
    assert form["type"] is FlowResultType.FORM
    assert form["errors"] == {field: error}
    check_form(form)
    # What was typed is still there.
    assert _suggested(form, "volume") == (LAGOON | wrong)["volume"]
    if error == "name_taken":
        assert form["description_placeholders"]["other_name"] == "nursery 3"
    result = await hass.config_entries.flow.async_configure(form["flow_id"], LAGOON)
    assert result["type"] is FlowResultType.CREATE_ENTRY


async def test_a_system_is_changed_and_keeps_its_vessels(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    vessel: Callable[..., dict[str, Any]],
) -> None:
    add_system("Nursery")
    entry = add_system("Lagoon", vessel())
    form = await entry.start_reconfigure_flow(hass)
    check_form(form)
    assert form["step_id"] == "reconfigure"
    assert _suggested(form, "volume") == 450
    form = await hass.config_entries.flow.async_configure(
        form["flow_id"], LAGOON | {"name": "Nursery"}
    )
    assert form["errors"] == {"name": "name_taken"}
    check_form(form)
    result = await hass.config_entries.flow.async_configure(
        form["flow_id"], {"name": " Lagoon east ", "volume": 470, "salinity": 34}
    )
    assert result["type"] is FlowResultType.ABORT
    assert result["reason"] == "reconfigure_successful"
    assert entry.title == "Lagoon east"
    assert dict(entry.data) == {"volume_l": 470.0, "salinity_psu": 34.0}
    assert len(entry.subentries) == 1
    assert len(hass.config_entries.async_entries(DOMAIN)) == 2


async def test_a_volume_left_as_shown_in_gallons_stays_the_same(
    imperial: HomeAssistant, add_system: Callable[..., MockConfigEntry]
) -> None:
    """450 L are 118.87742 gal, and those are 449.999987 L (3.785411784 L a gallon)."""
    entry = add_system("Lagoon")
    form = await entry.start_reconfigure_flow(imperial)
    shown = _suggested(form, "volume")
    assert shown == pytest.approx(118.87742, abs=1e-5)
    await imperial.config_entries.flow.async_configure(
        form["flow_id"], {"name": "Lagoon east", "volume": shown, "salinity": 35}
    )
    assert entry.title == "Lagoon east"
    assert entry.data["volume_l"] == 450.0


async def test_its_own_name_is_not_taken(
    hass: HomeAssistant, add_system: Callable[..., MockConfigEntry]
) -> None:
    entry = add_system("Lagoon")
    form = await entry.start_reconfigure_flow(hass)
    result = await hass.config_entries.flow.async_configure(form["flow_id"], LAGOON)
    assert result["reason"] == "reconfigure_successful"


@pytest.mark.parametrize(
    ("version", "minor_version", "is_usable"),
    [(1, 1, True), (1, 9, True), (2, 1, False)],
)
async def test_settings_of_other_versions(
    hass: HomeAssistant, version: int, minor_version: int, is_usable: bool
) -> None:
    entry = MockConfigEntry(domain=DOMAIN, version=version, minor_version=minor_version)
    entry.add_to_hass(hass)
    assert await async_migrate_entry(hass, entry) is is_usable


async def test_the_hub_refuses_settings_of_a_later_release(hass: HomeAssistant) -> None:
    entry = MockConfigEntry(domain=DOMAIN, version=CONFIG_VERSION + 1)
    entry.add_to_hass(hass)
    assert not await hass.config_entries.async_setup(entry.entry_id)
    assert entry.state is ConfigEntryState.MIGRATION_ERROR


def _suggested(form: Any, name: str) -> Any:
    key = next(key for key in form["data_schema"].schema if key == name)
    return key.description["suggested_value"]
