"""What comes down into the sump when the return pump stops, and whether it finds room.

A siphon that is not broken drains more than any learned stop showed: a hole or air gap at the
outlet, tried by stopping the pump by hand, is what protects the floor. This only warns.
"""

from collections import deque
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from .geometry import Vessel
from .validity import DamagedError, InputFault, not_negative, within

STOPS_KEPT: Final = 10
MARGIN_FRAC: Final = 0.1
"""Above the largest stop seen (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Room:
    """Whether a power cut now would stay inside the sump."""

    free_l: float
    """From the present level to the rim."""
    needed_l: float
    spare_l: float
    """Below 0: that much would go over the rim."""
    highest_safe_m: float | None
    """Highest running level that leaves the room; None: there is none above the floor."""

    @property
    def is_safe(self) -> bool:
        """Whether it would stay inside."""
        return self.spare_l >= 0.0


class DrainDown:
    """Learns from every stop of the return pump."""

    __slots__ = ("_stops_l",)

    def __init__(self) -> None:
        self._stops_l: deque[float] = deque(maxlen=STOPS_KEPT)

    def stopped(self, running_l: float, settled_l: float) -> None:
        """Note a stop: the sump's volume before it and after all had come down, L.

        Raises:
            InputError: The sump fell: something else happened too.
        """
        down_l = not_negative("what came down", settled_l - running_l, "L")
        self._stops_l.append(down_l)

    def corrected(self, running_l: float, settled_l: float) -> bool:
        """Let the last stop count for more, if more came down; return whether it did."""
        if not self._stops_l or settled_l - running_l <= self._stops_l[-1]:
            return False
        self._stops_l[-1] = settled_l - running_l
        return True

    @property
    def largest_l(self) -> float | None:
        """The largest of the last stops, L; None: none seen."""
        return max(self._stops_l, default=None)

    @property
    def needed_l(self) -> float | None:
        """Volume to keep free, L: the largest of the last stops and a tenth; None: none seen."""
        return max(self._stops_l) * (1.0 + MARGIN_FRAC) if self._stops_l else None

    def room(self, sump: Vessel, running_m: float, rim_m: float) -> Room | None:
        """Return the room at a running level; None before any stop was seen.

        Args:
            sump: Its shape.
            running_m: Level now, pump running, m.
            rim_m: Height water may rise to, m.

        Raises:
            InputError: Rim or level outside the sump.

        Source: conservation of volume.
        """
        within("the rim", rim_m, 0.0, sump.height_m, unit="m")
        within("the level", running_m, 0.0, sump.height_m, unit="m")
        needed = self.needed_l
        if needed is None:
            return None
        rim_l = sump.volume_l(rim_m)
        free = rim_l - sump.volume_l(running_m)
        safe_l = rim_l - needed
        highest = sump.depth_m(safe_l) if safe_l > 0.0 else None
        return Room(free, needed, free - needed, highest)

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned."""
        return {"stops_l": list(self._stops_l)}

    @classmethod
    def restore(cls, data: dict[str, Any]) -> DrainDown:
        """Return what a snapshot holds.

        Raises:
            ValueError: The snapshot is damaged.
        """
        stops = data.get("stops_l")
        if not isinstance(stops, list) or not all(
            isinstance(stop, int | float) and isfinite(stop) and stop >= 0.0 for stop in stops
        ):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of stops")
        found = cls()
        found._stops_l.extend(float(stop) for stop in stops)
        return found
