"""The dashboard of the hub's own list, on a phone and on a tablet on the wall.

It is looked at by the keeper and by a helper who may not change anything; a vessel is added while
it is open, and at last the system is removed. Pictures lie in ``build/browser-dashboard``.
"""

import asyncio
import json
import re
from pathlib import Path
from typing import Any

import hass_frontend
import pytest
from demo.hub import ROOT, free_port
from demo.lab import SCHOOL, Tank, add_system, fill_in, reservoir_forms
from demo.plant import Settings
from demo.stage import KEEPER, PASSWORD, Stage
from phone import TABLET, Phone, phone, warnings_of_ours

LAGOON = Tank("Lagoon", 450.0, SCHOOL, Settings(use_l_per_day=3.0), ends_at_cm=15.0)
# Its strip and its valve serve a second vessel of the first system.
NURSERY = Tank("Nursery", 120.0, SCHOOL, Settings(use_l_per_day=0.9, seed=8), ends_at_cm=22.0)
PICTURES = ROOT / "build/browser-dashboard"
HELPER = "helper"
WATER, REEF = "the-water", "the-reef"
ABSENT = """async language => {
  const made = customElements.get("ll-strategy-dashboard-stillwell");
  const hass = { language, callWS: () => Promise.reject({ code: "unknown_command" }) };
  return (await made.generate({}, hass)).views[0].sections[0].cards[0];
}"""
LISTED = "() => window.customStrategies.map(one => [one.type, one.strategyType, one.description])"


async def _add_dashboards(stage: Stage) -> None:
    """What five taps in the page store, and one that names a system that is not there."""
    for path, more in ((WATER, {}), (REEF, {"system": "Reef"})):
        await stage.client.call(
            "lovelace/dashboards/create", url_path=path, title=path, mode="storage"
        )
        strategy = {"type": "custom:stillwell"} | more
        await stage.client.call(
            "lovelace/config/save", url_path=path, config={"strategy": strategy}
        )


async def _add_helper(stage: Stage) -> None:
    made = await stage.client.call(
        "config/auth/create", name="Helper", group_ids=["system-users"], local_only=True
    )
    await stage.client.call(
        "config/auth_provider/homeassistant/create",
        user_id=made["user"]["id"],
        username=HELPER,
        password=PASSWORD,
    )


async def _add_vessel(stage: Stage, entry_id: str) -> None:
    step = await stage.client.post(
        "/api/config/config_entries/subentries/flow", {"handler": [entry_id, "reservoir"]}
    )
    await fill_in(stage.client, "subentries/flow", step, reservoir_forms(NURSERY))


async def _both_looks(hand: Phone, name: str) -> None:
    for scheme in ("light", "dark"):
        await hand.page.emulate_media(color_scheme=scheme)
        await hand.picture(f"{name}-{scheme}")


async def _correct(hand: Phone) -> None:
    """Do what the notice says, where the hub's page lets it be done."""
    await hand.tap(hand.page.get_by_role("button", name="Menu").last)
    # Where it grows to its place, a tap by coordinates may hit its neighbour.
    await hand.page.locator("ha-dropdown-item").filter(has_text="Edit dashboard").click()
    await hand.tap(hand.page.locator("ha-code-editor"))
    await hand.page.keyboard.press("Control+A")
    await hand.page.keyboard.insert_text("type: custom:stillwell\nsystem: Lagoon\n")
    await hand.picture("edit")
    await hand.press("Save")
    await hand.see("Lagoon reservoir")


async def _on_the_phone(stage: Stage, hand: Phone, entry_id: str) -> None:
    await hand.log_in(KEEPER, PASSWORD)
    await hand.visit(f"/{WATER}")
    await hand.see("Lagoon reservoir")
    await _both_looks(hand, "phone")
    # While it is open, without a touch.
    await _add_vessel(stage, entry_id)
    await hand.see("Nursery reservoir")
    await hand.page.reload()
    await hand.see("Nursery reservoir")
    await hand.picture("two-vessels")
    await hand.visit(f"/{REEF}")
    await hand.see("There is no water system Reef")
    await _both_looks(hand, "unknown-system")
    await _correct(hand)


async def _on_the_wall(hand: Phone, seen: dict[str, Any]) -> None:
    """A helper, who speaks German and is no administrator."""
    await hand.log_in(HELPER, PASSWORD)
    await hand.visit(f"/{WATER}")
    await hand.see("Nursery reservoir")
    await hand.see("Heute")
    await _both_looks(hand, "tablet")
    seen["listed"] = await hand.page.evaluate(LISTED)
    seen["absent"] = [await hand.page.evaluate(ABSENT, language) for language in ("fr", "pt-BR")]
    seen["wall"] = hand.complaints


