"""What the animals take out: from test results typed in, with the known doses taken off."""

from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate, combinations
from statistics import median
from typing import Final

from .invalid import Amount, Code, Term
from .quantities import DAY_S
from .validity import InputError, InputFault, not_negative, within

FEWEST_TESTS: Final = 3
SHORTEST_S: Final = 2.0 * DAY_S
LEAST_GAP_S: Final = 0.25 * DAY_S
"""Two tests closer together say more of the kit than of the water."""
LEAST_DKH: Final = 1.0
MOST_DKH: Final = 30.0


@dataclass(frozen=True, slots=True)
class TestResult:
    """An alkalinity that was measured and typed in."""

    __test__ = False

    t_s: float
    alkalinity_dkh: float

    def __post_init__(self) -> None:
        within("an alkalinity", self.alkalinity_dkh, LEAST_DKH, MOST_DKH, unit="dKH")


@dataclass(frozen=True, slots=True)
class KnownDose:
    """An addition and what it raised the alkalinity by."""

    t_s: float
    rise_dkh: float


@dataclass(frozen=True, slots=True)
class Consumption:
    """What is consumed a day, and what the results look like without any dose."""

    dkh_per_day: float
    spread_dkh: float
    """Median distance of the results from the line: how well the kit repeats."""
    tests: int


def consumption(results: list[TestResult], doses: list[KnownDose]) -> Consumption | None:
    """Return the consumption from at least three tests over two days or more; None: too few.

    Raises:
        InputError: A dose that lowers the alkalinity.

    Source: Theil-Sen slope (Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389) of the results less
    everything dosed since the first; up to 29 % of wrong results do not carry it away.
    """
    results = sorted(results, key=lambda result: result.t_s)
    if len(results) < FEWEST_TESTS or results[-1].t_s - results[0].t_s < SHORTEST_S:
        return None
    for dose in doses:
        not_negative("a dose's rise", dose.rise_dkh, "dKH")
    ordered = sorted(doses, key=lambda dose: dose.t_s)
    times = [dose.t_s for dose in ordered]
    sums = [0.0, *accumulate(dose.rise_dkh for dose in ordered)]
    points = [
        (result.t_s / DAY_S, result.alkalinity_dkh - sums[bisect_right(times, result.t_s)])
        for result in results
    ]
    slopes = [
        (b[1] - a[1]) / (b[0] - a[0])
        for a, b in combinations(points, 2)
        if (b[0] - a[0]) * DAY_S >= LEAST_GAP_S
    ]
    slope = median(slopes)
    offset = median(y - slope * t for t, y in points)
    spread = median(abs(y - slope * t - offset) for t, y in points)
    return Consumption(-slope, spread, len(points))


def dose_to_hold(
    consumed_dkh_per_day: float, now_dkh: float, target_dkh: float, most_dkh_per_day: float
) -> float:
    """Return the daily dose (dKH) that holds the consumption and returns to a target in a week.

    Args:
        consumed_dkh_per_day: Consumption; below 0 counts as none.
        now_dkh: Latest alkalinity.
        target_dkh: Where it should be.
        most_dkh_per_day: Cap; a change of 1 dKH a day is common practice, no source.

    Raises:
        InputError: An alkalinity outside 1 to 30 dKH.
    """
    for value in (now_dkh, target_dkh):
        within("an alkalinity", value, LEAST_DKH, MOST_DKH, unit="dKH")
    if most_dkh_per_day < 0.0:
        raise InputError(
            InputFault.OUTSIDE_RANGE,
            Code.BELOW_0,
            what=Term("a cap"),
            value=Amount(most_dkh_per_day, "dKH"),
        )
    wanted = max(0.0, consumed_dkh_per_day) + (target_dkh - now_dkh) / 7.0
    return min(max(0.0, wanted), most_dkh_per_day)
