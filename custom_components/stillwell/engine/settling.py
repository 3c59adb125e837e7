"""How long a sump's level takes to settle once the return pump runs, learned from its starts.

A pump that starts lifts water into the display, so the sump falls quickly and comes to rest on
the way of a first-order lag or with a few swings (weir, siphon). Each start is watched for a
while; the level at the end of it is the level at rest, and the level had settled when it last
lay outside a band around that: the definition of settling time in control engineering (IEC
60050-351:2013, 351-45-37, from memory), with the band set by what the sensor can tell.
"""

from collections import deque
from typing import Final

from .validity import numbers

WATCH_FLOOR_S: Final = 1200.0
WATCH_TIMES: Final = 3.0
"""A start is watched for this many times the settling time assumed, so that a longer one shows."""
LONGEST_S: Final = 3600.0
STARTS_NEEDED: Final = 3
"""Fewer starts than this only lengthen the time that was chosen."""
STARTS_KEPT: Final = 8
MARGIN: Final = 1.25
SHORTEST_S: Final = 30.0
REST_FRAC: Final = 0.25
"""The last quarter of the watch shows the level at rest."""
FEWEST_AT_REST: Final = 3
SAMPLES_KEPT: Final = 4096
BAND_SIGMAS: Final = 3.0
BAND_STEPS: Final = 1.5
BAND_FRAC: Final = 0.005
"""Share of the vessel's volume that matters to nobody, however fine the sensor."""


def band_l(high_l: float, noise_l: float | None, resolution_l: float | None) -> float:
    """Return by how much a level at rest may differ from itself (L), by what the sensor tells."""
    return max(
        BAND_FRAC * high_l, BAND_SIGMAS * (noise_l or 0.0), BAND_STEPS * (resolution_l or 0.0)
    )


class SettlingTime:
    """Learns the settling time of one return pump from readings of the level."""

    __slots__ = ("_chosen_s", "_high_l", "_samples", "_since_s", "_times")

    def __init__(self, chosen_s: float, high_l: float) -> None:
        """Begin with the time the keeper chose (s) and the vessel's high limit (L)."""
        self._chosen_s = chosen_s
        self._high_l = high_l
        self._times: deque[float] = deque(maxlen=STARTS_KEPT)
        self._since_s: float | None = None
        self._samples: list[tuple[float, float]] = []

    def choose(self, chosen_s: float) -> None:
        """Take another time that the keeper chose (s); what was learned stays."""
        self._chosen_s = chosen_s

    @property
    def value_s(self) -> float:
        """How long to wait after a start (s).

        The longest of the last starts with a margin; while there are few, no shorter than chosen.
        """
        if not self._times:
            return self._chosen_s
        learned_s = min(LONGEST_S, max(SHORTEST_S, MARGIN * max(self._times)))
        if len(self._times) < STARTS_NEEDED:
            return max(self._chosen_s, learned_s)
        return learned_s

    @property
    def times_s(self) -> tuple[float, ...]:
        """Settling times seen so far (s), oldest first."""
        return tuple(self._times)

    def started(self, t_s: float) -> None:
        """Note that the pump has started."""
        self._since_s = t_s
        self._samples.clear()

    def disturbed(self) -> None:
        """Give the present watch up: the pump has stopped, or water was moved otherwise."""
        self._since_s = None
        self._samples.clear()

    def reading(
        self, t_s: float, level_l: float, noise_l: float | None, resolution_l: float | None
    ) -> bool:
        """Take an accepted level; return whether a settling time was learned from it.

        Args:
            t_s: Time of the reading (s).
            level_l: The level as a volume (L).
            noise_l: Standard deviation of one reading (L), if known.
            resolution_l: Rounding step of the sensor (L), if known.
        """
        since_s = self._since_s
        if since_s is None:
            return False
        if t_s < since_s or len(self._samples) >= SAMPLES_KEPT:
            self.disturbed()
            return False
        self._samples.append((t_s, level_l))
        watch_s = max(WATCH_FLOOR_S, WATCH_TIMES * self.value_s)
        if t_s - since_s < watch_s:
            return False
        within_l = band_l(self._high_l, noise_l, resolution_l)
        took_s = _settled_after_s(self._samples, since_s, watch_s, within_l)
        self.disturbed()
        if took_s is None:
            return False
        self._times.append(min(took_s, LONGEST_S))
        return True

    def snapshot(self) -> list[float]:
        """Return what must outlive the hub, in JSON types."""
        return list(self._times)

    def restore(self, data: object) -> None:
        """Take up a snapshot.

        Raises:
            ValueError: It is no list of times.
        """
        times_s = numbers(data)
        if not all(0.0 <= value <= LONGEST_S for value in times_s):
            raise ValueError(f"not settling times: {times_s}")
        self._times.extend(times_s)


def _settled_after_s(
    samples: list[tuple[float, float]], since_s: float, watch_s: float, within_l: float
) -> float | None:
    """Return when the level last came into the band around rest, s after the start.

    None when readings are too few to tell, or when the last quarter is itself no rest.
    """
    rest = sorted(level for t_s, level in samples if t_s - since_s >= (1.0 - REST_FRAC) * watch_s)
    if len(rest) < FEWEST_AT_REST:
        return None
    rest_l = rest[len(rest) // 2]
    # Medians of three: the level moves slowly, so a single reading outside is noise.
    calm = [
        (at[0], sorted((before[1], at[1], after[1]))[1])
        for before, at, after in zip(samples, samples[1:], samples[2:], strict=False)
    ]
    outside = [t_s for t_s, level_l in calm if abs(level_l - rest_l) > within_l]
    if not outside:
        return 0.0
    if outside[-1] - since_s >= (1.0 - REST_FRAC) * watch_s:
        # Not at rest yet: it takes at least this long, which is told by waiting longer next time.
        return watch_s
    return next(t_s for t_s, _ in samples if t_s > outside[-1]) - since_s
