"""The hub's own cards, as the dashboard lays them, and when each is to be seen."""

import json
from collections.abc import Callable, Mapping
from typing import Any, Final

from homeassistant.const import Platform
from homeassistant.helpers import entity_registry as er

type Card = dict[str, Any]
type Texts = Mapping[str, str]
type Own = Callable[[str], str | None]
"""The entity of a key; None when it is not there or disabled."""

WHOLE_WIDTH: Final = {"columns": 12}
HALF_WIDTH: Final = {"columns": 6}
LOOK: Final = {"action": "more-info"}
WHOSE: Final = [{"type": "device"}, {"type": "entity"}]
"""A name that says of which vessel it is, where several stand below each other."""


def is_problem(entity: er.RegistryEntry) -> bool:
    """Return whether an entity tells something wrong."""
    return is_of(entity, Platform.BINARY_SENSOR, "problem")


def is_of(entity: er.RegistryEntry, platform: Platform, device_class: str) -> bool:
    """Return whether an entity is of a platform and a class, the keeper's own choice or ours."""
    return entity.domain == platform and device_class in (
        entity.device_class,
        entity.original_device_class,
    )


def section(*cards: Card | None) -> Card:
    """Return a section of the cards that are there."""
    return {"type": "grid", "cards": [card for card in cards if card is not None]}


def heading(text: str, icon: str, badge: str | None = None) -> Card:
    """Return the title of a section, with the state of an entity beside it."""
    card: Card = {"type": "heading", "heading": text, "heading_style": "title", "icon": icon}
    if badge is not None:
        card["badges"] = [{"type": "entity", "entity": badge}]
    return card


def tile(
    entity: str | None, *, by: str | None = "entity", is_half: bool = False, **more: Any
) -> Card | None:
    """Return a tile called by its entity's or its device's name; None is the hub's own choice."""
    if entity is None:
        return None
    card: Card = {"type": "tile", "entity": entity, "grid_options": WHOLE_WIDTH, **more}
    if is_half:
        card["grid_options"] = HALF_WIDTH
    if by is not None:
        card["name"] = {"type": by}
    return card


def press(entity: str | None, question: str, **more: Any) -> Card | None:
    """Return a tile that presses a button, after a question."""
    if entity is None:
        return None
    press = {
        "action": "perform-action",
        "perform_action": "button.press",
        "target": {"entity_id": entity},
        "confirmation": {"text": question},
    }
    return tile(entity, hide_state=True, tap_action=press, icon_tap_action=press, **more)


def while_state(entity: str | None, *states: str) -> list[Card]:
    """Return the condition that an entity is in one of these states."""
    if entity is None:
        return []
    return [{"condition": "state", "entity": entity, "state": _one_or_all(states)}]


def unless_state(entity: str | None, *states: str) -> list[Card]:
    """Return the condition that an entity is in none of these states."""
    if entity is None:
        return []
    return [{"condition": "state", "entity": entity, "state_not": _one_or_all(states)}]


def _one_or_all(states: tuple[str, ...]) -> str | list[str]:
    return states[0] if len(states) == 1 else list(states)


def alert(text: str, *, kind: str = "warning", only_if: str | None = None) -> Card:
    """Return a warning in the page's own look; with a condition it is there only while that holds.

    Args:
        text: Markdown; what a keeper named goes through `quoted`.
        kind: One of the page's own: *error*, *warning*, *info*.
        only_if: What the page's template must find true.
    """
    content = f'<ha-alert alert-type="{kind}">{text}</ha-alert>'
    if only_if is not None:
        content = f"{{% if {only_if} %}}{content}{{% endif %}}"
    return {
        "type": "markdown",
        "text_only": True,
        "content": content,
        # Without a word in it, it takes no room.
        "show_empty": False,
        "grid_options": WHOLE_WIDTH,
    }


def quoted(name: str) -> str:
    """Return a keeper's name for a text the page takes for a template and for HTML: as it is."""
    # A template's strings escape what those of JSON do.
    return f"{{{{ {json.dumps(name, ensure_ascii=False)} | e }}}}"


def explanation(texts: Texts, key: str) -> Card:
    """Return a text that opens on a tap."""
    return {
        "type": "markdown",
        "text_only": True,
        "content": f"<details><summary>{texts['explain']}</summary>\n\n{texts[key]}\n\n</details>",
        "grid_options": WHOLE_WIDTH,
    }
