"""The dashboard in the hub's list: its module is served and loaded, its question is answered."""

import asyncio
import json
import logging
import re
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.dashboard_strategy import MODULE, MODULE_URL
from homeassistant.components import frontend
from homeassistant.config_entries import ConfigSubentry
from homeassistant.core import HomeAssistant
from homeassistant.helpers import device_registry as dr
from homeassistant.loader import async_get_integration
from homeassistant.setup import async_setup_component

from .conftest import PACKAGE_DIR, reservoir
from .lab import Lab

if TYPE_CHECKING:
    from collections.abc import Callable

    from pytest_homeassistant_custom_component.common import MockConfigEntry
    from pytest_homeassistant_custom_component.typing import (
        ClientSessionGenerator,
        MockHAClientWebSocket,
        WebSocketGenerator,
    )

TURNS = 100

type AddSystem = Callable[..., MockConfigEntry]


@pytest.fixture
async def page(hass: HomeAssistant) -> None:
    """Bring what of the hub's page counts here; its files are large, and not in every hub."""
    assert await async_setup_component(hass, "http", {})
    hass.data[frontend.DATA_EXTRA_MODULE_URL] = frontend.UrlManager(lambda *_: None, [])
    hass.config.components.add(frontend.DOMAIN)


async def ask(client: MockHAClientWebSocket, **more: str) -> dict[str, Any]:
    """Ask as the module does."""
    await client.send_json_auto_id({"type": "stillwell/dashboard", **more})
    answer: dict[str, Any] = await client.receive_json()
    return answer


def told(caplog: pytest.LogCaptureFixture) -> list[str]:
    """Return what a keeper finds in the log, but for the hub's word on every custom integration."""
    return [
        record.getMessage()
        for record in caplog.records
        if record.levelno >= logging.WARNING
        and record.name.startswith(("custom", "homeassistant"))
        and record.name != "homeassistant.loader"
    ]


async def loaded_urls(hass: HomeAssistant) -> set[str]:
    """Return what of ours the page loads."""
    urls = hass.data[frontend.DATA_EXTRA_MODULE_URL].urls
    return {url for url in urls if DOMAIN in url}


async def test_the_page_loads_the_module_of_this_version(
    hass: HomeAssistant, page: None, lab: Lab, hass_client_no_auth: ClientSessionGenerator
) -> None:
    await lab.set_up()
    version = (await async_get_integration(hass, DOMAIN)).version
    (url,) = await loaded_urls(hass)
    assert url == f"/stillwell/dashboard.js?v={version}"
    browser = await hass_client_no_auth()
    answer = await browser.get(url)
    assert answer.status == HTTPStatus.OK
    # A browser refuses a module of another type (HTML standard, fetch a single module script).
    assert answer.content_type in ("text/javascript", "application/javascript")
    assert "max-age" in answer.headers["Cache-Control"]
    assert await answer.read() == MODULE.read_bytes()
    # A reload does not load it twice.
    await lab.reload()
    assert await loaded_urls(hass) == {url}


async def test_a_hub_without_a_page_sets_up_all_the_same(
    hass: HomeAssistant, lab: Lab, hass_ws_client: WebSocketGenerator
) -> None:
    entry = await lab.set_up()
    assert "frontend" not in hass.config.components
    answer = await ask(await hass_ws_client(hass))
    assert answer["success"]
    assert await hass.config_entries.async_unload(entry.entry_id)


async def test_whoever_is_logged_in_gets_what_the_action_returns(
    hass: HomeAssistant,
    lab: Lab,
    hass_ws_client: WebSocketGenerator,
    hass_access_token: str,
    hass_read_only_access_token: str,
) -> None:
    await lab.set_up()
    made = await hass.services.async_call(
        DOMAIN, "dashboard", {}, blocking=True, return_response=True
    )
    assert made is not None
    for token in (hass_access_token, hass_read_only_access_token):
        answer = await ask(await hass_ws_client(hass, token))
        assert answer["success"]
        assert answer["result"] == json.loads(json.dumps(made))
        assert [view["title"] for view in answer["result"]["views"]] == ["Lagoon"]


async def test_words_are_in_the_language_of_who_looks(
    hass: HomeAssistant, lab: Lab, hass_ws_client: WebSocketGenerator
) -> None:
    await lab.set_up()
    client = await hass_ws_client(hass)

    async def title(**more: str) -> str:
        return str((await ask(client, **more))["result"]["title"])

    texts = {
        language: json.loads((PACKAGE_DIR / "translations" / f"{language}.json").read_text("utf-8"))
        for language in ("en", "de")
    }
    assert await title(language="de") == texts["de"]["common"]["dashboard_title"]
    assert await title() == texts["en"]["common"]["dashboard_title"]
    # What is no language is no name of a file either.
    assert await title(language="../../manifest") == texts["en"]["common"]["dashboard_title"]


@pytest.fixture
async def two_systems(hass: HomeAssistant, add_system: AddSystem) -> dict[str, MockConfigEntry]:
    """Two systems that run."""
    entries = {
        name: add_system(name, reservoir(f"{name} reservoir", source=f"sensor.{name.lower()}"))
        for name in ("Lagoon", "Nursery")
    }
    assert await async_setup_component(hass, DOMAIN, {})
    await hass.async_block_till_done(wait_background_tasks=True)
    return entries


