"""From an entity of ours to the vessel, fill line or watch it belongs to."""

from collections.abc import Iterable

from homeassistant.config_entries import ConfigEntryState
from homeassistant.core import HomeAssistant
from homeassistant.helpers import entity_registry as er

from .const import DOMAIN
from .coordinator import System
from .fill_line import FillLine
from .vessel import VesselRuntime
from .watch import Watch

type Target = VesselRuntime | FillLine
"""What holds or moves water."""

type Owned = Target | Watch


def target_of(hass: HomeAssistant, entity: er.RegistryEntry | None) -> Owned | None:
    """Return what an entity belongs to; None if it is not ours or not running."""
    if entity is None or entity.platform != DOMAIN or entity.config_subentry_id is None:
        return None
    entry = hass.config_entries.async_get_entry(entity.config_entry_id or "")
    if entry is None or entry.state is not ConfigEntryState.LOADED:
        return None
    system: System = entry.runtime_data
    key = entity.config_subentry_id
    return system.vessels.get(key) or system.lines.get(key) or system.watches.get(key)


def vessels_of(hass: HomeAssistant, entity_ids: Iterable[str]) -> list[VesselRuntime]:
    """Return the vessels that entities belong to, each once; lines and watches stand for none."""
    registry = er.async_get(hass)
    found = (target_of(hass, registry.async_get(entity_id)) for entity_id in entity_ids)
    return list({one.subentry_id: one for one in found if isinstance(one, VesselRuntime)}.values())
