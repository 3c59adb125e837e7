"""The guard's decisions: from a scene to one step at most. Nothing is changed here."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

from .guard_events import (
    Actor,
    ActuatorReported,
    BlockReason,
    Command,
    Decision,
    DecisionKind,
    Event,
    LockOutRequested,
    Notice,
    NoticeKind,
    Reasons,
    Refusal,
    ResetRequested,
    RunByHandRequested,
    Severity,
    Started,
    StartRequested,
    Stopping,
    StopReason,
    StopRequested,
    TripReason,
)
from .guard_facts import Scene
from .guard_rules import NO_ANSWER_S, is_fresh, is_signal_good, start_block, stop_block
from .guard_state import GuardState, Run
from .guard_table import Cue, Phase
from .guard_trips import (
    SECONDARY,
    VALVE_NOT_TRUSTED,
    is_overdue,
    is_stuck,
    reset_refusal,
    trip_reason,
)

BOOT_GRACE_S: Final = 300.0
"""After a start an ON of unknown origin goes off, and a silent actuator is not yet stuck."""


@dataclass(frozen=True, slots=True)
class Step:
    """What was decided: a cue for the table, and what to say about it."""

    cue: Cue | None
    reason: Reasons | None = None
    decision: Decision | None = None
    command: Command = Command.NONE
    notices: tuple[Notice, ...] = ()
    refused: BlockReason | Refusal | None = None
    hold_off: bool = False
    is_short: bool = False
    note: str = ""


def decided(scene: Scene[Event]) -> Step | None:
    """Return the one step that follows from the facts, if any."""
    state, event = scene.state, scene.event
    if isinstance(event, Started):
        return _found_off(scene) if state.actuator is False else _found_on(scene)
    if isinstance(event, Stopping):
        surely_off = state.actuator is False and state.run is None
        return Step(Cue.SHUT_DOWN, command=Command.NONE if surely_off else Command.OFF)
    if state.trip is None and state.phase is not Phase.ASLEEP:
        trip = trip_reason(scene)
        if trip is not None:
            return _tripped(scene, trip)
    return _DECIDE[state.phase](scene)


def _asleep(scene: Scene[Event]) -> Step | None:  # noqa: ARG001 - one shape for all phases
    return None


def _found_off(scene: Scene[Any]) -> Step:
    cue = Cue.FOUND_OFF if scene.state.trip is None else Cue.FOUND_LATCHED_OFF
    if scene.state.run is None:
        return Step(cue)
    reason = StopReason.INTERRUPTED
    notice = Notice(NoticeKind.RUN_INTERRUPTED, Severity.INFO, reason)
    return Step(cue, reason, Decision(DecisionKind.ENDED, reason), notices=(notice,))


def _found_on(scene: Scene[Any]) -> Step:
    """On or unknown at the start: off first, whatever else is known."""
    state = scene.state
    if state.trip is None and state.actuator and is_overdue(scene):
        trip = TripReason.LONGEST_RUN
        decision = Decision(DecisionKind.LOCKED_OUT, trip)
        return Step(Cue.FOUND_LATCHED_ON, trip, decision, notices=(trip_notice(trip),))
    reason = StopReason.ON_AFTER_START if state.run is None else StopReason.INTERRUPTED
    notices: tuple[Notice, ...] = ()
    if state.run is not None or state.actuator:
        notices = (Notice(NoticeKind.RUN_INTERRUPTED, Severity.WARNING, reason),)
    cue = Cue.FOUND_ON if state.trip is None else Cue.FOUND_LATCHED_ON
    return Step(cue, reason, Decision(DecisionKind.STOPPED, reason), notices=notices)


def trip_notice(reason: TripReason) -> Notice:
    """Return the notice of a lockout; critical where water may be running unchecked."""
    severity = Severity.CRITICAL if reason in SECONDARY else Severity.WARNING
    return Notice(NoticeKind.LOCKED_OUT, severity, reason)


def _tripped(scene: Scene[Any], reason: TripReason) -> Step:
    state, event = scene.state, scene.event
    at_rest = state.phase in (Phase.IDLE, Phase.SETTLING, Phase.PAUSED)
    return Step(
        Cue.TRIP_OFF if at_rest and state.actuator is False else Cue.TRIP_ON,
        reason,
        Decision(DecisionKind.LOCKED_OUT, reason, _figures(scene)),
        command=Command.OFF,
        notices=(trip_notice(reason),),
        note=event.note if isinstance(event, LockOutRequested) else "",
    )


def _figures(scene: Scene[Any]) -> dict[str, float | str]:
    values: dict[str, float | str] = {}
    if scene.state.run is not None:
        values["run_s"] = scene.t_s - scene.state.run.started_s
    if scene.state.level.volume_l is not None:
        values["volume_l"] = scene.state.level.volume_l
    return values


def _refused(kind: DecisionKind, reason: BlockReason | Refusal) -> Step:
    return Step(None, reason, Decision(kind, reason), refused=reason)


# Off and free: idle, settling, paused.


def _at_rest(scene: Scene[Event]) -> Step | None:
    match scene.event:
        case ActuatorReported(on=True, actor=actor):
            return _switched_on(scene, actor)
        case StartRequested(by=actor):
            return _start_asked(scene, actor, is_short=False)
        case RunByHandRequested():
            return _start_asked(scene, Actor.PERSON, is_short=True)
        case ResetRequested():
            return _refused(DecisionKind.RESET_REFUSED, Refusal.NOT_LOCKED_OUT)
        case _:
            return _WAIT[scene.state.phase](scene)


def _switched_on(scene: Scene[Any], actor: Actor) -> Step:
    """Somebody switched the actuator on: a run under all limits, or unwanted."""
    state = scene.state
    reason: BlockReason | StopReason | None = start_block(state, scene.settings, scene.t_s, actor)
    if actor is Actor.UNKNOWN and scene.t_s - state.boot_s < BOOT_GRACE_S:
        reason = StopReason.ON_AFTER_START
    if reason is not None:
        return _unwanted(actor, reason)
    return Step(Cue.RUN_BEGINS, actor, Decision(DecisionKind.STARTED, actor))


def _unwanted(actor: Actor, reason: BlockReason | StopReason) -> Step:
    return Step(
        Cue.UNWANTED_ON,
        reason,
        Decision(DecisionKind.STOPPED, reason, {"by": actor.value}),
        notices=(Notice(NoticeKind.RUN_REFUSED, Severity.WARNING, reason),),
    )


def _start_asked(scene: Scene[Any], actor: Actor, *, is_short: bool) -> Step:
    block = start_block(scene.state, scene.settings, scene.t_s, actor)
    if block is None and scene.settings.rehearsal:
        would = Decision(DecisionKind.WOULD_START, actor)
        return Step(None, actor, would, refused=BlockReason.REHEARSAL)
    if block is not None:
        return _refused(DecisionKind.START_REFUSED, block)
    return Step(
        Cue.RUN_BEGINS,
        actor,
        Decision(DecisionKind.STARTED, actor, _figures(scene)),
        command=Command.ON,
        is_short=is_short,
    )


def _settling(scene: Scene[Any]) -> Step | None:
    until_s = scene.state.settle_until_s
    return Step(Cue.SETTLED) if until_s is None or scene.t_s >= until_s else None


def _paused(scene: Scene[Any]) -> Step | None:
    level = scene.state.level
    if not is_signal_good(level, scene.settings, scene.t_s) or not is_fresh(level, scene.t_s):
        return None
    told = scene.state.pause_told
    notices = (Notice(NoticeKind.SIGNAL_BACK, Severity.INFO),) if told else ()
    return Step(Cue.SIGNAL_BACK, decision=Decision(DecisionKind.READY), notices=notices)


def _idle(scene: Scene[Any]) -> Step | None:
    """In rehearsal say once what the line would do; else there is nothing to do."""
    state, settings, median_l = scene.state, scene.settings, scene.state.level.median_l
    if not settings.rehearsal or settings.start_l is None or median_l is None:
        return None
    full_l = settings.high_l if settings.full_l is None else settings.full_l
    if state.would_run:
        kind, is_due = DecisionKind.WOULD_STOP, median_l >= full_l
    else:
        block = start_block(state, settings, scene.t_s)
        is_due = median_l <= settings.start_l and block is BlockReason.REHEARSAL
        kind = DecisionKind.WOULD_START
    if not is_due:
        return None
    return Step(None, decision=Decision(kind, values={"volume_l": median_l}))


# A run, free or by hand in a lockout.


def _running(scene: Scene[Event]) -> Step | None:
    run, event = scene.state.run, scene.event
    if run is None:
        raise ValueError("running without a run")
    if isinstance(event, ActuatorReported) and _is_end(event, run):
        ended = _ENDED_BY[event.actor]
        decision = Decision(DecisionKind.ENDED, ended, _figures(scene))
        return Step(Cue.ENDED, ended, decision, hold_off=event.actor is Actor.PERSON)
    reason = _stop_reason(scene, run)
    if reason is not None:
        notices: tuple[Notice, ...] = ()
        if reason is StopReason.NO_ANSWER:
            notices = (Notice(NoticeKind.NO_ANSWER, Severity.WARNING, reason),)
        return Step(
            Cue.STOP,
            reason,
            Decision(DecisionKind.STOPPED, reason, _figures(scene)),
            notices=notices,
            hold_off=reason is StopReason.BY_HAND,
        )
    if isinstance(event, ResetRequested):
        return _refused(DecisionKind.RESET_REFUSED, Refusal.ALREADY_RUNNING)
    if isinstance(event, StartRequested | RunByHandRequested):
        return _refused(DecisionKind.START_REFUSED, Refusal.ALREADY_RUNNING)
    return None


def _is_end(event: ActuatorReported, run: Run) -> bool:
    """Whether this report ends the run; before its own ON came through, only a hand's does."""
    by_somebody = event.actor in (Actor.PERSON, Actor.AUTOMATION)
    return event.on is False and (run.confirmed or by_somebody)


