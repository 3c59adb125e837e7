"""What all entities of a vessel share: one device, one view, written only when it moved."""

from typing import override

from homeassistant.helpers.entity import Entity, EntityDescription

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
        self._attr_device_info = runtime.device_info

    @override
    async def async_added_to_hass(self) -> None:
        """Start to follow the vessel."""
        self.runtime.async_add_entity(self)
        self.take()

    @override
    async def async_will_remove_from_hass(self) -> None:
        """Stop to follow the vessel."""
        self.runtime.async_remove_entity(self)

    def take(self) -> bool:
        """Take what the vessel shows now; return whether it is worth a write."""
        return False

    def refresh(self) -> None:
        """Write the state if it moved by more than its tolerance."""
        if self.take():
            self.async_write_ha_state()