async def test_one_system_is_named_by_its_title_or_its_id(
    hass: HomeAssistant,
    two_systems: dict[str, MockConfigEntry],
    hass_ws_client: WebSocketGenerator,
) -> None:
    client = await hass_ws_client(hass)

    async def titles(**more: str) -> list[str]:
        return [view["title"] for view in (await ask(client, **more))["result"]["views"]]

    assert await titles() == ["Lagoon", "Nursery"]
    assert await titles(system="Nursery") == ["Nursery"]
    assert await titles(system=two_systems["Lagoon"].entry_id) == ["Lagoon"]


async def test_another_system_is_refused_with_the_names_there_are(
    hass: HomeAssistant,
    two_systems: dict[str, MockConfigEntry],
    hass_ws_client: WebSocketGenerator,
    caplog: pytest.LogCaptureFixture,
) -> None:
    answer = await ask(await hass_ws_client(hass), system="Reef")
    assert not answer["success"]
    error = answer["error"]
    assert (error["code"], error["translation_domain"]) == ("not_found", DOMAIN)
    assert error["translation_key"] == "dashboard_unknown_system"
    assert error["translation_placeholders"] == {"system": "Reef", "systems": "Lagoon, Nursery"}
    # It is told where it happened; every look at the page would write the log full.
    assert told(caplog) == []


async def test_without_a_running_system_it_says_so(
    hass: HomeAssistant,
    lab: Lab,
    hass_ws_client: WebSocketGenerator,
    caplog: pytest.LogCaptureFixture,
) -> None:
    entry = await lab.set_up()
    client = await hass_ws_client(hass)
    assert await hass.config_entries.async_remove(entry.entry_id)
    caplog.clear()
    for more in ({}, {"language": "de"}, {"system": "Lagoon"}):
        answer = await ask(client, **more)
        assert not answer["success"]
        error = answer["error"]
        assert (error["code"], error["translation_domain"]) == ("not_found", DOMAIN)
        assert error["translation_key"] == "dashboard_no_system"
    assert told(caplog) == []


async def test_a_question_during_a_reload_waits_for_its_end(
    hass: HomeAssistant, lab: Lab, hass_ws_client: WebSocketGenerator
) -> None:
    """A page that hears of new entities asks while the system is still being set up."""
    entry = await lab.set_up()
    client = await hass_ws_client(hass)
    await entry.setup_lock.acquire()
    assert await hass.config_entries.async_unload(entry.entry_id, _lock=False)
    answer = asyncio.ensure_future(ask(client))
    # The clock of this hub stands still; turns of its loop do not.
    for _ in range(TURNS):
        await asyncio.sleep(0)
    assert not answer.done()
    assert await hass.config_entries.async_setup(entry.entry_id, _lock=False)
    entry.setup_lock.release()
    assert [view["title"] for view in (await answer)["result"]["views"]] == ["Lagoon"]


async def test_a_vessel_added_is_on_it_and_changes_what_the_page_watches(
    hass: HomeAssistant, lab: Lab, hass_ws_client: WebSocketGenerator
) -> None:
    entry = await lab.set_up()
    client = await hass_ws_client(hass)
    heard: list[Any] = []
    hass.bus.async_listen(dr.EVENT_DEVICE_REGISTRY_UPDATED, heard.append)
    new = reservoir("Lagoon mixing bin", source="sensor.mixing_bin")
    hass.config_entries.async_add_subentry(entry, ConfigSubentry(**new))
    await hass.async_block_till_done(wait_background_tasks=True)
    assert heard
    assert "Lagoon mixing bin" in json.dumps((await ask(client))["result"])


# The module itself; the browser's tests run it


SOURCE = MODULE.read_text("utf-8")


def test_the_module_is_whole_and_small() -> None:
    assert f"/{DOMAIN}/{MODULE.name}" == MODULE_URL
    # One import of the page for everybody, on every load.
    assert len(SOURCE.encode()) < 8192
    for opening, closing in ("{}", "()", "[]"):
        assert SOURCE.count(opening) == SOURCE.count(closing)


def test_the_module_leaves_nothing_behind_but_what_the_hub_asks_for() -> None:
    assert set(re.findall(r"\bwindow\.(\w+)", SOURCE)) == {"customStrategies"}
    assert not re.search(
        r"^\s*(var|let)\b|console\.|eval\(|innerHTML|import\b", SOURCE, re.MULTILINE
    )
    # Not before Chrome 80 and Safari 14: old wall tablets know neither.
    assert not re.search(r"\?\.|\?\?|^\s*static \w+ =|^\s*#", SOURCE, re.MULTILINE)


def test_the_module_speaks_every_language_that_is_shipped() -> None:
    languages = set(re.findall(r"^  ([a-z]{2}): \{$", SOURCE, re.MULTILINE))
    assert languages == {path.stem for path in (PACKAGE_DIR / "translations").glob("*.json")}
    for key in ("about", "absent"):
        assert len(set(re.findall(rf'^    {key}: "(.+)",$', SOURCE, re.MULTILINE))) == len(
            languages
        )
