"""Forecast against filterpy, scipy, statsmodels, arithmetic, and seeded rooms it never saw.

The simulated rooms are drawn here with numpy, in formulas of their own.
"""

import json
import math

import numpy as np
import pytest
import statsmodels.api as sm
from custom_components.stillwell.engine.day_pattern import DayPattern
from custom_components.stillwell.engine.forecast import Forecaster
from custom_components.stillwell.engine.quantities import DAY_S, HOUR_S, UseBlock
from custom_components.stillwell.engine.use_rate import MODELS, UseRate, _Filter, _future
from filterpy.kalman import KalmanFilter
from scipy.integrate import dblquad, quad
from scipy.optimize import brentq
from scipy.stats import lognorm

T0 = 1_770_000_000.0 // DAY_S * DAY_S


def fed(
    use_l: list[float], *, span_s: float = HOUR_S, sigma_l: float = 0.0, offset_s: float = 0.0
) -> Forecaster:
    """A forecaster that has seen these uses one after the other from midnight UTC."""
    f = Forecaster()
    for i, used in enumerate(use_l):
        f.add(UseBlock(T0 + i * span_s, T0 + (i + 1) * span_s, used, sigma_l, True), offset_s)
    return f


def room(seed: int, days: int, spread: float, tau_d: float, swing: float) -> np.ndarray:
    """Hourly litres of a room of 3 L/day whose log rate wanders (an AR(1) series)."""
    rng = np.random.default_rng(seed)
    keep = math.exp(-1.0 / (24.0 * tau_d))
    x, rates = rng.normal(0.0, spread), []
    for hour in range(24 * days):
        day = 1.0 + swing * math.sin(2.0 * math.pi * hour / 24.0)
        rates.append(3.0 / 24.0 * math.exp(x) * day)
        x = keep * x + rng.normal(0.0, spread * math.sqrt(1.0 - keep * keep))
    return np.array(rates)


# --- the bank of filters ---


def test_one_filter_equals_filterpy() -> None:
    s, tau, step_d, level_var, extra = 0.14, 3.0, 1.0 / 24.0, 4e-4, 1e-5
    ours = _Filter(s, tau, 1.0)
    ours.start(3.0, 1.5)
    ours.fresh_level(level_var)
    # The same model with both level errors as states: x = (mean, deviation, new, old).
    kf = KalmanFilter(dim_x=4, dim_z=1)
    decay = math.exp(-step_d / tau)
    kf.x = np.array([[3.0], [0.0], [0.0], [0.0]])
    kf.P = np.diag([1.5**2, (s * 3.0) ** 2, level_var, 0.0])
    kf.F = np.array([[1, 0, 0, 0], [0, decay, 0, 0], [0, 0, 0, 0], [0, 0, 1.0, 0]])
    kf.H = np.array([[step_d, step_d, 1.0, -1.0]])
    kf.R = np.array([[extra]])
    rng = np.random.default_rng(3)
    for used in rng.normal(0.125, 0.03, 60):
        scale = abs(ours.m)
        kf.Q = np.diag(
            [(0.015 * scale) ** 2 * step_d, (s * scale) ** 2 * (1.0 - decay**2), level_var, 0.0]
        )
        kf.predict()
        kf.update(used)
        ours.predict(step_d, decay)
        ours.update(float(used), step_d, level_var, extra)
        assert ours.m == pytest.approx(kf.x[0, 0], rel=1e-9)
        assert ours.u == pytest.approx(kf.x[1, 0], rel=1e-6, abs=1e-9)
        assert ours.n == pytest.approx(kf.x[2, 0], rel=1e-6, abs=1e-9)
        assert ours.mm == pytest.approx(kf.P[0, 0], rel=1e-7)
        assert ours.un == pytest.approx(kf.P[1, 2], rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("tau", "span"), [(0.8, 0.25), (3.0, 2.0), (12.0, 30.0)])
def test_integrated_wander_matches_its_covariance_integral(tau: float, span: float) -> None:
    # Variance of the integral is the double integral of the covariance (textbook definition);
    # a start known exactly leaves exp(-|a-b|/tau) - exp(-(a+b)/tau). Integrated by scipy.
    def covariance(a: float, b: float) -> float:
        return math.exp(-abs(a - b) / tau) - math.exp(-(a + b) / tau)

    below, _ = dblquad(covariance, 0.0, span, 0.0, lambda b: b)
    reach, added = _future(tau, span)
    assert added == pytest.approx(2.0 * below, rel=1e-6)
    assert reach == pytest.approx(tau * (1.0 - math.exp(-span / tau)))


