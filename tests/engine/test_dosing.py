"""Dose adjustment, delivery, two-part arithmetic and consumption (scipy's Theil-Sen)."""

from dataclasses import replace
from math import nan
from typing import Any

import pytest
from custom_components.stillwell.engine import consumption as use
from custom_components.stillwell.engine import two_part
from custom_components.stillwell.engine.consumption import KnownDose, TestResult
from custom_components.stillwell.engine.delivery import Delivery, judge_delivery
from custom_components.stillwell.engine.dosing import (
    DoseAdjuster,
    DoseAdvice,
    DosingFacts,
    DosingSpec,
    NoDose,
)
from custom_components.stillwell.engine.two_part import Alkali
from custom_components.stillwell.engine.validity import InputError
from scipy.stats import theilslopes

HOUR, DAY = 3600.0, 86400.0
SPEC = DosingSpec(
    target_m=0.2,
    sump_area_m2=0.18,
    ceiling_l_per_h=0.3,
    most_per_dose_l=0.05,
    most_per_hour_l=0.15,
    most_per_day_l=2.0,
    high_m=0.25,
)


def _settled(
    depth_m: float, spec: DosingSpec = SPEC, hours: float = 3.0
) -> tuple[DoseAdjuster, DoseAdvice]:
    adjuster = DoseAdjuster(spec)
    advice = adjuster.look(0.0, DosingFacts(depth_m))
    for minute in range(1, int(hours * 60) + 1):
        advice = adjuster.look(60.0 * minute, DosingFacts(depth_m))
    return adjuster, advice


def test_raised_when_the_sump_falls_and_lowered_when_it_rises() -> None:
    """5 mm low of 0.18 m2 are 0.9 L; less the dead band of 2 mm, 0.54 L in 6 h are 0.09 L/h,
    and the usual need has grown by 0.09 * 3 / 24 = 0.011 L/h in three hours."""
    adjuster, advice = _settled(0.195)
    assert advice.rate_l_per_h == pytest.approx(0.10125, abs=1e-5)
    assert advice.reason is NoDose.NONE
    assert advice.dose_l == pytest.approx(0.05)
    lower = adjuster.look(3.0 * HOUR + 60.0, DosingFacts(0.199))
    assert lower.rate_l_per_h < 0.03  # at once
    none = adjuster.look(3.0 * HOUR + 120.0, DosingFacts(0.21))
    assert none == DoseAdvice(0.0, 0.0, NoDose.LEVEL_SUFFICES, is_at_ceiling=False)


def test_ramp_floor_and_ceiling() -> None:
    assert _settled(0.1, hours=0.5)[1].rate_l_per_h == pytest.approx(0.1)  # 0.2 L/h per hour
    top = _settled(0.1)[1]
    assert top.rate_l_per_h == pytest.approx(0.3)
    assert top.is_at_ceiling
    floor = _settled(0.22, replace(SPEC, floor_l_per_h=0.02))[1]
    assert floor.rate_l_per_h == pytest.approx(0.02)


def test_time_that_jumps_raises_nothing() -> None:
    adjuster = DoseAdjuster(SPEC)
    adjuster.look(100.0, DosingFacts(0.1))
    assert adjuster.look(50.0, DosingFacts(0.1)).rate_l_per_h == 0.0
    # A week without a look ramps by no more than an hour.
    assert adjuster.look(7 * DAY, DosingFacts(0.1)).rate_l_per_h == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("facts", "reason"),
    [
        (DosingFacts(None), NoDose.STALE),
        (DosingFacts(0.19, is_locked_out=True), NoDose.LOCKOUT),
        (DosingFacts(0.25), NoDose.HIGH_LEVEL),
        (DosingFacts(0.19, pump_on=False), NoDose.PUMP_OFF),
        (DosingFacts(0.19, pump_on=None), NoDose.PUMP_OFF),
        (DosingFacts(0.19, ph=8.6, orp_mv=350.0), NoDose.PH_OUTSIDE),
        (DosingFacts(0.19, ph=None, orp_mv=350.0), NoDose.PH_OUTSIDE),
        (DosingFacts(0.19, ph=8.2, orp_mv=100.0), NoDose.ORP_OUTSIDE),
        (DosingFacts(0.19, ph=8.2, orp_mv=350.0, is_stock_empty=True), NoDose.STOCK_EMPTY),
        (DosingFacts(0.19, ph=8.2, orp_mv=350.0, most_for_ph_l=0.0), NoDose.PH_RISE_CAP),
    ],
)
def test_every_reason_not_to_dose(facts: DosingFacts, reason: NoDose) -> None:
    spec = replace(SPEC, ph_band=(7.8, 8.45), orp_band_mv=(200.0, 450.0))
    adjuster = DoseAdjuster(spec)
    good = DosingFacts(0.19, ph=8.2, orp_mv=350.0)
    for minute in range(120):
        advice = adjuster.look(60.0 * minute, good)
    assert advice.dose_l > 0.0
    advice = adjuster.look(7260.0, facts)
    if reason in (NoDose.PUMP_OFF, NoDose.HIGH_LEVEL):
        advice = adjuster.look(7260.0, replace(facts, ph=8.2, orp_mv=350.0))
    assert (advice.rate_l_per_h, advice.dose_l, advice.reason) == (0.0, 0.0, reason)


