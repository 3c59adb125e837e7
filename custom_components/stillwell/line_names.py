"""How a fill line is called that comes with its vessel."""

from typing import TYPE_CHECKING

from homeassistant.helpers.translation import async_get_translations

from .const import DOMAIN

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant


async def async_line_title(hass: HomeAssistant, vessel_title: str) -> str:
    """Return the name of the line that fills a vessel, in the hub's language."""
    texts = await async_get_translations(hass, hass.config.language, "common", [DOMAIN])
    return texts[f"component.{DOMAIN}.common.line_title"].format(vessel=vessel_title)
