"""What a level probe reads too much or too little because it is warm, learned and taken off.

A cheap probe drifts with its temperature, by some tenths of a millimetre up to a few millimetres
a kelvin. Water is used by a pattern of the day, and rooms grow warm by a pattern of the day, so
that the one would pass for the other. Therefore like hours are compared with like hours: the
change of level over an hour less that over the same hour of the day before, against the same of
the temperature. What repeats every day cancels in both; what is left is the weather's doing.

Least squares through the origin with forgetting and a prior of no drift at all (ridge
regression; Hoerl & Kennard, Technometrics 12, 1970, from memory), each pair bounded by Huber's
rule so that a bucket of water does not count as drift.
"""

from collections.abc import Mapping
from math import copysign, exp, sqrt
from typing import Any, Final

from .quantities import DAY_S, HOUR_S
from .validity import number, numbers

SLOTS: Final = 24
FEWEST_READINGS: Final = 4
"""An hour with fewer readings says little of its mean."""
FEWEST_PAIRS: Final = 48.0
SURE_SIGMAS: Final = 3.0
"""The drift is taken off once it is this many times its own standard deviation ..."""
DOUBT_SIGMAS: Final = 2.0
"""... and no more when it has fallen below this many."""
PRIOR_M_PER_K: Final = 0.002
LARGEST_M_PER_K: Final = 0.01
KEEP: Final = 1.0 - 1.0 / (30.0 * SLOTS)
"""A pair of a month ago counts for a third of one of today."""
FIRST_SPREAD_M: Final = 0.002
HUBER_SIGMAS: Final = 3.0
TRUST_UP_S: Final = HOUR_S
TRUST_DOWN_S: Final = 6 * HOUR_S
COLDEST_C: Final = 0.0
WARMEST_C: Final = 50.0
"""A common thermometer reads 85 degC before its first conversion and -127 degC without a wire
(common practice, no source); exactly 0 is an open input. A reservoir is never as warm or cold."""
JUMP_K: Final = 10.0
"""Litres of water do not warm by this much between two reports; a slipped probe does ..."""
JUMP_HELD_S: Final = TRUST_DOWN_S
"""... and is believed once the correction it would move has faded away."""
STEADY_S: Final = DAY_S
"""A newly learned drift comes in over about this time, so that no level jumps."""


