"""A tank's temperature watched: swing, duty, and whether the heater does what it is told.

A heater that runs long raises nothing: in a cold room it has to. What counts is the effect of
the command, told from the tank's own behaviour before: commanded off and warming as if it were
on, or commanded on and cooling as if it were off. Neither replaces a thermostat of its own.
"""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from statistics import median
from typing import Any, Final

from .alarm import AlarmSpec, DelayedAlarm
from .invalid import Amount, Code
from .quantities import DAY_S, HOUR_S, MINUTE_S
from .temp_history import TempHistory
from .thermal import COLDEST_C, WARMEST_C, adiabatic_k_per_h, time_constant_s, time_to_limit_s
from .validity import DamagedError, InputError, InputFault, positive, water_temp_c

SETTLE_S: Final = 10 * MINUTE_S
"""A heater's own warmth and the mixing lag behind the command."""
SURE_S: Final = 15 * MINUTE_S
SURE_K: Final = 0.15
"""Beyond the step of a common sensor (0.1 K)."""
STEP_K: Final = 0.15
STEP_K_PER_H: Final = 5.0
"""Faster than any heater: water was changed, or the sensor was moved."""
EFFECT_FRAC: Final = 0.5
PHASES_KEPT: Final = 12
FEWEST_PHASES: Final = 2
LEAST_OFF_SLOPE_FRAC: Final = 0.1
REGULATES_FRAC: Final = 0.02
LOOK_S: Final = 10 * MINUTE_S
LEAST_LOOK_S: Final = 30 * MINUTE_S
"""A slope over less is that of the sensor's steps."""
PEAK_DAYS: Final = 14
"""How long lights, pumps and warm rooms of the past are held to explain a rise (our choice)."""
LEARNED_S: Final = 1.5 * DAY_S
"""A day holds what warms every day; half of one more until the water has fallen after it."""
ABOVE_K: Final = 1.0
"""How far above its usual upper switch point the water must be before a heater is called stuck on
(our choice); less where the high limit is near."""
ABOVE_FRAC: Final = 0.5
HELD_FRAC: Final = 0.25
FIRST_FRAC: Final = 0.5
UNSEEN_FRAC: Final = 0.6
RELEASED_FRAC: Final = 0.8
"""How much of the heater's effect must be beyond all heat known by now: where the slope did not
drop as the heater was switched off; the same before a day was learned; where it did drop, or is not
known to have dropped, before a day was learned; and after."""


class HeaterVerdict(StrEnum):
    """What the heater does, judged by its effect."""

    UNKNOWN = "unknown"
    NORMAL = "normal"
    DEAD = "dead"
    """Commanded on, and the water cools as it does without it."""
    STUCK_ON = "stuck_on"
    """Commanded off, and the water warms as it does with it."""


@dataclass(frozen=True, slots=True)
class ThermalSpec:
    """The safe band and what is known of the heater."""

    low_c: float
    high_c: float
    power_w: float | None = None
    volume_l: float | None = None
    dead_band_k: float = 0.2
    on_delay_s: float = 5 * MINUTE_S
    off_delay_s: float = 5 * MINUTE_S

    def __post_init__(self) -> None:
        low = water_temp_c(self.low_c, COLDEST_C, WARMEST_C)
        if low >= water_temp_c(self.high_c, COLDEST_C, WARMEST_C):
            raise InputError(
                InputFault.CONTRADICTION,
                Code.BAND,
                low=Amount(low, "degC"),
                high=Amount(self.high_c, "degC"),
            )


@dataclass(frozen=True, slots=True)
class ThermalView:
    """What a look at the watch shows."""

    temp_c: float | None
    swing_k: float | None
    """Highest less lowest of the last day."""
    duty_frac: float | None
    """Share of the last day the heater was on."""
    heater: HeaterVerdict
    is_low: bool
    is_high: bool
    to_limit_s: float | None
    """Until the band is left at the present course; None: it is not."""
    time_constant_s: float | None
    lowest_c: float | None
    """Of the last day."""


def regulating_power_w(spec: ThermalSpec, view: ThermalView) -> float | None:
    """Return the mean power over the last day of a heater that holds the temperature, W.

    None when it is not known, and when the heater was off or on nearly all the time: then the
    water's temperature gives way, and its power says nothing of the heat that is lost.
    """
    if spec.power_w is None or view.duty_frac is None:
        return None
    if not REGULATES_FRAC <= view.duty_frac <= 1.0 - REGULATES_FRAC:
        return None
    return spec.power_w * view.duty_frac


