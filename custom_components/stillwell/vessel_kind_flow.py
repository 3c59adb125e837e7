"""Set-up of a sump or a mixing vat in the UI: what they have beside what every vessel has."""

from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.helpers.selector import (
    BooleanSelector,
    NumberSelector,
    NumberSelectorConfig,
    NumberSelectorMode,
)

from .const import (
    CONF_DISPLAY_SURFACE_M2,
    CONF_HIGH_M,
    CONF_RETURN_PUMP,
    CONF_RIM_M,
    CONF_SALINITY_AT_25,
    CONF_SALINITY_SOURCE,
    CONF_SALT_WATER_FRAC,
    CONF_SHAPE,
    CONF_TARGET_PSU,
    CONF_TEMPERATURE_SOURCE,
)
from .engine.geometry import shape_from_dict
from .engine.salt_mass import MOST_HYDRATION_FRAC
from .engine.seawater import LEAST_PSU, MOST_PSU
from .line_forms import PERCENT, PUMP_DOMAINS, percent_text
from .readings import state_unit
from .salinity_reading import is_conductivity_unit, is_salinity_unit
from .settings import LENGTH_MARGIN_M, system_settings
from .vessel_checks import Refusal
from .vessel_flow import ReservoirFlow
from .vessel_forms import LEVEL_DOMAINS, entity_field, length_field
from .vessel_neighbours import own_entities

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import SubentryFlowResult

FIELD_RIM: Final = "rim"
FIELD_SURFACE: Final = "display_surface"
FIELD_TARGET: Final = "target_salinity"
FIELD_SALT_WATER: Final = "salt_water"

LARGEST_SURFACE_M2: Final = 1000.0
EXAMPLE_SURFACE_M2: Final = 0.72
"""A display 1.2 m by 0.6 m."""


