"""One fill-day: the real guard and a two-level rule run a simulated line, with faults.

A fill-day begins a quarter of an hour before the refill is due and ends half an hour after
everything is quiet again, at most a day later; the hours in which nothing moves are not
played. Everything goes from event to event.
"""

import heapq
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from random import Random

from custom_components.stillwell.engine.guard import Outcome, Phase, process
from custom_components.stillwell.engine.guard_events import (
    Actor,
    ActuatorReported,
    Command,
    Event,
    InputsReported,
    LevelReported,
    LockOutRequested,
    NoticeKind,
    SettingsChanged,
    Severity,
    SourceReported,
    Started,
    Stopping,
    Tick,
)
from custom_components.stillwell.engine.guard_state import GuardSettings, GuardState
from tests.simulator.plant import Device, Plant, Strip

from .invariants import Case, broken
from .witness import Witness

DAY_S = 86_400.0
LEAD_S = 900.0
QUIET_S = 1800.0
CONTACT_DELAY_S = 1.0
EARLIEST_REPORT_FRAC, LATEST_REPORT_FRAC = 0.95, 1.05
"""How early and how late a report may come, of the interval."""


@dataclass(slots=True)
class Report:
    """What a day has shown."""

    spilled_l: float = 0.0
    floor_l: float = 0.0
    dry_s: float = 0.0
    invalid_starts: int = 0
    starts: int = 0
    filled: bool = False
    trips: list[str] = field(default_factory=list)
    stuck_alarm_s: float | None = None
    """From the first OFF that did not work to the critical alarm."""
    flow_alarm_s: float | None = None
    """From the begin of a flow past a valve reported off to an alarm."""
    flow_window_s: float = 0.0
    broken: list[str] = field(default_factory=list)
    events: int = 0


