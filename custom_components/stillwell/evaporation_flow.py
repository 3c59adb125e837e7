"""Set-up of an evaporation watch in the UI: vessel, water, room, and the open surface."""

from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.const import UnitOfArea, UnitOfRatio
from homeassistant.helpers.selector import TextSelector
from homeassistant.util.unit_conversion import AreaConverter
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM

from .const import (
    CONF_ACTIVITY_FRAC,
    CONF_DISPLAY_SURFACE_M2,
    CONF_HUMIDITY_SOURCE,
    CONF_ROOM_SOURCE,
    CONF_SALINITY_PSU,
    CONF_SURFACE_M2,
    CONF_TEMPERATURE_SOURCE,
    CONF_TEMPERATURE_WATCH,
    CONF_VESSEL,
    DEFAULT_SALINITY_PSU,
    SUBENTRY_EVAPORATION_WATCH,
    SUBENTRY_RESERVOIR,
    SUBENTRY_SUMP,
    SUBENTRY_TEMPERATURE_WATCH,
)
from .engine.evaporation import rectangle_m2
from .evaporation_watch import evaporation_settings
from .form_units import FormUnits
from .readings import is_temperature_unit, state_unit
from .stored_flow import FIELD_NAME, SingleFormFlow, check_name
from .vessel_checks import Refusal, check_twice
from .vessel_forms import LEVEL_DOMAINS, entity_field, number_field, subentry_field
from .vessel_neighbours import own_entities, subentry_names

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import ConfigSubentry

FIELD_SURFACE: Final = "surface"
FIELD_LENGTH: Final = "length"
FIELD_WIDTH: Final = "width"
FIELD_ACTIVITY: Final = "activity"
CHOICES: Final = (
    CONF_VESSEL,
    CONF_TEMPERATURE_SOURCE,
    CONF_ROOM_SOURCE,
    CONF_HUMIDITY_SOURCE,
    CONF_TEMPERATURE_WATCH,
)
MEASURED_FROM: Final = (SUBENTRY_RESERVOIR, SUBENTRY_SUMP)
"""What holds the water that evaporates, or the water that replaces it."""
SMALLEST_M2: Final = 0.01
LARGEST_M2: Final = 50.0
EXAMPLE_M2: Final = 0.6
# A surface that overflow and pumps keep moving, and no fan: 0.09 kg/(m2 h kPa), within a factor
# of two of any tank. It counts only until three quiet days were seen.
ACTIVITY: Final = 0.6
_DIGITS: Final = 4


