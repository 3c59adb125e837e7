"""Loss test against published run lengths, river's WaterFlow, statsmodels' Nile, simulation.

Published: average run lengths of the cumulative sum with k = 0.5 (Montgomery, Introduction to
Statistical Quality Control, table 9.3, from memory; matched by solving Page's integral
equation numerically).
"""

import json
import math

import numpy as np
import pytest
from custom_components.stillwell.engine.course import Course
from custom_components.stillwell.engine.forecast import Forecaster
from custom_components.stillwell.engine.loss import LossTest, LossVerdict
from custom_components.stillwell.engine.quantities import DAY_S, HOUR_S, UseBlock
from custom_components.stillwell.engine.samples import Samples
from river.datasets import WaterFlow
from statsmodels.datasets import nile

T0 = 1_770_000_000.0 // DAY_S * DAY_S
NORMAL_L = 0.125  # per hour: 3 L/day
BLOCK_S = 300.0
TWO_HOURS = 24  # blocks


class Watch:
    """Forecast and loss test side by side, as the vessel runs them."""

    def __init__(self) -> None:
        self.forecast, self.loss = Forecaster(), LossTest()
        self.verdict = LossVerdict(is_alarm=False, excess_l_per_h=0.0, since_s=None, lost_l=0.0)

    def add(
        self, start_s: float, length_s: float, used_l: float, sigma_l: float, *, seen: bool = True
    ) -> LossVerdict:
        block = UseBlock(start_s, start_s + length_s, used_l, sigma_l, seen)
        expected = self.forecast.expected_l(block.start_s, block.end_s, 0.0)
        self.verdict = self.loss.add(block, expected, self.forecast.expected_rel_sigma)
        self.forecast.add(block, 0.0)
        return self.verdict


def learned(sigma_l: float, expected_l: float, length_s: float = HOUR_S) -> LossTest:
    """A test that has a day of learning behind it and stands at 0."""
    test = LossTest()
    state = test.snapshot()
    state |= {"sigma_l": sigma_l, "learned_s": DAY_S, "normal_l_per_s": expected_l / length_s}
    test.restore(state)
    return test


def hourly(i: int, used_l: float, sigma_l: float = 0.01) -> UseBlock:
    return UseBlock(T0 + i * HOUR_S, T0 + (i + 1) * HOUR_S, used_l, sigma_l, True)


# --- Page's cumulative sum ---

# With sigma = 0.8 of the expected use, the least allowance of 0.4 is k = 0.5 sigma and the
# threshold of five sigma is h = 5: the case that the tables print.
EXPECTED_L = 0.2
SIGMA_L = 0.8 * EXPECTED_L


def test_sum_follows_page_by_hand() -> None:
    # Page 1954: C = max(0, C + z - k), k = 0.5; worked by hand.
    z = [0.2, -0.5, 0.1, 0.7, -0.3, 1.4, 0.9, 1.8, 1.1, 1.6, 0.8]
    by_hand = [0.0, 0.0, 0.0, 0.2, 0.0, 0.9, 1.3, 2.6, 3.2, 4.3, 4.6]
    test = learned(SIGMA_L, EXPECTED_L)
    for i, (value, total) in enumerate(zip(z, by_hand, strict=True)):
        test.add(hourly(i, EXPECTED_L + SIGMA_L * value, SIGMA_L), EXPECTED_L, 0.0)
        assert test.snapshot()["sum_l"] / SIGMA_L == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize(("shift", "published"), [(0.5, 38.0), (1.0, 10.4), (2.0, 4.01)])
def test_run_length_to_alarm_matches_the_table(shift: float, published: float) -> None:
    # h = 5, k = 0.5. Our cap per block and the tolerance for excursions that ended by
    # themselves lengthen a run somewhat, never shorten it: -5 % (chance) to +25 %.
    rng = np.random.default_rng(1)
    lengths = []
    for _ in range(500):
        test = learned(SIGMA_L, EXPECTED_L)
        for i in range(2000):
            used = EXPECTED_L + SIGMA_L * float(rng.normal(shift))
            if test.add(hourly(i, used, SIGMA_L), EXPECTED_L, 0.0).is_alarm:
                lengths.append(i + 1)
                break
    assert len(lengths) == 500
    assert 0.95 * published < np.mean(lengths) < 1.25 * published


