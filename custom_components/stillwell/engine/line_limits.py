"""Which limits of a fill line cannot protect, by how much, and which value would.

Judged when a keeper chooses them. What the line has shown so far (its rate, how often its level
is reported) counts as far as it is known.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from math import ceil, floor
from typing import Final

from .guard_rules import SLOWEST_REPORTS_FRAC, STALE_INTERVALS
from .quantities import DAY_S, MINUTE_S

SHORTEST_RUN_S: Final = MINUTE_S
LONGEST_RUN_S: Final = DAY_S
MARGIN: Final = 1.5
"""A limit that would work leaves half as much again for a slower day."""
CAPACITIES: Final = 2.0
"""A run may last as long as it takes to pour the vessel full twice. Two hours for a fill of a
little over one (common practice, no source) are less than that."""
SMALLEST_CAP_FRAC: Final = 0.001
LARGEST_CAP_FRAC: Final = 0.05
"""Five hundredths of fresh water lower 35 PSU by 1.7 PSU: more is no top-off."""


class Fault(StrEnum):
    """What is wrong with a limit."""

    RUN_RANGE = "longest_run_range"
    REPORTS = "reports_too_slow"
    STALE = "stale_too_slow"
    RUN_SHORT = "longest_run_short"
    RUN_POURS = "longest_run_pours"
    DAILY_VOLUME = "daily_volume_small"
    DAILY_RUN = "daily_run_short"
    CAP_RANGE = "fresh_cap_range"
    CAP_SMALL = "fresh_cap_small"
    CAP_MARKS = "fresh_cap_marks"


@dataclass(frozen=True, slots=True)
class Finding:
    """A limit that does not protect: the figure it fails by, and one that works, if any does.

    Times are in s, volumes in L, the cap of fresh water is a share.
    """

    fault: Fault
    figure: float
    works: float | None


@dataclass(frozen=True, slots=True)
class Line:
    """A fill line as far as its limits go; None is not chosen, or not known yet."""

    longest_run_s: float
    band_l: float
    """A whole fill: from the start to the full mark."""
    capacity_l: float
    rate_l_per_s: float | None = None
    interval_s: float | None = None
    stale_after_s: float | None = None
    daily_volume_l: float | None = None
    daily_run_s: float | None = None
    cap_frac: float | None = None
    """Most fresh water of one run as a share of the system, where the line feeds it."""
    system_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What lets a line be guarded by reports as rare as they come, and what that costs."""

    longest_run_s: float
    keeps_stale: bool
    """Whether the oldest usable report that was chosen still lets such reports pass."""
    unseen_s: float
    """Usual time between two reports: so long, or longer, the guard sees nothing."""
    unseen_l: float | None
    """Water that is moved meanwhile; None: the rate is not known."""


def acceptance(line: Line) -> Acceptance | None:
    """Return what would have to change for the present interval; None where nothing may.

    The other limits of the line stand: what they forbid is not proposed.
    """
    interval_s, stale_s = line.interval_s, line.stale_after_s
    if interval_s is None:
        return None
    keeps_stale = stale_s is None or stale_s >= STALE_INTERVALS * interval_s
    run_s = max(line.longest_run_s, _whole_minutes(interval_s / SLOWEST_REPORTS_FRAC))
    changed = replace(line, longest_run_s=run_s, stale_after_s=stale_s if keeps_stale else None)
    if finding(changed) is not None:
        return None
    rate_l_per_s = line.rate_l_per_s
    unseen_l = None if rate_l_per_s is None else rate_l_per_s * interval_s
    return Acceptance(run_s, keeps_stale, interval_s, unseen_l)


def slowest_interval_s(longest_run_s: float) -> float:
    """Return how far apart reports (s) may come for a run of this length (s) to be guarded.

    In whole seconds, rounded down: a report as often as that is often enough.
    """
    return float(floor(SLOWEST_REPORTS_FRAC * longest_run_s))


def fresh_water_cap_l(system_l: float, cap_frac: float) -> float:
    """Return how much fresh water one run may bring (L)."""
    return cap_frac * system_l


def finding(line: Line) -> Finding | None:
    """Return the first limit that does not protect; None when all do."""
    return _run(line) or _daily(line) or _cap(line)


def _run(line: Line) -> Finding | None:
    run_s = line.longest_run_s
    if not SHORTEST_RUN_S <= run_s <= LONGEST_RUN_S:
        return Finding(Fault.RUN_RANGE, run_s, None)
    for seconds, fault in ((line.interval_s, Fault.REPORTS), (line.stale_after_s, Fault.STALE)):
        if seconds is not None and seconds > SLOWEST_REPORTS_FRAC * run_s:
            works_s = _whole_minutes(seconds / SLOWEST_REPORTS_FRAC)
            return Finding(fault, seconds, works_s if works_s <= LONGEST_RUN_S else None)
    rate_l_per_s = line.rate_l_per_s
    if rate_l_per_s is None or rate_l_per_s <= 0.0:
        return None
    expected_s = line.band_l / rate_l_per_s
    most_s = max(float(floor(CAPACITIES * line.capacity_l / rate_l_per_s)), SHORTEST_RUN_S)
    works_s = min(max(_whole_minutes(MARGIN * expected_s), SHORTEST_RUN_S), most_s, LONGEST_RUN_S)
    if run_s < expected_s:
        return Finding(Fault.RUN_SHORT, expected_s, works_s)
    return Finding(Fault.RUN_POURS, most_s, works_s) if run_s > most_s else None


def _daily(line: Line) -> Finding | None:
    volume_l, run_s = line.daily_volume_l, line.daily_run_s
    if volume_l is not None and volume_l < line.band_l:
        return Finding(Fault.DAILY_VOLUME, line.band_l, 2.0 * line.band_l)
    if run_s is not None and run_s < line.longest_run_s:
        return Finding(Fault.DAILY_RUN, line.longest_run_s, 2.0 * line.longest_run_s)
    return None


def _cap(line: Line) -> Finding | None:
    cap_frac = line.cap_frac
    if cap_frac is None:
        return None
    if not SMALLEST_CAP_FRAC <= cap_frac <= LARGEST_CAP_FRAC:
        return Finding(Fault.CAP_RANGE, cap_frac, None)
    cap_l = fresh_water_cap_l(line.system_l, cap_frac)
    if line.band_l <= cap_l:
        return None
    # To the thousandth above what a whole fill takes.
    needed_frac = ceil(1000.0 * line.band_l / line.system_l) / 1000.0
    if needed_frac <= LARGEST_CAP_FRAC:
        return Finding(Fault.CAP_SMALL, cap_l, needed_frac)
    return Finding(Fault.CAP_MARKS, cap_l, None)


def _whole_minutes(seconds: float) -> float:
    return ceil(round(seconds / MINUTE_S, 6)) * MINUTE_S
