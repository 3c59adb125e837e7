"""The automation blueprints that the package carries, and those in the keeper's folder.

All of it is file work: call it from an executor. A file counts as edited unless its text is one
that was released, or the hub's own rewriting of one (an import drops comments and adds an
address). Edited files are never overwritten without a copy beside them.
"""

import hashlib
import json
import os
import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any, Final

from homeassistant.exceptions import HomeAssistantError
from homeassistant.util.yaml import Input, parse_yaml

SHIPPED: Final = Path(__file__).parent.joinpath("blueprints", "automation", "stillwell")
KNOWN: Final = SHIPPED.parents[1].joinpath("released.json")
FOLDER: Final = ("blueprints", "automation", "stillwell")
"""Where blueprints live, below the hub's configuration folder."""
ADDRESS: Final = "source_url"
VERSION: Final = re.compile(r"\bVersion (\d+)\s*\Z")
COMMENT: Final = re.compile(r"^\s*#", re.MULTILINE)


class Standing(StrEnum):
    """How an installed file stands to the one the package carries."""

    ABSENT = "absent"
    CURRENT = "current"
    OLDER = "older"
    """An earlier release, unedited."""
    EDITED = "edited"


class Written(StrEnum):
    """What an installation did with a file."""

    INSTALLED = "installed"
    UPDATED = "updated"
    REPLACED = "replaced"
    """An edited file; a copy of it lies beside the new one."""
    KEPT = "kept"
    UNCHANGED = "unchanged"


@dataclass(frozen=True, slots=True)
class Installed:
    """One blueprint of ours in the keeper's folder."""

    name: str
    standing: Standing
    shipped_version: int
    version: int | None = None
    """The version the file itself names; an edited one may still name it."""

    @property
    def is_behind(self) -> bool:
        """Whether the package carries a newer version than the file names."""
        if self.standing in (Standing.ABSENT, Standing.CURRENT):
            return False
        return self.version is None or self.version < self.shipped_version


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an installation did with one file."""

    name: str
    written: Written
    version: int | None
    kept_as: str | None = None


def text_hash(text: str) -> str:
    """Return the hash of a file's text; line ends do not count."""
    return hashlib.sha256(text.replace("\r\n", "\n").encode()).hexdigest()


def content_hash(text: str) -> str | None:
    """Return the hash of what the hub reads of it, or None if that is no blueprint.

    The address of an import does not count, nor do selectors: the hub fills in their defaults
    when it rewrites a file, and they only say how a form asks.
    """
    data = _parsed(text)
    if data is None:
        return None
    head = {key: value for key, value in data["blueprint"].items() if key != ADDRESS}
    bare = _without_selectors({**data, "blueprint": head})
    content = json.dumps(bare, sort_keys=True, default=_input)
    return hashlib.sha256(content.encode()).hexdigest()


def _without_selectors(node: Any) -> Any:
    if isinstance(node, dict):
        return {key: _without_selectors(value) for key, value in node.items() if key != "selector"}
    return node


def version_of(text: str) -> int | None:
    """Return the version a blueprint names at the end of its description."""
    data = _parsed(text)
    described = "" if data is None else str(data["blueprint"].get("description", ""))
    found = VERSION.search(described)
    return None if found is None else int(found[1])


def _input(node: object) -> dict[str, str]:
    if isinstance(node, Input):
        return {"!input": node.name}
    raise TypeError(f"not part of a blueprint: {node!r}")


def _parsed(text: str) -> dict[str, Any] | None:
    try:
        data = parse_yaml(text)
    except HomeAssistantError:
        return None
    if isinstance(data, dict) and isinstance(data.get("blueprint"), dict):
        return data
    return None


@cache
def shipped_names() -> tuple[str, ...]:
    """Return the file names of the blueprints in the package."""
    return tuple(sorted(path.name for path in SHIPPED.glob("*.yaml")))


def released() -> dict[str, dict[str, dict[str, str]]]:
    """Return the hashes of every released version: name -> version -> text and content."""
    return _read(KNOWN)


@cache
def _read(known: Path) -> dict[str, dict[str, dict[str, str]]]:
    loaded: dict[str, dict[str, dict[str, str]]] = json.loads(known.read_text("utf-8"))
    return loaded


def compare(config: Path) -> list[Installed]:
    """Compare the keeper's files with the package's.

    Raises:
        OSError: A file cannot be read.
    """
    known = released()
    folder = config.joinpath(*FOLDER)
    there = {path.name for path in folder.iterdir()} if folder.is_dir() else set()
    return [
        _compared(folder.joinpath(name), known[name])
        if name in there
        else Installed(name, Standing.ABSENT, _newest(known[name]))
        for name in shipped_names()
    ]


def _newest(known: dict[str, dict[str, str]]) -> int:
    return max(int(version) for version in known)


def _compared(path: Path, known: dict[str, dict[str, str]]) -> Installed:
    newest = _newest(known)
    text = path.read_text("utf-8", errors="replace")
    version = _release_of(text, known)
    if version is None:
        return Installed(path.name, Standing.EDITED, newest, version_of(text))
    standing = Standing.CURRENT if version == newest else Standing.OLDER
    return Installed(path.name, standing, newest, version)


def _release_of(text: str, known: dict[str, dict[str, str]]) -> int | None:
    """Return the release a text is, unedited; the cheap test goes first."""
    of_text = text_hash(text)
    for version, hashes in known.items():
        if hashes["text"] == of_text:
            return int(version)
    data = _parsed(text)
    if data is None or ADDRESS not in data["blueprint"] or COMMENT.search(text):
        return None
    of_content = content_hash(text)
    return next((int(v) for v, hashes in known.items() if hashes["content"] == of_content), None)


def install(config: Path, *, replace_edited: bool = False) -> list[Outcome]:
    """Write the package's blueprints into the keeper's folder.

    Absent ones are written and older ones renewed. Edited ones are kept, or replaced with a copy
    beside them.

    Raises:
        OSError: A file cannot be read or written.
    """
    config.joinpath(*FOLDER).mkdir(parents=True, exist_ok=True)
    return [_installed(config, found, replace_edited) for found in compare(config)]


def _installed(config: Path, found: Installed, replace_edited: bool) -> Outcome:
    path = config.joinpath(*FOLDER, found.name)
    if found.standing is Standing.CURRENT:
        return Outcome(found.name, Written.UNCHANGED, found.version)
    if found.standing is not Standing.EDITED:
        is_new = found.standing is Standing.ABSENT
        _write(path)
        written = Written.INSTALLED if is_new else Written.UPDATED
        return Outcome(found.name, written, found.shipped_version)
    if not replace_edited:
        return Outcome(found.name, Written.KEPT, found.version)
    kept = _copy_beside(path)
    _write(path)
    return Outcome(found.name, Written.REPLACED, found.shipped_version, kept.name)


def _write(path: Path) -> None:
    """Write whole or not at all: the hub must never read half a rule."""
    partial = path.with_name(f"{path.name}.part")
    partial.write_bytes(SHIPPED.joinpath(path.name).read_bytes())
    os.replace(partial, path)  # noqa: PTH105 - an atomic rename, on every system


def _copy_beside(path: Path) -> Path:
    """Keep an edited file under a name the hub does not take for a blueprint."""
    names = (path.with_name(f"{path.name}.kept{number}") for number in count(1))
    kept = next(one for one in names if not one.exists())
    kept.write_bytes(path.read_bytes())
    return kept
