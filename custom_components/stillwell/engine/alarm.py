"""An alarm on a measured value: limit, dead band, delay before it comes and before it goes.

In the sense of ANSI/ISA-18.2 and IEC 62682; the terms are those of IEC 62541-9, Annex B.
"""

from dataclasses import dataclass

from .validity import InputError, InputFault, not_negative


@dataclass(frozen=True, slots=True)
class AlarmLimit:
    """When an alarm comes and goes."""

    limit: float
    dead_band: float
    on_delay_s: float
    off_delay_s: float
    is_high: bool = True
    """Whether values at or above the limit are bad; else those at or below."""

    def __post_init__(self) -> None:
        not_negative("a dead band", self.dead_band)
        not_negative("a delay", self.on_delay_s, "s")
        not_negative("a delay", self.off_delay_s, "s")


@dataclass(frozen=True, slots=True)
class AlarmState:
    """Whether it stands, and since when the value asks for the other."""

    is_active: bool = False
    turning_since_s: float | None = None


def alarm(state: AlarmState, limit: AlarmLimit, t_s: float, value: float) -> AlarmState:
    """Return the state after one value.

    The delay counts from the first value beyond; one that is not beyond starts it anew. Between
    the limit and the dead band's edge the alarm stays as it is.

    Args:
        state: The state before.
        limit: When it comes and goes.
        t_s: Time of the value, s.
        value: The value, in the unit of the limit.

    Raises:
        InputError: Time runs backwards.
    """
    if state.turning_since_s is not None and t_s < state.turning_since_s:
        raise InputError(InputFault.CONTRADICTION, "time runs backwards")
    beyond = value - limit.limit if limit.is_high else limit.limit - value
    turns = beyond < -limit.dead_band if state.is_active else beyond >= 0.0
    if not turns:
        return AlarmState(state.is_active)
    since_s = t_s if state.turning_since_s is None else state.turning_since_s
    delay_s = limit.off_delay_s if state.is_active else limit.on_delay_s
    if t_s - since_s >= delay_s:
        return AlarmState(not state.is_active)
    return AlarmState(state.is_active, since_s)
