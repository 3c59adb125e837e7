"""One water system: its vessels, its fill lines, its clock tick and its two stores."""

import asyncio
import logging
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Any, Final

from homeassistant.config_entries import ConfigEntry, ConfigSubentry
from homeassistant.const import Platform
from homeassistant.core import CALLBACK_TYPE, HassJob, HomeAssistant, callback
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.start import async_at_started
from homeassistant.util import dt as dt_util

from .const import (
    CONF_DEVICE,
    DOMAIN,
    SUBENTRY_FILL_LINE,
    SUBENTRY_WATER_CHANGE,
    VESSEL_KINDS,
)
from .decision_text import async_load_texts, invalid_text
from .engine.geometry import GeometryError
from .fill_line import FillLine
from .line_settings import fill_line_settings, guard_settings
from .local_time import LocalTime
from .lost_changes import LostChanges
from .owner import EntityOwner
from .secondary import SecondaryShutOff
from .settings import VesselSettings, system_settings, vessel_missing, vessel_settings
from .sources import async_follow, renamed_meanwhile
from .storage import Payload, VesselStore
from .ticker import async_ticker
from .vessel import VesselRuntime
from .vessel_kinds import KindSettings, kind_settings
from .watch import Watch
from .watch_kinds import WATCH_KINDS

type StillwellConfigEntry = ConfigEntry[System]

_LOGGER = logging.getLogger(__name__)

STORES: Final = ("learned", "safety")
DAMAGED: Final[Mapping[str, Any]] = {}
"""What is kept of one that does not run when the file is damaged: it finds damage once it does."""
VESSEL_PLATFORMS: Final = (Platform.BINARY_SENSOR, Platform.SENSOR)
PLATFORMS: Final = (
    *VESSEL_PLATFORMS,
    Platform.BUTTON,
    Platform.EVENT,
    Platform.NUMBER,
    Platform.SWITCH,
)


