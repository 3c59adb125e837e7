"""Judging reports: NE 43 and NE 107 words, outlier practice, faults of cheap strips."""

import json
import math
import random

import numpy as np
import pytest
from custom_components.stillwell.engine.conditioning import (
    Conditioner,
    ConditioningSettings,
    Verdict,
    loop_current_reading,
    status_of,
)
from custom_components.stillwell.engine.quantities import Reading, Reason, Status
from reservoir_sim import HEIGHT_M, START, Course, reports
from statsmodels.robust.scale import mad

BOX = ConditioningSettings(height_m=HEIGHT_M)


def reading(depth_m: float | None, *, zero: bool | None = None) -> Reading:
    if depth_m is None:
        return Reading(None, Reason.UNAVAILABLE)
    return Reading(depth_m, Reason.NONE, depth_m == 0.0 if zero is None else zero)


def settled(
    depth_m: float = 0.2,
    *,
    n: int = 60,
    interval_s: float = 60.0,
    sigma_m: float = 0.001,
    settings: ConditioningSettings = BOX,
) -> tuple[Conditioner, float]:
    """Return a conditioner that knows its source, and the time of the next report."""
    rnd = random.Random(3)
    c, t = Conditioner(settings), START
    for _ in range(n):
        c.report(t, reading(round(depth_m + rnd.gauss(0.0, sigma_m), 3)))
        t += interval_s
    return c, t


# --- loop current: NAMUR NE 43 (2003; rev. 2021), vectors of the standard's limits ------------


@pytest.mark.parametrize(
    ("current_ma", "reason", "depth_mm"),
    [
        (3.5, Reason.LOOP_FAULT, None),
        (3.6, Reason.LOOP_FAULT, None),
        (3.7, Reason.LOOP_SATURATED, -7.5),
        (3.8, Reason.NONE, -5.0),
        (4.0, Reason.NONE, 0.0),
        (12.0, Reason.NONE, 200.0),
        (20.5, Reason.NONE, 412.5),
        (20.8, Reason.LOOP_SATURATED, 420.0),
        (21.0, Reason.LOOP_FAULT, None),
    ],
)
def test_loop_current(current_ma: float, reason: Reason, depth_mm: float | None) -> None:
    got = loop_current_reading(current_ma, 0.0, 0.4)
    assert got.reason is reason
    if depth_mm is None:
        assert got.depth_m is None
    else:
        assert got.depth_m is not None
        assert got.depth_m * 1000 == pytest.approx(depth_mm)


def test_saturated_loop_is_uncertain_and_holds_the_level() -> None:
    c, t = settled()
    before = c.last_depth_m
    verdict = c.report(t, Reading(0.2, Reason.LOOP_SATURATED))
    assert (verdict.status, verdict.accepted) == (Status.OUT_OF_SPECIFICATION, ())
    assert c.last_depth_m == before


def test_every_reason_has_its_word_of_ne_107() -> None:
    """NAMUR NE 107: failure, function check, out of specification, maintenance required."""
    assert status_of(Reason.NONE) is Status.GOOD
    assert status_of(Reason.STALE) is Status.FAILURE
    assert status_of(Reason.STARTING) is Status.FUNCTION_CHECK
    assert status_of(Reason.STUCK) is Status.OUT_OF_SPECIFICATION
    assert status_of(Reason.MANY_REJECTED) is Status.MAINTENANCE_REQUIRED
    assert {status_of(r) for r in Reason} == set(Status)


# --- start -------------------------------------------------------------------------------


def test_three_agreeing_samples_make_a_start() -> None:
    c = Conditioner(BOX)
    first = c.report(START, reading(0.25))  # a spike may come first
    assert (first.status, first.accepted) == (Status.FUNCTION_CHECK, ())
    for k, depth in enumerate((0.200, 0.201), 1):
        assert c.report(START + 60 * k, reading(depth)).accepted == ()
    third = c.report(START + 180, reading(0.199))
    assert third.status is Status.GOOD
    assert [d for _, d in third.accepted] == [0.200, 0.201, 0.199]
    assert not third.is_step
    assert c.last_good_s == START + 180
    assert c.last_depth_m == 0.199