@dataclass(slots=True)
class Day:
    """The line, the hub around it, and the queue of what happens next."""

    rng: Random
    faults: tuple[str, ...]
    watch: bool = False
    """Check every invariant at every event too."""
    t_s: float = 0.0
    clock_s: float = 1_700_000_000.0
    """The hub's clock at t_s = 0; steps of the clock change it."""
    hub_up: bool = True
    state: GuardState = field(default_factory=GuardState)
    stored: str = ""
    outcome: Outcome | None = None
    seen: Witness = field(default_factory=Witness)
    report: Report = field(default_factory=Report)
    queue: list[tuple[float, int, Callable[[], None]]] = field(default_factory=list)
    number: int = 0
    wake_s: float = math.inf
    """When the alarm clock rings that the guard asked for last, in the plant's time."""
    quiet_since_s: float = 0.0
    active: set[str] = field(default_factory=set)
    armed: list[str] = field(default_factory=list)
    told: tuple[bool | None, bool | None, bool | None] = (None, None, None)
    reported_l: float | None = None
    judged: list[float] = field(default_factory=list)
    silent_since_s: float | None = None
    off_failed_s: float | None = None
    flow_past_s: float | None = None
    flip: bool = False
    power_back_on: bool = False
    past_l: float = 0.0
    """Water that came while the device reported off."""
    # Made by _make_line.
    plant: Plant = field(init=False)
    device: Device = field(init=False)
    strip: Strip = field(init=False)
    settings: GuardSettings = field(init=False)
    source_strip_frozen_l: float | None = None
    start_l: float = 0.0
    full_l: float = 0.0
    contact_l: float = 0.0
    supply_mark_l: float = 0.0

    def __post_init__(self) -> None:
        """Draw a line and put its faults in place."""
        self._make_line()
        for fault in self.faults:
            if self.rng.random() < 0.6:
                self.armed.append(fault)
            else:
                self._at(self.rng.uniform(0.0, 5400.0), lambda fault=fault: self._begin(fault))

    def _make_line(self) -> None:
        rng = self.rng
        brim_l = rng.uniform(15.0, 80.0)
        interval_s = rng.choice((30.0, 60.0, 60.0, 120.0, 120.0, 300.0))
        resolution_l = brim_l * rng.choice((0.003, 0.007, 0.01))
        self.start_l, self.full_l = 0.25 * brim_l, 0.8 * brim_l
        self.contact_l = 0.92 * brim_l
        span_l = self.full_l - self.start_l
        inflow = span_l / rng.uniform(1200.0, 4200.0)
        # Between a report at the high limit and the brim there must be time for one more.
        inflow = min(inflow, 0.12 * brim_l / (interval_s + 60.0))
        use = rng.uniform(0.05, 0.3) * brim_l / DAY_S
        is_pump = rng.random() < 0.5
        reserve_l = inflow * (3.0 * interval_s + 60.0)
        source_l = math.inf
        if is_pump:
            share = rng.uniform(0.3, 0.9) if rng.random() < 0.25 else rng.uniform(1.2, 3.0)
            source_l = 2.0 * reserve_l + share * span_l
        self.supply_mark_l = 0.3 * reserve_l
        self.plant = Plant(
            brim_l=brim_l,
            level_l=self.start_l + use * LEAD_S,
            inflow_l_per_s=inflow,
            use_l_per_s=use,
            float_l=0.96 * brim_l,
            source_l=source_l,
        )
        self.device = Device(latency_s=rng.uniform(0.2, 3.0))
        self.strip = Strip(
            interval_s, resolution_l, resolution_l * rng.uniform(0.1, 0.6), Random(rng.random())
        )
        self.settings = GuardSettings(
            high_l=0.86 * brim_l,
            longest_run_s=min(2.0 * span_l / inflow, 14_400.0),
            start_l=self.start_l,
            full_l=self.full_l,
            settle_s=60.0,
            min_source_l=reserve_l if is_pump else None,
            source_stale_s=3.0 * interval_s,
        )

    # The queue.

    def _at(self, t_s: float, do: Callable[[], None]) -> None:
        self.number += 1
        heapq.heappush(self.queue, (max(t_s, self.t_s), self.number, do))

    def _after(self, wait_s: float, do: Callable[[], None]) -> None:
        self._at(self.t_s + wait_s, do)

    def run(self) -> Report:
        """Play the day."""
        self._boot()
        self._measure()
        self._minute()
        while self.queue and self.t_s < DAY_S:
            mark_s = self.t_s + min(
                self.plant.rises_to_after_s(self.contact_l),
                self.plant.source_falls_to_after_s(self.supply_mark_l),
            )
            t_s, _, do = self.queue[0]
            if mark_s + CONTACT_DELAY_S < t_s:
                self._forward(mark_s + CONTACT_DELAY_S)
                self._contacts()
                continue
            heapq.heappop(self.queue)
            self._forward(t_s)
            do()
            if self._is_over():
                break
        self.report.spilled_l = self.plant.spilled_l
        self.report.floor_l = self.plant.floor_l
        if self.settings.min_source_l is not None:
            self.report.dry_s = self.plant.dry_s
        return self.report

    def _forward(self, t_s: float) -> None:
        self.plant.contact_closed = self.device.is_on
        before_l = self.plant.delivered_l
        self.plant.advance(t_s)
        if self.device.report() is False and self.hub_up:
            self.past_l += self.plant.delivered_l - before_l
        self.t_s = max(self.t_s, t_s)

    def _is_over(self) -> bool:
        busy = (
            self.device.is_on
            or bool(self.armed and self.t_s < 10_800.0)
            or self.state.phase in (Phase.FILLING, Phase.STOPPING, Phase.TRIPPING)
            or not self.hub_up
            or (not self.report.starts and self.t_s < 5400.0)
        )
        if busy and self.t_s < 14_400.0:
            self.quiet_since_s = self.t_s
        return self.t_s - self.quiet_since_s > QUIET_S

    # The hub: guard, storage, rule.

    def hear(self, event: Event) -> None:
        """Let the guard hear an event and carry out what it says."""
        before = self.state
        outcome = process(before, self.settings, event)
        self.report.events += 1
        if self.watch:
            self.seen = self.seen.after(event, outcome, self.settings)
            case = Case(before, self.settings, event, outcome, self.seen)
            self.report.broken += broken(case)
        self.state = outcome.state
        self.outcome = outcome
        if outcome.save_now:
            self.stored = json.dumps(outcome.state.to_dict())
        self._note(before, outcome)
        if outcome.command is not Command.NONE:
            self._command(on=outcome.command is Command.ON, by=Actor.LINE)
        self._wake_due()
        if self.state.phase is Phase.FILLING and before.phase is not Phase.FILLING:
            self._fill_begun()

    def _wake_due(self) -> None:
        """Set the alarm clock, unless one rings no later: that one asks again when it does."""
        if self.outcome is None or self.outcome.wake_at_s is None:
            return
        due_s = self.outcome.wake_at_s - self.clock_s
        if due_s < self.wake_s:
            self.wake_s = due_s
            self._at(due_s, lambda: self._woken(due_s))

    def _woken(self, due_s: float) -> None:
        if due_s != self.wake_s:
            return
        self.wake_s = math.inf
        wake_s = None if self.outcome is None else self.outcome.wake_at_s
        if not self.hub_up or wake_s is None:
            return
        if self.now_s >= wake_s - 1e-6:
            self.hear(Tick(self.now_s))
            self._rule()
        else:
            self._wake_due()

    @property
    def now_s(self) -> float:
        """What the hub's clock says."""
        return self.clock_s + self.t_s

    def _note(self, before: GuardState, outcome: Outcome) -> None:
        trip = outcome.state.trip
        if trip is not None and trip is not before.trip:
            self.report.trips.append(trip.reason.value)
        if outcome.command is Command.OFF and self.device.welded and self.off_failed_s is None:
            self.off_failed_s = self.t_s
        is_critical = any(n.severity is Severity.CRITICAL for n in outcome.notices)
        is_told = is_critical or any(n.kind is NoticeKind.LOCKED_OUT for n in outcome.notices)
        report = self.report
        if is_critical and self.off_failed_s is not None and report.stuck_alarm_s is None:
            report.stuck_alarm_s = self.t_s - self.off_failed_s
        if is_told and self.flow_past_s is not None and report.flow_alarm_s is None:
            report.flow_alarm_s = self.t_s - self.flow_past_s

    def _fill_begun(self) -> None:
        run = self.state.run
        self.report.starts += 1
        if run is not None and run.owner is not Actor.PERSON and self._is_invalid():
            self.report.invalid_starts += 1
        for fault in self.armed:
            self._after(self.rng.uniform(1.0, 2400.0), lambda fault=fault: self._begin(fault))
        self.armed.clear()

    def _is_invalid(self) -> bool:
        """Whether a start now is wrong, judged by the truth."""
        silent = self.silent_since_s is not None and (
            self.t_s - self.silent_since_s > 4.0 * self.strip.interval_s
        )
        unfit = self.strip.mode in ("zero", "absent") and self.reported_l is None
        wet = "leak" in self.active or self.plant.level_l >= self.contact_l
        unknown = bool(self.active & {"leak unknown", "high contact unknown"})
        return silent or unfit or wet or unknown or self.state.trip is not None

    def _boot(self) -> None:
        self.hub_up = True
        self.told = (None, None, None)
        if self.stored:
            self.state = GuardState.from_dict(json.loads(self.stored))
        self.hear(Started(self.now_s, self.device.report()))
        self._contacts()

    def _rule(self) -> None:
        """The two-level rule: it obeys the permit and switches the device itself."""
        if not self.hub_up or self.outcome is None:
            return
        level_l, is_on = self.reported_l, self.device.report()
        dead = "rule dead" in self.active
        if is_on is False and self.outcome.permit and level_l is not None:
            if level_l <= self.start_l or "rule greedy" in self.active:
                self._command(on=True, by=Actor.AUTOMATION)
        elif is_on and not dead:
            full = level_l is not None and level_l >= self.full_l
            if full or not self.outcome.permit:
                if full:
                    self.report.filled = True
                self._command(on=False, by=Actor.AUTOMATION)

    def _command(self, *, on: bool, by: Actor) -> None:
        self._after(self.device.latency_s, lambda: self._arrive(on=on, by=by))

    def _arrive(self, *, on: bool, by: Actor) -> None:
        before = self.device.report()
        if self.device.command(on=on):
            self._device_changed(before, by)

    def _device_changed(self, before: bool | None, by: Actor) -> None:
        after = self.device.report()
        self.plant.contact_closed = self.device.is_on
        if self.device.lies and self.device.is_on and not self.device.told:
            self.flow_past_s = self.t_s if self.flow_past_s is None else self.flow_past_s
        if self.hub_up and after is not before:
            self.hear(ActuatorReported(self.now_s, after, by))
            self._rule()

    def _minute(self) -> None:
        """Tick every minute while anything runs; else the reports are ticks enough."""
        self._after(60.0, self._minute)
        if self.hub_up and self.state.phase in (Phase.FILLING, Phase.STOPPING, Phase.TRIPPING):
            self.hear(Tick(self.now_s))
            self._rule()

    # Sensors.

    def _contacts(self) -> None:
        high: bool | None = self.plant.level_l >= self.contact_l - 1e-6
        empty: bool | None = self.plant.source_l <= self.supply_mark_l + 1e-6
        leak: bool | None = "leak" in self.active
        # A contact that is unavailable says nothing, stuck or not.
        if "high contact unknown" in self.active:
            high = None
        elif "high contact stuck clear" in self.active:
            high = False
        elif "high contact stuck on" in self.active:
            high = True
        if "leak unknown" in self.active:
            leak = None
        if "supply contact stuck clear" in self.active:
            empty = False
        if self.hub_up and (high, leak, empty) != self.told:
            self.told = (high, leak, empty)
            self.hear(InputsReported(self.now_s, high, leak, empty))
            self._rule()

    def _measure(self) -> None:
        strip = self.strip
        late_frac = self.rng.uniform(EARLIEST_REPORT_FRAC, LATEST_REPORT_FRAC)
        self._after(strip.interval_s * late_frac, self._measure)
        if not self.hub_up:
            return
        self._contacts()
        if self.settings.min_source_l is not None:
            source_l = self.source_strip_frozen_l
            source_l = self.plant.source_l if source_l is None else source_l
            self.hear(SourceReported(self.now_s, source_l, usable=True))
        if strip.mode == "silent":
            self.hear(Tick(self.now_s))
        else:
            self.flip = not self.flip
            raw = 0.0 if strip.mode == "flicker" and self.flip else strip.read(self.plant.level_l)
            self._judge(raw)
        if "rival switches on" in self.active and not self.device.is_on:
            self._command(on=True, by=Actor.AUTOMATION)
        self._rule()

    def _judge(self, raw: float | None) -> None:
        """Judge a reading the way the conditioning must: absent, zero, spike or step, good."""
        if raw is None or raw == 0.0:
            self.reported_l = None
            self.judged.clear()
            self.hear(self._level(None, usable=False))
            return
        last_l = self.reported_l
        allowed_l = (
            1.5 * self.plant.inflow_l_per_s * self.strip.interval_s + 6.0 * self.strip.resolution_l
        )
        if last_l is not None and abs(raw - last_l) > allowed_l:
            self.judged = [v for v in self.judged if abs(v - raw) <= allowed_l]
            self.judged.append(raw)
            if len(self.judged) < 3:
                self.hear(self._level(None, usable=False, suspended=True))
                return
        self.judged.clear()
        self.reported_l = raw
        self.hear(self._level(raw, usable=True))

    def _level(
        self, volume_l: float | None, *, usable: bool, suspended: bool = False
    ) -> LevelReported:
        return LevelReported(
            self.now_s,
            volume_l,
            usable,
            interval_s=self.strip.interval_s,
            resolution_l=self.strip.resolution_l,
            noise_l=self.strip.noise_l,
            fill_rate_l_per_s=self.plant.inflow_l_per_s,
            suspended=suspended,
        )

    # Faults.

    def _begin(self, fault: str) -> None:
        self.active.add(fault)
        FAULTS[fault](self)
        self._contacts()

    def lasts(self, longest_s: float, end: Callable[[], None]) -> None:
        """Let a fault end after a while."""
        self._after(self.rng.uniform(60.0, longest_s), end)

    def strip_goes(self, mode: str) -> None:
        """Spoil the level sensor for up to two hours."""
        strip = self.strip
        strip.mode, strip.frozen_l = mode, strip.read(self.plant.level_l) or 0.0
        if mode == "frozen" and strip.frozen_l == 0.0:
            strip.frozen_l = strip.resolution_l
        # One mode at a time: a strip that repeats itself is not silent any more.
        self.silent_since_s = self.t_s if mode == "silent" else None
        if mode in ("zero", "absent"):
            # A device that drops out says so; it does not wait for its next report.
            self._judge(strip.read(self.plant.level_l)) if self.hub_up else None
            self._rule()
        self.lasts(7200.0, self._strip_good)

    def _strip_good(self) -> None:
        self.strip.mode, self.strip.offset_l, self.silent_since_s = "good", 0.0, None

    def hub_dies(self, longest_s: float) -> None:
        """Kill the hub without a word; it comes back later."""
        self.hub_up = False
        self.reported_l = None
        self.lasts(longest_s, self._boot)

    def hub_restarts(self) -> None:
        """Restart the hub in good order."""
        if self.hub_up:
            self.hear(Stopping(self.now_s))
            self.stored = json.dumps(self.state.to_dict())
            self.hub_up = False
            self._after(30.0, self._boot)

    def power_fails(self) -> None:
        """Lose the power of everything; the relay may come back on."""
        self.hub_up = False
        self.device.is_on = self.device.told = False
        self.power_back_on = self.rng.random() < 0.5
        self.lasts(3600.0, self._power_back)

    def _power_back(self) -> None:
        self.device.is_on = self.device.told = self.power_back_on
        self.reported_l = None
        self._after(60.0, self._boot)

    def clock_steps(self, by_s: float) -> None:
        """Step the hub's clock."""
        self.clock_s += by_s
        if self.hub_up:
            self.hear(Tick(self.now_s))
            self._rule()

    def person_switches(self, *, on: bool) -> None:
        """Let somebody press the switch."""
        self._arrive(on=on, by=Actor.PERSON)

    def options_change(self) -> None:
        """Let somebody set a much longer run."""
        self.settings = replace(self.settings, longest_run_s=4.0 * self.settings.longest_run_s)
        if self.hub_up:
            self.hear(SettingsChanged(self.now_s))

    def goes_away(self) -> None:
        """Make the device unreachable for up to an hour."""
        self._set_reachable(reachable=False)
        self.lasts(3600.0, lambda: self._set_reachable(reachable=True))

    def _set_reachable(self, *, reachable: bool) -> None:
        before = self.device.report()
        self.device.reachable = reachable
        self._device_changed(before, Actor.UNKNOWN)

    def seeps(self) -> None:
        """Let the valve pass water though it is closed."""
        self.plant.seep_l_per_s = self.rng.uniform(0.4, 1.0) * self.plant.inflow_l_per_s
        if not self.device.is_on:
            self.flow_past_s = self.t_s

    def locked_by_rule(self) -> None:
        """Let a rule lock the line out."""
        if self.hub_up:
            self.hear(LockOutRequested(self.now_s, "checked by a rule"))

    def supply_goes(self) -> None:
        """Let the supply line of a valve run out; a pump has a source with a level."""
        if self.settings.min_source_l is None:
            self.plant.supplied = False

    def intake_blocks(self) -> None:
        """Let a pump suck air though its source is full."""
        if self.settings.min_source_l is not None:
            self.plant.supplied = False

    @property
    def is_short_of_supply(self) -> bool:
        """Whether the source ran low: an unfilled vessel is then right."""
        least_l = self.settings.min_source_l
        return least_l is not None and self.plant.source_l < least_l * 1.2

    def window_s(self) -> float:
        """Return the watch's window as it is published: three reports, four steps, two minutes."""
        strip = self.strip
        step_l = max(strip.resolution_l, 2.0 * strip.noise_l)
        return max(3.0 * strip.interval_s, 4.0 * step_l / self.plant.inflow_l_per_s, 120.0)

    def has_untold_flow(self) -> bool:
        """Whether water went past a closed valve long enough to be told, and was not."""
        if self.flow_past_s is None or self.report.flow_alarm_s is not None:
            return False
        limit_s = 60.0 + 5.0 * self.window_s() + 4.0 * self.strip.interval_s
        return self.past_l > limit_s * self.plant.inflow_l_per_s

    def bucket(self) -> None:
        """Pour a bucket by hand, in half a minute."""
        self.plant.level_l = min(
            self.plant.level_l + 0.15 * self.plant.brim_l, 0.85 * self.plant.brim_l
        )


