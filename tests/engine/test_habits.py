"""Learned habits of a source against numpy quantiles and simulated rounding."""

import math

import numpy as np
import pytest
from custom_components.stillwell.engine.habits import (
    Rhythm,
    Texture,
    noise_before_rounding,
    rounded_variance_frac,
)


def test_quantiles_of_intervals_against_numpy() -> None:
    rng = np.random.default_rng(1)
    spans = rng.lognormal(5.0, 1.0, 400)
    r = Rhythm()
    assert r.quantile_s(0.5) is None
    for s in spans:
        r.learn(float(s))
    for frac in (0.1, 0.5, 0.9, 0.99):
        assert r.quantile_s(frac) == pytest.approx(float(np.quantile(spans, frac)), rel=0.21)
    assert r.quantile_s(1.0) == pytest.approx(float(spans.max()), rel=0.21)
    assert r.longest_s == pytest.approx(float(spans.max()))


def test_old_intervals_are_forgotten() -> None:
    r = Rhythm()
    for _ in range(600):
        r.learn(10.0)
    for _ in range(1500):
        r.learn(300.0)
    assert r.quantile_s(0.5) == pytest.approx(300.0)


@pytest.mark.parametrize("ratio", [0.05, 0.12, 0.2, 0.35, 0.6, 1.0])
def test_variance_of_rounded_readings_against_simulation(ratio: float) -> None:
    """Rounding of a level at rest, all positions within a step alike likely (Monte Carlo)."""
    rng = np.random.default_rng(2)
    level = rng.uniform(0.0, 1.0, (20000, 1))
    shown = np.round(level + rng.normal(0.0, ratio, (20000, 24)))
    assert rounded_variance_frac(ratio) == pytest.approx(
        float(shown.var(axis=1, ddof=1).mean()), rel=0.03
    )


def test_noise_before_rounding_is_the_inverse() -> None:
    for ratio in (0.03, 0.2, 0.5, 1.5):
        variance = rounded_variance_frac(ratio) * 4.0
        assert noise_before_rounding(variance, 2.0) == pytest.approx(2.0 * ratio, rel=1e-4)
    assert noise_before_rounding(0.04, 0.0) == pytest.approx(0.2)
    assert noise_before_rounding(25.0, 2.0) == pytest.approx(math.sqrt(25.0 - 4.0 / 12.0))


def test_a_smaller_step_replaces_a_larger_and_an_old_one_is_forgotten() -> None:
    t = Texture()
    for change in (0.002, 0.004, 0.002):
        t.learn_step(change)
    assert t.step_m == 0.002
    t.learn_step(1e-9)
    t.learn_step(0.0005)  # once only: the device was calibrated anew
    for _ in range(96):
        t.learn_step(0.002)
    assert t.step_m == 0.0005
    for _ in range(120):
        t.learn_step(0.002)
    assert t.step_m == 0.002
