"""What every release left on the disk is read by this one: entry, learned state, safety state.

Each file in ``stored`` was written by the code that had this version of the entry: a box of 30 cm
by 30 cm was set up on 10 March 2026 at 08:00 UTC, its level fell from 25 cm in 71 steps of 0.02 cm,
one each 5 minutes, and its fill line was then locked out by hand. It holds the entry as the hub
stores it, and the files of the hub's storage folder. None is ever changed again.
"""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import CONFIG_MINOR_VERSION, CONFIG_VERSION, DOMAIN
from homeassistant.config_entries import ConfigEntryState
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import MockConfigEntry

from .lab import FLOAT, LEAK, SQUARE_L_PER_CM, VALVE, Lab

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant
    from homeassistant.helpers.issue_registry import IssueRegistry

STORED = {path.stem: path for path in (Path(__file__).parent / "stored").glob("*.json")}
ENDED_CM = 25.0 - 71 * 0.02
USED_L = 71 * 0.02 * SQUARE_L_PER_CM


@pytest.fixture
def hass_storage() -> dict[str, Any]:
    """Let stores write real files into the test's own folder; the plug-in would mock them."""
    return {}


def _entry(stored: dict[str, Any], **changes: Any) -> MockConfigEntry:
    kept = stored["entry"] | changes
    return MockConfigEntry(
        domain=DOMAIN, subentries_data=kept.pop("subentries"), **kept, unique_id=None
    )


def _put(hass: HomeAssistant, stored: dict[str, Any]) -> None:
    folder = Path(hass.config.path(".storage"))
    folder.mkdir(exist_ok=True)
    for store in stored["stores"].values():
        (folder / store["key"]).write_text(json.dumps(store))


async def _begin(lab: Lab, name: str, **changes: Any) -> dict[str, Any]:
    """Put the files where they were, and start the hub ten minutes after it was stopped."""
    hass = lab.hass
    stored = json.loads(await hass.async_add_executor_job(STORED[name].read_text))
    await hass.async_add_executor_job(_put, hass, stored)
    lab.freezer.move_to("2026-03-10T14:10:00+00:00")
    hass.states.async_set(FLOAT, "off")
    hass.states.async_set(LEAK, "off")
    boolean = {"input_boolean": {"lagoon_valve": None}}
    assert await async_setup_component(hass, "input_boolean", boolean)
    lab.entry = _entry(stored, **changes)
    lab.entry.add_to_hass(hass)
    await hass.config_entries.async_setup(lab.entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    return stored


def test_every_version_of_the_entry_has_its_files() -> None:
    """Who makes a new version adds what the code of that version stores."""
    assert CONFIG_VERSION == 1
    assert sorted(STORED) == [f"1.{minor}" for minor in range(1, CONFIG_MINOR_VERSION + 1)]


@pytest.mark.parametrize("name", sorted(STORED))
async def test_what_was_stored_goes_on(lab: Lab, name: str, issue_registry: IssueRegistry) -> None:
    await _begin(lab, name)
    assert lab.entry.state is ConfigEntryState.LOADED
    assert (lab.entry.version, lab.entry.minor_version) == (CONFIG_VERSION, CONFIG_MINOR_VERSION)
    damaged = [key for _, key in issue_registry.issues if key.startswith("store_damaged")]
    assert damaged == []
    # The lockout is there before any reading, with what was said of it.
    assert lab.is_locked_out
    assert lab.state("lockout").attributes["reason_text"] == "hose off"
    assert lab.state("lockout_reason").state == "external"
    assert [entry["decision"] for entry in lab.line.decisions] == ["locked_out"]
    settings = lab.line.settings
    assert (settings.device, settings.longest_run_s) == (VALVE, 5400.0)
    assert (settings.high_inputs, settings.leak_inputs) == ((FLOAT,), (LEAK,))
    # The level stands where it stood: what was learned goes on, and nothing counts twice.
    await lab.settle(ENDED_CM)
    assert lab.value("volume") == pytest.approx(ENDED_CM * SQUARE_L_PER_CM, abs=0.02)
    assert lab.value("total_used") == pytest.approx(USED_L, abs=0.02)
    # 0.018 L in 5 minutes are 5.18 L a day.
    assert lab.value("use_per_day") == pytest.approx(5.18, rel=0.05)


@pytest.mark.parametrize("name", sorted(STORED))
async def test_what_was_stored_is_stored_again(lab: Lab, name: str) -> None:
    """The second start finds what the first one saved."""
    await _begin(lab, name)
    await lab.settle(ENDED_CM)
    await lab.reload()
    assert lab.is_locked_out
    assert lab.state("lockout").attributes["reason_text"] == "hose off"
    await lab.settle(ENDED_CM)
    assert lab.value("total_used") == pytest.approx(USED_L, abs=0.02)


async def test_a_later_minor_version_is_used_as_it_is(lab: Lab) -> None:
    """After an update was taken back."""
    newest = f"1.{CONFIG_MINOR_VERSION}"
    await _begin(lab, newest, minor_version=CONFIG_MINOR_VERSION + 1)
    assert lab.entry.state is ConfigEntryState.LOADED
    assert lab.entry.minor_version == CONFIG_MINOR_VERSION + 1
    assert lab.is_locked_out


async def test_a_later_major_version_is_left_alone(lab: Lab) -> None:
    stored = await _begin(lab, f"1.{CONFIG_MINOR_VERSION}", version=CONFIG_VERSION + 1)
    assert lab.entry.state is ConfigEntryState.MIGRATION_ERROR

    def kept() -> dict[str, Any]:
        folder = Path(lab.hass.config.path(".storage"))
        return {
            name: json.loads((folder / store["key"]).read_text())
            for name, store in stored["stores"].items()
        }

    assert await lab.hass.async_add_executor_job(kept) == stored["stores"]
