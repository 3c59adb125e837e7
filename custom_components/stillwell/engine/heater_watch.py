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


class HeaterWatch:
    """Watches one tank; give it every report and, once a minute, the time."""

    __slots__ = (
        "_heater", "_high", "_history", "_last", "_low", "_off_slopes", "_on_slopes", "_phase",
        "_taus", "spec",
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
        phase = self._phase
        if phase is not None and (phase.is_on is not is_on or t_s < phase.start_s):
            self._close(phase, room_c)
            phase = self._phase = None
        if is_on is None:
            self._heater = HeaterVerdict.UNKNOWN
        elif phase is None:
            self._phase = phase = _Phase(is_on, t_s)
        if temp_c is None:
            return
        if phase is not None and t_s - phase.start_s >= SETTLE_S:
            self._judge(phase, t_s, temp_c)
        self._last = (t_s, temp_c)

    def _judge(self, phase: _Phase, t_s: float, temp_c: float) -> None:
        sign = -1.0 if phase.is_on else 1.0  # the sense that speaks against the command
        last = self._last
        if phase.from_s is None or last is None or _is_step(last, t_s, temp_c):
            phase.from_s, phase.from_c = t_s, temp_c
            return
        moved = sign * (temp_c - phase.from_c)
        if moved < 0.0:
            phase.from_s, phase.from_c = t_s, temp_c
            if phase.is_on or self._heater is not HeaterVerdict.UNKNOWN:
                self._heater = HeaterVerdict.NORMAL
            return
        span_s = t_s - phase.from_s
        if span_s < SURE_S or moved < SURE_K:
            return
        if self._is_against(phase, sign * moved / span_s):
            self._heater = HeaterVerdict.DEAD if phase.is_on else HeaterVerdict.STUCK_ON

    def _is_against(self, phase: _Phase, slope: float) -> bool:
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
        return slope > max(LEAST_OFF_SLOPE_FRAC * effect, EFFECT_FRAC * (on or effect))

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
        if self.spec.power_w is None or self.spec.volume_l is None:
            return None
        return adiabatic_k_per_h(self.spec.power_w, self.spec.volume_l) / HOUR_S

    def _close(self, phase: _Phase, room_c: float | None) -> None:
        """Learn from a phase that went as it should."""
        slope = self._history.slope_since(phase.start_s + SETTLE_S)
        if slope is None or self._heater in (HeaterVerdict.DEAD, HeaterVerdict.STUCK_ON):
            return
        if phase.is_on and slope > 0.0:
            self._on_slopes.append(slope)
        if not phase.is_on and slope < 0.0:
            self._off_slopes.append(slope)
            if room_c is not None and self._last is not None:
                tau = time_constant_s(self._last[1], room_c, slope)
                if tau is not None:
                    self._taus.append(tau)

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
            "history": self._history.snapshot(),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up what was learned.

        Raises:
            ValueError: The snapshot is damaged; nothing is taken up then.
        """
        learned = [_numbers(data.get(key)) for key in ("on", "off", "taus")]
        history = TempHistory.restore(data.get("history"))
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
