"""Many fill-days with random faults, singly and in pairs, and what must hold in each."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import combinations
from multiprocessing import get_context
from random import Random

from .day import FAULTS, LATEST_REPORT_FRAC, Day, Report

SEED = 20_260_329
NONE_IN, SINGLE_IN = 10, 50
"""Of a hundred days ten are without a fault, forty with one, the rest with two."""
WATCHED_IN = 10
"""Of so many days one is played with every invariant checked at every event."""

SINGLES: tuple[tuple[str, ...], ...] = tuple((name,) for name in FAULTS)
PAIRS: tuple[tuple[str, ...], ...] = tuple(combinations(FAULTS, 2))

CANNOT_STOP = frozenset(
    {
        "valve welded",
        "valve welded, reports off",
        "valve seeps",
        "device away",
        "hub killed",
        "power cut",
        "rival switches on",
    }
)
"""Faults in which no command reaches the water, or another one works against it without end:
hardware is the only layer left, alarms tell."""
BLIND_TO_SUPPLY = frozenset({"intake blocked", "supply gone"})
"""The pump sucks air though source and contact look right: bounded by "no rise"."""
CHUNK = 250
TRACE_L = 1e-3
TRACE_S = 1.0


@dataclass(slots=True)
class Tally:
    """What the days of one kind have shown together."""

    days: int = 0
    starts: int = 0
    filled: int = 0
    events: int = 0
    spilled_days: int = 0
    most_spilled_l: float = 0.0
    most_floor_l: float = 0.0
    dry_days: int = 0
    most_dry_s: float = 0.0
    invalid_starts: int = 0
    latest_stuck_alarm_s: float = 0.0
    latest_flow_alarm_s: float = 0.0
    trips: Counter[str] = field(default_factory=Counter)

    def add(self, report: Report) -> None:
        """Add a day."""
        self.days += 1
        self.starts += report.starts
        self.filled += report.filled
        self.events += report.events
        self.spilled_days += report.spilled_l > TRACE_L
        self.most_spilled_l = max(self.most_spilled_l, report.spilled_l)
        self.most_floor_l = max(self.most_floor_l, report.floor_l)
        self.dry_days += report.dry_s > TRACE_S
        self.most_dry_s = max(self.most_dry_s, report.dry_s)
        self.invalid_starts += report.invalid_starts
        self.latest_stuck_alarm_s = max(self.latest_stuck_alarm_s, report.stuck_alarm_s or 0.0)
        self.latest_flow_alarm_s = max(self.latest_flow_alarm_s, report.flow_alarm_s or 0.0)
        self.trips.update(set(report.trips))

    def join(self, other: Tally) -> None:
        """Add the days of another tally."""
        self.days += other.days
        self.starts += other.starts
        self.filled += other.filled
        self.events += other.events
        self.spilled_days += other.spilled_days
        self.most_spilled_l = max(self.most_spilled_l, other.most_spilled_l)
        self.most_floor_l = max(self.most_floor_l, other.most_floor_l)
        self.dry_days += other.dry_days
        self.most_dry_s = max(self.most_dry_s, other.most_dry_s)
        self.invalid_starts += other.invalid_starts
        self.latest_stuck_alarm_s = max(self.latest_stuck_alarm_s, other.latest_stuck_alarm_s)
        self.latest_flow_alarm_s = max(self.latest_flow_alarm_s, other.latest_flow_alarm_s)
        self.trips.update(other.trips)


@dataclass(slots=True)
class Campaign:
    """All days played."""

    tallies: dict[str, Tally] = field(default_factory=dict)
    """By the fault of the day; all pairs together, and the pairs with no layer left apart."""
    violations: list[str] = field(default_factory=list)
    pairs_seen: set[tuple[str, ...]] = field(default_factory=set)
    watched: int = 0
    slow_verdicts: int = 0
    """Days on which noise put "no rise" off by a third watch."""

    def join(self, other: Campaign) -> None:
        """Add another campaign's days."""
        for kind, tally in other.tallies.items():
            self.tallies.setdefault(kind, Tally()).join(tally)
        self.violations += other.violations
        self.pairs_seen |= other.pairs_seen
        self.watched += other.watched
        self.slow_verdicts += other.slow_verdicts

    @property
    def days(self) -> int:
        """How many days were played."""
        return sum(tally.days for tally in self.tallies.values())


NO_FAULT = "no fault"
PAIR = "two faults"
PAIR_NO_LAYER = "two faults, no layer left against the water"


