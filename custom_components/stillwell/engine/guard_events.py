"""What a fill line's guard hears and what it answers: events, reasons, commands.

Times are epoch seconds (UTC) at which the adapter handles the event. Volumes are litres.
A contact is False (clear), True (active) or None (unknown); a contact that does not exist
is clear. Values of the enums are translation keys.
"""

from dataclasses import dataclass, field
from enum import StrEnum


class Actor(StrEnum):
    """Who switched the actuator, or who asks."""

    LINE = "line"
    AUTOMATION = "automation"
    PERSON = "person"
    UNKNOWN = "unknown"


class TripReason(StrEnum):
    """Why the line is locked out until a reset (IEC 61511: a trip latches)."""

    LONGEST_RUN = "longest_run"
    NO_RISE = "no_rise"
    STUCK_ON = "stuck_on"
    FLOW_WHILE_OFF = "flow_while_off"
    HIGH_INPUT = "high_input"
    LEAK = "leak"
    DAILY_VOLUME = "daily_volume"
    DAILY_RUN_TIME = "daily_run_time"
    RUN_VOLUME = "run_volume"
    REPEATED_SIGNAL_LOSS = "repeated_signal_loss"
    EXTERNAL = "external"
    STORED_STATE_DAMAGED = "stored_state_damaged"


class BlockReason(StrEnum):
    """Why a run may not start now, or why a run was stopped without a lockout."""

    NOT_STARTED = "not_started"
    LOCKED_OUT = "locked_out"
    STOPPING = "stopping"
    ACTUATOR_UNAVAILABLE = "actuator_unavailable"
    INPUT_ON = "input_on"
    INPUT_UNKNOWN = "input_unknown"
    SUPPLY_EMPTY = "supply_empty"
    SOURCE_LOW = "source_low"
    SOURCE_UNKNOWN = "source_unknown"
    SIGNAL = "signal"
    HIGH_LEVEL = "high_level"
    REPORTS_TOO_SLOW = "reports_too_slow"
    DAILY_BUDGET = "daily_budget"
    STARTING = "starting"
    PAUSED = "paused"
    SETTLING = "settling"
    PAUSING = "pausing"
    HOLD_OFF = "hold_off"
    MAINTENANCE = "maintenance"
    RETURN_PUMP = "return_pump"
    REHEARSAL = "rehearsal"


class StopReason(StrEnum):
    """Why a run ended, besides the block reasons and trip reasons."""

    REQUESTED = "requested"
    BY_HAND = "by_hand"
    BY_RULE = "by_rule"
    BY_ITSELF = "by_itself"
    HAND_TIME_OVER = "hand_time_over"
    NO_ANSWER = "no_answer"
    CLOCK_JUMP = "clock_jump"
    INTERRUPTED = "interrupted"
    NOT_PERMITTED = "not_permitted"
    ON_AFTER_START = "on_after_start"


class Refusal(StrEnum):
    """Why a reset or a run by hand was refused."""

    NOT_LOCKED_OUT = "not_locked_out"
    ACTUATOR_ON = "actuator_on"
    ACTUATOR_UNKNOWN = "actuator_unknown"
    INPUT_ON = "input_on"
    INPUT_UNKNOWN = "input_unknown"
    SIGNAL = "signal"
    STILL_RISING = "still_rising"
    VALVE_NOT_TRUSTED = "valve_not_trusted"
    ALREADY_RUNNING = "already_running"


class Command(StrEnum):
    """What the adapter must send to the actuator."""

    NONE = "none"
    OFF = "off"
    ON = "on"


class Severity(StrEnum):
    """How urgent a notice is; CRITICAL only where water may be running unchecked."""

    INFO = "info"
    WARNING = "warning"
    CRITICAL = "critical"


class NoticeKind(StrEnum):
    """What a person is told. RESET and OFF_CONFIRMED clear earlier notices."""

    LOCKED_OUT = "locked_out"
    OFF_NOT_CONFIRMED = "off_not_confirmed"
    OFF_CONFIRMED = "off_confirmed"
    FLOW_WHILE_OFF = "flow_while_off"
    RUN_INTERRUPTED = "run_interrupted"
    RUN_REFUSED = "run_refused"
    RUN_BY_HAND = "run_by_hand"
    SIGNAL_LOST = "signal_lost"
    SIGNAL_BACK = "signal_back"
    NO_ANSWER = "no_answer"
    CLOCK_JUMP = "clock_jump"
    RESET = "reset"


