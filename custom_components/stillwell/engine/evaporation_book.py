"""The books of an open surface: the pressure gap by hour and local day, and what days teach.

What the air asks for is averaged as it comes and goes; what left the vessel is read from the
vessel's own days. A day teaches the coefficient only if both are known for nearly all of it and
nothing happened that is no evaporation.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from math import sqrt
from statistics import fmean, median
from typing import Any, Final

from .evaporation import (
    DAYS_KEPT,
    FEWEST_DAYS,
    CoefficientLearner,
    Day,
    coefficient_of_activity,
    expected_l_per_day,
    heat_lost_w,
    pressure_gap_pa,
)
from .evaporation_demand import demand_ratio
from .evaporation_reading import (
    EvaporationReading,
    Evidence,
    extra_heat_frac,
    ratio_of,
    read_evaporation,
)
from .ledger import DayUse
from .quantities import DAY_S, HOUR_S, MINUTE_S, DaySpan
from .salt_balance import SaltVerdict
from .validity import DamagedError, InputFault, number, numbers, positive, water_temp_c

HOLDS_S: Final = 15 * MINUTE_S
"""What was seen of water and room stands for no longer than this; the rest is a gap."""
CLOSE_AFTER_S: Final = HOUR_S
"""A day is closed when the vessel had the time to book its last hour."""
WELL_COVERED_FRAC: Final = 0.9
KNOWN_AFTER_S: Final = HOUR_S
SURE_AFTER_S: Final = 0.8 * DAY_S
"""Less than this of the last day tells a night from a day, not a cover from none."""
MEASURED_HOLDS_S: Final = HOUR_S
"""For how long use that is only carried still counts as measured."""
HOURS_KEPT: Final = 50
CLOSED_KEPT: Final = 7
SALT_DAYS: Final = 5
LEAST_EXTRA_L_PER_DAY: Final = 0.3
"""Heat of less than this (8 W) is lost in what a heater does anyway."""
WARMEST_WATER_C: Final = 40.0


@dataclass(frozen=True, slots=True)
class SurfaceSpec:
    """The surface that is open to the room."""

    area_m2: float
    """Of display, sump and overflow together."""
    salinity: float
    """PSU; what the keeper said is good enough, 1 PSU is 0.05 % of the pressure."""
    activity_frac: float
    """See `evaporation.coefficient_of_activity`: the first guess until days were seen."""
    is_tank_water: bool = True
    """Whether it is measured in the tank's own water, a sump; otherwise in what supplies it."""

    def __post_init__(self) -> None:
        positive("a surface", self.area_m2, "m2")
        coefficient_of_activity(self.activity_frac)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is seen of water and room at a time; None: not known."""

    water_c: float | None = None
    room_c: float | None = None
    humidity_frac: float | None = None
    heater_w: float | None = None
    """Mean power of the heater over the last day; None, too, while it does not regulate."""
    is_disturbed: bool = False
    """Whether an alarm stands or somebody works at the water: the day teaches nothing."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What left the vessel over the last day."""

    use_l_per_day: float | None
    held_s: float
    """For how long it is only carried."""

    @property
    def l_per_day(self) -> float | None:
        """The measured use; None when it is carried for too long."""
        return None if self.held_s > MEASURED_HOLDS_S else self.use_l_per_day


@dataclass(frozen=True, slots=True)
class EvaporationView:
    """All that may be shown; None means not known."""

    measured_l_per_day: float | None
    expected_l_per_day: float | None
    ratio: float | None
    reading: EvaporationReading
    heat_lost_w: float | None
    coefficient: float | None
    """What was learned, kg/(m2 h kPa); None while it is a guess."""
    quiet_days: int


@dataclass(frozen=True, slots=True)
class SaltLedger:
    """Fresh water that came in over some days, against what evaporation explains; L/d."""

    fresh_in_l_per_day: float
    evaporation_l_per_day: float
    evaporation_sigma: float


@dataclass(slots=True)
class _OpenDay:
    """The local day that is being added up."""

    key: str
    start_s: float
    end_s: float
    gap_pa_s: float = 0.0
    covered_s: float = 0.0
    heater_w: float | None = None
    is_disturbed: bool = False


@dataclass(frozen=True, slots=True)
class _ClosedDay:
    """A day with its books; only days that were covered."""

    end_s: float
    used_l: float
    added_l: float
    per_coefficient_l: float


