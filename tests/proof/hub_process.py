"""Faults injected into lines of the real hub process with the shipped refill blueprint.

Twenty reservoirs, each with its line and its rule, in one hub; the plant is a process of its own
and goes on while the hub is dead. One injection is one fault at one line. Run by itself:
``python -m tests.proof.hub_process``; it writes its part of docs/proof.md.
"""

import argparse
import asyncio
import json
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from demo.hub import HubError, free_port, wait_for
from demo.lab import SCHOOL, Tank, add_rule
from demo.plant import Settings
from demo.stage import KEEPER, PASSWORD, Stage
from homeassistant.config_entries import ConfigEntry

from .engine_alone import ROOT
from .page import HUB_BEGIN, HUB_END

LINES = 20
OPENS_S, SHUTS_S, STUCK_S, QUIET_S = 240.0, 20.0, 90.0, 45.0
REPORT_S = 2.0
LOW_CM = 6.0
"""Below the level at which the rules start."""
PAGE = ROOT / "docs" / "proof.md"
FAULTS_IN_A_FILL = ("strip reads 0", "strip gone", "leak", "reported by a rule", "brim in sight")


@dataclass(slots=True)
class Round:
    """One fault at all lines: how often injected, what went wrong, how long the valve took."""

    name: str
    injected: int = 0
    violations: list[str] = field(default_factory=list)
    slowest_s: float = 0.0


