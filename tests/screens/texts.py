"""What a text on the screen is held against: our own words, in the page's language and English."""

import json
import re
from collections.abc import Iterator
from typing import Any, Final

from demo.hub import ROOT

TRANSLATIONS: Final = ROOT / "custom_components/stillwell/translations"
PLACEHOLDER: Final = re.compile(r"\{\w+\}")
MARKS: Final = re.compile(r"\[([^\]]*)\]\([^)]*\)|[*`]")
KEY: Final = re.compile(r"\bcomponent\.\w|\bui\.\w+\.\w|\bstate_attributes\b|undefined|\[object")
SNAKE: Final = re.compile(r"(?<![\w./`{-])[a-z0-9]+(?:_[a-z0-9]+)+(?![\w./`-])")
LEFT_OVER: Final = re.compile(r"\{\w+\}|Translation error|MISSING_VALUE")
SHORTEST: Final = 4


def leaves(node: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    """Return every text of a tree with its path."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield from leaves(value, (*path, key))
    else:
        yield path, str(node)


def load(language: str) -> dict[tuple[str, ...], str]:
    """Return our texts in a language by their paths."""
    return dict(leaves(json.loads((TRANSLATIONS / f"{language}.json").read_text("utf-8"))))


def plain(text: str) -> str:
    """Return a text as it is shown, without the marks of its layout."""
    return " ".join(MARKS.sub(lambda found: found[1] or "", text).split())


class Words:
    """Our words in one language."""

    def __init__(self, language: str, names: set[str]) -> None:
        ours, english = load(language), load("en")
        self._names = names
        self._whole = "\n".join(plain(text) for text in ours.values())
        """Fragments of a text stand in it as they are shown."""
        own = {plain(text) for text in ours.values()}
        self._foreign = {
            plain(text)
            for path, text in english.items()
            if plain(text) != plain(ours[path]) and plain(text) not in own
        }
        self._foreign_parts = [
            part.strip()
            for text in self._foreign
            for part in PLACEHOLDER.split(text)
            if len(part.split()) > SHORTEST
        ]

    def are_ours(self, text: str) -> bool:
        """Whether a text is one of ours, or bears a name from the lab."""
        return text in self._whole or any(name in text for name in self._names)

    def fault(self, text: str) -> str | None:
        """Return what is wrong with the words of a text; None when nothing is."""
        if KEY.search(text) or LEFT_OVER.search(text):
            return "not translated"
        if SNAKE.search(text) and "." not in text.split(maxsplit=1)[0]:
            return "raw key"
        is_english = text in self._foreign or any(part in text for part in self._foreign_parts)
        return "English" if is_english else None
