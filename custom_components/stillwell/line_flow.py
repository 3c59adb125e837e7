"""Set-up of a fill line in the UI: what it moves from where to where, and what stops it."""

from typing import TYPE_CHECKING, Any, override

from homeassistant.config_entries import SubentryFlowResult

from .const import (
    CONF_DESTINATION,
    CONF_DEVICE,
    CONF_DIRECTION,
    CONF_FEEDS_SYSTEM,
    CONF_REHEARSAL,
    CONF_RETURN_PUMP,
    CONF_SOURCE_VESSEL,
    CONF_VOLUME_L,
    DIRECTION_DRAIN,
    DIRECTION_FILL,
    SUBENTRY_SUMP,
)
from .form_units import FormUnits
from .line_checks import check_limits, check_parts
from .line_forms import (
    FIELD_NAME,
    SECTION_PUMP,
    ends_schema,
    limits_data,
    limits_schema,
    limits_values,
)
from .settings import vessel_settings
from .stored_flow import StoredFlow, check_name
from .vessel_checks import Refusal
from .vessel_neighbours import (
    dosing_with,
    line_names,
    line_with,
    own_entities,
    shortest_run_into,
    shown_name,
    vessels_in,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import ConfigSubentry

ENDS: tuple[str, ...] = (
    CONF_DEVICE,
    CONF_DIRECTION,
    CONF_DESTINATION,
    CONF_SOURCE_VESSEL,
    CONF_FEEDS_SYSTEM,
)


class FillLineFlow(StoredFlow):
    """Add or change a fill line."""

    def __init__(self) -> None:
        self._name = ""
        self._ends: dict[str, Any] = {}
        """Device and vessels, as stored."""

    @override
    async def async_step_user(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for the name, the device and the vessels at both ends."""
        vessels = vessels_in(self._get_entry())
        if not vessels:
            return self.async_abort(reason="no_vessel")
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                self._check_ends(user_input)
            except Refusal as err:
                refusal = err
            else:
                self._name = user_input[FIELD_NAME].strip()
                keys = (*ENDS, CONF_REHEARSAL)
                self._ends = {key: user_input[key] for key in keys if key in user_input}
                if self._ends[CONF_DIRECTION] == DIRECTION_FILL:
                    # What every line was before there were drains.
                    del self._ends[CONF_DIRECTION]
                return await self.async_step_limits()
        schema = ends_schema(vessels, own_entities(self.hass), is_new=self._stored is None)
        return self._form(
            "user",
            schema,
            user_input or self._stored_ends(),
            refusal,
            is_last=False,
            **self._named,
        )

    async def async_step_limits(
        self, user_input: dict[str, Any] | None = None
    ) -> SubentryFlowResult:
        """Ask for limits, waits, independent inputs and further layers, then save."""
        refusal: Refusal | None = None
        if user_input is not None:
            data = self._ends | limits_data(user_input, self._units)
            try:
                self._check_whole(data)
            except Refusal as err:
                refusal = err
            else:
                return self._save(self._name, data)
        schema = limits_schema(
            self._units,
            own_entities(self.hass),
            feeds_system=self._ends[CONF_FEEDS_SYSTEM],
            opened=refusal.field if refusal else None,
        )
        values = user_input or limits_values(self._stored_data, self._units)
        return self._form("limits", schema, values, refusal, is_last=True, **self._named)

    @override
    def _save(self, name: str, data: dict[str, Any]) -> SubentryFlowResult:
        """Store it; the reload puts the device off first: no change can lengthen a run."""
        # Another form may have been saved while this one was open.
        if line_with(self.hass, data[CONF_DEVICE], self._own_id):
            return self.async_abort(reason="already_configured")
        return super()._save(name, data)

    @property
    def _units(self) -> FormUnits:
        return FormUnits.of(self.hass)

    def _stored_ends(self) -> dict[str, Any]:
        if (stored := self._stored) is None:
            return {}
        ends = {key: stored.data[key] for key in ENDS if key in stored.data}
        return {FIELD_NAME: stored.title, **ends}

    def _check_ends(self, values: Mapping[str, Any]) -> None:
        name, device = values[FIELD_NAME], values[CONF_DEVICE]
        taken = line_names(self.hass, self._get_entry(), self._own_id)
        check_name(name, taken, shown_name(self.hass, device))
        if other := line_with(self.hass, device, self._own_id):
            raise Refusal(CONF_DEVICE, "device_taken", device=device, other=other)
        # Where limewater is the top-off itself, a run of this line is a dose.
        is_drain = values[CONF_DIRECTION] == DIRECTION_DRAIN
        sump = None if is_drain else values[CONF_DESTINATION]
        if other := dosing_with(self.hass, device, but_at=sump):
            raise Refusal(CONF_DEVICE, "pump_doses", device=device, other=other)
        if values.get(CONF_SOURCE_VESSEL) == values[CONF_DESTINATION]:
            raise Refusal(CONF_SOURCE_VESSEL, "source_is_destination")
        if is_drain:
            if values.get(CONF_SOURCE_VESSEL) is not None:
                raise Refusal(CONF_SOURCE_VESSEL, "drain_has_source")
            if values[CONF_FEEDS_SYSTEM]:
                raise Refusal(CONF_FEEDS_SYSTEM, "drain_feeds")

    def _check_whole(self, data: Mapping[str, Any]) -> None:
        system = self._get_entry()
        vessel_id = data[CONF_DESTINATION]
        try:
            destination = vessel_settings(system.subentries[vessel_id].data)
        except (KeyError, TypeError, ValueError) as err:
            raise Refusal("base", "destination_invalid", why=err) from err
        running = getattr(system, "runtime_data", None)
        check_limits(
            data,
            destination,
            None if running is None else running.vessels.get(vessel_id),
            self._units,
            system_l=system.data[CONF_VOLUME_L],
            is_alone=shortest_run_into(system, vessel_id, self._own_id) is None,
        )
        check_parts(self.hass, data)
        self._check_return_pump(data, system.subentries[vessel_id])

    @staticmethod
    def _check_return_pump(data: Mapping[str, Any], vessel: ConfigSubentry) -> None:
        """Refuse a drain of a sump whose level falls for a cause that the guard does not see."""
        is_drain = data.get(CONF_DIRECTION) == DIRECTION_DRAIN
        pumps = (data.get(CONF_RETURN_PUMP), vessel.data.get(CONF_RETURN_PUMP))
        if is_drain and vessel.subentry_type == SUBENTRY_SUMP and not any(pumps):
            raise Refusal(SECTION_PUMP, "drain_needs_pump")

    @property
    def _named(self) -> dict[str, str]:
        return {"name": self._name, "volume_unit": self._units.volume}
