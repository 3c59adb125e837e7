"""Watches a sump's return pump: what each stop brings down, and whether that finds room.

The level before a stop is the middle of what was read while the pump ran and the level had
settled; the level after it is read once it rests: over two minutes and four readings it stays
inside the band that `settling` uses. Until the pump runs again a stop that brings more still
counts for more. Nothing is learned from a stop while water is moved otherwise, nor from one of
which the hub did not see the begin.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from .drain_down import DrainDown
from .geometry import Vessel
from .quantities import MINUTE_S
from .settling import LONGEST_S, SettlingTime, band_l
from .validity import DamagedError, InputFault

REST_S: Final = 2 * MINUTE_S
FEWEST_AT_REST: Final = 4
RUNNING_S: Final = 10 * MINUTE_S
"""Readings older than this say nothing of the level at the stop."""
LAG_S: Final = 30.0
"""A running contact may tell of a stop when the water is already coming down."""
FEWEST_RUNNING: Final = 3
KEPT: Final = 256


@dataclass(frozen=True, slots=True)
class DrainView:
    """What may be shown; None is not known."""

    free_l: float | None = None
    """From the present level to the rim, L."""
    needed_l: float | None = None
    """What comes down when the pump stops, with a margin, L."""
    comes_down_l: float | None = None
    """The largest of the last stops, L."""
    spare_l: float | None = None
    """Room left after a power cut now, L; below 0 that much goes over the rim."""
    would_flood: bool | None = None
    highest_safe_m: float | None = None
    """Highest running level that leaves the room, m."""


class PumpStops:
    """Learns from one return pump and the level of the sump it draws from."""

    __slots__ = (
        "_before_l",
        "_drain",
        "_high_l",
        "_is_flooding",
        "_is_noted",
        "_on",
        "_on_since_s",
        "_rim_m",
        "_running",
        "_samples",
        "_settling",
        "_stopped_s",
        "_sump",
    )

    def __init__(self, sump: Vessel, rim_m: float, high_m: float, settle_s: float) -> None:
        """Begin with the sump's shape, its rim and high limit (m), and a settling time (s)."""
        self._sump = sump
        self._rim_m = rim_m
        self._high_l = sump.volume_l(high_m)
        self._settling = SettlingTime(settle_s, self._high_l)
        self._drain = DrainDown()
        self._on: bool | None = None
        self._on_since_s: float | None = None
        self._running: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._before_l: float | None = None
        self._stopped_s: float | None = None
        self._samples: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._is_noted = False
        self._is_flooding = False

    def choose_settling(self, settle_s: float) -> None:
        """Take the settling time that the keeper chose (s); what was learned stays."""
        self._settling.choose(settle_s)

    def pump(self, t_s: float, *, on: bool | None) -> None:
        """Take what is known of the pump: runs, stands, or None for not known."""
        was, self._on = self._on, on
        if on is was:
            return
        self._settling.disturbed()
        if on is False and was:
            self._begin_stop(t_s)
        else:
            self._stopped_s = None
        self._running.clear()
        self._on_since_s = t_s if on else None
        if on and was is False:
            self._settling.started(t_s)

    def _begin_stop(self, t_s: float) -> None:
        recent = [(at_s, level_l) for at_s, level_l in self._running if t_s - at_s <= RUNNING_S]
        calm = [level_l for at_s, level_l in recent if t_s - at_s >= LAG_S]
        self._stopped_s, self._is_noted = None, False
        self._samples.clear()
        if len(calm) >= FEWEST_RUNNING:
            self._stopped_s = t_s
            self._before_l = sorted(calm)[len(calm) // 2]

    def disturbed(self) -> None:
        """Give the present watch up: water is moved otherwise."""
        self._settling.disturbed()
        self._running.clear()
        self._stopped_s = None

    def level(
        self, t_s: float, level_l: float, noise_l: float | None, resolution_l: float | None
    ) -> bool:
        """Take a level that is to be believed (L); return whether something was learned."""
        if self._on:
            learned = self._settling.reading(t_s, level_l, noise_l, resolution_l)
            if self.is_settled(t_s):
                self._running.append((t_s, level_l))
            return learned
        stopped_s = self._stopped_s
        if stopped_s is None:
            return False
        if not 0.0 <= t_s - stopped_s <= LONGEST_S:
            self._stopped_s = None
            return False
        self._samples.append((t_s, level_l))
        return self._look(band_l(self._high_l, noise_l, resolution_l))

    def _look(self, within_l: float) -> bool:
        """Whether the level rests, and more came down than was noted."""
        rest = self._last()
        if self._before_l is None or rest is None or max(rest) - min(rest) > within_l:
            return False
        settled_l = sorted(rest)[len(rest) // 2]
        if settled_l - self._before_l <= within_l:
            # Nothing came down that could be told from nothing: no stop to learn from.
            return False
        if not self._is_noted:
            self._is_noted = True
            self._drain.stopped(self._before_l, settled_l)
            return True
        return self._drain.corrected(self._before_l, settled_l)

    def _last(self) -> list[float] | None:
        """Return the newest readings that span the time of rest."""
        now_s = self._samples[-1][0]
        found: list[float] = []
        for at_s, level_l in reversed(self._samples):
            found.append(level_l)
            if len(found) >= FEWEST_AT_REST and now_s - at_s >= REST_S:
                return found
        return None

    def is_settled(self, t_s: float) -> bool:
        """Whether the pump has run long enough for the level to mean something."""
        since_s = self._on_since_s
        return since_s is not None and t_s - since_s >= self._settling.value_s

    def view(self, t_s: float, level_l: float | None) -> DrainView:
        """Return what may be shown at a level (L).

        While the pump stands or the level settles nobody can say what is still to come down;
        then only the room that is free is told.
        """
        needed_l, sump, rim_m = self._drain.needed_l, self._sump, self._rim_m
        if level_l is None:
            room = self._drain.room(sump, 0.0, rim_m)
            free_l = None
        else:
            level_m = sump.depth_m(min(max(level_l, 0.0), sump.capacity_l))
            room = self._drain.room(sump, level_m, rim_m)
            free_l = sump.volume_l(rim_m) - sump.volume_l(level_m)
        if room is None:
            self._is_flooding = False
            return DrainView(free_l)
        view = DrainView(
            free_l=free_l,
            needed_l=needed_l,
            comes_down_l=self._drain.largest_l,
            highest_safe_m=room.highest_safe_m,
        )
        if level_l is None or not self.is_settled(t_s):
            return view
        # Once said it stands until the room is back beyond doubt.
        least_l = band_l(self._high_l, None, None) if self._is_flooding else 0.0
        self._is_flooding = room.spare_l < least_l
        return replace(view, spare_l=room.spare_l, would_flood=self._is_flooding)

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned."""
        return {"drain": self._drain.snapshot(), "settle_s": self._settling.snapshot()}

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take up a snapshot.

        Raises:
            ValueError: It is damaged; nothing was taken up.
        """
        drain = data.get("drain")
        if not isinstance(drain, dict):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "no record of stops")
        restored = DrainDown.restore(drain)
        self._settling.restore(data.get("settle_s"))
        self._drain = restored
