"""The dashboard that the integration makes: what it holds, and that the hub's page can show it."""

from collections.abc import Iterator
from typing import Any

import pytest
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.dashboard import ICONS
from custom_components.stillwell.watch_kinds import WATCH_KINDS
from homeassistant.core import HomeAssistant
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers.template import Template
from homeassistant.setup import async_setup_component

from .conftest import fill_line, reservoir
from .lab import FLOAT, LEAK, VALVE, Lab
from .test_dosing import dosing
from .test_evaporation_watch import watch as evaporation
from .test_rodi_watch import unit as rodi_unit
from .test_salinity_watch import BY_HAND, PROBE
from .test_salinity_watch import watch as salinity
from .test_temperature_watch import SOURCE as THERMOMETER
from .test_temperature_watch import watch
from .test_vessel_kinds import PUMP, sump, vat
from .test_water_change import VAT_PSU, change, drain_line, refill_line

# Types of cards and features of the hub's page 20260930.5, read in its own bundle.
STOCK_CARDS = {"heading", "history-graph", "markdown", "statistics-graph", "tile"}
STOCK_FEATURES = {"bar-gauge", "numeric-input", "trend-graph"}
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
        for part in view["sections"]:
            yield from part["cards"]


def section(made: dict[str, Any], title: str) -> list[dict[str, Any]]:
    """Return the cards below a heading."""
    (found,) = [
        part["cards"]
        for view in made["views"]
        for part in view["sections"]
        if part["cards"][0]["heading"] == title
    ]
    return list(found[1:])


def tile(shown: list[dict[str, Any]], entity_id: str) -> dict[str, Any]:
    """Return the one tile of an entity."""
    (found,) = [card for card in shown if card.get("entity") == entity_id]
    return found


def is_seen(hass: HomeAssistant, card: dict[str, Any]) -> bool:
    """Return what the page makes of a card's conditions: all must hold."""
    for condition in card.get("visibility", []):
        state = hass.states.get(condition["entity"]).state
        wanted = condition.get("state", condition.get("state_not"))
        is_among = state in (wanted if isinstance(wanted, list) else [wanted])
        if is_among is not ("state" in condition):
            return False
    return True


def told(hass: HomeAssistant, card: dict[str, Any]) -> str:
    """Return what the page shows of a text; without a word it shows no card."""
    assert card["show_empty"] is False
    return str(Template(card["content"], hass).async_render(parse_result=False))