@pytest.mark.parametrize(
    "reason",
    [
        Reason.UNAVAILABLE,
        Reason.NOT_NUMERIC,
        Reason.NOT_FINITE,
        Reason.UNIT_UNKNOWN,
        Reason.NO_SOURCE,
    ],
)
def test_a_missing_value_is_a_failure_with_its_reason(reason: Reason) -> None:
    c, t = settled()
    verdict = c.report(t, Reading(None, reason))
    assert (verdict.status, verdict.reason, verdict.accepted) == (Status.FAILURE, reason, ())
    back = c.report(t + 60, reading(0.2))
    assert back.status is Status.GOOD
    assert back.accepted


# --- spikes and steps ----------------------------------------------------------------------


def test_hampel_vector_flags_the_same_two_samples() -> None:
    """Hampel 1974, vector and MAD checked with statsmodels: samples 4 and 10 are outliers."""
    x = [10, 10.1, 9.9, 10, 15, 10.1, 10, 9.8, 10.2, 10, 3, 10.1, 10]
    assert float(mad(np.array(x))) == pytest.approx(0.148260, abs=1e-6)
    c, t = settled(0.10, sigma_m=0.001)
    passed = []
    for k, cm in enumerate(x):
        verdict = c.report(t + 60 * k, reading(cm / 100))
        assert verdict.status is Status.GOOD
        if verdict.accepted:
            passed.append(k)
    assert sorted(set(range(len(x))) - set(passed)) == [4, 10]
    assert c.rejected_count == 2


def test_no_spike_of_a_week_gets_through() -> None:
    """1 % spikes of 0.5 to 5 cm, 1 mm noise: those beyond the gate are all kept out."""
    c, n_far = Conditioner(BOX), 0
    for row in reports(Course(days=4.0)):
        verdict = c.report(row.t_s, reading(row.depth_m))
        true_m = row.volume_l / 90.0
        n_far += row.depth_m is not None and abs(row.depth_m - true_m) > 0.0075
        for _, depth_m in verdict.accepted:
            assert abs(depth_m - true_m) < 0.0075
    assert n_far > 30
    assert c.rejected_count >= n_far - 1


@pytest.mark.parametrize("step_m", [0.03, -0.05, 0.1])
def test_a_real_step_is_accepted_within_three_agreeing_samples(step_m: float) -> None:
    c, t = settled()
    verdicts = [c.report(t + 60 * k, reading(0.2 + step_m)) for k in range(3)]
    assert [v.reason for v in verdicts[:2]] == [Reason.NONE, Reason.CONFIRMING_STEP]
    assert verdicts[2].is_step
    assert len(verdicts[2].accepted) == 3
    assert verdicts[2].status is Status.GOOD
    assert c.rejected_count == 0


def test_a_fill_between_rare_reports_is_a_straight_line() -> None:
    c, t = settled(0.05, interval_s=600.0)
    verdicts = [c.report(t + 600 * k, reading(0.05 + 0.03 * (k + 1))) for k in range(6)]
    assert verdicts[2].is_step
    assert len(verdicts[3].accepted) == 1
    assert len(verdicts[5].accepted) == 1


def test_a_downward_spike_in_a_fill_is_kept_out() -> None:
    c, t = settled(0.05)
    depth_m = 0.05
    for _ in range(10):
        depth_m += 0.0035
        assert c.report(t, reading(depth_m)).accepted
        t += 60
    assert c.report(t, reading(depth_m + 0.0035 - 0.015)).accepted == ()
    assert c.report(t + 60, reading(depth_m + 0.007)).accepted


def test_readings_that_jump_about_are_impossible() -> None:
    c, t = settled()
    got = [
        c.report(t + 60 * k, reading(d)).reason
        for k, d in enumerate((0.3, 0.1, 0.28, 0.06, 0.31, 0.12))
    ]
    assert got[0] is Reason.NONE
    assert got[-1] is Reason.RATE_IMPOSSIBLE
    assert c.last_depth_m == pytest.approx(0.2, abs=0.004)


def test_many_rejected_asks_for_maintenance() -> None:
    c, t = settled()
    for k in range(60):
        verdict = c.report(t + 60 * k, reading(0.25 if k % 6 == 0 else 0.2))
    assert (verdict.status, verdict.reason) == (
        Status.MAINTENANCE_REQUIRED,
        Reason.MANY_REJECTED,
    )
    assert verdict.status.is_usable


