"""The guard of a fill line: one event in, what must be done out.

``process`` is the whole interface. It turns the event into facts (``guard_facts``), decides on
one cue at most, moves along ``guard_table.MOVES`` and says what must be commanded. It commands
nothing itself. An illegal event raises and changes nothing.

Adapter's duty. Store the state before sending ON when ``save_now`` is set; send OFF at once
and store beside it. Send ``Started`` first, ``InputsReported`` next, ``Tick`` at least every
minute and at ``wake_at_s``. Software is never the only layer: a float valve or an overflow to
a drain must hold alone.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import Final

from .guard_events import (
    Actor,
    ActuatorReported,
    BlockReason,
    Command,
    Decision,
    DecisionKind,
    Event,
    IllegalEvent,
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
from .guard_facts import STUCK_S, is_barren, keep_time, observed, rise_begun, run_closed
from .guard_rules import (
    NO_ANSWER_S,
    PAUSE_NOTICE_S,
    added_l,
    is_fresh,
    is_signal_good,
    start_block,
    stop_block,
    wake_at_s,
)
from .guard_state import (
    GuardSettings,
    GuardState,
    OffOrder,
    Run,
    Trip,
    ledger_totals,
)
from .guard_table import HEARD, LATCHED, MOVES, ORDERED_OFF, Cue, Phase
from .quantities import HOUR_S, MINUTE_S

BOOT_GRACE_S: Final = 300.0
"""After a start: an ON of unknown origin goes off, and a silent actuator is not yet stuck."""
PAUSES_ALLOWED: Final = 2
RETRY_AT_S: Final = (0.0, 5.0, 15.0, 30.0, 60.0)
SECONDARY: Final = frozenset(
    {
        TripReason.STUCK_ON,
        TripReason.FLOW_WHILE_OFF,
        TripReason.HIGH_INPUT,
        TripReason.LEAK,
    }
)
"""Trips that also close the secondary shut-off: water may come past the actuator."""
ABOUT_THE_SIGNAL: Final = frozenset(
    {TripReason.REPEATED_SIGNAL_LOSS, TripReason.NO_RISE, TripReason.FLOW_WHILE_OFF}
)
VALVE_NOT_TRUSTED: Final = frozenset({TripReason.STUCK_ON, TripReason.FLOW_WHILE_OFF})


__all__ = ["Outcome", "Phase", "process", "reset_refusal"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What follows from one event."""

    state: GuardState
    command: Command = Command.NONE
    secondary_off: bool = False
    """Close the secondary shut-off too, if the line has one."""
    notices: tuple[Notice, ...] = ()
    save_now: bool = False
    """Something safety depends on has changed: store it before an ON is sent."""
    wake_at_s: float | None = None
    permit: bool = False
    """A run may start now, or the run in progress may go on."""
    block_reason: BlockReason | None = None
    decision: Decision | None = None
    refused: BlockReason | Refusal | None = None
    """Why a request of this event was not granted."""


@dataclass(frozen=True, slots=True)
class _Step:
    """What was decided; applied by the cue."""

    cue: Cue | None
    reason: Reasons | None = None
    decision: Decision | None = None
    command: Command = Command.NONE
    notices: tuple[Notice, ...] = ()
    refused: BlockReason | Refusal | None = None
    hold_off: bool = False
    is_short: bool = False
    note: str = ""
    values: dict[str, float | str] = field(default_factory=dict)


def process(state: GuardState, settings: GuardSettings, event: Event) -> Outcome:
    """Return what follows from one event.

    Raises:
        IllegalEvent: This phase does not hear this event, or its time is not a number.
    """
    if type(event) not in HEARD[state.phase] or not isfinite(event.t_s):
        raise IllegalEvent(f"{type(event).__name__} while {state.phase.value}")
    before = state
    state, t_s, jumped = keep_time(state, event)
    state = observed(state, settings, event, t_s)
    step = _decided(state, settings, event, t_s, jumped=jumped)
    notices = step.notices if step is not None else ()
    if jumped:
        notices = (*notices, Notice(NoticeKind.CLOCK_JUMP, Severity.WARNING))
    if step is not None and step.cue is not None:
        phase = MOVES[state.phase][step.cue]
        state, more = _APPLY[step.cue](replace(state, phase=phase), settings, t_s, step)
        notices = (*notices, *more)
    state, told = _pause_told(state, t_s)
    return _answered(before, state, settings, t_s, step, (*notices, *told))


