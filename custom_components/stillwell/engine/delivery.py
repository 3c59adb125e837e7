"""Did a dose arrive? What was commanded against what left the stock."""

from collections import deque
from enum import StrEnum
from math import sqrt
from typing import Final

from .quantities import DAY_S
from .validity import not_negative, positive

ARRIVED_FRAC: Final = 0.5
SURE_SIGMA: Final = 3.0


class Delivery(StrEnum):
    """What became of the doses commanded."""

    UNKNOWN = "unknown"
    ARRIVING = "arriving"
    STOCK_EXHAUSTED = "stock_exhausted"
    PUMP_CLOGGED = "pump_clogged"
    """The pump is told to run, stock is there, and little or nothing leaves it."""


def judge_delivery(
    commanded_l: float, drawn_l: float | None, stock_l: float | None, sigma_l: float
) -> Delivery:
    """Return whether what was commanded left the stock.

    Args:
        commanded_l: Doses commanded in a span of time, L.
        drawn_l: What the stock's level fell by in that time, L; None: not measured.
        stock_l: What is left above the point the pump draws from, L; None: not known.
        sigma_l: Standard deviation of the volume drawn, L.

    Raises:
        InputError: A negative command, or a standard deviation that is not above 0.

    Source: conservation of volume; half of the command is the limit (common practice, no source).
    """
    not_negative("a dose", commanded_l, "L")
    positive("a standard deviation", sigma_l, "L")
    if stock_l is not None and stock_l <= 0.0:
        return Delivery.STOCK_EXHAUSTED
    if drawn_l is None:
        return Delivery.UNKNOWN
    missing_l = commanded_l - drawn_l
    if drawn_l >= ARRIVED_FRAC * commanded_l and commanded_l > SURE_SIGMA * sigma_l:
        return Delivery.ARRIVING
    if missing_l > SURE_SIGMA * sigma_l:
        return Delivery.PUMP_CLOGGED
    return Delivery.UNKNOWN


LEVEL_SIGMA_M: Final = 0.001
"""Of a level at rest (common practice, no source)."""
SPACING_S: Final = 600.0


class DeliveryWatch:
    """Compares over a day what a pump was told with what left the stock it draws from."""

    __slots__ = ("_points", "_sigma_l", "_total_l")

    def __init__(self, litres_per_m: float) -> None:
        """Begin; `litres_per_m` is the stock's volume for a metre of depth.

        Raises:
            InputError: It is not above 0.
        """
        self._sigma_l = sqrt(2.0) * LEVEL_SIGMA_M * positive("a vessel", litres_per_m, "L/m")
        self._total_l = 0.0
        self._points: deque[tuple[float, float, float]] = deque()
        """Time, volume of the stock, and all that was commanded until then."""

    def dosed(self, dose_l: float) -> None:
        """Note what the pump was told to give."""
        self._total_l += dose_l

    def take(self, t_s: float, stock_l: float | None, usable_l: float | None) -> Delivery:
        """Return what becomes of the doses; volumes in L, None: not known."""
        if stock_l is None:
            return Delivery.UNKNOWN
        points = self._points
        if points and (stock_l > points[-1][1] + SURE_SIGMA * self._sigma_l or t_s < points[-1][0]):
            points.clear()  # it was filled, or the clock was set back
        while points and points[0][0] < t_s - DAY_S:
            points.popleft()
        if not points or t_s - points[-1][0] >= SPACING_S:
            points.append((t_s, stock_l, self._total_l))
        commanded_l = self._total_l - points[0][2]
        return judge_delivery(commanded_l, points[0][1] - stock_l, usable_l, self._sigma_l)
