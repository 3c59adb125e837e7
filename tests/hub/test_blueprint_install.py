"""The blueprints in the package, the keeper's folder, and what passes between them."""

import errno
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from custom_components.stillwell import blueprint_files
from custom_components.stillwell.blueprint_care import (
    ISSUE_ABSENT,
    ISSUE_OLDER,
    async_why_not_written,
)
from custom_components.stillwell.blueprint_files import SHIPPED
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.diagnostics import async_get_config_entry_diagnostics
from custom_components.stillwell.repairs import async_create_fix_flow
from homeassistant.components.automation.config import AUTOMATION_BLUEPRINT_SCHEMA
from homeassistant.components.blueprint.models import Blueprint
from homeassistant.components.repairs import ConfirmRepairFlow
from homeassistant.core import HomeAssistant
from homeassistant.exceptions import HomeAssistantError
from homeassistant.helpers import issue_registry as ir
from homeassistant.setup import async_setup_component
from homeassistant.util.yaml import parse_yaml
from pytest_homeassistant_custom_component.common import (
    MockConfigEntry,
    async_capture_events,
)

NAMES = sorted(path.name for path in SHIPPED.glob("*.yaml"))
REFILL = "stillwell_refill_vessel.yaml"
LEAK = "stillwell_shut_off_on_leak.yaml"
OLD = """blueprint:
  name: Old
  domain: automation
  description: Short. Version 1
  input: {level_entity: {}, valve: {}, lockout_entity: {}}
triggers: []
actions: []
"""
USE = {
    "path": f"stillwell/{REFILL}",
    "input": {
        "level_entity": "sensor.lagoon_level",
        "valve": "switch.lagoon_valve",
        "lockout_entity": "binary_sensor.lagoon_lockout",
    },
}

type Add = Callable[..., MockConfigEntry]


@pytest.fixture
def folder(hass: HomeAssistant) -> Path:
    """Return the keeper's folder, which need not be there."""
    return Path(hass.config.config_dir, "blueprints", "automation", "stillwell")