def test_run_length_to_false_alarm_is_at_least_the_table() -> None:
    # One-sided, h = 5, k = 0.5, no shift: 930.9 blocks (Nystroem solution of Page's equation).
    rng = np.random.default_rng(2)
    alarms, blocks = 0, 60_000
    test = learned(SIGMA_L, EXPECTED_L)
    for i in range(blocks):
        used = EXPECTED_L + SIGMA_L * float(rng.normal())
        if test.add(hourly(i, used, SIGMA_L), EXPECTED_L, 0.0).is_alarm:
            alarms += 1
            test.reset()
    assert alarms <= blocks / 930.9


# --- series from outside ---


def test_waterflow_low_segments_are_found_and_nothing_else() -> None:
    """river.datasets.WaterFlow: three documented low-flow segments, one inflow peak.

    Turned over, so that what is missing from 110 l/s is the use: about 10 in ordinary hours,
    above 30 in the low segments; scaled by 1/80 to a reservoir's litres an hour. Runs below
    80 l/s: 24 March, 29 March, 27 to 28 April.
    """
    watch, found, was = Watch(), [], False
    for row, flow in WaterFlow():
        end = row["Time"].timestamp()
        used = (110.0 - flow) / 80.0
        verdict = watch.add(end - HOUR_S, HOUR_S, used, 1.2 / 80.0)
        if verdict.is_alarm and not was:
            found.append((row["Time"].month, row["Time"].day))
        was = verdict.is_alarm
    assert found == [(3, 24), (3, 29), (4, 27)]
    assert not watch.verdict.is_alarm  # back in pattern after each


def test_nile_shift_of_1899_is_found() -> None:
    """statsmodels' Nile: the flow falls by 248 units after 1898 (Cobb 1978, Biometrika 65).

    Mean and spread of the 28 years before are the pattern; what is missing from it is the
    excess. With k = 0.5 and h = 5 a shift of about two sigma takes four years (table 9.3).
    """
    data = nile.load_pandas().data
    volume = data["volume"].to_numpy()
    mean, spread = float(volume[:28].mean()), float(volume[:28].std(ddof=1))
    test, alarms = learned(SIGMA_L, EXPECTED_L), []
    for i, (year, flow) in enumerate(zip(data["year"], volume, strict=True)):
        used = EXPECTED_L + SIGMA_L * (mean - float(flow)) / spread
        if test.add(hourly(i, used, SIGMA_L), EXPECTED_L, 0.0).is_alarm:
            alarms.append(int(year))
    assert 1900 <= alarms[0] <= 1905


# --- simulated reservoirs ---


def noisy_day(rng: np.random.Generator, days: float, noise_l: float) -> list[float]:
    """Five-minute uses of 3 L/day with a swing of 20 % and level noise that cancels."""
    steps = np.arange(int(days * DAY_S / BLOCK_S))
    level = np.exp(rng.normal(0.0, 0.1)) * (1.0 + 0.2 * np.sin(2.0 * np.pi * steps / 288.0))
    noise = rng.normal(0.0, noise_l, len(steps) + 1)
    return list(NORMAL_L / 12.0 * level + np.diff(noise))


