"""The way between what a vessel's forms show and what is stored."""

from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from .const import (
    CONF_DEVICE,
    CONF_HIGH_INPUTS,
    CONF_LEAK_INPUTS,
    CONF_LONGEST_RUN_S,
    CONF_MEASURE,
    CONF_REPLACES_EVAPORATION,
    CONF_SENSOR_ZERO_M,
    CONF_SHAPE,
    CONF_SPAN_M,
    CONF_STALE_AFTER_S,
    CONF_TEMPERATURE_SOURCE,
    CONF_ZERO_IS_SUSPECT,
    DEFAULT_FRESH_WATER_CAP_FRAC,
    SUBENTRY_SUMP,
)
from .engine.line_limits import fresh_water_cap_l
from .settings import Measure
from .vessel_forms import (
    FIELD_EMPTY,
    FIELD_FILL_DEVICE,
    FIELD_FULL,
    FIELD_HIGH,
    FIELD_HIGH_INPUTS,
    FIELD_LEAK_INPUTS,
    FIELD_LONGEST_RUN,
    FIELD_REPLACES_EVAPORATION,
    FIELD_SENSOR_FACE,
    FIELD_SENSOR_ZERO,
    FIELD_SPAN,
    FIELD_STALE_AFTER,
    FIELD_START,
    FIELD_TABLE,
    FIELD_TEMPERATURE_SOURCE,
    FIELD_ZERO_IS_SUSPECT,
    MARKS,
    SECTION_FILLING,
    SECTION_SIGNAL,
    SHAPE_FIELDS,
    STRAPPING,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .engine.geometry import Vessel
    from .form_units import FormUnits

# On a strip 15 in long a refill is due below 3 in and full above 13 in (common practice, no
# source): the same shares of the height are proposed for every vessel that is filled whole.
_PROPOSED_FRAC: Final = {
    FIELD_EMPTY: 1 / 15,
    FIELD_START: 3 / 15,
    FIELD_FULL: 13 / 15,
    FIELD_HIGH: 14 / 15,
}
# A sump on the same strip is topped off below 6 in, until above 7 in (common practice, no source).
# What lies above is room for what comes down when the return pump stops.
_PROPOSED_SUMP_FRAC: Final = {
    FIELD_EMPTY: 3 / 15,
    FIELD_START: 6 / 15,
    FIELD_FULL: 7 / 15,
    FIELD_HIGH: 9 / 15,
}
_TOP_OFF_FRAC: Final = 0.8
"""A top-off that is proposed stays this far below the most fresh water of one run."""


def proposed_marks(
    kind: str, vessel: Vessel, system_l: float, units: FormUnits
) -> dict[str, float]:
    """Return marks to start from, in the form's unit."""
    is_sump = kind == SUBENTRY_SUMP
    fractions = _PROPOSED_SUMP_FRAC if is_sump else _PROPOSED_FRAC
    marks_m = {name: frac * vessel.height_m for name, frac in fractions.items()}
    if is_sump:
        start_l = vessel.volume_l(marks_m[FIELD_START])
        most_l = _TOP_OFF_FRAC * fresh_water_cap_l(system_l, DEFAULT_FRESH_WATER_CAP_FRAC)
        highest_m = vessel.depth_m(min(start_l + most_l, vessel.capacity_l))
        marks_m[FIELD_FULL] = min(marks_m[FIELD_FULL], highest_m)
    return {name: round(units.from_m(mark_m), 1) for name, mark_m in marks_m.items()}


def shape_values(data: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return stored dimensions and sensor position as the shape form shows them.

    Dimensions of another shape come along: a height stays a height.
    """
    shape = data.get(CONF_SHAPE, {})
    values: dict[str, Any] = {
        name: units.from_m(shape[f"{name}_m"])
        for names in SHAPE_FIELDS.values()
        for name in names
        if f"{name}_m" in shape
    }
    if shape.get("kind") == STRAPPING:
        values[FIELD_TABLE] = "\n".join(
            f"{units.from_m(depth_m):g}; {units.from_l(volume_l):g}"
            for depth_m, volume_l in zip(shape["depths_m"], shape["volumes_l"], strict=True)
        )
    if CONF_SENSOR_ZERO_M in data:
        is_face = data.get(CONF_MEASURE) == Measure.DISTANCE
        key = FIELD_SENSOR_FACE if is_face else FIELD_SENSOR_ZERO
        values[key] = units.from_m(data[CONF_SENSOR_ZERO_M])
    if CONF_SPAN_M in data:
        values[FIELD_SPAN] = units.from_m(data[CONF_SPAN_M])
    return values


def band_values(data: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return stored marks and choices as the band form shows them."""
    signal = _chosen(data, FIELD_ZERO_IS_SUSPECT)
    if CONF_STALE_AFTER_S in data:
        signal[FIELD_STALE_AFTER] = duration_of(data[CONF_STALE_AFTER_S])
    return {
        **{name: units.from_m(data[key]) for name, key in MARKS.items() if key in data},
        **_chosen(data, FIELD_TEMPERATURE_SOURCE, FIELD_REPLACES_EVAPORATION),
        SECTION_SIGNAL: signal,
    }


def band_data(values: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return what the band form says in the terms that are stored; absent is not chosen."""
    signal = values[SECTION_SIGNAL]
    data: dict[str, Any] = {key: units.to_m(values[name]) for name, key in MARKS.items()}
    data[CONF_TEMPERATURE_SOURCE] = values.get(FIELD_TEMPERATURE_SOURCE)
    data[CONF_REPLACES_EVAPORATION] = values[FIELD_REPLACES_EVAPORATION]
    data[CONF_ZERO_IS_SUSPECT] = signal[FIELD_ZERO_IS_SUSPECT]
    # A duration field that was touched and emptied arrives as all zeros.
    data[CONF_STALE_AFTER_S] = seconds_of(signal.get(FIELD_STALE_AFTER) or {}) or None
    return {key: value for key, value in data.items() if value is not None}


def filling_data(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fill line that a newcomer's band form asks for; empty without a device."""
    filling = values.get(SECTION_FILLING, {})
    if (device := filling.get(FIELD_FILL_DEVICE)) is None:
        return {}
    data = {
        CONF_DEVICE: device,
        CONF_LONGEST_RUN_S: seconds_of(filling[FIELD_LONGEST_RUN]),
        CONF_HIGH_INPUTS: filling.get(FIELD_HIGH_INPUTS) or None,
        CONF_LEAK_INPUTS: filling.get(FIELD_LEAK_INPUTS) or None,
    }
    return {key: value for key, value in data.items() if value is not None}


def seconds_of(duration: Mapping[str, float]) -> float:
    """Return a form's duration in s."""
    return timedelta(**duration).total_seconds()


def duration_of(seconds: float) -> dict[str, int]:
    """Return a time in s as the form shows it."""
    minutes, rest_s = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return {"hours": hours, "minutes": minutes, "seconds": rest_s}


def _chosen(data: Mapping[str, Any], *names: str) -> dict[str, Any]:
    return {name: data[name] for name in names if name in data}
