"""A hub without a clock of its own battery comes up far ahead and is set right by the network.

Truth: water that falls by 3 L a day, a leak of 0.5 L/h, a pour of 20 L, an alkalinity that falls
by 0.5 dKH and a salinity that rises by 0.1 PSU a day, all by construction.
"""

import random
from datetime import UTC, datetime

import pytest
from custom_components.stillwell.engine.alkalinity_log import AlkalinityLog
from custom_components.stillwell.engine.burst import BurstWatch
from custom_components.stillwell.engine.geometry import Box
from custom_components.stillwell.engine.habits import Rhythm
from custom_components.stillwell.engine.ledger import DayBook
from custom_components.stillwell.engine.pipeline import VesselModel, VesselSpec, VesselView
from custom_components.stillwell.engine.quantities import (
    DAY_S,
    HOUR_S,
    MINUTE_S,
    DaySpan,
    Reading,
)
from custom_components.stillwell.engine.salinity_book import SalinityBook, SalinitySpec

START_S = 1_780_000_000.0
AREA_L_PER_M = 90.0
L_PER_DAY = 3.0
SPEC = VesselSpec(Box(0.3, 0.3, 0.34), empty_m=0.02, start_m=0.07, full_m=0.3, high_m=0.32)


def day_of(t_s: float) -> DaySpan:
    """Return the UTC day."""
    start_s = t_s // DAY_S * DAY_S
    key = datetime.fromtimestamp(start_s, UTC).date().isoformat()
    return DaySpan(key, start_s, start_s + DAY_S)


class Keeper:
    """Water, its truth, and a hub whose clock may be off."""

    def __init__(self) -> None:
        self.model = VesselModel(SPEC)
        self.true_s = START_S
        self.off_s = 0.0
        self.volume_l = 24.0
        self._noise = random.Random(1)

    @property
    def now_s(self) -> float:
        """What the hub's clock says."""
        return self.true_s + self.off_s

    def live(self, hours: float, change_l_per_h: float = -L_PER_DAY / 24) -> VesselView:
        """Let hours pass, a report each minute, 0.5 mm of noise, rounded to a millimetre."""
        for _ in range(int(hours * 60)):
            self.true_s += MINUTE_S
            self.volume_l += change_l_per_h / 60
            depth_m = self.volume_l / AREA_L_PER_M + self._noise.gauss(0.0, 0.0005)
            self.model.report(
                self.now_s,
                Reading(round(depth_m, 3)),
                fill_on=None,
                day=day_of(self.now_s),
                utc_offset_s=0.0,
            )
        return self.model.view(self.now_s, 0.0)


@pytest.fixture(params=[10 * MINUTE_S, DAY_S, 30 * DAY_S], ids=["minutes", "a day", "a month"])
def keeper(request: pytest.FixtureRequest) -> Keeper:
    """Two days of use, two hours with the clock ahead, and it is set right."""
    keeper = Keeper()
    keeper.live(48)
    keeper.off_s = request.param
    keeper.live(2)
    keeper.off_s = 0.0
    return keeper


def test_use_day_and_forecast_go_on_at_the_right_time(keeper: Keeper) -> None:
    view = keeper.live(6)
    assert view.use_l_per_day == pytest.approx(L_PER_DAY, rel=0.05)
    assert view.today is not None
    assert view.today.key == day_of(keeper.now_s).key
    assert max(day.key for day in keeper.model.balance.days) == view.today.key
    assert view.empty_at is not None
    left_s = (keeper.volume_l - 0.02 * AREA_L_PER_M) / L_PER_DAY * DAY_S
    assert view.empty_at.likely - keeper.now_s == pytest.approx(left_s, rel=0.1)


