"""Apply the dose adjustment: the shipped YAML in the real automation engine.

Pulses by arithmetic: 150 mL/h are 25 mL in ten minutes, and 50 mL/min give them in 30 s.
"""

from datetime import timedelta
from typing import Any

import pytest
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState, ServiceCall
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import async_mock_service

from .conftest import Bench

FILE = "stillwell_apply_dose.yaml"
PUMP = "switch.lagoon_dosing_pump"
NUMBER = "number.lagoon_dosing_rate"
PERMIT = "binary_sensor.lagoon_limewater_dose_permitted"
RATE = "sensor.lagoon_limewater_dose_adjustment"
DOSE = "sensor.lagoon_limewater_next_dose"
LEAK = "binary_sensor.lagoon_floor"
REQUIRED = {"permit_entity": PERMIT, "rate_entity": RATE, "dose_entity": DOSE, "pump": PUMP}
ALL = REQUIRED | {"stops": [LEAK], "notify_entities": ["notify.lab_desk"]}
LOST = ["unavailable", "unknown", "off", ""]


def permit(bench: Bench, state: str, pump: str = PUMP, flow: float | None = 50.0) -> None:
    bare = state in ("unavailable", "unknown", "")
    bench.set(PERMIT, state, **({} if bare else {"dosing_pump": pump, "pump_flow": flow}))


def rate(bench: Bench, value: float | str, dose_ml: float | str = 100.0) -> None:
    bench.set(RATE, value, unit_of_measurement="mL/h")
    bench.set(DOSE, dose_ml, unit_of_measurement="mL")


async def ready(
    bench: Bench, inputs: dict[str, Any] = ALL, *, at: str = "08:09:40", **given: Any
) -> None:
    """All in order, shortly before a period of ten minutes begins."""
    bench.freezer.move_to(f"2026-03-10 {at}+00:00")
    bench.set(inputs["pump"], given.pop("state", "off"), **given.pop("pump", {}))
    bench.set(LEAK, "off")
    permit(bench, "on", inputs["pump"], given.pop("flow", 50.0))
    rate(bench, given.pop("rate", 150.0), given.pop("dose_ml", 100.0))
    bench.freezer.tick(timedelta(seconds=16))
    await bench.load(FILE, inputs)


async def run(bench: Bench, seconds: float) -> float:
    """Let time pass in ticks of 5 s; return how long the pump ran."""
    on_s = 0.0
    for _ in range(round(seconds / 5)):
        was_on = bench.hass.states.is_state(PUMP, "on")
        await bench.pass_time(5, step=5)
        on_s += 5.0 if was_on else 0.0
    return on_s


async def in_a_pulse(bench: Bench, inputs: dict[str, Any] = ALL) -> None:
    await ready(bench, inputs)
    await run(bench, 10)
    assert bench.state(PUMP) == "on"
    bench.commands.clear()


@pytest.mark.parametrize(
    ("ml_per_h", "seconds"),
    [(150.0, 30.0), (300.0, 60.0), (600.0, 60.0), (160.0, 30.0), (24.0, 0.0), (0.0, 0.0)],
)
async def test_a_pulse_is_the_share_of_the_period(
    bench: Bench, ml_per_h: float, seconds: float
) -> None:
    """Never longer than it should be: 160 mL/h ask for 32 s; the longest pulse is 60 s."""
    await ready(bench, rate=ml_per_h)
    assert await run(bench, 580) == seconds
    assert bench.count("turn_on") == bench.count("turn_off") == (1 if seconds else 0)
    assert await run(bench, 600) == seconds


async def test_an_hour_gives_the_rate(bench: Bench) -> None:
    await ready(bench, REQUIRED)
    on_s = await run(bench, 3600)
    assert on_s / 60.0 * 50.0 == pytest.approx(150.0)


async def test_the_next_dose_bounds_a_pulse(bench: Bench) -> None:
    """10 mL are 12 s, cut to 10; with 1 fl. oz. of 29.57 mL the 25 mL are below the bound."""
    await ready(bench, dose_ml=10.0)
    assert await run(bench, 580) == 10.0
    bench.set(DOSE, 1.0, unit_of_measurement="fl. oz.")
    assert await run(bench, 600) == 30.0
    bench.set(DOSE, 1.0, unit_of_measurement="cm")
    assert await run(bench, 600) == 0.0


