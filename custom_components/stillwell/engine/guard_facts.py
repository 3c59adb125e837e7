"""How an event becomes facts in the guard's state. Nothing is decided here.

Clock steps. A step backwards, or forwards by more than a missed tick can explain, is not
elapsed time: all stored times move with the clock, so that every wait and every budget keeps
what was left of it, and the signal begins anew. A run is counted in full on a step forwards
(its deadline does not move) and keeps the time counted so far on a step backwards; either way
the decision that follows is OFF.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Final

from .guard_events import (
    Actor,
    ActuatorReported,
    Event,
    InputsReported,
    LevelReported,
    LockOutRequested,
    MaintenanceRequested,
    ReturnPumpReported,
    SettingsChanged,
    SourceReported,
    Started,
    TripReason,
)
from .guard_rules import added_l, is_signal_good
from .guard_state import (
    Around,
    GuardSettings,
    GuardState,
    Level,
    OffWatch,
    Run,
    Trip,
    ledger_with,
)
from .guard_table import ORDERED_OFF, RUNNING, Phase
from .guard_watch import off_watch_after, rise_after, rise_begun, rise_ended, rise_excused

CLOCK_SLACK_S: Final = 2.0
"""Events handled in the same moment may carry times this far out of order."""
JUMP_IN_RUN_S: Final = 180.0
JUMP_S: Final = 900.0
"""Ticks come every minute; a longer silence is a clock step or a hub that stood still."""
RECENT: Final = 3
STUCK_S: Final = 60.0
"""An actuator known to be on that does not confirm OFF within this time is stuck."""


@dataclass(frozen=True, slots=True)
class Scene[E]:
    """One event being handled: the state so far, the settings, the event and its time."""

    state: GuardState
    settings: GuardSettings
    event: E
    t_s: float
    jumped: bool = False
    """The clock stepped, or the hub stood still."""


def observed(state: GuardState, settings: GuardSettings, event: Event) -> Scene[Event]:
    """Return the scene after the event: its time and what it tells, as facts."""
    state, t_s, jumped = _in_time(state, event)
    observe = OBSERVERS.get(type(event))
    if observe is not None:
        state = observe(Scene(state, settings, event, t_s))
    return Scene(state, settings, event, t_s, jumped)


def _in_time(state: GuardState, event: Event) -> tuple[GuardState, float, bool]:
    """Return the state at the event's time, that time (s), and whether the clock stepped."""
    t_s, seen_s = event.t_s, state.seen_s
    if seen_s is None:
        return replace(state, seen_s=t_s), t_s, False
    gap_s = t_s - seen_s
    if state.phase is Phase.ASLEEP or isinstance(event, Started):
        # How long it slept is not known here, but it cannot be less than nothing.
        if gap_s < 0.0:
            state = _shifted(state, gap_s, with_run=True)
        return replace(state, seen_s=t_s), t_s, False
    if -CLOCK_SLACK_S <= gap_s < 0.0:
        return state, seen_s, False
    limit_s = JUMP_IN_RUN_S if state.phase in RUNNING else JUMP_S
    if 0.0 <= gap_s <= limit_s:
        return replace(state, seen_s=t_s), t_s, False
    state = _shifted(state, gap_s, with_run=gap_s < 0.0)
    off, around = state.off, state.around
    return (
        replace(
            state,
            seen_s=t_s,
            # The source must report anew, and the return pump's settling begins anew.
            around=replace(
                around,
                source_s=None,
                return_pump_s=None if around.return_pump_s is None else t_s,
            ),
            level=replace(state.level, is_bad=True, usable_s=None, fresh=0, recent_l=()),
            off_watch=OffWatch(from_s=t_s),
            off=None if off is None else replace(off, next_s=t_s),
        ),
        t_s,
        True,
    )


