"""Stores: truncated and foreign files are kept aside, told, and never trusted."""

import json
from pathlib import Path
from typing import Any

import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.core import HomeAssistant
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers import storage
from homeassistant.util.file import WriteError, write_utf8_file_atomic

from .lab import LEAK, VALVE, Lab
from .test_temperature_watch import SOURCE as THERMOMETER
from .test_temperature_watch import watch as temperature_watch

FOREIGN: list[Any] = [
    [],
    {"vessels": 3},
    {"vessels": {"lagoon_reservoir": "text"}},
    {"other": {}},
]


@pytest.fixture
def hass_storage() -> dict[str, Any]:
    """Let stores write real files into the test's own folder; the plug-in would mock them."""
    return {}


def put(hass: HomeAssistant, entry_id: str, name: str, text: str) -> Path:
    """Write a store's file."""
    path = Path(hass.config.path(".storage", f"{DOMAIN}.{entry_id}.{name}"))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


async def set_up_again(lab: Lab, name: str, text: str) -> Path:
    """Set up, stop, damage a file, start."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    hass = lab.hass
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    path = await hass.async_add_executor_job(put, hass, lab.entry.entry_id, name, text)
    assert await hass.config_entries.async_setup(lab.entry.entry_id)
    await hass.async_block_till_done()
    return path


TOLD_AS = {"learned": "store_damaged", "safety": "safety_store_damaged"}
"""The first says that no line is locked out by it, the other that every line is."""


def is_told(lab: Lab, name: str) -> bool:
    """Whether the keeper was told that a file was damaged, of which system and of what kind."""
    issue_id = f"store_damaged_{DOMAIN}.{lab.entry.entry_id}.{name}"
    issue = ir.async_get(lab.hass).async_get_issue(DOMAIN, issue_id)
    if issue is None:
        return False
    said = dict(issue.translation_placeholders or {})
    assert said.pop("kept_as")
    key = f"{DOMAIN}.{lab.entry.entry_id}.{name}"
    assert said == {"system": lab.entry.title, "file": key}
    assert issue.translation_key == TOLD_AS[name]
    return True


@pytest.mark.parametrize("name", ["learned", "safety"])
async def test_a_truncated_file_is_kept_aside(lab: Lab, name: str) -> None:
    path = await set_up_again(lab, name, '{"version": 1, "data": {"vess')
    assert is_told(lab, name)
    kept = [other for other in path.parent.iterdir() if other.name.startswith(f"{path.name}.")]
    assert [other.read_text() for other in kept] == ['{"version": 1, "data": {"vess']
    await lab.settle()
    assert lab.state("volume").state != "unavailable"


@pytest.mark.parametrize("data", FOREIGN)
async def test_a_foreign_file_is_kept_aside(lab: Lab, data: Any) -> None:
    text = json.dumps({"version": 1, "minor_version": 1, "key": "x", "data": data})
    path = await set_up_again(lab, "learned", text)
    assert is_told(lab, "learned")
    assert path.with_name(f"{path.name}.damaged").read_text() == text


async def test_a_file_of_a_newer_version_is_kept_aside(lab: Lab) -> None:
    text = json.dumps({"version": 9, "minor_version": 1, "key": "x", "data": {"vessels": {}}})
    path = await set_up_again(lab, "learned", text)
    assert is_told(lab, "learned")
    assert path.with_name(f"{path.name}.damaged").read_text() == text


async def test_damaged_safety_state_means_locked_out(lab: Lab) -> None:
    """What cannot be read may have been a lockout."""
    await set_up_again(lab, "safety", "{")
    assert lab.is_locked_out
    assert lab.state("lockout_reason").state == "stored_state_damaged"


async def test_nonsense_in_one_vessel_is_started_anew(lab: Lab) -> None:
    data = {"vessels": {"lagoon_reservoir": {"model": {"version": 77}, "learned_from": None}}}
    await set_up_again(
        lab, "learned", json.dumps({"version": 1, "minor_version": 1, "key": "x", "data": data})
    )
    assert is_told(lab, "learned")
    await lab.settle()
    assert lab.value("volume") == pytest.approx(18.0, abs=0.1)


async def test_nonsense_about_the_guard_means_locked_out(lab: Lab) -> None:
    data = {"vessels": {"lagoon_reservoir_fill_line": {"guard": {"version": 77}}}}
    await set_up_again(
        lab, "safety", json.dumps({"version": 1, "minor_version": 1, "key": "x", "data": data})
    )
    assert lab.is_locked_out


async def test_removing_the_system_removes_its_files(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device=VALVE)
    await lab.settle()
    entry_id = lab.entry.entry_id
    assert await hass.config_entries.async_unload(entry_id)
    folder = Path(hass.config.path(".storage"))

    def ours() -> list[str]:
        return [path.name for path in folder.iterdir() if entry_id in path.name]

    assert len(await hass.async_add_executor_job(ours)) == 2
    await hass.config_entries.async_remove(entry_id)
    await hass.async_block_till_done()
    assert await hass.async_add_executor_job(ours) == []


async def test_settings_that_cannot_be_used_are_told(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(start_m=0.5)
    issue = ir.async_get(hass).async_get_issue(DOMAIN, "vessel_settings_invalid_lagoon_reservoir")
    assert issue.translation_placeholders["vessel"] == "Lagoon reservoir"
    assert not lab.entry.runtime_data.vessels


async def test_a_lockout_outlives_settings_that_cannot_be_used(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up(device=VALVE)
    await lab.settle()
    await lab.line.async_lock_out("hose off")
    subentry = next(iter(lab.entry.subentries.values()))
    good = dict(subentry.data)
    for data in (good | {"start_m": 0.5}, good):
        subentry = next(iter(lab.entry.subentries.values()))
        hass.config_entries.async_update_subentry(lab.entry, subentry, data=data)
        await hass.async_block_till_done()
    assert lab.is_locked_out
    assert lab.value("total_used") >= 0


async def _stored(lab: Lab) -> bool:
    """Whether the file of what was learned has been written anew since it was last taken away."""
    path = Path(lab.hass.config.path(".storage", f"{DOMAIN}.{lab.entry.entry_id}.learned"))

    def take_away() -> bool:
        is_there = path.exists()
        path.unlink(missing_ok=True)
        return is_there

    return await lab.hass.async_add_executor_job(take_away)


async def test_what_was_learned_is_saved_every_three_hours_and_no_more_often(lab: Lab) -> None:
    """A card wears out by writing; a power cut may cost three hours of learning."""
    await lab.set_up()
    await lab.settle()
    await lab.wait(120)
    await _stored(lab)
    written = 0
    for _ in range(24 * 4):
        await lab.wait(900)
        await lab.level(20.0)
        written += await _stored(lab)
    # 24 h: every three hours at least; a sixth sooner and a report's time at most
    assert 8 <= written <= 9


async def test_what_a_person_said_is_saved_within_a_minute(lab: Lab) -> None:
    await lab.set_up()
    await lab.settle()
    await lab.wait(120)
    await _stored(lab)
    await lab.wait(61)
    assert not await _stored(lab)
    lab.runtime.async_accept_use()
    await lab.wait(61)
    assert await _stored(lab)


# A disk that takes nothing for a while


class Disk:
    """Where the hub's stores write; while `fault` is set it takes no file of lockouts."""

    def __init__(self) -> None:
        self.fault: type[Exception] | None = None
        self.tries = 0

    def write(self, path: str, *args: Any, **more: Any) -> None:
        if path.endswith(".safety"):
            self.tries += 1
            if self.fault is not None:
                raise self.fault("the disk takes nothing")
        write_utf8_file_atomic(path, *args, **more)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    """Put a disk below the stores that can be made to fail."""
    disk = Disk()
    monkeypatch.setattr(storage, "write_utf8_file_atomic", disk.write)
    return disk


