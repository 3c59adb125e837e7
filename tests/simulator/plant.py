"""A fill line as it really is: supply, pump or valve, hose, vessel, float, sensors.

Own constants and equations; nothing of the code under test is imported. Flows are constant
between events, so the water moves in closed form and the simulator jumps from event to event.
Litres and seconds.
"""

import math
from dataclasses import dataclass, field
from random import Random


@dataclass(slots=True)
class Plant:
    """One vessel that is filled through one actuator, with hardware that needs no software."""

    brim_l: float
    level_l: float
    inflow_l_per_s: float
    use_l_per_s: float
    float_l: float | None
    """Level at which the independent float valve shuts; None: it is stuck open."""
    source_l: float = math.inf
    """What is left in the vessel the line draws from."""
    t_s: float = 0.0
    hose_on: bool = True
    supplied: bool = True
    contact_closed: bool = False
    """Whether water is let through, whatever the device reports."""
    seep_l_per_s: float = 0.0
    """Flow past a closed valve."""
    spilled_l: float = 0.0
    """Over the brim."""
    floor_l: float = 0.0
    """Out of the hose beside the vessel."""
    dry_s: float = 0.0
    """Seconds the actuator was on without a supply."""
    delivered_l: float = 0.0

    def advance(self, t_s: float) -> None:
        """Let the water flow until the time given."""
        while self.t_s < t_s:
            self._flow_for(min(t_s - self.t_s, self._until_change_s()))

    def rises_to_after_s(self, mark_l: float) -> float:
        """Return how long until the level reaches a mark from below, at the present flows."""
        net = self._into_vessel_l_per_s() - self.use_l_per_s
        if net <= 0.0 or self.level_l >= mark_l:
            return math.inf
        return (mark_l - self.level_l) / net

    def source_falls_to_after_s(self, mark_l: float) -> float:
        """Return how long until the source has fallen to a mark, at the present flows."""
        drawn = self._drawn_l_per_s()
        if drawn <= 0.0 or self.source_l <= mark_l:
            return math.inf
        return (self.source_l - mark_l) / drawn

    def _flow_l_per_s(self) -> float:
        """Return what comes out of the hose."""
        wet = self.supplied and self.source_l > 1e-9
        if not wet:
            return 0.0
        return self.inflow_l_per_s if self.contact_closed else self.seep_l_per_s

    def _is_shut_by_float(self) -> bool:
        return self.float_l is not None and self.level_l >= self.float_l - 1e-9

    def _into_vessel_l_per_s(self) -> float:
        if not self.hose_on:
            return 0.0
        flow = self._flow_l_per_s()
        if self._is_shut_by_float():
            return min(flow, self.use_l_per_s)
        return flow

    def _until_change_s(self) -> float:
        """Return the time until the float shuts, the brim is reached or something runs dry."""
        spans = [math.inf]
        net = self._into_vessel_l_per_s() - self.use_l_per_s
        if net > 0.0:
            marks = (mark_l for mark_l in (self.float_l, self.brim_l) if mark_l is not None)
            spans.extend((m - self.level_l) / net for m in marks if self.level_l < m - 1e-9)
        elif net < 0.0 and self.level_l > 0.0:
            spans.append(self.level_l / -net)
        drawn = self._drawn_l_per_s()
        if drawn > 0.0:
            spans.append(self.source_l / drawn)
        return max(min(spans), 1e-6)

    def _drawn_l_per_s(self) -> float:
        return self._into_vessel_l_per_s() if self.hose_on else self._flow_l_per_s()

    def _flow_for(self, span_s: float) -> None:
        into = self._into_vessel_l_per_s()
        drawn_l = self._drawn_l_per_s() * span_s
        if self.contact_closed and not (self.supplied and self.source_l > 1e-9):
            self.dry_s += span_s
        if not self.hose_on:
            self.floor_l += drawn_l
        self.source_l = max(0.0, self.source_l - drawn_l)
        self.delivered_l += into * span_s
        level_l = self.level_l + (into - self.use_l_per_s) * span_s
        if level_l > self.brim_l:
            self.spilled_l += level_l - self.brim_l
            level_l = self.brim_l
        self.level_l = max(0.0, level_l)
        self.t_s += span_s


@dataclass(slots=True)
class Device:
    """The switched device: what it was told, what it does, what it reports."""

    latency_s: float = 1.0
    reported: bool | None = False
    is_on: bool = False
    welded: bool = False
    """The contact does not open any more."""
    lies: bool = False
    """Reports what it was told instead of what the contact does."""
    reachable: bool = True
    deaf_for: int = 0
    """So many commands are lost."""
    told: bool = False

    def command(self, *, on: bool) -> bool:
        """Take a command; return whether it arrived."""
        if not self.reachable:
            return False
        if self.deaf_for > 0:
            self.deaf_for -= 1
            return False
        self.told = on
        self.is_on = True if self.welded and self.is_on else on
        return True

    def report(self) -> bool | None:
        """Return what the device says now; None when nobody can reach it."""
        if not self.reachable:
            return None
        return self.told if self.lies else self.is_on


@dataclass(slots=True)
class Strip:
    """A level sensor: interval, resolution, noise, and ways to go wrong.

    ``mode`` is one of good, zero (unplugged strip), absent (unavailable), silent (no report at
    all), frozen (the last value again and again), offset (reads low), spiky.
    """

    interval_s: float
    resolution_l: float
    noise_l: float
    rng: Random = field(default_factory=Random)
    mode: str = "good"
    frozen_l: float = 0.0
    offset_l: float = 0.0

    def read(self, level_l: float) -> float | None:
        """Return the device's number (L), or None when it is unavailable."""
        if self.mode == "absent":
            return None
        if self.mode == "zero":
            return 0.0
        if self.mode == "frozen":
            return self.frozen_l
        value_l = level_l + self.rng.gauss(0.0, self.noise_l) - self.offset_l
        if self.mode == "spiky" and self.rng.random() < 0.03:
            value_l += self.rng.choice((-1.0, 1.0)) * 0.3 * level_l
        steps = round(value_l / self.resolution_l)
        return max(0.0, steps * self.resolution_l)