def _answered(
    before: GuardState,
    state: GuardState,
    settings: GuardSettings,
    t_s: float,
    step: _Step | None,
    notices: tuple[Notice, ...],
) -> Outcome:
    command = Command.NONE if step is None else step.command
    decision = None if step is None else step.decision
    off = state.off
    if off is not None and t_s >= off.next_s:
        command = Command.OFF
        if off.tries > 0 and decision is None:
            decision = Decision(
                DecisionKind.OFF_REPEATED, off.reason, {"tries": float(off.tries + 1)}
            )
        state = replace(state, off=_off_sent(off, t_s))
    block = stop_block(state, settings, t_s) if state.phase is Phase.FILLING else None
    if state.phase is not Phase.FILLING:
        block = start_block(state, settings, t_s)
    trip = state.trip
    return Outcome(
        state=state,
        command=command,
        secondary_off=command is Command.OFF and trip is not None and trip.reason in SECONDARY,
        notices=notices,
        save_now=_must_save(before, state),
        wake_at_s=wake_at_s(state, settings, t_s),
        permit=block is None,
        block_reason=block,
        decision=decision,
        refused=None if step is None else step.refused,
    )


def _off_sent(off: OffOrder, t_s: float) -> OffOrder:
    tries = off.tries + 1
    next_s = t_s + MINUTE_S
    if tries < len(RETRY_AT_S):
        next_s = min(next_s, max(off.since_s + RETRY_AT_S[tries], t_s + RETRY_AT_S[1]))
    return replace(off, tries=tries, next_s=next_s)


def _must_save(before: GuardState, state: GuardState) -> bool:
    return (
        before.phase is not state.phase
        or before.trip is not state.trip
        or before.run is not state.run
        or before.ledger != state.ledger
        or before.hold_until_s != state.hold_until_s
        or before.maintenance_until_s != state.maintenance_until_s
    )


def _pause_told(state: GuardState, t_s: float) -> tuple[GuardState, tuple[Notice, ...]]:
    """Tell once, two minutes into a pause: short losses of signal are nobody's business."""
    since_s = state.paused_s
    if since_s is None or state.pause_told or t_s - since_s < PAUSE_NOTICE_S:
        return state, ()
    notice = Notice(NoticeKind.SIGNAL_LOST, Severity.WARNING, BlockReason.SIGNAL)
    return replace(state, pause_told=True), (notice,)


# Decisions: one step at most, from the facts.


def _decided(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float, *, jumped: bool
) -> _Step | None:
    if isinstance(event, Started):
        return _found(state, settings, t_s)
    if isinstance(event, Stopping):
        return _shut_down(state)
    if state.phase is Phase.ASLEEP:
        return None
    if state.phase in LATCHED:
        return _DECIDE[state.phase](state, settings, event, t_s, jumped)
    trip = _trip_reason(state, settings, event, t_s)
    if trip is not None:
        note = event.note if isinstance(event, LockOutRequested) else ""
        return _tripped(state, trip, t_s, note)
    return _DECIDE[state.phase](state, settings, event, t_s, jumped)


