"""Hub states to engine readings: the only place where units are converted."""

from math import isfinite
from typing import TYPE_CHECKING, Final

from homeassistant.const import (
    ATTR_UNIT_OF_MEASUREMENT,
    STATE_CLOSED,
    STATE_CLOSING,
    STATE_OFF,
    STATE_ON,
    STATE_OPEN,
    STATE_OPENING,
    STATE_UNAVAILABLE,
    STATE_UNKNOWN,
    UnitOfConductivity,
    UnitOfElectricCurrent,
    UnitOfElectricPotential,
    UnitOfLength,
    UnitOfPressure,
    UnitOfRatio,
    UnitOfTemperature,
    UnitOfVolume,
    UnitOfVolumeFlowRate,
)
from homeassistant.util.unit_conversion import (
    BaseUnitConverter,
    ConductivityConverter,
    DistanceConverter,
    ElectricCurrentConverter,
    ElectricPotentialConverter,
    PressureConverter,
    TemperatureConverter,
    VolumeConverter,
    VolumeFlowRateConverter,
)

from .engine.conditioning import loop_current_reading
from .engine.membrane import MG_PER_L_PER_US_PER_CM
from .engine.quantities import Reading, Reason
from .settings import Measure

if TYPE_CHECKING:
    from homeassistant.core import State

    from .engine.geometry import Vessel
    from .settings import VesselSettings

OVERSHOOT_FRAC: Final = 0.02
OVERSHOOT_M: Final = 0.005
"""A level up to 2 % of the height, or 5 mm, outside the vessel is noise: floor or brim."""

LOOP_OVERRANGE_FRAC: Final = (20.5 - 20.0) / (20.0 - 4.0)
"""NAMUR NE 43: up to 20.5 mA a loop still measures."""

ROUNDING_M: Final = 1e-9

OLDEST_TEMPERATURE_S: Final = 6 * 3600.0
"""Many thermometers report only changes; one silent for longer than this says nothing."""

CLOCK_SLACK_S: Final = 60.0
"""How far a report may lie in the future: the hub's own clock is trimmed by less."""

SOLIDS_UNITS: Final = frozenset({UnitOfRatio.PARTS_PER_MILLION, "mg/L", "mg/l"})
"""In water as thin as this a litre weighs a kilogram: parts per million are mg/L."""
OLDEST_PROBE_S: Final = 3600.0
"""A pH, ORP or conductivity probe silent for an hour says nothing of now."""
PH_UNITS: Final = frozenset({"pH", None})
RUNNING: Final = frozenset({STATE_ON, STATE_OPEN, STATE_OPENING, STATE_CLOSING})
AT_REST: Final = frozenset({STATE_OFF, STATE_CLOSED})
ORP_UNITS: Final = frozenset(ElectricPotentialConverter.VALID_UNITS)
US_PER_MS: Final = 1000.0
# The micro sign and the Greek letter look alike; the hub writes the letter.
CONDUCTIVITY_UNITS: Final = {
    "\u00b5S/cm": UnitOfConductivity.MICROSIEMENS_PER_CM,
    **{unit.value: unit for unit in UnitOfConductivity},
}
_SMALL_FLOWS: Final = {"mL/h": 0.001, "ml/h": 0.001, "mL/min": 0.06, "ml/min": 0.06}
"""Units of dosing pumps that the hub does not convert, in L/h."""

_CONVERTERS: Final[dict[Measure, tuple[type[BaseUnitConverter], str]]] = {
    Measure.DEPTH: (DistanceConverter, UnitOfLength.METERS),
    Measure.DISTANCE: (DistanceConverter, UnitOfLength.METERS),
    Measure.VOLUME: (VolumeConverter, UnitOfVolume.LITERS),
    Measure.CURRENT: (ElectricCurrentConverter, UnitOfElectricCurrent.MILLIAMPERE),
}
_UNITS: Final[dict[Measure, frozenset[str | None]]] = {
    **{
        measure: frozenset(converter.VALID_UNITS) for measure, (converter, _) in _CONVERTERS.items()
    },
    # A bare number is taken for a percentage, and for nothing else.
    Measure.PERCENT: frozenset({UnitOfRatio.PERCENTAGE, None}),
    Measure.PERCENT_VOLUME: frozenset({UnitOfRatio.PERCENTAGE, None}),
}


def level_reading(state: State | None, settings: VesselSettings, vessel: Vessel) -> Reading:
    """Return the depth in m that a state of the level source means, or why it means none."""
    value = state_number(state)
    if isinstance(value, Reason):
        return Reading(None, value)
    converted = in_engine_unit(value, state_unit(state), settings.measure)
    if converted is None:
        return Reading(None, Reason.UNIT_UNKNOWN)
    loop_m = LOOP_OVERRANGE_FRAC * (settings.span_m or 0.0)
    return _within(_depth(converted, settings, vessel), vessel, loop_m, is_exact_zero=value == 0)


