"""The other languages: as whole as the English, with the same parts to fill in and to tap."""

import json
import re
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import custom_components.stillwell as package
import pytest
from custom_components.stillwell.answers import Answers
from custom_components.stillwell.const import DOMAIN
from homeassistant.helpers.translation import async_get_translations

if TYPE_CHECKING:
    from collections.abc import Iterator

    from homeassistant.core import HomeAssistant

    from .lab import Lab

FOLDER = Path(package.__file__).parent / "translations"
LANGUAGES = ("de", "es", "fr", "nl")
PARTS = {
    "placeholders": re.compile(r"\{[a-z_]+\}"),
    "links": re.compile(r"\]\([^)]*\)"),
    "actions": re.compile(r"`?\bstillwell\.[a-z_]+"),
    "line breaks": re.compile(r"\n"),
}


def _texts(language: str) -> dict[str, str]:
    found = json.loads((FOLDER / f"{language}.json").read_text("utf-8"))
    return dict(_flat(found, ""))


def _flat(part: Any, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(part, dict):
        for key, inner in part.items():
            yield from _flat(inner, f"{path}.{key}" if path else key)
    else:
        yield path, part


def test_each_language_is_there() -> None:
    assert {file.stem for file in FOLDER.glob("*.json")} == {"en", *LANGUAGES}


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_same_texts_with_the_same_parts(language: str) -> None:
    english, other = _texts("en"), _texts(language)
    assert set(other) == set(english)
    for path, text in english.items():
        assert bool(other[path].strip()) is bool(text.strip()), path
        for kind, pattern in PARTS.items():
            assert sorted(pattern.findall(other[path])) == sorted(pattern.findall(text)), (
                path,
                kind,
            )


@pytest.mark.parametrize("language", LANGUAGES)
def test_it_is_translated(language: str) -> None:
    """Sentences differ from the English; short words and units may be the same."""
    english, other = _texts("en"), _texts(language)
    left = [path for path, text in english.items() if len(text) > 40 and other[path] == text]
    assert left == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_entities_that_differ_in_english_differ(language: str) -> None:
    english, other = _texts("en"), _texts(language)
    by_name: dict[tuple[str, str], set[str]] = defaultdict(set)
    for path, text in english.items():
        if (match := re.fullmatch(r"entity\.(\w+)\.\w+\.name", path)) is not None:
            by_name[match[1], other[path]].add(text)
    assert {name: texts for name, texts in by_name.items() if len(texts) > 1} == {}


@pytest.mark.parametrize("kind", ["temperature_watch", "dosing", "rodi_unit"])
@pytest.mark.parametrize("language", ["en", *LANGUAGES])
def test_a_name_that_would_work_is_the_example_of_the_form(language: str, kind: str) -> None:
    form = f"config_subentries.{kind}"
    texts = _texts(language)
    refused = texts[f"{form}.error.name_empty"]
    hint = texts[f"{form}.step.user.data_description.name"]
    _, example = re.split("for example|zum Beispiel|por ejemplo|par exemple|bijvoorbeeld", hint)
    assert example.strip(" .") in refused


@pytest.mark.parametrize("language", LANGUAGES)
async def test_the_hub_shows_it(hass: HomeAssistant, lab: Lab, language: str) -> None:
    hass.config.language = language
    await lab.set_up()
    other = _texts(language)
    name = other["entity.sensor.volume.name"]
    assert lab.state("volume").attributes["friendly_name"] == f"Lagoon reservoir {name}"
    loaded = await async_get_translations(hass, language, "common", [DOMAIN])
    assert loaded[f"component.{DOMAIN}.common.dashboard_title"] == other["common.dashboard_title"]


@pytest.mark.parametrize("language", LANGUAGES)
async def test_numbers_in_sentences_have_the_comma(hass: HomeAssistant, language: str) -> None:
    """All four write a decimal comma; English, as the hub writes it, a point (CLDR)."""
    assert (await Answers.of(hass, language)).volume(2.5).startswith("2,5 ")
    assert (await Answers.of(hass, "en")).volume(2.5).startswith("2.5 ")
