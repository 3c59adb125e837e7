"""What a system that goes leaves behind: one file with all it learned, nothing that comes later."""

from typing import TYPE_CHECKING, Any

import pytest
from homeassistant.config_entries import ConfigEntries, ConfigEntryState
from homeassistant.const import EVENT_HOMEASSISTANT_FINAL_WRITE
from homeassistant.core import CoreState

from .lab import SOURCE, VALVE, Lab
from .test_memory import _stored

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
