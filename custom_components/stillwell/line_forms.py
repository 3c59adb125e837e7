"""The forms of a fill line: their fields, and the way between what is typed and what is stored."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import voluptuous as vol
from homeassistant.data_entry_flow import section
from homeassistant.helpers.selector import (
    BooleanSelector,
    DurationSelector,
    TextSelector,
)

from .const import (
    CONF_COUNTDOWN,
    CONF_COUNTDOWN_TEST_DAYS,
    CONF_DAILY_RUN_S,
    CONF_DAILY_VOLUME_L,
    CONF_DESTINATION,
    CONF_DEVICE,
    CONF_DIRECTION,
    CONF_FEEDS_SYSTEM,
    CONF_FRESH_WATER_CAP_FRAC,
    CONF_HIGH_INPUTS,
    CONF_HIGH_TEST_DAYS,
    CONF_LEAK_INPUTS,
    CONF_LEAK_TEST_DAYS,
    CONF_LONGEST_RUN_S,
    CONF_REHEARSAL,
    CONF_RETURN_PUMP,
    CONF_RETURN_SETTLE_S,
    CONF_SECONDARY,
    CONF_SETTLE_S,
    CONF_SHORTEST_PAUSE_S,
    CONF_SOURCE_VESSEL,
    CONF_SUPPLY_EMPTY_INPUTS,
    DEFAULT_FRESH_WATER_CAP_FRAC,
    DEFAULT_LONGEST_RUN_S,
    DEFAULT_RETURN_SETTLE_S,
    DEFAULT_SETTLE_S,
    DEFAULT_SHORTEST_PAUSE_S,
    DIRECTION_DRAIN,
    DIRECTION_FILL,
)
from .vessel_forms import (
    FILL_DOMAINS,
    INPUT_DOMAINS,
    choice_field,
    entity_field,
    number_field,
    subentry_field,
)
from .vessel_values import duration_of, seconds_of

if TYPE_CHECKING:
    from homeassistant.config_entries import ConfigSubentry

    from .form_units import FormUnits

FIELD_NAME: Final = "name"
FIELD_LONGEST_RUN: Final = "longest_run"
FIELD_SETTLE: Final = "settle"
FIELD_SHORTEST_PAUSE: Final = "shortest_pause"
FIELD_DAILY_VOLUME: Final = "daily_volume"
FIELD_DAILY_RUN: Final = "daily_run"
FIELD_FRESH_CAP: Final = "fresh_cap"
FIELD_RETURN_SETTLE: Final = "return_settle"
SECTION_INPUTS: Final = "inputs"
SECTION_LAYERS: Final = "layers"
SECTION_PUMP: Final = "pump"
SECTION_TESTS: Final = "tests"

NUMBER_DOMAINS: Final = ["number", "input_number"]
PUMP_DOMAINS: Final = ["switch", "input_boolean", "binary_sensor"]
DURATIONS: Final = {
    FIELD_LONGEST_RUN: (CONF_LONGEST_RUN_S, DEFAULT_LONGEST_RUN_S),
    FIELD_SETTLE: (CONF_SETTLE_S, DEFAULT_SETTLE_S),
    FIELD_SHORTEST_PAUSE: (CONF_SHORTEST_PAUSE_S, DEFAULT_SHORTEST_PAUSE_S),
}
SECTION_FIELDS: Final = {
    SECTION_INPUTS: (CONF_HIGH_INPUTS, CONF_LEAK_INPUTS, CONF_SUPPLY_EMPTY_INPUTS),
    SECTION_LAYERS: (CONF_SECONDARY, CONF_COUNTDOWN),
    SECTION_PUMP: (CONF_RETURN_PUMP,),
    SECTION_TESTS: (CONF_HIGH_TEST_DAYS, CONF_LEAK_TEST_DAYS, CONF_COUNTDOWN_TEST_DAYS),
}
PERCENT: Final = 100.0


def ends_schema(
    vessels: list[ConfigSubentry], own_entities: list[str], *, is_new: bool
) -> vol.Schema:
    """Ask for the name, the device, and where the water comes from and goes to."""
    choice = subentry_field(vessels)
    fields: dict[Any, Any] = {
        vol.Required(FIELD_NAME): TextSelector(),
        vol.Required(CONF_DEVICE): entity_field(FILL_DOMAINS, own_entities),
        vol.Required(CONF_DIRECTION, default=DIRECTION_FILL): choice_field(
            CONF_DIRECTION, [DIRECTION_FILL, DIRECTION_DRAIN]
        ),
        vol.Required(CONF_DESTINATION, default=vessels[0].subentry_id): choice,
        vol.Optional(CONF_SOURCE_VESSEL): choice,
        vol.Required(CONF_FEEDS_SYSTEM, default=False): BooleanSelector(),
    }
    if is_new:
        fields[vol.Required(CONF_REHEARSAL, default=False)] = BooleanSelector()
    return vol.Schema(fields)


def limits_schema(
    units: FormUnits, own_entities: list[str], *, feeds_system: bool, opened: str | None
) -> vol.Schema:
    """Ask for limits and waits, and in sections for inputs, further layers, pump and tests."""
    fields: dict[Any, Any] = {
        vol.Required(name, default=duration_of(default_s)): DurationSelector()
        for name, (_, default_s) in DURATIONS.items()
    }
    fields[vol.Optional(FIELD_DAILY_VOLUME)] = number_field(units.volume)
    fields[vol.Optional(FIELD_DAILY_RUN)] = DurationSelector()
    if feeds_system:
        default = PERCENT * DEFAULT_FRESH_WATER_CAP_FRAC
        fields[vol.Required(FIELD_FRESH_CAP, default=default)] = number_field("%")
    inputs = {
        vol.Optional(key): entity_field(INPUT_DOMAINS, own_entities, multiple=True)
        for key in SECTION_FIELDS[SECTION_INPUTS]
    }
    layers: dict[Any, Any] = {
        vol.Optional(CONF_SECONDARY): entity_field(FILL_DOMAINS, own_entities, multiple=True),
        vol.Optional(CONF_COUNTDOWN): entity_field(NUMBER_DOMAINS, own_entities),
    }
    pump: dict[Any, Any] = {
        vol.Optional(CONF_RETURN_PUMP): entity_field(PUMP_DOMAINS, own_entities),
        vol.Required(
            FIELD_RETURN_SETTLE, default=duration_of(DEFAULT_RETURN_SETTLE_S)
        ): DurationSelector(),
    }
    tests = {vol.Optional(key): number_field("d") for key in SECTION_FIELDS[SECTION_TESTS]}
    for name, part in (
        (SECTION_INPUTS, inputs),
        (SECTION_LAYERS, layers),
        (SECTION_PUMP, pump),
        (SECTION_TESTS, tests),
    ):
        fields[vol.Required(name)] = section(vol.Schema(part), {"collapsed": opened != name})
    return vol.Schema(fields)


def limits_values(data: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return stored limits and choices as the form shows them."""
    values: dict[str, Any] = {
        name: duration_of(data[key]) for name, (key, _) in DURATIONS.items() if key in data
    }
    if CONF_DAILY_VOLUME_L in data:
        values[FIELD_DAILY_VOLUME] = units.from_l(data[CONF_DAILY_VOLUME_L])
    if CONF_DAILY_RUN_S in data:
        values[FIELD_DAILY_RUN] = duration_of(data[CONF_DAILY_RUN_S])
    if CONF_FRESH_WATER_CAP_FRAC in data:
        values[FIELD_FRESH_CAP] = round(PERCENT * data[CONF_FRESH_WATER_CAP_FRAC], 6)
    for name, keys in SECTION_FIELDS.items():
        values[name] = {key: data[key] for key in keys if key in data}
    if CONF_RETURN_SETTLE_S in data:
        values[SECTION_PUMP][FIELD_RETURN_SETTLE] = duration_of(data[CONF_RETURN_SETTLE_S])
    return values


def limits_data(values: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return what the form says in the terms that are stored; absent is not chosen."""
    data: dict[str, Any] = {key: seconds_of(values[name]) for name, (key, _) in DURATIONS.items()}
    volume = values.get(FIELD_DAILY_VOLUME)
    data[CONF_DAILY_VOLUME_L] = None if volume is None else units.to_l(volume)
    # A duration field that was touched and emptied arrives as all zeros.
    data[CONF_DAILY_RUN_S] = seconds_of(values.get(FIELD_DAILY_RUN) or {}) or None
    if FIELD_FRESH_CAP in values:
        data[CONF_FRESH_WATER_CAP_FRAC] = values[FIELD_FRESH_CAP] / PERCENT
    for name, keys in SECTION_FIELDS.items():
        # A list that was emptied is as good as none.
        data |= {key: values[name].get(key) for key in keys if values[name].get(key) != []}
    data[CONF_RETURN_SETTLE_S] = seconds_of(values[SECTION_PUMP][FIELD_RETURN_SETTLE])
    return {key: value for key, value in data.items() if value is not None}


def percent_text(frac: float) -> str:
    """Return a share as the form's percentage."""
    return f"{PERCENT * frac:g}"