def test_bank_prefers_the_spread_that_made_the_data() -> None:
    # Weights of models by likelihood (Magill 1965): calm data must not look wild, nor wild calm.
    calm, wild = UseRate(), UseRate()
    for rate, spread in ((calm, 0.0), (wild, 0.35)):
        rate.start(3.0, 1.0, 1e-6)
        for used in room(5, 20, spread, 0.8, 0.0):
            rate.pass_time(1.0 / 24.0)
            rate.learn(float(used), 1.0 / 24.0, 1e-6, 0.0)
    assert calm.change_sigma_frac(1.0) < 0.05
    assert 0.2 < wild.change_sigma_frac(1.0) < 0.5


# --- pattern of the day ---


def test_pattern_agrees_with_least_squares() -> None:
    rng = np.random.default_rng(8)
    hours = np.arange(24 * 20)
    angle = 2.0 * np.pi * (hours + 0.5) / 24.0
    truth = 3.0 * (1.0 + 0.3 * np.cos(angle) - 0.2 * np.sin(angle) + 0.1 * np.cos(2 * angle))
    seen = truth + rng.normal(0.0, 0.3, len(hours))
    columns = [np.ones(len(hours))]
    for k in (1, 2, 3):
        columns += [np.cos(k * angle), np.sin(k * angle)]
    fit = sm.OLS(seen, np.column_stack(columns)).fit()
    pattern = DayPattern()
    for hour, value in zip(hours, seen, strict=True):
        pattern.learn(float(hour) * HOUR_S, HOUR_S, float(value), 0.3)
    for hour in range(24):
        share = pattern.days_until((hour + 1) * HOUR_S) - pattern.days_until(hour * HOUR_S)
        # statsmodels' ordinary least squares on the same data. Ours lets the level wander,
        # which takes up to a fifth of the slowest swing (0.36 at its highest).
        told = fit.predict(np.column_stack(columns)[hour])[0] / fit.params[0]
        assert 24.0 * share == pytest.approx(told, abs=0.09)


def test_time_of_day_is_inverted_exactly() -> None:
    pattern = DayPattern()
    for hour in range(72):
        rate = 5.0 if 8 <= hour % 24 < 18 else 1.0
        pattern.learn(hour * HOUR_S, HOUR_S, rate, 0.1)
    for local_s in (0.0, 1.0, 43_000.0, DAY_S - 1.0, 7.3 * DAY_S):
        assert pattern.local_s_at(pattern.days_until(local_s)) == pytest.approx(local_s, abs=1e-5)
    # Every day is one day, whatever its shape.
    assert pattern.days_until(3.0 * DAY_S) == pytest.approx(3.0)
    assert pattern.unseen_sigma_frac == 0.0
    assert DayPattern().unseen_sigma_frac > 0.2
    assert DayPattern().sigma_frac(0.0, HOUR_S) > 0.2


# --- instants ---


def test_constant_use_is_plain_arithmetic() -> None:
    # 3 L/day, 24 L: eight days. Ten days seen, read without noise.
    f = fed([0.125] * 240)
    now = T0 + 240 * HOUR_S
    empty = f.until_used(now, 24.0, 0.0)
    assert empty is not None
    assert (empty.likely - now) / DAY_S == pytest.approx(8.0, rel=0.01)
    assert empty.early < empty.likely < empty.late
    assert (empty.late - empty.early) / DAY_S < 0.12 * 8.0
    assert f.rate_l_per_day == pytest.approx(3.0, rel=0.01)


def test_night_is_slower_than_day() -> None:
    # 0.125 L/h with a swing of 60 % that peaks at noon local time, UTC+2.
    offset_s = 2 * HOUR_S

    def rate(local_h: float) -> float:
        return 0.125 * (1.0 + 0.6 * math.cos(2.0 * math.pi * (local_h - 12.0) / 24.0))

    uses = [quad(rate, hour + 2, hour + 3)[0] for hour in range(24 * 14)]
    f = fed(uses, offset_s=offset_s)
    now = T0 + 14 * DAY_S
    for local_h in (2.0, 6.0, 11.0, 18.0, 23.0):
        # scipy: root of the integral of the true rate.
        hours = brentq(lambda x, h=local_h: quad(rate, h, h + x)[0] - 0.5, 0.1, 24.0)
        asked = now + (local_h - 2.0) * HOUR_S
        found = f.until_used(asked, 0.5, offset_s)
        assert found is not None
        assert (found.likely - asked) / HOUR_S == pytest.approx(hours, rel=0.15)
        flat_h = 0.5 / 0.125
        assert abs(hours - flat_h) < 0.3 or ((found.likely - asked) / HOUR_S > flat_h) is (
            hours > flat_h
        )


