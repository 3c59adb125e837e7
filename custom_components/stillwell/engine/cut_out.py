"""Second layer over a heater's thermostat: when its circuit must be off, and when it stays off.

Off above the safe band and when nobody knows how warm the water is. On again only well inside the
band. A heater that is stuck on, or a band left again within a day, is latched until somebody has
looked. It stands behind a thermostat of the heater's own and is not the last layer.
"""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from .quantities import DAY_S, MINUTE_S
from .validity import DamagedError, InputFault, numbers, positive

SILENCE_S: Final = 30 * MINUTE_S
"""How long a thermometer may give no valid reading (common practice, no source)."""
MARGIN_K: Final = 0.5
"""How far below the high limit the water must be again (common practice, no source)."""
SHOWN_S: Final = 5 * MINUTE_S
"""How long a cut-out that a restart found ended is shown on (our choice), from the first look at
which the hub has started: a rule hears its end only from on to off, and not before that."""
MOST_TRIPS: Final = 2
"""So many within a day and it is latched: once may be a hot day."""


class CutOutReason(StrEnum):
    """Why the circuit must be off, the gravest first."""

    NONE = "none"
    STUCK_ON = "stuck_on"
    """The heater warms although it is commanded off."""
    REPEATED = "repeated"
    """The band was left upwards more than once within a day."""
    TOO_WARM = "too_warm"
    SILENT = "silent"
    """The thermometer is lost."""
    RETURNING = "returning"
    """Below the limit, not yet by the margin; or a restart has just found it ended."""


LATCHING: Final = (CutOutReason.STUCK_ON, CutOutReason.REPEATED)


@dataclass(frozen=True, slots=True)
class CutOutFacts:
    """What is known at a look."""

    temp_c: float | None
    heard_s: float | None
    """When the temperature was reported; None: none is valid."""
    is_too_warm: bool
    """Whether the alarm of the high limit stands."""
    is_stuck_on: bool


@dataclass(frozen=True, slots=True)
class CutOutView:
    """What a look shows."""

    is_lost: bool
    """The thermometer."""
    is_cut_out: bool
    """The heater's circuit must be off."""
    is_locked_out: bool
    reason: CutOutReason


class CutOut:
    """Judges one heater's circuit; give it every report and the time."""

    __slots__ = (
        "_began_s",
        "_high_c",
        "_is_off",
        "_is_restored",
        "_latched",
        "_silence_s",
        "_trips",
        "_valid_s",
        "_warm",
    )

    def __init__(self, high_c: float, silence_s: float = SILENCE_S) -> None:
        self._high_c = high_c
        self._silence_s = positive("a silence", silence_s, "s")
        self._valid_s: float | None = None
        self._warm = False
        self._is_off = False
        self._is_restored = False
        self._began_s: float | None = None
        self._latched = CutOutReason.NONE
        self._trips: deque[float] = deque(maxlen=MOST_TRIPS)

    def take(self, t_s: float, facts: CutOutFacts, *, has_started: bool) -> CutOutView:
        """Return what must be after a look; `has_started`: the hub has, so rules hear of it."""
        if self._is_restored and has_started:
            self._is_restored, self._began_s = False, t_s
        if facts.heard_s is not None:
            self._valid_s = min(facts.heard_s, t_s)
        elif self._valid_s is None or t_s < self._valid_s:
            self._valid_s = t_s  # at the first look nothing has been silent yet
        is_lost = t_s - self._valid_s >= self._silence_s
        if facts.is_too_warm and not self._warm and not self._is_off:
            self._trips.append(t_s)
        self._warm = facts.is_too_warm
        if facts.is_stuck_on:
            self._latched = CutOutReason.STUCK_ON
        elif self._latched is CutOutReason.NONE and self._is_repeated(t_s):
            self._latched = CutOutReason.REPEATED
        reason = self._reason(t_s, facts, is_lost=is_lost)
        self._is_off = reason is not CutOutReason.NONE
        return CutOutView(is_lost, self._is_off, self._latched is not CutOutReason.NONE, reason)

    def _is_repeated(self, t_s: float) -> bool:
        return len(self._trips) == MOST_TRIPS and t_s - self._trips[0] <= DAY_S

    def _reason(self, t_s: float, facts: CutOutFacts, *, is_lost: bool) -> CutOutReason:
        if self._latched is not CutOutReason.NONE:
            return self._latched
        if facts.is_too_warm:
            return CutOutReason.TOO_WARM
        if is_lost:
            return CutOutReason.SILENT
        is_back = facts.temp_c is not None and facts.temp_c <= self._high_c - MARGIN_K
        if self._is_restored:
            is_back = False  # nobody would hear it
        elif is_back and self._began_s is not None:
            is_back = not 0.0 <= t_s - self._began_s < SHOWN_S
        return CutOutReason.RETURNING if self._is_off and not is_back else CutOutReason.NONE

    def refusal(self, facts: CutOutFacts, *, is_lost: bool) -> CutOutReason:
        """Return what forbids a reset now; NONE: nothing does."""
        if facts.is_stuck_on:
            return CutOutReason.STUCK_ON
        if facts.is_too_warm:
            return CutOutReason.TOO_WARM
        return CutOutReason.SILENT if is_lost else CutOutReason.NONE

    def reset(self) -> None:
        """Leave the latch; the circuit may go on once the water is back by the margin.

        While the hub still starts, it ends as what a restart found ended: after `SHOWN_S`.
        """
        self._latched = CutOutReason.NONE
        self._trips.clear()
        self._began_s = None

    def snapshot(self) -> dict[str, Any]:
        """Return what must outlive the hub."""
        return {
            "is_off": self._is_off,
            "warm": self._warm,
            "latched": self._latched.value,
            "trips": list(self._trips),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up what was stored.

        Raises:
            ValueError: It is damaged; nothing is taken up then.
        """
        latched = CutOutReason(str(data.get("latched")))
        trips = numbers(data.get("trips"))
        flags = data.get("is_off"), data.get("warm")
        if latched not in (CutOutReason.NONE, *LATCHING) or not all(
            isinstance(flag, bool) for flag in flags
        ):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "the memory of the cut-out is damaged")
        self._is_off, self._warm = bool(flags[0]), bool(flags[1])
        self._is_restored = True
        self._latched = latched
        self._trips = deque(trips, maxlen=MOST_TRIPS)
