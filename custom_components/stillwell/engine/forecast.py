"""When will the water be used up: early, likely and late; and will it last until a date.

Use is learned from closed blocks in spans of about an hour (``use_spans``): its level and
variability (``use_rate``) and its spread over the local day (``day_pattern``). The likely use
of the coming days is what the bank of filters foretells, drawn towards the use of the past day
(``past_day``). It is taken as lognormal about it, so it is never negative; an instant is early
when one run in ten would have used that much.
Times are epoch seconds (UTC); ``utc_offset_s`` turns them into local time.
"""

from array import array
from bisect import bisect_left
from dataclasses import astuple, dataclass, fields, replace
from itertools import batched
from math import exp, isfinite, log, log1p, sqrt
from statistics import NormalDist
from typing import Any, Final

from .day_pattern import DayPattern
from .past_day import PastDay, share_of_past_day
from .quantities import DAY_S, MINUTE_S, Interval, UseBlock
from .use_rate import NODES_D, UseRate
from .use_spans import Seen, SpanGatherer

FARTHEST_D: Final = NODES_D[-1]
"""No instant is foretold beyond a year."""
_STANDARD: Final = NormalDist()
_Z80: Final = _STANDARD.inv_cdf(0.9)
_WIDEST_SIGMA: Final = 1.0
_WIDER: Final = 1.34
_WIDER_FAR: Final = 0.11
_FAR_D: Final = 3.0
"""A few days of data say too little of spread and mean, the more so the farther ahead; found
by simulation over unlike rooms."""
_KNOWN_AFTER_S: Final = 50 * MINUTE_S
_LAG_SPANS: Final = 24
_REPLAYS: Final = (12, 18, 24, 30, 36, 48)
"""Numbers of observations after which the first ones are gone through again."""
_PATTERN_MATTERS_D: Final = 2.0
_LEVEL_MEMORY: Final = 48.0
_LEAST_RATE_L_PER_DAY: Final = 0.005
_PER_SEEN: Final = len(fields(Seen))
# Instants told lately stand while the water is where they had it, to a fifth of a per cent: an
# answer a minute would cost more than anything else here, and say the same.
_TOLD_KEPT: Final = 2
_TOLD_FOR_S: Final = 5 * MINUTE_S
_TOLD_WITHIN_FRAC: Final = 0.002


@dataclass(frozen=True, slots=True)
class Outlook:
    """Answer to "will it last until then"."""

    probability: float
    """Probability that the water available lasts, 0 to 1."""
    likely_use_l: float
    add_for_80_l: float
    """Litres to add now so that it lasts with a probability of 0.8; 0 when it does already."""
    add_for_95_l: float


