"""How use is spread over the local day: lights, fans and feeding repeat every 24 hours.

The rate at an hour of the day, divided by the day's mean, is 1 plus three harmonics of
24 hours. Their coefficients start at 0 with a prior spread and are learned by recursive
least squares with slow forgetting (Ljung & Soderstrom 1983), so that an unknown pattern is
flat and a known one counts in full. Time of day is local seconds since midnight.
"""

from bisect import bisect_right
from math import cos, exp, pi, sin, sqrt
from typing import Any, Final

from .quantities import DAY_S

_HARMONICS: Final = (1, 2, 3)
_SIZE: Final = 2 * len(_HARMONICS)
_PRIOR_SIGMA: Final = 0.25
"""Common practice, no source: lights and fans move use by some tens of per cent."""
_MEMORY_DAYS: Final = 30.0
_LEAST_FRAC: Final = 0.05
_KNOTS: Final = 48
_KNOT_S: Final = DAY_S / _KNOTS


def _basis(middle_s: float, length_s: float) -> list[float]:
    """Mean of each harmonic over a stretch of the local day."""
    values = []
    for k in _HARMONICS:
        angle = 2.0 * pi * k / DAY_S
        half = 0.5 * angle * length_s
        damped = sin(half) / half if half > 1e-9 else 1.0  # noqa: PLR2004 - limit of sin(x)/x
        values += [damped * cos(angle * middle_s), damped * sin(angle * middle_s)]
    return values


def _prior_variance(k: int) -> float:
    return (_PRIOR_SIGMA / k) ** 2


class DayPattern:
    """Learned share of the day's use by local time of day, with its uncertainty."""

    __slots__ = ("_coefficients", "_covariance", "_cumulative", "_seen_s")

    def __init__(self) -> None:
        self._coefficients = [0.0] * _SIZE
        self._covariance = [[0.0] * _SIZE for _ in range(_SIZE)]
        for i in range(_SIZE):
            self._covariance[i][i] = _prior_variance(_HARMONICS[i // 2])
        self._seen_s = 0.0
        self._cumulative: list[float] = []
        self._tabulate()

    def _tabulate(self) -> None:
        """Lay out the share of the day used up to each knot; first 0, last 1."""
        rates = []
        for i in range(_KNOTS):
            basis = _basis((i + 0.5) * _KNOT_S, _KNOT_S)
            shape = sum(c * b for c, b in zip(self._coefficients, basis, strict=True))
            rates.append(max(1.0 + shape, _LEAST_FRAC))
        scale = 1.0 / sum(rates)
        self._cumulative = [0.0]
        for rate in rates:
            self._cumulative.append(self._cumulative[-1] + rate * scale)
        self._cumulative[-1] = 1.0

    def learn(self, start_s: float, length_s: float, ratio: float, sigma: float) -> None:
        """Take in one observed rate divided by the day's mean rate, with its sigma."""
        x = _basis(start_s + 0.5 * length_s, length_s)
        p = self._covariance
        px = [sum(a * b for a, b in zip(row, x, strict=True)) for row in p]
        spread = sigma * sigma + sum(a * b for a, b in zip(x, px, strict=True))
        error = ratio - 1.0 - sum(c * b for c, b in zip(self._coefficients, x, strict=True))
        gain = [v / spread for v in px]
        # Forgetting returns the covariance towards the prior, never beyond it.
        keep = exp(-length_s / (_MEMORY_DAYS * DAY_S))
        for i in range(_SIZE):
            self._coefficients[i] += gain[i] * error
            row = p[i]
            for j in range(_SIZE):
                row[j] = (row[j] - gain[i] * px[j]) * keep
            row[i] += (1.0 - keep) * _prior_variance(_HARMONICS[i // 2])
        self._seen_s = min(self._seen_s + length_s, DAY_S)
        self._tabulate()

    def sigma_frac(self, start_s: float, length_s: float) -> float:
        """One sigma of the learned share over a stretch, as a fraction of the mean rate."""
        x = _basis(start_s + 0.5 * length_s, length_s)
        spread = sum(
            a * b * self._covariance[i][j] for i, a in enumerate(x) for j, b in enumerate(x)
        )
        return sqrt(max(spread, 0.0))

    @property
    def unseen_sigma_frac(self) -> float:
        """One sigma of the day's mean rate for want of a whole day seen; 0 after 24 hours.

        The mean of a sinusoid over a window of part x of its period is down by sin(pi x)/(pi x).
        """
        part = self._seen_s / DAY_S
        if part >= 1.0:
            return 0.0
        return _PRIOR_SIGMA * sin(pi * part) / (pi * part) if part > 0.0 else _PRIOR_SIGMA

    def days_until(self, local_s: float) -> float:
        """Whole days plus the share of the last one used up at a local time (seconds)."""
        day, second = divmod(local_s, DAY_S)
        knot, part = divmod(second / _KNOT_S, 1.0)
        low = self._cumulative[int(knot)]
        return day + low + part * (self._cumulative[int(knot) + 1] - low)

    def local_s_at(self, days: float) -> float:
        """Local time (seconds) at which ``days_until`` reaches a value."""
        day, share = divmod(days, 1.0)
        knot = min(bisect_right(self._cumulative, share), _KNOTS) - 1
        low = self._cumulative[knot]
        return day * DAY_S + (knot + (share - low) / (self._cumulative[knot + 1] - low)) * _KNOT_S

    def snapshot(self) -> dict[str, Any]:
        """Return the learned state in JSON types."""
        return {
            "coefficients": [round(c, 6) for c in self._coefficients],
            "covariance": [[float(f"{v:.6g}") for v in row] for row in self._covariance],
            "seen_s": self._seen_s,
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up a snapshot; ValueError when it is not one."""
        coefficients = [float(v) for v in data["coefficients"]]
        covariance = [[float(v) for v in row] for row in data["covariance"]]
        is_square = all(len(row) == _SIZE for row in covariance) and len(covariance) == _SIZE
        if len(coefficients) != _SIZE or not is_square:
            raise ValueError("a day pattern has six coefficients")
        if any(covariance[i][i] <= 0.0 for i in range(_SIZE)):
            raise ValueError("a variance has to be positive")
        self._coefficients, self._covariance = coefficients, covariance
        self._seen_s = min(max(float(data["seen_s"]), 0.0), DAY_S)
        self._tabulate()
