"""Carbonate chemistry of seawater, as far as pH after an addition of alkali needs it.

Total scale inside, umol per kg of seawater. Valid 19 to 43 PSU and 2 to 35 degC. A closed
system: no carbon dioxide comes from the air, nothing precipitates. That is the worst case, and
the case of the first hour after a dose.
"""

from dataclasses import dataclass
from math import exp, log, log10, sqrt
from typing import Final

from .validity import water_temp_c, within

LEAST_PSU: Final = 19.0
MOST_PSU: Final = 42.0
COLDEST_WATER_C: Final = 2.0
WARMEST_WATER_C: Final = 35.0
_ZERO_C_K: Final = 273.15
_MICRO: Final = 1e-6
SEAWATER_BELOW_TOTAL: Final = 0.009
"""pH on the total scale less that on the seawater scale, which counts fluoride; 0.006 to 0.011."""


def nbs_above_total(salinity: float, temp_c: float) -> float:
    """Return pH on the scale of buffer solutions less pH on the total scale; 19 to 42 PSU.

    Probes of the trade are calibrated with such buffers. 0.137 at 35 PSU and 25 degC, 0.105 at 10.

    Raises:
        InputError: Outside 2 to 35 degC, or such a salinity.

    Source: Takahashi et al., GEOSECS Pacific Expedition 3 (1982) 77-82; good to 0.004.
    """
    s = within("a salinity", salinity, LEAST_PSU, MOST_PSU, unit="PSU")
    t = water_temp_c(temp_c, COLDEST_WATER_C, WARMEST_WATER_C) + _ZERO_C_K
    activity = 1.2948 - 0.002036 * t + (0.0004607 - 0.000001475 * t) * s * s
    return -log10(activity) - SEAWATER_BELOW_TOTAL


@dataclass(frozen=True, slots=True)
class Constants:
    """Stoichiometric dissociation constants on the total scale, mol/kg."""

    k1: float
    k2: float
    kb: float
    kw: float
    borate: float
    """Total boron."""


def constants(salinity: float, temp_c: float) -> Constants:
    """Return the constants at a salinity (PSU, 19 to 42) and temperature (2 to 35 degC).

    Raises:
        InputError: Outside these ranges.

    Source: K1, K2 Lueker, Dickson and Keeling, Mar. Chem. 70 (2000) 105-119; KB Dickson,
    Deep-Sea Res. 37 (1990) 755-766; KW Millero, Geochim. Cosmochim. Acta 59 (1995) 661-677;
    boron Uppstroem, Deep-Sea Res. 21 (1974) 161-162.
    """
    s = within("a salinity", salinity, LEAST_PSU, MOST_PSU, unit="PSU")
    t = water_temp_c(temp_c, COLDEST_WATER_C, WARMEST_WATER_C) + _ZERO_C_K
    root, ln_t = sqrt(s), log(t)
    pk1 = 3633.86 / t - 61.2172 + 9.67770 * ln_t - 0.011555 * s + 0.0001152 * s * s
    pk2 = 471.78 / t + 25.9290 - 3.16967 * ln_t - 0.01781 * s + 0.0001122 * s * s
    ln_kb = (
        (-8966.90 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s * s) / t
        + (148.0248 + 137.1942 * root + 1.62142 * s)
        - (24.4344 + 25.085 * root + 0.2474 * s) * ln_t
        + 0.053105 * root * t
    )
    ln_kw = (
        148.9652
        - 13847.26 / t
        - 23.6521 * ln_t
        + (118.67 / t - 5.977 + 1.0495 * ln_t) * root
        - 0.01615 * s
    )
    return Constants(10.0**-pk1, 10.0**-pk2, exp(ln_kb), exp(ln_kw), 4.157e-4 * s / 35.0)


def _carbonate_share(h: float, k: Constants) -> float:
    """Return the carbonate alkalinity per mole of dissolved inorganic carbon."""
    return k.k1 * (h + 2.0 * k.k2) / (h * h + k.k1 * h + k.k1 * k.k2)


def _other_alkalinity(h: float, k: Constants) -> float:
    """Return alkalinity of borate and hydroxide less free acid, mol/kg."""
    return k.borate * k.kb / (k.kb + h) + k.kw / h - h


def carbon_umol_per_kg(alkalinity_umol_per_kg: float, ph: float, k: Constants) -> float:
    """Return dissolved inorganic carbon from alkalinity and pH (total scale), umol/kg.

    Raises:
        InputError: Alkalinity outside 500 to 10000 umol/kg, or pH outside 6.5 to 9.5.

    Source: Dickson, Sabine and Christian, Guide to best practices for ocean CO2 measurements
    (2007), ch. 2.
    """
    within("an alkalinity", alkalinity_umol_per_kg, 500.0, 10000.0, unit="umol/kg")
    h = 10.0 ** -within("a pH", ph, 6.5, 9.5)
    carbonate = alkalinity_umol_per_kg * _MICRO - _other_alkalinity(h, k)
    return max(0.0, carbonate) / _carbonate_share(h, k) / _MICRO


def ph_total(alkalinity_umol_per_kg: float, carbon_umol_per_kg: float, k: Constants) -> float:
    """Return the pH (total scale) of an alkalinity and dissolved carbon, umol/kg; 4 to 12.

    Source: as `carbon_umol_per_kg`; solved by bisection, alkalinity rises with pH.
    """
    low, high = 4.0, 12.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        h = 10.0**-middle
        found = carbon_umol_per_kg * _MICRO * _carbonate_share(h, k) + _other_alkalinity(h, k)
        if found < alkalinity_umol_per_kg * _MICRO:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@dataclass(frozen=True, slots=True)
class TankWater:
    """Tank water as far as its pH after a dose depends on it."""

    alkalinity_umol_per_kg: float
    ph: float
    """As a probe calibrated with buffers shows it."""
    salinity: float = 35.0
    temp_c: float = 25.0

    def ph_rise(self, hydroxide_umol_per_kg: float) -> float:
        """Return by how much hydroxide raises the pH before the air can take part.

        Raises:
            InputError: An addition outside 0 to 5000 umol/kg, or water outside the ranges.
        """
        within("an addition", hydroxide_umol_per_kg, 0.0, 5000.0, unit="umol/kg")
        k = constants(self.salinity, self.temp_c)
        before = self.ph - nbs_above_total(self.salinity, self.temp_c)
        carbon = carbon_umol_per_kg(self.alkalinity_umol_per_kg, before, k)
        after = ph_total(self.alkalinity_umol_per_kg + hydroxide_umol_per_kg, carbon, k)
        return after - before

    def hydroxide_for_rise(self, ph_rise: float) -> float:
        """Return the hydroxide, umol/kg, that raises the pH by 0 to 1.

        Raises:
            InputError: A rise outside that, or water outside the ranges.
        """
        within("a pH rise", ph_rise, 0.0, 1.0)
        low, high = 0.0, 5000.0
        for _ in range(50):
            middle = 0.5 * (low + high)
            if self.ph_rise(middle) < ph_rise:
                low = middle
            else:
                high = middle
        return low
