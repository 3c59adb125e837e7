"""The dashboard that the integration makes: what it holds, and that the hub's page can show it."""

from collections.abc import Iterator
from typing import Any

import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.core import HomeAssistant
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component

from .conftest import reservoir
from .lab import FLOAT, LEAK, VALVE, Lab
from .test_temperature_watch import watch

# Types of cards and features of the hub's page 20260930.5, read in its own bundle.
STOCK_CARDS = {"heading", "history-graph", "markdown", "statistics-graph", "tile"}
STOCK_FEATURES = {"bar-gauge", "trend-graph"}
LETTERS_IN_HALF = 16
"""A half tile leaves 122 px for its name on the hub's page at 1280 px; 17 letters took 124."""
PHONE_COLUMNS = 12
"""A section of the hub's grid is twelve columns wide, and fills a phone."""


@pytest.fixture
async def shown(hass: HomeAssistant, lab: Lab) -> Lab:
    """A reservoir with a guarded fill line, and a second vessel."""
    hass.states.async_set(FLOAT, "off")
    hass.states.async_set(LEAK, "off")
    await lab.set_up(
        reservoir("Lagoon sump", source="sensor.sump"),
        device=VALVE,
        high_inputs=[FLOAT],
        leak_inputs=[LEAK],
        high_test_days=90,
    )
    await lab.settle()
    return lab


async def dashboard(hass: HomeAssistant) -> dict[str, Any]:
    """Call the action."""
    made = await hass.services.async_call(
        DOMAIN, "dashboard", {}, blocking=True, return_response=True
    )
    assert made is not None
    return dict(made)


