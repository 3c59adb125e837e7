"""A straight line through a few points of which some may be wrong: Theil-Sen."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import sqrt
from statistics import fmean, median
from typing import Final

SIGMAS_PER_MEDIAN: Final = 1.4826
"""Standard deviation over median distance of a normal distribution."""
FEWEST: Final = 3


@dataclass(frozen=True, slots=True)
class Line:
    """A slope with one standard deviation of it, in units of y over units of x."""

    slope: float
    sigma: float


def robust_line(
    points: Sequence[tuple[float, float]], least_sigma_y: float, least_gap_x: float = 0.0
) -> Line | None:
    """Return the line through at least three points at different x; None: too few.

    Args:
        points: Pairs of x and y.
        least_sigma_y: What a single y is known to at best; few points may agree by chance.
        least_gap_x: Two points closer together make no slope: they tell how well a y repeats.

    Source: H. Theil, Indag. Math. 12 (1950) 85-91; P. K. Sen, J. Am. Stat. Assoc. 63 (1968)
    1379-1389. The sigma is that of least squares with the points' median distance.
    """
    slopes = [
        (b[1] - a[1]) / (b[0] - a[0])
        for a, b in combinations(points, 2)
        if b[0] != a[0] and abs(b[0] - a[0]) >= least_gap_x
    ]
    if len(points) < FEWEST or not slopes:
        return None
    slope = median(slopes)
    offset = median(y - slope * x for x, y in points)
    distance = median(abs(y - slope * x - offset) for x, y in points)
    sigma_y = max(least_sigma_y, SIGMAS_PER_MEDIAN * distance)
    middle = fmean(x for x, _ in points)
    return Line(slope, sigma_y / sqrt(sum((x - middle) ** 2 for x, _ in points)))
