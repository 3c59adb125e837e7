"""The guard of a fill line: one event in, what must be done out.

``process`` is the whole interface. It turns the event into facts (``guard_facts``), decides on
one step at most (``guard_decisions``), moves along the table (``guard_table``, ``guard_moves``)
and says what must be commanded. It commands nothing itself. An illegal event raises and
changes nothing.

Adapter's duty. Store the state before sending ON when ``save_now`` is set; send OFF at once
and store beside it. Send ``Started`` first, ``InputsReported`` next, ``Tick`` at least every
minute and at ``wake_at_s``. Software is never the only layer: a float valve or an overflow to
a drain must hold alone.
"""

from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Final

from .guard_decisions import Step, decided
from .guard_events import (
    BlockReason,
    Command,
    Decision,
    DecisionKind,
    Event,
    IllegalEvent,
    Notice,
    NoticeKind,
    Refusal,
    Severity,
)
from .guard_facts import Scene, observed
from .guard_moves import moved
from .guard_rules import PAUSE_NOTICE_S, start_block, stop_block, wake_at_s
from .guard_state import GuardSettings, GuardState, OffOrder
from .guard_table import HEARD, Phase
from .guard_trips import SECONDARY
from .quantities import MINUTE_S

__all__ = ["Outcome", "Phase", "process"]

RETRY_AT_S: Final = (0.0, 5.0, 15.0, 30.0, 60.0)
"""When OFF is sent, from the order on; then every minute, without end."""


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


def process(state: GuardState, settings: GuardSettings, event: Event) -> Outcome:
    """Return what follows from one event.

    Raises:
        IllegalEvent: This phase does not hear this event, or its time is not a number.
    """
    if type(event) not in HEARD[state.phase] or not isfinite(event.t_s):
        raise IllegalEvent(f"{type(event).__name__} while {state.phase.value}")
    scene = observed(state, settings, event)
    step = decided(scene)
    notices: tuple[Notice, ...] = ()
    if scene.jumped:
        notices = (Notice(NoticeKind.CLOCK_JUMP, Severity.WARNING),)
    if step is not None:
        notices = (*step.notices, *notices)
        scene = replace(scene, state=_after_step(scene, step))
    return _answered(state, scene, step, notices)


def _after_step(scene: Scene[Any], step: Step) -> GuardState:
    if step.cue is not None:
        return moved(scene, step, step.cue)
    kind = None if step.decision is None else step.decision.kind
    if kind is DecisionKind.WOULD_START or kind is DecisionKind.WOULD_STOP:
        return replace(scene.state, would_run=kind is DecisionKind.WOULD_START)
    return scene.state


def _answered(
    before: GuardState, scene: Scene[Any], step: Step | None, notices: tuple[Notice, ...]
) -> Outcome:
    state, t_s = scene.state, scene.t_s
    command = Command.NONE if step is None else step.command
    decision = None if step is None else step.decision
    if _pause_is_due(state, t_s):
        # Told once, two minutes into a pause: shorter losses are nobody's business.
        notices = (*notices, Notice(NoticeKind.SIGNAL_LOST, Severity.WARNING, BlockReason.SIGNAL))
        state = replace(state, pause_told=True)
    off = state.off
    if off is not None and t_s >= off.next_s:
        command = Command.OFF
        if off.tries > 0 and decision is None:
            values: dict[str, float | str] = {"tries": float(off.tries + 1)}
            decision = Decision(DecisionKind.OFF_REPEATED, off.reason, values)
        state = replace(state, off=_sent(off, t_s))
    ask = stop_block if state.phase is Phase.FILLING else start_block
    block = ask(state, scene.settings, t_s)
    trip = state.trip
    return Outcome(
        state=state,
        command=command,
        secondary_off=command is Command.OFF and trip is not None and trip.reason in SECONDARY,
        notices=notices,
        save_now=_must_save(before, state),
        wake_at_s=wake_at_s(state, scene.settings, t_s),
        permit=block is None,
        block_reason=block,
        decision=decision,
        refused=None if step is None else step.refused,
    )


def _pause_is_due(state: GuardState, t_s: float) -> bool:
    since_s = state.paused_s
    return since_s is not None and not state.pause_told and t_s - since_s >= PAUSE_NOTICE_S


def _sent(off: OffOrder, t_s: float) -> OffOrder:
    """Return the order after one more OFF, with the time of the next."""
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
