"""Words for what happens to the water of a vessel."""

from dataclasses import dataclass
from enum import StrEnum


class Flow(StrEnum):
    """What the water is doing."""

    UNKNOWN = "unknown"
    FALLING = "falling"
    FILLING = "filling"
    DRAINING = "draining"
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
