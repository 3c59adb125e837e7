"""A witness that watches the same events as the guard and keeps its own, simpler record.

It reads nothing of the guard's inner memory. What it knows: the last level and how old it is,
the contacts, the source, the return pump, how long the actuator has been on. From that the
invariants judge what the guard commands and permits.
"""

from dataclasses import dataclass, replace

from custom_components.stillwell.engine.guard import Outcome
from custom_components.stillwell.engine.guard_events import (
    ActuatorReported,
    Command,
    Event,
    InputsReported,
    LevelReported,
    MaintenanceRequested,
    ReturnPumpReported,
    RunByHandRequested,
    SettingsChanged,
    SourceReported,
    Started,
    Stopping,
)
from custom_components.stillwell.engine.guard_state import GuardSettings

SLACK_S = 2.0
GAP_IN_RUN_S = 180.0
GAP_S = 900.0


@dataclass(frozen=True, slots=True)
class Witness:
    """What an observer beside the guard knows after an event. Times in s, volumes in L."""

    t_s: float = 0.0
    awake: bool = False
    actuator: bool | None = None
    level_l: float | None = None
    level_s: float | None = None
    """When the last usable level came; None after a bad one."""
    interval_s: float = 0.0
    high: bool | None = None
    leak: bool | None = None
    supply_empty: bool | None = None
    source_l: float | None = None
    source_s: float | None = None
    pump_since_s: float | None = None
    maintenance_until_s: float | None = None
    on_since_s: float | None = None
    """Since when it may be on: ON sent or seen, and not yet seen off."""
    limit_s: float | None = None
    """The shortest longest-run that was ever in force during this run."""
    by_hand: bool = False
    """The present run was begun by the *run by hand* button."""

    def signal_is_good(self, settings: GuardSettings) -> bool:
        """Whether the level is usable and no older than the stated limit."""
        if self.level_s is None:
            return False
        limit_s = max(3.0 * self.interval_s, settings.stale_after_s or 0.0, 30.0)
        return 0.0 <= self.t_s - self.level_s <= limit_s

    def after(self, event: Event, outcome: Outcome, settings: GuardSettings) -> Witness:
        """Return the record after the event and the guard's answer."""
        seen = self._in_time(event)
        seen = _TOLD[type(event)](seen, event) if type(event) in _TOLD else seen
        return seen._run_after(event, outcome, settings)

    def _in_time(self, event: Event) -> Witness:
        gap_s = event.t_s - self.t_s
        if not self.awake or isinstance(event, Started):
            if gap_s < 0.0 and self.on_since_s is not None:
                return replace(self, t_s=event.t_s, on_since_s=self.on_since_s + gap_s)
            return replace(self, t_s=event.t_s)
        if -SLACK_S <= gap_s < 0.0:
            return self
        limit_s = GAP_S if self.on_since_s is None else GAP_IN_RUN_S
        if 0.0 <= gap_s <= limit_s:
            return replace(self, t_s=event.t_s)
        # A step of the clock: what was seen before it is not known to hold any more.
        on_s = self.on_since_s
        if on_s is not None and gap_s < 0.0:
            on_s += gap_s
        return replace(
            self,
            t_s=event.t_s,
            level_s=None,
            source_s=None,
            pump_since_s=None if self.pump_since_s is None else event.t_s,
            on_since_s=on_s,
        )

    def _run_after(self, event: Event, outcome: Outcome, settings: GuardSettings) -> Witness:
        if self.actuator is False and outcome.command is not Command.ON:
            quiet = isinstance(event, ActuatorReported | Started) or outcome.state.run is None
            return replace(self, on_since_s=None, limit_s=None, by_hand=False) if quiet else self
        limit_s = settings.longest_run_s
        if outcome.command is Command.ON:
            by_hand = isinstance(event, RunByHandRequested)
            return replace(self, on_since_s=self.t_s, limit_s=limit_s, by_hand=by_hand)
        if self.actuator and self.on_since_s is None:
            return replace(self, on_since_s=self.t_s, limit_s=limit_s)
        if isinstance(event, SettingsChanged) and self.limit_s is not None:
            return replace(self, limit_s=min(self.limit_s, limit_s))
        return self


def _started(seen: Witness, event: Started) -> Witness:
    # Contacts, source and level must be reported anew; a run may have gone on meanwhile.
    return Witness(
        t_s=seen.t_s,
        awake=True,
        actuator=event.actuator_on,
        level_l=None,
        interval_s=seen.interval_s,
        maintenance_until_s=seen.maintenance_until_s,
        on_since_s=seen.on_since_s,
        limit_s=seen.limit_s,
    )


def _level(seen: Witness, event: LevelReported) -> Witness:
    if event.interval_s is not None:
        seen = replace(seen, interval_s=event.interval_s)
    if event.suspended:
        return seen
    if not event.usable or event.volume_l is None or event.volume_l != event.volume_l:
        return replace(seen, level_s=None)
    return replace(seen, level_s=seen.t_s, level_l=event.volume_l)


def _source(seen: Witness, event: SourceReported) -> Witness:
    if event.suspended:
        return seen
    volume_l = event.volume_l if event.usable else None
    return replace(seen, source_l=volume_l, source_s=seen.t_s)


def _return_pump(seen: Witness, event: ReturnPumpReported) -> Witness:
    if not event.on:
        return replace(seen, pump_since_s=None)
    return seen if seen.pump_since_s is not None else replace(seen, pump_since_s=seen.t_s)


_TOLD = {
    Started: _started,
    Stopping: lambda seen, _event: replace(seen, awake=False),
    ActuatorReported: lambda seen, event: replace(seen, actuator=event.on),
    LevelReported: _level,
    SourceReported: _source,
    ReturnPumpReported: _return_pump,
    InputsReported: lambda seen, event: replace(
        seen, high=event.high, leak=event.leak, supply_empty=event.supply_empty
    ),
    MaintenanceRequested: lambda seen, event: replace(seen, maintenance_until_s=event.until_s),
}
