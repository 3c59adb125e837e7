"""The shipped blueprints in the hub's own automation engine.

Each test copies the shipped YAML into a fresh configuration folder and loads it through the
hub's `use_blueprint`; nothing of a blueprint is repeated here. The lockout sensor and Stillwell's
actions are faked by their contract; what they do by themselves is tested with the integration.
"""

import shutil
from collections.abc import AsyncGenerator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from freezegun.api import FrozenDateTimeFactory
from homeassistant.core import HomeAssistant, ServiceCall
from homeassistant.helpers import device_registry as dr
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import (
    MockConfigEntry,
    async_fire_time_changed,
    async_mock_service,
)

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "custom_components" / "stillwell" / "blueprints"
LEVEL = "sensor.lagoon_reservoir_strip"
LOCKOUT = "binary_sensor.lagoon_reservoir_lockout"
VALVE = "switch.lagoon_reservoir_valve"
# domain, action and the state a device shows that has done as told
DEVICE_ACTIONS = (
    ("switch", "turn_on", "on"),
    ("switch", "turn_off", "off"),
    ("input_boolean", "turn_on", "on"),
    ("input_boolean", "turn_off", "off"),
    ("valve", "open_valve", "open"),
    ("valve", "close_valve", "closed"),
)


@pytest.fixture
def hass_config_dir(hass_tmp_config_dir: str) -> str:
    shutil.copytree(SHIPPED, Path(hass_tmp_config_dir) / "blueprints", dirs_exist_ok=True)
    return hass_tmp_config_dir


class Bench:
    """A level, a device, a lockout and the automation under test; time moves by hand."""

    def __init__(self, hass: HomeAssistant, freezer: FrozenDateTimeFactory) -> None:
        self.hass = hass
        self.freezer = freezer
        self.commands: list[tuple[str, str]] = []
        self.obeys = True
        self.lock_outs: list[ServiceCall] = async_mock_service(hass, "stillwell", "lock_out")
        self.messages: list[ServiceCall] = async_mock_service(hass, "notify", "send_message")
        self.phone: list[ServiceCall] = async_mock_service(hass, "notify", "mobile_app_quay_phone")
        self.own: list[ServiceCall] = async_mock_service(hass, "test", "own_step")
        for domain, action, state in DEVICE_ACTIONS:
            self._make_device(domain, action, state)

    def _make_device(self, domain: str, action: str, state: str) -> None:
        async def command(call: ServiceCall) -> None:
            for entity_id in call.data["entity_id"]:
                self.commands.append((action, entity_id))
                shown = self.hass.states.get(entity_id)
                if self.obeys and shown is not None and shown.state != "unavailable":
                    self.hass.states.async_set(entity_id, state)

        self.hass.services.async_register(domain, action, command)

    def set(self, entity_id: str, state: float | str, **attributes: Any) -> None:
        self.hass.states.async_set(entity_id, str(state), attributes)

    async def report(self, level: float | str, unit: str | None = "in") -> None:
        """Let the level sensor report once; the same value again is a report too."""
        attributes = {} if unit is None else {"unit_of_measurement": unit}
        self.hass.states.async_set(LEVEL, str(level), attributes)
        await self.hass.async_block_till_done()

    async def lockout(self, state: str, **attributes: Any) -> None:
        base = {"permit": state == "off", "fill_device": VALVE, "friendly_name": "Lagoon reservoir"}
        bare = state in ("unavailable", "unknown")
        self.hass.states.async_set(LOCKOUT, state, {} if bare else base | attributes)
        await self.hass.async_block_till_done()

    async def settle(self) -> None:
        await self.hass.async_block_till_done()

    async def pass_time(
        self, seconds: float, level: float | None = None, unit: str = "in", step: int = 20
    ) -> None:
        """Move the clock in ticks of 20 s; with a level given the sensor keeps reporting it.

        A longer step leaves ticks out, as a busy hub would.
        """
        end = dt_util.utcnow() + timedelta(seconds=seconds)
        while (now := dt_util.utcnow()) < end:
            to = min(end, _next_tick(now, step))
            self.freezer.move_to(to)
            if level is not None:
                await self.report(level, unit)
            async_fire_time_changed(self.hass, to)
            await self.hass.async_block_till_done()

    async def load(self, blueprint: str, inputs: Mapping[str, Any]) -> None:
        """Set the automation up from the shipped file."""
        config = {"automation": [_automation(blueprint, inputs)]}
        assert await async_setup_component(self.hass, "automation", config)
        await self.hass.async_block_till_done()
        assert self.state("automation.a0") == "on"

    async def reload(self, blueprint: str, inputs: Mapping[str, Any]) -> None:
        """Load the automations anew, as the hub does after an edit."""
        config = {"automation": [_automation(blueprint, inputs)]}
        target = "homeassistant.config.load_yaml_config_file"
        with patch(target, return_value=config, autospec=True):
            await self.hass.services.async_call("automation", "reload", blocking=True)
        await self.hass.async_block_till_done()
        assert self.state("automation.a0") == "on"

    def is_shut_by(self, action: str, entity_id: str) -> bool:
        """Whether this command came, perhaps more than once, and no other."""
        return set(self.commands) == {(action, entity_id)}

    def count(self, action: str) -> int:
        return sum(1 for done, _ in self.commands if done == action)

    def state(self, entity_id: str) -> str:
        return self.hass.states.get(entity_id).state


def _automation(blueprint: str, inputs: Mapping[str, Any]) -> dict[str, Any]:
    use = {"path": f"stillwell/{blueprint}", "input": dict(inputs)}
    return {"id": "a0", "alias": "a0", "initial_state": True, "use_blueprint": use}


def _next_tick(now: datetime, step: int) -> datetime:
    return dt_util.utc_from_timestamp((now.timestamp() // step + 1) * step)


@pytest.fixture
async def bench(hass: HomeAssistant, freezer: FrozenDateTimeFactory) -> AsyncGenerator[Bench]:
    freezer.move_to("2026-03-10 08:00:05+00:00")
    made = Bench(hass, freezer)
    yield made
    # a tick that stays armed would outlive its test
    if hass.is_running and hass.services.has_service("automation", "turn_off"):
        await hass.services.async_call(
            "automation", "turn_off", {"entity_id": hass.states.async_entity_ids("automation")}
        )
        await hass.async_block_till_done()


@pytest.fixture
def phone(hass: HomeAssistant, device_registry: dr.DeviceRegistry) -> str:
    """A phone as the device picker gives it; what it is sent is in `bench.phone`."""
    entry = MockConfigEntry(domain="mobile_app")
    entry.add_to_hass(hass)
    return device_registry.async_get_or_create(
        config_entry_id=entry.entry_id, identifiers={("mobile_app", "1")}, name="Quay phone"
    ).id