@dataclass(slots=True)
class _Phase:
    """A stretch of one command."""

    is_on: bool
    start_s: float
    from_s: float | None = None
    """When the extreme against the command's sense was met."""
    from_c: float = 0.0
    steady_s: float = 0.0
    """Since when no step was seen."""
    looked_s: float | None = None
    peak: float | None = None
    """Fastest rise while it is off, K/s, until the water is seen to fall."""
    before: float | None = None
    """Slope of the stretch on before, K/s."""
    is_released: bool | None = None
    """Whether the slope dropped as the heater was switched off; None: not known."""


class HeaterWatch:
    """Watches one tank; give it every report and, once a minute, the time."""

    __slots__ = (
        "_drops", "_heater", "_high", "_history", "_last", "_low", "_off_at", "_off_slopes",
        "_on_slopes", "_peaks", "_peaks_since_s", "_phase", "_taus", "spec",
    )  # fmt: skip

    def __init__(self, spec: ThermalSpec) -> None:
        self.spec = spec
        delays = (spec.dead_band_k, spec.on_delay_s, spec.off_delay_s)
        self._low = DelayedAlarm(AlarmSpec(spec.low_c, *delays, is_high=False))
        self._high = DelayedAlarm(AlarmSpec(spec.high_c, *delays, is_high=True))
        self._history = TempHistory()
        self._phase: _Phase | None = None
        self._last: tuple[float, float] | None = None
        self._heater = HeaterVerdict.UNKNOWN
        self._on_slopes: deque[float] = deque(maxlen=PHASES_KEPT)
        self._off_slopes: deque[float] = deque(maxlen=PHASES_KEPT)
        self._taus: deque[float] = deque(maxlen=PHASES_KEPT)
        self._drops: deque[float] = deque(maxlen=PHASES_KEPT)
        """How much the slope dropped when the heater was switched off, K/s."""
        self._off_at: deque[float] = deque(maxlen=PHASES_KEPT)
        """How warm the water was when the heater was switched off."""
        self._peaks: deque[tuple[float, float]] = deque(maxlen=PEAK_DAYS)
        """A day's number, and its fastest rise without the heater, K/s."""
        self._peaks_since_s: float | None = None

    def take(
        self, t_s: float, temp_c: float | None, *, is_on: bool | None, room_c: float | None = None
    ) -> ThermalView:
        """Return the view after a report.

        Args:
            t_s: Time of the report.
            temp_c: The water's temperature, degC; None: not known.
            is_on: Whether the heater is commanded on; None: not known.
            room_c: The room's temperature, degC, if it is measured.

        Raises:
            InputError: A temperature not above 0 to 50 degC; Fahrenheit is recognised.
        """
        if temp_c is not None:
            # Exactly 0 is what an unplugged probe reads, and no tank's water.
            positive("a temperature", water_temp_c(temp_c, COLDEST_C, WARMEST_C), "degC")
        self._history.take(t_s, temp_c, is_on=is_on)
        self._low.take(t_s, temp_c)
        self._high.take(t_s, temp_c)
        self._follow(t_s, temp_c, is_on, room_c)
        return self._view(t_s, temp_c)

    # Phases

    def _follow(
        self, t_s: float, temp_c: float | None, is_on: bool | None, room_c: float | None
    ) -> None:
        phase, before = self._phase, None
        if phase is not None and (phase.is_on is not is_on or t_s < phase.start_s):
            before = self._close(phase, room_c)
            phase = self._phase = None
        if is_on is None:
            self._heater = HeaterVerdict.UNKNOWN
        elif phase is None:
            self._phase = phase = _Phase(is_on, t_s, steady_s=t_s + SETTLE_S, before=before)
        if temp_c is None:
            return
        if phase is not None and t_s - phase.start_s >= SETTLE_S:
            self._judge(phase, t_s, temp_c)
        self._last = (t_s, temp_c)

    def _judge(self, phase: _Phase, t_s: float, temp_c: float) -> None:
        sign = -1.0 if phase.is_on else 1.0  # the sense that speaks against the command
        last = self._last
        if phase.from_s is None or last is None or _is_step(last, t_s, temp_c):
            phase.from_s, phase.from_c, phase.steady_s = t_s, temp_c, t_s
            return
        if not phase.is_on:
            self._learn_off(phase, t_s, temp_c)
        moved = sign * (temp_c - phase.from_c)
        if moved < 0.0:
            phase.from_s, phase.from_c = t_s, temp_c
            if phase.is_on or self._heater is not HeaterVerdict.UNKNOWN:
                self._heater = HeaterVerdict.NORMAL
            return
        span_s = t_s - phase.from_s
        if span_s < SURE_S or moved < SURE_K:
            return
        if self._is_against(phase, sign * moved / span_s, t_s, temp_c):
            self._heater = HeaterVerdict.DEAD if phase.is_on else HeaterVerdict.STUCK_ON

    def _is_against(self, phase: _Phase, slope: float, t_s: float, temp_c: float) -> bool:
        """Whether a slope (K/s) is that of the other command."""
        effect = self._effect_k_per_s()
        if phase.is_on:
            usual = self._off_k_per_s
            if effect is None or usual is None:
                return False  # nothing to compare with yet; the low limit stands behind
            # Without effect it cools as it did when last off; with effect it cools less.
            return slope <= min(0.0, usual + EFFECT_FRAC * effect)
        if effect is None:
            return False  # a warm room warms too; the high limit stands behind
        on = self._on_k_per_s
        if slope <= max(LEAST_OFF_SLOPE_FRAC * effect, EFFECT_FRAC * (on or effect)):
            return False
        return self._is_beyond_other_heat(phase, self._most_effect(effect), t_s, temp_c)

    def _is_beyond_other_heat(
        self, phase: _Phase, effect: float, t_s: float, temp_c: float
    ) -> bool:
        """Whether nothing but the heater can warm the water so, commanded off as it is.

        dT/dt = (P + L - UA (T - Ta)) / C: lights, pumps and a warm room (L, Ta) raise the slope
        as the heater (P) does, so that a slope alone tells nothing. Three things tell. The water
        goes beyond where the thermostat used to stop it. The slope is beyond the fastest that was
        seen without the heater (the water fell afterwards, which a heater that is on forbids).
        And P / C drops off the slope the moment a heater is switched off, whatever else warms
        the water; contacts that were welded drop nothing.
        """
        limit_c = self._expected_c
        slope = self._slope_since_steady(phase, t_s)
        if limit_c is None or temp_c < limit_c or slope is None:
            return False
        is_held = phase.is_released is False
        known_s = 0.0 if self._peaks_since_s is None else t_s - self._peaks_since_s
        if known_s >= LEARNED_S:
            share = HELD_FRAC if is_held else RELEASED_FRAC
        else:
            # Lights that nobody saw yet might do; they seldom are that strong.
            share = FIRST_FRAC if is_held else UNSEEN_FRAC
        fastest = max((peak for _, peak in self._peaks), default=0.0)
        return slope >= max(0.0, fastest) + share * effect

    @property
    def _expected_c(self) -> float | None:
        """How warm the water gets at most before a heater may be called stuck on, degC."""
        if len(self._off_at) < FEWEST_PHASES:
            return None
        usual_c = max(self._off_at)
        return usual_c + min(ABOVE_K, max(0.0, ABOVE_FRAC * (self.spec.high_c - usual_c)))

    def _slope_since_steady(self, phase: _Phase, t_s: float) -> float | None:
        """Return the slope of the last hour without settling and steps, K/s; None: too short."""
        return self._history.slope_since(max(phase.steady_s, t_s - HOUR_S))

    def _most_effect(self, effect: float) -> float:
        """Return the heater's effect (K/s) though lights may hide a part of what was learned.

        Slopes on by night less slopes off by day take the lights for less heater; what the slope
        drops within the hour as it is switched off does not, nor does its power.
        """
        dropped = median(self._drops) if len(self._drops) >= FEWEST_PHASES else 0.0
        return self._rated_k_per_s or max(effect, dropped)

    def _learn_off(self, phase: _Phase, t_s: float, temp_c: float) -> None:
        """Learn how fast the water warms without the heater, now and then."""
        if phase.looked_s is not None and 0.0 <= t_s - phase.looked_s < LOOK_S:
            return
        phase.looked_s = t_s
        slope = self._slope_since_steady(phase, t_s)
        if slope is None or t_s - phase.steady_s < LEAST_LOOK_S:
            return
        is_first = t_s - phase.steady_s >= HOUR_S and phase.is_released is None
        if is_first and phase.before is not None:
            drop, effect = phase.before - slope, self._effect_k_per_s() or 0.0
            phase.is_released = drop > EFFECT_FRAC * self._most_effect(effect)
            self._drops.append(max(0.0, drop))
        phase.peak = slope if phase.peak is None else max(phase.peak, slope)
        limit_c = self._expected_c
        if slope < 0.0 and (limit_c is None or temp_c < limit_c):
            self._keep_peak(phase, t_s)

    def _keep_peak(self, phase: _Phase, t_s: float) -> None:
        """The water fell, so the heater was off: what warmed it before was something else."""
        if phase.peak is None or self._heater in (HeaterVerdict.DEAD, HeaterVerdict.STUCK_ON):
            return
        if self._peaks_since_s is None or t_s < self._peaks_since_s:
            self._peaks_since_s = t_s
        day, peak = float(t_s // DAY_S), phase.peak
        if self._peaks and self._peaks[-1][0] == day:
            peak = max(peak, self._peaks.pop()[1])
        self._peaks.append((day, peak))
        phase.peak = None

    @property
    def _on_k_per_s(self) -> float | None:
        return median(self._on_slopes) if len(self._on_slopes) >= FEWEST_PHASES else None

    @property
    def _off_k_per_s(self) -> float | None:
        return median(self._off_slopes) if len(self._off_slopes) >= FEWEST_PHASES else None

    def _effect_k_per_s(self) -> float | None:
        """Return by how much the heater changes the slope: learned, else from its power."""
        on, off = self._on_k_per_s, self._off_k_per_s
        if on is not None and off is not None:
            return on - off
        return self._rated_k_per_s

    @property
    def _rated_k_per_s(self) -> float | None:
        if self.spec.power_w is None or self.spec.volume_l is None:
            return None
        return adiabatic_k_per_h(self.spec.power_w, self.spec.volume_l) / HOUR_S

    def _close(self, phase: _Phase, room_c: float | None) -> float | None:
        """Learn from a phase that went as it should; return the slope (K/s) of one that was on."""
        slope = self._history.slope_since(phase.start_s + SETTLE_S)
        last = self._last
        is_at_fault = self._heater in (HeaterVerdict.DEAD, HeaterVerdict.STUCK_ON)
        if slope is None or last is None or is_at_fault:
            return None
        if phase.is_on and slope > 0.0:
            self._on_slopes.append(slope)
            self._off_at.append(last[1])
            return slope
        if not phase.is_on and slope < 0.0:
            self._off_slopes.append(slope)
            self._keep_peak(phase, last[0])
            if room_c is not None:
                tau = time_constant_s(last[1], room_c, slope)
                if tau is not None:
                    self._taus.append(tau)
        return None

    # Looks

    @property
    def _tau_s(self) -> float | None:
        return median(self._taus) if len(self._taus) >= FEWEST_PHASES else None

    def _view(self, t_s: float, temp_c: float | None) -> ThermalView:
        extremes_c = self._history.extremes_c
        return ThermalView(
            temp_c=temp_c,
            swing_k=self._history.swing_k,
            duty_frac=self._history.duty_frac,
            heater=self._heater,
            is_low=self._low.is_active,
            is_high=self._high.is_active,
            to_limit_s=self._to_limit_s(t_s, temp_c),
            time_constant_s=self._tau_s,
            lowest_c=None if extremes_c is None else extremes_c[0],
        )

    def _to_limit_s(self, t_s: float, temp_c: float | None) -> float | None:
        if temp_c is None:
            return None
        if not self.spec.low_c < temp_c < self.spec.high_c:
            return 0.0
        since = t_s - HOUR_S if self._phase is None else max(self._phase.start_s, t_s - HOUR_S)
        slope = self._history.slope_since(since)
        if slope is None or slope == 0.0:
            return None
        limit = self.spec.high_c if slope > 0.0 else self.spec.low_c
        found = time_to_limit_s(temp_c, limit, slope, self._tau_s)
        return None if found is None or found > DAY_S else found

    # Memory

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned."""
        return {
            "on": list(self._on_slopes),
            "off": list(self._off_slopes),
            "taus": list(self._taus),
            "drops": list(self._drops),
            "off_at": list(self._off_at),
            "peaks": [list(peak) for peak in self._peaks],
            "peaks_since": self._peaks_since_s,
            "history": self._history.snapshot(),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up what was learned.

        Raises:
            ValueError: The snapshot is damaged; nothing is taken up then.
        """
        learned = [_numbers(data.get(key)) for key in ("on", "off", "taus")]
        history = TempHistory.restore(data.get("history"))
        # Memory of before these were learned has none of them.
        drops, off_at = (_numbers(data.get(key, [])) for key in ("drops", "off_at"))
        since = data.get("peaks_since")
        peaks = data.get("peaks", [])
        if not isinstance(peaks, list):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of peaks")
        pairs = [_numbers(pair) for pair in peaks]
        if any(len(pair) != 2 for pair in pairs):  # noqa: PLR2004 - a pair
            raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of a day and a slope")
        self._peaks_since_s = None if since is None else _numbers([since])[0]
        self._peaks.extend((day, slope) for day, slope in pairs)
        self._drops.extend(drops)
        self._off_at.extend(off_at)
        for kept, found in zip(
            (self._on_slopes, self._off_slopes, self._taus), learned, strict=True
        ):
            kept.extend(found)
        self._history = history


def _is_step(last: tuple[float, float], t_s: float, temp_c: float) -> bool:
    moved = abs(temp_c - last[1])
    return moved > STEP_K and moved * HOUR_S > STEP_K_PER_H * (t_s - last[0])


def _numbers(values: Any) -> list[float]:
    if not isinstance(values, list):
        raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of numbers")
    for value in values:
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            raise DamagedError(InputFault.NOT_FINITE, f"{value!r} is no number")
    return [float(value) for value in values]
