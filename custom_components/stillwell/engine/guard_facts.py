"""How an event becomes facts in the guard's state. Nothing is decided here.

Clock steps. A step backwards, or forwards by more than a missed tick can explain, is not
elapsed time: all stored times move with the clock, so that every wait and every budget keeps
what was left of it, and the signal begins anew. A run is counted in full on a step forwards
(its deadline does not move) and keeps the time counted so far on a step backwards; either way
the decision that follows is OFF.
"""

from collections.abc import Callable
from dataclasses import replace
from math import isfinite
from typing import Any, Final

from .guard_events import (
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
from .guard_rules import added_l, is_return_settled, is_signal_good, step_l, window_s
from .guard_state import (
    Around,
    GuardSettings,
    GuardState,
    Level,
    OffWatch,
    RiseWatch,
    Trip,
    ledger_with,
)
from .guard_table import RUNNING, Phase

CLOCK_SLACK_S: Final = 2.0
"""Events handled in the same moment may carry times this far out of order."""
JUMP_IN_RUN_S: Final = 180.0
JUMP_S: Final = 900.0
"""Ticks come every minute; a longer silence is a clock step or a hub that stood still."""
RECENT: Final = 3
STUCK_S: Final = 60.0
"""An actuator known to be on that does not confirm OFF within this time is stuck."""
MARKS_NEEDED: Final = 3
POUR_FACTOR: Final = 2.0
"""Water that comes faster than this many times the line's own rate is poured by hand."""


def keep_time(state: GuardState, event: Event) -> tuple[GuardState, float, bool]:
    """Return the state at the event's time, that time (s), and whether the clock stepped."""
    t_s, seen_s = event.t_s, state.seen_s
    if seen_s is None:
        return replace(state, seen_s=t_s), t_s, False
    gap_s = t_s - seen_s
    if state.phase is Phase.ASLEEP or isinstance(event, Started):
        # Time asleep is unknown, but it cannot be negative.
        if gap_s < 0.0:
            state = _shifted(state, gap_s, with_run=True)
        return replace(state, seen_s=t_s), t_s, False
    if -CLOCK_SLACK_S <= gap_s < 0.0:
        return state, seen_s, False
    limit_s = JUMP_IN_RUN_S if state.phase in RUNNING else JUMP_S
    if 0.0 <= gap_s <= limit_s:
        return replace(state, seen_s=t_s), t_s, False
    state = _shifted(state, gap_s, with_run=gap_s < 0.0)
    level = state.level
    return (
        replace(
            state,
            seen_s=t_s,
            level=Level(
                volume_l=level.volume_l,
                interval_s=level.interval_s,
                resolution_l=level.resolution_l,
                noise_l=level.noise_l,
                rate_l_per_s=level.rate_l_per_s,
            ),
            off_watch=OffWatch(from_s=t_s),
            off=None if state.off is None else replace(state.off, next_s=t_s),
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
        rise = replace(rise, began_s=moved(rise.began_s))
    return replace(
        state,
        boot_s=state.boot_s + by_s,
        run=run,
        rise=rise,
        off=None if off is None else replace(off, since_s=off.since_s + by_s),
        around=replace(
            around,
            supply_empty_s=moved(around.supply_empty_s),
            source_s=moved(around.source_s),
            return_pump_s=moved(around.return_pump_s),
        ),
        ended_s=moved(state.ended_s),
        settle_until_s=moved(state.settle_until_s),
        hold_until_s=moved(state.hold_until_s),
        maintenance_until_s=moved(state.maintenance_until_s),
        paused_s=moved(state.paused_s),
        pauses_s=tuple(time_s + by_s for time_s in state.pauses_s),
        ledger=tuple(replace(entry, end_s=entry.end_s + by_s) for entry in state.ledger),
    )


def observed(state: GuardState, settings: GuardSettings, event: Event, t_s: float) -> GuardState:
    """Return the state with what the event tells."""
    observe = OBSERVERS.get(type(event))
    return state if observe is None else observe(state, settings, event, t_s)


def run_closed(state: GuardState, settings: GuardSettings, t_s: float) -> GuardState:
    """Return the state after the actuator was found off: run booked, waits begun."""
    run, rise, ledger, ended_s = state.run, state.rise, state.ledger, state.ended_s
    if run is not None:
        run_s = max(0.0, t_s - run.started_s)
        ledger = ledger_with(ledger, t_s, run_s, added_l(state, t_s))
        ended_s = t_s
        if rise.began_s is not None:
            rise = replace(rise, began_s=None, run_s=max(0.0, t_s - rise.began_s))
    settle_until_s = t_s + settings.settle_s
    return replace(
        state,
        run=None,
        off=None,
        rise=rise,
        ledger=ledger,
        ended_s=ended_s,
        settle_until_s=settle_until_s,
        off_watch=OffWatch(from_s=settle_until_s),
    )


def rise_begun(state: GuardState, t_s: float) -> RiseWatch:
    """Return the watch at the begin of a run; what short runs gained before is carried on."""
    rise, median_l = state.rise, state.level.median_l
    gained_l = rise.gained_l
    if rise.base_l is not None and rise.peak_l is not None:
        gained_l += rise.peak_l - rise.base_l
    return RiseWatch(rise.on_s + rise.run_s, gained_l, t_s, median_l, median_l)


def is_barren(state: GuardState, settings: GuardSettings, t_s: float) -> bool:
    """Whether the line has run for a whole window and the level did not rise."""
    rise, level = state.rise, state.level
    on_s = rise.on_s + (rise.run_s if rise.began_s is None else t_s - rise.began_s)
    if on_s < window_s(level, settings) + (level.interval_s or 0.0):
        return False
    gained_l = rise.gained_l
    if rise.base_l is not None and rise.peak_l is not None:
        gained_l += rise.peak_l - rise.base_l
    return gained_l < step_l(level, settings)


def _observe_started(
    state: GuardState, settings: GuardSettings, event: Started, t_s: float
) -> GuardState:
    settle_until_s = t_s + settings.settle_s
    return replace(
        state,
        boot_s=t_s,
        actuator=event.actuator_on,
        level=Level(interval_s=state.level.interval_s, rate_l_per_s=state.level.rate_l_per_s),
        around=Around(),
        off=None,
        settle_until_s=settle_until_s,
        paused_s=None,
        off_watch=OffWatch(from_s=settle_until_s),
        would_run=False,
    )


def _observe_actuator(
    state: GuardState, settings: GuardSettings, event: ActuatorReported, t_s: float
) -> GuardState:
    state = replace(state, actuator=event.on)
    run, off = state.run, state.off
    if state.phase is Phase.ASLEEP:
        return run_closed(state, settings, t_s) if run is not None and event.on is False else state
    if not event.on:
        return state
    if run is not None and not run.confirmed:
        state = replace(state, run=replace(run, confirmed=True), rise=rise_begun(state, t_s))
    if off is not None and not off.was_on:
        state = replace(state, off=replace(off, was_on=True, grace_s=t_s - off.since_s + STUCK_S))
    return state


def _observe_level(
    state: GuardState, settings: GuardSettings, event: LevelReported, t_s: float
) -> GuardState:
    level = _level_after(state.level, settings, event, t_s)
    state = replace(state, level=level)
    median_l = level.median_l
    if median_l is None or event.suspended:
        return state
    rise = _rise_after(state, settings, median_l, t_s)
    watch = _off_watch_after(state, settings, median_l, t_s)
    if rise is state.rise and watch is state.off_watch:
        return state
    return replace(state, rise=rise, off_watch=watch)


def _level_after(level: Level, settings: GuardSettings, event: LevelReported, t_s: float) -> Level:
    is_bad, usable_s, volume_l = level.is_bad, level.usable_s, level.volume_l
    fresh, fresh_since_s, recent_l = level.fresh, level.fresh_since_s, level.recent_l
    if not event.suspended:
        value_l = event.volume_l
        if event.usable and value_l is not None and isfinite(value_l):
            if not is_signal_good(level, settings, t_s):
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
        level.interval_s if event.interval_s is None else event.interval_s,
        level.resolution_l if event.resolution_l is None else event.resolution_l,
        level.noise_l if event.noise_l is None else event.noise_l,
        level.rate_l_per_s if event.fill_rate_l_per_s is None else event.fill_rate_l_per_s,
    )


def _rise_after(
    state: GuardState, settings: GuardSettings, median_l: float, t_s: float
) -> RiseWatch:
    rise = state.rise
    if rise.base_l is None or rise.peak_l is None:
        return rise
    if rise.began_s is None:
        # After a short run its water still shows up for a while.
        return replace(rise, peak_l=median_l) if median_l > rise.peak_l else rise
    rise = replace(rise, peak_l=median_l)
    watched_s = rise.on_s + (t_s - rise.began_s)
    judged_after_s = window_s(state.level, settings) + (state.level.interval_s or 0.0)
    if watched_s >= judged_after_s and not is_barren(replace(state, rise=rise), settings, t_s):
        return RiseWatch(0.0, 0.0, t_s, median_l, median_l)
    return rise


def _off_watch_after(
    state: GuardState, settings: GuardSettings, median_l: float, t_s: float
) -> OffWatch:
    """Follow rises while off. A pour is short, or faster than the line could ever be."""
    watch = state.off_watch
    if state.run is not None or state.off is not None or t_s < watch.from_s:
        return watch
    in_maintenance = state.maintenance_until_s is not None and t_s < state.maintenance_until_s
    if in_maintenance or not is_return_settled(state, settings, t_s):
        return OffWatch(from_s=t_s)
    level = state.level
    span_s = 2.0 * window_s(level, settings)
    mark_l = max(0.99 * step_l(level, settings), 4.0 * (level.noise_l or 0.0))
    anchor_l = watch.anchor_l
    if anchor_l is None or t_s - watch.last_s > span_s or median_l <= anchor_l - mark_l:
        return OffWatch(watch.from_s, median_l, t_s, t_s)
    if watch.marks == 0 and median_l <= anchor_l:
        return OffWatch(watch.from_s, median_l, t_s, t_s)
    rise_l = median_l - anchor_l
    if rise_l < mark_l:
        return replace(watch, found=False) if watch.found else watch
    rate_l_per_s = level.rate_l_per_s
    if rate_l_per_s is not None and rise_l > 2.0 * mark_l + (
        POUR_FACTOR * rate_l_per_s * (t_s - watch.last_s)
    ):
        return OffWatch(watch.from_s, median_l, t_s, t_s)
    marks = watch.marks + 1
    found = marks >= MARKS_NEEDED and t_s - watch.since_s >= span_s
    return OffWatch(watch.from_s, median_l, watch.since_s, t_s, marks, found)


def _observe_source(
    state: GuardState, settings: GuardSettings, event: SourceReported, t_s: float
) -> GuardState:
    if event.suspended:
        return state
    volume_l = event.volume_l
    if not event.usable or volume_l is None or not isfinite(volume_l):
        volume_l = None
    return replace(state, around=replace(state.around, source_l=volume_l, source_s=t_s))


def _observe_inputs(
    state: GuardState, settings: GuardSettings, event: InputsReported, t_s: float
) -> GuardState:
    around = state.around
    supply_empty_s = around.supply_empty_s
    if event.supply_empty or (
        # Back from empty, or from unknown after empty: ten quiet minutes begin now.
        around.supply_empty is not False and supply_empty_s is not None
    ):
        supply_empty_s = t_s
    return replace(
        state,
        around=replace(
            around,
            high=event.high,
            leak=event.leak,
            supply_empty=event.supply_empty,
            supply_empty_s=supply_empty_s,
        ),
    )


def _observe_return_pump(
    state: GuardState, settings: GuardSettings, event: ReturnPumpReported, t_s: float
) -> GuardState:
    around = state.around
    since_s = around.return_pump_s
    if not event.on:
        since_s = None
    elif since_s is None:
        since_s = t_s
    return replace(state, around=replace(around, return_pump_on=event.on, return_pump_s=since_s))


def _observe_lock_out(
    state: GuardState, settings: GuardSettings, event: LockOutRequested, t_s: float
) -> GuardState:
    if state.phase is Phase.ASLEEP and state.trip is None:
        return replace(state, trip=Trip(TripReason.EXTERNAL, t_s, event.note))
    return state


def _observe_maintenance(
    state: GuardState, settings: GuardSettings, event: MaintenanceRequested, t_s: float
) -> GuardState:
    until_s = event.until_s
    if until_s is None or until_s <= t_s:
        until_s = None
    watch = OffWatch(from_s=t_s + settings.settle_s)
    return replace(state, maintenance_until_s=until_s, off_watch=watch)


def _observe_settings(
    state: GuardState, settings: GuardSettings, event: SettingsChanged, t_s: float
) -> GuardState:
    run = state.run
    if run is None:
        return state
    deadline_s = min(run.deadline_s, run.started_s + settings.longest_run_s)
    return replace(state, run=replace(run, deadline_s=deadline_s))


OBSERVERS: Final[
    dict[type[Event], Callable[[GuardState, GuardSettings, Any, float], GuardState]]
] = {
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
