"""What the user chose: config entry and subentry data as frozen, checked settings."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from .const import (
    CONF_EMPTY_M,
    CONF_FULL_M,
    CONF_HIGH_M,
    CONF_MEASURE,
    CONF_REPLACES_EVAPORATION,
    CONF_SALINITY_PSU,
    CONF_SENSOR_ZERO_M,
    CONF_SHAPE,
    CONF_SOURCE,
    CONF_SPAN_M,
    CONF_STALE_AFTER_S,
    CONF_START_M,
    CONF_TEMPERATURE_SOURCE,
    CONF_VESSEL,
    CONF_VOLUME_L,
    CONF_ZERO_IS_SUSPECT,
    DEFAULT_SALINITY_PSU,
)
from .engine.geometry import Vessel, shape_from_dict
from .engine.invalid import Amount, Code, Invalid, Term, Value

if TYPE_CHECKING:
    from homeassistant.config_entries import ConfigEntry, ConfigSubentry

LENGTH_MARGIN_M: Final = 1e-6
"""Marks are compared to the micrometre, the step in which the forms store them."""


UNITS: Final = {"m": "m", "l": "L", "s": "s", "c": "degC", "m2": "m2", "psu": "PSU", "dkh": "dKH"}


class Measure(StrEnum):
    """What a level source's number means."""

    DEPTH = "depth"
    """Length of water above the sensor's zero."""
    DISTANCE = "distance"
    """Length from the sensor's face down to the water."""
    PERCENT = "percent"
    """Share of the vessel's full depth."""
    PERCENT_VOLUME = "percent_volume"
    """Share of the vessel's full volume."""
    VOLUME = "volume"
    CURRENT = "current"
    """4-20 mA loop current."""


class SettingsError(Invalid):
    """Stored settings that cannot be used; ``field`` names the key to correct."""

    def __init__(self, field: str, code: Code, **values: Value) -> None:
        super().__init__(code, what=Term(field), **values)
        self.field = field


@dataclass(frozen=True, slots=True)
class VesselSettings:
    """One vessel: its level source, shape and marks (heights above the floor in m)."""

    source: str
    measure: Measure
    sensor_zero_m: float
    span_m: float | None
    vessel: Vessel
    empty_m: float
    start_m: float
    full_m: float
    high_m: float
    temperature_source: str | None
    replaces_evaporation: bool
    zero_is_suspect: bool
    stale_after_s: float | None


@dataclass(frozen=True, slots=True)
class SystemSettings:
    """One water system."""

    name: str
    volume_l: float
    salinity_psu: float


def system_settings(entry: ConfigEntry[Any]) -> SystemSettings:
    """Return the settings of a water system.

    Raises:
        SettingsError: if the stored volume or salinity cannot be used.
    """
    return SystemSettings(
        name=entry.title,
        volume_l=positive(entry.data, CONF_VOLUME_L),
        salinity_psu=number(entry.data, CONF_SALINITY_PSU, DEFAULT_SALINITY_PSU),
    )


def vessel_settings(data: Mapping[str, Any]) -> VesselSettings:
    """Return the settings of one vessel from its subentry's data.

    Raises:
        SettingsError: naming the key that cannot be used and why. A shape that cannot
            exist raises ``engine.geometry.GeometryError``; both are ValueErrors.
    """
    measure = _measure(data)
    vessel = _vessel(data)
    empty_m, start_m, full_m, high_m = _marks(data, vessel.height_m)
    stale_after_s = data.get(CONF_STALE_AFTER_S)
    return VesselSettings(
        source=entity(data, CONF_SOURCE),
        measure=measure,
        sensor_zero_m=number(
            data, CONF_SENSOR_ZERO_M, vessel.height_m if measure is Measure.DISTANCE else 0.0
        ),
        span_m=positive(data, CONF_SPAN_M) if measure is Measure.CURRENT else None,
        vessel=vessel,
        empty_m=empty_m,
        start_m=start_m,
        full_m=full_m,
        high_m=high_m,
        temperature_source=data.get(CONF_TEMPERATURE_SOURCE),
        replaces_evaporation=bool(data.get(CONF_REPLACES_EVAPORATION, False)),
        zero_is_suspect=bool(data.get(CONF_ZERO_IS_SUSPECT, zero_is_suspect_by_default(measure))),
        stale_after_s=None if stale_after_s is None else positive(data, CONF_STALE_AFTER_S),
    )