def test_shifted_clock_changes_nothing_for_even_use() -> None:
    f, g = fed([0.125] * 100), fed([0.125] * 100, offset_s=-5 * HOUR_S)
    now = T0 + 100 * HOUR_S
    a, b = f.until_used(now, 6.0, 0.0), g.until_used(now, 6.0, -5 * HOUR_S)
    assert a is not None
    assert b is not None
    assert a.likely == pytest.approx(b.likely, abs=600.0)


def test_unknown_and_unused_have_no_instant() -> None:
    assert Forecaster().until_used(T0, 10.0, 0.0) is None
    assert Forecaster().rate_l_per_day is None
    half = fed([0.01] * 6, span_s=300.0)
    assert half.until_used(T0 + 1800.0, 10.0, 0.0) is None
    assert half.used_between(T0, T0 + DAY_S, 0.0) is None
    assert half.outlook(T0, T0 + DAY_S, 5.0, 0.0) is None
    assert half.expected_l(T0, T0 + 300.0, 0.0) is None
    assert half.expected_rel_sigma == 1.0
    still = fed([0.0] * 48)
    assert still.until_used(T0 + 2 * DAY_S, 10.0, 0.0) is None
    assert still.rate_l_per_day == 0.0


def test_edges_of_the_question() -> None:
    f = fed([0.125] * 48)
    now = T0 + 2 * DAY_S
    empty = f.until_used(now, 0.0, 0.0)
    assert empty is not None
    assert empty.early == empty.likely == empty.late == now
    assert f.until_used(now, math.nan, 0.0) is None
    assert f.until_used(now, 1e6, 0.0) is None  # beyond a year
    far = f.until_used(now, 900.0, 0.0)  # 300 days: the late bound ends at a year
    assert far is not None
    assert far.late - now == pytest.approx(365.0 * DAY_S, rel=1e-3)
    assert f.used_between(now, now - 1.0, 0.0) is None
    assert f.outlook(now, now - 1.0, 5.0, 0.0) is None


def test_first_hour_is_honest_and_never_negative() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        f = Forecaster()
        for i in range(60):
            used = 0.0104 + float(rng.normal(0.0, 0.03))
            f.add(UseBlock(T0 + i * 300.0, T0 + (i + 1) * 300.0, used, 0.03, True), 0.0)
            found = f.until_used(T0 + (i + 1) * 300.0, 12.0, 0.0)
            if found is not None:
                now = T0 + (i + 1) * 300.0
                assert now <= found.early <= found.likely <= found.late
                assert found.late > found.early + 0.3 * (found.likely - now)


@pytest.mark.parametrize(
    ("spread", "tau_d", "swing"),
    [(0.15, 5.0, 0.2), (0.1, 2.0, 0.5), (0.2, 10.0, 0.0)],
)
def test_unseen_rooms_are_covered_and_beat_yesterday(
    spread: float, tau_d: float, swing: float
) -> None:
    """80 % bounds hold 70 to 92 % (60 rooms tell it to a few per cent), error <= 1.05 oracle.

    The oracle divides the litres by the true use of the past 24 hours.
    """
    inside, ours, oracles = [], [], []
    for seed in range(60):
        uses = room(seed, 24, spread, tau_d, swing)
        total = np.concatenate([[0.0], np.cumsum(uses)])
        noise = np.random.default_rng(seed + 999).normal(0.0, 0.02, 24 * 9 + 1)
        f = Forecaster()
        for hour in range(24 * 9):
            start = T0 + hour * HOUR_S
            used = float(uses[hour] + noise[hour + 1] - noise[hour])
            f.add(UseBlock(start, start + HOUR_S, used, 0.0283, True), 0.0)
            if hour < 26 or hour % 17:
                continue
            now, done = start + HOUR_S, total[hour + 1]
            litres = 2.0 + (hour * 7 + seed * 3) % 20
            truth = float(np.interp(done + litres, total, np.arange(len(total)))) - hour - 1.0
            found = f.until_used(now, litres, 0.0)
            assert found is not None
            early, likely, late = (
                (t - now) / HOUR_S for t in (found.early, found.likely, found.late)
            )
            inside.append(early <= truth <= late)
            ours.append(abs(likely - truth) / truth)
            oracles.append(abs(24.0 * litres / (done - total[hour - 23]) - truth) / truth)
    assert 0.70 <= np.mean(inside) <= 0.92
    assert np.median(ours) <= 1.05 * np.median(oracles)


