"""Gathers blocks of use into observations of about an hour, from one mean level to the next.

The levels of all blocks of a span are averaged, so that an observation ends in the middle of
its span with the noise of many readings instead of one block's. Spans that follow each other
share the level between them: what one has too much the next has too little, and the observer
is told so (``is_chained``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

from .quantities import HOUR_S, MINUTE_S, UseBlock

SPAN_S: Final = HOUR_S
SHORTEST_S: Final = 10 * MINUTE_S


@dataclass(frozen=True, slots=True)
class Seen:
    """One observation: the use between two levels, with the variances of these levels."""

    start_s: float
    length_s: float
    used_l: float
    first_var: float
    last_var: float
    is_chained: bool
    """It begins at the very level at which the observation before it ended."""
    known_s: float
    """How much time was newly measured for it."""
    utc_offset_s: float

    @classmethod
    def from_numbers(cls, numbers: Sequence[float]) -> Self:
        """Return an observation from its fields as plain numbers; ValueError on another count."""
        start_s, length_s, used_l, first_var, last_var, is_chained, known_s, offset_s = numbers
        return cls(
            start_s,
            length_s,
            used_l,
            first_var,
            last_var,
            bool(is_chained),
            known_s,
            offset_s,
        )


@dataclass(slots=True)
class _Span:
    """Blocks being gathered: use so far, and sums over the blocks' ends."""

    start_s: float
    first_var: float
    end_s: float = 0.0
    used_l: float = 0.0
    count: int = 0
    sum_used_l: float = 0.0
    sum_end_s: float = 0.0
    sum_var: float = 0.0


@dataclass(frozen=True, slots=True)
class _Mark:
    """Mean level of the last span: when, what was used from there to its end, variance."""

    t_s: float
    rest_l: float
    var: float
    is_chained: bool


class SpanGatherer:
    """Turns contiguous measured blocks into observations."""

    __slots__ = ("_end_s", "_mark", "_span")

    def __init__(self) -> None:
        self._span: _Span | None = None
        self._mark: _Mark | None = None
        self._end_s: float | None = None

    def add(self, block: UseBlock, utc_offset_s: float) -> list[Seen]:
        """Take in a measured block; return the observations that it completes."""
        done = []
        if self._end_s is not None and block.start_s > self._end_s + 1.0:
            done += self.interrupt(utc_offset_s)
        self._end_s = block.end_s
        span = self._span
        half_var = 0.5 * block.sigma_l**2
        if span is None:
            self._span = span = _Span(block.start_s, half_var)
        span.used_l += block.used_l
        span.end_s = block.end_s
        span.count += 1
        span.sum_used_l += span.used_l
        span.sum_end_s += block.end_s
        span.sum_var += half_var
        if span.end_s - span.start_s >= SPAN_S - 1.0:
            done += self._close(span, utc_offset_s)
        return done

    def interrupt(self, utc_offset_s: float) -> list[Seen]:
        """End the run of levels; what follows is not connected with it."""
        span, done = self._span, []
        if span is not None and span.end_s - span.start_s >= SHORTEST_S:
            done = self._close(span, utc_offset_s)
        self._span = self._mark = None
        return done

    def _close(self, span: _Span, utc_offset_s: float) -> list[Seen]:
        self._span = None
        middle_s, middle_l = span.sum_end_s / span.count, span.sum_used_l / span.count
        block_var = span.sum_var / span.count
        middle_var = block_var / span.count
        mark = self._mark
        start_s, end_s = span.start_s, span.end_s
        used_l, first_var, last_var = span.used_l, span.first_var, block_var
        if mark is not None:
            start_s, end_s = mark.t_s, middle_s
            used_l, first_var, last_var = mark.rest_l + middle_l, mark.var, middle_var
        is_chained = mark is not None and mark.is_chained
        self._mark = _Mark(middle_s, span.used_l - middle_l, middle_var, mark is not None)
        known_s = span.end_s - span.start_s
        return [
            Seen(
                start_s,
                end_s - start_s,
                used_l,
                first_var,
                last_var,
                is_chained,
                known_s,
                utc_offset_s,
            )
        ]
