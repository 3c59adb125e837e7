"""What a probe's state says of the salinity, by what the probe shows and by its unit."""

from enum import StrEnum
from typing import TYPE_CHECKING, Final

from .engine.invalid import Code, Term
from .engine.quantities import DAY_S, Reason
from .engine.validity import InputError, InputFault
from .engine.vat import stated_psu
from .readings import is_recent, state_number, state_unit
from .salinity_reading import UNIT_G_PER_KG, UNIT_PSU, is_conductivity_unit, salinity_of

if TYPE_CHECKING:
    from homeassistant.core import State

OLDEST_S: Final = DAY_S
"""A probe that reports only changes is silent for long where the salinity stays."""
# Salinity by PSS-78 has no unit; these are all in use for it (common practice, no source).
PSU_UNITS: Final = frozenset({None, UNIT_PSU, "psu", "PSS", "ppt", "\u2030"})


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
        return unit in PSU_UNITS or unit == UNIT_G_PER_KG
    return is_conductivity_unit(unit)


def probe_salinity(
    kind: SalinityKind, state: State | None, temp_c: float | None, now_s: float
) -> float | None:
    """Return the salinity (PSU) that a probe shows, or None when nobody knows.

    Raises:
        InputError: The unit is of no use, or no seawater has this value.
    """
    value = state_number(state)
    if state is None or isinstance(value, Reason):
        return None
    if not is_recent(state, now_s, OLDEST_S):
        return None
    unit = state_unit(state)
    if not fits_kind(unit, kind):
        raise InputError(
            InputFault.OUTSIDE_RANGE,
            Code.UNIT_UNFIT,
            unit=unit or "-",
            source=state.entity_id,
            what=Term("a salinity" if kind is SalinityKind.SALINITY else "a conductivity"),
        )
    if unit in PSU_UNITS:
        return stated_psu(value)
    is_at_25 = kind is SalinityKind.CONDUCTIVITY_AT_25
    return salinity_of(state, now_s, temp_c, is_at_25=is_at_25, oldest_s=OLDEST_S)
