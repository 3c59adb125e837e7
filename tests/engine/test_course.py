"""Steady fall against fall at once: numpy's least squares over all onsets, and simulated levels."""

import numpy as np
import pytest
from custom_components.stillwell.engine.course import Course, Stories
from custom_components.stillwell.engine.samples import Samples

T0 = 1_780_000_000.0
NOISE_L = 0.09  # 1 mm on 900 cm2
USE_L_PER_S = 3.0 / 86400.0


def course(
    levels: np.ndarray, every_s: float = 60.0, width_l: float = 0.0, from_s: float = 0.0
) -> Course:
    """Readings so far apart, the newest of them last."""
    samples = Samples(64)
    for k, level in enumerate(levels.tolist()):
        samples.append(T0 + every_s * k, level)
    return Course(samples, from_s, T0, NOISE_L, width_l)


def falling(rng: np.random.Generator, before: int, after: int, litres_each: float) -> np.ndarray:
    """Levels at rest, then falling by so much from reading to reading; use of 3 L a day."""
    k = np.arange(before + after)
    fallen = litres_each * np.maximum(0, k - before + 1)
    return 20.0 - USE_L_PER_S * 60.0 * k - fallen + rng.normal(0.0, NOISE_L, len(k))


def drawn(rng: np.random.Generator, before: int, after: int, litres: float) -> np.ndarray:
    """Levels at rest, then lower at once."""
    k = np.arange(before + after)
    return 20.0 - USE_L_PER_S * 60.0 * k - litres * (k >= before) + rng.normal(0.0, NOISE_L, len(k))


def best_by_lstsq(off: np.ndarray, columns: list[np.ndarray]) -> float:
    """Least sum of squares over designs of a constant and one column (and a free reading)."""
    least = np.inf
    for column in columns:
        design = np.column_stack([np.ones(len(off)), column])
        weights, *_ = np.linalg.lstsq(design, off, rcond=None)
        if weights[1] <= 0.0:
            least = min(least, float(np.sum((off - design @ weights) ** 2)))
    return least


@pytest.mark.parametrize("seed", range(6))
def test_both_stories_fit_as_numpys_least_squares_do(seed: int) -> None:
    rng = np.random.default_rng(seed)
    levels = falling(rng, 20, 16, 0.05) if seed % 2 else drawn(rng, 25, 9, 0.5)
    steady, once = Stories(course(levels), USE_L_PER_S).tell()
    assert steady is not None
    assert once is not None
    k = np.arange(len(levels)) * 60.0
    off = levels + USE_L_PER_S * k
    n = len(off)
    ramps = [np.maximum(0.0, k - k[i - 1]) for i in range(3, n - 3)]
    least_steady = best_by_lstsq(off, ramps)
    plain = best_by_lstsq(off, [(np.arange(n) >= i).astype(float) for i in range(1, n)])
    free = min(
        best_by_lstsq(np.delete(off, i - 1), [np.delete((np.arange(n) >= i).astype(float), i - 1)])
        for i in range(2, n)
    )
    # A reading on its way costs one squared sigma where they come every minute.
    least_once = min(plain, free + NOISE_L**2)
    ratio = (least_once - least_steady) / NOISE_L**2
    assert steady.better_than_at_once == pytest.approx(ratio, abs=1e-6)
    assert once.better_than_steady == pytest.approx(-ratio, abs=1e-6)
    assert (ratio > 0.0) is bool(seed % 2)


def test_a_steady_fall_is_measured() -> None:
    found = [
        Stories(course(falling(np.random.default_rng(s), 25, 20, 0.0333)), USE_L_PER_S).tell()[0]
        for s in range(40)
    ]
    rates = np.array([f.l_per_s * 3600.0 for f in found if f is not None])
    assert len(rates) == 40
    # 2 L/h (arithmetic); where it began is found by the way.
    assert np.median(rates) == pytest.approx(2.0, rel=0.1)
    assert np.median([f.litres for f in found if f is not None]) == pytest.approx(0.667, rel=0.1)


@pytest.mark.parametrize("litres", [0.5, 1.0, 2.0])
def test_a_draw_is_measured_and_told_from_a_fall(litres: float) -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        _, once = Stories(course(drawn(rng, 25, 6, litres)), USE_L_PER_S).tell()
        assert once is not None
        assert once.litres == pytest.approx(litres, abs=4.0 * once.sigma_l)
        assert abs(once.at_s - (T0 + 25 * 60.0)) <= 120.0
        assert once.better_than_steady > 0.0


def test_a_reading_on_its_way_makes_a_draw_no_steady_fall() -> None:
    levels = drawn(np.random.default_rng(3), 25, 5, 1.0)
    levels[24] -= 0.5
    _, once = Stories(course(levels), USE_L_PER_S).tell()
    assert once is not None
    assert once.litres == pytest.approx(1.0, abs=0.2)
    assert once.better_than_steady > 10.0


def test_where_steps_hide_the_noise_a_whole_step_proves_nothing() -> None:
    levels = drawn(np.random.default_rng(5), 25, 6, 0.5)
    plain = Stories(course(levels), USE_L_PER_S).tell()
    coarse = Stories(course(levels, width_l=0.229), USE_L_PER_S).tell()
    for fine, rough in zip(plain, coarse, strict=True):
        assert fine is not None
        assert rough is not None
        assert rough.litres == pytest.approx(fine.litres - 0.229, abs=0.05)


def test_little_is_told_of_little() -> None:
    levels = falling(np.random.default_rng(1), 25, 12, 0.0333)
    nothing = (None, None)
    assert Stories(course(levels[:6]), 0.0).tell() == nothing
    assert Stories(course(levels, from_s=T0 + 1e6), 0.0).tell() == nothing
    rising = 20.0 + 0.05 * np.arange(30)
    assert Stories(course(rising), 0.0).tell() == nothing
    # Half an hour at rest has gone before; with readings of an hour ago only they are left out.
    old = Stories(course(levels, every_s=3600.0), 0.0).tell()
    assert old == nothing
