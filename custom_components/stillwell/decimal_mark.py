"""Numbers in our own texts, with the decimal and group marks of the hub's language.

The hub writes the numbers of entities by itself; these stand in forms, errors and notices.
"""

import re
from collections.abc import Mapping
from typing import Final

from homeassistant.core import HomeAssistant, callback

from .decision_text import GROUP_KEY, MARK_KEY, common_text, marked

# One number with a unit or without, or a line of a strapping table; names and ids are neither.
_QUANTITY: Final = re.compile(r"[-+]?[\d.]+( [^\d\s]\S*)?|[\d.]+; [\d.]+")


@callback
def written(hass: HomeAssistant, number: str) -> str:
    """Return a number, with its unit or without, as the hub's language writes it."""
    mark = common_text(hass, MARK_KEY)
    return number if mark == MARK_KEY else marked(number, mark, common_text(hass, GROUP_KEY))


@callback
def written_quantities(hass: HomeAssistant, given: Mapping[str, str]) -> dict[str, str]:
    """Return placeholders with the quantities among them written so."""
    return {
        key: written(hass, text) if _QUANTITY.fullmatch(text) else text
        for key, text in given.items()
    }