@dataclass(slots=True)
class Bench:
    """The hub, its lines, and what was found."""

    stage: Stage
    rounds: list[Round] = field(default_factory=list)
    began_s: float = field(default_factory=time.monotonic)

    def say(self, text: str) -> None:
        """Show progress."""
        print(f"{time.monotonic() - self.began_s:6.0f} s  {text}", flush=True)  # noqa: T201

    async def round(self, name: str, inject: Callable[[Round, Tank, int], Awaitable[None]]) -> None:
        """Inject one fault at all lines side by side, and judge each."""
        found = Round(name)
        self.rounds.append(found)

        async def one(tank: Tank, number: int) -> None:
            found.injected += 1
            try:
                await inject(found, tank, number)
            except HubError as err:
                found.violations.append(f"{tank.name}: {err}")
            truth = await self.stage.truth(tank)
            if truth["spilled_l"] > 0.0:
                found.violations.append(f"{tank.name}: {truth['spilled_l']:.2f} L over the brim")

        await asyncio.gather(*(one(tank, n) for n, tank in enumerate(self.stage.tanks)))
        self.say(f"{name}: {found.injected} injected, {len(found.violations)} violations")
        for line in found.violations[:3]:
            self.say(f"  {line}")

    async def draw_to(self, tank: Tank, level_cm: float) -> None:
        """Take water out by the bucket."""
        level_l = (await self.stage.truth(tank))["volume_l"]
        await self.stage.hand(tank, "draw", litres=level_l - tank.litres(level_cm))

    async def is_open(self, tank: Tank) -> bool:
        """Whether water runs, in truth."""
        return bool((await self.stage.truth(tank))["is_open"])

    async def opens(self, tank: Tank) -> None:
        """Wait until the rule has opened the valve."""
        try:
            await wait_for(f"{tank.name} fills", lambda: self.is_open(tank), OPENS_S)
        except HubError as err:
            raise HubError(f"{err}; {await self.why_shut(tank)}") from err

    async def why_shut(self, tank: Tank) -> str:
        """Say what the line waits for, what it decided last, and where the water stands."""
        lockout = self.stage.own[tank.key]["lockout"]
        shown = (await self.stage.client.state(lockout) or {}).get("attributes", {})
        answer = await self.stage.client.post(
            "/api/services/stillwell/decision_log?return_response", {"entity_id": lockout}
        )
        last = answer["service_response"]["lines"][0]["decisions"][-3:]
        level_cm = (await self.stage.truth(tank))["level_cm"]
        told = "; ".join(f"{decision['text']}" for decision in last)
        return f"at {level_cm:.2f} cm, waits for {shown.get('block_reason')}; {told}"

    async def shuts(self, found: Round, tank: Tank, limit_s: float = SHUTS_S) -> None:
        """Wait until the valve is shut in truth."""

        async def look() -> bool:
            return not await self.is_open(tank)

        began_s = time.monotonic()
        await wait_for(f"{tank.name} is shut", look, limit_s)
        found.slowest_s = max(found.slowest_s, time.monotonic() - began_s)

    async def locked_out(self, tank: Tank) -> None:
        """Wait until the hub shows the lockout."""
        await self.stage.client.wait_state(self.stage.own[tank.key]["lockout"], "on", SHUTS_S)

    async def stays_shut(self, tank: Tank, span_s: float) -> None:
        """Look for a while whether the valve is left alone."""
        count = len((await self.stage.truth(tank))["fills"])
        await asyncio.sleep(span_s)
        if len((await self.stage.truth(tank))["fills"]) != count:
            raise HubError("the valve was opened")

    async def reset(self, tank: Tank) -> None:
        """Press reset until the lockout is over."""
        own = self.stage.own[tank.key]

        async def look() -> bool:
            await self.stage.client.post("/api/services/button/press", {"entity_id": own["reset"]})
            state = await self.stage.client.state(own["lockout"])
            return state is not None and state["state"] == "off"

        await wait_for(f"{tank.name} is reset", look, SHUTS_S, every_s=2.0)

    async def all_fill(self) -> None:
        """Wait until the rules have opened every valve; below the start level they must."""
        for tank in self.stage.tanks:
            await self.draw_to(tank, tank.ends_at_cm)
        done = await asyncio.gather(
            *(self.opens(tank) for tank in self.stage.tanks), return_exceptions=True
        )
        if faults := [str(one) for one in done if isinstance(one, BaseException)]:
            raise HubError("; ".join(faults))
        self.say("every rule has opened its valve")

    # The rounds

    async def play(self) -> None:
        """Play all rounds."""
        await self.all_fill()
        await self.power_cut("SIGKILL in a fill, valve open", opens=False)
        await self.all_fill()
        await self.round("a fault in a fill", self._fault_in_a_fill)
        await self.round("opened at the bench while not permitted", self._opened_at_the_bench)
        await self.round("leak at rest", self._leak)
        await self.round("opened at the bench while wet", self._opened_at_the_bench)
        await self.round("opened by a person in a lockout", self._opened_in_the_hub)
        await self.power_cut("SIGKILL in a lockout, opened while the hub is dead", opens=True)
        await self.round("sticks open in a lockout", self._sticks)
        await self.round("reset with the strip reading 0", self._reset_with("out"))
        await self.round("strip gone at a low level", self._reset_with("cut"))

    async def power_cut(self, name: str, *, opens: bool) -> None:
        """End the hub without a word; the first order afterwards must be to shut."""
        await asyncio.sleep(3.0)
        stage = self.stage
        await stage.client.hang_up()
        stage.hub.kill()
        await asyncio.sleep(1.0)
        for tank in stage.tanks if opens else ():
            # While no hub is there only the float valve and the overflow hold: not asked here.
            await self.draw_to(tank, LOW_CM)
            await stage.hand(tank, "open")
        marks = {tank.key: len((await stage.truth(tank))["orders"]) for tank in stage.tanks}
        was_open = {tank.key: await self.is_open(tank) for tank in stage.tanks}
        await stage.start_again()

        async def judge(found: Round, tank: Tank, _number: int) -> None:
            if not was_open[tank.key]:
                raise HubError("was not open when the hub died")
            await self.shuts(found, tank, STUCK_S)
            orders = (await stage.truth(tank))["orders"][marks[tank.key] :]
            first = [order["do"] for order in orders if order["do"] in ("open", "close")][:1]
            if first != ["close"]:
                raise HubError(f"first order after the cut: {first}")
            if opens:
                await self.locked_out(tank)

        await self.round(name, judge)

    async def _fault_in_a_fill(self, found: Round, tank: Tank, number: int) -> None:
        await asyncio.sleep(number % 7)
        if not await self.is_open(tank):
            raise HubError("did not fill when the fault came")
        stage = self.stage
        match FAULTS_IN_A_FILL[number % len(FAULTS_IN_A_FILL)]:
            case "strip reads 0":
                await stage.hand(tank, "plug", how="out")
            case "strip gone":
                await stage.hand(tank, "plug", how="cut")
            case "leak":
                await stage.hand(tank, "leak", active=True)
            case "reported by a rule":
                lockout = stage.own[tank.key]["lockout"]
                data = {"entity_id": lockout, "reason": "hose off"}
                await stage.client.post("/api/services/stillwell/lock_out", data)
            case _:
                level_cm = (await stage.truth(tank))["level_cm"]
                await stage.hand(tank, "pour", litres=tank.litres(32.8 - level_cm))
        await self.shuts(found, tank)

    async def _opened_at_the_bench(self, found: Round, tank: Tank, _number: int) -> None:
        await self.stage.hand(tank, "open")
        await self.shuts(found, tank)

    async def _opened_in_the_hub(self, found: Round, tank: Tank, _number: int) -> None:
        await self.stage.hand(tank, "leak", active=False)
        await asyncio.sleep(2 * REPORT_S)
        count = len((await self.stage.truth(tank))["orders"])
        await self.stage.client.act("switch.turn_on", tank.valve)

        async def look() -> bool:
            orders = (await self.stage.truth(tank))["orders"][count:]
            done = [order["do"] for order in orders]
            return "open" in done and "close" in done[done.index("open") :]

        await wait_for(f"{tank.name} was opened and shut again", look, SHUTS_S)
        await self.shuts(found, tank)

    async def _leak(self, found: Round, tank: Tank, _number: int) -> None:
        await self.stage.hand(tank, "plug", how="in")
        await self.stage.hand(tank, "leak", active=True)
        await self.locked_out(tank)
        await self.shuts(found, tank)

    async def _sticks(self, found: Round, tank: Tank, _number: int) -> None:
        stage = self.stage
        await stage.hand(tank, "stick", active=True)
        count = len((await stage.truth(tank))["orders"])
        await stage.hand(tank, "open")

        async def look() -> bool:
            orders = (await stage.truth(tank))["orders"][count:]
            return [order["do"] for order in orders].count("close") >= 3

        await wait_for(f"{tank.name}: OFF is repeated", look, STUCK_S)
        await self.locked_out(tank)
        await stage.hand(tank, "stick", active=False)
        await self.shuts(found, tank, STUCK_S)

    def _reset_with(self, how: str) -> Callable[[Round, Tank, int], Awaitable[None]]:
        async def inject(found: Round, tank: Tank, _number: int) -> None:
            stage = self.stage
            await self.draw_to(tank, LOW_CM)
            await stage.hand(tank, "plug", how=how)
            await asyncio.sleep(2 * REPORT_S)
            await self.reset(tank)
            await self.stays_shut(tank, QUIET_S)
            await self.shuts(found, tank)

        return inject


