"""Which other vessels there are, so that no two share a source or a fill device."""

from typing import TYPE_CHECKING

from homeassistant.helpers import entity_registry as er

from .const import DOMAIN, SUBENTRY_RESERVOIR

if TYPE_CHECKING:
    from collections.abc import Iterator

    from homeassistant.config_entries import ConfigEntry, ConfigSubentry
    from homeassistant.core import HomeAssistant


def own_entities(hass: HomeAssistant) -> list[str]:
    """Return the entities of this integration: a vessel must not feed on itself."""
    registry = er.async_get(hass)
    return [entity.entity_id for entity in registry.entities.values() if entity.platform == DOMAIN]


def vessel_names(hass: HomeAssistant, system: ConfigEntry, besides: str | None) -> set[str]:
    """Return the case-folded names of a system's vessels, besides one."""
    return {
        vessel.title.casefold()
        for entry, vessel in _vessels(hass, besides)
        if entry.entry_id == system.entry_id
    }


def vessel_with(hass: HomeAssistant, key: str, value: object, besides: str | None) -> str | None:
    """Return the name of a vessel, of any system, that has this value stored."""
    for entry, vessel in _vessels(hass, besides):
        if value is not None and vessel.data.get(key) == value:
            return f"{vessel.title} ({entry.title})"
    return None


def free_name(name: str, taken: set[str]) -> str:
    """Return the name with the first number that is not taken."""
    number = 2
    while f"{name} {number}".casefold() in taken:
        number += 1
    return f"{name} {number}"


def _vessels(
    hass: HomeAssistant, besides: str | None
) -> Iterator[tuple[ConfigEntry, ConfigSubentry]]:
    for entry in hass.config_entries.async_entries(DOMAIN):
        for vessel in entry.get_subentries_of_type(SUBENTRY_RESERVOIR):
            if vessel.subentry_id != besides:
                yield entry, vessel