def vessel_missing(named: ConfigSubentry | None) -> SettingsError:
    """Return why a vessel that something needs is not there; None: it was removed."""
    if named is None:
        return SettingsError(CONF_VESSEL, Code.VESSEL_REMOVED)
    return SettingsError(CONF_VESSEL, Code.VESSEL_NOT_RUNNING, vessel=named.title)


def zero_is_suspect_by_default(measure: Measure) -> bool:
    """Whether a number of exactly 0 is more likely an unplugged strip than an empty vessel.

    A distance of 0 says "full", and a loop current of 0 is a failure by NAMUR NE 43 anyway.
    """
    return measure not in (Measure.DISTANCE, Measure.CURRENT)


def _measure(data: Mapping[str, Any]) -> Measure:
    try:
        return Measure(data[CONF_MEASURE])
    except (KeyError, ValueError) as err:
        raise SettingsError(CONF_MEASURE, Code.NO_CHOICE) from err


def _vessel(data: Mapping[str, Any]) -> Vessel:
    shape = data.get(CONF_SHAPE)
    if not isinstance(shape, Mapping):
        raise SettingsError(CONF_SHAPE, Code.MISSING)
    return shape_from_dict(dict(shape))


def _marks(data: Mapping[str, Any], height_m: float) -> tuple[float, float, float, float]:
    empty_m = number(data, CONF_EMPTY_M, 0.0)
    start_m = number(data, CONF_START_M)
    full_m = number(data, CONF_FULL_M)
    high_m = number(data, CONF_HIGH_M, height_m)
    if empty_m < 0:
        raise SettingsError(CONF_EMPTY_M, Code.BELOW_0, value=Amount(empty_m, "m"))
    if not empty_m < start_m:
        other, value = Term(CONF_EMPTY_M), Amount(empty_m, "m")
        raise SettingsError(CONF_START_M, Code.NOT_ABOVE, other=other, value=value)
    if not start_m < full_m:
        other, value = Term(CONF_START_M), Amount(start_m, "m")
        raise SettingsError(CONF_FULL_M, Code.NOT_ABOVE, other=other, value=value)
    if not full_m <= high_m <= height_m + LENGTH_MARGIN_M:
        low, high = Amount(full_m, "m"), Amount(height_m, "m")
        raise SettingsError(CONF_HIGH_M, Code.BETWEEN, low=low, high=high)
    return empty_m, start_m, full_m, high_m


def amount(key: str, value: float) -> Amount:
    """Return the number of a key with the unit that the key's name ends in."""
    return Amount(value, UNITS.get(key.rpartition("_")[2], ""))


def entity(data: Mapping[str, Any], key: str) -> str:
    """Return the entity a key names.

    Raises:
        SettingsError: It names none.
    """
    value = data.get(key)
    if not isinstance(value, str) or not value:
        raise SettingsError(key, Code.NO_ENTITY)
    return value


def positive(data: Mapping[str, Any], key: str, default: float | None = None) -> float:
    """Return a number greater than 0.

    Raises:
        SettingsError: It is none.
    """
    value = number(data, key, default)
    if value <= 0:
        raise SettingsError(key, Code.NOT_ABOVE_0, value=amount(key, value))
    return value


def number(data: Mapping[str, Any], key: str, default: float | None = None) -> float:
    """Return a finite number.

    Raises:
        SettingsError: It is none.
    """
    value = data.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise SettingsError(key, Code.NOT_FINITE)
    return float(value)