def temperature_c(state: State | None) -> float | None:
    """Return a temperature in degC, or None when the state is no temperature."""
    value = state_number(state)
    unit = state_unit(state)
    if isinstance(value, Reason) or not is_temperature_unit(unit):
        return None
    return TemperatureConverter.convert(value, unit, UnitOfTemperature.CELSIUS)


def is_recent(state: State, now_s: float, oldest_s: float) -> bool:
    """Return whether a state was reported lately.

    One from the future, before the clock was set right, says nothing of now.
    """
    return -CLOCK_SLACK_S <= now_s - state.last_reported_timestamp <= oldest_s


def probe_temperature_c(
    state: State | None, now_s: float, oldest_s: float = OLDEST_TEMPERATURE_S
) -> float | None:
    """Return the temperature a probe has now, or None when nobody knows."""
    if state is None or not is_recent(state, now_s, oldest_s):
        return None
    return temperature_c(state)


def pump_flow_l_per_h(state: State | None, rated_l_per_h: float | None) -> float | None:
    """Return what a pump gives now, L/h; None when nobody knows.

    A switch or valve gives the rated flow while it is on, a number in a unit of flow its value,
    a percentage so much of the rated flow.
    """
    if state is None:
        return None
    if state.state in AT_REST:
        return 0.0
    if state.state in RUNNING:
        return rated_l_per_h
    value = state_number(state)
    if isinstance(value, Reason) or value < 0:
        return None
    return _flow_l_per_h(value, state_unit(state), rated_l_per_h)


def _flow_l_per_h(value: float, unit: str | None, rated_l_per_h: float | None) -> float | None:
    if unit in _SMALL_FLOWS:
        return value * _SMALL_FLOWS[unit]
    if unit in VolumeFlowRateConverter.VALID_UNITS:
        return VolumeFlowRateConverter.convert(value, unit, UnitOfVolumeFlowRate.LITERS_PER_HOUR)
    if unit == UnitOfRatio.PERCENTAGE and rated_l_per_h is not None:
        return value / 100 * rated_l_per_h
    return None


def commanded_flow_l_per_h(
    value: object, state: State | None, rated_l_per_h: float | None
) -> float | None:
    """Return what a pump set by a number is told to give, L/h, in the unit it has."""
    try:
        wanted = float(str(value))
    except ValueError:
        return None
    if not isfinite(wanted) or wanted < 0:
        return None
    return _flow_l_per_h(wanted, state_unit(state), rated_l_per_h)


def is_flow_unit(unit: str | None) -> bool:
    """Return whether a number in this unit says a pump's flow by itself."""
    return unit in _SMALL_FLOWS or unit in VolumeFlowRateConverter.VALID_UNITS


def ph_value(state: State | None, now_s: float) -> float | None:
    """Return a pH, or None when nobody knows."""
    value = _probe_number(state, now_s)
    return value if state_unit(state) in PH_UNITS else None


def orp_mv(state: State | None, now_s: float) -> float | None:
    """Return a redox potential in mV, or None when nobody knows."""
    return _probe_value(state, now_s, ElectricPotentialConverter, UnitOfElectricPotential.MILLIVOLT)


def conductivity_ms_per_cm(state: State | None, now_s: float) -> float | None:
    """Return a conductivity in mS/cm, or None when nobody knows."""
    value = _probe_number(state, now_s)
    return None if value is None else in_ms_per_cm(value, state_unit(state))


def in_ms_per_cm(value: float, unit: str | None) -> float | None:
    """Return a conductivity in mS/cm; None when the unit is none of conductivity."""
    if unit not in CONDUCTIVITY_UNITS:
        return None
    return ConductivityConverter.convert(
        value, CONDUCTIVITY_UNITS[unit], UnitOfConductivity.MILLISIEMENS_PER_CM
    )


def _probe_number(state: State | None, now_s: float) -> float | None:
    if state is None or not is_recent(state, now_s, OLDEST_PROBE_S):
        return None
    value = state_number(state)
    return None if isinstance(value, Reason) else value


def _probe_value(
    state: State | None, now_s: float, converter: type[BaseUnitConverter], wanted: str
) -> float | None:
    value, unit = _probe_number(state, now_s), state_unit(state)
    if value is None or unit not in converter.VALID_UNITS:
        return None
    return converter.convert(value, unit, wanted)


def humidity_frac(state: State | None, now_s: float) -> float | None:
    """Return the relative humidity of a room now, 0 to 1, or None when nobody knows."""
    if state is None or not is_recent(state, now_s, OLDEST_TEMPERATURE_S):
        return None
    value = state_number(state)
    if isinstance(value, Reason) or state_unit(state) != UnitOfRatio.PERCENTAGE:
        return None
    return value / 100


