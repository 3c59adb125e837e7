"""What all entities of a vessel share: one device, one view, written only when it moved."""

from typing import override

from homeassistant.helpers.device_registry import DeviceEntryType, DeviceInfo
from homeassistant.helpers.entity import Entity, EntityDescription

from .const import DOMAIN
from .vessel import VesselRuntime


class StillwellEntity(Entity):
    """An entity of a vessel; the runtime calls `refresh` after every report and tick."""

    _attr_has_entity_name = True
    _attr_should_poll = False

    def __init__(self, runtime: VesselRuntime, description: EntityDescription) -> None:
        """Bind the entity to its vessel."""
        self.entity_description = description
        self.runtime = runtime
        self._attr_unique_id = f"{runtime.subentry_id}_{description.key}"
        self._attr_device_info = DeviceInfo(
            identifiers={(DOMAIN, runtime.subentry_id)},
            name=runtime.title,
            entry_type=DeviceEntryType.SERVICE,
        )

    @override
    async def async_added_to_hass(self) -> None:
        """Start to follow the vessel."""
        self.async_on_remove(self.runtime.async_add_entity(self))
        self.take()

    def take(self) -> bool:
        """Take what the vessel shows now; return whether it is worth a write."""
        return False

    def refresh(self) -> None:
        """Write the state if it moved by more than its tolerance."""
        if self.take():
            self.async_write_ha_state()