@pytest.mark.parametrize(("leak_l_per_h", "median_min"), [(0.2, 360.0), (0.5, 60.0), (2.0, 15.0)])
def test_delay_to_detect_a_leak(leak_l_per_h: float, median_min: float) -> None:
    # 1 mm of noise at 120 s on 900 cm2 leaves 0.057 L in the mean of a five-minute block.
    delays, told = [], []
    for seed in range(15):
        rng = np.random.default_rng(seed)
        uses = noisy_day(rng, 2.8, 0.057)
        start = int(2 * DAY_S / BLOCK_S)
        watch, alarm_at = Watch(), None
        for i, used in enumerate(uses):
            leak = leak_l_per_h * BLOCK_S / HOUR_S if i >= start else 0.0
            verdict = watch.add(T0 + i * BLOCK_S, BLOCK_S, used + leak, 0.0806)
            if verdict.is_alarm and alarm_at is None:
                assert i >= start
                alarm_at = i
                delays.append((i + 1 - start) * BLOCK_S / 60.0)
                told.append(float(verdict.excess_l_per_h))
            if alarm_at is not None and i == alarm_at + TWO_HOURS:
                # By then noise has averaged out, and what it tells of the loss is right.
                assert verdict.is_alarm
                assert verdict.excess_l_per_h == pytest.approx(leak_l_per_h, rel=0.45)
                break
    assert len(delays) == 15
    # What it tells at first is the order of magnitude: an alarm comes when noise adds to the loss.
    assert 0.4 * leak_l_per_h < np.median(told) < 2.5 * leak_l_per_h
    assert np.median(delays) <= median_min


@pytest.mark.parametrize("kind", ["steady", "pulses"])
def test_no_alarm_in_ordinary_weeks(kind: str) -> None:
    # Ten vessels for three weeks with fills (not measured) and 100 mL pulses: 0.6 vessel-years.
    for seed in range(10):
        rng = np.random.default_rng(100 + seed)
        uses = noisy_day(rng, 21.0, 0.02)
        if kind == "pulses":
            total = np.cumsum(np.maximum(np.array(uses), 0.0))
            total *= 3.0 * 21.0 / total[-1]
            uses = list(np.diff(np.floor(total / 0.1) * 0.1, prepend=0.0))
        watch = Watch()
        for i, used in enumerate(uses):
            seen = i % 1500 > 14  # an hour and more in five days is a fill
            assert not watch.add(T0 + i * BLOCK_S, BLOCK_S, used, 0.0283, seen=seen).is_alarm


def test_one_odd_block_raises_no_alarm() -> None:
    test = learned(0.02, NORMAL_L)
    for i in range(48):
        assert not test.add(hourly(i, 5.0 if i == 30 else NORMAL_L), NORMAL_L, 0.05).is_alarm


def test_pulses_raise_the_threshold_and_time_lowers_it_again() -> None:
    test = learned(0.01, 0.02)
    before = test.threshold_l
    for i in range(40):
        test.add(hourly(i, 0.12 if i % 6 == 0 else 0.0), 0.02, 0.0)
    pulsed = test.threshold_l
    assert pulsed > before
    for i in range(40, 40 + 24 * 21):
        test.add(hourly(i, 0.02), 0.02, 0.0)
    # Excursions are forgotten with a memory of a week: three weeks leave one twentieth.
    assert test.threshold_l == pytest.approx(max(before, pulsed * math.exp(-3.0)), rel=0.05)


# --- readings that fall ---

NOISE_L = 0.03
FIRST = 25  # readings before


def course(lost_l: list[float], every_s: float = 60.0) -> Course:
    """Half an hour at rest by a reading a minute, then so many litres less; 3 L a day besides.

    The noise is that of a table of normal numbers, the same each time.
    """
    rng = np.random.default_rng(11)
    samples = Samples(64)
    for k, lost in enumerate([0.0] * FIRST + lost_l):
        level_l = 20.0 - NORMAL_L * k * every_s / HOUR_S - lost + rng.normal(0.0, NOISE_L)
        samples.append(T0 + every_s * (k - FIRST + 1), float(level_l))
    return Course(samples, 0.0, T0, NOISE_L, 0.0)


def leaking(minutes: int, l_per_h: float) -> list[float]:
    return [l_per_h * k / 60.0 for k in range(1, minutes + 1)]


