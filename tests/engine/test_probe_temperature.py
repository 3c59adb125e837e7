"""The probe's drift with temperature: learned from an independent simulation, taken off, or not."""

import json
import math

import numpy as np
import pytest
from custom_components.stillwell.engine.probe_temperature import FEWEST_PAIRS, ProbeTemperature
from scipy.optimize import lsq_linear
from warm_room import DAY, HOUR, START, Room


def learned(room: Room, days: float) -> ProbeTemperature:
    probe = ProbeTemperature()
    for t_s, read_m, temp_c, _ in room.rows(days):
        probe.correction_m(t_s, temp_c)
        probe.add(t_s, read_m, temp_c, is_quiet=True)
    return probe


@pytest.mark.parametrize("drift_m_per_k", [-0.002, -0.0006, 0.001, 0.003])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_drift_is_found_within_its_own_uncertainty(drift_m_per_k: float, seed: int) -> None:
    found = learned(Room(drift_m_per_k, seed), 14.0).drift_m_per_k
    assert found is not None
    drift, sigma = found
    assert abs(drift - drift_m_per_k) < 3.0 * sigma
    assert sigma < 0.00015


@pytest.mark.parametrize("seed", range(6))
def test_no_drift_is_not_invented(seed: int) -> None:
    """Use follows the day as the temperature does; it must not pass for a drift."""
    probe = learned(Room(0.0, seed, swing=0.5), 14.0)
    found = probe.drift_m_per_k
    assert found is not None
    assert abs(found[0]) < 0.0002
    assert abs(probe.applied_m_per_k) < 0.0001


