"""Which other vessels and lines there are: no two share a level source or a fill device."""

from typing import TYPE_CHECKING

from homeassistant.core import split_entity_id
from homeassistant.helpers import entity_registry as er

from .const import (
    CONF_DESTINATION,
    CONF_DEVICE,
    CONF_DIRECTION,
    CONF_DOSING_PUMP,
    CONF_LONGEST_RUN_S,
    CONF_VESSEL,
    DEFAULT_LONGEST_RUN_S,
    DIRECTION_DRAIN,
    DOMAIN,
    SUBENTRY_DOSING,
    SUBENTRY_FILL_LINE,
    VESSEL_KINDS,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from homeassistant.config_entries import ConfigEntry, ConfigSubentry
    from homeassistant.core import HomeAssistant


def own_entities(hass: HomeAssistant) -> list[str]:
    """Return the entities of this integration: a vessel must not feed on itself."""
    registry = er.async_get(hass)
    return [entity.entity_id for entity in registry.entities.values() if entity.platform == DOMAIN]


def all_vessels(hass: HomeAssistant) -> list[ConfigSubentry]:
    """Return the vessels of all systems."""
    return [
        vessel
        for entry in hass.config_entries.async_entries(DOMAIN)
        for vessel in vessels_in(entry)
    ]


def vessels_in(system: ConfigEntry) -> list[ConfigSubentry]:
    """Return the vessels of a system, of every kind."""
    return [vessel for kind in VESSEL_KINDS for vessel in system.get_subentries_of_type(kind)]


def vessel_names(hass: HomeAssistant, system: ConfigEntry, besides: str | None) -> set[str]:
    """Return the case-folded names of a system's vessels, besides one."""
    return {
        vessel.title.casefold()
        for entry, vessel in _others(hass, VESSEL_KINDS, besides)
        if entry.entry_id == system.entry_id
    }


def subentry_names(system: ConfigEntry, kind: str, besides: str | None) -> set[str]:
    """Return the case-folded names of a system's subentries of a kind, besides one."""
    return {
        subentry.title.casefold()
        for subentry in system.get_subentries_of_type(kind)
        if subentry.subentry_id != besides
    }


def vessel_with(hass: HomeAssistant, key: str, value: object, besides: str | None) -> str | None:
    """Return the name of a vessel, of any system, that has this value stored."""
    for entry, vessel in _others(hass, VESSEL_KINDS, besides):
        if value is not None and vessel.data.get(key) == value:
            return f"{vessel.title} ({entry.title})"
    return None


def line_names(hass: HomeAssistant, system: ConfigEntry, besides: str | None) -> set[str]:
    """Return the case-folded names of a system's fill lines, besides one."""
    return {
        line.title.casefold()
        for entry, line in _others(hass, (SUBENTRY_FILL_LINE,), besides)
        if entry.entry_id == system.entry_id
    }


def line_with(
    hass: HomeAssistant, device: object, besides: str | None, *, but_into: str | None = None
) -> str | None:
    """Return the name of a fill line, of any system, that owns a device.

    Args:
        hass: The hub.
        device: Entity id of the device.
        besides: Id of a line that is left out.
        but_into: Id of a vessel; the lines that fill it are left out, too.
    """
    for entry, line in _others(hass, (SUBENTRY_FILL_LINE,), besides):
        if device is None or line.data.get(CONF_DEVICE) != device:
            continue
        if but_into is None or not _fills(line, but_into):
            return f"{line.title} ({entry.title})"
    return None


def dosing_with(hass: HomeAssistant, pump: object, *, but_at: str | None) -> str | None:
    """Return the name of a limewater dosing with this pump, of any system, besides at a vessel."""
    for entry, dosing in _others(hass, (SUBENTRY_DOSING,), None):
        is_there = but_at is not None and dosing.data.get(CONF_VESSEL) == but_at
        if pump is not None and dosing.data.get(CONF_DOSING_PUMP) == pump and not is_there:
            return f"{dosing.title} ({entry.title})"
    return None


def _fills(line: ConfigSubentry, vessel_id: str) -> bool:
    is_drain = line.data.get(CONF_DIRECTION) == DIRECTION_DRAIN
    return line.data.get(CONF_DESTINATION) == vessel_id and not is_drain


def shortest_run_into(
    system: ConfigEntry, vessel_id: str | None, besides: str | None = None
) -> float | None:
    """Return the least of the longest runs (s) of the lines that fill a vessel, besides one."""
    return min(
        (
            line.data.get(CONF_LONGEST_RUN_S, DEFAULT_LONGEST_RUN_S)
            for line in system.get_subentries_of_type(SUBENTRY_FILL_LINE)
            if line.subentry_id != besides and line.data.get(CONF_DESTINATION) == vessel_id
        ),
        default=None,
    )


def shown_name(hass: HomeAssistant, entity_id: str) -> str:
    """Return what the hub's page calls an entity; of one that is not there, words of its id."""
    state = hass.states.get(entity_id)
    return split_entity_id(entity_id)[1].replace("_", " ") if state is None else state.name


def named(hass: HomeAssistant, word: str) -> str:
    """Return the name of an entity that is there for its id; any other word as it is."""
    return word if (state := hass.states.get(word)) is None else state.name


def free_name(name: str, taken: set[str]) -> str:
    """Return the name with the first number that is not taken."""
    number = 2
    while f"{name} {number}".casefold() in taken:
        number += 1
    return f"{name} {number}"


def _others(
    hass: HomeAssistant, kinds: tuple[str, ...], besides: str | None
) -> Iterator[tuple[ConfigEntry, ConfigSubentry]]:
    for entry in hass.config_entries.async_entries(DOMAIN):
        for kind in kinds:
            for subentry in entry.get_subentries_of_type(kind):
                if subentry.subentry_id != besides:
                    yield entry, subentry
