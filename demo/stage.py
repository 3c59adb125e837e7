"""The lab on its feet: hub and plant as processes, with a past, a login and reservoirs."""

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Self

import aiohttp

from . import past
from .hub import ROOT, HubClient, HubProcess, free_port, prepare_config, wait_for
from .lab import Tank, add_rule, add_sump, add_system
from .plant import Wiring

KEEPER = "keeper"
PASSWORD = "still-water"  # noqa: S105 - a demonstration that only this machine can reach

BEGAN_S = time.monotonic()


def say(text: str) -> None:
    """Show progress."""
    print(f"[{time.monotonic() - BEGAN_S:5.1f} s] {text}", flush=True)


class Stage:
    """Hub, plant and reservoirs; leaving the context ends both processes."""

    def __init__(
        self,
        folder: Path,
        port: int,
        tanks: Sequence[Tank],
        *,
        report_every_s: float,
        is_headless: bool,
    ) -> None:
        self.folder = folder
        self.tanks = tanks
        self.hub = HubProcess(folder / "config", port)
        self.client = HubClient(self.hub.url)
        self.own: dict[str, dict[str, str]] = {}
        """Entities of each tank's reservoir: tank key -> entity key -> entity id."""
        self.sump_own: dict[str, dict[str, str]] = {}
        """Likewise those of its sump, dosing line and RO/DI unit, of a tank that has them."""
        self.reports: dict[str, list[past.Report]] = {}
        self._port = port
        self._plant_port = free_port()
        self._report_every_s = report_every_s
        self._is_headless = is_headless
        self._plant: subprocess.Popen[bytes] | None = None

    async def __aenter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.hub.log.unlink(missing_ok=True)
        names = [tank.name for tank in self.tanks]
        sumps = [tank.name for tank in self.tanks if tank.plant.sump_cm is not None]
        prepare_config(
            self.hub.config, self._port, names, is_headless=self._is_headless, sumps=sumps
        )
        await self.client.__aenter__()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.client.__aexit__()
        if self._plant is not None:
            self._plant.terminate()
            self._plant.wait()
        await self.hub.stop()

    async def open(self, *, with_past: bool = True) -> None:
        """Bring everything to the point where a keeper would look around."""
        await self.open_empty(with_past=with_past)
        for tank in self.tanks:
            say(f"filling in the forms: system {tank.name}, its reservoir")
            self.own[tank.key] = await add_system(self.client, tank)
            if tank.plant.sump_cm is not None:
                say(f"filling in the forms: {tank.name}'s sump, limewater line and RO/DI unit")
                self.sump_own[tank.key] = await add_sump(self.client, tank)
        if with_past:
            say("Stillwell learns from the recorder")
            await wait_for("the use per day is known", self._is_use_known, 90.0)

    async def open_empty(self, *, with_past: bool = True) -> None:
        """Bring hub and plant to the point where a keeper would add the integration."""
        say("starting the hub for the first time")
        self.hub.start()
        await self.hub.wait_answering("/api/onboarding")
        await self.client.login(KEEPER, PASSWORD)
        await self.client.wait_running()
        if with_past:
            await self._write_the_past()
        say("starting the plant, a process of its own")
        self.start_plant()
        await wait_for("the strips report", self.strips_report, 20.0)
        for tank in self.tanks:
            await self.client.post("/api/services/switch/turn_off", {"entity_id": tank.faults})

    async def _write_the_past(self) -> None:
        say(f"writing {past.PAST_DAYS:g} days of history")
        await self.client.hang_up()
        await self.hub.stop()
        for tank in self.tanks:
            reports = self.reports[tank.key] = past.live(tank, time.time())
            past.record(self.hub.config / "home-assistant_v2.db", tank, reports)
        await self.start_again()
        for tank in self.tanks:
            await past.import_statistics(self.client, tank, self.reports[tank.key])

    async def start_again(self) -> None:
        """Start the hub on what is there, and wait until everything is set up."""
        say("starting the hub again")
        self.hub.start()
        await self.hub.wait_answering()
        await self.client.wait_running()

    async def strips_report(self) -> bool:
        """Whether the hub has heard of every level strip."""
        return all([await self._is_known(tank.strip) for tank in self.tanks])

    async def _is_use_known(self) -> bool:
        return all([await self._is_known(own["use_per_day"]) for own in self.own.values()])

    async def _is_known(self, entity_id: str) -> bool:
        state = await self.client.state(entity_id)
        return state is not None and state["state"] not in ("unknown", "unavailable")

    async def add_rules(self) -> None:
        """Make the refill rules from the shipped blueprint."""
        say("making the refill rules from the blueprint")
        for tank in self.tanks:
            await add_rule(self.client, tank, self.own[tank.key]["lockout"])

    def start_plant(self) -> None:
        """Start the plant; the hub must have given its token."""
        wiring = Wiring(
            hub_url=self.hub.url,
            token=self.client.token,
            port=self._plant_port,
            report_every_s=self._report_every_s,
            tanks={tank.key: replace(tank.plant, level_cm=tank.ends_at_cm) for tank in self.tanks},
        )
        file = self.folder / "plant.json"
        file.touch(mode=0o600)
        file.write_text(json.dumps(asdict(wiring)))
        with (self.folder / "plant.log").open("wb") as log:
            self._plant = subprocess.Popen(
                [sys.executable, str(ROOT / "demo/plant.py"), str(file)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    async def truth(self, tank: Tank, *litres: float) -> dict[str, Any]:
        """Return what is really there; with litres, when they will have been used up."""
        query = {"tank": tank.key, "until": json.dumps(litres)}
        url = f"http://127.0.0.1:{self._plant_port}/truth"
        async with (
            aiohttp.ClientSession() as session,
            session.get(url, params=query) as answer,
        ):
            found: dict[str, Any] = await answer.json()
            return found

    async def hand(self, tank: Tank, do: str, **more: Any) -> None:
        """Do something at the bench, hub or no hub."""
        url = f"http://127.0.0.1:{self._plant_port}/command"
        async with (
            aiohttp.ClientSession() as session,
            session.post(url, json={"tank": tank.key, "do": do, **more}),
        ):
            await asyncio.sleep(0)
