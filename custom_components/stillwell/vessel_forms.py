"""The forms of a vessel: their fields, and the way between what is typed and what is stored."""

from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

import probatio
from homeassistant.data_entry_flow import section
from homeassistant.helpers.selector import (
    BooleanSelector,
    DurationSelector,
    DurationSelectorConfig,
    EntitySelector,
    EntitySelectorConfig,
    NumberSelector,
    NumberSelectorConfig,
    NumberSelectorMode,
    SelectSelector,
    SelectSelectorConfig,
    SelectSelectorMode,
    TextSelector,
    TextSelectorConfig,
)

from .const import (
    CONF_EMPTY_M,
    CONF_FILL_DEVICE,
    CONF_FULL_M,
    CONF_HIGH_INPUTS,
    CONF_HIGH_M,
    CONF_LEAK_INPUTS,
    CONF_LONGEST_RUN_S,
    CONF_MEASURE,
    CONF_REPLACES_EVAPORATION,
    CONF_SENSOR_ZERO_M,
    CONF_SHAPE,
    CONF_SPAN_M,
    CONF_STALE_AFTER_S,
    CONF_START_M,
    CONF_TEMPERATURE_SOURCE,
    CONF_ZERO_IS_SUSPECT,
    DEFAULT_LONGEST_RUN_S,
)
from .settings import Measure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .form_units import FormUnits

FIELD_NAME: Final = "name"
FIELD_SOURCE: Final = "source"
FIELD_MEASURE: Final = "measure"
FIELD_SHAPE: Final = "shape"
FIELD_TABLE: Final = "table"
FIELD_SENSOR_ZERO: Final = "sensor_zero"
FIELD_SENSOR_FACE: Final = "sensor_face"
FIELD_SPAN: Final = "span"
FIELD_EMPTY: Final = "empty"
FIELD_START: Final = "start"
FIELD_FULL: Final = "full"
FIELD_HIGH: Final = "high"
FIELD_TEMPERATURE_SOURCE: Final = "temperature_source"
FIELD_REPLACES_EVAPORATION: Final = "replaces_evaporation"
SECTION_FILLING: Final = "filling"
FIELD_FILL_DEVICE: Final = "fill_device"
FIELD_LONGEST_RUN: Final = "longest_run"
FIELD_HIGH_INPUTS: Final = "high_inputs"
FIELD_LEAK_INPUTS: Final = "leak_inputs"
SECTION_SIGNAL: Final = "signal"
FIELD_ZERO_IS_SUSPECT: Final = "zero_is_suspect"
FIELD_STALE_AFTER: Final = "stale_after"

STRAPPING: Final = "strapping"
SHAPE_FIELDS: Final[dict[str, tuple[str, ...]]] = {
    "box": ("length", "width", "height"),
    "upright_cylinder": ("diameter", "height"),
    "lying_cylinder": ("diameter", "length"),
    "tapered_bin": ("bottom_length", "bottom_width", "top_length", "top_width", "height"),
    "cone_bottom": ("diameter", "cone", "height"),
    STRAPPING: (),
}
MARKS: Final = {
    FIELD_EMPTY: CONF_EMPTY_M,
    FIELD_START: CONF_START_M,
    FIELD_FULL: CONF_FULL_M,
    FIELD_HIGH: CONF_HIGH_M,
}
# On a strip 15 in long a refill is due below 3 in and full above 13 in (common practice, no
# source): the same shares of the height are proposed for every vessel.
_PROPOSED_FRAC: Final = {
    FIELD_EMPTY: 1 / 15,
    FIELD_START: 3 / 15,
    FIELD_FULL: 13 / 15,
    FIELD_HIGH: 14 / 15,
}

LEVEL_DOMAINS: Final = ["sensor", "number", "input_number"]
FILL_DOMAINS: Final = ["switch", "valve", "input_boolean"]
INPUT_DOMAINS: Final = ["binary_sensor", "input_boolean"]


def source_schema(own_entities: list[str]) -> probatio.Schema:
    """Ask for the vessel's name, its level source, and what the source measures."""
    return probatio.Schema(
        {
            probatio.Required(FIELD_NAME): TextSelector(),
            probatio.Required(FIELD_SOURCE): _entity(LEVEL_DOMAINS, own_entities),
            probatio.Required(FIELD_MEASURE, default=Measure.DEPTH.value): _choice(
                "measure", [measure.value for measure in Measure]
            ),
            probatio.Required(FIELD_SHAPE, default="box"): _choice("shape", list(SHAPE_FIELDS)),
        }
    )


def shape_schema(kind: str, measure: Measure, units: FormUnits) -> probatio.Schema:
    """Ask for the dimensions of one shape, and where the sensor sits."""
    fields: dict[Any, Any] = {
        probatio.Required(name): _length(units) for name in SHAPE_FIELDS[kind]
    }
    if kind == STRAPPING:
        fields[probatio.Required(FIELD_TABLE)] = TextSelector(TextSelectorConfig(multiline=True))
    if measure is Measure.DISTANCE:
        fields[probatio.Optional(FIELD_SENSOR_FACE)] = _length(units)
    if measure in (Measure.DEPTH, Measure.CURRENT):
        fields[probatio.Required(FIELD_SENSOR_ZERO, default=0)] = _length(units)
    if measure is Measure.CURRENT:
        fields[probatio.Required(FIELD_SPAN)] = _length(units)
    return probatio.Schema(fields)


