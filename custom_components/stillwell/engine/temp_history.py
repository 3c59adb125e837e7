"""A day of temperature: extremes and heater time by the hour, and a robust slope of late."""

from collections import deque
from itertools import combinations
from math import isfinite
from statistics import median
from typing import Any, Final

from .quantities import HOUR_S, MINUTE_S
from .validity import DamagedError, InputFault

HOURS_KEPT: Final = 24
LONGEST_GAP_S: Final = HOUR_S
"""Time without any report counts neither as on nor as off."""
POINT_S: Final = 2 * MINUTE_S
POINTS_KEPT: Final = 60
FEWEST_POINTS: Final = 4
SHORTEST_S: Final = 8 * MINUTE_S
_FIELDS: Final = 5


class TempHistory:
    """What the last day and the last two hours showed."""

    __slots__ = ("_hours", "_is_on", "_last_s", "_points")

    def __init__(self) -> None:
        self._hours: deque[list[float]] = deque(maxlen=HOURS_KEPT)
        """Hour's number, lowest, highest, seconds on, seconds known."""
        self._points: deque[tuple[float, float]] = deque(maxlen=POINTS_KEPT)
        self._last_s: float | None = None
        self._is_on: bool | None = None

    def take(self, t_s: float, temp_c: float | None, *, is_on: bool | None) -> None:
        """Take a report."""
        number = float(t_s // HOUR_S)
        if self._hours and self._hours[-1][0] > number:
            self._hours.clear()  # the clock was set back: what was seen cannot be placed
            self._points.clear()
            self._last_s = None
        while self._hours and self._hours[0][0] <= number - HOURS_KEPT:
            self._hours.popleft()
        if not self._hours or self._hours[-1][0] != number:
            self._hours.append([number, 1e9, -1e9, 0.0, 0.0])
        hour = self._hours[-1]
        if self._last_s is not None and self._is_on is not None:
            span_s = t_s - self._last_s
            if 0.0 <= span_s <= LONGEST_GAP_S:
                hour[3] += span_s if self._is_on else 0.0
                hour[4] += span_s
        self._last_s, self._is_on = t_s, is_on
        if temp_c is None:
            return
        hour[1], hour[2] = min(hour[1], temp_c), max(hour[2], temp_c)
        if not self._points or t_s - self._points[-1][0] >= POINT_S:
            self._points.append((t_s, temp_c))

    @property
    def extremes_c(self) -> tuple[float, float] | None:
        """Lowest and highest, degC; None before any value."""
        seen = [hour for hour in self._hours if hour[2] >= hour[1]]
        return (min(hour[1] for hour in seen), max(hour[2] for hour in seen)) if seen else None

    @property
    def swing_k(self) -> float | None:
        """Highest less lowest, K; None before any value."""
        extremes = self.extremes_c
        return None if extremes is None else extremes[1] - extremes[0]

    @property
    def duty_frac(self) -> float | None:
        """Share of the known time the heater was on; None before an hour is known."""
        known = sum(hour[4] for hour in self._hours)
        return None if known < HOUR_S else sum(hour[3] for hour in self._hours) / known

    def slope_since(self, since_s: float) -> float | None:
        """Return the median of all slopes since a time (at most two hours back), K/s.

        Source: Theil-Sen; P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389.
        """
        points = [point for point in self._points if point[0] >= since_s]
        if len(points) < FEWEST_POINTS or points[-1][0] - points[0][0] < SHORTEST_S:
            return None
        return median((b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(points, 2))

    def snapshot(self) -> dict[str, Any]:
        """Return the day's hours; the points of late are worth nothing after a stop."""
        return {"hours": [list(hour) for hour in self._hours]}

    @classmethod
    def restore(cls, data: Any) -> TempHistory:
        """Return the history of a snapshot.

        Raises:
            ValueError: The snapshot is damaged.
        """
        history = cls()
        hours = data.get("hours") if isinstance(data, dict) else None
        if not isinstance(hours, list):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of hours")
        for hour in hours:
            if not isinstance(hour, list) or len(hour) != _FIELDS:
                raise DamagedError(InputFault.OUTSIDE_RANGE, f"{hour!r} is no hour")
            for value in hour:
                if not isinstance(value, int | float) or not isfinite(value):
                    raise DamagedError(InputFault.NOT_FINITE, f"{value!r} is no number")
            history._hours.append([float(value) for value in hour])
        return history
