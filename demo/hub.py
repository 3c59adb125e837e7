"""The real hub as a process, and a client that talks to it from outside."""

import asyncio
import contextlib
import importlib.util
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable, Collection, Iterable, Mapping
from pathlib import Path
from typing import Any, Self

import aiohttp

ROOT = Path(__file__).resolve().parent.parent
RESTART_EXIT_CODE = 100
START_LIMIT_S = 120.0
STOP_LIMIT_S = 40.0
# A microphone's noise filters: the hub's page does not load without these two names, and on a
# machine without a compiler they cannot be had.
VOICE_MODULES = ("pymicro_vad", "pyspeex_noise")


class HubError(Exception):
    """The hub did not do what was asked."""


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def wait_for(
    what: str,
    look: Callable[[], Awaitable[Any]],
    limit_s: float,
    every_s: float = 0.3,
) -> Any:
    """Look until something is there and return it.

    Raises:
        HubError: it was not there in time.
    """
    end_s = time.monotonic() + limit_s
    while True:
        if found := await look():
            return found
        if time.monotonic() > end_s:
            raise HubError(f"waited {limit_s:.0f} s in vain: {what}")
        await asyncio.sleep(every_s)


def prepare_config(
    config: Path,
    port: int,
    tanks: Iterable[str],
    *,
    is_headless: bool,
    sumps: Collection[str] = (),
) -> None:
    """Write a fresh configuration folder that listens on this machine only.

    Of the tanks, those named in `sumps` have a sump with a dosing pump, and an RO/DI unit.
    """
    shutil.rmtree(config, ignore_errors=True)
    (config / ".storage").mkdir(parents=True)
    text = (ROOT / "demo/config/configuration.yaml").read_text()
    if is_headless:
        text = text.replace("frontend:\n", "").replace("logbook:\n", "").replace("my:\n", "")
    (config / "configuration.yaml").write_text(text)
    (config / "templates").mkdir()
    for tank in tanks:
        for kind in ("tank", "sump") if tank in sumps else ("tank",):
            hardware = (ROOT / f"demo/config/{kind}.yaml").read_text()
            text = hardware.replace("TANK", tank.lower()).replace("Tank ", f"{tank} ")
            (config / "templates" / f"{tank.lower()}_{kind}.yaml").write_text(text)
    (config / "automations.yaml").write_text("[]\n")
    (config / "custom_components").symlink_to(ROOT / "custom_components")
    blueprints = config / "blueprints/automation"
    blueprints.mkdir(parents=True)
    shutil.copytree(ROOT / "blueprints/automation/stillwell", blueprints / "stillwell")
    server = {
        "server_host": ["127.0.0.1"],
        "server_port": port,
        "cors_allowed_origins": [],
        "login_attempts_threshold": -1,
        "ip_ban_enabled": True,
        "ssl_profile": "modern",
        "use_x_frame_options": True,
        "created_at": "2026-01-01T00:00:00+00:00",
        "error": None,
        "error_message": None,
    }
    _store(config, "http", 2, 2, {"stable": server, "pending": None, "yaml_migration_done": True})
    # All steps of the first visit but the login; they would look for services on the internet.
    _store(config, "onboarding", 4, 1, {"done": ["core_config", "analytics", "integration"]})


def _store(config: Path, key: str, version: int, minor: int, data: Mapping[str, Any]) -> None:
    content = {"version": version, "minor_version": minor, "key": key, "data": data}
    (config / ".storage" / key).write_text(json.dumps(content))


