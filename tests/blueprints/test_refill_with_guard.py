"""Rule and guard together: the shipped refill blueprint on a real reservoir of the integration.

Levels and times are the trade's (common practice, no source): refill on below 3 in, off above
13 in, a little over one hour, cut off at two, an unplugged strip reads 0. 1 in = 0.0254 m exactly.
"""

from math import sin
from typing import Any

import pytest
from custom_components.stillwell.const import (
    CONFIG_MINOR_VERSION,
    CONFIG_VERSION,
    DOMAIN,
    SUBENTRY_FILL_LINE,
    SUBENTRY_RESERVOIR,
)
from freezegun.api import FrozenDateTimeFactory
from homeassistant.core import HomeAssistant, ServiceCall, State
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import (
    MockConfigEntry,
    async_fire_time_changed,
    async_mock_service,
)

INCH_M = 0.0254
STRIP = "sensor.lagoon_reservoir_strip"
VALVE = "input_boolean.lagoon_reservoir_valve"
FLOAT = "binary_sensor.lagoon_reservoir_float"
# 13 in less 3 in, in 66 min: a little over one hour
RISE_IN_PER_MIN = 10 / 66
VESSEL = {
    "source": STRIP,
    "measure": "depth",
    "sensor_zero_m": 0.0,
    "shape": {"kind": "box", "length_m": 0.5, "width_m": 0.4, "height_m": 15 * INCH_M},
    "empty_m": INCH_M,
    "start_m": 3 * INCH_M,
    "full_m": 13 * INCH_M,
    "high_m": 14 * INCH_M,
    "replaces_evaporation": False,
    "zero_is_suspect": True,
}
LINE = {
    "destination": "reservoir",
    "device": VALVE,
    "longest_run_s": 7200.0,
    "high_inputs": [FLOAT],
}


@pytest.fixture(autouse=True)
def _stillwell_is_installed(enable_custom_integrations: None) -> None:
    """Let the hub find custom integrations."""


