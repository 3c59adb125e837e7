"""States of any source, in any unit, as engine readings."""

import pytest
from custom_components.stillwell.engine.geometry import Box, LyingCylinder, Vessel
from custom_components.stillwell.engine.quantities import Reading, Reason
from custom_components.stillwell.readings import level_reading, probe_temperature_c, temperature_c
from custom_components.stillwell.settings import Measure, VesselSettings
from homeassistant.const import ATTR_UNIT_OF_MEASUREMENT
from homeassistant.core import State
from homeassistant.util.unit_conversion import (
    DistanceConverter,
    ElectricCurrentConverter,
    TemperatureConverter,
    VolumeConverter,
)
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants


@pytest.fixture(autouse=True)
def _stillwell_is_installed() -> None:
    """No hub runs here: the tests are many and small."""


BOX = Box(0.6, 0.4, 0.4)  # 240 L/m, 96 L
DRUM = LyingCylinder(0.5, 1.2)


def _settings(
    measure: Measure = Measure.DEPTH,
    *,
    vessel: Vessel = BOX,
    zero_m: float = 0.0,
    span_m: float | None = None,
) -> VesselSettings:
    return VesselSettings(
        source="sensor.lagoon_level",
        measure=measure,
        sensor_zero_m=zero_m,
        span_m=span_m,
        vessel=vessel,
        empty_m=0.0,
        start_m=0.08,
        full_m=0.35,
        high_m=0.38,
        temperature_source=None,
        replaces_evaporation=False,
        zero_is_suspect=True,
        stale_after_s=None,
    )


def _state(value: object, unit: object = None) -> State:
    attributes = {} if unit is None else {ATTR_UNIT_OF_MEASUREMENT: unit}
    return State("sensor.lagoon_level", str(value), attributes)


def _read(settings: VesselSettings, value: object, unit: object = None) -> Reading:
    return level_reading(_state(value, unit), settings, settings.vessel)


# One unit in metres or litres, from scipy's tables (CODATA and the exact inch and US gallon).
METRES = {
    "mm": constants.milli,
    "cm": constants.centi,
    "m": 1.0,
    "km": constants.kilo,
    "in": constants.inch,
    "ft": constants.foot,
    "yd": constants.yard,
    "mi": constants.mile,
    "nmi": constants.nautical_mile,
}
LITRES = {
    "L": 1.0,
    "mL": constants.milli,
    "m³": constants.kilo,
    "gal": constants.gallon / constants.liter,
    "fl. oz.": constants.fluid_ounce / constants.liter,
    "ft³": constants.foot**3 / constants.liter,
    "CCF": 100 * constants.foot**3 / constants.liter,
    "MCF": 1000 * constants.foot**3 / constants.liter,
}
MILLIAMPERES = {"mA": 1.0, "A": 1e3, "μA": 1e-3}


def test_every_unit_of_the_hub_has_an_outside_value() -> None:
    assert set(METRES) == DistanceConverter.VALID_UNITS
    assert set(LITRES) == VolumeConverter.VALID_UNITS
    assert set(MILLIAMPERES) == ElectricCurrentConverter.VALID_UNITS


@pytest.mark.parametrize("unit", list(METRES))
def test_depth_in_any_unit(unit: str) -> None:
    reading = _read(_settings(zero_m=0.02), 0.2 / METRES[unit], unit)
    assert reading.depth_m == pytest.approx(0.22, rel=1e-9)
    assert reading.reason is Reason.NONE
    assert not reading.is_exact_zero


@pytest.mark.parametrize("unit", list(METRES))
def test_distance_in_any_unit(unit: str) -> None:
    reading = _read(_settings(Measure.DISTANCE, zero_m=0.45), 0.15 / METRES[unit], unit)
    assert reading.depth_m == pytest.approx(0.3, rel=1e-9)


@pytest.mark.parametrize("unit", list(LITRES))
def test_volume_in_any_unit(unit: str) -> None:
    reading = _read(_settings(Measure.VOLUME), 24 / LITRES[unit], unit)
    assert reading.depth_m == pytest.approx(0.1, rel=1e-9)


@pytest.mark.parametrize("unit", list(MILLIAMPERES))
def test_loop_current_in_any_unit(unit: str) -> None:
    settings = _settings(Measure.CURRENT, span_m=0.4)
    # 12 mA is the middle of 4 to 20 mA (IEC 60381-1).
    reading = _read(settings, 12 / MILLIAMPERES[unit], unit)
    assert reading.depth_m == pytest.approx(0.2, rel=1e-9)


