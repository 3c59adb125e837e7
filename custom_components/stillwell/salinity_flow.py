"""Set-up of a salinity watch in the UI: where the salinity comes from, and its band."""

from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.helpers.selector import TextSelector

from .const import (
    CONF_HIGH_PSU,
    CONF_LOW_PSU,
    CONF_OVERFILL_L,
    CONF_SALINITY_KIND,
    CONF_SALINITY_SOURCE,
    CONF_TEMPERATURE_SOURCE,
    CONF_VOLUME_L,
    DEFAULT_FRESH_WATER_CAP_FRAC,
    SUBENTRY_SALINITY_WATCH,
)
from .engine.line_limits import fresh_water_cap_l
from .engine.seawater import LEAST_PSU, MOST_PSU
from .form_units import FormUnits
from .readings import is_temperature_unit, state_unit
from .salinity_source import SalinityKind, fits_kind
from .salinity_watch import salinity_settings
from .stored_flow import FIELD_NAME, SingleFormFlow, check_name
from .vessel_checks import Refusal
from .vessel_forms import LEVEL_DOMAINS, choice_field, entity_field, number_field
from .vessel_neighbours import own_entities, subentry_names

if TYPE_CHECKING:
    from collections.abc import Mapping

FIELD_LOW: Final = "low"
FIELD_HIGH: Final = "high"
FIELD_OVERFILL: Final = "overfill"
CHOICES: Final = (CONF_SALINITY_KIND, CONF_SALINITY_SOURCE, CONF_TEMPERATURE_SOURCE)
# Alarm outside 33 to 36.5 PSU (common practice, no source).
LOW_PSU: Final = 33.0
HIGH_PSU: Final = 36.5
UNIT_PSU: Final = "PSU"


class SalinityWatchFlow(SingleFormFlow):
    """Add or change a salinity watch."""

    @property
    def _system_l(self) -> float:
        volume_l: float = self._get_entry().data[CONF_VOLUME_L]
        return volume_l

    @override
    def _stored_values(self) -> dict[str, Any]:
        units = FormUnits.of(self.hass)
        if (stored := self._stored) is None:
            cap_l = fresh_water_cap_l(self._system_l, DEFAULT_FRESH_WATER_CAP_FRAC)
            return {FIELD_OVERFILL: units.from_l(cap_l)}
        return {
            **{key: stored.data[key] for key in CHOICES if key in stored.data},
            FIELD_NAME: stored.title,
            FIELD_LOW: stored.data[CONF_LOW_PSU],
            FIELD_HIGH: stored.data[CONF_HIGH_PSU],
            FIELD_OVERFILL: units.from_l(stored.data[CONF_OVERFILL_L]),
        }

    @override
    def _schema(self, opened: str | None) -> vol.Schema:
        source = entity_field(LEVEL_DOMAINS, own_entities(self.hass))
        kind = choice_field(CONF_SALINITY_KIND, list(SalinityKind))
        return vol.Schema(
            {
                vol.Required(FIELD_NAME): TextSelector(),
                vol.Required(CONF_SALINITY_KIND, default=SalinityKind.BY_HAND.value): kind,
                vol.Optional(CONF_SALINITY_SOURCE): source,
                vol.Optional(CONF_TEMPERATURE_SOURCE): source,
                vol.Required(FIELD_LOW, default=LOW_PSU): number_field(UNIT_PSU),
                vol.Required(FIELD_HIGH, default=HIGH_PSU): number_field(UNIT_PSU),
                vol.Required(FIELD_OVERFILL): number_field(FormUnits.of(self.hass).volume),
            }
        )

    # Checks

    @override
    def _checked(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        taken = subentry_names(self._get_entry(), SUBENTRY_SALINITY_WATCH, self._own_id)
        check_name(values[FIELD_NAME], taken, self._get_entry().title)
        kind = SalinityKind(values[CONF_SALINITY_KIND])
        data: dict[str, Any] = {key: values[key] for key in CHOICES if values.get(key)}
        if kind is SalinityKind.BY_HAND:
            data.pop(CONF_SALINITY_SOURCE, None)
        self._check_sources(kind, data)
        data[CONF_LOW_PSU] = float(values[FIELD_LOW])
        data[CONF_HIGH_PSU] = float(values[FIELD_HIGH])
        data[CONF_OVERFILL_L] = self._overfill_l(values[FIELD_OVERFILL])
        try:
            salinity_settings(data, self._system_l)
        except ValueError as err:
            raise Refusal(
                FIELD_HIGH,
                "band_range",
                least=f"{LEAST_PSU:g}",
                most=f"{MOST_PSU:g} {UNIT_PSU}",
                low=f"{LOW_PSU:g}",
                high=f"{HIGH_PSU:g} {UNIT_PSU}",
            ) from err
        return data

    def _check_sources(self, kind: SalinityKind, data: Mapping[str, Any]) -> None:
        thermometer = data.get(CONF_TEMPERATURE_SOURCE, "")
        state = self.hass.states.get(thermometer)
        if state is not None and not is_temperature_unit(unit := state_unit(state)):
            refused = {"source": thermometer, "unit": unit or "-"}
            raise Refusal(CONF_TEMPERATURE_SOURCE, "temperature_unit", **refused)
        if kind is SalinityKind.BY_HAND:
            return
        if (source := data.get(CONF_SALINITY_SOURCE)) is None:
            raise Refusal(CONF_SALINITY_SOURCE, "probe_missing")
        if kind is SalinityKind.CONDUCTIVITY and not thermometer:
            raise Refusal(CONF_TEMPERATURE_SOURCE, "thermometer_missing")
        state = self.hass.states.get(source)
        if state is not None and not fits_kind(unit := state_unit(state), kind):
            key = "salinity_unit" if kind is SalinityKind.SALINITY else "conductivity_unit"
            raise Refusal(CONF_SALINITY_SOURCE, key, source=source, unit=unit or "-")

    def _overfill_l(self, volume: float) -> float:
        units = FormUnits.of(self.hass)
        overfill_l = units.to_l(volume)
        if not 0 < overfill_l <= self._system_l:
            works_l = fresh_water_cap_l(self._system_l, DEFAULT_FRESH_WATER_CAP_FRAC)
            raise Refusal(
                FIELD_OVERFILL,
                "overfill_range",
                most=units.show_l(self._system_l),
                works=units.show_l(works_l),
            )
        return overfill_l
