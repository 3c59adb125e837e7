"""Names of vessels and fill lines as people say them."""

import re
from typing import Final

from homeassistant.components.homeassistant.exposed_entities import async_should_expose
from homeassistant.config_entries import ConfigEntryState
from homeassistant.core import HomeAssistant
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import entity_registry as er

from .const import DOMAIN
from .coordinator import System
from .fill_line import FillLine
from .questions import ARTICLES
from .targets import Target

ANY_ARTICLE: Final = frozenset().union(*ARTICLES.values())


def _entry_id(target: Target) -> str:
    return target.destination.entry_id if isinstance(target, FillLine) else target.entry_id


def spoken_name(hass: HomeAssistant, target: Target) -> str:
    """Return the name a person gave the device, else the one of the settings.

    Without a leading "the": the sentences have one.
    """
    identifier = (DOMAIN, target.subentry_id)
    device = dr.async_get(hass).async_get_device_by_identifier(identifier, _entry_id(target))
    name = device.name_by_user if device is not None and device.name_by_user else target.title
    return re.sub(r"^the\s+", "", name, flags=re.IGNORECASE)


def words(name: str, articles: frozenset[str] = ANY_ARTICLE) -> list[str]:
    """Return the words of a name, without case, marks and leading article."""
    found = re.findall(r"\w+", name.casefold())
    return found[1:] if len(found) > 1 and found[0] in articles else found


def all_targets(hass: HomeAssistant, assistant: str | None = None) -> list[Target]:
    """Return vessels, then lines, of all systems; for an assistant only what it may know of."""
    systems: list[System] = [
        entry.runtime_data
        for entry in hass.config_entries.async_entries(DOMAIN)
        if entry.state is ConfigEntryState.LOADED
    ]
    found: list[Target] = [vessel for system in systems for vessel in system.vessels.values()]
    found += [line for system in systems for line in system.lines.values()]
    if assistant is None:
        return found
    return [target for target in found if _is_exposed(hass, assistant, target)]


def _is_exposed(hass: HomeAssistant, assistant: str, target: Target) -> bool:
    """Whether any entity of a vessel or line is exposed to an assistant."""
    entities = er.async_entries_for_config_entry(er.async_get(hass), _entry_id(target))
    return any(
        async_should_expose(hass, assistant, entity.entity_id)
        for entity in entities
        if entity.config_subentry_id == target.subentry_id
    )


def named(hass: HomeAssistant, name: str, targets: list[Target]) -> list[Target]:
    """Return those a name may mean: of exactly that name, else with all of its words."""
    said = words(name)
    by_words = [(words(spoken_name(hass, target)), target) for target in targets]
    for fits in (lambda own: own == said, lambda own: {*said} <= {*own}):
        found = [target for own, target in by_words if fits(own)]
        # Vessels come before lines; a vessel stands for what fills it.
        if found:
            return [one for one in found if not isinstance(one, FillLine)] or found
    return []