class EvaporationBook:
    """One surface; give it what is seen twice a minute."""

    __slots__ = ("_closed", "_heaters", "_hours", "_last_s", "_learner", "_open", "spec")

    def __init__(self, spec: SurfaceSpec) -> None:
        self.spec = spec
        self._learner = CoefficientLearner(coefficient_of_activity(spec.activity_frac))
        self._hours: deque[list[float]] = deque(maxlen=HOURS_KEPT)  # hour, gap Pa s, covered s
        self._open: list[_OpenDay] = []
        self._closed: deque[_ClosedDay] = deque(maxlen=CLOSED_KEPT)
        self._heaters: deque[float] = deque(maxlen=DAYS_KEPT)
        self._last_s: float | None = None

    # What is seen

    def take(self, t_s: float, day: DaySpan, seen: Surroundings) -> None:
        """Take what is seen now; it stands for the time since the last look.

        Raises:
            InputError: A value that no water and no room has; nothing is taken then.
        """
        gap_pa = self._gap_pa(seen)
        last_s, self._last_s = self._last_s, t_s
        today = self._today(day)
        today.is_disturbed |= seen.is_disturbed
        if seen.heater_w is not None:
            today.heater_w = seen.heater_w
        if gap_pa is None or last_s is None or not 0.0 < t_s - last_s <= HOLDS_S:
            return
        span_s = t_s - last_s
        today.gap_pa_s += gap_pa * span_s
        today.covered_s += span_s
        hour = self._hour(t_s)
        hour[1] += gap_pa * span_s
        hour[2] += span_s

    def _gap_pa(self, seen: Surroundings) -> float | None:
        if seen.water_c is None:
            return None
        water_temp_c(seen.water_c, 0.0, WARMEST_WATER_C)
        if seen.room_c is None or seen.humidity_frac is None:
            return None
        salinity = self.spec.salinity
        return pressure_gap_pa(seen.water_c, seen.room_c, seen.humidity_frac, salinity)

    def _today(self, day: DaySpan) -> _OpenDay:
        for known in self._open:
            if known.key == day.key:
                return known
        today = _OpenDay(day.key, day.start_s, day.end_s)
        self._open.append(today)
        return today

    def _hour(self, t_s: float) -> list[float]:
        at = t_s // HOUR_S
        if not self._hours or self._hours[-1][0] != at:
            self._hours.append([at, 0.0, 0.0])
        return self._hours[-1]

    # Days

    def is_day_due(self, t_s: float) -> bool:
        """Return whether a day waits to be closed."""
        return any(day.end_s + CLOSE_AFTER_S <= t_s for day in self._open)

    def close(self, t_s: float, uses: Iterable[DayUse]) -> None:
        """Close the days that are over, with what the vessel booked of them."""
        by_key = {use.key: use for use in uses}
        for day in list(self._open):
            if day.end_s + CLOSE_AFTER_S <= t_s:
                self._open.remove(day)
                if (use := by_key.get(day.key)) is not None:
                    self._book(day, use)

    def _book(self, day: _OpenDay, use: DayUse) -> None:
        covered = min(use.covered_frac, day.covered_s / (day.end_s - day.start_s))
        if covered < WELL_COVERED_FRAC:
            return
        per = self._per_coefficient_l(day.gap_pa_s / day.covered_s)
        self._closed.append(_ClosedDay(day.end_s, use.used_l, use.added_l, per))
        is_quiet = not day.is_disturbed and use.unexplained_l == 0.0
        # Days of 23 and 25 hours: both are litres a day.
        measured = use.used_l * DAY_S / (day.end_s - day.start_s)
        if self._learner.take(Day(measured, per, is_quiet)) and day.heater_w is not None:
            self._heaters.append(day.heater_w)

    def _per_coefficient_l(self, gap_pa: float) -> float:
        return expected_l_per_day(self.spec.area_m2, gap_pa, 1.0)

    def salt_ledger(self, t_s: float) -> SaltLedger | None:
        """Return fresh water and evaporation of the last days; None until three are known.

        Fresh water is what was added to the tank's own water, or what left the supply.
        """
        since_s = t_s - (SALT_DAYS + 1) * DAY_S - CLOSE_AFTER_S
        days = [day for day in self._closed if day.end_s > since_s][-SALT_DAYS:]
        if len(days) < FEWEST_DAYS or not self._learner.is_learned:
            return None
        per = fmean(day.per_coefficient_l for day in days)
        evaporation = per * self._learner.coefficient
        sigma = evaporation * self._learner.spread_frac / sqrt(len(days))
        is_added = self.spec.is_tank_water
        fresh = fmean(day.added_l if is_added else day.used_l for day in days)
        return SaltLedger(fresh, evaporation, sigma)

    # What is shown

    def _trailing_gap(self, t_s: float) -> tuple[float | None, float]:
        """Return the mean gap of the last day, Pa, and how much of it is covered, s."""
        hours = [hour for hour in self._hours if hour[0] > t_s // HOUR_S - DAY_S / HOUR_S]
        covered_s = sum(hour[2] for hour in hours)
        if covered_s < KNOWN_AFTER_S:
            return None, covered_s
        return sum(hour[1] for hour in hours) / covered_s, covered_s

    def demand_ratio(self, t_s: float) -> float | None:
        """Return what the air asks for now over what it did while the use was learned.

        Returns:
            None without a learned coefficient, without a fresh look, or while too little is known.
        """
        is_fresh = self._last_s is not None and t_s - self._last_s <= HOLDS_S
        if not is_fresh or not self._learner.is_learned:
            return None
        return demand_ratio(self._hours, t_s)

    def view(
        self, t_s: float, measured: Measured, seen: Surroundings, salt: SaltVerdict
    ) -> EvaporationView:
        """Return what may be shown now; `seen` as it was taken."""
        litres, learner = measured.l_per_day, self._learner
        gap_pa, covered_s = self._trailing_gap(t_s)
        per = None if gap_pa is None else self._per_coefficient_l(gap_pa)
        expected = None if per is None else per * learner.coefficient
        ratio, reading = None, EvaporationReading.UNKNOWN
        if litres is not None and per is not None and covered_s >= SURE_AFTER_S:
            ratio, reading = self._compared(litres, per, seen, salt)
        lost_w = None
        if litres is not None and seen.water_c is not None:
            lost_w = heat_lost_w(litres, seen.water_c)
        return EvaporationView(
            measured_l_per_day=litres,
            expected_l_per_day=expected,
            ratio=ratio,
            reading=reading,
            heat_lost_w=lost_w,
            coefficient=learner.coefficient if learner.is_learned else None,
            quiet_days=learner.days,
        )

    def _compared(
        self, litres: float, per: float, seen: Surroundings, salt: SaltVerdict
    ) -> tuple[float | None, EvaporationReading]:
        """Return measured over expected and what it says; nothing before days were learned."""
        expected = per * self._learner.coefficient
        if not self._learner.is_learned or expected <= 0.0:
            return None, EvaporationReading.UNKNOWN
        heat = self._extra_heat_frac(litres - expected, seen)
        is_tank_water = self.spec.is_tank_water
        seen_now = Evidence(litres, expected, litres / per, heat, salt, is_tank_water)
        return ratio_of(litres, expected), read_evaporation(seen_now)

    def _extra_heat_frac(self, extra_l_per_day: float, seen: Surroundings) -> float | None:
        """Return which share of the additional heat the heater brought; None: not known."""
        if seen.heater_w is None or seen.water_c is None or len(self._heaters) < FEWEST_DAYS:
            return None
        if extra_l_per_day < LEAST_EXTRA_L_PER_DAY:
            return None
        extra_w = heat_lost_w(extra_l_per_day, seen.water_c)
        return extra_heat_frac(seen.heater_w - median(self._heaters), extra_w)

    # Memory

    def relearn(self) -> None:
        """Forget what was learned: a cover, a fan or the surface was changed."""
        self._learner.relearn()
        self._heaters.clear()

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned and added up."""
        return {
            "area_m2": self.spec.area_m2,
            "learner": self._learner.snapshot(),
            "heaters": list(self._heaters),
            "hours": [list(hour) for hour in self._hours],
            "open": [asdict(day) for day in self._open],
            "closed": [
                [day.end_s, day.used_l, day.added_l, day.per_coefficient_l] for day in self._closed
            ],
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take up a snapshot; what another surface taught is of no use.

        Raises:
            ValueError: It is damaged; nothing is taken up then.
        """
        try:
            is_same = number(data["area_m2"]) == self.spec.area_m2
            first = coefficient_of_activity(self.spec.activity_frac)
            learner = CoefficientLearner.restore(data["learner"], first)
            heaters = numbers(data["heaters"])
            hours = [_row(row, 3) for row in data["hours"]]
            opened = [_open_day(day) for day in data["open"]]
            closed = [_ClosedDay(*_row(row, 4)) for row in data["closed"]]
        except (KeyError, TypeError, AttributeError) as err:
            text = f"not the books of a surface: {err!r}"
            raise DamagedError(InputFault.NOT_FINITE, text) from err
        self._hours.extend(hours)
        self._open = opened
        if is_same:
            self._learner = learner
            self._heaters.extend(heaters)
            self._closed.extend(closed)


def _row(row: object, length: int) -> list[float]:
    found = numbers(row)
    if len(found) != length:
        raise DamagedError(InputFault.OUTSIDE_RANGE, f"{row!r} has not {length} numbers")
    return found


def _open_day(data: Mapping[str, Any]) -> _OpenDay:
    start_s, end_s = number(data["start_s"]), number(data["end_s"])
    heater_w = data["heater_w"]
    return _OpenDay(
        key=str(data["key"]),
        start_s=start_s,
        end_s=start_s + positive("a day", end_s - start_s, "s"),
        gap_pa_s=number(data["gap_pa_s"]),
        covered_s=number(data["covered_s"]),
        heater_w=None if heater_w is None else number(heater_w),
        is_disturbed=bool(data["is_disturbed"]),
    )
