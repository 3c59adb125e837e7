"""Set-up of a temperature watch in the UI: thermometer, heater's switch, and the safe band."""

from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.const import UnitOfTemperature
from homeassistant.helpers.selector import (
    DurationSelector,
    NumberSelector,
    NumberSelectorConfig,
    NumberSelectorMode,
    TextSelector,
)
from homeassistant.util.unit_conversion import TemperatureConverter

from .const import (
    CONF_HEATER,
    CONF_HEATER_POWER_W,
    CONF_HIGH_C,
    CONF_LOW_C,
    CONF_ROOM_SOURCE,
    CONF_SILENCE_S,
    CONF_TEMPERATURE_SOURCE,
    CONF_VOLUME_L,
    SUBENTRY_TEMPERATURE_WATCH,
)
from .engine.cut_out import SILENCE_S
from .engine.thermal import COLDEST_C, WARMEST_C
from .readings import is_temperature_unit, state_unit
from .stored_flow import FIELD_NAME, SingleFormFlow, check_name
from .temperature_watch import LONGEST_SILENCE_S, SHORTEST_SILENCE_S, watch_settings
from .vessel_checks import Refusal, check_twice
from .vessel_forms import LEVEL_DOMAINS, entity_field, number_field
from .vessel_neighbours import own_entities, subentry_names
from .vessel_values import duration_of, seconds_of

if TYPE_CHECKING:
    from collections.abc import Mapping

FIELD_LOW: Final = "low"
FIELD_HIGH: Final = "high"
FIELD_SILENCE: Final = "silence"
ENTITIES: Final = (CONF_TEMPERATURE_SOURCE, CONF_HEATER, CONF_ROOM_SOURCE)
# A warm-water tank: 24 to 27 degC with 1 K of room for the alarm (common practice, no source).
LOW_C: Final = 23.0
HIGH_C: Final = 28.0
_DIGITS: Final = 4


class TemperatureWatchFlow(SingleFormFlow):
    """Add or change a temperature watch."""

    @property
    def _unit(self) -> UnitOfTemperature:
        return UnitOfTemperature(self.hass.config.units.temperature_unit)

    def _shown(self, temp_c: float) -> float:
        celsius = UnitOfTemperature.CELSIUS
        return round(TemperatureConverter.convert(temp_c, celsius, self._unit), 2)

    def _celsius(self, value: float) -> float:
        celsius = UnitOfTemperature.CELSIUS
        return round(TemperatureConverter.convert(value, self._unit, celsius), _DIGITS)

    @override
    def _stored_values(self) -> dict[str, Any]:
        if (stored := self._stored) is None:
            return {FIELD_LOW: self._shown(LOW_C), FIELD_HIGH: self._shown(HIGH_C)}
        return {
            **stored.data,
            FIELD_NAME: stored.title,
            FIELD_LOW: self._shown(stored.data[CONF_LOW_C]),
            FIELD_HIGH: self._shown(stored.data[CONF_HIGH_C]),
            FIELD_SILENCE: duration_of(stored.data.get(CONF_SILENCE_S, SILENCE_S)),
        }

    @override
    def _schema(self, opened: str | None) -> vol.Schema:
        own = own_entities(self.hass)
        band = NumberSelector(
            NumberSelectorConfig(
                step="any", unit_of_measurement=self._unit, mode=NumberSelectorMode.BOX
            )
        )
        thermometer = entity_field(LEVEL_DOMAINS, own)
        switch = entity_field(["switch", "input_boolean", "binary_sensor"], own)
        return vol.Schema(
            {
                vol.Required(FIELD_NAME): TextSelector(),
                vol.Required(CONF_TEMPERATURE_SOURCE): thermometer,
                vol.Required(FIELD_LOW): band,
                vol.Required(FIELD_HIGH): band,
                vol.Optional(CONF_HEATER): switch,
                vol.Optional(CONF_HEATER_POWER_W): number_field("W"),
                vol.Optional(CONF_ROOM_SOURCE): thermometer,
                vol.Required(FIELD_SILENCE, default=duration_of(SILENCE_S)): DurationSelector(),
            }
        )

    @override
    def _checked(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        taken = subentry_names(self._get_entry(), SUBENTRY_TEMPERATURE_WATCH, self._own_id)
        check_name(values[FIELD_NAME], taken)
        silence_s = seconds_of(values[FIELD_SILENCE])
        if not SHORTEST_SILENCE_S <= silence_s <= LONGEST_SILENCE_S:
            raise Refusal(FIELD_SILENCE, "silence_range")
        for key in (CONF_TEMPERATURE_SOURCE, CONF_ROOM_SOURCE):
            state = self.hass.states.get(values.get(key, ""))
            if state is not None and not is_temperature_unit(unit := state_unit(state)):
                raise Refusal(key, "temperature_unit", source=values[key], unit=unit or "-")
        check_twice(CONF_ROOM_SOURCE, values[CONF_TEMPERATURE_SOURCE], values.get(CONF_ROOM_SOURCE))
        data = {key: values[key] for key in ENTITIES if values.get(key)}
        data[CONF_LOW_C] = self._celsius(values[FIELD_LOW])
        data[CONF_HIGH_C] = self._celsius(values[FIELD_HIGH])
        data[CONF_SILENCE_S] = silence_s
        if values.get(CONF_HEATER_POWER_W) is not None:
            data[CONF_HEATER_POWER_W] = power_w = float(values[CONF_HEATER_POWER_W])
            if power_w <= 0.0:
                raise Refusal(CONF_HEATER_POWER_W, "heater_power_range")
        try:
            watch_settings(data, self._get_entry().data[CONF_VOLUME_L])
        except ValueError as err:
            raise Refusal(
                FIELD_HIGH,
                "band_range",
                coldest=f"{self._shown(COLDEST_C):g} {self._unit}",
                warmest=f"{self._shown(WARMEST_C):g} {self._unit}",
                low=f"{self._shown(LOW_C):g}",
                high=f"{self._shown(HIGH_C):g} {self._unit}",
            ) from err
        return data
