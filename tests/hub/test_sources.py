"""Entities a vessel names: renames are followed, what is gone is told, units are watched."""

import asyncio
from typing import Any, override

import pytest
from custom_components.stillwell.actuator import Actuator
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.engine.guard_events import Actor
from homeassistant.components.switch import SwitchEntity
from homeassistant.core import Context, HomeAssistant
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import setup_test_component_platform

from .lab import FLOAT, LEAK, SOURCE, VALVE, Lab


def issues(hass: HomeAssistant) -> set[str]:
    """Return what the keeper is told at present."""
    return {
        issue.translation_key
        for (domain, _), issue in ir.async_get(hass).issues.items()
        if domain == DOMAIN and issue.active
    }


async def test_renames_are_followed_without_losing_anything(hass: HomeAssistant, lab: Lab) -> None:
    registry = er.async_get(hass)
    strip = registry.async_get_or_create("sensor", "lab", "1", suggested_object_id="lagoon_level")
    contact = registry.async_get_or_create(
        "binary_sensor", "lab", "2", suggested_object_id="lagoon_float"
    )
    assert (strip.entity_id, contact.entity_id) == (SOURCE, FLOAT)
    await lab.set_up(device=VALVE, high_inputs=[FLOAT])
    await lab.settle()
    used_l = lab.value("total_used")
    registry.async_update_entity(SOURCE, new_entity_id="sensor.strip_2")
    registry.async_update_entity(FLOAT, new_entity_id="binary_sensor.float_2")
    await hass.async_block_till_done()
    vessel, line = lab.entry.subentries.values()
    assert vessel.data["source"] == "sensor.strip_2"
    assert line.data["high_inputs"] == ["binary_sensor.float_2"]
    hass.states.async_set("sensor.strip_2", "20", {"unit_of_measurement": "cm"})
    await hass.async_block_till_done()
    assert lab.value("total_used") == pytest.approx(used_l, abs=0.01)
    assert "source_missing" not in issues(hass)


async def test_a_removed_source_is_told_and_its_return_too(hass: HomeAssistant, lab: Lab) -> None:
    registry = er.async_get(hass)
    registry.async_get_or_create("sensor", "lab", "1", suggested_object_id="lagoon_level")
    await lab.set_up()
    assert "source_missing" not in issues(hass)
    registry.async_remove(SOURCE)
    await hass.async_block_till_done()
    assert "source_missing" in issues(hass)
    await lab.level(20.0)
    assert "source_missing" not in issues(hass)


async def test_a_source_that_never_was_is_told(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device=VALVE, leak_inputs=["binary_sensor.nowhere"])
    assert {"source_missing", "actuator_missing"} <= issues(hass)
    assert not lab.is_permitted


