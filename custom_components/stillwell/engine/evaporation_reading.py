"""What the ratio of measured to expected evaporation says, in plain words.

Three kinds of evidence tell causes apart. How large the day's coefficient is in itself: still
air explains no more than agitated open water does, moving air more. Whether the heat of the
evaporation was paid: it takes 0.68 kWh a litre, water that leaks takes none. Whether salt
leaves: evaporation leaves it behind.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from .evaporation import NATATORIUM_COEFFICIENT
from .salt_balance import SaltVerdict
from .validity import not_negative, positive

RAISED: Final = 1.4
LOWERED: Final = 0.6
"""Readings of 10 % in humidity and 1 K in temperature move the ratio by less than this."""
NONE_LEFT: Final = 0.1
MOVING_AIR_COEFFICIENT: Final = 1.25 * NATATORIUM_COEFFICIENT
"""Above what still air over agitated open water explains, with a quarter for the sensors."""
UNPAID_FRAC: Final = 0.3
PAID_FRAC: Final = 0.6
"""Shares of the additional heat of evaporation that the heater had to bring. Part of it is saved
elsewhere, since the cooler water loses less to the room."""


class EvaporationReading(StrEnum):
    """What the ratio says."""

    UNKNOWN = "unknown"
    AS_EXPECTED = "as_expected"
    COVER_OFF = "cover_off"
    MOVING_AIR = "moving_air"
    WATER_LEAVING = "water_leaving"
    RAISED = "raised"
    """More than expected, and nothing tells which cause."""
    LOWERED = "lowered"
    """Less than expected: a cover put on, or the room's sensors drift."""
    CHECK_SENSOR = "check_sensor"
    """None at all, or negative: the level does not follow the water, or no top-off runs."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a day or more shows beside the ratio."""

    measured_l_per_day: float | None
    expected_l_per_day: float | None
    """With the learned coefficient; None without a humidity."""
    coefficient: float | None
    """That of the days looked at, kg/(m2 h kPa)."""
    extra_heat_frac: float | None = None
    """Additional heat the heater brought over the additional heat of evaporation."""
    salt: SaltVerdict = SaltVerdict.UNKNOWN
    is_tank_water: bool = True
    """Whether it is measured in the tank's own water. Fresh water that leaks from a reservoir or
    its hose leaves the salinity as it is, so that salt clears nothing there."""


def ratio_of(measured_l_per_day: float, expected_l_per_day: float) -> float:
    """Return measured over expected evaporation.

    Raises:
        InputError: Nothing was expected.
    """
    return measured_l_per_day / positive("an expected evaporation", expected_l_per_day, "L/d")


def extra_heat_frac(extra_heater_w: float, extra_evaporation_w: float) -> float:
    """Return which share of additional heat of evaporation the heater had to bring.

    Args:
        extra_heater_w: Mean heater power above that of quiet days, W.
        extra_evaporation_w: Heat of the evaporation above the expected, W.

    Raises:
        InputError: No additional evaporation.

    Source: energy balance of the tank at a steady temperature.
    """
    return extra_heater_w / positive("additional heat", extra_evaporation_w, "W")


def read_evaporation(seen: Evidence) -> EvaporationReading:
    """Return what the evidence says.

    Raises:
        InputError: A coefficient below 0 beside a ratio that is raised.
    """
    expected = seen.expected_l_per_day
    if seen.measured_l_per_day is None or expected is None or expected <= 0.0:
        return EvaporationReading.UNKNOWN
    ratio = ratio_of(seen.measured_l_per_day, expected)
    if ratio < NONE_LEFT:
        return EvaporationReading.CHECK_SENSOR
    if seen.salt is SaltVerdict.SALT_WATER_LEAVING:
        return EvaporationReading.WATER_LEAVING
    if ratio < LOWERED:
        return EvaporationReading.LOWERED
    if ratio < RAISED:
        return EvaporationReading.AS_EXPECTED
    return _raised(seen)


def _raised(seen: Evidence) -> EvaporationReading:
    heat = seen.extra_heat_frac
    if heat is not None and heat < UNPAID_FRAC:
        return EvaporationReading.WATER_LEAVING
    is_cleared = seen.is_tank_water and seen.salt is not SaltVerdict.UNKNOWN
    is_paid = heat is not None and heat >= PAID_FRAC
    if not is_paid and not is_cleared:
        return EvaporationReading.RAISED
    if seen.coefficient is None:
        return EvaporationReading.RAISED
    if not_negative("a coefficient", seen.coefficient) > MOVING_AIR_COEFFICIENT:
        return EvaporationReading.MOVING_AIR
    return EvaporationReading.COVER_OFF
