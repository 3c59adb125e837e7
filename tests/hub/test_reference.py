"""The reference pages in docs/ are what the code would write now, and say something true."""

import re
from typing import TYPE_CHECKING

import pytest
from tests.reference import blueprints, entities, pages
from tests.reference.walk import descriptions

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("path", pages.made(), ids=lambda path: path.name)
def test_a_page_is_up_to_date(path: Path) -> None:
    assert pages.written(path) == pages.made()[path], "run script/entity-reference"


def test_every_entity_stands_on_the_page_once_with_its_facts() -> None:
    text = entities.page()
    keys = re.findall(r"^\| [^|]+ \| `(\w+\.\w+)` \|", text, re.MULTILINE)
    described = {f"{platform}.{item.key}" for _, platform, item in descriptions()}
    assert sorted(keys) == sorted(described)
    # Two rows as a keeper would check them on the device's page.
    assert re.search(r"\| Fill \| `sensor.fill` \| % \|  \| on \| Share of", text)
    assert re.search(
        r"\| Probe drift \| `sensor.probe_drift` \| mm/K \| diagnostic \| off \|", text
    )
    assert "One of: Learning the baseline; Normal; Production falling; Production rising." in text


def test_nothing_is_said_of_what_is_not_there() -> None:
    described = {f"{platform}.{item.key}" for _, platform, item in descriptions()}
    assert set(entities.meanings()) <= described


def test_each_kind_has_its_heading() -> None:
    headings = set(re.findall(r"^## (.+)$", entities.page(), re.MULTILINE))
    assert {"Vessel", "Fill line", "Temperature watch", "RO/DI unit"} <= headings


def test_every_input_of_a_blueprint_stands_on_the_page() -> None:
    """Facts read off one file by eye."""
    text = blueprints.page()
    assert (
        "| Report | Time (`at`) | 08:00:00 | time | When it is sent, by the hub's clock. |" in text
    )
    assert re.search(
        r"\| Leak and outputs \| Leak sensors \(`leak_sensors`\) \| \*\*required\*\* \|", text
    )
    assert "20 to 3600 s" in text
