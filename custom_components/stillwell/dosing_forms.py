"""The forms of a dosing line: their fields, and the way between typed and stored."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import voluptuous as vol
from homeassistant.data_entry_flow import section
from homeassistant.helpers.selector import (
    TextSelector,
)

from .const import (
    CONF_ALKALINITY_DKH,
    CONF_CEILING_L_PER_H,
    CONF_DOSING_PUMP,
    CONF_FLOOR_L_PER_H,
    CONF_MOST_PER_DAY_L,
    CONF_MOST_PER_DOSE_L,
    CONF_MOST_PER_HOUR_L,
    CONF_MOST_PH_RISE,
    CONF_ORP_HIGH_MV,
    CONF_ORP_LOW_MV,
    CONF_ORP_SOURCE,
    CONF_PH_HIGH,
    CONF_PH_LOW,
    CONF_PH_SOURCE,
    CONF_PUMP_L_PER_H,
    CONF_RETURN_PUMP,
    CONF_STOCK_CONDUCTIVITY,
    CONF_STOCK_TEMPERATURE,
    CONF_STOCK_VESSEL,
    CONF_TARGET_M,
    CONF_VESSEL,
    SUBENTRY_SUMP,
)
from .engine.limewater_line import proposed_caps_l, proposed_ceiling_l_per_h
from .line_forms import PUMP_DOMAINS
from .stored_flow import FIELD_NAME
from .vessel_forms import LEVEL_DOMAINS, entity_field, number_field, subentry_field

if TYPE_CHECKING:
    from homeassistant.config_entries import ConfigSubentry

    from .form_units import FormUnits

FIELD_PUMP_FLOW: Final = "pump_flow"
FIELD_TARGET: Final = "target"
FIELD_CEILING: Final = "ceiling"
FIELD_FLOOR: Final = "floor"
FIELD_PER_DOSE: Final = "per_dose"
FIELD_PER_HOUR: Final = "per_hour"
FIELD_PER_DAY: Final = "per_day"
FIELD_ALKALINITY: Final = "alkalinity"
SECTION_STOCK: Final = "stock"
SECTION_PROBES: Final = "probes"

DOSING_DOMAINS: Final = ["switch", "valve", "input_boolean", "number", "input_number", "sensor"]
STOCK_KEYS: Final = (CONF_STOCK_VESSEL, CONF_STOCK_TEMPERATURE, CONF_STOCK_CONDUCTIVITY)
PROBE_KEYS: Final = (
    CONF_MOST_PH_RISE,
    CONF_PH_SOURCE,
    CONF_PH_LOW,
    CONF_PH_HIGH,
    CONF_ORP_SOURCE,
    CONF_ORP_LOW_MV,
    CONF_ORP_HIGH_MV,
)
SMALL: Final = {
    FIELD_CEILING: (CONF_CEILING_L_PER_H, "mL/h"),
    FIELD_FLOOR: (CONF_FLOOR_L_PER_H, "mL/h"),
    FIELD_PER_DOSE: (CONF_MOST_PER_DOSE_L, "mL"),
    FIELD_PER_HOUR: (CONF_MOST_PER_HOUR_L, "mL"),
    FIELD_PER_DAY: (CONF_MOST_PER_DAY_L, "mL"),
}
"""Doses are small: mL in the form, L in what is stored."""
CAPS: Final = (FIELD_PER_DOSE, FIELD_PER_HOUR, FIELD_PER_DAY)
ML_PER_L: Final = 1000.0
ML_PER_MIN_IN_L_PER_H: Final = 0.06
# Natural seawater has 6.6 dKH, a coral or seagrass tank is kept at 7 to 9; a pH of 8.5 is the
# highest and 7.8 the lowest that is dosed at, a rise of 0.1 is borne (common practice, no source).
ALKALINITY_DKH: Final = 8.0
PH_LOW: Final = 7.8
PH_HIGH: Final = 8.45
MOST_PH_RISE: Final = 0.1
ORP_LOW_MV: Final = 200.0
ORP_HIGH_MV: Final = 450.0
_DIGITS: Final = 9
_FORM_DIGITS: Final = 4


def pump_schema(vessels: list[ConfigSubentry], own_entities: list[str]) -> vol.Schema:
    """Ask for name, sump and pumps; limewater into a reservoir is never what is proposed."""
    sumps = [vessel for vessel in vessels if vessel.subentry_type == SUBENTRY_SUMP]
    proposed = sumps[0].subentry_id if sumps else vol.UNDEFINED
    return vol.Schema(
        {
            vol.Required(FIELD_NAME): TextSelector(),
            vol.Required(CONF_VESSEL, default=proposed): subentry_field(vessels),
            vol.Optional(CONF_DOSING_PUMP): entity_field(DOSING_DOMAINS, own_entities),
            vol.Optional(FIELD_PUMP_FLOW): number_field("mL/min"),
            vol.Optional(CONF_RETURN_PUMP): entity_field(PUMP_DOMAINS, own_entities),
        }
    )


def ml_per_min(l_per_h: float) -> float:
    """Return a flow in mL/min, as the form shows it."""
    return round(l_per_h / ML_PER_MIN_IN_L_PER_H, _FORM_DIGITS)


def pump_values(name: str, data: Mapping[str, Any]) -> dict[str, Any]:
    """Return what is stored as the first form shows it."""
    keys = (CONF_VESSEL, CONF_DOSING_PUMP, CONF_RETURN_PUMP)
    values = {FIELD_NAME: name} | {key: data[key] for key in keys if key in data}
    if CONF_PUMP_L_PER_H in data:
        values[FIELD_PUMP_FLOW] = ml_per_min(data[CONF_PUMP_L_PER_H])
    return values


def pump_data(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the first form says in the terms that are stored."""
    keys = (CONF_VESSEL, CONF_DOSING_PUMP, CONF_RETURN_PUMP)
    data = {key: values[key] for key in keys if values.get(key)}
    flow = values.get(FIELD_PUMP_FLOW)
    if flow:
        data[CONF_PUMP_L_PER_H] = round(flow * ML_PER_MIN_IN_L_PER_H, _DIGITS)
    return data


