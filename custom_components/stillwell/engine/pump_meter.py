"""What a pump gave: its flow times the time it ran, also over a time nobody looked."""

from typing import Any, Final

from .quantities import HOUR_S
from .validity import not_negative, number

_FALLEN_FRAC: Final = 0.5


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
    """

    __slots__ = ("_flow_l_per_h", "_last_s")

    def __init__(self) -> None:
        self._flow_l_per_h = 0.0
        self._last_s: float | None = None

    @property
    def flow_l_per_h(self) -> float:
        """What it gives, as far as known."""
        return self._flow_l_per_h

    def take(self, t_s: float, flow_l_per_h: float | None) -> float:
        """Return what was given since the last look, L.

        Args:
            t_s: Time of the look.
            flow_l_per_h: Flow from now on, 0 while it is off; None: nobody knows.

        Raises:
            InputError: A negative flow.
        """
        given_l = 0.0
        if self._last_s is not None and t_s > self._last_s:
            given_l = self._flow_l_per_h * (t_s - self._last_s) / HOUR_S
        self._last_s = t_s
        if flow_l_per_h is not None:
            self._flow_l_per_h = not_negative("a flow", flow_l_per_h, "L/h")
        return given_l

    def snapshot(self) -> dict[str, Any]:
        """Return flow and time of the last look."""
        return {"flow_l_per_h": self._flow_l_per_h, "last_s": self._last_s}

    def restore(self, data: dict[str, Any]) -> None:
        """Take up what was stored.

        Raises:
            ValueError: It is damaged; nothing is taken up then.
        """
        flow = not_negative("a flow", number(data.get("flow_l_per_h")), "L/h")
        last = data.get("last_s")
        self._last_s = None if last is None else number(last)
        self._flow_l_per_h = flow
