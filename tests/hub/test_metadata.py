"""The files around the code, by the rules of the hub's own validator (which is not shipped).

The rules are those of its `hassfest` and of the custom repository store's action for
integrations, as far as they concern what we ship. From memory and from stored copies.
"""

import ast
import json
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from string import Formatter
from typing import TYPE_CHECKING, Any, Final

import custom_components.stillwell as package
import pytest
import voluptuous as vol
from awesomeversion import AwesomeVersion, AwesomeVersionStrategy
from custom_components.stillwell import condition, config_flow, coordinator, rodi_flow, trigger
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.engine.cut_out import CutOutReason
from custom_components.stillwell.engine.delivery import Delivery
from custom_components.stillwell.engine.dosing import NoDose
from custom_components.stillwell.engine.guard_events import (
    Actor,
    BlockReason,
    DecisionKind,
    NoticeKind,
    Refusal,
    Severity,
    StopReason,
    TripReason,
)
from custom_components.stillwell.engine.guard_table import Phase
from custom_components.stillwell.engine.limewater import Stock
from custom_components.stillwell.engine.line_limits import Fault
from custom_components.stillwell.engine.membrane import MembraneState, Stage
from custom_components.stillwell.engine.quantities import Reason, Status
from custom_components.stillwell.engine.two_part import Alkali
from custom_components.stillwell.happenings import HAPPENINGS, STANDINGS
from custom_components.stillwell.salinity_source import SalinityKind
from custom_components.stillwell.settings import Measure
from custom_components.stillwell.take_back_actions import What
from custom_components.stillwell.vessel_forms import MARKS, SHAPE_FIELDS
from homeassistant.const import STATE_UNAVAILABLE, STATE_UNKNOWN, Platform
from homeassistant.helpers import selector
from homeassistant.helpers.selector import validate_selector
from homeassistant.setup import async_setup_component
from homeassistant.util.yaml import load_yaml
from PIL import Image

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from homeassistant.core import HomeAssistant
    from homeassistant.helpers.entity import EntityDescription

PACKAGE = Path(package.__file__).parent
ROOT = PACKAGE.parent.parent

SLUG = re.compile(r"^(?!.*__)[a-z0-9]+(?:[a-z0-9_-]*[a-z0-9])?$")
ICON = re.compile(r"^mdi:[a-z0-9]+(-[a-z0-9]+)*$")
MARKUP = re.compile(r"<[a-zA-Z/]")
QUOTED_PLACEHOLDER = re.compile(r"'{\w+}'")


def _json(name: str) -> Any:
    return json.loads((PACKAGE / name).read_text("utf-8"))


EN = _json("translations/en.json")
ICONS = _json("icons.json")
MANIFEST = _json("manifest.json")
SERVICES = load_yaml(str(PACKAGE / "services.yaml"))


def _leaves(tree: Any, *path: str) -> Iterator[tuple[tuple[str, ...], Any]]:
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from _leaves(value, *path, key)
    else:
        yield path, tree


PLATFORMS: Mapping[str, str] = {
    "BinarySensorEntityDescription": Platform.BINARY_SENSOR,
    "ButtonEntityDescription": Platform.BUTTON,
    "EventEntityDescription": Platform.EVENT,
    "NumberEntityDescription": Platform.NUMBER,
    "SensorEntityDescription": Platform.SENSOR,
    "SwitchEntityDescription": Platform.SWITCH,
}
"""By name: the hub makes a second class of each, and an object may be of either."""


def _descriptions() -> Iterator[tuple[str, EntityDescription]]:
    """Every description in the package, with the platform its class stands for."""
    for found in iter_modules(package.__path__):
        module = import_module(f"{package.__name__}.{found.name}")
        for value in vars(module).values():
            for item in value if isinstance(value, tuple) else (value,):
                for kind in type(item).__mro__:
                    if kind.__name__ in PLATFORMS:
                        yield PLATFORMS[kind.__name__], item
                        break


# Manifest


