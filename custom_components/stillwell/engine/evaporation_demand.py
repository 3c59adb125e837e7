"""How much more the air asks for now than while the use was learned.

The loss test compares with the use of up to a day ago. When the air turns dry, more evaporates,
and that is no loss. The vapour pressure gap (Dalton's law, see ``evaporation``) says by how much:
it is made of temperatures and humidity alone and never of the level, so no leak can raise what is
expected of it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import exp
from typing import Final

from .quantities import HOUR_S, UseBlock

REFERENCE_AGE_H: Final = 24.0
"""The loss test compares with the rate of that long ago."""
REFERENCE_KEEPS_H: Final = 12.0
"""That rate was learned from about so long before it."""
_NOW_H: Final = 2.0
_NOW_COVERED_S: Final = 0.5 * HOUR_S
_REFERENCE_COVERED_S: Final = 12 * HOUR_S
MOST_FACTOR: Final = 2.0
CHANGED_RATIO: Final = 1.05


def demand_ratio(hours: Iterable[Sequence[float]], t_s: float) -> float | None:
    """Return the gap of the last hour or two over that of the time the use was learned in.

    Args:
        hours: Number of the hour since the epoch, gap times time (Pa s), time covered (s).
        t_s: Now.

    Returns:
        None while too little of either time is covered, or nothing evaporated.
    """
    now_pa_s = now_s = was_pa_s = was_s = was_covered_s = 0.0
    for hour, gap_pa_s, covered_s in hours:
        age_h = t_s / HOUR_S - (hour + 0.5)
        if age_h < _NOW_H - 0.5:
            now_pa_s += gap_pa_s
            now_s += covered_s
        elif age_h >= REFERENCE_AGE_H:
            weight = exp(-(age_h - REFERENCE_AGE_H) / REFERENCE_KEEPS_H)
            was_pa_s += weight * gap_pa_s
            was_s += weight * covered_s
            was_covered_s += covered_s
    if now_s < _NOW_COVERED_S or was_covered_s < _REFERENCE_COVERED_S or was_pa_s <= 0.0:
        return None
    return now_pa_s / now_s * was_s / was_pa_s


def explained_l(expected_l: float, ratio: float | None) -> float:
    """Return the litres beyond the learned use that the air explains: 0 to as much again.

    Never less than 0, so that air that asks for less raises no alarm; never more than the use
    itself, so that a humidity sensor that fails hides no leak larger than that.
    """
    return 0.0 if ratio is None else expected_l * (min(max(ratio, 1.0), MOST_FACTOR) - 1.0)


class Explained:
    """Takes out of the use what the air explains, for the loss test only."""

    __slots__ = ("_calm_sigma", "ratio")

    def __init__(self) -> None:
        self.ratio: float | None = None
        """What the air asks for over what it did; None: not known."""
        self._calm_sigma: float | None = None

    def block(self, block: UseBlock, expected_l: float | None) -> UseBlock:
        """Return a block without what the air explains of it."""
        more_l = 0.0 if expected_l is None else explained_l(expected_l, self.ratio)
        return block if more_l <= 0.0 else replace(block, used_l=block.used_l - more_l)

    def expected_l(self, expected_l: float) -> float:
        """Return the use expected, with what the air explains beyond the learned use."""
        return expected_l + explained_l(expected_l, self.ratio)

    def rel_sigma(self, rel_sigma: float) -> float:
        """Return how unsure the expectation is.

        A change that the air explains makes it no less sure than it was before.
        """
        if self.ratio is None or self.ratio < CHANGED_RATIO:
            self._calm_sigma = rel_sigma
        elif self._calm_sigma is not None:
            return min(rel_sigma, self._calm_sigma)
        return rel_sigma