FAULTS = [WriteError, PermissionError]
"""The hub's own words for a full disk, and a folder that it may not make."""


async def _on_the_disk(lab: Lab) -> dict[str, Any]:
    """Return what a power cut would leave of what safety depends on."""
    path = Path(lab.hass.config.path(".storage", f"{DOMAIN}.{lab.entry.entry_id}.safety"))
    text = await lab.hass.async_add_executor_job(path.read_text, "utf-8")
    found: dict[str, Any] = json.loads(text)["data"]["vessels"]
    return found


async def _trip(lab: Lab) -> dict[str, Any]:
    """Let a leak that dries up lock the line out at rest; return what the disk holds of it."""
    lab.hass.states.async_set(LEAK, "on")
    await lab.hass.async_block_till_done()
    lab.hass.states.async_set(LEAK, "off")
    await lab.hass.async_block_till_done()
    assert lab.is_locked_out
    stored: dict[str, Any] = (await _on_the_disk(lab))["lagoon_reservoir_fill_line"]["guard"]
    return stored


async def _with_a_leak_contact(lab: Lab) -> None:
    lab.hass.states.async_set(LEAK, "off")
    await lab.set_up(device=VALVE, leak_inputs=[LEAK])
    await lab.settle()
    await lab.entry.runtime_data.async_save_safety()


