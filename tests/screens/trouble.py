"""The lab when things have gone wrong, each from a cause of its own.

While the hub stands still its files are made old, crossed or torn, as time, a keeper or a bad
card would; the rest is done to the running lab from outside.
"""

import asyncio
import copy
import hashlib
import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from demo.hub import ROOT, HubError, wait_for
from demo.stage import say

from .forms import BROKEN_SUMP, SPARE_SUMP
from .lab import LAGOON, NURSERY, Lab

PACKAGE: Final = ROOT / "custom_components"
LONG_AGO_S: Final = 400 * 86_400.0
OLDER: Final = "stillwell_refill_vessel.yaml"
EDITED: Final = ("stillwell_top_off_sump.yaml", "stillwell_daily_report.yaml")

type Stored = dict[str, Any]


def _change(file: Path, do: Callable[[Any], None]) -> None:
    stored = json.loads(file.read_text())
    do(stored["data"])
    file.write_text(json.dumps(stored))


def newer_package(config: Path) -> None:
    """Give the hub the next version of the package: two of its blueprints have moved on."""
    link = config / "custom_components"
    link.unlink()
    shutil.copytree(PACKAGE, link, ignore=shutil.ignore_patterns("__pycache__"))
    shipped = link / "stillwell/blueprints"
    known = json.loads((shipped / "released.json").read_text())
    for name in (OLDER, EDITED[0]):
        file = shipped / "automation/stillwell" / name
        text = file.read_text().replace("Version 1", "Version 2")
        file.write_text(text)
        hashed = hashlib.sha256(text.encode()).hexdigest()
        known[name]["2"] = {"text": hashed, "content": hashed}
    (shipped / "released.json").write_text(json.dumps(known))


def edit_blueprints(config: Path) -> None:
    """Let the keeper have edited two blueprints."""
    for name in EDITED:
        file = config / "blueprints/automation/stillwell" / name
        file.write_text(file.read_text() + "\n# A longer pause, for our slow valve.\n")


def _part(entry: Stored, title: str) -> Stored:
    found: Stored = next(one for one in entry["subentries"] if one["title"] == title)
    return found


def cross_settings(lab: Lab, config: Path) -> None:
    """Cross settings that no form would take, as a hand in the files would."""

    def cross(data: Stored) -> None:
        entries = {one["title"]: one for one in data["entries"] if one["domain"] == "stillwell"}
        lagoon = entries["Lagoon"]
        spare = copy.deepcopy(_part(lagoon, "Lagoon reservoir"))
        spare |= {"subentry_id": "SPARE0VESSEL", "title": "Lagoon spare reservoir"}
        spare["data"] |= {"source": "sensor.quarantine_level", "full_m": 0.01}
        line = copy.deepcopy(_part(lagoon, "Lagoon drain"))
        line |= {"subentry_id": "SPARE0LINE", "title": "Lagoon spare line"}
        line["data"] |= {"device": "input_boolean.spare_valve", "longest_run_s": -1}
        lagoon["subentries"] += [spare, line]
        _part(lagoon, "Lagoon evaporation")["data"]["surface_m2"] = 0
        nursery = entries["Nursery"]
        nursery["data"]["salinity_psu"] = 10.0
        for title, marks in ((BROKEN_SUMP, {"full_m": 0.01}), (SPARE_SUMP, {})):
            sump = copy.deepcopy(_part(lagoon, "Lagoon sump"))
            sump |= {"subentry_id": title.upper().replace(" ", "0"), "title": title}
            sump["data"] |= {"source": f"sensor.{title.lower().replace(' ', '_')}", **marks}
            del sump["data"]["return_pump"]
            nursery["subentries"].append(sump)
        # Reports every few seconds cannot guard a run of a few seconds.
        _part(lagoon, lab.line_of("Lagoon mixing vat"))["data"]["longest_run_s"] = 8

    _change(config / ".storage/core.config_entries", cross)