class System:
    """What is alive of a config entry; the entry's runtime data."""

    def __init__(self, hass: HomeAssistant, entry: StillwellConfigEntry) -> None:
        """Make the system; `async_load` reads its memory, `async_start` brings it to life."""
        self.hass = hass
        self.entry = entry
        self.vessels: dict[str, VesselRuntime] = {}
        self.lines: dict[str, FillLine] = {}
        self.watches: dict[str, Watch] = {}
        self.unusable: list[str] = []
        """Titles of what does not run, since its settings cannot be used."""
        self.lost_changes = LostChanges(self)
        self.is_reload_due = False
        self._unguarded: list[str] = []
        """Devices that would run on without a guard, since the settings of their lines are no use:
        put off at the start, until each was off once."""
        self.learned = learned_store(hass, entry)
        self.safety = safety_store(hass, entry)
        self._is_safety_damaged = False
        self._retry: asyncio.Task[bool] | None = None
        self._local_time = LocalTime()
        self._kept_learned: Payload = {}
        self._kept_safety: Payload = {}

    @property
    def platforms(self) -> tuple[Platform, ...]:
        """The platforms to set up: none of them in vain, as each costs the hub's start."""
        if self.lines or self.watches or any(vessel.parts for vessel in self.vessels.values()):
            return PLATFORMS
        return VESSEL_PLATFORMS if self.vessels else ()

    async def async_load(self) -> None:
        """Read the stores and make the vessels, then the lines between them."""
        (safety, is_safety_damaged), (learned, _) = await asyncio.gather(
            self.safety.async_load(), self.learned.async_load()
        )
        self._is_safety_damaged = is_safety_damaged
        await async_load_texts(self.hass)
        self.lost_changes.take_removed(safety)
        gone = {*learned, *safety} - {*self.entry.subentries} - self.lost_changes.keys
        async_forget_issues(self.hass, gone)
        for vessel in self._subentries(frozenset(VESSEL_KINDS)):
            self._add_vessel(vessel, learned)
        for line in self._subentries(frozenset({SUBENTRY_FILL_LINE})):
            self._add_line(line, safety, is_damaged=is_safety_damaged)
        for watch in self._subentries(frozenset(WATCH_KINDS)):
            self._add_watch(watch, learned, safety, is_damaged=is_safety_damaged)
        subentries = self.entry.subentries
        # What belongs to one that is not running now must not be forgotten with it.
        self._kept_learned = {key: learned[key] for key in learned if key in subentries}
        self._kept_safety = {
            key: safety[key]
            for key in safety
            if key in subentries
            and subentries[key].subentry_type in (SUBENTRY_FILL_LINE, *WATCH_KINDS)
        }

    def _subentries(self, kinds: frozenset[str]) -> list[ConfigSubentry]:
        return [
            subentry
            for subentry in self.entry.subentries.values()
            if subentry.subentry_type in kinds
        ]

    def _add_vessel(self, subentry: ConfigSubentry, learned: Payload) -> None:
        key = subentry.subentry_id
        memory = learned.pop(key, {})
        found = self._settings(subentry, memory)
        if found is None:
            learned[key] = memory
            return
        settings, kind = found
        runtime = VesselRuntime(
            self.hass,
            self.entry.entry_id,
            self.entry.subentries[key],
            settings,
            kind,
            local_time=self._local_time,
            on_learned=self.async_learned,
        )
        if memory and not runtime.restore(memory, dt_util.utcnow().timestamp()):
            self.learned.async_report_damage(self.learned.key)
        self.vessels[key] = runtime

    def _add_line(self, subentry: ConfigSubentry, safety: Payload, *, is_damaged: bool) -> None:
        key = subentry.subentry_id
        subentry = self._renamed(subentry, safety.get(key, {}))
        try:
            line = self._line(subentry)
        except ValueError as err:
            self._tell_settings("line", subentry, err)
            if isinstance(device := subentry.data.get(CONF_DEVICE), str):
                self._unguarded.append(device)
            if is_damaged:
                safety[key] = dict(DAMAGED)
            return
        self._tell_settings("line", subentry, None)
        now_s = dt_util.utcnow().timestamp()
        line.restore(safety.pop(key, None), now_s, is_damaged=is_damaged)
        self.lines[key] = line

    def _add_watch(
        self, subentry: ConfigSubentry, learned: Payload, safety: Payload, *, is_damaged: bool
    ) -> None:
        key = subentry.subentry_id
        memory = learned.get(key, {})
        subentry = self._renamed(subentry, memory)
        try:
            watch = WATCH_KINDS[subentry.subentry_type](self, subentry)
        except ValueError as err:
            self._tell_settings("watch", subentry, err)
            if is_damaged:
                safety[key] = dict(DAMAGED)
            if subentry.subentry_type == SUBENTRY_WATER_CHANGE:
                self.lost_changes.take(key, safety)
            return
        self._tell_settings("watch", subentry, None)
        if memory and not watch.restore(memory):
            self.learned.async_report_damage(self.learned.key)
        learned.pop(key, None)
        watch.reguard(safety.pop(key, None), is_damaged=is_damaged)
        self.watches[key] = watch

    def _line(self, subentry: ConfigSubentry) -> FillLine:
        """Make a line between its vessels.

        Raises:
            ValueError: Its settings, or a vessel of it, cannot be used.
        """
        settings = fill_line_settings(subentry.data)
        destination = self._vessel(settings.destination)
        source = None if settings.source_vessel is None else self._vessel(settings.source_vessel)
        if settings.return_pump is None:
            # A sump's level means nothing while its own pump stands, whichever line looks at it.
            settings = replace(settings, return_pump=destination.return_pump)
        guarded = guard_settings(
            settings,
            destination.settings,
            None if source is None else source.settings,
            system_settings(self.entry).volume_l,
        )
        vessels = destination, source
        return FillLine(
            self.hass, subentry, settings, guarded, vessels, save=self.async_save_safety
        )

    def _vessel(self, key: str) -> VesselRuntime:
        if (vessel := self.vessels.get(key)) is None:
            raise vessel_missing(self.entry.subentries.get(key))
        return vessel

    def _renamed(self, subentry: ConfigSubentry, memory: Mapping[str, Any]) -> ConfigSubentry:
        """Return a subentry after renames that nobody followed."""
        data = renamed_meanwhile(self.hass, subentry.data, memory.get("registry_ids") or {})
        if data != dict(subentry.data):
            self.hass.config_entries.async_update_subentry(self.entry, subentry, data=data)
        return self.entry.subentries[subentry.subentry_id]

    def _tell_settings(self, kind: str, subentry: ConfigSubentry, err: Exception | None) -> None:
        """Tell that settings cannot be used and why; take the notice back when they can."""
        issue_id = f"{kind}_settings_invalid_{subentry.subentry_id}"
        if err is None:
            ir.async_delete_issue(self.hass, DOMAIN, issue_id)
            return
        self.unusable.append(subentry.title)
        ir.async_create_issue(
            self.hass,
            DOMAIN,
            issue_id,
            is_fixable=False,
            severity=ir.IssueSeverity.ERROR,
            translation_key=f"{kind}_settings_invalid",
            translation_placeholders={
                kind: subentry.title,
                "error": invalid_text(self.hass, err),
            },
        )

    def _settings(
        self, subentry: ConfigSubentry, memory: Mapping[str, Any]
    ) -> tuple[VesselSettings, KindSettings | None] | None:
        """Return a vessel's settings and its kind's; None, and a notice, when they are no use."""
        subentry = self._renamed(subentry, memory)
        try:
            settings = vessel_settings(subentry.data)
            system = system_settings(self.entry)
            kind = kind_settings(subentry.subentry_type, subentry.data, settings, system)
        except (GeometryError, KeyError, TypeError, ValueError) as err:
            self._tell_settings("vessel", subentry, err)
            return None
        self._tell_settings("vessel", subentry, None)
        return settings, kind

    @callback
    def async_start(self) -> list[CALLBACK_TYPE]:
        """Subscribe; fill devices are looked at, and put off, before anything else."""
        now_s = dt_util.utcnow().timestamp()
        unsubscribe: list[CALLBACK_TYPE] = [
            self.hass.async_add_shutdown_job(HassJob(self._async_shutdown))
        ]
        for line in self.lines.values():
            unsubscribe += line.async_start(now_s)
        self.lost_changes.async_start(now_s)
        unguarded = SecondaryShutOff(self.hass, self._unguarded)
        unguarded.async_order()
        unsubscribe.append(unguarded.async_pause)
        for runtime in self.vessels.values():
            unsubscribe += runtime.async_start(now_s)
        for watch in self.watches.values():
            try:
                unsubscribe += watch.async_start(now_s)
            except Exception:
                # A defect in one watch must not leave the others, and the guards, without a clock.
                _LOGGER.exception("%s could not start", watch.title)
        owners: tuple[EntityOwner, ...] = (
            *self.vessels.values(), *self.lines.values(), *self.watches.values(),
        )  # fmt: skip
        for owner in owners:
            subentry = self.entry.subentries[owner.subentry_id]
            unsubscribe += async_follow(self.hass, self.entry, subentry, owner.registry_ids)
        # The hub's start does not wait for the reading of a year.
        unsubscribe.append(async_at_started(self.hass, self._async_learn))
        unsubscribe.append(async_ticker(self.hass).async_add(self._async_tick))
        if self._is_safety_damaged:
            # All that is locked out by it now must be on the disk before the next power cut.
            self.hass.async_create_task(self.async_save_safety(), f"{DOMAIN} save")
        return unsubscribe

    @callback
    def _async_learn(self, _hass: HomeAssistant) -> None:
        for runtime in self.vessels.values():
            self.entry.async_create_background_task(
                self.hass, runtime.async_learn(), f"{DOMAIN} learns {runtime.title}"
            )

    @callback
    def async_make_devices(self) -> None:
        """Have the device of each vessel and line in the registry: a line's stands behind one."""
        made: dict[str, str] = {}
        for vessel in self.vessels.values():
            made[vessel.subentry_id] = self._async_make_device(vessel).id
        for line in self.lines.values():
            line.device_info["via_device_id"] = made[line.destination.subentry_id]
            self._async_make_device(line)
            line.proof_tests.async_clear_others(self.entry.entry_id)
        for watch in self.watches.values():
            self._async_make_device(watch)

    def _async_make_device(self, alive: EntityOwner) -> dr.DeviceEntry:
        return dr.async_get(self.hass).async_get_or_create(
            config_entry_id=self.entry.entry_id,
            config_subentry_id=alive.subentry_id,
            **alive.device_info,
        )

    @callback
    def _async_tick(self, now_s: float) -> None:
        if self.safety.is_behind and (self._retry is None or self._retry.done()):
            # Nobody else may save for hours, and a power cut would forget a lockout.
            self._retry = self.hass.async_create_task(
                self.async_save_safety(), f"{DOMAIN} saves again"
            )
        for runtime in self.vessels.values():
            self._pass_time(runtime, runtime.async_tick, now_s)
        for line in self.lines.values():
            self._pass_time(line, line.async_look, now_s)
        self.lost_changes.async_look()
        for watch in self.watches.values():
            self._pass_time(watch, watch.async_look, now_s)

    @staticmethod
    def _pass_time(alive: EntityOwner, look: Callable[[float], None], now_s: float) -> None:
        """Let time pass for one; a defect in it must not let time stand still for the next."""
        try:
            look(now_s)
        except Exception:
            _LOGGER.exception("Time could not pass for %s", alive.title)

    # Memory

    @callback
    def async_learned(self, *, is_told: bool = False) -> None:
        """Note that something was learned; what a person told is saved sooner."""
        self.learned.async_save_soon(self._learned_payload, is_told=is_told)

    def _learned_payload(self) -> Payload:
        learned = {key: runtime.snapshot() for key, runtime in self.vessels.items()}
        learned |= {key: watch.snapshot() for key, watch in self.watches.items()}
        return self._kept_learned | learned

    def _safety_payload(self) -> dict[str, dict[str, Any]]:
        alive = {key: line.snapshot() for key, line in self.lines.items()}
        alive |= {key: kept for key, watch in self.watches.items() if (kept := watch.guarded())}
        return self._kept_safety | self.lost_changes.snapshot() | alive

    async def async_save_learned(self) -> None:
        """Save what was learned, at once."""
        await self.learned.async_save_now(self._learned_payload())

    async def async_save_safety(self) -> bool:
        """Save what safety depends on, at once; return whether it is on the disk.

        If it is not, the keeper is told and each tick tries again, whoever asked for it.
        """
        is_saved = await self.safety.async_save_now(self._safety_payload())
        issue_id = not_saved_issue(self.entry)
        if is_saved:
            ir.async_delete_issue(self.hass, DOMAIN, issue_id)
        else:
            ir.async_create_issue(
                self.hass,
                DOMAIN,
                issue_id,
                is_fixable=False,
                severity=ir.IssueSeverity.ERROR,
                translation_key="safety_not_saved",
                translation_placeholders={"system": self.entry.title, "file": self.safety.key},
            )
        return is_saved

    # The end

    async def _async_stop(self) -> None:
        """Take all permits away and put fill devices off; permits are gone before this waits."""
        for watch in self.watches.values():
            try:
                watch.async_stop()
            except Exception:
                _LOGGER.exception("%s could not stop", watch.title)
        stops = [
            self.hass.async_create_task(line.watch.async_stop(), f"{DOMAIN} stops {line.title}")
            for line in self.lines.values()
        ]
        for found in await asyncio.gather(*stops, return_exceptions=True):
            if isinstance(found, Exception):
                # A defect in one line must keep neither the others nor what is saved next.
                _LOGGER.error("A fill line could not stop", exc_info=found)

    async def _async_shutdown(self) -> None:
        """Put all to rest before the hub's other stages of stopping, in which rules still run."""
        await self._async_stop()
        await self.async_save_safety()

    async def async_unload(self) -> None:
        """Put fill devices off and save everything, before nobody watches any more.

        Reports still come in meanwhile; what they ask to be saved later would be written over what
        the next system has learned by then, or after the files were removed.
        """
        self.learned.is_closed = True
        try:
            await self._async_stop()
            await self.async_save_learned()
            await self.async_save_safety()
        except BaseException:
            # The hub leaves a system alive that could not be unloaded: it goes on learning.
            self.learned.is_closed = False
            raise


