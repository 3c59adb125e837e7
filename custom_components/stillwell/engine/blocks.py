"""Cuts the course of the level into blocks of use."""

from collections.abc import Mapping
from typing import Any, Final

from .habits import rounded_variance_frac
from .quantities import UseBlock

BLOCK_S: Final = 300.0
_LONGEST: Final = 4.0
"""A block that might hold the beginning of a rise waits, for at most this many lengths."""

_REST_SHARE: Final = 1.0 / 6.0
"""Share of a new block in the level of the last half hour or so."""


def mean_reading_var(noise_l: float, width_l: float, n: int) -> float:
    """Variance of the mean of ``n`` readings of a resting level, L2.

    What spreads the readings averages out. The rest of the error of rounding, which is
    width_l**2 / 12 in all, is the same in every reading and does not
    (Widrow & Kollar, Quantization Noise, 2008, from memory).
    """
    if width_l <= 0.0:
        return noise_l * noise_l / max(1, n)
    spread = rounded_variance_frac(noise_l / width_l) * width_l * width_l
    whole = noise_l * noise_l + width_l * width_l / 12.0
    return spread / max(1, n) + max(0.0, whole - spread)


class BlockCutter:
    """Levels at block ends from the readings of each block alone, so that they are quick."""

    __slots__ = (
        "_level_l",
        "_level_var",
        "_n",
        "_start_s",
        "_sum_l",
        "level_from_s",
        "rest_l",
    )

    def __init__(self) -> None:
        self._start_s: float | None = None
        self._level_l: float | None = None
        self._level_var = 0.0
        self.level_from_s = float("-inf")
        """The level is measured anew from here on."""
        self.rest_l: float | None = None
        """Where the level of the last half hour or so would be now by the usual use, L."""
        self._n = 0
        self._sum_l = 0.0

    @property
    def start_s(self) -> float | None:
        """When the open block began."""
        return self._start_s

    def count(self, residual_l: float) -> None:
        """Take the distance of a reading from the filtered level at its time."""
        self._n += 1
        self._sum_l += residual_l

    def is_due(self, t_s: float, *, may_wait: bool) -> bool:
        """Whether the block is long enough to be cut."""
        if self._start_s is None:
            return True
        length_s = t_s - max(self._start_s, self.level_from_s)
        return length_s >= (_LONGEST * BLOCK_S if may_wait else BLOCK_S)

    def cut(
        self, t_s: float, level_l: float, noise_l: float, width_l: float, carry_l_per_s: float
    ) -> UseBlock | None:
        """Close the block at ``t_s``; None for the first, which only fixes the level."""
        n = max(1, self._n)
        end_l = level_l + self._sum_l / n
        var = mean_reading_var(noise_l, width_l, n)
        block = None
        if self._start_s is not None and t_s > self._start_s:
            if self._level_l is None:
                used_l, sigma_l = carry_l_per_s * (t_s - self._start_s), var**0.5
            else:
                used_l, sigma_l = self._level_l - end_l, (var + self._level_var) ** 0.5
            measured = self._level_l is not None
            block = UseBlock(self._start_s, t_s, used_l, sigma_l, measured)
            if self.rest_l is not None:
                self.rest_l -= carry_l_per_s * (t_s - self._start_s)
        if self.rest_l is None:
            self.rest_l = end_l
        self.rest_l += _REST_SHARE * (end_l - self.rest_l)
        self._start_s = t_s
        self._level_l, self._level_var = end_l, var
        self._n, self._sum_l = 0, 0.0
        return block

    def forget_level(self, t_s: float) -> None:
        """A fill, pour or drop came between: the next block is carried, not measured."""
        self._level_l = self.rest_l = None
        self.level_from_s = t_s
        self._n, self._sum_l = 0, 0.0

    def shift(self, by_s: float) -> None:
        """Move in time: the clock was set."""
        self.level_from_s += by_s
        if self._start_s is not None:
            self._start_s += by_s

    def snapshot(self) -> dict[str, Any]:
        """Return the state in JSON types; a block begun is not kept, only where it began."""
        return {"start_s": self._start_s, "level_l": self._level_l, "level_var": self._level_var}

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take over a snapshot."""
        start_s, level_l = data["start_s"], data["level_l"]
        self._start_s = None if start_s is None else float(start_s)
        self._level_l = None if level_l is None else float(level_l)
        self._level_var = float(data["level_var"])
