"""Known pour: GUM worked example, Monte Carlo after GUM Supplement 1, refusals."""

from dataclasses import replace
from math import nan, sqrt

import numpy as np
import pytest
from custom_components.stillwell.engine import calibration
from custom_components.stillwell.engine.calibration import (
    Level,
    PourError,
    PourFault,
    level,
    pour,
    strapped,
)
from custom_components.stillwell.engine.geometry import (
    Box,
    GeometryError,
    LyingCylinder,
    Strapping,
)
from scipy.stats import median_abs_deviation

BOX = Box(0.3, 0.3, 0.34)  # 0.9 L per cm


def _level(depth_m: float, sigma_m: float = 0.0002) -> Level:
    return Level(depth_m, 0.001, sigma_m)


def test_level_scatter_is_the_scaled_mad_of_scipy() -> None:
    samples = [0.101, 0.1, 0.099, 0.1005, 0.1495, 0.1, 0.0995]
    found = level(samples)
    assert found.depth_m == 0.1
    scipys = median_abs_deviation(samples, scale="normal")
    assert found.noise_m == pytest.approx(scipys, rel=1e-4)


def test_coarse_values_have_the_uncertainty_of_their_step() -> None:
    # GUM 4.3.7, F.2.2.1: a value read to a step q has a standard uncertainty q / sqrt(12).
    found = level([0.1] * 8, resolution_m=0.00254)
    assert found.sigma_m == pytest.approx(0.00254 / sqrt(12.0))
    assert found.noise_m == pytest.approx(0.00254 / sqrt(12.0))


def test_gum_worked_example_of_a_box() -> None:
    # JCGM 100:2008 eq. 10 by hand: 9 L +- 0.05 L, rise 100 mm +- sqrt(2) * 0.2 mm.
    seen = pour(BOX, _level(0.1), _level(0.2), 9.0, 0.05)
    assert seen.factor == pytest.approx(1.0)
    assert seen.litres_per_m == pytest.approx(90.0)
    relative = sqrt((0.05 / 9.0) ** 2 + 2.0 * (0.2 / 100.0) ** 2)
    assert seen.factor_sigma == pytest.approx(relative, rel=1e-12)
    assert seen.litres_per_m_sigma == pytest.approx(90.0 * relative, rel=1e-12)


def test_uncertainty_agrees_with_monte_carlo() -> None:
    # JCGM 101:2008 (GUM Supplement 1): propagate the distributions instead of the formula.
    lying = LyingCylinder(0.5, 1.2)
    rng = np.random.default_rng(7)
    low, high = 0.12, 0.2
    true_l = lying.volume_l(high) - lying.volume_l(low)
    factors = []
    for _ in range(4000):
        a, b = rng.normal(low, 0.001), rng.normal(high, 0.0015)
        poured = rng.normal(true_l, 0.3)
        factors.append(poured / (lying.volume_l(b) - lying.volume_l(a)))
    seen = pour(lying, _level(low, 0.001), _level(high, 0.0015), true_l, 0.3)
    assert seen.factor_sigma == pytest.approx(float(np.std(factors)), rel=0.05)


def test_simulated_pours_are_covered_and_unbiased() -> None:
    # A box that is in truth 6 % smaller than described; 20 readings of 1 mm noise each.
    rng = np.random.default_rng(11)
    true = BOX.scaled(0.94)
    scores = []
    for _ in range(300):
        low = level(list(rng.normal(0.1, 0.001, 20)))
        high = level(list(rng.normal(true.depth_m(true.volume_l(0.1) + 5.0), 0.001, 20)))
        jug = rng.normal(5.0, 0.02)
        seen = pour(BOX, low, high, float(jug), 0.02)
        scores.append((seen.factor - 0.94) / seen.factor_sigma)
    assert abs(np.mean(scores)) < 0.2
    # Standardised errors have unit spread; 300 draws tell it to 1 / sqrt(600) = 4 %.
    assert 0.85 < np.std(scores) < 1.2
    assert BOX.scaled(0.94).volume_l(0.2) == pytest.approx(0.94 * BOX.volume_l(0.2))


@pytest.mark.parametrize(
    ("samples", "fault"),
    [
        ([0.1, 0.1], PourFault.FEW_SAMPLES),
        ([0.1, 0.1, 0.1, 0.1, nan], PourFault.FEW_SAMPLES),
        ([0.1] * 10 + [0.13] * 9, PourFault.RESTLESS),
    ],
)
def test_level_refuses(samples: list[float], fault: PourFault) -> None:
    with pytest.raises(PourError) as caught:
        level(samples)
    assert caught.value.fault is fault


@pytest.mark.parametrize(
    ("before_m", "after_m", "poured_l", "fault"),
    [
        (0.1, 0.2, 0.0, PourFault.VOLUME),
        (0.1, 0.2, nan, PourFault.VOLUME),
        (-0.01, 0.2, 9.0, PourFault.OUTSIDE_VESSEL),
        (0.1, 0.35, 9.0, PourFault.OUTSIDE_VESSEL),
        (0.1, 0.1049, 0.4, PourFault.RISE_TOO_SMALL),
        (0.2, 0.1, 9.0, PourFault.RISE_TOO_SMALL),
        (0.1, 0.2, 2.4, PourFault.IMPLAUSIBLE),  # US gallons typed as litres: 9.08 / 3.785
        (0.1, 0.2, 90.0, PourFault.IMPLAUSIBLE),
    ],
)
def test_pour_refuses(before_m: float, after_m: float, poured_l: float, fault: PourFault) -> None:
    with pytest.raises(PourError) as caught:
        pour(BOX, _level(before_m), _level(after_m), poured_l, 0.05)
    assert caught.value.fault is fault


def test_strapping_takes_the_pour_as_a_row() -> None:
    table = Strapping((0.0, 0.1, 0.15, 0.2, 0.3), (0.0, 9.0, 13.5, 18.0, 27.0))
    low, high = _level(0.12), _level(0.24)
    seen = pour(table, low, high, 9.72, 0.05)  # the table says 10.8 L
    better = strapped(table, seen)
    # Arithmetic: rows below stay, rows between shrink to 0.9, rows above move by -1.08 L.
    assert better.depths_m == (0.0, 0.1, 0.12, 0.15, 0.2, 0.24, 0.3)
    expected = (0.0, 9.0, 10.8, 10.8 + 0.9 * 2.7, 10.8 + 0.9 * 7.2, 20.52, 25.92)
    assert better.volumes_l == pytest.approx(expected)
    assert better.volume_l(0.24) - better.volume_l(0.12) == pytest.approx(9.72)


def test_strapping_row_replaces_a_close_one() -> None:
    table = Strapping((0.0, 0.1, 0.2, 0.3), (0.0, 9.0, 18.0, 27.0))
    seen = pour(table, _level(0.098), _level(0.202), 9.36, 0.05)
    better = strapped(table, seen)
    assert better.depths_m == (0.0, 0.098, 0.202, 0.3)


def test_strapping_that_would_turn_back_is_refused() -> None:
    table = Strapping((0.0, 0.1, 0.2, 0.2005, 0.3), (0.0, 9.0, 18.0, 18.4, 27.0))
    seen = pour(table, _level(0.1), _level(0.19), 8.1, 0.05)
    with pytest.raises(GeometryError):
        strapped(table, replace(seen, poured_l=-1.0))


def test_a_jug_is_good_to_one_per_cent() -> None:
    """Common practice, no source."""
    assert calibration.jug_sigma_l(5.0) == pytest.approx(0.05)
