"""What a fill line's guard knows: settings chosen by the keeper, and its memory.

All values are frozen; a new state replaces the old one. Only what safety depends on is
stored (``to_dict``); what can be seen again after a restart (signal, contacts) is not.
"""

from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from .guard_events import Actor, BlockReason, StopReason, TripReason
from .guard_table import Phase
from .invalid import Code, Invalid
from .quantities import DAY_S, HOUR_S

VERSION: Final = 1
LEDGER_SLOT_S: Final = 900.0
"""Runs that end in the same quarter of an hour share an entry, so the ledger stays short."""


@dataclass(frozen=True, slots=True)
class GuardSettings:
    """What the keeper chose for one fill line. Litres and seconds; None is no limit."""

    high_l: float
    """High limit: one valid reading at or above it stops a run at once."""
    longest_run_s: float = 7200.0
    start_l: float | None = None
    full_l: float | None = None
    """The rule's levels: used by rehearsal, and for the slowest believable rate."""
    stale_after_s: float | None = None
    settle_s: float = 120.0
    shortest_pause_s: float = 300.0
    daily_volume_l: float | None = None
    daily_run_s: float | None = None
    run_volume_l: float | None = None
    """Most one run may add: for fresh water into a system, its run-away cap."""
    min_source_l: float | None = None
    source_stale_s: float = 900.0
    has_return_pump: bool = False
    return_settle_s: float = 300.0
    hand_run_s: float = 300.0
    hold_off_s: float = 1800.0
    supply_stable_s: float = 600.0
    rehearsal: bool = False

    def __post_init__(self) -> None:
        """Refuse numbers no line can have.

        Raises:
            ValueError: A limit is not finite, or not positive where it must be.
        """
        positive = (self.high_l, self.longest_run_s, self.hand_run_s)
        optional = (
            self.stale_after_s,
            self.daily_volume_l,
            self.daily_run_s,
            self.run_volume_l,
        )
        waits = (
            self.settle_s,
            self.shortest_pause_s,
            self.return_settle_s,
            self.hold_off_s,
            self.supply_stable_s,
            self.source_stale_s,
        )
        if not all(isfinite(value) and value > 0.0 for value in positive):
            raise Invalid(Code.GUARD_LIMITS)
        if not all(value is None or (isfinite(value) and value > 0.0) for value in optional):
            raise Invalid(Code.GUARD_OPTIONAL)
        if not all(isfinite(value) and value >= 0.0 for value in waits):
            raise Invalid(Code.GUARD_WAITS)


