"""What the form of a newcomer proposes: a name, and the level source if one stands out."""

from typing import TYPE_CHECKING, Any, Final

from homeassistant.const import UnitOfLength
from homeassistant.helpers.translation import async_get_translations

from .const import CONF_SOURCE, DOMAIN
from .engine.quantities import Reason
from .readings import state_number, state_unit
from .vessel_forms import FIELD_NAME, FIELD_SOURCE, LEVEL_DOMAINS
from .vessel_neighbours import all_vessels, free_name, own_entities, vessel_names

if TYPE_CHECKING:
    from homeassistant.config_entries import ConfigEntry
    from homeassistant.core import HomeAssistant

UNITS: Final = frozenset(
    {UnitOfLength.MILLIMETERS, UnitOfLength.CENTIMETERS, UnitOfLength.METERS, UnitOfLength.INCHES}
)
"""In these a level is told; in longer ones, how far a telephone is from home."""


async def async_proposals(hass: HomeAssistant, system: ConfigEntry, kind: str) -> dict[str, Any]:
    """Return what the first form of a new vessel of a kind shows filled in."""
    texts = await async_get_translations(hass, hass.config.language, "common", [DOMAIN])
    name = texts[f"component.{DOMAIN}.common.{kind}_title"].format(system=system.title)
    taken = vessel_names(hass, system, None)
    proposed = {FIELD_NAME: free_name(name, taken) if name.casefold() in taken else name}
    if source := _level_source(hass, system.title):
        proposed[FIELD_SOURCE] = source
    return proposed


def _level_source(hass: HomeAssistant, title: str) -> str | None:
    """Return the only free length in the hub, or the only one that bears the system's name."""
    not_free = {
        *own_entities(hass),
        *(vessel.data.get(CONF_SOURCE) for vessel in all_vessels(hass)),
    }
    free = [
        state
        for state in hass.states.async_all(LEVEL_DOMAINS)
        if state_unit(state) in UNITS
        and state.entity_id not in not_free
        and not isinstance(state_number(state), Reason)
    ]
    named = [state for state in free if title.casefold() in state.name.casefold()]
    found = named or free
    return found[0].entity_id if len(found) == 1 else None
