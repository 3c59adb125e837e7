"""What the past day's use says of the coming days, and how much that counts beside the filters.

Over a whole day the pattern of the day cancels, whatever it is, and the noise of the level
counts at both ends only: a rate that needs no model. It lags by half a day, but its error has
other causes than that of a filter, so the mean of both errs less than either (Bates & Granger
1969, Operational Research Quarterly 20:451). Weights learned from a few days do worse than
equal ones (Clemen 1989, International Journal of Forecasting 5:559), so the shares are equal
where the day was measured well. Rates are litres per day.
"""

from array import array
from collections.abc import Callable, Iterable
from typing import Any, Final

from .quantities import DAY_S
from .use_spans import Seen

_FEWEST_S: Final = 0.75 * DAY_S
"""With less of it seen, a day is no whole day: its pattern does not cancel."""
_FULL_SHARE: Final = 0.5
_UNLIKE_VAR_TIMES: Final = 4.0
"""A day beyond two sigma from the present rate is no witness of it: something has changed."""
_MOST_KEPT: Final = 48
_PER_STRETCH: Final = 5


class PastDay:
    """Use over the trailing 24 hours from the observations that end in them."""

    __slots__ = ("_numbers",)

    def __init__(self) -> None:
        self._numbers = array("d")  # start, end, litres, level variance at start and at end

    def add(self, seen: Seen) -> None:
        """Take in an observation; a level shared with the one before has no error of its own."""
        end_s = seen.start_s + seen.length_s
        kept = [row for row in self._rows() if row[1] > end_s - DAY_S][1 - _MOST_KEPT :]
        first_var, last_var = seen.first_var, seen.last_var
        if seen.is_chained and kept:
            kept[-1][4] = first_var = 0.0
        kept.append([seen.start_s, end_s, seen.used_l, first_var, last_var])
        self._fill(kept)

    def shift(self, by_s: float) -> None:
        """Move all in time: the clock was set back."""
        self._fill([row[0] + by_s, row[1] + by_s, *row[2:]] for row in self._rows())

    def _rows(self) -> list[list[float]]:
        numbers = self._numbers
        return [
            numbers[i : i + _PER_STRETCH].tolist() for i in range(0, len(numbers), _PER_STRETCH)
        ]

    def _fill(self, rows: Iterable[Iterable[float]]) -> None:
        self._numbers = array("d", [value for row in rows for value in row])

    def rate(
        self, now_s: float, pattern_days: Callable[[float, float], float]
    ) -> tuple[float, float] | None:
        """Rate over the trailing day and the variance of its measurement.

        Args:
            now_s: End of the day, epoch seconds.
            pattern_days: Share of a day's use that falls between two times.

        Returns:
            None while too little of the day was seen.
        """
        begin_s = now_s - DAY_S
        seen_s = days = used_l = var = 0.0
        for start_s, end_s, litres, first_var, last_var in self._rows():
            from_s = max(start_s, begin_s)
            if end_s <= from_s:
                continue
            if days == 0.0 and first_var == 0.0:
                # The level the day begins with is as uncertain as the one it ends with.
                var += self._numbers[-1]
            share = pattern_days(from_s, end_s)
            seen_s += end_s - from_s
            days += share
            used_l += litres * share / pattern_days(start_s, end_s)
            var += first_var + last_var
        if seen_s < _FEWEST_S:
            return None
        return used_l / days, var / (days * days)

    def snapshot(self) -> list[list[float]]:
        """Return the observations in JSON types."""
        return [
            [round(row[0], 1), round(row[1], 1), *(float(f"{v:.6g}") for v in row[2:])]
            for row in self._rows()
        ]

    def restore(self, data: Any) -> None:
        """Take up a snapshot; ValueError when it is not one."""
        rows = [[float(value) for value in row] for row in data]
        if len(rows) > _MOST_KEPT or any(len(row) != _PER_STRETCH for row in rows):
            raise ValueError(f"a past day has at most {_MOST_KEPT} rows of {_PER_STRETCH} numbers")
        if any(row[1] <= row[0] for row in rows):
            raise ValueError("an observation ends after it begins")
        self._fill(rows)


def share_of_past_day(difference: float, measured_var: float, change_var: float) -> float:
    """Weight of the past day's rate in the mean with the rate of the filters, 0 to 0.5.

    Args:
        difference: Past day's rate less the filters' rate.
        measured_var: Variance of the measurement of the past day's rate.
        change_var: Variance of the change of the rate over a day.
    """
    both_var = measured_var + change_var
    if both_var <= 0.0:
        return 0.0
    unlike = difference * difference / (_UNLIKE_VAR_TIMES * both_var)
    return _FULL_SHARE * change_var / both_var / max(unlike, 1.0)