def texts_of(shown: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the texts that come and go by themselves, not with the state of an entity."""
    return [card for card in shown if "show_empty" in card and "visibility" not in card]


def next_steps(hass: HomeAssistant, shown: list[dict[str, Any]]) -> list[str]:
    """Return what the page says is to be done now."""
    steps = [card for card in shown if "show_empty" in card and "visibility" in card]
    return [told(hass, card) for card in steps if is_seen(hass, card)]


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
        for part in view["sections"]:
            waiting: list[dict[str, Any]] = []
            for card in part["cards"]:
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
    shown = section(made, "Nursery temperature")
    alarms = [card["entity"] for card in shown[:-1] if "visibility" in card]
    assert alarms == [card["entity"] for card in shown[: len(alarms)]]
    for alarm in ("temperature_low", "heater_stuck_on"):
        assert any(entity.endswith(alarm) for entity in alarms)
    assert shown[-1]["entity"].startswith("button.")
    assert shown[-1]["tap_action"]["confirmation"]["text"]
    assert any(card["entity"].endswith("_swing_in_24_hours") for card in shown)


@pytest.fixture
async def watched(hass: HomeAssistant, lab: Lab) -> Lab:
    """A watch of every kind that asks for no further vessel."""
    hass.states.async_set(THERMOMETER, "25.0", {"unit_of_measurement": "°C"})
    hass.states.async_set("switch.nursery_heater", "off")
    hass.states.async_set(PROBE, "53.0", {"unit_of_measurement": "mS/cm"})
    await lab.set_up(
        fill_line(device=VALVE),
        watch(),
        salinity(),
        evaporation(),
        dosing(),
        rodi_unit(rated_l={"sediment": 10000.0}),
    )
    await lab.settle()
    return lab


async def test_today_tells_of_every_watch_what_is_wrong_while_it_is(
    hass: HomeAssistant, watched: Lab
) -> None:
    today = section(await dashboard(hass), "Today")
    can_wait = ("dose_paused", "stage_due")
    now = ("temperature_low", "temperature_high", "heater_dead", "heater_stuck_on",
           "thermometer_lost", "cut_out", "cut_out_lockout", "salinity_low",
           "salinity_high")  # fmt: skip
    for key in (*can_wait, *now):
        entity_id = watched.entity_id(key)
        card = tile(today, entity_id)
        assert card["visibility"] == [{"condition": "state", "entity": entity_id, "state": "on"}]
        assert card["color"] == ("orange" if key in can_wait else "red")
        # Whose temperature is high, is part of the name.
        assert card["name"] == [{"type": "device"}, {"type": "entity"}]


async def test_nothing_that_is_wrong_stands_below_what_is_always_there(
    hass: HomeAssistant, watched: Lab
) -> None:
    for card in (today := section(await dashboard(hass), "Today")):
        assert card["type"] in ("tile", "markdown")
    filling = {watched.entity_id("full_at"), watched.entity_id("fill_rate")}
    standing = [card for card in today if card.get("entity") not in filling]
    comes_and_goes = ["visibility" in card or "show_empty" in card for card in standing]
    assert comes_and_goes == sorted(comes_and_goes, reverse=True)
    # The gauge, when it is empty, and what was used.
    assert comes_and_goes.count(False) == 3


async def report_temperature(lab: Lab, temp_c: float) -> None:
    """Report for a quarter of an hour: an alarm takes five minutes."""
    for _ in range(3):
        await lab.wait(300.0)
        lab.hass.states.async_set(THERMOMETER, str(temp_c), {"unit_of_measurement": "°C"})
        await lab.hass.async_block_till_done()


async def test_a_cut_out_is_in_today_and_its_reset_comes_with_the_latch(
    hass: HomeAssistant, watched: Lab
) -> None:
    made = await dashboard(hass)
    today, shown = section(made, "Today"), section(made, "Nursery temperature")
    cut_out = tile(today, watched.entity_id("cut_out"))
    reset = tile(shown, watched.entity_id("cut_out_reset"))
    assert (is_seen(hass, cut_out), is_seen(hass, reset)) == (False, False)
    await report_temperature(watched, 27.5)
    assert watched.state("cut_out_lockout").state == "off"
    assert (is_seen(hass, cut_out), is_seen(hass, reset)) == (True, False)
    # A second time above the high limit of 27 degC within a day.
    await report_temperature(watched, 26.0)
    await report_temperature(watched, 27.5)
    assert watched.state("cut_out_lockout").state == "on"
    assert (is_seen(hass, cut_out), is_seen(hass, reset)) == (True, True)


async def test_each_kind_of_watch_has_an_icon_of_its_own(hass: HomeAssistant, watched: Lab) -> None:
    titles = [watch.title for watch in watched.entry.runtime_data.watches.values()]
    icons = {
        card["icon"]
        for card in cards(await dashboard(hass))
        if card["type"] == "heading" and card["heading"] in titles
    }
    assert len(icons) == len(titles) == 5
    assert icons <= set(ICONS.values())
    # The water change, which wants two lines more, is not among those.
    assert set(ICONS) == set(WATCH_KINDS)
    assert len(set(ICONS.values())) == len(WATCH_KINDS)


@pytest.mark.parametrize(
    ("made", "title", "source"),
    [
        (watch(), "Nursery temperature", THERMOMETER),
        (salinity(), "Lagoon salinity", PROBE),
        (salinity(**BY_HAND), "Lagoon salinity", None),
    ],
    ids=["temperature", "probe", "by_hand"],
)
async def test_what_is_watched_is_shown_before_what_is_made_of_it(
    hass: HomeAssistant, lab: Lab, made: dict[str, Any], title: str, source: str | None
) -> None:
    hass.states.async_set(THERMOMETER, "25.0", {"unit_of_measurement": "°C"})
    hass.states.async_set(PROBE, "53.0", {"unit_of_measurement": "mS/cm"})
    await lab.set_up(made)
    shown = section(await dashboard(hass), title)
    # Above it stand alarms, while they are on.
    first, *_ = [card for card in shown if not is_shown_while_on(card)]
    if source is None:
        assert er.async_get(hass).async_get(first["entity"]).platform == DOMAIN
        assert "visibility" not in first
    else:
        assert first["entity"] == source
        # A source that is not there would show a fault of the page's own.
        (condition,) = first["visibility"]
        assert condition["entity"] == source
        assert condition["state_not"] == "unavailable"


def is_shown_while_on(card: dict[str, Any]) -> bool:
    """Whether a card is there only while its entity is on."""
    return any(one.get("state") == "on" for one in card.get("visibility", ()))


async def test_a_water_change_has_its_volume_above_begin_and_its_early_end_in_today(
    hass: HomeAssistant, lab: Lab
) -> None:
    booleans = {"lagoon_valve": None, "lagoon_drain": None, "lagoon_refill": None}
    assert await async_setup_component(hass, "input_boolean", {"input_boolean": booleans})
    hass.states.async_set(PUMP, "on")
    hass.states.async_set(VAT_PSU, "34.0", {"unit_of_measurement": "PSU"})
    await lab.set_up(
        sump(return_pump=PUMP, high_m=0.3),
        vat(salinity_source=VAT_PSU),
        drain_line(),
        refill_line(),
        change(),
    )
    made = await dashboard(hass)
    shown = section(made, "Lagoon water change")
    entities = [card["entity"] for card in shown]
    volume = entities.index(lab.entity_id("volume_to_change"))
    assert entities[volume + 1] == lab.entity_id("begin_water_change")
    assert shown[volume]["features"] == [{"type": "numeric-input", "style": "buttons"}]
    # It ended early for any of the reasons there are.
    why = lab.entity_id("water_change_stop")
    (condition,) = tile(section(made, "Today"), why)["visibility"]
    options = hass.states.get(why).attributes["options"]
    assert condition["entity"] == why
    assert {*condition["state"], "none"} == set(options)
    assert "none" not in condition["state"]
    # What the vat's batch wants is in the vat's own section, and in no other vessel's.
    batch = {lab.entity_id(key) for key in ("salt_to_add", "fresh_water_to_add")}
    assert batch <= {card.get("entity") for card in section(made, "Lagoon vat")}
    assert not batch & {card.get("entity") for card in section(made, "Lagoon sump")}


async def test_a_signal_that_is_not_good_is_told_in_today(hass: HomeAssistant, shown: Lab) -> None:
    today = section(await dashboard(hass), "Today")
    signal, reason = (tile(today, shown.entity_id(key)) for key in ("signal", "signal_reason"))
    assert shown.state("signal").state == "good"
    assert (is_seen(hass, signal), is_seen(hass, reason)) == (False, False)
    await shown.level("unavailable")
    await shown.wait(30.0)
    assert shown.state("signal").state == "failure"
    assert (is_seen(hass, signal), is_seen(hass, reason)) == (True, True)
    # Every other word of NAMUR NE 107 (2017) counts as well.
    (condition,) = signal["visibility"]
    assert {*condition["state"], "good"} == set(shown.state("signal").attributes["options"])
    assert "good" not in condition["state"]


async def test_a_proof_test_is_told_while_it_is_overdue(hass: HomeAssistant, shown: Lab) -> None:
    made = await dashboard(hass)
    (today,) = texts_of(section(made, "Today"))
    tests = section(made, "Proof tests")
    (marked,) = texts_of(tests)
    due = next(card for card in tests if card.get("entity", "").startswith("sensor."))
    assert tests.index(marked) == tests.index(due) - 1
    assert (told(hass, today), told(hass, marked)) == ("", "")
    shown.freezer.tick(91 * 86400.0)
    assert "Proof test overdue: Lagoon reservoir fill line, lagoon float<" in told(hass, today)
    assert "Proof test overdue: lagoon float<" in told(hass, marked)
    (passed,) = [card["entity"] for card in tests if card.get("entity", "").startswith("button.")]
    await hass.services.async_call("button", "press", {"entity_id": passed}, blocking=True)
    await hass.async_block_till_done()
    assert (told(hass, today), told(hass, marked)) == ("", "")
    # A date that nobody knows is not over.
    hass.states.async_set(due["entity"], "unavailable")
    assert (told(hass, today), told(hass, marked)) == ("", "")


async def test_without_its_date_a_proof_test_says_nothing(hass: HomeAssistant, shown: Lab) -> None:
    tests = section(await dashboard(hass), "Proof tests")
    due = next(card["entity"] for card in tests if card.get("entity", "").startswith("sensor."))
    er.async_get(hass).async_update_entity(due, disabled_by=er.RegistryEntryDisabler.USER)
    made = await dashboard(hass)
    assert texts_of(section(made, "Today")) == texts_of(section(made, "Proof tests")) == []


@pytest.mark.parametrize("language", ["de", "en", "es", "fr", "nl"])
async def test_what_cannot_run_is_named_until_it_is_mended(
    hass: HomeAssistant, lab: Lab, language: str
) -> None:
    hass.config.language = language
    odd = {"title": '{{ 1 + 1 }} "<b>warm</b>" \\ Bäder'}
    await lab.set_up(watch(low_c=30.0) | odd, device=VALVE, full_m=9.0)
    today = (await dashboard(hass))["views"][0]["sections"][0]["cards"]
    vessel, line, warm = [told(hass, card) for card in texts_of(today)]
    assert "Lagoon reservoir" in vessel
    assert "Lagoon reservoir fill line" in line
    # As the keeper wrote it: no template, and no HTML.
    assert "{{ 1 + 1 }} &#34;&lt;b&gt;warm&lt;/b&gt;&#34; \\ Bäder" in warm
    assert all("](/config/repairs)" in text for text in (vessel, line, warm))
    await lab.change("reservoir", full_m=0.3)
    await lab.change("temperature_watch", low_c=24.5)
    today = (await dashboard(hass))["views"][0]["sections"][0]["cards"]
    assert texts_of(today) == []


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
    lockout = shown.entity_id("lockout")
    # At the top, where the lockout is told, and at the line.
    for title in ("Today", "Lagoon reservoir fill line"):
        found = tile(section(made, title), reset)
        assert found["visibility"] == [{"condition": "state", "entity": lockout, "state": "on"}]
        tap = found["tap_action"]
        assert (tap["perform_action"], tap["target"]) == ("button.press", {"entity_id": reset})
        assert tap["confirmation"]["text"] == "Have you looked on site, and is the cause gone?"


@pytest.mark.parametrize(
    ("reason", "step"),
    [
        ("stuck_on", "Shut the supply by hand"),
        ("flow_while_off", "Shut the supply by hand"),
        ("leak", "dry up"),
        ("high_input", "dry up"),
        ("no_rise", "find the cause first"),
        ("stored_state_damaged", "find the cause first"),
    ],
)
async def test_a_lockout_says_in_today_what_to_do_now(
    hass: HomeAssistant, shown: Lab, reason: str, step: str
) -> None:
    """What to do is that of the README's table of what happens."""
    today = section(await dashboard(hass), "Today")
    assert next_steps(hass, today) == []
    hass.states.async_set(shown.entity_id("lockout"), "on")
    assert reason in shown.state("lockout_reason").attributes["options"]
    hass.states.async_set(shown.entity_id("lockout_reason"), reason)
    (said,) = next_steps(hass, today)
    assert step in said


async def test_a_lost_signal_says_in_today_what_to_do_now(hass: HomeAssistant, shown: Lab) -> None:
    today = section(await dashboard(hass), "Today")
    await shown.level("unavailable")
    await shown.wait(30.0)
    (said,) = next_steps(hass, today)
    assert "Check the sensor, its plug and its cable" in said
    hass.states.async_set(shown.entity_id("signal_reason"), "zero_not_empty")
    (said,) = next_steps(hass, today)
    assert "unplugged" in said
    # A check that is over by itself wants no hand.
    hass.states.async_set(shown.entity_id("signal"), "function_check")
    assert next_steps(hass, today) == []


async def test_today_says_when_a_refill_will_be_done(hass: HomeAssistant, shown: Lab) -> None:
    today = section(await dashboard(hass), "Today")
    filling = tile(today, shown.entity_id("full_at"))
    assert not is_seen(hass, filling)
    hass.states.async_set(shown.entity_id("filling"), "on")
    assert is_seen(hass, filling)


async def test_a_reason_shows_only_while_there_is_one(hass: HomeAssistant, shown: Lab) -> None:
    reason = shown.entity_id("signal_reason")
    found = tile(section(await dashboard(hass), "Lagoon reservoir"), reason)
    # The state as it is before it is translated.
    assert hass.states.get(reason).state == "none"
    assert found["visibility"] == [{"condition": "state", "entity": reason, "state_not": "none"}]


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
