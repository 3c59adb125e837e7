"""What a trigger of ours can wait for, and the one entity of a vessel or line that shows it."""

from dataclasses import dataclass
from typing import Final

from homeassistant.const import STATE_OFF, STATE_ON, Platform
from homeassistant.core import HomeAssistant
from homeassistant.helpers import entity_registry as er

from .const import DOMAIN
from .engine.quantities import Status

BINARY: Final = frozenset({STATE_OFF, STATE_ON})


@dataclass(frozen=True, slots=True)
class Shown:
    """States of one kind of entity; the kind is the same for every vessel, or every line."""

    platform: Platform
    key: str
    states: frozenset[str]
    others: frozenset[str]
    """The states it can come from: what a restart of the hub brings back comes from none."""

    def is_kind_of(self, entity: er.RegistryEntry) -> bool:
        """Whether an entity is of this kind."""
        return (
            entity.platform == DOMAIN
            and entity.domain == self.platform
            and entity.translation_key == self.key
        )


def _binary(key: str, state: str = STATE_ON) -> Shown:
    return Shown(Platform.BINARY_SENSOR, key, frozenset({state}), frozenset(BINARY - {state}))


def _signal(*states: Status) -> Shown:
    return Shown(Platform.SENSOR, "signal", frozenset(states), frozenset({*Status} - {*states}))


HAPPENINGS: Final = {
    "water_low": _binary("low"),
    "refill_started": _binary("filling"),
    "refill_finished": _binary("filling", STATE_OFF),
    "locked_out": _binary("lockout"),
    "unexplained_loss": _binary("unexplained_loss"),
    "dose_paused": _binary("dose_paused"),
    # A value that is not valid, or doubtful. A check that is going on and a note that the
    # device wants attention (NAMUR NE 107) are no fault.
    "sensor_fault": _signal(Status.FAILURE, Status.OUT_OF_SPECIFICATION),
}
"""Triggers by name: fired when the entity comes to one of the states from any other."""

STANDINGS: Final = {
    "is_locked_out": _binary("lockout"),
    "is_permitted": _binary("permit"),
}
"""Conditions by name: true while the entity is in one of the states."""


def of_kind(hass: HomeAssistant, shown: Shown, entity_ids: set[str]) -> set[str]:
    """Return those entities that are of the kind."""
    registry = er.async_get(hass)
    return {
        entity_id
        for entity_id in entity_ids
        if (entity := registry.async_get(entity_id)) is not None and shown.is_kind_of(entity)
    }


def strangers(hass: HomeAssistant, shown: Shown, entity_ids: set[str]) -> set[str]:
    """Return those entities that are known to be of another kind; they would never count."""
    registry = er.async_get(hass)
    return {
        entity_id
        for entity_id in entity_ids
        if (entity := registry.async_get(entity_id)) is not None and not shown.is_kind_of(entity)
    }
