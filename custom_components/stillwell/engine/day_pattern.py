"""How use is spread over the local day: lights, fans and feeding repeat every 24 hours.

The rate is a slowly wandering level plus three harmonics of 24 hours, learned together by one
Kalman filter, so that half a day of high use is not taken for a high day. Before anything is
known the day is flat; a known pattern counts in full. Time of day is local seconds since
midnight, rates are litres per day.
"""

from bisect import bisect_right
from itertools import accumulate
from math import cos, exp, isfinite, pi, sin, sqrt, sumprod
from typing import Any, Final

from .quantities import DAY_S

_HARMONICS: Final = (1, 2, 3)
_SIZE: Final = 1 + 2 * len(_HARMONICS)
_PRIOR_FRAC: Final = 0.3
"""Common practice, no source: lights and fans move use by some tens of per cent."""
_WANDER_FRAC: Final = 0.2
"""Relative change of the level over a day that is not held against the pattern."""
_MEMORY_DAYS: Final = 30.0
_LEAST_FRAC: Final = 0.05
_KNOTS: Final = 24
_KNOT_S: Final = DAY_S / _KNOTS


def _basis(middle_s: float, length_s: float) -> list[float]:
    """1 for the level, then the mean of each harmonic over a stretch of the local day."""
    values = [1.0]
    for k in _HARMONICS:
        angle = 2.0 * pi * k / DAY_S
        half = 0.5 * angle * length_s
        damped = sin(half) / half
        values += [damped * cos(angle * middle_s), damped * sin(angle * middle_s)]
    return values