def _found(state: GuardState, settings: GuardSettings, t_s: float) -> _Step:
    """Decide at the start: off first, whatever else is known."""
    run = state.run
    latched = state.trip is not None
    if state.actuator is False:
        notices: tuple[Notice, ...] = ()
        decision = None
        if run is not None:
            notices = (Notice(NoticeKind.RUN_INTERRUPTED, Severity.INFO, StopReason.INTERRUPTED),)
            decision = Decision(DecisionKind.ENDED, StopReason.INTERRUPTED)
        cue = Cue.FOUND_LATCHED_OFF if latched else Cue.FOUND_OFF
        return _Step(cue, StopReason.INTERRUPTED, decision, notices=notices)
    reason = StopReason.ON_AFTER_START if run is None else StopReason.INTERRUPTED
    overdue = state.actuator is True and run is not None and _is_overdue(state, settings, t_s)
    if overdue and not latched:
        return _Step(
            Cue.FOUND_LATCHED_ON,
            TripReason.LONGEST_RUN,
            Decision(DecisionKind.LOCKED_OUT, TripReason.LONGEST_RUN),
            notices=(_trip_notice(TripReason.LONGEST_RUN),),
        )
    notices = ()
    if run is not None or state.actuator:
        notices = (Notice(NoticeKind.RUN_INTERRUPTED, Severity.WARNING, reason),)
    cue = Cue.FOUND_LATCHED_ON if latched else Cue.FOUND_ON
    return _Step(cue, reason, Decision(DecisionKind.STOPPED, reason), notices=notices)


def _shut_down(state: GuardState) -> _Step:
    surely_off = state.actuator is False and state.run is None
    return _Step(Cue.SHUT_DOWN, command=Command.NONE if surely_off else Command.OFF)


def _is_overdue(state: GuardState, settings: GuardSettings, t_s: float) -> bool:
    """Whether the run has passed its limit; a short run has the line's own limit behind it."""
    run = state.run
    if run is None:
        return False
    limit_s = run.started_s + settings.longest_run_s
    return t_s >= (limit_s if run.is_short else min(run.deadline_s, limit_s))


def _trip_reason(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float
) -> TripReason | None:
    """Return what latches now, the gravest first; the phases that are latched never ask."""
    around, off = state.around, state.off
    if isinstance(event, LockOutRequested):
        return TripReason.EXTERNAL
    if around.high:
        return TripReason.HIGH_INPUT
    if around.leak:
        return TripReason.LEAK
    if off is not None and _is_stuck(state, off, t_s):
        return TripReason.STUCK_ON
    if state.off_watch.found:
        return TripReason.FLOW_WHILE_OFF
    if state.run is not None and state.actuator is not False and _is_overdue(state, settings, t_s):
        return TripReason.LONGEST_RUN
    return _run_trip(state, settings, t_s) if state.phase is Phase.FILLING else None


def _is_stuck(state: GuardState, off: OffOrder, t_s: float) -> bool:
    return state.actuator is not False and off.was_on and t_s - off.since_s >= off.grace_s


def _run_trip(state: GuardState, settings: GuardSettings, t_s: float) -> TripReason | None:
    run = state.run
    if run is None:  # pragma: no cover
        return None
    if _is_overdue(state, settings, t_s):
        return TripReason.LONGEST_RUN
    if state.rise.began_s is not None and is_barren(state, settings, t_s):
        return TripReason.NO_RISE
    volume_l = added_l(state, t_s)
    if settings.run_volume_l is not None and volume_l > settings.run_volume_l:
        return TripReason.RUN_VOLUME
    day_s, day_l = ledger_totals(state.ledger, t_s)
    if settings.daily_volume_l is not None and day_l + volume_l > settings.daily_volume_l:
        return TripReason.DAILY_VOLUME
    if settings.daily_run_s is not None and day_s + t_s - run.started_s > settings.daily_run_s:
        return TripReason.DAILY_RUN_TIME
    if (
        len(_recent_pauses(state, t_s)) >= PAUSES_ALLOWED
        and stop_block(state, settings, t_s) is BlockReason.SIGNAL
    ):
        return TripReason.REPEATED_SIGNAL_LOSS
    return None


def _recent_pauses(state: GuardState, t_s: float) -> tuple[float, ...]:
    return tuple(time_s for time_s in state.pauses_s if time_s > t_s - HOUR_S)