def test_more_use_is_learned_after_the_clock_was_set_right(keeper: Keeper) -> None:
    """A third more is no loss. Were the present refused as past, the forecast would stay."""
    more = 1.35 * L_PER_DAY
    view = keeper.live(36, -more / 24)
    assert view.loss is not None
    assert not view.loss.is_alarm
    assert view.empty_at is not None
    left_s = (keeper.volume_l - 0.02 * AREA_L_PER_M) / more * DAY_S
    assert view.empty_at.likely - keeper.now_s == pytest.approx(left_s, rel=0.12)


def test_a_leak_that_began_before_stays_told() -> None:
    keeper = Keeper()
    keeper.live(48)
    keeper.off_s = 5 * HOUR_S
    before = keeper.live(3, -L_PER_DAY / 24 - 0.5)
    assert before.loss is not None
    assert before.loss.is_alarm
    keeper.off_s = 0.0
    for _ in range(6):
        loss = keeper.live(0.5, -L_PER_DAY / 24 - 0.5).loss
        assert loss is not None
        assert loss.is_alarm
        assert loss.excess_l_per_h == pytest.approx(0.5, rel=0.25)
        assert loss.since_s is not None
        assert loss.since_s < keeper.now_s


def test_a_fill_of_the_wrong_time_has_ended_by_now() -> None:
    keeper = Keeper()
    keeper.volume_l = 6.0
    keeper.live(30)
    keeper.off_s = 12 * HOUR_S
    keeper.live(1, 20.0)
    keeper.live(1)
    keeper.off_s = 0.0
    fill = keeper.live(1).last_fill
    assert fill is not None
    assert fill.end_s is not None
    assert fill.end_s < keeper.now_s
    assert fill.end_s - fill.start_s == pytest.approx(HOUR_S, abs=300)


def test_a_fill_that_had_its_right_time_keeps_it() -> None:
    keeper = Keeper()
    keeper.volume_l = 6.0
    keeper.live(3)
    ended_s = keeper.true_s + HOUR_S
    keeper.live(1, 20.0)
    keeper.live(3)
    keeper.off_s = -HOUR_S
    fill = keeper.live(0.5).last_fill
    assert fill is not None
    assert fill.end_s == pytest.approx(ended_s, abs=300)


def test_a_clock_set_back_before_anything_was_learned_is_no_harm() -> None:
    keeper = Keeper()
    keeper.live(0.1)
    keeper.off_s = -DAY_S
    view = keeper.live(30)
    assert view.use_l_per_day == pytest.approx(L_PER_DAY, rel=0.05)


def test_days_to_come_are_booked_on_today() -> None:
    """Nothing of what was seen is lost; what was booked on the right days stays there."""
    book = DayBook()
    monday, tuesday = day_of(START_S), day_of(START_S + DAY_S)
    far = day_of(START_S + 30 * DAY_S)
    book.note(monday, added_l=1.0, covered_s=HOUR_S)
    book.note(tuesday, added_l=2.0, unexplained_l=0.5, covered_s=HOUR_S)
    book.note(far, added_l=4.0, unexplained_l=0.25, covered_s=2 * HOUR_S)
    book.note(tuesday, added_l=8.0)
    assert [day.key for day in book.days] == [monday.key, tuesday.key]
    assert book.days[0].added_l == 1.0
    assert book.days[1].added_l == 14.0
    assert book.days[1].unexplained_l == 0.75
    assert book.days[1].covered_frac == pytest.approx(3 / 24)
    book.note(monday, added_l=1.0)
    assert [(day.key, day.added_l) for day in book.days] == [(monday.key, 16.0)]
    sunday = day_of(START_S - DAY_S)
    book.note(sunday)
    assert [(day.key, day.added_l) for day in book.days] == [(sunday.key, 16.0)]


