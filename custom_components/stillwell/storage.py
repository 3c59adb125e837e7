"""What must outlive the hub: learned state (saved now and then), safety state (at once)."""

import logging
from collections.abc import Callable
from contextlib import suppress
from copy import deepcopy
from pathlib import Path
from typing import Any, Final, cast, override
from zlib import crc32

from homeassistant.core import HomeAssistant
from homeassistant.exceptions import HomeAssistantError
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.json import json_bytes
from homeassistant.helpers.storage import Store
from homeassistant.util.hass_dict import HassKey
from homeassistant.util.json import json_loads, load_json

from .const import DOMAIN

_LOGGER = logging.getLogger(__name__)

STORE_VERSION: Final = 1
STORE_MINOR_VERSION: Final = 1
SAVE_DELAY_S: Final = 10800.0
"""Learned state is saved every few hours and at stop. A power cut then loses what was learned
since, and the next level reading makes good what was used meanwhile; a worn-out card is not made
good. What a person said is saved soon, and what safety depends on at once, in a file of its own."""
SAVE_SPREAD_S: Final = 1800
"""The files are spread over so long, so that many systems do not all make their snapshots in the
same moment."""
TOLD_DELAY_S: Final = 60.0

type Payload = dict[str, dict[str, Any]]
"""Subentry id -> snapshot."""

UNWRITTEN: Final = HassKey[dict[str, Payload]](f"{DOMAIN}_unwritten")
"""What the disk would not take, by file: a reload must not go back to what the file says."""


DAMAGED_SUFFIX: Final = ".damaged"
HUBS_SUFFIX: Final = ".corrupt."
"""What the hub's own store puts behind the name of a file that is no JSON, before the time."""


def _kept_aside(path: Path) -> str | None:
    """Return the name of the newest damaged file that was put aside for this one, if any."""
    damaged = path.with_name(f"{path.name}{DAMAGED_SUFFIX}")
    if not path.parent.is_dir():
        return None
    begun = f"{path.name}{HUBS_SUFFIX}"
    found = [one for one in path.parent.iterdir() if one.name.startswith(begun)]
    if damaged.exists():
        found.append(damaged)
    return max(found, key=lambda one: one.stat().st_mtime).name if found else None


def _look(path: Path) -> tuple[bool, str | None]:
    """Return whether the file is there; if not, the name of a damaged one beside its place."""
    try:
        is_there = path.exists()
        return is_there, None if is_there else _kept_aside(path)
    except OSError:
        # Nobody can say that it is not there; reading it will show what is the matter.
        return True, None


def _set_aside(path: Path) -> str:
    """Rename the damaged file; return the name it has then."""
    try:
        if not path.exists():
            return _kept_aside(path) or path.name
        return path.replace(path.with_name(f"{path.name}{DAMAGED_SUFFIX}")).name
    except OSError:
        # What cannot be put aside is damaged all the same, and nothing may do without a guard.
        _LOGGER.exception("%s could not be put aside", path.name)
        return path.name


class _HonestStore(Store[dict[str, Any]]):
    """The hub's store, which also knows whether what it last wrote is on the disk.

    The hub itself only logs a write that failed, on a full disk for example.
    """

    is_written = True

    @override
    async def _async_write_data(self, data: dict[str, Any]) -> None:
        self.is_written = False
        await super()._async_write_data(data)
        self.is_written = True