def test_manifest_holds_what_the_validator_asks() -> None:
    known = {
        "domain",
        "name",
        "after_dependencies",
        "codeowners",
        "config_flow",
        "dependencies",
        "documentation",
        "integration_type",
        "iot_class",
        "issue_tracker",
        "requirements",
        "version",
    }
    assert set(MANIFEST) == known
    assert MANIFEST["domain"] == PACKAGE.name == DOMAIN
    # Keys stand in order: domain and name first, the rest by the alphabet.
    assert list(MANIFEST) == ["domain", "name", *sorted(known - {"domain", "name"})]
    assert MANIFEST["iot_class"] == "calculated"
    assert MANIFEST["integration_type"] == "hub"
    assert MANIFEST["config_flow"] is True
    assert MANIFEST["requirements"] == []
    assert all(re.fullmatch(r"@[\w-]+", owner) for owner in MANIFEST["codeowners"])
    assert MANIFEST["codeowners"]
    for key in ("documentation", "issue_tracker"):
        assert MANIFEST[key].startswith("https://")
        assert "home-assistant.io" not in MANIFEST[key]
    version = AwesomeVersion(MANIFEST["version"], ensure_strategy=[AwesomeVersionStrategy.SEMVER])
    assert version.valid
    assert f'version = "{version}"' in (ROOT / "pyproject.toml").read_text("utf-8")


def test_imported_parts_of_the_hub_are_declared() -> None:
    # The base platforms and what every hub has are never declared; a module named after a
    # part of the hub is loaded by that part only.
    free = {str(platform) for platform in Platform} | {
        "device_automation",
        "diagnostics",
        "repairs",
        "system_health",
        "homeassistant",
    }
    declared = free | {*MANIFEST["dependencies"], *MANIFEST["after_dependencies"]}
    used = set()
    for path in PACKAGE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = []
            if isinstance(node, ast.ImportFrom) and node.module:
                names = [f"{node.module}.{alias.name}" for alias in node.names]
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            used |= {
                part
                for name in names
                if name.startswith("homeassistant.components.")
                and (part := name.split(".")[2]) != path.stem
            }
    assert used
    assert used <= declared


def test_store_file_holds_only_known_keys() -> None:
    hacs = json.loads((ROOT / "hacs.json").read_text("utf-8"))
    assert set(hacs) <= {
        "name",
        "content_in_root",
        "country",
        "filename",
        "hacs",
        "hide_default_branch",
        "homeassistant",
        "persistent_directory",
        "render_readme",
        "zip_release",
    }
    assert hacs["name"] == MANIFEST["name"]
    assert AwesomeVersion(hacs["homeassistant"]).strategy is AwesomeVersionStrategy.CALVER
    # One folder only: the store installs the first it finds.
    assert [path.name for path in PACKAGE.parent.iterdir() if path.name != "__pycache__"] == [
        DOMAIN
    ]


@pytest.mark.parametrize(
    ("name", "side"),
    [
        ("icon.png", 256),
        ("icon@2x.png", 512),
        ("dark_icon.png", 256),
        ("dark_icon@2x.png", 512),
    ],
)
def test_brand_mark(name: str, side: int) -> None:
    with Image.open(PACKAGE / "brand" / name) as mark:
        assert mark.format == "PNG"
        assert mark.size == (side, side)
        assert mark.mode == "RGBA"


# Texts


def test_texts_are_plain() -> None:
    for path, text in _leaves(EN):
        assert isinstance(text, str), path
        assert text == text.strip(), path
        assert text, path
        assert not MARKUP.search(text), path
        assert not QUOTED_PLACEHOLDER.search(text), path
        assert "[%key:" not in text, path
        for key in path:
            assert SLUG.match(key), path
        for _, field, spec, conversion in Formatter().parse(text):
            assert field is None or re.fullmatch(r"[a-z_]+", field), path
            assert not spec, path
            assert conversion is None, path


