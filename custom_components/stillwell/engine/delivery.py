"""Did a dose arrive? What was commanded against what left the stock."""

from enum import StrEnum
from typing import Final

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
