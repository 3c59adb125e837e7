"""What is stored of a water change: enough to end it without its settings, too."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Self

from .engine.validity import number as stored_number
from .engine.water_change import Outcome

KEY_STEP: Final = "step"
"""Tells the memory of a water change whose subentry is gone from a line's or a watch's."""


@dataclass(frozen=True, slots=True)
class ChangeMemory:
    """One water change as it is stored; what older versions did not store is empty."""

    outcome: Outcome
    title: str = ""
    sump: str | None = None
    """Subentry id of the vessel that is changed."""
    refill: str | None = None
    """Subentry id of the line that brings salt water back."""
    paused: Mapping[str, float | None] = field(default_factory=dict)
    """Lines paused for it, each with the end (unix s) of the pause it was in before."""
    pause_until_s: float | None = None
    """End of the pause it made; a line with another one was paused by a person since."""
    owed: tuple[str, ...] = ()
    """Lines still to be locked out, since they did not run when the change was found ended."""
    locked: tuple[str, ...] = ()
    """Lines locked out for a change that is gone, until a person has reset them all."""

    def to_dict(self) -> dict[str, Any]:
        """Return it in JSON types."""
        return {
            **self.outcome.to_dict(),
            "title": self.title,
            "sump": self.sump,
            "refill": self.refill,
            "paused": dict(self.paused),
            "pause_until_s": self.pause_until_s,
            "owed": list(self.owed),
            "locked": list(self.locked),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return what `to_dict` wrote, or an older version.

        Raises:
            ValueError: It is damaged.
        """
        outcome = Outcome.from_dict(data)
        try:
            ends = dict(data.get("paused", {}))
            owed, locked = (tuple(map(str, data.get(key, ()))) for key in ("owed", "locked"))
            until_s = data.get("pause_until_s")
        except TypeError as err:
            raise ValueError("no memory of a change") from err
        return cls(
            outcome,
            str(data.get("title", "")),
            data.get("sump"),
            data.get("refill"),
            {key: None if end is None else stored_number(end) for key, end in ends.items()},
            None if until_s is None else stored_number(until_s),
            owed,
            locked,
        )

    @classmethod
    def found(cls, data: Mapping[str, Any]) -> Self:
        """Return what is stored, or a damaged change: never taken for harmless."""
        try:
            return cls.from_dict(data)
        except ValueError:
            return cls(Outcome.damaged())

    def ends_pause(self, line_id: str, now_until_s: float | None) -> bool:
        """Whether the pause in which a line is now is the one that the change made."""
        is_own = None in (now_until_s, self.pause_until_s) or now_until_s == self.pause_until_s
        return line_id in self.paused and is_own

    @property
    def is_open(self) -> bool:
        """Whether something is left to be done."""
        return self.outcome.is_under_way or bool(self.owed) or bool(self.locked)

    def interrupted(self) -> Self:
        """Return what it is after a start."""
        return replace(self, outcome=self.outcome.interrupted())
