"""Rates of some litres a day: in gallons a day where the hub's unit system is US customary.

The hub itself converts what it has a unit class for; it has none for litres a day.
"""

from functools import cached_property
from typing import Final, override

from homeassistant.components.sensor import SensorEntity
from homeassistant.const import UnitOfVolume, UnitOfVolumeFlowRate

from .form_units import FormUnits

UNIT_L_PER_DAY: Final = "L/d"
"""As a plain unit it still gets statistics."""


class PerDay(SensorEntity):
    """A sensor whose description is in litres a day."""

    @cached_property
    def _units(self) -> FormUnits:
        """What the hub's unit system was when the sensor was added, so that one unit is kept."""
        return FormUnits.of(self.hass)

    @property
    @override
    def native_unit_of_measurement(self) -> str:
        """Litres or gallons a day."""
        is_metric = self._units.volume is UnitOfVolume.LITERS
        return UNIT_L_PER_DAY if is_metric else UnitOfVolumeFlowRate.GALLONS_PER_DAY

    def in_own_unit(self, l_per_day: float) -> float:
        """Return litres a day as the sensor shows them."""
        return self._units.from_l(l_per_day)
