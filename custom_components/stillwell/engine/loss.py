"""Sequential test for water that leaves without explanation. It warns; it never switches.

Page's cumulative sum (Page 1954, Biometrika 41:100), run on litres: every measured block adds
what was used beyond (1 + k) times the use expected at that hour, the sum never falls below 0,
and an alarm is raised above a threshold H. Summing litres rather than standardised blocks
suits a level signal: errors of neighbouring blocks cancel in the sum, so its noise is that of
two levels however long it runs.

Design (figures and how they were measured: docs/loss-test.md):
- k is exp(4 s) - 1, 0.4 to 1.4, with s the relative sigma of the expectation, and never less
  than 0.03 L/h: natural change of the use from day to day and an unknown pattern are no loss.
- H is the largest of five sigma of a block; two hours of use; 1.4 times the largest
  excursion that ended by itself in the past week or so; 2.5 times a step that came again if
  it stood out of the noise (a pump's pulse); and 0.12 L. In the first day of learning it is
  twice that, and at least eight hours of use; in the first three hours there is no alarm.
- One block adds at most 0.7 H; one longer than usual adds up to 0.9 H, and all of it when above H
  and six of its own sigma. A block that takes the sum from below H / 2 to above H raises no alarm
  before the next one bears it out, unless it adds more than 2 H.
- Water taken out at once is no leak. Before a sum above H / 2 raises an alarm the readings are
  asked whether they tell of a draw (``course``): then it is taken out of the sum, three times in
  a row and once more every two hours.
- The readings themselves raise the alarm when they tell of a steady fall: by five sigma, beyond
  what is allowed by an hour of use and at least 0.12 L, at 2.5 times the use or more, and with
  odds of twenty to one against a draw (a hundred and fifty to one where it is no more than six
  times the use). So a strong loss need not wait for blocks.
- The alarm latches until a second sum, running the other way at half the excess, shows that
  the use is back in pattern, until within two hours the readings tell of a draw after all, or
  until it is reset.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, isfinite
from typing import Any, Final

from .course import AtOnce, Course, Stories
from .quantities import DAY_S, HOUR_S, MINUTE_S, UseBlock

_LEAST_ALLOWANCE: Final = 0.4
_LEAST_ALLOWANCE_L_PER_S: Final = 0.03 / HOUR_S
"""Where next to nothing is used the noise, too, needs something to drain into."""
_MOST_ALLOWANCE: Final = 1.4
_ALLOWANCE_SIGMAS: Final = 4.0
_THRESHOLD_SIGMAS: Final = 5.0
_LEAST_THRESHOLD_L: Final = 0.12
_LEAST_HOURS_OF_USE: Final = 2.0
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
_FALL_HOURS_OF_USE: Final = 1.0
"""In the minutes of a steady fall use cannot have drifted as far as in hours."""
_FALL_SIGMAS: Final = 5.0
_NEAR_SIGMAS: Final = 2.5
_FALL_TIMES: Final = 2.5
_STRONG_TIMES: Final = 6.0
"""A fall that many times the expected use; a draw and a busy hour after it do not look like one."""
_STRONG_BETTER: Final = 6.0
_WEAK_BETTER: Final = 10.0
"""Twice the logarithm of the odds against a draw: 20 and 150 to one."""
_WORTH_FRAC: Final = 0.5
"""Readings fallen by that share of what a steady fall must have lost are worth a look."""
_DRAW_SIGMAS: Final = 5.0
_DRAW_BETTER: Final = 4.0
_DRAW_FRAC: Final = 0.25
_DRAWN_FRAC: Final = 0.6
"""An alarm is let go when a draw explains that share of what it counts as lost."""
_DRAW_REST_S: Final = 20 * MINUTE_S
"""What is left of a draw arrives in the blocks of that time."""
_DRAWS: Final = 3
_DRAW_EVERY_S: Final = 2 * HOUR_S
"""So many draws in a row are believed, and one more every so long: portions that go on are not."""
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


def _no_course() -> None:
    """No readings are at hand."""


@dataclass(frozen=True, slots=True)
class _Latched:
    """What was known when the alarm was raised."""

    excess_l_per_s: float
    normal_l_per_s: float


class LossTest:
    """One-sided sequential test of use against its learned pattern."""

    __slots__ = (
        "_allowance", "_back_l", "_draw_left", "_draws_free_s", "_last_step_l",
        "_latched", "_learned_s", "_length_s", "_lost_l", "_normal_l_per_s", "_peak_l", "_sigma_l",
        "_since_s", "_step_l", "_sum_l", "_top_l", "is_near",
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
        self.is_near = False
        """Whether the last look may become an alarm with a reading or two more."""
        self._draws_free_s = 0.0  # every draw puts that off, from now on at least
        self._draw_left: tuple[float, float] | None = None  # litres still to come, until when

    def add(
        self,
        block: UseBlock,
        expected_l: float | None,
        expected_rel_sigma: float,
        course: Callable[[], Course | None] = _no_course,
    ) -> LossVerdict:
        """Take in a block.

        Args:
            block: Closed span of use; skipped when it was not measured.
            expected_l: Use expected in it from the learned pattern; None while unknown.
            expected_rel_sigma: Relative sigma of that expectation.
            course: Gives the readings up to the block's end; asked only in doubt.
        """
        length_s = block.end_s - block.start_s
        is_usable = block.is_measured and isfinite(block.used_l) and length_s > 0.0
        if is_usable and expected_l is not None:
            self._learn(block, expected_l, length_s)
            if self._latched is None:
                self._suspect(block, expected_l, expected_rel_sigma, course)
            else:
                self._watch(block, expected_l, self._latched, course)
        return self._verdict(block.end_s)

    @property
    def normal_l_per_s(self) -> float:
        """Use of an ordinary day, L/s; what is used while an alarm stands does not count."""
        return self._normal_l_per_s or 0.0

    @property
    def is_standing(self) -> bool:
        """Whether the alarm stands."""
        return self._latched is not None

    @property
    def worth_l(self) -> float:
        """Litres that the newest readings must have fallen to be worth a look."""
        return _WORTH_FRAC * self._fall_threshold_l

    def look(self, course: Course, expected_l_per_s: float) -> LossVerdict | None:
        """Look at the newest readings; a strong loss need not wait for the end of a block.

        Nothing is learned from them, and their block is added when it is closed.

        Args:
            course: The readings.
            expected_l_per_s: Use expected now.

        Returns:
            The verdict when they raise the alarm, else None.
        """
        if self._latched is not None or self._learned_s < _BLIND_S:
            return None
        stories = Stories(course, expected_l_per_s)
        fall = stories.tell()[0]
        self.is_near = False
        if fall is None:
            return None
        allowed = max(self._allowance * expected_l_per_s, _LEAST_ALLOWANCE_L_PER_S)
        beyond = fall.l_per_s - allowed
        ran_s = stories.end_s - fall.since_s
        self.is_near = beyond > _NEAR_SIGMAS * fall.sigma_l_per_s and fall.better_than_at_once > 0.0
        is_strong = fall.l_per_s > _STRONG_TIMES * expected_l_per_s
        if (
            not self.is_near
            or beyond < _FALL_SIGMAS * fall.sigma_l_per_s
            or fall.litres - allowed * ran_s < self._fall_threshold_l
            or fall.l_per_s < _FALL_TIMES * expected_l_per_s
            or fall.better_than_at_once < (_STRONG_BETTER if is_strong else _WEAK_BETTER)
        ):
            return None
        # The open block adds its own part when it is closed.
        closed_s = min(max(course.open_s - fall.since_s, 0.0), ran_s)
        self._since_s, self._lost_l = fall.since_s, fall.l_per_s * closed_s
        self._latch(stories.end_s, fall.l_per_s * ran_s)
        return self._verdict(stories.end_s, fall.l_per_s * (ran_s - closed_s))

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
        sigma = self._sigma_l or 0.0
        threshold = max(_THRESHOLD_SIGMAS * sigma, self._peak_l, _LEAST_THRESHOLD_L)
        return self._patient_l(max(threshold, _LEAST_HOURS_OF_USE * self._hour_l))

    def _patient_l(self, threshold_l: float) -> float:
        """Return a threshold as it is in the first day, too."""
        if self._learned_s >= _LEARNING_S:
            return threshold_l
        return max(2.0 * threshold_l, _LEARNING_HOURS_OF_USE * self._hour_l)

    @property
    def _hour_l(self) -> float:
        """Litres used in an hour of an ordinary day."""
        return HOUR_S * (self._normal_l_per_s or 0.0)

    @property
    def _fall_threshold_l(self) -> float:
        """Litres of a steady fall beyond allowance; its noise is judged by its own sigma."""
        return self._patient_l(max(_FALL_HOURS_OF_USE * self._hour_l, _LEAST_THRESHOLD_L))

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

    def _suspect(
        self,
        block: UseBlock,
        expected_l: float,
        rel_sigma: float,
        course: Callable[[], Course | None],
    ) -> None:
        threshold = max(self.threshold_l, _THRESHOLD_SIGMAS * block.sigma_l)
        beyond = self._without_draw_l(block, self._beyond_l(block, expected_l, rel_sigma))
        before_l = self._sum_l
        self._sum_l += self._bounded_l(beyond, block, threshold)
        if self._sum_l > _BORNE_OUT_FRAC * threshold:
            beyond -= self._take_out_draw_l(block, expected_l, threshold, course())
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

    def _without_draw_l(self, block: UseBlock, beyond_l: float) -> float:
        """Return what a block adds without what is left of a draw."""
        if self._draw_left is None:
            return beyond_l
        left_l, until_s = self._draw_left
        part_l = min(max(beyond_l, 0.0), left_l)
        self._draw_left = None if block.end_s > until_s else (left_l - part_l, until_s)
        return beyond_l - part_l

    def _take_out_draw_l(
        self, block: UseBlock, expected_l: float, threshold: float, course: Course | None
    ) -> float:
        """Take what was drawn at once out of the sum, for it is no leak; return the litres."""
        now_s = block.end_s
        free_s = max(self._draws_free_s, now_s)
        if course is None or free_s - now_s > (_DRAWS - 1) * _DRAW_EVERY_S:
            return 0.0
        draw = self._draw(course, expected_l / (now_s - block.start_s), threshold)
        if draw is None:
            return 0.0
        taken_l = min(draw.litres, self._sum_l)
        self._sum_l -= taken_l
        self._lost_l -= taken_l
        self._draw_left = (draw.litres - taken_l, now_s + _DRAW_REST_S)
        self._draws_free_s = free_s + _DRAW_EVERY_S
        return taken_l

    def _draw(self, course: Course, expected_l_per_s: float, threshold: float) -> AtOnce | None:
        """Return what was drawn at once, where the readings leave little doubt of it."""
        draw = Stories(course, expected_l_per_s).tell()[1]
        if (
            draw is None
            or draw.litres < max(_DRAW_FRAC * threshold, _DRAW_SIGMAS * draw.sigma_l)
            or draw.better_than_steady < _DRAW_BETTER
        ):
            return None
        return draw

    def _watch(
        self,
        block: UseBlock,
        expected_l: float,
        latched: _Latched,
        course: Callable[[], Course | None],
    ) -> None:
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
        if self._back_l > self.threshold_l or self._was_drawn(block, expected_l, course):
            self.reset()

    def _was_drawn(
        self, block: UseBlock, expected_l: float, course: Callable[[], Course | None]
    ) -> bool:
        """Whether the readings now say that an alarm was raised by a draw."""
        since_s = block.end_s if self._since_s is None else self._since_s
        if block.end_s - since_s > _DRAW_EVERY_S:
            return False
        seen = course()
        if seen is None:
            return False
        expected_l_per_s = expected_l / (block.end_s - block.start_s)
        draw = self._draw(seen, expected_l_per_s, self.threshold_l)
        return draw is not None and draw.litres > _DRAWN_FRAC * self._lost_l

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

    def shift(self, by_s: float) -> None:
        """Move everything in time: the clock was set back."""
        if self._since_s is not None:
            self._since_s += by_s
        self._draws_free_s += by_s
        if self._draw_left is not None:
            left_l, until_s = self._draw_left
            self._draw_left = (left_l, until_s + by_s)

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
