"""A mixing vat: what must go in to make it a batch of the salinity wanted.

The rest in the vat counts with the salinity it is known to have. Where that is not known only an
empty vat can be reckoned with: an assumed salinity would go wrong by as much as the rest is of
the batch.
"""

from dataclasses import dataclass
from typing import Final

from .salt_mass import Batch, Water, batch
from .seawater import COLDEST_C, DENSITY_WARMEST_C, MOST_PSU, salinity_from_gravity
from .validity import within

EMPTY_FRAC: Final = 0.01
"""Less than this share of a batch is nothing: whatever it holds moves 35 PSU by 0.35 at most."""
GRAVITY_LOW: Final = 0.95
GRAVITY_HIGH: Final = 1.1
"""Between these a number is more likely a specific gravity than a salinity in PSU."""
USUAL_C: Final = 25.0
"""Temperature taken where none is known: ten kelvin move the salt of a batch by 0.3 %."""


def usual_if_odd_c(temp_c: float | None) -> float:
    """Return a temperature (degC); the usual one for none, or one that no such water has.

    For masses only, where it hardly matters: whoever compares temperatures needs the odd one.
    """
    if temp_c is None or not COLDEST_C <= temp_c <= DENSITY_WARMEST_C:
        return USUAL_C
    return temp_c


@dataclass(frozen=True, slots=True)
class Wanted:
    """A finished batch."""

    volume_l: float
    psu: float
    salt_water_frac: float = 0.0
    """Water that the salt holds itself as it is weighed."""


def stated_psu(value: float) -> float:
    """Return a salinity that somebody, or some instrument, states in PSU.

    Raises:
        InputError: It is no salinity of seawater, or looks like a specific gravity, which
            means nothing without its two reference temperatures.
    """
    if GRAVITY_LOW <= value <= GRAVITY_HIGH:
        return salinity_from_gravity(value, None, None)
    return within("a salinity", value, 0.0, MOST_PSU, unit="PSU")


def to_mix(
    wanted: Wanted,
    present_l: float | None,
    present_psu: float | None,
    temp_c: float | None = None,
) -> Batch | None:
    """Return the salt and RO/DI water to add; None when level or salinity is not known.

    Args:
        wanted: The batch.
        present_l: What is in the vat, L; None: not known.
        present_psu: Its salinity; None: not known, which matters only where the vat is not empty.
        temp_c: Temperature of the water, degC; None: the usual one.

    Raises:
        InputError: The vat holds too much salt or water for the batch already.

    Source: conservation of mass, see `salt_mass.batch`.
    """
    if present_l is None:
        return None
    temp_c = USUAL_C if temp_c is None else temp_c
    target = Water(wanted.volume_l, wanted.psu, temp_c)
    if present_l <= EMPTY_FRAC * wanted.volume_l:
        return batch(target, None, wanted.salt_water_frac)
    if present_psu is None:
        return None
    return batch(target, Water(present_l, present_psu, temp_c), wanted.salt_water_frac)
