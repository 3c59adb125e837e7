"""A fill line under test: feeds the guard, keeps its state, remembers what it commanded.

The figures are the trade's (common practice, no source): a reservoir refilled from below 3 in
to 13 in of a strip of 15 in takes a little over an hour and is cut off at two. The lab's
Lagoon reservoir has a footprint of 300 x 300 mm, so an inch is 2.286 L.
"""

from dataclasses import dataclass, field

from custom_components.stillwell.engine.guard import Outcome, Phase, process
from custom_components.stillwell.engine.guard_events import (
    Actor,
    ActuatorReported,
    Command,
    Event,
    InputsReported,
    LevelReported,
    NoticeKind,
    Started,
    Tick,
)
from custom_components.stillwell.engine.guard_state import GuardSettings, GuardState

L_PER_IN = 30.0 * 30.0 * 2.54 / 1000.0
START_L, STOP_L, HIGH_L = 3 * L_PER_IN, 13 * L_PER_IN, 14 * L_PER_IN
INTERVAL_S = 30.0
RATE_L_PER_S = (STOP_L - START_L) / 3900.0
SETTINGS = GuardSettings(high_l=HIGH_L, longest_run_s=7200.0, start_l=START_L, full_l=STOP_L)


@dataclass
class Line:
    """A guard with its state and its time."""

    settings: GuardSettings = SETTINGS
    state: GuardState = field(default_factory=GuardState)
    t_s: float = 1_000_000.0
    level_l: float = 2 * L_PER_IN
    commands: list[tuple[float, Command]] = field(default_factory=list)
    notices: list[NoticeKind] = field(default_factory=list)
    last: Outcome = field(default_factory=lambda: Outcome(GuardState()))
    is_fed: bool = False
    is_drawn: bool = False

    def hear(self, event: Event) -> Outcome:
        """Process one event."""
        self.last = process(self.state, self.settings, event)
        self.state = self.last.state
        if self.last.command is not Command.NONE:
            self.commands.append((event.t_s, self.last.command))
        self.notices += [notice.kind for notice in self.last.notices]
        return self.last

    @property
    def phase(self) -> Phase:
        return self.state.phase

    def begin(self, *, on: bool | None = False) -> Outcome:
        outcome = self.hear(Started(self.t_s, on))
        self.inputs()
        return outcome

    def inputs(
        self, high: bool | None = False, leak: bool | None = False, supply: bool | None = False
    ) -> Outcome:
        return self.hear(InputsReported(self.t_s, high, leak, supply))

    def switched(self, on: bool | None, actor: Actor = Actor.AUTOMATION) -> Outcome:
        return self.hear(ActuatorReported(self.t_s, on, actor))

    def level(self, volume_l: float | None = None, *, usable: bool = True) -> Outcome:
        if volume_l is not None:
            self.level_l = volume_l
        return self.hear(
            LevelReported(
                self.t_s,
                self.level_l if usable else None,
                usable,
                interval_s=INTERVAL_S,
                resolution_l=0.1,
                noise_l=0.03,
                fill_rate_l_per_s=RATE_L_PER_S,
                is_fed=self.is_fed,
                is_drawn=self.is_drawn,
            )
        )

    def tick(self, after_s: float = 0.0) -> Outcome:
        self.t_s += after_s
        return self.hear(Tick(self.t_s))

    def quiet(self, span_s: float, rate_l_per_s: float = 0.0) -> Outcome:
        """Let good reports come for a while, the level moving at a rate."""
        end_s = self.t_s + span_s
        while self.t_s < end_s - 1e-9:
            self.t_s += INTERVAL_S
            self.level(self.level_l + rate_l_per_s * INTERVAL_S)
        return self.last

    def ready(self) -> Line:
        """Begin, off and settled, with a fresh signal: a run is permitted."""
        self.begin()
        self.quiet(600.0)
        assert self.phase is Phase.IDLE
        assert self.last.permit
        return self

    def filling(self, for_s: float = 300.0) -> Line:
        """Begin, and let a rule start a run that goes well."""
        self.ready()
        self.switched(on=True)
        assert self.phase is Phase.FILLING
        self.quiet(for_s, RATE_L_PER_S)
        assert self.phase is Phase.FILLING
        self.commands.clear()
        self.notices.clear()
        return self

    def restarted(self, *, on: bool | None, down_s: float = 30.0) -> Outcome:
        """Lose everything but what was stored, and begin again after a while."""
        self.state = GuardState.from_dict(self.state.to_dict())
        self.t_s += down_s
        return self.begin(on=on)

    def sent(self) -> list[Command]:
        return [command for _, command in self.commands]
