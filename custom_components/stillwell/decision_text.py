"""The decision log, and what cannot be, in plain words of the hub's language."""

import logging
import re
from collections import ChainMap
from collections.abc import Mapping
from typing import Any, Final

from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers.translation import async_get_cached_translations, async_get_translations

from .const import DOMAIN
from .engine.invalid import TEXTS, Amount, Code, Invalid, Term, Value
from .form_units import FormUnits

_LOGGER = logging.getLogger(__name__)

MARK_KEY: Final = "decimal_mark"
GROUP_KEY: Final = "thousand"
"""1000 as a language writes long numbers: what stands between is its group mark."""
_NUMBER: Final = re.compile(r"(\d+)(?:\.(\d+))?")
_GROUPS: Final = re.compile(r"(?<=\d)(?=(?:\d{3})+\Z)")
_GROUPED: Final = 5
"""From how many digits before the mark on they stand in groups; Spanish begins there (CLDR)."""

CATEGORIES: Final = ("common", "entity")
REASONS: Final = (
    "common.because_{}",
    "entity.sensor.lockout_reason.state.{}",
    "entity.sensor.block_reason.state.{}",
)


async def async_load_texts(hass: HomeAssistant) -> None:
    """Have the texts at hand: what describes an entry may not wait for a file."""
    for category in CATEGORIES:
        await async_get_translations(hass, hass.config.language, category, [DOMAIN])


@callback
def reason_text(hass: HomeAssistant, reason: str) -> str:
    """Return a reason's text, or its key where there is none."""
    texts = _texts(hass)
    found = (texts.get(f"component.{DOMAIN}.{path.format(reason)}") for path in REASONS)
    return next((text for text in found if text), reason)


@callback
def decision_text(hass: HomeAssistant, entry: Mapping[str, Any]) -> str:
    """Return an entry of the decision log as a sentence."""
    decision, reason = str(entry["decision"]), entry.get("reason")
    what = _texts(hass).get(f"component.{DOMAIN}.common.decision_{decision}", decision)
    if reason is None:
        return what
    return common_text(
        hass, "decision_because", decision=what, reason=reason_text(hass, str(reason))
    )


@callback
def common_text(hass: HomeAssistant, key: str, **given: str) -> str:
    """Return a text of the section *common*, filled in; its key where there is none."""
    return _texts(hass).get(f"component.{DOMAIN}.common.{key}", key).format(**given)


@callback
def state_text(hass: HomeAssistant, key: str, word: str) -> str:
    """Return the text of a sensor's word, or the word where there is none."""
    return _texts(hass).get(f"component.{DOMAIN}.entity.sensor.{key}.state.{word}", word)


def _texts(hass: HomeAssistant) -> Mapping[str, str]:
    language = hass.config.language
    return ChainMap(
        *(
            async_get_cached_translations(hass, language, category, DOMAIN)
            for category in CATEGORIES
        )
    )


@callback
def invalid_text(hass: HomeAssistant, err: Exception) -> str:
    """Return why something cannot be, in the hub's language and units.

    A fault that is none of the engine's or of the settings' own has one text for all.
    """
    if not isinstance(err, Invalid):
        _LOGGER.debug("Not told to the keeper: %r", err)
        err = Invalid(Code.UNREADABLE)
    texts, units = _texts(hass), FormUnits.of(hass)
    text = texts.get(f"component.{DOMAIN}.common.invalid_{err.code}", TEXTS[err.code])
    return text.format(**{key: _word(texts, units, value) for key, value in err.values.items()})


def _word(texts: Mapping[str, str], units: FormUnits, value: Value) -> str:
    if isinstance(value, Term):
        return texts.get(f"component.{DOMAIN}.common.term_{term_key(value)}", value)
    if not isinstance(value, (Amount, float)):
        return str(value)
    shown = units.show(value) if isinstance(value, Amount) else f"{value:g}"
    mark, thousand = (
        texts.get(f"component.{DOMAIN}.common.{key}") for key in (MARK_KEY, GROUP_KEY)
    )
    return marked(shown, mark, thousand)


def marked(number: str, mark: str | None, thousand: str | None) -> str:
    """Return numbers in a text, written with a point, with a language's marks.

    Rows of a table keep their digits together: they are copied into a form, which takes no groups.
    """
    group = thousand[1:-3] if thousand and ";" not in number else ""

    def _one(found: re.Match[str]) -> str:
        whole, fraction = found.groups()
        if len(whole) >= _GROUPED:
            whole = _GROUPS.sub(group, whole)
        return whole if fraction is None else f"{whole}{mark or '.'}{fraction}"

    return _NUMBER.sub(_one, number)


def term_key(term: str) -> str:
    """Return under which key the name of a quantity or a setting has its text."""
    bare = re.sub(r"^(an?|the)\s+", "", term)
    return re.sub(r"\W+", "_", bare).strip("_").lower()