class SumpFlow(ReservoirFlow):
    """Add or change a sump."""

    replaces_evaporation = True
    feeds_system = True

    @override
    async def _async_after_band(self) -> SubentryFlowResult:
        return await self.async_step_sump()

    async def async_step_sump(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for the rim, the return pump and the display's open water."""
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                self._data |= self._checked_sump(user_input)
                self._typed["sump"] = user_input
            except Refusal as err:
                refusal = err
            else:
                return await self.async_step_confirm()
        schema = vol.Schema(
            {
                vol.Optional(FIELD_RIM): length_field(self._units),
                vol.Optional(CONF_RETURN_PUMP): entity_field(PUMP_DOMAINS, own_entities(self.hass)),
                vol.Optional(FIELD_SURFACE): _number(self._units.area),
            }
        )
        stored = self._typed.get("sump", self._stored_sump())
        return await self._show("sump", schema, user_input or stored, refusal)

    def _stored_sump(self) -> dict[str, Any]:
        data, units = self._stored_data, self._units
        shown: dict[str, Any] = {}
        if CONF_RIM_M in data:
            shown[FIELD_RIM] = units.from_m(data[CONF_RIM_M])
        if CONF_RETURN_PUMP in data:
            shown[CONF_RETURN_PUMP] = data[CONF_RETURN_PUMP]
        if CONF_DISPLAY_SURFACE_M2 in data:
            shown[FIELD_SURFACE] = units.from_m2(data[CONF_DISPLAY_SURFACE_M2])
        return shown

    def _checked_sump(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored besides.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        units, stored = self._units, {}
        if (rim := values.get(FIELD_RIM)) is not None:
            height_m = shape_from_dict(self._data[CONF_SHAPE]).height_m
            stored[CONF_RIM_M] = rim_m = units.to_m(rim)
            low_m = self._data[CONF_HIGH_M]
            if not low_m - LENGTH_MARGIN_M <= rim_m <= height_m + LENGTH_MARGIN_M:
                raise Refusal(
                    FIELD_RIM,
                    "rim_range",
                    low=units.limit_m(low_m),
                    high=units.limit_m(height_m),
                    works=units.exact_m(height_m),
                )
        if pump := values.get(CONF_RETURN_PUMP):
            stored[CONF_RETURN_PUMP] = pump
        if (surface := values.get(FIELD_SURFACE)) is not None:
            stored[CONF_DISPLAY_SURFACE_M2] = area_m2 = units.to_m2(surface)
            if not 0.0 < area_m2 <= LARGEST_SURFACE_M2:
                raise Refusal(
                    FIELD_SURFACE,
                    "surface_range",
                    most=f"{units.from_m2(LARGEST_SURFACE_M2):.0f} {units.area}",
                    works=f"{units.from_m2(EXAMPLE_SURFACE_M2):.2f} {units.area}",
                )
        return stored


class MixingVatFlow(ReservoirFlow):
    """Add or change a mixing vat."""

    @override
    async def _async_after_band(self) -> SubentryFlowResult:
        return await self.async_step_mixing_vat()

    async def async_step_mixing_vat(
        self, user_input: dict[str, Any] | None = None
    ) -> SubentryFlowResult:
        """Ask for the salinity wanted, where the present one is read, and about the salt."""
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                self._data |= self._checked_vat(user_input)
                self._typed["mixing_vat"] = user_input
            except Refusal as err:
                refusal = err
            else:
                return await self.async_step_confirm()
        salinity = system_settings(self._get_entry()).salinity_psu
        schema = vol.Schema(
            {
                vol.Required(FIELD_TARGET, default=salinity): _number("PSU"),
                vol.Optional(CONF_SALINITY_SOURCE): entity_field(
                    LEVEL_DOMAINS, own_entities(self.hass)
                ),
                vol.Required(CONF_SALINITY_AT_25, default=True): BooleanSelector(),
                vol.Required(FIELD_SALT_WATER, default=0.0): _number("%"),
            }
        )
        stored = self._typed.get("mixing_vat", self._stored_vat())
        return await self._show("mixing_vat", schema, user_input or stored, refusal)

    def _stored_vat(self) -> dict[str, Any]:
        data = self._stored_data
        shown = {
            key: data[key] for key in (CONF_SALINITY_SOURCE, CONF_SALINITY_AT_25) if key in data
        }
        if CONF_TARGET_PSU in data:
            shown[FIELD_TARGET] = data[CONF_TARGET_PSU]
        if CONF_SALT_WATER_FRAC in data:
            shown[FIELD_SALT_WATER] = round(PERCENT * data[CONF_SALT_WATER_FRAC], 6)
        return shown

    def _checked_vat(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored besides.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        target, salt_water = values[FIELD_TARGET], values[FIELD_SALT_WATER] / PERCENT
        if not LEAST_PSU <= target <= MOST_PSU:
            works = f"{system_settings(self._get_entry()).salinity_psu:g}"
            raise Refusal(
                FIELD_TARGET,
                "target_range",
                low=f"{LEAST_PSU:g}",
                high=f"{MOST_PSU:g}",
                works=works,
            )
        if not 0.0 <= salt_water <= MOST_HYDRATION_FRAC:
            high = percent_text(MOST_HYDRATION_FRAC)
            raise Refusal(FIELD_SALT_WATER, "salt_water_range", high=high, works="0")
        source = values.get(CONF_SALINITY_SOURCE)
        self._check_salinity_source(source, is_at_25=values[CONF_SALINITY_AT_25])
        stored = {
            CONF_TARGET_PSU: float(target),
            CONF_SALINITY_SOURCE: source,
            CONF_SALINITY_AT_25: values[CONF_SALINITY_AT_25],
            CONF_SALT_WATER_FRAC: salt_water,
        }
        return {key: value for key, value in stored.items() if value is not None}

    def _check_salinity_source(self, source: str | None, *, is_at_25: bool) -> None:
        state = None if source is None else self.hass.states.get(source)
        if state is None:
            return
        unit = state_unit(state)
        if not is_salinity_unit(unit):
            raise Refusal(
                CONF_SALINITY_SOURCE, "salinity_unit", source=state.entity_id, unit=unit or "-"
            )
        is_bare = not is_at_25 and CONF_TEMPERATURE_SOURCE not in self._data
        if is_bare and is_conductivity_unit(unit):
            raise Refusal(
                CONF_SALINITY_SOURCE, "salinity_needs_temperature", source=state.entity_id
            )


def _number(unit: str) -> NumberSelector:
    return NumberSelector(
        NumberSelectorConfig(step="any", unit_of_measurement=unit, mode=NumberSelectorMode.BOX)
    )