def test_a_strong_loss_need_not_wait_for_the_end_of_a_block() -> None:
    test = learned(0.02, NORMAL_L)
    verdict = test.look(course(leaking(12, 2.0)), NORMAL_L / HOUR_S)
    assert verdict is not None
    assert verdict.is_alarm
    assert verdict.since_s == pytest.approx(T0, abs=120.0)
    # 2 L/h for twelve minutes (arithmetic). When it began is known to two of them, and the rate
    # so much less than the litres.
    assert verdict.excess_l_per_h == pytest.approx(2.0, rel=0.2)
    assert verdict.lost_l == pytest.approx(0.4, rel=0.15)
    assert test.look(course(leaking(14, 2.0)), NORMAL_L / HOUR_S) is None  # told already
    # Closed, the block counts once, and the alarm stands.
    closed = test.add(UseBlock(T0, T0 + 900.0, 0.5 + 0.03125, 0.02, True), 0.03125, 0.05)
    assert closed.is_alarm
    assert closed.lost_l == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize(
    "lost_l",
    [
        [0.5] * 8,  # all at once: a draw
        [0.25] + [0.5] * 8,  # a reading came while the jug was being filled
        leaking(3, 2.0),  # so little may be noise and use
        leaking(30, 0.15),  # twice the use is left to the sum
    ],
)
def test_readings_in_doubt_raise_no_alarm(lost_l: list[float]) -> None:
    test = learned(0.02, NORMAL_L)
    assert test.look(course(lost_l), NORMAL_L / HOUR_S) is None
    assert not test.is_standing


def test_readings_without_knowledge_raise_no_alarm() -> None:
    assert LossTest().look(course(leaking(20, 2.0)), NORMAL_L / HOUR_S) is None
    assert learned(0.02, NORMAL_L).look(course([]), NORMAL_L / HOUR_S) is None
    rising = course([-0.1 * k for k in range(8)])
    assert learned(0.02, NORMAL_L).look(rising, NORMAL_L / HOUR_S) is None


def test_a_fall_is_near_before_it_is_sure() -> None:
    test = learned(0.02, NORMAL_L)
    assert test.worth_l == pytest.approx(0.0625)  # half of what an hour uses
    minutes = next(
        m
        for m in range(3, 20)
        if test.look(course(leaking(m, 2.0)), NORMAL_L / HOUR_S) or test.is_near
    )
    told = next(m for m in range(3, 20) if test.look(course(leaking(m, 2.0)), NORMAL_L / HOUR_S))
    assert minutes < told <= 9


# --- water drawn at once ---


def tapped(test: LossTest, litres: float, start_s: float) -> bool:
    """Draw so much in the middle of a block; the level of the next bears a part of it."""
    told = False
    shares = (0.6, 0.4, 0.0, 0.0)
    for k, share in enumerate(shares):
        end_s = start_s + (k + 1) * BLOCK_S
        seen = course([litres] * (3 + 5 * k))
        used = NORMAL_L / 12.0 + share * litres
        block = UseBlock(end_s - BLOCK_S, end_s, used, 0.02, True)
        told = test.add(block, NORMAL_L / 12.0, 0.05, lambda seen=seen: seen).is_alarm or told
    return told


@pytest.mark.parametrize("litres", [0.3, 0.5, 1.0, 2.0])
def test_a_draw_is_taken_out_of_the_sum(litres: float) -> None:
    test = learned(0.02, NORMAL_L, HOUR_S)
    assert not tapped(test, litres, T0)
    # Nothing is left that would make the next hours a loss, nor the threshold a higher one.
    assert test.snapshot()["sum_l"] < 0.25 * test.threshold_l
    assert test.threshold_l < 1.1 * learned(0.02, NORMAL_L, HOUR_S).threshold_l


def test_without_readings_the_same_draw_is_a_loss() -> None:
    test = learned(0.02, NORMAL_L)
    for k, share in enumerate((0.6, 0.4)):
        start_s = T0 + k * BLOCK_S
        block = UseBlock(start_s, start_s + BLOCK_S, 1.0 * share + NORMAL_L / 12, 0.02, True)
        verdict = test.add(block, NORMAL_L / 12.0, 0.05)
    assert verdict.is_alarm


def test_portions_that_go_on_are_a_loss() -> None:
    # Half a litre every half hour: three are believed to be draws, and one more every two hours.
    test = learned(0.02, NORMAL_L)
    told = [tapped(test, 0.5, T0 + k * HOUR_S / 2) for k in range(6)]
    assert not any(told[:3])
    assert any(told)