class HubProcess:
    """`hass` on a configuration folder."""

    def __init__(self, config: Path, port: int) -> None:
        self.config = config
        self.url = f"http://127.0.0.1:{port}"
        self.log = config.parent / "hub.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; returns at once."""
        env = os.environ.copy()
        if any(importlib.util.find_spec(name) is None for name in VOICE_MODULES):
            env["PYTHONPATH"] = str(ROOT / "demo/stand_ins")
        command = [sys.executable, "-m", "homeassistant", "--config", str(self.config)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*command, "--skip-pip"],
                # From elsewhere, a package of the same name beside it could be taken for the hub's.
                cwd=self.config,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=env,
                start_new_session=True,
            )

    def kill(self) -> None:
        """End it as a power cut would."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None

    async def stop(self) -> None:
        """Ask it to stop, and wait until it has."""
        process, self.process = self.process, None
        if process is None:
            return
        process.terminate()
        end_s = time.monotonic() + STOP_LIMIT_S
        while process.poll() is None:
            if time.monotonic() > end_s:
                process.kill()
            await asyncio.sleep(0.1)

    def exit_code(self) -> int | None:
        """Return how it ended, None while it runs."""
        return None if self.process is None else self.process.poll()

    async def wait_answering(self, path: str = "/auth/providers") -> None:
        """Wait until it answers where no login is needed."""

        async def look() -> bool:
            if self.exit_code() is not None:
                raise HubError(f"the hub ended at its start, see {self.log}")
            with contextlib.suppress(aiohttp.ClientError, TimeoutError):
                async with (
                    aiohttp.ClientSession() as session,
                    session.get(self.url + path) as answer,
                ):
                    return answer.status == 200
            return False

        await wait_for("the hub answers", look, START_LIMIT_S)


class HubClient:
    """REST and WebSocket, with one login."""

    def __init__(self, url: str, token: str = "") -> None:
        self.url = url
        self.token = token
        self._session: aiohttp.ClientSession | None = None
        self._socket: aiohttp.ClientWebSocketResponse | None = None
        self._number = 0

    async def __aenter__(self) -> Self:
        self._session = aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=60))
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.hang_up()
        if self._session is not None:
            await self._session.close()

    @property
    def session(self) -> aiohttp.ClientSession:
        """The HTTP session."""
        if self._session is None:
            raise HubError("the client is a context manager; enter it first")
        return self._session

    async def login(self, name: str, password: str) -> None:
        """Create the keeper's login on a fresh hub, and a token that lasts."""
        client_id = f"{self.url}/"
        person = {"client_id": client_id, "name": name.title(), "username": name}
        made = await self.post(
            "/api/onboarding/users", {**person, "password": password, "language": "en"}
        )
        form = {
            "grant_type": "authorization_code",
            "code": made["auth_code"],
            "client_id": client_id,
        }
        async with self.session.post(f"{self.url}/auth/token", data=form) as answer:
            self.token = (await answer.json())["access_token"]
        token = await self.call(
            "auth/long_lived_access_token", client_name="Marine lab bench", lifespan=30
        )
        await self.hang_up()
        self.token = token

    async def get(self, path: str) -> Any:
        """Read something."""
        return await self._rest("GET", path, None)

    async def post(self, path: str, data: Mapping[str, Any] | None = None) -> Any:
        """Send something."""
        return await self._rest("POST", path, data or {})

    async def delete(self, path: str) -> Any:
        """Delete something."""
        return await self._rest("DELETE", path, None)

    async def _rest(self, method: str, path: str, data: Mapping[str, Any] | None) -> Any:
        headers = {"Authorization": f"Bearer {self.token}"} if self.token else {}
        async with self.session.request(
            method, self.url + path, json=data, headers=headers
        ) as answer:
            text = await answer.text()
            if answer.status >= 400:
                raise HubError(f"{method} {path}: {answer.status} {text[:500]}")
            return json.loads(text) if text else None

    async def call(self, kind: str, **data: Any) -> Any:
        """Call a WebSocket command."""
        if self._socket is None or self._socket.closed:
            self._socket = await self.session.ws_connect(
                f"{self.url}/api/websocket", max_msg_size=0
            )
            await self._socket.receive_json()
            await self._socket.send_json({"type": "auth", "access_token": self.token})
            if (answer := await self._socket.receive_json())["type"] != "auth_ok":
                raise HubError(f"login refused: {answer}")
        self._number += 1
        await self._socket.send_json({"id": self._number, "type": kind, **data})
        while (answer := await self._socket.receive_json()).get("id") != self._number:
            pass
        if not answer["success"]:
            raise HubError(f"{kind}: {answer['error']}")
        return answer["result"]

    async def hang_up(self) -> None:
        """Close the WebSocket; the next call opens it anew."""
        if self._socket is not None:
            await self._socket.close()
            self._socket = None

    async def state(self, entity_id: str) -> dict[str, Any] | None:
        """Return an entity's state, None when there is none."""
        try:
            state: dict[str, Any] = await self.get(f"/api/states/{entity_id}")
        except HubError:
            return None
        return state

    async def act(self, action: str, entity_id: str, **data: Any) -> None:
        """Call an action on an entity."""
        domain, _, name = action.partition(".")
        await self.post(f"/api/services/{domain}/{name}", {"entity_id": entity_id, **data})

    async def wait_running(self) -> None:
        """Wait until everything is set up."""

        async def look() -> bool:
            return bool((await self.get("/api/config"))["state"] == "RUNNING")

        await wait_for("the hub runs", look, START_LIMIT_S)

    async def wait_state(self, entity_id: str, wanted: str, limit_s: float) -> dict[str, Any]:
        """Wait until an entity has a state, and return it."""

        async def look() -> dict[str, Any] | None:
            state = await self.state(entity_id)
            return state if state is not None and state["state"] == wanted else None

        found: dict[str, Any] = await wait_for(f"{entity_id} is {wanted}", look, limit_s)
        return found