def test_texts_have_the_known_parts() -> None:
    assert set(EN) == {
        "title",
        "common",
        "conditions",
        "config",
        "config_subentries",
        "device_automation",
        "entity",
        "exceptions",
        "issues",
        "options",
        "selector",
        "services",
        "system_health",
        "triggers",
    }
    assert EN["title"] == MANIFEST["name"]
    assert not (PACKAGE / "strings.json").exists()
    flows = [EN["config"], EN["options"], *EN["config_subentries"].values()]
    for flow in flows:
        for step in flow["step"].values():
            for part in (step, *step.get("sections", {}).values()):
                assert set(part.get("data_description", {})) == set(part.get("data", {}))
    # Without a text of ours the hub's button reads "Add hub".
    assert set(EN["config"]["initiate_flow"]) == {"user"}
    for vessel in EN["config_subentries"].values():
        assert vessel["entry_type"]
        assert set(vessel["initiate_flow"]) == {"user", "reconfigure"}
    for issue in EN["issues"].values():
        assert issue["title"]
        assert ("description" in issue) != ("fix_flow" in issue)
    assert set(EN["system_health"]["info"]) == {"version", "systems", "vessels", "blueprints"}
    for message in EN["exceptions"].values():
        assert set(message) == {"message"}
    for platform in EN["entity"].values():
        for entity in platform.values():
            assert entity["name"]


def test_lists_of_the_forms_have_texts() -> None:
    options = {key: set(value["options"]) for key, value in EN["selector"].items()}
    assert options == {
        "alkali": {alkali.value for alkali in Alkali},
        "capture": set(MARKS),
        "direction": {"fill", "drain"},
        "measure": {measure.value for measure in Measure},
        "rodi_stage": {stage.value for stage in Stage},
        "salinity_kind": {kind.value for kind in SalinityKind},
        "shape": set(SHAPE_FIELDS),
        "typed": {what.value for what in What},
    }


def test_every_entity_has_text_and_icon() -> None:
    described = {(platform, item.translation_key) for platform, item in _descriptions()}
    written = {(p, key) for p, entities in EN["entity"].items() for key in entities}
    drawn = {(p, key) for p, entities in ICONS["entity"].items() for key in entities}
    assert described == written == drawn


def test_no_word_of_a_list_is_a_word_of_the_hub() -> None:
    """The hub's page shows its own *Unavailable* or *Unknown* for these, never a text of ours."""
    for _, item in _descriptions():
        assert {STATE_UNAVAILABLE, STATE_UNKNOWN}.isdisjoint(getattr(item, "options", None) or ())


def test_every_word_of_a_list_has_its_text() -> None:
    for platform, item in _descriptions():
        for option in getattr(item, "options", None) or ():
            assert option in EN["entity"][platform][item.translation_key]["state"]
    sensors = EN["entity"]["sensor"]
    assert set(sensors["signal"]["state"]) == set(Status)
    assert set(sensors["signal_reason"]["state"]) == set(Reason)
    assert set(sensors["guard_state"]["state"]) == set(Phase)
    assert set(sensors["lockout_reason"]["state"]) == {"none", *TripReason}
    assert set(sensors["block_reason"]["state"]) == {"none", *BlockReason}
    assert set(sensors["membrane_state"]["state"]) == set(MembraneState)
    lockout = EN["entity"]["binary_sensor"]["lockout"]["state_attributes"]
    assert lockout["reason"]["state"] == sensors["lockout_reason"]["state"]
    assert lockout["block_reason"]["state"] == sensors["block_reason"]["state"]
    permit = EN["entity"]["binary_sensor"]["permit"]["state_attributes"]
    assert permit["block_reason"]["state"] == sensors["block_reason"]["state"]


def test_every_dosing_word_has_its_text() -> None:
    sensors = EN["entity"]["sensor"]
    reasons = sensors["no_dose_reason"]["state"]
    assert set(reasons) == {*NoDose, "not_armed", "advice_only"}
    paused = EN["entity"]["binary_sensor"]["dose_paused"]["state_attributes"]
    assert paused["reason"]["state"] == {word: reasons[word] for word in NoDose}
    assert set(sensors["stock_judgement"]["state"]) == set(Stock)
    assert set(sensors["dose_delivery"]["state"]) == set(Delivery) - {Delivery.UNKNOWN}
    written = set(EN["config_subentries"]["dosing"]["error"])
    banded = {"ph_band", "orp_band"}
    assert _refusals("stored_flow.py", "dosing_flow.py", "dosing_checks.py") | banded == written


