"""Set-up of a water system in the UI; its vessels are subentries."""

from typing import TYPE_CHECKING, Any, override

import voluptuous as vol
from homeassistant.config_entries import (
    SOURCE_RECONFIGURE,
    SOURCE_USER,
    ConfigFlow,
    ConfigFlowResult,
    FlowType,
    SubentryFlowContext,
)
from homeassistant.core import callback
from homeassistant.helpers.selector import (
    NumberSelector,
    NumberSelectorConfig,
    NumberSelectorMode,
    TextSelector,
)

from .const import (
    CONF_SALINITY_PSU,
    CONF_VOLUME_L,
    CONFIG_MINOR_VERSION,
    CONFIG_VERSION,
    DEFAULT_SALINITY_PSU,
    DOMAIN,
    SUBENTRY_DOSING,
    SUBENTRY_EVAPORATION_WATCH,
    SUBENTRY_FILL_LINE,
    SUBENTRY_MIXING_VAT,
    SUBENTRY_RESERVOIR,
    SUBENTRY_RODI_UNIT,
    SUBENTRY_SALINITY_WATCH,
    SUBENTRY_SUMP,
    SUBENTRY_TEMPERATURE_WATCH,
    SUBENTRY_WATER_CHANGE,
)
from .decimal_mark import written
from .decision_text import async_load_texts
from .dosing_flow import DosingFlow
from .evaporation_flow import EvaporationWatchFlow
from .form_units import FormUnits
from .line_flow import FillLineFlow
from .pour_flow import PourFlow
from .rodi_flow import RodiUnitFlow
from .salinity_flow import SalinityWatchFlow
from .temperature_flow import TemperatureWatchFlow
from .vessel_flow import ReservoirFlow
from .vessel_kind_flow import MixingVatFlow, SumpFlow
from .vessel_neighbours import free_name
from .water_change_flow import WaterChangeFlow

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import ConfigEntry, ConfigSubentryFlow

FIELD_NAME = "name"
FIELD_VOLUME = "volume"
FIELD_SALINITY = "salinity"

SMALLEST_SYSTEM_L = 1.0
LARGEST_SYSTEM_L = 1_000_000.0
EXAMPLE_SYSTEM_L = 450.0
# PSS-78 holds from 2 to 42 PSU (Lewis 1980); 0 to 2 is left to the keeper of brackish water.
SALTIEST_PSU = 42.0


