"""Set-up of a vessel in the UI: source, shape, marks, and a look at the present reading."""

from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.components.sensor import SensorDeviceClass
from homeassistant.config_entries import (
    ConfigSubentry,
    SubentryFlowResult,
)
from homeassistant.const import ATTR_DEVICE_CLASS
from homeassistant.core import callback

from .blueprint_care import async_are_absent, async_install, async_why_not_written
from .const import (
    CONF_DESTINATION,
    CONF_DEVICE,
    CONF_FEEDS_SYSTEM,
    CONF_LONGEST_RUN_S,
    CONF_MEASURE,
    CONF_SHAPE,
    CONF_SOURCE,
    CONF_STALE_AFTER_S,
    CONF_TEMPERATURE_SOURCE,
    CONF_VOLUME_L,
    CONF_ZERO_IS_SUSPECT,
    SUBENTRY_FILL_LINE,
)
from .engine.geometry import shape_from_dict
from .engine.quantities import Reason
from .form_units import FormUnits
from .line_names import async_line_title
from .readings import fits, is_temperature_unit, state_number, state_unit
from .settings import Measure, vessel_settings, zero_is_suspect_by_default
from .stored_flow import StoredFlow, check_name
from .vessel_capture import async_captured
from .vessel_checks import (
    Refusal,
    check_filling,
    check_marks,
    check_signal,
    check_top_off,
    sensor_data,
    shape_data,
)
from .vessel_forms import (
    FIELD_BACK,
    FIELD_BLUEPRINTS,
    FIELD_CAPTURE,
    FIELD_MEASURE,
    FIELD_NAME,
    FIELD_SHAPE,
    FIELD_SOURCE,
    FIELD_TABLE,
    FIELD_TEMPERATURE_SOURCE,
    FIELD_ZERO_IS_SUSPECT,
    SECTION_FILLING,
    SECTION_SIGNAL,
    STRAPPING,
    band_schema,
    confirm_schema,
    shape_schema,
    source_schema,
)
from .vessel_neighbours import (
    dosing_with,
    free_name,
    line_names,
    line_with,
    own_entities,
    shortest_run_into,
    shown_name,
    vessel_names,
    vessel_with,
)
from .vessel_preview import async_field_label, async_measure_names, async_preview
from .vessel_proposals import async_proposals
from .vessel_values import (
    band_data,
    band_values,
    filling_data,
    proposed_marks,
    shape_values,
)

if TYPE_CHECKING:
    from collections.abc import Mapping


NO_LEVEL: Final = frozenset(
    {
        SensorDeviceClass.AQI,
        SensorDeviceClass.BATTERY,
        SensorDeviceClass.HUMIDITY,
        SensorDeviceClass.PH,
        SensorDeviceClass.POWER_FACTOR,
    }
)
"""Classes of a sensor that is none of a level, whatever number it shows."""