def test_every_cut_out_word_has_its_text() -> None:
    cut_out = EN["entity"]["binary_sensor"]["cut_out"]["state_attributes"]["reason"]["state"]
    assert set(cut_out) == set(CutOutReason)
    stays = {key.removeprefix("cut_out_stays_") for key in EN["exceptions"] if "cut_out_" in key}
    assert stays == {CutOutReason.STUCK_ON, CutOutReason.TOO_WARM, CutOutReason.SILENT}


def test_every_word_of_the_log_and_of_a_notice_has_its_text() -> None:
    common, sensors = EN["common"], EN["entity"]["sensor"]
    assert {f"decision_{kind}" for kind in DecisionKind} <= set(common)
    reasons = {*TripReason, *BlockReason, *StopReason, *Refusal, *Actor}
    because = {key.removeprefix("because_") for key in common if key.startswith("because_")}
    named = {*sensors["lockout_reason"]["state"], *sensors["block_reason"]["state"]}
    assert reasons <= because | named
    assert because <= reasons
    notice = EN["entity"]["event"]["notice"]["state_attributes"]
    assert set(notice["event_type"]["state"]) == set(NoticeKind)
    assert set(notice["severity"]["state"]) == set(Severity)
    assert set(notice["reason"]["state"]) == reasons


ADDED_BY_A_FIX: Final = {
    "blueprints_absent": {"edited", "error"},
    "blueprints_older": {"edited", "error"},
    "unit_changed": {"unit"},
    "reports_too_slow": {"run", "works", "water"},
}
"""What the steps of a fix add of their own."""


def _raised() -> Iterator[tuple[str, str, set[str], str]]:
    """Find what the code raises or reports by key: group, key, placeholders given, place."""
    for path in PACKAGE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            words = {word.arg: word.value for word in node.keywords}
            if "translation_key" not in words or "translation_domain" not in words | {
                "translation_domain": None
            }:
                continue
            called = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id  # type: ignore[attr-defined]
            group = {"async_create_issue": "issues"}.get(called)
            if "translation_domain" in words:
                group = "exceptions"
            key = words["translation_key"]
            if group is None or not isinstance(key, ast.Constant):
                continue
            given = words.get("translation_placeholders")
            names = (
                {name.value for name in given.keys if isinstance(name, ast.Constant)}
                if isinstance(given, ast.Dict)
                else set()
            )
            yield group, key.value, names, path.name


def test_what_the_code_raises_has_its_text() -> None:
    found = list(_raised())
    assert {group for group, *_ in found} == {"exceptions", "issues"}
    for group, key, given, place in found:
        assert key in EN[group], (place, key)
        for _, text in _leaves(EN[group][key]):
            used = {field for _, field, _, _ in Formatter().parse(text) if field}
            assert used <= given | ADDED_BY_A_FIX.get(key, set()), (place, key)


@pytest.mark.parametrize("key", ["store_damaged", "safety_store_damaged"])
def test_a_damaged_file_has_its_text(key: str) -> None:
    assert (PACKAGE / "coordinator.py").read_text("utf-8").count(f'"{key}")') == 1
    for _, text in _leaves(EN["issues"][key]):
        used = {field for _, field, _, _ in Formatter().parse(text) if field}
        assert used <= {"system", "file", "kept_as"}


@pytest.mark.parametrize("kind", ["vessel", "line", "watch"])
def test_settings_that_cannot_be_used_have_their_text(kind: str) -> None:
    code = (PACKAGE / "coordinator.py").read_text("utf-8")
    assert code.count(f'self._tell_settings("{kind}", subentry, ') == 2
    for _, text in _leaves(EN["issues"][f"{kind}_settings_invalid"]):
        used = {field for _, field, _, _ in Formatter().parse(text) if field}
        assert used <= {kind, "error"}


def test_every_refusal_of_a_reset_has_its_text() -> None:
    refused = {
        key.removeprefix("reset_refused_") for key in EN["exceptions"] if "reset_refused_" in key
    }
    assert refused == set(Refusal)
    for refusal in Refusal:
        message = EN["exceptions"][f"reset_refused_{refusal}"]["message"]
        assert {field for _, field, _, _ in Formatter().parse(message) if field} == {"line"}