async def _over_a_restart(stage: Stage, wall: Phone) -> None:
    """The hub starts anew, and the tablet loads its page anew once everything is set up."""
    await stage.client.hang_up()
    await stage.hub.stop()
    await stage.start_again()
    await wall.page.reload()
    await wall.see("Nursery reservoir")
    await wall.see("Heute")
    await wall.picture("after-restart")


async def _without_a_system(stage: Stage, hand: Phone, entry_id: str) -> None:
    await stage.client.delete(f"/api/config/config_entries/entry/{entry_id}")
    await hand.visit(f"/{WATER}")
    await hand.see("No water system is running")
    await _both_looks(hand, "no-system")
    await hand.tap(hand.text("Add one"))
    await hand.page.get_by_role("button", name="OK", exact=True).wait_for()
    await hand.picture("add-one")


async def _story(folder: Path) -> dict[str, Any]:
    seen: dict[str, Any] = {}
    tanks = (LAGOON, NURSERY)
    stage = Stage(folder, free_port(), tanks, report_every_s=1.0, is_headless=False)
    async with stage:
        await stage.open_empty(with_past=False)
        await add_system(stage.client, LAGOON)
        (entry,) = await stage.client.call("config_entries/get", domain="stillwell")
        await _add_dashboards(stage)
        await _add_helper(stage)
        async with phone(stage.hub.url, PICTURES / "phone") as hand:
            await _on_the_phone(stage, hand, entry["entry_id"])
            tablet = phone(stage.hub.url, PICTURES / "tablet", viewport=TABLET, locale="de-DE")
            async with tablet as wall:
                await _on_the_wall(wall, seen)
                await _over_a_restart(stage, wall)
            await _without_a_system(stage, hand, entry["entry_id"])
            seen["phone"] = hand.complaints
    seen["log"] = stage.hub.log.read_text()
    return seen


def _hubs_words(language: str) -> dict[str, str]:
    """Return the texts of the hub's page in a language, by key."""
    found: dict[str, str] = {}
    for file in Path(hass_frontend.where(), "static/translations").rglob(f"{language}-*.json"):
        if re.fullmatch(rf"{language}-[0-9a-f]{{32}}", file.stem):
            found |= _flat(json.loads(file.read_text("utf-8")), "")
    return found


def _flat(part: dict[str, Any], path: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for key, inner in part.items():
        if isinstance(inner, dict):
            found |= _flat(inner, f"{path}{key}.")
        else:
            found[f"{path}{key}"] = inner
    return found


@pytest.mark.parametrize("language", ["en", "de", "es", "fr", "nl"])
def test_what_is_to_be_tapped_is_called_as_in_the_hubs_page(language: str) -> None:
    hub = _hubs_words(language)
    dashboards = "ui.panel.config.lovelace.dashboards"
    add, community = (
        hub[f"{dashboards}.{key}"] for key in ("picker.add_dashboard", "dialog_new.heading.custom")
    )
    package = ROOT / "custom_components/stillwell"
    ours = json.loads((package / f"translations/{language}.json").read_text("utf-8"))
    for kind in ("reservoir", "sump", "mixing_vat"):
        last_words = ours["config_subentries"][kind]["create_entry"]["default"].splitlines()[-1]
        assert re.findall(r"\*(.+?)\*", last_words) == [add, "Stillwell", community]
    message = ours["exceptions"]["dashboard_unknown_system"]["message"]
    edit = hub["ui.panel.lovelace.menu.configure_ui"]
    assert re.findall(r"\*(.+?)\*", message) == ["system", edit]
    settings, devices = hub["panel.config"], hub["ui.panel.config.dashboard.devices.main"]
    module = (package / "frontend/dashboard.js").read_text("utf-8")
    assert f"[{settings} > {devices}](/config/integrations)" in module


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Run the story once; it fails where something does not come to be seen."""
    return asyncio.run(_story(tmp_path_factory.mktemp("dashboard")))


def test_it_is_listed_once_in_the_language_of_the_page(seen: dict[str, Any]) -> None:
    ((kind, of, about),) = seen["listed"]
    assert (kind, of) == ("stillwell", "dashboard")
    assert "Aquariums" in about


def test_without_the_integration_it_says_where_to_look(seen: dict[str, Any]) -> None:
    french, english = seen["absent"]
    assert french["type"] == english["type"] == "markdown"
    assert "n'est pas en service" in french["content"]
    # A language that is not shipped.
    assert "is not running" in english["content"]
    assert all("(/config/integrations)" in card["content"] for card in (french, english))


def test_neither_console_holds_anything_against_the_module(seen: dict[str, Any]) -> None:
    assert seen["phone"] == []
    assert seen["wall"] == []


def test_the_log_holds_nothing_of_ours(seen: dict[str, Any]) -> None:
    assert warnings_of_ours(seen["log"]) == []