def test_caps_of_hour_and_rolling_day() -> None:
    adjuster, _ = _settled(0.19)
    now = 3.0 * HOUR
    for _ in range(3):
        adjuster.dosed(now, 0.05)
    capped = adjuster.look(now + 60.0, DosingFacts(0.19))
    assert capped.reason is NoDose.HOUR_CAP
    assert capped.is_at_ceiling
    assert adjuster.look(now + HOUR, DosingFacts(0.19)).reason is NoDose.NONE
    adjuster.dosed(now + 2 * HOUR, 1.85)  # by hand; it counts all the same
    assert adjuster.look(now + 4 * HOUR, DosingFacts(0.19)).reason is NoDose.DAY_CAP
    later = adjuster.look(now + DAY, DosingFacts(0.19))  # the first 0.15 L are a day old
    assert later.dose_l == pytest.approx(0.05)
    near = adjuster.look(now + DAY, DosingFacts(0.19, most_for_ph_l=0.03))
    assert near.dose_l == pytest.approx(0.03)
    with pytest.raises(InputError):
        adjuster.dosed(now, 0.0)


def test_what_other_lines_give_into_the_same_tank_counts_in_every_cap() -> None:
    """The caps are of the animals: 0.15 L an hour, 2 L a day, and the bearable rise of pH."""
    adjuster, _ = _settled(0.19)
    now = 3.0 * HOUR

    def look(**others: float) -> DoseAdvice:
        return adjuster.look(now, DosingFacts(0.19, **others))

    adjuster.dosed(now, 0.05)
    assert look(others_hour_l=0.08, others_day_l=0.08).dose_l == pytest.approx(0.02)
    assert look(others_hour_l=0.10, others_day_l=0.10).reason is NoDose.HOUR_CAP
    assert look(others_day_l=1.93).dose_l == pytest.approx(0.02)
    assert look(others_day_l=1.95).reason is NoDose.DAY_CAP
    assert look(others_hour_l=0.02, most_for_ph_l=0.08).dose_l == pytest.approx(0.01)
    assert look(others_hour_l=0.03, most_for_ph_l=0.08).reason is NoDose.PH_RISE_CAP


def test_one_look_with_the_clock_ahead_does_not_empty_the_ledger() -> None:
    """The day's cap of 2 L was given; a clock a month ahead for one look allows no second one."""
    adjuster, _ = _settled(0.19)
    now = 3.0 * HOUR
    for step in range(10):
        adjuster.dosed(now + 600.0 * step, 0.2)
    now += 2.0 * HOUR
    facts = DosingFacts(0.19)
    assert adjuster.look(now, facts).reason is NoDose.DAY_CAP
    adjuster.look(now + 30.0 * DAY, facts)
    assert adjuster.given_l(now + 60.0, DAY) == pytest.approx(2.0)
    assert adjuster.look(now + 60.0, facts).reason is NoDose.DAY_CAP
    # A clock set back by a week: what was given then counts until it is a day old.
    assert adjuster.look(now - 7.0 * DAY, facts).reason is NoDose.DAY_CAP
    assert adjuster.look(now + DAY, facts).reason is not NoDose.DAY_CAP


def test_the_ledger_is_bounded_and_holds_a_day_of_a_pump_that_never_rests() -> None:
    """1 mL a minute for three days: 1.44 L in any rolling day, within one step of 5 minutes."""
    adjuster = DoseAdjuster(SPEC)
    for minute in range(3 * 1440):
        adjuster.dosed(60.0 * minute, 0.001)
    assert adjuster.given_l(3 * DAY - 60.0, DAY) == pytest.approx(1.44, abs=0.005)
    assert len(adjuster.snapshot()["doses"]) == 301