@pytest.mark.parametrize("unit", ["%", None])
def test_shares(unit: str | None) -> None:
    assert _read(_settings(Measure.PERCENT), 25, unit).depth_m == pytest.approx(0.1)
    # Half the volume of a lying cylinder stands at half its diameter, a quarter of it at
    # 0.298 of the diameter (h/D from V/V0, handbook table of circular segments, from memory).
    drum = _settings(Measure.PERCENT_VOLUME, vessel=DRUM)
    assert _read(drum, 50, unit).depth_m == pytest.approx(0.25, abs=1e-9)
    quarter_m = _read(drum, 25, unit).depth_m
    assert quarter_m == pytest.approx(0.298 * 0.5, abs=5e-4)


# NAMUR NE 43: measuring 3.8 to 20.5 mA, failure at or below 3.6 and at or above 21 mA.
NE_43 = [
    (0.0, None, Reason.LOOP_FAULT),
    (3.5, None, Reason.LOOP_FAULT),
    (3.6, None, Reason.LOOP_FAULT),
    (3.7, 0.0, Reason.LOOP_SATURATED),
    (3.8, 0.0, Reason.NONE),
    (4.0, 0.0, Reason.NONE),
    (12.0, 0.2, Reason.NONE),
    (20.0, 0.4, Reason.NONE),
    (20.5, 0.4125, Reason.NONE),
    (20.8, 0.5, Reason.LOOP_SATURATED),
    (21.0, None, Reason.LOOP_FAULT),
    (22.0, None, Reason.LOOP_FAULT),
]


@pytest.mark.parametrize(("current_ma", "depth_m", "reason"), NE_43)
def test_loop_current_by_ne_43(current_ma: float, depth_m: float | None, reason: Reason) -> None:
    # The vessel stands 10 cm higher than the span reaches.
    tall = Box(0.6, 0.4, 0.5)
    settings = _settings(Measure.CURRENT, vessel=tall, span_m=0.4)
    reading = _read(settings, current_ma, "mA")
    assert reading.reason is reason
    if depth_m is None:
        assert reading.depth_m is None
    elif reason is Reason.LOOP_SATURATED:
        # Saturated: held near the end it points to, and not a level to act on.
        assert reading.depth_m is not None
        assert abs(reading.depth_m - depth_m) <= 0.4 * 0.8 / 16 + 0.1
    else:
        assert reading.depth_m == pytest.approx(depth_m, abs=1e-9)
    assert reading.is_exact_zero is (current_ma == 0)


def test_a_saturated_loop_is_held_at_the_end_of_the_vessel() -> None:
    settings = _settings(Measure.CURRENT, span_m=0.4)
    assert _read(settings, 20.8, "mA") == Reading(0.4, Reason.LOOP_SATURATED)
    assert _read(settings, 3.7, "mA") == Reading(0.0, Reason.LOOP_SATURATED)
    # Still within the measuring range of NE 43: a full vessel, and no fault.
    assert _read(settings, 20.5, "mA") == Reading(0.4, Reason.NONE)


BAD = [
    ("unavailable", Reason.UNAVAILABLE),
    ("unknown", Reason.UNAVAILABLE),
    ("", Reason.UNAVAILABLE),
    ("on", Reason.NOT_NUMERIC),
    ("12 cm", Reason.NOT_NUMERIC),
    ("1,5", Reason.NOT_NUMERIC),
    ("1_0", Reason.NOT_NUMERIC),
    ("0x1f", Reason.NOT_NUMERIC),
    ("nan", Reason.NOT_FINITE),
    ("NaN", Reason.NOT_FINITE),
    ("inf", Reason.NOT_FINITE),
    ("-infinity", Reason.NOT_FINITE),
    ("1e999", Reason.NOT_FINITE),
]


@pytest.mark.parametrize(("value", "reason"), BAD)
def test_a_bad_state_is_a_reason_and_no_number(value: str, reason: Reason) -> None:
    for measure in Measure:
        settings = _settings(measure, zero_m=0.0, span_m=0.4)
        assert _read(settings, value, "cm") == Reading(None, reason)


def test_a_missing_source_is_a_reason() -> None:
    assert level_reading(None, _settings(), BOX) == Reading(None, Reason.NO_SOURCE)


@pytest.mark.parametrize(
    ("measure", "unit"),
    [
        (Measure.DEPTH, None),
        (Measure.DEPTH, "%"),
        (Measure.DEPTH, "L"),
        (Measure.DEPTH, "inch"),
        (Measure.DEPTH, ["cm"]),
        (Measure.DISTANCE, None),
        (Measure.DISTANCE, "s"),
        (Measure.VOLUME, None),
        (Measure.VOLUME, "cm"),
        (Measure.VOLUME, "L/min"),
        (Measure.CURRENT, None),
        (Measure.CURRENT, "V"),
        (Measure.PERCENT, "cm"),
        (Measure.PERCENT_VOLUME, "L"),
    ],
)
def test_a_unit_that_does_not_fit_is_a_reason(measure: Measure, unit: object) -> None:
    settings = _settings(measure, span_m=0.4)
    assert _read(settings, 12, unit) == Reading(None, Reason.UNIT_UNKNOWN)