class DecisionKind(StrEnum):
    """What was decided, for the decision log; the reason stands beside it."""

    STARTED = "started"
    START_REFUSED = "start_refused"
    STOPPED = "stopped"
    ENDED = "ended"
    OFF_CONFIRMED = "off_confirmed"
    OFF_REPEATED = "off_repeated"
    LOCKED_OUT = "locked_out"
    RESET = "reset"
    RESET_REFUSED = "reset_refused"
    READY = "ready"
    WOULD_START = "would_start"
    WOULD_STOP = "would_stop"


type Reasons = TripReason | BlockReason | StopReason | Refusal | Actor


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to tell a person; the adapter keeps one message per kind."""

    kind: NoticeKind
    severity: Severity
    reason: Reasons | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """One line of the decision log: kind, reason and the numbers behind it."""

    kind: DecisionKind
    reason: Reasons | None = None
    values: dict[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Started:
    """The line begins to be watched (hub start, reload): always the first event."""

    t_s: float
    actuator_on: bool | None


@dataclass(frozen=True, slots=True)
class ActuatorReported:
    """The actuator's own report; None is unavailable or unknown."""

    t_s: float
    on: bool | None
    actor: Actor = Actor.UNKNOWN


@dataclass(frozen=True, slots=True)
class LevelReported:
    """Every report of the destination's level, good or bad.

    ``suspended`` marks a reading still waiting for confirmation (a possible spike or step):
    it is neither believed nor counted as a loss of signal, the last good one goes on ageing.
    """

    t_s: float
    volume_l: float | None
    usable: bool
    interval_s: float | None = None
    """Learned time between reports."""
    resolution_l: float | None = None
    """Smallest change the sensor shows."""
    noise_l: float | None = None
    """One standard deviation of a single reading."""
    fill_rate_l_per_s: float | None = None
    """Learned rate of this line."""
    suspended: bool = False
    is_fed: bool = False
    """Another line brings water too, or did just now: a rise tells nothing of this one."""
    is_drawn: bool = False
    """Another line takes water away, or did just now: no rise tells nothing of this one."""


@dataclass(frozen=True, slots=True)
class SourceReported:
    """Report of the vessel this line draws from."""

    t_s: float
    volume_l: float | None
    usable: bool
    suspended: bool = False


@dataclass(frozen=True, slots=True)
class InputsReported:
    """All independent contacts, each already combined from its sensors.

    Active wins over unknown, unknown over clear. The adapter sends one after ``Started``
    even when there are none: until then they count as unknown.
    """

    t_s: float
    high: bool | None
    leak: bool | None
    supply_empty: bool | None


@dataclass(frozen=True, slots=True)
class ReturnPumpReported:
    """Whether the pump that lifts water out of this vessel runs; None is unknown."""

    t_s: float
    on: bool | None


@dataclass(frozen=True, slots=True)
class Tick:
    """Time passes: at least every 60 s and at ``Outcome.wake_at_s``."""

    t_s: float


@dataclass(frozen=True, slots=True)
class StartRequested:
    """A rule or a person asks the line itself to start a run."""

    t_s: float
    by: Actor = Actor.AUTOMATION


@dataclass(frozen=True, slots=True)
class StopRequested:
    """A rule or a person asks the line to stop its run."""

    t_s: float
    by: Actor = Actor.AUTOMATION


@dataclass(frozen=True, slots=True)
class LockOutRequested:
    """A rule or a person locks the line out, with a note in plain words."""

    t_s: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class ResetRequested:
    """A person asks to leave the lockout."""

    t_s: float


@dataclass(frozen=True, slots=True)
class RunByHandRequested:
    """A person presses *run by hand*: a short run, allowed in a lockout too."""

    t_s: float


@dataclass(frozen=True, slots=True)
class MaintenanceRequested:
    """A person pauses the line until a time; None ends the pause."""

    t_s: float
    until_s: float | None


@dataclass(frozen=True, slots=True)
class SettingsChanged:
    """The settings given with this and later events are new."""

    t_s: float


@dataclass(frozen=True, slots=True)
class Stopping:
    """The hub shuts down or the line is unloaded."""

    t_s: float


type Event = (
    Started
    | ActuatorReported
    | LevelReported
    | SourceReported
    | InputsReported
    | ReturnPumpReported
    | Tick
    | StartRequested
    | StopRequested
    | LockOutRequested
    | ResetRequested
    | RunByHandRequested
    | MaintenanceRequested
    | SettingsChanged
    | Stopping
)


class IllegalEvent(ValueError):  # noqa: N818 - a wrong call, named after what was wrong
    """This event cannot happen in this phase; nothing was changed."""