@callback
def async_forget_issues(hass: HomeAssistant, removed: Collection[str]) -> None:
    """Take back what the keeper was told of systems, vessels and lines that were removed, by id."""
    for domain, issue_id in list(ir.async_get(hass).issues):
        if domain == DOMAIN and any(key in issue_id for key in removed):
            ir.async_delete_issue(hass, DOMAIN, issue_id)


def not_saved_issue(entry: ConfigEntry) -> str:
    """Return the notice that what safety depends on is not on the disk."""
    return f"safety_not_saved_{entry.entry_id}"


def learned_store(hass: HomeAssistant, entry: ConfigEntry) -> VesselStore:
    """Return the file that holds what was learned, by vessel and watch."""
    key = f"{DOMAIN}.{entry.entry_id}.{STORES[0]}"
    return VesselStore(hass, key, entry.title, "store_damaged")


def safety_store(hass: HomeAssistant, entry: ConfigEntry) -> VesselStore:
    """Return the file that holds what safety depends on, by fill line and watch."""
    key = f"{DOMAIN}.{entry.entry_id}.{STORES[1]}"
    return VesselStore(hass, key, entry.title, "safety_store_damaged")


async def async_remove_stores(hass: HomeAssistant, entry: ConfigEntry) -> None:
    """Delete the files of a removed system, and its notices."""
    safety = safety_store(hass, entry)
    # A water change that was removed before its system may still have a notice.
    gone = {entry.entry_id, *entry.subentries, *await safety.async_keys()}
    for store in (learned_store(hass, entry), safety):
        await store.async_remove()
    async_forget_issues(hass, gone)
