"""Seawater: salinity from conductivity, density, specific gravity.

Salinity is practical salinity (PSS-78, number without unit, written PSU). All at the pressure
of the surface. Temperatures are ITS-90; the formulas of 1978 and 1983 use IPTS-68.
"""

from math import sqrt
from typing import TYPE_CHECKING, Final

from .invalid import Amount, Code
from .validity import (
    DENSITY,
    MICROSIEMENS,
    SIEMENS_PER_METRE,
    InputError,
    InputFault,
    water_temp_c,
    within,
)

if TYPE_CHECKING:
    from collections.abc import Callable

LEAST_PSU: Final = 2.0
MOST_PSU: Final = 42.0
COLDEST_C: Final = -2.0
WARMEST_C: Final = 35.0
"""Range of PSS-78; that of the density of 1983 is wider (0 to 42 PSU, -2 to 40 degC)."""
DENSITY_WARMEST_C: Final = 40.0

STANDARD_MS_PER_CM: Final = 42.914
"""Conductivity of standard seawater (35 PSU, 15 degC IPTS-68). Source: Culkin and Smith,
IEEE J. Oceanic Eng. OE-5 (1980) 22-23."""

IPTS68_PER_ITS90: Final = 1.00024
"""Source: P. M. Saunders, WOCE Newsletter 10 (1990)."""

_NO_GRAVITY: Final = 1.5

_A: Final = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
_B: Final = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
_C: Final = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
_K: Final = 0.0162

_PURE: Final = (999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9)
_LINEAR: Final = (8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9)
_ROOT: Final = (-5.72466e-3, 1.0227e-4, -1.6546e-6)
_SQUARE: Final = 4.8314e-4


def _poly(coefficients: tuple[float, ...], x: float) -> float:
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * x + coefficient
    return value


def _solve(f: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Return where a rising function meets a value, by bisection to rounding."""
    for _ in range(60):
        middle = 0.5 * (low + high)
        if f(middle) < target:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def salinity_psu(conductivity_ms_per_cm: float, temp_c: float) -> float:
    """Return practical salinity from conductivity at the temperature it was measured at.

    Args:
        conductivity_ms_per_cm: Conductivity, mS/cm, not compensated. An instrument that
            compensates to 25 degC gives the value for a temperature of 25.
        temp_c: Temperature of the water, degC, -2 to 35.

    Raises:
        InputError: Outside the range of PSS-78 (2 to 42 PSU). A value in uS/cm is
            recognised by its size. One in S/m reads as brackish water of the tenth part
            and is recognised only where the result falls below 2 PSU.

    Source: E. L. Lewis, IEEE J. Oceanic Eng. OE-5 (1980) 3-8; UNESCO Tech. Pap. Mar. Sci. 37.
    """
    t68 = water_temp_c(temp_c, COLDEST_C, WARMEST_C) * IPTS68_PER_ITS90
    low = _conductivity(LEAST_PSU, t68)
    high = _conductivity(MOST_PSU, t68)
    within(
        "a conductivity",
        conductivity_ms_per_cm,
        low * (1.0 - 1e-9),
        high * (1.0 + 1e-9),
        unit="mS/cm",
        mix_ups=(MICROSIEMENS, SIEMENS_PER_METRE),
    )
    return _salinity(conductivity_ms_per_cm, t68)


def _salinity(conductivity_ms_per_cm: float, t68: float) -> float:
    ratio = conductivity_ms_per_cm / STANDARD_MS_PER_CM / _poly(_C, t68)
    root = sqrt(ratio)
    off = t68 - 15.0
    return _poly(_A, root) + off / (1.0 + _K * off) * _poly(_B, root)


def _conductivity(salinity: float, t68: float) -> float:
    return _solve(lambda c: _salinity(c, t68), salinity, 0.1, 120.0)


def conductivity_ms_per_cm(salinity: float, temp_c: float) -> float:
    """Return the conductivity (mS/cm) that water of a salinity (PSU) has at a temperature.

    Raises:
        InputError: Outside the range of PSS-78.

    Source: the inverse of `salinity_psu`.
    """
    within("a salinity", salinity, LEAST_PSU, MOST_PSU, unit="PSU")
    return _conductivity(salinity, water_temp_c(temp_c, COLDEST_C, WARMEST_C) * IPTS68_PER_ITS90)


def density_kg_per_m3(salinity: float, temp_c: float) -> float:
    """Return the density (kg/m3) at the surface; 0 to 42 PSU, -2 to 40 degC.

    Raises:
        InputError: Outside that range.

    Source: Millero and Poisson, Deep-Sea Res. 28A (1981) 625-629 (EOS-80); Fofonoff and
    Millard, UNESCO Tech. Pap. Mar. Sci. 44 (1983). Standard error 0.0036 kg/m3.
    """
    within("a salinity", salinity, 0.0, MOST_PSU, unit="PSU")
    return _density(salinity, water_temp_c(temp_c, COLDEST_C, DENSITY_WARMEST_C))


def _density(salinity: float, temp_c: float) -> float:
    t68 = temp_c * IPTS68_PER_ITS90
    return (
        _poly(_PURE, t68)
        + _poly(_LINEAR, t68) * salinity
        + _poly(_ROOT, t68) * salinity * sqrt(salinity)
        + _SQUARE * salinity * salinity
    )


def specific_gravity(salinity: float, temp_c: float, reference_c: float) -> float:
    """Return the specific gravity: density at ``temp_c`` over that of pure water at the other.

    Args:
        salinity: PSU, 0 to 42.
        temp_c: Temperature of the sample, degC.
        reference_c: Temperature of the pure water, degC. 25/25, 20/20, 15.56/15.56 (60 degF)
            and 20/4 are all in use; a bare 1.026 may mean anything from 34 to 38.5 PSU.

    Raises:
        InputError: Outside the range of the density.
    """
    return density_kg_per_m3(salinity, temp_c) / density_kg_per_m3(0.0, reference_c)


def salinity_from_gravity(gravity: float, temp_c: float | None, reference_c: float | None) -> float:
    """Return the salinity (PSU) that a specific gravity with its two temperatures means.

    Args:
        gravity: Specific gravity, a number near 1.
        temp_c: Temperature of the sample the number holds for, degC.
        reference_c: Temperature of the pure water it is related to, degC.

    Raises:
        InputError: A reference temperature is missing, or the number means no salinity
            between 0 and 42. A density in kg/m3 and a salinity are recognised.
    """
    if temp_c is None or reference_c is None:
        raise InputError(InputFault.NO_REFERENCE, Code.GRAVITY_ALONE)
    low = specific_gravity(0.0, temp_c, reference_c)
    high = specific_gravity(MOST_PSU, temp_c, reference_c)
    if _NO_GRAVITY < gravity <= MOST_PSU:
        raise InputError(InputFault.SALINITY, Code.GRAVITY_IS_SALINITY, value=Amount(gravity))
    within("a specific gravity", gravity, low - 1e-9, high + 1e-9, mix_ups=(DENSITY,))
    return _solve(lambda s: specific_gravity(s, temp_c, reference_c), gravity, 0.0, MOST_PSU)
