"""Shared set-up of the tests that run in a hub."""

import json
import os
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING, Any

import custom_components.stillwell as package
import pytest
from custom_components.stillwell.const import (
    CONFIG_MINOR_VERSION,
    CONFIG_VERSION,
    DOMAIN,
    SUBENTRY_FILL_LINE,
    SUBENTRY_RESERVOIR,
)
from homeassistant.data_entry_flow import section
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM
from pytest_homeassistant_custom_component.common import MockConfigEntry

if TYPE_CHECKING:
    from collections.abc import Callable

    from freezegun.api import FrozenDateTimeFactory
    from homeassistant.core import HomeAssistant

    from .lab import Lab

BEGINS = "2026-03-02 10:00:00+00:00"
"""A Monday; STILLWELL_TESTS_BEGIN names another, to see the tests at another time."""

PACKAGE_DIR = Path(package.__file__).parent


@pytest.fixture(autouse=True)
def _stillwell_is_installed(enable_custom_integrations: None) -> None:
    """Let the hub find custom integrations."""


@pytest.fixture
def hass_config_dir(hass_tmp_config_dir: str) -> str:
    """Give every test a configuration folder of its own: stores are really written."""
    return hass_tmp_config_dir


@pytest.fixture(scope="session")
def texts() -> dict[str, Any]:
    """Return the English texts."""
    path = PACKAGE_DIR / "translations" / "en.json"
    loaded: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return loaded


@pytest.fixture
def imperial(hass: HomeAssistant) -> HomeAssistant:
    """Return a hub in inches and gallons."""
    hass.config.units = US_CUSTOMARY_SYSTEM
    return hass


def reservoir_data(**changes: Any) -> dict[str, Any]:
    """Return the stored form of a box 30 cm by 30 cm by 34 cm, with changes; None leaves out."""
    data: dict[str, Any] = {
        "source": "sensor.lagoon_level",
        "measure": "depth",
        "sensor_zero_m": 0.0,
        "shape": {"kind": "box", "length_m": 0.3, "width_m": 0.3, "height_m": 0.34},
        "empty_m": 0.02,
        "start_m": 0.07,
        "full_m": 0.3,
        "high_m": 0.32,
        "replaces_evaporation": False,
        "zero_is_suspect": True,
    } | changes
    return {key: value for key, value in data.items() if value is not None}


def reservoir(title: str = "Lagoon reservoir", **changes: Any) -> dict[str, Any]:
    """Return a reservoir as a subentry."""
    return {
        "data": reservoir_data(**changes),
        "subentry_id": title.lower().replace(" ", "_"),
        "subentry_type": SUBENTRY_RESERVOIR,
        "title": title,
        "unique_id": None,
    }


def fill_line(
    vessel_id: str = "lagoon_reservoir", title: str = "Lagoon reservoir fill line", **changes: Any
) -> dict[str, Any]:
    """Return a fill line into a vessel as a subentry; None leaves out."""
    data = {
        "destination": vessel_id,
        "device": "input_boolean.lagoon_valve",
        "longest_run_s": 7200.0,
    } | changes
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": title.lower().replace(" ", "_"),
        "subentry_type": SUBENTRY_FILL_LINE,
        "title": title,
        "unique_id": None,
    }


@pytest.fixture
def line() -> Callable[..., dict[str, Any]]:
    """Return the function that makes a fill line subentry."""
    return fill_line


@pytest.fixture
def vessel() -> Callable[..., dict[str, Any]]:
    """Return the function that makes a reservoir subentry."""
    return reservoir


@pytest.fixture
def check_form(texts: dict[str, Any]) -> Callable[[Any], None]:
    """Return a check that every word of a form, an error or an abort has its text.

    The hub's own test of this is not shipped; a text whose placeholder is not filled in
    shows the user an error instead of the text.
    """

    def check(result: Any) -> None:
        handler = result["handler"]
        is_vessel = isinstance(handler, tuple)
        root = texts["config_subentries"][handler[1]] if is_vessel else texts["config"]
        given = set(result["description_placeholders"] or {})
        step = root["step"][result["step_id"]]
        used = [step["title"], step["description"]]
        for name, kind in result["data_schema"].schema.items():
            if isinstance(kind, section):
                part = step["sections"][name]
                used += [part["name"], part["description"]]
                for inner in kind.schema.schema:
                    used += [part["data"][inner], part["data_description"][inner]]
            else:
                used += [step["data"][name], step["data_description"][name]]
        used += [root["error"][error] for error in (result["errors"] or {}).values()]
        for text in used:
            missing = {field for _, field, _, _ in Formatter().parse(text) if field} - given
            assert not missing, f"{missing} not filled in: {text}"

    return check


@pytest.fixture
def add_system(hass: HomeAssistant) -> Callable[..., MockConfigEntry]:
    """Return a function that adds a water system with its vessels, not yet set up."""

    def add(name: str = "Lagoon", *vessels: dict[str, Any]) -> MockConfigEntry:
        entry = MockConfigEntry(
            domain=DOMAIN,
            title=name,
            data={"volume_l": 450.0, "salinity_psu": 35.0},
            version=CONFIG_VERSION,
            minor_version=CONFIG_MINOR_VERSION,
            subentries_data=list(vessels),
        )
        entry.add_to_hass(hass)
        return entry

    return add


@pytest.fixture
def freezer(freezer: FrozenDateTimeFactory) -> FrozenDateTimeFactory:
    """Stop the clock at a moment of its own: no test may depend on when it is run."""
    freezer.move_to(os.environ.get("STILLWELL_TESTS_BEGIN", BEGINS))
    return freezer


@pytest.fixture
def lab(hass: HomeAssistant, freezer: FrozenDateTimeFactory) -> Lab:
    """Return the lab's Lagoon system, not set up yet."""
    from .lab import Lab  # noqa: PLC0415 - it imports this file

    return Lab(hass, freezer)
