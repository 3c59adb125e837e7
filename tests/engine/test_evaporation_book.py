"""Books of a surface: psychrolib and gsw for the gap, plain arithmetic for days, a tank for all."""

from dataclasses import replace
from math import exp
from typing import Any

import gsw
import psychrolib
import pytest
from custom_components.stillwell.engine.evaporation import CoefficientLearner, Day
from custom_components.stillwell.engine.evaporation_book import (
    EvaporationBook,
    EvaporationView,
    Measured,
    SurfaceSpec,
    Surroundings,
)
from custom_components.stillwell.engine.evaporation_reading import EvaporationReading
from custom_components.stillwell.engine.ledger import DayUse
from custom_components.stillwell.engine.quantities import DaySpan
from custom_components.stillwell.engine.salt_balance import SaltVerdict
from custom_components.stillwell.engine.validity import InputError, InputFault

psychrolib.SetUnitSystem(psychrolib.SI)
SPEC = SurfaceSpec(1.2, salinity=35.0, activity_frac=0.625, is_tank_water=False)
USUAL = Surroundings(26.0, 22.0, 0.5, heater_w=100.0)
DAY_S = 86400.0
STEP_S = 600.0


def _per_coefficient_l(water_c: float, room_c: float, humidity_frac: float) -> float:
    """Return L/d of 1.2 m2 at 1 kg/(m2 h kPa), by psychrolib, with gsw's activity of water."""
    lowered = gsw.chem_potential_water_t_exact(35.16504, water_c, 0.0)
    lowered -= gsw.chem_potential_water_t_exact(0.0, water_c, 0.0)
    activity = exp(float(lowered) * 18.015268 / 8.314472 / (273.15 + water_c))
    gap = activity * psychrolib.GetSatVapPres(water_c)
    gap -= psychrolib.GetVapPresFromRelHum(room_c, humidity_frac)
    return float(24.0 * 1.2 * gap / 1000.0 / 0.9970476)


PER_L = _per_coefficient_l(26.0, 22.0, 0.5)
WITHIN = 5e-4
"""Weiss and Price's activity against gsw's: 3e-4 of 3363 Pa in a gap of 1978 Pa."""


def _span(n: int) -> DaySpan:
    return DaySpan(f"2026-03-{n + 1:02d}", n * DAY_S, (n + 1) * DAY_S)