class VesselStore:
    """One versioned file that holds a snapshot for each vessel of a system.

    A file that cannot be read (truncated, foreign, from a newer version) is kept aside under
    another name, a repair notice says so, and the system starts anew. Until a new file is written
    every start finds it damaged: a power cut must not turn it into one that never was. What cannot
    be written is remembered over a reload, and the owner is to try again while `is_behind`.
    """

    def __init__(self, hass: HomeAssistant, key: str, title: str, told_as: str) -> None:
        """Name the file, its system, and the notice that tells of damage to it."""
        self._hass = hass
        self.key = key
        self._title = title
        self._told_as = told_as
        self.is_behind = False
        """Whether the last save at once failed, so that the file holds something older."""
        self.is_closed = False
        """Whether its owner goes: the file will be another's, or gone, when a delay would end."""
        self._due_s: float | None = None
        self._delay_s = SAVE_DELAY_S - crc32(key.encode()) % SAVE_SPREAD_S
        self._store = _HonestStore(
            hass, STORE_VERSION, key, minor_version=STORE_MINOR_VERSION, atomic_writes=True
        )

    async def async_load(self) -> tuple[Payload, bool]:
        """Return the stored snapshots, and whether the file was damaged."""
        if (unwritten := self._unwritten.get(self.key)) is not None:
            self.is_behind = True
            return deepcopy(unwritten), False
        path = Path(self._store.path)
        existed, kept = await self._hass.async_add_executor_job(_look, path)
        if kept is not None:
            # Put aside by a start that a power cut ended before it had saved anything.
            self.async_report_damage(kept)
            return {}, True
        try:
            data = await self._store.async_load()
        except Exception:  # noqa: BLE001 - whatever a foreign file provokes must not stop set-up
            data, existed = None, True
        if data is None:
            if existed:
                self.async_report_damage(await self._async_set_aside(path))
            return {}, existed
        vessels = data.get("vessels") if isinstance(data, dict) else None
        if not isinstance(vessels, dict) or not all(
            isinstance(value, dict) for value in vessels.values()
        ):
            self.async_report_damage(await self._async_set_aside(path))
            return {}, True
        return vessels, False

    async def _async_set_aside(self, path: Path) -> str:
        """Rename the damaged file, unless the hub's own store did so already, or nobody can.

        Returns:
            The name under which it is kept: its own, if the folder takes no other.
        """
        kept = await self._hass.async_add_executor_job(_set_aside, path)
        # The hub keeps what it read of the file; a new object forgets it.
        self._store = _HonestStore(
            self._hass,
            STORE_VERSION,
            self.key,
            minor_version=STORE_MINOR_VERSION,
            atomic_writes=True,
        )
        return kept

    def async_report_damage(self, kept_as: str) -> None:
        """Tell the keeper that something stored was lost, and where it is kept."""
        ir.async_create_issue(
            self._hass,
            DOMAIN,
            f"store_damaged_{self.key}",
            is_fixable=True,
            is_persistent=True,
            severity=ir.IssueSeverity.WARNING,
            translation_key=self._told_as,
            translation_placeholders={
                "system": self._title,
                "file": self.key,
                "kept_as": kept_as,
            },
        )

    def async_save_soon(self, make: Callable[[], Payload], *, is_told: bool = False) -> None:
        """Save within `SAVE_DELAY_S`, and at the latest when the hub stops.

        What a person told, or was learned at one go, is saved within `TOLD_DELAY_S`; nothing is
        once the store is closed.
        """
        if self.is_closed:
            return
        delay_s = TOLD_DELAY_S if is_told else self._delay_s
        due_s = self._hass.loop.time() + delay_s
        if self._due_s is not None and self._due_s <= due_s:
            # The hub's store would start its delay anew at every call, and never save.
            return
        self._due_s = due_s

        def take() -> dict[str, Any]:
            self._due_s = None
            return {"vessels": make()}

        self._store.async_delay_save(take, delay_s)

    async def async_save_now(self, payload: Payload) -> bool:
        """Save at once; return whether the file is on the disk."""
        self._due_s = None
        try:
            await self._store.async_save({"vessels": payload})
        except OSError:
            # The hub's store sees to a file that cannot be written, not to a folder that is gone.
            _LOGGER.exception("%s could not be written", self.key)
        self.is_behind = not self._store.is_written
        if self.is_behind:
            # As the file would give it back; what is no JSON is a defect, and logged by the store.
            with suppress(TypeError, ValueError):
                self._unwritten[self.key] = cast("Payload", json_loads(json_bytes(payload)))
        else:
            self._unwritten.pop(self.key, None)
        return not self.is_behind

    @property
    def _unwritten(self) -> dict[str, Payload]:
        return self._hass.data.setdefault(UNWRITTEN, {})

    async def async_keys(self) -> frozenset[str]:
        """Return whose snapshots are stored; a file that cannot be read is left as it is."""
        if (unwritten := self._unwritten.get(self.key)) is not None:
            return frozenset(unwritten)
        try:
            stored: Any = await self._hass.async_add_executor_job(load_json, self._store.path)
            return frozenset(stored["data"]["vessels"])
        except HomeAssistantError, KeyError, TypeError:
            return frozenset()

    async def async_remove(self) -> None:
        """Delete the file, when its system is removed."""
        self._unwritten.pop(self.key, None)
        await self._store.async_remove()