def tanks(count: int) -> tuple[Tank, ...]:
    """Return reservoirs that take many minutes to fill, so that faults come in a fill."""
    return tuple(
        Tank(
            f"{'Lagoon' if number % 2 else 'Nursery'}{number}",
            450.0,
            SCHOOL,
            Settings(seed=number),
            ends_at_cm=6.0,
        )
        for number in range(1, count + 1)
    )


def entry(chosen: tuple[Tank, ...]) -> dict[str, Any]:
    """Return the system with all vessels and lines, as the hub stores it."""
    subentries: list[dict[str, Any]] = []
    for tank in chosen:
        side_m = tank.plant.footprint_cm2**0.5 / 100.0
        vessel = {
            "source": tank.strip,
            "measure": "depth",
            "sensor_zero_m": 0.0,
            "shape": {
                "kind": "box",
                "length_m": side_m,
                "width_m": side_m,
                "height_m": tank.plant.height_cm / 100.0,
            },
            "empty_m": tank.band.empty_cm / 100.0,
            "start_m": tank.band.start_cm / 100.0,
            "full_m": tank.band.full_cm / 100.0,
            "high_m": tank.band.high_cm / 100.0,
            "replaces_evaporation": False,
            "zero_is_suspect": True,
        }
        line = {
            "device": tank.valve,
            "destination": f"{tank.key}_vessel",
            "longest_run_s": float(tank.band.longest_run_s),
            "settle_s": 10.0,
            "shortest_pause_s": 0.0,
            "high_inputs": [tank.float_switch],
            "leak_inputs": [tank.floor],
        }
        for kind, name, data in (
            ("reservoir", "vessel", vessel),
            ("fill_line", "line", line),
        ):
            subentries.append(
                {
                    "data": data,
                    "subentry_id": f"{tank.key}_{name}",
                    "subentry_type": kind,
                    "title": f"{tank.name} {name}",
                    "unique_id": None,
                }
            )
    made = ConfigEntry(
        created_at=None,
        data={"volume_l": 450.0, "salinity_psu": 35.0},
        discovery_keys=MappingProxyType({}),
        domain="stillwell",
        entry_id="bench",
        minor_version=2,
        modified_at=None,
        options={},
        source="user",
        subentries_data=subentries,  # type: ignore[arg-type]
        title="Bench",
        unique_id=None,
        version=1,
    )
    return json.loads(json.dumps(made.as_dict(), default=str))  # type: ignore[no-any-return]