def proposed_small_l(system_l: float) -> dict[str, float]:
    """Return what is proposed for a new line: field -> L, or L/h."""
    caps_l = proposed_caps_l(system_l)
    return dict(
        zip(SMALL, (proposed_ceiling_l_per_h(system_l), 0.0, *caps_l), strict=True),
    )


def small_text(name: str, litres: float) -> str:
    """Return an amount as the form shows it, with the unit of its field."""
    return f"{ML_PER_L * litres:.0f} {SMALL[name][1]}"


def limits_schema(
    units: FormUnits,
    others: list[ConfigSubentry],
    own_entities: list[str],
    system_l: float,
    *,
    opened: str | None,
) -> vol.Schema:
    """Ask for target and caps, and in sections for the stock and the probes."""
    proposed_l = proposed_small_l(system_l)
    fields: dict[Any, Any] = {vol.Required(FIELD_TARGET): number_field(units.length)}
    for name, (_, unit) in SMALL.items():
        shown = round(ML_PER_L * proposed_l[name])
        fields[vol.Required(name, default=shown)] = number_field(unit)
    fields[vol.Required(FIELD_ALKALINITY, default=ALKALINITY_DKH)] = number_field("dKH")
    stock: dict[Any, Any] = (
        {vol.Optional(CONF_STOCK_VESSEL): subentry_field(others)} if others else {}
    )
    for key in (CONF_STOCK_TEMPERATURE, CONF_STOCK_CONDUCTIVITY):
        stock[vol.Optional(key)] = entity_field(LEVEL_DOMAINS, own_entities)
    probe = entity_field(LEVEL_DOMAINS, own_entities)
    suggested = {"suggested_value": MOST_PH_RISE}
    probes: dict[Any, Any] = {
        vol.Optional(CONF_MOST_PH_RISE, description=suggested): number_field(None),
        vol.Optional(CONF_PH_SOURCE): probe,
        vol.Required(CONF_PH_LOW, default=PH_LOW): number_field(None),
        vol.Required(CONF_PH_HIGH, default=PH_HIGH): number_field(None),
        vol.Optional(CONF_ORP_SOURCE): probe,
        vol.Required(CONF_ORP_LOW_MV, default=ORP_LOW_MV): number_field("mV"),
        vol.Required(CONF_ORP_HIGH_MV, default=ORP_HIGH_MV): number_field("mV"),
    }
    for name, part in ((SECTION_STOCK, stock), (SECTION_PROBES, probes)):
        fields[vol.Required(name)] = section(vol.Schema(part), {"collapsed": opened != name})
    return vol.Schema(fields)


def limits_values(data: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return what is stored as the second form shows it; nothing for a new line."""
    if not data:
        return {}
    values: dict[str, Any] = {
        name: round(ML_PER_L * data[key], _FORM_DIGITS) for name, (key, _) in SMALL.items()
    }
    values[FIELD_TARGET] = units.from_m(data[CONF_TARGET_M])
    values[FIELD_ALKALINITY] = data[CONF_ALKALINITY_DKH]
    values[SECTION_STOCK] = {key: data[key] for key in STOCK_KEYS if key in data}
    probes = {key: data[key] for key in PROBE_KEYS if key in data}
    # Without this the form would propose the rise again that was taken out.
    values[SECTION_PROBES] = {CONF_MOST_PH_RISE: None} | probes
    return values


def limits_data(values: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return what the second form says in the terms that are stored; absent is not chosen."""
    data: dict[str, Any] = {
        key: round(values[name] / ML_PER_L, _DIGITS) for name, (key, _) in SMALL.items()
    }
    data[CONF_TARGET_M] = units.to_m(values[FIELD_TARGET])
    data[CONF_ALKALINITY_DKH] = float(values[FIELD_ALKALINITY])
    stock, probes = values[SECTION_STOCK], dict(values[SECTION_PROBES])
    for source, band in (
        (CONF_PH_SOURCE, (CONF_PH_LOW, CONF_PH_HIGH)),
        (CONF_ORP_SOURCE, (CONF_ORP_LOW_MV, CONF_ORP_HIGH_MV)),
    ):
        if not probes.get(source):
            for key in band:
                probes.pop(key, None)
    data |= {key: stock[key] for key in STOCK_KEYS if stock.get(key)}
    # A bound of 0 is one that was chosen, not one left out.
    return data | {key: probes[key] for key in PROBE_KEYS if probes.get(key) not in (None, "")}
