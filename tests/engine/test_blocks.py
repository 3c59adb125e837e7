"""Blocks of use: contiguous, quick, and honest about rounding."""

import numpy as np
import pytest
from custom_components.stillwell.engine.blocks import BlockCutter, mean_reading_var


@pytest.mark.parametrize(("noise", "width"), [(0.1, 0.0), (0.05, 0.3), (0.15, 0.3), (0.3, 0.3)])
def test_variance_of_a_block_mean_against_simulation(noise: float, width: float) -> None:
    """Monte Carlo over all positions of the level within a rounding step."""
    rng = np.random.default_rng(4)
    level = rng.uniform(0.0, 5.0, 20000)
    shown = level[:, None] + rng.normal(0.0, noise, (20000, 5))
    if width > 0.0:
        shown = np.round(shown / width) * width
    error = shown.mean(axis=1) - level
    assert mean_reading_var(noise, width, 5) == pytest.approx(float(error.var()), rel=0.25)


def test_blocks_are_contiguous_and_telescope() -> None:
    c = BlockCutter()
    assert c.is_due(0.0, may_wait=False)
    assert c.cut(0.0, 20.0, 0.1, 0.0, 0.0) is None
    assert not c.is_due(299.0, may_wait=False)
    assert c.is_due(300.0, may_wait=False)
    assert not c.is_due(300.0, may_wait=True)
    assert c.is_due(1200.0, may_wait=True)
    c.count(0.02)
    c.count(-0.01)
    first = c.cut(300.0, 19.9, 0.1, 0.0, 0.0)
    assert first is not None
    assert (first.start_s, first.end_s, first.is_measured) == (0.0, 300.0, True)
    assert first.used_l == pytest.approx(0.1 - 0.005)
    assert first.sigma_l == pytest.approx((0.01 / 2 + 0.01) ** 0.5)
    c.forget_level(400.0)
    assert not c.is_due(650.0, may_wait=False)
    carried = c.cut(900.0, 28.0, 0.1, 0.0, 1e-4)
    assert carried is not None
    assert not carried.is_measured
    assert carried.used_l == pytest.approx(0.06)
    c.shift(-100.0)
    after = c.cut(1100.0, 27.9, 0.1, 0.0, 1e-4)
    assert after is not None
    assert (after.start_s, after.used_l) == (800.0, pytest.approx(0.1))


def test_an_empty_cutter_is_stored_too() -> None:
    c = BlockCutter()
    c.shift(5.0)
    again = BlockCutter()
    again.restore(c.snapshot())
    assert again.cut(10.0, 1.0, 0.1, 0.0, 0.0) is None