def _shifted(state: GuardState, by_s: float, *, with_run: bool) -> GuardState:
    """Return the state with its stored times moved by a clock step."""

    def moved(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + by_s

    run, rise, around, off = state.run, state.rise, state.around, state.off
    if run is not None and with_run:
        run = replace(run, started_s=run.started_s + by_s, deadline_s=run.deadline_s + by_s)
    return replace(
        state,
        boot_s=state.boot_s + by_s,
        run=run,
        rise=replace(rise, began_s=moved(rise.began_s)),
        off=None if off is None else replace(off, since_s=off.since_s + by_s),
        around=replace(around, supply_empty_s=moved(around.supply_empty_s)),
        ended_s=moved(state.ended_s),
        settle_until_s=moved(state.settle_until_s),
        hold_until_s=moved(state.hold_until_s),
        maintenance_until_s=moved(state.maintenance_until_s),
        paused_s=moved(state.paused_s),
        pauses_s=tuple(time_s + by_s for time_s in state.pauses_s),
        ledger=tuple(replace(entry, end_s=entry.end_s + by_s) for entry in state.ledger),
    )


def new_run(scene: Scene[Any], owner: Actor, *, is_short: bool = False) -> Run:
    """Return a run that begins now, with its absolute deadline."""
    state, settings = scene.state, scene.settings
    limit_s = settings.longest_run_s
    if is_short:
        limit_s = min(limit_s, settings.hand_run_s)
    return Run(
        started_s=scene.t_s,
        deadline_s=scene.t_s + limit_s,
        owner=owner,
        is_short=is_short,
        confirmed=state.actuator is True,
        start_l=state.level.median_l,
    )


def run_closed(scene: Scene[Any]) -> GuardState:
    """Return the state after the actuator was found off: run booked, waits begun."""
    state, t_s = scene.state, scene.t_s
    run, ledger, ended_s = state.run, state.ledger, state.ended_s
    if run is not None:
        run_s = max(0.0, t_s - run.started_s)
        ledger = ledger_with(ledger, t_s, run_s, added_l(state, t_s))
        ended_s = t_s
    settle_until_s = t_s + scene.settings.settle_s
    return replace(
        state,
        run=None,
        off=None,
        rise=rise_ended(state.rise, t_s),
        ledger=ledger,
        ended_s=ended_s,
        settle_until_s=settle_until_s,
        off_watch=OffWatch(from_s=settle_until_s),
    )


def _observe_started(scene: Scene[Started]) -> GuardState:
    state = scene.state
    settle_until_s = scene.t_s + scene.settings.settle_s
    return replace(
        state,
        boot_s=scene.t_s,
        actuator=scene.event.actuator_on,
        level=Level(interval_s=state.level.interval_s, rate_l_per_s=state.level.rate_l_per_s),
        around=Around(),
        off=None,
        settle_until_s=settle_until_s,
        paused_s=None,
        off_watch=OffWatch(from_s=settle_until_s),
        would_run=False,
    )


def _observe_actuator(scene: Scene[ActuatorReported]) -> GuardState:
    event, t_s = scene.event, scene.t_s
    state = replace(scene.state, actuator=event.on)
    run, off = state.run, state.off
    if state.phase is Phase.ASLEEP:
        if run is None or event.on is not False:
            return state
        return run_closed(replace(scene, state=state))
    if not event.on:
        return state
    if run is not None and not run.confirmed:
        state = replace(state, run=replace(run, confirmed=True), rise=rise_begun(state, t_s))
    elif run is None and state.phase in ORDERED_OFF:
        state = replace(state, run=new_run(replace(scene, state=state), Actor.UNKNOWN))
    if off is not None:
        # Seen on: from now on it has a minute, whatever grace a silent device had.
        grace_s = t_s - off.since_s + STUCK_S
        grace_s = min(grace_s, off.grace_s) if off.was_on else grace_s
        # Back from silence, and on: it may have heard none of the earlier ones.
        next_s = off.next_s if scene.state.actuator else t_s
        state = replace(state, off=replace(off, was_on=True, grace_s=grace_s, next_s=next_s))
    return state


def _observe_level(scene: Scene[LevelReported]) -> GuardState:
    settings, t_s = scene.settings, scene.t_s
    level = _level_after(scene)
    state = replace(scene.state, level=level)
    median_l = level.median_l
    if median_l is None or scene.event.suspended:
        return state
    if scene.event.is_drawn:
        state = replace(state, rise=rise_excused(state.rise, median_l, t_s, scene.state.level))
    rise = rise_after(state, settings, median_l, t_s)
    watch = off_watch_after(state, settings, median_l, t_s, is_fed=scene.event.is_fed)
    if rise is state.rise and watch is state.off_watch:
        return state
    return replace(state, rise=rise, off_watch=watch)


def _level_after(scene: Scene[LevelReported]) -> Level:
    level, event, t_s = scene.state.level, scene.event, scene.t_s
    is_bad, usable_s, volume_l = level.is_bad, level.usable_s, level.volume_l
    fresh, fresh_since_s, recent_l = level.fresh, level.fresh_since_s, level.recent_l
    if not event.suspended:
        value_l = event.volume_l
        if event.usable and value_l is not None and isfinite(value_l):
            if not is_signal_good(level, scene.settings, t_s):
                fresh, fresh_since_s, recent_l = 0, t_s, ()
            is_bad, usable_s, volume_l = False, t_s, value_l
            fresh = min(fresh + 1, RECENT)
            recent_l = (*recent_l, value_l)[-RECENT:]
        else:
            is_bad, fresh, recent_l = True, 0, ()
    return Level(
        is_bad,
        usable_s,
        volume_l,
        fresh,
        fresh_since_s,
        recent_l,
        _told(event.interval_s, level.interval_s),
        _told(event.resolution_l, level.resolution_l),
        _told(event.noise_l, level.noise_l),
        _told(event.fill_rate_l_per_s, level.rate_l_per_s),
    )


def _told(new: float | None, old: float | None) -> float | None:
    return new if new is not None and isfinite(new) and new >= 0.0 else old


def _observe_source(scene: Scene[SourceReported]) -> GuardState:
    state, event = scene.state, scene.event
    if event.suspended:
        return state
    volume_l = event.volume_l
    if not event.usable or volume_l is None or not isfinite(volume_l):
        volume_l = None
    return replace(state, around=replace(state.around, source_l=volume_l, source_s=scene.t_s))


def _observe_inputs(scene: Scene[InputsReported]) -> GuardState:
    event, around = scene.event, scene.state.around
    supply_empty_s = around.supply_empty_s
    if event.supply_empty or (
        # Back from empty, or from unknown after empty: the quiet time begins now.
        event.supply_empty is False
        and around.supply_empty is not False
        and supply_empty_s is not None
    ):
        supply_empty_s = scene.t_s
    around = replace(
        around,
        high=event.high,
        leak=event.leak,
        supply_empty=event.supply_empty,
        supply_empty_s=supply_empty_s,
    )
    return replace(scene.state, around=around)


def _observe_return_pump(scene: Scene[ReturnPumpReported]) -> GuardState:
    around, on = scene.state.around, scene.event.on
    since_s = around.return_pump_s
    if not on:
        since_s = None
    elif since_s is None:
        since_s = scene.t_s
    return replace(scene.state, around=replace(around, return_pump_on=on, return_pump_s=since_s))


def _observe_lock_out(scene: Scene[LockOutRequested]) -> GuardState:
    state = scene.state
    if state.phase is Phase.ASLEEP and state.trip is None:
        # Nobody decides while asleep, yet a lockout must not be lost.
        return replace(state, trip=Trip(TripReason.EXTERNAL, scene.t_s, scene.event.note))
    return state


def _observe_maintenance(scene: Scene[MaintenanceRequested]) -> GuardState:
    until_s = scene.event.until_s
    if until_s is not None and not (isfinite(until_s) and until_s > scene.t_s):
        until_s = None
    watch = OffWatch(from_s=scene.t_s + scene.settings.settle_s)
    return replace(scene.state, maintenance_until_s=until_s, off_watch=watch)


def _observe_settings(scene: Scene[SettingsChanged]) -> GuardState:
    state, run = scene.state, scene.state.run
    if run is None:
        return state
    deadline_s = min(run.deadline_s, run.started_s + scene.settings.longest_run_s)
    return replace(state, run=replace(run, deadline_s=deadline_s))


OBSERVERS: Final[dict[type[Event], Callable[[Scene[Any]], GuardState]]] = {
    Started: _observe_started,
    ActuatorReported: _observe_actuator,
    LevelReported: _observe_level,
    SourceReported: _observe_source,
    InputsReported: _observe_inputs,
    ReturnPumpReported: _observe_return_pump,
    LockOutRequested: _observe_lock_out,
    MaintenanceRequested: _observe_maintenance,
    SettingsChanged: _observe_settings,
}