class ProbeTemperature:
    """Learns a probe's drift in m per K, and says what to take off a reading."""

    __slots__ = (
        "_applied",
        "_before",
        "_is_sure",
        "_n",
        "_odd_s",
        "_reference_c",
        "_ring",
        "_seen_s",
        "_slot",
        "_spread_m",
        "_sums",
        "_sxx",
        "_sxy",
        "_syy",
        "_temp_c",
        "_trust",
    )

    def __init__(self) -> None:
        self._slot: int | None = None
        self._sums: tuple[int, float, float] | None = (0, 0.0, 0.0)  # None: not quiet
        self._before: tuple[int, float, float] | None = None  # slot, mean level, mean temperature
        self._ring: list[tuple[int, float, float] | None] = [None] * SLOTS
        self._sxx = self._sxy = self._syy = self._n = 0.0
        self._spread_m = FIRST_SPREAD_M
        self._is_sure = False
        self._applied = 0.0  # m/K taken off now; follows what is learned
        self._reference_c: float | None = None
        self._temp_c: float | None = None
        self._trust = 0.0
        self._seen_s: float | None = None
        self._odd_s: float | None = None  # since when it reads far from what it read

    # What is learned

    @property
    def drift_m_per_k(self) -> tuple[float, float] | None:
        """The drift and its standard deviation, m/K; None before two days of pairs."""
        if self._n < FEWEST_PAIRS or self._sxx <= 0.0:
            return None
        drift = min(max(self._estimate(), -LARGEST_M_PER_K), LARGEST_M_PER_K)
        rest = max(0.0, self._syy - 2.0 * drift * self._sxy + drift * drift * self._sxx)
        var = rest / self._n
        return drift, sqrt(var / (self._sxx + var / PRIOR_M_PER_K**2))

    def _estimate(self) -> float:
        ridge = self._spread_m**2 / PRIOR_M_PER_K**2
        return self._sxy / (self._sxx + ridge)

    @property
    def is_new(self) -> bool:
        """Whether no temperature was ever told, as of a vessel without a thermometer."""
        return self._temp_c is None and self._before is None and self._n == 0.0

    @property
    def applied_m_per_k(self) -> float:
        """The drift that is taken off now, m/K; 0 while it is not sure."""
        return self._applied

    def add(self, t_s: float, depth_m: float, temp_c: float | None, *, is_quiet: bool) -> None:
        """Take one accepted reading, as the probe gave it.

        Args:
            t_s: Time (s).
            depth_m: Depth before any correction (m).
            temp_c: Temperature of the probe (degC); None when it is not known.
            is_quiet: Whether the level only falls by use: no fill, pour or drop goes on.
        """
        slot = int(t_s // HOUR_S)
        if slot != self._slot:
            self._close()
            self._slot, self._sums = slot, (0, 0.0, 0.0)
        if self._sums is None:
            return
        if temp_c is None or not is_quiet:
            self._sums = None
            return
        n, level_m, sum_c = self._sums
        self._sums = (n + 1, level_m + depth_m, sum_c + temp_c)

    def _close(self) -> None:
        """Make a pair of the hour that has ended, if both days have it."""
        slot, sums, before = self._slot, self._sums, self._before
        self._before = None
        if slot is None or sums is None or sums[0] < FEWEST_READINGS:
            return
        mean_m, mean_c = sums[1] / sums[0], sums[2] / sums[0]
        self._before = (slot, mean_m, mean_c)
        if before is None or before[0] != slot - 1:
            return
        change = (slot, mean_m - before[1], mean_c - before[2])
        yesterday, self._ring[slot % SLOTS] = self._ring[slot % SLOTS], change
        if yesterday is not None and yesterday[0] == slot - SLOTS:
            self._learn(change[2] - yesterday[2], change[1] - yesterday[1])

    def _learn(self, x_k: float, y_m: float) -> None:
        off_m = y_m - self._estimate() * x_k
        bound_m = HUBER_SIGMAS * self._spread_m
        self._spread_m += 0.05 * (1.25 * min(abs(off_m), bound_m) - self._spread_m)
        if abs(off_m) > bound_m:
            y_m += copysign(bound_m, off_m) - off_m
        self._sxx = KEEP * self._sxx + x_k * x_k
        self._sxy = KEEP * self._sxy + x_k * y_m
        self._syy = KEEP * self._syy + y_m * y_m
        self._n = KEEP * self._n + 1.0

    # What is taken off

    def believed_c(self, t_s: float, temp_c: float | None) -> float | None:
        """Return a thermometer's value as far as it can be that of the probe; else None.

        Args:
            t_s: Time (s).
            temp_c: What it reads (degC); None when nobody knows.
        """
        if temp_c is None or not COLDEST_C < temp_c <= WARMEST_C:
            return None
        if self._temp_c is None or abs(temp_c - self._temp_c) <= JUMP_K:
            self._odd_s = None
            return temp_c
        if self._odd_s is None or t_s < self._odd_s:
            self._odd_s = t_s
        return temp_c if t_s - self._odd_s >= JUMP_HELD_S else None

    def correction_m(self, t_s: float, temp_c: float | None) -> float:
        """Return what to take off a reading now, m.

        Without a temperature the last correction fades away, and it comes back as slowly: the
        level does not jump because a thermometer fell silent.
        """
        elapsed_s = 0.0 if self._seen_s is None else max(0.0, t_s - self._seen_s)
        self._seen_s = t_s
        self._follow(elapsed_s)
        if temp_c is not None:
            self._temp_c = temp_c
            self._trust = min(1.0, self._trust + elapsed_s / TRUST_UP_S)
        else:
            self._trust = max(0.0, self._trust - elapsed_s / TRUST_DOWN_S)
        if self._temp_c is None or self._applied == 0.0:
            return 0.0
        if self._reference_c is None:
            # From here on; which temperature the marks were made at nobody knows.
            self._reference_c = self._temp_c
        return self._trust * self._applied * (self._temp_c - self._reference_c)

    def _follow(self, elapsed_s: float) -> None:
        learned = self.drift_m_per_k
        wanted = 0.0
        if learned is not None:
            drift, sigma = learned
            self._is_sure = abs(drift) > (DOUBT_SIGMAS if self._is_sure else SURE_SIGMAS) * sigma
            wanted = drift if self._is_sure else 0.0
        self._applied += (wanted - self._applied) * (1.0 - exp(-elapsed_s / STEADY_S))

    # Memory

    def forget_level(self) -> None:
        """Begin the hour anew: the level is another sensor's, or stands elsewhere."""
        self._slot, self._sums, self._before = None, (0, 0.0, 0.0), None

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types; the hour in progress is not kept."""
        return {
            "before": None if self._before is None else list(self._before),
            "ring": [None if change is None else list(change) for change in self._ring],
            "sums": [self._sxx, self._sxy, self._syy, self._n, self._spread_m],
            "is_sure": self._is_sure,
            "applied": self._applied,
            "reference_c": self._reference_c,
            "temp_c": self._temp_c,
            "trust": self._trust,
            "seen_s": self._seen_s,
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot.

        Raises:
            ValueError: It is not one of ours; it must then be made anew.
        """
        try:
            ring = [_change(entry) for entry in data["ring"]]
            if len(ring) != SLOTS:
                raise ValueError(f"a day has {SLOTS} hours, not {len(ring)}")
            self._ring = ring
            self._before = _change(data["before"])
            sxx, self._sxy, syy, n, spread_m = numbers(data["sums"])
            if min(sxx, syy, n, spread_m) < 0.0:
                raise ValueError("sums of squares below zero")
            self._sxx, self._syy, self._n, self._spread_m = sxx, syy, n, spread_m
            self._is_sure = bool(data["is_sure"])
            self._applied = number(data["applied"])
            self._trust = min(max(number(data["trust"]), 0.0), 1.0)
            optional = (data["reference_c"], data["temp_c"], data["seen_s"])
            self._reference_c, self._temp_c, self._seen_s = (
                None if value is None else number(value) for value in optional
            )
        except (KeyError, TypeError, IndexError) as err:
            raise ValueError(f"not a snapshot of a probe's drift: {err!r}") from err


def _change(entry: Any) -> tuple[int, float, float] | None:
    return None if entry is None else (int(entry[0]), number(entry[1]), number(entry[2]))
