"""How much is used per day, how much that varies, and what that says of days to come.

The rate is a long-run mean plus a deviation that dies away (an Ornstein-Uhlenbeck process,
as weather and room humidity make it): r = m + u, with u of relative spread s and memory tau.
Neither s nor tau is known, so a bank of Kalman filters runs side by side, one per pair, and
each is weighed by how well it foretold the data (Magill 1965, IEEE Trans. Autom. Control
10:434). Constant use soon narrows the spread to nearly nothing; a first day keeps the prior.

Observations are differences of a level, so neighbouring errors cancel. Each filter therefore
carries the level error at the end of the last span as a third state.

Rates are litres per day, spans are days.
"""

from math import exp, log, sqrt
from typing import Any, Final

from .mixed_law import reach_of_80

_SPREADS: Final = ((0.02, 0.1), (0.07, 0.2), (0.14, 0.35), (0.22, 0.25), (0.35, 0.1))
"""Relative spread of use and prior weight (common practice, no source: 0.5 to 2 % a day)."""
_MEMORIES: Final = ((0.8, 0.2), (3.0, 0.45), (12.0, 0.35))
"""Memory in days and prior weight: hours of the room, weather, season."""
MODELS: Final = tuple((s, tau) for s, _ in _SPREADS for tau, _ in _MEMORIES)
_PRIOR: Final = tuple(ws * wt for _, ws in _SPREADS for _, wt in _MEMORIES)
_DRIFT_PER_DAY: Final = 0.015
_LEAST_WEIGHT: Final = 1e-4
_WORST_DEVIATION: Final = 16.0
"""Squared deviations beyond four sigma count no further: one odd span must not decide."""
_MEMORY_OF_FIT_DAYS: Final = 40.0
_SMALL_RATE: Final = 1e-3

NODES_D: Final = (
    *(0.0, 0.04, 0.12, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 9.0),
    *(12.0, 16.0, 21.0, 30.0, 45.0, 65.0, 100.0, 160.0, 250.0, 365.0),
)


def _future(tau: float, span_d: float) -> tuple[float, float]:
    """Effect of a deviation on the coming use, and variance of what will be added to it.

    For an Ornstein-Uhlenbeck process of unit variance, both integrated over the span
    (Gillespie 1996, Phys. Rev. E 54:2084).
    """
    x = span_d / tau
    decay = exp(-x)
    return tau * (1.0 - decay), max(tau * tau * (2.0 * x - 3.0 + 4.0 * decay - decay * decay), 0.0)


class _Filter:
    """One Kalman filter: mean, deviation, level error; their covariance."""

    __slots__ = ("m", "mm", "mn", "mu", "n", "nn", "s", "tau", "u", "un", "uu", "w")

    def __init__(self, s: float, tau: float, w: float) -> None:
        self.s, self.tau, self.w = s, tau, w
        self.m = self.u = self.n = 0.0
        self.mm = self.mu = self.mn = self.uu = self.un = self.nn = 0.0

    def start(self, rate: float, sigma: float) -> None:
        self.m, self.u = rate, 0.0
        self.mm, self.mu, self.mn, self.un = sigma * sigma, 0.0, 0.0, 0.0
        self.uu = (self.s * rate) ** 2

    def predict(self, span_d: float, decay: float) -> None:
        scale = max(abs(self.m), _SMALL_RATE)
        self.u *= decay
        self.mm += (_DRIFT_PER_DAY * scale) ** 2 * span_d
        self.mu *= decay
        self.un *= decay
        self.uu = self.uu * decay * decay + (self.s * scale) ** 2 * (1.0 - decay * decay)

    def fresh_level(self, variance: float) -> None:
        self.n, self.nn, self.mn, self.un = 0.0, variance, 0.0, 0.0

    def update(self, used_l: float, days: float, level_var: float, extra_var: float) -> float:
        """Take in a use over so many (pattern) days; return its log likelihood."""
        pm = days * (self.mm + self.mu) - self.mn
        pu = days * (self.mu + self.uu) - self.un
        pn = days * (self.mn + self.un) - self.nn
        spread = days * (pm + pu) - pn + level_var + extra_var
        error = used_l - days * (self.m + self.u) + self.n
        km, ku = pm / spread, pu / spread
        self.m += km * error
        self.u += ku * error
        self.mm -= km * pm
        self.mu -= km * pu
        self.uu -= ku * pu
        # The error of the new level takes the place of the old one.
        self.n = level_var / spread * error
        self.nn = level_var * (1.0 - level_var / spread)
        self.mn, self.un = -km * level_var, -ku * level_var
        return -0.5 * (log(spread) + min(error * error / spread, _WORST_DEVIATION))

    def coming(self, days: float) -> tuple[float, float]:
        """Mean and variance of the use over the coming (pattern) days, in litres."""
        reach, added = _future(self.tau, days)
        square = days * days * (self.mm + (_DRIFT_PER_DAY * self.m) ** 2 * days / 3.0)
        square += reach * (2.0 * days * self.mu + reach * self.uu)
        square += added * (self.s * max(abs(self.m), _SMALL_RATE)) ** 2
        return days * self.m + reach * self.u, max(square, 0.0)

    def values(self) -> list[float]:
        return [getattr(self, name) for name in _STATE]


_STATE: Final = ("w", "m", "u", "n", "mm", "mu", "mn", "uu", "un", "nn")


