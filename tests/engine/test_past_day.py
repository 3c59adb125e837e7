"""The past day beside the filters: numpy, scipy, and the textbooks on combined forecasts."""

import json

import numpy as np
import pytest
from custom_components.stillwell.engine.forecast import Forecaster
from custom_components.stillwell.engine.mixed_law import reach_of_80
from custom_components.stillwell.engine.past_day import PastDay, share_of_past_day
from custom_components.stillwell.engine.quantities import DAY_S, HOUR_S, UseBlock
from custom_components.stillwell.engine.use_spans import Seen
from scipy.optimize import brentq
from scipy.stats import norm

T0 = 1_770_000_000.0 // DAY_S * DAY_S


def flat(from_s: float, until_s: float) -> float:
    """Days by a pattern that is the same at all hours."""
    return (until_s - from_s) / DAY_S


def seen(hour: float, litres: float, *, hours: float = 1.0, chained: bool = True) -> Seen:
    """An observation with level variances of 4 and 9 cm3 squared (2 and 3 mL)."""
    return Seen(
        T0 + hour * HOUR_S, hours * HOUR_S, litres, 4e-6, 9e-6, chained, hours * HOUR_S, 0.0
    )


# --- the rate over the day ---


def test_rate_is_the_sum_of_the_last_24_hours_whatever_their_pattern() -> None:
    rng = np.random.default_rng(12)
    uses = 0.125 * (1.0 + 0.6 * np.sin(2.0 * np.pi * np.arange(60) / 24.0)) * rng.uniform(0.8, 1.2)
    day = PastDay()
    for hour, used in enumerate(uses):
        day.add(seen(hour, float(used)))
    found = day.rate(T0 + 60 * HOUR_S, flat)
    assert found is not None
    assert found[0] == pytest.approx(uses[-24:].sum())
    # A difference of two levels: twice the variance of one (propagation of error, JCGM 100).
    assert found[1] == pytest.approx(2.0 * 9e-6)


def test_each_break_adds_the_error_of_two_levels() -> None:
    day = PastDay()
    for hour in range(24):
        if hour != 12:
            day.add(seen(hour, 0.125, chained=hour != 13))
    found = day.rate(T0 + 24 * HOUR_S, flat)
    assert found is not None
    # 23 of 24 hours seen; levels at both ends and on both sides of the gap.
    assert found[0] == pytest.approx(3.0)
    assert found[1] == pytest.approx((4e-6 + 9e-6 + 4e-6 + 9e-6) * (24.0 / 23.0) ** 2)


def test_a_stretch_that_began_before_the_day_counts_in_part() -> None:
    day = PastDay()
    for k in range(6):
        day.add(seen(6.0 * k, 0.75 if k else 99.0, hours=6.0))
    # 03:00 of the second day: half of the stretch from 00:00 to 06:00 of the first counts.
    found = day.rate(T0 + 33 * HOUR_S, flat)
    assert found is not None
    assert found[0] == pytest.approx(3.0)


def test_less_than_three_quarters_of_a_day_is_no_day() -> None:
    day = PastDay()
    assert day.rate(T0, flat) is None
    for hour in range(17):
        day.add(seen(hour, 0.125))
    assert day.rate(T0 + 17 * HOUR_S, flat) is None
    for hour in range(17, 24):
        day.add(seen(hour, 0.125))
    assert day.rate(T0 + 24 * HOUR_S, flat) is not None
    # A week without readings: the day has passed.
    assert day.rate(T0 + 8 * DAY_S, flat) is None


def test_what_is_kept_is_bounded_and_comes_back() -> None:
    day = PastDay()
    for k in range(400):
        day.add(seen(k / 6.0, 0.02, hours=1.0 / 6.0, chained=False))
    stored = json.loads(json.dumps(day.snapshot()))
    assert len(stored) == 48
    again = PastDay()
    again.restore(stored)
    assert again.snapshot() == stored


@pytest.mark.parametrize(
    "rows", [[[0.0, 1.0, 2.0]], [[0.0, 0.0, 1.0, 0.0, 0.0]], [[0.0, 1.0, 1.0, 0.0, 0.0]] * 49]
)
def test_nonsense_is_refused(rows: list[list[float]]) -> None:
    with pytest.raises(ValueError, match=r"."):
        PastDay().restore(rows)


# --- its share ---


def test_share_is_equal_where_measured_well_and_none_where_use_never_changes() -> None:
    assert share_of_past_day(0.0, 0.0, 0.09) == 0.5
    assert share_of_past_day(0.0, 0.09, 0.09) == 0.25
    assert share_of_past_day(0.0, 0.01, 0.0) == 0.0
    assert share_of_past_day(0.0, 0.0, 0.0) == 0.0


