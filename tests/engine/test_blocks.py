"""Blocks of use: contiguous, quick, and honest about rounding."""

import numpy as np
import pytest
from custom_components.stillwell.engine.blocks import BlockCutter, mean_reading_var


@pytest.mark.parametrize(("noise", "width"), [(0.1, 0.0), (0.05, 0.3), (0.15, 0.3), (0.3, 0.3)])
@pytest.mark.parametrize("n", [1, 2, 5])
def test_variance_of_a_block_mean_against_simulation(noise: float, width: float, n: int) -> None:
    """Monte Carlo over all positions of the level within a rounding step."""
    rng = np.random.default_rng(4)
    level = rng.uniform(0.0, 5.0, 20000)
    shown = level[:, None] + rng.normal(0.0, noise, (20000, n))
    if width > 0.0:
        shown = np.round(shown / width) * width
    error = shown.mean(axis=1) - level
    assert mean_reading_var(noise, width, n) == pytest.approx(float(error.var()), rel=0.05)


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


def test_one_reading_has_all_of_the_error_of_rounding() -> None:
    # Independent of the noise as Widrow has it: sigma squared and a twelfth of the step squared.
    for noise, width in ((0.045, 0.229), (0.1, 0.09)):
        assert mean_reading_var(noise, width, 1) == pytest.approx(
            noise**2 + width**2 / 12.0, rel=1e-3
        )
    assert mean_reading_var(0.1, 0.0, 4) == pytest.approx(0.0025)


def test_the_level_of_the_last_half_hour_follows_by_the_usual_use() -> None:
    c = BlockCutter()
    assert c.rest_l is None
    assert c.start_s is None
    c.cut(0.0, 20.0, 0.1, 0.0, 0.0)
    assert (c.rest_l, c.start_s) == (20.0, 0.0)
    for k in range(1, 40):  # falls as is usual: nothing stands out
        c.cut(300.0 * k, 20.0 - 0.03 * k, 0.1, 0.0, 1e-4)
        assert c.rest_l == pytest.approx(20.0 - 0.03 * k)
    c.cut(12_000.0, c.rest_l - 0.03 - 0.6, 0.1, 0.0, 1e-4)
    # One sixth of a fall of 0.6 L in the first block.
    assert c.rest_l == pytest.approx(20.0 - 0.03 * 40 - 0.1)
    c.forget_level(12_100.0)
    assert c.rest_l is None
    assert c.level_from_s == 12_100.0
