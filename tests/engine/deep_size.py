"""Memory that an object keeps, by `sys.getsizeof` of everything that hangs on it."""

import sys
from collections import deque
from enum import Enum
from types import FunctionType, ModuleType
from typing import Any

SHARED = (type, ModuleType, FunctionType, Enum)
"""They are there once, whatever the number of vessels."""


def _parts(held: Any) -> list[Any]:
    if isinstance(held, dict):
        return [*held.keys(), *held.values()]
    parts = list(held) if isinstance(held, list | tuple | set | frozenset | deque) else []
    for kind in type(held).__mro__:
        slots = kind.__dict__.get("__slots__", ())
        names = (slots,) if isinstance(slots, str) else slots
        parts += [getattr(held, name) for name in names if hasattr(held, name)]
    return [*parts, *vars(held).values()] if hasattr(held, "__dict__") else parts


def deep_size_bytes(held: Any) -> int:
    """Bytes of an object and all it refers to, each counted once."""
    seen: set[int] = set()
    todo, total = [held], 0
    while todo:
        part = todo.pop()
        if id(part) in seen or isinstance(part, SHARED):
            continue
        seen.add(id(part))
        total += sys.getsizeof(part)
        todo += _parts(part)
    return total