def _tripped(state: GuardState, reason: TripReason, t_s: float, note: str = "") -> _Step:
    at_rest = state.phase in (Phase.IDLE, Phase.SETTLING, Phase.PAUSED)
    values: dict[str, float | str] = {"note": note} if note else {}
    if state.run is not None:
        values["run_s"] = t_s - state.run.started_s
    if state.level.volume_l is not None:
        values["volume_l"] = state.level.volume_l
    return _Step(
        Cue.TRIP_OFF if at_rest and state.actuator is False else Cue.TRIP_ON,
        reason,
        Decision(DecisionKind.LOCKED_OUT, reason, values),
        command=Command.OFF,
        notices=(_trip_notice(reason),),
        note=note,
    )


def _trip_notice(reason: TripReason) -> Notice:
    severity = Severity.CRITICAL if reason in SECONDARY else Severity.WARNING
    return Notice(NoticeKind.LOCKED_OUT, severity, reason)


def _decide_at_rest(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float, jumped: bool
) -> _Step | None:
    """Decide while off and free: idle, settling or paused."""
    match event:
        case ActuatorReported(on=True, actor=actor):
            return _on_found(state, settings, t_s, actor)
        case StartRequested(by=actor):
            return _start_asked(state, settings, t_s, actor, is_short=False)
        case RunByHandRequested():
            return _start_asked(state, settings, t_s, Actor.PERSON, is_short=True)
        case ResetRequested():
            return _refused(DecisionKind.RESET_REFUSED, Refusal.NOT_LOCKED_OUT)
        case _:
            pass
    if state.phase is Phase.SETTLING:
        until_s = state.settle_until_s
        return _Step(Cue.SETTLED) if until_s is None or t_s >= until_s else None
    if state.phase is Phase.PAUSED:
        level = state.level
        if is_signal_good(level, settings, t_s) and is_fresh(level, t_s):
            notices = (Notice(NoticeKind.SIGNAL_BACK, Severity.INFO),) if state.pause_told else ()
            return _Step(Cue.SIGNAL_BACK, decision=Decision(DecisionKind.READY), notices=notices)
        return None
    return _rehearsed(state, settings, t_s)


def _on_found(state: GuardState, settings: GuardSettings, t_s: float, actor: Actor) -> _Step:
    """Somebody switched the actuator on."""
    block = start_block(state, settings, t_s, actor)
    reason: Reasons | None = block
    if actor is Actor.UNKNOWN and t_s - state.boot_s < BOOT_GRACE_S:
        reason = StopReason.ON_AFTER_START
    if reason is not None:
        return _Step(
            Cue.UNWANTED_ON,
            reason,
            Decision(DecisionKind.STOPPED, reason, {"by": actor.value}),
            notices=(Notice(NoticeKind.RUN_REFUSED, Severity.WARNING, reason),),
        )
    if is_barren(state, settings, t_s):
        return _tripped(replace(state, actuator=True), TripReason.NO_RISE, t_s)
    return _Step(Cue.RUN_BEGINS, actor, Decision(DecisionKind.STARTED, actor))


def _start_asked(
    state: GuardState, settings: GuardSettings, t_s: float, actor: Actor, *, is_short: bool
) -> _Step:
    if settings.rehearsal:
        block = start_block(state, settings, t_s, actor)
        kind = DecisionKind.WOULD_START if block is None else DecisionKind.START_REFUSED
        reason = block or BlockReason.REHEARSAL
        return _Step(None, reason, Decision(kind, reason), refused=reason)
    block = start_block(state, settings, t_s, actor)
    if block is not None:
        return _refused(DecisionKind.START_REFUSED, block)
    if is_barren(state, settings, t_s):
        return _tripped(state, TripReason.NO_RISE, t_s)
    return _Step(
        Cue.RUN_BEGINS,
        actor,
        Decision(DecisionKind.STARTED, actor),
        command=Command.ON,
        is_short=is_short,
    )


def _refused(kind: DecisionKind, reason: BlockReason | Refusal) -> _Step:
    return _Step(None, reason, Decision(kind, reason), refused=reason)