def test_a_very_noisy_source_asks_for_maintenance() -> None:
    rnd = random.Random(5)
    c = Conditioner(BOX)
    for k in range(1500):
        verdict = c.report(START + 60 * k, reading(0.17 + rnd.gauss(0.0, 0.02)))
    assert verdict.reason is Reason.NOISY


# --- disconnection ---------------------------------------------------------------------------


def test_exact_zero_is_a_failure_at_once_even_first() -> None:
    """Trade fact (common practice, no source): an unplugged strip reads exactly 0."""
    c = Conditioner(BOX)
    for k in range(10):
        verdict = c.report(START + 60 * k, reading(0.0))
        assert (verdict.status, verdict.reason) == (Status.FAILURE, Reason.ZERO_NOT_EMPTY)
        assert verdict.accepted == ()
    known, t = settled()
    assert known.report(t, reading(0.0)).status is Status.FAILURE


def test_flicker_near_zero_is_never_a_level() -> None:
    rnd = random.Random(7)
    c, t = settled(interval_s=120.0)
    for k in range(90):
        depth_m = round(rnd.uniform(0.0, 0.003), 3)
        verdict = c.report(t + 120 * k, reading(depth_m))
        assert verdict.accepted == ()
        if k > 0:
            assert verdict.reason is Reason.ZERO_NOT_EMPTY
    back = [c.report(t + 120 * (90 + k), reading(0.199)) for k in range(3)]
    assert back[0].accepted  # agrees with what was held: passed on at once ...
    assert back[0].status is Status.FUNCTION_CHECK  # ... but not acted on before three agree
    assert back[2].status is Status.GOOD


def test_after_a_refill_while_unplugged_three_samples_are_believed() -> None:
    c, t = settled()
    for k in range(120):
        c.report(t + 60 * k, reading(0.0))
    back = [c.report(t + 60 * (120 + k), reading(0.30)) for k in range(3)]
    assert back[2].is_step
    assert c.last_depth_m == 0.30


def test_a_vessel_that_empties_slowly_may_read_zero() -> None:
    c, t = settled(0.02)
    for k in range(400):
        verdict = c.report(t + 60 * k, reading(round(max(0.0, 0.02 - 0.0001 * k), 3)))
        assert verdict.status is Status.GOOD
    assert c.last_depth_m == 0.0


def test_zero_is_a_level_where_it_is_not_suspect() -> None:
    c = Conditioner(ConditioningSettings(HEIGHT_M, zero_is_suspect=False))
    for k in range(3):
        verdict = c.report(START + 60 * k, reading(0.0))
    assert verdict.status is Status.GOOD


def test_outside_the_vessel() -> None:
    c, t = settled()
    assert c.report(t, reading(0.4)).reason is Reason.NONE  # a lone spike
    assert c.report(t + 60, reading(0.4)).reason is Reason.OUTSIDE_VESSEL
    assert c.report(t + 120, reading(-0.05, zero=False)).status is Status.FAILURE
    assert Conditioner(BOX).report(t, reading(0.4)).reason is Reason.OUTSIDE_VESSEL


def test_a_depth_a_little_over_the_rim_is_the_rim() -> None:
    c = Conditioner(BOX)
    for k in range(3):
        verdict = c.report(START + k, reading(HEIGHT_M + 0.003))
    assert {d for _, d in verdict.accepted} == {HEIGHT_M}


# --- stuck, stale, clock ---------------------------------------------------------------------


def test_a_noisy_source_that_stands_still_is_stuck() -> None:
    c, t = settled(n=400)
    reasons = [c.report(t + 60 * k, reading(0.2)).reason for k in range(90)]
    assert reasons[30] is Reason.NONE
    assert reasons[-1] is Reason.STUCK
    freed = c.report(t + 60 * 90, reading(0.199))
    assert freed.accepted


