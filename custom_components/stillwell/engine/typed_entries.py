"""What a person typed in, and may take back: the latest of those noted at a time."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections import deque

TYPED_KEPT: Final = 60
"""So many entries of a kind can still be taken back; older ones are noted among the others."""


def take_back[Entry](entries: deque[Entry], is_it: Callable[[Entry], bool]) -> None:
    """Remove the latest of the entries that are meant; nothing where none is."""
    for at in reversed(range(len(entries))):
        if is_it(entries[at]):
            del entries[at]
            return
