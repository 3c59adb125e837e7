"""Stored choices as checked settings."""

from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.engine.geometry import Box, GeometryError
from custom_components.stillwell.settings import (
    FillSettings,
    Measure,
    SettingsError,
    SystemSettings,
    VesselSettings,
    system_settings,
    vessel_settings,
    zero_is_suspect_by_default,
)
from pytest_homeassistant_custom_component.common import MockConfigEntry

if TYPE_CHECKING:
    from collections.abc import Callable


@pytest.fixture(autouse=True)
def _stillwell_is_installed() -> None:
    """No hub runs here: the tests are many and small."""


@pytest.fixture
def data(vessel: Callable[..., dict[str, Any]]) -> Callable[..., dict[str, Any]]:
    """Return a function that gives a reservoir's data with changes."""

    def make(**changes: Any) -> dict[str, Any]:
        made: dict[str, Any] = vessel(**changes)["data"]
        return made

    return make


def test_a_full_vessel(data: Callable[..., dict[str, Any]]) -> None:
    settings = vessel_settings(
        data(
            temperature_source="sensor.lagoon_water",
            replaces_evaporation=True,
            stale_after_s=900,
            fill_device="switch.lagoon_valve",
            longest_run_s=5400,
            high_inputs=["binary_sensor.float"],
            leak_inputs=["binary_sensor.floor", "binary_sensor.cupboard"],
        )
    )
    assert settings == VesselSettings(
        source="sensor.lagoon_level",
        measure=Measure.DEPTH,
        sensor_zero_m=0.0,
        span_m=None,
        vessel=Box(0.3, 0.3, 0.34),
        empty_m=0.02,
        start_m=0.07,
        full_m=0.3,
        high_m=0.32,
        temperature_source="sensor.lagoon_water",
        replaces_evaporation=True,
        zero_is_suspect=True,
        stale_after_s=900.0,
        fill=FillSettings(
            device="switch.lagoon_valve",
            longest_run_s=5400.0,
            high_inputs=("binary_sensor.float",),
            leak_inputs=("binary_sensor.floor", "binary_sensor.cupboard"),
        ),
    )


def test_what_is_absent_has_its_default(data: Callable[..., dict[str, Any]]) -> None:
    absent = dict.fromkeys(
        ("sensor_zero_m", "empty_m", "high_m", "replaces_evaporation", "zero_is_suspect")
    )
    settings = vessel_settings(data(**absent, longest_run_s=None))
    assert (settings.sensor_zero_m, settings.empty_m, settings.high_m) == (0.0, 0.0, 0.34)
    assert settings.fill is None
    assert settings.stale_after_s is None
    assert settings.zero_is_suspect is True
    # A distance is measured from the brim if nothing else is said.
    distance = vessel_settings(data(**absent, measure="distance"))
    assert distance.sensor_zero_m == 0.34
    assert distance.zero_is_suspect is False
    filled = vessel_settings(data(fill_device="switch.v", longest_run_s=None))
    # A refill takes a little over an hour and is cut off at two: common practice, no source.
    assert filled.fill == FillSettings("switch.v", 7200.0)


def test_a_current_needs_its_span(data: Callable[..., dict[str, Any]]) -> None:
    assert vessel_settings(data(measure="current", span_m=0.4)).span_m == 0.4
    with pytest.raises(SettingsError, match="span_m") as err:
        vessel_settings(data(measure="current"))
    assert err.value.field == "span_m"
    assert vessel_settings(data(span_m=0.4)).span_m is None


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"measure": "pressure"}, "measure"),
        ({"measure": None}, "measure"),
        ({"source": None}, "source"),
        ({"source": ""}, "source"),
        ({"shape": None}, "shape"),
        ({"shape": "box"}, "shape"),
        ({"start_m": None}, "start_m"),
        ({"start_m": True}, "start_m"),
        ({"start_m": float("nan")}, "start_m"),
        ({"start_m": "0.1"}, "start_m"),
        ({"empty_m": -0.01}, "empty_m"),
        ({"empty_m": 0.07}, "start_m"),
        ({"full_m": 0.07}, "full_m"),
        ({"high_m": 0.29}, "high_m"),
        ({"high_m": 0.35}, "high_m"),
        ({"stale_after_s": 0}, "stale_after_s"),
        ({"fill_device": 5}, "fill_device"),
        ({"fill_device": "switch.v", "longest_run_s": -1}, "longest_run_s"),
    ],
)
def test_what_cannot_be_used_is_named(
    data: Callable[..., dict[str, Any]], changes: dict[str, Any], field: str
) -> None:
    with pytest.raises(SettingsError, match=field) as err:
        vessel_settings(data(**changes))
    assert err.value.field == field


def test_a_shape_that_cannot_be_is_named(data: Callable[..., dict[str, Any]]) -> None:
    with pytest.raises(GeometryError, match="length_m"):
        vessel_settings(data(shape={"kind": "box", "width_m": 1, "height_m": 1}))


def test_zero_is_suspect_where_a_low_number_means_little_water() -> None:
    assert [measure for measure in Measure if not zero_is_suspect_by_default(measure)] == [
        Measure.DISTANCE,
        Measure.CURRENT,
    ]


def test_a_system() -> None:
    entry = MockConfigEntry(title="Nursery", data={"volume_l": 120, "salinity_psu": 33.5})
    assert system_settings(entry) == SystemSettings("Nursery", 120.0, 33.5)
    entry = MockConfigEntry(title="Nursery", data={"volume_l": 120})
    assert system_settings(entry).salinity_psu == 35.0
    with pytest.raises(SettingsError, match="volume_l"):
        system_settings(MockConfigEntry(title="Nursery", data={"volume_l": 0}))
