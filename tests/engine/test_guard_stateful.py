"""Any sequence of events at any times: the invariants of the proof hold after each of them."""

import json

from custom_components.stillwell.engine.guard import Outcome, Phase, process
from custom_components.stillwell.engine.guard_events import (
    Actor,
    ActuatorReported,
    Command,
    Event,
    InputsReported,
    LevelReported,
    LockOutRequested,
    MaintenanceRequested,
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
)
from custom_components.stillwell.engine.guard_state import GuardSettings, GuardState
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from tests.proof.invariants import Case, broken
from tests.proof.witness import Witness

CONTACT = st.sampled_from([False, False, False, True, None])
MAYBE = st.sampled_from([False, True, None])
ACTORS = st.sampled_from(list(Actor))
WAITS = st.one_of(
    st.just(0.0),
    st.floats(0.0, 10.0),
    st.floats(10.0, 170.0),
    st.sampled_from([60.0, 90.0, 120.0, 300.0, 600.0]),
)


class GuardMachine(RuleBasedStateMachine):
    """A guard with a source, a return pump and budgets, and the witness beside it."""

    def __init__(self) -> None:
        super().__init__()
        self.settings = GuardSettings(
            high_l=10.0,
            longest_run_s=900.0,
            settle_s=30.0,
            shortest_pause_s=30.0,
            min_source_l=2.0,
            has_return_pump=True,
            return_settle_s=60.0,
            daily_run_s=3000.0,
            daily_volume_l=60.0,
            run_volume_l=20.0,
        )
        self.state = GuardState()
        self.seen = Witness()
        self.t_s = 0.0
        self.problems: list[str] = []
        self.stored = json.dumps(self.state.to_dict())

    def hear(self, event: Event) -> Outcome:
        before = self.state
        outcome = process(before, self.settings, event)
        self.seen = self.seen.after(event, outcome, self.settings)
        self.problems += broken(Case(before, self.settings, event, outcome, self.seen))
        self.state = outcome.state
        if outcome.save_now:
            self.stored = json.dumps(outcome.state.to_dict())
        return outcome

    def is_awake(self) -> bool:
        return self.state.phase is not Phase.ASLEEP

    @rule(on=MAYBE, wait_s=st.floats(0.0, 7200.0))
    def begins(self, on: bool | None, wait_s: float) -> None:
        self.t_s += wait_s
        self.hear(Started(self.t_s, on))

    @rule(on=MAYBE, wait_s=st.floats(0.0, 7200.0))
    def is_killed_and_begins_again(self, on: bool | None, wait_s: float) -> None:
        run, trip = self.state.run, self.state.trip
        self.state = GuardState.from_dict(json.loads(self.stored))
        assert (self.state.trip is None) == (trip is None)
        assert (self.state.run is None) == (run is None)
        self.t_s += wait_s
        self.hear(Started(self.t_s, on))

    @precondition(is_awake)
    @rule(wait_s=WAITS)
    def waits(self, wait_s: float) -> None:
        self.t_s += wait_s
        self.hear(Tick(self.t_s))

    @precondition(is_awake)
    @rule(step_s=st.sampled_from([-86_400.0, -3600.0, -30.0, -1.0, 1000.0, 3600.0, 86_400.0]))
    def clock_steps(self, step_s: float) -> None:
        if step_s != -1.0:
            self.t_s += step_s
            self.hear(Tick(self.t_s))
        else:
            self.hear(Tick(self.t_s - 1.0))

    @precondition(is_awake)
    @rule(
        wait_s=st.floats(0.0, 60.0),
        volume_l=st.one_of(st.none(), st.floats(0.0, 11.0), st.just(10.0)),
        suspended=st.sampled_from([False, False, False, True]),
        rate=st.sampled_from([None, 0.01, 0.1]),
    )
    def level(
        self, wait_s: float, volume_l: float | None, suspended: bool, rate: float | None
    ) -> None:
        self.t_s += wait_s
        self.hear(
            LevelReported(
                self.t_s,
                volume_l,
                volume_l is not None,
                interval_s=30.0,
                resolution_l=0.1,
                noise_l=0.05,
                fill_rate_l_per_s=rate,
                suspended=suspended,
            )
        )

    @precondition(is_awake)
    @rule(level_l=st.floats(1.0, 9.0), actor=ACTORS, by_line=st.booleans())
    def all_is_well_and_a_run_begins(self, level_l: float, actor: Actor, by_line: bool) -> None:
        """Random events alone seldom line up; so often enough everything does."""
        self.hear(ActuatorReported(self.t_s, on=False))
        self.hear(InputsReported(self.t_s, high=False, leak=False, supply_empty=False))
        self.hear(MaintenanceRequested(self.t_s, None))
        self.hear(ReturnPumpReported(self.t_s, on=True))
        self.hear(ResetRequested(self.t_s))
        for _ in range(22):
            self.t_s += 30.0
            self.hear(SourceReported(self.t_s, 9.0, usable=True))
            self.hear(LevelReported(self.t_s, level_l, usable=True, interval_s=30.0))
        if by_line:
            self.hear(StartRequested(self.t_s, actor))
        self.hear(ActuatorReported(self.t_s, True, actor))

    @precondition(is_awake)
    @rule(high=CONTACT, leak=CONTACT, supply_empty=CONTACT)
    def contacts(self, high: bool | None, leak: bool | None, supply_empty: bool | None) -> None:
        self.hear(InputsReported(self.t_s, high, leak, supply_empty))

    @precondition(is_awake)
    @rule(volume_l=st.one_of(st.none(), st.floats(0.0, 9.0)))
    def source(self, volume_l: float | None) -> None:
        self.hear(SourceReported(self.t_s, volume_l, volume_l is not None))

    @precondition(is_awake)
    @rule(on=MAYBE)
    def return_pump(self, on: bool | None) -> None:
        self.hear(ReturnPumpReported(self.t_s, on))

    @rule(on=MAYBE, actor=ACTORS)
    def switched(self, on: bool | None, actor: Actor) -> None:
        self.hear(ActuatorReported(self.t_s, on, actor))

    @precondition(is_awake)
    @rule(
        make=st.sampled_from(
            [StartRequested, StopRequested, ResetRequested, RunByHandRequested, LockOutRequested]
        )
    )
    def asked(self, make: type[StopRequested]) -> None:
        self.hear(make(self.t_s))

    @precondition(is_awake)
    @rule(until_s=st.one_of(st.none(), st.floats(-60.0, 1800.0)))
    def maintenance(self, until_s: float | None) -> None:
        self.hear(MaintenanceRequested(self.t_s, None if until_s is None else self.t_s + until_s))

    @rule()
    def options_change(self) -> None:
        self.hear(SettingsChanged(self.t_s))

    @precondition(is_awake)
    @rule()
    def stops(self) -> None:
        outcome = self.hear(Stopping(self.t_s))
        assert outcome.command is Command.OFF or self.seen.actuator is False

    @invariant()
    def nothing_is_broken(self) -> None:
        assert not self.problems, self.problems


GuardMachine.TestCase.settings = settings(
    max_examples=60,
    stateful_step_count=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
test_guard_under_any_sequence = GuardMachine.TestCase