def _prior_frac(i: int) -> float:
    return _PRIOR_FRAC / _HARMONICS[(i - 1) // 2]


_KNOT_BASES: Final = tuple(_basis((i + 0.5) * _KNOT_S, _KNOT_S) for i in range(_KNOTS))
_MOST_SIGMAS: Final = 4.0
_USUAL_DAYS: Final = 7.0
_EVENT_FRAC: Final = 1.2
"""Lights and fans do not more than double the rate from one hour to the next."""


class DayPattern:
    """Learned share of the day's use by local time of day, with its uncertainty."""

    __slots__ = ("_covariance", "_cumulative", "_scale", "_seen_s", "_state")

    def __init__(self) -> None:
        self._state = [0.0] * _SIZE
        self._covariance = [[0.0] * _SIZE for _ in range(_SIZE)]
        self._seen_s = 0.0
        self._scale = 0.0
        self._cumulative: list[float] | None = None

    @property
    def _level(self) -> float:
        """Level of the rate, kept off zero."""
        return max(self._state[0], 1e-3)

    def _shares(self) -> list[float]:
        """Share of the day used up to each knot, first 0, last 1; kept until it changes."""
        if self._cumulative is None:
            least, state = _LEAST_FRAC * self._level, self._state
            rates = [max(sumprod(state, basis), least) for basis in _KNOT_BASES]
            scale = 1.0 / sum(rates)
            self._cumulative = list(accumulate((rate * scale for rate in rates), initial=0.0))
            self._cumulative[-1] = 1.0
        return self._cumulative

    @property
    def _usual(self) -> float:
        """Rate that is usual here: the scale of pattern and wander."""
        return max(self._scale, 1e-3)

    def learn(self, start_s: float, length_s: float, rate: float, sigma: float) -> None:
        """Take in the rate seen over a stretch of the local day, with its sigma."""
        if self._seen_s <= 0.0:
            self._begin(rate, sigma)
        else:
            self._wander(length_s / DAY_S)
        x = _basis(start_s + 0.5 * length_s, length_s)
        p = self._covariance
        px = [sumprod(row, x) for row in p]
        spread = sigma * sigma + sumprod(x, px)
        error = rate - sumprod(self._state, x)
        limit = max(_MOST_SIGMAS * sqrt(spread), _EVENT_FRAC * self._usual)
        if abs(error) > limit:
            # So far off is an event (a leak, a splash) that the level takes up, not a pattern.
            p[0][0] += error * error
            px[0] += error * error
            spread += error * error
        for i, v in enumerate(px):
            gain = v / spread
            self._state[i] += gain * error
            p[i] = [a - gain * w for a, w in zip(p[i], px, strict=True)]
        self._seen_s = min(self._seen_s + length_s, DAY_S)
        self._follow(length_s / DAY_S)
        self._cumulative = None

    def _follow(self, days: float) -> None:
        """Let the usual rate follow the level: at once in the first day, in a week later."""
        if self._seen_s < DAY_S:
            self._scale += min(days * DAY_S / self._seen_s, 1.0) * (self._level - self._scale)
        else:
            # An event, however large, counts for no more than twice what is usual.
            level = min(self._level, 2.0 * self._usual)
            self._scale += (1.0 - exp(-days / _USUAL_DAYS)) * (level - self._scale)

    def _begin(self, rate: float, sigma: float) -> None:
        self._state[0] = rate
        self._covariance[0][0] = rate * rate + sigma * sigma
        for i in range(1, _SIZE):
            self._covariance[i][i] = (_prior_frac(i) * self._level) ** 2

    def _wander(self, days: float) -> None:
        """Let the level move and the harmonics fade back to their prior."""
        level, p = self._usual, self._covariance
        keep = exp(-days / _MEMORY_DAYS)
        fade = [1.0] + [keep] * (_SIZE - 1)
        for i in range(_SIZE):
            self._state[i] *= fade[i]
            p[i] = [fade[i] * a * b for a, b in zip(p[i], fade, strict=True)]
        p[0][0] += days * (_WANDER_FRAC * level) ** 2
        for i in range(1, _SIZE):
            p[i][i] += (1.0 - keep * keep) * (_prior_frac(i) * level) ** 2

    def sigma_frac(self, start_s: float, length_s: float) -> float:
        """One sigma of the learned share over a stretch, as a fraction of the mean rate."""
        if self._seen_s <= 0.0:
            return _PRIOR_FRAC
        x = _basis(start_s + 0.5 * length_s, length_s)
        x[0] = 0.0
        spread = sumprod(x, [sumprod(row, x) for row in self._covariance])
        return min(sqrt(max(spread, 0.0)) / self._level, 1.0)

    @property
    def unseen_sigma_frac(self) -> float:
        """One sigma of the day's mean rate for want of a whole day seen; 0 after 24 hours.

        The mean of a sinusoid over a window of part x of its period is down by sin(pi x)/(pi x).
        """
        part = self._seen_s / DAY_S
        if part >= 1.0:
            return 0.0
        return _PRIOR_FRAC * sin(pi * part) / (pi * part) if part > 0.0 else _PRIOR_FRAC

    def days_until(self, local_s: float) -> float:
        """Whole days plus the share of the last one used up at a local time (seconds)."""
        shares = self._shares()
        day, second = divmod(local_s, DAY_S)
        position = second / _KNOT_S
        knot = min(int(position), _KNOTS - 1)
        low = shares[knot]
        return day + low + (position - knot) * (shares[knot + 1] - low)

    def local_s_at(self, days: float) -> float:
        """Local time (seconds) at which ``days_until`` reaches a value."""
        shares = self._shares()
        day, share = divmod(days, 1.0)
        knot = min(bisect_right(shares, share), _KNOTS) - 1
        low = shares[knot]
        return day * DAY_S + (knot + (share - low) / (shares[knot + 1] - low)) * _KNOT_S

    def snapshot(self) -> dict[str, Any]:
        """Return the learned state in JSON types."""
        return {
            "state": [float(f"{v:.6g}") for v in self._state],
            "covariance": [[float(f"{v:.6g}") for v in row] for row in self._covariance],
            "seen_s": self._seen_s,
            "scale": self._scale,
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up a snapshot; ValueError when it is not one."""
        state = [float(v) for v in data["state"]]
        covariance = [[float(v) for v in row] for row in data["covariance"]]
        is_square = all(len(row) == _SIZE for row in covariance) and len(covariance) == _SIZE
        if len(state) != _SIZE or not is_square:
            raise ValueError(f"a day pattern has {_SIZE} numbers and their covariance")
        if not all(isfinite(v) for v in state) or any(covariance[i][i] < 0.0 for i in range(_SIZE)):
            raise ValueError("a day pattern is finite and its variances positive")
        self._scale = max(float(data["scale"]), 0.0)
        self._state, self._covariance = state, covariance
        self._seen_s = min(max(float(data["seen_s"]), 0.0), DAY_S)
        self._cumulative = None
