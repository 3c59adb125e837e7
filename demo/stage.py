"""The lab on its feet: hub and plant as processes, with a past, a login and a reservoir."""

import asyncio
import json
import subprocess
import sys
import time
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Self

import aiohttp

from . import past
from .hub import ROOT, HubClient, HubProcess, free_port, prepare_config, wait_for
from .lab import STRIP, Band, add_automation, add_system, own_entities
from .plant import Settings

KEEPER = "keeper"
PASSWORD = "still-water"  # noqa: S105 - a demonstration that only this machine can reach

BEGAN_S = time.monotonic()


def say(text: str) -> None:
    """Show progress."""
    print(f"[{time.monotonic() - BEGAN_S:5.1f} s] {text}", flush=True)


class Stage:
    """Hub, plant and reservoir; leaving the context ends both processes."""

    def __init__(
        self, folder: Path, port: int, settings: Settings, band: Band, *, is_headless: bool
    ) -> None:
        self.folder = folder
        self.band = band
        self.settings = replace(
            settings, hub_url=f"http://127.0.0.1:{port}", port=free_port(), token=""
        )
        self.hub = HubProcess(folder / "config", port)
        self.client = HubClient(self.hub.url)
        self.own: dict[str, str] = {}
        self.reports: list[past.Report] = []
        self._is_headless = is_headless
        self._plant: subprocess.Popen[bytes] | None = None

    async def __aenter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.hub.log.unlink(missing_ok=True)
        prepare_config(self.hub.config, self.settings_port, is_headless=self._is_headless)
        await self.client.__aenter__()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.client.__aexit__()
        if self._plant is not None:
            self._plant.terminate()
            self._plant.wait()
        await self.hub.stop()

    @property
    def settings_port(self) -> int:
        """The hub's port."""
        return int(self.hub.url.rpartition(":")[2])

    async def open(self, ends_at_cm: float, *, with_past: bool = True) -> None:
        """Bring everything to the point where a keeper would come in."""
        say("starting the hub for the first time")
        self.hub.start()
        await self.hub.wait_answering("/api/onboarding")
        await self.client.login(KEEPER, PASSWORD)
        await self.client.wait_running()
        if with_past:
            self.reports = past.live(self.settings, self.band, time.time(), ends_at_cm)
        say("starting the plant")
        self._start_plant(ends_at_cm)
        await wait_for("the strip reports", self._strip_reports, 20.0)
        say("filling in the forms: system Lagoon, its reservoir")
        entry_id = await add_system(self.client, self.band)
        self.own = await own_entities(self.client)
        if with_past:
            await self._live_through_the_past(entry_id)

    async def _live_through_the_past(self, entry_id: str) -> None:
        say(f"writing {past.PAST_DAYS:g} days of history")
        await self.client.hang_up()
        await self.hub.stop()
        past.record(self.hub.config / "home-assistant_v2.db", self.reports)
        await past.teach(self.hub.config, entry_id, self.reports, sys.executable)
        say("starting the hub again")
        self.hub.start()
        await self.hub.wait_answering()
        await self.client.wait_running()
        await past.import_statistics(self.client, self.reports)

    async def add_rule(self) -> None:
        """Make the refill rule from the shipped blueprint."""
        say("making the refill rule from the blueprint")
        await add_automation(self.client, self.own["lockout"], self.band)

    def _start_plant(self, level_cm: float) -> None:
        self.settings = replace(self.settings, level_cm=level_cm, token=self.client.token)
        file = self.folder / "plant.json"
        file.touch(mode=0o600)
        file.write_text(json.dumps(asdict(self.settings)))
        with (self.folder / "plant.log").open("wb") as log:
            self._plant = subprocess.Popen(
                [sys.executable, str(ROOT / "demo/plant.py"), str(file)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    async def _strip_reports(self) -> bool:
        state = await self.client.state(STRIP)
        return state is not None and state["state"] not in ("unknown", "unavailable")

    async def truth(self, *litres: float) -> dict[str, Any]:
        """Return what is really there; with litres, when they will have been used up."""
        async with (
            aiohttp.ClientSession() as session,
            session.get(
                f"http://127.0.0.1:{self.settings.port}/truth",
                params={"until": json.dumps(litres)},
            ) as answer,
        ):
            found: dict[str, Any] = await answer.json()
            return found

    async def hand(self, do: str, **more: Any) -> None:
        """Do something at the bench, hub or no hub."""
        async with (
            aiohttp.ClientSession() as session,
            session.post(f"http://127.0.0.1:{self.settings.port}/command", json={"do": do, **more}),
        ):
            await asyncio.sleep(0)
