"""What is visited: forms, devices, entities, dashboards, repairs, blueprints, actions, rules."""

from collections.abc import Iterable
from typing import Any, Final

from demo.hub import HubError
from demo.stage import say
from playwright.async_api import Error

from .forms import (
    CHANGED,
    NEW,
    SYSTEM,
    SYSTEM_CHANGES,
    Walk,
    lines,
    merged,
    spoilt,
    vessels,
    watches,
)
from .lab import Lab
from .page import FIND, LIMIT_MS, Screen
from .texts import load

SUBENTRY: Final = "/api/config/config_entries/subentries/flow"
SYSTEM_FLOW: Final = "/api/config/config_entries/flow"
OPTIONS_FLOW: Final = "/api/config/config_entries/options/flow"
FIX_FLOW: Final = "/api/repairs/issues/fix"
INTEGRATION: Final = "/config/integrations/integration/stillwell"
OPEN_PART: Final = f"""([flowType]) => {{
  const page = ({FIND})("ha-config-integration-page");
  // With several systems it would ask for one first.
  const all = page._domainConfigEntries;
  page._domainConfigEntries = (...asked) => all.apply(page, asked).slice(0, 1);
  page._addSubEntry({{target: {{flowType}}}});
  page._domainConfigEntries = all;
}}"""
OPEN_SYSTEM: Final = f"() => {{ ({FIND})('ha-config-entry-row')._handleReconfigure(); }}"
OPEN_OPTIONS: Final = f"() => {{ ({FIND})('ha-config-entry-row')._showOptions(); }}"
OPEN_FIX: Final = (
    f"([issue]) => {{ ({FIND})('ha-config-repairs')"
    "._openShowMoreDialog({currentTarget: {issue}}); }"
)
MORE_INFO: Final = """entityId => document.querySelector("home-assistant").dispatchEvent(
  new CustomEvent("hass-more-info", {detail: {entityId}, bubbles: true, composed: true}))"""
HAS_INFO: Final = f"() => (({FIND})('ha-more-info-info')?.offsetHeight ?? 0) > 60"
DASHBOARD: Final = "all-the-water"
MAIN: Final = frozenset(
    (
        *("fill", "usable_volume", "use_per_day", "empty_at", "signal", "signal_reason"),
        *("guard_state", "lockout_reason", "block_reason", "proof_test_due", "membrane_state"),
        *("dose_rate", "no_dose_reason", "stock_judgement", "comes_down", "salt_to_add"),
        *("evaporation_reading", "salinity", "salt_verdict", "water_change_status", "lockout"),
        *("filling", "permit", "unexplained_loss", "low", "cut_out", "dose_paused"),
        *("power_cut_floods", "reset", "run_by_hand", "proof_test_passed", "begin_water_change"),
        *("maintenance", "rehearsal", "dose_armed", "notice", "volume_to_change"),
    )
)
"""Translation keys of the entities whose dialogs are looked at."""


async def forms(screen: Screen, lab: Lab, *, with_refusals: bool = True) -> set[str]:
    """Show every step of every form, and what it refuses; return the refusals that were seen."""
    await screen.visit(INTEGRATION, 2500)
    await screen.take("integration")
    seen: set[str] = set()
    for walk in (*vessels(), *lines(lab), *watches(lab)):
        seen |= await _walk(screen, lab, walk, with_refusals=with_refusals)
    for label, of in CHANGED.items():
        await _walk_changed(screen, lab, label, *of(lab))
    seen |= await _system(screen, lab, with_refusals=with_refusals)
    return seen


async def _show_part(
    screen: Screen, step: dict[str, Any], kind: str, name: str, of: str = "dialog"
) -> None:
    await screen.open_flow(SUBENTRY, step, OPEN_PART, kind)
    if of == "dialog":
        await screen.open_panels()
    await screen.take(name, of=of)


async def _walk(screen: Screen, lab: Lab, walk: Walk, *, with_refusals: bool) -> set[str]:
    """Go through a form: as it opens, each refusal, as it is filled in, and on to the next."""
    seen: set[str] = set()
    step = await lab.start(walk.system, walk.kind, walk.part)
    number = 0
    while step["type"] == "form":
        number += 1
        name = f"form {walk.label} {number} {step['step_id']}"
        await _show_part(screen, step, walk.kind, name)
        form = walk.forms.get(step["step_id"])
        if form is None:
            break
        for error, at, changes in walk.changes if with_refusals else ():
            if at != step["step_id"]:
                continue
            told = await lab.answer(step, merged(form, changes))
            if error not in (told.get("errors") or {}).values():
                got = told.get("errors") or told["type"]
                screen.findings.note("not provoked", f"{walk.label}: {error} (got {got})", name)
                if told.get("step_id") != at:
                    await lab.undo(told)
                    await screen.close_flow()
                    return seen
                continue
            seen.add(f"{walk.kind}.{error}")
            await _show_part(screen, told, walk.kind, f"refused {walk.label} {error}", "alert")
        if step.get("last_step"):
            break
        step = await lab.answer(step, form)
        if step.get("errors"):
            screen.findings.note("not passed", f"{walk.label}: {step['errors']}", name)
            break
    await lab.drop(step)
    await screen.close_flow()
    return seen


