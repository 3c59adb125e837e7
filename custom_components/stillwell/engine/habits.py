"""What a level source usually does: how often it reports, how finely, how noisily."""

from array import array
from collections.abc import Mapping
from math import exp, log, pi, sqrt
from typing import Any, Final

from .quantities import DAY_S, HOUR_S

_BINS: Final = 36
"""Intervals are counted in bins a factor sqrt(2) wide, from 1 s to two days."""

_LONGEST_S: Final = 2 * DAY_S
"""A longer one is no rhythm: the source was away, or the clock was set."""

_INTERVALS_KNOWN: Final = 8.0
_FORGET_AT: Final = 600.0
_NOISE_MEMORY: Final = 600.0
"""Reports after which older ones no longer count for the noise."""

_NOISE_KNOWN: Final = 10.0
_STEPS_KNOWN: Final = 3
_MOST_POLLS: Final = 60.0
_STEP_WINDOW: Final = 100
LEAST_STEP_M: Final = 2e-6
_CLIP_VAR: Final = 9.0
"""A squared half-difference counts at most this many times the variance."""

_RUNS_KNOWN: Final = 20
_RUN_FACTOR: Final = 4.0


class Rhythm:
    """Intervals between reports."""

    __slots__ = ("_count", "_known", "_longest_s", "_sum_s", "_total")

    def __init__(self) -> None:
        self._count = array("d", bytes(8 * _BINS))
        self._sum_s = array("d", bytes(8 * _BINS))
        self._total = 0.0
        self._longest_s = 0.0
        self._known: dict[float, float] = {}  # quantiles asked for since the last interval

    @property
    def is_known(self) -> bool:
        """Whether enough intervals were seen to speak of a rhythm."""
        return self._total >= _INTERVALS_KNOWN

    def learn(self, interval_s: float) -> None:
        """Take one interval."""
        interval_s = min(interval_s, _LONGEST_S)
        i = min(_BINS - 1, max(0, int(2.0 * log(max(1.0, interval_s)) / log(2.0) + 0.5)))
        self._known.clear()
        self._count[i] += 1.0
        self._sum_s[i] += interval_s
        self._total += 1.0
        self._longest_s = max(self._longest_s, interval_s)
        if self._total > _FORGET_AT:
            self._count = array("d", [c / 2.0 for c in self._count])
            self._sum_s = array("d", [s / 2.0 for s in self._sum_s])
            self._total /= 2.0
            self._longest_s *= 0.9

    def quantile_s(self, frac: float) -> float | None:
        """Return the interval that this share of reports does not exceed; None at first."""
        if frac in self._known:
            return self._known[frac]
        if self._total == 0.0:
            return None
        wanted = frac * self._total * (1.0 - 1e-12)
        i, below = 0, self._count[0]
        while below < wanted:
            i += 1
            below += self._count[i]
        found_s = self._sum_s[i] / self._count[i] if self._count[i] > 0.0 else 0.0
        self._known[frac] = found_s
        return found_s

    @property
    def longest_s(self) -> float:
        """Longest interval in memory."""
        return self._longest_s

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {
            "bins": [
                [i, round(c, 3), round(s, 2)]
                for i, (c, s) in enumerate(zip(self._count, self._sum_s, strict=True))
                if c > 0.0
            ],
            "longest_s": self._longest_s,
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot."""
        self._known.clear()
        for i, count, sum_s in data["bins"]:
            self._count[int(i)] = float(count)
            self._sum_s[int(i)] = float(sum_s)
        self._total = sum(self._count)
        self._longest_s = float(data["longest_s"])


def rounded_variance_frac(noise_frac: float) -> float:
    """Variance of rounded readings of a resting level, in squared rounding steps.

    Args:
        noise_frac: Standard deviation of the noise before rounding, in rounding steps.

    Returns:
        The mean over all positions of the level within a step.

    Source: Fourier series of the rounding error (Bennett 1948; Widrow & Kollar,
        Quantization Noise, 2008, from memory). For little noise it is noise_frac/sqrt(pi),
        for much noise noise_frac**2 + 1/12.
    """
    if noise_frac < 0.1:  # noqa: PLR2004 - the series converges slowly there
        return noise_frac / sqrt(pi)
    total = 0.0
    for k in range(1, 12):
        total += exp(-4.0 * (pi * k * noise_frac) ** 2) / (k * k)
    return noise_frac**2 + 1.0 / 12.0 - total / (2.0 * pi * pi)


def noise_before_rounding(variance: float, step: float) -> float:
    """Invert ``rounded_variance_frac``: the noise that gives this variance after rounding."""
    if step <= 0.0 or variance > 4.0 * step * step:
        return sqrt(max(0.0, variance - step * step / 12.0))
    target = variance / (step * step)
    low, high = 0.0, 2.2
    for _ in range(30):
        middle = 0.5 * (low + high)
        if rounded_variance_frac(middle) < target:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high) * step


class Texture:
    """Noise, rounding step and runs of equal values."""

    __slots__ = (
        "_changes",
        "_fresh",
        "_is_up",
        "_last",
        "_longest_run_s",
        "_noise_m",
        "_run_n",
        "_run_start_s",
        "_runs",
        "_step_before_m",
        "_step_m",
        "_var",
        "_weight",
        "duplicates",
        "since_duplicate",
    )

    def __init__(self) -> None:
        self._last: tuple[float, float] | None = None
        self._var = 0.0
        self._weight = 0.0
        self._noise_m: float | None = None
        self._fresh = 0
        self._step_m: float | None = None
        self._step_before_m: float | None = None
        self._changes = 0
        self._run_start_s: float | None = None
        self._run_n = 0
        self._runs = 0
        self._longest_run_s = 0.0
        self._is_up: bool | None = None
        self.since_duplicate = 0
        self.duplicates = 0

    @property
    def step_m(self) -> float | None:
        """Rounding step of the values, m; None until a few changes were seen."""
        if self._step_before_m is not None:
            return min(self._step_before_m, self._step_m or self._step_before_m)
        return self._step_m if self._changes >= _STEPS_KNOWN else None

    @property
    def total_sigma_m(self) -> float | None:
        """Standard deviation of readings of a resting level, m."""
        return sqrt(self._var) if self._weight >= _NOISE_KNOWN else None

    @property
    def noise_m(self) -> float | None:
        """Standard deviation of the noise before rounding, m."""
        if self._weight < _NOISE_KNOWN:
            return None
        if self._noise_m is None or self._fresh <= 0:
            self._noise_m = noise_before_rounding(self._var, self.step_m or 0.0)
            self._fresh = 20 if self._weight < _NOISE_MEMORY else 100
        return self._noise_m

    def runs_on_s(self, t_s: float) -> float:
        """Seconds without any change of value."""
        return 0.0 if self._run_start_s is None else t_s - self._run_start_s

    def is_stuck(self, t_s: float) -> bool:
        """Whether the value has stood still for far longer than it ever does."""
        if self._runs < _RUNS_KNOWN or self._run_n < _RUNS_KNOWN:
            return False
        return self.runs_on_s(t_s) > max(HOUR_S, _RUN_FACTOR * self._longest_run_s)

    def learn_run(self, t_s: float, depth_m: float) -> None:
        """Count equal values; every valid report passes here."""
        last = self._last
        if last is not None and abs(depth_m - last[1]) < LEAST_STEP_M:
            self._run_n += 1
            self.duplicates += 1
            self.since_duplicate = 0
        else:
            if last is not None and self._run_start_s is not None:
                run_s = t_s - self._run_start_s
                is_up = depth_m > last[1]
                # Water that moves ends runs all one way; only a value that goes to and fro at
                # rest says how long it can stand still. Water that nobody uses is not stuck.
                self._runs += self._is_up is not None and is_up is not self._is_up
                self._is_up = is_up
                self._longest_run_s = max(self._longest_run_s * 0.999, min(run_s, 86400.0))
                self.since_duplicate += 1
            self._run_start_s, self._run_n = t_s, 0
        self._last = (t_s, depth_m)

    def forget_run(self) -> None:
        """A gap or a fault came between: the run of equal values is broken."""
        self._last = None
        self._run_start_s = None
        self._run_n = 0

    def learn_step(self, change_m: float) -> None:
        """Learn the rounding step from a difference of two neighbouring reports."""
        change_m = abs(change_m)
        if change_m < LEAST_STEP_M:
            return
        self._changes += 1
        if self._step_m is None or change_m < self._step_m:
            self._step_m = change_m
        if self._changes % _STEP_WINDOW == 0:
            self._step_before_m, self._step_m = self._step_m, None

    def learn_noise(self, change_m: float, polls: float) -> None:
        """Learn the noise from the change between two reports ``polls`` polls apart."""
        polls = min(max(1.0, polls), _MOST_POLLS)
        half = 0.5 * change_m * change_m
        if self._weight >= _NOISE_KNOWN:
            floor = 0.25 * (self._step_m or 0.0) ** 2
            half = min(half, _CLIP_VAR * max(self._var, floor))
        self._weight = min(self._weight + polls, _NOISE_MEMORY)
        self._var += (half - polls * self._var) / max(self._weight, polls)
        self._var = max(self._var, 0.0)
        self._fresh -= 1

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {
            "var": self._var,
            "weight": self._weight,
            "step_m": self._step_m,
            "step_before_m": self._step_before_m,
            "changes": self._changes,
            "runs": self._runs,
            "longest_run_s": self._longest_run_s,
            "since_duplicate": self.since_duplicate,
            "duplicates": self.duplicates,
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot."""
        self._var = float(data["var"])
        self._weight = float(data["weight"])
        step, before = data["step_m"], data["step_before_m"]
        self._step_m = None if step is None else float(step)
        self._step_before_m = None if before is None else float(before)
        self._changes = int(data["changes"])
        self._runs = int(data["runs"])
        self._longest_run_s = float(data["longest_run_s"])
        self.since_duplicate = int(data["since_duplicate"])
        self.duplicates = int(data["duplicates"])
