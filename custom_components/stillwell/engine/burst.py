"""Water that leaves fast and goes on leaving: a burst hose, and no bucket.

The balance calls a fall faster than any use a drop and keeps it out of the use; the sequential
test of the use therefore never sees it. A bucket is over at once. What still falls minutes
later is told here. It warns, it switches nothing.
"""

from collections.abc import Iterable
from statistics import median
from typing import Final

from .loss import LossVerdict
from .quantities import HOUR_S, MINUTE_S

TOLD_AFTER_S: Final = 5 * MINUTE_S
LEAST_FRAC: Final = 0.01
"""A fall of less than this share of the capacity in that time is no burst."""
_FEWEST: Final = 3


class BurstWatch:
    """Watches a drop for as long as it lasts."""

    __slots__ = ("_from_l", "_since_s", "verdict")

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._from_l = 0.0
        self.verdict: LossVerdict | None = None
        """The warning, until the drop is over or it is accepted."""

    def look(
        self,
        t_s: float,
        samples: Iterable[tuple[float, float]],
        capacity_l: float,
        *,
        is_draining: bool,
    ) -> None:
        """Look at the present drop, if there is one.

        Args:
            t_s: Time of the newest sample.
            samples: Accepted samples, oldest first: time and volume (s, L).
            capacity_l: Volume of the whole vessel.
            is_draining: Whether the balance sees a drop now.
        """
        if not is_draining:
            self._since_s = self.verdict = None
            return
        kept = list(samples)
        if self._since_s is None:
            self._since_s = t_s
            self._from_l = max((volume_l for _, volume_l in kept), default=0.0)
        earlier = [x for x in kept if self._since_s <= x[0] <= t_s - TOLD_AFTER_S][-_FEWEST:]
        latest = kept[-_FEWEST:]
        if not earlier:
            return
        now_l = median(v for _, v in latest)
        fallen_l = median(v for _, v in earlier) - now_l
        if fallen_l < LEAST_FRAC * capacity_l:
            return
        took_s = median(at_s for at_s, _ in latest) - median(at_s for at_s, _ in earlier)
        if took_s <= 0.0:
            return  # reports so rare that one sample stands in both: the next look tells
        lost_l = max(self._from_l - now_l, 0.0)
        self.verdict = LossVerdict(
            is_alarm=True,
            excess_l_per_h=fallen_l / took_s * HOUR_S,
            since_s=self._since_s,
            lost_l=lost_l,
        )

    def shift(self, by_s: float) -> None:
        """Move a drop in time: the clock was set back."""
        if self._since_s is not None:
            self._since_s += by_s

    def accept(self) -> None:
        """Take the drop as known; it is told again only if a new one begins."""
        self.verdict = None