def test_a_burst_stays_told_when_the_clock_is_set_back() -> None:
    burst = BurstWatch()
    burst.shift(-HOUR_S)  # there is none

    def look(t_s: float, since_s: float) -> None:
        n = int((t_s - since_s) // MINUTE_S) + 1
        falling = [(since_s + MINUTE_S * k, 25.0 - k) for k in range(n)]
        burst.look(t_s, falling, 30.6, is_draining=True)

    look(START_S + 2 * MINUTE_S, START_S)
    look(START_S + 9 * MINUTE_S, START_S)
    assert burst.verdict is not None
    burst.shift(-HOUR_S)
    look(START_S - HOUR_S + 12 * MINUTE_S, START_S - HOUR_S)
    assert burst.verdict is not None
    assert burst.verdict.since_s == START_S - HOUR_S + 2 * MINUTE_S
    assert burst.verdict.excess_l_per_h == pytest.approx(60.0)


def test_a_leap_of_years_is_no_rhythm() -> None:
    """Twenty reports a minute apart, one leap: half of all intervals are still a minute."""
    rhythm = Rhythm()
    for _ in range(20):
        rhythm.learn(MINUTE_S)
    rhythm.learn(26 * 365 * DAY_S)
    assert rhythm.quantile_s(0.5) == MINUTE_S
    assert rhythm.quantile_s(1.0) == 2 * DAY_S
    assert rhythm.longest_s == 2 * DAY_S


def test_an_alkalinity_typed_in_ahead_is_not_the_last_one_for_days() -> None:
    log = AlkalinityLog()
    for day, dkh in ((0, 9.0), (2, 8.0), (4, 7.0), (13, 6.9), (6, 6.0), (8, 5.0)):
        log.tested(START_S + day * DAY_S, dkh)  # that of 13 on day 4.2, the clock nine days ahead
    assert log.last is not None
    assert log.last.alkalinity_dkh == 5.0
    used = log.consumption(START_S + 8 * DAY_S)
    assert used is not None
    assert used.dkh_per_day == pytest.approx(0.5, abs=1e-9)


def test_a_dose_given_by_a_clock_ahead_has_been_given() -> None:
    log = AlkalinityLog()
    for day, dkh in ((0, 9.0), (2, 8.0), (4, 7.0)):
        log.tested(START_S + day * DAY_S, dkh)
    log.dosed(START_S + 13 * DAY_S, 1.0)  # on day 4.2
    log.dosed(START_S + 4.3 * DAY_S, 0.2)
    for day, dkh in ((6, 7.2), (8, 6.2)):
        log.tested(START_S + day * DAY_S, dkh)
    used = log.consumption(START_S + 8 * DAY_S)
    assert used is not None
    assert used.dkh_per_day == pytest.approx(0.5, abs=1e-9)


def test_a_salinity_typed_in_ahead_is_known_for_a_fortnight_from_now() -> None:
    book = SalinityBook(SalinitySpec(450.0, 33.0, 36.0, 5.0, has_probe=False))
    book.record(START_S, 34.5)
    ahead_s = START_S + 30 * DAY_S
    book.take(ahead_s, day_of(ahead_s), None)
    book.record(ahead_s, 34.6)
    for day, is_known in ((0.1, True), (13.9, True), (14.2, False)):
        t_s = START_S + day * DAY_S
        book.take(t_s, day_of(t_s), None)
        assert book.salinity_psu == (34.6 if is_known else None)


def test_a_probe_that_was_read_ahead_drifts_as_the_water_does() -> None:
    """A water change and two days with the clock a month ahead; then it is set right."""
    book = SalinityBook(SalinitySpec(450.0, 30.0, 40.0, 5.0, has_probe=True))
    off_s = 30 * DAY_S
    for minute in range(0, int(7 * DAY_S / MINUTE_S), 10):
        true_s = START_S + minute * MINUTE_S
        if true_s > START_S + 2 * DAY_S:
            off_s = 0.0
        t_s = true_s + off_s
        psu = 33.0 + 0.1 * (true_s - START_S) / DAY_S
        book.take(t_s, day_of(t_s), psu, is_changed=minute == 0)
    drift = book.view(t_s, None, None).drift_psu_per_day
    assert drift == pytest.approx(0.1, abs=0.005)
