"""The action that makes up a batch of salt water for a mixing vat."""

from typing import Final

import voluptuous as vol
from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import ServiceValidationError
from homeassistant.util.json import JsonValueType

from .action_targets import register, vessels
from .const import DOMAIN
from .decision_text import invalid_text
from .engine.invalid import Amount, Code, Invalid
from .engine.seawater import LEAST_PSU, MOST_PSU
from .engine.validity import within
from .engine.vat import Wanted, stated_psu
from .vat_part import VatPart

BATCH: Final = "batch"
ATTR_VOLUME: Final = "volume_l"
ATTR_SALINITY: Final = "salinity_psu"
ATTR_PRESENT: Final = "present_salinity_psu"


def _vats(call: ServiceCall) -> list[VatPart]:
    """Return the vats a call is aimed at.

    Raises:
        ServiceValidationError: Something else is among them.
    """
    found: list[VatPart] = []
    for vessel in vessels(call):
        vats = [part for part in vessel.parts if isinstance(part, VatPart)]
        if not vats:
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="not_a_vat",
                translation_placeholders={"vessel": vessel.title},
            )
        found += vats
    return found


def _refused(part: VatPart, err: Exception) -> ServiceValidationError:
    return ServiceValidationError(
        translation_domain=DOMAIN,
        translation_key="batch_refused",
        translation_placeholders={"vessel": part.vessel.title, "why": invalid_text(part.hass, err)},
    )


def _told(part: VatPart, call: ServiceCall) -> dict[str, JsonValueType]:
    """Return what goes into one vat.

    Raises:
        Invalid: A number cannot be right, or the vat holds too much already.
        ServiceValidationError: Level or salinity is not known.
    """
    settings = part.settings
    psu = stated_psu(call.data.get(ATTR_SALINITY, settings.target_psu))
    within("the salinity wanted", psu, LEAST_PSU, MOST_PSU, unit="PSU")
    wanted = Wanted(call.data.get(ATTR_VOLUME, part.full_l), psu, settings.salt_water_frac)
    if wanted.volume_l > part.vessel.settings.vessel.capacity_l:
        raise Invalid(Code.BATCH_TOO_LARGE, volume=Amount(wanted.volume_l, "L"))
    present = call.data.get(ATTR_PRESENT)
    found = part.batch(wanted, None if present is None else stated_psu(present))
    if found is None:
        raise ServiceValidationError(
            translation_domain=DOMAIN,
            translation_key="batch_unknown",
            translation_placeholders={"vessel": part.vessel.title},
        )
    return {
        "vessel": part.vessel.title,
        "salt_kg": round(found.salt_kg, 3),
        "fresh_water_l": round(found.fresh_l, 2),
        "volume_l": round(wanted.volume_l, 2),
        "salinity_psu": round(psu, 2),
    }


async def _batch(call: ServiceCall) -> ServiceResponse:
    told: list[JsonValueType] = []
    for part in _vats(call):
        try:
            told.append(_told(part, call))
        except Invalid as err:
            raise _refused(part, err) from err
    return {"vats": told}


def async_register(hass: HomeAssistant) -> None:
    """Register the action."""
    litres = vol.All(vol.Coerce(float), vol.Range(min=0, min_included=False))
    fields = {
        vol.Optional(ATTR_VOLUME): litres,
        vol.Optional(ATTR_SALINITY): vol.Coerce(float),
        vol.Optional(ATTR_PRESENT): vol.Coerce(float),
    }
    register(hass, BATCH, _batch, fields, SupportsResponse.ONLY)