def test_a_draw_with_the_clock_ahead_does_not_use_up_those_to_come() -> None:
    """A month ahead; set right, three draws of the next day are believed as ever."""
    test = learned(0.02, NORMAL_L)
    assert not tapped(test, 0.5, T0 + 30 * DAY_S)
    test.shift(-30 * DAY_S)
    assert not any(tapped(test, 0.5, T0 + DAY_S + k * HOUR_S / 2) for k in range(3))


def test_what_is_left_of_a_draw_is_not_left_for_a_month() -> None:
    """Half of a draw was seen with the clock a month ahead; the other half is due in minutes."""
    test = learned(0.02, NORMAL_L)
    seen = course([0.5] * 3)
    end_s = T0 + 30 * DAY_S
    first = UseBlock(end_s - BLOCK_S, end_s, 0.3 + NORMAL_L / 12.0, 0.02, True)
    assert not test.add(first, NORMAL_L / 12.0, 0.05, lambda: seen).is_alarm
    test.shift(-30 * DAY_S)
    # An hour later it is none of that draw any more.
    told = False
    for k in range(4):
        start_s = T0 + HOUR_S + k * BLOCK_S
        block = UseBlock(start_s, start_s + BLOCK_S, 0.15 + NORMAL_L / 12.0, 0.02, True)
        told = test.add(block, NORMAL_L / 12.0, 0.05).is_alarm or told
    assert told


def test_a_leak_is_no_draw() -> None:
    test = learned(0.02, NORMAL_L)
    for k in range(1, 7):
        seen = course(leaking(5 * k, 1.0))
        end_s = T0 + k * BLOCK_S
        block = UseBlock(end_s - BLOCK_S, end_s, (1.0 + NORMAL_L) / 12.0, 0.02, True)
        verdict = test.add(block, NORMAL_L / 12.0, 0.05, lambda seen=seen: seen)
    assert verdict.is_alarm
    assert verdict.lost_l == pytest.approx(0.5, rel=0.01)


# --- latching ---


def test_alarm_latches_counts_and_lets_go_when_back_in_pattern() -> None:
    test = learned(0.02, NORMAL_L)
    verdict = None
    for i in range(6):
        verdict = test.add(hourly(i, NORMAL_L + 0.5), NORMAL_L, 0.05)
    assert verdict is not None
    assert verdict.is_alarm
    assert verdict.since_s == T0
    assert verdict.lost_l == pytest.approx(3.0)
    assert verdict.excess_l_per_h == pytest.approx(0.5)
    assert test.add(hourly(6, NORMAL_L), NORMAL_L, 0.05).is_alarm  # one quiet hour is not enough
    for i in range(7, 11):
        verdict = test.add(hourly(i, NORMAL_L), NORMAL_L, 0.05)
    assert not verdict.is_alarm
    assert verdict.since_s is None
    assert verdict.lost_l == 0.0


def test_alarm_stands_although_the_forecast_gets_used_to_the_loss() -> None:
    watch = Watch()
    for i in range(24 * 6):
        verdict = watch.add(T0 + i * HOUR_S, HOUR_S, NORMAL_L + (0.5 if i >= 72 else 0.0), 0.02)
        assert verdict.is_alarm is (i >= 73)
    # Three days at 0.5 L/h.
    assert verdict.lost_l == pytest.approx(36.0, rel=0.1)


def test_a_long_block_beyond_doubt_is_enough() -> None:
    test = learned(0.02, NORMAL_L)
    for i in range(60):
        test.add(hourly(i, NORMAL_L), NORMAL_L, 0.05)
    start = T0 + 60 * HOUR_S
    short = UseBlock(start, start + HOUR_S, 3.0, 0.02, True)
    assert not test.add(short, NORMAL_L, 0.05).is_alarm
    test.reset()
    long = UseBlock(start + HOUR_S, start + 3 * HOUR_S, 3.0, 0.02, True)
    assert test.add(long, 2 * NORMAL_L, 0.05).is_alarm


