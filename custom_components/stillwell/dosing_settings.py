"""What the keeper chose for a dosing line, checked, and what the engine takes of it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

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
)
from .engine.dosing import DosingSpec
from .engine.invalid import Amount, Code
from .engine.limewater_line import MOST_CAP_DKH_PER_DAY, LineSpec, area_m2, daily_dkh
from .settings import SettingsError, entity, number, positive

if TYPE_CHECKING:
    from .settings import SystemSettings, VesselSettings


@dataclass(frozen=True, slots=True)
class DosingSettings:
    """One dosing line; the bands are chosen together with their sources."""

    vessel: str
    """The sump's subentry."""
    target_m: float
    pump: str | None
    pump_l_per_h: float | None
    return_pump: str | None
    ceiling_l_per_h: float
    floor_l_per_h: float
    most_per_dose_l: float
    most_per_hour_l: float
    most_per_day_l: float
    alkalinity_dkh: float
    most_ph_rise: float | None
    stock_vessel: str | None
    stock_temperature: str | None
    stock_conductivity: str | None
    ph_source: str | None
    ph_band: tuple[float, float] | None
    orp_source: str | None
    orp_band_mv: tuple[float, float] | None


def dosing_settings(data: Mapping[str, Any]) -> DosingSettings:
    """Return the settings of a dosing line from its subentry's data.

    Raises:
        ValueError: naming what cannot be used and why.
    """
    rise, flow = data.get(CONF_MOST_PH_RISE), data.get(CONF_PUMP_L_PER_H)
    return DosingSettings(
        vessel=entity(data, CONF_VESSEL),
        target_m=positive(data, CONF_TARGET_M),
        pump=data.get(CONF_DOSING_PUMP),
        pump_l_per_h=None if flow is None else positive(data, CONF_PUMP_L_PER_H),
        return_pump=data.get(CONF_RETURN_PUMP),
        ceiling_l_per_h=positive(data, CONF_CEILING_L_PER_H),
        floor_l_per_h=number(data, CONF_FLOOR_L_PER_H, 0.0),
        most_per_dose_l=positive(data, CONF_MOST_PER_DOSE_L),
        most_per_hour_l=positive(data, CONF_MOST_PER_HOUR_L),
        most_per_day_l=positive(data, CONF_MOST_PER_DAY_L),
        alkalinity_dkh=positive(data, CONF_ALKALINITY_DKH),
        most_ph_rise=None if rise is None else positive(data, CONF_MOST_PH_RISE),
        stock_vessel=data.get(CONF_STOCK_VESSEL),
        stock_temperature=data.get(CONF_STOCK_TEMPERATURE),
        stock_conductivity=data.get(CONF_STOCK_CONDUCTIVITY),
        ph_source=data.get(CONF_PH_SOURCE),
        ph_band=_band(data, CONF_PH_SOURCE, CONF_PH_LOW, CONF_PH_HIGH),
        orp_source=data.get(CONF_ORP_SOURCE),
        orp_band_mv=_band(data, CONF_ORP_SOURCE, CONF_ORP_LOW_MV, CONF_ORP_HIGH_MV),
    )


def _band(data: Mapping[str, Any], source: str, low: str, high: str) -> tuple[float, float] | None:
    return None if data.get(source) is None else (number(data, low), number(data, high))


def line_spec(
    settings: DosingSettings,
    sump: VesselSettings,
    stock: VesselSettings | None,
    system: SystemSettings,
) -> LineSpec:
    """Return what the engine takes of the settings.

    Raises:
        ValueError: They contradict each other or the vessels.
    """
    if not sump.empty_m < settings.target_m < sump.high_m:
        low, high = Amount(sump.empty_m, "m"), Amount(sump.high_m, "m")
        raise SettingsError(CONF_TARGET_M, Code.BETWEEN, low=low, high=high)
    if daily_dkh(settings.most_per_day_l, system.volume_l) > MOST_CAP_DKH_PER_DAY:
        most = Amount(MOST_CAP_DKH_PER_DAY, "dKH")
        raise SettingsError(CONF_MOST_PER_DAY_L, Code.DAY_TOO_MUCH, most=most)
    return LineSpec(
        DosingSpec(
            target_m=settings.target_m,
            sump_area_m2=area_m2(sump.vessel, settings.target_m),
            ceiling_l_per_h=settings.ceiling_l_per_h,
            most_per_dose_l=settings.most_per_dose_l,
            most_per_hour_l=settings.most_per_hour_l,
            most_per_day_l=settings.most_per_day_l,
            floor_l_per_h=settings.floor_l_per_h,
            high_m=sump.high_m,
            ph_band=settings.ph_band,
            orp_band_mv=settings.orp_band_mv,
        ),
        system_l=system.volume_l,
        salinity=system.salinity_psu,
        target_dkh=settings.alkalinity_dkh,
        most_ph_rise=settings.most_ph_rise,
        stock_l_per_m=(None if stock is None else stock.vessel.litres_per_m(stock.start_m)),
    )
