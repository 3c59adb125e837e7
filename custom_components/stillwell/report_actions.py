"""The action that answers with the daily report of one system, or of all."""

from typing import TYPE_CHECKING, Final

import voluptuous as vol
from homeassistant.config_entries import ConfigEntryState
from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import config_validation as cv
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers.target import TargetSelection, async_extract_referenced_entity_ids

from .const import DOMAIN
from .daily_report import async_report

if TYPE_CHECKING:
    from .coordinator import System

DAILY_REPORT: Final = "daily_report"
ATTR_SYSTEM: Final = "system"


def _systems(call: ServiceCall) -> list[System]:
    """Return the systems that run and are named, by entry or by an entity; all if none is.

    Raises:
        ServiceValidationError: What is named is no system of ours, or not running.
    """
    hass = call.hass
    running = [
        entry
        for entry in hass.config_entries.async_entries(DOMAIN)
        if entry.state is ConfigEntryState.LOADED
    ]
    referenced = async_extract_referenced_entity_ids(hass, TargetSelection(call.data))
    registry = er.async_get(hass)
    found = (
        registry.async_get(one) for one in referenced.referenced | referenced.indirectly_referenced
    )
    named = {one.config_entry_id for one in found if one is not None and one.platform == DOMAIN}
    named |= {*call.data.get(ATTR_SYSTEM, ())}
    is_aimed = ATTR_SYSTEM in call.data or TargetSelection(call.data).has_any_target
    chosen = [entry for entry in running if entry.entry_id in named or not is_aimed]
    if not chosen:
        raise ServiceValidationError(translation_domain=DOMAIN, translation_key="no_system")
    return [entry.runtime_data for entry in chosen]


async def _daily_report(call: ServiceCall) -> ServiceResponse:
    reports = [await async_report(call.hass, system) for system in _systems(call)]
    return {
        "systems": list(reports),
        "text": "\n\n".join(str(one["text"]) for one in reports),
    }


def async_register(hass: HomeAssistant) -> None:
    """Register the action."""
    hass.services.async_register(
        DOMAIN,
        DAILY_REPORT,
        _daily_report,
        schema=vol.Schema(
            {
                vol.Optional(ATTR_SYSTEM): vol.All(cv.ensure_list, [cv.string]),
                **cv.TARGET_SERVICE_FIELDS,
            }
        ),
        supports_response=SupportsResponse.ONLY,
    )
