"""Two-part dosing: carbonate or hydroxide in one solution, calcium chloride in the other."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from .limewater import CALCIUM_G_PER_MOL, DKH_PER_MEQ_PER_L
from .validity import not_negative, positive, within

MOST_MOL_PER_L: Final = 7.0
SODIUM_CHLORIDE_MG_PER_MEQ: Final = 58.443


class Alkali(StrEnum):
    """What the first solution holds."""

    CARBONATE = "carbonate"
    BICARBONATE = "bicarbonate"
    HYDROXIDE = "hydroxide"


EQUIVALENTS: Final = {Alkali.CARBONATE: 2.0, Alkali.BICARBONATE: 1.0, Alkali.HYDROXIDE: 1.0}
GRAMS_PER_MOL: Final = {
    Alkali.CARBONATE: 105.988,
    Alkali.BICARBONATE: 84.007,
    Alkali.HYDROXIDE: 39.997,
}
CALCIUM_CHLORIDE_G_PER_MOL: Final = 147.014
"""With two molecules of water of hydration."""


def rise_dkh(alkali: Alkali, dose_ml: float, mol_per_l: float, system_l: float) -> float:
    """Return the alkalinity (dKH) that a dose adds to a system.

    Raises:
        InputError: A negative dose, a strength outside 0 to 7 mol/L, or no volume.

    Source: M n v / V, one meq/L being 2.80387 dKH.
    """
    not_negative("a dose", dose_ml, "mL")
    within("a strength", mol_per_l, 0.0, MOST_MOL_PER_L, unit="mol/L")
    meq = EQUIVALENTS[alkali] * mol_per_l * dose_ml
    return meq / positive("a volume", system_l, "L") * DKH_PER_MEQ_PER_L


def dose_for_dkh_ml(alkali: Alkali, dkh: float, mol_per_l: float, system_l: float) -> float:
    """Return the dose (mL) that adds an alkalinity; the inverse of `rise_dkh`.

    Raises:
        InputError: As `rise_dkh`; a strength of 0.
    """
    positive("a strength", mol_per_l, "mol/L")
    return not_negative("a rise", dkh, "dKH") / rise_dkh(alkali, 1.0, mol_per_l, system_l)


def powder_for_dkh_g(alkali: Alkali, dkh: float, system_l: float) -> float:
    """Return the dry powder (g) that adds an alkalinity to a system.

    Raises:
        InputError: A negative rise, or no volume.

    Source: molar masses; 1 dKH in 100 L is 35.665 meq.
    """
    not_negative("a rise", dkh, "dKH")
    meq = dkh / DKH_PER_MEQ_PER_L * positive("a volume", system_l, "L")
    return meq / EQUIVALENTS[alkali] * GRAMS_PER_MOL[alkali] / 1000.0


def calcium_rise_mg_per_l(dose_ml: float, mol_per_l: float, system_l: float) -> float:
    """Return the calcium (mg/L) that a dose of the second solution adds.

    Raises:
        InputError: A negative dose, a strength outside 0 to 7 mol/L, or no volume.
    """
    not_negative("a dose", dose_ml, "mL")
    within("a strength", mol_per_l, 0.0, MOST_MOL_PER_L, unit="mol/L")
    return mol_per_l * dose_ml * CALCIUM_G_PER_MOL / positive("a volume", system_l, "L")


def powder_for_calcium_g(rise_mg_per_l: float, system_l: float) -> float:
    """Return the calcium chloride dihydrate (g) that adds some calcium.

    Raises:
        InputError: A negative rise, or no volume.
    """
    not_negative("a rise", rise_mg_per_l, "mg/L")
    mmol = rise_mg_per_l * positive("a volume", system_l, "L") / CALCIUM_G_PER_MOL
    return mmol * CALCIUM_CHLORIDE_G_PER_MOL / 1000.0


def salt_left_g_per_l(dkh: float) -> float:
    """Return the sodium chloride (g/L) that a balanced pair leaves behind.

    Raises:
        InputError: A negative alkalinity.

    Source: one mole of NaCl an equivalent.
    """
    meq_per_l = not_negative("an alkalinity", dkh, "dKH") / DKH_PER_MEQ_PER_L
    return meq_per_l * SODIUM_CHLORIDE_MG_PER_MEQ / 1000.0


@dataclass(frozen=True, slots=True)
class TwoPart:
    """What raises a system's alkalinity, and the calcium that belongs to it."""

    alkali_ml: float
    alkali_powder_g: float
    """The same as dry powder."""
    calcium_rise_mg_per_l: float
    calcium_ml: float
    calcium_powder_g: float
    """The same as calcium chloride dihydrate."""
    salt_g_per_l: float
    """Sodium chloride that the pair leaves behind."""


def two_part(
    alkali: Alkali,
    dkh: float,
    system_l: float,
    alkali_mol_per_l: float,
    calcium_mol_per_l: float,
) -> TwoPart:
    """Return a balanced pair for a rise of alkalinity (dKH).

    Raises:
        InputError: A negative rise, a strength outside 0 to 7 mol/L or of 0, or no volume.

    Source: CaCO3 takes one mole of calcium for two equivalents: 20.039 mg/L for a meq/L.
    """
    meq_per_l = not_negative("a rise", dkh, "dKH") / DKH_PER_MEQ_PER_L
    calcium = meq_per_l / 2.0 * CALCIUM_G_PER_MOL
    positive("a strength", calcium_mol_per_l, "mol/L")
    return TwoPart(
        alkali_ml=dose_for_dkh_ml(alkali, dkh, alkali_mol_per_l, system_l),
        alkali_powder_g=powder_for_dkh_g(alkali, dkh, system_l),
        calcium_rise_mg_per_l=calcium,
        calcium_ml=calcium / calcium_rise_mg_per_l(1.0, calcium_mol_per_l, system_l),
        calcium_powder_g=powder_for_calcium_g(calcium, system_l),
        salt_g_per_l=salt_left_g_per_l(dkh),
    )
