"""What all entities share: one device, one owner that tells of news, written only when it moved."""

import asyncio
from collections.abc import Iterable
from itertools import batched
from typing import TYPE_CHECKING, Final, override

from homeassistant.const import Platform
from homeassistant.core import HomeAssistant
from homeassistant.helpers.device_registry import DeviceInfo
from homeassistant.helpers.entity import Entity, EntityDescription
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback

from .owner import EntityOwner

if TYPE_CHECKING:
    from .coordinator import StillwellConfigEntry
    from .fill_line import FillLine
    from .vessel import VesselRuntime


PIECE: Final = 6
"""So many entities are added at once: the hub takes a few milliseconds for them."""


class FollowingEntity(Entity):
    """An entity whose owner lets it take what is new after every report and tick."""

    _attr_has_entity_name = True
    _attr_should_poll = False

    def __init__(self, owner: EntityOwner, description: EntityDescription) -> None:
        """Bind the entity to its owner."""
        self.entity_description = description
        self._owner = owner
        self._attr_unique_id = f"{owner.subentry_id}_{description.key}"

    @property
    @override
    def device_info(self) -> DeviceInfo:
        """The owner's device."""
        return self._owner.device_info

    @override
    async def async_added_to_hass(self) -> None:
        """Start to follow the owner."""
        self._owner.async_add_entity(self)
        self.take()

    @override
    async def async_will_remove_from_hass(self) -> None:
        """Stop to follow the owner."""
        self._owner.async_remove_entity(self)

    def take(self) -> bool:
        """Take what the owner shows now; return whether it is worth a write."""
        return False


class StillwellEntity(FollowingEntity):
    """An entity of a vessel."""

    def __init__(self, runtime: VesselRuntime, description: EntityDescription) -> None:
        """Bind the entity to its vessel."""
        super().__init__(runtime, description)
        self.runtime = runtime


class LineEntity(FollowingEntity):
    """An entity of a fill line."""

    def __init__(self, line: FillLine, description: EntityDescription) -> None:
        """Bind the entity to its line."""
        super().__init__(line, description)
        self.line = line


async def async_add(
    hass: HomeAssistant,
    add: AddConfigEntryEntitiesCallback,
    owner: EntityOwner,
    entities: Iterable[Entity],
) -> None:
    """Add the entities of an owner a few at a time; the hub's loop gets its turn in between.

    Not while the hub starts: nobody waits for an answer then, and each turn given away makes the
    guards, and the start, wait for all that others have queued.
    """
    if not hass.is_running:
        add(entities, config_subentry_id=owner.subentry_id)
        return
    for piece in batched(entities, PIECE, strict=False):
        add(piece, config_subentry_id=owner.subentry_id)
        await asyncio.sleep(0)


async def async_add_of_watches(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    platform: Platform,
    add: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the entities of a platform that watches, and parts of vessels, of a system have."""
    for vessel in entry.runtime_data.vessels.values():
        for part in vessel.parts:
            await async_add(hass, add, vessel, part.entities(platform))
    for watch in entry.runtime_data.watches.values():
        await async_add(hass, add, watch, watch.entities(platform))
