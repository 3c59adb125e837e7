"""What may go into a formula: a value outside its range is refused, with a text that mends it.

A temperature in Fahrenheit, a conductivity in microsiemens or a percentage where a share is
meant mostly lies outside the range of the formula. It is never absorbed; the text names the
likely mix-up and the value that would be right.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Final


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


class InputError(ValueError):
    """An input that is refused: ``fault`` names the reason, the text says how to mend it."""

    def __init__(self, fault: InputFault, text: str) -> None:
        super().__init__(text)
        self.fault = fault


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
PERCENT: Final = MixUp(InputFault.PERCENT, "per cent", 0.01)
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
        raise InputError(InputFault.NOT_FINITE, f"{name} is not a finite number")
    if low <= value <= high:
        return value
    said = f"{name} of {value:g} {unit}".rstrip() + f" is outside {low:g} to {high:g} {unit}"
    said = said.rstrip()
    for mix_up in mix_ups:
        right = (value - mix_up.offset) * mix_up.scale
        if low <= right <= high:
            text = (
                f"{said}; it looks like {mix_up.name}: {right:.4g} {unit}".rstrip()
                + " would be right. Set the unit of the source, or convert the value"
            )
            raise InputError(mix_up.fault, text)
    raise InputError(InputFault.OUTSIDE_RANGE, f"{said}; check the value and its unit")


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
        InputFault.OUTSIDE_RANGE, f"{name} is {value:g} {unit}".rstrip() + "; it must be above 0"
    )


def not_negative(name: str, value: float, unit: str = "") -> float:
    """Return a finite value of 0 or more.

    Raises:
        InputError: It is negative or not finite.
    """
    if isfinite(value) and value >= 0.0:
        return value
    raise InputError(
        InputFault.OUTSIDE_RANGE,
        f"{name} is {value:g} {unit}".rstrip() + "; it must not be below 0",
    )
