"""Calibration by a known pour: levels before and after, what they say, and how it is taken over."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .const import CONF_SHAPE
from .engine.calibration import (
    SAMPLES_TAKEN,
    Level,
    Pour,
    PourError,
    PourFault,
    jug_sigma_l,
    level,
    pour,
)
from .engine.calibration import strapped as strapped_table
from .engine.geometry import Strapping, Vessel
from .engine.invalid import Code

if TYPE_CHECKING:
    from .vessel import VesselRuntime


@dataclass(frozen=True, slots=True)
class Before:
    """The level before the pour, and when it was taken."""

    taken_s: float
    level: Level


def level_now(runtime: VesselRuntime, since_s: float = 0.0) -> Level:
    """Return the resting level from the last accepted readings.

    Raises:
        PourError: There are too few since a time, or the level moves.
    """
    samples_m = [depth_m for t_s, depth_m in runtime.model.recent if t_s > since_s]
    resolution_m = runtime.model.conditioner.resolution_m
    return level(samples_m[-SAMPLES_TAKEN:], resolution_m or 0.0)


def take_before(runtime: VesselRuntime, now_s: float) -> Before:
    """Take the level before the pour; it is remembered until the pour is over.

    Raises:
        PourError: As `level_now`.
    """
    runtime.before_pour = before = Before(now_s, level_now(runtime))
    return before


def take_after(runtime: VesselRuntime, poured_l: float) -> Pour:
    """Take the level after the pour and return what the pour says.

    Raises:
        PourError: The level before was not taken, or the pour settles nothing.
    """
    before = runtime.before_pour
    if before is None:
        raise PourError(PourFault.FEW_SAMPLES, Code.POUR_NOT_BEGUN)
    for line in (*runtime.lines, *runtime.draws, *runtime.drains):
        if line.watch.has_run_since(before.taken_s):
            raise PourError(PourFault.OTHER_WATER, line=line.title)
    after = level_now(runtime, before.taken_s)
    return pour(runtime.settings.vessel, before.level, after, poured_l, jug_sigma_l(poured_l))


def fitted(shape: Vessel, seen: Pour) -> Vessel:
    """Return the shape with the footprint, or the row of its table, that the pour tells."""
    if isinstance(shape, Strapping):
        return strapped_table(shape, seen)
    return shape.scaled(seen.factor)


def take_over(runtime: VesselRuntime, seen: Pour) -> None:
    """Write the fitted shape into the vessel's settings; the system then reloads."""
    entries = runtime.hass.config_entries
    entry = entries.async_get_known_entry(runtime.entry_id)
    subentry = entry.subentries[runtime.subentry_id]
    shape = fitted(runtime.settings.vessel, seen)
    runtime.before_pour = None
    entries.async_update_subentry(
        entry, subentry, data={**subentry.data, CONF_SHAPE: shape.as_dict()}
    )
