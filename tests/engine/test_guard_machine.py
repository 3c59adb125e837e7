"""The guard's table, every phase met with every event, and its stored form."""

import json
from dataclasses import FrozenInstanceError, replace
from typing import Any

import pytest
from custom_components.stillwell.engine import guard_decisions, guard_moves
from custom_components.stillwell.engine.guard import Phase, process
from custom_components.stillwell.engine.guard_decisions import Step
from custom_components.stillwell.engine.guard_events import (
    Actor,
    ActuatorReported,
    BlockReason,
    Command,
    Event,
    IllegalEvent,
    InputsReported,
    LevelReported,
    LockOutRequested,
    MaintenanceRequested,
    Refusal,
    ResetRequested,
    ReturnPumpReported,
    RunByHandRequested,
    SettingsChanged,
    SourceReported,
    Started,
    StartRequested,
    Stopping,
    StopRequested,
    Tick,
    TripReason,
)
from custom_components.stillwell.engine.guard_facts import Scene
from custom_components.stillwell.engine.guard_state import (
    GuardSettings,
    GuardState,
    LedgerEntry,
    Trip,
    ledger_totals,
    ledger_with,
)
from custom_components.stillwell.engine.guard_table import EVENTS, HEARD, LATCHED, MOVES, Cue
from guard_line import SETTINGS, START_L, Line


def line_in(phase: Phase) -> Line:
    """Return a line brought into a phase by events alone."""
    line = Line()
    match phase:
        case Phase.ASLEEP:
            return line
        case Phase.SETTLING:
            line.begin()
        case Phase.IDLE:
            line.ready()
        case Phase.FILLING:
            line.filling()
        case Phase.STOPPING:
            line.filling().hear(StopRequested(line.t_s))
        case Phase.PAUSED:
            line.filling().level(usable=False)
            line.switched(on=False)
        case Phase.TRIPPING:
            line.filling().hear(LockOutRequested(line.t_s))
        case Phase.LOCKED_OUT:
            line.ready().hear(LockOutRequested(line.t_s))
        case Phase.HAND_RUN:
            line.ready().hear(LockOutRequested(line.t_s))
            line.hear(RunByHandRequested(line.t_s))
            line.switched(on=True, actor=Actor.LINE)
    assert line.phase is phase
    line.commands.clear()
    return line


def event_of(kind: type[Event], t_s: float) -> Event:
    """Return an ordinary event of the kind."""
    made: dict[type[Event], Event] = {
        Started: Started(t_s, actuator_on=False),
        ActuatorReported: ActuatorReported(t_s, on=False),
        LevelReported: LevelReported(t_s, START_L, usable=True),
        SourceReported: SourceReported(t_s, 9.0, usable=True),
        InputsReported: InputsReported(t_s, high=False, leak=False, supply_empty=False),
        ReturnPumpReported: ReturnPumpReported(t_s, on=True),
        Tick: Tick(t_s),
        StartRequested: StartRequested(t_s),
        StopRequested: StopRequested(t_s),
        LockOutRequested: LockOutRequested(t_s),
        ResetRequested: ResetRequested(t_s),
        RunByHandRequested: RunByHandRequested(t_s),
        MaintenanceRequested: MaintenanceRequested(t_s, t_s + 600.0),
        SettingsChanged: SettingsChanged(t_s),
        Stopping: Stopping(t_s),
    }
    return made[kind]


P = Phase
SAME: dict[type[Event], dict[Phase, Phase]] = {
    Started: {
        P.ASLEEP: P.SETTLING,
        P.IDLE: P.SETTLING,
        P.FILLING: P.SETTLING,
        P.STOPPING: P.SETTLING,
        P.PAUSED: P.SETTLING,
        P.TRIPPING: P.LOCKED_OUT,
        P.HAND_RUN: P.LOCKED_OUT,
    },
    ActuatorReported: {
        P.FILLING: P.SETTLING,
        P.STOPPING: P.SETTLING,
        P.TRIPPING: P.LOCKED_OUT,
        P.HAND_RUN: P.LOCKED_OUT,
    },
    StartRequested: {P.IDLE: P.FILLING},
    RunByHandRequested: {
        P.IDLE: P.FILLING,
        P.LOCKED_OUT: P.HAND_RUN,
    },
    StopRequested: {P.FILLING: P.STOPPING, P.HAND_RUN: P.TRIPPING},
    LockOutRequested: {
        P.IDLE: P.LOCKED_OUT,
        P.SETTLING: P.LOCKED_OUT,
        P.PAUSED: P.LOCKED_OUT,
        P.FILLING: P.TRIPPING,
        P.STOPPING: P.TRIPPING,
        P.HAND_RUN: P.TRIPPING,
    },
    ResetRequested: {P.LOCKED_OUT: P.SETTLING},
    MaintenanceRequested: {P.FILLING: P.STOPPING},
    Stopping: dict.fromkeys(Phase, P.ASLEEP),
}
"""Where an ordinary event of each kind leads, written by hand; elsewhere it changes nothing."""


