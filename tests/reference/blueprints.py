"""The page of all blueprints: what each is for, and each input with its default."""

import json
from typing import Any, Final

from custom_components.stillwell.blueprint_files import SHIPPED
from homeassistant.util.yaml import load_yaml

from . import pages

INTRO: Final = """# Blueprints

The automations that come with Stillwell, as their files say it. How they get into the hub stands in
the README, under *Installation*. An input without a default must be filled in.
"""
SHORT: Final = {"days": "d", "hours": "h", "minutes": "min", "seconds": "s"}
HEAD: Final = ("section", "input", "default", "takes", "meaning")


def page() -> str:
    """Return the page."""
    parts = [INTRO]
    for path in sorted(SHIPPED.glob("*.yaml")):
        loaded = load_yaml(str(path))
        assert isinstance(loaded, dict)
        meta = loaded["blueprint"]
        rows = [
            (
                section["name"] if number == 0 else "",
                f"{item['name']} (`{key}`)",
                _default(item),
                _takes(item["selector"]),
                item.get("description", ""),
            )
            for section in meta["input"].values()
            for number, (key, item) in enumerate(section["input"].items())
        ]
        parts.append(
            f"## {meta['name'].removeprefix('Stillwell: ').capitalize()}\n\n`{path.name}`\n\n"
            f"{meta['description'].strip()}\n\n{pages.table(HEAD, rows)}\n"
        )
    return "\n".join(parts)


def _default(item: dict[str, Any]) -> str:
    if "default" not in item:
        return "**required**"
    default = item["default"]
    if default in ([], "", {}):
        return "none"
    if isinstance(default, bool):
        return "yes" if default else "no"
    if isinstance(default, list):
        return ", ".join(map(str, default))
    if isinstance(default, dict) and set(default) <= set(SHORT):
        parts = [f"{amount} {SHORT[unit]}" for unit, amount in default.items() if amount]
        return " ".join(parts) or "0 s"
    return default if isinstance(default, str) else json.dumps(default)


def _takes(selector: dict[str, Any]) -> str:
    ((kind, config),) = selector.items()
    config = config or {}
    if kind == "number":
        unit = config.get("unit_of_measurement", "")
        return f"{config.get('min', '')} to {config.get('max', '')} {unit}".strip()
    if kind == "select":
        options = [one if isinstance(one, str) else one["label"] for one in config["options"]]
        return ", ".join(options)
    if kind == "entity":
        found = [one.get("domain", "entity") for one in config.get("filter", ())]
        domains = [name for one in found for name in (one if isinstance(one, list) else [one])]
        return ", ".join(domains) + (" (several)" if config.get("multiple") else "")
    words = {"boolean": "yes or no", "device": "phone", "action": "steps"}
    return words.get(kind, kind) + (" (several)" if config.get("multiple") else "")