@pytest.fixture
def second_release(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Let the package be the second release of every blueprint, and ``OLD`` the first."""
    old = {
        "text": blueprint_files.text_hash(OLD),
        "content": blueprint_files.content_hash(OLD),
    }
    known = {
        name: {"1": old, "2": versions["1"]}
        for name, versions in blueprint_files.released().items()
    }
    path = tmp_path / "released.json"
    path.write_text(json.dumps(known))
    monkeypatch.setattr(blueprint_files, "KNOWN", path)


async def begin(hass: HomeAssistant, add_system: Add) -> MockConfigEntry:
    entry = add_system()
    assert await async_setup_component(hass, "automation", {})
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    return entry


def issue(hass: HomeAssistant, issue_id: str) -> ir.IssueEntry | None:
    return ir.async_get(hass).async_get_issue(DOMAIN, issue_id)


async def install(hass: HomeAssistant, **data: Any) -> dict[str, dict[str, Any]]:
    answer = await hass.services.async_call(
        DOMAIN, "install_blueprints", data, blocking=True, return_response=True
    )
    return {one["file"]: one for one in answer["blueprints"]}


async def open_fix(hass: HomeAssistant, issue_id: str) -> Any:
    assert await async_setup_component(hass, "repairs", {})
    manager = hass.data["repairs"]["flow_manager"]
    return await manager.async_init(DOMAIN, context={"issue_id": issue_id})


async def answer_fix(hass: HomeAssistant, flow: Any, answer: dict[str, Any]) -> Any:
    return await hass.data["repairs"]["flow_manager"].async_configure(flow["flow_id"], answer)


def put(folder: Path, texts: dict[str, str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, "utf-8")


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


def shipped(name: str) -> str:
    return (SHIPPED / name).read_text("utf-8")


async def test_nothing_is_written_before_a_word(
    hass: HomeAssistant, add_system: Add, folder: Path
) -> None:
    await begin(hass, add_system)
    assert names_in(folder) == []
    offered = issue(hass, ISSUE_ABSENT)
    assert offered is not None
    assert offered.is_fixable
    assert offered.severity is ir.IssueSeverity.WARNING
    assert issue(hass, ISSUE_OLDER) is None


async def test_the_offer_installs_on_a_word_and_goes(
    hass: HomeAssistant, add_system: Add, folder: Path
) -> None:
    await begin(hass, add_system)
    form = await open_fix(hass, ISSUE_ABSENT)
    assert form["step_id"] == "confirm"
    assert "blueprints/automation/stillwell" in form["description_placeholders"]["folder"]
    assert all(name in form["description_placeholders"]["names"] for name in NAMES)
    assert names_in(folder) == []
    done = await answer_fix(hass, form, {})
    assert done["type"] == "create_entry"
    assert names_in(folder) == NAMES
    assert all((folder / name).read_text("utf-8") == shipped(name) for name in NAMES)
    assert issue(hass, ISSUE_ABSENT) is None


async def test_an_ignored_offer_stays_ignored(hass: HomeAssistant, add_system: Add) -> None:
    entry = await begin(hass, add_system)
    ir.async_ignore_issue(hass, DOMAIN, ISSUE_ABSENT, ignore=True)
    assert await hass.config_entries.async_reload(entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    offered = issue(hass, ISSUE_ABSENT)
    assert offered is not None
    assert offered.dismissed_version is not None


async def test_the_action_installs_and_says_so(
    hass: HomeAssistant, add_system: Add, folder: Path
) -> None:
    await begin(hass, add_system)
    first = await install(hass)
    assert {name: (one["done"], one["version"]) for name, one in first.items()} == dict.fromkeys(
        NAMES, ("installed", 1)
    )
    again = await install(hass)
    assert {one["done"] for one in again.values()} == {"unchanged"}
    assert issue(hass, ISSUE_ABSENT) is None
    # one that the keeper took away is written again, the others are left alone
    (folder / REFILL).unlink()
    third = await install(hass)
    assert [name for name, one in third.items() if one["done"] == "installed"] == [REFILL]


async def test_an_older_file_is_renewed_on_a_word_and_its_automations_read_it(
    hass: HomeAssistant, add_system: Add, folder: Path, second_release: None
) -> None:
    put(folder, {REFILL: OLD.replace("\n", "\r\n"), LEAK: shipped(LEAK)})
    entry = add_system()
    config = [{"id": "a", "alias": "Refill", "use_blueprint": USE}]
    assert await async_setup_component(hass, "automation", {"automation": config})
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    offered = issue(hass, ISSUE_OLDER)
    assert offered is not None
    assert offered.translation_placeholders["names"] == f"- `{REFILL}`: 1 → 2"
    assert issue(hass, ISSUE_ABSENT) is None
    reloaded = async_capture_events(hass, "automation_reloaded")
    form = await open_fix(hass, ISSUE_OLDER)
    assert form["step_id"] == "confirm"
    assert "name: Old" in (folder / REFILL).read_text("utf-8")
    assert reloaded == []
    with patch(
        "homeassistant.config.load_yaml_config_file",
        return_value={"automation": config},
        autospec=True,
    ):
        assert (await answer_fix(hass, form, {}))["type"] == "create_entry"
        await hass.async_block_till_done()
    assert len(reloaded) == 1
    # what runs now is the new file: it ticks, the old one had no trigger at all
    (rule,) = hass.data["automation"].entities
    assert len(rule.raw_config["triggers"]) > 3
    await hass.services.async_call(
        "automation", "turn_off", {"entity_id": rule.entity_id}, blocking=True
    )
    assert (folder / REFILL).read_text("utf-8") == shipped(REFILL)
    assert issue(hass, ISSUE_OLDER) is None


async def test_an_import_by_the_hub_counts_as_unedited(
    hass: HomeAssistant, add_system: Add, folder: Path
) -> None:
    """The hub writes YAML of its own making, without comments and with the address."""
    texts = {}
    for name in NAMES:
        made = Blueprint(parse_yaml(shipped(name)), schema=AUTOMATION_BLUEPRINT_SCHEMA)
        made.update_metadata(source_url=f"https://example.org/{name}")
        texts[name] = made.yaml()
    put(folder, texts)
    await begin(hass, add_system)
    assert {one["done"] for one in (await install(hass)).values()} == {"unchanged"}
    assert {name: (folder / name).read_text("utf-8") for name in NAMES} == texts
    # the same text without its address, or with a changed default, was made by somebody
    bare = "".join(
        line for line in texts[REFILL].splitlines(keepends=True) if "source_url" not in line
    )
    put(folder, {REFILL: bare, LEAK: texts[LEAK].replace("default: false", "default: true", 1)})
    done = await install(hass)
    assert (done[REFILL]["done"], done[LEAK]["done"]) == ("kept", "kept")


@pytest.mark.parametrize(
    "edit",
    [
        lambda text: text.replace("default: 20\n", "default: 25\n"),
        lambda text: text + "# mine\n",
        lambda _text: "not: [a, blueprint",
        lambda _text: "- not one either\n",
        lambda _text: "mine: !secret one\n",
    ],
    ids=["value", "comment", "broken", "list", "secret"],
)
async def test_an_edited_file_is_kept_unless_the_keeper_says_replace(
    hass: HomeAssistant, add_system: Add, folder: Path, edit: Callable[[str], str]
) -> None:
    mine = edit(shipped(REFILL))
    assert mine != shipped(REFILL)
    put(folder, {REFILL: mine})
    await begin(hass, add_system)
    assert issue(hass, ISSUE_OLDER) is None
    assert (await install(hass))[REFILL]["done"] == "kept"
    assert (folder / REFILL).read_text("utf-8") == mine
    replaced = (await install(hass, replace_edited=True))[REFILL]
    assert replaced["done"] == "replaced"
    assert replaced["kept_as"] == f"{REFILL}.kept1"
    assert (folder / f"{REFILL}.kept1").read_text("utf-8") == mine
    assert (folder / REFILL).read_text("utf-8") == shipped(REFILL)
    # a second edit gets a copy of its own
    put(folder, {REFILL: mine})
    assert (await install(hass, replace_edited=True))[REFILL]["kept_as"] == f"{REFILL}.kept2"


@pytest.mark.parametrize("choice", ["keep_edited", "replace_edited"])
async def test_the_update_asks_what_to_do_with_edited_files(
    hass: HomeAssistant, add_system: Add, folder: Path, second_release: None, choice: str
) -> None:
    mine = shipped(LEAK).replace("Version 1", "Mine. Version 1")
    put(folder, {REFILL: OLD, LEAK: mine})
    await begin(hass, add_system)
    menu = await open_fix(hass, ISSUE_OLDER)
    assert menu["type"] == "menu"
    assert menu["description_placeholders"]["edited"] == f"- `{LEAK}`: 1 → 2"
    done = await answer_fix(hass, menu, {"next_step_id": choice})
    assert done["type"] == "create_entry"
    assert (folder / REFILL).read_text("utf-8") == shipped(REFILL)
    kept = folder / f"{LEAK}.kept1"
    if choice == "keep_edited":
        assert (folder / LEAK).read_text("utf-8") == mine
        assert not kept.exists()
    else:
        assert (folder / LEAK).read_text("utf-8") == shipped(LEAK)
        assert kept.read_text("utf-8") == mine


async def test_a_folder_that_cannot_be_written_is_told(
    hass: HomeAssistant, add_system: Add, folder: Path
) -> None:
    await begin(hass, add_system)
    put(folder.parent, {folder.name: "a file where the folder should be"})
    with pytest.raises(HomeAssistantError) as told:
        await install(hass)
    assert told.value.translation_key == "blueprints_not_written"
    # Neither the system's own words nor its path.
    why = "a file or folder of the same name stands in the way of blueprints/automation/stillwell"
    assert told.value.translation_placeholders == {"error": why}
    form = await open_fix(hass, ISSUE_ABSENT)
    done = await answer_fix(hass, form, {})
    assert done["type"] == "abort"
    assert done["reason"] == "not_written"
    assert done["description_placeholders"] == {"error": why}
    assert issue(hass, ISSUE_ABSENT) is not None


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EACCES, "no hay permiso"),
        (errno.EROFS, "no hay permiso"),
        (errno.ENOSPC, "no queda espacio"),
        (errno.EDQUOT, "no queda espacio"),
        (errno.EEXIST, "ocupa el lugar"),
        (errno.ENOTDIR, "ocupa el lugar"),
        (errno.EISDIR, "ocupa el lugar"),
        (errno.EIO, "el registro del hub"),
    ],
)
async def test_why_they_were_not_written_is_told_in_the_language_of_the_hub(
    hass: HomeAssistant, number: int, says: str, caplog: pytest.LogCaptureFixture
) -> None:
    """What the numbers mean: POSIX.1-2017, errno.h."""
    hass.config.language = "es"
    told = await async_why_not_written(hass, OSError(number, "In English", "/config/a/path"))
    assert says in told
    assert "blueprints/automation/stillwell" in told
    assert "English" not in told
    assert "/config" not in told
    assert "In English: '/config/a/path'" in caplog.text


async def test_files_that_cannot_be_read_stop_nothing(
    hass: HomeAssistant,
    add_system: Add,
    folder: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    (folder / REFILL).mkdir(parents=True)
    entry = await begin(hass, add_system)
    assert "cannot be read" in caplog.text
    assert issue(hass, ISSUE_ABSENT) is None
    shown = await async_get_config_entry_diagnostics(hass, entry)
    assert "error" in shown["blueprints"][0]
    assert "directory" in (await health(hass))["blueprints"]


async def health(hass: HomeAssistant) -> dict[str, Any]:
    assert await async_setup_component(hass, "system_health", {})
    from custom_components.stillwell import system_health  # noqa: PLC0415 - as the hub does
    from homeassistant.components.system_health import (  # noqa: PLC0415
        SystemHealthRegistration,
    )

    registration = SystemHealthRegistration(hass, DOMAIN)
    system_health.async_register(hass, registration)
    assert registration.info_callback is not None
    shown: dict[str, Any] = await registration.info_callback(hass)
    return shown


async def test_diagnostics_and_system_page_show_the_versions(
    hass: HomeAssistant, add_system: Add, folder: Path
) -> None:
    put(folder, {REFILL: shipped(REFILL), LEAK: "mine: true\n"})
    entry = await begin(hass, add_system)
    shown = (await async_get_config_entry_diagnostics(hass, entry))["blueprints"]
    told = {one["file"]: (one["standing"], one["version"], one["automations"]) for one in shown}
    assert told[REFILL] == ("current", 1, 0)
    assert told[LEAK] == ("edited", None, 0)
    assert told["stillwell_mix_batch.yaml"] == ("absent", None, 0)
    page = await health(hass)
    assert page["systems"] == 1
    assert page["vessels"] == 0
    assert page["version"] == "0.1.0"
    assert "refill_vessel 1 (current)" in page["blueprints"]
    assert "shut_off_on_leak (edited)" in page["blueprints"]


async def test_other_issues_are_only_confirmed(hass: HomeAssistant) -> None:
    flow = await async_create_fix_flow(hass, "something_else", None)
    assert isinstance(flow, ConfirmRepairFlow)
