"""Dry air is no leak: psychrolib and gsw for what the air asks for, a reservoir that follows it."""

from datetime import date, timedelta
from math import exp
from random import Random

import gsw
import psychrolib
import pytest
from custom_components.stillwell.engine.evaporation_book import (
    HOLDS_S,
    EvaporationBook,
    SurfaceSpec,
    Surroundings,
)
from custom_components.stillwell.engine.evaporation_demand import (
    Explained,
    demand_ratio,
    explained_l,
)
from custom_components.stillwell.engine.geometry import Box
from custom_components.stillwell.engine.pipeline import VesselModel, VesselSpec
from custom_components.stillwell.engine.quantities import DAY_S, HOUR_S, DaySpan, Reading, UseBlock

psychrolib.SetUnitSystem(psychrolib.SI)
WATER_C, ROOM_C = 26.0, 22.0
USUAL, DRY = 0.65, 0.25
"""A frost outside: the same air, heated, holds less of what it could (relative humidity)."""
STEP_S = 300.0
SURFACE_M2 = 1.2
T0_S = 1_780_012_800.0  # midnight UTC
LEARNED_S = 4 * DAY_S + 6 * HOUR_S


def gap_pa(humidity_frac: float) -> float:
    """Return the vapour pressure gap over seawater: psychrolib, with gsw's activity of water."""
    lowered = gsw.chem_potential_water_t_exact(35.16504, WATER_C, 0.0)
    lowered -= gsw.chem_potential_water_t_exact(0.0, WATER_C, 0.0)
    activity = exp(float(lowered) * 18.015268 / 8.314472 / (273.15 + WATER_C))
    over_water = activity * psychrolib.GetSatVapPres(WATER_C)
    return float(over_water - psychrolib.GetVapPresFromRelHum(ROOM_C, humidity_frac))


def span(t_s: float) -> DaySpan:
    start_s = t_s - t_s % DAY_S
    key = (date(1970, 1, 1) + timedelta(seconds=start_s)).isoformat()
    return DaySpan(key, start_s, start_s + DAY_S)


class Lab:
    """A reservoir of 3 L a day in usual air, level and room told every five minutes."""

    def __init__(self, seed: int, *, is_watched: bool) -> None:
        self.model = VesselModel(VesselSpec(Box(0.3, 0.3, 0.5), 0.02, 0.07, 0.48, 0.49))
        self.book = EvaporationBook(SurfaceSpec(SURFACE_M2, 35.0, 0.625, is_tank_water=False))
        self.rng = Random(seed)
        self.t_s, self.volume_l, self.is_watched = T0_S, 42.0, is_watched

    def run(self, hours: float, humidity_frac: float, leak_l_per_h: float = 0.0) -> float | None:
        """Let hours pass; return after how many minutes the loss alarm came, None without."""
        l_per_s = 3.0 / DAY_S * gap_pa(humidity_frac) / gap_pa(USUAL) + leak_l_per_h / HOUR_S
        begin_s = self.t_s
        while self.t_s < begin_s + hours * HOUR_S:
            self.t_s += STEP_S
            self.volume_l -= l_per_s * STEP_S
            if self.is_watched:
                self.book.take(
                    self.t_s, span(self.t_s), Surroundings(WATER_C, ROOM_C, humidity_frac)
                )
                if self.book.is_day_due(self.t_s):
                    self.book.close(self.t_s, self.model.balance.days)
                self.model.set_demand(self.book.demand_ratio(self.t_s))
            depth_m = round(self.volume_l / 90.0 + self.rng.gauss(0.0, 0.0003), 4)
            self.model.report(
                self.t_s, Reading(depth_m), fill_on=None, day=span(self.t_s), utc_offset_s=0.0
            )
            loss = self.model.view(self.t_s, 0.0).loss
            if loss is not None and loss.is_alarm:
                return (self.t_s - begin_s) / 60.0
        return None


def learned(seed: int, *, is_watched: bool = True) -> Lab:
    lab = Lab(seed, is_watched=is_watched)
    assert lab.run(LEARNED_S / HOUR_S, USUAL) is None
    return lab