@pytest.mark.parametrize("kind", EVENTS, ids=lambda kind: kind.__name__)
@pytest.mark.parametrize("phase", list(Phase))
def test_every_phase_with_every_event(phase: Phase, kind: type[Event]) -> None:
    line = line_in(phase)
    event = event_of(kind, line.t_s)
    if kind not in HEARD[phase]:
        assert phase is Phase.ASLEEP
        before = line.state
        with pytest.raises(IllegalEvent):
            process(before, line.settings, event)
        assert line.state == before
        return
    line.hear(event)
    assert line.phase is SAME.get(kind, {}).get(phase, phase)


@pytest.mark.parametrize("kind", [k for k in EVENTS if k not in HEARD[Phase.ASLEEP]])
def test_an_illegal_pair_raises_and_changes_nothing(kind: type[Event]) -> None:
    state = GuardState()
    stored = json.dumps(state.to_dict())
    with pytest.raises(IllegalEvent, match="asleep"):
        process(state, SETTINGS, event_of(kind, 1.0))
    assert json.dumps(state.to_dict()) == stored


@pytest.mark.parametrize("t_s", [float("nan"), float("inf")])
def test_a_time_that_is_no_number_is_illegal(t_s: float) -> None:
    with pytest.raises(IllegalEvent):
        process(line_in(Phase.IDLE).state, SETTINGS, Tick(t_s))


def test_every_move_leads_into_a_phase_that_leads_on() -> None:
    assert set(MOVES) == set(Phase) == set(HEARD)
    for phase, moves in MOVES.items():
        assert moves[Cue.SHUT_DOWN] is Phase.ASLEEP
        assert set(moves.values()) - {phase}
    leaving = {
        (phase, cue)
        for phase in LATCHED
        for cue, to in MOVES[phase].items()
        if to not in LATCHED and cue not in (Cue.SHUT_DOWN, Cue.FOUND_OFF, Cue.FOUND_ON)
    }
    assert leaving == {(Phase.LOCKED_OUT, Cue.RESET)}


def test_a_move_the_table_does_not_know_raises() -> None:
    line = line_in(Phase.IDLE)
    with pytest.raises(KeyError):
        guard_moves.moved(Scene(line.state, SETTINGS, Tick(0.0), 0.0), Step(Cue.RESET), Cue.RESET)


@pytest.mark.parametrize("cue", [Cue.TRIP_OFF, Cue.UNWANTED_ON])
def test_a_trip_or_an_off_order_without_its_reason_raises(cue: Cue) -> None:
    line = line_in(Phase.IDLE)
    with pytest.raises(TypeError):
        guard_moves.moved(Scene(line.state, SETTINGS, Tick(0.0), 0.0), Step(cue), cue)


def test_a_run_phase_without_a_run_raises() -> None:
    line = line_in(Phase.FILLING)
    scene = Scene(replace(line.state, run=None), SETTINGS, Tick(line.t_s), line.t_s)
    with pytest.raises(ValueError, match="without a run"):
        guard_decisions.decided(scene)


def test_a_state_is_frozen() -> None:
    with pytest.raises(FrozenInstanceError):
        GuardState().phase = Phase.FILLING  # type: ignore[misc]


def test_requests_while_off_is_ordered_or_nothing_is_locked() -> None:
    line = line_in(Phase.STOPPING)
    assert line.hear(StartRequested(line.t_s)).refused is BlockReason.STOPPING
    assert line.hear(ResetRequested(line.t_s)).refused is Refusal.NOT_LOCKED_OUT
    line = line_in(Phase.IDLE)
    assert line.hear(ResetRequested(line.t_s)).refused is Refusal.NOT_LOCKED_OUT
    line = line_in(Phase.SETTLING)
    assert line.hear(StartRequested(line.t_s)).refused is BlockReason.SIGNAL
    line = line_in(Phase.TRIPPING)
    assert line.hear(ResetRequested(line.t_s)).refused is Refusal.ACTUATOR_ON
    line.switched(on=None)
    assert line.hear(ResetRequested(line.t_s)).refused is Refusal.ACTUATOR_UNKNOWN


def test_a_lockout_asked_for_during_sleep_is_kept() -> None:
    line = Line()
    line.hear(LockOutRequested(line.t_s, "gasket taken out"))
    line.hear(LockOutRequested(line.t_s + 1.0, "later"))
    line.t_s += 2.0
    line.begin()
    assert line.phase is Phase.LOCKED_OUT
    assert line.state.trip is not None
    assert line.state.trip.note == "gasket taken out"
    assert line.last.block_reason is BlockReason.LOCKED_OUT


