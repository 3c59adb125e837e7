"""Follows the entities a vessel or line names: renames are taken over, a vanished one is told."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from homeassistant.config_entries import ConfigSubentry
from homeassistant.core import CALLBACK_TYPE, Event, HomeAssistant, callback
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.event import (
    async_track_entity_registry_updated_event,
    async_track_state_added_domain,
)
from homeassistant.helpers.start import async_at_started

from .const import (
    CONF_COUNTDOWN,
    CONF_DEVICE,
    CONF_DOSING_PUMP,
    CONF_FEED_PRESSURE_SOURCE,
    CONF_FEED_SOLIDS_SOURCE,
    CONF_HEATER,
    CONF_HIGH_INPUTS,
    CONF_HUMIDITY_SOURCE,
    CONF_LEAK_INPUTS,
    CONF_ORP_SOURCE,
    CONF_PH_SOURCE,
    CONF_PRODUCT_SOLIDS_SOURCE,
    CONF_RETURN_PUMP,
    CONF_ROOM_SOURCE,
    CONF_SALINITY_SOURCE,
    CONF_SECONDARY,
    CONF_SOURCE,
    CONF_STOCK_CONDUCTIVITY,
    CONF_STOCK_TEMPERATURE,
    CONF_SUPPLY_EMPTY_INPUTS,
    CONF_TEMPERATURE_SOURCE,
    DOMAIN,
)

if TYPE_CHECKING:
    from homeassistant.core import EventStateChangedData

    from .coordinator import StillwellConfigEntry

ISSUES: Final = {
    CONF_SOURCE: "source_missing",
    CONF_TEMPERATURE_SOURCE: "source_missing",
    CONF_DEVICE: "actuator_missing",
    CONF_HIGH_INPUTS: "actuator_missing",
    CONF_LEAK_INPUTS: "actuator_missing",
    CONF_SUPPLY_EMPTY_INPUTS: "actuator_missing",
    CONF_SECONDARY: "actuator_missing",
    CONF_COUNTDOWN: "actuator_missing",
    CONF_RETURN_PUMP: "actuator_missing",
    CONF_HEATER: "source_missing",
    CONF_ROOM_SOURCE: "source_missing",
    CONF_FEED_PRESSURE_SOURCE: "source_missing",
    CONF_FEED_SOLIDS_SOURCE: "source_missing",
    CONF_PRODUCT_SOLIDS_SOURCE: "source_missing",
    CONF_DOSING_PUMP: "source_missing",
    CONF_STOCK_TEMPERATURE: "source_missing",
    CONF_STOCK_CONDUCTIVITY: "source_missing",
    CONF_PH_SOURCE: "source_missing",
    CONF_ORP_SOURCE: "source_missing",
    CONF_HUMIDITY_SOURCE: "source_missing",
    CONF_SALINITY_SOURCE: "source_missing",
}


def entities_of(data: Mapping[str, Any]) -> dict[str, str]:
    """Return the entities a subentry names, each with the issue its absence raises."""
    found: dict[str, str] = {}
    for key, issue in ISSUES.items():
        value = data.get(key)
        for entity_id in [value] if isinstance(value, str) else value or ():
            found[entity_id] = issue
    return found


def with_renamed(data: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    """Return a subentry's data with entities renamed wherever they are named.

    All at once: two that have swapped their names must not become one.
    """
    renamed = dict(data)
    for key in ISSUES:
        value = renamed.get(key)
        if isinstance(value, str):
            renamed[key] = names.get(value, value)
        elif isinstance(value, list | tuple) and not names.keys().isdisjoint(value):
            renamed[key] = [names.get(entity_id, entity_id) for entity_id in value]
    return renamed


def registry_ids(hass: HomeAssistant, data: Mapping[str, Any]) -> dict[str, str]:
    """Return the registry's own id of each entity a subentry names; it outlives a rename."""
    registry = er.async_get(hass)
    found = ((entity_id, registry.async_get(entity_id)) for entity_id in entities_of(data))
    return {entity_id: entity.id for entity_id, entity in found if entity is not None}


def renamed_meanwhile(
    hass: HomeAssistant, data: Mapping[str, Any], ids: Mapping[str, str]
) -> dict[str, Any]:
    """Return a subentry's data with the renames that happened while nobody followed.

    Many entities are renamed at once when a device is, and two that swap their names are renamed
    twice; the reload after the first rename would miss the others.
    """
    registry = er.async_get(hass)
    names: dict[str, str] = {}
    for entity_id in entities_of(data):
        entity = registry.entities.get_entry(str(ids.get(entity_id)))
        if entity is not None and entity.entity_id != entity_id:
            names[entity_id] = entity.entity_id
    return with_renamed(data, names)


