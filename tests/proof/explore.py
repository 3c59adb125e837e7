"""Exhaustive exploration of the guard, event by event, until no new state appears.

The guard explored is the real one. Time goes on a grid of one minute, the length of the waits
that cannot be set; the waits that can be set are one or two grid steps. States that differ only
in ages beyond every limit in force count as one. Three slow clocks are widened instead of
followed: a pause or a ledger entry may be forgotten at any moment, the grace after a start may
end at any moment. That only adds states. Each slice explores one part of the alphabet together
with all that it touches, because the product of everything with everything would show the same
transitions a thousand times over.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from custom_components.stillwell.engine.guard import Phase, process
from custom_components.stillwell.engine.guard_events import (
    Actor,
    ActuatorReported,
    Command,
    Event,
    IllegalEvent,
    InputsReported,
    LevelReported,
    LockOutRequested,
    MaintenanceRequested,
    ResetRequested,
    ReturnPumpReported,
    RunByHandRequested,
    SettingsChanged,
    SourceReported,
    Started,
    StartRequested,
    Stopping,
    StopRequested,
    Tick,
    TripReason,
)
from custom_components.stillwell.engine.guard_state import (
    GuardSettings,
    GuardState,
    LedgerEntry,
    OffWatch,
    RiseWatch,
)

from .invariants import Case, broken
from .witness import Witness

STEP_S = 60.0
BOOT_GRACE_S = 300.0
STALE_S = DWELL_S = 60.0
PAUSE_NOTICE_S = 120.0
LONGEST_WATCH_S = 240.0
MOST_GAINED_L = 2.0
MOST_BOOKED = 360.0
ON_SIGNAL = frozenset(
    {TripReason.REPEATED_SIGNAL_LOSS, TripReason.NO_RISE, TripReason.FLOW_WHILE_OFF}
)
VALVE_OPEN = frozenset({TripReason.STUCK_ON, TripReason.FLOW_WHILE_OFF})

SETTINGS = GuardSettings(
    high_l=10.0,
    longest_run_s=120.0,
    settle_s=60.0,
    shortest_pause_s=60.0,
    stale_after_s=60.0,
    return_settle_s=60.0,
    hand_run_s=60.0,
    hold_off_s=60.0,
    supply_stable_s=60.0,
    source_stale_s=60.0,
)
# So coarse that neither watch on the level ever judges: they have a slice of their own.
COARSE = {"interval_s": 20.0, "resolution_l": 1000.0, "fill_rate_l_per_s": 1.0}

type Make = Callable[[float], Event]


@dataclass(frozen=True, slots=True)
class Slice:
    """One part of the alphabet, with settings that suit it."""

    name: str
    events: tuple[Make, ...]
    settings: GuardSettings = SETTINGS
    follows_rise: bool = False
    follows_off: bool = False
    follows_boot: bool = False
    """The grace after a start matters: something switches on by itself, or is away."""
    follows_pauses: bool = False
    """How often the signal was lost matters."""
    other_settings: GuardSettings | None = None
    """Settings that a SettingsChanged may bring."""


@dataclass(slots=True)
class Finding:
    """What an exploration saw."""

    name: str
    states: int = 0
    transitions: int = 0
    illegal: int = 0
    closed: bool = False
    phases: frozenset[Phase] = frozenset()
    trips: set[TripReason] = field(default_factory=set)
    broken: dict[str, str] = field(default_factory=dict)
    """Invariant -> the first case that breaks it."""


def _level(volume_l: float | None, *, usable: bool = True, suspended: bool = False) -> Make:
    return lambda t_s: LevelReported(t_s, volume_l, usable=usable, suspended=suspended, **COARSE)


def _contacts(high: bool | None, leak: bool | None, supply_empty: bool | None) -> Make:
    return lambda t_s: InputsReported(t_s, high, leak, supply_empty)


def _switched(on: bool | None, actor: Actor) -> Make:
    return lambda t_s: ActuatorReported(t_s, on, actor)


def _later_level(volume_l: float) -> Make:
    return lambda t_s: LevelReported(
        t_s + STEP_S, volume_l, usable=True, resolution_l=1.0, fill_rate_l_per_s=0.05
    )


TICK: Make = lambda t_s: Tick(t_s + STEP_S)  # noqa: E731
CLEAR = _contacts(high=False, leak=False, supply_empty=False)
GOOD, HIGH = _level(5.0), _level(10.0)
BAD = _level(None, usable=False)
# Where the signal is not the question, time passes together with a good report.
LATER: Make = lambda t_s: LevelReported(t_s + STEP_S, 5.0, usable=True, **COARSE)  # noqa: E731
OFF_BY_LINE = _switched(on=False, actor=Actor.LINE)
ON_BY_RULE = _switched(on=True, actor=Actor.AUTOMATION)
ON_BY_HAND = _switched(on=True, actor=Actor.PERSON)
UNKNOWN = _switched(on=None, actor=Actor.UNKNOWN)
STARTS: tuple[Make, ...] = (
    lambda t_s: Started(t_s, actuator_on=False),
    lambda t_s: Started(t_s, actuator_on=True),
    lambda t_s: Started(t_s, actuator_on=None),
)
ASK: tuple[Make, ...] = (
    lambda t_s: StartRequested(t_s, Actor.AUTOMATION),
    RunByHandRequested,
    ResetRequested,
)

SLICES: tuple[Slice, ...] = (
    Slice(
        "signal in a run of a rule",
        (
            STARTS[0],
            TICK,
            CLEAR,
            GOOD,
            HIGH,
            BAD,
            _level(5.0, suspended=True),
            OFF_BY_LINE,
            ON_BY_RULE,
            UNKNOWN,
            ResetRequested,
        ),
        follows_pauses=True,
    ),
    Slice(
        "who switches",
        (
            *STARTS,
            LATER,
            CLEAR,
            OFF_BY_LINE,
            ON_BY_RULE,
            ON_BY_HAND,
            _switched(on=True, actor=Actor.UNKNOWN),
            _switched(on=True, actor=Actor.LINE),
            _switched(on=False, actor=Actor.PERSON),
            UNKNOWN,
            BAD,
        ),
        follows_boot=True,
    ),
    Slice(
        "requests and lockout",
        (
            STARTS[0],
            STARTS[1],
            LATER,
            CLEAR,
            GOOD,
            HIGH,
            OFF_BY_LINE,
            _switched(on=True, actor=Actor.LINE),
            *ASK,
            lambda t_s: StopRequested(t_s, Actor.PERSON),
            LockOutRequested,
            Stopping,
        ),
    ),
    Slice(
        "contacts",
        (
            STARTS[0],
            LATER,
            CLEAR,
            _contacts(high=True, leak=False, supply_empty=False),
            _contacts(high=None, leak=False, supply_empty=False),
            _contacts(high=False, leak=True, supply_empty=False),
            _contacts(high=False, leak=None, supply_empty=False),
            _contacts(high=False, leak=False, supply_empty=True),
            _contacts(high=False, leak=False, supply_empty=None),
            _contacts(high=True, leak=None, supply_empty=True),
            OFF_BY_LINE,
            ON_BY_RULE,
            *ASK,
        ),
    ),
    Slice(
        "source",
        (
            STARTS[0],
            LATER,
            CLEAR,
            OFF_BY_LINE,
            ON_BY_RULE,
            RunByHandRequested,
            lambda t_s: SourceReported(t_s, 9.0, usable=True),
            lambda t_s: SourceReported(t_s, 1.0, usable=True),
            lambda t_s: SourceReported(t_s, None, usable=False),
        ),
        replace(SETTINGS, min_source_l=2.0),
    ),
    Slice(
        "return pump and maintenance",
        (
            STARTS[0],
            LATER,
            CLEAR,
            OFF_BY_LINE,
            ON_BY_RULE,
            ON_BY_HAND,
            lambda t_s: ReturnPumpReported(t_s, on=True),
            lambda t_s: ReturnPumpReported(t_s, on=False),
            lambda t_s: ReturnPumpReported(t_s, on=None),
            lambda t_s: MaintenanceRequested(t_s, t_s + STEP_S),
            lambda t_s: MaintenanceRequested(t_s, None),
        ),
        replace(SETTINGS, has_return_pump=True),
    ),
    Slice(
        "clock steps and changed settings",
        (
            STARTS[0],
            LATER,
            CLEAR,
            OFF_BY_LINE,
            ON_BY_RULE,
            lambda t_s: Tick(t_s - 3600.0),
            lambda t_s: Tick(t_s + 240.0),
            lambda t_s: Tick(t_s + 7200.0),
            SettingsChanged,
        ),
        other_settings=replace(SETTINGS, longest_run_s=7200.0),
    ),
    Slice(
        "budgets",
        (
            STARTS[0],
            LATER,
            CLEAR,
            OFF_BY_LINE,
            ON_BY_RULE,
            RunByHandRequested,
            ResetRequested,
        ),
        replace(SETTINGS, daily_run_s=150.0, daily_volume_l=150.0, run_volume_l=100.0),
    ),
    Slice(
        "rise while on",
        (
            STARTS[0],
            CLEAR,
            _later_level(4.0),
            _later_level(6.0),
            OFF_BY_LINE,
            ON_BY_RULE,
            ResetRequested,
        ),
        replace(SETTINGS, settle_s=0.0, shortest_pause_s=0.0, longest_run_s=360.0),
        follows_rise=True,
    ),
    Slice(
        "rise while off",
        (
            STARTS[0],
            CLEAR,
            _later_level(4.0),
            _later_level(5.0),
            _later_level(6.0),
            _later_level(7.0),
            ResetRequested,
            RunByHandRequested,
        ),
        replace(SETTINGS, settle_s=0.0, has_return_pump=False),
        follows_off=True,
    ),
    Slice(
        "rehearsal",
        (
            STARTS[0],
            STARTS[1],
            TICK,
            CLEAR,
            GOOD,
            HIGH,
            _level(1.0),
            OFF_BY_LINE,
            ON_BY_RULE,
            *ASK,
        ),
        replace(SETTINGS, rehearsal=True, start_l=2.0, full_l=9.0),
    ),
)


@dataclass(frozen=True, slots=True)
class Node:
    """A state of the guard with what the witness knows."""

    state: GuardState
    seen: Witness
    other: bool = False


def explore(part: Slice, limit: int = 2_000_000, *, stop_at_first: bool = False) -> Finding:
    """Follow every event from every state until nothing new appears (or the limit)."""
    finding = Finding(part.name)
    first = Node(GuardState(), Witness())
    known = {_key(first, part)}
    frontier = [first]
    phases = set()
    while frontier and len(known) < limit and not (stop_at_first and finding.broken):
        node = frontier.pop()
        phases.add(node.state.phase)
        for make in part.events:
            for after in _followed(node, make(node.seen.t_s), part, finding):
                key = _key(after, part)
                if key not in known:
                    known.add(key)
                    frontier.append(after)
        _look_for_an_off(node, part, finding)
    finding.states = len(known)
    finding.closed = not frontier
    finding.phases = frozenset(phases)
    return finding


def _followed(node: Node, event: Event, part: Slice, finding: Finding) -> Iterator[Node]:
    other = node.other or isinstance(event, SettingsChanged)
    settings = part.other_settings if other and part.other_settings else part.settings
    try:
        outcome = process(node.state, settings, event)
    except IllegalEvent:
        finding.illegal += 1
        return
    finding.transitions += 1
    if outcome.state.trip is not None:
        finding.trips.add(outcome.state.trip.reason)
    seen = node.seen.after(event, outcome, settings)
    case = Case(node.state, settings, event, outcome, seen)
    for name in broken(case):
        finding.broken.setdefault(name, f"{case.event} in {case.before}")
    for state in _widened(outcome.state, seen.t_s, part):
        yield Node(state, seen, other)


def _look_for_an_off(node: Node, part: Slice, finding: Finding) -> None:
    """From every state an OFF is one step away, unless it is surely off already."""
    state, t_s = node.state, node.seen.t_s
    if state.actuator is False and state.run is None:
        return
    wanted: tuple[Event, ...] = (Stopping(t_s),)
    if state.phase in (Phase.FILLING, Phase.HAND_RUN):
        wanted = (Stopping(t_s), LockOutRequested(t_s), StopRequested(t_s))
    for event in wanted:
        if process(state, part.settings, event).command is not Command.OFF:
            finding.broken.setdefault("an_off_is_one_step_away", f"{event} in {state}")


def _widened(state: GuardState, t_s: float, part: Slice) -> Iterator[GuardState]:
    """Yield the state, and what it may become by nothing but a slow clock.

    What the slow clocks count is made young again, so that it can be forgotten at any moment
    but need not be.
    """
    in_grace = t_s - state.boot_s < BOOT_GRACE_S
    pauses = len(state.pauses_s) if part.follows_pauses else 0
    state = replace(
        state,
        pauses_s=(t_s,) * pauses,
        ledger=_one_entry(state.ledger, t_s) if part.settings.daily_run_s is not None else (),
        boot_s=t_s if in_grace else t_s - BOOT_GRACE_S,
        rise=state.rise if part.follows_rise else RiseWatch(),
        off_watch=state.off_watch if part.follows_off else OffWatch(from_s=t_s + 1e9),
    )
    yield state
    if pauses:
        yield replace(state, pauses_s=state.pauses_s[1:])
    if state.ledger:
        yield replace(state, ledger=())
    if in_grace and part.follows_boot:
        yield replace(state, boot_s=t_s - BOOT_GRACE_S)


def _one_entry(ledger: tuple[LedgerEntry, ...], t_s: float) -> tuple[LedgerEntry, ...]:
    if not ledger:
        return ()
    run_s, volume_l = sum(e.run_s for e in ledger), sum(e.volume_l for e in ledger)
    return (LedgerEntry(t_s, min(run_s, MOST_BOOKED), min(volume_l, MOST_BOOKED)),)


# Two states with one key behave the same from here on: times count from now, and an age beyond
# the limit that asks for it is as old as can be.


def _age(t_s: float, time_s: float | None, limit_s: float) -> float | None:
    return None if time_s is None else min(t_s - time_s, limit_s + STEP_S)


def _left(t_s: float, time_s: float | None) -> float | None:
    return None if time_s is None or time_s <= t_s else time_s - t_s


def _key(node: Node, part: Slice) -> tuple[object, ...]:
    state, seen, settings = node.state, node.seen, part.settings
    t_s = seen.t_s
    off, trip = state.off, state.trip
    booked = None
    if settings.daily_run_s is not None and state.ledger:
        booked = (state.ledger[0].run_s, state.ledger[0].volume_l)
    return (
        node.other,
        state.phase,
        state.actuator,
        _level_key(state, settings, t_s),
        _around_key(state, settings, t_s),
        _run_key(state, settings, t_s),
        None
        if off is None
        else (
            _age(t_s, off.since_s, off.grace_s),
            off.next_s - t_s,
            min(off.tries, 6),
            off.was_on,
            off.grace_s,
            off.escalated,
            off.pauses,
        ),
        None if trip is None else (trip.reason in ON_SIGNAL, trip.reason in VALVE_OPEN),
        part.follows_boot and t_s - state.boot_s < BOOT_GRACE_S,
        _age(t_s, state.ended_s, settings.shortest_pause_s),
        _left(t_s, state.settle_until_s),
        _left(t_s, state.hold_until_s),
        _left(t_s, state.maintenance_until_s),
        _age(t_s, state.paused_s, PAUSE_NOTICE_S),
        state.pause_told and state.paused_s is not None,
        len(state.pauses_s),
        booked,
        state.would_run,
        _watch_key(state, part, t_s),
        _seen_key(seen, settings),
    )


def _level_key(state: GuardState, settings: GuardSettings, t_s: float) -> tuple[object, ...]:
    level = state.level
    is_high = level.volume_l is not None and level.volume_l >= settings.high_l
    age_s = _age(t_s, level.usable_s, STALE_S)
    if level.is_bad or age_s is None or age_s > STALE_S:
        return (is_high,)
    fresh_s = _age(t_s, level.fresh_since_s, DWELL_S)
    return (level.volume_l, age_s, level.fresh, fresh_s)


def _around_key(state: GuardState, settings: GuardSettings, t_s: float) -> tuple[object, ...]:
    around = state.around
    return (
        around.high,
        around.leak,
        around.supply_empty,
        _age(t_s, around.supply_empty_s, settings.supply_stable_s),
        around.source_l,
        _age(t_s, around.source_s, settings.source_stale_s),
        around.return_pump_on,
        _age(t_s, around.return_pump_s, settings.return_settle_s),
    )


def _run_key(state: GuardState, settings: GuardSettings, t_s: float) -> tuple[object, ...] | None:
    run = state.run
    if run is None:
        return None
    return (
        _age(t_s, run.started_s, settings.longest_run_s),
        run.deadline_s - run.started_s,
        run.owner is Actor.PERSON,
        run.is_short,
        run.confirmed,
    )


def _watch_key(state: GuardState, part: Slice, t_s: float) -> tuple[object, ...]:
    rise, watch = state.rise, state.off_watch
    if part.follows_rise:
        return (
            state.level.recent_l,
            min(rise.on_s, LONGEST_WATCH_S),
            max(-MOST_GAINED_L, min(rise.gained_l, MOST_GAINED_L)),
            _age(t_s, rise.began_s, LONGEST_WATCH_S),
            rise.base_l,
            rise.peak_l,
            min(rise.run_s, LONGEST_WATCH_S),
        )
    if part.follows_off:
        return (
            state.level.recent_l,
            _left(t_s, watch.from_s),
            watch.anchor_l,
            _age(t_s, watch.since_s, LONGEST_WATCH_S),
            _age(t_s, watch.last_s, LONGEST_WATCH_S),
            min(watch.marks, 3),
            watch.found,
        )
    return ()


def _seen_key(seen: Witness, settings: GuardSettings) -> tuple[object, ...]:
    t_s = seen.t_s
    age_s = _age(t_s, seen.level_s, STALE_S)
    return (
        seen.awake,
        seen.actuator,
        seen.level_l is not None and seen.level_l < settings.high_l,
        age_s if age_s is not None and age_s <= STALE_S else None,
        seen.source_l,
        _age(t_s, seen.source_s, settings.source_stale_s),
        _age(t_s, seen.pump_since_s, settings.return_settle_s),
        _age(t_s, seen.on_since_s, seen.limit_s or 0.0),
        seen.limit_s,
    )