def _rehearsed(state: GuardState, settings: GuardSettings, t_s: float) -> _Step | None:
    """Say what the line would do, once per change."""
    median_l = state.level.median_l
    if not settings.rehearsal or settings.start_l is None or median_l is None:
        return None
    full_l = settings.high_l if settings.full_l is None else settings.full_l
    values: dict[str, float | str] = {"volume_l": median_l}
    if state.would_run and median_l >= full_l:
        return _Step(None, decision=Decision(DecisionKind.WOULD_STOP, values=values))
    if not state.would_run and median_l <= settings.start_l:
        if start_block(state, settings, t_s) is BlockReason.REHEARSAL:
            return _Step(None, decision=Decision(DecisionKind.WOULD_START, values=values))
    return None


def _decide_running(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float, jumped: bool
) -> _Step | None:
    """Decide during a run, free or by hand in a lockout."""
    run = state.run
    if run is None:  # pragma: no cover
        return None
    reason, hold_off = _stop_reason(state, settings, event, t_s, run, jumped=jumped)
    if isinstance(event, ActuatorReported) and event.on is False and run.confirmed:
        by_person = event.actor is Actor.PERSON
        ended = _ENDED_BY[event.actor]
        return _Step(Cue.ENDED, ended, Decision(DecisionKind.ENDED, ended), hold_off=by_person)
    if reason is not None:
        values: dict[str, float | str] = {"run_s": t_s - run.started_s}
        if state.level.volume_l is not None:
            values["volume_l"] = state.level.volume_l
        notices: tuple[Notice, ...] = ()
        if reason is StopReason.NO_ANSWER:
            notices = (Notice(NoticeKind.NO_ANSWER, Severity.WARNING, reason),)
        return _Step(
            Cue.STOP,
            reason,
            Decision(DecisionKind.STOPPED, reason, values),
            notices=notices,
            hold_off=hold_off,
        )
    if isinstance(event, ResetRequested):
        kind = Refusal.ALREADY_RUNNING
        return _refused(DecisionKind.RESET_REFUSED, kind)
    if isinstance(event, StartRequested | RunByHandRequested):
        return _refused(DecisionKind.START_REFUSED, Refusal.ALREADY_RUNNING)
    return None


_ENDED_BY: Final = {
    Actor.PERSON: StopReason.BY_HAND,
    Actor.AUTOMATION: StopReason.BY_RULE,
    Actor.LINE: StopReason.BY_ITSELF,
    Actor.UNKNOWN: StopReason.BY_ITSELF,
}


def _stop_reason(
    state: GuardState,
    settings: GuardSettings,
    event: Event,
    t_s: float,
    run: Run,
    *,
    jumped: bool,
) -> tuple[StopReason | BlockReason | None, bool]:
    """Return why the run must stop, and whether a person said so (hold off afterwards)."""
    block = stop_block(state, settings, t_s)
    if block is not None:
        return block, False
    if jumped:
        return StopReason.CLOCK_JUMP, False
    if isinstance(event, StopRequested):
        by_person = event.by is Actor.PERSON
        return (StopReason.BY_HAND if by_person else StopReason.REQUESTED), by_person
    if isinstance(event, LockOutRequested):
        return StopReason.REQUESTED, False
    if t_s >= run.deadline_s:
        return StopReason.HAND_TIME_OVER, False
    if not run.confirmed and t_s - run.started_s >= NO_ANSWER_S:
        return StopReason.NO_ANSWER, False
    return None, False


def _decide_stopping(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float, jumped: bool
) -> _Step | None:
    if state.actuator is False:
        pauses = state.off is not None and state.off.pauses
        cue = Cue.OFF_CONFIRMED_PAUSED if pauses else Cue.OFF_CONFIRMED
        return _Step(cue, decision=Decision(DecisionKind.OFF_CONFIRMED))
    return _refusal_while_stopping(event)


