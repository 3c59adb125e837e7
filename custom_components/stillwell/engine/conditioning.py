"""Judges each report of a level source: status, reason and the depths to pass on."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp
from typing import Any, Final

from .habits import LEAST_STEP_M, Rhythm, Texture
from .quantities import HOUR_S, Reading, Reason, Status

FAULT_LOW_MA: Final = 3.6
FAULT_HIGH_MA: Final = 21.0
SATURATED_LOW_MA: Final = 3.8
SATURATED_HIGH_MA: Final = 20.5
AGREEING: Final = 3
REMEMBERED: Final = 50
MANY_FRAC: Final = 0.1

_MARGIN_FRAC: Final = 0.02
_BAND_M: Final = 0.005
_LEAST_GATE_M: Final = 0.003
_FIRST_SIGMA_M: Final = 0.0015
_GATE_SIGMA: Final = 5.0
_COARSE_FRAC: Final = 0.02
"""Until the rounding step is known it may be this share of the height."""

_COARSEST_FRAC: Final = 0.06
"""No larger change is taken for a rounding step: whole centimetres in a vessel of 17 cm."""

_LOOK_EVERY: Final = 12
_UNSAID_EVERY_S: Final = 300.0
_MOST_UNSAID: Final = 12
_CHANGES_KNOWN: Final = 20
_UNEVEN: Final = 2.5
_FALL_KNOWN_S: Final = 1800.0
_NOISY_FRAC: Final = 0.05
_DRIFT_MEMORY_S: Final = 12 * HOUR_S

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
        self._rhythm = Rhythm()
        self._texture = Texture()
        self._recent: list[tuple[float, float]] = []  # accepted, newest last
        self._held: list[tuple[float, float]] = []  # neither accepted nor given up
        self._flags: list[int] = []
        self._rejected = 0
        self._report_s: float | None = None
        self._valid_s: float | None = None  # last report with a depth
        self._valid_m: float | None = None
        self._is_adjacent = False  # nothing was missing or rejected since the last accepted
        self._astray = 0  # doubtful reports in a row
        self._fall = [0.0, 0.0]  # metres and seconds, forgotten with _DRIFT_MEMORY_S
        self._starting = AGREEING
        self._failed_s: float | None = None
        self._stuck_m: float | None = None  # the value that stands still for too long
        self._reason = Reason.STARTING
        self._poll_s: float | None = None
        self._is_on_change = False
        self._gate_m = _LEAST_GATE_M
        self._band_m = _BAND_M
        self._until_look = 0
        self._look_back()

    @property
    def interval_s(self) -> float | None:
        """Learned reporting interval, s."""
        return self._rhythm.quantile_s(0.5)

    @property
    def resolution_m(self) -> float | None:
        """Learned step of the values, m."""
        return self._texture.step_m

    @property
    def noise_m(self) -> float | None:
        """Learned standard deviation of the noise before rounding, m."""
        return self._texture.noise_m

    @property
    def rejected_count(self) -> int:
        """Reports rejected as spikes since the beginning."""
        return self._rejected

    @property
    def last_good_s(self) -> float | None:
        """Time of the last accepted depth."""
        return self._recent[-1][0] if self._recent else None

    @property
    def last_depth_m(self) -> float | None:
        """Last accepted depth, m."""
        return self._recent[-1][1] if self._recent else None

    @property
    def is_on_change(self) -> bool:
        """Whether the source seems to report only when its value changes."""
        return self._is_on_change

    def _look_back(self) -> None:
        """Draw conclusions from what was learned; now and then, not at every report."""
        rhythm, texture = self._rhythm, self._texture
        self._until_look = _LOOK_EVERY if rhythm.is_known else 1
        low_s, high_s = rhythm.quantile_s(0.1), rhythm.quantile_s(0.9)
        self._poll_s = low_s
        self._is_on_change = (
            low_s is not None
            and high_s is not None
            and rhythm.is_known
            and texture.since_duplicate >= _CHANGES_KNOWN
            and high_s > _UNEVEN * low_s
        )
        sigma_m, step_m = texture.noise_m, texture.step_m
        if sigma_m is None:
            sigma_m = _FIRST_SIGMA_M
        if step_m is None:
            step_m = _COARSE_FRAC * self._settings.height_m
        self._gate_m = max(_LEAST_GATE_M, _GATE_SIGMA * sigma_m + step_m)
        self._band_m = max(_BAND_M, 2.2 * (texture.step_m or 0.0))

    # --- reports ---------------------------------------------------------------------------

    def report(self, t_s: float, reading: Reading) -> Verdict:
        """Judge one report."""
        if self._report_s is not None and t_s < self._report_s:
            return self._clock_went_back(t_s)
        self._report_s = t_s
        depth_m = reading.depth_m
        if depth_m is None or reading.reason is not Reason.NONE:
            return self._fail(t_s, reading.reason)
        if self._valid_s is not None and t_s > self._valid_s:
            self._rhythm.learn(t_s - self._valid_s)
        self._learn_step(depth_m)
        self._valid_s = t_s
        self._until_look -= 1
        if self._until_look <= 0:
            self._look_back()
        doubt = self._doubt(t_s, depth_m, is_exact_zero=reading.is_exact_zero)
        if doubt is not Reason.NONE:
            self._astray += 1
            if self._astray == 1 and self._starting == 0 and not reading.is_exact_zero:
                self._reject(1)
                return self._say(t_s, Reason.NONE)
            return self._fail(t_s, doubt)
        self._texture.learn_run(t_s, depth_m)
        if self._stuck_m is not None and abs(depth_m - self._stuck_m) >= LEAST_STEP_M:
            self._stuck_m = None
        if depth_m > self._band_m and (self._stuck_m is not None or self._texture.is_stuck(t_s)):
            # A gap does not free it: the same value afterwards is as stuck as before.
            self._stuck_m = depth_m
            return self._say(t_s, Reason.STUCK)
        return self._gate(t_s, min(max(depth_m, 0.0), self._settings.height_m))

    def _learn_step(self, depth_m: float) -> None:
        """Learn the rounding step from neighbouring reports, accepted or not."""
        if self._valid_s is not None and self._valid_m is not None:
            change_m = abs(depth_m - self._valid_m)
            if change_m <= _COARSEST_FRAC * self._settings.height_m:
                self._texture.learn_step(change_m)
        self._valid_m = depth_m

    def _clock_went_back(self, t_s: float) -> Verdict:
        by_s = t_s - (self._report_s or t_s)
        self._report_s = t_s
        self._valid_s = None
        self._recent = [(t + by_s, d) for t, d in self._recent]
        self._held.clear()
        self._texture.forget_run()
        self._is_adjacent = False
        self._starting = AGREEING
        return self._say(t_s, Reason.CLOCK)

    def _fail(self, t_s: float, reason: Reason) -> Verdict:
        """No usable value: what was held is given up, trust must be earned again."""
        self._reject(len(self._held))
        self._held.clear()
        self._valid_s = None
        self._texture.forget_run()
        if self._failed_s is None:
            self._failed_s = t_s
        if t_s - self._failed_s > 3.0 * (self.interval_s or 0.0):
            self._starting = AGREEING
        return self._say(t_s, reason)

    def _doubt(self, t_s: float, depth_m: float, *, is_exact_zero: bool) -> Reason:
        """Reason why the value cannot be a level of this vessel now, or NONE."""
        height_m = self._settings.height_m
        margin_m = max(_MARGIN_FRAC * height_m, _LEAST_GATE_M)
        if not -margin_m <= depth_m <= height_m + margin_m:
            return Reason.OUTSIDE_VESSEL
        if not self._settings.zero_is_suspect or (depth_m > self._band_m and not is_exact_zero):
            return Reason.NONE
        if not self._recent:
            return Reason.ZERO_NOT_EMPTY
        expected_m, slack_m = self._expected(t_s)
        is_gradual = expected_m - depth_m <= self._gate_m + min(slack_m, 2.0 * self._gate_m)
        return Reason.NONE if is_gradual else Reason.ZERO_NOT_EMPTY

    @property
    def _fall_m_per_s(self) -> float:
        """Usual rate at which the water falls, negative or 0."""
        metres, seconds = self._fall
        return min(0.0, metres / seconds) if seconds > _FALL_KNOWN_S else 0.0

    def _expected(self, t_s: float) -> tuple[float, float]:
        """Depth expected if the water only goes on falling, and the slack of that."""
        last5 = self._recent[-5:]
        at_s = last5[len(last5) // 2][0]
        moved_m = self._fall_m_per_s * (t_s - at_s)
        middle_m = sorted(d for _, d in last5)[len(last5) // 2]
        return max(0.0, middle_m + moved_m), 0.7 * abs(moved_m)

    def _is_near(self, t_s: float, depth_m: float) -> bool:
        """Whether the depth follows from what was accepted last."""
        gate_m = self._gate_m
        if abs(depth_m - self._recent[-1][1]) <= gate_m:
            return True
        if len(self._recent) >= AGREEING:
            (t0, d0), (t1, d1) = self._recent[-4:][0], self._recent[-1]
            if 0.0 < t1 - t0 >= 0.5 * (t_s - t1) and abs(d1 - d0) > 0.8 * gate_m:
                # on its way, as in a fill: the median of the last five lags behind
                moved_m = (d1 - d0) / (t1 - t0) * (t_s - t1)
                return abs(depth_m - d1 - moved_m) <= gate_m + 0.5 * abs(moved_m)
        expected_m, slack_m = self._expected(t_s)
        return abs(depth_m - expected_m) <= gate_m + slack_m

    def _gate(self, t_s: float, depth_m: float) -> Verdict:
        if self._recent and self._is_near(t_s, depth_m):
            self._reject(len(self._held))
            self._held.clear()
            self._flag(0)
            unsaid = self._unsaid(t_s)
            self._learn(t_s, depth_m)
            self._accept(t_s, depth_m)
            return self._say(t_s, Reason.NONE, (*unsaid, (t_s, depth_m)))
        self._is_adjacent = False
        if self._held and self._stood(t_s):
            return self._confirm(t_s, [self._held[-1], (t_s, depth_m)])
        self._held.append((t_s, depth_m))
        if len(self._held) >= AGREEING and self._is_agreeing(self._held[-AGREEING:]):
            return self._confirm(t_s, self._held[-AGREEING:])
        self._astray += 1
        if len(self._held) > AGREEING - 1:
            del self._held[0]
            self._reject(1)
        return self._say(t_s, self._astray_reason())

    def _astray_reason(self) -> Reason:
        """What a report means that does not follow from the last ones."""
        if not self._recent:
            return Reason.STARTING
        if self._astray == 1:
            return Reason.NONE
        return Reason.CONFIRMING_STEP if self._astray <= AGREEING else Reason.RATE_IMPOSSIBLE

    def _unsaid(self, t_s: float) -> list[tuple[float, float]]:
        """What a source that speaks only of changes has said by its silence: no change."""
        poll_s = self._poll_s
        if not (self._is_on_change and self._is_adjacent) or poll_s is None:
            return []
        last_s, last_m = self._recent[-1]
        apart_s = max(_UNSAID_EVERY_S, 2.0 * poll_s, (t_s - last_s) / _MOST_UNSAID)
        n = int((t_s - last_s - poll_s) / apart_s)
        return [(last_s + k * apart_s, last_m) for k in range(1, n + 1)]

    def _stood(self, t_s: float) -> bool:
        """Whether a source that speaks only of changes has let the held value stand."""
        interval_s = self.interval_s
        if interval_s is None or not self._is_on_change:
            return False
        return t_s - self._held[-1][0] >= AGREEING * interval_s

    def _is_agreeing(self, three: list[tuple[float, float]]) -> bool:
        """Whether three depths agree: at rest, or on one straight line of plausible slope."""
        (t0, a), (t1, b), (t2, c) = three
        gate_m = self._gate_m
        if max(a, b, c) - min(a, b, c) <= 1.5 * gate_m:
            return True
        if (b - a) * (c - b) <= 0.0 or abs(c - a) > self._settings.height_m / 3.0:
            return False
        part = (t1 - t0) / (t2 - t0) if t2 > t0 else 0.5
        return abs(b - a - part * (c - a)) <= gate_m

    def _confirm(self, t_s: float, samples: list[tuple[float, float]]) -> Verdict:
        is_step = bool(self._recent)
        self._recent.clear()
        self._held.clear()
        for sample_s, depth_m in samples:
            self._flag(0)
            self._accept(sample_s, depth_m)
        return self._say(t_s, Reason.NONE, tuple(samples), is_step=is_step)

    def _learn(self, t_s: float, depth_m: float) -> None:
        """Learn noise, rounding and rate of fall from a report that follows the last one."""
        last_s, last_m = self._recent[-1]
        change_m, dt_s = depth_m - last_m, t_s - last_s
        if not self._is_adjacent or dt_s <= 0.0:
            return
        sigma_m = self._texture.total_sigma_m
        if sigma_m is not None and len(self._recent) > AGREEING:
            moved_m = abs(depth_m - self._recent[-3][1])
            if moved_m > 5.6 * sigma_m + (self.resolution_m or 0.0) + 1e-6:
                return  # on its way: a fill, a pulse; says nothing about the noise
        if self._is_on_change and self._poll_s is not None:
            self._texture.learn_noise(change_m, dt_s / self._poll_s)
        else:
            self._texture.learn_noise(change_m - self._fall_m_per_s * dt_s, 1.0)
        keep = exp(-dt_s / _DRIFT_MEMORY_S)
        self._fall[0] = self._fall[0] * keep + change_m
        self._fall[1] = self._fall[1] * keep + dt_s

    def _accept(self, t_s: float, depth_m: float) -> None:
        self._recent.append((t_s, depth_m))
        del self._recent[:-5]
        self._is_adjacent = True
        self._astray = 0
        self._failed_s = None
        self._starting = max(0, self._starting - 1)

    def _reject(self, n: int) -> None:
        self._rejected += n
        for _ in range(n):
            self._flag(1)

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
        if reason is Reason.NONE:
            reason = self._note()
        status = status_of(reason)
        if status in (Status.FAILURE, Status.OUT_OF_SPECIFICATION):
            self._is_adjacent = False
        self._reason = reason
        return Verdict(t_s, status, reason, accepted, is_step)

    def _note(self) -> Reason:
        """What there is to say about a valid signal."""
        if self._starting > 0:
            return Reason.STARTING
        if len(self._flags) >= REMEMBERED // 2 and sum(self._flags) > MANY_FRAC * len(self._flags):
            return Reason.MANY_REJECTED
        if (self.noise_m or 0.0) > _NOISY_FRAC * self._settings.height_m:
            return Reason.NOISY
        return Reason.NONE

    # --- time ------------------------------------------------------------------------------

    def _stale_after_s(self) -> float:
        if self._settings.stale_after_s is not None:
            return self._settings.stale_after_s
        usual_s, rare_s = self._rhythm.quantile_s(0.5), self._rhythm.quantile_s(0.99)
        if usual_s is None or rare_s is None or not self._rhythm.is_known:
            return max(HOUR_S, 5.0 * self._rhythm.longest_s)
        if self._is_on_change:
            return max(6 * HOUR_S, 4.0 * rare_s)
        return max(60.0, 5.0 * usual_s, 2.0 * rare_s)

    @property
    def fresh_until_s(self) -> float | None:
        """Until when time alone changes nothing of a good signal; None while it is not good."""
        if self._reason is not Reason.NONE or self._report_s is None:
            return None
        return self._report_s + self._stale_after_s()

    def tick(self, t_s: float) -> Verdict:
        """Judge the passing of time: only staleness can change."""
        if self._report_s is not None and t_s - self._report_s > self._stale_after_s():
            self._starting = AGREEING
            self._valid_s = None
            return self._say(t_s, Reason.STALE)
        interval_s = self.interval_s
        if (
            self._reason is Reason.STARTING
            and self._valid_s is not None
            and self._recent
            and not self._held
            and interval_s is not None
            and self._is_on_change
            and t_s - self._valid_s >= AGREEING * interval_s
        ):
            self._starting = 0
            return self._say(t_s, Reason.NONE)
        return Verdict(t_s, status_of(self._reason), self._reason)

    def restarted(self, t_s: float) -> None:
        """Keep what was learned, want fresh samples before the status is good."""
        self._report_s = t_s
        self._valid_s = None
        self._held.clear()
        self._astray = 0
        self._is_adjacent = False
        self._texture.forget_run()
        self._starting = AGREEING
        self._reason = Reason.STARTING

    # --- memory ----------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {
            "rhythm": self._rhythm.snapshot(),
            "texture": self._texture.snapshot(),
            "recent": [list(p) for p in self._recent],
            "fall": list(self._fall),
            "rejected": self._rejected,
            "report_s": self._report_s,
            "stuck_m": self._stuck_m,
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot; raises ValueError on nonsense."""
        try:
            self._rhythm.restore(data["rhythm"])
            self._texture.restore(data["texture"])
            self._recent = [(float(t), float(d)) for t, d in data["recent"]]
            metres, seconds = data["fall"]
            self._fall = [float(metres), float(seconds)]
            self._rejected = int(data["rejected"])
            report_s = data["report_s"]
            self._report_s = None if report_s is None else float(report_s)
            stuck_m = data.get("stuck_m")  # the first releases did not tell
            self._stuck_m = None if stuck_m is None else float(stuck_m)
        except (KeyError, TypeError, IndexError, AttributeError) as err:
            raise ValueError(f"not a conditioning snapshot: {err!r}") from err
        self._look_back()
