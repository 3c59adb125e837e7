"""The guard's plain questions: may a run start, must it stop, when is the next look due.

Every function reads a state and changes nothing. Windows are derived from the sensor's own
interval, resolution and noise, so that a slow or coarse sensor raises no false alarm.
"""

from collections.abc import Iterator
from typing import Final

from .guard_events import Actor, BlockReason
from .guard_state import GuardSettings, GuardState, Level, ledger_totals
from .guard_table import Phase
from .quantities import MINUTE_S

FRESH_NEEDED: Final = 3
DWELL_S: Final = MINUTE_S
"""Fresh samples must also span this long: a flickering plug gives three in a second."""
STALE_FLOOR_S: Final = 30.0
STALE_INTERVALS: Final = 3.0
NO_RISE_FLOOR_S: Final = 120.0
LATE_REPORT: Final = 1.25
"""A report that comes a quarter late is waited for: it may show the rise."""
STEPS_IN_WINDOW: Final = 4.0
"""What a healthy line gains in a window: one step must be seen, the median lags by about one,
rounding and noise may take one at either end."""
NO_ANSWER_S: Final = MINUTE_S
PAUSE_NOTICE_S: Final = 120.0
JUST_AFTER_S: Final = 0.5
TAIL_REPORTS: Final = 4.0
DEFAULT_RESOLUTION_FRAC: Final = 0.005
"""Resolution assumed when none is known, of the high limit."""
SLOWEST_REPORTS_FRAC: Final = 0.25
"""Reports rarer than this share of the longest run cannot guard it."""

B = BlockReason
OVERRIDABLE: Final[dict[Actor, frozenset[BlockReason]]] = {
    # A person standing there outranks every wait, never a limit.
    Actor.PERSON: frozenset(
        {
            B.STARTING,
            B.SETTLING,
            B.PAUSED,
            B.PAUSING,
            B.HOLD_OFF,
            B.MAINTENANCE,
            B.RETURN_PUMP,
            B.REHEARSAL,
            B.REPORTS_TOO_SLOW,
        }
    ),
    # In rehearsal an older automation goes on switching; it is watched, not fought.
    Actor.AUTOMATION: frozenset({B.REHEARSAL}),
    Actor.UNKNOWN: frozenset({B.REHEARSAL}),
    Actor.LINE: frozenset(),
}
NOT_WHILE_RUNNING: Final = frozenset(
    {B.STARTING, B.SETTLING, B.PAUSED, B.PAUSING, B.HOLD_OFF, B.DAILY_BUDGET, B.REHEARSAL}
)
"""Blocks that wait before a start and say nothing about a run in progress."""


def stale_limit_s(level: Level, settings: GuardSettings) -> float:
    """Return the age (s) beyond which the last usable level is no signal any more."""
    return max(
        STALE_INTERVALS * (level.interval_s or 0.0), settings.stale_after_s or 0.0, STALE_FLOOR_S
    )


def is_signal_good(level: Level, settings: GuardSettings, t_s: float) -> bool:
    """Whether the last report was usable and is young enough."""
    if level.is_bad or level.usable_s is None:
        return False
    return t_s - level.usable_s <= stale_limit_s(level, settings)


def is_fresh(level: Level, t_s: float) -> bool:
    """Whether enough usable samples, over enough time, have come since the signal began."""
    return level.fresh >= FRESH_NEEDED and t_s - level.fresh_since_s >= DWELL_S


def step_l(level: Level, settings: GuardSettings) -> float:
    """Return the smallest change (L) that is not noise, for a median of three readings."""
    resolution_l = level.resolution_l
    if resolution_l is None:
        resolution_l = DEFAULT_RESOLUTION_FRAC * settings.high_l
    return max(resolution_l, 2.0 * (level.noise_l or 0.0))