def band_schema(
    proposed: Mapping[str, float],
    units: FormUnits,
    own_entities: list[str],
    *,
    zero_is_suspect: bool,
    opened: str | None,
) -> probatio.Schema:
    """Ask for the marks, and in two sections for the filling and the signal."""
    fields: dict[Any, Any] = {
        probatio.Required(name, default=proposed[name]): _length(units) for name in MARKS
    }
    fields[probatio.Optional(FIELD_TEMPERATURE_SOURCE)] = _entity(LEVEL_DOMAINS, own_entities)
    fields[probatio.Required(FIELD_REPLACES_EVAPORATION, default=False)] = BooleanSelector()
    fields[probatio.Required(SECTION_FILLING)] = section(
        _filling_schema(own_entities), {"collapsed": opened != SECTION_FILLING}
    )
    fields[probatio.Required(SECTION_SIGNAL)] = section(
        _signal_schema(zero_is_suspect=zero_is_suspect), {"collapsed": opened != SECTION_SIGNAL}
    )
    return probatio.Schema(fields)


def _filling_schema(own_entities: list[str]) -> probatio.Schema:
    return probatio.Schema(
        {
            probatio.Optional(FIELD_FILL_DEVICE): _entity(FILL_DOMAINS, own_entities),
            probatio.Required(
                FIELD_LONGEST_RUN, default=duration_of(DEFAULT_LONGEST_RUN_S)
            ): DurationSelector(),
            probatio.Optional(FIELD_HIGH_INPUTS): _entity(
                INPUT_DOMAINS, own_entities, multiple=True
            ),
            probatio.Optional(FIELD_LEAK_INPUTS): _entity(
                INPUT_DOMAINS, own_entities, multiple=True
            ),
        }
    )


def _signal_schema(*, zero_is_suspect: bool) -> probatio.Schema:
    return probatio.Schema(
        {
            probatio.Required(FIELD_ZERO_IS_SUSPECT, default=zero_is_suspect): BooleanSelector(),
            probatio.Optional(FIELD_STALE_AFTER): DurationSelector(
                DurationSelectorConfig(enable_day=True)
            ),
        }
    )


def proposed_marks(height_m: float, units: FormUnits) -> dict[str, float]:
    """Return marks to start from, in the form's unit."""
    return {name: round(units.from_m(frac * height_m), 1) for name, frac in _PROPOSED_FRAC.items()}


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
    durations = {
        key: duration_of(data[key])
        for key in (CONF_LONGEST_RUN_S, CONF_STALE_AFTER_S)
        if key in data
    }
    return {
        **{name: units.from_m(data[key]) for name, key in MARKS.items() if key in data},
        **_chosen(data, FIELD_TEMPERATURE_SOURCE, FIELD_REPLACES_EVAPORATION),
        SECTION_FILLING: {
            **_chosen(data, FIELD_FILL_DEVICE, FIELD_HIGH_INPUTS, FIELD_LEAK_INPUTS),
            **_renamed(durations, CONF_LONGEST_RUN_S, FIELD_LONGEST_RUN),
        },
        SECTION_SIGNAL: {
            **_chosen(data, FIELD_ZERO_IS_SUSPECT),
            **_renamed(durations, CONF_STALE_AFTER_S, FIELD_STALE_AFTER),
        },
    }


def band_data(values: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return what the band form says in the terms that are stored; absent is not chosen."""
    filling, signal = values[SECTION_FILLING], values[SECTION_SIGNAL]
    data: dict[str, Any] = {key: units.to_m(values[name]) for name, key in MARKS.items()}
    data[CONF_TEMPERATURE_SOURCE] = values.get(FIELD_TEMPERATURE_SOURCE)
    data[CONF_REPLACES_EVAPORATION] = values[FIELD_REPLACES_EVAPORATION]
    data[CONF_FILL_DEVICE] = filling.get(FIELD_FILL_DEVICE)
    data[CONF_LONGEST_RUN_S] = seconds_of(filling[FIELD_LONGEST_RUN])
    data[CONF_HIGH_INPUTS] = filling.get(FIELD_HIGH_INPUTS) or None
    data[CONF_LEAK_INPUTS] = filling.get(FIELD_LEAK_INPUTS) or None
    data[CONF_ZERO_IS_SUSPECT] = signal[FIELD_ZERO_IS_SUSPECT]
    # A duration field that was touched and emptied arrives as all zeros.
    data[CONF_STALE_AFTER_S] = seconds_of(signal.get(FIELD_STALE_AFTER) or {}) or None
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


def _renamed(data: Mapping[str, Any], key: str, name: str) -> dict[str, Any]:
    return {name: data[key]} if key in data else {}


def _entity(
    domains: list[str], own_entities: list[str], *, multiple: bool = False
) -> EntitySelector:
    hidden = [entity_id for entity_id in own_entities if entity_id.split(".")[0] in domains]
    return EntitySelector(
        EntitySelectorConfig(domain=domains, exclude_entities=hidden, multiple=multiple)
    )


def _choice(key: str, options: list[str]) -> SelectSelector:
    return SelectSelector(
        SelectSelectorConfig(options=options, translation_key=key, mode=SelectSelectorMode.DROPDOWN)
    )


def _length(units: FormUnits) -> NumberSelector:
    return NumberSelector(
        NumberSelectorConfig(
            min=0, step="any", unit_of_measurement=units.length, mode=NumberSelectorMode.BOX
        )
    )
