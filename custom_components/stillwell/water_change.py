"""A water change in the hub: the sump's level to the engine, its word to two guarded lines.

Neither line is switched here. A start is asked of the line's own guard, which grants it only
under all of its limits, and an end is asked of it too; each line goes off by itself at its own
marks, deadlines and inputs, whatever becomes of this module. The drain is a line like any other,
guarded upside down (`engine.mirror`).

- Never both: the second line is asked only after the first device has said that it is off, and
  the level has had its time to settle.
- While a change is under way every other line at both vessels is paused, above all the top-off,
  which would make up for the drained salt water with fresh water.
- Whatever is not as it should be ends it with both lines shut; so does a restart. If salt water
  is missing then, every line that could bring fresh water instead is locked out, until a person
  has refilled by hand and resets it. If the change itself is gone by then, `LostChanges` does so.
- What is under way is in the store for safety before the first ON: the guard's own save takes it.
"""

import logging
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import Platform
from homeassistant.core import CALLBACK_TYPE, callback
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers.entity import Entity
from homeassistant.util import dt as dt_util

from .change_memory import ChangeMemory
from .change_notice import async_forget_aborted, async_tell_aborted, missing_note
from .const import CONF_DRAIN_LINE, CONF_LARGEST_SHARE_FRAC, CONF_REFILL_LINE, DOMAIN
from .decision_text import common_text, invalid_text, reason_text
from .engine.guard_events import (
    Actor,
    LockOutRequested,
    MaintenanceRequested,
    StartRequested,
    StopRequested,
)
from .engine.guard_table import RUNNING, Phase
from .engine.invalid import Code
from .engine.salt_mass import Water
from .engine.validity import InputError, positive
from .engine.validity import number as stored_number
from .engine.vat import usual_if_odd_c
from .engine.water_change import (
    MOST_FRAC,
    Change,
    Outcome,
    Plan,
    Refusal,
    Step,
    Stop,
    largest_l,
    refusals,
    salinity_after,
    usual_l,
)
from .salinity_watch import SalinityWatch
from .settings import SettingsError, entity, number, system_settings
from .vat_part import VatPart
from .watch import Watch
from .water_change_entities import change_buttons, change_numbers, change_sensors
from .water_temperature import water_temp_c

if TYPE_CHECKING:
    from .coordinator import System
    from .fill_line import FillLine
    from .vessel import VesselRuntime

_LOGGER = logging.getLogger(__name__)

DEFAULT_SHARE_FRAC: Final = 0.2
WAITS_S: Final = 1800.0
"""Beside its run a step may wait this long for settling, pauses and fresh readings."""


@dataclass(frozen=True, slots=True)
class ChangeView:
    """What is shown of it; None is not known."""

    step: Step | None = None
    """None: none was begun yet."""
    stop: Stop = Stop.NONE
    drained_l: float | None = None
    refilled_l: float | None = None
    salinity_after_psu: float | None = None


