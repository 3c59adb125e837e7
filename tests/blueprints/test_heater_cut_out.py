"""Heater cut-out: the shipped YAML in the real automation engine."""

from typing import Any

import pytest
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState

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
    bench.hass.states.async_remove(CUT_OUT)
    bench.hass.states.async_remove(LOCKOUT)
    await bench.pass_time(20)
    assert set(bench.commands) == set(OFF)


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