_ENDED_BY: Final = {
    Actor.PERSON: StopReason.BY_HAND,
    Actor.AUTOMATION: StopReason.BY_RULE,
    Actor.LINE: StopReason.BY_ITSELF,
    Actor.UNKNOWN: StopReason.BY_ITSELF,
}


def _stop_reason(scene: Scene[Any], run: Run) -> StopReason | BlockReason | None:
    if scene.jumped:
        return StopReason.CLOCK_JUMP
    block = stop_block(scene.state, scene.settings, scene.t_s)
    return block or _asked_to_stop(scene.event) or _time_is_up(scene, run)


def _asked_to_stop(event: Event) -> StopReason | None:
    if isinstance(event, StopRequested):
        return StopReason.BY_HAND if event.by is Actor.PERSON else StopReason.REQUESTED
    return StopReason.REQUESTED if isinstance(event, LockOutRequested) else None


def _time_is_up(scene: Scene[Any], run: Run) -> StopReason | None:
    if scene.t_s >= run.deadline_s:
        return StopReason.HAND_TIME_OVER
    if not run.confirmed and scene.t_s - run.started_s >= NO_ANSWER_S:
        return StopReason.NO_ANSWER
    return None


# OFF ordered, and locked out.


def _stopping(scene: Scene[Event]) -> Step | None:
    off = scene.state.off
    if scene.state.actuator is False:
        is_pause = off is not None and off.pauses
        cue = Cue.OFF_CONFIRMED_PAUSED if is_pause else Cue.OFF_CONFIRMED
        return Step(cue, decision=Decision(DecisionKind.OFF_CONFIRMED))
    if isinstance(scene.event, ResetRequested):
        return _refused(DecisionKind.RESET_REFUSED, Refusal.NOT_LOCKED_OUT)
    if isinstance(scene.event, StartRequested | RunByHandRequested):
        return _refused(DecisionKind.START_REFUSED, BlockReason.STOPPING)
    return None


