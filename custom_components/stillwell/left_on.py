"""The notice of a fill device that nobody watches any more and that is not known to be off."""

from typing import Final

from homeassistant.core import Event, EventStateChangedData, HomeAssistant, callback
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.event import (
    async_track_entity_registry_updated_event,
    async_track_state_change_event,
)

from .actuator import Actuator
from .const import CONF_DEVICE, DOMAIN, SUBENTRY_FILL_LINE

OLD_ID: Final = "old_entity_id"


def left_on_issue(device: str) -> str:
    """Return the id of the notice; it may outlive its line."""
    return f"left_on_{device}"


def is_fill_device(hass: HomeAssistant, device: str) -> bool:
    """Whether a fill line of a system that is not switched off has this device."""
    return any(
        subentry.data.get(CONF_DEVICE) == device
        for entry in hass.config_entries.async_entries(DOMAIN, include_disabled=False)
        for subentry in entry.get_subentries_of_type(SUBENTRY_FILL_LINE)
    )


@callback
def async_tell_left_on(hass: HomeAssistant, title: str, device: str) -> None:
    """Tell of a device that is not known to be off; take it back once it is.

    Args:
        hass: The hub.
        title: The line that watched it.
        device: Its entity id; the notice follows a rename of it.
    """
    ir.async_create_issue(
        hass,
        DOMAIN,
        left_on_issue(device),
        is_fixable=False,
        severity=ir.IssueSeverity.ERROR,
        translation_key="left_on",
        translation_placeholders={"line": title, "entity": device},
    )

    @callback
    def end() -> None:
        ir.async_delete_issue(hass, DOMAIN, left_on_issue(device))
        for stop in stops:
            stop()

    @callback
    def look(event: Event[EventStateChangedData]) -> None:
        if Actuator.read(event.data["new_state"]) is False:
            end()

    @callback
    def renamed(event: Event[er.EventEntityRegistryUpdatedData]) -> None:
        data = event.data
        if data["action"] == "update" and OLD_ID in data:
            end()
            async_tell_left_on(hass, title, data["entity_id"])

    stops = (
        async_track_state_change_event(hass, device, look),
        async_track_entity_registry_updated_event(hass, device, renamed),
    )
