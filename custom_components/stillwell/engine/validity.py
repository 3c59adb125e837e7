"""What may go into a formula: a value outside its range is refused, with a text that mends it.

A temperature in Fahrenheit, a conductivity in microsiemens or a percentage where a share is
meant mostly lies outside the range of the formula. It is never absorbed; the text names the
likely mix-up and the value that would be right.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Final

from .invalid import Amount, Code, Invalid, Term, Value


class InputFault(StrEnum):
    """Why an input is refused."""

    NOT_FINITE = "not_finite"
    OUTSIDE_RANGE = "outside_range"
    FAHRENHEIT = "fahrenheit"
    KELVIN = "kelvin"
    MICROSIEMENS = "microsiemens"
    SIEMENS_PER_METRE = "siemens_per_metre"
    PERCENT = "percent"
    NO_REFERENCE = "no_reference"
    DENSITY = "density"
    SALINITY = "salinity"
    CONTRADICTION = "contradiction"


class InputError(Invalid):
    """An input that is refused: ``fault`` names the kind of reason, the text how to mend it."""

    def __init__(self, fault: InputFault, code: Code, **values: Value) -> None:
        super().__init__(code, **values)
        self.fault = fault


class DamagedError(InputError):
    """Stored memory that is no use; which part of it is a text for the log alone."""

    def __init__(self, fault: InputFault, detail: str) -> None:
        super().__init__(fault, Code.DAMAGED)
        self.args = (detail,)


@dataclass(frozen=True, slots=True)
class MixUp:
    """A unit that is easily taken for the right one."""

    fault: InputFault
    name: str
    """The unit the value is likely in."""
    scale: float
    """Right value = (value - offset) * scale."""
    offset: float = 0.0


FAHRENHEIT: Final = MixUp(InputFault.FAHRENHEIT, "degF", 1.0 / 1.8, 32.0)
KELVIN: Final = MixUp(InputFault.KELVIN, "K", 1.0, 273.15)
MICROSIEMENS: Final = MixUp(InputFault.MICROSIEMENS, "uS/cm", 1e-3)
SIEMENS_PER_METRE: Final = MixUp(InputFault.SIEMENS_PER_METRE, "S/m", 10.0)
PERCENT: Final = MixUp(InputFault.PERCENT, "%", 0.01)
DENSITY: Final = MixUp(InputFault.DENSITY, "kg/m3", 1e-3)


def within(
    name: str,
    value: float,
    low: float,
    high: float,
    *,
    unit: str = "",
    mix_ups: tuple[MixUp, ...] = (),
) -> float:
    """Return the value if it lies within the range.

    Args:
        name: What it is, for the text.
        value: The value, in ``unit``.
        low: Lowest valid value.
        high: Highest valid value.
        unit: Unit of all three.
        mix_ups: Units it may have been given in by mistake, the likeliest first.

    Raises:
        InputError: It is not finite or lies outside.
    """
    if not isfinite(value):
        raise InputError(InputFault.NOT_FINITE, Code.NOT_FINITE, what=Term(name))
    if low <= value <= high:
        return value
    for mix_up in mix_ups:
        right = (value - mix_up.offset) * mix_up.scale
        if low <= right <= high:
            raise InputError(
                mix_up.fault,
                Code.MIX_UP,
                what=Term(name),
                value=Amount(value, unit, is_as_taken=True),
                low=Amount(low, unit, is_as_taken=True),
                high=Amount(high, unit, is_as_taken=True),
                unit=mix_up.name,
                right=Amount(float(f"{right:.4g}"), unit, is_as_taken=True),
            )
    raise InputError(
        InputFault.OUTSIDE_RANGE,
        Code.OUTSIDE,
        what=Term(name),
        value=Amount(value, unit),
        low=Amount(low, unit),
        high=Amount(high, unit),
    )


def water_temp_c(temp_c: float, low_c: float, high_c: float) -> float:
    """Return a water or air temperature (degC) that lies within a formula's range.

    Raises:
        InputError: It lies outside; Fahrenheit and kelvin are recognised.
    """
    return within("a temperature", temp_c, low_c, high_c, unit="degC", mix_ups=(FAHRENHEIT, KELVIN))


def positive(name: str, value: float, unit: str = "") -> float:
    """Return a finite value above 0.

    Raises:
        InputError: It is 0, negative or not finite.
    """
    if isfinite(value) and value > 0.0:
        return value
    raise InputError(
        InputFault.OUTSIDE_RANGE, Code.NOT_ABOVE_0, what=Term(name), value=Amount(value, unit)
    )


def not_negative(name: str, value: float, unit: str = "") -> float:
    """Return a finite value of 0 or more.

    Raises:
        InputError: It is negative or not finite.
    """
    if isfinite(value) and value >= 0.0:
        return value
    raise InputError(
        InputFault.OUTSIDE_RANGE, Code.BELOW_0, what=Term(name), value=Amount(value, unit)
    )


def number(value: object) -> float:
    """Return a stored value as a number.

    Raises:
        InputError: It is none; nor is a truth value.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise DamagedError(InputFault.NOT_FINITE, f"{value!r} is no finite number")
    return float(value)


def numbers(values: object) -> list[float]:
    """Return a stored list as numbers.

    Raises:
        InputError: It is no list, or one of its items is no number.
    """
    if not isinstance(values, list):
        raise DamagedError(InputFault.NOT_FINITE, f"{values!r} is no list of numbers")
    return [number(value) for value in values]
