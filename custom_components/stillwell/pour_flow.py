"""The guided calibration by a known pour, behind the system's *Configure*."""

from typing import TYPE_CHECKING, Any, Final

import voluptuous as vol
from homeassistant.config_entries import ConfigFlowResult, OptionsFlow
from homeassistant.helpers.selector import (
    NumberSelector,
    NumberSelectorConfig,
    NumberSelectorMode,
    SelectOptionDict,
    SelectSelector,
    SelectSelectorConfig,
)
from homeassistant.util import dt as dt_util

from .decimal_mark import written
from .engine.calibration import Pour, PourError
from .form_units import FormUnits
from .pour import take_after, take_before, take_over

if TYPE_CHECKING:
    from .vessel import VesselRuntime

FIELD_VESSEL: Final = "vessel"
FIELD_POURED: Final = "poured"


class PourFlow(OptionsFlow):
    """Level before, a measured pour, level after, what it says."""

    def __init__(self) -> None:
        """Begin with nothing chosen."""
        self._vessel_id = ""
        self._seen: Pour | None = None

    async def async_step_init(self, user_input: dict[str, Any] | None = None) -> ConfigFlowResult:
        """Choose the vessel."""
        system = getattr(self.config_entry, "runtime_data", None)
        if system is None or not system.vessels:
            return self.async_abort(reason="no_vessel")
        if user_input is not None:
            self._vessel_id = user_input[FIELD_VESSEL]
            return await self.async_step_before()
        options = [
            SelectOptionDict(value=key, label=runtime.title)
            for key, runtime in system.vessels.items()
        ]
        choice = SelectSelector(SelectSelectorConfig(options=options))
        schema = vol.Schema({vol.Required(FIELD_VESSEL, default=options[0]["value"]): choice})
        return self.async_show_form(step_id="init", data_schema=schema, last_step=False)

    async def async_step_before(self, user_input: dict[str, Any] | None = None) -> ConfigFlowResult:
        """Take the level before the pour."""
        errors: dict[str, str] = {}
        if user_input is not None:
            try:
                take_before(self._runtime, dt_util.utcnow().timestamp())
            except PourError as err:
                errors["base"] = err.fault.value
            else:
                return await self.async_step_after()
        return self.async_show_form(
            step_id="before",
            data_schema=vol.Schema({}),
            errors=errors,
            description_placeholders={"vessel": self._runtime.title},
            last_step=False,
        )

    async def async_step_after(self, user_input: dict[str, Any] | None = None) -> ConfigFlowResult:
        """Ask for the litres poured, and take the level after it."""
        errors: dict[str, str] = {}
        units = FormUnits.of(self.hass)
        if user_input is not None:
            try:
                self._seen = take_after(self._runtime, units.to_l(user_input[FIELD_POURED]))
            except PourError as err:
                errors["base"] = err.fault.value
            else:
                return await self.async_step_result()
        amount = NumberSelector(
            NumberSelectorConfig(
                step="any", unit_of_measurement=units.volume, mode=NumberSelectorMode.BOX
            )
        )
        before = self._runtime.before_pour
        return self.async_show_form(
            step_id="after",
            data_schema=self.add_suggested_values_to_schema(
                vol.Schema({vol.Required(FIELD_POURED): amount}), user_input
            ),
            errors=errors,
            description_placeholders={
                "vessel": self._runtime.title,
                "before": "-"
                if before is None
                else written(self.hass, units.show_m(before.level.depth_m)),
            },
            last_step=False,
        )

    async def async_step_result(self, user_input: dict[str, Any] | None = None) -> ConfigFlowResult:
        """Show what the pour says, and take it over when the keeper agrees."""
        seen = self._seen
        if seen is None:
            return self.async_abort(reason="no_vessel")
        if user_input is not None:
            take_over(self._runtime, seen)
            return self.async_create_entry(data=dict(self.config_entry.options))
        units = FormUnits.of(self.hass)
        return self.async_show_form(
            step_id="result",
            data_schema=vol.Schema({}),
            description_placeholders={
                "vessel": self._runtime.title,
                "before": written(self.hass, units.show_m(seen.before.depth_m)),
                "after": written(self.hass, units.show_m(seen.after.depth_m)),
                "poured": written(self.hass, units.show_l(seen.poured_l)),
                "factor": written(self.hass, f"{seen.factor:.3f}"),
                "plus_minus": written(self.hass, f"{seen.factor_sigma:.3f}"),
            },
            last_step=True,
        )

    @property
    def _runtime(self) -> VesselRuntime:
        runtime: VesselRuntime = self.config_entry.runtime_data.vessels[self._vessel_id]
        return runtime
