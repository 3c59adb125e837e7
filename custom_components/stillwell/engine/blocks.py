"""Cuts the course of the level into blocks of use."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import exp, pi
from typing import Any, Final

from .quantities import MINUTE_S, UseBlock
from .samples import Samples

BLOCK_S: Final = 300.0
_LONGEST: Final = 4.0
"""A block that might hold the beginning of a rise waits, for at most this many lengths."""

_FEWEST: Final = 3
_AGREE_S: Final = 2 * MINUTE_S
"""Readings of so long, and at least three, must agree on what an open block shows."""
_COARSE: Final = 1.5
"""With a step this many times the noise one step down is seen for many readings in a row."""


def mean_reading_var(noise_l: float, width_l: float, n: int) -> float:
    """Variance of the mean of ``n`` readings of a resting level, L2.

    White noise averages out; the error of rounding does only so far as the noise spreads the
    readings over several steps (Widrow & Kollar, Quantization Noise, 2008, from memory).
    """
    var = noise_l * noise_l / max(1, n)
    if width_l > 0.0:
        ratio = noise_l / width_l
        var += width_l * width_l / 12.0 * exp(-((2.0 * pi * ratio) ** 2))
    return var


@dataclass(frozen=True, slots=True)
class RunningUse:
    """What a block that is still open shows by its last readings."""

    block: UseBlock
    """Use down to their median, or to the highest of them where rounding hides the noise."""
    least_l: float
    """Use down to the highest of them: every one of them bears out this much."""
    jump_l: float
    """Most of the use that came at once, by medians of three readings."""


class BlockCutter:
    """Levels at block ends from the readings of each block alone, so that they are quick."""

    __slots__ = ("_level_from_s", "_level_l", "_level_var", "_n", "_start_s", "_sum_l")

    def __init__(self) -> None:
        self._start_s: float | None = None
        self._level_l: float | None = None
        self._level_var = 0.0
        self._level_from_s = float("-inf")  # the level is measured anew from here on
        self._n = 0
        self._sum_l = 0.0

    def count(self, residual_l: float) -> None:
        """Take the distance of a reading from the filtered level at its time."""
        self._n += 1
        self._sum_l += residual_l

    def is_due(self, t_s: float, *, may_wait: bool) -> bool:
        """Whether the block is long enough to be cut."""
        if self._start_s is None:
            return True
        length_s = t_s - max(self._start_s, self._level_from_s)
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
        self._start_s = t_s
        self._level_l, self._level_var = end_l, var
        self._n, self._sum_l = 0, 0.0
        return block

    def running(
        self,
        samples: Samples,
        beyond_l: float,
        noise_l: float,
        width_l: float,
    ) -> RunningUse | None:
        """Return what the open block shows, if every one of the last readings shows enough.

        Args:
            samples: Accepted readings, oldest first: time and volume (s, L).
            beyond_l: Use that is of no interest (L).
            noise_l: Standard deviation of the noise of a reading before rounding, L.
            width_l: Rounding step, L.
        """
        start_s, level_l = self._start_s, self._level_l
        if start_s is None or level_l is None:
            return None
        if any(level_l - value <= beyond_l for value in samples.last(_FEWEST)):
            return None  # nearly always
        since = [sample for sample in samples if sample[0] > start_s]
        if len(since) < _FEWEST:
            return None
        end_s, levels = since[-1][0], [level_l, level_l, *(value for _, value in since)]
        n = max(_FEWEST, sum(t_s >= end_s - _AGREE_S for t_s, _ in since))
        last = sorted(levels[-n:])
        least_l = level_l - last[-1]
        if least_l <= beyond_l:
            return None
        middles = [sorted(three)[1] for three in zip(levels, levels[1:], levels[2:], strict=False)]
        jump_l = max(a - b for a, b in pairwise(middles))
        used_l = least_l if width_l > _COARSE * noise_l else level_l - last[n // 2]
        sigma_l = (self._level_var + mean_reading_var(noise_l, width_l, n)) ** 0.5
        block = UseBlock(start_s, end_s, used_l, sigma_l, is_measured=True)
        return RunningUse(block, least_l, jump_l)

    def forget_level(self, t_s: float) -> None:
        """A fill, pour or drop came between: the next block is carried, not measured."""
        self._level_l = None
        self._level_from_s = t_s
        self._n, self._sum_l = 0, 0.0

    def shift(self, by_s: float) -> None:
        """Move in time: the clock was set."""
        self._level_from_s += by_s
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
