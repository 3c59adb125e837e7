"""Sequential test for water that leaves without explanation. It warns; it never switches.

Page's cumulative sum (Page 1954, Biometrika 41:100), run on litres: every measured block adds
what was used beyond (1 + k) times the use expected at that hour, the sum never falls below 0,
and an alarm is raised above a threshold H. Summing litres rather than standardised blocks
suits a level signal: errors of neighbouring blocks cancel in the sum, so its noise is that of
two levels however long it runs.

Design (figures and how they were measured: docs/loss-test.md):
- k is exp(4 s) - 1, 0.4 to 1.4, with s the relative sigma of the expectation, and never less
  than 0.03 L/h: natural change of the use from day to day and an unknown pattern are no loss.
- H is the largest of five sigma of a block; two and a half hours of use; 1.4 times the largest
  excursion that ended by itself in the past week or so; 2.5 times a step that came again if
  it stood out of the noise (a pump's pulse); and 0.12 L. In the first day of learning it is
  twice that, and at least eight hours of use; in the first three hours there is no alarm.
- One block adds at most 0.7 H; one longer than usual adds up to 0.9 H, and all of it when above H
  and six of its own sigma. A block that takes the sum from below H / 2 to above H raises no alarm
  before the next one bears it out, unless it adds more than 2 H.
- A block that is still open raises the alarm if sum and block are above an H of one and a half
  hours of use, what came at once counting at most 0.7 H, if the rest is above H / 2, and if each
  of the last three readings (and of the last two minutes) is above 0.8 H: bought by that, a
  strong loss need not wait until a block is closed and another has borne it out.
- The alarm latches until a second sum, running the other way at half the excess, shows that
  the use is back in pattern, or until it is reset.
"""

from dataclasses import dataclass
from math import exp, isfinite
from typing import Any, Final

from .blocks import RunningUse
from .quantities import DAY_S, HOUR_S, UseBlock

_LEAST_ALLOWANCE: Final = 0.4
_LEAST_ALLOWANCE_L_PER_S: Final = 0.03 / HOUR_S
"""Where next to nothing is used the noise, too, needs something to drain into."""
_MOST_ALLOWANCE: Final = 1.4
_ALLOWANCE_SIGMAS: Final = 4.0
_THRESHOLD_SIGMAS: Final = 5.0
_LEAST_THRESHOLD_L: Final = 0.12
_LEAST_HOURS_OF_USE: Final = 2.5
_PEAK_FACTOR: Final = 1.4
_STEP_FACTOR: Final = 2.5
_STEP_SIGMAS: Final = 5.0
_PEAK_MEMORY_S: Final = 7 * DAY_S
_SIGMA_MEMORY: Final = 50.0
_BEGUN_FRAC: Final = 0.25
_LEARNING_S: Final = DAY_S
_BLIND_S: Final = 3 * HOUR_S
_LEARNING_HOURS_OF_USE: Final = 8.0
_MOST_PER_BLOCK: Final = 0.7
_MOST_PER_LONG_BLOCK: Final = 0.9
_LONG_BLOCK: Final = 1.4
_BORNE_OUT_FRAC: Final = 0.5
_NO_NEED_TIMES: Final = 2.0
"""A long block that far beyond the threshold needs no other to bear it out."""
_RUNNING_HOURS_OF_USE: Final = 1.5
"""In the minutes of an open block use cannot have drifted as far as in hours."""
_RUNNING_FRAC: Final = 0.8
_BEYOND_DOUBT: Final = 1.03
_BEYOND_DOUBT_SIGMAS: Final = 5.4
_TRUST_EXPECTATION_S: Final = 20 * HOUR_S
"""The expectation looks back a day; later than this into a loss it would contain the loss."""


_NUMBERS: Final = (
    *("allowance", "sum_l", "top_l", "step_l", "last_step_l"),
    *("peak_l", "lost_l", "back_l", "learned_s"),
)
_OPTIONAL: Final = ("since_s", "sigma_l", "length_s", "normal_l_per_s")