class ReservoirFlow(StoredFlow):
    """Add or change a reservoir; other kinds of vessel ask for something more."""

    replaces_evaporation = False
    """Whether the kind's water only makes up for evaporation, unless the keeper says no."""
    feeds_system = False
    """Whether what fills this kind brings fresh water straight to the animals."""

    def __init__(self) -> None:
        self._name = ""
        self._typed: dict[str, dict[str, Any]] = {}
        """What was entered in each step, for when the keeper goes back."""
        self._source: dict[str, Any] = {}
        """Source, measure and shape as chosen in the first step."""
        self._dimensions: dict[str, Any] = {}
        """Shape and place of the sensor, as stored."""
        self._data: dict[str, Any] = {}
        """The whole, as stored."""
        self._line: dict[str, Any] = {}
        """The fill line that comes with a newcomer, as stored but for its vessel."""
        self._line_title: str | None = None
        """Set when the vessel is being made; its line follows."""

    @override
    async def async_step_user(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for the name, the level source, what it measures, and the shape."""
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                await self._check_source(user_input)
            except Refusal as err:
                refusal = err
            else:
                self._name = user_input[FIELD_NAME].strip()
                self._source = self._typed["user"] = user_input
                return await self.async_step_shape()
        schema = source_schema(own_entities(self.hass))
        values = user_input or self._typed.get("user") or await self._source_values()
        return await self._show("user", schema, values, refusal)

    async def async_step_shape(
        self, user_input: dict[str, Any] | None = None
    ) -> SubentryFlowResult:
        """Ask for the dimensions of the chosen shape and where the sensor sits."""
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                self._dimensions = self._checked_shape(user_input)
                self._typed["shape"] = user_input
            except Refusal as err:
                refusal = err
            else:
                return await self.async_step_band()
        schema = shape_schema(self._source[FIELD_SHAPE], self._measure, self._units)
        stored = self._typed.get("shape", shape_values(self._stored_data, self._units))
        return await self._show("shape", schema, user_input or stored, refusal)

    async def async_step_band(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for the marks and the signal; of a newcomer, for what fills it too."""
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                if FIELD_CAPTURE in user_input:
                    # The form comes back with the mark filled in; the next may be taken then.
                    user_input = await self._captured(user_input)
                else:
                    self._data = self._checked_band(user_input)
                    self._typed["band"] = user_input
                    return await self._async_after_band()
            except Refusal as err:
                refusal = err
        vessel = shape_from_dict(self._dimensions[CONF_SHAPE])
        schema = band_schema(
            proposed_marks(self._subentry_type, vessel, self._system_l, self._units),
            self._units,
            own_entities(self.hass),
            zero_is_suspect=zero_is_suspect_by_default(self._measure),
            replaces_evaporation=self.replaces_evaporation,
            with_filling=self._stored is None,
            opened=refusal.field if refusal else None,
        )
        stored = self._typed.get("band", band_values(self._stored_data, self._units))
        return await self._show("band", schema, user_input or stored, refusal)

    async def _async_after_band(self) -> SubentryFlowResult:
        """Go on; a kind of vessel that has more to ask does so here."""
        return await self.async_step_confirm()

    async def async_step_confirm(
        self, user_input: dict[str, Any] | None = None
    ) -> SubentryFlowResult:
        """Show what the present reading means, then save; write the blueprints if asked to."""
        if user_input is None:
            return await self._show_confirm({})
        if user_input.get(FIELD_BACK):
            return await self.async_step_user()
        # Another form may have been saved while this one was open.
        if self._vessel_with(CONF_SOURCE, self._data) or line_with(
            self.hass, self._line.get(CONF_DEVICE), None
        ):
            return self.async_abort(reason="already_configured")
        if user_input.get(FIELD_BLUEPRINTS):
            try:
                await async_install(self.hass)
            except OSError as err:
                why = await async_why_not_written(self.hass, err)
                return await self._show_confirm({FIELD_BLUEPRINTS: "not_written"}, why=why)
        if self._line and self._stored is None:
            title = await async_line_title(self.hass, self._name)
            taken = line_names(self.hass, self._get_entry(), None)
            self._line_title = free_name(title, taken) if title.casefold() in taken else title
        return self._save(self._name, self._data)

    async def _show_confirm(
        self, errors: dict[str, str], **placeholders: str
    ) -> SubentryFlowResult:
        is_offered = self._stored is None and await async_are_absent(self.hass)
        schema = confirm_schema(with_blueprints=is_offered)
        preview = await async_preview(self.hass, vessel_settings(self._data), self._units)
        return self.async_show_form(
            step_id="confirm",
            data_schema=schema,
            errors=errors,
            description_placeholders=preview | placeholders,
            last_step=True,
        )

    @callback
    @override
    def async_remove(self) -> None:
        """Add the newcomer's fill line: only now, the flow being over, has the vessel its id."""
        if self._line_title is None:
            return
        system = self._get_entry()
        vessel_id = next(
            subentry_id
            for subentry_id, subentry in system.subentries.items()
            if subentry.data.get(CONF_SOURCE) == self._data[CONF_SOURCE]
        )
        self.hass.config_entries.async_add_subentry(
            system,
            ConfigSubentry(
                data=MappingProxyType({CONF_DESTINATION: vessel_id, **self._line}),
                subentry_type=SUBENTRY_FILL_LINE,
                title=self._line_title,
                unique_id=None,
            ),
        )

    @property
    def _units(self) -> FormUnits:
        return FormUnits.of(self.hass)

    @property
    def _measure(self) -> Measure:
        return Measure(self._source[FIELD_MEASURE])

    @property
    def _system_l(self) -> float:
        volume_l: float = self._get_entry().data[CONF_VOLUME_L]
        return volume_l

    async def _source_values(self) -> dict[str, Any]:
        if (stored := self._stored) is None:
            return await async_proposals(self.hass, self._get_entry(), self._subentry_type)
        return {
            FIELD_NAME: stored.title,
            FIELD_SOURCE: stored.data.get(CONF_SOURCE),
            FIELD_MEASURE: stored.data.get(CONF_MEASURE),
            FIELD_SHAPE: stored.data.get(CONF_SHAPE, {}).get("kind"),
        }

    async def _check_source(self, values: Mapping[str, Any]) -> None:
        name, source = values[FIELD_NAME], values[FIELD_SOURCE]
        taken = vessel_names(self.hass, self._get_entry(), self._own_id)
        check_name(name, taken, shown_name(self.hass, source))
        if other := self._vessel_with(CONF_SOURCE, {CONF_SOURCE: source}):
            raise Refusal(FIELD_SOURCE, "source_taken", source=source, other=other)
        state = self.hass.states.get(source)
        number = state_number(state)
        if number is Reason.NOT_NUMERIC and state is not None:
            raise Refusal(FIELD_SOURCE, "source_not_numeric", source=source, raw=state.state)
        # Their units, none or %, would pass for a share of the depth.
        if state is not None and state.attributes.get(ATTR_DEVICE_CLASS) in NO_LEVEL:
            raise Refusal(FIELD_SOURCE, "source_no_level", source=source)
        unit = state_unit(state)
        if state is None or (unit is None and isinstance(number, Reason)):
            return
        fitting = [measure for measure in Measure if fits(unit, measure)]
        if values[FIELD_MEASURE] in fitting:
            return
        if not fitting:
            raise Refusal(FIELD_SOURCE, "unit_useless", source=source, unit=unit or "-")
        works = await async_measure_names(self.hass, fitting)
        if unit is None:
            raise Refusal(FIELD_MEASURE, "unit_missing", source=source, works=works)
        raise Refusal(FIELD_MEASURE, "unit_unfit", source=source, unit=unit, works=works)

    def _checked_shape(self, values: Mapping[str, Any]) -> dict[str, Any]:
        kind, stored = self._source[FIELD_SHAPE], self._stored_data.get(CONF_SHAPE, {})
        shape = shape_data(kind, values, self._units)
        shown = shape_values(self._stored_data, self._units)
        if stored.get("kind") == kind == STRAPPING and values[FIELD_TABLE] == shown[FIELD_TABLE]:
            # As it was shown, in fewer figures than are stored: the vessel is no other.
            shape = dict(stored)
        vessel = shape_from_dict(shape)
        return {CONF_SHAPE: shape} | sensor_data(self._measure, values, vessel, self._units)

    async def _captured(self, values: Mapping[str, Any]) -> dict[str, Any]:
        sensor = {
            CONF_SOURCE: self._source[FIELD_SOURCE],
            CONF_MEASURE: self._measure.value,
            CONF_ZERO_IS_SUSPECT: values[SECTION_SIGNAL][FIELD_ZERO_IS_SUSPECT],
            **self._dimensions,
        }
        vessel = shape_from_dict(self._dimensions[CONF_SHAPE])
        return await async_captured(self.hass, values, sensor, vessel, self._units)

    def _checked_band(self, values: Mapping[str, Any]) -> dict[str, Any]:
        data = {
            CONF_SOURCE: self._source[FIELD_SOURCE],
            CONF_MEASURE: self._measure.value,
            **self._dimensions,
            **band_data(values, self._units),
        }
        check_marks(data, shape_from_dict(data[CONF_SHAPE]), self._units)
        self._check_temperature(data.get(CONF_TEMPERATURE_SOURCE))
        self._line = line = filling_data(values)
        device = line.get(CONF_DEVICE)
        if other := line_with(self.hass, device, None):
            raise Refusal(SECTION_FILLING, "device_taken", device=str(device), other=other)
        if other := dosing_with(self.hass, device, but_at=None):
            raise Refusal(SECTION_FILLING, "pump_doses", device=str(device), other=other)
        check_filling(line)
        if line and self.feeds_system:
            line[CONF_FEEDS_SYSTEM] = True
            check_top_off(data, shape_from_dict(data[CONF_SHAPE]), self._system_l, self._units)
        run_s = line.get(CONF_LONGEST_RUN_S)
        if self._own_id is not None:
            run_s = shortest_run_into(self._get_entry(), self._own_id)
        check_signal(data.get(CONF_STALE_AFTER_S), run_s)
        return data

    def _check_temperature(self, entity_id: str | None) -> None:
        state = None if entity_id is None else self.hass.states.get(entity_id)
        if state is None or isinstance(state_number(state), Reason):
            return
        if not is_temperature_unit(unit := state_unit(state)):
            raise Refusal(
                FIELD_TEMPERATURE_SOURCE,
                "temperature_unit",
                source=state.entity_id,
                unit=unit or "-",
            )

    def _vessel_with(self, key: str, data: Mapping[str, Any]) -> str | None:
        return vessel_with(self.hass, key, data.get(key), self._own_id)

    def _size(self) -> dict[str, str]:
        if CONF_SHAPE not in self._dimensions:
            return {}
        vessel = shape_from_dict(self._dimensions[CONF_SHAPE])
        return {
            "height": self._units.show_m(vessel.height_m),
            "capacity": self._units.show_l(vessel.capacity_l),
        }

    async def _show(
        self,
        step_id: str,
        schema: vol.Schema,
        values: Mapping[str, Any],
        refusal: Refusal | None,
    ) -> SubentryFlowResult:
        field: dict[str, str] = {}
        if refusal is not None:
            label = await async_field_label(self.hass, self._subentry_type, step_id, refusal.field)
            field = {"field": label}
        return self._form(
            step_id,
            schema,
            values,
            refusal,
            is_last=False,
            name=self._name,
            length_unit=self._units.length,
            volume_unit=self._units.volume,
            area_unit=self._units.area,
            **self._size(),
            **field,
        )