class StillwellConfigFlow(ConfigFlow, domain=DOMAIN):
    """Ask for a system's name, water volume and salinity."""

    VERSION = CONFIG_VERSION
    MINOR_VERSION = CONFIG_MINOR_VERSION

    @classmethod
    @callback
    @override
    def async_get_supported_subentry_types(
        cls, config_entry: ConfigEntry
    ) -> dict[str, type[ConfigSubentryFlow]]:
        """Return what a system may have: vessels, fill lines, watches."""
        return {
            SUBENTRY_RESERVOIR: ReservoirFlow,
            SUBENTRY_SUMP: SumpFlow,
            SUBENTRY_MIXING_VAT: MixingVatFlow,
            SUBENTRY_FILL_LINE: FillLineFlow,
            SUBENTRY_TEMPERATURE_WATCH: TemperatureWatchFlow,
            SUBENTRY_RODI_UNIT: RodiUnitFlow,
            SUBENTRY_DOSING: DosingFlow,
            SUBENTRY_EVAPORATION_WATCH: EvaporationWatchFlow,
            SUBENTRY_SALINITY_WATCH: SalinityWatchFlow,
            SUBENTRY_WATER_CHANGE: WaterChangeFlow,
        }

    @staticmethod
    @callback
    @override
    def async_get_options_flow(config_entry: ConfigEntry) -> PourFlow:
        """Return the guided calibration."""
        return PourFlow()

    async def async_step_user(self, user_input: dict[str, Any] | None = None) -> ConfigFlowResult:
        """Add a system."""
        await async_load_texts(self.hass)
        units = FormUnits.of(self.hass)
        if user_input is None:
            return self._show("user", units, {FIELD_SALINITY: DEFAULT_SALINITY_PSU}, {})
        if errors := self._errors(user_input, units):
            return self._show("user", units, user_input, errors)
        return self.async_create_entry(
            title=user_input[FIELD_NAME].strip(), data=_data(user_input, units)
        )

    async def async_step_reconfigure(
        self, user_input: dict[str, Any] | None = None
    ) -> ConfigFlowResult:
        """Change a system's name, volume or salinity."""
        units = FormUnits.of(self.hass)
        entry = self._get_reconfigure_entry()
        if user_input is None:
            values = {
                FIELD_NAME: entry.title,
                FIELD_VOLUME: units.from_l(entry.data[CONF_VOLUME_L]),
                FIELD_SALINITY: entry.data[CONF_SALINITY_PSU],
            }
            return self._show("reconfigure", units, values, {})
        if errors := self._errors(user_input, units):
            return self._show("reconfigure", units, user_input, errors)
        data = _data(user_input, units)
        if user_input[FIELD_VOLUME] == units.from_l(entry.data[CONF_VOLUME_L]):
            # As it was shown: litres rounded to gallons and back would disarm a dosing line.
            del data[CONF_VOLUME_L]
        # The entry's update listener reloads; the reload variants must not be used with one.
        return self.async_update_and_abort(
            entry, title=user_input[FIELD_NAME].strip(), data_updates=data
        )

    @override
    async def async_on_create_entry(self, result: ConfigFlowResult) -> ConfigFlowResult:
        """Offer to add the first vessel."""
        vessel = await self.hass.config_entries.subentries.async_init(
            (result["result"].entry_id, SUBENTRY_RESERVOIR),
            context=SubentryFlowContext(source=SOURCE_USER),
        )
        result["next_flow"] = (FlowType.CONFIG_SUBENTRIES_FLOW, vessel["flow_id"])
        return result

    def _errors(self, user_input: Mapping[str, Any], units: FormUnits) -> dict[str, str]:
        errors: dict[str, str] = {}
        name = user_input[FIELD_NAME].strip()
        if not name:
            errors[FIELD_NAME] = "name_empty"
        elif name.casefold() in self._taken_names():
            errors[FIELD_NAME] = "name_taken"
        volume_l = units.to_l(user_input[FIELD_VOLUME])
        if not SMALLEST_SYSTEM_L <= volume_l <= LARGEST_SYSTEM_L:
            errors[FIELD_VOLUME] = "volume_range"
        if not 0 <= user_input[FIELD_SALINITY] <= SALTIEST_PSU:
            errors[FIELD_SALINITY] = "salinity_range"
        return errors

    def _taken_names(self) -> set[str]:
        own = self._get_reconfigure_entry() if self.source == SOURCE_RECONFIGURE else None
        return {
            entry.title.casefold() for entry in self._async_current_entries() if entry is not own
        }

    def _show(
        self,
        step_id: str,
        units: FormUnits,
        values: Mapping[str, Any],
        errors: dict[str, str],
    ) -> ConfigFlowResult:
        name = values.get(FIELD_NAME, "").strip()
        return self.async_show_form(
            step_id=step_id,
            data_schema=self.add_suggested_values_to_schema(_schema(units), values),
            errors=errors,
            description_placeholders={
                "name": name,
                "other_name": free_name(name, self._taken_names()),
                "smallest_volume": written(self.hass, units.limit_l(SMALLEST_SYSTEM_L)),
                "largest_volume": written(self.hass, units.limit_l(LARGEST_SYSTEM_L)),
                "example_volume": written(self.hass, units.limit_l(EXAMPLE_SYSTEM_L)),
                "saltiest": f"{SALTIEST_PSU:g}",
                "example_salinity": f"{DEFAULT_SALINITY_PSU:g}",
            },
        )


def _schema(units: FormUnits) -> vol.Schema:
    return vol.Schema(
        {
            vol.Required(FIELD_NAME): TextSelector(),
            vol.Required(FIELD_VOLUME): NumberSelector(
                NumberSelectorConfig(
                    step="any",
                    unit_of_measurement=units.volume,
                    mode=NumberSelectorMode.BOX,
                )
            ),
            vol.Required(FIELD_SALINITY, default=DEFAULT_SALINITY_PSU): NumberSelector(
                NumberSelectorConfig(
                    step="any", unit_of_measurement="PSU", mode=NumberSelectorMode.BOX
                )
            ),
        }
    )


def _data(user_input: Mapping[str, Any], units: FormUnits) -> dict[str, float]:
    return {
        CONF_VOLUME_L: units.to_l(user_input[FIELD_VOLUME]),
        CONF_SALINITY_PSU: float(user_input[FIELD_SALINITY]),
    }
