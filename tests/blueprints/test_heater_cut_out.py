"""Heater cut-out: the shipped YAML in the real automation engine."""

from typing import Any

import pytest
from custom_components.stillwell.const import (
    CONFIG_MINOR_VERSION,
    CONFIG_VERSION,
    DOMAIN,
    SUBENTRY_TEMPERATURE_WATCH,
)
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState
from homeassistant.helpers import entity_registry as er
from pytest_homeassistant_custom_component.common import MockConfigEntry

from .conftest import Bench

FILE = "stillwell_heater_cut_out.yaml"
CIRCUIT = "switch.nursery_heater_circuit"
CUT_OUT = "binary_sensor.nursery_temperature_heater_cut_out"
LOCKOUT = "binary_sensor.nursery_temperature_cut_out_lockout"
SERVICE = "input_boolean.nursery_service"
REQUIRED = {"circuit": CIRCUIT, "cut_out_entity": CUT_OUT, "lockout_entity": LOCKOUT}
ALL = REQUIRED | {
    "on_again": True, "holds": [SERVICE], "notify_entities": ["notify.lab_desk"],
}  # fmt: skip
OFF = [("turn_off", CIRCUIT)]
ON = [("turn_on", CIRCUIT)]


async def ready(bench: Bench, inputs: dict[str, Any] = ALL, circuit: str = "on") -> None:
    bench.set(CIRCUIT, circuit, friendly_name="Nursery heater")
    bench.set(CUT_OUT, "off", reason="none")
    bench.set(LOCKOUT, "off")
    bench.set(SERVICE, "off")
    await bench.load(FILE, inputs)


async def cut_out(bench: Bench, state: str, reason: str = "too_warm") -> None:
    bench.set(CUT_OUT, state, **({"reason": reason} if state in ("on", "off") else {}))
    await bench.settle()


async def lockout(bench: Bench, state: str) -> None:
    bench.set(LOCKOUT, state)
    await bench.settle()


async def test_in_the_band_it_does_nothing(bench: Bench) -> None:
    await ready(bench)
    await bench.pass_time(1200)
    assert bench.commands == []
    bench.set(CIRCUIT, "off")
    await bench.pass_time(1200)
    assert bench.commands == []  # what a person switched off stays off
    assert bench.messages == []


@pytest.mark.parametrize("inputs", [REQUIRED, ALL], ids=["required", "all"])
async def test_a_cut_out_switches_off_at_once(bench: Bench, inputs: dict[str, Any]) -> None:
    await ready(bench, inputs)
    await cut_out(bench, "on")
    assert bench.commands == OFF


async def test_a_lockout_switches_off_too(bench: Bench) -> None:
    await ready(bench)
    await lockout(bench, "on")
    assert bench.commands == OFF


async def test_the_off_is_repeated_until_it_is_confirmed_and_told_once(bench: Bench) -> None:
    await ready(bench)
    bench.obeys = False
    await cut_out(bench, "on")
    await bench.pass_time(600)
    assert bench.count("turn_off") >= 30
    told = [call.data["message"] for call in bench.messages]
    assert told[0] == "Nursery heater is cut out (too warm)."
    assert [one for one in told if "does not switch off" in one] == told[1:]
    assert len(told) == 2
    bench.obeys = True
    await bench.pass_time(20)
    bench.commands.clear()
    await bench.pass_time(300)
    assert bench.commands == []


async def test_what_somebody_switches_on_goes_off_again(bench: Bench) -> None:
    await ready(bench)
    await cut_out(bench, "on")
    bench.commands.clear()
    bench.set(CIRCUIT, "on")
    await bench.settle()
    assert bench.commands == OFF


async def test_a_circuit_that_comes_back_is_switched_off(bench: Bench) -> None:
    await ready(bench)
    bench.set(CIRCUIT, "unavailable")
    await cut_out(bench, "on")
    bench.commands.clear()
    bench.set(CIRCUIT, "on")
    await bench.settle()
    assert bench.state(CIRCUIT) == "off"


