"""Cumulative sums and the following of fills."""

import pytest
from custom_components.stillwell.engine.excursion import Excursion, Trend
from custom_components.stillwell.engine.level_filter import LevelFilter

BEFORE = LevelFilter.begin(0.0, 10.0, 0.01, 0.0, 1e-12).state()
VAR = 0.0081


def rising(**more: float) -> Excursion:
    return Excursion(1, 0.0, 10.0, 1e-4, 0.3, **more)


def test_cusum_runs_through_the_published_sequence() -> None:
    """Page's sum with k = 0.5 on the sequence of the science notes (Page 1954)."""
    z = [0.2, -0.5, 0.1, 0.7, -0.3, 1.4, 0.9, 1.8, 1.1, 1.6, 0.8]
    want = [0, 0, 0, 0.2, 0, 0.9, 1.3, 2.6, 3.2, 4.3, 4.6]
    t, got = Trend(), []
    for value in z:
        t.count(value, 1.0, 0.0, BEFORE)
        got.append(t.total)
    assert got == pytest.approx(want)
    assert t.n == 6
    assert t.saved == BEFORE


def test_one_wild_reading_counts_four_sigma_and_the_sum_is_bounded() -> None:
    t = Trend()
    t.count(1000.0, 1.0, 5.0, BEFORE)
    assert t.total == pytest.approx(3.5)
    for _ in range(50):
        t.count(1000.0, 1.0, 5.0, BEFORE)
    assert t.total == 32.0
    assert t.last_l == (5.0, 5.0, 5.0)


def test_a_steady_fill_ends_where_its_line_meets_the_new_level() -> None:
    exc = rising()
    assert exc.flow_l_per_s is None
    assert exc.moved_l == 0.0
    assert exc.end() == (0.0, 10.0)
    assert not exc.take(30.0, 10.05, VAR, 0.0)  # not yet begun
    assert exc.began_s == 30.0
    t, rate, over = 60.0, 0.005, False
    while not over:
        level = 10.0 + rate * (min(t, 3000.0) - 30.0)
        over = exc.take(t, level, VAR, 0.0)
        t += 60.0
    end_s, level_l = exc.end()
    assert end_s == pytest.approx(3000.0, abs=30.0)
    assert level_l == pytest.approx(10.0 + rate * 2970.0, abs=0.05)
    assert exc.flow_l_per_s == pytest.approx(rate, rel=0.05)


def test_a_pour_rests_at_once_and_ends_at_its_first_sample() -> None:
    exc = rising()
    over = [exc.take(60.0 * k, 13.0, VAR, 0.0) for k in range(1, 30)]
    assert any(over)
    assert exc.end() == (60.0, pytest.approx(13.0))


def test_a_fall_is_followed_with_the_sign_turned() -> None:
    exc = Excursion(-1, 0.0, 20.0, 1e-4, 0.3)
    for k in range(1, 6):
        assert not exc.take(60.0 * k, 20.0 - k, VAR, 0.0)
    assert exc.moved_l == pytest.approx(5.0, abs=0.01)
    assert exc.take(360.0, 15.0 + 8.0, VAR, 0.0)  # back up at once, too far for a spike


def test_two_samples_before_the_flow_was_full_do_not_bend_the_line() -> None:
    exc = rising()
    levels = [10.4, *(10.4 + 1.5 * k for k in range(1, 8))]
    for k, level in enumerate([10.35, *levels]):
        exc.take(300.0 * (k + 1), level, VAR, 0.0)
    assert exc.flow_l_per_s == pytest.approx(1.5 / 300.0, rel=0.02)


def test_an_ending_after_two_samples_is_put_at_the_first_that_rests() -> None:
    exc = rising(usual_l_per_s=0.005)
    exc.take(60.0, 12.0, VAR, 0.0)
    exc.take(3660.0, 30.0, VAR, 0.0)
    assert exc.take(7260.0, 26.0, VAR, 0.0)
    assert exc.end() == (7260.0, 26.0)


def test_a_fill_whose_rate_has_turned_ends_where_it_was_last_in_line() -> None:
    exc = rising()
    levels = [10.4, 10.3, 10.32, 10.25, 10.2]
    for k, level in enumerate(levels, 1):
        exc.take(60.0 * k, level, 1e-6, 0.0)
    assert 60.0 <= exc.end()[0] <= 300.0
