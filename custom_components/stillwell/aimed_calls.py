"""Which calls of actions reach an entity, however they name it."""

from collections.abc import Mapping
from typing import Any, Final

from homeassistant.const import (
    ATTR_AREA_ID,
    ATTR_DEVICE_ID,
    ATTR_DOMAIN,
    ATTR_ENTITY_ID,
    ATTR_FLOOR_ID,
    ATTR_LABEL_ID,
    ATTR_SERVICE_DATA,
    ENTITY_MATCH_ALL,
)
from homeassistant.core import HomeAssistant, callback, split_entity_id
from homeassistant.helpers.target import TargetSelection, async_extract_referenced_entity_ids

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