@pytest.mark.parametrize("state", LOST)
async def test_no_permit_stops_at_once_and_starts_nothing(bench: Bench, state: str) -> None:
    await in_a_pulse(bench)
    permit(bench, state)
    await bench.settle()
    assert bench.is_shut_by("turn_off", PUMP)
    bench.commands.clear()
    await run(bench, 1200)
    assert bench.commands == []


@pytest.mark.parametrize("value", ["unavailable", "unknown", "nan", "-5", ""])
async def test_a_rate_nobody_knows_stops_at_once(bench: Bench, value: str) -> None:
    await in_a_pulse(bench)
    rate(bench, value)
    await bench.settle()
    assert bench.is_shut_by("turn_off", PUMP)


@pytest.mark.parametrize("value", ["0", "unavailable", "unknown"])
async def test_no_room_for_a_dose_stops_at_once(bench: Bench, value: str) -> None:
    await in_a_pulse(bench)
    rate(bench, 150.0, value)
    await bench.settle()
    assert bench.is_shut_by("turn_off", PUMP)


@pytest.mark.parametrize("state", ["on", "unavailable", "unknown"])
async def test_a_stop_that_is_not_off_stops_at_once(bench: Bench, state: str) -> None:
    await in_a_pulse(bench)
    bench.set(LEAK, state)
    await bench.settle()
    assert bench.is_shut_by("turn_off", PUMP)
    bench.commands.clear()
    await run(bench, 600)
    assert bench.commands == []


async def test_what_somebody_switches_on_goes_off_again(bench: Bench) -> None:
    await ready(bench)
    await run(bench, 120)
    bench.commands.clear()
    bench.set(PUMP, "on")
    await bench.settle()
    assert bench.is_shut_by("turn_off", PUMP)


async def test_the_off_is_repeated_until_it_is_confirmed_and_told_once(bench: Bench) -> None:
    await in_a_pulse(bench)
    bench.obeys = False
    await run(bench, 300)
    assert bench.count("turn_off") >= 40
    told = [call.data["message"] for call in bench.messages]
    assert len(told) == 1
    assert "does not switch off" in told[0]
    bench.obeys = True
    await run(bench, 5)
    bench.commands.clear()
    await run(bench, 200)
    assert bench.commands == []


class Untold:
    """A pump that does at once as told; its state follows late, or not at all."""

    def __init__(self, bench: Bench, late_s: float | None) -> None:
        self.bench = bench
        self.late_s = late_s
        self.runs = False
        self.ran_s = 0.0
        self._heard = 0
        self._due: list[tuple[float, str]] = []
        self._clock_s = 0.0
        bench.obeys = False

    def hear(self) -> None:
        for action, _ in self.bench.commands[self._heard :]:
            runs = action == "turn_on"
            if runs is not self.runs and self.late_s is not None:
                self._due.append((self._clock_s + self.late_s, "on" if runs else "off"))
            self.runs = runs
        self._heard = len(self.bench.commands)

    async def run(self, seconds: float) -> None:
        for _ in range(round(seconds / 5)):
            self.ran_s += 5.0 if self.runs else 0.0
            await self.bench.pass_time(5, step=5)
            self._clock_s += 5.0
            self.hear()
            while self._due and self._due[0][0] <= self._clock_s:
                self.bench.set(PUMP, self._due.pop(0)[1])
                await self.bench.settle()
                self.hear()


@pytest.mark.parametrize("late_s", [20.0, 45.0, 60.0, None])
async def test_a_pump_whose_word_comes_late_or_never_runs_no_longer(
    bench: Bench, late_s: float | None
) -> None:
    """30 s of ten minutes are asked for; a state that is read each minute says so after the end."""
    await ready(bench)
    pump = Untold(bench, late_s)
    await pump.run(4 * 600)
    assert pump.ran_s == 4 * 30.0
    assert not pump.runs


@pytest.mark.parametrize("end", ["permit", "rate", "stop"])
async def test_a_fault_ends_a_pulse_that_was_never_confirmed(bench: Bench, end: str) -> None:
    await ready(bench)
    pump = Untold(bench, None)
    await pump.run(30)
    assert pump.runs
    if end == "permit":
        permit(bench, "off")
    elif end == "rate":
        rate(bench, 0.0, 0.0)
    else:
        bench.set(LEAK, "on")
    await bench.settle()
    pump.hear()
    assert not pump.runs


async def test_a_permit_must_have_stood(bench: Bench) -> None:
    await ready(bench)
    permit(bench, "off")
    await run(bench, 5)
    permit(bench, "on")
    await run(bench, 10)
    assert bench.commands == []
    await run(bench, 10)
    assert bench.commands == [("turn_on", PUMP)]


