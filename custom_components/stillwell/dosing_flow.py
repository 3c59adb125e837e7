"""Set-up of a dosing line in the UI: where it doses, its pump, its caps, and what must be right."""

from typing import TYPE_CHECKING, Any, override

from homeassistant.config_entries import SubentryFlowResult

from .const import (
    CONF_DOSING_PUMP,
    CONF_RETURN_PUMP,
    CONF_VESSEL,
    CONF_VOLUME_L,
    SUBENTRY_DOSING,
)
from .dosing_checks import check_caps, check_pump, check_sources
from .dosing_forms import (
    FIELD_PUMP_FLOW,
    FIELD_TARGET,
    limits_data,
    limits_schema,
    limits_values,
    pump_data,
    pump_schema,
    pump_values,
)
from .form_units import FormUnits
from .settings import VesselSettings, vessel_settings
from .stored_flow import FIELD_NAME, StoredFlow, check_name
from .vessel_checks import Refusal
from .vessel_neighbours import own_entities, subentry_names, vessels_in

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import ConfigSubentry


class DosingFlow(StoredFlow):
    """Add or change a dosing line."""

    def __init__(self) -> None:
        self._name = ""
        self._chosen: dict[str, Any] = {}
        """Sump and pumps, as stored."""

    @override
    async def async_step_user(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for the name, the sump, the dosing pump and the return pump."""
        if not (vessels := self._vessels):
            return self.async_abort(reason="no_vessel")
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                self._check_first(user_input)
            except Refusal as err:
                refusal = err
            else:
                self._name = user_input[FIELD_NAME].strip()
                self._chosen = pump_data(user_input)
                return await self.async_step_limits()
        stored = {} if self._stored is None else pump_values(self._stored.title, self._stored_data)
        schema = pump_schema(vessels, own_entities(self.hass))
        return self._form(
            "user", schema, user_input or stored, refusal, is_last=False, name=self._name
        )

    async def async_step_limits(
        self, user_input: dict[str, Any] | None = None
    ) -> SubentryFlowResult:
        """Ask for target, caps, stock and probes, then save."""
        units, system = FormUnits.of(self.hass), self._get_entry()
        refusal: Refusal | None = None
        if user_input is not None:
            data = self._chosen | limits_data(user_input, units)
            try:
                self._check_whole(data, units)
            except Refusal as err:
                refusal = err
            else:
                return self._save(self._name, data)
        others = [one for one in self._vessels if one.subentry_id != self._chosen[CONF_VESSEL]]
        schema = limits_schema(
            units,
            others,
            own_entities(self.hass),
            system.data[CONF_VOLUME_L],
            opened=refusal.field if refusal else None,
        )
        values = user_input or limits_values(self._stored_data, units) or self._proposed(units)
        return self._form("limits", schema, values, refusal, is_last=True, name=self._name)

    @property
    def _vessels(self) -> list[ConfigSubentry]:
        return vessels_in(self._get_entry())

    def _check_first(self, values: Mapping[str, Any]) -> None:
        taken = subentry_names(self._get_entry(), SUBENTRY_DOSING, self._own_id)
        check_name(values[FIELD_NAME], taken)
        pump = values.get(CONF_DOSING_PUMP)
        flow, return_pump = values.get(FIELD_PUMP_FLOW), values.get(CONF_RETURN_PUMP)
        check_pump(self.hass, pump, flow, return_pump, values.get(CONF_VESSEL))

    def _sump(self) -> VesselSettings:
        """Return the settings of the sump.

        Raises:
            Refusal: They cannot be used.
        """
        try:
            return vessel_settings(self._get_entry().subentries[self._chosen[CONF_VESSEL]].data)
        except (KeyError, TypeError, ValueError) as err:
            raise Refusal("base", "vessel_invalid", why=err) from err

    def _proposed(self, units: FormUnits) -> dict[str, Any]:
        """Return the level to propose: where a new line's sump is topped off."""
        try:
            return {FIELD_TARGET: units.from_m(self._sump().start_m)}
        except Refusal:
            return {}

    def _check_whole(self, data: Mapping[str, Any], units: FormUnits) -> None:
        check_caps(data, self._sump(), self._get_entry(), units)
        check_sources(self.hass, data)
