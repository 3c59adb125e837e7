"""The simulated water side of the lab, as a process of its own.

It knows nothing of Stillwell and imports nothing of it. For each tank it holds a reservoir, the
tank's thirst, a supply behind a valve, a float switch, a leak sensor and a level strip, for one
of them a sump with a dosing pump and the meters of an RO/DI unit, too, and talks
to the hub from outside, as a microcontroller on the wall would: it listens for the event
``plant_command`` over the hub's WebSocket API and sends what its sensors see to a webhook.

A valve does what it was last told, whatever becomes of the hub. What is really there can be
read at ``http://127.0.0.1:PORT/truth``; a real plant has no such window.

    python plant.py SETTINGS.json
"""

import asyncio
import contextlib
import json
import math
import random
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Self

import aiohttp
from aiohttp import web

DAY_S = 86_400.0
STEP_S = 0.1
VALVE_TRAVEL_S = 0.3


@dataclass
class Settings:
    """What a tank's reservoir and its surroundings are made of."""

    # A bin 30 cm x 30 cm, 34 cm high: 0.9 L for each centimetre.
    footprint_cm2: float = 900.0
    height_cm: float = 34.0
    level_cm: float = 25.0
    # The tank evaporates by day more than by night (common practice, no source).
    use_l_per_day: float = 3.0
    day_swing: float = 0.3
    brightest_s: float = 15.0 * 3600.0
    supply_l_per_min: float = 3.0
    float_at_cm: float = 32.5
    # A cheap strip: reads whole millimetres and trembles by about one.
    strip_noise_cm: float = 0.08
    strip_step_cm: float = 0.1
    seed: int = 7
    # A sump of 60 cm by 40 cm; a float valve of its own lets in from the reservoir what the tank
    # evaporates, so that its level stays. None: the tank has no sump.
    sump_cm: float | None = None
    sump_footprint_cm2: float = 2400.0
    dosing_ml_per_min: float = 600.0
    # What the meters of the RO/DI unit show: solids before and after, temperature, pressure.
    feed_ppm: float = 210.0
    product_ppm: float = 6.0
    feed_c: float = 14.0
    feed_bar: float = 3.8


@dataclass
class Wiring:
    """Where the hub is, and what hangs on the wire."""

    hub_url: str
    token: str
    port: int
    report_every_s: float
    tanks: dict[str, Settings]

    @classmethod
    def read(cls, file: Path) -> Self:
        """Read it from a file."""
        data = json.loads(file.read_text())
        tanks = {name: Settings(**tank) for name, tank in data.pop("tanks").items()}
        return cls(**data, tanks=tanks)


@dataclass
class Fill:
    """One run of the valve, as it really was."""

    start_s: float
    end_s: float | None = None
    poured_l: float = 0.0