def test_a_slow_loss_keeps_its_alarm() -> None:
    # The alarm may come on a burst of noise far above the loss itself; it must not let go.
    watch = Watch()
    rng = np.random.default_rng(12)
    alarms = []
    for i, used in enumerate(noisy_day(rng, 4.0, 0.057)):
        leak = 0.3 / 12.0 if i >= 576 else 0.0
        alarms.append(watch.add(T0 + i * BLOCK_S, BLOCK_S, used + leak, 0.0806).is_alarm)
    assert not any(alarms[:576])
    # From six hours into the loss to its end a day and a half later.
    assert all(alarms[576 + 72 :])


def test_reset_lets_go_at_once() -> None:
    test = learned(0.02, NORMAL_L)
    for i in range(6):
        test.add(hourly(i, NORMAL_L + 0.5), NORMAL_L, 0.05)
    test.reset()
    assert not test.add(hourly(6, NORMAL_L), NORMAL_L, 0.05).is_alarm


def test_blocks_without_knowledge_are_passed_over() -> None:
    test = LossTest()
    for i in range(24):
        assert not test.add(hourly(i, 9.0), None, 1.0).is_alarm
    late = UseBlock(T0, T0 + HOUR_S, 9.0, 0.01, False)
    assert not test.add(late, NORMAL_L, 0.05).is_alarm
    assert not test.add(UseBlock(T0, T0, 9.0, 0.01, True), NORMAL_L, 0.05).is_alarm
    assert not test.add(hourly(30, math.nan), NORMAL_L, 0.05).is_alarm
    assert test.snapshot() == LossTest().snapshot()


def test_first_day_is_patient() -> None:
    # An unknown pattern must not alarm: three hours at three times the expected use.
    test = LossTest()
    for i in range(3):
        assert not test.add(hourly(i, 3 * NORMAL_L), NORMAL_L, 0.05).is_alarm
    assert test.threshold_l >= 8 * NORMAL_L


# --- keeping ---


def test_snapshot_round_trip_in_the_middle_of_an_alarm() -> None:
    test = learned(0.02, NORMAL_L)
    for i in range(6):
        test.add(hourly(i, NORMAL_L + 0.5), NORMAL_L, 0.05)
    again = LossTest()
    again.restore(json.loads(json.dumps(test.snapshot())))
    for i in range(6, 12):
        block = hourly(i, NORMAL_L + (0.5 if i < 8 else 0.0))
        assert test.add(block, NORMAL_L, 0.05) == again.add(block, NORMAL_L, 0.05)


@pytest.mark.parametrize(
    "spoil",
    [
        {"sum_l": -1.0},
        {"peak_l": math.inf},
        {"since_s": "now"},
        {"latched": [1.0]},
        {"learned_s": None},
    ],
)
def test_nonsense_is_refused(spoil: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"."):
        LossTest().restore(LossTest().snapshot() | spoil)
    with pytest.raises(ValueError, match="snapshot"):
        LossTest().restore({})


def test_a_sum_that_has_just_begun_outlives_a_restart() -> None:
    """More than expected, then a little less: what is lost since then is below 0 for a while."""
    test = learned(0.02, NORMAL_L)
    for i in range(60):
        test.add(hourly(i, NORMAL_L), NORMAL_L, 0.05)
    start = T0 + 60 * HOUR_S
    test.add(UseBlock(start, start + HOUR_S, 0.235, 0.02, True), NORMAL_L, 0.05)
    verdict = test.add(
        UseBlock(start + HOUR_S, start + 2 * HOUR_S, 0.12, 0.02, True), NORMAL_L, 0.05
    )
    # 0.12 of 0.125 L used in the block the count begins with.
    assert verdict.lost_l == pytest.approx(-0.005, abs=1e-9)
    again = LossTest()
    again.restore(json.loads(json.dumps(test.snapshot())))
    assert again.snapshot() == test.snapshot()
    with pytest.raises(ValueError, match="sum_l"):
        again.restore(test.snapshot() | {"sum_l": -0.1})
    with pytest.raises(ValueError, match="lost_l"):
        again.restore(test.snapshot() | {"lost_l": float("nan")})
