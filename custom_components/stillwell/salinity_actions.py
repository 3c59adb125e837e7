"""The action that takes a salinity measured by hand."""

from typing import Final

import voluptuous as vol
from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import ServiceValidationError
from homeassistant.util.json import JsonValueType

from .action_targets import register, watches
from .const import DOMAIN
from .decision_text import invalid_text
from .engine.salinity_record import salinity_recorded
from .engine.validity import InputError
from .salinity_watch import SalinityWatch

RECORD_SALINITY: Final = "record_salinity"

ATTR_GRAVITY: Final = "specific_gravity"
ATTR_SALINITY: Final = "salinity_psu"
ATTR_CONDUCTIVITY: Final = "conductivity_ms_per_cm"
ATTR_SAMPLE_C: Final = "sample_temperature_c"
ATTR_REFERENCE_C: Final = "reference_temperature_c"
FIELDS: Final = (ATTR_GRAVITY, ATTR_SALINITY, ATTR_CONDUCTIVITY, ATTR_SAMPLE_C, ATTR_REFERENCE_C)


async def _record_salinity(call: ServiceCall) -> ServiceResponse:
    told: list[JsonValueType] = []
    for watch in watches(call, SalinityWatch):
        try:
            salinity = salinity_recorded(
                gravity=call.data.get(ATTR_GRAVITY),
                salinity=call.data.get(ATTR_SALINITY),
                conductivity_ms_per_cm=call.data.get(ATTR_CONDUCTIVITY),
                temp_c=call.data.get(ATTR_SAMPLE_C),
                reference_c=call.data.get(ATTR_REFERENCE_C),
            )
        except InputError as err:
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="salinity_refused",
                translation_placeholders={
                    "watch": watch.title,
                    "why": invalid_text(watch.hass, err),
                },
            ) from err
        await watch.async_record(salinity)
        told.append({"watch": watch.title, "salinity_psu": round(salinity, 2)})
    return {"watches": told}


def async_register(hass: HomeAssistant) -> None:
    """Register the action."""
    fields = {vol.Optional(key): vol.Coerce(float) for key in FIELDS}
    register(hass, RECORD_SALINITY, _record_salinity, fields, SupportsResponse.OPTIONAL)
