"""Limewater dosed by the sump's level: raised when it falls, lowered when it rises, capped.

Advice, not command: what comes out is a rate that a person arms. Limewater is caustic and an
overdose kills; a dosing container that holds no more than the tank bears is the last layer.
"""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Any, Final

from .invalid import Amount, Code
from .quantities import DAY_S, HOUR_S, LITRES_PER_M3
from .typed_entries import TYPED_KEPT, take_back
from .validity import DamagedError, InputError, InputFault, positive, within

RETURN_S: Final = 6.0 * HOUR_S
"""In which a level error is made good by the proportional part."""
LEARN_S: Final = 4.0 * RETURN_S
"""Time of the part that learns the usual need; four times the other is critically damped."""
_PAIR: Final = 2
MERGED_S: Final = 300.0
"""A pump that runs all day is noted in so many steps."""
DOSES_KEPT: Final = 25 * 12 + 1
"""The longest local day of them; the rolling day is shorter. Bounded by count and never by the
clock: one look with the clock a day ahead must not empty the ledger."""
LEAST_DOSE_L: Final = 1e-4
"""Two drops; less room than that is none."""
LONGEST_STEP_S: Final = HOUR_S
"""Time without a look counts no more than this."""


class NoDose(StrEnum):
    """Why nothing is dosed, the gravest first."""

    NONE = "none"
    LOCKOUT = "lockout"
    STALE = "stale"
    """The level is not known, or not to be trusted."""
    HIGH_LEVEL = "high_level"
    PUMP_OFF = "pump_off"
    """The return or circulation pump: a dose would not be mixed."""
    PH_OUTSIDE = "ph_outside"
    """Outside its band, or chosen and not known."""
    ORP_OUTSIDE = "orp_outside"
    ALKALINITY_HIGH = "alkalinity_high"
    """The newest test lies far above the target: no more before one that does not."""
    STOCK_EMPTY = "stock_empty"
    DAY_CAP = "day_cap"
    HOUR_CAP = "hour_cap"
    PH_RISE_CAP = "ph_rise_cap"
    LEVEL_SUFFICES = "level_suffices"
    """The sump needs no water: what does not evaporate leaves no room for limewater."""


@dataclass(frozen=True, slots=True)
class DosingSpec:
    """Target and bounds; volumes in L, rates in L/h."""

    target_m: float
    sump_area_m2: float
    ceiling_l_per_h: float
    most_per_dose_l: float
    most_per_hour_l: float
    most_per_day_l: float
    floor_l_per_h: float = 0.0
    dead_band_m: float = 0.002
    ramp_l_per_h_per_h: float = 0.2
    high_m: float | None = None
    ph_band: tuple[float, float] | None = None
    orp_band_mv: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for name in (
            "target_m", "sump_area_m2", "ceiling_l_per_h", "most_per_dose_l", "most_per_hour_l",
            "most_per_day_l", "ramp_l_per_h_per_h",
        ):  # fmt: skip
            positive(name, getattr(self, name))
        within("the floor", self.floor_l_per_h, 0.0, self.ceiling_l_per_h, unit="L/h")
        within("the dead band", self.dead_band_m, 0.0, 0.1, unit="m")
        if not self.most_per_dose_l <= self.most_per_hour_l <= self.most_per_day_l:
            raise InputError(InputFault.CONTRADICTION, Code.CAPS_ORDER)
        for band in (self.ph_band, self.orp_band_mv):
            if band is not None and not band[0] < band[1]:
                low, high = (Amount(end) for end in band)
                raise InputError(InputFault.CONTRADICTION, Code.BAND, low=low, high=high)


@dataclass(frozen=True, slots=True)
class DosingFacts:
    """What is known at a look; None: not known."""

    depth_m: float | None
    pump_on: bool | None = True
    is_locked_out: bool = False
    is_stock_empty: bool = False
    ph: float | None = None
    orp_mv: float | None = None
    most_for_ph_l: float | None = None
    """Most within an hour for the pH rise allowed in a closed system; None: no such cap."""
    others_hour_l: float = 0.0
    """Dosed into the same system by its other lines, which the animals bear together with this."""
    others_day_l: float = 0.0
    is_alkalinity_high: bool = False