# 2 % of 40 cm is 8 mm; of 10 cm it would be 2 mm, where 5 mm apply.
@pytest.mark.parametrize(
    ("height_m", "value_cm", "depth_m"),
    [
        (0.4, 40.79, 0.4),
        (0.4, 40.81, None),
        (0.4, -0.79, 0.0),
        (0.4, -0.81, None),
        (0.1, 10.49, 0.1),
        (0.1, 10.51, None),
        (0.1, -0.49, 0.0),
        (0.1, -0.51, None),
    ],
)
def test_a_little_outside_is_the_brim_or_the_floor(
    height_m: float, value_cm: float, depth_m: float | None
) -> None:
    vessel = Box(0.6, 0.4, height_m)
    reading = _read(_settings(vessel=vessel), value_cm, "cm")
    assert reading.depth_m == depth_m
    assert reading.reason is (Reason.OUTSIDE_VESSEL if depth_m is None else Reason.NONE)


@pytest.mark.parametrize(
    ("measure", "value", "depth_m"),
    [
        (Measure.VOLUME, 97.9, 0.4),
        (Measure.VOLUME, 98.0, None),
        (Measure.VOLUME, -1.9, 0.0),
        (Measure.VOLUME, -2.0, None),
        (Measure.PERCENT_VOLUME, 101.9, 0.4),
        (Measure.PERCENT_VOLUME, 102.1, None),
        (Measure.PERCENT, 101.9, 0.4),
        (Measure.PERCENT, 102.1, None),
        (Measure.DISTANCE, -0.7, 0.4),
        (Measure.DISTANCE, -0.9, None),
    ],
)
def test_a_little_too_much_or_too_little(
    measure: Measure, value: float, depth_m: float | None
) -> None:
    unit = {Measure.VOLUME: "L", Measure.DISTANCE: "cm"}.get(measure, "%")
    reading = _read(_settings(measure, zero_m=0.4), value, unit)
    if depth_m is None:
        assert reading == Reading(None, Reason.OUTSIDE_VESSEL)
    else:
        assert reading.depth_m == pytest.approx(depth_m, abs=1e-9)


@pytest.mark.parametrize("zero", ["0", "0.0", "-0", "0e0"])
def test_exactly_zero_is_marked(zero: str) -> None:
    """An unplugged strip reads exactly 0: common practice, no source."""
    assert _read(_settings(), zero, "in") == Reading(0.0, is_exact_zero=True)
    assert _read(_settings(zero_m=0.03), zero, "in") == Reading(0.03, is_exact_zero=True)
    assert not _read(_settings(), "0.001", "in").is_exact_zero


@given(
    st.text(max_size=12)
    | st.floats().map(repr)
    | st.integers(-(10**400), 10**400).map(lambda n: str(n)[:300]),
    st.sampled_from([*METRES, *LITRES, "mA", "%", None, "°C", ""]),
    st.sampled_from(Measure),
)
def test_no_state_makes_a_depth_outside_the_vessel(
    value: str, unit: str | None, measure: Measure
) -> None:
    for vessel in (BOX, DRUM):
        settings = _settings(measure, vessel=vessel, zero_m=0.1, span_m=0.3)
        reading = _read(settings, value, unit)
        if reading.depth_m is None:
            assert reading.reason is not Reason.NONE
        else:
            assert 0.0 <= reading.depth_m <= vessel.height_m
            assert reading.reason in (Reason.NONE, Reason.LOOP_SATURATED)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        ("25.4", "°C", 25.4),
        ("0", "°C", 0.0),
        # ITS-90 fixed points and the definition of degF: 77 degF is 25 degC.
        ("77", "°F", 25.0),
        ("32", "°F", 0.0),
        ("298.15", "K", 25.0),
        ("25", None, None),
        ("25", "%", None),
        ("nan", "°C", None),
        ("unavailable", "°C", None),
    ],
)
def test_temperature(value: str, unit: str | None, expected: float | None) -> None:
    given_c = temperature_c(_state(value, unit))
    assert given_c == (None if expected is None else pytest.approx(expected, abs=1e-9))
    if expected is not None and unit is not None:
        hub = TemperatureConverter.convert(float(value), unit, "°C")
        scipy_name = {"°C": "c", "°F": "f", "K": "k"}[unit]
        assert hub == pytest.approx(constants.convert_temperature(float(value), scipy_name, "c"))


def test_no_temperature_source_is_no_temperature() -> None:
    assert temperature_c(None) is None
    assert probe_temperature_c(None, 0.0) is None


def test_a_thermometer_silent_for_long_says_nothing() -> None:
    state = _state("25", "°C")
    now_s = state.last_reported_timestamp
    assert probe_temperature_c(state, now_s + 6 * 3600.0) == 25.0
    assert probe_temperature_c(state, now_s + 6 * 3600.0 + 1.0) is None