class Forecaster:
    """Learns from blocks of use; foretells use and instants."""

    __slots__ = (
        "_drawn", "_early", "_end_s", "_error_l", "_known_s", "_lagged", "_level_var",
        "_offset_s", "_past_day", "_pattern", "_rate", "_spans", "_table", "_time_s", "_told",
    )  # fmt: skip

    def __init__(self) -> None:
        self._pattern = DayPattern()
        self._rate = UseRate()
        self._past_day = PastDay()
        self._drawn: tuple[float, float, float] | None = None  # kept until more is known
        self._spans = SpanGatherer()
        self._end_s: float | None = None
        self._time_s: float | None = None
        self._offset_s = 0.0
        self._known_s = 0.0
        self._level_var = 0.0
        self._error_l: float | None = None
        self._early: array[float] | None = array("d")  # observations, number after number
        self._lagged = array("d")
        self._table: tuple[array[float], array[float], array[float]] | None = None
        self._told: list[tuple[float, float, float, Interval]] = []

    # learning

    def add(self, block: UseBlock, utc_offset_s: float) -> None:
        """Take in a closed block; blocks that were not measured only let time pass."""
        last_s = self._end_s
        if block.end_s <= block.start_s or (last_s is not None and block.end_s <= last_s):
            return
        self._end_s = block.end_s
        if block.is_measured and isfinite(block.used_l) and isfinite(block.sigma_l):
            done = self._spans.add(block, utc_offset_s)
        else:
            done = self._spans.interrupt(utc_offset_s)
        for seen in done:
            self._take(seen)
        if not block.is_measured:
            self._advance(block.end_s)

    def shift(self, by_s: float) -> None:
        """Move everything in time: the clock was set back. What the spans gather begins anew."""
        for seen in self._spans.interrupt(self._offset_s):
            self._take(seen)
        self._spans, self._error_l = SpanGatherer(), None
        self._end_s = None if self._end_s is None else self._end_s + by_s
        self._time_s = None if self._time_s is None else self._time_s + by_s
        if self._early is not None:
            for i in range(0, len(self._early), _PER_SEEN):
                self._early[i] += by_s  # a row begins with its start
        self._past_day.shift(by_s)
        self._table = self._drawn = None

    def _advance(self, until_s: float) -> None:
        if self._time_s is not None and self._rate.is_started:
            self._rate.pass_time(max(until_s - self._time_s, 0.0) / DAY_S)
        self._time_s = until_s
        self._table = self._drawn = None

    def _take(self, seen: Seen) -> None:
        """Learn from an observation."""
        self._known_s += seen.known_s
        grain = self._level_var
        seen = replace(
            seen, first_var=max(seen.first_var, grain), last_var=max(seen.last_var, grain)
        )
        per_day = DAY_S / seen.length_s
        sigma = per_day * sqrt(seen.first_var + seen.last_var)
        local_s = seen.start_s + seen.utc_offset_s
        self._pattern.learn(local_s, seen.length_s, seen.used_l * per_day, sigma)
        self._past_day.add(seen)
        if self._early is not None:
            self._early.extend(astuple(seen))
            if len(self._early) // _PER_SEEN in _REPLAYS:
                self._replay()
                return
        self._observe(seen, is_new=True)

    def _replay(self) -> None:
        """Go through the first hours once more, now that more of the day's pattern is known."""
        early = self._early_seen()
        self._rate, self._time_s, self._lagged = UseRate(), None, array("d")
        for seen in early:
            self._observe(seen, is_new=seen is early[-1])
        if len(early) >= _REPLAYS[-1]:
            self._early = None

    def _early_seen(self) -> list[Seen]:
        """Return the observations of the first hours."""
        rows = batched(self._early or (), _PER_SEEN, strict=True)
        return [Seen.from_numbers(row) for row in rows]

    def _early_rows(self) -> list[list[float]]:
        return [list(astuple(seen)) for seen in self._early_seen()]

    def _observe(self, seen: Seen, *, is_new: bool) -> None:
        self._offset_s = offset_s = seen.utc_offset_s
        end_s = seen.start_s + seen.length_s
        days = self._pattern_days(seen.start_s, end_s, offset_s)
        if not self._rate.is_started:
            rate = max(seen.used_l, 0.0) / days
            noise = sqrt(seen.first_var + seen.last_var) / days
            self._rate.start(rate, max(rate, noise, _LEAST_RATE_L_PER_DAY), seen.first_var)
        elif not seen.is_chained:
            self._rate.new_level(seen.first_var)
        self._advance(end_s)
        rate = self._rate.rate
        unsure = self._pattern.sigma_frac(seen.start_s + offset_s, seen.length_s)
        if is_new:
            self._learn_noise(seen.used_l - rate * days, is_chained=seen.is_chained)
        self._rate.learn(seen.used_l, days, seen.last_var, (unsure * rate * days) ** 2)
        self._lagged.append(self._rate.rate)
        del self._lagged[: -2 * _LAG_SPANS]
        self._table = self._drawn = None

    def _learn_noise(self, error_l: float, *, is_chained: bool) -> None:
        """Level noise from how neighbouring errors cancel: covariance is minus the variance.

        This also finds the grain of a pump that doses in pulses.
        """
        if is_chained and self._error_l is not None:
            seen = -error_l * self._error_l
            self._level_var = max(self._level_var + (seen - self._level_var) / _LEVEL_MEMORY, 0.0)
        self._error_l = error_l

    # foretelling

    @property
    def is_known(self) -> bool:
        """Whether about an hour of use has been seen and anything is used at all."""
        return self._known_s >= _KNOWN_AFTER_S and self._rate.rate > _LEAST_RATE_L_PER_DAY

    @property
    def rate_l_per_day(self) -> float | None:
        """Long-run use, litres per day; None until known."""
        return max(self._rate.long_run, 0.0) if self._known_s >= _KNOWN_AFTER_S else None

    def _pattern_days(self, t_s: float, until_s: float, utc_offset_s: float) -> float:
        pattern = self._pattern
        return pattern.days_until(until_s + utc_offset_s) - pattern.days_until(t_s + utc_offset_s)

    def _coming(self, local_s: float, days: float) -> tuple[float, float, float]:
        """Median, mean and log sigma of the use over so many (pattern) days from a local time.

        What a linear filter foretells is as often too much as too little: a median.
        """
        told_l, var = self._rate.coming(days)
        told_l = max(told_l, 1e-9)
        pattern = self._pattern
        unsure = pattern.unseen_sigma_frac**2
        if days < _PATTERN_MATTERS_D:
            unsure += pattern.sigma_frac(local_s, days * DAY_S) ** 2
        day_rate, share, reach = self._drawn_to()
        wider = reach * (_WIDER + _WIDER_FAR * min(days / _FAR_D, 1.0))
        sigma = min(wider * sqrt(log1p(var / told_l**2 + unsure)), _WIDEST_SIGMA)
        median_l = told_l + share * (max(day_rate, 0.0) * days - told_l)
        return median_l, median_l * exp(0.5 * sigma * sigma), sigma

    def _drawn_to(self) -> tuple[float, float, float]:
        """Rate of the past day, its share in what is foretold, reach of the bounds about it.

        Kept until more is known.
        """
        if self._drawn is None:
            rate, share, offset_s = 0.0, 0.0, self._offset_s
            day = self._past_day.rate(
                self._time_s or 0.0, lambda a_s, b_s: self._pattern_days(a_s, b_s, offset_s)
            )
            if day is not None:
                rate, measured_var = day
                now = self._rate.rate
                change_var = (self._rate.change_sigma_frac(1.0) * now) ** 2
                share = share_of_past_day(rate - now, measured_var, change_var)
            self._drawn = (rate, share, self._rate.reach(_FAR_D))
        return self._drawn

    def _tabulated(self) -> tuple[array[float], array[float], array[float]]:
        """Litres used at each node of time: little, likely and much (10, 50 and 90 %)."""
        if self._table is None:
            self._told.clear()
            little, likely, much = array("d", [0.0]), array("d", [0.0]), array("d", [0.0])
            grain_l = _Z80 * sqrt(self._level_var)
            local_s = (self._time_s or 0.0) + self._offset_s
            for days in NODES_D[1:]:
                median_l, _, sigma = self._coming(local_s, days)
                less_l = median_l * (1.0 - exp(-_Z80 * sigma))
                more_l = median_l * (exp(_Z80 * sigma) - 1.0)
                little.append(max(median_l - sqrt(less_l**2 + grain_l**2), little[-1] + 1e-9))
                likely.append(max(median_l, likely[-1] + 1e-9))
                much.append(max(median_l + sqrt(more_l**2 + grain_l**2), much[-1] + 1e-9))
            self._table = (little, likely, much)
        return self._table

    def until_used(self, t_s: float, litres: float, utc_offset_s: float) -> Interval | None:
        """Instants by which so many litres will have been used.

        Args:
            t_s: Now, epoch seconds.
            litres: Water that is there to be used.
            utc_offset_s: Local time minus UTC.

        Returns:
            Epoch seconds, early and late being the 80 % bounds; None while use is not known,
            when nothing is used, and when it would last beyond a year. ``late`` ends there.
        """
        if not self.is_known or not isfinite(litres):
            return None
        if litres <= 0.0:
            return Interval(t_s, t_s, t_s)
        little, likely, much = self._tabulated()
        if likely[-1] <= litres:
            return None
        # While the water falls as foretold, an instant stays where it is.
        for told_s, told_l, offset_s, instants in self._told:
            is_fresh = told_s <= t_s <= min(told_s + _TOLD_FOR_S, instants.early)
            is_same = abs(litres - told_l) <= _TOLD_WITHIN_FRAC * litres
            if is_fresh and is_same and offset_s == utc_offset_s:
                return instants
        local_s = t_s + utc_offset_s
        now_days = self._pattern.days_until(local_s)
        early, middle, late = (
            self._pattern.local_s_at(now_days + _node_days(column, litres)) - utc_offset_s
            for column in (much, likely, little)
        )
        found = Interval(max(early, t_s), max(middle, t_s), max(late, t_s))
        self._told = [*self._told[1 - _TOLD_KEPT :], (t_s, litres, utc_offset_s, found)]
        return found

    def used_between(
        self, t_s: float, until_s: float, utc_offset_s: float
    ) -> tuple[float, float] | None:
        """Mean and sigma (litres) of the use from now until a time; None until known."""
        if self._known_s < _KNOWN_AFTER_S or until_s < t_s:
            return None
        _, mean_l, sigma = self._coming(
            t_s + utc_offset_s, self._pattern_days(t_s, until_s, utc_offset_s)
        )
        spread_l = mean_l * sqrt(exp(sigma * sigma) - 1.0)
        return mean_l, sqrt(spread_l**2 + self._level_var)

    def outlook(
        self,
        t_s: float,
        until_s: float,
        available_l: float,
        utc_offset_s: float,
        least_l: float = 0.0,
    ) -> Outlook | None:
        """Whether ``available_l`` lasts until a time, and how much to add so that it does.

        Args:
            t_s: Now.
            until_s: Then.
            available_l: What is there.
            utc_offset_s: Local time minus UTC.
            least_l: What leaves until then at least, by a loss that goes on.
        """
        if self._known_s < _KNOWN_AFTER_S or until_s < t_s:
            return None
        median_l, _, sigma = self._coming(
            t_s + utc_offset_s, self._pattern_days(t_s, until_s, utc_offset_s)
        )
        median_l = max(median_l, least_l)
        # A hair of spread keeps the answer defined when use is known exactly.
        sigma = max(sigma, 1e-6)
        probability = 0.0
        if available_l > 0.0:
            probability = _STANDARD.cdf(log(available_l / median_l) / sigma)
        need_80, need_95 = (median_l * exp(_STANDARD.inv_cdf(part) * sigma) for part in (0.8, 0.95))
        has_l = max(available_l, 0.0)
        return Outlook(probability, median_l, max(need_80 - has_l, 0.0), max(need_95 - has_l, 0.0))

    # what the loss test compares with

    def _reference(self) -> tuple[float, int]:
        """Rate the loss test compares with, and how many hours ago it was the present one.

        A day ago, so that a new leak stands out; but never before a day had been learned.
        """
        known = len(self._lagged)
        lag = min(max(known - _LAG_SPANS, 0), _LAG_SPANS - 1)
        return max(self._lagged[-1 - lag], _LEAST_RATE_L_PER_DAY), lag

    @property
    def expected_rel_sigma(self) -> float:
        """Relative sigma of the rate that ``expected_l`` rests on, against today's true rate."""
        if not self._lagged:
            return 1.0
        rate, lag = self._reference()
        parts = (
            self._rate.change_sigma_frac((lag + 1) / 24.0) ** 2,
            min(self._rate.rate_variance / rate**2, 1.0),
            self._pattern.unseen_sigma_frac**2,
        )
        return sqrt(sum(parts))

    def expected_l(self, t0_s: float, t1_s: float, utc_offset_s: float) -> float | None:
        """Use expected in a span by the rate up to a day ago and the pattern of the day.

        Returns:
            Litres; None until about an hour of use is known.
        """
        if self._known_s < _KNOWN_AFTER_S:
            return None
        return self._reference()[0] * self._pattern_days(t0_s, t1_s, utc_offset_s)

    def snapshot(self) -> dict[str, Any]:
        """Return the learned state in JSON types, well below 10 kB."""
        return {
            "pattern": self._pattern.snapshot(),
            "rate": self._rate.snapshot(),
            "time_s": self._time_s,
            "end_s": self._end_s,
            "known_s": self._known_s,
            "level_var": self._level_var,
            "lagged": [round(v, 6) for v in self._lagged],
            "early": None if self._early is None else self._early_rows(),
            "past_day": self._past_day.snapshot(),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up a snapshot; ValueError when it is not one."""
        try:
            self._pattern.restore(data["pattern"])
            self._rate.restore(data["rate"])
            time_s = data["time_s"]
            self._time_s = None if time_s is None else float(time_s)
            end_s = data["end_s"]
            self._end_s = None if end_s is None else float(end_s)
            self._known_s = float(data["known_s"])
            self._level_var = max(float(data["level_var"]), 0.0)
            self._lagged = array("d", [float(v) for v in data["lagged"]][-2 * _LAG_SPANS :])
            early = data["early"]
            if early is None:
                self._early = None
            else:
                rows = [astuple(Seen.from_numbers(row)) for row in early]
                self._early = array("d", [float(v) for row in rows for v in row])
            # Snapshots of the first releases know nothing of the past day: a day brings it.
            self._past_day.restore(data.get("past_day", ()))
        except (KeyError, TypeError, AttributeError) as err:
            raise ValueError(f"not a forecast snapshot: {err!r}") from err
        self._spans, self._error_l = SpanGatherer(), None
        self._table = self._drawn = None


def _node_days(column: array[float], litres: float) -> float:
    """Days at which a rising column of litres reaches a value, by straight lines."""
    i = bisect_left(column, litres)
    if i >= len(column):
        return FARTHEST_D
    part = (litres - column[i - 1]) / (column[i] - column[i - 1])
    return NODES_D[i - 1] + part * (NODES_D[i] - NODES_D[i - 1])
