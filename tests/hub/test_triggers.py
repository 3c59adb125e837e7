"""Triggers of our own and device triggers, in the hub's own automation."""

from typing import TYPE_CHECKING, Any

import pytest
import voluptuous as vol
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.happenings import HAPPENINGS
from custom_components.stillwell.trigger import TRIGGERS
from homeassistant.components.device_automation import DeviceAutomationType
from homeassistant.const import STATE_UNAVAILABLE
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import trigger as trigger_helper
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import (
    async_get_device_automation_capabilities,
    async_get_device_automations,
)

from .lab import FLOAT, SOURCE
from .test_dosing import dosing

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant, ServiceCall

    from .lab import Lab

OF_VESSEL = {
    "water_low",
    "refill_started",
    "refill_finished",
    "unexplained_loss",
    "sensor_fault",
}
OF_LINE = {"locked_out"}
OF_DOSING = {"dose_paused"}


def device_id(hass: HomeAssistant, subentry_id: str) -> str:
    """Return the device of a vessel or line."""
    entry = hass.config_entries.async_entries(DOMAIN)[0]
    found = dr.async_get(hass).async_get_device_by_identifier((DOMAIN, subentry_id), entry.entry_id)
    assert found is not None
    return found.id


async def listen(hass: HomeAssistant, *triggers: dict[str, Any]) -> None:
    """Set up an automation for each trigger, telling its name."""
    automations = [
        {
            "alias": trigger.get("trigger", trigger.get("type")),
            "triggers": [trigger],
            "actions": [
                {
                    "action": "test.told",
                    "data": {"what": trigger.get("trigger", trigger.get("type"))},
                }
            ],
        }
        for trigger in triggers
    ]
    assert await async_setup_component(hass, "automation", {"automation": automations})
    await hass.async_block_till_done()


async def listen_to_all(hass: HomeAssistant, target: dict[str, Any]) -> None:
    """Set up each of our triggers with one target."""
    await listen(hass, *({"trigger": f"{DOMAIN}.{name}", "target": target} for name in HAPPENINGS))


def told(calls: list[ServiceCall]) -> list[str]:
    """Return what was told since the last time, without our domain."""
    names = [call.data["what"].removeprefix(f"{DOMAIN}.") for call in calls]
    calls.clear()
    return names


@pytest.fixture
def calls(hass: HomeAssistant) -> list[ServiceCall]:
    """Record what automations tell."""
    heard: list[ServiceCall] = []

    async def note(call: ServiceCall) -> None:
        heard.append(call)

    hass.services.async_register("test", "told", note)
    return heard


async def test_a_refill_is_told_from_the_low_mark_to_its_end(
    hass: HomeAssistant, lab: Lab, calls: list[ServiceCall]
) -> None:
    """The start mark is at 7 cm; the target is the vessel's device alone."""
    await lab.set_up()
    await lab.run([8.0] * 6)
    assert lab.state("low").state == "off"
    await listen_to_all(hass, {"device_id": device_id(hass, "lagoon_reservoir")})
    await lab.run([7.6, 7.3, 7.0, 6.8] + [6.8] * 6, 300.0)
    assert lab.state("low").state == "on"
    assert told(calls) == ["water_low"]
    await lab.run([6.8 + 0.5 * step for step in range(1, 21)])
    assert told(calls) == ["refill_started"]
    assert lab.state("low").state == "off"
    await lab.run([16.8] * 20)
    assert told(calls) == ["refill_finished"]


async def test_low_ends_only_above_its_band(lab: Lab) -> None:
    """Two hundredths of the 23 cm from the start to the full mark are 4.6 mm (arithmetic)."""
    await lab.set_up()
    await lab.run([6.9] * 6)
    assert lab.state("low").state == "on"
    await lab.run([7.2] * 12)
    assert lab.value("volume") == pytest.approx(7.2 * 0.9, abs=0.05)
    assert lab.state("low").state == "on"
    await lab.run([7.7] * 12)
    assert lab.state("low").state == "off"
    await lab.run([7.2] * 12)
    assert lab.state("low").state == "off"


