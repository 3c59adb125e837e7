"""Blocks of use: contiguous, quick, and honest about rounding."""

import numpy as np
import pytest
from custom_components.stillwell.engine.blocks import BlockCutter, mean_reading_var
from custom_components.stillwell.engine.samples import Samples


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


def open_block(noise_l: float = 0.05) -> BlockCutter:
    """A block that began at 20 L and 0 s, measured by one reading."""
    c = BlockCutter()
    c.cut(0.0, 20.0, noise_l, 0.0, 0.0)
    return c


def falling(levels: list[float], every_s: float = 60.0) -> Samples:
    """Readings so often, one minute apart unless said, the first of them after the beginning."""
    samples = Samples(64)
    for k, level in enumerate(levels, start=1):
        samples.append(every_s * k, level)
    return samples


def test_an_open_block_shows_what_its_last_readings_agree_on() -> None:
    seen = open_block().running(falling([19.9, 19.8, 19.7, 19.6, 19.5]), 0.1, 0.05, 0.0)
    assert seen is not None
    assert (seen.block.start_s, seen.block.end_s, seen.block.is_measured) == (0.0, 300.0, True)
    assert seen.block.used_l == pytest.approx(0.4)  # median of 19.7, 19.6, 19.5
    assert seen.least_l == pytest.approx(0.3)
    assert seen.jump_l == pytest.approx(0.1)
    # One reading begins it, three end it, 0.05 L of noise each (arithmetic).
    assert seen.block.sigma_l == pytest.approx(0.05 * (1.0 + 1.0 / 3.0) ** 0.5)


def test_where_rounding_hides_the_noise_only_the_highest_reading_counts() -> None:
    seen = open_block().running(falling([20.0, 19.8, 19.6, 19.6, 19.4]), 0.1, 0.05, 0.2)
    assert seen is not None
    assert seen.block.used_l == seen.least_l == pytest.approx(0.4)


def test_what_fell_at_once_is_told_as_a_jump() -> None:
    seen = open_block().running(falling([20.0, 20.0, 19.0, 19.0, 19.0]), 0.1, 0.05, 0.0)
    assert seen is not None
    assert (seen.block.used_l, seen.jump_l) == (pytest.approx(1.0), pytest.approx(1.0))


@pytest.mark.parametrize(
    "levels",
    [
        [19.0, 19.0],  # too few
        [19.9, 19.8, 20.0],  # the newest is back
        [19.0, 20.0, 19.0],  # one of the last three says otherwise
    ],
)
def test_an_open_block_shows_nothing_while_its_readings_do_not_agree(levels: list[float]) -> None:
    assert open_block().running(falling(levels), 0.1, 0.05, 0.0) is None


def test_quick_reports_must_agree_for_two_minutes() -> None:
    readings = falling([19.9 if k < 20 else 19.0 for k in range(1, 29)], every_s=10.0)
    seen = open_block().running(readings, 0.0, 0.05, 0.0)
    assert seen is not None
    assert seen.least_l == pytest.approx(0.1)  # eight readings of the last 13 are down at 19 L
    assert seen.block.used_l == pytest.approx(1.0)
    # The last three are down by a litre, one of the last two minutes by a tenth of one only.
    assert open_block().running(readings, 0.2, 0.05, 0.0) is None


def test_readings_from_before_the_block_do_not_bear_it_out() -> None:
    samples = Samples(64)
    for t_s in (-60.0, 60.0, 120.0):
        samples.append(t_s, 19.0)
    assert open_block().running(samples, 0.1, 0.05, 0.0) is None
    samples.append(180.0, 19.0)
    assert open_block().running(samples, 0.1, 0.05, 0.0) is not None


def test_without_a_level_an_open_block_shows_nothing() -> None:
    assert BlockCutter().running(falling([19.0] * 5), 0.1, 0.05, 0.0) is None
    c = open_block()
    c.forget_level(30.0)
    assert c.running(falling([19.0] * 5), 0.1, 0.05, 0.0) is None