async def test_a_blink_of_the_permit_lengthens_no_pulse(bench: Bench) -> None:
    """The place in the period decides: on at 8:10:00, no later than 8:10:30 off."""
    await in_a_pulse(bench)
    permit(bench, "unavailable")
    await bench.settle()
    permit(bench, "on")
    await bench.settle()
    assert await run(bench, 595) <= 25.0


# Restart


async def test_a_restart_in_the_middle_of_a_dose(bench: Bench) -> None:
    """Off first; what is left of the pulse is given when the permit has stood, and no more."""
    bench.hass.set_state(CoreState.starting)
    await ready(bench, at="08:09:54", state="on")  # the hub comes up at 8:10:10
    bench.commands.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert bench.commands == [("turn_off", PUMP)]
    assert await run(bench, 580) <= 20.0
    assert bench.state(PUMP) == "off"


async def test_a_restart_after_the_pulse_leaves_it_off(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, at="08:12:00", state="on")
    bench.commands.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert bench.commands == [("turn_off", PUMP)]
    assert await run(bench, 450) == 0.0


async def test_a_restart_with_the_permit_not_there_yet(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, at="08:09:54", state="on")
    permit(bench, "unavailable")
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert bench.state(PUMP) == "off"
    assert await run(bench, 600) == 0.0


async def test_loaded_anew_in_a_pulse_goes_on_and_ends_in_time(bench: Bench) -> None:
    await in_a_pulse(bench)
    await bench.reload(FILE, ALL)
    assert await run(bench, 300) == 25.0
    assert bench.commands == [("turn_off", PUMP)]


# a hub that has stopped leaves its ticks armed, and with the process they go
@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_hub_shutdown_stops_the_pump(bench: Bench) -> None:
    await in_a_pulse(bench)
    await bench.hass.async_stop(force=True)
    assert ("turn_off", PUMP) in bench.commands


# Settings


@pytest.mark.parametrize(
    ("changes", "given", "text"),
    [
        ({"longest_pulse": 120, "period": 1}, {}, "longer than the period"),
        ({}, {"pump": "switch.another"}, "counts switch.another"),
        ({}, {"flow": 0.0}, "does not know the flow"),
    ],
)
async def test_settings_that_contradict_dose_nothing_and_are_told(
    bench: Bench, changes: dict[str, Any], given: dict[str, Any], text: str
) -> None:
    await ready(bench, ALL | changes)
    permit(bench, "off")
    await bench.settle()
    permit(bench, "on", **given)
    await bench.settle()
    assert await run(bench, 620) == 0.0
    assert text in bench.messages[-1].data["message"]


async def test_settings_that_cannot_work_are_shown_in_the_hub_itself(bench: Bench) -> None:
    """A rule without a phone must not just do nothing."""
    shown = async_mock_service(bench.hass, "persistent_notification", "create")
    gone = async_mock_service(bench.hass, "persistent_notification", "dismiss")
    await ready(bench, REQUIRED)
    permit(bench, "off")
    await bench.settle()
    assert shown == []
    permit(bench, "on", "switch.another")
    await bench.settle()
    permit(bench, "off", "switch.another")
    await bench.settle()
    told = [call.data for call in shown]
    assert told
    assert (
        told[-1]["message"]
        == f"The dosing line counts switch.another, not {PUMP}. Nothing is dosed."
    )
    gone.clear()
    permit(bench, "on")
    await bench.settle()
    assert {call.data["notification_id"] for call in gone} == {told[-1]["notification_id"]}
    assert len(shown) == len(told)


async def test_a_rate_in_another_unit_doses_nothing(bench: Bench) -> None:
    await ready(bench)
    bench.set(RATE, 150, unit_of_measurement="L/h")
    assert await run(bench, 620) == 0.0


@pytest.mark.parametrize(
    ("pump", "at_rest", "on", "off"),
    [
        ("valve.lagoon_limewater", "closed", "open_valve", "close_valve"),
        ("input_boolean.lagoon_limewater", "off", "turn_on", "turn_off"),
    ],
)
async def test_valve_and_toggle_are_pumps_too(
    bench: Bench, pump: str, at_rest: str, on: str, off: str
) -> None:
    await ready(bench, ALL | {"pump": pump}, state=at_rest)
    await run(bench, 60)
    assert bench.commands == [(on, pump), (off, pump)]


