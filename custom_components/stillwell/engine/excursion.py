"""A change of level that is not use while it lasts: a fill, a pour or a fast drop."""

from dataclasses import dataclass, field
from typing import Final

from .level_filter import LevelFilter

DRIFT_SIGMA: Final = 0.5
"""Reference value k of the cumulative sums, in standard deviations."""

_END_LIMIT: Final = 6.0
_CLIP: Final = 3.0
"""One sample counts for no more standard deviations, so that a spike ends no fill ..."""

_FAR: Final = 12.0
"""... unless it is so far off that no spike would have been let through."""

_FLOW_WANDER: Final = 0.02
"""The rate of a fill wanders by this share of itself in ten minutes."""


@dataclass(slots=True)
class Excursion:
    """Follows a rise (sign 1) or a fast fall (sign -1) until the level rests again."""

    sign: int
    start_s: float
    from_l: float
    from_var: float
    carry_l_per_s: float
    """Use that goes on underneath, L/s."""
    resting_flow_l_per_s: float
    """A flow slower than this counts as rest."""
    usual_l_per_s: float | None = None
    """Rate of past fills, L/s."""
    is_attended: bool = False
    is_announced: bool = False
    tracker: LevelFilter | None = None
    n_samples: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    gap_s: float = 0.0
    _sum: float = 0.0
    _saved: LevelFilter | None = None
    _since: list[tuple[float, float]] = field(default_factory=list)
    """Samples since the level seems to rest: (t_s, level_l)."""

    @property
    def flow_l_per_s(self) -> float | None:
        """Rate of change of level, L/s, once there are three samples."""
        if self.tracker is None or self.n_samples < 3:
            return None
        return self.tracker.flow_l_per_s

    def take(self, t_s: float, level_l: float, var: float, width_l: float) -> bool:
        """Take one sample; True when the excursion has ended."""
        self.n_samples += 1
        self.last_s = t_s
        tracker = self.tracker
        if tracker is None:
            self.tracker = self._begin(t_s, level_l, var + width_l * width_l / 12.0)
            self.first_s = t_s
            return False
        wander = _FLOW_WANDER * tracker.flow_l_per_s
        before = tracker.copy() if self._sum == 0.0 else None
        tracker.advance(t_s, 0.0, wander * wander / 600.0)
        spread = (tracker.p_ll + var + width_l * width_l / 12.0) ** 0.5
        off = -self.sign * (level_l - tracker.level_l) / spread
        is_far = off > _FAR
        self._sum = max(0.0, self._sum + min(off, _CLIP) - DRIFT_SIGMA)
        if self._sum == 0.0:
            self._saved = None
            self._since.clear()
        else:
            if before is not None:
                self._saved = before
            self._since.append((t_s, level_l))
            del self._since[:-64]
            if is_far or self._sum > _END_LIMIT:
                return True
        tracker.observe(level_l, var, width_l)
        return self._is_resting()

    def _begin(self, t_s: float, level_l: float, var: float) -> LevelFilter:
        usual = self.usual_l_per_s
        if usual is None:
            return LevelFilter.begin(t_s, level_l, var, 0.0, 1.0)
        return LevelFilter.begin(t_s, level_l, var, usual, usual * usual)

    def _is_resting(self) -> bool:
        """Whether the tracked flow is surely too slow to be a fill or a burst."""
        tracker = self.tracker
        if tracker is None or self.n_samples < 3:
            return False
        return self.sign * tracker.flow_l_per_s + 2.0 * max(0.0, tracker.p_ff) ** 0.5 < (
            self.resting_flow_l_per_s
        )

    def close(self) -> tuple[float, float, list[tuple[float, float]]]:
        """Return when it ended, the level then, and the samples since."""
        tracker, saved = self.tracker, self._saved
        if tracker is None:
            return self.start_s, self.from_l, []
        if saved is None or not self._since or self.n_samples - len(self._since) < 3:
            if self._since:
                level = sum(z for _, z in self._since) / len(self._since)
                return self.first_s, level, list(self._since)
            return self.first_s, tracker.start_l, []
        level = sum(z for _, z in self._since) / len(self._since)
        flow = saved.flow_l_per_s
        ran_s = (level - saved.level_l) / flow if self.sign * flow > 0.0 else 0.0
        end_s = min(max(saved.t_s, saved.t_s + ran_s), self._since[-1][0])
        return end_s, level, [s for s in self._since if s[0] >= end_s]
