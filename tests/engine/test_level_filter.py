"""The level filter against filterpy, statsmodels, the published steady gain and exact Bayes."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from custom_components.stillwell.engine.level_filter import N_NUMBERS, LevelFilter
from filterpy.kalman import KalmanFilter
from scipy.linalg import solve_discrete_are
from scipy.stats import norm

# The series of the science notes: R = 1, level noise 0.1, slope noise 0.01, P0 = 1e6.
SERIES = [300, 299.2, 298.9, 297.8, 297.1, 296.3, 295.2, 294.9, 293.8, 293.2, 292.1, 291.7]


def _filterpy(readings: list[float], r_var: float, q_flow: float, dt: float) -> KalmanFilter:
    kf = KalmanFilter(dim_x=2, dim_z=1)
    kf.x, kf.P = np.array([[readings[0]], [0.0]]), np.diag([r_var, 4.0])
    kf.F, kf.H = np.array([[1.0, dt], [0.0, 1.0]]), np.array([[1.0, 0.0]])
    kf.R = np.array([[r_var]])
    kf.Q = q_flow * np.array([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]])
    for z in readings[1:]:
        kf.predict()
        kf.update(z)
    return kf


def test_plain_readings_give_filterpys_numbers() -> None:
    kf = _filterpy(SERIES, 1.0, 0.01, 1.0)
    f = LevelFilter.begin(0.0, SERIES[0], 1.0, 0.0, 4.0)
    for k, z in enumerate(SERIES[1:], 1):
        f.advance(float(k), 0.01)
        f.observe(z, 1.0, 0.0)
    assert f.level_l == pytest.approx(float(kf.x[0, 0]), abs=1e-9)
    assert f.flow_l_per_s == pytest.approx(float(kf.x[1, 0]), abs=1e-9)
    assert [f.p_ll, f.p_lf, f.p_ff] == pytest.approx([kf.P[0, 0], kf.P[0, 1], kf.P[1, 1]], abs=1e-9)


def test_start_level_is_statsmodels_smoothed_state() -> None:
    """The carried start level equals the smoother's first state (statsmodels 0.15)."""
    q = 0.01
    model = sm.tsa.statespace.MLEModel(np.array(SERIES[1:], float), k_states=2, k_posdef=2)
    ssm = model.ssm
    ssm["design"] = np.array([[1.0, 0.0]])
    ssm["transition"] = np.array([[1.0, 1.0], [0.0, 1.0]])
    ssm["selection"] = np.eye(2)
    ssm["state_cov"] = q * np.array([[1 / 3, 1 / 2], [1 / 2, 1.0]])
    ssm["obs_cov"] = np.array([[1.0]])
    p0 = np.array([[1.0, 0.0], [0.0, 4.0]])
    t = ssm["transition"]
    # state at time 1 given the first reading; its smoothed value then gives the start level
    ssm.initialize_known(t @ np.array([SERIES[0], 0.0]), t @ p0 @ t.T + ssm["state_cov"])
    res = ssm.smooth()
    gain = p0 @ t.T @ np.linalg.inv(t @ p0 @ t.T + ssm["state_cov"])
    first = np.array([SERIES[0], 0.0])
    start = first + gain @ (res.smoothed_state[:, 0] - t @ first)
    f = LevelFilter.begin(0.0, SERIES[0], 1.0, 0.0, 4.0)
    for k, z in enumerate(SERIES[1:], 1):
        f.advance(float(k), q)
        f.observe(z, 1.0, 0.0)
    assert f.start_l == pytest.approx(float(start[0]), abs=1e-9)


def _filterpy_with_jump(readings: list[float], jump_at: int, q: float) -> KalmanFilter:
    """Level, net flow and all that has flowed; at one reading the level is any level."""
    kf = KalmanFilter(dim_x=3, dim_z=1)
    kf.x, kf.P = np.array([[readings[0]], [0.0], [0.0]]), np.diag([1.0, 4.0, 0.0])
    kf.F = np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 0.0], [0.0, -1.0, 1.0]])
    kf.H, kf.R = np.array([[1.0, 0.0, 0.0]]), np.array([[1.0]])
    third, half = q / 3.0, q / 2.0
    kf.Q = np.array([[third, half, -third], [half, q, -half], [-third, -half, third]])
    for k, z in enumerate(readings[1:], 1):
        kf.predict()
        if k == jump_at:
            kf.P[0, 0] += 1e9
        kf.update(z)
    return kf