async def test_phones_get_a_notice_that_is_taken_back(bench: Bench, phone: str) -> None:
    await ready(bench, ALL | {"phones": [phone]})
    permit(bench, "off", "switch.another")
    await bench.settle()
    permit(bench, "on")
    await bench.settle()
    texts = [call.data["message"] for call in bench.phone]
    assert "counts switch.another" in texts[0]
    assert texts[-1] == "clear_notification"


# A number


@pytest.fixture
def values(bench: Bench) -> list[float]:
    """What the number was set to."""
    told: list[float] = []

    async def set_value(call: ServiceCall) -> None:
        told.append(float(call.data["value"]))
        before = bench.hass.states.get(NUMBER)
        bench.set(NUMBER, told[-1], **before.attributes)

    bench.hass.services.async_register("number", "set_value", set_value)
    return told


@pytest.mark.parametrize(
    ("unit", "value"),
    [("mL/h", 150.0), ("mL/min", 2.5), ("L/h", 0.15), ("mL/s", 0.0417), ("L/min", 0.0025),
     ("%", 5.0)],
)  # fmt: skip
async def test_a_number_is_set_to_the_rate(
    bench: Bench, values: list[float], unit: str, value: float
) -> None:
    """150 mL/h are 2.5 mL/min, and a twentieth of 50 mL/min."""
    await ready(bench, ALL | {"pump": NUMBER}, state="0", pump={"unit_of_measurement": unit})
    await run(bench, 20)
    assert values == [value]
    rate(bench, 75.0)
    await bench.settle()
    assert values == [value, pytest.approx(value / 2, abs=6e-5)]
    permit(bench, "unavailable")
    await bench.settle()
    assert values[2:] == [0.0]


async def test_a_number_keeps_within_its_range_and_stops_below_it(
    bench: Bench, values: list[float]
) -> None:
    shown = {"unit_of_measurement": "mL/min", "min": 0.0, "max": 2.0}
    await ready(bench, ALL | {"pump": NUMBER}, state="0", pump=shown)
    await run(bench, 20)
    assert values == [2.0]
    permit(bench, "off", NUMBER)
    await bench.settle()
    assert values == [2.0, 0.0]


async def test_a_number_whose_word_never_comes_is_set_to_nothing_all_the_same(bench: Bench) -> None:
    told: list[float] = []

    async def set_value(call: ServiceCall) -> None:
        told.append(float(call.data["value"]))

    bench.hass.services.async_register("number", "set_value", set_value)
    shown = {"unit_of_measurement": "mL/h"}
    await ready(bench, ALL | {"pump": NUMBER}, state="0", pump=shown)
    await run(bench, 30)
    assert set(told) == {150.0}
    permit(bench, "off", NUMBER)
    await bench.settle()
    assert told[-1] == 0.0


async def test_a_number_that_cannot_be_nothing_is_never_raised_and_is_told(bench: Bench) -> None:
    """The hub refuses a value below the least one: such a pump could be started, never stopped."""
    helper = "input_number.lagoon_dosing_rate"
    config = {
        "lagoon_dosing_rate": {"min": 1, "max": 40, "initial": 5, "unit_of_measurement": "mL/h"}
    }
    assert await async_setup_component(bench.hass, "input_number", {"input_number": config})
    await ready(bench, ALL | {"pump": helper}, state="5.0", pump=config["lagoon_dosing_rate"])
    await run(bench, 40)
    # As near to nothing as it goes, and no further.
    assert float(bench.state(helper)) == 1.0
    permit(bench, "off", helper)
    await bench.settle()
    await bench.lockout("off")
    await run(bench, 10)
    assert float(bench.state(helper)) == 1.0
    bench.hass.bus.async_fire("automation_reloaded")
    await bench.settle()
    assert "cannot be set to 0" in bench.messages[-1].data["message"]


async def test_a_number_in_another_unit_is_left_at_nothing(
    bench: Bench, values: list[float]
) -> None:
    inputs = ALL | {"pump": NUMBER}
    await ready(bench, inputs, state="40", pump={"unit_of_measurement": "rpm"})
    await run(bench, 20)
    assert set(values) == {0.0}


@pytest.mark.parametrize("state", ["unavailable", "unknown"])
async def test_a_number_that_is_lost_is_told_nothing_again_and_again(
    bench: Bench, values: list[float], state: str
) -> None:
    await ready(bench, ALL | {"pump": NUMBER}, state="0", pump={"unit_of_measurement": "mL/h"})
    await run(bench, 20)
    values.clear()
    bench.set(NUMBER, state)
    await bench.settle()
    assert values[0] == 0.0