def test_the_ledger_survives_a_restart() -> None:
    adjuster, _ = _settled(0.19)
    adjuster.dosed(2.9 * HOUR, 0.15)
    other = DoseAdjuster(SPEC)
    other.restore(adjuster.snapshot())
    assert other.look(3.0 * HOUR, DosingFacts(0.19)).reason is NoDose.HOUR_CAP
    fresh = DoseAdjuster(SPEC)
    fresh.restore(DoseAdjuster(SPEC).snapshot())
    assert fresh.given_l(0.0, DAY) == 0.0


@pytest.mark.parametrize(
    "broken",
    [{"doses": None}, {"doses": [3]}, {"doses": [[1.0]]}, {"doses": [[1.0, "x"]]},
     {"doses": [[1.0, nan]]}, {"usual_l_per_h": None}, {"last_s": "x"}],
    ids=str,
)  # fmt: skip
def test_a_damaged_ledger_is_refused(broken: dict[str, Any]) -> None:
    data = {"usual_l_per_h": 0.1, "last_s": 0.0, "doses": []}
    with pytest.raises(ValueError, match="doses"):
        DoseAdjuster(SPEC).restore(data | broken)


def test_contradictions_are_refused() -> None:
    for change in (
        {"target_m": 0.0}, {"most_per_hour_l": 0.01}, {"most_per_day_l": 0.1},
        {"floor_l_per_h": 1.0}, {"dead_band_m": 0.5}, {"ph_band": (8.5, 7.5)},
    ):  # fmt: skip
        with pytest.raises(InputError):
            replace(SPEC, **change)


# Delivery


@pytest.mark.parametrize(
    ("commanded", "drawn", "stock", "found"),
    [
        (0.5, 0.48, 8.0, Delivery.ARRIVING),
        (0.5, 0.1, 8.0, Delivery.PUMP_CLOGGED),
        (0.5, 0.1, None, Delivery.PUMP_CLOGGED),
        (0.5, 0.0, 0.0, Delivery.STOCK_EXHAUSTED),
        (0.5, None, 8.0, Delivery.UNKNOWN),
        (0.05, 0.0, 8.0, Delivery.UNKNOWN),
        (0.0, 0.0, 8.0, Delivery.UNKNOWN),
    ],
)
def test_delivery(
    commanded: float, drawn: float | None, stock: float | None, found: Delivery
) -> None:
    assert judge_delivery(commanded, drawn, stock, 0.03) is found


def test_delivery_refuses() -> None:
    for commanded, sigma in ((-1.0, 0.03), (1.0, 0.0)):
        with pytest.raises(InputError):
            judge_delivery(commanded, 0.0, 1.0, sigma)


# Two-part; every figure worked from molar masses (IUPAC 2021) to the digits shown


@pytest.mark.parametrize(
    ("alkali", "ml", "mol", "litres", "dkh"),
    [
        (Alkali.CARBONATE, 50.0, 1.0, 300.0, 0.934623),
        (Alkali.BICARBONATE, 50.0, 0.9, 300.0, 0.420581),
        (Alkali.CARBONATE, 10.0, 1.8, 100.0, 1.009393),
        (Alkali.HYDROXIDE, 10.0, 1.0, 100.0, 0.280387),
    ],
)
def test_rise_of_a_dose(alkali: Alkali, ml: float, mol: float, litres: float, dkh: float) -> None:
    assert two_part.rise_dkh(alkali, ml, mol, litres) == pytest.approx(dkh, abs=1e-6)
    assert two_part.dose_for_dkh_ml(alkali, dkh, mol, litres) == pytest.approx(ml, rel=1e-5)


def test_powders_and_what_they_leave() -> None:
    for alkali, grams in (
        (Alkali.CARBONATE, 1.89004), (Alkali.BICARBONATE, 2.99610), (Alkali.HYDROXIDE, 1.42650),
    ):  # fmt: skip
        found = two_part.powder_for_dkh_g(alkali, 1.0, 100.0)
        assert found == pytest.approx(grams, rel=5e-5)
    assert two_part.powder_for_calcium_g(10.0, 100.0) == pytest.approx(3.66821, rel=5e-5)
    assert two_part.salt_left_g_per_l(1.0) == pytest.approx(0.02084, abs=1e-5)
    # A balanced pair: as many moles of calcium as of carbonate, 20.039 mg/L per meq/L.
    calcium = two_part.calcium_rise_mg_per_l(50.0, 1.0, 300.0)
    meq_per_l = 2.0 * 50.0 / 300.0
    assert calcium / meq_per_l == pytest.approx(20.039, abs=1e-3)
    with pytest.raises(InputError):
        two_part.rise_dkh(Alkali.CARBONATE, 50.0, 106.0, 300.0)  # g/L taken for mol/L


