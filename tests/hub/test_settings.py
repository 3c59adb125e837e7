"""Stored choices as checked settings."""

from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DEFAULT_FRESH_WATER_CAP_FRAC
from custom_components.stillwell.engine.geometry import Box, GeometryError
from custom_components.stillwell.line_settings import (
    FillLineSettings,
    fill_line_settings,
    guard_settings,
)
from custom_components.stillwell.settings import (
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
    )


def test_what_is_absent_has_its_default(data: Callable[..., dict[str, Any]]) -> None:
    absent = dict.fromkeys(
        ("sensor_zero_m", "empty_m", "high_m", "replaces_evaporation", "zero_is_suspect")
    )
    settings = vessel_settings(data(**absent))
    assert (settings.sensor_zero_m, settings.empty_m, settings.high_m) == (0.0, 0.0, 0.34)
    assert settings.stale_after_s is None
    assert settings.zero_is_suspect is True
    # A distance is measured from the brim if nothing else is said.
    distance = vessel_settings(data(**absent, measure="distance"))
    assert distance.sensor_zero_m == 0.34
    assert distance.zero_is_suspect is False


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


def test_a_whole_line(line: Callable[..., dict[str, Any]]) -> None:
    contact = {
        key: [f"binary_sensor.{key}"]
        for key in ("high_inputs", "leak_inputs", "supply_empty_inputs")
    }
    data = line(
        source_vessel="mix",
        settle_s=30,
        shortest_pause_s=0,
        daily_volume_l=40,
        daily_run_s=9000,
        feeds_system=True,
        fresh_water_cap_frac=0.02,
        secondary=["valve.main"],
        countdown="number.auto_off",
        return_pump="switch.return",
        return_settle_s=120,
        high_test_days=90,
        leak_test_days=30,
        countdown_test_days=180,
        rehearsal=True,
        **contact,
    )["data"]
    assert fill_line_settings(data) == FillLineSettings(
        destination="lagoon_reservoir",
        device="input_boolean.lagoon_valve",
        source_vessel="mix",
        longest_run_s=7200.0,
        settle_s=30.0,
        shortest_pause_s=0.0,
        daily_volume_l=40.0,
        daily_run_s=9000.0,
        fresh_water_cap_frac=0.02,
        high_inputs=("binary_sensor.high_inputs",),
        leak_inputs=("binary_sensor.leak_inputs",),
        supply_empty_inputs=("binary_sensor.supply_empty_inputs",),
        secondary=("valve.main",),
        countdown="number.auto_off",
        return_pump="switch.return",
        return_settle_s=120.0,
        high_test_days=90.0,
        leak_test_days=30.0,
        countdown_test_days=180.0,
        rehearsal=True,
    )


def test_what_is_absent_of_a_line_has_its_default() -> None:
    data = {"destination": "lagoon_reservoir", "device": "switch.v"}
    # A refill takes a little over an hour and is cut off at two: common practice, no source.
    assert fill_line_settings(data) == FillLineSettings(
        "lagoon_reservoir", "switch.v", longest_run_s=7200.0, settle_s=60.0, shortest_pause_s=300.0
    )


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"device": 5}, "device"),
        ({"destination": None}, "destination"),
        ({"longest_run_s": -1}, "longest_run_s"),
        ({"settle_s": -1}, "settle_s"),
        ({"daily_volume_l": 0}, "daily_volume_l"),
        ({"fresh_water_cap_frac": float("inf")}, "fresh_water_cap_frac"),
    ],
)
def test_what_cannot_be_used_of_a_line_is_named(
    line: Callable[..., dict[str, Any]], changes: dict[str, Any], field: str
) -> None:
    with pytest.raises(SettingsError, match=field) as err:
        fill_line_settings(line(**changes)["data"])
    assert err.value.field == field


def test_the_guard_gets_the_marks_of_the_vessels(
    data: Callable[..., dict[str, Any]], line: Callable[..., dict[str, Any]]
) -> None:
    """A box of 30 cm by 30 cm: 0.9 L for each cm. One hundredth of 450 L is 4.5 L (arithmetic)."""
    vessel, source = vessel_settings(data(stale_after_s=600)), vessel_settings(data(empty_m=0.04))
    settings = fill_line_settings(line(feeds_system=True, return_pump="switch.r")["data"])
    guarded = guard_settings(settings, vessel, source, 450.0)
    assert guarded.high_l == pytest.approx(28.8)
    assert guarded.start_l == pytest.approx(6.3)
    assert guarded.full_l == pytest.approx(27.0)
    assert guarded.min_source_l == pytest.approx(3.6)
    assert guarded.run_volume_l == pytest.approx(4.5)
    assert guarded.stale_after_s == 600.0
    assert guarded.has_return_pump
    plain = guard_settings(fill_line_settings(line()["data"]), vessel, None, 450.0)
    assert (plain.min_source_l, plain.run_volume_l, plain.has_return_pump) == (None, None, False)


def test_fresh_water_of_one_run_lowers_the_salinity_by_a_third_of_a_psu() -> None:
    """Mass balance of salt, the system's volume kept: 35 PSU x 0.01 / 1.01 is 0.347 PSU."""
    assert pytest.approx(0.34, abs=0.01) == 35.0 * DEFAULT_FRESH_WATER_CAP_FRAC / (
        1 + DEFAULT_FRESH_WATER_CAP_FRAC
    )
