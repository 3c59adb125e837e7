"""What the hub's system page shows: version, what is set up, and the blueprints in use."""

from typing import Any

from homeassistant.components.system_health import SystemHealthRegistration
from homeassistant.config_entries import ConfigEntryState
from homeassistant.core import HomeAssistant, callback
from homeassistant.loader import async_get_integration

from .blueprint_care import async_describe
from .const import DOMAIN


@callback
def async_register(hass: HomeAssistant, register: SystemHealthRegistration) -> None:  # noqa: ARG001
    """Register what is shown."""
    register.async_register_info(_shown)


async def _shown(hass: HomeAssistant) -> dict[str, Any]:
    integration = await async_get_integration(hass, DOMAIN)
    entries = hass.config_entries.async_entries(DOMAIN)
    loaded = [entry for entry in entries if entry.state is ConfigEntryState.LOADED]
    return {
        "version": str(integration.version),
        "systems": len(entries),
        "vessels": sum(len(entry.runtime_data.vessels) for entry in loaded),
        "blueprints": ", ".join(_told(one) for one in await async_describe(hass)),
    }


def _told(one: dict[str, Any]) -> str:
    if "error" in one:
        return str(one["error"])
    name = one["file"].removesuffix(".yaml").removeprefix("stillwell_")
    version = "" if one["version"] is None else f" {one['version']}"
    return f"{name}{version} ({one['standing']})"
