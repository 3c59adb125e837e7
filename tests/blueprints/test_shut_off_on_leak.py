"""Shut off on a leak: the shipped YAML in the real automation engine."""

from datetime import timedelta
from typing import Any

import pytest
from homeassistant.components.valve import ValveEntity, ValveEntityFeature
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import setup_test_component_platform

from .conftest import LOCKOUT, Bench

FILE = "stillwell_shut_off_on_leak.yaml"
FLOOR = "binary_sensor.lagoon_floor_leak"
CABINET = "binary_sensor.nursery_cabinet_leak"
VALVE = "valve.lagoon_supply"
PUMP = "switch.nursery_top_off_pump"
RELAY = "input_boolean.lagoon_relay"
HEATER = "switch.nursery_heater"
ALL = {
    "leak_sensors": [FLOOR, CABINET],
    "outputs": [VALVE, PUMP, RELAY],
    "lockouts": [LOCKOUT],
    "notify_entities": ["notify.lab_desk"],
}
EVERY_OFF = {("close_valve", VALVE), ("turn_off", PUMP), ("turn_off", RELAY)}


async def ready(bench: Bench, inputs: dict[str, Any] = ALL, leak: str = "off") -> None:
    assert await async_setup_component(bench.hass, "homeassistant", {})
    bench.set(FLOOR, leak, friendly_name="Lagoon floor")
    bench.set(CABINET, "off", friendly_name="Nursery cabinet")
    bench.set(VALVE, "open")
    bench.set(HEATER, "on")
    for entity_id in (PUMP, RELAY):
        bench.set(entity_id, "on")
    await bench.lockout("off")
    await bench.load(FILE, inputs)


async def wet(bench: Bench, entity_id: str = FLOOR, state: str = "on") -> None:
    name = bench.hass.states.get(entity_id).attributes["friendly_name"]
    bench.set(entity_id, state, friendly_name=name)
    await bench.settle()


async def test_dry_does_nothing(bench: Bench) -> None:
    await ready(bench)
    await bench.pass_time(300)
    assert bench.commands == []
    assert bench.lock_outs == []
    assert bench.messages == []


@pytest.mark.parametrize("which", [FLOOR, CABINET])
async def test_any_wet_sensor_shuts_every_output_and_locks_out(bench: Bench, which: str) -> None:
    await ready(bench)
    await wet(bench, which)
    assert set(bench.commands) == EVERY_OFF
    assert bench.state(HEATER) == "on"
    assert bench.lock_outs[0].data["entity_id"] == [LOCKOUT]
    assert len(bench.messages) == 1


async def test_the_required_inputs_are_enough(bench: Bench) -> None:
    await ready(bench, {"leak_sensors": [FLOOR], "outputs": [PUMP]})
    await wet(bench)
    assert bench.is_shut_by("turn_off", PUMP)


async def test_repeats_until_each_is_off_and_says_so_once(bench: Bench) -> None:
    await ready(bench)
    bench.obeys = False
    await wet(bench)
    bench.set(PUMP, "off")
    await bench.settle()
    bench.commands.clear()
    await bench.pass_time(600, step=10)
    assert bench.commands.count(("close_valve", VALVE)) >= 30
    assert ("turn_off", PUMP) not in bench.commands
    told = [call.data["message"] for call in bench.messages]
    assert len(told) == 2
    assert "not off yet" in told[1]
    assert VALVE in told[1]
    assert PUMP not in told[1]
    bench.obeys = True
    await bench.pass_time(20)
    bench.commands.clear()
    await bench.pass_time(300)
    assert bench.commands == []


async def test_what_somebody_switches_on_in_the_wet_goes_off_again(bench: Bench) -> None:
    await ready(bench)
    await wet(bench)
    bench.commands.clear()
    bench.set(PUMP, "on")
    await bench.settle()
    assert bench.is_shut_by("turn_off", PUMP)


async def test_an_output_that_was_away_is_shut_when_it_comes_back(bench: Bench) -> None:
    await ready(bench)
    bench.set(PUMP, "unavailable")
    await wet(bench)
    bench.set(PUMP, "on")
    await bench.settle()
    assert bench.state(PUMP) == "off"


async def test_drying_switches_nothing_on(bench: Bench) -> None:
    await ready(bench)
    await wet(bench)
    bench.commands.clear()
    await wet(bench, state="off")
    await bench.pass_time(300)
    assert bench.commands == []


