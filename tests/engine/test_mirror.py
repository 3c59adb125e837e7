"""A drain guarded as a fill upside down: the proved guard on a box whose litres are counted here.

The sump is a box of 60 cm by 40 cm by 40 cm, 96 L in all, with its drain mark at 8 cm, 19.2 L.
"""

import pytest
from custom_components.stillwell.engine.geometry import shape_from_dict
from custom_components.stillwell.engine.guard import Phase, process
from custom_components.stillwell.engine.guard_events import (
    Actor,
    ActuatorReported,
    Command,
    Event,
    InputsReported,
    LevelReported,
    Started,
    StartRequested,
    Tick,
    TripReason,
)
from custom_components.stillwell.engine.guard_state import GuardSettings, GuardState
from custom_components.stillwell.engine.mirror import mirrored, room_l

SUMP = shape_from_dict({"kind": "box", "length_m": 0.6, "width_m": 0.4, "height_m": 0.4})
MARK_L = room_l(SUMP, 0.08)
SETTINGS = GuardSettings(high_l=MARK_L, full_l=MARK_L, longest_run_s=3600.0, settle_s=60.0)


class Drain:
    """The drain of the sump: a pump of 2 L a minute, obeyed at once."""

    def __init__(self, level_l: float = 40.0, resolution_l: float = 0.024) -> None:
        self.t_s, self.level_l, self.resolution_l = 1_000_000.0, level_l, resolution_l
        self.state = GuardState()
        self.is_on = False
        self.is_pump_dry = False
        self.lost_l_per_s = 0.0
        self.hear(Started(self.t_s, actuator_on=False))
        self.hear(InputsReported(self.t_s, high=False, leak=False, supply_empty=False))
        self.run(10)

    def hear(self, event: Event) -> None:
        outcome = process(self.state, SETTINGS, event)
        self.state = outcome.state
        if outcome.command is not Command.NONE:
            self.is_on = outcome.command is Command.ON
            self.hear(ActuatorReported(event.t_s, self.is_on, Actor.LINE))

    def run(self, minutes: float) -> None:
        for _ in range(round(minutes * 6)):
            self.t_s += 10.0
            pumped_l = 2.0 / 6.0 if self.is_on and not self.is_pump_dry else 0.0
            self.level_l = max(0.0, self.level_l - pumped_l - 10.0 * self.lost_l_per_s)
            seen_l = round(self.level_l / self.resolution_l) * self.resolution_l
            level = LevelReported(
                self.t_s, seen_l, usable=True, interval_s=10.0, resolution_l=self.resolution_l
            )
            self.hear(mirrored(level, SUMP))
            self.hear(Tick(self.t_s))


def test_what_is_not_there_is_what_the_guard_hears() -> None:
    """96 - 40 = 56 L; 0.5 % of 96 L is the least step."""
    assert pytest.approx(76.8) == MARK_L
    level = LevelReported(
        1.0, 40.0, usable=True, resolution_l=0.024, noise_l=0.1, fill_rate_l_per_s=0.2
    )
    seen = mirrored(level, SUMP)
    assert seen.volume_l == pytest.approx(56.0)
    assert seen.resolution_l == pytest.approx(0.48)
    assert (seen.noise_l, seen.fill_rate_l_per_s, seen.usable) == (0.1, None, True)
    assert (
        mirrored(LevelReported(1.0, 40.0, usable=True, resolution_l=2.4), SUMP).resolution_l == 2.4
    )
    lost = mirrored(LevelReported(1.0, None, usable=False), SUMP)
    assert (lost.volume_l, lost.usable) == (None, False)


def test_a_drain_stops_at_its_mark_whoever_started_it() -> None:
    """20.8 L lie above the mark: ten minutes and a half at 2 L a minute."""
    drain = Drain()
    drain.hear(StartRequested(drain.t_s, Actor.LINE))
    assert drain.state.phase is Phase.FILLING
    drain.run(9)
    assert drain.is_on
    drain.run(3)
    assert not drain.is_on
    assert drain.state.trip is None
    assert drain.level_l == pytest.approx(19.2, abs=0.5)
    drain.hear(StartRequested(drain.t_s, Actor.PERSON))
    assert not drain.is_on


def test_a_drain_that_takes_nothing_locks_out() -> None:
    drain = Drain()
    drain.is_pump_dry = True
    drain.hear(StartRequested(drain.t_s, Actor.LINE))
    drain.run(10)
    assert not drain.is_on
    assert drain.state.trip is not None
    assert drain.state.trip.reason is TripReason.NO_RISE


def test_a_drain_that_leaks_while_off_locks_out() -> None:
    """A siphon of 1 L a minute, far beyond evaporation."""
    drain = Drain()
    drain.lost_l_per_s = 1.0 / 60.0
    drain.run(15)
    assert drain.state.trip is not None
    assert drain.state.trip.reason is TripReason.FLOW_WHILE_OFF


def test_evaporation_is_no_leak_however_fine_the_sensor() -> None:
    """3 % of 450 L a day, an uncovered tank under a fan (common practice, no source)."""
    drain = Drain()
    drain.lost_l_per_s = 0.03 * 450.0 / 86400.0
    drain.run(24 * 60)
    assert drain.level_l == pytest.approx(40.0 - 13.5, abs=0.2)
    assert drain.state.trip is None


def test_a_top_off_while_the_drain_is_off_means_nothing_to_it() -> None:
    drain = Drain()
    drain.lost_l_per_s = -1.0 / 60.0
    drain.run(15)
    assert drain.state.trip is None
