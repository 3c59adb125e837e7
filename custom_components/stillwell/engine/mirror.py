"""A drain line seen by the guard of a fill line: the vessel upside down.

The guard knows one thing, a volume that rises while a device is on, and is proved for it. What
has left a vessel rises while the vessel is drained. So a drain is guarded by the same state
machine, unchanged, over the room above the water, ``capacity - volume``:

- The high limit is the drain mark (the empty mark, below which the return pump draws air). One
  valid reading at or below it stops the drain at once, whoever started it.
- "The level does not rise" is a drain that runs and takes nothing: pump dry, hose blocked,
  valve shut. "Rises while off" is a valve that leaks or a siphon that was not broken.
- Longest run, budgets of 24 hours, lost signal, inputs, settling, return pump, hand runs,
  lockout and stuck device mean what they mean for a fill. A leak input at the drain's end
  locks it out as it would a fill.
- No mark of a fill is passed on (``start_l``): there is no level at which a drain is due.

Two things are not alike. A sump loses water by evaporation too, so its mirror image rises for
ever: the step that is told from noise is therefore no less than `STEP_FRAC` of the vessel, and
"rises while off" needs at least an eighth of the slowest rate that could empty the vessel within
the longest run, which is far above what evaporates. And the rate learned from the vessel's fills
says nothing of the drain: it is not passed on, so pours are not told from leaks (a bucket taken
out within two windows is over too soon to count).
"""

from dataclasses import replace
from typing import Final

from .geometry import Vessel
from .guard_events import LevelReported

STEP_FRAC: Final = 0.005
"""Smallest change of a vessel, as a share of what it holds, that may count as drained."""


def room_l(vessel: Vessel, depth_m: float) -> float:
    """Return the room above a depth (m) of water, L."""
    return vessel.capacity_l - vessel.volume_l(depth_m)


def mirrored(level: LevelReported, vessel: Vessel) -> LevelReported:
    """Return a level as the guard of a drain hears it: what is not there any more."""
    capacity_l = vessel.capacity_l
    return replace(
        level,
        volume_l=None if level.volume_l is None else capacity_l - level.volume_l,
        resolution_l=max(level.resolution_l or 0.0, STEP_FRAC * capacity_l),
        fill_rate_l_per_s=None,
    )
