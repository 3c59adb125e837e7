"""What a cue changes in the guard's state besides the phase."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

from .guard_decisions import BOOT_GRACE_S, Step
from .guard_events import Actor, BlockReason, StopReason, TripReason
from .guard_facts import STUCK_S, Scene, new_run, run_closed
from .guard_state import GuardState, OffOrder, RiseWatch, Trip
from .guard_table import MOVES, ORDERED_OFF, Cue, Phase
from .guard_trips import recent_pauses
from .guard_watch import rise_begun


def moved(scene: Scene[Any], step: Step, cue: Cue) -> GuardState:
    """Return the state after the cue.

    Raises:
        KeyError: The table knows no such move.
    """
    state = scene.state
    phase = MOVES[state.phase][cue]
    return _CHANGES[cue](replace(scene, state=replace(state, phase=phase)), step)


def _off_reason(step: Step) -> BlockReason | StopReason | TripReason:
    if isinstance(step.reason, BlockReason | StopReason | TripReason):
        return step.reason
    raise TypeError("an OFF order needs a reason")


def _found_off(scene: Scene[Any], step: Step) -> GuardState:  # noqa: ARG001 - one shape for all
    state, run = scene.state, scene.state.run
    if run is not None:
        # It ended somewhen while nobody looked: book no more than it could have been.
        earliest_s = max(run.started_s, scene.t_s - scene.settings.longest_run_s)
        state = replace(state, run=replace(run, started_s=earliest_s))
    return run_closed(replace(scene, state=state))


def _found_on(scene: Scene[Any], step: Step) -> GuardState:
    state, run, trip = scene.state, scene.state.run, scene.state.trip
    if isinstance(step.reason, TripReason):
        trip = Trip(step.reason, scene.t_s)
    if run is None and state.actuator:
        run = new_run(scene, Actor.UNKNOWN)
    off = OffOrder(
        scene.t_s,
        scene.t_s,
        _off_reason(step),
        was_on=run is not None,
        grace_s=STUCK_S if state.actuator else BOOT_GRACE_S,
    )
    return replace(state, run=run, trip=trip, off=off)


def _shut_down(scene: Scene[Any], step: Step) -> GuardState:  # noqa: ARG001 - one shape for all
    # A run not yet confirmed off stays on record: the next start finds it.
    return replace(scene.state, off=None)


def _run_begins(scene: Scene[Any], step: Step) -> GuardState:
    state = scene.state
    owner = step.reason if isinstance(step.reason, Actor) else Actor.UNKNOWN
    run = new_run(scene, owner, is_short=step.is_short)
    return replace(
        state,
        run=run,
        rise=rise_begun(state, scene.t_s) if run.confirmed else state.rise,
        hold_until_s=None if owner is Actor.PERSON else state.hold_until_s,
        paused_s=None,
    )


def _stop(scene: Scene[Any], step: Step) -> GuardState:
    state, t_s = scene.state, scene.t_s
    is_pause = step.reason is BlockReason.SIGNAL and state.phase is Phase.STOPPING
    hold_until_s = t_s + scene.settings.hold_off_s if step.hold_off else state.hold_until_s
    return replace(
        state,
        off=OffOrder(t_s, t_s, _off_reason(step), pauses=is_pause),
        pauses_s=(*recent_pauses(state, t_s), t_s) if is_pause else state.pauses_s,
        hold_until_s=hold_until_s,
    )


def _ended(scene: Scene[Any], step: Step) -> GuardState:
    state = run_closed(scene)
    if step.hold_off:
        state = replace(state, hold_until_s=scene.t_s + scene.settings.hold_off_s)
    return state


def _unwanted_on(scene: Scene[Any], step: Step) -> GuardState:
    return replace(
        scene.state,
        run=new_run(scene, Actor.UNKNOWN),
        off=OffOrder(scene.t_s, scene.t_s, _off_reason(step)),
        paused_s=None,
    )


def _off_confirmed(scene: Scene[Any], step: Step) -> GuardState:  # noqa: ARG001 - one shape
    state = run_closed(scene)
    if state.phase is Phase.PAUSED:
        state = replace(state, paused_s=scene.t_s, pause_told=False)
    return state


def _ready(scene: Scene[Any], step: Step) -> GuardState:  # noqa: ARG001 - one shape for all
    return replace(scene.state, settle_until_s=None, paused_s=None, pause_told=False)


def _trip(scene: Scene[Any], step: Step) -> GuardState:
    state, t_s, reason = scene.state, scene.t_s, step.reason
    if not isinstance(reason, TripReason):
        raise TypeError("a trip needs its reason")
    off = state.off
    if state.phase in ORDERED_OFF:
        if off is None:
            off = OffOrder(t_s, t_s, reason, was_on=state.run is not None)
        escalated = off.escalated or reason is TripReason.STUCK_ON
        off = replace(off, next_s=t_s, escalated=escalated, pauses=False)
    return replace(
        state,
        trip=Trip(reason, t_s, step.note),
        off=off,
        paused_s=None,
        off_watch=replace(state.off_watch, found=False),
        would_run=False,
    )


def _reset(scene: Scene[Any], step: Step) -> GuardState:  # noqa: ARG001 - one shape for all
    return replace(
        scene.state,
        trip=None,
        pauses_s=(),
        rise=RiseWatch(),
        settle_until_s=scene.t_s + scene.settings.settle_s,
    )


_CHANGES: Final[dict[Cue, Callable[[Scene[Any], Step], GuardState]]] = {
    Cue.FOUND_OFF: _found_off,
    Cue.FOUND_LATCHED_OFF: _found_off,
    Cue.FOUND_ON: _found_on,
    Cue.FOUND_LATCHED_ON: _found_on,
    Cue.SHUT_DOWN: _shut_down,
    Cue.RUN_BEGINS: _run_begins,
    Cue.HAND_RUN_BEGINS: _run_begins,
    Cue.STOP: _stop,
    Cue.ENDED: _ended,
    Cue.UNWANTED_ON: _unwanted_on,
    Cue.OFF_CONFIRMED: _off_confirmed,
    Cue.OFF_CONFIRMED_PAUSED: _off_confirmed,
    Cue.SETTLED: _ready,
    Cue.SIGNAL_BACK: _ready,
    Cue.TRIP_ON: _trip,
    Cue.TRIP_OFF: _trip,
    Cue.ESCALATE: _trip,
    Cue.RESET: _reset,
}
