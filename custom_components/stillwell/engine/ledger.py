"""The books of one vessel: the curve of cumulative use, the meter and the days."""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from .quantities import DAY_S, HOUR_S, DaySpan

FINE_S: Final = 26 * HOUR_S
"""The curve is kept point by point for this long; older points are thinned to one an hour."""

KEPT_S: Final = 7 * DAY_S + 2 * HOUR_S
DAYS_KEPT: Final = 35
_TRIM_EVERY: Final = 24


@dataclass(frozen=True, slots=True)
class DayUse:
    """Litres of one local calendar day; ``covered_frac`` is the share with valid readings."""

    key: str
    used_l: float
    added_l: float
    unexplained_l: float
    covered_frac: float


_USED, _ADDED, _UNEXPLAINED, _COVERED_S, _LENGTH_S = range(5)
_PER_DAY: Final = 5
"""Numbers kept of a day."""


class UseCurve:
    """Cumulative use (L) over time, fine for a day and by the hour for a week.

    The start level of a segment becomes better known for a while after it began; until it is
    settled, the points of that segment hold use less the start level. Numbers lie in arrays: as
    objects of their own they would weigh four times as much, a week long, for every vessel.
    """

    __slots__ = ("_t", "_u", "_unsettled", "_var")

    def __init__(self) -> None:
        self._t = array("d")
        self._u = array("d")
        self._var = array("d")
        self._unsettled = 0  # index of the first point of a segment not settled

    def append(self, t_s: float, used_l: float, var: float) -> None:
        """Add a point of an unsettled segment; ``var`` is the variance of its level."""
        self._t.append(t_s)
        self._u.append(used_l)
        self._var.append(var)
        if len(self._t) % _TRIM_EVERY == 0:
            self._trim()

    def begin(self, t_s: float, used_l: float, var: float) -> None:
        """Begin a segment; use at its first instant is known whatever its start level."""
        self.append(t_s, used_l, var)
        self._unsettled = len(self._u)

    def settle(self, start_l: float) -> None:
        """Fix the start level of the segment, as it is known by now."""
        for i in range(self._unsettled, len(self._u)):
            self._u[i] += start_l
        self._unsettled = len(self._u)

    @property
    def unsettled_since_s(self) -> float | None:
        """When the unsettled segment began; None when all is settled."""
        return self._t[self._unsettled] if self._unsettled < len(self._t) else None

    def drop_after(self, t_s: float) -> None:
        """Forget points later than ``t_s``: something began then that is no use."""
        keep = bisect_right(self._t, t_s)
        del self._t[keep:], self._u[keep:], self._var[keep:]
        self._unsettled = min(self._unsettled, keep)

    def _trim(self) -> None:
        """Thin what is older than the fine span, drop what is older than a week."""
        newest_s, n = self._t[-1], len(self._t)
        fine = min(bisect_right(self._t, newest_s - FINE_S), self._unsettled)
        keep: list[int] = []
        last_s = float("-inf")
        for i in range(min(bisect_right(self._t, newest_s - KEPT_S), fine), fine):
            if self._t[i] - last_s >= HOUR_S - 1.0:
                keep.append(i)
                last_s = self._t[i]
        keep.extend(range(fine, n))
        self._t = array("d", [self._t[i] for i in keep])
        self._u = array("d", [self._u[i] for i in keep])
        self._var = array("d", [self._var[i] for i in keep])
        self._unsettled -= n - len(keep)

    def shift(self, by_s: float) -> None:
        """Move all points in time: the clock was set."""
        self._t = array("d", [t + by_s for t in self._t])

    @property
    def begin_s(self) -> float | None:
        """Time of the oldest point."""
        return self._t[0] if self._t else None

    def at(
        self, t_s: float, start_l: float, now: tuple[float, float, float]
    ) -> tuple[float, float]:
        """Return use and variance at a time between the oldest point and the present.

        Args:
            t_s: Not before ``begin_s``.
            start_l: Start level of the unsettled segment as known now.
            now: Time, use and variance at the present.
        """
        i = max(1, bisect_right(self._t, t_s))
        t0, u0, var0 = self._t[i - 1], self._u[i - 1], self._var[i - 1]
        if i - 1 >= self._unsettled:
            u0 += start_l
        if i < len(self._t):
            t1, u1, var1 = self._t[i], self._u[i], self._var[i]
            if i >= self._unsettled:
                u1 += start_l
        else:
            t1, u1, var1 = now
        part = (t_s - t0) / (t1 - t0) if t1 > t0 else 0.0
        return u0 + part * (u1 - u0), var0 + part * (var1 - var0)

    def snapshot(self) -> dict[str, Any]:
        """Return the points: seconds since the one before, litres, standard deviation.

        They are one text: as numbers of their own, five hundred points would weigh ten times
        as much in the hub's memory each time they are saved.
        """
        points: list[str] = []
        at_s = 0.0
        for t, u, var in zip(self._t, self._u, self._var, strict=True):
            step_s = round(t - at_s, 1)
            points.append(f"{step_s:.12g} {u:.9g} {max(0.0, var) ** 0.5:.3g}")
            at_s += step_s
        return {"points": ";".join(points), "unsettled": self._unsettled}

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over the points of a snapshot."""
        at_s = 0.0
        for point in filter(None, data["points"].split(";")):
            step_s, used_l, sigma_l = point.split(" ")
            at_s += float(step_s)
            self._t.append(at_s)
            self._u.append(float(used_l))
            self._var.append(float(sigma_l) ** 2)
        self._unsettled = int(data["unsettled"])
        if not 0 <= self._unsettled <= len(self._t):
            raise ValueError("unsettled points outside the curve")


class DayBook:
    """The meter that never falls, and litres per local day."""

    __slots__ = ("_keys", "_numbers", "total_l")

    def __init__(self) -> None:
        self.total_l = 0.0
        self._keys: list[str] = []
        self._numbers = array("d")  # `_PER_DAY` of them for each key

    def _use_of(self, at: int) -> DayUse:
        used_l, added_l, unexplained_l, covered_s, length_s = self._numbers[
            _PER_DAY * at : _PER_DAY * (at + 1)
        ]
        covered_frac = min(1.0, covered_s / length_s)
        return DayUse(self._keys[at], used_l, added_l, unexplained_l, covered_frac)

    @property
    def days(self) -> tuple[DayUse, ...]:
        """Days, newest last."""
        return tuple(self._use_of(at) for at in range(len(self._keys)))

    @property
    def newest(self) -> DayUse | None:
        """The newest day."""
        return self._use_of(len(self._keys) - 1) if self._keys else None

    def _put(self, at: int, key: str, length_s: float) -> None:
        self._keys.insert(at, key)
        self._numbers[_PER_DAY * at : _PER_DAY * at] = array("d", [0.0, 0.0, 0.0, 0.0, length_s])

    def _forget_old(self) -> None:
        n = len(self._keys) - DAYS_KEPT
        if n > 0:
            del self._keys[:n], self._numbers[: _PER_DAY * n]

    def _book(self, at: int, kind: int, amount: float) -> None:
        self._numbers[_PER_DAY * at + kind] += amount

    def _today(self, day: DaySpan) -> int:
        """Return the place of today's entry, made where there is none."""
        keys = self._keys
        if not keys or keys[-1] < day.key:
            self._put(len(keys), day.key, day.end_s - day.start_s)
            self._forget_old()
        elif keys[-1] > day.key:
            self._take_back(day)
        return len(keys) - 1

    def _take_back(self, day: DaySpan) -> None:
        """Book on today what stands on days to come: the clock was ahead and is set back."""
        first = bisect_right(self._keys, day.key)
        ahead = self._numbers[_PER_DAY * first :]
        del self._keys[first:], self._numbers[_PER_DAY * first :]
        today = self._today(day)
        for kind in (_USED, _ADDED, _UNEXPLAINED, _COVERED_S):
            self._book(today, kind, sum(ahead[kind::_PER_DAY]))

    def advance(self, used_l: float, from_s: float, to_s: float, day: DaySpan) -> None:
        """Let the meter follow cumulative use; what it gains is booked on the days it spans."""
        gain_l = used_l - self.total_l
        today = self._today(day)
        if gain_l <= 0.0:
            return
        self.total_l = used_l
        if from_s < min(day.start_s, to_s):
            gain_l -= self._book_before(gain_l / (to_s - from_s), from_s, to_s, day)
            today = self._today(day)  # days put in before it have moved it
        self._book(today, _USED, gain_l)

    def _book_before(self, l_per_s: float, from_s: float, to_s: float, day: DaySpan) -> float:
        """Book a span that began before today on the days before; return what was booked."""
        booked_l, end_s, key = 0.0, day.start_s, day.key
        while end_s > from_s and len(self._keys) < 2 * DAYS_KEPT:
            key = (date.fromisoformat(key) - timedelta(days=1)).isoformat()
            start_s = max(from_s, end_s - DAY_S)
            part_l = l_per_s * max(0.0, min(end_s, to_s) - start_s)
            self._book(self._day(key), _USED, part_l)
            booked_l += part_l
            end_s = start_s
        self._forget_old()
        return booked_l

    def _day(self, key: str) -> int:
        """Return the place of a past day's entry, made where there is none."""
        at = bisect_left(self._keys, key)
        if at == len(self._keys) or self._keys[at] != key:
            self._put(at, key, DAY_S)
        return at

    def note(
        self,
        day: DaySpan,
        *,
        added_l: float = 0.0,
        unexplained_l: float = 0.0,
        covered_s: float = 0.0,
    ) -> None:
        """Book water added, water gone without explanation, and time with valid readings."""
        today = self._today(day)
        self._book(today, _ADDED, added_l)
        self._book(today, _UNEXPLAINED, unexplained_l)
        self._book(today, _COVERED_S, covered_s)

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        rows = (self._numbers[_PER_DAY * at : _PER_DAY * (at + 1)] for at in range(len(self._keys)))
        return {
            "total_l": self.total_l,
            "days": [
                [
                    key,
                    row[_LENGTH_S],
                    round(row[_USED], 4),
                    round(row[_ADDED], 4),
                    round(row[_UNEXPLAINED], 4),
                    round(row[_COVERED_S], 1),
                ]
                for key, row in zip(self._keys, rows, strict=True)
            ],
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot."""
        self.total_l = float(data["total_l"])
        self._keys.clear()
        del self._numbers[:]
        for key, length_s, *numbers in data["days"]:
            if len(numbers) != _PER_DAY - 1:
                raise ValueError(f"a day has {_PER_DAY} numbers")
            self._keys.append(str(key))
            self._numbers.extend(float(number) for number in (*numbers, length_s))
