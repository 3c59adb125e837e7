"""How far from its mean the middle 80 % of a mixture of normal laws reach.

Where most filters are calm and few are wild, the wild ones make nearly all of the variance:
a normal law of that variance would give bounds too far out for 80 % (kurtosis above three).
"""

from collections.abc import Sequence
from math import erf, sqrt
from statistics import NormalDist
from typing import Final

_PART: Final = 0.8
_NORMAL_REACH: Final = NormalDist().inv_cdf(0.9)
_FARTHEST: Final = sqrt(1.0 / (1.0 - _PART))
"""Sigmas that hold 80 % of any law whatever (Chebyshev's inequality)."""
_HALVINGS: Final = 8
_LEAST_SIGMA: Final = 1e-12


def reach_of_80(parts: Sequence[tuple[float, float, float]]) -> float:
    """Half width about the mean that holds 80 %, over that of a normal law of equal variance.

    Args:
        parts: Weight, mean and variance of each; weights add up to one.

    Returns:
        One for a single normal law; to within a per cent.
    """
    mean = sum(weight * middle for weight, middle, _ in parts)
    var = sum(weight * (own_var + (middle - mean) ** 2) for weight, middle, own_var in parts)
    if var <= 0.0:
        return 1.0
    sigma = sqrt(var)
    laws = [(0.5 * w, m - mean, sqrt(2.0 * v) or _LEAST_SIGMA) for w, m, v in parts]
    low, high = 0.0, _FARTHEST
    for _ in range(_HALVINGS):
        reach = 0.5 * (low + high)
        width = reach * sigma
        held = sum(w * (erf((width - m) / s) + erf((width + m) / s)) for w, m, s in laws)
        if held < _PART:
            low = reach
        else:
            high = reach
    return 0.5 * (low + high) / _NORMAL_REACH