async def test_locks_out_until_the_lockout_holds_and_again_after_a_reset_in_the_wet(
    bench: Bench,
) -> None:
    await ready(bench)
    await wet(bench)
    await bench.pass_time(60, step=10)
    assert len(bench.lock_outs) >= 6
    await bench.lockout("on")
    told = len(bench.lock_outs)
    await bench.pass_time(60)
    assert len(bench.lock_outs) == told
    await bench.lockout("off")
    assert len(bench.lock_outs) == told + 1


async def test_one_failing_output_holds_up_no_other(bench: Bench) -> None:
    await ready(bench)
    bench.hass.services.async_remove("valve", "close_valve")
    await wet(bench)
    assert set(bench.commands) == EVERY_OFF - {("close_valve", VALVE)}
    assert len(bench.lock_outs) >= 1
    assert len(bench.messages) == 1


class Valve(ValveEntity):
    """An open valve as an integration brings it: what it can do is all that the hub asks of it."""

    _attr_should_poll = False
    _attr_reports_position = True
    _attr_current_valve_position: int | None = 100

    def __init__(self, name: str, features: ValveEntityFeature) -> None:
        self._attr_name = name
        self._attr_supported_features = features

    async def async_set_valve_position(self, position: int) -> None:
        self._attr_current_valve_position = position
        self.async_write_ha_state()


async def test_a_valve_that_knows_positions_only_keeps_no_other_open(bench: Bench) -> None:
    """The hub refuses to close it, and with it all that are named beside it."""
    both = ValveEntityFeature.CLOSE | ValveEntityFeature.SET_POSITION
    found = [Valve("bay", ValveEntityFeature.SET_POSITION), Valve("quay", both)]
    setup_test_component_platform(bench.hass, "valve", found)
    assert await async_setup_component(bench.hass, "valve", {"valve": {"platform": "test"}})
    await bench.settle()
    outputs = ["valve.bay", "valve.quay", PUMP]
    assert [bench.state(one) for one in outputs[:2]] == ["open", "open"]
    await ready(bench, ALL | {"outputs": outputs})
    await wet(bench)
    assert [bench.state(one) for one in outputs] == ["closed", "closed", "off"]


@pytest.mark.parametrize("state", ["unavailable", "unknown"])
async def test_a_lost_sensor_is_dry_unless_chosen_otherwise(bench: Bench, state: str) -> None:
    await ready(bench)
    await wet(bench, state=state)
    await bench.pass_time(1200)
    assert bench.commands == []


@pytest.mark.parametrize("state", ["unavailable", "unknown"])
async def test_a_lost_sensor_counts_as_wet_after_five_minutes(bench: Bench, state: str) -> None:
    await ready(bench, ALL | {"lost_is_wet": True})
    await wet(bench, state=state)
    await bench.pass_time(290, step=10)
    assert bench.commands == []
    await bench.pass_time(20, step=10)
    assert set(bench.commands) == EVERY_OFF
    await bench.pass_time(600, step=10)
    assert len(bench.messages) == 1
    assert "Lagoon floor" in bench.messages[0].data["message"]


async def test_a_short_blink_of_a_sensor_shuts_nothing(bench: Bench) -> None:
    await ready(bench, ALL | {"lost_is_wet": True})
    for _ in range(10):
        await wet(bench, state="unavailable")
        await bench.pass_time(120)
        await wet(bench, state="off")
    assert bench.commands == []


async def test_wet_at_hub_start_shuts(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, leak="on")
    bench.commands.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert set(bench.commands) == EVERY_OFF


async def test_wet_at_reload_shuts(bench: Bench) -> None:
    await ready(bench, ALL | {"leak_sensors": [CABINET]})
    await wet(bench)
    assert bench.commands == []
    await bench.reload(FILE, ALL)
    assert set(bench.commands) == EVERY_OFF


@pytest.mark.parametrize("critical", [False, True])
async def test_phones_get_one_notice_updated_and_taken_back(
    bench: Bench, phone: str, critical: bool
) -> None:
    await ready(bench, ALL | {"phones": [phone], "critical": critical})
    await wet(bench)
    bench.freezer.tick(timedelta(seconds=5))
    await wet(bench, CABINET)
    await bench.pass_time(600)
    await wet(bench, state="off")
    await wet(bench, CABINET, state="off")
    told = [call.data for call in bench.phone]
    assert len({call["data"]["tag"] for call in told}) == 1
    texts = [call["message"] for call in told]
    assert texts[0].startswith("Water at Lagoon floor.")
    assert texts[1].startswith("Water at Lagoon floor, Nursery cabinet.")
    assert texts[2].startswith("Water at Nursery cabinet.")
    assert texts[3:] == ["clear_notification"]
    assert ("push" in told[0]["data"]) is critical
    assert "push" not in told[3]["data"]
