"""The units a person meets in the forms: cm, L, m2, or in, gal, ft2, by the hub's unit system."""

from dataclasses import dataclass
from math import floor
from typing import TYPE_CHECKING, Final, Self

from homeassistant.const import (
    UnitOfArea,
    UnitOfLength,
    UnitOfMass,
    UnitOfTemperature,
    UnitOfTime,
    UnitOfVolume,
)
from homeassistant.util.unit_conversion import (
    AreaConverter,
    DistanceConverter,
    TemperatureConverter,
    VolumeConverter,
)
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM

if TYPE_CHECKING:
    from collections.abc import Callable

    from homeassistant.core import HomeAssistant

    from .engine.invalid import Amount

# Stored to the micrometre and millionth of a litre, so that 15 in is 0.381 m exactly.
_STORED_DIGITS: Final = 6
_FORM_DIGITS: Final = 5
_CELSIUS: Final = UnitOfTemperature.CELSIUS
_SMALL: Final = 0.1
_LONG: Final = 1e5
_SIGNS: Final = {"degC": "°C", "m2": "m²"}


@dataclass(frozen=True, slots=True)
class FormUnits:
    """Length and volume unit of the forms."""

    length: UnitOfLength
    volume: UnitOfVolume
    degree: UnitOfTemperature = _CELSIUS

    @classmethod
    def of(cls, hass: HomeAssistant) -> Self:
        """Return the units that fit the hub's unit system."""
        if hass.config.units is US_CUSTOMARY_SYSTEM:
            return cls(UnitOfLength.INCHES, UnitOfVolume.GALLONS, UnitOfTemperature.FAHRENHEIT)
        return cls(UnitOfLength.CENTIMETERS, UnitOfVolume.LITERS)

    def to_m(self, value: float) -> float:
        """Return a form's length in m."""
        metres = DistanceConverter.convert(value, self.length, UnitOfLength.METERS)
        return round(metres, _STORED_DIGITS)

    def from_m(self, metres: float) -> float:
        """Return a length in m as the form shows it."""
        value = DistanceConverter.convert(metres, UnitOfLength.METERS, self.length)
        return round(value, _FORM_DIGITS)

    def to_l(self, value: float) -> float:
        """Return a form's volume in L."""
        litres = VolumeConverter.convert(value, self.volume, UnitOfVolume.LITERS)
        return round(litres, _STORED_DIGITS)

    def from_l(self, litres: float) -> float:
        """Return a volume in L as the form shows it."""
        value = VolumeConverter.convert(litres, UnitOfVolume.LITERS, self.volume)
        return round(value, _FORM_DIGITS)

    def most_from_l(self, litres: float) -> float:
        """Return a largest volume in L as it is offered: a tenth that is not beyond it."""
        return floor(10.0 * self.from_l(litres)) / 10.0

    @property
    def area(self) -> UnitOfArea:
        """Unit of a water surface."""
        is_metric = self.length is UnitOfLength.CENTIMETERS
        return UnitOfArea.SQUARE_METERS if is_metric else UnitOfArea.SQUARE_FEET

    @property
    def mass(self) -> UnitOfMass:
        """Unit in which salt is weighed."""
        is_metric = self.length is UnitOfLength.CENTIMETERS
        return UnitOfMass.KILOGRAMS if is_metric else UnitOfMass.POUNDS

    def to_m2(self, value: float) -> float:
        """Return a form's area in m2."""
        area_m2 = AreaConverter.convert(value, self.area, UnitOfArea.SQUARE_METERS)
        return round(area_m2, _STORED_DIGITS)

    def from_m2(self, area_m2: float) -> float:
        """Return an area in m2 as the form shows it."""
        value = AreaConverter.convert(area_m2, UnitOfArea.SQUARE_METERS, self.area)
        return round(value, _FORM_DIGITS)

    def show(self, amount: Amount) -> str:
        """Return a number, or some of a row, as text in the keeper's unit."""
        convert, unit = self._keepers(amount)
        row = amount.value if isinstance(amount.value, tuple) else (amount.value,)
        return f"{'; '.join(_figures(convert(one)) for one in row)} {unit}".rstrip()

    def _keepers(self, amount: Amount) -> tuple[Callable[[float], float], str]:
        """Return what converts an amount, and the unit it comes to."""
        if amount.is_as_taken:
            return float, _SIGNS.get(amount.unit, amount.unit)
        match amount.unit:
            case "m":
                return lambda value: _readable(self.from_m(value)), self.length
            case "L":
                return lambda value: _readable(self.from_l(value)), self.volume
            case "m2":
                return lambda value: _readable(self.from_m2(value)), self.area
            case "degC":
                convert = TemperatureConverter.converter_factory(_CELSIUS, self.degree)
                return lambda value: _readable(convert(value)), self.degree
        return float, _SIGNS.get(amount.unit, amount.unit)

    def show_m(self, metres: float) -> str:
        """Return a length in m as text with its unit."""
        return f"{self.from_m(metres):.1f} {self.length}"

    def limit_m(self, metres: float) -> str:
        """Return a limit in m as text with its unit, to two places."""
        return f"{round(self.from_m(metres), 2):g} {self.length}"

    def exact_m(self, metres: float) -> str:
        """Return a length in m as text with its unit, just as the form would show it."""
        return f"{self.from_m(metres):.10g} {self.length}"

    def limit_l(self, litres: float) -> str:
        """Return a limit in L as text with its unit, to two places."""
        return f"{round(self.from_l(litres), 2):.10g} {self.volume}"

    def show_l(self, litres: float) -> str:
        """Return a volume in L as text with its unit."""
        return f"{self.from_l(litres):.1f} {self.volume}"


def span_text(seconds: float) -> str:
    """Return a span of time in s as text to be read: 8 s, 2 min 30 s, 1 h 12 min.

    The symbols are the same in every language.
    """
    minutes, rest_s = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    parts = ((hours, UnitOfTime.HOURS), (minutes, UnitOfTime.MINUTES), (rest_s, UnitOfTime.SECONDS))
    return " ".join(f"{number} {unit}" for number, unit in parts if number) or "0 s"


def _figures(value: float) -> str:
    """Return a number with six figures, or all before the mark; never in powers of ten."""
    return f"{value:.0f}" if abs(value) >= _LONG else f"{value:g}"


def _readable(value: float) -> float:
    """Return a number to two places, or to two figures where that would leave less."""
    rounded = round(value, 2)
    return rounded if abs(rounded) >= _SMALL else float(f"{value:.2g}")
