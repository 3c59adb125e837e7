"""Decisions of a fill line in the hub's logbook."""

from collections.abc import Callable
from typing import Any

from homeassistant.components.logbook import (
    LOGBOOK_ENTRY_ENTITY_ID,
    LOGBOOK_ENTRY_MESSAGE,
    LOGBOOK_ENTRY_NAME,
    LazyEventPartialState,
)
from homeassistant.core import HomeAssistant, callback

from .const import DOMAIN, EVENT_DECISION
from .decision_text import decision_text

type Describe = Callable[[str, str, Callable[[LazyEventPartialState], dict[str, Any]]], None]


@callback
def async_describe_events(hass: HomeAssistant, async_describe_event: Describe) -> None:
    """Say how a decision reads."""

    @callback
    def describe(event: LazyEventPartialState) -> dict[str, Any]:
        data = event.data
        return {
            LOGBOOK_ENTRY_NAME: data["name"],
            LOGBOOK_ENTRY_MESSAGE: decision_text(hass, data),
            LOGBOOK_ENTRY_ENTITY_ID: data["entity_id"],
        }

    async_describe_event(DOMAIN, EVENT_DECISION, describe)