async def test_a_useless_unit_is_told(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.settle(count=3)
    lab.unit = "kg"
    await lab.level(20.0)
    assert "unit_changed" in issues(hass)
    assert lab.state("signal_reason").state == "unit_unknown"
    lab.unit = "mm"
    await lab.level(200.0)
    assert "unit_changed" not in issues(hass)


@pytest.mark.parametrize(
    ("entity_id", "state", "is_on"),
    [
        ("switch.v", "on", True),
        ("switch.v", "off", False),
        ("switch.v", "unavailable", None),
        ("valve.v", "open", True),
        ("valve.v", "opening", True),
        ("valve.v", "closing", True),
        ("valve.v", "closed", False),
        ("valve.v", "unknown", None),
        ("input_boolean.v", None, None),
    ],
)
async def test_a_device_is_read(
    hass: HomeAssistant, entity_id: str, state: str | None, *, is_on: bool | None
) -> None:
    if state is not None:
        hass.states.async_set(entity_id, state)
    assert Actuator(hass, entity_id).is_on is is_on


async def test_who_switched_is_told_by_the_context(hass: HomeAssistant) -> None:
    actuator = Actuator(hass, "switch.v")
    unsubscribe = actuator.async_follow_rules()
    rule = Context()
    hass.bus.async_fire("automation_triggered", {}, context=rule)
    await hass.async_block_till_done()
    assert actuator.actor(rule) is Actor.AUTOMATION
    assert actuator.actor(Context(parent_id="x")) is Actor.AUTOMATION
    assert actuator.actor(Context(user_id="keeper")) is Actor.PERSON
    assert actuator.actor(Context()) is Actor.UNKNOWN
    for stop in unsubscribe:
        stop()


async def test_a_valve_is_opened_and_closed(hass: HomeAssistant) -> None:
    sent: list[str] = []
    for action in ("open_valve", "close_valve"):
        hass.services.async_register("valve", action, lambda call: sent.append(call.service))
    hass.states.async_set("valve.v", "closed")
    actuator = Actuator(hass, "valve.v")
    await actuator.async_command(on=True)
    await actuator.async_command(on=False)
    assert sent == ["open_valve", "close_valve"]


async def test_renames_that_nobody_followed_are_found_at_the_start(
    hass: HomeAssistant, lab: Lab
) -> None:
    registry = er.async_get(hass)
    for domain, number, name in (
        ("sensor", "1", "lagoon_level"),
        ("binary_sensor", "2", "lagoon_float"),
    ):
        registry.async_get_or_create(domain, "lab", number, suggested_object_id=name)
    await lab.set_up(device=VALVE, high_inputs=[FLOAT])
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    registry.async_update_entity(SOURCE, new_entity_id="sensor.strip_2")
    registry.async_update_entity(FLOAT, new_entity_id="binary_sensor.float_2")
    assert await hass.config_entries.async_setup(lab.entry.entry_id)
    await hass.async_block_till_done()
    vessel, line = lab.entry.subentries.values()
    assert vessel.data["source"] == lab.runtime.settings.source == "sensor.strip_2"
    assert line.data["high_inputs"] == ["binary_sensor.float_2"]
    assert lab.line.settings.high_inputs == ("binary_sensor.float_2",)


class Valve(SwitchEntity):
    """A valve that stays as it is while its entity is renamed."""

    _attr_unique_id = "valve"
    _attr_name = "Lagoon valve"
    _attr_should_poll = False
    _attr_is_on = False

    @override
    async def async_turn_on(self, **_: Any) -> None:
        self._attr_is_on = True
        self.async_write_ha_state()

    @override
    async def async_turn_off(self, **_: Any) -> None:
        self._attr_is_on = False
        self.async_write_ha_state()


@pytest.mark.parametrize("turns", [0, 1, 2, 5, 8, 20])
async def test_a_valve_renamed_twice_in_a_fill_goes_off(
    hass: HomeAssistant, lab: Lab, turns: int
) -> None:
    """The second rename comes before, in and after the reload that the first one caused."""
    valve = Valve()
    setup_test_component_platform(hass, "switch", [valve])
    assert await async_setup_component(hass, "switch", {"switch": [{"platform": "test"}]})
    await lab.set_up(device="switch.lagoon_valve")
    await lab.settle()
    called = {"entity_id": "switch.lagoon_valve"}
    rule = Context(parent_id="rule")
    await hass.services.async_call("switch", "turn_on", called, blocking=True, context=rule)
    await lab.run([20.1, 20.2, 20.3], 20)
    assert valve.is_on
    registry = er.async_get(hass)
    registry.async_update_entity("switch.lagoon_valve", new_entity_id="switch.passing")
    for _ in range(turns):
        await asyncio.sleep(0)
    registry.async_update_entity("switch.passing", new_entity_id="switch.inlet")
    await hass.async_block_till_done(wait_background_tasks=True)
    assert not valve.is_on
    assert lab.line.settings.device == valve.entity_id == "switch.inlet"
    assert not {"actuator_missing", "left_on"} & issues(hass)


async def test_two_that_swapped_their_names_unfollowed_stay_two(
    hass: HomeAssistant, lab: Lab
) -> None:
    registry = er.async_get(hass)
    for number, name in (("1", "lagoon_float"), ("2", "lagoon_floor")):
        registry.async_get_or_create("binary_sensor", "lab", number, suggested_object_id=name)
        hass.states.async_set(f"binary_sensor.{name}", "off")
    await lab.set_up(device=VALVE, high_inputs=[FLOAT], leak_inputs=[LEAK])
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    for old, new in ((FLOAT, "binary_sensor.passing"), (LEAK, FLOAT)):
        hass.states.async_remove(old)
        registry.async_update_entity(old, new_entity_id=new)
    registry.async_update_entity("binary_sensor.passing", new_entity_id=LEAK)
    assert await hass.config_entries.async_setup(lab.entry.entry_id)
    await hass.async_block_till_done()
    assert lab.line.settings.high_inputs == (LEAK,)
    assert lab.line.settings.leak_inputs == (FLOAT,)


async def test_a_disabled_source_is_told_as_a_missing_one_is(hass: HomeAssistant, lab: Lab) -> None:
    registry = er.async_get(hass)
    registry.async_get_or_create("sensor", "lab", "1", suggested_object_id="lagoon_level")
    await lab.set_up(device=VALVE)
    await lab.settle(count=3)
    registry.async_update_entity(SOURCE, disabled_by=er.RegistryEntryDisabler.USER)
    hass.states.async_remove(SOURCE)
    await hass.async_block_till_done()
    assert "source_missing" in issues(hass)
    # Renamed meanwhile it is still the one that is missing, and the only one.
    registry.async_update_entity(SOURCE, new_entity_id="sensor.strip_2")
    await hass.async_block_till_done(wait_background_tasks=True)
    told = [one for (_, one) in ir.async_get(hass).issues if one.startswith("source_missing")]
    assert told == ["source_missing_lagoon_reservoir_sensor.strip_2"]
    registry.async_update_entity("sensor.strip_2", disabled_by=None)
    hass.states.async_set("sensor.strip_2", "20", {"unit_of_measurement": "cm"})
    await hass.async_block_till_done()
    assert "source_missing" not in issues(hass)


async def test_a_device_disabled_in_a_fill_is_told(hass: HomeAssistant, lab: Lab) -> None:
    """Its entity is gone at once: nobody can see or switch it any more."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    await lab.valve(on=True)
    disabled = er.RegistryEntryDisabler.USER
    er.async_get(hass).async_update_entity(VALVE, disabled_by=disabled)
    await hass.async_block_till_done()
    assert hass.states.get(VALVE) is None
    assert "actuator_missing" in issues(hass)
    assert not lab.is_permitted
    await lab.wait(61.0)
    assert lab.is_locked_out


async def test_another_chosen_in_the_settings_ends_the_notice(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up(source="sensor.nowhere", device=VALVE, leak_inputs=["binary_sensor.nowhere"])
    assert {"source_missing", "actuator_missing"} <= issues(hass)
    hass.states.async_set(LEAK, "off")
    await lab.level(20.0)
    await lab.change("reservoir", source=SOURCE)
    await lab.change("fill_line", leak_inputs=[LEAK])
    assert not {"source_missing", "actuator_missing"} & issues(hass)


async def test_a_measure_that_fits_ends_the_notice_of_the_unit(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up()
    await lab.settle(count=3)
    lab.unit = "L"
    await lab.level(20.0)
    assert "unit_changed" in issues(hass)
    await lab.reload()
    assert "unit_changed" in issues(hass)
    await lab.change("reservoir", measure="volume")
    assert "unit_changed" not in issues(hass)


async def test_a_unit_that_is_gone_is_not_called_none(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.settle(count=3)
    hass.states.async_set(SOURCE, "20.0")
    await hass.async_block_till_done()
    issue = ir.async_get(hass).async_get_issue(DOMAIN, "unit_changed_lagoon_reservoir")
    assert issue.translation_placeholders["unit"] == "-"