def _tripping(scene: Scene[Event]) -> Step | None:
    state, off = scene.state, scene.state.off
    if state.actuator is False:
        escalated = off is not None and off.escalated
        notices = (Notice(NoticeKind.OFF_CONFIRMED, Severity.INFO),) if escalated else ()
        decision = Decision(DecisionKind.OFF_CONFIRMED)
        return Step(Cue.OFF_CONFIRMED, decision=decision, notices=notices)
    if off is not None and not off.escalated and is_stuck(state, off, scene.t_s):
        return _escalated(TripReason.STUCK_ON, NoticeKind.OFF_NOT_CONFIRMED)
    return _latched_request(scene) or _water_seen(state)


def _escalated(reason: TripReason, kind: NoticeKind) -> Step:
    return Step(
        Cue.ESCALATE,
        reason,
        Decision(DecisionKind.LOCKED_OUT, reason),
        command=Command.OFF,
        notices=(Notice(kind, Severity.CRITICAL, reason),),
    )


def _locked_out(scene: Scene[Event]) -> Step | None:
    if isinstance(scene.event, ActuatorReported) and scene.event.on:
        return _unwanted(scene.event.actor, BlockReason.LOCKED_OUT)
    trip = scene.state.trip
    is_told = trip is not None and trip.reason is TripReason.FLOW_WHILE_OFF
    if scene.state.off_watch.found and not is_told:
        return _escalated(TripReason.FLOW_WHILE_OFF, NoticeKind.FLOW_WHILE_OFF)
    # Who asks gets an answer; the next report comes soon.
    return _latched_request(scene) or _water_seen(scene.state)


