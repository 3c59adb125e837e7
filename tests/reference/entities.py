"""The page of all entities, by the kind of device they belong to."""

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import custom_components.stillwell as package
from homeassistant.util.yaml import load_yaml

from . import pages
from .walk import descriptions

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import ModuleType

    from homeassistant.helpers.entity import EntityDescription

HERE: Final = Path(__file__).parent
TEXTS: Final[Mapping[str, Any]] = json.loads(
    (Path(package.__file__).parent / "translations" / "en.json").read_text("utf-8")
)
INTRO: Final = """# Entities

Every entity there can be, by the device it belongs to. Which of them a device has depends on what
its set-up names: without a heater's switch there is no heater duty. The key is the end of the
entity's unique id. The hub shows volumes, lengths and temperatures in the units of its own system;
rates in L/d are in gal/d where that is US customary.
*Off* means switched off until somebody wants it.
"""
HEAD: Final = ("entity", "key", "unit", "category", "at first", "meaning")


def meanings() -> Mapping[str, str]:
    """Return what is said of entities beyond what the code knows: platform.key -> text."""
    found = load_yaml(str(HERE / "meanings.yaml"))
    assert isinstance(found, dict)
    return found


def kind_of(module: ModuleType, item: EntityDescription) -> str:
    """Return the device's kind, as a heading, an entity is written for."""
    subentries = TEXTS["config_subentries"]
    stem = module.__name__.rpartition(".")[2].removesuffix("_entities")
    about = (module.__doc__ or "").partition("\n")[0]
    if type(item).__name__.startswith("Line") or " of a fill line" in about:
        return str(subentries["fill_line"]["entry_type"])
    for key, texts in subentries.items():
        if key.startswith(stem):
            return str(texts["entry_type"])
    for texts in subentries.values():
        if str(texts["entry_type"]).casefold() in about.casefold():
            return str(texts["entry_type"])
    if module.__name__.endswith("_entities"):
        # A kind whose module is not named after it: what the module says it is of.
        of = re.sub(r"^Entities of (a|an|the) ", "", about).partition(":")[0]
        return of[:1].upper() + of[1:]
    return "Vessel"


def name_of(platform: str, item: EntityDescription) -> str:
    """Return the entity's name; what is filled in is shown as dots."""
    text = TEXTS["entity"][platform][item.translation_key]["name"]
    return re.sub(r"{\w+}", "...", text)


def meaning_of(platform: str, item: EntityDescription) -> str:
    """Return what is said of it, and the words it may show."""
    said = meanings().get(f"{platform}.{item.key}", "")
    states = TEXTS["entity"][platform][item.translation_key].get("state", {})
    options = getattr(item, "options", None) or ()
    words = "; ".join(states[word] for word in options if word in states)
    return " ".join(part for part in (said, f"One of: {words}." if words else "") if part)


def _rank(kind: str) -> tuple[int, str]:
    """Vessels first, then what fills them, then the rest by name."""
    first = ("Vessel", "Fill line")
    return (first.index(kind) if kind in first else len(first), kind)


def page() -> str:
    """Return the page."""
    kinds: dict[str, list[tuple[str, ...]]] = {}
    for module, platform, item in descriptions():
        category = item.entity_category
        cells = (
            name_of(platform, item),
            f"`{platform}.{item.key}`",
            str(getattr(item, "native_unit_of_measurement", None) or ""),
            "" if category is None else str(category.value),
            "on" if item.entity_registry_enabled_default else "off",
            meaning_of(platform, item),
        )
        kinds.setdefault(kind_of(module, item), []).append(cells)
    parts = [INTRO]
    for kind in sorted(kinds, key=_rank):
        rows = sorted(set(kinds[kind]), key=lambda cells: cells[1].strip("`"))
        parts.append(f"## {kind}\n\n{pages.table(HEAD, rows)}\n")
    return "\n".join(parts)
