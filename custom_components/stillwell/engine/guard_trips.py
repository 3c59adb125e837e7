"""What latches a lockout, and what must be clear before it may be left."""

from typing import Any, Final

from .guard_events import BlockReason, LockOutRequested, Refusal, TripReason
from .guard_facts import Scene
from .guard_rules import added_l, is_signal_good, stop_block
from .guard_state import GuardState, OffOrder, ledger_totals
from .guard_table import Phase
from .guard_watch import is_barren
from .quantities import HOUR_S

PAUSES_ALLOWED: Final = 2
"""Losses of signal within an hour that only pause; the next one latches."""
SECONDARY: Final = frozenset(
    {TripReason.STUCK_ON, TripReason.FLOW_WHILE_OFF, TripReason.HIGH_INPUT, TripReason.LEAK}
)
"""Trips that also close the secondary shut-off: water may come past the actuator."""
ABOUT_THE_SIGNAL: Final = frozenset(
    {TripReason.REPEATED_SIGNAL_LOSS, TripReason.NO_RISE, TripReason.FLOW_WHILE_OFF}
)
VALVE_NOT_TRUSTED: Final = frozenset({TripReason.STUCK_ON, TripReason.FLOW_WHILE_OFF})
"""Trips after which not even a person may run the line before a reset."""


def trip_reason(scene: Scene[Any]) -> TripReason | None:
    """Return what latches now, the gravest first; a lockout that stands asks for water alone."""
    state, around, t_s = scene.state, scene.state.around, scene.t_s
    may_be_on = state.actuator is True or state.phase is Phase.FILLING
    found = (
        (TripReason.EXTERNAL, isinstance(scene.event, LockOutRequested)),
        (TripReason.HIGH_INPUT, around.high is True),
        (TripReason.LEAK, around.leak is True),
        (TripReason.STUCK_ON, state.off is not None and is_stuck(state, state.off, t_s)),
        (TripReason.FLOW_WHILE_OFF, state.off_watch.found),
        (TripReason.LONGEST_RUN, may_be_on and is_overdue(scene)),
    )
    for reason, holds in found:
        if holds:
            return reason
    return _run_trip(scene) if state.phase is Phase.FILLING else None


def is_stuck(state: GuardState, off: OffOrder, t_s: float) -> bool:
    """Whether an actuator known to have been on has not confirmed OFF in time."""
    return state.actuator is not False and off.was_on and t_s - off.since_s >= off.grace_s


def is_overdue(scene: Scene[Any]) -> bool:
    """Whether the run has passed its limit; behind a short run stands the line's own limit."""
    run = scene.state.run
    if run is None:
        return False
    limit_s = run.started_s + scene.settings.longest_run_s
    return scene.t_s >= (limit_s if run.is_short else min(run.deadline_s, limit_s))


def _run_trip(scene: Scene[Any]) -> TripReason | None:
    state, t_s = scene.state, scene.t_s
    if is_barren(state, scene.settings, t_s):
        return TripReason.NO_RISE
    over = _over_budget(scene)
    if over is not None:
        return over
    if (
        not scene.jumped
        and len(recent_pauses(state, t_s)) >= PAUSES_ALLOWED
        and stop_block(state, scene.settings, t_s) is BlockReason.SIGNAL
    ):
        return TripReason.REPEATED_SIGNAL_LOSS
    return None


def _over_budget(scene: Scene[Any]) -> TripReason | None:
    state, settings, t_s = scene.state, scene.settings, scene.t_s
    volume_l = added_l(state, t_s)
    if settings.run_volume_l is not None and volume_l > settings.run_volume_l:
        return TripReason.RUN_VOLUME
    day_s, day_l = ledger_totals(state.ledger, t_s)
    if settings.daily_volume_l is not None and day_l + volume_l > settings.daily_volume_l:
        return TripReason.DAILY_VOLUME
    run_s = 0.0 if state.run is None else t_s - state.run.started_s
    if settings.daily_run_s is not None and day_s + run_s > settings.daily_run_s:
        return TripReason.DAILY_RUN_TIME
    return None


def recent_pauses(state: GuardState, t_s: float) -> tuple[float, ...]:
    """Return the losses of signal within the last hour."""
    return tuple(time_s for time_s in state.pauses_s if time_s > t_s - HOUR_S)


def reset_refusal(scene: Scene[Any]) -> Refusal | None:
    """Return why a lockout may not be left now; None means it may."""
    state, around, trip = scene.state, scene.state.around, scene.state.trip
    reason = None if trip is None else trip.reason
    on_the_signal = reason in ABOUT_THE_SIGNAL
    is_good = is_signal_good(state.level, scene.settings, scene.t_s)
    is_rising = reason is TripReason.FLOW_WHILE_OFF and state.off_watch.marks > 0
    standing = (
        (Refusal.ACTUATOR_UNKNOWN, state.actuator is None),
        (Refusal.ACTUATOR_ON, state.actuator is True),
        (Refusal.INPUT_ON, around.high is True or around.leak is True),
        (Refusal.INPUT_UNKNOWN, around.high is None or around.leak is None),
        (Refusal.SIGNAL, on_the_signal and not is_good),
        (Refusal.STILL_RISING, is_rising),
    )
    return next((refusal for refusal, stands in standing if stands), None)
