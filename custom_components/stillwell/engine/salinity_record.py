"""A salinity that was measured by hand and typed in: by which instrument, and is it plausible?"""

from .invalid import Amount, Code
from .seawater import LEAST_PSU, MOST_PSU, salinity_from_gravity, salinity_psu
from .validity import InputError, InputFault, within

_GRAVITY_FROM = 0.99
_GRAVITY_TO = 1.05
_COMPENSATED_C = 25.0


def salinity_recorded(
    *,
    gravity: float | None = None,
    salinity: float | None = None,
    conductivity_ms_per_cm: float | None = None,
    temp_c: float | None = None,
    reference_c: float | None = None,
) -> float:
    """Return the salinity (PSU, 2 to 42) that a reading means.

    Args:
        gravity: Specific gravity; needs both temperatures.
        salinity: PSU, from an instrument that shows it.
        conductivity_ms_per_cm: Conductivity; needs the temperature it holds for.
        temp_c: Temperature the reading holds for, degC; 25 for an instrument that compensates.
        reference_c: Temperature of the pure water a specific gravity is related to, degC.

    Raises:
        InputError: None or more than one reading; a temperature that is missing; a value
            outside its range, with the likely mix-up named.
    """
    given = [value for value in (gravity, salinity, conductivity_ms_per_cm) if value is not None]
    if len(given) != 1:
        raise InputError(InputFault.CONTRADICTION, Code.ONE_READING)
    if gravity is not None:
        return _sea("a salinity", salinity_from_gravity(gravity, temp_c, reference_c))
    if conductivity_ms_per_cm is not None:
        if temp_c is None:
            usual = Amount(_COMPENSATED_C, "degC", is_as_taken=True)
            raise InputError(InputFault.NO_REFERENCE, Code.CONDUCTIVITY_ALONE, usual=usual)
        return salinity_psu(conductivity_ms_per_cm, temp_c)
    return _sea("a salinity", given[0])


def _sea(name: str, salinity: float) -> float:
    if _GRAVITY_FROM <= salinity <= _GRAVITY_TO:
        raise InputError(InputFault.DENSITY, Code.SALINITY_IS_GRAVITY, value=Amount(salinity))
    return within(name, salinity, LEAST_PSU, MOST_PSU, unit="PSU")
