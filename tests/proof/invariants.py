"""What must hold after every event, as plain predicates. Each returns True when it holds.

"May fill" means: ON is commanded, or the permit says that a run may start or go on.
"""

from collections.abc import Callable
from dataclasses import dataclass

from custom_components.stillwell.engine.guard import Outcome, Phase
from custom_components.stillwell.engine.guard_events import (
    Actor,
    ActuatorReported,
    Command,
    Event,
    InputsReported,
    LevelReported,
    LockOutRequested,
    ResetRequested,
    RunByHandRequested,
    Started,
    Stopping,
    StopRequested,
)
from custom_components.stillwell.engine.guard_state import GuardSettings, GuardState

from .witness import Witness

RUNNING = (Phase.FILLING, Phase.HAND_RUN)
LONGEST_OFF_GAP_S = 60.0 + 1e-6  # seconds since 1970 are kept to a quarter of a microsecond


@dataclass(frozen=True, slots=True)
class Case:
    """One event, with what was known before and after it."""

    before: GuardState
    settings: GuardSettings
    event: Event
    outcome: Outcome
    seen: Witness

    @property
    def may_fill(self) -> bool:
        """Whether ON is commanded or permitted."""
        return self.outcome.command is Command.ON or self.outcome.permit

    @property
    def is_locked_out(self) -> bool:
        """Whether a lockout stands after the event."""
        return self.outcome.state.trip is not None


def never_without_a_good_signal(case: Case) -> bool:
    """Nothing fills on a signal that is bad, stale or absent."""
    return not case.may_fill or case.seen.signal_is_good(case.settings)


def never_while_locked_out(case: Case) -> bool:
    """No permit in a lockout; ON only by the button *run by hand*."""
    if not case.is_locked_out:
        return True
    by_button = isinstance(case.event, RunByHandRequested)
    return not case.outcome.permit and (case.outcome.command is not Command.ON or by_button)


def never_past_the_deadline(case: Case) -> bool:
    """A run that has lasted its longest time is neither permitted nor left without an OFF."""
    seen = case.seen
    if seen.on_since_s is None or seen.limit_s is None or not seen.awake:
        return True
    if seen.t_s - seen.on_since_s < seen.limit_s:
        return True
    return not case.may_fill and case.outcome.state.phase not in RUNNING


def never_above_the_high_limit(case: Case) -> bool:
    """Nothing fills at or above the high limit."""
    level_l = case.seen.level_l
    return not case.may_fill or (level_l is not None and level_l < case.settings.high_l)


def never_with_an_input_on_or_unknown(case: Case) -> bool:
    """Every independent contact must be known to be clear."""
    seen = case.seen
    clear = seen.high is False and seen.leak is False and seen.supply_empty is False
    return not case.may_fill or clear


def never_from_a_low_source(case: Case) -> bool:
    """Nothing is drawn from a source that is low, unknown or not heard of for too long."""
    least_l, seen = case.settings.min_source_l, case.seen
    if least_l is None or not case.may_fill:
        return True
    known = seen.source_l is not None and seen.source_s is not None
    return (
        known
        and seen.source_l > least_l
        and (seen.t_s - seen.source_s <= case.settings.source_stale_s)
    )


def rules_wait_for_the_return_pump(case: Case) -> bool:
    """Only a person may fill while the return pump is off or the level is settling after it."""
    run = case.outcome.state.run
    if not case.settings.has_return_pump or not case.may_fill:
        return True
    if run is not None and run.owner is Actor.PERSON:
        return True
    since_s = case.seen.pump_since_s
    return since_s is not None and case.seen.t_s - since_s >= case.settings.return_settle_s


def rehearsal_never_switches_on(case: Case) -> bool:
    """In rehearsal ON is never commanded."""
    return not case.settings.rehearsal or case.outcome.command is not Command.ON


def lockout_leaves_only_by_reset(case: Case) -> bool:
    """A lockout ends by a reset with contacts clear and the actuator off, or not at all."""
    if case.before.trip is None or case.is_locked_out:
        return True
    seen = case.seen
    clear = seen.high is False and seen.leak is False and seen.actuator is False
    return isinstance(case.event, ResetRequested) and clear


