"""Saturated limewater (kalkwasser): how strong it is, what it brings, how much is bearable.

It is caustic (pH 12.45) and an overdose kills. Every figure here is an upper bound that the
doses must stay below, not a target.
"""

from enum import StrEnum
from itertools import pairwise
from math import exp
from typing import Final

from .carbonate import TankWater
from .seawater import density_kg_per_m3
from .validity import (
    MICROSIEMENS,
    not_negative,
    positive,
    water_temp_c,
    within,
)

SATURATED_MOL_PER_L: Final = 0.0203
"""At 25 degC. Source: Bates, Bower and Smith, J. Res. NBS 56 (1956) 305-312."""
PER_K: Final = -0.009
"""Solubility falls as it warms: handbook tables and PHREEQC with the NBS enthalpy agree on
-0.8 to -1.0 % per kelvin. Strength is good to 6 %."""
COLDEST_C: Final = 10.0
WARMEST_C: Final = 35.0

DKH_PER_MEQ_PER_L: Final = 2.80387
"""1 dKH is 10 mg of CaO in a litre; CaO weighs 56.0774 g/mol and counts twice."""
CALCIUM_G_PER_MOL: Final = 40.078
HYDROXIDE_PER_MOL: Final = 2.0

CONDUCTIVITY_PER_K: Final = 0.019
"""Conductivity of dilute hydroxide per kelvin (common practice, no source)."""
_STRENGTH: Final = (
    (0.0, 0.0),
    (2.335, 0.25),
    (4.511, 0.5),
    (6.603, 0.75),
    (7.828, 0.9),
    (8.634, 1.0),
)
"""Conductivity at 25 degC, mS/cm, and strength as a share of saturation. Source: PHREEQC with
the Pitzer database, which pairs no CaOH+ and so is some per cent high at the upper end."""

SATURATED_FRAC: Final = 0.85
SPENT_FRAC: Final = 0.5


def saturation_mol_per_l(temp_c: float) -> float:
    """Return the calcium hydroxide in saturated limewater, mol/L; 10 to 35 degC.

    Raises:
        InputError: Outside that range.
    """
    water_temp_c(temp_c, COLDEST_C, WARMEST_C)
    return SATURATED_MOL_PER_L * exp(PER_K * (temp_c - 25.0))


def alkalinity_meq_per_l(temp_c: float, strength_frac: float = 1.0) -> float:
    """Return the alkalinity of limewater, meq/L.

    Args:
        temp_c: Temperature it was mixed and settled at, 10 to 35 degC.
        strength_frac: Strength as a share of saturation, 0 to 1.

    Raises:
        InputError: Outside these ranges.
    """
    within("a strength", strength_frac, 0.0, 1.0)
    return 1000.0 * HYDROXIDE_PER_MOL * saturation_mol_per_l(temp_c) * strength_frac


def calcium_mg_per_l(temp_c: float, strength_frac: float = 1.0) -> float:
    """Return the calcium of limewater, mg/L; arguments and errors as `alkalinity_meq_per_l`."""
    return alkalinity_meq_per_l(temp_c, strength_frac) / HYDROXIDE_PER_MOL * CALCIUM_G_PER_MOL


def rise_dkh(limewater_l: float, system_l: float, meq_per_l: float) -> float:
    """Return the alkalinity that some limewater adds to a system, dKH.

    Raises:
        InputError: A negative amount, or a system without water.

    Source: 1 meq/L is 2.80387 dKH.
    """
    not_negative("limewater", limewater_l, "L")
    not_negative("a strength", meq_per_l, "meq/L")
    return limewater_l * meq_per_l / positive("a volume", system_l, "L") * DKH_PER_MEQ_PER_L


def limewater_for_rise_l(rise_dkh: float, system_l: float, meq_per_l: float) -> float:
    """Return the limewater that adds an alkalinity (dKH) to a system, L.

    Raises:
        InputError: A negative rise, or limewater without strength.
    """
    not_negative("a rise of alkalinity", rise_dkh, "dKH")
    positive("a volume", system_l, "L")
    return rise_dkh / DKH_PER_MEQ_PER_L * system_l / positive("a strength", meq_per_l, "meq/L")


def allowed_l_per_day(
    evaporation_l_per_day: float,
    share_frac: float,
    system_l: float,
    most_dkh_per_day: float,
    meq_per_l: float,
) -> float:
    """Return how much limewater a day the evaporation and the alkalinity allow, L.

    Args:
        evaporation_l_per_day: What leaves as vapour; more would raise level and dilute.
        share_frac: Share of it that may be replaced by limewater, 0 to 1.
        system_l: Volume of the whole system, L.
        most_dkh_per_day: Most alkalinity a day. 1 is common practice, no source.
        meq_per_l: Strength of the limewater.

    Raises:
        InputError: Outside these ranges.
    """
    not_negative("an evaporation", evaporation_l_per_day, "L/d")
    within("a share", share_frac, 0.0, 1.0)
    bearable_l = limewater_for_rise_l(most_dkh_per_day, system_l, meq_per_l)
    return min(share_frac * evaporation_l_per_day, bearable_l)


def largest_dose_l(
    water: TankWater, system_l: float, meq_per_l: float, most_ph_rise: float
) -> float:
    """Return the largest single dose that raises the pH by no more than given, L.

    Closed system: no carbon dioxide comes from the air and nothing precipitates. Right after a
    dose this is so; the rise is worst then.

    Raises:
        InputError: Outside the ranges of `carbonate`, or a rise outside 0 to 1.
    """
    positive("a strength", meq_per_l, "meq/L")
    positive("a volume", system_l, "L")
    density = density_kg_per_m3(water.salinity, water.temp_c) / 1000.0
    umol = water.hydroxide_for_rise(most_ph_rise) * density * system_l
    return umol / 1000.0 / meq_per_l


def strength_frac(conductivity_ms_per_cm: float, temp_c: float) -> float:
    """Return the strength of clear limewater from its conductivity, as a share of saturation.

    Args:
        conductivity_ms_per_cm: Measured in the clear solution, not compensated, mS/cm.
        temp_c: Its temperature, 10 to 35 degC.

    Raises:
        InputError: Above 12 mS/cm: salt water got in, or the unit is uS/cm.

    Source: see `_STRENGTH`; good to 7 %. pH does not resolve strength, conductivity does.
    """
    water_temp_c(temp_c, COLDEST_C, WARMEST_C)
    within(
        "the limewater's conductivity",
        conductivity_ms_per_cm,
        0.0,
        12.0,
        unit="mS/cm",
        mix_ups=(MICROSIEMENS,),
    )
    at_25_c = conductivity_ms_per_cm / (1.0 + CONDUCTIVITY_PER_K * (temp_c - 25.0))
    for (low_c, low), (high_c, high) in pairwise(_STRENGTH):
        if at_25_c <= high_c:
            return low + (high - low) * (at_25_c - low_c) / (high_c - low_c)
    return 1.0


class Stock(StrEnum):
    """What a conductivity says of the stock."""

    SATURATED = "saturated"
    WEAK = "weak"
    """Stir it, or it took up carbon dioxide from the air."""
    SPENT = "spent"
    """No undissolved lime is left, or clear water only was drawn: mix anew."""


def judge_stock(share_frac: float) -> Stock:
    """Return what a strength, as a share of saturation, says of the stock.

    Raises:
        InputError: Outside 0 to 1.
    """
    within("a strength", share_frac, 0.0, 1.0)
    if share_frac >= SATURATED_FRAC:
        return Stock.SATURATED
    return Stock.WEAK if share_frac >= SPENT_FRAC else Stock.SPENT
