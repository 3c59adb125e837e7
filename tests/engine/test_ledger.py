"""The books: curve of use, meter and days, summer time included."""

import datetime as dt
import json
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from custom_components.stillwell.engine.ledger import DAYS_KEPT, DayBook, UseCurve
from custom_components.stillwell.engine.quantities import DAY_S, DaySpan

BERLIN = ZoneInfo("Europe/Berlin")


def local_day(year: int, month: int, day: int) -> DaySpan:
    """Return a day as the zone database has it."""
    start = dt.datetime(year, month, day, tzinfo=BERLIN)
    end = dt.datetime.combine(start.date() + dt.timedelta(days=1), dt.time(), BERLIN)
    return DaySpan(start.date().isoformat(), start.timestamp(), end.timestamp())


def test_the_curve_is_linear_between_points_as_numpy_interp() -> None:
    c = UseCurve()
    assert c.begin_s is None
    assert c.unsettled_since_s is None
    t = [0.0, 300.0, 700.0, 1200.0]
    for k, at in enumerate(t):
        c.append(at, k * 0.5 - 20.0, 0.01)
    start_l, now = 20.0, (1500.0, 2.0, 0.01)
    for at in (0.0, 150.0, 700.0, 1199.0, 1300.0, 1500.0):
        want = np.interp(at, [*t, 1500.0], [0.0, 0.5, 1.0, 1.5, 2.0])
        assert c.at(at, start_l, now)[0] == pytest.approx(float(want))
    c.settle(20.0)
    assert c.unsettled_since_s is None
    assert c.at(150.0, 99.0, now)[0] == pytest.approx(0.25)
    c.drop_after(700.0)
    assert c.at(1500.0, 99.0, now)[0] == pytest.approx(2.0)
    assert c.at(1500.0, 99.0, (700.0, 1.0, 0.0))[0] == pytest.approx(1.0)


def test_the_curve_is_bounded_and_keeps_a_week_by_the_hour() -> None:
    c = UseCurve()
    for k in range(12 * 288):
        c.append(300.0 * k, 0.01 * k, 0.0)
        c.settle(0.0)
    points = c.snapshot()["points"].split(";")
    assert len(points) < 26 * 12 + 24 + 6 * 24 + 5
    now = (300.0 * (12 * 288 - 1), 0.01 * (12 * 288 - 1), 0.0)
    assert now[1] - c.at(now[0] - 7 * DAY_S, 0.0, now)[0] == pytest.approx(7 * 2.88, abs=0.01)
    assert now[1] - c.at(now[0] - DAY_S, 0.0, now)[0] == pytest.approx(2.88)
    again = UseCurve()
    again.restore(json.loads(json.dumps(c.snapshot())))
    assert again.at(now[0] - DAY_S, 0.0, now)[0] == pytest.approx(now[1] - 2.88, abs=2e-4)
    with pytest.raises(ValueError, match="unsettled"):
        UseCurve().restore({"points": "", "unsettled": 3})


def test_the_meter_never_falls_and_days_add_up_to_it() -> None:
    b, day = DayBook(), local_day(2026, 5, 1)
    used = 0.0
    for k, step in enumerate((0.5, -0.2, 0.1, 0.3, -0.1, 0.4)):
        used += step
        before = b.total_l
        b.advance(used, day.start_s + k, day.start_s + k + 1, day)
        assert b.total_l >= before
    assert b.total_l == pytest.approx(1.0)
    assert sum(d.used_l for d in b.days) == pytest.approx(b.total_l)


@pytest.mark.parametrize(
    ("date", "hours"), [((2026, 3, 29), 23), ((2026, 10, 25), 25), ((2026, 5, 1), 24)]
)
def test_days_of_23_and_25_hours(date: tuple[int, int, int], hours: int) -> None:
    """Length of the day from the IANA zone database (Europe/Berlin)."""
    b, day = DayBook(), local_day(*date)
    assert (day.end_s - day.start_s) / 3600 == hours
    b.note(day, covered_s=(day.end_s - day.start_s) / 2)
    assert b.days[-1].covered_frac == pytest.approx(0.5)
    b.note(day, covered_s=(day.end_s - day.start_s) * 0.7, added_l=2.0, unexplained_l=1.0)
    assert b.days[-1].covered_frac == 1.0
    assert (b.days[-1].added_l, b.days[-1].unexplained_l) == (2.0, 1.0)


def test_use_over_midnight_is_split_by_time() -> None:
    b = DayBook()
    first, third = local_day(2026, 5, 1), local_day(2026, 5, 3)
    b.advance(1.0, first.start_s, first.start_s + 3600, first)
    b.advance(1.0 + 48.0, third.start_s - 36 * 3600, third.start_s + 12 * 3600, third)
    assert [d.key for d in b.days] == ["2026-05-01", "2026-05-02", "2026-05-03"]
    assert [d.used_l for d in b.days] == pytest.approx([13.0, 24.0, 12.0])
    late = DayBook()
    late.advance(4.0, third.start_s - 3600, third.start_s + 3600, third)
    assert [(d.key, d.used_l) for d in late.days] == [("2026-05-02", 2.0), ("2026-05-03", 2.0)]


def test_days_are_bounded_even_after_a_year_away() -> None:
    b = DayBook()
    day = local_day(2026, 5, 1)
    b.advance(1.0, day.start_s, day.start_s + 10, day)
    later = local_day(2027, 5, 1)
    b.advance(400.0, day.start_s + 10, later.start_s + 10, later)
    assert len(b.days) == DAYS_KEPT
    assert b.total_l == 400.0
    again = DayBook()
    again.restore(json.loads(json.dumps(b.snapshot())))
    assert len(again.days) == DAYS_KEPT
    assert again.days[-1].used_l == pytest.approx(b.days[-1].used_l, abs=1e-4)
    assert again.newest == again.days[-1]
    assert DayBook().newest is None
    with pytest.raises(ValueError, match="numbers"):
        DayBook().restore({"total_l": 1.0, "days": [["2026-05-01", 86400.0, 1.0]]})
