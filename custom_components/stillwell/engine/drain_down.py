"""What comes down when the return pump stops, and whether the sump has room for it."""

from collections import deque
from typing import Any, Final

from .quantities import MINUTE_S
from .validity import not_negative, numbers, positive

STOPS_KEPT: Final = 10
SETTLES_AFTER_S: Final = 3 * MINUTE_S
LONGEST_S: Final = 30 * MINUTE_S
"""Later the rise may be top-off as well."""
RESERVE_FRAC: Final = 0.1
"""Kept free beyond the largest drain-down seen (common practice, no source)."""


class DrainDown:
    """Learns, from each stop of the return pump, how much water comes down.

    The largest of the last ten stops counts, not their mean: a siphon break that clogs once is
    reason enough.
    """

    __slots__ = ("_highest_l", "_stop_l", "_stop_s", "_stops")

    def __init__(self) -> None:
        self._stops: deque[float] = deque(maxlen=STOPS_KEPT)
        self._stop_s: float | None = None
        self._stop_l = 0.0
        self._highest_l: float | None = None

    @property
    def volume_l(self) -> float | None:
        """Largest volume that came down, L; None before the first stop."""
        return max(self._stops, default=None)

    def stopped(self, t_s: float, sump_l: float) -> None:
        """Note that the pump stopped (s), with the sump's volume just before (L)."""
        self._stop_s, self._stop_l, self._highest_l = t_s, sump_l, None

    def level(self, t_s: float, sump_l: float) -> None:
        """Take the sump's volume (L) while the pump stands still."""
        if self._stop_s is None or not SETTLES_AFTER_S <= t_s - self._stop_s <= LONGEST_S:
            return
        if self._highest_l is None or sump_l > self._highest_l:
            self._highest_l = sump_l

    def started(self) -> None:
        """Note that the pump runs again; a stop too short to settle teaches nothing."""
        if self._stop_s is not None and self._highest_l is not None:
            self._stops.append(max(0.0, self._highest_l - self._stop_l))
        self._stop_s = self._highest_l = None

    def margin_l(self, sump_l: float, rim_l: float) -> float | None:
        """Return the room left if the pump stopped now, L; below 0 it ends on the floor.

        Args:
            sump_l: Volume in the running sump.
            rim_l: Volume up to the sump's rim.

        Raises:
            InputError: A rim without volume, or a negative volume.
        """
        positive("the volume to the rim", rim_l, "L")
        not_negative("a volume", sump_l, "L")
        return None if (down_l := self.volume_l) is None else rim_l - sump_l - down_l

    def highest_safe_l(self, rim_l: float) -> float | None:
        """Return the largest volume to run the sump at, L, with a reserve; None: not known.

        Raises:
            InputError: A rim without volume.
        """
        positive("the volume to the rim", rim_l, "L")
        if (down_l := self.volume_l) is None:
            return None
        return max(0.0, rim_l - (1.0 + RESERVE_FRAC) * down_l)

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned."""
        return {"stops": list(self._stops)}

    @classmethod
    def restore(cls, data: dict[str, Any]) -> DrainDown:
        """Return what a snapshot holds.

        Raises:
            ValueError: The snapshot is damaged.
        """
        learned = cls()
        for stop_l in numbers(data.get("stops")):
            learned._stops.append(not_negative("a volume", stop_l, "L"))
        return learned
