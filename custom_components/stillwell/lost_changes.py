"""Water changes that were under way when they went: removed, or their settings no use any more.

Nobody goes on with such a change and nobody else knows that salt water is missing. What is
stored of it is enough to do what the change itself would do after a restart: end the pauses it
made, lock out every line that could bring fresh water instead, and tell. A line that does not
run now is locked out at the first start in which it does, by the change itself if that is back.
The notice of a change that is gone for good goes once a person has reset all of those lockouts.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from homeassistant.core import callback

from .change_memory import KEY_STEP, ChangeMemory
from .change_notice import async_forget_aborted, async_tell_aborted, missing_note
from .const import (
    CONF_DESTINATION,
    CONF_DIRECTION,
    CONF_DRAIN_LINE,
    DIRECTION_DRAIN,
    DOMAIN,
    SUBENTRY_FILL_LINE,
)
from .engine.guard_events import LockOutRequested, MaintenanceRequested
from .engine.water_change import Stop
from .storage import Payload
from .vat_part import VatPart

if TYPE_CHECKING:
    from .coordinator import System
    from .fill_line import FillLine

DAMAGED: Final = Stop.STATE_DAMAGED


class LostChanges:
    """The changes of one system that nobody goes on with."""

    def __init__(self, system: System) -> None:
        """Begin with none; `take` and `take_removed` find them while the system loads."""
        self._system = system
        self._lost: dict[str, ChangeMemory] = {}

    @property
    def keys(self) -> frozenset[str]:
        """Their subentry ids."""
        return frozenset(self._lost)

    def take(self, key: str, safety: Payload) -> None:
        """Take the memory of a change out of what is stored, if something is left to be done."""
        if (data := safety.get(key)) is None:
            return
        found = ChangeMemory.found(data)
        # One that is there was told and made good when it was damaged already.
        if found.is_open or (found.outcome.stop is DAMAGED and data.get("stop") != DAMAGED.value):
            self._lost[key] = found
            del safety[key]

    def take_removed(self, safety: Payload) -> None:
        """Take those whose subentry is gone."""
        for key in [*safety]:
            if key not in self._system.entry.subentries and KEY_STEP in safety[key]:
                self.take(key, safety)

    def snapshot(self) -> Payload:
        """Return what must outlive the hub."""
        return {key: memory.to_dict() for key, memory in self._lost.items()}

    @callback
    def async_start(self, now_s: float) -> None:
        """Lock out and tell, once the guards of the lines are awake."""
        for key, memory in list(self._lost.items()):
            self._lost[key] = self._ended(key, memory, now_s)
        if self._lost:
            hass = self._system.hass
            hass.async_create_task(self._system.async_save_safety(), f"{DOMAIN} save")

    @callback
    def async_look(self) -> None:
        """Take the notice of a change back that is gone, when its lockouts were reset."""
        for key, memory in list(self._lost.items()):
            if (
                self._is_removed(key)
                and not memory.owed
                and not any(map(self._locks, memory.locked))
            ):
                async_forget_aborted(self._system.hass, key)
                del self._lost[key]

    def _is_removed(self, key: str) -> bool:
        return key not in self._system.entry.subentries

    def _locks(self, line_id: str) -> bool:
        line = self._system.lines.get(line_id)
        if line is None:
            # It does not run now; only one that was removed can bring no water any more.
            return not self._is_removed(line_id)
        return line.watch.is_locked_out

    def _ended(self, key: str, memory: ChangeMemory, now_s: float) -> ChangeMemory:
        """Do what is left to be done for a change; return what is left then."""
        hass = self._system.hass
        is_new = not memory.owed and not memory.locked
        ended = memory.interrupted()
        if is_new:
            subentry = self._system.entry.subentries.get(key)
            title = memory.title if subentry is None else subentry.title
            ended = replace(ended, title=title, paused={})
            self._end_pauses(memory, now_s)
            if ended.outcome.is_short:
                ended = replace(ended, owed=self.fills(key, memory.sump))
            if ended.outcome.is_short or not self._is_removed(key):
                async_tell_aborted(hass, key, title, ended.outcome)
        fresh, owed = self.lock_out(ended, now_s)
        return replace(
            ended,
            owed=owed,
            # One that is still there ends its notice itself, with the next change.
            locked=(*ended.locked, *fresh) if self._is_removed(key) else (),
        )

    def lock_out(
        self, memory: ChangeMemory, now_s: float
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Lock out the owed lines that run now; return those, and what is owed still."""
        hass, lines = self._system.hass, self._system.lines
        there = [lines[line_id] for line_id in memory.owed if line_id in lines]
        fresh = [line for line in there if not self._brings_salt_water(line, memory.refill)]
        note = missing_note(hass, memory.title, memory.outcome)
        for line in fresh:
            line.watch.process(LockOutRequested(now_s, note))
            line.refresh()
        awaited = (line_id for line_id in memory.owed if line_id not in lines)
        owed = tuple(line_id for line_id in awaited if not self._is_removed(line_id))
        return tuple(line.subentry_id for line in fresh), owed

    def _end_pauses(self, memory: ChangeMemory, now_s: float) -> None:
        for line_id, until_s in memory.paused.items():
            line = self._system.lines.get(line_id)
            if line is not None and memory.ends_pause(line_id, line.maintenance_until_s):
                line.watch.process(MaintenanceRequested(now_s, until_s))
                line.refresh()

    def fills(self, key: str, sump: str | None) -> tuple[str, ...]:
        """Return the lines that fill the vessel that was changed; all lines if it is not known."""
        subentries = self._system.entry.subentries
        if sump is None and key in subentries:
            drain = subentries.get(str(subentries[key].data.get(CONF_DRAIN_LINE)))
            sump = None if drain is None else drain.data.get(CONF_DESTINATION)
        return tuple(
            subentry_id
            for subentry_id, subentry in subentries.items()
            if subentry.subentry_type == SUBENTRY_FILL_LINE
            and subentry.data.get(CONF_DIRECTION) != DIRECTION_DRAIN
            and sump in (None, subentry.data.get(CONF_DESTINATION))
        )

    @staticmethod
    def _brings_salt_water(line: FillLine, refill: str | None) -> bool:
        """Whether it is the change's own line, and still draws from a mixing vat."""
        parts = () if line.source is None else line.source.parts
        is_vat = any(isinstance(part, VatPart) for part in parts)
        return line.subentry_id == refill and is_vat