def window_s(level: Level, settings: GuardSettings) -> float:
    """Return how long (s) a run must be watched before "no rise" may be said.

    The longest of three report intervals, the time to move four steps at the learned rate,
    and two minutes. Without a learned rate the slowest one that could fill the vessel within
    the longest run is taken.
    """
    rate_l_per_s = level.rate_l_per_s
    if rate_l_per_s is None or rate_l_per_s <= 0.0:
        full_l = settings.high_l if settings.full_l is None else settings.full_l
        rate_l_per_s = max(full_l - (settings.start_l or 0.0), 0.01 * settings.high_l)
        rate_l_per_s /= settings.longest_run_s
    return max(
        3.0 * (level.interval_s or 0.0),
        STEPS_IN_WINDOW * step_l(level, settings) / rate_l_per_s,
        NO_RISE_FLOOR_S,
    )


def tail_s(level_interval_s: float | None, settle_s: float) -> float:
    """Return how long (s) after its end another line's water may still move the level.

    Until it has settled, and until the median of the last three readings has none of it.
    """
    return max(settle_s, TAIL_REPORTS * (level_interval_s or 0.0))


def barren_at_s(state: GuardState, settings: GuardSettings) -> float | None:
    """Return when a run in which the level does not rise any more is barren; None without one.

    A window and one report, which may be late, after the watch began; what short runs before it
    lasted counts too.
    """
    rise, level = state.rise, state.level
    if rise.began_s is None:
        return None
    report_s = LATE_REPORT * (level.interval_s or 0.0)
    return rise.began_s - rise.on_s + window_s(level, settings) + report_s


def blocks(state: GuardState, settings: GuardSettings, t_s: float) -> Iterator[BlockReason]:
    """Yield every reason why no run may begin now, the gravest first."""
    yield from _phase_blocks(state)
    yield from _contact_blocks(state, settings, t_s)
    yield from _source_blocks(state, settings, t_s)
    yield from _signal_blocks(state, settings, t_s)
    yield from _budget_blocks(state, settings, t_s)
    yield from _waits(state, settings, t_s)
    if settings.rehearsal:
        yield B.REHEARSAL


def _phase_blocks(state: GuardState) -> Iterator[BlockReason]:
    if state.phase is Phase.ASLEEP:
        yield B.NOT_STARTED
    if state.trip is not None:
        yield B.LOCKED_OUT
    if state.phase is Phase.STOPPING:
        yield B.STOPPING
    if state.actuator is None:
        yield B.ACTUATOR_UNAVAILABLE


def _contact_blocks(
    state: GuardState, settings: GuardSettings, t_s: float
) -> Iterator[BlockReason]:
    around = state.around
    if around.high or around.leak:
        yield B.INPUT_ON
    if around.high is None or around.leak is None or around.supply_empty is None:
        yield B.INPUT_UNKNOWN
    elif around.supply_empty or (
        around.supply_empty_s is not None and t_s - around.supply_empty_s < settings.supply_stable_s
    ):
        yield B.SUPPLY_EMPTY


def _source_blocks(state: GuardState, settings: GuardSettings, t_s: float) -> Iterator[BlockReason]:
    if settings.min_source_l is None:
        return
    around = state.around
    if (
        around.source_l is None
        or around.source_s is None
        or t_s - around.source_s > settings.source_stale_s
    ):
        yield B.SOURCE_UNKNOWN
    elif around.source_l <= settings.min_source_l:
        yield B.SOURCE_LOW


def _signal_blocks(state: GuardState, settings: GuardSettings, t_s: float) -> Iterator[BlockReason]:
    level = state.level
    if not is_signal_good(level, settings, t_s):
        yield B.SIGNAL
    elif not is_fresh(level, t_s):
        yield B.STARTING
    if level.volume_l is not None and level.volume_l >= settings.high_l:
        yield B.HIGH_LEVEL
    if (level.interval_s or 0.0) > SLOWEST_REPORTS_FRAC * settings.longest_run_s:
        yield B.REPORTS_TOO_SLOW


def _budget_blocks(state: GuardState, settings: GuardSettings, t_s: float) -> Iterator[BlockReason]:
    run_s, volume_l = ledger_totals(state.ledger, t_s)
    if (settings.daily_run_s is not None and run_s >= settings.daily_run_s) or (
        settings.daily_volume_l is not None and volume_l >= settings.daily_volume_l
    ):
        yield B.DAILY_BUDGET


