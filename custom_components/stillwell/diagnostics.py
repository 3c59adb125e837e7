"""Diagnostics of a system: settings, learned state and decisions, with names of homes removed."""

from typing import Any, Final

from homeassistant.components.diagnostics import async_redact_data
from homeassistant.core import HomeAssistant

from .blueprint_care import async_describe
from .coordinator import StillwellConfigEntry

TO_REDACT: Final = frozenset({"title", "name"})


async def async_get_config_entry_diagnostics(
    hass: HomeAssistant, entry: StillwellConfigEntry
) -> dict[str, Any]:
    """Return what a report of trouble needs."""
    return {
        "entry": async_redact_data(entry.as_dict(), TO_REDACT),
        "blueprints": await async_describe(hass),
        "vessels": {
            key: runtime.diagnostics() for key, runtime in entry.runtime_data.vessels.items()
        },
        "lines": {key: line.diagnostics() for key, line in entry.runtime_data.lines.items()},
        "watches": {key: watch.diagnostics() for key, watch in entry.runtime_data.watches.items()},
    }
