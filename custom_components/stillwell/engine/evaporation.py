"""Evaporation from an open surface: what is expected, what it cools, and the coefficient learned.

All published formulas for still indoor water have one form (Dalton's): a coefficient times the
difference between the vapour pressure over the water and that of the room's air. They differ by
half among each other, so the coefficient is learned from quiet days; what stays is how the
evaporation follows temperature and humidity.
"""

from collections import deque
from dataclasses import dataclass
from math import exp, isfinite, log
from statistics import median
from typing import Any, Final

from .quantities import DAY_S, LITRES_PER_M3
from .seawater import MOST_PSU, density_kg_per_m3
from .validity import (
    PERCENT,
    DamagedError,
    InputFault,
    not_negative,
    positive,
    water_temp_c,
    within,
)

COLDEST_C: Final = 0.0
WARMEST_C: Final = 50.0
_HYLAND_WEXLER: Final = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8)
_HYLAND_WEXLER_LN: Final = 6.5459673
_ZERO_C_K: Final = 273.15
_SALT_LOWERS: Final = 0.000544
_PA_PER_KPA: Final = 1000.0

NATATORIUM_COEFFICIENT: Final = 0.144
"""kg/(m2 h kPa) at an activity factor of 1. Source: ASHRAE Handbook HVAC Applications (2011),
chapter Places of assembly, wp = 4.0e-5 A (pw - pa) Fa kg/s with kPa."""

STILL_COEFFICIENT: Final = 0.09
"""Between the formulas for undisturbed water (0.07 ASHRAE 0.5, 0.094 Smith, Loef and Jones
1994, 0.05 to 0.10 Shah 2014)."""

LEAST_COEFFICIENT: Final = 0.02
"""A closed cover lets through a fifth of a still surface (common practice, no source)."""
MOST_COEFFICIENT: Final = 0.30

DAYS_KEPT: Final = 14
FEWEST_DAYS: Final = 3
QUIET_LOW: Final = 0.6
QUIET_HIGH: Final = 1.5
"""A day outside these shares of what was learned is an event, not a lesson."""

LEAST_SPREAD_FRAC: Final = 0.03
"""A per cent of humidity moves the expectation by about as much (26 degC, 22 degC, 50 %)."""
SIGMAS_PER_MEDIAN: Final = 1.4826
"""Standard deviation over median distance of a normal distribution."""


def saturation_pa(temp_c: float) -> float:
    """Return the saturation pressure of water vapour over pure liquid water, Pa; 0 to 50 degC.

    Raises:
        InputError: Outside that range; Fahrenheit is recognised above it.

    Source: Hyland and Wexler (1983), as in ASHRAE Handbook Fundamentals (2017), ch. 1, eq. 6.
    """
    t_k = water_temp_c(temp_c, COLDEST_C, WARMEST_C) + _ZERO_C_K
    c8, c9, c10, c11, c12 = _HYLAND_WEXLER
    cubic = c9 + t_k * (c10 + t_k * (c11 + t_k * c12))
    return exp(c8 / t_k + cubic + _HYLAND_WEXLER_LN * log(t_k))


def water_activity_frac(salinity: float) -> float:
    """Return by what share of itself salt leaves the vapour pressure; 0 to 42 PSU.

    Raises:
        InputError: No such salinity.

    Source: Weiss and Price, Mar. Chem. 8 (1980) 347-359, eq. 10.
    """
    return exp(-_SALT_LOWERS * within("a salinity", salinity, 0.0, MOST_PSU, unit="PSU"))


def pressure_gap_pa(water_c: float, air_c: float, humidity_frac: float, salinity: float) -> float:
    """Return how far the vapour pressure over the water lies above that of the air, Pa.

    Args:
        water_c: Temperature of the water, 0 to 50 degC.
        air_c: Temperature of the room, 0 to 50 degC.
        humidity_frac: Relative humidity of the room's air, 0 to 1.
        salinity: PSU, 0 to 42.

    Returns:
        The gap; below 0 the room's moisture condenses on the water.

    Raises:
        InputError: Outside these ranges; a humidity in per cent is recognised.

    Source: Dalton's law; see the module.
    """
    within("a humidity", humidity_frac, 0.0, 1.0, mix_ups=(PERCENT,))
    over_water = water_activity_frac(salinity) * saturation_pa(water_c)
    return over_water - humidity_frac * saturation_pa(air_c)


def rectangle_m2(length_m: float, width_m: float) -> float:
    """Return the surface of a rectangular tank, m2.

    Raises:
        InputError: A side that is not above 0.
    """
    return positive("a length", length_m, "m") * positive("a width", width_m, "m")


def coefficient_of_activity(activity_frac: float) -> float:
    """Return the coefficient, kg/(m2 h kPa), of an activity factor of 0.1 to 2.

    Raises:
        InputError: Outside that range.

    Source: ASHRAE Handbook HVAC Applications (2011); 0.5 still, 1 agitated.
    """
    within("an activity factor", activity_frac, 0.1, 2.0, mix_ups=(PERCENT,))
    return NATATORIUM_COEFFICIENT * activity_frac


def expected_l_per_day(area_m2: float, gap_pa: float, coefficient: float) -> float:
    """Return the evaporation of a surface, L of fresh water a day; 0 where moisture condenses.

    Args:
        area_m2: Open surface of display, sump and overflow together.
        gap_pa: Vapour pressure gap, see `pressure_gap_pa`.
        coefficient: kg/(m2 h kPa).

    Raises:
        InputError: An area or coefficient that is not above 0.

    Source: see the module. Before anything is learned it is good to a factor of 2.
    """
    positive("a surface", area_m2, "m2")
    positive("a coefficient", coefficient, "kg/(m2 h kPa)")
    kg_per_day = 24.0 * coefficient * area_m2 * max(0.0, gap_pa) / _PA_PER_KPA
    return kg_per_day * LITRES_PER_M3 / density_kg_per_m3(0.0, 25.0)


