"""A reservoir of the first minor version, with fill settings of its own, becomes two things."""

import json
from pathlib import Path
from typing import Any

import pytest
from custom_components.stillwell.const import CONFIG_MINOR_VERSION, DOMAIN
from custom_components.stillwell.engine.guard_events import TripReason
from custom_components.stillwell.engine.guard_state import GuardState, Trip
from homeassistant.config_entries import ConfigEntryState
from homeassistant.core import HomeAssistant
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import MockConfigEntry

from .conftest import reservoir
from .lab import FLOAT, LEAK, VALVE, Lab

KEYS = {
    "binary_sensor": ("lockout", "permit"),
    "sensor": ("guard_state", "lockout_reason", "block_reason"),
    "button": ("reset",),
}
OLD = {
    "fill_device": VALVE,
    "longest_run_s": 5400.0,
    "high_inputs": [FLOAT],
    "leak_inputs": [LEAK],
}


@pytest.fixture
def hass_storage() -> dict[str, Any]:
    """Let stores write real files into the test's own folder; the plug-in would mock them."""
    return {}


@pytest.fixture
def first_version(hass: HomeAssistant, lab: Lab) -> MockConfigEntry:
    """An entry as release 0.1 stored it, not set up yet."""
    mix = reservoir("Lagoon mix", source="sensor.mix_level", longest_run_s=7200.0)
    lab.entry = MockConfigEntry(
        domain=DOMAIN,
        title="Lagoon",
        version=1,
        minor_version=1,
        data={"volume_l": 450.0, "salinity_psu": 35.0},
        subentries_data=[reservoir(**OLD), mix],
    )
    lab.entry.add_to_hass(hass)
    hass.states.async_set(FLOAT, "off")
    hass.states.async_set(LEAK, "off")
    return lab.entry


def path_of(hass: HomeAssistant, entry: MockConfigEntry) -> Path:
    return Path(hass.config.path(".storage", f"{DOMAIN}.{entry.entry_id}.safety"))


def store_lockout(hass: HomeAssistant, entry: MockConfigEntry) -> None:
    """Write what release 0.1 kept of a lockout."""
    state = GuardState(trip=Trip(TripReason.EXTERNAL, 1_000.0, "hose off"))
    log = [{"time": "2026-03-10T08:00:00+00:00", "decision": "locked_out", "reason": "external"}]
    data = {"vessels": {"lagoon_reservoir": {"guard": state.to_dict(), "decisions": log}}}
    path = path_of(hass, entry)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps({"version": 1, "minor_version": 1, "key": "x", "data": data}))


async def set_up(hass: HomeAssistant, entry: MockConfigEntry) -> None:
    boolean = {"input_boolean": {"lagoon_valve": None}}
    assert await async_setup_component(hass, "input_boolean", boolean)
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)


async def test_fill_settings_become_a_line(
    hass: HomeAssistant, first_version: MockConfigEntry
) -> None:
    await set_up(hass, first_version)
    assert first_version.state is ConfigEntryState.LOADED
    assert first_version.minor_version == CONFIG_MINOR_VERSION
    vessel, mix, line = first_version.subentries.values()
    for subentry in (vessel, mix):
        assert subentry.subentry_type == "reservoir"
        assert not OLD.keys() & subentry.data.keys()
    assert line.subentry_type == "fill_line"
    assert line.title == "Lagoon reservoir fill line"
    assert dict(line.data) == {
        "destination": "lagoon_reservoir",
        "device": VALVE,
        "longest_run_s": 5400.0,
        "high_inputs": [FLOAT],
        "leak_inputs": [LEAK],
    }
    assert not first_version.runtime_data.vessels["lagoon_mix"].lines


async def test_entities_keep_their_ids_and_a_lockout_stays(
    hass: HomeAssistant, first_version: MockConfigEntry, lab: Lab
) -> None:
    registry = er.async_get(hass)
    before = {
        key: registry.async_get_or_create(
            platform,
            DOMAIN,
            f"lagoon_reservoir_{key}",
            suggested_object_id=f"my_own_{key}",
            config_entry=first_version,
            config_subentry_id="lagoon_reservoir",
        )
        for platform, keys in KEYS.items()
        for key in keys
    }
    await hass.async_add_executor_job(store_lockout, hass, first_version)
    await set_up(hass, first_version)
    (line,) = first_version.get_subentries_of_type("fill_line")
    for key, was in before.items():
        now = registry.async_get(was.entity_id)
        # The registry's own id is what history and automations by device go by.
        assert now.id == was.id
        assert now.unique_id == f"{line.subentry_id}_{key}"
        assert now.config_subentry_id == line.subentry_id
        assert hass.states.get(was.entity_id).state != "unavailable"
    assert hass.states.get("binary_sensor.my_own_lockout").state == "on"
    assert hass.states.get("binary_sensor.my_own_lockout").attributes["reason_text"] == "hose off"
    assert lab.line.decisions[0]["reason"] == "external"
    assert not await hass.async_add_executor_job(_kept_for_the_vessel, hass, first_version)


def _kept_for_the_vessel(hass: HomeAssistant, entry: MockConfigEntry) -> bool:
    stored = json.loads(path_of(hass, entry).read_text())["data"]["vessels"]
    return "lagoon_reservoir" in stored


async def test_a_power_cut_in_the_middle_repeats_it_to_the_same_end(
    hass: HomeAssistant, first_version: MockConfigEntry, lab: Lab
) -> None:
    """The guard's memory was moved, the entry's own file was not written any more."""
    await hass.async_add_executor_job(store_lockout, hass, first_version)
    await set_up(hass, first_version)
    (line,) = first_version.get_subentries_of_type("fill_line")
    assert await hass.config_entries.async_unload(first_version.entry_id)
    again = MockConfigEntry(
        domain=DOMAIN,
        title="Lagoon",
        version=1,
        minor_version=1,
        entry_id=first_version.entry_id,
        data=dict(first_version.data),
        subentries_data=[reservoir(**OLD)],
    )
    hass.config_entries._entries.pop(first_version.entry_id)
    again.add_to_hass(hass)
    await set_up(hass, again)
    lab.entry = again
    assert [line.subentry_id] == list(again.runtime_data.lines)
    assert lab.is_locked_out
    assert lab.state("lockout").attributes["reason_text"] == "hose off"


async def test_a_damaged_file_means_locked_out_after_it_too(
    hass: HomeAssistant, first_version: MockConfigEntry, lab: Lab
) -> None:
    path = path_of(hass, first_version)
    path.parent.mkdir(parents=True, exist_ok=True)
    await hass.async_add_executor_job(path.write_text, "{")
    await set_up(hass, first_version)
    assert lab.is_locked_out
    assert lab.state("lockout_reason").state == "stored_state_damaged"


async def test_a_line_that_was_made_is_not_made_twice(
    hass: HomeAssistant, first_version: MockConfigEntry
) -> None:
    await set_up(hass, first_version)
    before = dict(first_version.subentries)
    assert await hass.config_entries.async_reload(first_version.entry_id)
    await hass.async_block_till_done()
    assert dict(first_version.subentries) == before
