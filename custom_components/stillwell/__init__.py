"""Stillwell: the water side of a saltwater aquarium, as an integration of the hub."""

from itertools import batched

from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers import config_validation as cv
from homeassistant.helpers.start import async_at_started
from homeassistant.helpers.typing import ConfigType

# Platforms come with the package, in one go in the hub's import thread: else the set-up of each
# would wait for an import of its own.
from . import binary_sensor, button, event, number, sensor, switch  # noqa: F401
from .actions import async_register
from .batch_actions import async_register as async_register_batch
from .blueprint_care import async_offer
from .const import DOMAIN
from .coordinator import PLATFORMS, StillwellConfigEntry, System, async_remove_stores
from .dashboard_strategy import async_register as async_register_dashboard
from .decision_text import async_load_texts
from .dosing_actions import async_register as async_register_dosing
from .hub_stop import async_hub_stop
from .migration import async_migrate_entry as async_migrate_entry
from .report_actions import async_register as async_register_report
from .salinity_actions import async_register as async_register_salinity
from .sentences import Sentences
from .take_back_actions import async_register as async_register_take_back
from .water_change_actions import async_register as async_register_water_change

CONFIG_SCHEMA = cv.config_entry_only_config_schema(DOMAIN)


async def async_setup(hass: HomeAssistant, _config: ConfigType) -> bool:
    """Register the actions and the dashboard; they are there even while no system is set up."""
    # Before any system's own: the hub still counts as running while shutdown jobs are called.
    async_hub_stop(hass)
    async_register(hass)
    async_register_report(hass)
    async_register_dosing(hass)
    async_register_batch(hass)
    async_register_salinity(hass)
    async_register_take_back(hass)
    async_register_water_change(hass)
    await async_register_dashboard(hass)
    await async_load_texts(hass)
    return True


async def async_setup_entry(hass: HomeAssistant, entry: StillwellConfigEntry) -> bool:
    """Set up a water system."""
    system = System(hass, entry)
    await system.async_load()
    if hass.is_stopping or async_hub_stop(hass).has_begun:
        # A reload that was under way. What puts its devices off at a stop has been called already:
        # a permit given now would stand until the hub is gone.
        return False
    entry.runtime_data = system
    # Before anything else is awaited: a change that comes meanwhile must not be missed.
    entry.async_on_unload(entry.add_update_listener(_async_updated))
    for unsubscribe in system.async_start():
        entry.async_on_unload(unsubscribe)
    system.async_make_devices()
    # One by one in a running hub: all at once would be one piece of work for its loop. A hub that
    # starts answers nobody yet, and is up the sooner.
    for platforms in batched(
        system.platforms, 1 if hass.is_running else len(PLATFORMS), strict=False
    ):
        await hass.config_entries.async_forward_entry_setups(entry, platforms)
    for unregister in await Sentences(hass, system).async_start():
        entry.async_on_unload(unregister)

    @callback
    def _async_offer(_hass: HomeAssistant) -> None:
        entry.async_create_background_task(hass, async_offer(hass), "stillwell blueprints")

    entry.async_on_unload(async_at_started(hass, _async_offer))
    return True


async def _async_updated(hass: HomeAssistant, entry: StillwellConfigEntry) -> None:
    """Reload after a change of settings; subentries come and go this way too."""
    system: System = entry.runtime_data
    if system.is_reload_due:
        # A reservoir and its fill line are added in one go: one reload takes both.
        return
    system.is_reload_due = True
    hass.config_entries.async_schedule_reload(entry.entry_id)


async def async_unload_entry(hass: HomeAssistant, entry: StillwellConfigEntry) -> bool:
    """Unload a water system; what it learned is saved first."""
    system = entry.runtime_data
    if not await hass.config_entries.async_unload_platforms(entry, system.platforms):
        return False
    await system.async_unload()
    return True


async def async_remove_entry(hass: HomeAssistant, entry: StillwellConfigEntry) -> None:
    """Delete the files of a removed system."""
    await async_remove_stores(hass, entry)