# --- outlook ---


def test_outlook_is_the_lognormal_of_scipy() -> None:
    f = fed([float(x) for x in room(2, 9, 0.15, 5.0, 0.2)])
    now, until = T0 + 9 * DAY_S, T0 + 16 * DAY_S
    spent = f.used_between(now, until, 0.0)
    answer = f.outlook(now, until, 22.0, 0.0)
    assert spent is not None
    assert answer is not None
    mean, sigma = spent
    # Mean and sigma to scipy's shape and scale (method of moments).
    shape = math.sqrt(math.log1p((sigma / mean) ** 2))
    law = lognorm(s=shape, scale=mean / math.sqrt(1.0 + (sigma / mean) ** 2))
    assert answer.probability == pytest.approx(law.cdf(22.0), abs=1e-3)
    assert answer.likely_use_l == pytest.approx(law.median(), rel=1e-3)
    assert answer.add_for_95_l == pytest.approx(max(law.ppf(0.95) - 22.0, 0.0), abs=0.05)
    scarce = f.outlook(now, until, 15.0, 0.0)
    assert scarce is not None
    assert scarce.add_for_80_l == pytest.approx(law.ppf(0.8) - 15.0, abs=0.05)
    assert scarce.probability < answer.probability


def test_outlook_without_water_and_with_plenty() -> None:
    f = fed([0.125] * 240)
    now = T0 + 10 * DAY_S
    empty = f.outlook(now, now + 7 * DAY_S, -1.0, 0.0)
    plenty = f.outlook(now, now + 7 * DAY_S, 100.0, 0.0)
    assert empty is not None
    assert plenty is not None
    assert empty.probability == 0.0
    assert empty.add_for_95_l > empty.add_for_80_l > empty.likely_use_l > 20.0
    assert plenty.probability == pytest.approx(1.0)
    assert plenty.add_for_95_l == 0.0


# --- what the loss test compares with ---


def test_expectation_looks_back_a_day() -> None:
    f = fed([0.125] * 96 + [0.625] * 12)  # a loss of 0.5 L/h for half a day
    now = T0 + 108 * HOUR_S
    assert f.expected_l(now, now + HOUR_S, 0.0) == pytest.approx(0.125, rel=0.35)
    assert f.rate_l_per_day is not None
    assert f.rate_l_per_day > 3.0  # while the forecast has taken notice


def test_expectation_grows_surer() -> None:
    first, later = fed([0.125] * 6), fed([0.125] * 240)
    assert later.expected_rel_sigma < 0.2 < first.expected_rel_sigma


# --- odd blocks ---


def test_unmeasured_time_passes_without_being_learned() -> None:
    f = fed([0.125] * 48)
    before = f.rate_l_per_day
    f.add(UseBlock(T0 + 2 * DAY_S, T0 + 2 * DAY_S + HOUR_S, 7.0, 0.0, False), 0.0)
    now = T0 + 2 * DAY_S + HOUR_S
    f.add(UseBlock(now, now + 1200.0, 0.04, 0.01, True), 0.0)
    f.add(UseBlock(now + 1200.0, now + DAY_S, 50.0, 0.0, False), 0.0)
    f.add(UseBlock(now + DAY_S, now + DAY_S + 300.0, 0.01, 0.01, True), 0.0)
    f.add(UseBlock(now + DAY_S + 300.0, now + DAY_S + 600.0, math.nan, 0.01, True), 0.0)
    assert f.rate_l_per_day == pytest.approx(before, rel=0.02)
    assert f.until_used(now + DAY_S, 6.0, 0.0) is not None


