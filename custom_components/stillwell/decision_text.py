"""The decision log in plain words of the hub's language."""

from collections.abc import Mapping
from typing import Any, Final

from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers.translation import async_get_cached_translations, async_get_translations

from .const import DOMAIN

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
    return what if reason is None else f"{what}: {reason_text(hass, str(reason))}"


@callback
def common_text(hass: HomeAssistant, key: str, **given: str) -> str:
    """Return a text of the section *common*, filled in; its key where there is none."""
    return _texts(hass).get(f"component.{DOMAIN}.common.{key}", key).format(**given)


@callback
def state_text(hass: HomeAssistant, key: str, word: str) -> str:
    """Return the text of a sensor's word, or the word where there is none."""
    return _texts(hass).get(f"component.{DOMAIN}.entity.sensor.{key}.state.{word}", word)


def _texts(hass: HomeAssistant) -> dict[str, str]:
    language = hass.config.language
    found: dict[str, str] = {}
    for category in CATEGORIES:
        found |= async_get_cached_translations(hass, language, category, DOMAIN)
    return found