class EvaporationWatchFlow(SingleFormFlow):
    """Add or change an evaporation watch."""

    @property
    @override
    def _missing(self) -> str | None:
        return None if self._vessels else "no_vessel"

    @property
    def _vessels(self) -> list[ConfigSubentry]:
        return self._subentries(*MEASURED_FROM)

    def _subentries(self, *kinds: str) -> list[ConfigSubentry]:
        system = self._get_entry()
        return [found for kind in kinds for found in system.get_subentries_of_type(kind)]

    # Units

    @property
    def _area_unit(self) -> UnitOfArea:
        is_imperial = self.hass.config.units is US_CUSTOMARY_SYSTEM
        return UnitOfArea.SQUARE_FEET if is_imperial else UnitOfArea.SQUARE_METERS

    def _shown_area(self, area_m2: float) -> float:
        square_metres = UnitOfArea.SQUARE_METERS
        return round(AreaConverter.convert(area_m2, square_metres, self._area_unit), _DIGITS)

    # The form

    @override
    def _stored_values(self) -> dict[str, Any]:
        if (stored := self._stored) is None:
            sumps = self._subentries(SUBENTRY_SUMP)
            served = (sump.data.get(CONF_DISPLAY_SURFACE_M2) for sump in sumps)
            known_m2 = next((area_m2 for area_m2 in served if area_m2 is not None), None)
            return {} if known_m2 is None else {FIELD_SURFACE: self._shown_area(known_m2)}
        return {
            **{key: stored.data[key] for key in CHOICES if key in stored.data},
            FIELD_NAME: stored.title,
            FIELD_SURFACE: self._shown_area(stored.data[CONF_SURFACE_M2]),
            FIELD_ACTIVITY: stored.data[CONF_ACTIVITY_FRAC],
        }

    @override
    def _schema(self, opened: str | None) -> vol.Schema:
        vessels = self._vessels
        thermometer = entity_field(LEVEL_DOMAINS, own_entities(self.hass))
        length = number_field(FormUnits.of(self.hass).length)
        fields: dict[Any, Any] = {
            vol.Required(FIELD_NAME): TextSelector(),
            vol.Required(CONF_VESSEL, default=vessels[0].subentry_id): subentry_field(vessels),
            vol.Required(CONF_TEMPERATURE_SOURCE): thermometer,
            vol.Optional(CONF_ROOM_SOURCE): thermometer,
            vol.Optional(CONF_HUMIDITY_SOURCE): thermometer,
            vol.Optional(FIELD_SURFACE): number_field(self._area_unit),
            vol.Optional(FIELD_LENGTH): length,
            vol.Optional(FIELD_WIDTH): length,
            vol.Required(FIELD_ACTIVITY, default=ACTIVITY): number_field(None),
        }
        if heaters := self._subentries(SUBENTRY_TEMPERATURE_WATCH):
            fields[vol.Optional(CONF_TEMPERATURE_WATCH)] = subentry_field(heaters)
        return vol.Schema(fields)

    # Checks

    @override
    def _checked(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        taken = subentry_names(self._get_entry(), SUBENTRY_EVAPORATION_WATCH, self._own_id)
        check_name(values[FIELD_NAME], taken, self._get_entry().title)
        self._check_units(values)
        data: dict[str, Any] = {key: values[key] for key in CHOICES if values.get(key)}
        data[CONF_SURFACE_M2] = self._surface_m2(values)
        data[CONF_ACTIVITY_FRAC] = float(values[FIELD_ACTIVITY])
        salinity = self._get_entry().data.get(CONF_SALINITY_PSU, DEFAULT_SALINITY_PSU)
        try:
            evaporation_settings(data, salinity)
        except ValueError as err:
            raise Refusal(FIELD_ACTIVITY, "activity_range", works=f"{ACTIVITY:g}") from err
        return data

    def _check_units(self, values: Mapping[str, Any]) -> None:
        for key in (CONF_TEMPERATURE_SOURCE, CONF_ROOM_SOURCE):
            state = self.hass.states.get(values.get(key, ""))
            if state is not None and not is_temperature_unit(unit := state_unit(state)):
                raise Refusal(key, "temperature_unit", source=values[key], unit=unit or "-")
        check_twice(CONF_ROOM_SOURCE, values[CONF_TEMPERATURE_SOURCE], values.get(CONF_ROOM_SOURCE))
        if not (humidity := values.get(CONF_HUMIDITY_SOURCE)):
            return
        if not values.get(CONF_ROOM_SOURCE):
            raise Refusal(CONF_ROOM_SOURCE, "room_missing")
        state = self.hass.states.get(humidity)
        if state is not None and (unit := state_unit(state)) != UnitOfRatio.PERCENTAGE:
            raise Refusal(CONF_HUMIDITY_SOURCE, "humidity_unit", source=humidity, unit=unit or "-")

    def _surface_m2(self, values: Mapping[str, Any]) -> float:
        """Return the open surface: typed in as such, or as the length and width of a tank."""
        surface = values.get(FIELD_SURFACE)
        sides = [values.get(FIELD_LENGTH), values.get(FIELD_WIDTH)]
        given = [side for side in sides if side is not None]
        if len(given) == 1 or (surface is None) is not bool(given):
            raise Refusal(FIELD_SURFACE, "surface_twice")
        if surface is not None:
            to_unit = UnitOfArea.SQUARE_METERS
            area_m2 = AreaConverter.convert(surface, self._area_unit, to_unit)
        elif min(given) <= 0:
            area_m2 = 0.0
        else:
            units = FormUnits.of(self.hass)
            area_m2 = rectangle_m2(*(units.to_m(side) for side in given))
        if not SMALLEST_M2 <= area_m2 <= LARGEST_M2:
            raise Refusal(
                FIELD_SURFACE,
                "surface_range",
                smallest=self._area_text(SMALLEST_M2),
                largest=self._area_text(LARGEST_M2),
                works=self._area_text(EXAMPLE_M2),
            )
        return round(area_m2, _DIGITS + 2)

    def _area_text(self, area_m2: float) -> str:
        return f"{self._shown_area(area_m2):.3g} {self._area_unit}"