class _Group:
    """Weighted moments of the filters that share one memory."""

    __slots__ = ("added", "mu", "tau", "u", "uu")

    def __init__(self, tau: float, filters: list[_Filter], total: float) -> None:
        self.tau = tau
        self.u = sum(f.w * f.u for f in filters) / total
        self.mu = sum(f.w * (f.mu + f.m * f.u) for f in filters) / total
        self.uu = sum(f.w * (f.uu + f.u * f.u) for f in filters) / total
        self.added = sum(f.w * (f.s * max(abs(f.m), _SMALL_RATE)) ** 2 for f in filters) / total


class _Sums:
    """Weighted moments of the bank, from which any span is foretold in a few steps."""

    __slots__ = ("drift", "groups", "m", "mm", "rate")

    def __init__(self, filters: list[_Filter]) -> None:
        total = sum(f.w for f in filters)
        self.m = sum(f.w * f.m for f in filters) / total
        self.mm = sum(f.w * (f.mm + f.m * f.m) for f in filters) / total
        self.drift = sum(f.w * (_DRIFT_PER_DAY * f.m) ** 2 for f in filters) / total
        self.groups = [
            _Group(tau, [f for f in filters if f.tau == tau], total) for tau, _ in _MEMORIES
        ]
        self.rate = self.m + sum(group.u for group in self.groups)


class UseRate:
    """Bank of filters over the use per day."""

    __slots__ = ("_filters", "_kept", "is_started")

    def __init__(self) -> None:
        self._filters = [_Filter(s, tau, w) for (s, tau), w in zip(MODELS, _PRIOR, strict=True)]
        self._kept: _Sums | None = None
        self.is_started = False

    def start(self, rate: float, sigma: float, level_var: float) -> None:
        """Begin from a first rough rate, litres per day."""
        for f in self._filters:
            f.start(rate, sigma)
            f.fresh_level(level_var)
        self._kept, self.is_started = None, True

    def pass_time(self, span_d: float) -> None:
        """Let days pass unobserved."""
        self._kept = None
        decays = {tau: exp(-span_d / tau) for tau, _ in _MEMORIES}
        for f in self._filters:
            f.predict(span_d, decays[f.tau])

    def new_level(self, level_var: float) -> None:
        """Begin a new run of levels, unrelated to the last one."""
        for f in self._filters:
            f.fresh_level(level_var)

    def learn(self, used_l: float, days: float, level_var: float, extra_var: float) -> None:
        """Take in the use over so many (pattern) days, with the variance of the new level."""
        scores = [f.update(used_l, days, level_var, extra_var) for f in self._filters]
        self._kept = None
        best = max(scores)
        # Older fit fades, so that a change of habit can be learned.
        keep = exp(-days / _MEMORY_OF_FIT_DAYS) if days > 0.0 else 1.0
        weights = [
            f.w**keep * exp(score - best) for f, score in zip(self._filters, scores, strict=True)
        ]
        total = sum(weights)
        for f, w in zip(self._filters, weights, strict=True):
            f.w = max(w / total, _LEAST_WEIGHT)

    @property
    def rate(self) -> float:
        """Present rate, litres per day."""
        return self._sums().rate

    @property
    def long_run(self) -> float:
        """Long-run mean rate, litres per day."""
        return self._sums().m

    @property
    def rate_variance(self) -> float:
        """Variance of the present rate."""
        sums = self._sums()
        square = sums.mm + sum(2.0 * g.mu + g.uu for g in sums.groups)
        return max(square - sums.rate**2, 0.0)

    def change_sigma_frac(self, span_d: float) -> float:
        """Relative spread of the change of the rate over so many days."""
        parts = (f.w * f.s * f.s * 2.0 * (1.0 - exp(-span_d / f.tau)) for f in self._filters)
        return sqrt(sum(parts) / sum(f.w for f in self._filters))

    def _sums(self) -> _Sums:
        """Moments of the whole bank, kept until it changes."""
        if self._kept is None:
            self._kept = _Sums(self._filters)
        return self._kept

    def coming(self, days: float) -> tuple[float, float]:
        """Mean and variance of the use over the coming (pattern) days, in litres."""
        sums = self._sums()
        mean = days * sums.m
        square = days * days * (sums.mm + sums.drift * days / 3.0)
        for group in sums.groups:
            reach, added = _future(group.tau, days)
            mean += reach * group.u
            square += reach * (2.0 * days * group.mu + reach * group.uu) + added * group.added
        return mean, max(square - mean * mean, 0.0)

    def reach(self, days: float) -> float:
        """How far the bounds of the coming days' use reach, over those of a normal law."""
        total = sum(f.w for f in self._filters)
        return reach_of_80([(f.w / total, *f.coming(days)) for f in self._filters])

    def snapshot(self) -> dict[str, Any]:
        """Return the learned state in JSON types."""
        rows = [[float(f"{v:.7g}") for v in f.values()] for f in self._filters]
        return {"filters": rows, "is_started": self.is_started}

    def restore(self, data: dict[str, Any]) -> None:
        """Take up a snapshot; ValueError when it is not one."""
        rows = [[float(v) for v in row] for row in data["filters"]]
        if len(rows) != len(MODELS) or any(len(row) != len(_STATE) for row in rows):
            raise ValueError(f"a rate has {len(MODELS)} filters of {len(_STATE)} numbers")
        if any(row[0] <= 0.0 for row in rows):
            raise ValueError("a weight has to be positive")
        for f, row in zip(self._filters, rows, strict=True):
            for name, value in zip(_STATE, row, strict=True):
                setattr(f, name, value)
        self._kept, self.is_started = None, bool(data["is_started"])