def test_a_day_unlike_the_present_is_no_witness() -> None:
    # Two sigma still count in full; beyond, the pull towards the day falls off.
    assert share_of_past_day(0.6, 0.0, 0.09) == pytest.approx(0.5)
    assert share_of_past_day(6.0, 0.0, 0.09) == pytest.approx(0.005)


def test_the_mean_of_two_forecasts_errs_less_than_either() -> None:
    # Bates & Granger 1969, eq. 1: var = k^2 v1 + (1-k)^2 v2 + 2 k (1-k) r s1 s2, with k = 1/2.
    # Rate of a random walk (0.095 a day) an hour ago read with an error of 5 %, and the mean of
    # the day; the filter is simulated as one noisy reading, the past day as what PastDay tells.
    rng = np.random.default_rng(4)
    step, errors = 0.095 * 3.0 / np.sqrt(24.0), []
    for _ in range(400):
        rates = 3.0 + np.cumsum(rng.normal(0.0, step, 25))
        day = PastDay()
        for hour in range(24):
            day.add(seen(hour, float(rates[hour]) / 24.0))
        found = day.rate(T0 + DAY_S, flat)
        assert found is not None
        told = float(rates[24]) + rng.normal(0.0, 0.15)
        share = share_of_past_day(0.0, found[1], (0.095 * 3.0) ** 2)
        mixed = told + share * (found[0] - told)
        errors.append([told - rates[24], found[0] - rates[24], mixed - rates[24]])
    (v1, c, _), (_, v2, _), (_, _, both) = np.cov(np.array(errors).T)
    assert both == pytest.approx(0.25 * (v1 + v2 + 2.0 * c), rel=0.02)
    assert both < 0.8 * min(v1, v2)


# --- bounds of the bank ---


@pytest.mark.parametrize(
    "parts",
    [
        [(1.0, 3.0, 0.25)],
        [(0.9, 3.0, 0.01), (0.1, 3.0, 4.0)],
        [(0.5, 2.0, 0.04), (0.3, 3.0, 0.09), (0.2, 4.5, 0.5)],
        [(0.5, -1.0, 1e-6), (0.5, 1.0, 1e-6)],
    ],
)
def test_reach_is_the_root_that_scipy_finds(parts: list[tuple[float, float, float]]) -> None:
    w, m, v = (np.array(column) for column in zip(*parts, strict=True))
    mean = float(w @ m)
    sigma = float(np.sqrt(w @ (v + (m - mean) ** 2)))

    def short(width: float) -> float:
        law = norm(m, np.sqrt(v))
        return float(w @ (law.cdf(mean + width) - law.cdf(mean - width))) - 0.8

    told = brentq(short, 1e-9, 10.0 * sigma) / (norm.ppf(0.9) * sigma)
    assert reach_of_80(parts) == pytest.approx(told, abs=0.01)


def test_laws_without_spread_reach_as_a_normal_law() -> None:
    assert reach_of_80([(1.0, 3.0, 0.0)]) == 1.0
    # One of no spread beside one that has some is still a law.
    assert 0.0 < reach_of_80([(0.5, 3.0, 0.0), (0.5, 3.0, 1.0)]) < 1.0


# --- in the forecast ---


def test_forecast_lies_between_the_filters_and_the_past_day() -> None:
    rng = np.random.default_rng(9)
    rates = 3.0 * np.exp(np.cumsum(rng.normal(0.0, 0.02, 24 * 8)))
    f = Forecaster()
    for hour, rate in enumerate(rates):
        start_s = T0 + hour * HOUR_S
        f.add(UseBlock(start_s, start_s + HOUR_S, float(rate) / 24.0, 0.003, True), 0.0)
    now = T0 + len(rates) * HOUR_S
    data = json.loads(json.dumps(f.snapshot()))
    alone = Forecaster()
    # A snapshot of an earlier release has no past day in it.
    del data["past_day"]
    alone.restore(data)
    use_l = float(rates[-24:].mean())
    drawn, filters = (g.until_used(now, 2.0 * use_l, 0.0) for g in (f, alone))
    assert drawn is not None
    assert filters is not None
    days, days_alone = ((x.likely - now) / DAY_S for x in (drawn, filters))
    assert abs(days_alone - 2.0) > 0.02
    assert min(days_alone, 2.0) < days < max(days_alone, 2.0)
    assert abs(days - 2.0) < 0.7 * abs(days_alone - 2.0)
