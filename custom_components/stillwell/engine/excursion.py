"""A change of level that is not use while it lasts: a fill, a pour or a fast drop."""

from dataclasses import dataclass
from math import sqrt
from typing import Final

from .level_filter import LevelFilter, LevelState

DRIFT_SIGMA: Final = 0.5
"""Reference value k of the cumulative sums, in standard deviations."""

LIMIT_SIGMA: Final = 8.0
"""Decision limit h for the beginning of an excursion."""

_END_LIMIT_SIGMA: Final = 6.0
_CLIP: Final = 3.0
"""One sample counts for no more standard deviations, so that a spike ends no fill ..."""

_FAR: Final = 12.0
"""... unless it is so far off that no spike would have been let through."""

_FLOW_WANDER_FRAC: Final = 0.02
"""The rate of a fill wanders by this share of itself in ten minutes."""

_SURE_SAMPLES: Final = 3


@dataclass(slots=True)
class Trend:
    """A one-sided cumulative sum, and what was known when it left zero.

    Source: E. S. Page, Continuous inspection schemes, Biometrika 41 (1954).
    """

    total: float = 0.0
    saved: LevelState | None = None
    n: int = 0
    last_l: tuple[float, ...] = ()
    """The last three readings."""
    off_l: float = 0.0
    """Mean distance from the prediction since it left zero."""
    later: LevelState | None = None
    """What was known later, to take the place of ``saved``."""

    def clear(self) -> None:
        """Start again from zero."""
        self.total, self.saved, self.later, self.n = 0.0, None, None, 0

    def keep_up(self, span_s: float, before: LevelState) -> None:
        """Renew what is saved, so that it is no older than two spans.

        A probe that swings with the room keeps the sum off zero for hours; what it was then is
        no place to measure a rise of now from.
        """
        newest = self.later or self.saved
        if newest is not None and before[0] - newest[0] > span_s:
            self.saved, self.later = newest, before

    def count(self, off_l: float, spread_l: float, level_l: float, before: LevelState) -> None:
        """Take one reading that is ``off_l`` in the direction watched."""
        total = self.total + min(off_l / spread_l, 4.0) - DRIFT_SIGMA
        if total <= 0.0:
            self.clear()
            return
        if self.saved is None:
            self.saved, self.last_l, self.off_l = before, (), 0.0
        self.total = min(total, 4.0 * LIMIT_SIGMA)
        self.n += 1
        self.last_l = (*self.last_l[-2:], level_l)
        self.off_l += (off_l - self.off_l) / self.n