def _refusal_while_stopping(event: Event) -> _Step | None:
    if isinstance(event, ResetRequested):
        return _refused(DecisionKind.RESET_REFUSED, Refusal.NOT_LOCKED_OUT)
    if isinstance(event, StartRequested | RunByHandRequested):
        return _refused(DecisionKind.START_REFUSED, BlockReason.STOPPING)
    return None


def _decide_tripping(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float, jumped: bool
) -> _Step | None:
    off = state.off
    if state.actuator is False:
        notices: tuple[Notice, ...] = ()
        if off is not None and off.escalated:
            notices = (Notice(NoticeKind.OFF_CONFIRMED, Severity.INFO),)
        return _Step(
            Cue.OFF_CONFIRMED, decision=Decision(DecisionKind.OFF_CONFIRMED), notices=notices
        )
    if off is not None and not off.escalated and _is_stuck(state, off, t_s):
        return _escalated(TripReason.STUCK_ON, NoticeKind.OFF_NOT_CONFIRMED)
    return _latched_request(state, settings, event, t_s)


def _escalated(reason: TripReason, kind: NoticeKind) -> _Step:
    return _Step(
        Cue.ESCALATE,
        reason,
        Decision(DecisionKind.LOCKED_OUT, reason),
        command=Command.OFF,
        notices=(Notice(kind, Severity.CRITICAL, reason),),
    )


def _decide_locked_out(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float, jumped: bool
) -> _Step | None:
    if isinstance(event, ActuatorReported) and event.on:
        return _Step(
            Cue.UNWANTED_ON,
            StopReason.NOT_PERMITTED,
            Decision(DecisionKind.STOPPED, BlockReason.LOCKED_OUT, {"by": event.actor.value}),
            notices=(Notice(NoticeKind.RUN_REFUSED, Severity.WARNING, BlockReason.LOCKED_OUT),),
        )
    if state.off_watch.found:
        return _escalated(TripReason.FLOW_WHILE_OFF, NoticeKind.FLOW_WHILE_OFF)
    return _latched_request(state, settings, event, t_s)


def _latched_request(
    state: GuardState, settings: GuardSettings, event: Event, t_s: float
) -> _Step | None:
    if isinstance(event, ResetRequested):
        refusal = reset_refusal(state, settings, t_s)
        if refusal is not None:
            return _refused(DecisionKind.RESET_REFUSED, refusal)
        return _Step(
            Cue.RESET,
            decision=Decision(DecisionKind.RESET),
            notices=(Notice(NoticeKind.RESET, Severity.INFO),),
        )
    if isinstance(event, StartRequested):
        return _refused(DecisionKind.START_REFUSED, BlockReason.LOCKED_OUT)
    if isinstance(event, RunByHandRequested):
        return _hand_run_asked(state, settings, t_s)
    return None


def _hand_run_asked(state: GuardState, settings: GuardSettings, t_s: float) -> _Step:
    trip = state.trip
    if trip is not None and trip.reason in VALVE_NOT_TRUSTED:
        return _refused(DecisionKind.START_REFUSED, Refusal.VALVE_NOT_TRUSTED)
    if state.phase is Phase.TRIPPING:
        return _refused(DecisionKind.START_REFUSED, BlockReason.STOPPING)
    if settings.rehearsal:
        return _refused(DecisionKind.START_REFUSED, BlockReason.REHEARSAL)
    block = start_block(replace(state, trip=None), settings, t_s, Actor.PERSON)
    if block is not None:
        return _refused(DecisionKind.START_REFUSED, block)
    return _Step(
        Cue.HAND_RUN_BEGINS,
        Actor.PERSON,
        Decision(DecisionKind.STARTED, Actor.PERSON),
        command=Command.ON,
        notices=(Notice(NoticeKind.RUN_BY_HAND, Severity.WARNING, BlockReason.LOCKED_OUT),),
        is_short=True,
    )