def stops_in_the_same_step(case: Case) -> bool:
    """Whatever says stop during a run gets its OFF in that very step."""
    if case.before.phase not in RUNNING or not _says_stop(case):
        return True
    return case.outcome.command is Command.OFF and case.outcome.state.phase not in RUNNING


def _says_stop(case: Case) -> bool:
    match case.event:
        case Stopping() | LockOutRequested() | StopRequested():
            return True
        case ActuatorReported(on=on):
            return on is None
        case LevelReported(volume_l=volume_l, usable=usable, suspended=suspended):
            if suspended:
                return False
            return not usable or volume_l is None or volume_l >= case.settings.high_l
        case InputsReported(high=high, leak=leak, supply_empty=supply_empty):
            return not (high is False and leak is False and supply_empty is False)
        case _:
            return False


def an_unwanted_on_is_fought(case: Case) -> bool:
    """On, and no run under the limits: OFF is ordered and repeated at least every minute."""
    state = case.outcome.state
    if state.phase in (*RUNNING, Phase.ASLEEP) or state.actuator is not True:
        return True
    off = state.off
    return off is not None and off.next_s - case.seen.t_s <= LONGEST_OFF_GAP_S


def off_is_repeated_until_confirmed(case: Case) -> bool:
    """While OFF is ordered it has been sent, and the next one is due within a minute."""
    state = case.outcome.state
    if state.phase not in (Phase.STOPPING, Phase.TRIPPING):
        return True
    off = state.off
    if off is None or off.tries < 1 or off.next_s - case.seen.t_s > LONGEST_OFF_GAP_S:
        return False
    wake_s = case.outcome.wake_at_s
    return wake_s is not None and wake_s <= off.next_s


def start_is_off_first(case: Case) -> bool:
    """At the start an actuator that is not surely off is sent OFF before anything else."""
    if not isinstance(case.event, Started) or case.event.actuator_on is False:
        return True
    return case.outcome.command is Command.OFF


def the_deadline_never_moves_out(case: Case) -> bool:
    """Whatever happens during a run, its deadline comes no later."""
    run, before = case.outcome.state.run, case.before.run
    if run is None or before is None or run.started_s > before.started_s + 1e-9:
        return True
    # On a step of the clock the run moves with it; what counts is the time it may last.
    allowed_s = before.deadline_s - before.started_s
    return run.deadline_s - run.started_s <= allowed_s + 1e-9


def what_matters_is_stored(case: Case) -> bool:
    """A restored state knows the lockout, the run and its deadline; ON is never sent unsaved."""
    state, before = case.outcome.state, case.before
    changed = (before.trip is None) != (state.trip is None) or before.run is not state.run
    if not case.outcome.save_now:
        return not changed and case.outcome.command is not Command.ON
    try:
        again = GuardState.from_dict(state.to_dict())
    except ValueError:
        return False
    return _essence(again) == _essence(state)


def _essence(state: GuardState) -> tuple[object, ...]:
    trip, run = state.trip, state.run
    return (
        None if trip is None else trip.reason,
        None if run is None else (run.started_s, run.deadline_s, run.owner),
        state.ledger,
        state.hold_until_s,
        state.maintenance_until_s,
        state.pauses_s,
    )


type Predicate = Callable[[Case], bool]

INVARIANTS: tuple[Predicate, ...] = (
    never_without_a_good_signal,
    never_while_locked_out,
    never_past_the_deadline,
    never_above_the_high_limit,
    never_with_an_input_on_or_unknown,
    never_from_a_low_source,
    rules_wait_for_the_return_pump,
    rehearsal_never_switches_on,
    lockout_leaves_only_by_reset,
    stops_in_the_same_step,
    an_unwanted_on_is_fought,
    off_is_repeated_until_confirmed,
    start_is_off_first,
    the_deadline_never_moves_out,
    what_matters_is_stored,
)


def broken(case: Case) -> list[str]:
    """Return the names of the invariants this case breaks."""
    return [predicate.__name__ for predicate in INVARIANTS if not predicate(case)]