def test_a_lockout_is_met_off_first_after_a_restart() -> None:
    line = line_in(Phase.LOCKED_OUT)
    line.restarted(on=True)
    assert line.phase is Phase.TRIPPING
    assert line.sent() == [Command.OFF]
    line.restarted(on=None)
    assert line.phase is Phase.TRIPPING


def test_damaged_stored_state_begins_locked_out_and_is_reset_by_hand() -> None:
    line = Line(state=GuardState.damaged(1_000.0))
    assert line.state.is_locked_out
    line.begin()
    assert line.last.block_reason is BlockReason.LOCKED_OUT
    line.hear(ResetRequested(line.t_s))
    assert not line.state.is_locked_out


def test_a_trip_while_the_actuator_is_away_orders_off_until_it_is_seen_off() -> None:
    line = line_in(Phase.IDLE)
    line.switched(on=None)
    assert line.last.block_reason is BlockReason.ACTUATOR_UNAVAILABLE
    line.inputs(leak=True)
    assert line.phase is Phase.TRIPPING
    line.tick(300.0)
    assert line.state.trip is not None
    assert line.state.trip.reason is TripReason.LEAK
    line.switched(on=False)
    assert line.phase is Phase.LOCKED_OUT


@pytest.mark.parametrize("phase", list(Phase))
def test_what_is_stored_comes_back_asleep_with_all_that_counts(phase: Phase) -> None:
    state = line_in(phase).state
    stored = json.loads(json.dumps(state.to_dict()))
    again = GuardState.from_dict(stored)
    assert again.phase is Phase.ASLEEP
    assert again.trip == state.trip
    assert again.ledger == state.ledger
    assert again.pauses_s == state.pauses_s
    assert (again.run is None) == (state.run is None)
    assert again.to_dict() == {**stored, "phase": "asleep"}


def _without(stored: dict[str, Any], key: str) -> dict[str, Any]:
    return {name: value for name, value in stored.items() if name != key}


def test_nonsense_instead_of_a_stored_state_is_refused() -> None:
    line = line_in(Phase.FILLING)
    stored = line.state.to_dict()
    locked = line_in(Phase.LOCKED_OUT).state.to_dict()
    run = stored["run"]
    bad: list[Any] = [
        {},
        [],
        None,
        "text",
        {**stored, "version": 99},
        {**stored, "phase": "dancing"},
        {**stored, "run": {**run, "deadline_s": run["started_s"] - 1.0}},
        {**stored, "run": {**run, "is_short": 1}},
        {**stored, "run": {**run, "owner": "cat"}},
        {**stored, "run": {**run, "started_s": True}},
        {**stored, "seen_s": float("nan")},
        {**stored, "hold_until_s": "soon"},
        {**stored, "pauses_s": 3},
        {**stored, "ledger": [[1.0, -2.0, 3.0]]},
        {**stored, "ledger": [[1.0, 2.0]]},
        {**stored, "barren": [1.0]},
        {**locked, "trip": None},
        {**locked, "trip": {**locked["trip"], "reason": "mood"}},
        {**locked, "trip": {**locked["trip"], "note": 5}},
        *(_without(stored, key) for key in stored),
    ]
    for data in bad:
        with pytest.raises(ValueError, match=r".+"):
            GuardState.from_dict(data)


@pytest.mark.parametrize(
    "change",
    [
        {"high_l": 0.0},
        {"high_l": float("nan")},
        {"longest_run_s": -1.0},
        {"hand_run_s": float("inf")},
        {"stale_after_s": 0.0},
        {"daily_volume_l": -3.0},
        {"settle_s": -1.0},
        {"source_stale_s": float("nan")},
    ],
)
def test_settings_no_line_can_have_are_refused(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        replace(SETTINGS, **change)


def test_the_ledger_counts_a_rolling_day_and_stays_short() -> None:
    ledger: tuple[LedgerEntry, ...] = ()
    for minute in range(3 * 1440):
        ledger = ledger_with(ledger, minute * 60.0, 10.0, 0.5)
    assert len(ledger) <= 24 * 4 + 6
    run_s, volume_l = ledger_totals(ledger, 3 * 86_400.0)
    # Entries of a quarter of an hour expire as a whole, late and never early.
    assert 1440 * 10.0 <= run_s <= 1455 * 10.0
    assert volume_l == pytest.approx(run_s / 20.0)


def test_a_line_without_a_usable_level_has_no_median() -> None:
    assert GuardState().level.median_l is None
    assert Trip(TripReason.LEAK, 1.0).note == ""
    assert GuardSettings(high_l=1.0).full_l is None


def test_figures_that_are_no_numbers_do_not_replace_learned_ones() -> None:
    line = line_in(Phase.IDLE)
    line.hear(
        LevelReported(
            line.t_s,
            START_L,
            usable=True,
            interval_s=float("nan"),
            resolution_l=-1.0,
            noise_l=float("inf"),
        )
    )
    level = line.state.level
    assert (level.interval_s, level.resolution_l, level.noise_l) == (30.0, 0.1, 0.03)
