"""Which calls of actions reach an entity, however they name it, and what they ask of a device."""

from collections.abc import Mapping
from typing import Any, Final

from homeassistant.components.valve import ATTR_POSITION
from homeassistant.const import (
    ATTR_AREA_ID,
    ATTR_DEVICE_ID,
    ATTR_DOMAIN,
    ATTR_ENTITY_ID,
    ATTR_FLOOR_ID,
    ATTR_LABEL_ID,
    ATTR_SERVICE,
    ATTR_SERVICE_DATA,
    ENTITY_MATCH_ALL,
    SERVICE_CLOSE_VALVE,
    SERVICE_OPEN_VALVE,
    SERVICE_SET_VALVE_POSITION,
    SERVICE_TURN_OFF,
    SERVICE_TURN_ON,
)
from homeassistant.core import HomeAssistant, callback, split_entity_id
from homeassistant.helpers.target import TargetSelection, async_extract_referenced_entity_ids

STARTS: Final = frozenset({SERVICE_TURN_ON, SERVICE_OPEN_VALVE})
STOPS: Final = frozenset({SERVICE_TURN_OFF, SERVICE_CLOSE_VALVE})
CLOSED_POSITION: Final = 0
WIDE_TARGETS: Final = frozenset({ATTR_AREA_ID, ATTR_DEVICE_ID, ATTR_FLOOR_ID, ATTR_LABEL_ID})


@callback
def is_aimed(hass: HomeAssistant, entity_id: str, data: Mapping[str, Any]) -> bool:
    """Return whether a call, as its event tells it, reaches an entity."""
    asked = data[ATTR_SERVICE_DATA]
    named = asked.get(ATTR_ENTITY_ID) or ()
    names = named.lower().replace(" ", "").split(",") if isinstance(named, str) else named
    if entity_id in names:
        return True
    # By area, device or label, or all at once, a call reaches devices of its own domain only.
    if data[ATTR_DOMAIN] != split_entity_id(entity_id)[0]:
        return False
    if ENTITY_MATCH_ALL in names:
        return True
    if asked.keys().isdisjoint(WIDE_TARGETS):
        return False
    found = async_extract_referenced_entity_ids(hass, TargetSelection(asked))
    return entity_id in found.referenced | found.indirectly_referenced


def asks_to_run(data: Mapping[str, Any]) -> bool | None:
    """Return whether a call of an action asks a device to run or to stop; None is neither.

    A valve that is to stand ajar is asked to run.
    """
    action = data[ATTR_SERVICE]
    if action == SERVICE_SET_VALVE_POSITION:
        try:
            return int(data[ATTR_SERVICE_DATA][ATTR_POSITION]) > CLOSED_POSITION
        except KeyError, TypeError, ValueError:
            # The hub refuses it; nobody is asked anything.
            return None
    return True if action in STARTS else False if action in STOPS else None
