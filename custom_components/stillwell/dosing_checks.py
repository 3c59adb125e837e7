"""What a dosing line's forms refuse: which field, why, and a value that would work."""

from typing import TYPE_CHECKING, Any, Final

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
    CONF_STOCK_CONDUCTIVITY,
    CONF_STOCK_TEMPERATURE,
    CONF_TARGET_M,
)
from .dosing_forms import (
    ALKALINITY_DKH,
    CAPS,
    FIELD_ALKALINITY,
    FIELD_CEILING,
    FIELD_FLOOR,
    FIELD_PER_DAY,
    FIELD_PER_DOSE,
    FIELD_PUMP_FLOW,
    FIELD_TARGET,
    MOST_PH_RISE,
    SECTION_PROBES,
    SECTION_STOCK,
    SMALL,
    proposed_small_l,
    small_text,
)
from .dosing_settings import dosing_settings, line_spec
from .engine.consumption import LEAST_DKH, MOST_DKH
from .engine.limewater_line import MOST_CAP_DKH_PER_DAY, daily_dkh, proposed_caps_l
from .readings import (
    CONDUCTIVITY_UNITS,
    ORP_UNITS,
    PH_UNITS,
    is_flow_unit,
    is_temperature_unit,
    state_unit,
)
from .settings import system_settings
from .vessel_checks import Refusal
from .vessel_neighbours import line_with

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import ConfigEntry
    from homeassistant.core import HomeAssistant

    from .form_units import FormUnits
    from .settings import VesselSettings

NUMBERS: Final = frozenset({"number", "input_number", "sensor"})
HIGHEST_PH_RISE: Final = 0.3
# A point that slipped, as in 84.5 for 8.45, must not leave a limit that is never reached; no tank
# with animals in it lies outside these (common practice, no source).
BELIEVABLE: Final = {"ph_band": (6.0, 10.0), "orp_band": (0.0, 1000.0)}


def check_pump(
    hass: HomeAssistant,
    pump: str | None,
    flow: float | None,
    return_pump: str | None,
    vessel_id: str | None,
) -> None:
    """Refuse a pump whose flow nobody would know, and one that fills another vessel.

    Raises:
        Refusal: naming the field, why, and what would work.
    """
    if flow is not None and flow < 0.0:
        raise Refusal(FIELD_PUMP_FLOW, "above_0", works="12 mL/min")
    if pump is None:
        return
    if pump == return_pump:
        raise Refusal(CONF_DOSING_PUMP, "pump_is_return_pump", pump=pump)
    # Where limewater is the top-off itself, a run of that line is a dose; of no other line it is.
    if other := line_with(hass, pump, None, but_into=vessel_id):
        raise Refusal(CONF_DOSING_PUMP, "pump_is_fill_device", pump=pump, other=other)
    unit = None
    if pump.partition(".")[0] in NUMBERS and (state := hass.states.get(pump)) is not None:
        unit = state_unit(state)
        if unit != "%" and not is_flow_unit(unit):
            raise Refusal(CONF_DOSING_PUMP, "pump_unit", pump=pump, unit=unit or "-")
    if not flow and not is_flow_unit(unit):
        raise Refusal(FIELD_PUMP_FLOW, "pump_flow_missing", pump=pump)


