"""The forms of a vessel: their fields, and the way between what is typed and what is stored."""

from typing import TYPE_CHECKING, Any, Final

import voluptuous as vol
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
    SelectOptionDict,
    SelectSelector,
    SelectSelectorConfig,
    SelectSelectorMode,
    TextSelector,
    TextSelectorConfig,
)

from .const import (
    CONF_EMPTY_M,
    CONF_FULL_M,
    CONF_HIGH_M,
    CONF_START_M,
)
from .settings import Measure

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from homeassistant.config_entries import ConfigSubentry

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
FIELD_CAPTURE: Final = "capture"
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
FIELD_BACK: Final = "go_back"
FIELD_BLUEPRINTS: Final = "install_blueprints"

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
DEFAULT_RUN: Final = {"hours": 2, "minutes": 0, "seconds": 0}

LEVEL_DOMAINS: Final = ["sensor", "number", "input_number"]
FILL_DOMAINS: Final = ["switch", "valve", "input_boolean"]
INPUT_DOMAINS: Final = ["binary_sensor", "input_boolean"]


def source_schema(own_entities: list[str]) -> vol.Schema:
    """Ask for the vessel's name, its level source, and what the source measures."""
    return vol.Schema(
        {
            vol.Required(FIELD_NAME): TextSelector(),
            vol.Required(FIELD_SOURCE): entity_field(LEVEL_DOMAINS, own_entities),
            vol.Required(FIELD_MEASURE, default=Measure.DEPTH.value): choice_field(
                "measure", [measure.value for measure in Measure]
            ),
            vol.Required(FIELD_SHAPE, default="box"): choice_field("shape", list(SHAPE_FIELDS)),
        }
    )


def shape_schema(kind: str, measure: Measure, units: FormUnits) -> vol.Schema:
    """Ask for the dimensions of one shape, and where the sensor sits."""
    fields: dict[Any, Any] = {
        vol.Required(name): length_field(units) for name in SHAPE_FIELDS[kind]
    }
    if kind == STRAPPING:
        fields[vol.Required(FIELD_TABLE)] = TextSelector(TextSelectorConfig(multiline=True))
    if measure is Measure.DISTANCE:
        fields[vol.Optional(FIELD_SENSOR_FACE)] = length_field(units)
    if measure in (Measure.DEPTH, Measure.CURRENT):
        fields[vol.Required(FIELD_SENSOR_ZERO, default=0)] = length_field(units)
    if measure is Measure.CURRENT:
        fields[vol.Required(FIELD_SPAN)] = length_field(units)
    return vol.Schema(fields)


def band_schema(
    proposed: Mapping[str, float],
    units: FormUnits,
    own_entities: list[str],
    *,
    zero_is_suspect: bool,
    replaces_evaporation: bool,
    with_filling: bool,
    opened: str | None,
) -> vol.Schema:
    """Ask for the marks, and in sections for the signal and, of a newcomer, the filling."""
    fields: dict[Any, Any] = {
        vol.Required(name, default=proposed[name]): length_field(units) for name in MARKS
    }
    fields[vol.Optional(FIELD_CAPTURE)] = choice_field(FIELD_CAPTURE, list(MARKS))
    fields[vol.Optional(FIELD_TEMPERATURE_SOURCE)] = entity_field(LEVEL_DOMAINS, own_entities)
    fields[vol.Required(FIELD_REPLACES_EVAPORATION, default=replaces_evaporation)] = (
        BooleanSelector()
    )
    if with_filling:
        fields[vol.Required(SECTION_FILLING)] = section(
            _filling_schema(own_entities), {"collapsed": opened != SECTION_FILLING}
        )
    fields[vol.Required(SECTION_SIGNAL)] = section(
        _signal_schema(zero_is_suspect=zero_is_suspect), {"collapsed": opened != SECTION_SIGNAL}
    )
    return vol.Schema(fields)


def confirm_schema(*, with_blueprints: bool) -> vol.Schema:
    """Ask whether all is right; where the blueprints are not there yet, whether to write them."""
    asked = {vol.Optional(FIELD_BACK, default=False): BooleanSelector()}
    if with_blueprints:
        asked[vol.Optional(FIELD_BLUEPRINTS, default=False)] = BooleanSelector()
    return vol.Schema(asked)


def _filling_schema(own_entities: list[str]) -> vol.Schema:
    inputs = entity_field(INPUT_DOMAINS, own_entities, multiple=True)
    return vol.Schema(
        {
            vol.Optional(FIELD_FILL_DEVICE): entity_field(FILL_DOMAINS, own_entities),
            vol.Required(FIELD_LONGEST_RUN, default=DEFAULT_RUN): DurationSelector(),
            vol.Optional(FIELD_HIGH_INPUTS): inputs,
            vol.Optional(FIELD_LEAK_INPUTS): inputs,
        }
    )


def _signal_schema(*, zero_is_suspect: bool) -> vol.Schema:
    return vol.Schema(
        {
            vol.Required(FIELD_ZERO_IS_SUSPECT, default=zero_is_suspect): BooleanSelector(),
            vol.Optional(FIELD_STALE_AFTER): DurationSelector(
                DurationSelectorConfig(enable_day=True)
            ),
        }
    )


def entity_field(
    domains: list[str], own_entities: list[str], *, multiple: bool = False
) -> EntitySelector:
    """Ask for entities of some domains, none of this integration."""
    begun = tuple(f"{domain}." for domain in domains)
    hidden = [entity_id for entity_id in own_entities if entity_id.startswith(begun)]
    return EntitySelector(
        EntitySelectorConfig(domain=domains, exclude_entities=hidden, multiple=multiple)
    )


def choice_field(key: str, options: list[str]) -> SelectSelector:
    """Ask for one of a list whose words are translated."""
    return SelectSelector(
        SelectSelectorConfig(options=options, translation_key=key, mode=SelectSelectorMode.DROPDOWN)
    )


def number_field(unit: str | None) -> NumberSelector:
    """Ask for a number in a unit.

    Without a least value of the field's own: what is below it the hub would refuse in English,
    whatever the keeper's language, and without a value that works. The checks of the forms do.
    """
    config = NumberSelectorConfig(step="any", mode=NumberSelectorMode.BOX)
    if unit is not None:
        config["unit_of_measurement"] = unit
    return NumberSelector(config)


def subentry_field(found: Iterable[ConfigSubentry]) -> SelectSelector:
    """Ask for a vessel, a line or a watch of the same system."""
    options = [SelectOptionDict(value=one.subentry_id, label=one.title) for one in found]
    return SelectSelector(SelectSelectorConfig(options=options, mode=SelectSelectorMode.DROPDOWN))


def length_field(units: FormUnits) -> NumberSelector:
    """Ask for a length in the form's unit."""
    return NumberSelector(
        NumberSelectorConfig(
            step="any", unit_of_measurement=units.length, mode=NumberSelectorMode.BOX
        )
    )
