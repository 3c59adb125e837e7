"""What a pump gave: its flow times the time it ran, also over a time nobody looked."""

from typing import Any, Final

from .quantities import HOUR_S
from .validity import not_negative, number

_FALLEN_FRAC: Final = 0.5
ANSWER_S: Final = 120.0
"""A state that is read each minute answers a command within this (common practice, no source)."""
_OBEYED_FRAC: Final = 0.99
"""What a device rounds a rate to is that rate still."""


def is_worth_saving(flow_l_per_h: float, kept_l_per_h: float) -> bool:
    """Whether a flow differs enough from the one on the disk to be saved at once.

    What is given over a power cut is reckoned with the one on the disk. One that rose must
    not be forgotten, since less would be counted than was given; one that fell a little counts too
    much, which is the safe side and spares the disk.
    """
    return flow_l_per_h > kept_l_per_h or flow_l_per_h < _FALLEN_FRAC * kept_l_per_h


class PumpMeter:
    """Meters one pump.

    The flow said last holds until another is said: a pump that is not heard of, or was left
    running when the hub went down, counts as running on. Too much counted leaves too little
    dosed, which is the safe side.

    A pump that was told to run counts from that moment, whatever it says. Once it says so itself,
    its own word ends the run; one that never did runs until it is told to stop. A word that comes
    after that stop is of the same run: only what it tells beyond what was counted counts.
    """

    __slots__ = (
        "_asked_l_per_h", "_asked_s", "_flow_l_per_h", "_last_s", "_untold_l", "_untold_until_s",
    )  # fmt: skip

    def __init__(self) -> None:
        self._flow_l_per_h = 0.0
        self._last_s: float | None = None
        self._asked_l_per_h = 0.0
        """What it was told to give and has not said yet; 0: nothing."""
        self._asked_s = 0.0
        self._untold_l = 0.0
        """What was counted of the last command alone."""
        self._untold_until_s = 0.0
        """Until when the pump's own word may still be of that command."""

    @property
    def flow_l_per_h(self) -> float:
        """What it gives, as far as known."""
        return max(self._flow_l_per_h, self._asked_l_per_h)

    def ask(self, t_s: float, flow_l_per_h: float) -> float:
        """Note that the pump was told to give a flow; return what was given since the last look, L.

        Args:
            t_s: Time of the command.
            flow_l_per_h: Flow it was told to give, 0: to stop.

        Raises:
            InputError: A negative flow.
        """
        asked = not_negative("a flow", flow_l_per_h, "L/h")
        given_l = self._passed(t_s)
        if asked > self._flow_l_per_h:
            if self._asked_l_per_h <= 0.0:
                self._untold_l = 0.0
            self._asked_l_per_h, self._asked_s = asked, t_s
        elif self._asked_l_per_h > 0.0:
            self._asked_l_per_h, self._untold_until_s = 0.0, t_s + ANSWER_S
        return given_l

    def take(
        self, t_s: float, flow_l_per_h: float | None, reported_s: float | None = None
    ) -> float:
        """Return what was given since the last look, L.

        Args:
            t_s: Time of the look.
            flow_l_per_h: Flow from now on, 0 while it is off; None: nobody knows.
            reported_s: When the pump last said so itself; None: nobody knows.

        Raises:
            InputError: A negative flow.
        """
        given_l = self._passed(t_s)
        if flow_l_per_h is None:
            return given_l
        said = not_negative("a flow", flow_l_per_h, "L/h")
        if said <= 0.0 < self._flow_l_per_h or (
            self._flow_l_per_h <= 0.0 < said and t_s > self._untold_until_s
        ):
            self._untold_l = 0.0
        self._flow_l_per_h = said
        if self._asked_l_per_h > 0.0 and self._is_answered(said, reported_s):
            self._asked_l_per_h = self._untold_l = 0.0
        return given_l

    def _is_answered(self, said: float, reported_s: float | None) -> bool:
        """Whether what the pump says now is of the command: obeyed, or long enough after it."""
        if said >= _OBEYED_FRAC * self._asked_l_per_h:
            return True
        return reported_s is not None and reported_s - self._asked_s >= ANSWER_S

    def _passed(self, t_s: float) -> float:
        """Return what was given since the last look, L."""
        last_s, self._last_s = self._last_s, t_s
        if last_s is None or t_s <= last_s:
            return 0.0
        hours = (t_s - last_s) / HOUR_S
        given_l = self.flow_l_per_h * hours
        if self._asked_l_per_h > 0.0:
            self._untold_l += given_l - self._flow_l_per_h * hours
            return given_l
        known_l = min(given_l, self._untold_l)
        self._untold_l -= known_l
        return given_l - known_l

    def snapshot(self) -> dict[str, Any]:
        """Return flow, what was asked, and time of the last look."""
        return {
            "flow_l_per_h": self._flow_l_per_h,
            "last_s": self._last_s,
            "asked_l_per_h": self._asked_l_per_h,
            "asked_s": self._asked_s,
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up what was stored.

        Raises:
            ValueError: It is damaged; nothing is taken up then.
        """
        flow = not_negative("a flow", number(data.get("flow_l_per_h")), "L/h")
        asked = not_negative("a flow", number(data.get("asked_l_per_h", 0.0)), "L/h")
        asked_s = number(data.get("asked_s", 0.0))
        last = data.get("last_s")
        self._last_s = None if last is None else number(last)
        self._flow_l_per_h = flow
        self._asked_l_per_h, self._asked_s = asked, asked_s