def latent_heat_kj_per_kg(temp_c: float) -> float:
    """Return the heat that evaporating a kilogram takes, kJ; 0 to 50 degC.

    Raises:
        InputError: Outside that range.

    Source: FAO Irrigation and Drainage Paper 56 (1998), eq. 3-1. Over seawater it is 0.1 % less.
    """
    return 2501.0 - 2.361 * water_temp_c(temp_c, COLDEST_C, WARMEST_C)


def heat_lost_w(evaporation_l_per_day: float, temp_c: float) -> float:
    """Return the heat the water loses by evaporating, W.

    Raises:
        InputError: A negative evaporation, or a temperature outside 0 to 40 degC.
    """
    not_negative("an evaporation", evaporation_l_per_day, "L/d")
    kg_per_s = evaporation_l_per_day * density_kg_per_m3(0.0, temp_c) / LITRES_PER_M3 / DAY_S
    return kg_per_s * latent_heat_kj_per_kg(temp_c) * 1000.0


def measured_l_per_day(
    start_l: float, end_l: float, added_l: float, removed_l: float, span_s: float
) -> float:
    """Return the evaporation that levels and additions leave, L a day.

    Args:
        start_l: Volume at the start, with everything at rest.
        end_l: Volume at the end.
        added_l: Fresh water, limewater and other additions in between, L.
        removed_l: What was taken out and is no evaporation, L.
        span_s: Time between the two, s.

    Raises:
        InputError: No time between, or a negative addition.

    Source: conservation of water.
    """
    positive("a span of time", span_s, "s")
    not_negative("an addition", added_l, "L")
    not_negative("a removal", removed_l, "L")
    return (start_l + added_l - removed_l - end_l) * DAY_S / span_s


@dataclass(frozen=True, slots=True)
class Day:
    """What a day shows: litres measured, and what a coefficient of 1 would have made."""

    measured_l: float
    per_coefficient_l: float
    """`expected_l_per_day` for a coefficient of 1, averaged over the day."""
    is_quiet: bool
    """No water change, no alarm, no gap in the data."""

    @property
    def coefficient(self) -> float | None:
        """The coefficient of the day; None when nothing could evaporate."""
        if self.per_coefficient_l <= 0.0:
            return None
        return self.measured_l / self.per_coefficient_l


class CoefficientLearner:
    """Learns the coefficient of one tank from its quiet days.

    Until there are three it says the first guess. Afterwards the median of the last fourteen
    counts, clamped; a day far from it teaches nothing, so that a cover left off does not become
    normal by itself. `relearn` makes it normal on the keeper's word.
    """

    __slots__ = ("_days", "_first")

    def __init__(self, first: float = STILL_COEFFICIENT) -> None:
        self._first = positive("a coefficient", first, "kg/(m2 h kPa)")
        self._days: deque[float] = deque(maxlen=DAYS_KEPT)

    @property
    def days(self) -> int:
        """How many quiet days count."""
        return len(self._days)

    @property
    def is_learned(self) -> bool:
        """Whether enough quiet days were seen."""
        return len(self._days) >= FEWEST_DAYS

    @property
    def coefficient(self) -> float:
        """The coefficient to expect with, kg/(m2 h kPa)."""
        if not self.is_learned:
            return self._first
        return min(max(median(self._days), LEAST_COEFFICIENT), MOST_COEFFICIENT)

    @property
    def spread_frac(self) -> float:
        """One standard deviation of a single day about the coefficient, as a share of it.

        Robust: 1.4826 times the median distance; never below what a room's sensors leave.
        """
        if not self.is_learned:
            return 1.0
        middle = median(self._days)
        distance = median(abs(day - middle) for day in self._days)
        return max(LEAST_SPREAD_FRAC, SIGMAS_PER_MEDIAN * distance / middle)

    def take(self, day: Day) -> bool:
        """Learn from a day; return whether it taught anything."""
        found = day.coefficient
        if found is None or not day.is_quiet or not isfinite(found):
            return False
        if self.is_learned:
            share = found / self.coefficient
            if not QUIET_LOW <= share <= QUIET_HIGH:
                return False
        elif not LEAST_COEFFICIENT / 2.0 <= found <= 2.0 * MOST_COEFFICIENT:
            return False
        self._days.append(found)
        return True

    def relearn(self) -> None:
        """Forget, because the tank was changed: a cover, a fan, another surface."""
        self._days.clear()

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned."""
        return {"days": list(self._days)}

    @classmethod
    def restore(cls, data: dict[str, Any], first: float = STILL_COEFFICIENT) -> CoefficientLearner:
        """Return the learner of a snapshot.

        Raises:
            ValueError: The snapshot is damaged.
        """
        learner = cls(first)
        days = data.get("days")
        if not isinstance(days, list):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of days")
        for found in days:
            if isinstance(found, bool) or not isinstance(found, int | float):
                raise DamagedError(InputFault.NOT_FINITE, f"{found!r} is no coefficient")
            if not (isfinite(found) and found > 0.0):
                raise DamagedError(InputFault.OUTSIDE_RANGE, f"{found!r} is no coefficient")
            learner._days.append(float(found))
        return learner