async def test_low_is_not_known_without_a_level(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    assert lab.state("low").state == "unknown"


async def test_a_lockout_is_told_of_its_line_and_only_once(
    hass: HomeAssistant, lab: Lab, calls: list[ServiceCall]
) -> None:
    hass.states.async_set(FLOAT, "off")
    await lab.set_up(device="input_boolean.lagoon_valve", high_inputs=[FLOAT])
    await lab.settle()
    await listen_to_all(hass, {"device_id": device_id(hass, "lagoon_reservoir_fill_line")})
    hass.states.async_set(FLOAT, "on")
    await hass.async_block_till_done()
    assert lab.is_locked_out
    assert told(calls) == ["locked_out"]
    await lab.reload()
    await lab.settle()
    assert lab.is_locked_out
    # It was locked out before the restart, so that nothing has happened.
    assert told(calls) == []


@pytest.mark.parametrize("name", sorted(HAPPENINGS))
async def test_an_entity_that_never_fires_is_refused(
    hass: HomeAssistant, lab: Lab, name: str
) -> None:
    await lab.set_up(dosing(), device="input_boolean.lagoon_valve")
    config = {"target": {"entity_id": lab.entity_id("fill")}}
    with pytest.raises(vol.Invalid, match="never fires"):
        await TRIGGERS[name].async_validate_config(hass, config)
    right = {"target": {"entity_id": lab.entity_id(HAPPENINGS[name].key)}}
    checked = await TRIGGERS[name].async_validate_config(hass, right)
    assert checked["options"] == {"behavior": "each"}
    # One that is not there yet may still come.
    await TRIGGERS[name].async_validate_config(hass, {"target": {"entity_id": "sensor.later"}})


async def test_an_unplugged_sensor_is_told_and_a_check_is_not(
    hass: HomeAssistant, lab: Lab, calls: list[ServiceCall]
) -> None:
    """Failure and out of specification (NAMUR NE 107) are faults, a function check is none."""
    await lab.set_up(device="input_boolean.lagoon_valve")
    await lab.run([20.0] * 6)
    await listen(
        hass,
        {"trigger": "stillwell.sensor_fault", "target": {"entity_id": lab.entity_id("signal")}},
    )
    # Work at the vessel is a function check.
    await lab.switch("maintenance", on=True)
    await lab.run([20.0])
    assert lab.state("signal").state == "function_check"
    assert told(calls) == []
    await lab.switch("maintenance", on=False)
    await lab.run([20.0] * 6)
    assert lab.state("signal").state == "good"
    hass.states.async_set(SOURCE, STATE_UNAVAILABLE)
    await hass.async_block_till_done()
    assert lab.state("signal").state == "failure"
    assert told(calls) == ["sensor_fault"]


async def test_the_hub_describes_what_we_register(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    described = await trigger_helper.async_get_all_descriptions(hass)
    ours = {key for key in described if key.startswith(f"{DOMAIN}.")}
    assert ours == {f"{DOMAIN}.{name}" for name in HAPPENINGS}
    assert all(described[key]["target"]["entity"] for key in ours)


# On the device's page


async def test_a_device_offers_what_it_can_tell(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(dosing(), device="input_boolean.lagoon_valve")
    for subentry_id, names in (
        ("lagoon_reservoir", OF_VESSEL),
        ("lagoon_reservoir_fill_line", OF_LINE),
        ("lagoon_limewater", OF_DOSING),
    ):
        offered = await async_get_device_automations(
            hass, DeviceAutomationType.TRIGGER, device_id(hass, subentry_id)
        )
        ours = [one for one in offered if one["domain"] == DOMAIN]
        assert {one["type"] for one in ours} == names
        for one in ours:
            fields = await async_get_device_automation_capabilities(
                hass, DeviceAutomationType.TRIGGER, one
            )
            assert [field["name"] for field in fields["extra_fields"]] == ["for"]


async def test_a_device_trigger_outlives_a_rename_and_waits(
    hass: HomeAssistant, lab: Lab, calls: list[ServiceCall]
) -> None:
    await lab.set_up(device="input_boolean.lagoon_valve")
    await lab.settle()
    er.async_get(hass).async_update_entity(
        lab.entity_id("lockout"), new_entity_id="binary_sensor.stop"
    )
    await hass.async_block_till_done()
    base = {"platform": "device", "domain": DOMAIN}
    await listen(
        hass,
        {
            **base,
            "device_id": device_id(hass, "lagoon_reservoir_fill_line"),
            "type": "locked_out",
            "for": {"minutes": 2},
        },
        {**base, "device_id": device_id(hass, "lagoon_reservoir"), "type": "sensor_fault"},
    )
    await lab.line.async_lock_out("a hose came off")
    await hass.async_block_till_done()
    assert hass.states.get("binary_sensor.stop").state == "on"
    assert told(calls) == []
    await lab.run([20.0] * 7, 20.0)
    assert told(calls) == ["locked_out"]
    hass.states.async_set(SOURCE, STATE_UNAVAILABLE)
    await hass.async_block_till_done()
    assert told(calls) == ["sensor_fault"]
    await lab.reload()
    await lab.settle()
    assert told(calls) == []


async def test_a_device_trigger_without_its_entity_says_so(
    hass: HomeAssistant,
    lab: Lab,
    calls: list[ServiceCall],
    caplog: pytest.LogCaptureFixture,
) -> None:
    await lab.set_up()
    await listen(
        hass,
        {
            "platform": "device",
            "domain": DOMAIN,
            "device_id": device_id(hass, "lagoon_reservoir"),
            "type": "locked_out",
        },
    )
    assert "no entity for the trigger locked_out" in caplog.text
