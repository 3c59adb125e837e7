"""Water balance of one vessel: level, use, fills, pours and losses from accepted volumes."""

from collections import deque
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any, Final

from .quantities import DAY_S, HOUR_S, DaySpan, UseBlock

BLOCK_S: Final = 300.0
DAYS_KEPT: Final = 35


class Flow(StrEnum):
    """What the water is doing."""

    UNKNOWN = "unknown"
    STEADY = "steady"
    FALLING = "falling"
    FILLING = "filling"
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
class DayUse:
    """Litres of one local calendar day."""

    key: str
    used_l: float
    added_l: float
    unexplained_l: float
    covered_frac: float


@dataclass(frozen=True, slots=True)
class BalanceSettings:
    """What the keeper told about the vessel."""

    capacity_l: float


class Balance:
    """Sorts changes of volume into use, fill, pour and loss."""

    def __init__(self, settings: BalanceSettings) -> None:
        self._settings = settings
        self._t_s: float | None = None
        self._v_l: float | None = None
        self._sigma_l = 0.0
        self._rate = 0.0  # use, L/s
        self._use_l = 0.0
        self._total_l = 0.0
        self._curve: deque[tuple[float, float]] = deque(maxlen=2200)
        self._anchor: tuple[float, float] | None = None
        self._flow = Flow.UNKNOWN
        self._recent: deque[tuple[float, float]] = deque(maxlen=8)
        self._fill: Fill | None = None
        self._last_fill: Fill | None = None
        self._days: list[DayUse] = []
        self._blocks: list[UseBlock] = []
        self._events: list[Event] = []
        self._off_warned = False

    @property
    def volume_l(self) -> float | None:
        """Best estimate of the volume, L."""
        return self._v_l

    @property
    def volume_sigma_l(self) -> float | None:
        """One standard deviation of the error of ``volume_l``."""
        return None if self._v_l is None else self._sigma_l

    def _use(self, span_s: float) -> float | None:
        if self._t_s is None or not self._curve or self._t_s - self._curve[0][0] < HOUR_S:
            return None
        start = self._t_s - span_s
        before = self._curve[0]
        for point in self._curve:
            if point[0] > start:
                break
            before = point
        return max(0.0, (self._use_l - before[1]) * DAY_S / (self._t_s - before[0]))

    @property
    def use_24h_l_per_day(self) -> float | None:
        """Use over the trailing 24 h, L/day; None until an hour is known."""
        return self._use(DAY_S)

    @property
    def use_24h_sigma(self) -> float | None:
        """One standard deviation of ``use_24h_l_per_day``."""
        return None if self._use(DAY_S) is None else 1.5 * self._sigma_l

    @property
    def use_7d_l_per_day(self) -> float | None:
        """Use over the trailing 7 days, L/day; None until an hour is known."""
        return self._use(7 * DAY_S)

    @property
    def use_7d_sigma(self) -> float | None:
        """One standard deviation of ``use_7d_l_per_day``."""
        return None if self._use(DAY_S) is None else 0.2 * self._sigma_l

    @property
    def flow(self) -> Flow:
        """What the water is doing."""
        return self._flow

    @property
    def fill_rate_l_per_s(self) -> float | None:
        """Rate of the fill going on, L/s."""
        if self._fill is None or len(self._recent) < 3:
            return None
        (t0, v0), (t1, v1) = self._recent[0], self._recent[-1]
        return (v1 - v0) / (t1 - t0) if t1 > t0 else None

    def full_at_s(self, target_l: float) -> float | None:
        """When the volume will reach ``target_l``; None when not filling."""
        rate = self.fill_rate_l_per_s
        if rate is None or rate <= 0 or self._v_l is None or self._t_s is None:
            return None
        return self._t_s + max(0.0, target_l - self._v_l) / rate

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
        return self._total_l

    @property
    def days(self) -> tuple[DayUse, ...]:
        """Litres per local day, newest last."""
        return tuple(self._days)

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

    def add(
        self,
        t_s: float,
        volume_l: float,
        litres_per_m: float,
        noise_m: float | None,
        *,
        fill_on: bool | None,
        day: DaySpan,
    ) -> None:
        """Take one accepted sample."""
        noise_l = max(litres_per_m * (noise_m if noise_m is not None else 0.001), 1e-4)
        if self._t_s is None or self._v_l is None:
            self._t_s, self._v_l, self._sigma_l = t_s, volume_l, noise_l
            self._curve.append((t_s, 0.0))
            self._anchor = (t_s, 0.0)
            self._recent.append((t_s, volume_l))
            return
        dt = max(0.0, t_s - self._t_s)
        self._recent.append((t_s, volume_l))
        (_, v0), (_, v1) = self._recent[0], self._recent[-1]
        is_rising = v1 - v0 > 6 * noise_l
        gain = 1.0 - 2.718281828 ** (-dt / 1200.0)
        predicted = self._v_l - self._rate * dt
        self._t_s = t_s
        carried = self._rate * dt
        if is_rising:
            self._rise(t_s, volume_l, fill_on=fill_on)
            self._v_l = volume_l
            used = carried
        else:
            if self._fill is not None:
                self._end_fill(t_s, volume_l)
                predicted = volume_l
            old = self._v_l if self._flow is not Flow.FILLING else volume_l + carried
            if volume_l - predicted > 6 * noise_l or predicted - volume_l > 12 * noise_l:
                self._v_l = volume_l
            else:
                self._v_l = predicted + gain * (volume_l - predicted)
            used = old - self._v_l
            self._flow = Flow.FALLING
        self._sigma_l = noise_l
        self._advance(used, day, is_measured=not is_rising)

    def _rise(self, t_s: float, volume_l: float, *, fill_on: bool | None) -> None:
        from_l = self._recent[0][1]
        if self._fill is None:
            self._fill = Fill(self._recent[0][0], None, 0.0, from_l, fill_on is True)
            self._events.append(Event(EventKind.FILL_STARTED, t_s, volume_l - from_l))
            self._off_warned = False
        self._fill = replace(self._fill, volume_l=volume_l - self._fill.from_l)
        if fill_on is False and not self._off_warned:
            self._off_warned = True
            self._events.append(Event(EventKind.FLOW_WHILE_OFF, t_s, self._fill.volume_l))
        self._flow = Flow.FILLING

    def _end_fill(self, t_s: float, volume_l: float) -> None:
        assert self._fill is not None  # noqa: S101
        self._last_fill = replace(self._fill, end_s=t_s, volume_l=volume_l - self._fill.from_l)
        self._fill = None
        self._events.append(Event(EventKind.FILL_ENDED, t_s, self._last_fill.volume_l))
        if self._days:
            last = self._days[-1]
            self._days[-1] = replace(last, added_l=last.added_l + self._last_fill.volume_l)

    def _advance(self, used_l: float, day: DaySpan, *, is_measured: bool) -> None:
        assert self._t_s is not None  # noqa: S101
        assert self._anchor is not None  # noqa: S101
        self._use_l += used_l
        step = max(0.0, self._use_l - self._total_l)
        self._total_l += step
        if not self._days or self._days[-1].key != day.key:
            self._days.append(DayUse(day.key, 0.0, 0.0, 0.0, 0.0))
            del self._days[:-DAYS_KEPT]
        self._days[-1] = replace(self._days[-1], used_l=self._days[-1].used_l + step)
        t0, u0 = self._anchor
        if self._t_s - t0 >= BLOCK_S:
            self._curve.append((self._t_s, self._use_l))
            self._anchor = (self._t_s, self._use_l)
            self._blocks.append(
                UseBlock(t0, self._t_s, self._use_l - u0, 1.5 * self._sigma_l, is_measured)
            )
            rate = self._use(DAY_S)
            if rate is not None:
                self._rate = rate / DAY_S

    def hold(self, t_s: float, day: DaySpan) -> None:
        """Let time pass without a valid reading; use is carried at the learned rate."""
        if self._t_s is None or self._v_l is None or t_s <= self._t_s:
            return
        carried = self._rate * (t_s - self._t_s)
        self._t_s = t_s
        self._v_l = max(0.0, self._v_l - carried)
        self._flow = Flow.HELD
        self._advance(carried, day, is_measured=False)

    def restarted(self, t_s: float) -> None:
        """A gap until ``t_s``: what is going on is forgotten, what was learned is kept."""
        self._recent.clear()
        self._fill = None

    def snapshot(self) -> dict[str, Any]:
        """State as JSON types."""
        return {
            "t_s": self._t_s,
            "v_l": self._v_l,
            "sigma_l": self._sigma_l,
            "rate": self._rate,
            "use_l": self._use_l,
            "total_l": self._total_l,
            "curve": [list(p) for p in self._curve][-300:],
            "anchor": None if self._anchor is None else list(self._anchor),
            "days": [asdict(d) for d in self._days],
            "last_fill": None if self._last_fill is None else asdict(self._last_fill),
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot; raises ValueError on nonsense."""
        try:
            self._t_s, self._v_l = data["t_s"], data["v_l"]
            self._sigma_l, self._rate = float(data["sigma_l"]), float(data["rate"])
            self._use_l, self._total_l = float(data["use_l"]), float(data["total_l"])
            self._curve.extend((float(t), float(u)) for t, u in data["curve"])
            anchor = data["anchor"]
            self._anchor = None if anchor is None else (float(anchor[0]), float(anchor[1]))
            self._days = [DayUse(**d) for d in data["days"]]
            fill = data["last_fill"]
            self._last_fill = None if fill is None else Fill(**fill)
        except (KeyError, TypeError, IndexError) as err:
            raise ValueError(f"not a balance snapshot: {err!r}") from err