@pytest.mark.parametrize("is_restarted", [False, True])
def test_what_is_stuck_is_not_freed_by_a_gap(is_restarted: bool) -> None:
    """Only another value frees it: an unplugged line that goes on telling its last value."""
    c, t = settled(n=400)
    for k in range(90):
        c.report(t + 60 * k, reading(0.2))
    c.report(t + 60 * 90, reading(None))
    if is_restarted:
        data = json.loads(json.dumps(c.snapshot()))
        c = Conditioner(ConditioningSettings(HEIGHT_M))
        c.restore(data)
        c.restarted(t + 60 * 90)
    after = [c.report(t + 60 * k, reading(0.2)) for k in range(91, 95)]
    assert {v.reason for v in after} == {Reason.STUCK}
    assert not any(v.accepted for v in after)
    for k in range(95, 99):
        c.report(t + 60 * k, reading(0.199 + 0.001 * (k % 2)))
    freed = c.report(t + 60 * 99, reading(0.199))
    assert freed.accepted


@pytest.mark.parametrize("per_report_m", [0.005, -0.0000231])
def test_water_that_came_to_rest_is_not_stuck(per_report_m: float) -> None:
    """No change is no use, if the readings never went to and fro at rest.

    A vat of 50 cm filled within an hour, and a bin that 3 L a day left for days (900 cm2:
    33.3 mm a day), each read in whole percent every minute; then nobody draws for two days.
    """
    conditioner = Conditioner(ConditioningSettings(0.5))
    depth_m = 0.05 if per_report_m > 0.0 else 0.45
    moving = round(0.35 / abs(per_report_m))
    for minute in range(moving + 2880):
        depth_m += per_report_m if minute < moving else 0.0
        shown = reading(round(depth_m * 200.0) / 200.0)
        verdict = conditioner.report(START + 60.0 * minute, shown)
        assert verdict.reason is not Reason.STUCK


def test_only_changes_are_never_stuck_and_their_silence_is_long_allowed() -> None:
    c = Conditioner(BOX)
    rows = list(reports(Course(days=2.0, sigma_m=0.0003, spikes=0.0, only_changes=True)))
    for row in rows:
        verdict = c.report(row.t_s, reading(row.depth_m))
        assert verdict.reason is not Reason.STUCK
    assert c.is_on_change
    last_s = rows[-1].t_s
    assert c.tick(last_s + 5 * 3600).status is Status.GOOD
    assert c.tick(last_s + 48 * 3600).reason is Reason.STALE
    assert c.noise_m == pytest.approx(0.0003, rel=0.25)


def test_only_changes_silence_says_that_nothing_changed() -> None:
    c = Conditioner(BOX)
    rows = list(reports(Course(days=1.0, sigma_m=0.0003, spikes=0.0, only_changes=True)))
    for row in rows:
        verdict = c.report(row.t_s, reading(row.depth_m))
    assert verdict.status is Status.GOOD
    t, level = rows[-1].t_s, c.last_depth_m
    assert level is not None
    later = c.report(t + 1200.0, reading(level - 0.001))
    assert later.accepted == (
        (t + 300.0, level),
        (t + 600.0, level),
        (t + 900.0, level),
        (t + 1200.0, level - 0.001),
    )


def test_only_changes_a_value_that_stands_is_believed() -> None:
    c = Conditioner(BOX)
    rows = list(reports(Course(days=2.0, sigma_m=0.0003, spikes=0.0, only_changes=True)))
    for row in rows:
        c.report(row.t_s, reading(row.depth_m))
    t, level = rows[-1].t_s, c.last_depth_m
    assert level is not None
    c.restarted(t + 600)
    assert c.tick(t + 601).reason is Reason.STARTING
    assert c.report(t + 660, reading(level)).reason is Reason.STARTING
    assert c.tick(t + 660 + 7200).status is Status.GOOD
    assert c.report(t + 20000, reading(level + 0.05)).accepted == ()
    believed = c.report(t + 27000, reading(level + 0.049))
    assert believed.is_step
    assert len(believed.accepted) == 2
    assert c.report(t + 27060, reading(level + 0.1)).accepted == ()


def test_staleness_follows_the_learned_interval() -> None:
    c, t = settled(n=100, interval_s=120.0)
    assert c.interval_s == pytest.approx(120.0)
    assert c.tick(t + 120).status is Status.GOOD
    stale = c.tick(t + 900)
    assert (stale.status, stale.reason, stale.accepted) == (Status.FAILURE, Reason.STALE, ())
    assert c.report(t + 960, reading(0.2)).reason is Reason.STARTING


