"""Quantities, signal status words and constants that every engine module shares.

Time is seconds since the Unix epoch (UTC) and always an argument. Depth is in
metres above the vessel's floor, volume in litres, temperature in degC (suffix
``_c``); ratios from 0 to 1 end in ``_frac``.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

MINUTE_S: Final = 60.0
HOUR_S: Final = 3600.0
DAY_S: Final = 86400.0
LITRES_PER_M3: Final = 1000.0


class Status(StrEnum):
    """Signal status in the words of NAMUR NE 107 (2017)."""

    GOOD = "good"
    MAINTENANCE_REQUIRED = "maintenance_required"
    OUT_OF_SPECIFICATION = "out_of_specification"
    FUNCTION_CHECK = "function_check"
    FAILURE = "failure"

    @property
    def is_usable(self) -> bool:
        """Whether control may act on the value (good, or good with a note)."""
        return self in (Status.GOOD, Status.MAINTENANCE_REQUIRED)


class Reason(StrEnum):
    """Why a signal has the status it has."""

    NONE = "none"
    # failure: the value is not valid
    NO_SOURCE = "no_source"
    UNAVAILABLE = "source_unavailable"
    """Not "unavailable": the hub's page shows its own word for that state, as of a dead entity."""
    NOT_NUMERIC = "not_numeric"
    NOT_FINITE = "not_finite"
    UNIT_UNKNOWN = "unit_unknown"
    OUTSIDE_VESSEL = "outside_vessel"
    LOOP_FAULT = "loop_fault"
    ZERO_NOT_EMPTY = "zero_not_empty"
    STALE = "stale"
    # function check: valid again soon, not to be acted on now
    STARTING = "starting"
    CONFIRMING_STEP = "confirming_step"
    MAINTENANCE = "maintenance"
    RETURN_PUMP = "return_pump"
    # out of specification: the value is doubtful
    LOOP_SATURATED = "loop_saturated"
    RATE_IMPOSSIBLE = "rate_impossible"
    STUCK = "stuck"
    CLOCK = "clock"
    # maintenance required: the value is valid, the device wants attention
    MANY_REJECTED = "many_rejected"
    NOISY = "noisy"


@dataclass(frozen=True, slots=True)
class Reading:
    """One report of a level source, after unit conversion and before judgement.

    Exactly one of the two carries information: ``depth_m`` is a finite depth
    above the floor (``reason`` is NONE, or LOOP_SATURATED), or it is None and
    ``reason`` says why there is no value.
    """

    depth_m: float | None
    reason: Reason = Reason.NONE
    is_exact_zero: bool = False
    """The device's own number was exactly 0: how an unplugged strip reads."""


@dataclass(frozen=True, slots=True)
class Interval:
    """An instant (seconds) or quantity with its 80 % bounds, early <= likely <= late."""

    early: float
    likely: float
    late: float


@dataclass(frozen=True, slots=True)
class DaySpan:
    """A local calendar day as the adapter knows it; 23 h and 25 h days included."""

    key: str
    """ISO date, such as 2026-03-29."""
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class UseBlock:
    """Water used in one closed span of time, handed from balance to forecast and loss test.

    Spans are contiguous, about five minutes each (longer when reports are rarer), and never
    overlap. ``sigma_l`` is one standard deviation of the error of ``used_l``; neighbouring
    blocks share a level estimate, so their errors are anticorrelated.
    """

    start_s: float
    end_s: float
    used_l: float
    sigma_l: float
    is_measured: bool
    """False while filling, pouring or without valid readings: carried at the learned rate."""
