"""Water balance of one vessel: level, use, fills, pours and losses from accepted volumes.

While the water only falls, a filter follows the level, and cumulative use is the fall since
the segment began. A rise (fill, pour) or a fall too fast to be use is an excursion: use is
carried at the learned rate, and afterwards a new segment begins. Use over a window is the
difference of two points of one curve, both from the same filter, so that what lags at the
same hour of the day cancels.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from math import exp, hypot, sqrt
from typing import Any, Final

from .blocks import BlockCutter
from .course import Course
from .excursion import LIMIT_SIGMA, Excursion, Trend
from .ledger import DayBook, DayUse, UseCurve
from .level_filter import LevelFilter, LevelState
from .quantities import DAY_S, HOUR_S, DaySpan, UseBlock
from .samples import Samples
from .water_events import Event, EventKind, Fill, Flow

__all__ = [
    "Balance",
    "BalanceSettings",
    "DayUse",
    "Event",
    "EventKind",
    "Fill",
    "Flow",
]

KNOWN_AFTER_S: Final = HOUR_S
SURE_AFTER_S: Final = 4 * HOUR_S
UNSURE_FRAC: Final = 0.25
"""In the first hours use is shown only if one sigma is no more than this share of it."""

FIRST_NOISE_M: Final = 0.002
SUSTAINED_S: Final = 180.0
SURE_SAMPLES: Final = 3
LOOSEN_SAMPLES: Final = 5

_WANDER_FRAC: Final = 0.15
"""Use wanders by about this share of itself in a day."""

_FIRST_VAR_TIMES: Final = 9.0
"""The first sample of a segment may be a mild spike: it weighs little until others agree."""

_FIRST_WANDER_FRAC: Final = 0.02
_LEAST_WANDER_FRAC: Final = 0.001
_FIRST_USE_FRAC: Final = 0.1
_CARRY_FRAC: Final = 0.3
"""Use that was carried may have differed by this share of itself."""

_RISE_FRAC: Final = 0.01
_RISE_SPAN_S: Final = 1800.0
_RISE_GAPS: Final = 8.0
"""A rise is measured from the level of half an hour to an hour ago, or of so many reports."""

_FAST_FRAC: Final = 0.08
_FAST_TIMES: Final = 8.0
_FEWEST_LOW: Final = 2
_USUAL_TIMES: Final = 2
_USUAL_WITHIN: Final = 0.4
_USUAL_SPAN_S: Final = 3 * DAY_S
_DRAWS_KEPT: Final = 6

_RACING_FRAC: Final = 0.02
"""Falling by more than this share of the capacity from report to report, water is on its way."""

_TAKEN_BACK_FRAC: Final = 0.6
_TAKEN_BACK_S: Final = HOUR_S
_MOST_USE_FRAC: Final = 0.25
"""Waves not yet told look like use; more than this share of the capacity in a day is none."""
_SWELL_RISES: Final = 3
_SWELL_MOST_FRAC: Final = 0.06
_SWELL_MEMORY_S: Final = 10 * DAY_S
_RMS_OF_SWELL: Final = 1.0 / sqrt(8.0)
"""Of a sine, over its whole height."""
_RATES_KEPT: Final = 5
_DOUBT_FRAC: Final = 0.5
"""After a gap, a level higher by this share of the use carried means that water was added."""

_CARRY_FOR_S: Final = 2 * DAY_S
"""How long the meter goes on by what is carried; a reading may yet bear out the rest."""

_BLIND_AFTER_S: Final = 1800.0
_BLIND_TIMES: Final = 8.0
"""A gap this many times longer than usual is a time without readings."""

_STANDS_OUT: Final = 0.5
"""Three readings in a row that many standard deviations below are one case in thirty."""

_REST_S: Final = 1800.0
_SETTLE_S: Final = 6 * HOUR_S
_SPACING_S: Final = 10.0
SAMPLES_KEPT: Final = 64
_FADE_S: Final = 2 * HOUR_S


@dataclass(frozen=True, slots=True)
class BalanceSettings:
    """What the keeper told about the vessel."""

    capacity_l: float


class Balance:
    """Sorts changes of volume into use, fill, pour and loss."""

    __slots__ = (
        "_base_l",
        "_blocks",
        "_book",
        "_capacity_l",
        "_carry",
        "_curve",
        "_cutter",
        "_down",
        "_draws",
        "_events",
        "_excursion",
        "_extra",
        "_fill_rates",
        "_filter",
        "_gap_s",
        "_interrupted",
        "_is_begun",
        "_is_dark",
        "_is_held",
        "_is_rebased",
        "_join_var",
        "_last_fill",
        "_metered_s",
        "_noise_l",
        "_rise",
        "_samples",
        "_segment_s",
        "_set_by_s",
        "_swell",
        "_t_s",
        "_taken_back",
        "_up",
        "_wander",
        "_width_l",
    )

    def __init__(self, settings: BalanceSettings) -> None:
        self._capacity_l = settings.capacity_l
        self._t_s = 0.0
        self._metered_s = 0.0  # up to when use is booked
        self._is_begun = False
        self._filter = LevelFilter.begin(0.0, 0.0, 0.0, 0.0, 0.0)
        self._base_l = 0.0  # cumulative use where the segment began
        self._segment_s = 0.0  # when the segment began
        self._join_var = 0.0  # variance of the use carried at the last join
        self._carry = 0.0  # usual use, carried where it cannot be seen, L/s
        self._extra = 0.0  # what the use of now differs from the usual, L/s
        self._is_held = False
        self._is_dark = True  # whether nobody looked, since the level is held
        self._is_rebased = False
        self._curve = UseCurve()
        self._book = DayBook()
        self._cutter = BlockCutter()
        self._excursion: Excursion | None = None
        self._up = Trend()
        self._down = Trend()
        self._samples = Samples(SAMPLES_KEPT)
        self._last_fill: Fill | None = None
        self._fill_rates: list[float] = []  # a deque of a few would weigh ten times as much
        self._draws: list[tuple[float, float]] = []
        self._blocks: list[UseBlock] = []
        self._events: list[Event] = []
        self._rise: tuple[float, float, float] | None = None  # end, level then, litres
        self._taken_back: list[tuple[float, float]] = []  # when, litres
        self._swell = (0.0, 0.0)  # when waves were last seen, and their height in litres
        self._noise_l = 0.0
        self._width_l = 0.0
        self._gap_s = HOUR_S  # usual time between samples
        self._interrupted: tuple[float, bool] | None = None  # a fill when the hub stopped
        self._set_by_s = 0.0  # by how much the clock was set back and nobody was told yet
        self._wander = (_FIRST_WANDER_FRAC * settings.capacity_l / DAY_S) ** 2 / DAY_S

    # --- what is known -------------------------------------------------------------------

    @property
    def volume_l(self) -> float | None:
        """Best estimate of the volume, L; None before the first sample."""
        if not self._is_begun:
            return None
        if self._excursion is not None:
            level_l = self._excursion.tracker.level_l
        else:
            level_l = self._filter.level_l - self._carried_l()
        return min(max(0.0, level_l), self._capacity_l)

    @property
    def volume_sigma_l(self) -> float | None:
        """One standard deviation of the error of ``volume_l``, L."""
        if not self._is_begun:
            return None
        if self._excursion is not None:
            return sqrt(max(0.0, self._excursion.tracker.p_ll))
        carried = _CARRY_FRAC * self._carried_l()
        return sqrt(max(0.0, self._filter.p_ll) + carried * carried)

    def _carried_l(self) -> float:
        """Use since the filter's time that was carried, L."""
        f = self._filter
        if self._excursion is None and not self._is_held:
            # Nothing is wrong: the present rate goes on until the next report.
            return max(0.0, -f.flow_l_per_s) * max(0.0, self._t_s - f.t_s)
        return self._carried(self._t_s - f.t_s)

    def _carried(self, span_s: float) -> float:
        """Use carried over a span: at the present rate first, later at the usual one."""
        fades = _FADE_S * (1.0 - exp(-max(0.0, span_s) / _FADE_S))
        return self._carry * span_s + self._extra * fades

    def _now(self) -> tuple[float, float, float]:
        """Time, cumulative use and the variance of the level it rests on, at the present."""
        f, carried = self._filter, self._carried_l()
        used = self._base_l + f.start_l - f.level_l + carried
        return self._t_s, used, f.p_ll + (_CARRY_FRAC * carried) ** 2

    def use_over(self, span_s: float) -> tuple[float, float] | None:
        """Return use over a trailing span and its standard deviation, L/day; None until known."""
        begin_s = self._curve.begin_s
        if begin_s is None:
            return None
        begin_s = max(begin_s, self._t_s - span_s)
        length_s = self._t_s - begin_s
        if length_s < KNOWN_AFTER_S:
            return None
        now = self._now()
        was_l, was_var = self._curve.at(begin_s, self._filter.start_l, now)
        used_l = max(0.0, now[1] - was_l)
        if begin_s == self._segment_s:
            was_var = self._filter.p_ss - 2.0 * self._filter.p_sl
        sigma_l = sqrt(max(0.0, now[2] + was_var + self._join_var))
        if length_s < SURE_AFTER_S and sigma_l > UNSURE_FRAC * used_l:
            return None
        return used_l * DAY_S / length_s, sigma_l * DAY_S / length_s

    @property
    def use_24h_l_per_day(self) -> float | None:
        """Use over the trailing 24 h, L/day; None until an hour is known."""
        use = self.use_over(DAY_S)
        return None if use is None else use[0]

    @property
    def use_24h_sigma(self) -> float | None:
        """One standard deviation of ``use_24h_l_per_day``."""
        use = self.use_over(DAY_S)
        return None if use is None else use[1]

    @property
    def use_7d_l_per_day(self) -> float | None:
        """Use over the trailing 7 days, L/day; None until an hour is known."""
        use = self.use_over(7 * DAY_S)
        return None if use is None else use[0]

    @property
    def use_7d_sigma(self) -> float | None:
        """One standard deviation of ``use_7d_l_per_day``."""
        use = self.use_over(7 * DAY_S)
        return None if use is None else use[1]

    @property
    def flow(self) -> Flow:
        """What the water is doing."""
        if not self._is_begun:
            return Flow.UNKNOWN
        if self._is_held:
            return Flow.HELD
        if self._excursion is None or not self._excursion.is_announced:
            return Flow.FALLING
        return Flow.FILLING if self._excursion.sign > 0 else Flow.DRAINING

    def _filling(self) -> Excursion | None:
        exc = self._excursion
        return exc if exc is not None and exc.sign > 0 and exc.is_announced else None

    @property
    def fill_rate_l_per_s(self) -> float | None:
        """Rate of the fill going on, L/s; None when not filling or not yet known."""
        exc = self._filling()
        return None if exc is None else exc.flow_l_per_s

    def full_at_s(self, target_l: float) -> float | None:
        """When the volume will reach ``target_l``; None when not filling."""
        exc = self._filling()
        rate = None if exc is None else exc.flow_l_per_s
        if exc is None or rate is None or rate <= 0.0:
            return None
        return exc.tracker.t_s + max(0.0, target_l - exc.tracker.level_l) / rate

    @property
    def current_fill(self) -> Fill | None:
        """The fill going on."""
        exc = self._filling()
        if exc is None:
            return None
        added_l = max(0.0, exc.moved_l + self._carried(self._t_s - exc.start_s))
        return Fill(exc.began_s, None, added_l, exc.from_l, exc.is_attended)

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

    @property
    def today(self) -> DayUse | None:
        """Litres of the newest local day."""
        return self._book.newest

    def pop_blocks(self) -> tuple[UseBlock, ...]:
        """Blocks closed since the last call."""
        out = tuple(self._blocks)
        self._blocks.clear()
        return out

    def course(self) -> Course | None:
        """Return the readings of the level that is followed; None while none is."""
        start_s = self._cutter.start_s
        if self._is_held or self._excursion is not None or start_s is None:
            return None
        from_s = self._cutter.level_from_s
        return Course(self._samples, from_s, start_s, self._noise_l, self._width_l)

    def fallen_course(self, by_l: float) -> Course | None:
        """Return the readings if each of the last three has fallen so far; None nearly always.

        Args:
            by_l: Litres below where the level of the last half hour or so would be now.
        """
        rest_l = self._cutter.rest_l
        if rest_l is None:
            return None
        last = self._samples.last(SURE_SAMPLES)
        if rest_l - last[-1] <= by_l:
            return None
        spread_l = sqrt(self._noise_l**2 + self._width_l**2 / 12.0)
        if rest_l - max(last) <= max(by_l, _STANDS_OUT * spread_l):
            return None
        return self.course()

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
        """Take one accepted sample.

        Args:
            t_s: Time of the sample.
            volume_l: Volume that its depth means.
            litres_per_m: Slope of volume over depth there.
            noise_m: Standard deviation of the noise of the depth before rounding, if known.
            fill_on: Whether the fill device is on; None when there is none or not known.
            day: The local day that holds ``t_s``.
            resolution_m: Rounding step of the depth, if known.
        """
        width_l = 0.0 if resolution_m is None else litres_per_m * resolution_m
        noise_l = litres_per_m * (FIRST_NOISE_M if noise_m is None else noise_m)
        self._width_l = width_l
        noise_l = max(noise_l, 0.15 * width_l, 1e-6 * self._capacity_l)
        self._noise_l = hypot(noise_l, _RMS_OF_SWELL * self._swell_l(t_s))
        if not self._is_begun:
            self._begin(t_s, volume_l)
            return
        if self._is_rebased:
            self._step_over(t_s, volume_l, day)
            return
        f = self._filter
        if t_s < f.t_s:
            self._set_back(t_s)
        if fill_on:
            self._end_any_drop(day)
            f = self._filter
        before_s, gap_s = self._t_s, t_s - f.t_s
        if self._excursion is None and self._is_overdue(t_s):
            self._go_blind(t_s)
        if self._is_beyond_knowing(t_s):
            self._step_over(t_s, volume_l, day)
            return
        self._gap_s += 0.05 * (min(gap_s, _BLIND_TIMES * max(1.0, self._gap_s)) - self._gap_s)
        covered_s = 0.0 if self._is_held and self._is_dark else t_s - before_s
        self._t_s = t_s
        newest_s = self._samples.newest_s
        if newest_s is None or t_s - newest_s >= _SPACING_S:
            self._samples.append(t_s, volume_l)
        if fill_on and self._excursion is None:
            self._set_out(1, f.state())
            self._is_held = False
        if self._excursion is not None:
            self._is_held = False
        self._take(t_s, volume_l, fill_on, day)
        self._is_held = False
        self._book.note(day, covered_s=covered_s)
        self._meter(day)

    def _take(self, t_s: float, level_l: float, fill_on: bool | None, day: DaySpan) -> None:
        if self._excursion is not None:
            self._follow(self._excursion, t_s, level_l, fill_on, day)
        else:
            if self._rise is not None:
                self._note_taken_back(t_s, self._rise)
            self._quiet(t_s, level_l, day)

    def _meter(self, day: DaySpan) -> None:
        """Book what was used since the last time, on all the days since then."""
        t_s, used_l, _ = self._now()
        self._book.advance(used_l, min(self._metered_s, t_s), t_s, day)
        self._metered_s = t_s

    def _begin(self, t_s: float, volume_l: float) -> None:
        var = _FIRST_VAR_TIMES * self._noise_l**2 + self._width_l**2 / 12.0
        first = _FIRST_USE_FRAC * self._capacity_l / DAY_S
        self._filter = LevelFilter.begin(t_s, volume_l, var, 0.0, first * first)
        self._is_begun = True
        self._t_s = self._metered_s = t_s
        self._samples.append(t_s, volume_l)
        self._curve.begin(t_s, self._base_l, self._noise_l**2)
        self._segment_s = t_s

    def _step_over(self, t_s: float, volume_l: float, day: DaySpan) -> None:
        """Go on from a level that has nothing to do with the one before."""
        self._excursion = None
        self._samples.clear()
        self._up.clear()
        self._down.clear()
        # Readings confirmed together come with times before the present: not `self._t_s`.
        t_s = max(t_s, self._filter.t_s)
        self._go_blind(t_s)
        if self._is_beyond_knowing(t_s):
            # What is not booked of that time is taken out of it: no water has moved.
            self._set_clock(t_s - self._metered_s)
            self._t_s = t_s
        self._join(self._filter, t_s, volume_l, self._noise_l**2 + self._width_l**2 / 12.0)
        self._is_held = self._is_rebased = False
        self._samples.append(t_s, volume_l)
        self._meter(day)

    def _quiet(self, t_s: float, level_l: float, day: DaySpan) -> None:
        """Follow the level while the water only falls."""
        f = self._filter
        before = f.state()
        if self._is_held:
            carried_l = self._carried(t_s - f.t_s)
            f.flow_l_per_s = -carried_l / (t_s - f.t_s) if t_s > f.t_s else -self._carry
            f.advance(t_s, self._wander)
            if level_l - f.level_l > self._least_rise_l + _DOUBT_FRAC * carried_l:
                self._set_out(1, f.state())  # added to while nobody looked
                self._take(t_s, level_l, None, day)
                return
            f.loosen(_CARRY_FRAC * carried_l)
            before = f.state()
        else:
            f.advance(t_s, self._wander)
        reference_l = before[1]
        spread = (f.p_ll + self._noise_l**2 + self._width_l**2 / 12.0) ** 0.5
        up, down = self._up, self._down
        up.keep_up(max(_RISE_SPAN_S, _RISE_GAPS * self._gap_s), before)
        up.count(level_l - reference_l, spread, level_l, before)
        if self._drops_now(down, level_l, before):
            down.clear()  # what small noise summed up for an hour is no place to measure from
        down.count(f.level_l - level_l, spread, level_l, before)
        if up.total > LIMIT_SIGMA and up.saved is not None and self._is_risen(up, up.saved):
            self._set_out(1, up.saved)
            self._replay(self._filter.t_s, day)
            return
        if down.total > LIMIT_SIGMA and down.saved is not None:
            fall_l = self._fast_fall_l(max(down.last_l), down.saved)
            if fall_l is not None and not self._is_usual(fall_l):
                self._set_out(-1, down.saved)
                self._replay(self._filter.t_s, day)
                return
            # The newest far down, or two of three: the next tells a fast drop from use or spike.
            low_l = min(down.last_l[-1], sorted(down.last_l)[len(down.last_l) // 2])
            open_l = self._fast_fall_l(low_l, down.saved)
            is_open = open_l is not None and not self._is_usual(open_l)
            if fall_l is not None:
                self._note_draw(t_s, fall_l)  # again and again: how this vessel is used
            if not is_open and self._admit(f, down):
                level_l = sorted(down.last_l)[1]  # the newest may be the spike that tipped it
        f.observe(level_l, self._noise_l**2, self._width_l)
        self._cutter.count(level_l - f.level_l)
        if self._cutter.is_due(t_s, may_wait=max(up.total, down.total) > 0.25 * LIMIT_SIGMA):
            self._close_block(f, t_s)

    def _drops_now(self, down: Trend, level_l: float, before: LevelState) -> bool:
        """Whether this reading is the first far below the level as it was just before."""
        if down.saved is None or self._fast_fall_l(level_l, before) is None:
            return False
        return self._fast_fall_l(down.last_l[-1], before) is None

    def _is_risen(self, up: Trend, saved: LevelState) -> bool:
        """Whether each of the last three readings is higher than noise can do."""
        return min(up.last_l) - saved[1] > self._least_rise_l

    @property
    def _least_rise_l(self) -> float:
        return max(_RISE_FRAC * self._capacity_l, 3.0 * self._noise_l, 2.0 * self._width_l)

    def _fast_fall_l(self, level_l: float, saved: LevelState) -> float | None:
        """Return the litres of a fall to a level, if it is faster than any use."""
        fall_l = saved[1] - level_l
        least_l = max(_FAST_FRAC * self._capacity_l, 5.0 * self._noise_l, 2.0 * self._width_l)
        if fall_l <= least_l:
            return None  # nearly always: what use there is need not be worked out
        use = self.use_over(DAY_S)
        usual = 0.0 if use is None else use[0] / DAY_S
        least_l += _FAST_TIMES * usual * (self._t_s - saved[0])
        return fall_l if fall_l > least_l else None

    def _note_draw(self, t_s: float, drawn_l: float) -> None:
        self._draws = [*self._draws[1 - _DRAWS_KEPT :], (t_s, drawn_l)]

    def _is_usual(self, fall_l: float) -> bool:
        """Whether such a draw has happened time and again of late."""
        alike = sum(
            1
            for t_s, drawn_l in self._draws
            if self._t_s - t_s < _USUAL_SPAN_S and abs(fall_l - drawn_l) < _USUAL_WITHIN * drawn_l
        )
        return alike >= _USUAL_TIMES

    def _admit(self, f: LevelFilter, down: Trend) -> bool:
        """Admit a fall faster than foreseen: a pulse of a pump, more use, a leak."""
        if down.n < LOOSEN_SAMPLES or self._is_racing(down):
            return False
        off_l = min(down.off_l, f.level_l - sorted(down.last_l)[1])  # no two spikes make it
        is_real = off_l > max(2.0 * self._noise_l / sqrt(down.n), 0.75 * self._width_l)
        if is_real:
            f.loosen(off_l)
        down.clear()
        return is_real

    def _is_racing(self, down: Trend) -> bool:
        """Whether the last readings fall so fast that where they end is not seen yet."""
        first_l, second_l, newest_l = down.last_l
        use = self.use_over(DAY_S)
        usual_l = 0.0 if use is None else _FAST_TIMES * use[0] / DAY_S * self._gap_s
        least_l = max(_RACING_FRAC * self._capacity_l, 4.0 * self._noise_l, 2.0 * self._width_l)
        return min(first_l - second_l, second_l - newest_l) > least_l + usual_l

    def _swell_l(self, t_s: float) -> float:
        """Height of the waves seen of late, L; 0 nearly always."""
        at_s, height_l = self._swell
        return height_l and height_l * exp(-max(0.0, t_s - at_s) / _SWELL_MEMORY_S)

    def _note_taken_back(self, t_s: float, rise: tuple[float, float, float]) -> None:
        """Tell waves from water: rises that are soon taken back, time and again, bring none.

        So do waves of a pump, and a probe that a heater warms by turns.
        """
        end_s, top_l, risen_l = rise
        if t_s - end_s > _TAKEN_BACK_S:
            self._rise = None
            return
        use = self.use_over(DAY_S)
        l_per_day = 0.0 if use is None else min(use[0], _MOST_USE_FRAC * self._capacity_l)
        used_l = l_per_day / DAY_S * (t_s - end_s)
        last = self._samples.last(SURE_SAMPLES)
        if top_l - max(last) < _TAKEN_BACK_FRAC * risen_l + used_l:
            return
        self._rise = None
        kept = [seen for seen in self._taken_back if t_s - seen[0] < DAY_S]
        self._taken_back = [*kept[1 - _SWELL_RISES :], (t_s, risen_l)]
        if len(self._taken_back) == _SWELL_RISES:
            height_l = max(litres for _, litres in self._taken_back)
            self._swell = (t_s, max(height_l, self._swell_l(t_s)))

    def _foresee(self) -> None:
        """Fix what use is assumed where it cannot be seen: of now and of the last day."""
        f, use = self._filter, self.use_over(DAY_S)
        self._extra = 0.0
        if use is None:
            self._carry = max(0.0, -f.flow_l_per_s)
            return
        self._carry = use[0] / DAY_S
        now = min(max(-f.flow_l_per_s, 0.5 * self._carry), 1.5 * self._carry)
        var = (0.2 * self._carry) ** 2
        self._extra = (now - self._carry) * var / (var + max(1e-20, f.p_ff))

    def _set_out(self, sign: int, saved: LevelState) -> None:
        """Begin an excursion from where the level was last in order."""
        f = LevelFilter.from_state(saved)
        self._filter = f
        self._curve.drop_after(f.t_s)
        t_s, self._t_s = self._t_s, f.t_s
        self._foresee()  # as it was when the level was last in order
        self._t_s = t_s
        usual = None
        if sign > 0 and self._fill_rates:
            usual = sorted(self._fill_rates)[len(self._fill_rates) // 2]
        resting = max(3.0 * self._carry, _RISE_FRAC * self._capacity_l / _REST_S)
        self._excursion = Excursion(
            sign, f.t_s, f.level_l, resting, self._least_rise_l, usual_l_per_s=usual
        )
        if sign > 0 and self._interrupted is not None:
            self._excursion.began_s, self._excursion.is_attended = self._interrupted
            self._excursion.is_announced = True
            self._interrupted = None
        self._up.clear()
        self._down.clear()
        self._cutter.forget_level(f.t_s)

    def _replay(self, since_s: float, day: DaySpan) -> None:
        """Take again the samples after a time, now knowing better."""
        for t_s, level_l in [s for s in self._samples if s[0] > since_s]:
            if t_s > self._filter.t_s:
                self._take(t_s, level_l, None, day)

    def _follow(
        self, exc: Excursion, t_s: float, level_l: float, fill_on: bool | None, day: DaySpan
    ) -> None:
        """Follow an excursion until the level rests."""
        if fill_on:
            exc.is_attended = True
        is_over = exc.take(t_s, level_l, self._noise_l**2, self._width_l)
        self._announce(exc, t_s, fill_on)
        if exc.is_attended and fill_on is not None:
            if is_over and fill_on:
                exc.bend(t_s, self._noise_l**2 + self._width_l**2 / 12.0)
            is_over = not fill_on
        if is_over:
            self._come_back(exc, day)

    def _announce(self, exc: Excursion, t_s: float, fill_on: bool | None) -> None:
        """Say what it is, once that is sure."""
        if exc.is_announced or exc.n_samples == 0:
            return
        if exc.sign < 0:
            exc.is_announced = True
            self._events.append(Event(EventKind.FAST_DROP, t_s, exc.moved_l))
            return
        flow = exc.flow_l_per_s
        is_sustained = (
            flow is not None
            and t_s - exc.first_s >= SUSTAINED_S
            and flow > max(4.0 * exc.flow_sigma, exc.resting_l_per_s)
            and exc.moved_l > 1.5 * self._least_rise_l
        )
        if is_sustained or exc.is_attended:
            exc.is_announced = True
            self._events.append(Event(EventKind.FILL_STARTED, t_s, exc.moved_l))
            if fill_on is False:
                self._events.append(Event(EventKind.FLOW_WHILE_OFF, t_s, exc.moved_l))

    def _come_back(self, exc: Excursion, day: DaySpan) -> None:
        """End the excursion: it was noise after all, or a new segment begins."""
        f, tracker = self._filter, exc.tracker
        self._excursion = None
        end_s, level_l = exc.end()
        if not exc.is_attended and exc.sign * (level_l - exc.from_l) < self._least_rise_l:
            f.advance(tracker.t_s, self._wander)
            f.observe(tracker.level_l, max(1e-12, tracker.p_ll), 0.0)
            if exc.is_announced:
                self._events.append(Event(EventKind.FILL_ENDED, tracker.t_s, 0.0))
            return
        since = [s for s in self._samples if s[0] >= end_s]
        if since:
            at_s, first_l = since[0]
            var = _FIRST_VAR_TIMES * self._noise_l**2 + self._width_l**2 / 12.0
        else:
            at_s, first_l, var = tracker.t_s, tracker.level_l, max(1e-12, tracker.p_ll)
        self._join(f, at_s, first_l, var)
        carried_l = self._carried(end_s - exc.start_s)
        self._report_end(exc, end_s, level_l - exc.from_l + carried_l, day)
        self._replay(at_s, day)

    def _end_any_drop(self, day: DaySpan) -> None:
        """End a drop at its last reading: the device fills now, whether the level rests or not."""
        down = self._down
        if self._excursion is None and down.saved is not None and down.n >= _FEWEST_LOW:
            # Too few readings to be sure of a drop, but the fill would hide it for good.
            fall_l = self._fast_fall_l(max(down.last_l[-_FEWEST_LOW:]), down.saved)
            if fall_l is not None:
                self._set_out(-1, down.saved)
                self._replay(self._filter.t_s, day)
        exc = self._excursion
        if exc is None or exc.sign > 0:
            return
        tracker = exc.tracker
        self._excursion = None
        carried_l = self._carried(tracker.t_s - exc.start_s)
        var = max(tracker.p_ll, self._noise_l**2)
        self._join(self._filter, tracker.t_s, tracker.level_l, var)
        self._report_end(exc, tracker.t_s, tracker.level_l - exc.from_l + carried_l, day)

    def _join(self, f: LevelFilter, at_s: float, level_l: float, var: float) -> None:
        """Begin a new segment; use between is carried."""
        carried_l = self._carried(at_s - f.t_s)
        self._curve.settle(f.start_l)
        self._base_l += f.start_l - f.level_l + carried_l
        self._join_var = f.p_ll + (_CARRY_FRAC * carried_l) ** 2
        self._filter = f.after_jump(at_s, level_l, var, -self._carry, self._wander)
        self._curve.begin(at_s, self._base_l, self._noise_l**2)
        self._segment_s = at_s
        self._cutter.forget_level(at_s)

    def _report_end(self, exc: Excursion, end_s: float, moved_l: float, day: DaySpan) -> None:
        """Book what the excursion has moved."""
        if exc.sign < 0:
            self._note_draw(end_s, -moved_l)
            self._book.note(day, unexplained_l=max(0.0, -moved_l))
            return
        moved_l = max(0.0, moved_l)
        self._book.note(day, added_l=moved_l)
        if not exc.is_attended and moved_l < _SWELL_MOST_FRAC * self._capacity_l:
            self._rise = (end_s, exc.from_l + moved_l, moved_l)
        if not exc.is_announced:
            self._events.append(Event(EventKind.POUR, end_s, moved_l))
            return
        self._last_fill = Fill(exc.began_s, end_s, moved_l, exc.from_l, exc.is_attended)
        self._events.append(Event(EventKind.FILL_ENDED, end_s, moved_l))
        took_s = end_s - exc.began_s
        if took_s > SUSTAINED_S and moved_l > 0.1 * self._capacity_l:
            self._fill_rates = [*self._fill_rates[1 - _RATES_KEPT :], moved_l / took_s]

    def _close_block(self, f: LevelFilter, t_s: float) -> None:
        self._interrupted = None
        block = self._cutter.cut(t_s, f.level_l, self._noise_l, self._width_l, self._carry)
        if block is not None:
            self._blocks.append(block)
        self._curve.append(t_s, self._base_l - f.level_l, f.p_ll)
        since_s = self._curve.unsettled_since_s
        if since_s is not None and t_s - since_s > _SETTLE_S:
            self._curve.settle(f.start_l)
        use = self.use_over(DAY_S)
        if use is not None:
            wander = max(_WANDER_FRAC * use[0], _LEAST_WANDER_FRAC * self._capacity_l)
            self._wander = (wander / DAY_S) ** 2 / DAY_S

    def hold(self, t_s: float, day: DaySpan, *, is_seen: bool = False) -> None:
        """Let time pass without a valid reading; use is carried at the learned rate.

        Args:
            t_s: Now.
            day: The local day that holds it.
            is_seen: Whether the signal is good all the same, and only no report came now.
        """
        if not self._is_begun or t_s <= self._t_s:
            return
        before_s = self._t_s
        if is_seen and not self._is_held and not self._is_overdue(t_s):
            self._t_s = t_s
        else:
            self._go_blind(t_s)
            self._is_dark = not is_seen
        self._book.note(day, covered_s=t_s - before_s if is_seen else 0.0)
        self._meter_unseen(day)

    def _meter_unseen(self, day: DaySpan) -> None:
        """Book use that is carried: not for long, and no more than there was."""
        f, t_s = self._filter, self._t_s
        if self._is_beyond_knowing(t_s):
            return
        self._t_s = min(t_s, f.t_s + _CARRY_FOR_S)
        if self._t_s > self._metered_s and self._carried_l() <= f.level_l:
            self._meter(day)
        self._t_s = t_s

    def _is_beyond_knowing(self, t_s: float) -> bool:
        """Whether more than a full vessel would have been used since anybody looked.

        It was filled then, or nothing was used, or the clock was wrong.
        """
        return self._is_held and self._carried(t_s - self._filter.t_s) > self._capacity_l

    def restarted(self, t_s: float) -> None:
        """Bridge a gap until ``t_s``: use is carried, the next sample tells."""
        if self._is_begun and t_s > self._t_s:
            self._go_blind(t_s)

    def rebased(self) -> None:
        """Take the next sample on a new footing: another sensor, another place or another shape.

        The volume may then jump without any water moving; use is carried over the change.
        """
        self._is_rebased = self._is_begun

    def _is_overdue(self, t_s: float) -> bool:
        """Whether so much time has passed since a sample that it is one without readings."""
        return t_s - self._filter.t_s > max(_BLIND_AFTER_S, _BLIND_TIMES * self._gap_s)

    def _go_blind(self, t_s: float) -> None:
        if not self._is_held and self._excursion is None:
            self._foresee()
        self._is_held = self._is_dark = True
        self._t_s = t_s

    def _set_back(self, t_s: float) -> None:
        """Go on at an earlier time: the clock was set back."""
        by_s = t_s - self._filter.t_s
        self._set_by_s += by_s
        self._set_clock(by_s)
        fill = self._last_fill
        if fill is not None and fill.end_s is not None and fill.end_s > t_s:
            self._last_fill = replace(fill, start_s=fill.start_s + by_s, end_s=fill.end_s + by_s)

    def pop_set_by_s(self) -> float:
        """By how much the clock was set back since the last call: 0, or a negative number."""
        by_s, self._set_by_s = self._set_by_s, 0.0
        return by_s

    def _set_clock(self, by_s: float) -> None:
        """Move in time all that is measured from now: the clock was set."""
        self._filter.t_s += by_s
        self._t_s += by_s
        self._metered_s += by_s
        self._segment_s += by_s
        self._curve.shift(by_s)
        self._cutter.shift(by_s)
        self._samples.clear()
        self._up.clear()
        self._down.clear()
        self._rise = None
        self._taken_back.clear()
        self._swell = (self._swell[0] + by_s, self._swell[1])
        self._excursion = None

    # --- memory --------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types; an excursion is kept only by where it began."""
        fill = self.current_fill
        return {
            "t_s": self._t_s,
            "metered_s": self._metered_s,
            "filter": list(self._filter.state()) if self._is_begun else None,
            "base_l": self._base_l,
            "segment_s": self._segment_s,
            "join_var": self._join_var,
            "carry": self._carry,
            "extra": self._extra,
            "is_held": self._is_held or self._excursion is not None,
            "wander": self._wander,
            "curve": self._curve.snapshot(),
            "book": self._book.snapshot(),
            "cutter": self._cutter.snapshot(),
            "last_fill": None if self._last_fill is None else asdict(self._last_fill),
            "fill_rates": list(self._fill_rates),
            "draws": [list(d) for d in self._draws],
            "gap_s": self._gap_s,
            "swell": list(self._swell),
            "fill": None if fill is None else [fill.start_s, fill.attended_by_device],
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot.

        Raises:
            ValueError: It is not one of ours; the balance must then be made anew.
        """
        try:
            known, fill = data["filter"], data["last_fill"]
            self._is_begun = known is not None
            if known is not None:
                self._filter = LevelFilter.from_state(known)
            self._t_s = float(data["t_s"])
            # The first releases did not tell; they had booked all.
            self._metered_s = float(data.get("metered_s", self._t_s))
            self._base_l = float(data["base_l"])
            self._segment_s = float(data["segment_s"])
            self._join_var = float(data["join_var"])
            self._carry = float(data["carry"])
            self._extra = float(data["extra"])
            self._is_held = bool(data["is_held"])
            self._wander = float(data["wander"])
            self._curve.restore(data["curve"])
            self._book.restore(data["book"])
            self._cutter.restore(data["cutter"])
            self._last_fill = None if fill is None else Fill(**fill)
            self._fill_rates = [float(r) for r in data["fill_rates"]]
            self._draws = [(float(t), float(v)) for t, v in data["draws"]]
            self._gap_s = float(data["gap_s"])
            # The first releases knew nothing of waves.
            at_s, height_l = data.get("swell", (0.0, 0.0))
            self._swell = (float(at_s), float(height_l))
            going = data["fill"]
            self._interrupted = None if going is None else (float(going[0]), bool(going[1]))
        except (KeyError, TypeError, IndexError, AttributeError) as err:
            raise ValueError(f"not a balance snapshot: {err!r}") from err
