"""Two-part dosing by arithmetic, and what the tank consumes, from test results and known doses.

Alkalinity in dKH (1 meq/L is 2.80387), calcium in mg/L. Software never is the only check: test
the water before and after a change of dose.
"""

from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from math import sqrt
from statistics import NormalDist, median
from typing import TYPE_CHECKING, Final

from .limewater import CALCIUM_G_PER_MOL, DKH_PER_MEQ_PER_L
from .quantities import DAY_S
from .validity import InputError, InputFault, not_negative, positive

if TYPE_CHECKING:
    from collections.abc import Sequence

SODIUM_CHLORIDE_MG_PER_MEQ: Final = 58.443
FEWEST_TESTS: Final = 4
LEAST_SPAN_S: Final = 2.0 * DAY_S
_Z_80: Final = NormalDist().inv_cdf(0.9)


class Alkali(StrEnum):
    """What carries the alkalinity; the number of equivalents per mole follows."""

    CARBONATE = "carbonate"
    BICARBONATE = "bicarbonate"
    HYDROXIDE = "hydroxide"

    @property
    def equivalents(self) -> float:
        """Equivalents per mole."""
        return 2.0 if self is Alkali.CARBONATE else 1.0


def alkalinity_rise_dkh(dose_ml: float, system_l: float, mol_per_l: float, part: Alkali) -> float:
    """Return the alkalinity that a dose adds to a system, dKH.

    Raises:
        InputError: A negative dose or strength, or a system without water.

    Source: stoichiometry.
    """
    not_negative("a dose", dose_ml, "mL")
    not_negative("a strength", mol_per_l, "mol/L")
    meq_per_l = mol_per_l * part.equivalents * dose_ml / positive("a volume", system_l, "L")
    return meq_per_l * DKH_PER_MEQ_PER_L


def alkalinity_dose_ml(rise_dkh: float, system_l: float, mol_per_l: float, part: Alkali) -> float:
    """Return the dose that adds an alkalinity (dKH) to a system, mL; errors as above."""
    positive("a strength", mol_per_l, "mol/L")
    per_ml = alkalinity_rise_dkh(1.0, system_l, mol_per_l, part)
    return not_negative("a rise", rise_dkh, "dKH") / per_ml


def calcium_dose_ml(rise_mg_per_l: float, system_l: float, mol_per_l: float) -> float:
    """Return the dose of a calcium solution that adds mg/L of calcium to a system, mL.

    Raises:
        InputError: A negative rise, or a strength or volume that is not above 0.
    """
    not_negative("a rise", rise_mg_per_l, "mg/L")
    mg_per_ml = positive("a strength", mol_per_l, "mol/L") * CALCIUM_G_PER_MOL
    return rise_mg_per_l * positive("a volume", system_l, "L") / mg_per_ml


def salt_left_mg_per_l(rise_dkh: float) -> float:
    """Return the common salt that a balanced pair leaves behind per litre of tank, mg.

    Raises:
        InputError: A negative rise.
    """
    return not_negative("a rise", rise_dkh, "dKH") / DKH_PER_MEQ_PER_L * SODIUM_CHLORIDE_MG_PER_MEQ


@dataclass(frozen=True, slots=True)
class Consumption:
    """What the tank takes up a day, with 80 % bounds; in the unit of the tests."""

    low: float
    likely: float
    high: float


def consumption_per_day(
    tests: Sequence[tuple[float, float]], doses: Sequence[tuple[float, float]]
) -> Consumption:
    """Return the consumption a day from tests, after known doses are taken out of them.

    Args:
        tests: Time (s) and result, such as dKH; any order.
        doses: Time (s) and the rise each dose made, in the same unit.

    Raises:
        InputError: Fewer than four tests, or less than two days between first and last.

    Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389 (median of all slopes).
    """
    ordered = sorted(tests)
    if len(ordered) < FEWEST_TESTS or ordered[-1][0] - ordered[0][0] < LEAST_SPAN_S:
        text = f"{len(ordered)} tests; at least {FEWEST_TESTS} over two days tell a consumption"
        raise InputError(InputFault.OUTSIDE_RANGE, text)
    corrected = [
        (t_s, result - sum(rise for at_s, rise in doses if at_s <= t_s)) for t_s, result in ordered
    ]
    slopes = sorted(
        (b - a) / (t - s) * DAY_S for (s, a), (t, b) in combinations(corrected, 2) if t > s
    )
    n = len(ordered)
    spread = _Z_80 * sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    # Sen's ranks M1 and M2 + 1, counted from 1.
    low = max(0, round((len(slopes) - spread) / 2.0) - 1)
    high = min(len(slopes) - 1, round((len(slopes) + spread) / 2.0))
    return Consumption(-slopes[high], -median(slopes), -slopes[low])