def reset_refusal(state: GuardState, settings: GuardSettings, t_s: float) -> Refusal | None:
    """Return why a lockout may not be left now; None means it may."""
    around, trip = state.around, state.trip
    if trip is None:
        return Refusal.NOT_LOCKED_OUT
    if state.actuator is None:
        return Refusal.ACTUATOR_UNKNOWN
    if state.actuator:
        return Refusal.ACTUATOR_ON
    if around.high or around.leak:
        return Refusal.INPUT_ON
    if around.high is None or around.leak is None:
        return Refusal.INPUT_UNKNOWN
    if trip.reason in ABOUT_THE_SIGNAL and not is_signal_good(state.level, settings, t_s):
        return Refusal.SIGNAL
    if trip.reason is TripReason.FLOW_WHILE_OFF and state.off_watch.marks > 0:
        return Refusal.STILL_RISING
    return None


_DECIDE: Final[
    dict[Phase, Callable[[GuardState, GuardSettings, Event, float, bool], _Step | None]]
] = {
    Phase.IDLE: _decide_at_rest,
    Phase.SETTLING: _decide_at_rest,
    Phase.PAUSED: _decide_at_rest,
    Phase.FILLING: _decide_running,
    Phase.HAND_RUN: _decide_running,
    Phase.STOPPING: _decide_stopping,
    Phase.TRIPPING: _decide_tripping,
    Phase.LOCKED_OUT: _decide_locked_out,
}


# Applications: what a cue changes besides the phase.

type _Applied = tuple[GuardState, tuple[Notice, ...]]


def _apply_found_off(
    state: GuardState, settings: GuardSettings, t_s: float, step: _Step
) -> _Applied:
    run = state.run
    if run is not None:
        # It ended somewhen while nobody looked: book no more than it could have been.
        longest_s = max(run.started_s, t_s - settings.longest_run_s)
        state = replace(state, run=replace(run, started_s=longest_s))
    return run_closed(state, settings, t_s), ()


def _apply_found_on(
    state: GuardState, settings: GuardSettings, t_s: float, step: _Step
) -> _Applied:
    run, trip = state.run, state.trip
    if isinstance(step.reason, TripReason):
        trip = Trip(step.reason, t_s)
    if run is None and state.actuator:
        run = _new_run(state, settings, t_s, Actor.UNKNOWN)
    off = OffOrder(
        t_s,
        t_s,
        _off_reason(step),
        was_on=run is not None,
        grace_s=STUCK_S if state.actuator else BOOT_GRACE_S,
    )
    return replace(state, run=run, trip=trip, off=off), ()


def _apply_shut_down(
    state: GuardState, settings: GuardSettings, t_s: float, step: _Step
) -> _Applied:
    # A run not yet confirmed off stays on record: the next start finds it.
    return replace(state, off=None), ()


def _new_run(
    state: GuardState, settings: GuardSettings, t_s: float, owner: Actor, *, is_short: bool = False
) -> Run:
    limit_s = settings.longest_run_s
    if is_short:
        limit_s = min(limit_s, settings.hand_run_s)
    return Run(
        t_s,
        t_s + limit_s,
        owner,
        is_short,
        confirmed=bool(state.actuator),
        start_l=state.level.median_l,
    )


def _apply_run(state: GuardState, settings: GuardSettings, t_s: float, step: _Step) -> _Applied:
    owner = step.reason if isinstance(step.reason, Actor) else Actor.UNKNOWN
    run = _new_run(state, settings, t_s, owner, is_short=step.is_short)
    rise = rise_begun(state, t_s) if run.confirmed else state.rise
    hold_until_s = None if owner is Actor.PERSON else state.hold_until_s
    return (
        replace(state, run=run, rise=rise, hold_until_s=hold_until_s, paused_s=None),
        (),
    )


def _off_reason(step: _Step) -> BlockReason | StopReason | TripReason:
    reason = step.reason
    if isinstance(reason, BlockReason | StopReason | TripReason):
        return reason
    return StopReason.REQUESTED  # pragma: no cover


