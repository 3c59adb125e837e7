"""Calibration by a known pour: litres poured against the rise they made.

The keeper notes the level, pours a measured volume and notes the level again. From that comes
either one factor for the whole shape (footprint measured badly, rock under water), or a new
row of a strapping table. The uncertainty is combined as the GUM says (JCGM 100:2008, eq. 10)
from the scatter of the level, its resolution and the measuring jug. A pour that cannot
settle the question is refused with its reason.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite, sqrt
from statistics import median
from typing import TYPE_CHECKING, Final

from .geometry import Strapping, Vessel
from .invalid import Amount, Code, Invalid, Value

if TYPE_CHECKING:
    from collections.abc import Sequence

FEWEST_SAMPLES: Final = 5
SAMPLES_TAKEN: Final = 10
RISE_PER_NOISE: Final = 5.0
LEAST_FACTOR: Final = 0.5
MOST_FACTOR: Final = 2.0
_MAD_TO_SIGMA: Final = 1.4826
_MEDIAN_TO_MEAN: Final = 1.2533
"""Standard error of a median over that of a mean, normal data: sqrt(pi / 2)."""
_LEAST_GAP_M: Final = 0.005
_DRIFT_SIGMAS: Final = 4.0


JUG_FRAC: Final = 0.01


class PourFault(StrEnum):
    """Why a pour settles nothing."""

    VOLUME = "pour_volume"
    FEW_SAMPLES = "few_samples"
    OUTSIDE_VESSEL = "outside_vessel"
    RESTLESS = "restless"
    RISE_TOO_SMALL = "rise_too_small"
    IMPLAUSIBLE = "implausible"
    OTHER_WATER = "other_water"


class PourError(Invalid):
    """A pour that is refused: ``fault`` names the reason, the text says what would help."""

    def __init__(self, fault: PourFault, code: Code | None = None, **values: Value) -> None:
        """Take the fault; it has a text of its own unless another is given."""
        super().__init__(Code(fault.value) if code is None else code, **values)
        self.fault = fault


@dataclass(frozen=True, slots=True)
class Level:
    """A resting level: median of its samples, scatter of one sample, standard uncertainty."""

    depth_m: float
    noise_m: float
    sigma_m: float


@dataclass(frozen=True, slots=True)
class Pour:
    """What a known pour says of a vessel."""

    before: Level
    after: Level
    poured_l: float
    poured_sigma_l: float
    factor: float
    """True litres per litre of the present shape between the two levels."""
    factor_sigma: float
    litres_per_m: float
    """Mean footprint between the two levels."""
    litres_per_m_sigma: float


def level(samples_m: Sequence[float], resolution_m: float = 0.0) -> Level:
    """Return the resting level of some samples.

    Args:
        samples_m: Depths of one level, in the order they came.
        resolution_m: Step of the sensor's values; 0 when not known.

    Raises:
        PourError: Too few samples, or the level moves while it is taken.
    """
    if len(samples_m) < FEWEST_SAMPLES or not all(isfinite(x) for x in samples_m):
        raise PourError(PourFault.FEW_SAMPLES, count=len(samples_m), least=FEWEST_SAMPLES)
    middle = median(samples_m)
    scatter = _MAD_TO_SIGMA * median(abs(x - middle) for x in samples_m)
    # The median deviation of coarse values is 0 although the level is not known that well.
    noise = max(scatter, resolution_m / sqrt(12.0))
    error = sqrt((_MEDIAN_TO_MEAN * scatter) ** 2 / len(samples_m) + resolution_m**2 / 12.0)
    half = len(samples_m) // 2
    drift = abs(median(samples_m[:half]) - median(samples_m[-half:]))
    allowed = _DRIFT_SIGMAS * _MEDIAN_TO_MEAN * noise * sqrt(2.0 / half)
    if drift > max(allowed, 1.5 * resolution_m, 1e-4):
        raise PourError(PourFault.RESTLESS, drift=Amount(drift, "m"))
    return Level(middle, noise, error)


def jug_sigma_l(poured_l: float) -> float:
    """Return the standard uncertainty (L) of a volume measured with a kitchen or lab jug.

    One per cent, common practice, no source.
    """
    return JUG_FRAC * poured_l


def pour(
    shape: Vessel, before: Level, after: Level, poured_l: float, poured_sigma_l: float
) -> Pour:
    """Return what a known pour says of the shape.

    Args:
        shape: The vessel as it is described now.
        before: Level before the pour.
        after: Level after it.
        poured_l: Litres poured.
        poured_sigma_l: Standard uncertainty of the litres poured.

    Raises:
        PourError: The pour settles nothing; the reason is in ``fault``.
    """
    if not (isfinite(poured_l) and poured_l > 0.0 and poured_sigma_l >= 0.0):
        raise PourError(PourFault.VOLUME, poured=Amount(poured_l, "L"))
    for depth_m in (before.depth_m, after.depth_m):
        if not 0.0 <= depth_m <= shape.height_m:
            raise PourError(
                PourFault.OUTSIDE_VESSEL,
                depth=Amount(depth_m, "m"),
                height=Amount(shape.height_m, "m"),
            )
    rise_m = after.depth_m - before.depth_m
    noise_m = max(before.noise_m, after.noise_m)
    if rise_m <= max(RISE_PER_NOISE * noise_m, 1e-6):
        raise PourError(
            PourFault.RISE_TOO_SMALL,
            rise=Amount(rise_m, "m"),
            noise=Amount(noise_m, "m"),
            times=RISE_PER_NOISE,
        )
    shape_l = shape.volume_l(after.depth_m) - shape.volume_l(before.depth_m)
    factor = poured_l / shape_l
    if not LEAST_FACTOR <= factor <= MOST_FACTOR:
        raise PourError(
            PourFault.IMPLAUSIBLE, poured=Amount(poured_l, "L"), shape=Amount(shape_l, "L")
        )
    # Each level counts by the footprint at its own depth (JCGM 100:2008, eq. 10).
    low_l = shape.litres_per_m(before.depth_m) * before.sigma_m
    high_l = shape.litres_per_m(after.depth_m) * after.sigma_m
    poured_part, level_part = poured_sigma_l / poured_l, sqrt(low_l**2 + high_l**2) / shape_l
    rise_part = sqrt(before.sigma_m**2 + after.sigma_m**2) / rise_m
    footprint = poured_l / rise_m
    return Pour(
        before=before,
        after=after,
        poured_l=poured_l,
        poured_sigma_l=poured_sigma_l,
        factor=factor,
        factor_sigma=factor * sqrt(poured_part**2 + level_part**2),
        litres_per_m=footprint,
        litres_per_m_sigma=footprint * sqrt(poured_part**2 + rise_part**2),
    )


def strapped(table: Strapping, seen: Pour) -> Strapping:
    """Return the table with the pour as a row of its own.

    Rows below the first level stay, rows between the levels are stretched to the volume
    poured, and rows above are shifted by the difference.

    Raises:
        GeometryError: The table would no longer rise.
    """
    low_m, high_m = seen.before.depth_m, seen.after.depth_m
    low_l, told_l = table.volume_l(low_m), table.volume_l(high_m)
    rows = {low_m: low_l, high_m: low_l + seen.poured_l}
    for depth_m, volume_l in zip(table.depths_m, table.volumes_l, strict=True):
        near = min(abs(depth_m - low_m), abs(depth_m - high_m)) < _LEAST_GAP_M
        if near and 0.0 < depth_m < table.height_m:
            continue  # a new row takes the place of a close old one
        if depth_m <= low_m:
            rows[depth_m] = volume_l
        elif depth_m < high_m:
            rows[depth_m] = low_l + seen.factor * (volume_l - low_l)
        else:
            rows[depth_m] = volume_l + low_l + seen.poured_l - told_l
    depths = sorted(rows)
    return Strapping(tuple(depths), tuple(rows[depth] for depth in depths))