def _welded(day: Day) -> None:
    day.device.welded = True


def _lies(day: Day) -> None:
    day.device.welded = day.device.lies = True


def _only_told(day: Day) -> None:
    """Change nothing in the plant: rule and contacts ask whether the fault is active."""


def _set(name: str, value: object) -> Callable[[Day], None]:
    return lambda day: setattr(day.plant, name, value)


FAULTS: dict[str, Callable[[Day], None]] = {
    "strip unplugged, reads 0": lambda day: day.strip_goes("zero"),
    "strip unavailable": lambda day: day.strip_goes("absent"),
    "strip silent": lambda day: day.strip_goes("silent"),
    "strip frozen": lambda day: day.strip_goes("frozen"),
    "strip flickers to 0": lambda day: day.strip_goes("flicker"),
    "strip spiky": lambda day: day.strip_goes("spiky"),
    "strip reads low": lambda day: setattr(day.strip, "offset_l", 0.1 * day.plant.brim_l),
    "rule dead": _only_told,
    "rule greedy": _only_told,
    "rival switches on": _only_told,
    "rule locks out": Day.locked_by_rule,
    "person switches on": lambda day: day.person_switches(on=True),
    "person switches off": lambda day: day.person_switches(on=False),
    "valve welded": _welded,
    "valve welded, reports off": _lies,
    "valve seeps": Day.seeps,
    "device away": Day.goes_away,
    "three commands lost": lambda day: setattr(day.device, "deaf_for", 3),
    "hose off": _set("hose_on", value=False),
    "supply gone": Day.supply_goes,
    "intake blocked": Day.intake_blocks,
    "source strip frozen": lambda day: setattr(day, "source_strip_frozen_l", day.plant.source_l),
    "supply contact stuck clear": _only_told,
    "high contact stuck clear": _only_told,
    "high contact stuck on": _only_told,
    "high contact unknown": _only_told,
    "leak": _only_told,
    "leak unknown": _only_told,
    "float stuck": _set("float_l", value=None),
    "hub killed": lambda day: day.hub_dies(1800.0),
    "hub restarts": Day.hub_restarts,
    "power cut": Day.power_fails,
    "clock an hour back": lambda day: day.clock_steps(-3600.0),
    "clock an hour forward": lambda day: day.clock_steps(3600.0),
    "options changed": Day.options_change,
    "bucket poured": Day.bucket,
}