def _apply_stop(state: GuardState, settings: GuardSettings, t_s: float, step: _Step) -> _Applied:
    pauses_s = state.pauses_s
    is_pause = step.reason is BlockReason.SIGNAL and state.phase is Phase.STOPPING
    if is_pause:
        pauses_s = (*_recent_pauses(state, t_s), t_s)
    hold_until_s = t_s + settings.hold_off_s if step.hold_off else state.hold_until_s
    off = OffOrder(t_s, t_s, _off_reason(step), pauses=is_pause)
    return replace(state, off=off, pauses_s=pauses_s, hold_until_s=hold_until_s), ()


def _apply_unwanted_on(
    state: GuardState, settings: GuardSettings, t_s: float, step: _Step
) -> _Applied:
    run = _new_run(state, settings, t_s, Actor.UNKNOWN)
    off = OffOrder(t_s, t_s, _off_reason(step))
    return replace(state, run=run, off=off, paused_s=None), ()


def _apply_ended(state: GuardState, settings: GuardSettings, t_s: float, step: _Step) -> _Applied:
    state = run_closed(state, settings, t_s)
    if step.hold_off:
        state = replace(state, hold_until_s=t_s + settings.hold_off_s)
    return state, ()


def _apply_off_confirmed(
    state: GuardState, settings: GuardSettings, t_s: float, step: _Step
) -> _Applied:
    state = run_closed(state, settings, t_s)
    if state.phase is Phase.PAUSED:
        state = replace(state, paused_s=t_s, pause_told=False)
    return state, ()


def _apply_ready(state: GuardState, settings: GuardSettings, t_s: float, step: _Step) -> _Applied:
    return replace(state, settle_until_s=None, paused_s=None, pause_told=False), ()


def _apply_trip(state: GuardState, settings: GuardSettings, t_s: float, step: _Step) -> _Applied:
    reason = step.reason
    if not isinstance(reason, TripReason):  # pragma: no cover
        raise IllegalEvent("a trip without a reason")
    off = state.off
    stuck = reason is TripReason.STUCK_ON
    if state.phase in ORDERED_OFF:
        if off is None:
            off = OffOrder(t_s, t_s, reason, was_on=state.run is not None or bool(state.actuator))
        off = replace(off, next_s=t_s, escalated=stuck or off.escalated, pauses=False)
    run = state.run
    if run is None and state.actuator:
        run = _new_run(state, settings, t_s, Actor.UNKNOWN)
    watch = replace(state.off_watch, found=False)
    return (
        replace(
            state,
            trip=Trip(reason, t_s, step.note),
            off=off,
            run=run,
            paused_s=None,
            off_watch=watch,
            would_run=False,
        ),
        (),
    )


def _apply_reset(state: GuardState, settings: GuardSettings, t_s: float, step: _Step) -> _Applied:
    return (
        replace(
            state,
            trip=None,
            pauses_s=(),
            rise=type(state.rise)(),
            settle_until_s=t_s + settings.settle_s,
        ),
        (),
    )


_APPLY: Final[dict[Cue, Callable[[GuardState, GuardSettings, float, _Step], _Applied]]] = {
    Cue.FOUND_OFF: _apply_found_off,
    Cue.FOUND_LATCHED_OFF: _apply_found_off,
    Cue.FOUND_ON: _apply_found_on,
    Cue.FOUND_LATCHED_ON: _apply_found_on,
    Cue.SHUT_DOWN: _apply_shut_down,
    Cue.RUN_BEGINS: _apply_run,
    Cue.HAND_RUN_BEGINS: _apply_run,
    Cue.STOP: _apply_stop,
    Cue.ENDED: _apply_ended,
    Cue.UNWANTED_ON: _apply_unwanted_on,
    Cue.OFF_CONFIRMED: _apply_off_confirmed,
    Cue.OFF_CONFIRMED_PAUSED: _apply_off_confirmed,
    Cue.SETTLED: _apply_ready,
    Cue.SIGNAL_BACK: _apply_ready,
    Cue.TRIP_ON: _apply_trip,
    Cue.TRIP_OFF: _apply_trip,
    Cue.ESCALATE: _apply_trip,
    Cue.RESET: _apply_reset,
}