def _is_in_use(hass: HomeAssistant, entity_id: str) -> bool:
    """Return whether the registry has an entity that is not disabled: such a one has no state."""
    entity = er.async_get(hass).async_get(entity_id)
    return entity is not None and not entity.disabled


class _Follower:
    """Follows the entities of one subentry."""

    def __init__(
        self,
        hass: HomeAssistant,
        entry: StillwellConfigEntry,
        subentry: ConfigSubentry,
        ids: dict[str, str],
    ) -> None:
        self._hass = hass
        self._entry = entry
        self._subentry = subentry
        self._ids = ids
        self.named = entities_of(subentry.data)
        self._missing: set[str] = set()
        self._unsubscribe: CALLBACK_TYPE | None = None

    def _issue_id(self, entity_id: str) -> str:
        return f"{self.named[entity_id]}_{self._subentry.subentry_id}_{entity_id}"

    @callback
    def forget_others(self) -> None:
        """Take back what was told of entities that are named no more: another was chosen."""
        about = tuple(f"{issue}_{self._subentry.subentry_id}_" for issue in set(ISSUES.values()))
        told = {self._issue_id(entity_id) for entity_id in self.named}
        for domain, issue_id in list(ir.async_get(self._hass).issues):
            if domain == DOMAIN and issue_id.startswith(about) and issue_id not in told:
                ir.async_delete_issue(self._hass, DOMAIN, issue_id)

    def _tell(self, entity_id: str, *, is_missing: bool) -> None:
        if not is_missing:
            ir.async_delete_issue(self._hass, DOMAIN, self._issue_id(entity_id))
            self._missing.discard(entity_id)
            if not self._missing:
                self.end()
            return
        self._missing.add(entity_id)
        self._look_out()
        ir.async_create_issue(
            self._hass,
            DOMAIN,
            self._issue_id(entity_id),
            is_fixable=True,
            data={
                "entry_id": self._entry.entry_id,
                "subentry_id": self._subentry.subentry_id,
                "entity": entity_id,
            },
            severity=ir.IssueSeverity.ERROR,
            translation_key=self.named[entity_id],
            translation_placeholders={"vessel": self._subentry.title, "entity": entity_id},
        )

    def _look_out(self) -> None:
        """Hear of every state that appears; no longer than need be, for the hub has many."""
        if self._unsubscribe is None:
            domains = {entity_id.split(".")[0] for entity_id in self.named}
            self._unsubscribe = async_track_state_added_domain(self._hass, domains, self.appeared)

    @callback
    def end(self) -> None:
        """Look out no longer."""
        if self._unsubscribe is not None:
            self._unsubscribe()
            self._unsubscribe = None

    @callback
    def registry_updated(self, event: Event[er.EventEntityRegistryUpdatedData]) -> None:
        """Take over a rename; tell a removal, or that it is disabled: it has no state then."""
        data = event.data
        if data["action"] == "update" and "old_entity_id" in data:
            # The listener of the entry reloads; scheduling it here too would reload twice.
            # What is stored may already be newer than what this follower began with.
            entity_id = data["entity_id"]
            # It may be renamed once more before the reload, which goes by what is remembered.
            if (entity := er.async_get(self._hass).async_get(entity_id)) is not None:
                self._ids[entity_id] = entity.id
            stored = self._entry.subentries[self._subentry.subentry_id]
            self._hass.config_entries.async_update_subentry(
                self._entry,
                stored,
                data=with_renamed(stored.data, {data["old_entity_id"]: entity_id}),
            )
        elif not _is_in_use(self._hass, data["entity_id"]):
            self._tell(data["entity_id"], is_missing=True)

    @callback
    def appeared(self, event: Event[EventStateChangedData]) -> None:
        """An entity that was missing is there."""
        if (entity_id := event.data["entity_id"]) in self._missing:
            self._tell(entity_id, is_missing=False)

    @callback
    def started(self, hass: HomeAssistant) -> None:
        """Judge what is missing; before the hub has started, others may not be there yet."""
        for entity_id in self.named:
            is_there = _is_in_use(hass, entity_id) or hass.states.get(entity_id) is not None
            self._tell(entity_id, is_missing=not is_there)


@callback
def async_follow(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    subentry: ConfigSubentry,
    ids: dict[str, str],
) -> list[CALLBACK_TYPE]:
    """Follow the entities of a subentry; return what ends that.

    Args:
        hass: The hub.
        entry: The system.
        subentry: What names the entities.
        ids: The registry's own ids by name, as they will be remembered; a rename adds to them.
    """
    follower = _Follower(hass, entry, subentry, ids)
    follower.forget_others()
    named = list(follower.named)
    return [
        async_track_entity_registry_updated_event(hass, named, follower.registry_updated),
        async_at_started(hass, follower.started),
        follower.end,
    ]