async def test_on_again_only_if_chosen(bench: Bench) -> None:
    await ready(bench, REQUIRED)
    await cut_out(bench, "on")
    await cut_out(bench, "off", "none")
    await bench.pass_time(1200)
    assert bench.commands == OFF


async def test_on_again_at_the_end_of_the_cut_out(bench: Bench) -> None:
    await ready(bench)
    await cut_out(bench, "on")
    await bench.pass_time(1200)
    assert bench.commands == OFF
    await cut_out(bench, "off", "none")
    assert bench.commands == OFF + ON


@pytest.mark.parametrize("first", [CUT_OUT, LOCKOUT])
async def test_on_again_at_a_reset_whichever_is_told_first(bench: Bench, first: str) -> None:
    """The watch writes both within one moment."""
    await ready(bench)
    bench.set(CUT_OUT, "on", reason="repeated")
    bench.set(LOCKOUT, "on")
    await bench.pass_time(1200)
    assert set(bench.commands) == set(OFF)
    bench.commands.clear()
    for entity_id in (first, LOCKOUT if first == CUT_OUT else CUT_OUT):
        bench.set(entity_id, "off", reason="none")
    await bench.settle()
    await bench.pass_time(600)
    assert bench.commands == ON


@pytest.mark.parametrize("state", ["on", "unavailable", "unknown"])
async def test_the_end_of_a_lockout_alone_is_no_end(bench: Bench, state: str) -> None:
    """The cut-out stands, or nobody knows."""
    await ready(bench)
    await cut_out(bench, "on")
    await lockout(bench, "on")
    await cut_out(bench, state)
    await lockout(bench, "off")
    await bench.pass_time(60)
    assert set(bench.commands) == set(OFF)


async def test_a_lockout_that_comes_back_from_silence_switches_nothing_on(bench: Bench) -> None:
    await ready(bench)
    await lockout(bench, "on")
    await lockout(bench, "unavailable")
    await lockout(bench, "off")
    await bench.pass_time(60)
    assert bench.commands == OFF


@pytest.mark.parametrize("state", ["on", "unavailable", "unknown"])
async def test_not_on_again_while_locked_out(bench: Bench, state: str) -> None:
    await ready(bench)
    await cut_out(bench, "on")
    await lockout(bench, state)
    await cut_out(bench, "off", "none")
    await bench.pass_time(60)
    assert bench.commands == OFF


@pytest.mark.parametrize("state", ["on", "unavailable", "unknown"])
async def test_not_on_again_during_a_hold(bench: Bench, state: str) -> None:
    await ready(bench)
    await cut_out(bench, "on")
    bench.set(SERVICE, state)
    await cut_out(bench, "off", "none")
    bench.set(SERVICE, "off")
    await bench.pass_time(60)
    assert bench.commands == OFF


@pytest.mark.parametrize("state", ["unavailable", "unknown"])
async def test_a_silent_watch_is_off_after_ten_minutes(bench: Bench, state: str) -> None:
    await ready(bench)
    await cut_out(bench, state)
    await bench.pass_time(580)
    assert bench.commands == []
    await bench.pass_time(40)
    assert bench.commands == OFF
    assert "says nothing" in bench.messages[-1].data["message"]
    await cut_out(bench, "off", "none")
    await bench.pass_time(60)
    assert bench.commands == OFF  # no end of a cut-out was seen


async def test_a_silent_lockout_is_silence_too(bench: Bench) -> None:
    await ready(bench)
    await lockout(bench, "unavailable")
    await bench.pass_time(620)
    assert bench.commands == OFF


async def test_a_short_silence_or_one_that_is_borne_changes_nothing(bench: Bench) -> None:
    await ready(bench, ALL | {"silent_is_off": False})
    await cut_out(bench, "unavailable")
    await bench.pass_time(1300)
    assert bench.commands == []
    await cut_out(bench, "on")
    assert bench.commands == OFF


