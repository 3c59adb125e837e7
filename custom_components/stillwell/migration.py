"""Bringing config entries of earlier versions up to date."""

from typing import TYPE_CHECKING

from .const import CONFIG_VERSION

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

    from .coordinator import StillwellConfigEntry


async def async_migrate_entry(_hass: HomeAssistant, entry: StillwellConfigEntry) -> bool:
    """Return whether the entry can be used; there is one version so far.

    A newer minor version only adds keys and is read as it is. A newer major version means
    that an older release was put back: its settings are left alone, and not used.
    """
    return entry.version <= CONFIG_VERSION