# Consumption


def test_consumption_is_scipys_slope_with_doses_taken_off() -> None:
    """scipy.stats.theilslopes on the same corrected points: to rounding."""
    days = [0.0, 1.0, 2.5, 4.0, 5.0, 7.0]
    measured = [8.0, 7.7, 8.4, 7.9, 11.0, 7.2]  # one of them mistyped
    doses = [KnownDose(2.0 * DAY, 1.0), KnownDose(3.0 * DAY, 0.2)]
    corrected = [
        value - sum(dose.rise_dkh for dose in doses if dose.t_s <= day * DAY)
        for day, value in zip(days, measured, strict=True)
    ]
    expected = theilslopes(corrected, days).slope
    results = [TestResult(d * DAY, v) for d, v in zip(days, measured, strict=True)]
    found = use.consumption(results[::-1], doses[::-1])
    assert found is not None
    assert found.dkh_per_day == pytest.approx(-expected, rel=1e-9)
    assert found.tests == 6
    assert found.spread_dkh < 0.5


def test_consumption_needs_some_tests_and_days() -> None:
    assert use.consumption([TestResult(0.0, 8.0), TestResult(3 * DAY, 7.0)], []) is None
    close = [TestResult(i * HOUR, 8.0) for i in range(4)]
    assert use.consumption(close, []) is None
    # Repeats within minutes tell of the kit, and carry no slope of their own.
    twice = [TestResult(0.0, 8.0), TestResult(60.0, 8.3), TestResult(2 * DAY, 7.0)]
    found = use.consumption(twice, [])
    assert found is not None
    assert found.dkh_per_day == pytest.approx(0.575, abs=0.001)
    with pytest.raises(InputError):
        use.consumption(twice, [KnownDose(0.0, -1.0)])
    with pytest.raises(InputError):
        TestResult(0.0, 142.0)  # ppm taken for dKH


def test_dose_to_hold() -> None:
    assert use.dose_to_hold(0.5, 7.3, 8.0, 1.0) == pytest.approx(0.6)
    assert use.dose_to_hold(0.5, 3.0, 8.0, 1.0) == 1.0
    assert use.dose_to_hold(-0.2, 9.0, 8.0, 1.0) == 0.0
    with pytest.raises(InputError):
        use.dose_to_hold(0.5, 7.0, 142.0, 1.0)
    with pytest.raises(InputError):
        use.dose_to_hold(0.5, 7.0, 8.0, -1.0)


@pytest.mark.parametrize(
    ("alkali", "mol_per_l", "ml", "grams"),
    [(Alkali.CARBONATE, 1.0, 17.8325, 1.89004), (Alkali.BICARBONATE, 0.9, 39.628, 2.99610),
     (Alkali.HYDROXIDE, 1.0, 35.665, 1.42650)],
)  # fmt: skip
def test_a_balanced_pair(alkali: Alkali, mol_per_l: float, ml: float, grams: float) -> None:
    """1 dKH in 100 L: 35.665 meq; 17.8325 mmol of calcium, 7.1469 mg/L (atomic weights)."""
    pair = two_part.two_part(alkali, 1.0, 100.0, mol_per_l, 1.0)
    assert pair.alkali_ml == pytest.approx(ml, rel=1e-4)
    assert pair.alkali_powder_g == pytest.approx(grams, rel=1e-4)
    assert pair.calcium_ml == pytest.approx(17.8325, rel=1e-4)
    assert pair.calcium_rise_mg_per_l == pytest.approx(7.1469, rel=1e-4)
    assert pair.calcium_powder_g == pytest.approx(0.71469 * 3.66821, rel=1e-4)
    assert pair.salt_g_per_l == pytest.approx(0.02084, abs=1e-5)
    with pytest.raises(InputError):
        two_part.two_part(alkali, 1.0, 100.0, mol_per_l, 0.0)