def test_before_anything_is_learned_an_hour_is_allowed() -> None:
    c = Conditioner(BOX)
    assert c.tick(START).reason is Reason.STARTING
    assert c.interval_s is None
    c.report(START, reading(0.2))
    assert c.tick(START + 3500).reason is Reason.STARTING
    assert c.tick(START + 3700).reason is Reason.STALE


def test_the_keepers_limit_wins() -> None:
    c, t = settled(settings=ConditioningSettings(HEIGHT_M, stale_after_s=7200.0))
    assert c.tick(t + 7000).status is Status.GOOD
    assert c.tick(t + 7300).reason is Reason.STALE


def test_a_clock_set_back_is_said_and_survived() -> None:
    c, t = settled()
    back = c.report(t - 3600, reading(0.2))
    assert (back.status, back.reason) == (Status.OUT_OF_SPECIFICATION, Reason.CLOCK)
    after = [c.report(t - 3600 + 60 * k, reading(0.2)) for k in range(1, 4)]
    assert after[0].reason is Reason.STARTING
    assert after[0].accepted == ((t - 3540, 0.2),)
    assert after[2].status is Status.GOOD


def test_two_reports_at_one_time() -> None:
    c, t = settled()
    c.report(t, reading(0.2))
    assert c.report(t, reading(0.201)).status is Status.GOOD


def test_reports_at_one_time_have_no_slope() -> None:
    """Five values at one instant, each within the gate of the last, then one beyond it."""
    c, t = settled()
    for depth_m in (0.2, 0.2025, 0.2045, 0.2065, 0.2085):
        assert c.report(t, reading(depth_m)).accepted == ((t, depth_m),)
    assert c.report(t, reading(0.215)).accepted == ()


# --- what is learned ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sigma_m", "step_m"),
    [(0.0003, 0.0001), (0.001, 0.001), (0.0005, 0.00254), (0.003, 0.001), (0.003, 0.01)],
)
def test_noise_and_rounding_are_learned(sigma_m: float, step_m: float) -> None:
    """Against the true noise of the simulated strip; 1 mm, 0.1 mm, 0.1 in and 1 cm displays."""
    c = Conditioner(BOX)
    assert c.noise_m is None
    assert c.resolution_m is None
    for row in reports(Course(days=1.5, sigma_m=sigma_m, step_m=step_m, spikes=0.0)):
        c.report(row.t_s, reading(row.depth_m))
    assert c.resolution_m == pytest.approx(step_m, rel=1e-6)
    assert c.noise_m == pytest.approx(sigma_m, rel=0.2)


def test_memory_survives_and_trust_is_earned_anew() -> None:
    c, t = settled(n=200)
    again = Conditioner(BOX)
    again.restore(json.loads(json.dumps(c.snapshot())))
    assert again.noise_m == pytest.approx(c.noise_m, rel=0.02)
    assert again.interval_s == c.interval_s
    assert again.last_depth_m == c.last_depth_m
    again.restarted(t + 1200)
    verdicts: list[Verdict] = [again.report(t + 1260 + 60 * k, reading(0.2)) for k in range(3)]
    assert [v.reason for v in verdicts] == [Reason.STARTING, Reason.STARTING, Reason.NONE]
    assert all(v.accepted for v in verdicts)
    fresh = Conditioner(BOX)
    fresh.restore(json.loads(json.dumps(Conditioner(BOX).snapshot())))
    assert fresh.last_good_s is None


@pytest.mark.parametrize("bad", [{}, {"rhythm": 3}, {"rhythm": {}, "texture": {}}])
def test_a_foreign_snapshot_is_refused(bad: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="snapshot"):
        Conditioner(BOX).restore(bad)


def test_inches_scenario_of_the_trade() -> None:
    """15 in strip, tenths of an inch; refill from 3 in to 13 in in 65 min (common practice)."""
    inch = 0.0254
    c, t = settled(3 * inch, settings=ConditioningSettings(15 * inch), sigma_m=0.0005)
    for k in range(66):
        depth_m = round((3 + 10 * k / 65) * 10) / 10 * inch
        verdict = c.report(t + 60 * k, reading(depth_m))
        assert verdict.status.is_usable or verdict.reason is Reason.CONFIRMING_STEP
    assert c.last_depth_m == pytest.approx(13 * inch)
    assert c.report(t + 4000, reading(0.0)).status is Status.FAILURE
    assert math.isclose(c.last_depth_m or 0.0, 13 * inch)
