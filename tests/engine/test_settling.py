"""The settling time against the closed form of a first-order lag and of a damped oscillation."""

import math
import random
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from custom_components.stillwell.engine.settling import LONGEST_S, MARGIN, SettlingTime
from scipy.signal import lti, step

START = 1.0e9
HIGH_L = 12.0  # so that its smallest band is the three sigma of a reading
DRAIN_L = 6.0  # a sump takes up a few litres when the pump stops (common practice, no source)


def watch(
    settling: SettlingTime,
    level_l: Callable[[float], float],
    *,
    start_s: float = START,
    interval_s: float = 5.0,
    lasts_s: float = 4000.0,
    noise_l: float = 0.0,
    seed: int = 0,
) -> bool:
    """Let the pump start and the level go; return whether anything was learned."""
    noise = random.Random(seed)
    settling.started(start_s)
    learned = False
    for i in range(1, int(lasts_s / interval_s) + 1):
        t_s = i * interval_s
        seen_l = level_l(t_s) + noise.gauss(0.0, noise_l)
        learned |= settling.reading(start_s + t_s, seen_l, noise_l or 0.02, None)
    return learned


def lag(time_constant_s: float) -> Callable[[float], float]:
    return lambda t_s: 20.0 + DRAIN_L * math.exp(-t_s / time_constant_s)


@pytest.mark.parametrize("time_constant_s", [20.0, 60.0, 120.0])
@pytest.mark.parametrize("interval_s", [2.0, 10.0, 30.0])
def test_first_order_lag(time_constant_s: float, interval_s: float) -> None:
    """A lag enters a band b after tau ln(A / b): textbook settling time of a first-order lag."""
    settling = SettlingTime(300.0, HIGH_L)
    assert watch(settling, lag(time_constant_s), interval_s=interval_s)
    # The band is three standard deviations of 0.02 L; the level taken for rest is the one of 15
    # to 20 minutes, whose distance from the true rest moves the end by a second or two.
    expected_s = time_constant_s * math.log(DRAIN_L / 0.06)
    assert expected_s - 2.0 <= settling.times_s[0] <= expected_s + interval_s + 1.0


def test_damped_oscillation_against_scipy() -> None:
    """scipy.signal's step response of a second-order system, damping 0.3."""
    omega, zeta = 0.05, 0.3
    times, response = step(
        lti([omega**2], [1.0, 2.0 * zeta * omega, omega**2]), T=np.arange(0.0, 4000.0, 1.0)
    )
    levels = 26.0 - DRAIN_L * response
    last_out_s = times[np.abs(levels - 20.0) > 0.06][-1]
    settling = SettlingTime(300.0, HIGH_L)
    assert watch(settling, lambda t_s: float(np.interp(t_s, times, levels)), interval_s=1.0)
    assert settling.times_s[0] == pytest.approx(last_out_s, abs=2.0)


def test_noise_of_the_sensor_does_not_make_it_longer() -> None:
    settling = SettlingTime(300.0, HIGH_L)
    for n in range(5):
        watch(settling, lag(60.0), start_s=START + 1e4 * n, noise_l=0.05, seed=n)
    assert len(settling.times_s) == 5
    # Into the band of 0.15 L; noise may reach out of it until the lag itself is one sigma away.
    clean_s, late_s = (60.0 * math.log(DRAIN_L / off_l) for off_l in (0.15, 0.05))
    assert clean_s - 60.0 < min(settling.times_s)
    assert max(settling.times_s) < late_s + 60.0


def iter_values(settling: SettlingTime, starts: int, tau_s: float) -> Iterator[float]:
    for n in range(starts):
        watch(settling, lag(tau_s), start_s=START + 1e4 * n)
        yield settling.value_s


def test_few_starts_only_lengthen_what_was_chosen() -> None:
    values = list(iter_values(SettlingTime(300.0, HIGH_L), 3, 20.0))
    assert values[:2] == [300.0, 300.0]
    took_s = 20.0 * math.log(DRAIN_L / 0.06)
    assert MARGIN * took_s <= values[2] <= MARGIN * (took_s + 6.0)
    longer = next(iter_values(SettlingTime(60.0, HIGH_L), 1, 60.0))
    assert longer > 60.0 * math.log(DRAIN_L / 0.06)


def test_a_level_that_does_not_rest_is_waited_for_longer_each_time() -> None:
    """A lag of 20 min: the watch of 10 min shows no rest, later ones do."""
    settling = SettlingTime(300.0, HIGH_L)
    values = list(iter_values(settling, 8, 1200.0))
    assert values == sorted(values)
    assert values[0] > 600.0
    assert values[-1] <= LONGEST_S


def test_a_level_at_rest_from_the_beginning() -> None:
    settling = SettlingTime(0.0, HIGH_L)
    assert settling.value_s == 0.0
    assert watch(settling, lambda _: 20.0)
    assert settling.times_s == (0.0,)
    assert settling.value_s == 30.0


def test_a_disturbed_start_teaches_nothing() -> None:
    settling = SettlingTime(300.0, HIGH_L)
    settling.started(START)
    assert not settling.reading(START + 5.0, 20.0, None, 0.1)
    settling.disturbed()
    assert not any(settling.reading(START + t, 20.0, None, 0.1) for t in range(10, 4000, 5))
    settling.started(START)
    assert not settling.reading(START - 100.0, 20.0, None, 0.1)  # the clock was set back
    assert not settling.reading(START + 2000.0, 20.0, None, 0.1)
    # Too few readings to tell rest.
    settling.started(START)
    assert not settling.reading(START + 2000.0, 20.0, None, 0.1)
    assert settling.times_s == ()
    assert settling.value_s == 300.0


def test_more_readings_than_are_kept_are_given_up() -> None:
    settling = SettlingTime(300.0, HIGH_L)
    assert not watch(settling, lag(60.0), interval_s=0.1, lasts_s=700.0)
    assert settling.times_s == ()


def test_another_time_is_chosen() -> None:
    """Until three starts were seen what was chosen is the least."""
    settling = SettlingTime(300.0, HIGH_L)
    settling.choose(20.0)
    assert settling.value_s == 20.0
    watch(settling, lag(60.0))
    assert settling.value_s == pytest.approx(MARGIN * settling.times_s[0])


def test_memory() -> None:
    settling = SettlingTime(300.0, HIGH_L)
    list(iter_values(settling, 3, 60.0))
    again = SettlingTime(300.0, HIGH_L)
    again.restore(settling.snapshot())
    assert again.value_s == settling.value_s
    for nonsense in ([-1.0], [math.nan], [LONGEST_S + 1.0], 5, ["x"]):
        with pytest.raises(ValueError, match=r"not settling times|no finite number|no list"):
            SettlingTime(300.0, HIGH_L).restore(nonsense)
