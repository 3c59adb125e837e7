"""What a system that goes leaves behind: one file with all it learned, nothing that comes later.

One that is removed leaves neither files nor notices.
"""

from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.config_entries import ConfigEntries, ConfigEntryState
from homeassistant.const import EVENT_HOMEASSISTANT_FINAL_WRITE
from homeassistant.core import CoreState
from homeassistant.helpers import issue_registry as ir

from .lab import SOURCE, VALVE, Lab
from .test_memory import _stored, is_told, put, set_up_again
from .test_water_change import Plant, _drain_24_l, _remove, plant  # noqa: F401 - a fixture

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

FOUR_H_S = 4 * 3600.0
"""Longer than what was learned waits to be saved."""


@pytest.fixture
def hass_storage() -> dict[str, Any]:
    """Let stores write real files into the test's own folder; the plug-in would mock them."""
    return {}


async def _unload_while_told(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    """Unload; a level comes in after what was learned was saved, before all is."""
    system = lab.entry.runtime_data
    save = system.async_save_safety

    async def told_meanwhile() -> bool:
        lab.hass.states.async_set(SOURCE, "20.31", {"unit_of_measurement": "cm"})
        is_saved: bool = await save()
        return is_saved

    monkeypatch.setattr(system, "async_save_safety", told_meanwhile)
    assert await lab.hass.config_entries.async_unload(lab.entry.entry_id)
    await lab.hass.async_block_till_done()


async def test_a_report_during_the_unload_is_not_written_over_what_comes_after(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    await lab.set_up(device=VALVE)
    await lab.settle()
    await _unload_while_told(lab, monkeypatch)
    assert await _stored(lab)
    await lab.wait(FOUR_H_S)
    assert not await _stored(lab)


async def test_a_report_during_the_unload_brings_no_removed_file_back(
    hass: HomeAssistant, lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    await lab.set_up(device=VALVE)
    await lab.settle()
    await _unload_while_told(lab, monkeypatch)
    assert await hass.config_entries.async_remove(lab.entry.entry_id)
    await hass.async_block_till_done()
    hass.set_state(CoreState.final_write)
    hass.bus.async_fire(EVENT_HOMEASSISTANT_FINAL_WRITE)
    await hass.async_block_till_done()
    assert not await _stored(lab)


async def _refuse(self: ConfigEntries, *_args: Any) -> bool:
    """Unload no platform."""
    return False


async def _fail() -> bool:
    raise RuntimeError("a defect while the last is saved")


@pytest.mark.parametrize("is_refused", [True, False])
async def test_a_system_that_could_not_be_unloaded_goes_on_saving(
    hass: HomeAssistant, lab: Lab, monkeypatch: pytest.MonkeyPatch, *, is_refused: bool
) -> None:
    """It lives on: a platform would not go, or the unload itself failed."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    with monkeypatch.context() as patched:
        if is_refused:
            patched.setattr(ConfigEntries, "async_unload_platforms", _refuse)
        else:
            patched.setattr(lab.entry.runtime_data, "async_save_safety", _fail)
        assert not await hass.config_entries.async_unload(lab.entry.entry_id)
    assert lab.entry.state is ConfigEntryState.FAILED_UNLOAD
    await _stored(lab)
    await lab.level(19.9)
    await lab.wait(FOUR_H_S)
    assert await _stored(lab)
    # The hub unloads no more what failed once; the test must end with nothing alive.
    lab.entry.mock_state(hass, ConfigEntryState.LOADED)
    assert await hass.config_entries.async_unload(lab.entry.entry_id)


def _told(hass: HomeAssistant) -> set[str]:
    """Return the notices of this integration."""
    issues = ir.async_get(hass).issues.values()
    return {one.issue_id for one in issues if one.domain == DOMAIN}


async def test_a_system_that_is_removed_takes_its_notices_with_it(
    hass: HomeAssistant, lab: Lab
) -> None:
    """Of a damaged file, of settings that are no use; those of another system stay."""
    await set_up_again(lab, "learned", "{")
    await lab.change("fill_line", longest_run_s=-1.0)
    invalid = "line_settings_invalid_lagoon_reservoir_fill_line"
    assert is_told(lab, "learned")
    assert invalid in _told(hass)
    other = Lab(hass, lab.freezer)
    await other.set_up(title="Nursery reservoir", start_m=0.5)
    others = {"vessel_settings_invalid_nursery_reservoir"}
    assert others <= _told(hass)
    assert await hass.config_entries.async_remove(lab.entry.entry_id)
    await hass.async_block_till_done()
    told = _told(hass)
    assert not is_told(lab, "learned")
    assert invalid not in told
    assert others <= told


@pytest.mark.parametrize("is_file_whole", [True, False])
async def test_a_system_that_is_removed_takes_the_notice_of_a_change_that_went_before(
    plant: Plant,  # noqa: F811 - the fixture
    *,
    is_file_whole: bool,
) -> None:
    """Only what is stored still names it; where that is no use, the removal goes on."""
    await _drain_24_l(plant)
    await _remove(plant)
    assert plant.issue is not None
    hass, entry_id = plant.hass, plant.lab.entry.entry_id
    assert await hass.config_entries.async_unload(entry_id)
    if not is_file_whole:
        await hass.async_add_executor_job(put, hass, entry_id, "safety", '{"data": 3}')
    assert await hass.config_entries.async_remove(entry_id)
    await hass.async_block_till_done()
    assert (plant.issue is None) is is_file_whole
    assert not [one for one in _told(hass) if entry_id in one]
