"""What every blueprint file owes its keeper, whatever it does: schema, defaults, no memory."""

import json
from pathlib import Path
from typing import Any

import pytest
from custom_components.stillwell.blueprint_files import (
    KNOWN,
    content_hash,
    released,
    text_hash,
    version_of,
)
from homeassistant.components.automation.config import (
    AUTOMATION_BLUEPRINT_SCHEMA,
    async_validate_config_item,
)
from homeassistant.components.blueprint.models import Blueprint
from homeassistant.core import HomeAssistant
from homeassistant.helpers.selector import validate_selector
from homeassistant.setup import async_setup_component
from homeassistant.util.yaml import Input, load_yaml

from .conftest import ROOT, SHIPPED

FOLDER = SHIPPED / "automation" / "stillwell"
FILES = sorted(FOLDER.glob("*.yaml"))
# What a keeper cannot leave out, with a value such as the picker gives.
REQUIRED: dict[str, dict[str, Any]] = {
    "stillwell_daily_report.yaml": {},
    "stillwell_apply_dose.yaml": {
        "permit_entity": "binary_sensor.lagoon_limewater_dose_permitted",
        "rate_entity": "sensor.lagoon_limewater_dose_adjustment",
        "dose_entity": "sensor.lagoon_limewater_next_dose",
        "pump": "switch.lagoon_dosing_pump",
    },
    "stillwell_heater_cut_out.yaml": {
        "circuit": "switch.nursery_heater_circuit",
        "cut_out_entity": "binary_sensor.nursery_temperature_heater_cut_out",
        "lockout_entity": "binary_sensor.nursery_temperature_cut_out_lockout",
    },
    "stillwell_mix_batch.yaml": {
        "level_entity": "sensor.lagoon_mixing_vat_fill",
        "valve": "switch.lagoon_mixing_vat_valve",
        "request": "input_boolean.lagoon_batch",
        "lockout_entity": "binary_sensor.lagoon_mixing_vat_lockout",
    },
    "stillwell_notify_alarms.yaml": {"alarms": ["binary_sensor.lagoon_reservoir_lockout"]},
    "stillwell_refill_vessel.yaml": {
        "level_entity": "sensor.lagoon_reservoir_fill",
        "valve": "switch.lagoon_reservoir_valve",
        "lockout_entity": "binary_sensor.lagoon_reservoir_lockout",
    },
    "stillwell_shut_off_on_leak.yaml": {
        "leak_sensors": ["binary_sensor.lagoon_floor_leak"],
        "outputs": ["switch.lagoon_reservoir_valve"],
    },
    "stillwell_top_off_sump.yaml": {
        "level_entity": "sensor.lagoon_sump_strip",
        "pump": "switch.lagoon_top_off_pump",
        "lockout_entity": "binary_sensor.lagoon_sump_lockout",
        "source_entity": "sensor.lagoon_reservoir_usable_volume",
    },
}
TIMED_STEPS = {"delay", "wait_template", "wait_for_trigger", "for", "while", "until", "timeout"}


def keys_of(node: object) -> set[str]:
    if isinstance(node, dict):
        return {str(key) for key in node} | keys_of(list(node.values()))
    if isinstance(node, list):
        return set().union(*map(keys_of, node))
    return set()


def inputs_of(data: dict[str, Any]) -> dict[str, Any]:
    return {
        key: value
        for section in data["blueprint"]["input"].values()
        for key, value in section["input"].items()
    }


def test_every_file_is_covered_here() -> None:
    assert {path.name for path in FILES} == set(REQUIRED)
    others = [path for path in SHIPPED.rglob("*") if path.is_file() and path not in FILES]
    assert others == [KNOWN]


def test_the_tree_has_one_source_and_the_package_carries_it() -> None:
    """The installer copies the integration's folder only; the root's folder is a link into it."""
    link = ROOT / "blueprints" / "automation" / "stillwell"
    assert link.is_symlink()
    assert not link.readlink().is_absolute()
    assert link.resolve() == FOLDER
    everywhere = [
        path for path in (ROOT / "blueprints").rglob("*") if path.is_file() and path != link
    ]
    assert everywhere == []
    assert (ROOT / "custom_components" / "stillwell") in FOLDER.parents


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_changed_file_has_a_new_number(path: Path) -> None:
    """A released number stands for one text; `script/blueprint-hashes` notes a new one."""
    text = path.read_text("utf-8")
    version = version_of(text)
    known = released()[path.name]
    assert version == max(map(int, known))
    assert known[str(version)] == {"text": text_hash(text), "content": content_hash(text)}
    assert len({hashes["text"] for hashes in known.values()}) == len(known)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_file(path: Path) -> None:
    text = path.read_text()
    data = load_yaml(path)
    blueprint = Blueprint(data, expected_domain="automation", schema=AUTOMATION_BLUEPRINT_SCHEMA)
    assert blueprint.validate() is None
    meta = data["blueprint"]
    assert (
        meta["homeassistant"]["min_version"]
        == json.loads((ROOT / "hacs.json").read_text())["homeassistant"]
    )
    # no memory and no clock of its own
    body = {key: value for key, value in data.items() if key != "blueprint"}
    assert not keys_of(body) & TIMED_STEPS
    assert "delay" not in text.lower()
    assert "wait" not in text.lower()
    assert "input_datetime" not in text
    # one run never stands behind another
    assert data["mode"] == "parallel"
    # every section and input says what it is
    for section in meta["input"].values():
        assert section["name"]
        assert section["icon"].startswith("mdi:")
        if section.get("collapsed"):
            assert all("default" in item for item in section["input"].values())
    inputs = inputs_of(data)
    assert all(item["name"] and item["selector"] for item in inputs.values())
    assert {key for key, item in inputs.items() if "default" not in item} == set(
        REQUIRED[path.name]
    )
    for item in inputs.values():
        validate_selector(item["selector"])
    # each input is used
    assert set(inputs) == inputs_used(body)
    # every step is a sentence in the trace, and none stands behind another
    (action,) = data["actions"]
    for step in data["triggers"] + data["conditions"] + action["parallel"]:
        assert len(step["alias"].split()) >= 3
    assert len(max(text.splitlines(), key=len)) <= 120


def inputs_used(node: object) -> set[str]:
    if isinstance(node, Input):
        return {node.name}
    if isinstance(node, dict):
        return inputs_used(list(node.values()))
    if isinstance(node, list):
        return set().union(*map(inputs_used, node))
    return set()


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
async def test_the_required_inputs_make_a_valid_automation(hass: HomeAssistant, path: Path) -> None:
    assert await async_setup_component(hass, "automation", {})
    config = {
        "id": "one",
        "alias": "One",
        "use_blueprint": {"path": f"stillwell/{path.name}", "input": REQUIRED[path.name]},
    }
    assert await async_validate_config_item(hass, "one", config) is not None


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
async def test_the_file_survives_the_hubs_own_rewriting(path: Path, tmp_path: Path) -> None:
    """The hub saves an imported blueprint as YAML of its own making."""
    shipped = Blueprint(load_yaml(path), schema=AUTOMATION_BLUEPRINT_SCHEMA)
    saved = tmp_path / path.name
    saved.write_text(shipped.yaml())
    again = Blueprint(load_yaml(saved), schema=AUTOMATION_BLUEPRINT_SCHEMA)
    assert again.data == shipped.data
