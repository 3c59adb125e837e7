"""What a probe's state says of the salinity, by what the probe shows and by its unit."""

from enum import StrEnum
from typing import TYPE_CHECKING, Final

from homeassistant.const import UnitOfConductivity
from homeassistant.util.unit_conversion import ConductivityConverter

from .engine.quantities import DAY_S, Reason
from .engine.salt_mass import psu_of_g_per_kg
from .engine.seawater import salinity_psu
from .engine.validity import InputError, InputFault
from .readings import state_number, state_unit

if TYPE_CHECKING:
    from homeassistant.core import State

COMPENSATED_C: Final = 25.0
OLDEST_S: Final = DAY_S
"""A probe that reports only changes is silent for long where the salinity stays."""
MICRO_SIGN: Final = "\u00b5"
GREEK_MU: Final = "\u03bc"
G_PER_KG: Final = "g/kg"
# Salinity by PSS-78 has no unit; these are all in use for it (common practice, no source).
PSU_UNITS: Final = frozenset({None, "PSU", "psu", "PSS", "ppt", "\u2030"})


class SalinityKind(StrEnum):
    """Where the salinity comes from."""

    CONDUCTIVITY = "conductivity"
    """A probe that shows the conductivity as it is."""
    CONDUCTIVITY_AT_25 = "conductivity_at_25"
    """A probe that compensates to 25 degC."""
    SALINITY = "salinity"
    BY_HAND = "by_hand"
    """Only what is typed in."""


def fits_kind(unit: str | None, kind: SalinityKind) -> bool:
    """Return whether a salinity can be read from a source with this unit."""
    if kind is SalinityKind.SALINITY:
        return unit in PSU_UNITS or unit == G_PER_KG
    return _hub_unit(unit) in ConductivityConverter.VALID_UNITS


def probe_salinity(
    kind: SalinityKind, state: State | None, temp_c: float | None, now_s: float
) -> float | None:
    """Return the salinity (PSU) that a probe shows, or None when nobody knows.

    Raises:
        InputError: The unit is of no use, or no seawater has this value.
    """
    if state is None or now_s - state.last_reported_timestamp > OLDEST_S:
        return None
    value, unit = state_number(state), state_unit(state)
    if isinstance(value, Reason):
        return None
    if not fits_kind(unit, kind):
        text = f"the unit {unit} of {state.entity_id} cannot be read as a {kind.split('_')[0]}"
        raise InputError(InputFault.OUTSIDE_RANGE, text)
    if kind is SalinityKind.SALINITY:
        return psu_of_g_per_kg(value) if unit == G_PER_KG else value
    at_c = COMPENSATED_C if kind is SalinityKind.CONDUCTIVITY_AT_25 else temp_c
    if at_c is None:
        return None
    wanted = UnitOfConductivity.MILLISIEMENS_PER_CM
    return salinity_psu(ConductivityConverter.convert(value, _hub_unit(unit), wanted), at_c)


def _hub_unit(unit: str | None) -> str | None:
    """Return the unit as the hub writes it: with a Greek mu and no micro sign."""
    return None if unit is None else unit.replace(MICRO_SIGN, GREEK_MU)
