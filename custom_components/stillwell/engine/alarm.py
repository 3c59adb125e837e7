"""An alarm with a dead band and delays on both edges, in the sense of ISA-18.2 (IEC 62682)."""

from dataclasses import dataclass
from math import isfinite

from .validity import DamagedError, InputFault, not_negative


@dataclass(frozen=True, slots=True)
class AlarmSpec:
    """When an alarm begins and when it ends."""

    limit: float
    dead_band: float = 0.0
    """How far inside the limit the value must return before the alarm may end."""
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    is_high: bool = True
    """Whether values above the limit raise it; otherwise those below."""

    def __post_init__(self) -> None:
        if not isfinite(self.limit):
            raise DamagedError(InputFault.NOT_FINITE, "an alarm's limit is not a finite number")
        not_negative("a dead band", self.dead_band)
        not_negative("a delay", self.on_delay_s, "s")
        not_negative("a delay", self.off_delay_s, "s")


class DelayedAlarm:
    """Raised after the value stayed beyond the limit, ended after it stayed inside the dead band.

    Source: on-delay, off-delay and dead band as in ISA-18.2-2016 and IEC 62541-9, Annex B.1.5.
    """

    __slots__ = ("_since_s", "is_active", "spec")

    def __init__(self, spec: AlarmSpec) -> None:
        self.spec = spec
        self.is_active = False
        self._since_s: float | None = None

    def take(self, t_s: float, value: float | None) -> bool:
        """Return whether the alarm is active after a value; None leaves it as it is."""
        if value is None or not self._is_leaving(value):
            self._since_s = None
            return self.is_active
        if self._since_s is None or t_s < self._since_s:
            self._since_s = t_s
        delay = self.spec.off_delay_s if self.is_active else self.spec.on_delay_s
        if t_s - self._since_s >= delay:
            self.is_active = not self.is_active
            self._since_s = None
        return self.is_active

    def _is_leaving(self, value: float) -> bool:
        """Whether the value speaks against the present state."""
        beyond = value - self.spec.limit if self.spec.is_high else self.spec.limit - value
        return beyond < -self.spec.dead_band if self.is_active else beyond >= 0.0