class WaterChange(Watch):
    """What is alive of a water change between set-up and unload."""

    def __init__(
        self,
        system: System,
        subentry: ConfigSubentry,
        lines: tuple[FillLine, FillLine],
        vat: VatPart,
        share_frac: float,
    ) -> None:
        """Make it of a drain line and a line from a mixing vat, both at one vessel."""
        super().__init__(system, subentry)
        self.drain, self.refill = lines
        self.sump: VesselRuntime = self.drain.destination
        self._vat = vat
        self._system = system_settings(system.entry)
        self.largest_l = largest_l(self._system.volume_l, share_frac)
        self.volume_l = usual_l(self._system.volume_l, self.largest_l)
        self._change: Change | None = None
        self._outcome: Outcome | None = None
        self._is_to_end = False
        """Whether a restart has interrupted it, which is told and made good at the start."""
        self._has_begun = False
        """Whether the line of the present step has been granted its run."""
        self._paused: dict[str, float | None] = {}
        """Lines paused for it, each with the end of the pause it was in before; stored as well."""
        self._pause_until_s: float | None = None
        self._owed: tuple[str, ...] = ()
        """Lines still to be locked out, since they did not run when it ended short."""
        self._saved: Outcome | None = None
        """What the disk was last asked to keep: a power cut leaves no time for more."""
        self.view = ChangeView()

    # What it hears

    @property
    @override
    def followed(self) -> list[str]:
        """The sump's level and both devices; the vat's level matters to its own line."""
        return [
            self.sump.settings.source,
            self.drain.settings.device,
            self.refill.settings.device,
        ]

    @property
    @override
    def reported(self) -> list[str]:
        """The level: that it says the same again is news."""
        return [self.sump.settings.source]

    @callback
    @override
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """End what a restart has interrupted; the guards have put both lines off already."""
        if self._is_to_end and self._outcome is not None:
            self._is_to_end = False
            self._ended(self._outcome, now_s)
        elif self._owed and self._outcome is not None:
            _, self._owed = self.system.lost_changes.lock_out(self._memory(self._outcome), now_s)
            self._save()
        return super().async_start(now_s)

    @callback
    @override
    def async_look(self, now_s: float) -> None:
        """Take the sump's level, and go on or give up.

        While the guards are put to rest, before a restart, nothing is judged any more: the next
        start finds a change that was under way and ends it.
        """
        if Phase.ASLEEP in (self.drain.watch.state.phase, self.refill.watch.state.phase):
            return
        change = self._change
        if change is not None:
            model = self.sump.model
            level_l = None if model.is_signal_lost else model.accepted_l
            self._go(change, change.after(now_s, level_l, self._fault(change)), now_s)
        self._show()

    def _fault(self, change: Change) -> Stop:
        """Return what lines or pump have done that must end the change."""
        line, other = self.drain, self.refill
        if change.may_refill:
            line, other = other, line
        is_other_on = self._has_begun and other.watch.is_on is not False
        are_strangers_on = any(one.watch.is_on is not False for one in self._others)
        found = (
            (Stop.LINE_TRIPPED, line.watch.is_locked_out or other.watch.is_locked_out),
            (Stop.RETURN_PUMP, not (line.is_return_settled and other.is_return_settled)),
            # Never both, whoever has started the other one.
            (Stop.OTHER_LINE, are_strangers_on or is_other_on),
            (Stop.OTHER_LINE, other.watch.state.phase in RUNNING),
            (Stop.LINE_STOPPED, self._has_begun and line.watch.state.run is None),
        )
        return next((stop for stop, holds in found if holds), Stop.NONE)

    # What it asks

    @callback
    def _go(self, before: Change, after: Change, now_s: float) -> None:
        self._change, self._outcome = after, after.outcome
        if after.step is not before.step:
            self._has_begun = False
            self._ask_to_stop(now_s)
        if not self._outcome.is_under_way:
            self._change = None
            self._ended(self._outcome, now_s)
        elif not self._has_begun:
            self._ask_to_start(after, now_s)
        if self._outcome.has_moved_since(self._saved):
            self._save()

    def _ask_to_stop(self, now_s: float) -> None:
        for line in (self.drain, self.refill):
            line.watch.process(StopRequested(now_s, Actor.LINE))
        self._save()

    def _ask_to_start(self, change: Change, now_s: float) -> None:
        """Ask the guard of the step's line for a run, once the other one is off and at rest."""
        line, other = self.drain, self.refill
        if change.may_refill:
            line, other = other, line
        if other.watch.is_on is False and other.watch.state.phase is Phase.IDLE:
            # The device may answer before this returns, and its answer comes here too.
            self._has_begun = True
            line.watch.process(StartRequested(now_s, Actor.LINE))
            self._has_begun = line.watch.state.run is not None
            line.refresh()

    @property
    def _others(self) -> list[FillLine]:
        """Every other line at the sump and the vat."""
        vat = self._vat.vessel
        own = (self.drain.subentry_id, self.refill.subentry_id)
        lines = (*self.sump.lines, *self.sump.draws, *self.sump.drains, *vat.lines, *vat.drains)
        found = {line.subentry_id: line for line in lines if line.subentry_id not in own}
        return list(found.values())

    def _pause_others(self, now_s: float, until_s: float) -> None:
        self.sump.is_being_changed = True
        self._pause_until_s = until_s
        for line in self._others:
            self._paused[line.subentry_id] = line.maintenance_until_s
            line.watch.process(MaintenanceRequested(now_s, until_s))
            line.refresh()

    def _ended(self, outcome: Outcome, now_s: float) -> None:
        """Shut, lock out or release what must be, and tell how it ended."""
        self._ask_to_stop(now_s)
        self.sump.is_being_changed = False
        note = missing_note(self.hass, self.title, outcome)
        memory = self._memory(outcome)
        for line in self._others:
            # A person who has paused it since has his hands in the water now.
            if memory.ends_pause(line.subentry_id, line.maintenance_until_s):
                until_s = self._paused[line.subentry_id]
                line.watch.process(MaintenanceRequested(now_s, until_s))
            if outcome.is_short and line in self.sump.lines:
                line.watch.process(LockOutRequested(now_s, note))
            line.refresh()
        self._paused.clear()
        if outcome.is_short:
            fills = self.system.lost_changes.fills(self.subentry_id, self.sump.subentry_id)
            self._owed = tuple(one for one in fills if one not in self.system.lines)
        self._tell(outcome)
        self._save()

    def _tell(self, outcome: Outcome) -> None:
        if outcome.step is Step.ABORTED:
            async_tell_aborted(self.hass, self.subentry_id, self.title, outcome)
        else:
            async_forget_aborted(self.hass, self.subentry_id)

    def _save(self) -> None:
        self._saved = self._outcome
        self.hass.async_create_task(self.system.async_save_safety(), f"{DOMAIN} save")

    # What a person asks

    def plan(self, volume_l: float | None = None) -> Plan:
        """Return what is known before a change of a volume, else of the one set (L)."""
        sump, vat = self.sump, self._vat.vessel
        psu, temp_c = self._vat.view.salinity_psu, self._vat.view.temp_c
        tank_c = self._tank_temp_c
        tank_psu = self._tank_psu
        wanted_psu = self._system.salinity_psu
        system = Water(
            self._system.volume_l,
            wanted_psu if tank_psu is None else tank_psu,
            usual_if_odd_c(tank_c),
        )
        return Plan(
            change_l=self.volume_l if volume_l is None else volume_l,
            system=system,
            sump_l=_above_empty_l(sump) or 0.0,
            vat_l=_above_empty_l(vat),
            vat_salinity=psu,
            # Two temperatures can be compared, one cannot.
            vat_temp_c=None if tank_c is None else temp_c,
            tank_temp_c=tank_c,
            is_salinity_lost=tank_psu is None and self.has_salinity_watch,
            longest_step_s=self._longest_run_s + WAITS_S,
        )

    @property
    def _longest_run_s(self) -> float:
        return max(line.settings.longest_run_s for line in (self.drain, self.refill))

    @property
    def _salinity_watches(self) -> list[SalinityWatch]:
        watches = self.system.watches.values()
        return [watch for watch in watches if isinstance(watch, SalinityWatch)]

    @property
    def has_salinity_watch(self) -> bool:
        """Whether the system's salinity should be known by measurement."""
        return bool(self._salinity_watches)

    @property
    def _tank_psu(self) -> float | None:
        """Salinity of the system as it is measured; None while nobody knows."""
        views = (watch.view for watch in self._salinity_watches)
        found = (view.salinity_psu for view in views if view is not None)
        return next((psu for psu in found if psu is not None), None)

    @property
    def _tank_temp_c(self) -> float | None:
        return water_temp_c(self.system, self.sump, dt_util.utcnow().timestamp())

    def refused(self, plan: Plan) -> list[str]:
        """Return everything that speaks against a change, as texts; empty: nothing does."""
        found: list[Refusal] = refusals(plan)
        if plan.change_l > self.largest_l and Refusal.TOO_MUCH not in found:
            found.insert(0, Refusal.TOO_MUCH)
        told = [common_text(self.hass, f"change_refused_{one}") for one in found]
        if self.sump.model.is_signal_lost or self.sump.model.accepted_l is None:
            told.append(common_text(self.hass, "change_stop_level_lost"))
        if any(line.watch.is_on is not False for line in self._others):
            told.append(common_text(self.hass, "change_stop_other_line"))
        return told + [
            f"{line.title}: {reason_text(self.hass, line.watch.block_reason)}"
            for line in (self.drain, self.refill)
            if line.watch.block_reason is not None
        ]

    async def async_begin(self) -> None:
        """Begin a change of the volume that is set.

        Raises:
            ServiceValidationError: Something speaks against it; the text says all of it.
        """
        # Two of them at one sump would take each other's water for their own.
        if self._change is not None or self.sump.is_being_changed:
            raise self._refusal([common_text(self.hass, "change_under_way")])
        now_s = dt_util.utcnow().timestamp()
        plan = self.plan()
        level_l = self.sump.model.accepted_l
        if (told := self.refused(plan)) or level_l is None:
            raise self._refusal(told)
        self._change = Change(plan, now_s, level_l)
        self._outcome = self._saved = self._change.outcome
        self._owed = ()
        self._pause_others(now_s, now_s + plan.longest_step_s + plan.longest_step_s)
        self._tell(self._outcome)
        await self.system.async_save_safety()
        self.async_look(dt_util.utcnow().timestamp())

    def _refusal(self, told: list[str]) -> ServiceValidationError:
        return ServiceValidationError(
            translation_domain=DOMAIN,
            translation_key="change_refused",
            translation_placeholders={"change": self.title, "why": "; ".join(told)},
        )

    async def async_abort(self) -> None:
        """End a change that is under way, with both lines shut."""
        if (change := self._change) is not None:
            self._go(change, change.aborted(), dt_util.utcnow().timestamp())
            await self.system.async_save_safety()
            self._show()

    @callback
    def async_set_volume(self, volume_l: float) -> None:
        """Take the volume of the next change; one that is under way keeps its own.

        Raises:
            ServiceValidationError: It is none; the hub's bounds of a number let NaN through.
        """
        try:
            self.volume_l = positive("a volume to change", volume_l, "L")
        except InputError as err:
            raise self._refusal([invalid_text(self.hass, err)]) from err
        self.system.async_learned(is_told=True)
        self._show()

    # What is shown and kept

    def _show(self) -> None:
        plan, outcome = self.plan(), self._outcome
        after_psu = salinity_after(plan if self._change is None else self._change.plan)
        if outcome is None:
            self.view = ChangeView(salinity_after_psu=after_psu)
        else:
            self.view = ChangeView(
                outcome.step, outcome.stop, outcome.drained_l, outcome.refilled_l, after_psu
            )
        self.refresh()

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return status and figures, the volume, and the buttons."""
        if platform is Platform.SENSOR:
            return change_sensors(self)
        if platform is Platform.NUMBER:
            return change_numbers(self)
        return change_buttons(self) if platform is Platform.BUTTON else []

    @override
    def learned(self) -> dict[str, Any]:
        """Return the volume that was set."""
        return {"volume_l": self.volume_l}

    @override
    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up the volume that was set, as far as it is still allowed."""
        self.volume_l = min(stored_number(data["volume_l"]), self.largest_l)

    @override
    def guarded(self) -> dict[str, Any]:
        """Return where the change stands, and what ends it even without its settings."""
        if self._outcome is None:
            return {}
        return self._memory(self._outcome).to_dict()

    def _memory(self, outcome: Outcome) -> ChangeMemory:
        own = self.sump.subentry_id, self.refill.subentry_id
        paused = self._paused, self._pause_until_s
        return ChangeMemory(outcome, self.title, *own, *paused, self._owed)

    @override
    def reguard(self, data: Mapping[str, Any] | None, *, is_damaged: bool) -> None:
        """Take up where the last change stood; one that was under way is over now."""
        if data is None and not is_damaged:
            return
        try:
            stored = ChangeMemory.from_dict(data or {})
        except ValueError as err:
            _LOGGER.warning("Stored state of %s is damaged: %s", self.title, err)
            stored = ChangeMemory(Outcome.damaged())
            self._is_to_end = True
        else:
            self._is_to_end = stored.outcome.is_under_way
        self._outcome = stored.interrupted().outcome
        self._owed = stored.owed
        if self._is_to_end:
            # A pause that a person had begun before goes on to its end.
            before, self._pause_until_s = stored.paused, stored.pause_until_s
            self._paused = {one.subentry_id: before.get(one.subentry_id) for one in self._others}

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now, and what speaks against a change."""
        return {"view": asdict(self.view), "refused": self.refused(self.plan())}


def _above_empty_l(vessel: VesselRuntime) -> float | None:
    """Return what can be taken out of a vessel (L)."""
    model, settings = vessel.model, vessel.settings
    if model.is_signal_lost or model.accepted_l is None:
        return None
    return max(0.0, model.accepted_l - settings.vessel.volume_l(settings.empty_m))


def _line(system: System, data: Mapping[str, Any], key: str) -> FillLine:
    line = system.lines.get(entity(data, key))
    if line is None:
        raise SettingsError(key, Code.CHANGE_LINE)
    return line


def make_water_change(system: System, subentry: ConfigSubentry) -> WaterChange:
    """Make the water change of a subentry.

    Raises:
        ValueError: Its settings cannot be used.
    """
    data = subentry.data
    drain, refill = _line(system, data, CONF_DRAIN_LINE), _line(system, data, CONF_REFILL_LINE)
    if not drain.settings.is_drain or refill.settings.is_drain:
        raise SettingsError(CONF_DRAIN_LINE, Code.CHANGE_DIRECTIONS)
    if drain.destination is not refill.destination:
        raise SettingsError(CONF_REFILL_LINE, Code.CHANGE_VESSELS)
    if refill.settings.fresh_water_cap_frac is not None:
        raise SettingsError(CONF_REFILL_LINE, Code.CHANGE_FRESH)
    parts = () if refill.source is None else refill.source.parts
    vat = next((part for part in parts if isinstance(part, VatPart)), None)
    if vat is None:
        raise SettingsError(CONF_REFILL_LINE, Code.CHANGE_NO_VAT)
    share_frac = number(data, CONF_LARGEST_SHARE_FRAC, DEFAULT_SHARE_FRAC)
    if not 0.0 < share_frac <= MOST_FRAC:
        raise SettingsError(CONF_LARGEST_SHARE_FRAC, Code.BETWEEN, low=0.0, high=MOST_FRAC)
    return WaterChange(system, subentry, (drain, refill), vat, share_frac)
