"""Salt as a mass balance: what evaporates is pure, what overflows is not.

Drift without top-off, the effect of an overfill, hours until a band is left, a batch of salt
water, a water change. Practical salinity (PSU) throughout; well-mixed water.
"""

from dataclasses import dataclass
from math import exp, inf, log
from typing import Final

from .invalid import Amount, Code
from .quantities import LITRES_PER_M3
from .seawater import MOST_PSU, density_kg_per_m3
from .validity import InputError, InputFault, not_negative, positive, within

SALT_PER_PSU: Final = 35.16504e-3 / 35.0
"""kg of sea salt in a kg of seawater, per PSU (TEOS-10, Millero et al. 2008)."""

MOST_HYDRATION_FRAC: Final = 0.3
"""No salt holds more water than this as it is weighed."""
_ROUNDING_KG: Final = 1e-9


def psu_from_g_per_kg(g_per_kg: float) -> float:
    """Return practical salinity from grams of sea salt in a kilogram of seawater.

    Raises:
        InputError: No seawater has it.

    Source: TEOS-10 reference salinity, 35.16504 g/kg at 35 PSU (Millero et al. 2008).
    """
    return within("a salinity", g_per_kg / 1e3 / SALT_PER_PSU, 0.0, MOST_PSU, unit="PSU")


@dataclass(frozen=True, slots=True)
class Water:
    """Some well-mixed water."""

    volume_l: float
    salinity: float
    """PSU."""
    temp_c: float = 25.0

    def __post_init__(self) -> None:
        positive("a volume", self.volume_l, "L")
        density_kg_per_m3(self.salinity, self.temp_c)

    @property
    def mass_kg(self) -> float:
        """Mass, kg."""
        return self.volume_l / LITRES_PER_M3 * density_kg_per_m3(self.salinity, self.temp_c)

    @property
    def salt_kg(self) -> float:
        """Mass of dry sea salt, kg."""
        return self.mass_kg * SALT_PER_PSU * self.salinity

    @property
    def fresh_kg_per_l(self) -> float:
        """Density of fresh water of the same temperature, kg/L."""
        return density_kg_per_m3(0.0, self.temp_c) / LITRES_PER_M3


def salinity_after_fresh(water: Water, fresh_l: float) -> float:
    """Return the salinity (PSU) after fresh water is added, or lost by evaporation if negative.

    Raises:
        InputError: More is lost than leaves water of at most 42 PSU.

    Source: conservation of salt, S = S0 m0 / (m0 + rho_fresh dV).
    """
    mass_kg = water.mass_kg + water.fresh_kg_per_l * fresh_l
    least_kg = water.mass_kg * water.salinity / MOST_PSU
    if not mass_kg >= max(least_kg, _ROUNDING_KG):
        raise InputError(
            InputFault.OUTSIDE_RANGE,
            Code.CANNOT_EVAPORATE,
            lost=Amount(-fresh_l, "L"),
            volume=Amount(water.volume_l, "L"),
        )
    return water.salinity * water.mass_kg / mass_kg


def fresh_to_reach(water: Water, target_psu: float) -> float:
    """Return the litres of fresh water that bring the salinity to a target; negative: lost.

    Raises:
        InputError: The target is no salinity above 0.
    """
    within("a salinity", target_psu, 0.1, MOST_PSU, unit="PSU")
    return water.mass_kg * (water.salinity / target_psu - 1.0) / water.fresh_kg_per_l


def salinity_flushed(water: Water, fresh_l: float) -> float:
    """Return the salinity (PSU) after fresh water ran in while as much ran over.

    Raises:
        InputError: A negative volume.

    Source: the well-mixed tank, S = S0 exp(-q / V).
    """
    return water.salinity * exp(-not_negative("a volume", fresh_l, "L") / water.volume_l)


def flush_of(water: Water, salinity: float) -> float:
    """Return the litres of fresh water that, overflowing, would flush down to a salinity.

    Raises:
        InputError: The salinity is not above 0.
    """
    return water.volume_l * log(water.salinity / positive("a salinity", salinity, "PSU"))


def drift_psu_per_day(water: Water, evaporation_l_per_day: float) -> float:
    """Return by how much the salinity rises in the first day without any top-off, PSU.

    Raises:
        InputError: A negative or impossible evaporation.
    """
    not_negative("an evaporation", evaporation_l_per_day, "L/d")
    return salinity_after_fresh(water, -evaporation_l_per_day) - water.salinity


def hours_to_leave_band(
    water: Water, net_fresh_l_per_day: float, low_psu: float, high_psu: float
) -> float:
    """Return the hours until the salinity leaves a band; 0 outside it, inf when it never does.

    Args:
        water: The whole system's water.
        net_fresh_l_per_day: Fresh water gained per day; minus the evaporation when top-off
            stops, plus the surplus when too much is added.
        low_psu: Lower edge of the band.
        high_psu: Upper edge of the band.

    Raises:
        InputError: The band is upside down.
    """
    if not 0.0 < low_psu < high_psu:
        raise InputError(
            InputFault.CONTRADICTION,
            Code.BAND,
            low=Amount(low_psu, "PSU"),
            high=Amount(high_psu, "PSU"),
        )
    if not low_psu <= water.salinity <= high_psu:
        return 0.0
    if net_fresh_l_per_day == 0.0:
        return inf
    edge = low_psu if net_fresh_l_per_day > 0.0 else high_psu
    return 24.0 * fresh_to_reach(water, edge) / net_fresh_l_per_day


@dataclass(frozen=True, slots=True)
class Batch:
    """What goes into the mixing vat."""

    salt_kg: float
    """Salt to weigh in, with the water it holds itself."""
    fresh_l: float
    """RO/DI water to add."""


def batch(target: Water, present: Water | None = None, salt_water_frac: float = 0.0) -> Batch:
    """Return salt and RO/DI water that make a batch, or make the vat's rest into one.

    Args:
        target: Volume and salinity wanted.
        present: What is in the vat now; None for nothing.
        salt_water_frac: Water of hydration in the salt as it is weighed. Real mixes carry 0.05
            to 0.15 (common practice, no source).

    Raises:
        InputError: The vat holds more water, or more salt, than the batch needs.

    Source: conservation of mass.
    """
    within("the salt's own water", salt_water_frac, 0.0, MOST_HYDRATION_FRAC)
    had_kg = 0.0 if present is None else present.mass_kg
    had_salt_kg = 0.0 if present is None else present.salt_kg
    dry_kg = target.salt_kg - had_salt_kg
    salt_kg = dry_kg / (1.0 - salt_water_frac)
    fresh_kg = target.mass_kg - had_kg - salt_kg
    if min(dry_kg, fresh_kg) < -_ROUNDING_KG:
        raise InputError(InputFault.CONTRADICTION, Code.VAT_TOO_FULL)
    return Batch(max(0.0, salt_kg), max(0.0, fresh_kg) / target.fresh_kg_per_l)


def mixed(first: Water, second: Water) -> Water:
    """Return two waters mixed; volumes as they were at the first one's temperature.

    Source: conservation of salt and mass.
    """
    mass_kg = first.mass_kg + second.mass_kg
    salinity = (first.salinity * first.mass_kg + second.salinity * second.mass_kg) / mass_kg
    density = density_kg_per_m3(salinity, first.temp_c)
    return Water(mass_kg / density * LITRES_PER_M3, salinity, first.temp_c)
