"""A salinity source to practical salinity: by its unit, or not at all.

Conductivity is converted by its unit; salinity comes in PSU or in grams of salt a kilogram. A
specific gravity is refused: without its two reference temperatures it means nothing.
"""

from typing import TYPE_CHECKING, Final

from .engine.quantities import Reason
from .engine.salt_mass import psu_from_g_per_kg
from .engine.seawater import salinity_psu
from .engine.vat import stated_psu
from .readings import (
    CONDUCTIVITY_UNITS,
    OLDEST_TEMPERATURE_S,
    in_ms_per_cm,
    is_recent,
    state_number,
    state_unit,
)

if TYPE_CHECKING:
    from homeassistant.core import State

COMPENSATED_C: Final = 25.0
UNIT_G_PER_KG: Final = "g/kg"
UNIT_PSU: Final = "PSU"


def is_conductivity_unit(unit: str | None) -> bool:
    """Return whether a unit is one of conductivity."""
    return unit in CONDUCTIVITY_UNITS


def is_salinity_unit(unit: str | None) -> bool:
    """Return whether a salinity can be read in a unit."""
    return is_conductivity_unit(unit) or unit in (UNIT_PSU, UNIT_G_PER_KG)


def salinity_of(
    state: State | None,
    now_s: float,
    temp_c: float | None,
    *,
    is_at_25: bool,
    oldest_s: float = OLDEST_TEMPERATURE_S,
) -> float | None:
    """Return the practical salinity that a state means; None when nobody knows.

    Args:
        state: Of the salinity source.
        now_s: Now; a report that is too old means nothing.
        temp_c: Temperature of the water, degC, for a conductivity that is not compensated.
        is_at_25: Whether a conductivity is compensated to 25 degC.
        oldest_s: How old a report may be.

    Raises:
        InputError: A number no seawater has in this unit; the text says which unit it fits.
    """
    value = state_number(state)
    if state is None or isinstance(value, Reason):
        return None
    if not is_recent(state, now_s, oldest_s):
        return None
    unit = state_unit(state) or ""
    if unit == UNIT_PSU:
        return stated_psu(value)
    if unit == UNIT_G_PER_KG:
        return psu_from_g_per_kg(value)
    measured_c = COMPENSATED_C if is_at_25 else temp_c
    ms_per_cm = in_ms_per_cm(value, unit)
    if ms_per_cm is None or measured_c is None:
        return None
    return salinity_psu(ms_per_cm, measured_c)