def _refusals(*names: str) -> set[str]:
    keys = set()
    for name in names:
        for node in ast.walk(ast.parse((PACKAGE / name).read_text("utf-8"))):
            if (
                isinstance(node, ast.Call)
                and getattr(node.func, "id", "") == "Refusal"
                and isinstance(node.args[1], ast.Constant)
            ):
                keys.add(node.args[1].value)
            elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "check_twice":
                keys.add("entity_twice")
    return keys


_KEYED = {"evaporation": set[str](), "salinity": {"salinity_unit", "conductivity_unit"}}
"""Errors of the watches' forms whose key is chosen before it is raised."""


def test_every_form_error_has_its_text() -> None:
    """Each key in `Refusal(field, key)` and each error of the system's form is written."""
    ranged = {f"{mark}_{why}" for mark in ("start", "full", "high") for why in ("range", "unseen")}
    asked = _refusals("stored_flow.py", "vessel_flow.py", "vessel_capture.py", "vessel_checks.py")
    asked |= ranged | {"length_range", "not_written"}
    of_sump = {"full_over_cap", "rim_range", "surface_range"}
    of_vat = _refusals("vessel_kind_flow.py") - of_sump
    for kind, more in (("reservoir", set()), ("sump", of_sump), ("mixing_vat", of_vat)):
        written = EN["config_subentries"][kind]["error"]
        assert asked - {"full_over_cap"} | more == set(written)
    written = EN["config_subentries"]["fill_line"]["error"]
    at_all = {f"{fault}_at_all" for fault in (Fault.REPORTS, Fault.STALE)}
    made = {"settle_range", "shortest_pause_range", *Fault} | at_all
    assert _refusals("stored_flow.py", "line_flow.py", "line_checks.py") | made == set(written)
    written = EN["config_subentries"]["rodi_unit"]["error"]
    assert _refusals("stored_flow.py", "rodi_flow.py") | {
        error for _, error in rodi_flow.SOURCES.values()
    } == set(written)
    for kind in ("evaporation", "salinity"):
        written = EN["config_subentries"][f"{kind}_watch"]["error"]
        assert _refusals("stored_flow.py", f"{kind}_flow.py") | _KEYED[kind] == set(written)
    system = (PACKAGE / Path(config_flow.__file__).name).read_text("utf-8")
    assert all(f'"{key}"' in system for key in EN["config"]["error"])


# Icons


def test_icons_are_drawn_from_the_hub_s_set_and_states_differ() -> None:
    assert set(ICONS) == {"conditions", "entity", "services", "triggers"}
    for path, icon in _leaves(ICONS):
        assert ICON.match(icon), path
    for platform, entities in ICONS["entity"].items():
        for key, entity in entities.items():
            assert set(entity) <= {"default", "state", "range"}
            assert entity["default"] not in entity.get("state", {}).values(), key
            words = {"on", "off"}
            if "state" in EN["entity"][platform][key]:
                words = set(EN["entity"][platform][key]["state"])
            assert set(entity.get("state", {})) <= words, key
            steps = [float(step) for step in entity.get("range", {})]
            assert steps == sorted(steps)


# Actions


async def test_actions_are_described_as_they_are_registered(hass: HomeAssistant) -> None:
    assert await async_setup_component(hass, DOMAIN, {})
    registered = set(hass.services.async_services_for_domain(DOMAIN))
    assert registered == set(SERVICES) == set(EN["services"]) == set(ICONS["services"])
    for name, service in SERVICES.items():
        described = (service or {}).get("fields", {})
        text = EN["services"][name]
        assert text["name"]
        assert text["description"]
        assert set(text.get("fields", {})) == set(described)
        for field, value in described.items():
            validate_selector(value["selector"])
            assert text["fields"][field]["name"]
            assert text["fields"][field]["description"]


TARGET = vol.Schema({"entity": {"integration": DOMAIN}})


def test_actions_are_aimed_at_our_own_entities() -> None:
    # The blueprints belong to the hub, and the dashboard is of everything there is.
    assert "target" not in SERVICES["install_blueprints"]
    assert SERVICES["dashboard"] is None
    for name, service in SERVICES.items():
        if name not in ("install_blueprints", "dashboard"):
            TARGET(service["target"])