def _waits(state: GuardState, settings: GuardSettings, t_s: float) -> Iterator[BlockReason]:
    if state.phase is Phase.PAUSED:
        yield B.PAUSED
    if state.phase is Phase.SETTLING:
        yield B.SETTLING
    if state.ended_s is not None and t_s - state.ended_s < settings.shortest_pause_s:
        yield B.PAUSING
    if state.hold_until_s is not None and t_s < state.hold_until_s:
        yield B.HOLD_OFF
    if state.maintenance_until_s is not None and t_s < state.maintenance_until_s:
        yield B.MAINTENANCE
    if not is_return_settled(state, settings, t_s):
        yield B.RETURN_PUMP


def is_return_settled(state: GuardState, settings: GuardSettings, t_s: float) -> bool:
    """Whether the return pump has run long enough for the level to mean something."""
    if not settings.has_return_pump:
        return True
    since_s = state.around.return_pump_s
    return since_s is not None and t_s - since_s >= settings.return_settle_s


def start_block(
    state: GuardState, settings: GuardSettings, t_s: float, actor: Actor | None = None
) -> BlockReason | None:
    """Return why this actor may not begin a run now; None means permitted.

    Without an actor the answer is the permit shown to rules: every block counts.
    """
    excused = frozenset[BlockReason]() if actor is None else OVERRIDABLE[actor]
    return next((b for b in blocks(state, settings, t_s) if b not in excused), None)


def stop_block(state: GuardState, settings: GuardSettings, t_s: float) -> BlockReason | None:
    """Return why the run in progress must stop now; None lets it go on."""
    run = state.run
    excused = NOT_WHILE_RUNNING
    if run is not None and run.owner is Actor.PERSON:
        excused |= OVERRIDABLE[Actor.PERSON]
    if state.phase is Phase.HAND_RUN:
        excused |= {B.LOCKED_OUT}
    return next((b for b in blocks(state, settings, t_s) if b not in excused), None)


def added_l(state: GuardState, t_s: float) -> float:
    """Return what the present run has added (L): the larger of the rise and rate x time."""
    run, level = state.run, state.level
    if run is None:
        return 0.0
    rise_l = 0.0
    if run.start_l is not None and level.median_l is not None:
        rise_l = level.median_l - run.start_l
    return max(rise_l, (level.rate_l_per_s or 0.0) * (t_s - run.started_s), 0.0)


def wake_at_s(state: GuardState, settings: GuardSettings, t_s: float) -> float | None:
    """Return the next time (s) at which time alone may change the answer."""
    times = (
        *_wake_run(state, settings),
        *_wake_signal(state, settings),
        *_wake_waits(state, settings),
    )
    return min((time_s for time_s in times if time_s is not None and time_s > t_s), default=None)


def _wake_run(state: GuardState, settings: GuardSettings) -> Iterator[float | None]:
    if state.off is not None:
        yield state.off.next_s
        if not state.off.escalated:
            yield state.off.since_s + state.off.grace_s
    if state.run is not None:
        yield state.run.deadline_s
        yield barren_at_s(state, settings)
        if not state.run.confirmed:
            yield state.run.started_s + NO_ANSWER_S


def _wake_signal(state: GuardState, settings: GuardSettings) -> Iterator[float]:
    level, around = state.level, state.around
    if level.usable_s is not None and not level.is_bad:
        # Just beyond the limit: at the limit itself the signal still counts.
        yield level.usable_s + stale_limit_s(level, settings) + JUST_AFTER_S
        yield level.fresh_since_s + DWELL_S
    if around.source_s is not None and settings.min_source_l is not None:
        yield around.source_s + settings.source_stale_s + JUST_AFTER_S


def _wake_waits(state: GuardState, settings: GuardSettings) -> Iterator[float | None]:
    around = state.around
    yield state.settle_until_s
    yield state.hold_until_s
    yield state.maintenance_until_s
    for since_s, wait_s in (
        (state.ended_s, settings.shortest_pause_s),
        (state.paused_s, PAUSE_NOTICE_S),
        (around.supply_empty_s, settings.supply_stable_s),
        (around.return_pump_s, settings.return_settle_s),
    ):
        yield None if since_s is None else since_s + wait_s
