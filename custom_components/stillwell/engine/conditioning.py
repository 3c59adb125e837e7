"""Judges each report of a level source: status, reason and the depths to pass on."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from .quantities import HOUR_S, Reading, Reason, Status

FAULT_LOW_MA: Final = 3.6
FAULT_HIGH_MA: Final = 21.0
SATURATED_LOW_MA: Final = 3.8
SATURATED_HIGH_MA: Final = 20.5
AGREEING: Final = 3
REMEMBERED: Final = 50

_MISSING: Final = {
    Reason.LOOP_SATURATED: Status.OUT_OF_SPECIFICATION,
    Reason.RATE_IMPOSSIBLE: Status.OUT_OF_SPECIFICATION,
    Reason.STUCK: Status.OUT_OF_SPECIFICATION,
    Reason.CLOCK: Status.OUT_OF_SPECIFICATION,
    Reason.STARTING: Status.FUNCTION_CHECK,
    Reason.CONFIRMING_STEP: Status.FUNCTION_CHECK,
    Reason.MANY_REJECTED: Status.MAINTENANCE_REQUIRED,
    Reason.NOISY: Status.MAINTENANCE_REQUIRED,
    Reason.NONE: Status.GOOD,
}


def status_of(reason: Reason) -> Status:
    """Status that goes with a reason."""
    return _MISSING.get(reason, Status.FAILURE)


@dataclass(frozen=True, slots=True)
class ConditioningSettings:
    """What the keeper told about the source."""

    height_m: float
    zero_is_suspect: bool = True
    stale_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """Judgement of one report or tick."""

    t_s: float
    status: Status
    reason: Reason
    accepted: tuple[tuple[float, float], ...] = ()
    is_step: bool = False


def loop_current_reading(current_ma: float, zero_m: float, span_m: float) -> Reading:
    """Depth from a 4-20 mA loop, with the signal limits of NAMUR NE 43."""
    if current_ma <= FAULT_LOW_MA or current_ma >= FAULT_HIGH_MA:
        return Reading(None, Reason.LOOP_FAULT)
    depth_m = zero_m + span_m * (current_ma - 4.0) / 16.0
    if current_ma < SATURATED_LOW_MA or current_ma > SATURATED_HIGH_MA:
        return Reading(depth_m, Reason.LOOP_SATURATED)
    return Reading(depth_m)


class Conditioner:
    """Keeps spikes and disconnections out, lets real steps through."""

    def __init__(self, settings: ConditioningSettings) -> None:
        self._settings = settings
        self._recent: list[tuple[float, float]] = []
        self._held: list[tuple[float, float]] = []
        self._flags: list[int] = []
        self._rejected = 0
        self._noise_m: float | None = None
        self._resolution_m: float | None = None
        self._interval_s: float | None = None
        self._last_report_s: float | None = None
        self._last_good: tuple[float, float] | None = None
        self._starting = AGREEING
        self._reason = Reason.STARTING

    @property
    def interval_s(self) -> float | None:
        """Learned reporting interval, s."""
        return self._interval_s

    @property
    def resolution_m(self) -> float | None:
        """Learned step of the values, m."""
        return self._resolution_m

    @property
    def noise_m(self) -> float | None:
        """Learned standard deviation of the noise, m."""
        return self._noise_m

    @property
    def rejected_count(self) -> int:
        """Reports rejected as spikes since the beginning."""
        return self._rejected

    @property
    def last_good_s(self) -> float | None:
        """Time of the last accepted depth."""
        return None if self._last_good is None else self._last_good[0]

    @property
    def last_depth_m(self) -> float | None:
        """Last accepted depth, m."""
        return None if self._last_good is None else self._last_good[1]

    def report(self, t_s: float, reading: Reading) -> Verdict:
        """Judge one report."""
        if self._last_report_s is not None and t_s < self._last_report_s:
            self._last_report_s = t_s
            self._recent.clear()
            self._held.clear()
            self._starting = AGREEING
            return self._say(t_s, Reason.CLOCK)
        if self._last_report_s is not None and t_s > self._last_report_s:
            dt = t_s - self._last_report_s
            old = self._interval_s
            self._interval_s = dt if old is None else old + 0.1 * (min(dt, 3 * old) - old)
        self._last_report_s = t_s
        depth_m = reading.depth_m
        if depth_m is None:
            return self._say(t_s, reading.reason)
        if not -0.02 <= depth_m <= 1.05 * self._settings.height_m:
            return self._say(t_s, Reason.OUTSIDE_VESSEL)
        last = self.last_depth_m
        if (
            self._settings.zero_is_suspect
            and (reading.is_exact_zero or depth_m < 0.005)
            and (last is None or last > 0.015)
        ):
            self._held.clear()
            return self._say(t_s, Reason.ZERO_NOT_EMPTY)
        return self._gate(t_s, depth_m, reading.reason)

    def _gate(self, t_s: float, depth_m: float, reason: Reason) -> Verdict:
        gate_m = max(5.0 * (self._noise_m or 0.002), 2.5 * (self._resolution_m or 0.0), 0.004)
        if self._last_good is None or abs(depth_m - self._last_good[1]) <= gate_m:
            self._held.clear()
            self._flag(0)
            self._learn(depth_m)
            self._accept(t_s, depth_m)
            return self._say(t_s, reason, ((t_s, depth_m),))
        self._held.append((t_s, depth_m))
        self._flag(1)
        if len(self._held) >= AGREEING:
            last3 = self._held[-AGREEING:]
            if all(abs(b[1] - a[1]) <= 2 * gate_m for a, b in zip(last3, last3[1:], strict=False)):
                self._held.clear()
                for t, d in last3:
                    self._accept(t, d)
                return self._say(t_s, reason, tuple(last3), is_step=True)
            del self._held[0]
        self._rejected += 1
        return self._say(t_s, Reason.NONE if len(self._held) == 1 else Reason.CONFIRMING_STEP)

    def _learn(self, depth_m: float) -> None:
        last = self.last_depth_m
        if last is None:
            return
        step = abs(depth_m - last)
        sigma = self._noise_m if self._noise_m is not None else 0.001
        self._noise_m = (sigma**2 + 0.02 * (min(step, 0.01) ** 2 / 2 - sigma**2)) ** 0.5
        if step > 1e-7 and (self._resolution_m is None or step < self._resolution_m):
            self._resolution_m = step

    def _accept(self, t_s: float, depth_m: float) -> None:
        self._last_good = (t_s, depth_m)
        self._starting = max(0, self._starting - 1)

    def _flag(self, flag: int) -> None:
        self._flags.append(flag)
        del self._flags[:-REMEMBERED]

    def _say(
        self,
        t_s: float,
        reason: Reason,
        accepted: tuple[tuple[float, float], ...] = (),
        *,
        is_step: bool = False,
    ) -> Verdict:
        if reason is Reason.NONE and self._starting > 0:
            reason = Reason.STARTING
        elif reason is Reason.NONE and sum(self._flags) > REMEMBERED // 10:
            reason = Reason.MANY_REJECTED
        self._reason = reason
        return Verdict(t_s, status_of(reason), reason, accepted, is_step)

    def tick(self, t_s: float) -> Verdict:
        """Judge the passing of time: only staleness can change."""
        limit = self._settings.stale_after_s
        if limit is None:
            limit = max(HOUR_S, 10 * (self._interval_s or 0.0))
        if self._last_report_s is not None and t_s - self._last_report_s > limit:
            return Verdict(t_s, Status.FAILURE, Reason.STALE)
        return Verdict(t_s, status_of(self._reason), self._reason)

    def restarted(self, t_s: float) -> None:
        """Keep what was learned, want fresh samples before the status is good."""
        self._last_report_s = None
        self._held.clear()
        self._starting = AGREEING
        self._reason = Reason.STARTING

    def snapshot(self) -> dict[str, Any]:
        """State as JSON types."""
        return {
            "noise_m": self._noise_m,
            "resolution_m": self._resolution_m,
            "interval_s": self._interval_s,
            "last_report_s": self._last_report_s,
            "last_good": None if self._last_good is None else list(self._last_good),
            "rejected": self._rejected,
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot; raises ValueError on nonsense."""
        try:
            good = data["last_good"]
            self._last_good = None if good is None else (float(good[0]), float(good[1]))
            for name in ("noise_m", "resolution_m", "interval_s", "last_report_s"):
                value = data[name]
                setattr(self, f"_{name}", None if value is None else float(value))
            self._rejected = int(data["rejected"])
        except (KeyError, TypeError, IndexError) as err:
            raise ValueError(f"not a conditioning snapshot: {err!r}") from err