async def _walk_changed(screen: Screen, lab: Lab, label: str, kind: str, title: str) -> None:
    """Go through the form of a part as it is stored, without saving."""
    step = await lab.start("Lagoon", kind, title)
    number = 0
    while step["type"] == "form":
        number += 1
        await _show_part(screen, step, kind, f"change {label} {number} {step['step_id']}")
        if step.get("last_step"):
            break
        step = await lab.answer(step, stored(step["data_schema"]))
        if step.get("errors"):
            screen.findings.note("not passed", f"change {label}: {step['errors']}", label)
            break
    await lab.drop(step)
    await screen.close_flow()


def stored(schema: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Return what a form shows filled in, as it would be sent."""
    values: dict[str, Any] = {}
    for one in schema:
        suggested = (one.get("description") or {}).get("suggested_value")
        if one.get("type") == "expandable":
            values[one["name"]] = stored(one["schema"])
        elif suggested is not None:
            values[one["name"]] = suggested
        elif one.get("default") is not None and one.get("required"):
            values[one["name"]] = one["default"]
    return values


async def _system(screen: Screen, lab: Lab, *, with_refusals: bool) -> set[str]:
    """The form of a system, new and changed."""
    client = lab.client
    seen: set[str] = set()
    step = await client.post(SYSTEM_FLOW, {"handler": "stillwell"})

    async def show(form: dict[str, Any], name: str) -> None:
        await screen.open_flow(SYSTEM_FLOW, form, OPEN_SYSTEM)
        await screen.take(name, of="dialog")

    await show(step, "form system")
    for error, _, changes in SYSTEM_CHANGES if with_refusals else ():
        told = await client.post(f"{SYSTEM_FLOW}/{step['flow_id']}", merged(SYSTEM, changes))
        seen.update(f"system.{one}" for one in told["errors"].values())
        await show(told, f"refused system {error}")
    await client.delete(f"{SYSTEM_FLOW}/{step['flow_id']}")
    asked = {"handler": "stillwell", "entry_id": lab.entries["Lagoon"]}
    step = await client.post(SYSTEM_FLOW, asked)
    await show(step, "change system")
    await client.delete(f"{SYSTEM_FLOW}/{step['flow_id']}")
    await screen.close_flow()
    return seen


async def spoilt_forms(screen: Screen, lab: Lab) -> set[str]:
    """Show what forms refuse because something else is broken."""
    await screen.visit(INTEGRATION, 2500)
    seen: set[str] = set()
    for walk in spoilt(lab):
        seen |= await _walk(screen, lab, walk, with_refusals=True)
    return seen


async def added(screen: Screen, lab: Lab) -> None:
    """The last words after a vessel was added; the vessel goes again."""
    await screen.visit(INTEGRATION, 2500)
    walk = next(one for one in vessels() if one.kind == "reservoir")
    step = await lab.start("Nursery", walk.kind)
    while step["type"] == "form":
        step = await lab.answer(step, walk.forms[step["step_id"]])
    await lab.look()

    async def show() -> None:
        await screen.open_flow(SUBENTRY, step, OPEN_PART, walk.kind)
        await screen.take("added reservoir", of="dialog")
        await screen.close_flow()

    try:
        await show()
    finally:
        for title in (NEW, lab.line_of(NEW)):
            await lab.remove("Nursery", title)


async def calibration(screen: Screen, lab: Lab, answers: Iterable[dict[str, Any]]) -> None:
    """The guided calibration: the steps that the answers lead to, refusals among them."""
    client = lab.client
    await screen.visit(INTEGRATION, 2500)
    step = await client.post(OPTIONS_FLOW, {"handler": lab.entries["Lagoon"]})
    for number, answer in enumerate((*answers, None), start=1):
        faults = "-".join((step.get("errors") or {}).values())
        await screen.open_flow(OPTIONS_FLOW, step, OPEN_OPTIONS)
        name = f"calibration {number} {step.get('step_id', step['type'])} {faults}"
        await screen.take(name, of="dialog")
        if answer is None or step["type"] != "form":
            break
        if hook := answer.pop("_hook", None):
            await hook()
        step = await client.post(f"{OPTIONS_FLOW}/{step['flow_id']}", answer)
    if step["type"] == "form":
        await client.delete(f"{OPTIONS_FLOW}/{step['flow_id']}")
    await screen.close_flow()


async def devices(
    screen: Screen, lab: Lab, prefix: str = "device", only: Iterable[str] = ()
) -> None:
    """The page of each device."""
    wanted = set(only)
    await screen.visit("/config/devices/dashboard", 1500)
    for device in await lab.ask("config/device_registry/list"):
        is_ours = any(one[0] == "stillwell" for one in device["identifiers"])
        if is_ours and (not wanted or device["name"] in wanted):
            await screen.go(f"/config/devices/device/{device['id']}", 1800)
            await screen.take(f"{prefix} {device['name']}")


async def entities(screen: Screen, lab: Lab, prefix: str = "more info") -> None:
    """The dialog of one entity of each main kind."""
    seen: set[tuple[str, str]] = set()
    await screen.visit(f"/{DASHBOARD}", 2500)
    for entity in await lab.ask("config/entity_registry/list"):
        if entity["platform"] != "stillwell" or entity["disabled_by"] is not None:
            continue
        entity_id, key = entity["entity_id"], str(entity["translation_key"])
        kind = (entity_id.partition(".")[0], key)
        if key not in MAIN or kind in seen:
            continue
        seen.add(kind)
        await screen.page.evaluate(MORE_INFO, entity_id)
        await screen.page.locator("ha-more-info-dialog").wait_for(state="attached")
        await screen.page.wait_for_function(HAS_INFO, timeout=LIMIT_MS)
        await screen.rest(1100)
        await screen.take(f"{prefix} {entity_id.replace('.', ' ')}", of="dialog")
    await screen.page.evaluate(MORE_INFO, "")


async def add_dashboard(lab: Lab, language: str) -> None:
    """Store the dashboard, as five taps in the page do, under our title in a language."""
    if DASHBOARD in [one["url_path"] for one in await lab.ask("lovelace/dashboards/list")]:
        return
    title = load(language)["common", "dashboard_title"]
    await lab.ask("lovelace/dashboards/create", url_path=DASHBOARD, title=title, mode="storage")
    strategy = {"strategy": {"type": "custom:stillwell"}}
    await lab.ask("lovelace/config/save", url_path=DASHBOARD, config=strategy)


async def _open_view(screen: Screen, path: str) -> None:
    """Open a view; a busy machine may not have loaded our module in the time the page waits."""
    for _ in range(3):
        await screen.visit(path, 1500)
        cards = screen.page.locator("hui-sections-view hui-tile-card")
        try:
            await cards.first.wait_for(state="attached", timeout=30_000)
        except Error:
            continue
        await screen.rest(3000)
        return


async def dashboard(screen: Screen, lab: Lab, prefix: str = "dashboard") -> None:
    """Each view of the dashboard that the integration makes."""
    made = await lab.ask("stillwell/dashboard", language=screen.look.language)
    for number, view in enumerate(made["views"]):
        await _open_view(screen, f"/{DASHBOARD}/{view.get('path', number)}")
        await screen.take(f"{prefix} {number} {view['title']}")


async def repairs(screen: Screen, lab: Lab, prefix: str = "repair") -> None:
    """The list of what is to be repaired, each notice, and each step of its fix."""
    await screen.visit("/config/repairs", 2000)
    await screen.take(f"{prefix} list")
    found = (await lab.ask("repairs/list_issues"))["issues"]
    for issue in (one for one in found if one["domain"] == "stillwell"):
        name = f"{prefix} {issue['translation_key']} {issue['issue_id'][-6:]}"
        if not issue["is_fixable"]:
            await screen.page.evaluate(OPEN_FIX, [issue])
            await screen.rest(1500)
            await screen.take(name, of="dialog")
            await screen.visit("/config/repairs", 1500)
            continue
        await _fix(screen, lab, issue, name)


async def _fix(screen: Screen, lab: Lab, issue: dict[str, Any], name: str) -> None:
    async def begin() -> dict[str, Any]:
        asked = {"handler": issue["domain"], "issue_id": issue["issue_id"]}
        step: dict[str, Any] = await lab.client.post(FIX_FLOW, asked)
        return step

    async def show(step: dict[str, Any], of: str) -> None:
        await screen.open_flow(FIX_FLOW, step, OPEN_FIX, issue)
        await screen.take(of, of="dialog")
        await screen.close_flow()

    step = await begin()
    await show(step, name)
    for option in step.get("menu_options", ()):
        inner = await begin()
        if option in ("keep_edited", "replace_edited"):
            # These act at once; there is no form behind them.
            break
        then = await lab.client.post(f"{FIX_FLOW}/{inner['flow_id']}", {"next_step_id": option})
        await show(then, f"{name} {option}")
        if then["type"] == "form":
            await lab.client.delete(f"{FIX_FLOW}/{then['flow_id']}")
    if step["type"] in ("form", "menu"):
        await lab.client.delete(f"{FIX_FLOW}/{step['flow_id']}")


async def blueprints(screen: Screen, lab: Lab) -> None:
    """The list of blueprints, and the form of an automation made of each."""
    await screen.visit("/config/blueprint/dashboard", 2500)
    await screen.take("blueprints")
    listed = await lab.ask("blueprint/list", domain="automation")
    for path, one in listed.items():
        if not path.startswith("stillwell/"):
            continue
        await screen.visit("/config/blueprint/dashboard", 2500)
        row = screen.page.get_by_text(one["metadata"]["name"], exact=True).last
        await row.click()
        editor = screen.page.locator("blueprint-automation-editor")
        await editor.wait_for(state="attached")
        await screen.rest(1500)
        await screen.open_panels()
        await screen.take(f"blueprint {path.rpartition('/')[2].removesuffix('.yaml')}")


async def actions(screen: Screen, lab: Lab) -> None:
    """Each action with its fields, in the hub's tools."""
    services = await lab.client.get("/api/services")
    names = next(one["services"] for one in services if one["domain"] == "stillwell")
    for name in names:
        await screen.visit("/config/tools/action", 300)
        await screen.page.evaluate(
            """action => {
              localStorage.setItem("panel-dev-action-state-service-data",
                JSON.stringify({action, target: {}, data: {}}));
              localStorage.setItem("panel-dev-action-state-yaml-mode", "false");
            }""",
            f"stillwell.{name}",
        )
        await screen.visit("/config/tools/action", 1800)
        await screen.take(f"action {name}")


TRIGGERS: Final = {
    "water_low": ("binary_sensor", "low"),
    "refill_started": ("binary_sensor", "filling"),
    "refill_finished": ("binary_sensor", "filling"),
    "locked_out": ("binary_sensor", "lockout"),
    "unexplained_loss": ("binary_sensor", "unexplained_loss"),
    "sensor_fault": ("sensor", "signal"),
    "dose_paused": ("binary_sensor", "dose_paused"),
}
EACH: Final = {"behavior": "each", "for": "00:00:00"}
CONDITIONS: Final[dict[str, tuple[tuple[str, str], dict[str, Any]]]] = {
    "is_locked_out": (("binary_sensor", "lockout"), {"behavior": "any"}),
    "is_permitted": (("binary_sensor", "permit"), {"behavior": "all"}),
    "will_last": (
        ("sensor", "usable_volume"),
        {"behavior": "all", "lasts": {"days": 3}, "certainty": 80},
    ),
}


async def rules(screen: Screen, lab: Lab) -> None:
    """An automation with each of our triggers and conditions, unfolded."""
    first = {
        (entity["entity_id"].partition(".")[0], entity["translation_key"]): entity["entity_id"]
        for entity in reversed(await lab.ask("config/entity_registry/list"))
        if entity["platform"] == "stillwell" and entity["disabled_by"] is None
    }
    rule = {
        "alias": "Every trigger of ours",
        "description": "",
        "triggers": [
            {
                "trigger": f"stillwell.{key}",
                "target": {"entity_id": [first[of]]},
                "options": dict(EACH),
            }
            for key, of in TRIGGERS.items()
        ],
        "conditions": [
            {
                "condition": f"stillwell.{key}",
                "target": {"entity_id": [first[of]]},
                "options": options,
            }
            for key, (of, options) in CONDITIONS.items()
        ],
        "actions": [],
    }
    try:
        await lab.client.post("/api/config/automation/config/every_trigger", rule)
    except HubError as err:
        say(f"the rule was refused: {err}")
        screen.findings.note("not staged", str(err), "rules")
        return
    await screen.visit("/config/automation/edit/every_trigger", 4000)
    await screen.take("rule folded")
    for number, row in enumerate(
        await screen.page.locator("ha-automation-trigger-row, ha-automation-condition-row").all()
    ):
        # In its middle a row may show what it is about, which has a dialog of its own.
        await row.click(position={"x": 50, "y": 24})
        await screen.rest(900)
        await screen.take(f"rule part {number + 1}", whole=False)
        await screen.page.keyboard.press("Escape")
        await screen.rest(400)
