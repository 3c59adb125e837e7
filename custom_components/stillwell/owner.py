"""What is alive behind a device of ours: it tells its entities when there is news."""

from typing import TYPE_CHECKING

from homeassistant.config_entries import ConfigSubentry
from homeassistant.core import callback
from homeassistant.helpers.device_registry import DeviceEntryType, DeviceInfo

from .const import DOMAIN

if TYPE_CHECKING:
    from .entity import FollowingEntity


class EntityOwner:
    """A vessel, a fill line or a temperature watch: one subentry, one device."""

    registry_ids: dict[str, str]
    """The registry's own id of each entity it names; it outlives a rename, and a reload."""

    def __init__(self, subentry: ConfigSubentry) -> None:
        """Take the subentry's identity."""
        self.subentry_id = subentry.subentry_id
        self.title = subentry.title
        self.device_info = DeviceInfo(
            identifiers={(DOMAIN, subentry.subentry_id)},
            name=subentry.title,
            entry_type=DeviceEntryType.SERVICE,
        )
        self._entities: list[FollowingEntity] = []

    @callback
    def async_add_entity(self, entity: FollowingEntity) -> None:
        """Add an entity to those that are refreshed."""
        self._entities.append(entity)

    @callback
    def async_remove_entity(self, entity: FollowingEntity) -> None:
        """Refresh an entity no more."""
        self._entities.remove(entity)

    @property
    def shown(self) -> tuple[FollowingEntity, ...]:
        """The entities that are there now."""
        return tuple(self._entities)

    @callback
    def refresh(self) -> None:
        """Let the entities write what moved."""
        for entity in self._entities:
            if entity.take():
                entity.async_write_ha_state()
