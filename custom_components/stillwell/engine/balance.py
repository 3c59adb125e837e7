"""Water balance of one vessel: level, use, fills, pours and losses from accepted volumes.

While the water only falls, a filter follows the level and cumulative use is the fall since
the segment began. A rise (fill, pour) or a fall too fast to be use is an excursion: use is
carried at the learned rate, and afterwards a new segment begins. Use over a window is the
difference of two points of one curve, both from the same filter, so that what lags at the
same hour of the day cancels.

Detection of excursions: one-sided cumulative sums (E. S. Page, Biometrika 41, 1954).
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any, Final

from .excursion import DRIFT_SIGMA, Excursion
from .ledger import DayBook, DayUse, UseCurve
from .level_filter import LevelFilter
from .quantities import DAY_S, HOUR_S, DaySpan, UseBlock

BLOCK_S: Final = 300.0
KNOWN_AFTER_S: Final = HOUR_S
SURE_AFTER_S: Final = 4 * HOUR_S
UNSURE_FRAC: Final = 0.4
SUSTAINED_S: Final = 180.0
SUSTAINED_SAMPLES: Final = 3
LOOSEN_SAMPLES: Final = 5

_LIMIT: Final = 8.0
"""Decision limit h of the cumulative sums, in standard deviations."""

_CLIP: Final = 4.0
"""One sample counts for no more standard deviations: two spikes in a row raise no alarm."""

_WANDER_FRAC: Final = 0.15
"""Use wanders by about this share of itself in a day."""

_FIRST_WANDER_FRAC: Final = 0.02
_LEAST_WANDER_FRAC: Final = 0.001
_RISE_FRAC: Final = 0.01
_FAST_FRAC: Final = 0.05
_FAST_TIMES: Final = 8.0
_SETTLE_S: Final = 6 * HOUR_S


class Flow(StrEnum):
    """What the water is doing."""

    UNKNOWN = "unknown"
    FALLING = "falling"
    FILLING = "filling"
    DRAINING = "draining"
    HELD = "held"


class EventKind(StrEnum):
    """Something that happened to the water."""

    FILL_STARTED = "fill_started"
    FILL_ENDED = "fill_ended"
    POUR = "pour"
    FAST_DROP = "fast_drop"
    FLOW_WHILE_OFF = "flow_while_off"


@dataclass(frozen=True, slots=True)
class Event:
    """One event; ``volume_l`` is the water it moved so far."""

    kind: EventKind
    t_s: float
    volume_l: float


@dataclass(frozen=True, slots=True)
class Fill:
    """One refill; ``end_s`` is None while it lasts."""

    start_s: float
    end_s: float | None
    volume_l: float
    from_l: float
    attended_by_device: bool


@dataclass(frozen=True, slots=True)
class BalanceSettings:
    """What the keeper told about the vessel."""

    capacity_l: float


@dataclass(slots=True)
class _Trend:
    """A cumulative sum, and what was known when it left zero."""

    total: float = 0.0
    saved: LevelFilter | None = None
    mark: int = 0
    n: int = 0
    mean_l: float = 0.0
    off_l: float = 0.0
    """Mean distance from the prediction since it left zero."""

    def clear(self) -> None:
        self.total, self.saved, self.n = 0.0, None, 0


class Balance:
    """Sorts changes of volume into use, fill, pour and loss."""

    def __init__(self, settings: BalanceSettings) -> None:
        self._capacity_l = settings.capacity_l
        self._t_s: float | None = None
        self._filter: LevelFilter | None = None
        self._base_l = 0.0
        self._join_var = 0.0
        self._curve = UseCurve()
        self._young: list[tuple[float, float, float]] = []
        self._book = DayBook()
        self._excursion: Excursion | None = None
        self._up = _Trend()
        self._down = _Trend()
        self._samples: deque[tuple[float, float]] = deque(maxlen=64)
        self._fill: Fill | None = None
        self._last_fill: Fill | None = None
        self._fill_rates: deque[float] = deque(maxlen=5)
        self._blocks: list[UseBlock] = []
        self._events: list[Event] = []
        self._block_s: float | None = None  # where the next block begins
        self._block_level: tuple[float, float] | None = None  # level and variance there
        self._block_n = 0
        self._block_sum = 0.0
        self._is_held = False
        self._carry = 0.0
        self._noise_l = 0.0
        self._width_l = 0.0

    # --- what is known -------------------------------------------------------------------

    @property
    def volume_l(self) -> float | None:
        """Best estimate of the volume, L."""
        if self._excursion is not None and self._excursion.tracker is not None:
            return self._excursion.tracker.level_l
        return None if self._filter is None else max(0.0, self._filter.level_l)

    @property
    def volume_sigma_l(self) -> float | None:
        """One standard deviation of the error of ``volume_l``."""
        known = self._filter
        if self._excursion is not None and self._excursion.tracker is not None:
            known = self._excursion.tracker
        return None if known is None else max(0.0, known.p_ll) ** 0.5

    def _now(self) -> tuple[float, float, float]:
        """Time, cumulative use and variance at the present."""
        assert self._t_s is not None and self._filter is not None  # noqa: S101, PT018
        f = self._filter
        if self._excursion is not None:
            used = self._base_l + f.start_l - f.level_l
            return self._t_s, used + self._carry * (self._t_s - f.t_s), f.p_ll
        return self._t_s, self._base_l + f.start_l - f.level_l, f.p_ll

    def _at(self, t_s: float) -> tuple[float, float]:
        """Cumulative use and its variance at a past time."""
        now = self._now()
        assert self._filter is not None  # noqa: S101
        if self._young and t_s >= self._young[0][0]:
            start = self._filter.start_l
            before = self._young[0]
            for point in reversed(self._young):
                if point[0] <= t_s:
                    before = point
                    break
            t0, u0, v0 = before
            u0 += start
            i = self._young.index(before) + 1
            if i < len(self._young):
                t1, u1, v1 = self._young[i]
                u1 += start
            else:
                t1, u1, v1 = now
            part = (t_s - t0) / (t1 - t0) if t1 > t0 else 0.0
            return u0 + part * (u1 - u0), v0 + part * (v1 - v0)
        if self._young:
            t1, u1, v1 = self._young[0]
            now = (t1, u1 + self._filter.start_l, v1)
        return self._curve.at(t_s, now)

    def _use(self, span_s: float) -> tuple[float, float] | None:
        """Use in L/day over a trailing span, and its standard deviation."""
        start_s = self._curve.start_s
        if start_s is None and self._young:
            start_s = self._young[0][0]
        if self._t_s is None or start_s is None or self._filter is None:
            return None
        begin_s = max(start_s, self._t_s - span_s)
        length_s = self._t_s - begin_s
        if length_s < min(KNOWN_AFTER_S, span_s):
            return None
        _, used, var = self._now()
        was, was_var = self._at(begin_s)
        scale = DAY_S / length_s
        sigma = (var + was_var + self._join_var) ** 0.5
        if length_s < SURE_AFTER_S and sigma > UNSURE_FRAC * (used - was):
            return None
        return max(0.0, used - was) * scale, sigma * scale

    @property
    def use_24h_l_per_day(self) -> float | None:
        """Use over the trailing 24 h, L/day; None until an hour is known."""
        use = self._use(DAY_S)
        return None if use is None else use[0]

    @property
    def use_24h_sigma(self) -> float | None:
        """One standard deviation of ``use_24h_l_per_day``."""
        use = self._use(DAY_S)
        return None if use is None else use[1]

    @property
    def use_7d_l_per_day(self) -> float | None:
        """Use over the trailing 7 days, L/day; None until an hour is known."""
        use = self._use(7 * DAY_S)
        return None if use is None else use[0]

    @property
    def use_7d_sigma(self) -> float | None:
        """One standard deviation of ``use_7d_l_per_day``."""
        use = self._use(7 * DAY_S)
        return None if use is None else use[1]

    @property
    def flow(self) -> Flow:
        """What the water is doing."""
        if self._filter is None:
            return Flow.UNKNOWN
        if self._is_held:
            return Flow.HELD
        if self._excursion is not None and self._excursion.is_announced:
            return Flow.FILLING if self._excursion.sign > 0 else Flow.DRAINING
        return Flow.FALLING

    @property
    def fill_rate_l_per_s(self) -> float | None:
        """Rate of the fill going on, L/s."""
        if self._fill is None or self._excursion is None:
            return None
        return self._excursion.flow_l_per_s

    def full_at_s(self, target_l: float) -> float | None:
        """When the volume will reach ``target_l``; None when not filling."""
        rate, exc = self.fill_rate_l_per_s, self._excursion
        if rate is None or rate <= 0.0 or exc is None or exc.tracker is None:
            return None
        return exc.tracker.t_s + max(0.0, target_l - exc.tracker.level_l) / rate

    @property
    def current_fill(self) -> Fill | None:
        """The fill going on."""
        return self._fill

    @property
    def last_fill(self) -> Fill | None:
        """The last fill that ended."""
        return self._last_fill

    @property
    def total_used_l(self) -> float:
        """Litres used since the beginning; never falls."""
        return self._book.total_l

    @property
    def days(self) -> tuple[DayUse, ...]:
        """Litres per local day, newest last."""
        return self._book.days

    def pop_blocks(self) -> tuple[UseBlock, ...]:
        """Blocks closed since the last call."""
        out = tuple(self._blocks)
        self._blocks.clear()
        return out

    def pop_events(self) -> tuple[Event, ...]:
        """Events since the last call."""
        out = tuple(self._events)
        self._events.clear()
        return out

    # --- what happens --------------------------------------------------------------------

    def add(
        self,
        t_s: float,
        volume_l: float,
        litres_per_m: float,
        noise_m: float | None,
        *,
        fill_on: bool | None,
        day: DaySpan,
        resolution_m: float | None = None,
    ) -> None:
        """Take one accepted sample."""
        self._width_l = litres_per_m * (resolution_m or 0.0)
        noise_l = litres_per_m * (0.001 if noise_m is None else noise_m)
        self._noise_l = max(noise_l, 0.15 * self._width_l, 1e-6 * self._capacity_l)
        if self._t_s is not None and t_s < self._t_s:
            self._set_clock(t_s)
        before_s = t_s if self._t_s is None else self._t_s
        if self._filter is None:
            self._begin(t_s, volume_l)
        else:
            self._t_s = t_s
            if not self._samples or t_s - self._samples[-1][0] >= 10.0:
                self._samples.append((t_s, volume_l))
            if self._excursion is not None:
                self._follow(t_s, volume_l, fill_on, day)
            elif fill_on:
                self._set_out(1, self._filter.copy(), is_attended=True)
                self._follow(t_s, volume_l, fill_on, day)
            else:
                self._quiet(t_s, volume_l, day)
        if not self._is_held:
            self._book.note(day, covered_s=t_s - before_s)
        self._is_held = False
        self._meter(before_s, day)

    def _meter(self, before_s: float, day: DaySpan) -> None:
        t_s, used, _ = self._now()
        self._book.advance(used, before_s, t_s, day)

    def _begin(self, t_s: float, volume_l: float) -> None:
        var = self._noise_l**2 + self._width_l**2 / 12.0
        first = 0.1 * self._capacity_l / DAY_S
        self._filter = LevelFilter.begin(t_s, volume_l, var, 0.0, first * first)
        self._t_s = self._block_s = t_s
        self._samples.append((t_s, volume_l))
        self._young = [(t_s, -volume_l, var)]
        self._base_l = 0.0

    def _wander(self) -> float:
        """Spectral density of the wander of the net flow, (L/s)2/s."""
        use = self._use(DAY_S)
        if use is None:
            wander = _FIRST_WANDER_FRAC * self._capacity_l
        else:
            wander = max(_WANDER_FRAC * use[0], _LEAST_WANDER_FRAC * self._capacity_l)
        return (wander / DAY_S) ** 2 / DAY_S

    def _quiet(self, t_s: float, level_l: float, day: DaySpan) -> None:
        f = self._filter
        assert f is not None  # noqa: S101
        before = f.level_l
        up, down = self._up, self._down
        saved = f.copy() if up.total == 0.0 or down.total == 0.0 else None
        f.advance(t_s, 0.0, self._wander_now())
        reference = f.level_l if self._is_held else before
        spread = (f.p_ll + self._noise_l**2 + self._width_l**2 / 12.0) ** 0.5
        self._count(up, (level_l - reference) / spread, spread, level_l, saved)
        self._count(down, (f.level_l - level_l) / spread, spread, level_l, saved)
        if up.total > _LIMIT and self._is_risen(level_l):
            assert up.saved is not None  # noqa: S101
            self._set_out(1, up.saved)
            self._replay(day)
            return
        if down.total > _LIMIT and self._is_fallen(level_l, spread):
            assert down.saved is not None  # noqa: S101
            self._set_out(-1, down.saved)
            self._replay(day)
            return
        f.observe(level_l, self._noise_l**2, self._width_l)
        self._block_n += 1
        self._block_sum += level_l - f.level_l
        assert self._block_s is not None  # noqa: S101
        length_s = t_s - self._block_s
        if length_s >= BLOCK_S and (up.total < _LIMIT / 2 or length_s >= 4 * BLOCK_S):
            self._close_block(t_s)

    _q = 0.0

    def _wander_now(self) -> float:
        if self._q == 0.0:
            self._q = self._wander()
        return self._q

    def _count(
        self, trend: _Trend, off: float, spread: float, level_l: float, saved: LevelFilter | None
    ) -> None:
        if trend.total == 0.0:
            trend.saved, trend.n, trend.mean_l, trend.off_l = saved, 0, 0.0, 0.0
        trend.total = min(max(0.0, trend.total + min(off, _CLIP) - DRIFT_SIGMA), 4.0 * _LIMIT)
        if trend.total == 0.0:
            trend.saved = None
            return
        trend.n += 1
        trend.mean_l += (level_l - trend.mean_l) / min(trend.n, 4)
        trend.off_l += (off * spread - trend.off_l) / trend.n

    def _is_risen(self, level_l: float) -> bool:
        up = self._up
        assert up.saved is not None  # noqa: S101
        rise = min(up.mean_l + self._noise_l, level_l) - up.saved.level_l
        return up.n >= SUSTAINED_SAMPLES and rise > self._least_rise()

    def _least_rise(self) -> float:
        return max(_RISE_FRAC * self._capacity_l, 3.0 * self._noise_l, 2.0 * self._width_l)

    def _is_fallen(self, level_l: float, spread: float) -> bool:
        """Whether it fell too fast; if it fell faster than foreseen, admit that."""
        down, f = self._down, self._filter
        assert down.saved is not None and f is not None and self._t_s is not None  # noqa: S101, PT018
        took_s = self._t_s - down.saved.t_s
        fall = down.saved.level_l - max(down.mean_l, level_l)
        use = self._carry_rate()
        least = max(_FAST_FRAC * self._capacity_l, 5.0 * self._noise_l, 2.0 * self._width_l)
        if down.n >= SUSTAINED_SAMPLES and fall > least + _FAST_TIMES * use * took_s:
            return True
        if down.n < LOOSEN_SAMPLES:
            return False
        off = down.off_l
        if off > max(3.5 * self._noise_l / down.n**0.5, 0.75 * self._width_l):
            f.loosen(off * off, 0.0)
        down.clear()
        return False

    def _carry_rate(self) -> float:
        """Use per second that is assumed where it cannot be seen."""
        f = self._filter
        assert f is not None  # noqa: S101
        use = self._use(DAY_S)
        if use is None:
            return max(0.0, -f.flow_l_per_s)
        usual = use[0] / DAY_S
        var = (0.2 * usual) ** 2 + 1e-18
        weight = var / (var + max(0.0, f.p_ff))
        return max(0.0, weight * -f.flow_l_per_s + (1.0 - weight) * usual)

    def _set_out(self, sign: int, saved: LevelFilter, *, is_attended: bool = False) -> None:
        """Begin an excursion from where the level was last in order."""
        self._filter = saved
        self._young = [p for p in self._young if p[0] <= saved.t_s]
        self._carry = self._carry_rate()
        usual = None
        if sign > 0 and self._fill_rates:
            usual = sorted(self._fill_rates)[len(self._fill_rates) // 2]
        resting = max(3.0 * self._carry, _RISE_FRAC * self._capacity_l / 1800.0)
        self._excursion = Excursion(
            sign, saved.t_s, saved.level_l, saved.p_ll, self._carry, resting, usual, is_attended
        )
        self._up.clear()
        self._down.clear()

    def _replay(self, day: DaySpan) -> None:
        """Hand the excursion the samples since it began."""
        exc = self._excursion
        assert exc is not None  # noqa: S101
        for t_s, level_l in [s for s in self._samples if s[0] > exc.start_s]:
            if self._excursion is None:
                self._quiet(t_s, level_l, day)
            else:
                self._follow(t_s, level_l, None, day)

    def _follow(self, t_s: float, level_l: float, fill_on: bool | None, day: DaySpan) -> None:
        exc = self._excursion
        assert exc is not None  # noqa: S101
        if fill_on:
            exc.is_attended = True
        ended = exc.take(t_s, level_l, self._noise_l**2, self._width_l)
        if exc.is_attended and fill_on:
            ended = False
        moved = exc.sign * (level_l - exc.from_l)
        self._announce(exc, t_s, moved, fill_on)
        if self._fill is not None and exc.tracker is not None:
            self._fill = replace(
                self._fill,
                volume_l=exc.tracker.level_l - exc.from_l + self._carry * (t_s - exc.start_s),
                attended_by_device=exc.is_attended,
            )
        if ended or (exc.is_attended and fill_on is False):
            self._come_back(day)

    def _announce(self, exc: Excursion, t_s: float, moved: float, fill_on: bool | None) -> None:
        if exc.is_announced:
            return
        if exc.sign < 0:
            exc.is_announced = True
            self._events.append(Event(EventKind.FAST_DROP, t_s, moved))
            return
        flow = exc.flow_l_per_s
        is_sustained = (
            exc.n_samples > SUSTAINED_SAMPLES
            and t_s - exc.first_s >= SUSTAINED_S
            and flow is not None
            and exc.tracker is not None
            and flow > 4.0 * max(0.0, exc.tracker.p_ff) ** 0.5
            and exc.tracker.level_l - exc.from_l > 1.5 * self._least_rise()
            and flow > exc.resting_flow_l_per_s
        )
        if is_sustained or exc.is_attended:
            exc.is_announced = True
            self._fill = Fill(exc.start_s, None, max(0.0, moved), exc.from_l, exc.is_attended)
            self._events.append(Event(EventKind.FILL_STARTED, t_s, max(0.0, moved)))
            if fill_on is False:
                self._events.append(Event(EventKind.FLOW_WHILE_OFF, t_s, moved))

    def _come_back(self, day: DaySpan) -> None:
        """End the excursion; a new segment begins."""
        exc, f = self._excursion, self._filter
        assert exc is not None and f is not None  # noqa: S101, PT018
        end_s, level_l, since = exc.close()
        self._excursion = None
        moved = exc.sign * (level_l - exc.from_l)
        if exc.tracker is not None and not exc.is_attended and moved < self._least_rise():
            f.advance(exc.tracker.t_s, 0.0, self._wander_now())
            f.observe(exc.tracker.level_l, max(1e-12, exc.tracker.p_ll), 0.0)
            if self._fill is not None:
                self._fill = None
                self._events.append(Event(EventKind.FILL_ENDED, end_s, 0.0))
            return
        carried = self._carry * max(0.0, end_s - f.t_s)
        moved = level_l - exc.from_l + carried
        self._settle()
        self._base_l += f.start_l - f.level_l + carried
        gap = end_s - f.t_s
        self._join_var = f.p_ll + (0.2 * carried) ** 2
        flow_var = f.p_ff + self._wander_now() * gap
        var = self._noise_l**2 + self._width_l**2 / 12.0
        tracker = exc.tracker
        if not since and tracker is not None:
            var = max(1e-12, tracker.p_ll)
            level_l = tracker.level_l
            end_s = tracker.t_s
            self._base_l += self._carry * max(0.0, end_s - (f.t_s + gap))
        start = since[0][0] if since else end_s
        self._base_l += self._carry * max(0.0, start - end_s)
        first_l = since[0][1] if since else level_l
        self._filter = LevelFilter.begin(start, first_l, var, -self._carry, flow_var)
        self._young = [(start, self._base_l - first_l, var)]
        self._block_level = None
        self._block_n, self._block_sum = 0, 0.0
        self._report_end(exc, end_s, moved, day)
        for t_s, z in since[1:]:
            self._quiet(t_s, z, day)

    def _settle(self) -> None:
        """Fix the start level of the segment and enter its points in the curve."""
        f = self._filter
        assert f is not None  # noqa: S101
        for t_s, used, var in self._young:
            self._curve.append(t_s, used + f.start_l, var)
        self._young = []

    def _report_end(self, exc: Excursion, end_s: float, moved: float, day: DaySpan) -> None:
        if exc.sign < 0:
            self._book.note(day, unexplained_l=max(0.0, -moved))
            return
        self._book.note(day, added_l=max(0.0, moved))
        if self._fill is None:
            self._events.append(Event(EventKind.POUR, end_s, moved))
            return
        self._last_fill = Fill(exc.start_s, end_s, moved, exc.from_l, exc.is_attended)
        self._fill = None
        self._events.append(Event(EventKind.FILL_ENDED, end_s, moved))
        if end_s - exc.start_s > SUSTAINED_S and moved > 0.1 * self._capacity_l:
            self._fill_rates.append(moved / (end_s - exc.start_s))

    def _close_block(self, t_s: float) -> None:
        f = self._filter
        assert f is not None and self._block_s is not None  # noqa: S101, PT018
        n = max(1, self._block_n)
        level = f.level_l + self._block_sum / n
        var = self._noise_l**2 / n + self._width_l**2 / 12.0
        if self._block_level is None:
            used, sigma, measured = self._carry * (t_s - self._block_s), var**0.5, False
            if self._curve.start_s is None and len(self._young) == 1:
                used = max(0.0, f.start_l - f.level_l)
        else:
            was, was_var = self._block_level
            used, sigma, measured = was - level, (var + was_var) ** 0.5, True
        self._blocks.append(UseBlock(self._block_s, t_s, used, sigma, measured))
        self._block_level = (level, var)
        self._block_s = t_s
        self._block_n, self._block_sum = 0, 0.0
        point = (t_s, self._base_l - f.level_l, f.p_ll)
        if self._young:
            self._young.append(point)
            if t_s - self._young[0][0] > _SETTLE_S:
                self._settle()
        else:
            self._curve.append(t_s, point[1] + f.start_l, f.p_ll)
        self._q = self._wander()

    def hold(self, t_s: float, day: DaySpan) -> None:
        """Let time pass without a valid reading; use is carried at the learned rate."""
        if self._t_s is None or self._filter is None or t_s <= self._t_s:
            return
        before_s, self._t_s = self._t_s, t_s
        if self._excursion is None:
            if not self._is_held:
                self._filter.flow_l_per_s = -self._carry_rate()
            self._filter.advance(t_s, 0.0, self._wander_now())
        self._is_held = True
        self._meter(before_s, day)

    def restarted(self, t_s: float) -> None:
        """Bridge a gap until ``t_s``: use is carried, the next sample tells."""
        if self._t_s is None or self._filter is None or t_s <= self._t_s:
            return
        self._t_s = t_s
        if self._excursion is None:
            self._filter.flow_l_per_s = -self._carry_rate()
            self._filter.advance(t_s, 0.0, self._wander_now())
        self._is_held = True

    def _set_clock(self, t_s: float) -> None:
        """Move everything in time: the clock was set back."""
        assert self._t_s is not None and self._filter is not None  # noqa: S101, PT018
        by_s = t_s - self._t_s
        self._t_s = t_s
        self._filter.t_s += by_s
        self._curve.shift(by_s)
        self._young = [(t + by_s, u, v) for t, u, v in self._young]
        self._samples.clear()
        if self._block_s is not None:
            self._block_s += by_s
        if self._excursion is not None:
            self._excursion.start_s += by_s

    # --- memory --------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """State as JSON types."""
        return {
            "t_s": self._t_s,
            "filter": None if self._filter is None else self._filter.to_floats(),
            "base_l": self._base_l,
            "join_var": self._join_var,
            "curve": self._curve.snapshot(),
            "young": [[round(t, 1), round(u, 4), v] for t, u, v in self._young],
            "book": self._book.snapshot(),
            "last_fill": None if self._last_fill is None else asdict(self._last_fill),
            "fill_rates": list(self._fill_rates),
            "block_s": self._block_s,
            "carry": self._carry,
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot; raises ValueError on nonsense."""
        try:
            self._t_s = data["t_s"]
            known = data["filter"]
            self._filter = None if known is None else LevelFilter.from_floats(known)
            self._base_l = float(data["base_l"])
            self._join_var = float(data["join_var"])
            self._curve.restore(data["curve"])
            self._young = [(float(t), float(u), float(v)) for t, u, v in data["young"]]
            self._book.restore(data["book"])
            fill = data["last_fill"]
            self._last_fill = None if fill is None else Fill(**fill)
            self._fill_rates.extend(float(r) for r in data["fill_rates"])
            self._block_s = data["block_s"]
            self._carry = float(data["carry"])
        except (KeyError, TypeError, IndexError) as err:
            raise ValueError(f"not a balance snapshot: {err!r}") from err
