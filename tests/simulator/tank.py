"""A tank as it really is: water and salt in kilograms, heat in joules, sump, heater, room.

Own constants and equations (Buck's vapour pressure, a linear density, explicit steps); nothing
of the code under test is imported. SI, except litres where they say so.
"""

import math
from dataclasses import dataclass, field
from random import Random

HEAT_J_PER_KG_K = 3999.0
VAPORISE_J_PER_KG = 2.438e6


def buck_pa(temp_c: float) -> float:
    """Return the saturation pressure over water: A. L. Buck, J. Appl. Meteorol. 20 (1981)."""
    return 611.21 * math.exp((18.678 - temp_c / 234.5) * temp_c / (257.14 + temp_c))


@dataclass(slots=True)
class Tank:
    """Display that overflows into a sump: all loss of volume shows in the sump's level."""

    water_kg: float = 296.2
    salt_kg: float = 10.793
    temp_c: float = 25.5
    room_c: float = 21.0
    room_swing_k: float = 1.0
    humidity_frac: float = 0.5
    open_m2: float = 1.0
    evaporates_kg_per_m2_h_kpa: float = 0.05
    sump_m2: float = 0.18
    above_sump_l: float = 264.0
    heater_w: float = 300.0
    loss_w_per_k: float = 9.0
    """Through glass and by air, without evaporation."""
    set_c: float = 25.5
    switch_k: float = 0.2
    is_commanded_on: bool = False
    is_heater_dead: bool = False
    is_heater_stuck: bool = False
    leak_l_per_h: float = 0.0
    probe_gain: float = 1.0
    """A fouled conductivity cell reads low."""
    t_s: float = 0.0
    evaporated_kg: float = 0.0
    heat_j: float = 0.0
    alkalinity_meq: float = 840.0
    random: Random = field(default_factory=lambda: Random(5))

    @property
    def salinity(self) -> float:
        """Practical salinity: 1.00472 g of sea salt in a kg of seawater is 1."""
        return self.salt_kg / (self.salt_kg + self.water_kg) * 1000.0 / 1.00472

    @property
    def volume_l(self) -> float:
        """Volume, with a linear density around 25 degC."""
        mass = self.salt_kg + self.water_kg
        return mass / (0.99705 + 0.000752 * self.salinity - 0.00029 * (self.temp_c - 25.0))

    @property
    def sump_m(self) -> float:
        """Level in the sump."""
        return (self.volume_l - self.above_sump_l) / 1000.0 / self.sump_m2

    def seen_sump_m(self, noise_m: float = 0.0005) -> float:
        """Return the level as a sensor shows it, to the half millimetre."""
        return round((self.sump_m + self.random.gauss(0.0, noise_m)) * 2000.0) / 2000.0

    def seen_temp_c(self) -> float:
        """Return the temperature as a sensor of a sixteenth of a kelvin shows it."""
        return round((self.temp_c + self.random.gauss(0.0, 0.02)) * 16.0) / 16.0

    @property
    def air_c(self) -> float:
        """Room temperature over the day."""
        return self.room_c + self.room_swing_k * math.sin(2.0 * math.pi * self.t_s / 86400.0)

    def add(self, fresh_l: float = 0.0, meq: float = 0.0) -> None:
        """Add fresh water, with some alkalinity in it."""
        self.water_kg += fresh_l * 0.997
        self.alkalinity_meq += meq

    def step(self, dt_s: float = 60.0) -> None:
        """Let the tank be for a while, the thermostat deciding."""
        if self.temp_c < self.set_c - self.switch_k / 2.0:
            self.is_commanded_on = True
        elif self.temp_c > self.set_c + self.switch_k / 2.0:
            self.is_commanded_on = False
        is_hot = self.is_heater_stuck or (self.is_commanded_on and not self.is_heater_dead)
        gap_pa = 0.981 * buck_pa(self.temp_c) - self.humidity_frac * buck_pa(self.air_c)
        kg = self.evaporates_kg_per_m2_h_kpa * self.open_m2 * gap_pa / 1000.0 * dt_s / 3600.0
        heat = self.heater_w * dt_s if is_hot else 0.0
        lost = self.loss_w_per_k * (self.temp_c - self.air_c) * dt_s + kg * VAPORISE_J_PER_KG
        mass = self.water_kg + self.salt_kg
        self.temp_c += (heat - lost) / mass / HEAT_J_PER_KG_K
        self.water_kg -= kg
        self.evaporated_kg += kg
        self.heat_j += heat
        out_frac = self.leak_l_per_h * dt_s / 3600.0 / self.volume_l
        self.water_kg *= 1.0 - out_frac
        self.salt_kg *= 1.0 - out_frac
        self.t_s += dt_s
