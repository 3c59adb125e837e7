"""The action that plans a water change: what it would do to the salinity, and what forbids it."""

from typing import Final

import voluptuous as vol
from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import ServiceValidationError
from homeassistant.util.json import JsonValueType

from .action_targets import register, watches
from .const import DOMAIN
from .decision_text import invalid_text
from .engine.validity import InputError
from .engine.water_change import salinity_after
from .water_change import WaterChange

PLAN_WATER_CHANGE: Final = "plan_water_change"
ATTR_VOLUME: Final = "volume_l"


def _told(change: WaterChange, volume_l: float | None) -> dict[str, JsonValueType]:
    try:
        plan = change.plan(volume_l)
        after_psu = salinity_after(plan)
    except InputError as err:
        raise ServiceValidationError(
            translation_domain=DOMAIN,
            translation_key="change_refused",
            translation_placeholders={
                "change": change.title,
                "why": invalid_text(change.hass, err),
            },
        ) from err
    refused = change.refused(plan)
    now_psu = plan.salinity_now
    measured = "no_reading" if now_psu is None else "measured"
    return {
        "change": change.title,
        "volume_l": round(plan.change_l, 2),
        "salinity_now_psu": None if now_psu is None else round(now_psu, 2),
        "salinity_now_is": measured if change.has_salinity_watch else "wanted",
        "salinity_after_psu": None if after_psu is None else round(after_psu, 3),
        "may_begin": not refused,
        "refused": [*refused],
    }


async def _plan(call: ServiceCall) -> ServiceResponse:
    volume_l = call.data.get(ATTR_VOLUME)
    return {"changes": [_told(change, volume_l) for change in watches(call, WaterChange)]}


def async_register(hass: HomeAssistant) -> None:
    """Register the action."""
    litres = vol.All(vol.Coerce(float), vol.Range(min=0, min_included=False))
    fields = {vol.Optional(ATTR_VOLUME): litres}
    register(hass, PLAN_WATER_CHANGE, _plan, fields, SupportsResponse.ONLY)