# Triggers and conditions


def _check_described(described: dict[str, Any], group: str, one: str) -> None:
    """Check a file of triggers or conditions as the validator does: structure, texts, icons."""
    listed = {key: value for key, value in described.items() if not key.startswith(".")}
    assert set(listed) == set(EN[group]) == set(ICONS[group])
    for key, value in listed.items():
        # Words stand in the texts only.
        assert set(value) == {"fields", "target"}, key
        selector.TargetSelector.CONFIG_SCHEMA(value["target"])
        kind = value["target"]["entity"]
        assert kind["integration"] == DOMAIN, key
        text = EN[group][key]
        assert set(text) == {"name", "description", "fields"}, key
        assert text["name"], key
        assert text["description"].endswith("."), key
        assert set(text["fields"]) == set(value["fields"]), key
        for name, field in value["fields"].items():
            assert set(field) <= {"required", "default", "example", "selector"}, (key, name)
            validate_selector(field["selector"])
            words = text["fields"][name]
            assert set(words) == {"name", "description"}, (key, name)
        assert set(ICONS[group][key]) == {one}, key


def test_triggers_are_described_as_they_are_registered() -> None:
    described = load_yaml(str(PACKAGE / "triggers.yaml"))
    _check_described(described, "triggers", "trigger")
    assert set(EN["triggers"]) == set(trigger.TRIGGERS) == set(HAPPENINGS)
    names = EN["device_automation"]["trigger_type"]
    assert set(names) == set(HAPPENINGS)
    assert set(EN["device_automation"]["extra_fields"]) == {"for"}


def test_conditions_are_described_as_they_are_registered() -> None:
    described = load_yaml(str(PACKAGE / "conditions.yaml"))
    _check_described(described, "conditions", "condition")
    assert set(EN["conditions"]) == set(condition.CONDITIONS)


ENDS = {"until": "2030-01-01 00:00:00", "lasts": 60}


async def test_fields_of_the_files_are_those_of_the_code(hass: HomeAssistant) -> None:
    """What the files offer with their defaults is what the code takes."""
    target = {"entity_id": ["sensor.later"]}
    for name, made in trigger.TRIGGERS.items():
        fields = load_yaml(str(PACKAGE / "triggers.yaml"))[name]["fields"]
        offered = {key: field["default"] for key, field in fields.items()}
        await made.async_validate_config(hass, {"target": target, "options": offered})
    for name, chosen in condition.CONDITIONS.items():
        fields = load_yaml(str(PACKAGE / "conditions.yaml"))[name]["fields"]
        offered = {key: field["default"] for key, field in fields.items() if "default" in field}
        for further in set(fields) - set(offered) or {None}:
            given = (
                {} if further is None else {further: {"until": "2030-01-01", "lasts": 60}[further]}
            )
            await chosen.async_validate_config(hass, {"target": target, "options": offered | given})


def test_triggers_and_conditions_show_entities_that_exist() -> None:
    described = {(platform, item.translation_key) for platform, item in _descriptions()}
    for shown in (*HAPPENINGS.values(), *STANDINGS.values()):
        assert (shown.platform, shown.key) in described
        item = next(item for _, item in _descriptions() if item.translation_key == shown.key)
        words = set(getattr(item, "options", None) or {"on", "off"})
        assert shown.states | shown.others == words
        assert not shown.states & shown.others


# Quality scale

RULES = [
    "action-setup",
    "appropriate-polling",
    "brands",
    "common-modules",
    "config-flow",
    "config-flow-test-coverage",
    "dependency-transparency",
    "docs-actions",
    "docs-conditions",
    "docs-high-level-description",
    "docs-installation-instructions",
    "docs-removal-instructions",
    "docs-triggers",
    "entity-event-setup",
    "entity-unique-id",
    "has-entity-name",
    "runtime-data",
    "test-before-configure",
    "test-before-setup",
    "unique-config-entry",
    "action-exceptions",
    "config-entry-unloading",
    "docs-configuration-parameters",
    "docs-installation-parameters",
    "entity-unavailable",
    "integration-owner",
    "log-when-unavailable",
    "parallel-updates",
    "reauthentication-flow",
    "test-coverage",
    "devices",
    "diagnostics",
    "discovery",
    "discovery-update-info",
    "docs-data-update",
    "docs-examples",
    "docs-known-limitations",
    "docs-supported-devices",
    "docs-supported-functions",
    "docs-troubleshooting",
    "docs-use-cases",
    "dynamic-devices",
    "entity-category",
    "entity-device-class",
    "entity-disabled-by-default",
    "entity-translations",
    "exception-translations",
    "icon-translations",
    "reconfiguration-flow",
    "repair-issues",
    "stale-devices",
    "async-dependency",
    "inject-websession",
    "strict-typing",
]


