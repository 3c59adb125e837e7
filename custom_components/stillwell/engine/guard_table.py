"""The guard's transition table: the only place where its phases are joined.

Theory of operation. An event first becomes facts in the state. From the facts one cue is
decided at most (``guard_rules``), and ``MOVES`` says where the cue leads. A pair that is not
in the table cannot happen and raises. An OFF order is part of STOPPING and TRIPPING: as long
as the phase lasts, OFF is repeated, without end. Everything that waits (settling, pauses,
hold-off, fresh samples) waits before an ON; nothing stands before an OFF.

``HEARD`` says which events a phase hears at all: before the start and after the end there is
nobody to obey, and hearing anything else is a fault of the caller.
"""

from enum import StrEnum
from typing import Final

from .guard_events import (
    ActuatorReported,
    Event,
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
)


class Phase(StrEnum):
    """Where the fill line is."""

    ASLEEP = "asleep"
    """Before the start or after the end: nobody watches, nothing is permitted."""
    IDLE = "idle"
    """Off and confirmed; a run may start if no block stands."""
    FILLING = "filling"
    """A run under all limits, whoever began it."""
    STOPPING = "stopping"
    """OFF ordered and not confirmed yet."""
    SETTLING = "settling"
    """Off; the level comes to rest."""
    PAUSED = "paused"
    """Off because the signal was lost in a run; waits for fresh samples."""
    TRIPPING = "tripping"
    """Locked out, OFF ordered and not confirmed yet."""
    LOCKED_OUT = "locked_out"
    """Locked out and off; only a reset leads out."""
    HAND_RUN = "hand_run"
    """Locked out, and a person runs the line by hand for a short time."""


class Cue(StrEnum):
    """What follows from the facts."""

    FOUND_OFF = "found_off"
    FOUND_ON = "found_on"
    FOUND_LATCHED_OFF = "found_latched_off"
    FOUND_LATCHED_ON = "found_latched_on"
    SHUT_DOWN = "shut_down"
    RUN_BEGINS = "run_begins"
    HAND_RUN_BEGINS = "hand_run_begins"
    STOP = "stop"
    ENDED = "ended"
    UNWANTED_ON = "unwanted_on"
    OFF_CONFIRMED = "off_confirmed"
    OFF_CONFIRMED_PAUSED = "off_confirmed_paused"
    SETTLED = "settled"
    SIGNAL_BACK = "signal_back"
    TRIP_ON = "trip_on"
    TRIP_OFF = "trip_off"
    ESCALATE = "escalate"
    RESET = "reset"


_AT_ANY_TIME: Final = {
    Cue.FOUND_OFF: Phase.SETTLING,
    Cue.FOUND_ON: Phase.STOPPING,
    Cue.FOUND_LATCHED_OFF: Phase.LOCKED_OUT,
    Cue.FOUND_LATCHED_ON: Phase.TRIPPING,
    Cue.SHUT_DOWN: Phase.ASLEEP,
}
_OFF_AND_FREE: Final = {
    Cue.RUN_BEGINS: Phase.FILLING,
    Cue.UNWANTED_ON: Phase.STOPPING,
    Cue.TRIP_ON: Phase.TRIPPING,
    Cue.TRIP_OFF: Phase.LOCKED_OUT,
}

MOVES: Final[dict[Phase, dict[Cue, Phase]]] = {
    Phase.ASLEEP: {**_AT_ANY_TIME},
    Phase.IDLE: {**_AT_ANY_TIME, **_OFF_AND_FREE},
    Phase.SETTLING: {**_AT_ANY_TIME, **_OFF_AND_FREE, Cue.SETTLED: Phase.IDLE},
    Phase.PAUSED: {**_AT_ANY_TIME, **_OFF_AND_FREE, Cue.SIGNAL_BACK: Phase.IDLE},
    Phase.FILLING: {
        **_AT_ANY_TIME,
        Cue.STOP: Phase.STOPPING,
        Cue.ENDED: Phase.SETTLING,
        Cue.TRIP_ON: Phase.TRIPPING,
    },
    Phase.STOPPING: {
        **_AT_ANY_TIME,
        Cue.OFF_CONFIRMED: Phase.SETTLING,
        Cue.OFF_CONFIRMED_PAUSED: Phase.PAUSED,
        Cue.TRIP_ON: Phase.TRIPPING,
    },
    Phase.TRIPPING: {
        **_AT_ANY_TIME,
        Cue.OFF_CONFIRMED: Phase.LOCKED_OUT,
        Cue.ESCALATE: Phase.TRIPPING,
    },
    Phase.LOCKED_OUT: {
        **_AT_ANY_TIME,
        Cue.HAND_RUN_BEGINS: Phase.HAND_RUN,
        Cue.UNWANTED_ON: Phase.TRIPPING,
        Cue.ESCALATE: Phase.LOCKED_OUT,
        Cue.RESET: Phase.SETTLING,
    },
    Phase.HAND_RUN: {
        **_AT_ANY_TIME,
        Cue.STOP: Phase.TRIPPING,
        Cue.ENDED: Phase.LOCKED_OUT,
    },
}

LATCHED: Final = frozenset({Phase.TRIPPING, Phase.LOCKED_OUT, Phase.HAND_RUN})
RUNNING: Final = frozenset({Phase.FILLING, Phase.HAND_RUN})
ORDERED_OFF: Final = frozenset({Phase.STOPPING, Phase.TRIPPING})

EVENTS: Final[tuple[type[Event], ...]] = (
    Started,
    ActuatorReported,
    LevelReported,
    SourceReported,
    InputsReported,
    ReturnPumpReported,
    Tick,
    StartRequested,
    StopRequested,
    LockOutRequested,
    ResetRequested,
    RunByHandRequested,
    MaintenanceRequested,
    SettingsChanged,
    Stopping,
)
_ALL: Final = frozenset(EVENTS)
HEARD: Final[dict[Phase, frozenset[type[Event]]]] = {
    phase: (
        frozenset({Started, ActuatorReported, LockOutRequested, SettingsChanged, Stopping})
        if phase is Phase.ASLEEP
        else _ALL
    )
    for phase in Phase
}
