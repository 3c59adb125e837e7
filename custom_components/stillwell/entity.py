"""What all entities share: one device, one owner that tells of news, written only when it moved."""

from typing import TYPE_CHECKING, override

from homeassistant.const import Platform
from homeassistant.helpers.device_registry import DeviceInfo
from homeassistant.helpers.entity import Entity, EntityDescription
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback

from .owner import EntityOwner

if TYPE_CHECKING:
    from .coordinator import StillwellConfigEntry
    from .fill_line import FillLine
    from .vessel import VesselRuntime


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


def add_of_watches(
    entry: StillwellConfigEntry, platform: Platform, add: AddConfigEntryEntitiesCallback
) -> None:
    """Add the entities of a platform that watches, and parts of vessels, of a system have."""
    for vessel in entry.runtime_data.vessels.values():
        for part in vessel.parts:
            add(part.entities(platform), config_subentry_id=vessel.subentry_id)
    for watch in entry.runtime_data.watches.values():
        add(watch.entities(platform), config_subentry_id=watch.subentry_id)
