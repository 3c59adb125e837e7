"""What the user chose for a sump or a mixing vat beside what every vessel has."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from .const import (
    CONF_DISPLAY_SURFACE_M2,
    CONF_RETURN_PUMP,
    CONF_RIM_M,
    CONF_SALINITY_AT_25,
    CONF_SALINITY_SOURCE,
    CONF_SALT_WATER_FRAC,
    CONF_TARGET_PSU,
    SUBENTRY_MIXING_VAT,
    SUBENTRY_SUMP,
)
from .engine.invalid import Amount, Code
from .engine.salt_mass import MOST_HYDRATION_FRAC
from .engine.seawater import LEAST_PSU, MOST_PSU
from .settings import LENGTH_MARGIN_M, SettingsError, VesselSettings, number, positive

if TYPE_CHECKING:
    from .settings import SystemSettings


@dataclass(frozen=True, slots=True)
class SumpSettings:
    """The part of a system below the display, from which the return pump draws."""

    rim_m: float
    """Height above the floor that water may rise to."""
    return_pump: str | None
    display_surface_m2: float | None
    """Open water of the display it serves; it evaporates too."""


@dataclass(frozen=True, slots=True)
class VatSettings:
    """A vat in which salt water is mixed."""

    target_psu: float
    salinity_source: str | None
    is_at_25: bool
    """Whether a conductivity is compensated to 25 degC; else it needs the water's temperature."""
    salt_water_frac: float
    """Water that the salt holds itself as it is weighed."""


type KindSettings = SumpSettings | VatSettings


def sump_settings(
    data: Mapping[str, Any], vessel: VesselSettings, _system: SystemSettings
) -> SumpSettings:
    """Return the settings of a sump from its subentry's data.

    Raises:
        SettingsError: naming the key that cannot be used and why.
    """
    height_m = vessel.vessel.height_m
    rim_m = number(data, CONF_RIM_M, height_m)
    if not vessel.high_m <= rim_m + LENGTH_MARGIN_M or not rim_m <= height_m + LENGTH_MARGIN_M:
        low, high = Amount(vessel.high_m, "m"), Amount(height_m, "m")
        raise SettingsError(CONF_RIM_M, Code.BETWEEN, low=low, high=high)
    surface = data.get(CONF_DISPLAY_SURFACE_M2)
    return SumpSettings(
        rim_m=min(rim_m, height_m),
        return_pump=data.get(CONF_RETURN_PUMP),
        display_surface_m2=None if surface is None else positive(data, CONF_DISPLAY_SURFACE_M2),
    )


def vat_settings(
    data: Mapping[str, Any], _vessel: VesselSettings, system: SystemSettings
) -> VatSettings:
    """Return the settings of a mixing vat from its subentry's data.

    Raises:
        SettingsError: naming the key that cannot be used and why.
    """
    target_psu = number(data, CONF_TARGET_PSU, system.salinity_psu)
    if not LEAST_PSU <= target_psu <= MOST_PSU:
        low, high = Amount(LEAST_PSU, "PSU"), Amount(MOST_PSU, "PSU")
        raise SettingsError(CONF_TARGET_PSU, Code.BETWEEN, low=low, high=high)
    salt_water_frac = number(data, CONF_SALT_WATER_FRAC, 0.0)
    if not 0.0 <= salt_water_frac <= MOST_HYDRATION_FRAC:
        raise SettingsError(CONF_SALT_WATER_FRAC, Code.BETWEEN, low=0.0, high=MOST_HYDRATION_FRAC)
    return VatSettings(
        target_psu=target_psu,
        salinity_source=data.get(CONF_SALINITY_SOURCE),
        is_at_25=bool(data.get(CONF_SALINITY_AT_25, True)),
        salt_water_frac=salt_water_frac,
    )


KIND_SETTINGS: Final[
    Mapping[str, Callable[[Mapping[str, Any], VesselSettings, SystemSettings], KindSettings]]
] = {SUBENTRY_SUMP: sump_settings, SUBENTRY_MIXING_VAT: vat_settings}


def kind_settings(
    kind: str, data: Mapping[str, Any], vessel: VesselSettings, system: SystemSettings
) -> KindSettings | None:
    """Return what a kind of vessel has besides; None for a plain reservoir.

    Raises:
        SettingsError: naming the key that cannot be used and why.
    """
    read = KIND_SETTINGS.get(kind)
    return None if read is None else read(data, vessel, system)