@dataclass(frozen=True, slots=True)
class LossVerdict:
    """What the test says after a block."""

    is_alarm: bool
    excess_l_per_h: float
    """Mean use beyond expectation since ``since_s``, litres per hour; 0 without suspicion."""
    since_s: float | None
    """When the present excess began; None without suspicion."""
    lost_l: float
    """Litres beyond expectation since then."""


@dataclass(frozen=True, slots=True)
class _Latched:
    """What was known when the alarm was raised."""

    excess_l_per_s: float
    normal_l_per_s: float


class LossTest:
    """One-sided sequential test of use against its learned pattern."""

    __slots__ = (
        "_allowance", "_back_l", "_last_step_l", "_latched", "_learned_s", "_length_s",
        "_lost_l", "_normal_l_per_s", "_peak_l", "_sigma_l", "_since_s", "_step_l", "_sum_l",
        "_top_l",
    )  # fmt: skip

    def __init__(self) -> None:
        self._sum_l = 0.0
        self._top_l = 0.0
        self._allowance = _MOST_ALLOWANCE
        self._step_l = 0.0
        self._last_step_l = 0.0
        self._peak_l = 0.0
        self._lost_l = 0.0
        self._back_l = 0.0
        self._since_s: float | None = None
        self._sigma_l: float | None = None
        self._length_s: float | None = None
        self._normal_l_per_s: float | None = None
        self._learned_s = 0.0
        self._latched: _Latched | None = None

    def add(
        self, block: UseBlock, expected_l: float | None, expected_rel_sigma: float
    ) -> LossVerdict:
        """Take in a block.

        Args:
            block: Closed span of use; skipped when it was not measured.
            expected_l: Use expected in it from the learned pattern; None while unknown.
            expected_rel_sigma: Relative sigma of that expectation.
        """
        length_s = block.end_s - block.start_s
        is_usable = block.is_measured and isfinite(block.used_l) and length_s > 0.0
        if is_usable and expected_l is not None:
            self._learn(block, expected_l, length_s)
            if self._latched is None:
                self._suspect(block, expected_l, expected_rel_sigma)
            else:
                self._watch(block, expected_l, self._latched)
        return self._verdict(block.end_s)

    @property
    def is_standing(self) -> bool:
        """Whether the alarm stands."""
        return self._latched is not None

    @property
    def doubtful_l(self) -> float:
        """Litres that an open block must go beyond, by each of its last readings, to matter."""
        return _RUNNING_FRAC * self._threshold_l(_RUNNING_HOURS_OF_USE) - self._sum_l

    def look(
        self, running: RunningUse, expected_l: float | None, expected_rel_sigma: float
    ) -> LossVerdict | None:
        """Look at a block that is still open; a strong loss need not wait for its end.

        Nothing is learned from it, and it is added when it is closed.

        Args:
            running: What the open block shows.
            expected_l: Use expected in it; None while unknown.
            expected_rel_sigma: Relative sigma of that expectation.

        Returns:
            The verdict when it raises the alarm, else None.
        """
        block = running.block
        if self._latched is not None or expected_l is None or self._learned_s < _BLIND_S:
            return None
        threshold = self._threshold_l(_RUNNING_HOURS_OF_USE)
        seen_l = self._sum_l + self._beyond_l(block, expected_l, expected_rel_sigma)
        steady_l = seen_l - running.jump_l
        sum_l = steady_l + min(running.jump_l, _MOST_PER_BLOCK * threshold)
        least_l = seen_l - block.used_l + running.least_l
        is_borne_out = (
            steady_l > _BORNE_OUT_FRAC * threshold and least_l > _RUNNING_FRAC * threshold
        )
        if sum_l <= threshold or not is_borne_out:
            return None
        self._date(block.start_s, self._sum_l, threshold)
        excess_l = block.used_l - expected_l
        self._latch(block.end_s, max(self._lost_l + excess_l, sum_l))
        return self._verdict(block.end_s, excess_l)

    def _learn(self, block: UseBlock, expected_l: float, length_s: float) -> None:
        """Scale of noise and of normal use."""
        sigma = max(block.sigma_l, 0.0)
        if self._sigma_l is None:
            self._sigma_l = sigma
        if self._length_s is None:
            self._length_s = length_s
        self._sigma_l += (sigma - self._sigma_l) / _SIGMA_MEMORY
        self._length_s += (length_s - self._length_s) / _SIGMA_MEMORY
        self._learned_s = min(self._learned_s + length_s, _LEARNING_S)
        self._peak_l *= exp(-length_s / _PEAK_MEMORY_S)
        if self._latched is None:
            rate = expected_l / length_s
            if self._normal_l_per_s is None:
                self._normal_l_per_s = rate
            # A mean over a day at last, and over what there is before.
            part = length_s / max(self._learned_s, length_s)
            self._normal_l_per_s += part * (rate - self._normal_l_per_s)

    @property
    def threshold_l(self) -> float:
        """Litres beyond allowance at which the alarm is raised now."""
        return self._threshold_l(_LEAST_HOURS_OF_USE)

    def _threshold_l(self, hours_of_use: float) -> float:
        sigma = self._sigma_l or 0.0
        hour_l = HOUR_S * (self._normal_l_per_s or 0.0)
        threshold = max(_THRESHOLD_SIGMAS * sigma, self._peak_l, hours_of_use * hour_l)
        threshold = max(threshold, _LEAST_THRESHOLD_L)
        if self._learned_s < _LEARNING_S:
            threshold = max(2.0 * threshold, _LEARNING_HOURS_OF_USE * hour_l)
        return threshold

    def _beyond_l(self, block: UseBlock, expected_l: float, rel_sigma: float) -> float:
        """Litres beyond what is expected and allowed."""
        if self._sum_l <= 0.0:
            # Held while the excess lasts: a loss makes use look variable, too.
            allowance = exp(min(_ALLOWANCE_SIGMAS * rel_sigma, 1.0)) - 1.0
            self._allowance = min(max(allowance, _LEAST_ALLOWANCE), _MOST_ALLOWANCE)
        least_l = _LEAST_ALLOWANCE_L_PER_S * (block.end_s - block.start_s)
        return block.used_l - expected_l - max(self._allowance * expected_l, least_l)

    def _date(self, start_s: float, before_l: float, threshold: float) -> None:
        if self._since_s is None or before_l < _BEGUN_FRAC * threshold:
            # Until then it was most likely noise: the loss begins here.
            self._since_s, self._lost_l = start_s, 0.0

    def _latch(self, now_s: float, lost_l: float) -> None:
        since_s = now_s if self._since_s is None else self._since_s
        self._latched = _Latched(lost_l / (now_s - since_s), self._normal_l_per_s or 0.0)
        self._back_l = 0.0

    def _suspect(self, block: UseBlock, expected_l: float, rel_sigma: float) -> None:
        threshold = max(self.threshold_l, _THRESHOLD_SIGMAS * block.sigma_l)
        beyond = self._beyond_l(block, expected_l, rel_sigma)
        before_l = self._sum_l
        self._sum_l += self._bounded_l(beyond, block, threshold)
        if self._sum_l <= 0.0:
            # The excursion ended by itself: its height is what ordinary use can do here.
            self._tolerate()
            self._clear()
            return
        if beyond > _STEP_SIGMAS * block.sigma_l:
            self._step_l = max(self._step_l, beyond)
        self._date(block.start_s, before_l, threshold)
        self._lost_l += block.used_l - expected_l
        self._top_l = max(self._top_l, self._sum_l)
        # What one block alone brought about, the next must bear out: two wrong readings in a row
        # make such a block, and the errors of neighbours cancel.
        is_borne_out = (
            before_l >= _BORNE_OUT_FRAC * threshold
            or self._sum_l - before_l > _NO_NEED_TIMES * threshold
        )
        if self._sum_l > threshold and is_borne_out and self._learned_s >= _BLIND_S:
            self._latch(block.end_s, max(self._lost_l, self._sum_l))

    def _watch(self, block: UseBlock, expected_l: float, latched: _Latched) -> None:
        """Count what is lost while the alarm stands; let go when use is back in pattern."""
        length_s = block.end_s - block.start_s
        since_s = block.start_s if self._since_s is None else self._since_s
        if block.end_s - since_s > _TRUST_EXPECTATION_S:
            expected_l = min(expected_l, latched.normal_l_per_s * length_s)
        excess_l = block.used_l - expected_l
        self._lost_l = max(self._lost_l + excess_l, 0.0)
        # The first estimate rests on little; the longer it lasts, the better it is known.
        excess_l_per_s = min(latched.excess_l_per_s, self._lost_l / (block.end_s - since_s))
        half_l = 0.5 * excess_l_per_s * length_s
        step_l = self._bounded_l(half_l - excess_l, block, self.threshold_l)
        self._back_l = max(self._back_l + step_l, 0.0)
        if self._back_l > self.threshold_l:
            self.reset()

    def _bounded_l(self, beyond_l: float, block: UseBlock, threshold_l: float) -> float:
        """What one block may add; a block longer than usual rests on more readings."""
        length_s = block.end_s - block.start_s
        longer = length_s / (self._length_s or length_s)
        doubt_l = max(_BEYOND_DOUBT * threshold_l, _BEYOND_DOUBT_SIGMAS * block.sigma_l)
        if longer > _LONG_BLOCK and beyond_l > doubt_l:
            return beyond_l
        return min(beyond_l, min(_MOST_PER_BLOCK * longer, _MOST_PER_LONG_BLOCK) * threshold_l)

    def _tolerate(self) -> None:
        tolerable_l = _PEAK_FACTOR * min(self._top_l, self.threshold_l)
        if self._step_l > 0.0:
            # A pump's pulse comes again and again; a glitch does not.
            tolerable_l = max(tolerable_l, _STEP_FACTOR * min(self._step_l, self._last_step_l))
            self._last_step_l = self._step_l
        self._peak_l = max(self._peak_l, tolerable_l)

    def _clear(self) -> None:
        self._sum_l = self._top_l = self._step_l = self._lost_l = self._back_l = 0.0
        self._since_s = None
        self._latched = None

    def reset(self) -> None:
        """Let go of the alarm and start the sum anew; what was learned stays."""
        self._clear()

    def _verdict(self, now_s: float, open_l: float = 0.0) -> LossVerdict:
        since_s = self._since_s
        if since_s is None or now_s <= since_s:
            return LossVerdict(is_alarm=False, excess_l_per_h=0.0, since_s=None, lost_l=0.0)
        return LossVerdict(
            is_alarm=self._latched is not None,
            excess_l_per_h=(self._lost_l + open_l) / (now_s - since_s) * HOUR_S,
            since_s=since_s,
            lost_l=self._lost_l + open_l,
        )

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        latched = self._latched
        numbers = {name: getattr(self, f"_{name}") for name in (*_NUMBERS, *_OPTIONAL)}
        return numbers | {
            "latched": latched and [latched.excess_l_per_s, latched.normal_l_per_s],
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up a snapshot; ValueError when it is not one."""
        try:
            for name in _NUMBERS:
                value = float(data[name])
                # A sum that has just begun may hold less than was expected: that is no damage.
                least = -float("inf") if name == "lost_l" else 0.0
                if not isfinite(value) or value < least:
                    raise ValueError(f"{name} is {value}")
                setattr(self, f"_{name}", value)
            for name in _OPTIONAL:
                setattr(self, f"_{name}", None if data[name] is None else float(data[name]))
            latched = data["latched"]
            self._latched = None if latched is None else _Latched(*map(float, latched))
        except (KeyError, TypeError) as err:
            raise ValueError(f"not a loss test snapshot: {err!r}") from err
