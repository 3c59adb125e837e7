"""The last few samples of a signal: pairs of time and value in one array of numbers."""

from array import array
from collections.abc import Iterator

_PAIR = 2


class Samples:
    """A bounded run of (t_s, value), oldest first; the oldest goes when it is full.

    As tuples in a deque the same numbers would weigh eight times as much.
    """

    __slots__ = ("_most", "_numbers")

    def __init__(self, most: int) -> None:
        self._most = _PAIR * most
        self._numbers = array("d")

    def append(self, t_s: float, value: float) -> None:
        """Add the newest sample."""
        numbers = self._numbers
        numbers.append(t_s)
        numbers.append(value)
        if len(numbers) > self._most:
            del numbers[:_PAIR]

    def clear(self) -> None:
        """Forget all."""
        del self._numbers[:]

    @property
    def newest_s(self) -> float | None:
        """Time of the newest sample, epoch seconds; None when there is none."""
        return self._numbers[-_PAIR] if self._numbers else None

    def last(self, n: int) -> list[float]:
        """Return the last values, oldest first; fewer where there are fewer."""
        numbers = self._numbers
        return numbers[max(1, len(numbers) - _PAIR * n + 1) :: _PAIR].tolist()

    def __len__(self) -> int:
        return len(self._numbers) // _PAIR

    def __iter__(self) -> Iterator[tuple[float, float]]:
        """Yield time and value, oldest first."""
        return iter(tuple(zip(self._numbers[::_PAIR], self._numbers[1::_PAIR], strict=True)))