class Room:
    """A reservoir, its strip and its valve; water flows while the valve is on."""

    def __init__(self, hass: HomeAssistant, freezer: FrozenDateTimeFactory) -> None:
        self.hass = hass
        self.freezer = freezer
        self.level_in = 5.0
        self.fall_in_per_min = 0.0
        self.rise_in_per_min = RISE_IN_PER_MIN
        self.shown: str | None = None
        self.reports = 0
        self.entry = MockConfigEntry(
            domain=DOMAIN,
            title="Lagoon",
            version=CONFIG_VERSION,
            minor_version=CONFIG_MINOR_VERSION,
            data={"volume_l": 450.0, "salinity_psu": 35.0},
            subentries_data=[
                {
                    "data": VESSEL,
                    "subentry_id": "reservoir",
                    "subentry_type": SUBENTRY_RESERVOIR,
                    "title": "Lagoon reservoir",
                    "unique_id": None,
                },
                {
                    "data": LINE,
                    "subentry_id": "line",
                    "subentry_type": SUBENTRY_FILL_LINE,
                    "title": "Lagoon reservoir fill line",
                    "unique_id": None,
                },
            ],
        )
        self.highest_in = self.level_in
        self.starts = 0

    async def open(self, **inputs: Any) -> None:
        hass = self.hass
        valve = {"input_boolean": {"lagoon_reservoir_valve": None}}
        assert await async_setup_component(hass, "input_boolean", valve)
        hass.states.async_set(FLOAT, "off")
        await self.report()
        self.entry.add_to_hass(hass)
        assert await hass.config_entries.async_setup(self.entry.entry_id)
        await hass.async_block_till_done(wait_background_tasks=True)
        chosen = {
            "level_entity": STRIP,
            "level_unit": "in",
            "start_level": 3,
            "stop_level": 13,
            "valve": VALVE,
            "lockout_entity": self.lockout.entity_id,
        }
        use = {"path": "stillwell/stillwell_refill_vessel.yaml", "input": chosen | inputs}
        rule = {"id": "refill", "alias": "Refill", "use_blueprint": use}
        assert await async_setup_component(hass, "automation", {"automation": [rule]})
        await hass.async_block_till_done()

    async def close(self) -> None:
        await self.hass.services.async_call(
            "automation", "turn_off", {"entity_id": "automation.refill"}
        )
        assert await self.hass.config_entries.async_unload(self.entry.entry_id)
        await self.hass.async_block_till_done()

    @property
    def lockout(self) -> State:
        registry = er.async_get(self.hass)
        entity_id = registry.async_get_entity_id("binary_sensor", DOMAIN, "line_lockout")
        return self.hass.states.get(entity_id)

    @property
    def is_on(self) -> bool:
        return self.hass.states.is_state(VALVE, "on")

    async def report(self) -> None:
        # a strip that is alive trembles a little; one that never does counts as stuck
        self.reports += 1
        shown = self.shown or f"{self.level_in + 0.02 * sin(self.reports):.2f}"
        self.hass.states.async_set(STRIP, shown, {"unit_of_measurement": "in"})
        await self.hass.async_block_till_done()

    async def live(self, minutes: float, *, is_frozen: bool = False) -> None:
        """Let time pass in steps of 20 s; the strip reports at each, unless it is frozen."""
        for _ in range(round(minutes * 3)):
            was_on = self.is_on
            if was_on:
                self.level_in += self.rise_in_per_min / 3
            self.level_in -= self.fall_in_per_min / 3
            self.highest_in = max(self.highest_in, self.level_in)
            self.freezer.move_to(
                dt_util.utc_from_timestamp((dt_util.utcnow().timestamp() // 20 + 1) * 20)
            )
            if not is_frozen:
                await self.report()
            async_fire_time_changed(self.hass)
            await self.hass.async_block_till_done()
            self.starts += self.is_on and not was_on


@pytest.fixture
async def room(hass: HomeAssistant, freezer: FrozenDateTimeFactory) -> Any:
    freezer.move_to("2026-03-10 08:00:05+00:00")
    made = Room(hass, freezer)
    yield made
    await made.close()


async def in_a_fill(room: Room, **inputs: Any) -> None:
    room.level_in, room.fall_in_per_min = 3.4, 0.02
    await room.open(**inputs)
    await room.live(15)
    assert not room.is_on
    room.fall_in_per_min = 0.05
    for _ in range(18):
        if not room.is_on:
            await room.live(1 / 3)
    assert room.is_on
    room.fall_in_per_min = 0.0
    await room.live(10)
    assert room.is_on
    assert room.starts == 1


async def test_one_refill_from_three_to_thirteen_inches(room: Room) -> None:
    await in_a_fill(room)
    await room.live(52)
    assert room.is_on
    await room.live(15)
    assert not room.is_on
    assert room.lockout.state == "off"
    assert room.starts == 1
    assert 13.0 <= room.highest_in < 13.2
    room.fall_in_per_min = 0.02
    await room.live(120)
    assert room.starts == 1


async def test_starts_although_the_level_was_low_from_the_beginning(room: Room) -> None:
    room.level_in = 2.0
    await room.open()
    await room.live(15)
    assert room.starts == 1
    assert room.is_on


@pytest.mark.parametrize("reading", ["0", "unavailable", "unknown", "nan"])
async def test_unplugged_stops_and_does_not_start(room: Room, reading: str) -> None:
    await in_a_fill(room)
    room.shown = reading
    await room.report()
    assert not room.is_on
    await room.live(60)
    assert room.starts == 1
    assert not room.is_on


async def test_frozen_stops_and_does_not_start(room: Room) -> None:
    await in_a_fill(room)
    await room.live(16, is_frozen=True)
    assert not room.is_on
    await room.live(30, is_frozen=True)
    assert room.starts == 1


async def test_cut_off_at_two_hours_stays_locked_until_reset(room: Room) -> None:
    steps = async_mock_service(room.hass, "test", "own_step")
    own = [{"action": "test.own_step", "data": {"text": "{{ notice }}"}}]
    # the line gives half of what it should
    room.rise_in_per_min = RISE_IN_PER_MIN / 2
    await in_a_fill(room, own_steps=own)
    await room.live(104)
    assert room.is_on
    await room.live(6)
    assert not room.is_on
    assert room.lockout.state == "on"
    assert len(steps) == 1
    assert steps[0].data["text"].endswith("Look on site, then press the reset button.")
    room.level_in = 2.0
    await room.live(60)
    assert room.starts == 1
    await room.hass.services.async_call(
        DOMAIN, "reset_lockout", {"entity_id": room.lockout.entity_id}, blocking=True
    )
    await room.live(15)
    assert room.lockout.state == "off"
    assert room.starts == 2


async def test_the_rules_own_limit_locks_out_through_the_action(room: Room) -> None:
    await in_a_fill(room, longest_run={"minutes": 30})
    await room.live(22)
    assert not room.is_on
    assert room.lockout.state == "on"
    assert room.lockout.attributes["reason"] == "external"
    assert room.lockout.attributes["reason_text"] == "Ran longer than 30.0 min"


async def test_a_wet_float_only_the_rule_knows_locks_out(room: Room) -> None:
    optical = "binary_sensor.lagoon_reservoir_optical"
    room.hass.states.async_set(optical, "off", {"friendly_name": "Optical switch"})
    await in_a_fill(room, high_inputs=[optical])
    room.hass.states.async_set(optical, "on", {"friendly_name": "Optical switch"})
    await room.hass.async_block_till_done()
    assert not room.is_on
    assert room.lockout.state == "on"
    assert "Optical switch" in room.lockout.attributes["reason_text"]


async def test_a_valve_that_does_not_shut_is_told_by_both_and_locked_out(room: Room) -> None:
    await in_a_fill(room)
    offs: list[ServiceCall] = async_mock_service(room.hass, "input_boolean", "turn_off")
    # three readings confirm the step, then the rule asks; the guard gives it a minute
    room.level_in = 13.1
    await room.live(1)
    assert room.lockout.attributes["reason"] == "none"
    await room.live(2)
    assert room.is_on
    # the rule at each report, and the guard between
    assert len(offs) >= 9
    assert room.lockout.attributes["reason"] == "stuck_on"


async def test_reload_of_the_integration_in_a_fill_shuts(room: Room) -> None:
    await in_a_fill(room)
    assert await room.hass.config_entries.async_unload(room.entry.entry_id)
    await room.hass.async_block_till_done()
    assert not room.is_on
    await room.live(10)
    assert room.starts == 1
    assert await room.hass.config_entries.async_setup(room.entry.entry_id)
    await room.hass.async_block_till_done(wait_background_tasks=True)
    assert not room.is_on