def test_over_a_jump_the_sum_of_the_flow_is_that_of_a_filter_told_of_it() -> None:
    """Start less level, over a refill of unknown size, against filterpy with a free level."""
    q, jump_at = 0.01, 6
    readings = [z + (50.0 if k >= jump_at else 0.0) for k, z in enumerate(SERIES)]
    kf = _filterpy_with_jump(readings, jump_at, q)
    f = LevelFilter.begin(0.0, readings[0], 1.0, 0.0, 4.0)
    before_l = 0.0
    for k, z in enumerate(readings[1:], 1):
        if k == jump_at:
            before_l = f.start_l - f.level_l - f.flow_l_per_s
            f = f.after_jump(float(k), z, 1.0, f.flow_l_per_s, q)
            continue
        f.advance(float(k), q)
        f.observe(z, 1.0, 0.0)
    assert f.level_l == pytest.approx(float(kf.x[0, 0]), abs=1e-5)
    assert f.flow_l_per_s == pytest.approx(float(kf.x[1, 0]), abs=1e-5)
    assert before_l + f.start_l - f.level_l == pytest.approx(float(kf.x[2, 0]), abs=1e-5)


def test_a_flow_that_worked_for_a_day_unseen_says_nothing_of_the_level_before() -> None:
    f = LevelFilter.begin(0.0, 20.0, 0.01, -3e-5, 1e-11)
    f = f.after_jump(86400.0, 25.0, 0.01, -3e-5, 0.0)
    assert f.p_sf == pytest.approx(0.0, abs=1e-20)
    assert f.p_ff == pytest.approx(1e-11)


def test_steady_gain_is_that_of_the_riccati_equation() -> None:
    """Steady level gain against scipy's solution of the discrete Riccati equation."""
    q, dt, r = 1e-3, 1.0, 1.0
    a = np.array([[1.0, dt], [0.0, 1.0]])
    h = np.array([[1.0], [0.0]])
    noise = q * np.array([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]])
    p = solve_discrete_are(a.T, h, noise, np.array([[r]]))
    gain = p[0, 0] / (p[0, 0] + r)
    f = LevelFilter.begin(0.0, 0.0, r, 0.0, 1.0)
    for k in range(1, 400):
        f.advance(float(k), q)
        f.observe(0.0, r, 0.0)
    assert f.p_ll / r == pytest.approx(gain, rel=1e-9)


@pytest.mark.parametrize(("prior", "sigma", "reading"), [(0.3, 0.1, 0.0), (0.6, 0.3, 1.0)])
def test_coarse_reading_is_taken_up_as_exact_bayes_would(
    prior: float, sigma: float, reading: float
) -> None:
    """Posterior mean and variance for a rounded reading, by numerical integration (scipy)."""
    p_ll, width = 0.25, 1.0
    grid = np.linspace(prior - 5.0, prior + 5.0, 40001)
    inside = norm.cdf((reading + width / 2 - grid) / sigma) - norm.cdf(
        (reading - width / 2 - grid) / sigma
    )
    weight = norm.pdf(grid, prior, math.sqrt(p_ll)) * inside
    mean = np.sum(grid * weight) / np.sum(weight)
    var = np.sum((grid - mean) ** 2 * weight) / np.sum(weight)
    f = LevelFilter.begin(0.0, prior, p_ll, 0.0, 1.0)
    f.observe(reading, sigma * sigma, width)
    assert f.level_l == pytest.approx(mean, abs=1e-6)
    assert f.p_ll == pytest.approx(var, abs=1e-6)


def test_fine_rounding_is_sheppards_correction() -> None:
    """Rounding finer than the spread adds width**2 / 12 (W. F. Sheppard 1898)."""
    f = LevelFilter.begin(0.0, 0.0, 1.0, 0.0, 1.0)
    f.observe(0.5, 1.0, 0.1)
    assert f.level_l == pytest.approx(0.5 / (2.0 + 0.01 / 12), rel=1e-12)


def test_far_reading_moves_the_level_no_further_than_three_sigma() -> None:
    """Huber's clipped innovation (P. J. Huber, Robust Statistics, 1981, from memory)."""
    far = LevelFilter.begin(0.0, 0.0, 1.0, 0.0, 1.0)
    far.observe(1000.0, 1.0, 0.0)
    at_limit = LevelFilter.begin(0.0, 0.0, 1.0, 0.0, 1.0)
    at_limit.observe(3.0 * math.sqrt(2.0), 1.0, 0.0)
    assert far.level_l == pytest.approx(at_limit.level_l)
    assert far.p_ll > at_limit.p_ll
    coarse = LevelFilter.begin(0.0, 0.0, 0.01, 0.0, 1.0)
    coarse.observe(50.0, 0.0001, 1.0)
    assert coarse.level_l == pytest.approx(0.01 * 3.0 / math.sqrt(0.01 + 0.0001 + 1.0 / 12.0))


def test_time_never_runs_backwards_and_state_round_trips() -> None:
    f = LevelFilter.begin(10.0, 5.0, 1.0, -0.5, 1.0)
    f.advance(9.0, 1.0)
    assert f.level_l == 5.0
    f.advance(12.0, 0.0)
    f.loosen(2.0)
    assert f.p_ll == pytest.approx(1.0 + 4.0 + 4.0)
    assert LevelFilter.from_state(f.state()) == f
    with pytest.raises(ValueError, match=str(N_NUMBERS)):
        LevelFilter.from_state([1.0, 2.0])