def _water_seen(state: GuardState) -> Step | None:
    """Take water where none may be as the graver reason, if the lockout had another one."""
    if state.trip is not None and state.trip.reason in SECONDARY:
        return None
    if state.around.high:
        return _escalated(TripReason.HIGH_INPUT, NoticeKind.LOCKED_OUT)
    return _escalated(TripReason.LEAK, NoticeKind.LOCKED_OUT) if state.around.leak else None


def _latched_request(scene: Scene[Event]) -> Step | None:
    match scene.event:
        case ResetRequested():
            refusal = reset_refusal(scene)
            if refusal is not None:
                return _refused(DecisionKind.RESET_REFUSED, refusal)
            notice = Notice(NoticeKind.RESET, Severity.INFO)
            return Step(Cue.RESET, decision=Decision(DecisionKind.RESET), notices=(notice,))
        case StartRequested():
            return _refused(DecisionKind.START_REFUSED, BlockReason.LOCKED_OUT)
        case RunByHandRequested():
            return _hand_run_asked(scene)
        case _:
            return None


def _hand_run_asked(scene: Scene[Any]) -> Step:
    state, settings = scene.state, scene.settings
    block: BlockReason | Refusal | None = None
    if state.trip is not None and state.trip.reason in VALVE_NOT_TRUSTED:
        block = Refusal.VALVE_NOT_TRUSTED
    elif state.phase is Phase.TRIPPING:
        block = BlockReason.STOPPING
    elif settings.rehearsal:
        block = BlockReason.REHEARSAL
    else:
        # The lockout alone does not stand in the way of the button; every limit does.
        block = start_block(replace(state, trip=None), settings, scene.t_s, Actor.PERSON)
    if block is not None:
        return _refused(DecisionKind.START_REFUSED, block)
    return Step(
        Cue.HAND_RUN_BEGINS,
        Actor.PERSON,
        Decision(DecisionKind.STARTED, Actor.PERSON, _figures(scene)),
        command=Command.ON,
        notices=(Notice(NoticeKind.RUN_BY_HAND, Severity.WARNING, BlockReason.LOCKED_OUT),),
        is_short=True,
    )


_WAIT: Final[dict[Phase, Callable[[Scene[Any]], Step | None]]] = {
    Phase.IDLE: _idle,
    Phase.SETTLING: _settling,
    Phase.PAUSED: _paused,
}
_DECIDE: Final[dict[Phase, Callable[[Scene[Any]], Step | None]]] = {
    Phase.ASLEEP: _asleep,
    Phase.IDLE: _at_rest,
    Phase.SETTLING: _at_rest,
    Phase.PAUSED: _at_rest,
    Phase.FILLING: _running,
    Phase.HAND_RUN: _running,
    Phase.STOPPING: _stopping,
    Phase.TRIPPING: _tripping,
    Phase.LOCKED_OUT: _locked_out,
}