def cards(made: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Return each card of each section of each view."""
    for view in made["views"]:
        for section in view["sections"]:
            yield from section["cards"]


def headings(made: dict[str, Any]) -> list[str]:
    return [card["heading"] for card in cards(made) if card["type"] == "heading"]


async def test_every_vessel_and_line_has_its_section(hass: HomeAssistant, shown: Lab) -> None:
    made = await dashboard(hass)
    assert [view["title"] for view in made["views"]] == ["Lagoon"]
    assert headings(made) == [
        "Today",
        "Lagoon reservoir",
        "Lagoon sump",
        "Lagoon reservoir fill line",
        "The last week",
        "Proof tests",
    ]


@pytest.mark.parametrize("language", ["de", "en", "es", "fr", "nl"])
async def test_tiles_beside_each_other_cut_no_name(
    hass: HomeAssistant, lab: Lab, language: str
) -> None:
    hass.config.language = language
    hass.states.async_set("sensor.nursery_temperature", "25.0", {"unit_of_measurement": "°C"})
    hass.states.async_set("sensor.sump", "20.0", {"unit_of_measurement": "cm"})
    await lab.set_up(watch(), reservoir("Lagoon sump", source="sensor.sump"), device=VALVE)
    registry = er.async_get(hass)
    pairs = 0
    for view in (await dashboard(hass))["views"]:
        for section in view["sections"]:
            waiting: list[dict[str, Any]] = []
            for card in section["cards"]:
                if card.get("grid_options", {}).get("columns") != PHONE_COLUMNS / 2:
                    assert waiting == []
                    continue
                entity = registry.async_get(card["entity"])
                state = hass.states.get(card["entity"])
                name = entity.original_name if entity and entity.original_name else state.name
                assert len(name) <= LETTERS_IN_HALF
                waiting.append(card)
                if len(waiting) == 2:
                    left, right = waiting
                    assert left.get("visibility") == right.get("visibility")
                    pairs, waiting = pairs + 1, []
            assert waiting == []
    assert pairs > 0


async def test_a_watch_has_its_section_with_what_is_wrong_above(
    hass: HomeAssistant, lab: Lab
) -> None:
    hass.states.async_set("sensor.nursery_temperature", "25.0", {"unit_of_measurement": "°C"})
    hass.states.async_set("switch.nursery_heater", "off")
    await lab.set_up(watch())
    made = await dashboard(hass)
    assert headings(made) == ["Today", "Lagoon reservoir", "Nursery temperature", "The last week"]
    (section,) = [
        section
        for view in made["views"]
        for section in view["sections"]
        if section["cards"][0]["heading"] == "Nursery temperature"
    ]
    shown = section["cards"][1:]
    alarms = [card["entity"] for card in shown if "visibility" in card]
    assert alarms == [card["entity"] for card in shown[: len(alarms)]]
    for alarm in ("temperature_low", "heater_stuck_on"):
        assert any(entity.endswith(alarm) for entity in alarms)
    assert shown[-1]["entity"].startswith("button.")
    assert shown[-1]["tap_action"]["confirmation"]["text"]
    assert any(card["entity"].endswith("_swing_in_24_hours") for card in shown)


async def test_only_cards_of_the_hub_and_no_entity_that_is_not_there(
    hass: HomeAssistant, shown: Lab
) -> None:
    made = await dashboard(hass)
    known = {entity.entity_id for entity in er.async_get(hass).entities.values()}
    known |= {state.entity_id for state in hass.states.async_all()} | {"sensor.sump"}
    for card in cards(made):
        assert card["type"] in STOCK_CARDS
        assert {feature["type"] for feature in card.get("features", [])} <= STOCK_FEATURES
        assert card.get("grid_options", {}).get("columns", 1) <= PHONE_COLUMNS
        entities = [card["entity"]] if card["type"] == "tile" else []
        entities += [item["entity"] for item in card.get("entities", [])]
        entities += [badge["entity"] for badge in card.get("badges", [])]
        entities += [condition["entity"] for condition in card.get("visibility", [])]
        assert set(entities) <= known


async def test_a_lockout_and_its_reset_show_only_while_it_stands(
    hass: HomeAssistant, shown: Lab
) -> None:
    made = await dashboard(hass)
    reset = shown.entity_id("reset")
    (tile,) = [card for card in cards(made) if card.get("entity") == reset]
    lockout = shown.entity_id("lockout")
    assert tile["visibility"] == [{"condition": "state", "entity": lockout, "state": "on"}]
    tap = tile["tap_action"]
    assert (tap["perform_action"], tap["target"]) == ("button.press", {"entity_id": reset})
    assert tap["confirmation"]["text"] == "Have you looked on site, and is the cause gone?"


async def test_a_reason_shows_only_while_there_is_one(hass: HomeAssistant, shown: Lab) -> None:
    reason = shown.entity_id("signal_reason")
    (tile,) = [card for card in cards(await dashboard(hass)) if card.get("entity") == reason]
    # The state as it is before it is translated.
    assert hass.states.get(reason).state == "none"
    assert tile["visibility"] == [{"condition": "state", "entity": reason, "state_not": "none"}]


async def test_a_tap_on_the_fill_device_does_not_switch_it(hass: HomeAssistant, shown: Lab) -> None:
    made = await dashboard(hass)
    (tile,) = [card for card in cards(made) if card.get("entity") == VALVE]
    # A tap on a tile of a switch opens it, but its icon toggles unless told otherwise.
    assert tile["tap_action"] == {"action": "more-info"}
    assert tile["icon_tap_action"] == {"action": "more-info"}


async def test_what_is_disabled_or_renamed_is_taken_as_it_is(
    hass: HomeAssistant, shown: Lab
) -> None:
    registry = er.async_get(hass)
    gone = shown.entity_id("usable_volume")
    registry.async_update_entity(gone, disabled_by=er.RegistryEntryDisabler.USER)
    old = shown.entity_id("use_per_day")
    registry.async_update_entity(old, new_entity_id="sensor.daily_need")
    await hass.async_block_till_done()
    shows = {card.get("entity") for card in cards(await dashboard(hass))}
    assert "sensor.daily_need" in shows
    assert not shows & {gone, old}


async def test_a_vessel_alone_has_no_section_of_lines_or_tests(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up()
    assert headings(await dashboard(hass)) == ["Today", "Lagoon reservoir", "The last week"]


async def test_a_meter_that_was_disabled_leaves_no_empty_graph(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up()
    registry = er.async_get(hass)
    for key in ("total_used", "signal", "unexplained_loss", "filling"):
        registry.async_update_entity(lab.entity_id(key), disabled_by=er.RegistryEntryDisabler.USER)
    made = await dashboard(hass)
    kinds = [card["type"] for card in cards(made)]
    assert "statistics-graph" not in kinds
    assert "history-graph" in kinds


async def test_a_system_without_a_vessel_has_an_empty_view(hass: HomeAssistant, lab: Lab) -> None:
    entry = await lab.set_up()
    (vessel,) = entry.subentries
    hass.config_entries.async_remove_subentry(entry, vessel)
    await hass.async_block_till_done(wait_background_tasks=True)
    (view,) = (await dashboard(hass))["views"]
    assert view["sections"] == []


async def test_without_a_running_system_the_action_says_so(hass: HomeAssistant) -> None:
    assert await async_setup_component(hass, DOMAIN, {})
    with pytest.raises(ServiceValidationError) as refused:
        await dashboard(hass)
    assert refused.value.translation_key == "no_system"
