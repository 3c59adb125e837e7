"""Heat of a tank as one well-mixed lump: how fast it warms, cools, and when it meets a limit."""

from math import exp, log
from typing import Final

from .quantities import HOUR_S
from .validity import positive, water_temp_c

HEAT_J_PER_L_K: Final = 4092.0
"""Of seawater of 35 PSU at 25 degC (TEOS-10); within 0.4 % for 30 to 40 PSU, 18 to 32 degC."""
COLDEST_C: Final = 0.0
WARMEST_C: Final = 50.0


def adiabatic_k_per_h(power_w: float, volume_l: float) -> float:
    """Return how fast a heater warms seawater that loses nothing, K/h: 0.88 for 1 W a litre.

    Raises:
        InputError: A power or volume that is not above 0.

    Source: dT/dt = P / C; for seawater, see `HEAT_J_PER_L_K`.
    """
    capacity = HEAT_J_PER_L_K * positive("a volume", volume_l, "L")
    return positive("a power", power_w, "W") * HOUR_S / capacity


def rest_temp_c(room_c: float, power_w: float, loss_w_per_k: float) -> float:
    """Return the temperature (degC) a tank with steady heat ends at.

    Args:
        room_c: Temperature it would rest at without heat, 0 to 50 degC; evaporation lowers it.
        power_w: Heat put in, W.
        loss_w_per_k: Loss per kelvin above that, W/K.

    Raises:
        InputError: Outside these ranges.

    Source: energy balance, T = Ta + P / UA.
    """
    water_temp_c(room_c, COLDEST_C, WARMEST_C)
    return room_c + power_w / positive("a loss", loss_w_per_k, "W/K")


def temp_after_c(temp_c: float, rest_c: float, time_constant_s: float, elapsed_s: float) -> float:
    """Return the temperature (degC) after some time on the way to where it rests.

    Raises:
        InputError: Temperatures outside 0 to 50 degC, or a time constant not above 0.

    Source: lumped capacity, Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5.
    """
    water_temp_c(temp_c, COLDEST_C, WARMEST_C)
    tau = positive("a time constant", time_constant_s, "s")
    return rest_c + (temp_c - rest_c) * exp(-elapsed_s / tau)


def time_constant_s(temp_c: float, rest_c: float, slope_k_per_s: float) -> float | None:
    """Return the time constant (s) that a slope towards the resting temperature shows.

    Returns:
        None where the slope leads away from it, or either is too small to divide by.

    Raises:
        InputError: Temperatures outside 0 to 50 degC.

    Source: dT/dt = -(T - Ta) / tau.
    """
    gap = water_temp_c(temp_c, COLDEST_C, WARMEST_C) - water_temp_c(rest_c, COLDEST_C, WARMEST_C)
    if slope_k_per_s == 0.0 or gap / slope_k_per_s >= 0.0:
        return None
    return -gap / slope_k_per_s


def time_to_limit_s(
    temp_c: float,
    limit_c: float,
    slope_k_per_s: float,
    time_constant_s: float | None = None,
) -> float | None:
    """Return the time until a limit is met at the present course, s; None: it is not met.

    Args:
        temp_c: Temperature now, 0 to 50 degC.
        limit_c: The limit, 0 to 50 degC.
        slope_k_per_s: Slope now, K/s.
        time_constant_s: The tank's; None counts on in a straight line, which is never later.

    Raises:
        InputError: Outside these ranges.

    Source: as `temp_after_c`; the resting temperature is T + tau dT/dt.
    """
    gap = water_temp_c(limit_c, COLDEST_C, WARMEST_C) - water_temp_c(temp_c, COLDEST_C, WARMEST_C)
    if gap == 0.0:
        return 0.0
    if slope_k_per_s * gap <= 0.0:
        return None
    straight_s = gap / slope_k_per_s
    if time_constant_s is None:
        return straight_s
    share = straight_s / positive("a time constant", time_constant_s, "s")
    return None if share >= 1.0 else -time_constant_s * log(1.0 - share)