class Days:
    """A surface, day after day."""

    def __init__(self, spec: SurfaceSpec = SPEC) -> None:
        self.book = EvaporationBook(spec)
        self.t_s = 0.0
        self.uses: list[DayUse] = []

    def look(self, seen: Surroundings) -> None:
        self.book.take(self.t_s, _span(int(self.t_s // DAY_S)), seen)
        if self.book.is_day_due(self.t_s):
            self.book.close(self.t_s, self.uses)

    def run(self, hours: float, seen: Surroundings = USUAL) -> None:
        for _ in range(int(hours * 6)):
            self.t_s += STEP_S
            self.look(seen)

    def day(self, used_l: float, seen: Surroundings = USUAL, **use: Any) -> None:
        """Let a local day pass, and one hour and a half of the next."""
        at = int(self.t_s // DAY_S)
        facts = {"added_l": 0.0, "unexplained_l": 0.0, "covered_frac": 1.0} | use
        self.uses.append(DayUse(_span(at).key, used_l, **facts))
        self.run(24.0, seen)

    def view(
        self,
        measured_l: float | None,
        seen: Surroundings = USUAL,
        salt: SaltVerdict = SaltVerdict.UNKNOWN,
    ) -> EvaporationView:
        return self.book.view(self.t_s, Measured(measured_l, 0.0), seen, salt)


@pytest.fixture
def settled() -> Days:
    """Four days of 0.05 kg/(m2 h kPa), and an hour and a half so that all are closed."""
    days = Days()
    days.run(1.5)
    for _ in range(4):
        days.day(0.05 * PER_L)
    return days


def test_before_a_day_was_seen_the_guess_is_shown_as_such() -> None:
    """0.625 of ASHRAE's 0.144 is 0.09 kg/(m2 h kPa)."""
    days = Days()
    days.run(0.5)
    assert days.view(3.0).expected_l_per_day is None
    days.run(1.0)
    view = days.view(3.0)
    assert view.expected_l_per_day == pytest.approx(0.09 * PER_L, rel=WITHIN)
    assert (view.ratio, view.reading) == (None, EvaporationReading.UNKNOWN)
    assert (view.coefficient, view.quiet_days) == (None, 0)
    # 3 L of 0.9968 kg, 2439.6 kJ each, in a day: 84.4 W (FAO-56 eq. 3-1).
    assert view.heat_lost_w == pytest.approx(84.4, abs=0.1)


def test_the_expectation_is_the_mean_over_the_day() -> None:
    """Half a day at 22 degC and half at 18 degC: the mean of both litres."""
    days = Days()
    days.run(12.0)
    days.run(12.0, replace(USUAL, room_c=18.0))
    cool_l = _per_coefficient_l(26.0, 18.0, 0.5)
    expected = days.view(None).expected_l_per_day
    # The first look only begins a span: one of 144.
    assert expected == pytest.approx(0.09 * (PER_L + cool_l) / 2.0, rel=0.005)


def test_quiet_days_are_learned(settled: Days) -> None:
    view = settled.view(0.06 * PER_L)
    assert view.coefficient == pytest.approx(0.05, rel=WITHIN)
    assert view.ratio == pytest.approx(1.2, rel=WITHIN)
    assert view.reading is EvaporationReading.AS_EXPECTED
    assert view.quiet_days == 4


@pytest.mark.parametrize(
    ("use", "seen"),
    [
        ({"unexplained_l": 2.0}, USUAL),
        ({"covered_frac": 0.5}, USUAL),
        ({}, replace(USUAL, is_disturbed=True)),
        ({}, replace(USUAL, humidity_frac=None)),
        ({}, replace(USUAL, room_c=None)),
        ({}, Surroundings()),
    ],
    ids=["drop", "vessel gap", "alarm", "no humidity", "no room", "nothing"],
)
def test_other_days_teach_nothing(settled: Days, use: dict[str, float], seen: Surroundings) -> None:
    before = settled.view(1.0).quiet_days
    settled.day(0.05 * PER_L, seen, **use)
    settled.run(1.0)
    assert settled.view(1.0).quiet_days == before


def test_a_day_the_vessel_has_no_books_of_is_dropped() -> None:
    days = Days()
    days.run(26.0)
    assert days.view(1.0).quiet_days == 0
    assert not days.book.is_day_due(days.t_s)


def test_a_gap_longer_than_a_quarter_of_an_hour_is_not_bridged() -> None:
    days = Days()
    for _ in range(30):
        days.t_s += 1200.0
        days.look(USUAL)
    assert days.view(3.0).expected_l_per_day is None


def test_a_clock_that_is_set_back_is_no_time() -> None:
    days = Days()
    days.run(2.0)
    was = days.view(None).expected_l_per_day
    days.t_s -= 1800.0
    days.look(replace(USUAL, humidity_frac=0.1))
    assert days.view(None).expected_l_per_day == was


def test_use_that_is_only_carried_is_not_measured(settled: Days) -> None:
    view = settled.book.view(settled.t_s, Measured(4.0, 3601.0), USUAL, SaltVerdict.UNKNOWN)
    assert view.measured_l_per_day is None
    assert view.ratio is None
    assert view.heat_lost_w is None
    assert settled.view(2.0, Surroundings()).heat_lost_w is None


def test_nothing_is_expected_where_moisture_condenses() -> None:
    days = Days()
    wet = Surroundings(15.0, 30.0, 0.9)
    days.run(1.5, wet)
    for _ in range(4):
        days.day(0.0, wet)
    view = days.view(1.0, wet)
    assert view.expected_l_per_day == 0.0
    assert (view.ratio, view.quiet_days) == (None, 0)


@pytest.mark.parametrize(
    ("heater_w", "salt", "reading"),
    [
        # 3 L/d more than expected take 3 x 28.1 = 84 W; the heater brought all or nothing.
        (184.0, SaltVerdict.UNKNOWN, EvaporationReading.COVER_OFF),
        (100.0, SaltVerdict.UNKNOWN, EvaporationReading.WATER_LEAVING),
        (None, SaltVerdict.UNKNOWN, EvaporationReading.RAISED),
        (None, SaltVerdict.STEADY, EvaporationReading.COVER_OFF),
        (None, SaltVerdict.SALT_WATER_LEAVING, EvaporationReading.WATER_LEAVING),
    ],
)
def test_what_more_than_expected_means(
    settled: Days, heater_w: float | None, salt: SaltVerdict, reading: EvaporationReading
) -> None:
    sump = EvaporationBook(replace(SPEC, is_tank_water=True))
    sump.restore(settled.book.snapshot())
    litres = Measured(0.05 * PER_L + 3.0, 0.0)
    shown = sump.view(settled.t_s, litres, replace(USUAL, heater_w=heater_w), salt)
    assert shown.reading is reading


def test_salt_does_not_clear_a_reservoir(settled: Days) -> None:
    """Its fresh water may run on the floor while the tank's salinity stays."""
    litres = 0.05 * PER_L + 3.0
    seen = replace(USUAL, heater_w=None)
    shown = settled.view(litres, seen, SaltVerdict.STEADY)
    assert shown.reading is EvaporationReading.RAISED
    paid = settled.view(litres, replace(USUAL, heater_w=184.0), SaltVerdict.STEADY)
    assert paid.reading is EvaporationReading.COVER_OFF


def test_little_extra_heat_is_no_evidence() -> None:
    """A surface of a tenth: raised by half is 0.15 L/d, 4 W."""
    days = Days(SurfaceSpec(0.12, 35.0, 0.625))
    days.run(1.5)
    for _ in range(4):
        days.day(0.005 * PER_L)
    assert days.view(0.0075 * PER_L).reading is EvaporationReading.RAISED


def test_learning_anew(settled: Days) -> None:
    settled.book.relearn()
    view = settled.view(3.0)
    assert (view.coefficient, view.quiet_days, view.ratio) == (None, 0, None)


def test_the_sides_of_the_salt_balance(settled: Days) -> None:
    """Five days are known; a supply's fresh water is what left it, a sump's what was added."""
    settled.day(0.05 * PER_L + 1.0, added_l=7.0)
    ledger = settled.book.salt_ledger(settled.t_s)
    assert ledger is not None
    assert ledger.evaporation_l_per_day == pytest.approx(0.05 * PER_L, rel=WITHIN)
    assert ledger.fresh_in_l_per_day == pytest.approx(0.05 * PER_L + 0.2, rel=WITHIN)
    # 3 % of a day, of which there are five.
    assert ledger.evaporation_sigma == pytest.approx(0.03 / 5**0.5 * 0.05 * PER_L, rel=WITHIN)
    sump = EvaporationBook(replace(SPEC, is_tank_water=True))
    sump.restore(settled.book.snapshot())
    added = sump.salt_ledger(settled.t_s)
    assert added is not None
    assert added.fresh_in_l_per_day == pytest.approx(1.4)
    # A week later those days say nothing.
    assert settled.book.salt_ledger(settled.t_s + 7 * DAY_S) is None
    settled.book.relearn()
    assert settled.book.salt_ledger(settled.t_s) is None


def test_spread_of_the_days() -> None:
    """Median 0.05, distances 0.004, 0, 0.004: 1.4826 x 0.004 / 0.05 = 0.1186."""
    learner = CoefficientLearner(0.1)
    assert (learner.coefficient, learner.spread_frac) == (0.1, 1.0)
    for coefficient in (0.046, 0.05, 0.054):
        assert learner.take(Day(50.0 * coefficient, 50.0, is_quiet=True))
    assert learner.spread_frac == pytest.approx(0.1186, abs=1e-4)


def test_impossible_values_are_refused_and_not_taken(settled: Days) -> None:
    before = settled.book.snapshot()
    for seen, fault in (
        (replace(USUAL, water_c=78.8), InputFault.FAHRENHEIT),
        (replace(USUAL, room_c=72.0), InputFault.FAHRENHEIT),
        (replace(USUAL, humidity_frac=50.0), InputFault.PERCENT),
    ):
        with pytest.raises(InputError) as caught:
            settled.look(seen)
        assert caught.value.fault is fault
    assert settled.book.snapshot() == before
    with pytest.raises(InputError):
        SurfaceSpec(0.0, 35.0, 0.5)
    with pytest.raises(InputError):
        SurfaceSpec(1.0, 35.0, 50.0)


def test_the_books_come_back(settled: Days) -> None:
    settled.run(5.0)
    book = EvaporationBook(SPEC)
    book.restore(settled.book.snapshot())
    assert book.snapshot() == settled.book.snapshot()
    shown = book.view(settled.t_s, Measured(3.0, 0.0), USUAL, SaltVerdict.UNKNOWN)
    assert shown == settled.view(3.0)


def test_another_surface_learns_anew(settled: Days) -> None:
    """The coefficient is one of a square metre: with the wrong surface it was wrong, too."""
    book = EvaporationBook(replace(SPEC, area_m2=1.3))
    book.restore(settled.book.snapshot())
    view = book.view(settled.t_s, Measured(3.0, 0.0), USUAL, SaltVerdict.UNKNOWN)
    assert (view.coefficient, view.quiet_days) == (None, 0)
    assert view.expected_l_per_day == pytest.approx(0.09 * PER_L * 1.3 / 1.2, rel=WITHIN)


@pytest.mark.parametrize(
    "damage",
    [
        {"learner": None},
        {"area_m2": None},
        {"heaters": ["x"]},
        {"hours": [[1.0, 2.0]]},
        {"hours": 3},
        {"open": [{"key": "x"}]},
        {"open": [{"key": "x", "start_s": 2.0, "end_s": 1.0, "heater_w": None}]},
        {"closed": [[1.0]]},
    ],
    ids=str,
)
def test_damaged_books_are_refused(settled: Days, damage: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"number|books|day|above 0"):
        EvaporationBook(SPEC).restore(settled.book.snapshot() | damage)
