"""One water system: its vessels, its clock tick and its two stores."""

import logging
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from homeassistant.config_entries import ConfigEntry, ConfigSubentry
from homeassistant.core import CALLBACK_TYPE, HomeAssistant, callback
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.event import async_track_time_interval
from homeassistant.util import dt as dt_util

from .const import DOMAIN, SUBENTRY_RESERVOIR
from .engine.geometry import GeometryError
from .fill_watch import FillWatch
from .local_time import LocalTime
from .settings import VesselSettings, vessel_settings
from .sources import async_follow, renamed_meanwhile
from .storage import Payload, VesselStore
from .vessel import VesselRuntime

type StillwellConfigEntry = ConfigEntry[System]

_LOGGER = logging.getLogger(__name__)

TICK: Final = timedelta(seconds=30)
STORES: Final = ("learned", "safety")
VESSEL_KINDS: Final = frozenset({SUBENTRY_RESERVOIR})


class System:
    """What is alive of a config entry; the entry's runtime data."""

    def __init__(self, hass: HomeAssistant, entry: StillwellConfigEntry) -> None:
        """Make the system; `async_load` reads its memory, `async_start` brings it to life."""
        self.hass = hass
        self.entry = entry
        self.vessels: dict[str, VesselRuntime] = {}
        self.learned = VesselStore(hass, f"{DOMAIN}.{entry.entry_id}.{STORES[0]}")
        self.safety = VesselStore(hass, f"{DOMAIN}.{entry.entry_id}.{STORES[1]}")
        self._local_time = LocalTime()
        self._kept_learned: Payload = {}
        self._kept_safety: Payload = {}

    async def async_load(self) -> None:
        """Read the stores and make the vessels."""
        safety, is_safety_damaged = await self.safety.async_load()
        learned, _ = await self.learned.async_load()
        now_s = dt_util.utcnow().timestamp()
        for subentry in list(self.entry.subentries.values()):
            if subentry.subentry_type not in VESSEL_KINDS:
                continue
            key = subentry.subentry_id
            memory = learned.pop(key, {})
            settings = self._settings(subentry, memory)
            if settings is None:
                learned[key] = memory
                continue
            runtime = VesselRuntime(
                self.hass,
                self.entry.entry_id,
                self.entry.subentries[key],
                settings,
                local_time=self._local_time,
                on_learned=self.async_learned,
            )
            if memory and not runtime.restore(memory, now_s):
                self.learned.async_report_damage(self.learned.key)
            if settings.fill is not None:
                runtime.watch = FillWatch(self.hass, runtime, settings.fill, self.async_save_safety)
                runtime.watch.restore(safety.pop(key, None), is_damaged=is_safety_damaged)
            self.vessels[key] = runtime
        # What belongs to a vessel that is not running now must not be forgotten with it.
        self._kept_learned = {key: learned[key] for key in learned if key in self.entry.subentries}
        self._kept_safety = {key: safety[key] for key in safety if key in self.entry.subentries}

    def _settings(
        self, subentry: ConfigSubentry, memory: Mapping[str, Any]
    ) -> VesselSettings | None:
        """Return a vessel's settings, after renames nobody followed; None when they are no use."""
        data = renamed_meanwhile(self.hass, subentry.data, memory.get("registry_ids") or {})
        if data != dict(subentry.data):
            self.hass.config_entries.async_update_subentry(self.entry, subentry, data=data)
        issue_id = f"vessel_settings_invalid_{subentry.subentry_id}"
        try:
            settings = vessel_settings(data)
        except (GeometryError, KeyError, TypeError, ValueError) as err:
            ir.async_create_issue(
                self.hass,
                DOMAIN,
                issue_id,
                is_fixable=False,
                severity=ir.IssueSeverity.ERROR,
                translation_key="vessel_settings_invalid",
                translation_placeholders={"vessel": subentry.title, "error": str(err)},
            )
            return None
        ir.async_delete_issue(self.hass, DOMAIN, issue_id)
        return settings

    @callback
    def async_start(self) -> list[CALLBACK_TYPE]:
        """Subscribe; fill devices are looked at, and put off, before anything else."""
        now_s = dt_util.utcnow().timestamp()
        unsubscribe: list[CALLBACK_TYPE] = []
        watches = [runtime.watch for runtime in self.vessels.values() if runtime.watch]
        for watch in watches:
            unsubscribe += watch.async_start(now_s)
        for runtime in self.vessels.values():
            unsubscribe += runtime.async_start(now_s)
            unsubscribe += async_follow(
                self.hass, self.entry, self.entry.subentries[runtime.subentry_id]
            )
            self.entry.async_create_background_task(
                self.hass, runtime.async_learn(), f"{DOMAIN} learns {runtime.title}"
            )
        unsubscribe.append(
            async_track_time_interval(
                self.hass, self._async_tick, TICK, name=f"{DOMAIN} {self.entry.title}"
            )
        )
        return unsubscribe

    @callback
    def _async_tick(self, now: datetime) -> None:
        now_s = now.timestamp()
        for runtime in self.vessels.values():
            runtime.async_tick(now_s)

    # Memory

    @callback
    def async_learned(self) -> None:
        """Note that something was learned; it is saved before long."""
        self.learned.async_save_soon(self._learned_payload)

    def _learned_payload(self) -> Payload:
        return self._kept_learned | {
            key: runtime.snapshot() for key, runtime in self.vessels.items()
        }

    def _safety_payload(self) -> dict[str, dict[str, Any]]:
        return self._kept_safety | {
            key: runtime.watch.snapshot()
            for key, runtime in self.vessels.items()
            if runtime.watch is not None
        }

    async def async_save_safety(self) -> None:
        """Save what safety depends on, at once."""
        await self.safety.async_save_now(self._safety_payload())

    async def async_unload(self) -> None:
        """Put fill devices off and save everything, before nobody watches any more."""
        for runtime in self.vessels.values():
            if runtime.watch is not None:
                await runtime.watch.async_stop()
        await self.learned.async_save_now(self._learned_payload())
        await self.async_save_safety()


async def async_remove_stores(hass: HomeAssistant, entry_id: str) -> None:
    """Delete the files of a removed system."""
    for name in STORES:
        await VesselStore(hass, f"{DOMAIN}.{entry_id}.{name}").async_remove()