def faults_of(number: int) -> tuple[str, ...]:
    """Return the faults of a day: all singles and all pairs come round again and again."""
    place = number % 100
    if place < NONE_IN:
        return ()
    if place < SINGLE_IN:
        return SINGLES[(number // 100 * (SINGLE_IN - NONE_IN) + place - NONE_IN) % len(SINGLES)]
    return PAIRS[(number // 100 * (100 - SINGLE_IN) + place - SINGLE_IN) % len(PAIRS)]


def play(seed: int, number: int) -> tuple[tuple[str, ...], Day]:
    """Play one day of the campaign; the same numbers give the same day."""
    faults = faults_of(number)
    day = Day(Random(f"{seed}/{number}"), faults, watch=number % WATCHED_IN == 0)
    day.run()
    return faults, day


def no_layer_left(faults: Iterable[str]) -> bool:
    """Whether float and command path both failed: nothing is left that could stop the water."""
    chosen = set(faults)
    return "float stuck" in chosen and bool(chosen & CANNOT_STOP)


def violations_of(faults: tuple[str, ...], day: Day) -> Iterator[str]:
    """Yield what must not have happened on this day."""
    report = day.report
    for name in sorted(set(report.broken)):
        yield f"invariant {name}"
    if report.invalid_starts:
        yield f"{report.invalid_starts} starts while invalid"
    if report.spilled_l > TRACE_L and not no_layer_left(faults):
        yield f"{report.spilled_l:.3f} L over the brim"
    if report.dry_s > _allowed_dry_s(day, set(faults)):
        yield f"{report.dry_s:.0f} s of dry running"
    if not faults and report.trips:
        yield f"locked out without a fault: {report.trips}"
    if not faults and not report.filled and not day.is_short_of_supply:
        yield "not filled though nothing was wrong"
    if len(faults) == 1:
        yield from _late_alarms(faults[0], day)


def _late_alarms(fault: str, day: Day) -> Iterator[str]:
    told_s = day.report.stuck_alarm_s
    is_late = told_s is None or told_s > 60.0 + TRACE_S
    if fault == "valve welded" and day.off_failed_s is not None and is_late:
        yield f"stuck valve told after {told_s} s"
    if fault == "hose off" and day.report.floor_l > day.plant.inflow_l_per_s * _no_rise_s(day):
        yield f"{day.report.floor_l:.1f} L beside the hose"
    if day.has_untold_flow():
        yield "flow past a closed valve not told in time"


def _allowed_dry_s(day: Day, chosen: set[str]) -> float:
    if chosen & CANNOT_STOP or chosen >= {"source strip frozen", "supply contact stuck clear"}:
        return float("inf")
    if chosen & BLIND_TO_SUPPLY:
        if len(chosen) > 1:
            return float("inf")
        return _no_rise_s(day)
    return TRACE_S


def _no_rise_s(day: Day, watches: int = 3) -> float:
    """Return how long water may fail to come before the pump stands, s.

    The guard's rule: a run is barren a window and a report, up to a quarter late, after the last
    step up. The water stops right after a report: the median of three takes one report more to
    show the last of it, and the step the guard keeps in hand counts one report later still (2 I).
    Then the verdict takes a window and a report (W + 1.25 I), in which a crest of noise may use
    up the step in hand and begin the watch anew (as long again). For a third watch noise must
    climb a whole step above that crest, three standard deviations of the median: once in about a
    thousand such days, and the page counts them. A fourth would take a step more. Reports come
    up to a twentieth late, and the command takes the device's time.
    """
    interval_s = day.strip.interval_s
    lag_s = 2.0 * LATEST_REPORT_FRAC * interval_s
    return lag_s + watches * (day.window_s() + 1.25 * interval_s) + day.device.latency_s + TRACE_S


def _is_slow_verdict(faults: tuple[str, ...], day: Day) -> bool:
    """Whether noise has bought a barren run a third watch."""
    limit_s = _no_rise_s(day, watches=2)
    if faults == ("intake blocked",):
        return day.report.dry_s > limit_s
    return faults == ("hose off",) and day.report.floor_l > day.plant.inflow_l_per_s * limit_s


def part(job: tuple[int, int, int]) -> Campaign:
    """Play the days from..to of a seed."""
    seed, first, last = job
    campaign = Campaign()
    for number in range(first, last):
        faults, day = play(seed, number)
        kind = NO_FAULT if not faults else faults[0] if len(faults) == 1 else PAIR
        if len(faults) > 1:
            campaign.pairs_seen.add(faults)
            kind = PAIR_NO_LAYER if no_layer_left(faults) else PAIR
        campaign.watched += day.watch
        campaign.slow_verdicts += _is_slow_verdict(faults, day)
        campaign.tallies.setdefault(kind, Tally()).add(day.report)
        campaign.violations += [
            f"day {number} ({' + '.join(faults) or NO_FAULT}): {what}"
            for what in violations_of(faults, day)
        ]
    return campaign


def run(
    days: int,
    seed: int = SEED,
    processes: int = 2,
    told: Callable[[Campaign], None] = lambda _done: None,
) -> Campaign:
    """Play a campaign on several processes; ``told`` hears of it now and then."""
    jobs = [(seed, first, min(first + CHUNK, days)) for first in range(0, days, CHUNK)]
    campaign = Campaign()
    with get_context("fork").Pool(processes) as pool:
        for done, one in enumerate(pool.imap_unordered(part, jobs), 1):
            campaign.join(one)
            if done % 40 == 0:
                told(campaign)
    return campaign
