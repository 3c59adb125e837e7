"""A damaged file of lockouts and a power cut soon after, or a folder that takes no other name.

What was locked out because of the damage stays so until a person resets it.
"""

import json
import os
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.coordinator import safety_store
from homeassistant.config_entries import ConfigEntryState

from . import test_memory
from .lab import VALVE, Lab
from .test_dosing import low
from .test_memory import is_told, put, set_up_again
from .test_water_change import Plant, _without_vat, plant  # noqa: F401 - a fixture

if TYPE_CHECKING:
    from pathlib import Path


LINE = "lagoon_reservoir_fill_line"
TRUNCATED = '{"version": 1, "data": {"vess'
FOREIGN = json.dumps({"version": 1, "minor_version": 1, "key": "x", "data": {"other": {}}})
DAMAGE = [TRUNCATED, FOREIGN]
"""The hub's own store puts the first aside, ours the other."""
REASON = "stored_state_damaged"


@pytest.fixture
def hass_storage() -> dict[str, Any]:
    """Let stores write real files into the test's own folder; the plug-in would mock them."""
    return {}


async def _unloaded(lab: Lab, text: str) -> Path:
    """Set up, stop, and damage the file of lockouts."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    return await _damaged(lab, text)


async def _damaged(lab: Lab, text: str) -> Path:
    hass = lab.hass
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    return await hass.async_add_executor_job(put, hass, lab.entry.entry_id, "safety", text)


async def _begin(lab: Lab) -> None:
    assert await lab.hass.config_entries.async_setup(lab.entry.entry_id)
    await lab.hass.async_block_till_done(wait_background_tasks=True)


@pytest.mark.parametrize("text", DAMAGE)
async def test_a_start_cut_short_after_it_read_the_damage_frees_nothing(
    lab: Lab, text: str
) -> None:
    """The first start only reads, and puts the file aside; then the power is gone."""
    path = await _unloaded(lab, text)
    assert await safety_store(lab.hass, lab.entry).async_load() == ({}, True)
    assert not await lab.hass.async_add_executor_job(path.exists)
    await _begin(lab)
    assert lab.is_locked_out
    assert lab.state("lockout_reason").state == REASON
    assert is_told(lab, "safety")


@pytest.mark.parametrize("text", DAMAGE)
async def test_lockouts_for_damage_are_on_the_disk_after_the_start(lab: Lab, text: str) -> None:
    await set_up_again(lab, "safety", text)
    stored = await test_memory._on_the_disk(lab)
    assert stored[LINE]["guard"]["trip"]["reason"] == REASON


async def test_a_day_without_doses_for_damage_is_on_the_disk_after_the_start(lab: Lab) -> None:
    """No line stands beside it, whose guard would save all as it wakes."""
    await low(lab, minutes=5)
    await _damaged(lab, TRUNCATED)
    await _begin(lab)
    stored = (await test_memory._on_the_disk(lab))["lagoon_limewater"]
    # `most_per_day_l` of the settings, as if all of it had been given.
    assert stored["line"]["adjuster"]["doses"][-1][1] == pytest.approx(4.0)


@pytest.mark.parametrize("text", DAMAGE)
async def test_what_a_person_reset_is_not_damaged_again(lab: Lab, text: str) -> None:
    """The damaged file still lies beside the new one."""
    path = await set_up_again(lab, "safety", text)
    await lab.settle()
    await lab.press("reset")
    assert not lab.is_locked_out
    await lab.reload()
    assert not lab.is_locked_out
    beside = [one for one in path.parent.iterdir() if one.name.startswith(f"{path.name}.")]
    assert [one.read_text() for one in beside] == [text]


async def test_a_line_that_could_not_run_then_is_locked_out_once_it_does(lab: Lab) -> None:
    await lab.set_up(device=VALVE)
    await lab.settle()
    await lab.change("fill_line", longest_run_s=-1.0)
    assert not lab.entry.runtime_data.lines
    await _damaged(lab, TRUNCATED)
    await _begin(lab)
    await lab.change("fill_line", longest_run_s=7200.0)
    assert lab.is_locked_out
    assert lab.state("lockout_reason").state == REASON


async def test_a_water_change_that_could_not_run_then_is_told_and_brings_no_fresh_water(
    plant: Plant,  # noqa: F811 - the fixture
) -> None:
    """As one that can run: nobody knows what was drained."""
    await _without_vat(plant)
    assert not plant.lab.entry.runtime_data.watches
    assert plant.issue is None
    await _damaged(plant.lab, TRUNCATED)
    await _begin(plant.lab)
    assert plant.issue is not None
    assert plant.line("top-off").watch.is_locked_out
    # Once told, and reset, that is the end of it.
    for line in plant.lab.entry.runtime_data.lines.values():
        await line.async_reset()
    await plant.lab.reload()
    assert not plant.line("top-off").watch.is_locked_out


@pytest.mark.parametrize("text", DAMAGE)
async def test_a_folder_that_takes_no_other_name_leaves_no_line_without_a_guard(
    lab: Lab, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    """Neither the hub nor we can put the file aside, nor write a new one in its place."""
    path = await _unloaded(lab, text)
    is_refused = True

    def refuse(name: str) -> None:
        true = getattr(os, name)

        def moved(source: Any, target: Any, **more: Any) -> None:
            if is_refused and ".safety" in f"{source}{target}":
                raise PermissionError(13, "Permission denied", str(source))
            true(source, target, **more)

        monkeypatch.setattr(os, name, moved)

    refuse("rename")
    refuse("replace")
    await _begin(lab)
    assert lab.entry.state is ConfigEntryState.LOADED
    assert lab.is_locked_out
    assert lab.state("lockout_reason").state == REASON
    assert is_told(lab, "safety")
    assert test_memory._is_told_unsaved(lab)
    assert await lab.hass.async_add_executor_job(path.read_text) == text
    is_refused = False
    await lab.wait(31)
    assert (await test_memory._on_the_disk(lab))[LINE]["guard"]["trip"]["reason"] == REASON
    assert not test_memory._is_told_unsaved(lab)
