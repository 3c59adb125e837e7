"""Numbers that a keeper sets: those of the watches of a system."""

from homeassistant.const import Platform
from homeassistant.core import HomeAssistant
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback

from .coordinator import StillwellConfigEntry
from .entity import async_add_of_watches

PARALLEL_UPDATES = 0


async def async_setup_entry(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    async_add_entities: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the numbers of each watch."""
    await async_add_of_watches(hass, entry, Platform.NUMBER, async_add_entities)