@dataclass(frozen=True, slots=True)
class Level:
    """The destination's level as far as the guard trusts it."""

    is_bad: bool = True
    usable_s: float | None = None
    """When the last usable report came."""
    volume_l: float | None = None
    fresh: int = 0
    """Usable reports in a row since the signal was last bad, stale or begun."""
    fresh_since_s: float = 0.0
    recent_l: tuple[float, ...] = ()
    """The last three usable volumes; their median is the level for slow judgements."""
    interval_s: float | None = None
    resolution_l: float | None = None
    noise_l: float | None = None
    rate_l_per_s: float | None = None

    @property
    def median_l(self) -> float | None:
        """Median of the last usable volumes, L."""
        if not self.recent_l:
            return None
        return sorted(self.recent_l)[len(self.recent_l) // 2]


@dataclass(frozen=True, slots=True)
class Around:
    """Everything around the line: contacts, source, return pump. None is unknown."""

    high: bool | None = None
    leak: bool | None = None
    supply_empty: bool | None = None
    supply_empty_s: float | None = None
    """When the supply was last known to be empty, or came back."""
    source_l: float | None = None
    source_s: float | None = None
    return_pump_on: bool | None = None
    return_pump_s: float | None = None
    """Since when the return pump has run."""


@dataclass(frozen=True, slots=True)
class Run:
    """A run in progress. The deadline is absolute and can only come nearer."""

    started_s: float
    deadline_s: float
    owner: Actor
    is_short: bool = False
    """Begun by the *run by hand* button: its end is no fault."""
    confirmed: bool = False
    """The actuator has reported on."""
    start_l: float | None = None


@dataclass(frozen=True, slots=True)
class OffOrder:
    """An OFF that is repeated until the actuator confirms it."""

    since_s: float
    next_s: float
    reason: BlockReason | StopReason | TripReason
    tries: int = 0
    was_on: bool = True
    """The actuator is known to have been on: no answer is then a stuck valve."""
    grace_s: float = 60.0
    """How long it may go unconfirmed before the alarm."""
    escalated: bool = False
    pauses: bool = False
    """The signal was lost: wait for fresh samples afterwards."""


@dataclass(frozen=True, slots=True)
class Trip:
    """The latched reason of a lockout."""

    reason: TripReason
    since_s: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """What runs that ended about then have cost."""

    end_s: float
    run_s: float
    volume_l: float


@dataclass(frozen=True, slots=True)
class RiseWatch:
    """Does the level rise while the line runs? Short runs are added up."""

    on_s: float = 0.0
    gained_l: float = 0.0
    began_s: float | None = None
    base_l: float | None = None
    peak_l: float | None = None
    run_s: float = 0.0
    """Length of the last run, once it has ended."""


@dataclass(frozen=True, slots=True)
class OffWatch:
    """Does the level rise while the line is off?"""

    from_s: float = 0.0
    """Not before: the level is still settling."""
    anchor_l: float | None = None
    since_s: float = 0.0
    last_s: float = 0.0
    marks: int = 0
    found: bool = False


@dataclass(frozen=True, slots=True)
class GuardState:
    """The whole memory of one guard. Begin with ``GuardState()``."""

    phase: Phase = Phase.ASLEEP
    seen_s: float | None = None
    """Time of the last event."""
    boot_s: float = 0.0
    actuator: bool | None = None
    level: Level = Level()
    around: Around = Around()
    run: Run | None = None
    off: OffOrder | None = None
    trip: Trip | None = None
    ended_s: float | None = None
    settle_until_s: float | None = None
    hold_until_s: float | None = None
    maintenance_until_s: float | None = None
    paused_s: float | None = None
    pause_told: bool = False
    pauses_s: tuple[float, ...] = ()
    ledger: tuple[LedgerEntry, ...] = ()
    rise: RiseWatch = RiseWatch()
    off_watch: OffWatch = OffWatch()
    would_run: bool = False
    """Rehearsal: the line would be filling now."""

    @classmethod
    def damaged(cls, t_s: float) -> GuardState:
        """Begin locked out, because the stored state could not be read."""
        return cls(trip=Trip(TripReason.STORED_STATE_DAMAGED, t_s))

    @property
    def is_locked_out(self) -> bool:
        """Whether a trip is latched, in whatever phase."""
        return self.trip is not None

    def to_dict(self) -> dict[str, Any]:
        """Return what must survive a restart, in JSON types."""
        run, trip, rise = self.run, self.trip, self.rise
        return {
            "version": VERSION,
            "phase": self.phase.value,
            "seen_s": self.seen_s,
            "run": None
            if run is None
            else {
                "started_s": run.started_s,
                "deadline_s": run.deadline_s,
                "owner": run.owner.value,
                "is_short": run.is_short,
                "start_l": run.start_l,
            },
            "trip": None
            if trip is None
            else {"reason": trip.reason.value, "since_s": trip.since_s, "note": trip.note},
            "ended_s": self.ended_s,
            "hold_until_s": self.hold_until_s,
            "maintenance_until_s": self.maintenance_until_s,
            "pauses_s": list(self.pauses_s),
            "ledger": [[entry.end_s, entry.run_s, entry.volume_l] for entry in self.ledger],
            "barren": [rise.on_s, rise.gained_l],
            "rate_l_per_s": self.level.rate_l_per_s,
            "interval_s": self.level.interval_s,
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> GuardState:
        """Rebuild a state; it sleeps until ``Started``.

        Raises:
            ValueError: The data are not what ``to_dict`` wrote.
        """
        try:
            return _restored(data)
        except (KeyError, TypeError, AttributeError) as err:
            raise ValueError(f"not a guard's state: {err}") from err


def _restored(data: dict[str, Any]) -> GuardState:
    if data["version"] != VERSION:
        raise ValueError(f"unknown version {data['version']!r}")
    phase = Phase(data["phase"])
    run = None if data["run"] is None else _restored_run(data["run"])
    trip = None
    if data["trip"] is not None:
        stored = data["trip"]
        trip = Trip(TripReason(stored["reason"]), _number(stored["since_s"]), _text(stored["note"]))
    elif phase in (Phase.TRIPPING, Phase.LOCKED_OUT, Phase.HAND_RUN):
        raise ValueError("locked out without a reason")
    barren_s, barren_l = data["barren"]
    return GuardState(
        seen_s=_optional(data["seen_s"]),
        run=run,
        trip=trip,
        ended_s=_optional(data["ended_s"]),
        hold_until_s=_optional(data["hold_until_s"]),
        maintenance_until_s=_optional(data["maintenance_until_s"]),
        pauses_s=tuple(_number(value) for value in data["pauses_s"]),
        ledger=tuple(
            LedgerEntry(_number(end_s), _positive(run_s), _positive(volume_l))
            for end_s, run_s, volume_l in data["ledger"]
        ),
        rise=RiseWatch(on_s=_positive(barren_s), gained_l=_number(barren_l)),
        level=Level(
            rate_l_per_s=_optional(data["rate_l_per_s"]),
            interval_s=_optional(data["interval_s"]),
        ),
    )


def _restored_run(stored: dict[str, Any]) -> Run:
    run = Run(
        started_s=_number(stored["started_s"]),
        deadline_s=_number(stored["deadline_s"]),
        owner=Actor(stored["owner"]),
        is_short=_flag(stored["is_short"]),
        start_l=_optional(stored["start_l"]),
    )
    if run.deadline_s < run.started_s:
        raise ValueError("a run that ends before it starts")
    return run


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise ValueError(f"not a number: {value!r}")
    return float(value)


def _positive(value: object) -> float:
    number = _number(value)
    if number < 0.0:
        raise ValueError(f"negative: {number!r}")
    return number


def _optional(value: object) -> float | None:
    return None if value is None else _number(value)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError(f"not a text: {value!r}")  # noqa: TRY004 - one error for bad data
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"not a flag: {value!r}")  # noqa: TRY004 - one error for bad data
    return value


def ledger_totals(
    ledger: tuple[LedgerEntry, ...], t_s: float, span_s: float = DAY_S
) -> tuple[float, float]:
    """Return run time (s) and volume (L) of the runs that ended within the span."""
    run_s = volume_l = 0.0
    for entry in ledger:
        if entry.end_s > t_s - span_s:
            run_s += entry.run_s
            volume_l += entry.volume_l
    return run_s, volume_l


def ledger_with(
    ledger: tuple[LedgerEntry, ...], t_s: float, run_s: float, volume_l: float
) -> tuple[LedgerEntry, ...]:
    """Return the ledger with one more run, without entries older than a day and an hour.

    A run joins the last entry if that ended in the same slot; the joint entry keeps the
    later end, so nothing expires early.
    """
    kept = tuple(entry for entry in ledger if entry.end_s > t_s - DAY_S - HOUR_S)
    if kept and kept[-1].end_s // LEDGER_SLOT_S == t_s // LEDGER_SLOT_S:
        last = kept[-1]
        joint = LedgerEntry(t_s, last.run_s + run_s, last.volume_l + volume_l)
        return (*kept[:-1], joint)
    return (*kept, LedgerEntry(t_s, run_s, volume_l))