def test_gap_backwards_and_empty_blocks_do_no_harm() -> None:
    f = fed([0.125] * 48)
    now = T0 + 2 * DAY_S
    before = json.dumps(f.snapshot())
    f.add(UseBlock(now - 300.0, now, 9.0, 0.01, True), 0.0)
    f.add(UseBlock(now, now, 9.0, 0.01, True), 0.0)
    assert json.dumps(f.snapshot()) == before
    f.add(UseBlock(now, now + 1200.0, 0.04, 0.01, True), 0.0)
    f.add(UseBlock(now + 7200.0, now + 10_800.0, 0.125, 0.01, True), 0.0)
    # Twelve hours later: what went meanwhile is not known, and is not taken for nothing.
    f.add(UseBlock(now + 54_000.0, now + 57_600.0, 0.125, 0.01, True), 0.0)
    f.add(UseBlock(now + 57_600.0, now + 61_200.0, 0.125, 0.01, True), 0.0)
    assert f.rate_l_per_day == pytest.approx(3.0, rel=0.02)


def test_a_gap_soon_after_a_start_is_too_short_to_learn_from() -> None:
    f = Forecaster()
    f.add(UseBlock(T0, T0 + 300.0, 0.01, 0.01, True), 0.0)
    f.add(UseBlock(T0 + 3000.0, T0 + 3300.0, 0.01, 0.01, True), 0.0)
    assert f.rate_l_per_day is None


def test_pulses_of_a_pump_are_learned_as_grain() -> None:
    # 100 mL pulses, 3 L/day: sawtooth of 0.1 L, variance 0.1^2 / 12 (uniform law).
    rng = np.random.default_rng(6)
    flow, tank, uses = 3.0 / 24.0, 0.0, []
    for _ in range(24 * 20):
        tank += flow * rng.uniform(0.95, 1.05)
        pulses = math.floor(tank / 0.1)
        tank -= 0.1 * pulses
        uses.append(0.1 * pulses)
    f = fed(uses)
    grain = f.snapshot()["level_var"]
    assert 0.2 * 0.1**2 / 12.0 < grain < 3.0 * 0.1**2 / 12.0
    assert f.rate_l_per_day == pytest.approx(3.0, rel=0.05)


# --- keeping ---


@pytest.mark.parametrize("hours", [0, 6, 30, 47, 200])
def test_snapshot_round_trip(hours: int) -> None:
    uses = [float(x) for x in room(3, 9, 0.15, 5.0, 0.2)][:hours]
    f = fed(uses, sigma_l=0.0283)
    stored = json.dumps(f.snapshot())
    assert len(stored) <= 10_000
    g = Forecaster()
    g.restore(json.loads(stored))
    now = T0 + hours * HOUR_S
    for known in (f, g):
        # Whoever restarts has not seen the level in between.
        known.add(UseBlock(now, now + 600.0, 0.02, 0.02, False), 0.0)
        now_known = now + 600.0
        for i in range(3):
            start = now_known + i * HOUR_S
            known.add(UseBlock(start, start + HOUR_S, 0.125, 0.0283, True), 0.0)
    a, b = (known.until_used(now + 4 * HOUR_S, 12.0, 0.0) for known in (f, g))
    assert a is not None
    assert b is not None
    assert b.likely - now == pytest.approx(a.likely - now, rel=0.02)
    assert b.late - now == pytest.approx(a.late - now, rel=0.05)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("pattern"),
        lambda d: d["pattern"].update(state=[1.0]),
        lambda d: d["pattern"].update(state=[math.nan] * 7),
        lambda d: d["pattern"].update(covariance=[[1.0]]),
        lambda d: d["pattern"]["covariance"][0].__setitem__(0, -1.0),
        lambda d: d["rate"].update(filters=[[1.0] * 10]),
        lambda d: d["rate"]["filters"][0].__setitem__(0, 0.0),
        lambda d: d["rate"]["filters"][0].append(0.0),
        lambda d: d.update(known_s="soon"),
        lambda d: d.update(lagged=None),
        lambda d: d.update(early=[[1.0]]),
    ],
)
def test_nonsense_is_refused(spoil) -> None:  # type: ignore[no-untyped-def] # noqa: ANN001
    data = fed([0.125] * 12).snapshot()
    spoil(data)
    with pytest.raises(ValueError, match=r"."):
        Forecaster().restore(data)


def test_bank_has_one_filter_per_pair() -> None:
    assert len(UseRate().snapshot()["filters"]) == len(MODELS)
