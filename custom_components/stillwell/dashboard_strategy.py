"""The dashboard in the hub's own list of dashboards.

The hub's page loads a small module of ours, and that asks here for the dashboard each time it is
opened; what the hub stores of it is its type alone.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import voluptuous as vol
from homeassistant.components import frontend, websocket_api
from homeassistant.components.http import StaticPathConfig
from homeassistant.generated.languages import LANGUAGES
from homeassistant.loader import async_get_integration

from .const import DOMAIN
from .dashboard import async_dashboard

if TYPE_CHECKING:
    from homeassistant.config_entries import ConfigEntry
    from homeassistant.core import HomeAssistant

MODULE: Final = Path(__file__).parent.joinpath("frontend", "dashboard.js")
MODULE_URL: Final = f"/{DOMAIN}/{MODULE.name}"

ATTR_LANGUAGE: Final = "language"
ATTR_SYSTEM: Final = "system"


async def async_register(hass: HomeAssistant) -> None:
    """Answer for the dashboard; let the hub's page load the module where there is a page.

    As the actions, it stays until the hub stops: a dashboard left over says what to do then.
    """
    websocket_api.async_register_command(hass, _dashboard)
    # The page brings the server it is served by; a hub may run without both.
    if frontend.DOMAIN not in hass.config.components:
        return
    await hass.http.async_register_static_paths(
        [StaticPathConfig(MODULE_URL, str(MODULE), cache_headers=True)]
    )
    integration = await async_get_integration(hass, DOMAIN)
    # Browsers keep it for a month; a new version is another address.
    frontend.add_extra_js_url(hass, f"{MODULE_URL}?v={integration.version}")


@websocket_api.websocket_command(
    {
        vol.Required("type"): f"{DOMAIN}/dashboard",
        vol.Optional(ATTR_LANGUAGE): str,
        vol.Optional(ATTR_SYSTEM): str,
    }
)
@websocket_api.async_response
async def _dashboard(
    hass: HomeAssistant, connection: websocket_api.ActiveConnection, msg: dict[str, Any]
) -> None:
    """Answer with the dashboard, to whoever is logged in: it names entities, it holds no state."""
    entries = hass.config_entries.async_entries(DOMAIN)
    await _async_settled(entries)
    wanted: str | None = msg.get(ATTR_SYSTEM)
    system = _system(entries, wanted)
    if wanted is not None and system is None and entries:
        connection.send_error(
            msg["id"],
            websocket_api.ERR_NOT_FOUND,
            f"No system {wanted}",
            translation_domain=DOMAIN,
            translation_key="dashboard_unknown_system",
            translation_placeholders={
                "system": wanted,
                "systems": ", ".join(entry.title for entry in entries),
            },
        )
        return
    language = msg.get(ATTR_LANGUAGE)
    made = await async_dashboard(
        hass, language=language if language in LANGUAGES else None, only=system
    )
    if not made["views"]:
        connection.send_error(
            msg["id"],
            websocket_api.ERR_NOT_FOUND,
            "No system is running",
            translation_domain=DOMAIN,
            translation_key="dashboard_no_system",
        )
        return
    connection.send_result(msg["id"], made)


async def _async_settled(entries: list[ConfigEntry]) -> None:
    """Wait for systems that are being loaded: their new entities made the page ask."""
    for entry in entries:
        async with entry.setup_lock:
            pass


def _system(entries: list[ConfigEntry], wanted: str | None) -> str | None:
    """Return the entry that is meant, by its id or by its title; None if none is."""
    for entry in entries:
        if wanted in (entry.entry_id, entry.title):
            return entry.entry_id
    return None