def check_caps(
    data: Mapping[str, Any], sump: VesselSettings, system: ConfigEntry[Any], units: FormUnits
) -> None:
    """Refuse a target outside the sump, and caps that contradict each other or may kill.

    Raises:
        Refusal: naming the field, why, and what would work.
    """
    if not sump.empty_m < data[CONF_TARGET_M] < sump.high_m:
        raise Refusal(
            FIELD_TARGET,
            "target_range",
            low=units.limit_m(sump.empty_m),
            high=units.limit_m(sump.high_m),
            works=units.show_m(sump.start_m),
        )
    system_l = system_settings(system).volume_l
    _check_rates(data, system_l)
    if daily_dkh(data[CONF_MOST_PER_DAY_L], system_l) > MOST_CAP_DKH_PER_DAY:
        raise Refusal(
            FIELD_PER_DAY,
            "day_too_much",
            most=f"{MOST_CAP_DKH_PER_DAY:g}",
            works=small_text(FIELD_PER_DAY, proposed_caps_l(system_l)[2]),
        )
    if not LEAST_DKH <= data[CONF_ALKALINITY_DKH] <= MOST_DKH:
        raise Refusal(FIELD_ALKALINITY, "alkalinity_range", works=f"{ALKALINITY_DKH:g}")
    _check_bands(data)
    try:
        line_spec(dosing_settings(data), sump, None, system_settings(system))
    except ValueError as err:
        # The caps are in order; what is left is a salinity the pH cap cannot be worked out for.
        raise Refusal(SECTION_PROBES, "ph_rise_unknown", why=err) from err


def _check_rates(data: Mapping[str, Any], system_l: float) -> None:
    proposed_l = proposed_small_l(system_l)
    for name, (key, _) in SMALL.items():
        if name == FIELD_FLOOR and data[key] < 0.0:
            raise Refusal(name, "floor_below_0")
        if data[key] <= 0.0 and name != FIELD_FLOOR:
            raise Refusal(name, "above_0", works=small_text(name, proposed_l[name]))
    if data[CONF_FLOOR_L_PER_H] > data[CONF_CEILING_L_PER_H]:
        works = small_text(FIELD_CEILING, max(proposed_l[FIELD_CEILING], data[CONF_FLOOR_L_PER_H]))
        raise Refusal(FIELD_CEILING, "ceiling_below_floor", works=works)
    dose, hour, day = (
        data[key] for key in (CONF_MOST_PER_DOSE_L, CONF_MOST_PER_HOUR_L, CONF_MOST_PER_DAY_L)
    )
    if not dose <= hour <= day:
        caps = {name: small_text(name, proposed_l[name]) for name in CAPS}
        raise Refusal(FIELD_PER_DOSE, "caps_order", **caps)


def _check_bands(data: Mapping[str, Any]) -> None:
    for source, low, high, error in (
        (CONF_PH_SOURCE, CONF_PH_LOW, CONF_PH_HIGH, "ph_band"),
        (CONF_ORP_SOURCE, CONF_ORP_LOW_MV, CONF_ORP_HIGH_MV, "orp_band"),
    ):
        least, most = BELIEVABLE[error]
        if source in data and not least <= data.get(low, 0.0) < data.get(high, 0.0) <= most:
            raise Refusal(SECTION_PROBES, error)
    rise = data.get(CONF_MOST_PH_RISE)
    if rise is not None and not 0.0 < rise <= HIGHEST_PH_RISE:
        raise Refusal(
            SECTION_PROBES, "ph_rise_range", most=f"{HIGHEST_PH_RISE:g}", works=f"{MOST_PH_RISE:g}"
        )


def check_sources(hass: HomeAssistant, data: Mapping[str, Any]) -> None:
    """Refuse an entity whose unit is not that of what it shall measure.

    Raises:
        Refusal: naming the field, why, and what would work.
    """
    for key, field, units, works in (
        (CONF_STOCK_CONDUCTIVITY, SECTION_STOCK, CONDUCTIVITY_UNITS, "mS/cm, μS/cm"),
        (CONF_PH_SOURCE, SECTION_PROBES, PH_UNITS, "pH"),
        (CONF_ORP_SOURCE, SECTION_PROBES, ORP_UNITS, "mV, V"),
    ):
        state = hass.states.get(data.get(key, ""))
        if state is not None and (unit := state_unit(state)) not in units:
            raise Refusal(field, "source_unit", source=data[key], unit=unit or "-", works=works)
    state = hass.states.get(data.get(CONF_STOCK_TEMPERATURE, ""))
    if state is not None and not is_temperature_unit(unit := state_unit(state)):
        source = data[CONF_STOCK_TEMPERATURE]
        works = "°C, °F, K"
        raise Refusal(SECTION_STOCK, "source_unit", source=source, unit=unit or "-", works=works)
