"""Is salt leaving? Measured salinity against the mass balance of level-based top-off.

Evaporation takes no salt and top-off brings none: while the level is held, the salinity stays.
If it falls while more top-off than evaporation explains runs in, salt water is leaving. If it
falls although no more runs in than should, nothing in the tank can explain it: the probe does.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from .validity import not_negative, positive, within

SURE_SIGMA: Final = 3.0
LEAST_PSU_PER_DAY: Final = 0.05
"""A slower drift is within what probes do by themselves (common practice, no source)."""
ALIKE: Final = 2.5
"""Two estimates of one leak agree within this factor."""


class SaltVerdict(StrEnum):
    """What salinity and top-off say together."""

    UNKNOWN = "unknown"
    STEADY = "steady"
    SALT_WATER_LEAVING = "salt_water_leaving"
    CONCENTRATING = "concentrating"
    """Evaporation is not replaced by fresh water: level falls, or salt water tops off."""
    PROBE_DOUBTFUL = "probe_doubtful"
    """The conductivity moves and the water cannot have done it: clean, then calibrate."""


@dataclass(frozen=True, slots=True)
class SaltFinding:
    """A verdict with what would explain it."""

    verdict: SaltVerdict
    leaving_l_per_day: float = 0.0
    """Salt water that leaves, from the fall of the salinity."""


def judge_salt(
    *,
    volume_l: float,
    salinity: float,
    drift_psu_per_day: float | None,
    drift_sigma: float = 0.0,
    fresh_in_l_per_day: float | None,
    evaporation_l_per_day: float | None,
    evaporation_sigma: float = 0.0,
) -> SaltFinding:
    """Return what moved the salinity.

    Args:
        volume_l: Whole system, L.
        salinity: PSU now.
        drift_psu_per_day: Slope of the measured salinity over some days; None: not measured.
        drift_sigma: Standard deviation of that slope.
        fresh_in_l_per_day: Fresh water added while the level was held.
        evaporation_l_per_day: What evaporation explains: expected with the learned coefficient.
        evaporation_sigma: Standard deviation of that, L/d.

    Raises:
        InputError: A volume or salinity that is none.

    Source: well-mixed tank, dS/dt = -q S / V for q of salt water replaced by fresh.
    """
    positive("a volume", volume_l, "L")
    within("a salinity", salinity, 2.0, 42.0, unit="PSU")
    not_negative("a standard deviation", drift_sigma)
    if drift_psu_per_day is None or fresh_in_l_per_day is None or evaporation_l_per_day is None:
        return SaltFinding(SaltVerdict.UNKNOWN)
    if abs(drift_psu_per_day) < max(LEAST_PSU_PER_DAY, SURE_SIGMA * drift_sigma):
        return SaltFinding(SaltVerdict.STEADY)
    leaving = -drift_psu_per_day * volume_l / salinity
    surplus = fresh_in_l_per_day - evaporation_l_per_day
    is_sure = abs(surplus) > SURE_SIGMA * evaporation_sigma
    is_alike = is_sure and 1.0 / ALIKE <= surplus / leaving <= ALIKE
    if not is_alike:
        return SaltFinding(SaltVerdict.PROBE_DOUBTFUL)
    if leaving > 0.0:
        return SaltFinding(SaltVerdict.SALT_WATER_LEAVING, leaving)
    return SaltFinding(SaltVerdict.CONCENTRATING)