@dataclass
class Plant:
    """One reservoir and the things that touch it; `advance` lets time pass."""

    settings: Settings
    t_s: float
    volume_l: float = 0.0
    is_open: bool = False
    is_stuck_open: bool = False
    is_leaking: bool = False
    plug: str = "in"
    supply_share: float = 1.0
    spilled_l: float = 0.0
    fills: list[Fill] = field(default_factory=list)
    is_dosing: bool = False
    dosed_ml: float = 0.0
    noise: random.Random = field(default_factory=random.Random)

    def __post_init__(self) -> None:
        self.volume_l = self.litres(self.settings.level_cm)
        self.noise = random.Random(self.settings.seed)

    def litres(self, level_cm: float) -> float:
        """Return the water below a level."""
        return level_cm * self.settings.footprint_cm2 / 1000.0

    @property
    def level_cm(self) -> float:
        """The true level."""
        return self.volume_l * 1000.0 / self.settings.footprint_cm2

    def used_l(self, from_s: float, to_s: float) -> float:
        """Return what the tank draws between two times: a mean and a daily wave, integrated."""
        wave = 2.0 * math.pi / DAY_S
        start, end = (wave * (t - self.settings.brightest_s) for t in (from_s, to_s))
        days = (to_s - from_s) / DAY_S
        swing = self.settings.day_swing * (math.sin(end) - math.sin(start)) / (2.0 * math.pi)
        return self.settings.use_l_per_day * (days + swing)

    def used_up_at(self, litres: float) -> float:
        """Return the time at which the tank will have drawn so much from now on."""
        low, high = self.t_s, self.t_s + 2.0 * DAY_S * (1.0 + litres / self.settings.use_l_per_day)
        while high - low > 0.5:
            middle = (low + high) / 2.0
            if self.used_l(self.t_s, middle) < litres:
                low = middle
            else:
                high = middle
        return high

    @property
    def inflow_l_per_s(self) -> float:
        """What comes through the valve now."""
        if not self.is_open:
            return 0.0
        return self.settings.supply_l_per_min * self.supply_share / 60.0

    def advance(self, t_s: float) -> None:
        """Let time pass."""
        poured_l = self.inflow_l_per_s * (t_s - self.t_s)
        self.volume_l = max(0.0, self.volume_l + poured_l - self.used_l(self.t_s, t_s))
        brim_l = self.litres(self.settings.height_cm)
        self.spilled_l += max(0.0, self.volume_l - brim_l)
        self.volume_l = min(self.volume_l, brim_l)
        if self.is_open and self.fills:
            self.fills[-1].poured_l += poured_l
        if self.is_dosing:
            self.dosed_ml += self.settings.dosing_ml_per_min / 60.0 * (t_s - self.t_s)
        self.t_s = t_s

    def turn_valve(self, *, to_open: bool) -> None:
        """Move the valve, unless it sticks."""
        if to_open and not self.is_open:
            self.is_open = True
            self.fills.append(Fill(self.t_s))
        elif not to_open and self.is_open and not self.is_stuck_open:
            self.is_open = False
            self.fills[-1].end_s = self.t_s

    def strip_cm(self) -> float | None:
        """Return what the level strip says; exactly 0 when it is unplugged, None when cut off."""
        if self.plug == "out":
            return 0.0
        if self.plug == "cut":
            return None
        return self._seen_cm(self.level_cm)

    def _seen_cm(self, level_cm: float) -> float:
        seen = level_cm + self.noise.gauss(0.0, self.settings.strip_noise_cm)
        step = self.settings.strip_step_cm
        return max(0.0, round(round(seen / step) * step, 3))

    @property
    def sump_cm(self) -> float | None:
        """The true level of the sump."""
        still_cm = self.settings.sump_cm
        return (
            None
            if still_cm is None
            else still_cm + self.dosed_ml / self.settings.sump_footprint_cm2
        )

    def report(self) -> dict[str, Any]:
        """Return what all sensors say."""
        return self._reservoir_report() | self._sump_report()

    def _sump_report(self) -> dict[str, Any]:
        if (level_cm := self.sump_cm) is None:
            return {}
        settings = self.settings
        return {
            "sump": self._seen_cm(level_cm),
            "dosing": self.is_dosing,
            "feed_ppm": settings.feed_ppm,
            "product_ppm": settings.product_ppm,
            "feed_c": settings.feed_c,
            "feed_bar": settings.feed_bar,
        }

    def _reservoir_report(self) -> dict[str, Any]:
        return {
            "level": self.strip_cm(),
            "valve": self.is_open,
            "high": self.level_cm >= self.settings.float_at_cm,
            "leak": self.is_leaking or self.spilled_l > 0.0,
        }

    def truth(self) -> dict[str, Any]:
        """Return what is really there."""
        return {
            "t_s": self.t_s,
            "level_cm": self.level_cm,
            "volume_l": self.volume_l,
            "is_open": self.is_open,
            "inflow_l_per_s": self.inflow_l_per_s,
            "net_l_per_s": self.inflow_l_per_s - self.used_l(self.t_s, self.t_s + 1.0),
            "spilled_l": self.spilled_l,
            "use_l_per_day": self.settings.use_l_per_day,
            "sump_cm": self.sump_cm,
            "dosed_ml": self.dosed_ml,
            "fills": [asdict(fill) for fill in self.fills],
        }

    def obey(self, command: dict[str, Any]) -> None:
        """Do what an event asks: the valve's orders, and hands at the bench."""
        match command.get("do"):
            case "open" | "close" as order:
                self.turn_valve(to_open=order == "open")
            case "dose" | "rest" as order:
                self.is_dosing = order == "dose"
            case "draw":
                self.volume_l = max(0.0, self.volume_l - float(command["litres"]))
            case "pour":
                self.volume_l += float(command["litres"])
            case "plug":
                self.plug = command["how"]
            case "supply":
                self.supply_share = float(command["share"])
            case "stick":
                self.is_stuck_open = bool(command["active"])
            case "leak":
                self.is_leaking = bool(command["active"])

    def past(
        self, until_s: float, every_s: float, start_cm: float, full_cm: float
    ) -> Iterator[dict[str, Any]]:
        """Live until a time, refilled by hand between two levels; yield each report."""
        while self.t_s < until_s:
            yield {"t_s": self.t_s, **self.report()}
            if not self.is_open and self.level_cm <= start_cm:
                self.turn_valve(to_open=True)
            step_s = every_s
            if self.is_open:
                left_l = self.litres(full_cm) - self.volume_l
                step_s = min(2.0, max(0.1, left_l / self.inflow_l_per_s))
            self.advance(min(until_s, self.t_s + step_s))
            if self.is_open and self.level_cm >= full_cm - 1e-6:
                self.turn_valve(to_open=False)