def _is_told_unsaved(lab: Lab) -> bool:
    issue_id = f"safety_not_saved_{lab.entry.entry_id}"
    issue = ir.async_get(lab.hass).async_get_issue(DOMAIN, issue_id)
    if issue is None:
        return False
    assert issue.severity is ir.IssueSeverity.ERROR
    file = f"{DOMAIN}.{lab.entry.entry_id}.safety"
    assert issue.translation_placeholders == {"system": "Lagoon", "file": file}
    return True


@pytest.mark.parametrize("fault", FAULTS)
async def test_a_lockout_the_disk_would_not_take_is_told_and_saved_within_half_a_minute(
    lab: Lab, disk: Disk, fault: type[Exception]
) -> None:
    """At rest nobody else saves: a power cut an hour later would bring the line up unlatched."""
    await _with_a_leak_contact(lab)
    disk.fault = fault
    assert (await _trip(lab))["trip"] is None
    assert _is_told_unsaved(lab)
    await lab.wait(31)
    assert _is_told_unsaved(lab)
    disk.fault = None
    await lab.wait(31)
    stored = (await _on_the_disk(lab))["lagoon_reservoir_fill_line"]["guard"]
    assert stored["trip"]["reason"] == "leak"
    assert not _is_told_unsaved(lab)
    tries = disk.tries
    for _ in range(10):
        await lab.wait(31)
    assert disk.tries == tries


async def test_a_cut_out_the_disk_would_not_take_is_saved_later(lab: Lab, disk: Disk) -> None:
    """Too warm at a disk that is full; it is the watch's own save that fails, with no line near."""
    unit = {"unit_of_measurement": "°C"}
    lab.hass.states.async_set(THERMOMETER, "26.0", unit)
    await lab.set_up(temperature_watch())
    disk.fault = FAULTS[0]
    for _ in range(7):
        await lab.wait(60)
        lab.hass.states.async_set(THERMOMETER, "27.2", unit, force_update=True)
        await lab.hass.async_block_till_done()
    assert lab.state("cut_out").state == "on"
    assert _is_told_unsaved(lab)
    disk.fault = None
    await lab.wait(31)
    assert (await _on_the_disk(lab))["nursery_temperature"]["is_off"] is True
    assert not _is_told_unsaved(lab)


async def test_a_lockout_the_disk_would_not_take_outlives_a_reload(lab: Lab, disk: Disk) -> None:
    await _with_a_leak_contact(lab)
    disk.fault = FAULTS[0]
    await _trip(lab)
    await lab.reload()
    assert lab.is_locked_out
    assert lab.state("lockout_reason").state == "leak"
    assert _is_told_unsaved(lab)
    disk.fault = None
    await lab.wait(31)
    stored = (await _on_the_disk(lab))["lagoon_reservoir_fill_line"]["guard"]
    assert stored["trip"]["reason"] == "leak"
    assert not _is_told_unsaved(lab)


async def test_a_system_that_is_removed_is_not_told_to_be_unsaved(lab: Lab, disk: Disk) -> None:
    await _with_a_leak_contact(lab)
    disk.fault = FAULTS[0]
    await _trip(lab)
    assert _is_told_unsaved(lab)
    assert await lab.hass.config_entries.async_remove(lab.entry.entry_id)
    await lab.hass.async_block_till_done()
    assert not _is_told_unsaved(lab)