def test_air_that_turns_dry_raises_no_alarm_where_the_room_is_watched() -> None:
    # Two thirds more evaporates (psychrolib): beyond the 40 % that are allowed anyway.
    assert gap_pa(DRY) / gap_pa(USUAL) == pytest.approx(1.67, abs=0.01)
    alone = learned(1, is_watched=False).run(48.0, DRY)
    assert alone is not None
    watched = learned(1)
    assert watched.run(3.0, DRY) is None
    # The last two hours over the day before yesterday's (Weiss and Price against gsw: 5e-4).
    assert watched.book.demand_ratio(watched.t_s) == pytest.approx(
        gap_pa(DRY) / gap_pa(USUAL), rel=5e-4
    )
    assert watched.run(69.0, DRY) is None
    assert watched.book.demand_ratio(watched.t_s) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(
    ("dry_for_h", "leak_l_per_h", "most_min"),
    # The delays that hold for 3 L a day. A day later 5 L a day are usual, and what is two
    # hours of use is more by as much: 60 min become 100.
    [(6.0, 0.2, 360.0), (6.0, 0.5, 60.0), (30.0, 0.2, 360.0), (30.0, 0.5, 100.0)],
)
def test_a_leak_in_dry_air_is_told_all_the_same(
    dry_for_h: float, leak_l_per_h: float, most_min: float
) -> None:
    lab = learned(2)
    assert lab.run(dry_for_h, DRY) is None
    minutes = lab.run(12.0, DRY, leak_l_per_h)
    assert minutes is not None
    assert minutes <= most_min


def test_a_humidity_sensor_that_fails_hides_no_leak() -> None:
    """Bone-dry air at 5 %, which no room has, while a hose drips."""
    lab = learned(3)
    # The air is as usual; only what is told of it changes.
    usual = 3.0 / 24.0
    told_more = usual * (gap_pa(0.05) / gap_pa(USUAL) - 1.0)
    assert lab.run(24.0, 0.05, 0.5 - told_more) is not None


def test_a_standing_alarm_goes_by_the_learned_use_alone() -> None:
    lab = learned(4)
    assert lab.run(6.0, USUAL, 0.3) is not None
    lab.model.set_demand(2.0)
    assert lab.run(STEP_S / HOUR_S, USUAL, 0.3) is not None


HOURS = [[float(h), 1000.0 * HOUR_S, HOUR_S] for h in range(50)]


def test_the_ratio_is_that_of_the_gaps() -> None:
    dry = [*HOURS[:48], [48.0, 1500.0 * HOUR_S, HOUR_S], [49.0, 1500.0 * HOUR_S, HOUR_S]]
    assert demand_ratio(HOURS, 50 * HOUR_S) == pytest.approx(1.0)
    assert demand_ratio(dry, 50 * HOUR_S) == pytest.approx(1.5)


@pytest.mark.parametrize("hours", [[], HOURS[:40], HOURS[26:], [[h, 0.0, s] for h, _, s in HOURS]])
def test_without_both_times_there_is_no_ratio(hours: list[list[float]]) -> None:
    assert demand_ratio(hours, 50 * HOUR_S) is None


def test_a_ratio_wants_a_fresh_look_and_three_quiet_days() -> None:
    lab = learned(5)
    assert lab.book.demand_ratio(lab.t_s) is not None
    assert lab.book.demand_ratio(lab.t_s + HOLDS_S + 1.0) is None
    lab.book.relearn()
    assert lab.book.demand_ratio(lab.t_s) is None


@pytest.mark.parametrize(("ratio", "more_l"), [(None, 0.0), (0.4, 0.0), (1.3, 0.6), (9.0, 2.0)])
def test_air_never_helps_an_alarm_and_never_hides_more_than_the_use(
    ratio: float | None, more_l: float
) -> None:
    assert explained_l(2.0, ratio) == pytest.approx(more_l)


def test_what_the_air_explains_makes_the_expectation_no_less_sure() -> None:
    explained = Explained()
    explained.ratio = 1.5
    assert explained.rel_sigma(0.4) == 0.4  # nothing is known of the time before
    explained.ratio = 1.0
    assert explained.rel_sigma(0.1) == 0.1
    explained.ratio = 1.5
    assert explained.rel_sigma(0.4) == 0.1
    assert explained.rel_sigma(0.05) == 0.05


def test_without_an_expectation_nothing_is_explained() -> None:
    explained = Explained()
    explained.ratio = 1.5
    block = UseBlock(T0_S, T0_S + 300.0, 0.02, 0.01, True)
    assert explained.block(block, None) == block
    assert explained.block(block, 0.01).used_l == pytest.approx(0.015)