def test_every_quality_rule_is_answered() -> None:
    rules = load_yaml(str(PACKAGE / "quality_scale.yaml"))["rules"]
    assert list(rules) == RULES
    assert len(RULES) == 54
    for rule, answer in rules.items():
        if isinstance(answer, dict):
            assert answer["status"] == "exempt", rule
            assert answer["comment"].endswith("."), rule
        else:
            assert answer in ("done", "todo"), rule


def _trees() -> Iterator[tuple[Path, ast.Module]]:
    for path in sorted(PACKAGE.glob("*.py")):
        yield path, ast.parse(path.read_text("utf-8"))


def test_done_means_done_parallel_updates_and_entities() -> None:
    """Rules parallel-updates, has-entity-name and entity-unique-id."""
    for platform in coordinator.PLATFORMS:
        assert import_module(f"{package.__name__}.{platform}").PARALLEL_UPDATES == 0
    for _, item in _descriptions():
        assert item.translation_key, item.key
    text = (PACKAGE / "entity.py").read_text("utf-8")
    assert "_attr_has_entity_name = True" in text
    assert "_attr_unique_id" in text
    # Of the source's entity nothing is taken into an id.
    assert 'f"{owner.subentry_id}_{description.key}"' in text


def test_done_means_done_runtime_data_and_actions() -> None:
    """Rules runtime-data and action-setup."""
    for path, tree in _trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute) and node.attr == "data":
                owner = node.value
                assert not (isinstance(owner, ast.Name) and owner.id == "hass"), path.name
    setup = next(tree for path, tree in _trees() if path.name == "__init__.py")
    made = {node.name: ast.unparse(node) for node in setup.body if hasattr(node, "name")}
    assert "async_register(hass)" in made["async_setup"]
    assert "async_register(hass)" not in made["async_setup_entry"]


ERRORS = {"HomeAssistantError", "ServiceValidationError", "InvalidDeviceAutomationConfig"}


def test_done_means_done_exceptions_are_translated() -> None:
    """Rule exception-translations: what a person sees of an error is a text of ours."""
    found = 0
    for path, tree in _trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ERRORS:
                found += 1
                words = {word.arg for word in node.keywords}
                assert {"translation_domain", "translation_key"} <= words, path.name
    assert found > 5


def test_done_means_done_documents() -> None:
    """Rules docs-*: each has its place in the README."""
    text = (ROOT / "README.md").read_text("utf-8")
    headings = set(re.findall(r"^#+ (.+)$", text, re.MULTILINE))
    assert {
        "Actions",
        "Installation",
        "Limits",
        "Removal",
        "Triggers and conditions",
        "Troubleshooting",
        "What it is good for",
        "What set-up asks",
        "What you see",
    } <= headings
    for group, names in (
        ("action", SERVICES),
        ("trigger", trigger.TRIGGERS),
        ("condition", condition.CONDITIONS),
    ):
        for name in names:
            assert f"`stillwell.{name}`" in text, (group, name)


def test_the_platforms_come_with_the_package() -> None:
    """The hub imports a package in a thread, and waits once more for what is not loaded by then.

    So in its `loader.Integration.async_get_platforms`; a process of its own has nothing loaded.
    """
    look = f"import sys, {package.__name__}; print(*sys.modules)"
    command = [sys.executable, "-c", look]
    loaded = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout  # noqa: S603 - our own words
    for platform in coordinator.PLATFORMS:
        assert f"{package.__name__}.{platform}" in loaded.split()