async def test_watch_entities_that_were_removed_are_silence(bench: Bench) -> None:
    await ready(bench)
    await bench.pass_time(700)
    bench.hass.states.async_remove(CUT_OUT)
    bench.hass.states.async_remove(LOCKOUT)
    await bench.settle()
    assert set(bench.commands) == set(OFF)
    # each of them is told as it goes, and then no more
    silent = "The temperature watch says nothing."
    told = [call.data["message"][: len(silent)] for call in bench.messages]
    assert told == [silent, silent]
    await bench.pass_time(1400)
    assert len(bench.messages) == 2


async def test_a_watch_that_is_not_there_is_told_once_at_hub_start(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    bench.set(CIRCUIT, "on")
    await bench.load(FILE, ALL)
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert set(bench.commands) == set(OFF)
    await bench.pass_time(1400)
    assert len(bench.messages) == 1
    assert "says nothing" in bench.messages[0].data["message"]


async def test_cut_out_at_hub_start_switches_off(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    bench.set(CIRCUIT, "on")
    bench.set(CUT_OUT, "on", reason="too_warm")
    bench.set(LOCKOUT, "off")
    bench.set(SERVICE, "off")
    await bench.load(FILE, ALL)
    bench.commands.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert set(bench.commands) == set(OFF)


async def test_a_watch_that_comes_back_after_a_restart_switches_nothing_on(bench: Bench) -> None:
    await ready(bench, circuit="off")
    await cut_out(bench, "unavailable")
    await bench.pass_time(60)
    await cut_out(bench, "off", "none")
    await bench.pass_time(60)
    assert bench.commands == []


async def test_phones_get_one_notice_that_is_taken_back(bench: Bench, phone: str) -> None:
    await ready(bench, ALL | {"phones": [phone]})
    await cut_out(bench, "on")
    await lockout(bench, "on")
    await bench.pass_time(300)
    await lockout(bench, "off")
    await cut_out(bench, "off", "none")
    texts = [call.data["message"] for call in bench.phone]
    assert texts[0] == "Nursery heater is cut out (too warm)."
    assert "locked out" in texts[1]
    assert texts[-1] == "clear_notification"
    assert len({call.data["data"]["tag"] for call in bench.phone}) == 1


async def test_a_notice_stands_while_the_circuit_is_still_off(bench: Bench, phone: str) -> None:
    """The watch was silent and is back: a tank whose heater stays off cools."""
    await ready(bench, ALL | {"phones": [phone]})
    await cut_out(bench, "unavailable")
    await bench.pass_time(620)
    assert bench.state(CIRCUIT) == "off"
    assert "look after the temperature by hand" in bench.phone[-1].data["message"]
    told = len(bench.phone)
    await cut_out(bench, "off", "none")
    await bench.pass_time(3600)
    assert len(bench.phone) == told
    bench.set(CIRCUIT, "on")
    await bench.settle()
    assert [call.data["message"] for call in bench.phone[told:]] == ["clear_notification"]
    # From here on it is the thermostat's affair.
    for state in ("off", "on", "off", "on"):
        await bench.pass_time(60)
        bench.set(CIRCUIT, state)
        await bench.settle()
    assert len(bench.phone) == told + 1


async def test_who_switches_on_by_hand_is_told_that_the_cut_out_has_ended(
    bench: Bench, phone: str
) -> None:
    steps = [{"action": "test.own_step"}]
    await ready(bench, REQUIRED | {"phones": [phone], "own_steps": steps})
    await cut_out(bench, "on")
    await cut_out(bench, "off", "none")
    first, second = [call.data["message"] for call in bench.phone]
    assert first == "Nursery heater is cut out (too warm)."
    # The bench's switch loses its name when it is switched.
    assert second == f"The cut-out has ended. {CIRCUIT} is still off."
    assert len(bench.own) == 1  # they are for a cut-out, not for its end


class Nursery:
    """A real temperature watch beside the rule: 120 L, band 24.5 to 27.0 degC."""

    circuit = "input_boolean.nursery_heater_circuit"
    thermometer = "sensor.nursery_temperature"

    def __init__(self, bench: Bench) -> None:
        self.bench, self.hass = bench, bench.hass
        data = {
            "temperature_source": self.thermometer, "heater": "input_boolean.nursery_heater",
            "low_c": 24.5, "high_c": 27.0, "heater_power_w": 300.0,
        }  # fmt: skip
        watch = {
            "data": data, "subentry_id": "nursery_temperature", "unique_id": None,
            "subentry_type": SUBENTRY_TEMPERATURE_WATCH, "title": "Nursery temperature",
        }  # fmt: skip
        self.entry = MockConfigEntry(
            domain=DOMAIN, title="Nursery", version=CONFIG_VERSION,
            minor_version=CONFIG_MINOR_VERSION,
            data={"volume_l": 120.0, "salinity_psu": 35.0}, subentries_data=[watch],
        )  # fmt: skip

    async def set_up(self) -> None:
        self.bench.set("input_boolean.nursery_heater", "off")
        self.bench.set(self.circuit, "on")
        self.say(25.5)
        self.entry.add_to_hass(self.hass)
        assert await self.hass.config_entries.async_setup(self.entry.entry_id)
        await self.hass.async_block_till_done(wait_background_tasks=True)
        inputs = {
            "circuit": self.circuit, "cut_out_entity": self.entity_id("cut_out"),
            "lockout_entity": self.entity_id("cut_out_lockout"), "on_again": True,
        }  # fmt: skip
        await self.bench.load(FILE, inputs)

    def entity_id(self, key: str) -> str:
        registry = er.async_get(self.hass)
        platform = "button" if key == "cut_out_reset" else "binary_sensor"
        found = registry.async_get_entity_id(platform, DOMAIN, f"nursery_temperature_{key}")
        assert found is not None
        return found

    def say(self, temp_c: float) -> None:
        self.hass.states.async_set(
            self.thermometer, str(temp_c), {"unit_of_measurement": "°C"}, force_update=True
        )

    async def stand_at(self, temp_c: float, minutes: int) -> None:
        for _ in range(minutes):
            self.say(temp_c)
            await self.bench.pass_time(60)

    def shown(self) -> tuple[str, str, str]:
        cut_out, lockout = self.entity_id("cut_out"), self.entity_id("cut_out_lockout")
        return tuple(self.bench.state(one) for one in (cut_out, lockout, self.circuit))


@pytest.mark.usefixtures("enable_custom_integrations")
async def test_after_a_reset_of_the_real_watch_the_heater_is_on_again(bench: Bench) -> None:
    nursery = Nursery(bench)
    await nursery.set_up()
    await nursery.stand_at(25.5, 10)
    assert nursery.shown() == ("off", "off", "on")
    await nursery.stand_at(27.6, 15)
    assert nursery.shown() == ("on", "off", "off")
    await nursery.stand_at(26.0, 20)
    assert nursery.shown() == ("off", "off", "on")
    await nursery.stand_at(27.6, 15)
    await nursery.stand_at(25.5, 30)
    assert nursery.shown() == ("on", "on", "off")
    target = {"entity_id": nursery.entity_id("cut_out_reset")}
    await bench.hass.services.async_call("button", "press", target, blocking=True)
    await bench.settle()
    assert nursery.shown() == ("off", "off", "on")


@pytest.mark.usefixtures("enable_custom_integrations")
async def test_a_cut_out_that_ends_in_a_reload_of_the_real_watch_is_on_again(bench: Bench) -> None:
    nursery = Nursery(bench)
    await nursery.set_up()
    await nursery.stand_at(27.6, 15)
    assert nursery.shown() == ("on", "off", "off")
    assert await bench.hass.config_entries.async_unload(nursery.entry.entry_id)
    await nursery.stand_at(25.5, 7)
    assert nursery.shown() == ("unavailable", "unavailable", "off")
    assert await bench.hass.config_entries.async_setup(nursery.entry.entry_id)
    await bench.hass.async_block_till_done(wait_background_tasks=True)
    await nursery.stand_at(25.5, 4)
    assert nursery.shown() == ("on", "off", "off")
    await nursery.stand_at(25.5, 2)
    assert nursery.shown() == ("off", "off", "on")