class Excursion:
    """Follows a rise (sign 1) or a fast fall (sign -1) until the level rests again."""

    __slots__ = (
        "_ahead",
        "_behind",
        "_is_at_rest",
        "_last",
        "_saved",
        "_since",
        "_since_s",
        "_sum",
        "began_s",
        "first_s",
        "from_l",
        "is_announced",
        "is_attended",
        "least_l",
        "n_samples",
        "resting_l_per_s",
        "sign",
        "start_s",
        "tracker",
        "usual_l_per_s",
    )

    def __init__(
        self,
        sign: int,
        start_s: float,
        from_l: float,
        resting_l_per_s: float,
        least_l: float,
        *,
        usual_l_per_s: float | None = None,
    ) -> None:
        self.sign = sign
        self.start_s = start_s
        """When the level was last in order."""
        self.began_s = start_s
        """When it was last where it had been."""
        self.least_l = least_l
        self.from_l = from_l
        self.resting_l_per_s = resting_l_per_s
        """A flow slower than this counts as rest."""
        self.usual_l_per_s = usual_l_per_s
        """Rate of past fills."""
        self.is_attended = False
        """The fill device was on."""
        self.is_announced = False
        self.tracker = LevelFilter.begin(start_s, from_l, 0.0, 0.0, 0.0)
        """The line through the samples; before the first it stands where the level was."""
        self.n_samples = 0
        self.first_s = start_s
        self._is_at_rest = False
        self._ahead = 0
        self._last = (start_s, from_l)
        self._sum = 0.0
        self._saved: LevelState | None = None
        self._since_s = start_s
        self._behind: list[float] = []  # how far behind the line each of them is
        self._since: list[float] = []  # readings since the level seems to rest

    @property
    def flow_l_per_s(self) -> float | None:
        """Rate of change of level, L/s, once there are three samples."""
        return None if self.n_samples < _SURE_SAMPLES else self.tracker.flow_l_per_s

    @property
    def flow_sigma(self) -> float:
        """One standard deviation of ``flow_l_per_s``."""
        return sqrt(max(0.0, self.tracker.p_ff))

    @property
    def moved_l(self) -> float:
        """Litres the level has moved in the direction of the excursion."""
        return self.sign * (self.tracker.level_l - self.from_l)

    def take(self, t_s: float, level_l: float, var: float, width_l: float) -> bool:
        """Take one sample; True when the level rests again."""
        rounding = width_l * width_l / 12.0
        if self.n_samples == 0:
            self._take_first(t_s, level_l, var + rounding)
            return False
        self.n_samples += 1
        tracker = self.tracker
        before = tracker.state()
        wander = _FLOW_WANDER_FRAC * tracker.flow_l_per_s
        tracker.advance(t_s, wander * wander / 600.0)
        spread_l = sqrt(tracker.p_ll + var + rounding)
        behind_l = -self.sign * (level_l - tracker.level_l)
        off = behind_l / spread_l
        self._sum = max(0.0, self._sum + min(off, _CLIP) - DRIFT_SIGMA)
        if self._sum == 0.0:
            self._saved = None
            self._since.clear()
            self._behind.clear()
        else:
            if self._saved is None:
                self._saved, self._since_s = before, t_s
            self._since.append(level_l)
            self._behind.append(behind_l)
            if off > _FAR or (self._sum > _END_LIMIT_SIGMA and self._is_left_behind(spread_l)):
                return True
        self._ahead = self._ahead + 1 if off < -_CLIP else 0
        if self._ahead > 1:
            self._ahead = 0
            self._straighten(t_s, level_l, var + rounding)
        else:
            tracker.observe(level_l, var, width_l)
        self._last = (t_s, level_l)
        self._is_at_rest = (
            self.n_samples >= _SURE_SAMPLES
            and self.sign * tracker.flow_l_per_s + 2.0 * self.flow_sigma < self.resting_l_per_s
        )
        return self._is_at_rest

    def _is_left_behind(self, spread_l: float) -> bool:
        """Whether the line was left by more than a pulse drawn while it fills."""
        last = sorted(self._behind[-_SURE_SAMPLES:])
        return last[len(last) // 2] > max(2.0 * spread_l, 0.5 * self.least_l)

    def _take_first(self, t_s: float, level_l: float, var: float) -> None:
        """Begin the line, unless the level is still where it was."""
        moved_l = self.sign * (level_l - self.from_l)
        if not self.is_attended and moved_l < 0.5 * self.least_l:
            self.began_s = t_s
            return
        self.n_samples = 1
        self.first_s = t_s
        usual = self.usual_l_per_s
        flow, flow_var = (0.0, 1.0) if usual is None else (usual, usual * usual)
        self.tracker = LevelFilter.begin(t_s, level_l, var, flow, flow_var)
        self._last = (t_s, level_l)

    def _straighten(self, t_s: float, level_l: float, var: float) -> None:
        """Begin the line again: its first sample was taken before the flow was full."""
        at_s, at_l = self._last
        self.tracker = LevelFilter.begin(at_s, at_l, var, 0.0, 1.0)
        self.tracker.advance(t_s, 0.0)
        self.tracker.observe(level_l, var, 0.0)

    def bend(self, t_s: float, var: float) -> None:
        """Go on although the line was left: the device is on, so the flow has changed.

        The line begins again where the readings left it; without this it would run on at the
        old rate for as long as the device is on.
        """
        if self._saved is None or not self._since:
            return
        at_l, level_l = self._since[0], self._since[-1]
        self.tracker = LevelFilter.begin(self._since_s, at_l, var, 0.0, 1.0)
        if t_s > self._since_s:
            self.tracker.advance(t_s, 0.0)
            self.tracker.observe(level_l, var, 0.0)
        self._last = (t_s, level_l)
        self._sum, self._saved = 0.0, None
        self._since.clear()
        self._behind.clear()

    def end(self) -> tuple[float, float]:
        """Return when it ended and the level then."""
        tracker, saved = self.tracker, self._saved
        if self._is_at_rest:
            return self.first_s, tracker.start_l
        if saved is None:
            return tracker.t_s, tracker.level_l
        last = sorted(self._since[-_SURE_SAMPLES:])
        level_l = last[len(last) // 2]
        if self.n_samples - len(self._since) < _SURE_SAMPLES:
            return self._since_s, level_l
        t_s, from_l, flow = saved[0], saved[1], saved[2]
        ran_s = (level_l - from_l) / flow if self.sign * flow > 0.0 else 0.0
        return min(max(t_s, t_s + ran_s), tracker.t_s), level_l