class Link:
    """The wire to the hub, and the window for those who want to know the truth."""

    def __init__(self, wiring: Wiring, session: aiohttp.ClientSession) -> None:
        now_s = time.time()
        self.plants = {name: Plant(tank, now_s) for name, tank in wiring.tanks.items()}
        self.session = session
        self.wiring = wiring
        self.orders: list[dict[str, Any]] = []
        self.due = asyncio.Event()
        self._moving: set[asyncio.Task[None]] = set()

    async def run_physics(self) -> None:
        """Keep the water moving, hub or no hub."""
        while True:
            for plant in self.plants.values():
                plant.advance(time.time())
            await asyncio.sleep(STEP_S)

    async def run_reports(self) -> None:
        """Send what the sensors see, at intervals and at once when something was ordered."""
        while True:
            self.due.clear()
            for name, plant in self.plants.items():
                await self._send(name, plant.report())
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self.due.wait(), self.wiring.report_every_s)

    async def _send(self, name: str, report: dict[str, Any]) -> None:
        url = f"{self.wiring.hub_url}/api/webhook/plant_{name}"
        limit = aiohttp.ClientTimeout(total=5)
        with contextlib.suppress(aiohttp.ClientError, TimeoutError):
            async with self.session.post(url, json=report, timeout=limit):
                pass

    async def run_commands(self) -> None:
        """Listen for orders, and come back whenever the hub does."""
        while True:
            with contextlib.suppress(aiohttp.ClientError, TimeoutError, ConnectionError):
                await self._listen()
            await asyncio.sleep(0.3)

    async def _listen(self) -> None:
        url = f"{self.wiring.hub_url}/api/websocket"
        async with self.session.ws_connect(url, heartbeat=10) as socket:
            async for message in socket:
                if message.type is not aiohttp.WSMsgType.TEXT:
                    continue
                answer = message.json()
                match answer["type"]:
                    case "auth_required":
                        await socket.send_json({"type": "auth", "access_token": self.wiring.token})
                    case "auth_ok":
                        await socket.send_json(
                            {"id": 1, "type": "subscribe_events", "event_type": "plant_command"}
                        )
                    case "result":
                        self.due.set()
                    case "event":
                        # One valve on its way holds up no other.
                        task = asyncio.create_task(self._obey(answer["event"]["data"]))
                        self._moving.add(task)
                        task.add_done_callback(self._moving.discard)

    async def _obey(self, command: dict[str, Any]) -> None:
        self.orders.append({"t_s": time.time(), **command})
        if command.get("do") in ("open", "close"):
            await asyncio.sleep(VALVE_TRAVEL_S)
        plant = self.plants[command["tank"]]
        plant.advance(time.time())
        plant.obey(command)
        self.due.set()

    async def truth(self, request: web.Request) -> web.Response:
        """Answer with what is really there, and every order that came."""
        name = request.query["tank"]
        plant = self.plants[name]
        plant.advance(time.time())
        used_up = [plant.used_up_at(value) for value in json.loads(request.query["until"])]
        orders = [order for order in self.orders if order["tank"] == name]
        return web.json_response(plant.truth() | {"orders": orders, "used_up": used_up})

    async def command(self, request: web.Request) -> web.Response:
        """Let a hand at the bench do something, hub or no hub."""
        await self._obey(await request.json())
        return web.json_response({})


async def run(wiring: Wiring) -> None:
    """Run until the process is ended."""
    async with aiohttp.ClientSession() as session:
        link = Link(wiring, session)
        app = web.Application()
        app.add_routes([web.get("/truth", link.truth), web.post("/command", link.command)])
        runner = web.AppRunner(app, access_log=None)
        await runner.setup()
        await web.TCPSite(runner, "127.0.0.1", wiring.port).start()
        await asyncio.gather(link.run_physics(), link.run_reports(), link.run_commands())


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(run(Wiring.read(Path(sys.argv[1]))))