@dataclass(frozen=True, slots=True)
class DoseAdvice:
    """What to dose."""

    rate_l_per_h: float
    dose_l: float
    """Largest single dose now; 0 with a reason."""
    reason: NoDose
    is_at_ceiling: bool
    """Limewater alone cannot replace what is lost or hold the alkalinity."""


class DoseAdjuster:
    """Adjusts the rate of one dosing line and keeps its ledger of doses."""

    __slots__ = ("_doses", "_last_s", "_rate", "_typed", "_usual", "spec")

    def __init__(self, spec: DosingSpec) -> None:
        self.spec = spec
        self._rate = 0.0
        self._usual = 0.0
        """What is usually needed, L/h: learned slowly."""
        self._last_s: float | None = None
        self._doses: deque[tuple[float, float]] = deque(maxlen=DOSES_KEPT)
        self._typed: deque[tuple[float, float]] = deque()
        """Doses that a person typed in, each by itself: these alone can be taken back."""

    def dosed(self, t_s: float, dose_l: float) -> None:
        """Note a dose that was given, whoever gave it; those within 5 minutes become one.

        Raises:
            InputError: No volume above 0.
        """
        given_l = positive("a dose", dose_l, "L")
        if self._doses and self._doses[-1][0] // MERGED_S == t_s // MERGED_S:
            # Told at the later time, it counts the longer.
            given_l += self._doses.pop()[1]
        self._doses.append((t_s, given_l))

    def typed(self, t_s: float, dose_l: float) -> None:
        """Note a dose that a person gave and typed in.

        Raises:
            InputError: No volume above 0.
        """
        self._typed.append((t_s, positive("a dose", dose_l, "L")))
        if len(self._typed) > TYPED_KEPT:
            self._put(*self._typed.popleft())

    def _put(self, t_s: float, dose_l: float) -> None:
        """Note an older dose in its place, so that as many of them fit in as of any other."""
        doses = self._doses
        at = next((at for at, (when, _) in enumerate(doses) if when >= t_s), len(doses))
        for near in (at, at - 1):
            if 0 <= near < len(doses) and doses[near][0] // MERGED_S == t_s // MERGED_S:
                when, given_l = doses[near]
                doses[near] = max(when, t_s), given_l + dose_l
                return
        self._doses = deque(
            (*list(doses)[:at], (t_s, dose_l), *list(doses)[at:]), maxlen=DOSES_KEPT
        )

    @property
    def typed_doses(self) -> tuple[tuple[float, float], ...]:
        """Doses that can still be taken back: when, and L."""
        return tuple(self._typed)

    def take_back(self, t_s: float) -> None:
        """Forget the dose that a person typed in at a time; what a pump gave stays."""
        take_back(self._typed, lambda dose: dose[0] == t_s)

    def given_l(self, t_s: float, span_s: float) -> float:
        """Return what was dosed in a span that ends now, L. Doses of the future count too."""
        return sum(
            dose for doses in (self._doses, self._typed) for when, dose in doses
            if when > t_s - span_s
        )  # fmt: skip

    def look(self, t_s: float, facts: DosingFacts) -> DoseAdvice:
        """Return the advice; call it at every report and each minute."""
        reason = self._bar(facts)
        if reason is not NoDose.NONE or facts.depth_m is None:
            self._rate, self._last_s = 0.0, t_s
            return DoseAdvice(0.0, 0.0, reason, is_at_ceiling=False)
        self._adjust(t_s, facts.depth_m)
        dose_l, reason = self._room(t_s, facts)
        rate = self._rate
        if reason is NoDose.NONE and rate <= 0.0:
            dose_l, reason = 0.0, NoDose.LEVEL_SUFFICES
        is_at_ceiling = rate >= self.spec.ceiling_l_per_h or reason in (
            NoDose.DAY_CAP,
            NoDose.HOUR_CAP,
        )
        return DoseAdvice(0.0 if dose_l <= 0.0 else rate, dose_l, reason, is_at_ceiling)

    def _bar(self, facts: DosingFacts) -> NoDose:
        """Return what forbids any dose."""
        spec = self.spec
        high = spec.high_m is not None and facts.depth_m is not None
        bars = (
            (facts.is_locked_out, NoDose.LOCKOUT),
            (facts.depth_m is None, NoDose.STALE),
            (high and (facts.depth_m or 0.0) >= (spec.high_m or 0.0), NoDose.HIGH_LEVEL),
            (facts.pump_on is not True, NoDose.PUMP_OFF),
            (_is_outside(facts.ph, spec.ph_band), NoDose.PH_OUTSIDE),
            (_is_outside(facts.orp_mv, spec.orp_band_mv), NoDose.ORP_OUTSIDE),
            (facts.is_alkalinity_high, NoDose.ALKALINITY_HIGH),
            (facts.is_stock_empty, NoDose.STOCK_EMPTY),
        )
        return next((reason for holds, reason in bars if holds), NoDose.NONE)

    def _adjust(self, t_s: float, depth_m: float) -> None:
        spec = self.spec
        span_s = 0.0
        if self._last_s is not None:
            span_s = min(max(0.0, t_s - self._last_s), LONGEST_STEP_S)
        self._last_s = t_s
        error = spec.target_m - depth_m
        beyond = max(0.0, abs(error) - spec.dead_band_m) * (1.0 if error > 0.0 else -1.0)
        gain = spec.sump_area_m2 * LITRES_PER_M3 / RETURN_S * HOUR_S  # L/h per m
        # Nothing moves inside the dead band: learning there without the other part would swing.
        usual = self._usual + gain * beyond * span_s / LEARN_S
        self._usual = min(max(usual, spec.floor_l_per_h), spec.ceiling_l_per_h)
        wanted = min(max(self._usual + gain * beyond, spec.floor_l_per_h), spec.ceiling_l_per_h)
        # Raised no faster than the ramp; lowered at once, because less is the safe side.
        self._rate = min(wanted, self._rate + spec.ramp_l_per_h_per_h * span_s / HOUR_S)

    def _room(self, t_s: float, facts: DosingFacts) -> tuple[float, NoDose]:
        """Return the largest dose now, and what leaves no room for any."""
        spec = self.spec
        hour_l = self.given_l(t_s, HOUR_S) + facts.others_hour_l
        day_l = self.given_l(t_s, DAY_S) + facts.others_day_l
        caps = [
            (spec.most_per_day_l - day_l, NoDose.DAY_CAP),
            (spec.most_per_hour_l - hour_l, NoDose.HOUR_CAP),
        ]
        if facts.most_for_ph_l is not None:
            caps.append((facts.most_for_ph_l - hour_l, NoDose.PH_RISE_CAP))
        if used_up := [cap for room, cap in caps if room < LEAST_DOSE_L]:
            return 0.0, used_up[0]
        return min(spec.most_per_dose_l, *(room for room, _ in caps)), NoDose.NONE

    def snapshot(self) -> dict[str, Any]:
        """Return the ledger and what was learned."""
        return {
            "usual_l_per_h": self._usual,
            "last_s": self._last_s,
            "doses": [list(dose) for dose in self._doses],
            "typed": [list(dose) for dose in self._typed],
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up the ledger; the rate starts at 0 and ramps.

        Raises:
            ValueError: The snapshot is damaged; nothing is taken up then.
        """
        usual, last = (data.get(key) for key in ("usual_l_per_h", "last_s"))
        doses = _listed(data.get("doses"))
        typed = _listed(data.get("typed", []))  # once noted among the others
        numbers = [usual, *(value for dose in (*doses, *typed) for value in dose)]
        if last is not None:
            numbers.append(last)
        if not all(isinstance(value, int | float) and isfinite(value) for value in numbers):
            raise DamagedError(InputFault.NOT_FINITE, "a number of the doses is damaged")
        spec = self.spec
        self._usual = min(max(float(usual or 0.0), spec.floor_l_per_h), spec.ceiling_l_per_h)
        self._last_s = None if last is None else float(last)
        self._doses = deque(((float(when), float(dose)) for when, dose in doses), maxlen=DOSES_KEPT)
        self._typed = deque((float(when), float(dose)) for when, dose in typed)


def _listed(doses: object) -> list[list[Any]]:
    if not isinstance(doses, list) or any(
        not isinstance(dose, list) or len(dose) != _PAIR for dose in doses
    ):
        raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of doses")
    return doses


def _is_outside(value: float | None, band: tuple[float, float] | None) -> bool:
    """Whether a value is outside a band that was chosen; not known counts as outside."""
    return band is not None and (value is None or not band[0] <= value <= band[1])
