"""Tells by recent readings whether water goes on leaving or was taken out at once.

Three stories are fitted to the readings less the expected use, each by least squares (in white
noise of a known size that is maximum likelihood): the level rests; it rests, falls at once and
rests again; it rests and from some reading on falls steadily. How much better one story fits
than another, in squared standard deviations of the noise, is twice the logarithm of the
likelihood ratio (generalised likelihood ratio test; Basseville & Nikiforov, Detection of Abrupt
Changes, 1993, chapter 2, from memory).
"""

from dataclasses import dataclass
from math import log, sqrt
from typing import Final

from .quantities import HOUR_S, MINUTE_S
from .samples import Samples

WINDOW_S: Final = 45 * MINUTE_S
WINDOW_READINGS: Final = 20
"""Readings of that time, or so many where they are rare ..."""
WINDOW_MOST_S: Final = 3 * HOUR_S
"""... but none older than this: the expected use is not known that well."""
FEWEST_FALLING: Final = 4
FEWEST_BEFORE: Final = 3
COARSE: Final = 1.5
"""With a step this many times the noise a level may be wrong by a whole step for many readings."""
_FREE_READING: Final = 1.0
"""What a reading of its own gains by chance alone (a squared standard normal number has mean 1)."""


@dataclass(frozen=True, slots=True)
class Course:
    """Readings of a level that is followed, and what is known of them."""

    samples: Samples
    """Accepted readings, oldest first: time and volume (s, L)."""
    from_s: float
    """Readings before belong to another level (before a fill, a pour or a drop)."""
    open_s: float
    """When the block began that is still open."""
    noise_l: float
    """Standard deviation of the noise of a reading before rounding, L."""
    width_l: float
    """Rounding step, L."""


@dataclass(frozen=True, slots=True)
class SteadyFall:
    """The best story of water that goes on leaving."""

    since_s: float
    l_per_s: float
    """Rate beyond the expected use, L/s."""
    sigma_l_per_s: float
    litres: float
    """Litres beyond the expected use that the readings prove, a rounding step taken off."""
    better_than_at_once: float
    """Twice the log likelihood ratio against a fall at once."""


@dataclass(frozen=True, slots=True)
class AtOnce:
    """The best story of water that was taken out at once."""

    at_s: float
    litres: float
    """What the readings prove, a rounding step taken off."""
    sigma_l: float
    better_than_steady: float
    """Twice the log likelihood ratio against a steady fall."""


def _window(course: Course) -> tuple[list[float], list[float]]:
    """Return times (s, counted from the newest) and levels of the readings looked at."""
    kept = [sample for sample in course.samples if sample[0] >= course.from_s]
    if not kept:
        return [], []
    end_s = kept[-1][0]
    many = len(kept) - WINDOW_READINGS
    kept = [
        (t_s - end_s, level_l)
        for i, (t_s, level_l) in enumerate(kept)
        if end_s - t_s <= (WINDOW_MOST_S if i >= many else WINDOW_S)
    ]
    return [t for t, _ in kept], [level for _, level in kept]


class Stories:
    """The readings of a course under the three stories."""

    __slots__ = ("_course", "_off", "_t", "_total", "_var", "end_s")

    def __init__(self, course: Course, expected_l_per_s: float) -> None:
        self._course = course
        self._t, levels = _window(course)
        self.end_s = course.samples.newest_s or 0.0
        self._var = course.noise_l**2 + course.width_l**2 / 12.0
        newest_l = levels[-1] if levels else 0.0
        self._off = [
            level_l - newest_l + expected_l_per_s * t
            for t, level_l in zip(self._t, levels, strict=True)
        ]
        self._total = sum(self._off)

    def tell(self) -> tuple[SteadyFall | None, AtOnce | None]:
        """Return the best steady fall and the best fall at once; None where nothing falls."""
        t, off, var = self._t, self._off, self._var
        n, others, total = len(off), len(off) - 1, self._total
        if n < FEWEST_BEFORE + FEWEST_FALLING or var <= 0.0:
            return None, None
        # A reading may come while the jug is still being filled: the rarer they are, the
        # less likely.
        apart_s = -t[0] / others
        price = (_FREE_READING + 2.0 * log(max(apart_s / MINUTE_S, 1.0))) * var
        sum_off = sum_t = sum_tt = sum_toff = 0.0
        steady_gain = once_gain = 0.0
        steady: tuple[int, float, float] | None = None
        once: tuple[int, float, float] | None = None
        for i in range(n - 1, 0, -1):
            at, x, m = t[i], off[i], n - i
            sum_off += x
            sum_t += at
            sum_tt += at * at
            sum_toff += at * x
            weight = m - m * m / n
            moment = m * total / n - sum_off
            if moment > 0.0 and moment * moment > once_gain * weight:
                once_gain, once = moment * moment / weight, (i, moment, weight)
            if i > 1:
                # The reading before has a level of its own: it gains that, and costs the price.
                other = off[i - 1]
                apart = other - (total - other) / others
                mean_weight = m - m * m / others
                moment = m * (total - other) / others - sum_off
                gain = apart * apart * others / n + moment * moment / mean_weight - price
                if moment > 0.0 and gain > once_gain:
                    once_gain, once = gain, (i, moment, mean_weight)
            if m >= FEWEST_FALLING and n - m >= FEWEST_BEFORE:
                from_t = t[i - 1]
                sum_u = sum_t - m * from_t
                weight = sum_tt - 2.0 * from_t * sum_t + m * from_t * from_t - sum_u * sum_u / n
                moment = sum_u * total / n - (sum_toff - from_t * sum_off)
                if moment > 0.0 and moment * moment > steady_gain * weight:
                    steady_gain, steady = moment * moment / weight, (i, moment, weight)
        return (
            self._steady(steady, (steady_gain - once_gain) / var),
            self._once(once, (once_gain - steady_gain) / var),
        )

    def _steady(self, found: tuple[int, float, float] | None, better: float) -> SteadyFall | None:
        if found is None:
            return None
        i, moment, weight = found
        rate, since = moment / weight, self._t[i - 1]
        litres = self._proven_l(rate * -since)
        return SteadyFall(self.end_s + since, rate, sqrt(self._var / weight), litres, better)

    def _once(self, found: tuple[int, float, float] | None, better: float) -> AtOnce | None:
        if found is None:
            return None
        i, moment, weight = found
        litres = self._proven_l(moment / weight)
        return AtOnce(self.end_s + self._t[i], litres, sqrt(self._var / weight), better)

    def _proven_l(self, litres: float) -> float:
        """Return how much of a fall is no rounding: a level may cross a step unmoved."""
        course = self._course
        return litres - course.width_l if course.width_l > COARSE * course.noise_l else litres
