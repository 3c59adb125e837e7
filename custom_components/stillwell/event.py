"""The notices of a fill line's guard as an event entity: what a person should be told."""

from typing import Final, override

from homeassistant.components.event import EventEntity, EventEntityDescription
from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback
from homeassistant.helpers.start import async_at_started

from .coordinator import StillwellConfigEntry
from .engine.guard_events import Notice, NoticeKind
from .entity import LineEntity, async_add

PARALLEL_UPDATES = 0

NOTICE: Final = EventEntityDescription(
    key="notice", translation_key="notice", event_types=[kind.value for kind in NoticeKind]
)


class NoticeEvent(LineEntity, EventEntity):
    """Fires with the kind of the notice, its severity and its reason."""

    @override
    async def async_added_to_hass(self) -> None:
        """Listen to the guard; what it said before is told once the hub has started."""
        await super().async_added_to_hass()
        self.async_on_remove(self.line.async_listen(self._async_told))
        self.async_on_remove(async_at_started(self.hass, self._async_hear))

    @callback
    def _async_hear(self, hass: HomeAssistant) -> None:
        # Not before the entity has its first state: an event must be a change of it.
        hass.loop.call_soon(self.line.async_hear)

    @callback
    def _async_told(self, notice: Notice) -> None:
        reason = None if notice.reason is None else notice.reason.value
        self._trigger_event(
            notice.kind.value, {"severity": notice.severity.value, "reason": reason}
        )
        self.async_write_ha_state()


async def async_setup_entry(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    async_add_entities: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the notices of each fill line."""
    for line in entry.runtime_data.lines.values():
        await async_add(hass, async_add_entities, line, [NoticeEvent(line, NOTICE)])