async def _entities(stage: Stage, tank: Tank) -> dict[str, str]:
    async def look() -> dict[str, str] | None:
        found = {
            entity["translation_key"]: entity["entity_id"]
            for entity in await stage.client.call("config/entity_registry/list")
            if entity["unique_id"].startswith(f"{tank.key}_line_")
        }
        return found if {"lockout", "reset", "permit"} <= found.keys() else None

    found: dict[str, str] = await wait_for(f"entities of {tank.name}", look, 60.0)
    return found


async def run(folder: Path, count: int) -> Bench:
    """Set the bench up and play all rounds."""
    stage = Stage(folder, free_port(), tanks(count), report_every_s=REPORT_S, is_headless=True)
    async with stage:
        store = {"version": 1, "minor_version": 5, "key": "core.config_entries"}
        file = stage.hub.config / ".storage" / "core.config_entries"
        file.write_text(json.dumps({**store, "data": {"entries": [entry(tuple(stage.tanks))]}}))
        bench = Bench(stage)
        bench.say(f"starting the hub with {count} lines")
        stage.hub.start()
        await stage.hub.wait_answering("/api/onboarding")
        await stage.client.login(KEEPER, PASSWORD)
        await stage.client.wait_running()
        stage.start_plant()
        await wait_for("the strips report", stage.strips_report, 60.0)
        for tank in stage.tanks:
            stage.own[tank.key] = await _entities(stage, tank)
            await add_rule(stage.client, tank, stage.own[tank.key]["lockout"])
        bench.say("the rules are made from the shipped blueprint")
        await bench.play()
        return bench


def hub_part(rounds: list[Round], lines: int) -> str:
    """Return the part of the page."""
    injected = sum(one.injected for one in rounds)
    violations = sum(len(one.violations) for one in rounds)
    rows = [
        f"{injected} faults injected into {lines} lines of one hub process, each with a rule from",
        f"the shipped refill blueprint: **{violations} violations**. The valve is looked at in the",
        "plant, a process of its own, not in the hub. Times are on the clock of the machine.",
        "",
        "| fault | injected | violations | shut after, at most s |",
        "| --- | ---: | ---: | ---: |",
        *(
            f"| {one.name} | {one.injected} | {len(one.violations)} | {one.slowest_s:.0f} |"
            for one in rounds
        ),
        "",
        f"The faults in a fill are, in turn: {', '.join(FAULTS_IN_A_FILL)}.",
    ]
    return "\n".join(rows)


def write(text: str) -> None:
    """Put the part between its marks; a page that is not there yet gets only them."""
    page = PAGE.read_text("utf-8") if PAGE.exists() else f"{HUB_BEGIN}\n{HUB_END}\n"
    head, tail = page.split(HUB_BEGIN, 1)[0], page.split(HUB_END, 1)[1]
    PAGE.write_text(f"{head}{HUB_BEGIN}\n{text}\n{HUB_END}{tail}", encoding="utf-8")


def main() -> int:
    """Return 0 only without a violation."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, default=LINES)
    parser.add_argument("--dry", action="store_true", help="do not write docs/proof.md")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        bench = asyncio.run(run(Path(folder), chosen.lines))
    if not chosen.dry:
        write(hub_part(bench.rounds, chosen.lines))
    violations = [f"{one.name}: {text}" for one in bench.rounds for text in one.violations]
    for line in violations:
        bench.say(f"VIOLATION {line}")
    bench.say(f"{sum(one.injected for one in bench.rounds)} faults, {len(violations)} violations")
    return 1 if violations else 0


if __name__ == "__main__":
    sys.exit(main())