def let_time_pass(lab: Lab, config: Path) -> None:
    """Make dates of proof tests old, and let much water have run through the unit."""
    entry = lab.entries["Lagoon"]
    unit = lab.parts["Lagoon RO/DI unit"]

    def pass_tests(data: Stored) -> None:
        for kept in data["vessels"].values():
            for key, moment in (kept.get("proof_tests") or {}).items():
                kept["proof_tests"][key] = moment - LONG_AGO_S

    def pass_water(data: Stored) -> None:
        passed = data["vessels"][unit]["watch"]["membrane"]["stages_l"]
        passed |= dict.fromkeys(("membrane", "resin"), 12345.0)

    storage = config / ".storage"
    _change(storage / f"stillwell.{entry}.safety", pass_tests)
    _change(storage / f"stillwell.{entry}.learned", pass_water)


def tear_memory(lab: Lab, config: Path) -> None:
    """Cut a store off in the middle, as a power cut on a bad card does."""
    file = config / f".storage/stillwell.{lab.entries['Nursery']}.learned"
    file.write_text(file.read_text()[: file.stat().st_size // 2])


@contextmanager
def no_folder_for_blueprints(config: Path) -> Iterator[None]:
    """Put a file where the folder of the blueprints should be made."""
    folder = config / "blueprints/automation/stillwell"
    away = folder.with_name("away")
    folder.rename(away)
    folder.touch()
    try:
        yield
    finally:
        folder.unlink()
        away.rename(folder)


async def change_that_ends_early(lab: Lab) -> None:
    """Begin a water change, let some water out, and stop it."""
    change, drain = "Lagoon water change", "input_boolean.lagoon_drain_pump"
    volume = await lab.entity(change, "volume_to_change")
    await lab.client.act("number.set_value", volume, value=6)
    begin = await lab.entity(change, "begin_water_change")

    async def is_begun() -> bool:
        try:
            await lab.client.act("button.press", begin)
        except HubError as err:
            say(f"no water change yet: {err}")
            return False
        return True

    say("beginning a water change")
    await wait_for("the water change begins", is_begun, 240.0, every_s=10.0)
    await lab.client.wait_state(drain, "on", 30.0)
    for depth in (17.6, 17.2, 16.8):
        await lab.set("lagoon_sump_depth", depth)
        await asyncio.sleep(6.0)
    await lab.client.act("button.press", await lab.entity(change, "stop_water_change"))
    await lab.client.wait_state(drain, "off", 30.0)
    await lab.set("lagoon_sump_depth", 18.0)


async def standstill(lab: Lab) -> None:
    """Stop the hub, do to its files what has happened meanwhile, and start it again."""
    stage = lab.stage
    config = stage.hub.config
    for entry_id in lab.entries.values():
        # Everything is on the disk then, even if a busy hub must be ended before it is done.
        await stage.client.post(f"/api/config/config_entries/entry/{entry_id}/reload")
    await stage.client.hang_up()
    await stage.hub.stop()
    say("changing the files of the hub while it stands")
    newer_package(config)
    edit_blueprints(config)
    cross_settings(lab, config)
    let_time_pass(lab, config)
    tear_memory(lab, config)
    await stage.start_again()
    await lab.look()


async def go_wrong(lab: Lab) -> None:
    """Wet the floor, unplug a strip, and take a probe out of its band."""
    say("water on the floor, a strip unplugged, a probe outside its band")
    await lab.stage.hand(LAGOON, "leak", active=True)
    await lab.stage.hand(NURSERY, "plug", how="out")
    await lab.set("lagoon_ph_figure", 8.7)
    await lab.set("lagoon_water", 29.4)
    lockout = await lab.entity(lab.line_of("Lagoon reservoir"), "lockout")
    await lab.client.wait_state(lockout, "on", 60.0)


async def lose_water(lab: Lab) -> None:
    """Let water run out as from a burst hose, until that is told: it takes five minutes."""
    loss = await lab.entity("Lagoon reservoir", "unexplained_loss")

    async def look() -> bool:
        state = await lab.client.state(loss)
        if state is not None and state["state"] == "on":
            return True
        await lab.stage.hand(LAGOON, "draw", litres=0.08)
        return False

    await wait_for("the loss is told", look, 500.0, every_s=4.0)