def is_temperature_unit(unit: str | None) -> bool:
    """Return whether the hub can convert a unit to degC."""
    return unit is not None and unit in TemperatureConverter.VALID_UNITS


def is_pressure_unit(unit: str | None) -> bool:
    """Return whether the hub can convert a unit to bar."""
    return unit is not None and unit in PressureConverter.VALID_UNITS


def pressure_bar(state: State | None, now_s: float) -> float | None:
    """Return a pressure in bar, or None when nobody knows it now."""
    value = _fresh_number(state, now_s)
    unit = state_unit(state)
    if value is None or not is_pressure_unit(unit):
        return None
    return PressureConverter.convert(value, unit, UnitOfPressure.BAR)


def is_solids_unit(unit: str | None) -> bool:
    """Return whether a unit is one of dissolved solids, or of a conductivity that tells them."""
    return unit in SOLIDS_UNITS or unit in CONDUCTIVITY_UNITS


def solids_mg_per_l(state: State | None, now_s: float) -> float | None:
    """Return dissolved solids in mg/L, or None when nobody knows them now."""
    value = _fresh_number(state, now_s)
    unit = state_unit(state)
    if value is None or unit in SOLIDS_UNITS:
        return value
    ms_per_cm = in_ms_per_cm(value, unit)
    return None if ms_per_cm is None else MG_PER_L_PER_US_PER_CM * US_PER_MS * ms_per_cm


def _fresh_number(state: State | None, now_s: float) -> float | None:
    if state is None or not is_recent(state, now_s, OLDEST_TEMPERATURE_S):
        return None
    value = state_number(state)
    return None if isinstance(value, Reason) else value


def state_number(state: State | None) -> float | Reason:
    """Return the finite number of a state in the state's own unit, or why there is none."""
    if state is None:
        return Reason.NO_SOURCE
    if state.state in (STATE_UNAVAILABLE, STATE_UNKNOWN, ""):
        return Reason.UNAVAILABLE
    try:
        value = float(state.state)
    except ValueError:
        return Reason.NOT_NUMERIC
    # Python reads "1_000" as a thousand; no instrument writes it.
    if "_" in state.state:
        return Reason.NOT_NUMERIC
    return value if isfinite(value) else Reason.NOT_FINITE


def state_unit(state: State | None) -> str | None:
    """Return a state's unit, None without one."""
    unit = None if state is None else state.attributes.get(ATTR_UNIT_OF_MEASUREMENT)
    return None if unit is None else str(unit)


def fits(unit: str | None, measure: Measure) -> bool:
    """Return whether a measure can be read in a unit; None stands for no unit at all."""
    return unit in _UNITS[measure]


def in_engine_unit(value: float, unit: str | None, measure: Measure) -> float | None:
    """Return a number in m, L, mA or as a fraction; None when the unit does not fit."""
    if not fits(unit, measure):
        return None
    if measure not in _CONVERTERS:
        return value / 100
    converter, engine_unit = _CONVERTERS[measure]
    return converter.convert(value, unit, engine_unit)


def _depth(value: float, settings: VesselSettings, vessel: Vessel) -> Reading:
    match settings.measure:
        case Measure.DEPTH:
            return Reading(settings.sensor_zero_m + value)
        case Measure.DISTANCE:
            return Reading(settings.sensor_zero_m - value)
        case Measure.PERCENT:
            return Reading(value * vessel.height_m)
        case Measure.PERCENT_VOLUME:
            return _depth_of_volume(value * vessel.capacity_l, vessel)
        case Measure.VOLUME:
            return _depth_of_volume(value, vessel)
    return loop_current_reading(value, settings.sensor_zero_m, settings.span_m or 0.0)


def _depth_of_volume(volume_l: float, vessel: Vessel) -> Reading:
    capacity_l = vessel.capacity_l
    held_l = min(max(volume_l, 0.0), capacity_l)
    if abs(volume_l - held_l) > OVERSHOOT_FRAC * capacity_l:
        return Reading(None, Reason.OUTSIDE_VESSEL)
    return Reading(vessel.depth_m(held_l))


def _within(reading: Reading, vessel: Vessel, loop_m: float, *, is_exact_zero: bool) -> Reading:
    if reading.depth_m is None:
        return Reading(None, reading.reason, is_exact_zero)
    depth_m = min(max(reading.depth_m, 0.0), vessel.height_m)
    overshoot_m = max(OVERSHOOT_FRAC * vessel.height_m, OVERSHOOT_M, loop_m)
    # A saturated loop says only "beyond"; the place in the vessel it is held at is its end.
    is_saturated = reading.reason is Reason.LOOP_SATURATED
    if abs(reading.depth_m - depth_m) > overshoot_m + ROUNDING_M and not is_saturated:
        return Reading(None, Reason.OUTSIDE_VESSEL, is_exact_zero)
    return Reading(depth_m, reading.reason, is_exact_zero)