def test_against_scipys_least_squares() -> None:
    """scipy.optimize.lsq_linear on the same doubly differenced hourly means, through the origin."""
    rows = np.array([row[:3] for row in Room(0.001, 5, sigma_m=0.0002).rows(12.0)])
    slots = ((rows[:, 0]) // HOUR).astype(int)
    hours = np.unique(slots)[:-1]
    means = np.array([rows[slots == hour, 1:].mean(axis=0) for hour in hours])
    first = np.diff(means, axis=0)
    y, x = (first[24:] - first[:-24]).T
    # The refill of the box makes pairs that no least squares should see.
    good = np.abs(y) < 0.01
    expected = lsq_linear(x[good, None], y[good]).x[0]
    found = learned(Room(0.001, 5, sigma_m=0.0002), 12.0).drift_m_per_k
    assert found is not None
    # Forgetting over a month, the prior and the bounded refill move it by less than its own
    # uncertainty, which is a hundredth here.
    assert abs(found[0] - expected) < found[1]
    assert found[1] < 0.000015


def test_nothing_is_said_before_two_days_of_pairs() -> None:
    probe = learned(Room(0.003), 2.9)
    assert FEWEST_PAIRS == 48.0
    assert probe.drift_m_per_k is None
    assert probe.applied_m_per_k == 0.0
    assert probe.correction_m(START + 3 * DAY, 30.0) == 0.0


def test_a_level_taken_off_follows_the_water_and_not_the_weather() -> None:
    probe = ProbeTemperature()
    raw, corrected = [], []
    for t_s, read_m, temp_c, depth_m in Room(0.002, 7, sigma_m=0.0005).rows(24.0):
        off_m = probe.correction_m(t_s, temp_c)
        probe.add(t_s, read_m, temp_c, is_quiet=True)
        if t_s > START + 14 * DAY:
            raw.append(read_m - depth_m)
            corrected.append(read_m - off_m - depth_m)
    # A constant offset is no matter; what moves is. 2 mm/K and 1.5 K of weather and day are 3 mm.
    assert np.std(raw) > 0.002
    assert np.std(corrected) < 0.25 * np.std(raw)


def test_a_thermometer_that_falls_silent_makes_no_jump() -> None:
    probe = learned(Room(0.002, 3), 16.0)
    t_s = START + 16 * DAY
    reference = probe.snapshot()["reference_c"]
    warm_c = reference + 3.0
    before = probe.correction_m(t_s, warm_c)
    assert before == pytest.approx(3.0 * probe.applied_m_per_k)
    worst = 0.0
    for minute in range(1, 10 * 60):
        now = probe.correction_m(t_s + 60.0 * minute, None)
        worst, before = max(worst, abs(now - before)), now
    assert before == 0.0
    for minute in range(10 * 60, 12 * 60):
        now = probe.correction_m(t_s + 60.0 * minute, warm_c)
        worst, before = max(worst, abs(now - before)), now
    assert before == pytest.approx(3.0 * probe.applied_m_per_k)
    # Six millimetres in an hour at the fastest: a tenth of a millimetre in a minute.
    assert worst < 0.00015


@pytest.mark.parametrize("bad_c", [85.0, -127.0, 0.0, 50.1])
def test_what_a_broken_thermometer_reads_moves_no_level(bad_c: float) -> None:
    """85 degC before the first conversion, -127 without a wire: trade facts, no source."""
    probe = learned(Room(0.002, 3), 16.0)
    t_s, warm_c = START + 16 * DAY, probe.snapshot()["reference_c"] + 3.0
    before = probe.correction_m(t_s, probe.believed_c(t_s, warm_c))
    assert before > 0.005
    for minute in range(1, 12 * 60):
        at_s = t_s + 60.0 * minute
        now = probe.correction_m(at_s, probe.believed_c(at_s, bad_c))
        # It fades as it does for a silent one: 6 mm in six hours are 0.02 mm a minute.
        assert 0.0 <= before - now < 0.00003
        before = now
    assert before == 0.0
    assert probe.snapshot()["temp_c"] == warm_c


def test_a_jump_is_believed_once_its_correction_has_faded() -> None:
    """From 3 K above the reference by 12 K, for good: six hours of doubt, then an hour back."""
    probe = learned(Room(0.002, 3), 16.0)
    t_s, warm_c = START + 16 * DAY, probe.snapshot()["reference_c"] + 3.0
    probe.correction_m(t_s, probe.believed_c(t_s, warm_c))
    assert probe.believed_c(t_s + 60.0, warm_c - 12.0) is None
    assert probe.believed_c(t_s + 120.0, warm_c - 1.0) == warm_c - 1.0
    # Anew, and a clock that is set back begins the wait again.
    assert probe.believed_c(t_s + 9000.0, warm_c - 12.0) is None
    before, offs = probe.correction_m(t_s + 120.0, warm_c), []
    for minute in range(3, 8 * 60):
        at_s = t_s + 60.0 * minute
        now = probe.correction_m(at_s, probe.believed_c(at_s, warm_c - 12.0))
        offs.append((now, abs(now - before)))
        before = now
    # -9 K of the learned drift in the end, and on the way no more than 18 mm an hour.
    assert before == pytest.approx(-9.0 * probe.applied_m_per_k)
    assert max(step for _, step in offs) < 0.00035
    assert min(abs(off) for off, _ in offs) < 0.00005


def test_hours_that_are_not_quiet_or_hardly_seen_teach_nothing() -> None:
    noisy, rare = ProbeTemperature(), ProbeTemperature()
    for n, (t_s, read_m, temp_c, _) in enumerate(Room(0.003).rows(8.0)):
        noisy.add(t_s, read_m, None if n % 30 == 0 else temp_c, is_quiet=n % 30 != 1)
        if n % 10 == 0:
            rare.add(t_s, read_m, temp_c, is_quiet=True)
    assert noisy.drift_m_per_k is None
    assert rare.drift_m_per_k is None


def test_a_doubtful_drift_is_given_up() -> None:
    """Another probe without drift takes the place of one that had it."""
    probe = learned(Room(0.0015, 2), 12.0)
    assert probe.applied_m_per_k > 0.001
    probe.forget_level()
    for t_s, read_m, temp_c, _ in Room(0.0, 9).rows(150.0):
        probe.correction_m(t_s + 13 * DAY, temp_c)
        probe.add(t_s + 13 * DAY, read_m, temp_c, is_quiet=True)
    assert abs(probe.applied_m_per_k) < 0.0003


def test_memory() -> None:
    probe = learned(Room(0.002), 10.0)
    stored = json.loads(json.dumps(probe.snapshot()))
    again = ProbeTemperature()
    again.restore(stored)
    assert again.drift_m_per_k == probe.drift_m_per_k
    t_s = START + 10 * DAY + 60.0
    assert again.correction_m(t_s, 26.0) == probe.correction_m(t_s, 26.0)
    for key, value in (
        ("ring", []),
        ("ring", [[1]] * 24),
        ("sums", [-1.0, 0.0, 0.0, 0.0, 0.0]),
        ("sums", [math.nan, 0.0, 0.0, 0.0, 0.0]),
        ("sums", None),
    ):
        with pytest.raises(ValueError, match=r"snapshot|hours|below|finite|no list of numbers"):
            ProbeTemperature().restore({**stored, key: value})
