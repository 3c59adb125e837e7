"""A temperature watch in the hub: form, entities, memory, refusals; the tank is the simulator's."""

from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN, SUBENTRY_TEMPERATURE_WATCH
from custom_components.stillwell.temperature_watch import TemperatureWatch
from homeassistant.config_entries import ConfigEntryState
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState, Event, EventStateChangedData, callback
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.event import async_track_state_change_event
from homeassistant.util import dt as dt_util
from tests.simulator.tank import Tank

from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry

    from .lab import Lab

SOURCE = "sensor.nursery_temperature"
ROOM = "sensor.room_temperature"
HEATER = "switch.nursery_heater"
ALARMS = ("temperature_low", "temperature_high", "heater_dead", "heater_stuck_on")


def watch(**changes: Any) -> dict[str, Any]:
    """Return a temperature watch as a subentry; None leaves out."""
    data = {
        "temperature_source": SOURCE, "heater": HEATER, "low_c": 24.5, "high_c": 27.0,
        "heater_power_w": 300.0,
    } | changes  # fmt: skip
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": "nursery_temperature",
        "subentry_type": SUBENTRY_TEMPERATURE_WATCH,
        "title": "Nursery temperature",
        "unique_id": None,
    }


def _report(hass: HomeAssistant, tank: Tank, unit: str = "°C") -> None:
    seen = tank.seen_temp_c()
    shown = seen if unit == "°C" else seen * 1.8 + 32.0
    hass.states.async_set(HEATER, "on" if tank.is_commanded_on else "off")
    hass.states.async_set(SOURCE, f"{shown:.4f}", {"unit_of_measurement": unit})


async def _run(lab: Lab, tank: Tank, hours: float, unit: str = "°C") -> None:
    """Report every five minutes."""
    for _ in range(int(hours * 12)):
        for _ in range(5):
            tank.step()
        lab.freezer.tick(300.0)
        _report(lab.hass, tank, unit)
        await lab.hass.async_block_till_done()


@pytest.mark.parametrize("unit", ["°C", "°F"])
async def test_swing_duty_and_a_dead_heater(lab: Lab, unit: str) -> None:
    tank = Tank()
    _report(lab.hass, tank, unit)
    await lab.set_up(watch(low_c=24.0))
    await _run(lab, tank, 26.0, unit)
    assert [lab.state(key).state for key in ALARMS] == ["off"] * 4
    # The thermostat switches within 0.2 K; noise and a coarse sensor add less than that again.
    swing = lab.value("temperature_swing")
    if lab.state("temperature_swing").attributes["unit_of_measurement"] == "°F":
        swing /= 1.8
    assert 0.15 <= swing <= 0.45
    duty = tank.heat_j / 300.0 / tank.t_s
    assert lab.value("heater_duty") == pytest.approx(100.0 * duty, abs=5.0)
    tank.is_heater_dead = True
    await _run(lab, tank, 4.0, unit)
    assert lab.state("heater_dead").state == "on"
    assert lab.state("heater_stuck_on").state == "off"
    assert 0.0 < lab.value("time_to_limit") < 24.0


async def test_a_heater_stuck_on(lab: Lab) -> None:
    tank = Tank()
    _report(lab.hass, tank)
    await lab.set_up(watch())
    await _run(lab, tank, 12.0)
    tank.is_heater_stuck = True
    await _run(lab, tank, 3.0)
    assert lab.state("heater_stuck_on").state == "on"
    assert lab.state("temperature_high").state == "off"


async def test_without_heater_only_the_water_is_judged(lab: Lab) -> None:
    lab.hass.states.async_set(SOURCE, "27.5", {"unit_of_measurement": "°C"})
    await lab.set_up(watch(heater=None, heater_power_w=None, room_temperature_source=ROOM))
    for key in ("heater_duty", "heater_dead", "heater_stuck_on"):
        with pytest.raises(AssertionError):
            lab.entity_id(key)
    await lab.wait(301.0)
    assert lab.state("temperature_high").state == "on"
    assert lab.state("temperature_low").state == "off"


async def test_a_reading_no_water_has_is_not_taken(
    lab: Lab, caplog: pytest.LogCaptureFixture
) -> None:
    """78 with the unit of degC is Fahrenheit under a wrong name."""
    lab.hass.states.async_set(SOURCE, "78", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())
    await lab.wait(400.0)
    assert lab.state("temperature_high").state == "off"
    assert lab.state("temperature_swing").state == "unknown"
    assert caplog.text.count("looks like degF") == 1


async def test_what_was_learned_outlives_a_restart(lab: Lab) -> None:
    tank = Tank()
    _report(lab.hass, tank)
    await lab.set_up(watch())
    await _run(lab, tank, 8.0)
    (alive,) = lab.entry.runtime_data.watches.values()
    learned = alive.snapshot()["watch"]
    assert learned["on"]
    await lab.reload()
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.snapshot()["watch"]["on"] == learned["on"]
    assert not alive.restore({})
    assert alive.diagnostics()["view"] is not None


@pytest.mark.parametrize("broken", [{"low_c": 28.0}, {"silence_s": 10.0}])
async def test_settings_that_are_no_use_are_told(lab: Lab, broken: dict[str, float]) -> None:
    await lab.set_up(watch(**broken))
    issues = ir.async_get(lab.hass)
    assert issues.async_get_issue(DOMAIN, "watch_settings_invalid_nursery_temperature")
    assert not lab.entry.runtime_data.watches
    await lab.change(SUBENTRY_TEMPERATURE_WATCH, low_c=24.0, silence_s=60.0)
    assert not issues.async_get_issue(DOMAIN, "watch_settings_invalid_nursery_temperature")
    assert lab.entry.runtime_data.watches


# Lost thermometer, cut-out


async def _reports(lab: Lab, temp_c: float | str, minutes: int) -> None:
    for _ in range(minutes):
        lab.freezer.tick(60.0)
        lab.hass.states.async_set(SOURCE, str(temp_c), {"unit_of_measurement": "°C"})
        await lab.hass.async_block_till_done()


@pytest.mark.parametrize(("silence_s", "quiet_s"), [(None, 1770.0), (120.0, 90.0)])
async def test_a_silent_thermometer_counts_as_lost(
    lab: Lab, silence_s: float | None, quiet_s: float
) -> None:
    """Half an hour unless chosen otherwise; the look comes each half minute."""
    lab.hass.states.async_set(SOURCE, "25.5", {"unit_of_measurement": "°C"})
    await lab.set_up(watch(silence_s=silence_s))
    await lab.wait(quiet_s)
    assert lab.state("thermometer_lost").state == "off"
    await lab.wait(61.0)
    assert lab.state("thermometer_lost").state == "on"
    assert lab.state("cut_out").state == "on"
    assert lab.state("cut_out").attributes["reason"] == "silent"
    assert lab.state("cut_out_lockout").state == "off"
    await _reports(lab, 25.5, 1)
    assert lab.state("thermometer_lost").state == "off"
    assert lab.state("cut_out").state == "off"


def _lagoons_watch() -> dict[str, Any]:
    """A second watch, which comes first."""
    named = {"subentry_id": "a_lagoon_temperature", "title": "Lagoon temperature"}
    return watch(temperature_source="sensor.lagoon_temperature") | named


async def test_a_fault_in_another_watch_does_not_stop_time_for_the_cut_out(
    lab: Lab, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """What was silent before the fault is lost all the same, and the heater goes off."""
    lab.hass.states.async_set(SOURCE, "25.5", {"unit_of_measurement": "°C"})
    await lab.set_up(_lagoons_watch(), watch())
    broken, alive = lab.entry.runtime_data.watches.values()

    def fail(_now_s: float) -> None:
        raise RuntimeError("a defect")

    monkeypatch.setattr(broken, "async_look", fail)
    await lab.wait(1801.0)
    await lab.wait(31.0)
    assert "a defect" in caplog.text
    assert alive.cut_out.is_cut_out
    states = [lab.hass.states.get(entity.entity_id) for entity in alive.shown]
    reasons = [state.attributes.get("reason") for state in states if state is not None]
    assert "silent" in reasons


async def test_a_watch_that_fails_at_the_start_stops_no_other(
    lab: Lab, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Guards of fill lines and the cut-out of another heater come to life all the same."""
    lab.hass.states.async_set(SOURCE, "25.5", {"unit_of_measurement": "°C"})
    real = TemperatureWatch.async_look

    def fail(self: TemperatureWatch, now_s: float) -> None:
        if self.subentry_id == "a_lagoon_temperature":
            raise RuntimeError("a defect")
        real(self, now_s)

    monkeypatch.setattr(TemperatureWatch, "async_look", fail)
    await lab.set_up(_lagoons_watch(), watch())
    assert "a defect" in caplog.text
    assert lab.entry.state is ConfigEntryState.LOADED
    alive = lab.entry.runtime_data.watches["nursery_temperature"]
    await lab.wait(1801.0)
    await lab.wait(31.0)
    assert alive.cut_out.is_cut_out


async def test_a_report_from_the_future_keeps_no_dead_thermometer_alive(lab: Lab) -> None:
    """The clock was four hours fast, was set right, and then the thermometer died."""
    lab.hass.states.async_set(SOURCE, "25.5", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())
    await lab.wait(60.0)
    (alive,) = lab.entry.runtime_data.watches.values()
    lab.freezer.tick(-4 * 3600.0)
    # The test's timers do not go back with the clock; the hub's tick is called by hand.
    for _ in range(62):
        lab.freezer.tick(31.0)
        alive.async_look(dt_util.utcnow().timestamp())
    assert alive.view.temp_c is None
    assert alive.cut_out.reason.value == "silent"


async def test_a_defect_of_our_own_counts_as_a_lost_thermometer(
    lab: Lab, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """What cannot be judged must not go on heating for ever."""
    lab.hass.states.async_set(SOURCE, "25.5", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a defect")

    monkeypatch.setattr("custom_components.stillwell.engine.heater_watch.HeaterWatch.take", broken)
    await _reports(lab, 25.5, 31)
    assert caplog.text.count("takes no reading: a defect") == 1
    assert lab.state("thermometer_lost").state == "on"
    assert lab.state("cut_out").state == "on"
    assert lab.state("temperature_swing").state in ("unknown", "unavailable")
    monkeypatch.undo()
    await _reports(lab, 25.5, 2)
    assert lab.state("cut_out").state == "off"


async def test_a_restart_begins_no_alarm(lab: Lab) -> None:
    """After a start many thermometers are unavailable for a while."""
    lab.hass.states.async_set(SOURCE, "unavailable")
    await lab.set_up(watch())
    await lab.wait(600.0)
    assert lab.state("thermometer_lost").state == "off"
    assert lab.state("cut_out").state == "off"


async def test_cut_out_margin_latch_and_reset(lab: Lab) -> None:
    """The band ends at 27.0 degC; back by half a kelvin is 26.5. Twice within a day latches."""
    lab.hass.states.async_set(SOURCE, "26.0", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())
    await _reports(lab, 27.2, 7)
    assert lab.state("cut_out").state == "on"
    assert lab.state("cut_out").attributes["reason"] == "too_warm"
    with pytest.raises(ServiceValidationError, match="still too warm"):
        await lab.press("cut_out_reset")
    await _reports(lab, 26.7, 7)
    assert lab.state("temperature_high").state == "off"
    assert lab.state("cut_out").attributes["reason"] == "returning"
    await _reports(lab, 26.5, 1)
    assert lab.state("cut_out").state == "off"
    await _reports(lab, 27.2, 7)
    await _reports(lab, 26.0, 7)
    assert lab.state("cut_out").attributes["reason"] == "repeated"
    assert lab.state("cut_out_lockout").state == "on"
    await lab.reload()
    await _reports(lab, 26.0, 1)
    assert lab.state("cut_out_lockout").state == "on"
    await lab.press("cut_out_reset")
    assert lab.state("cut_out_lockout").state == "off"
    assert lab.state("cut_out").state == "off"


async def test_the_lockout_ends_before_the_cut_out(lab: Lab) -> None:
    """A rule that hears the end of the cut-out must not find the lockout standing still."""
    lab.hass.states.async_set(SOURCE, "26.0", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())
    await _reports(lab, 26.0, 1)
    for temp_c in (27.2, 26.0, 27.2, 26.0):
        await _reports(lab, temp_c, 7)
    assert lab.state("cut_out_lockout").state == "on"
    at_the_end: list[str] = []

    @callback
    def heard(_event: Event[EventStateChangedData]) -> None:
        at_the_end.append(lab.state("cut_out_lockout").state)

    stop = async_track_state_change_event(lab.hass, lab.entity_id("cut_out"), heard)
    await lab.press("cut_out_reset")
    stop()
    assert lab.state("cut_out").state == "off"
    assert at_the_end == ["off"]


async def _cools_while_unloaded(lab: Lab) -> None:
    """Cut out at 27.2 degC, which ends while nobody looks."""
    lab.hass.states.async_set(SOURCE, "26.0", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())
    await _reports(lab, 27.2, 7)
    assert lab.state("cut_out").state == "on"
    assert await lab.hass.config_entries.async_unload(lab.entry.entry_id)
    assert lab.state("cut_out").state == "unavailable"
    await _reports(lab, 25.5, 7)


async def test_a_cut_out_that_ends_in_a_restart_is_shown_to_end(lab: Lab) -> None:
    """A rule hears the end from on to off only, and may begin to listen after the watch."""
    await _cools_while_unloaded(lab)
    assert await lab.hass.config_entries.async_setup(lab.entry.entry_id)
    await lab.hass.async_block_till_done()
    await _reports(lab, 25.5, 4)
    assert lab.state("cut_out").state == "on"
    assert lab.state("cut_out").attributes["reason"] == "returning"
    assert lab.state("cut_out_lockout").state == "off"
    await _reports(lab, 25.5, 2)
    assert lab.state("cut_out").state == "off"


async def test_a_cut_out_that_ends_in_a_long_start_is_shown_until_rules_hear(lab: Lab) -> None:
    """Automations are armed when the hub has started; that may take longer than it is shown."""
    await _cools_while_unloaded(lab)
    lab.hass.set_state(CoreState.not_running)
    assert await lab.hass.config_entries.async_setup(lab.entry.entry_id)
    await lab.hass.async_block_till_done()
    for state in (CoreState.not_running, CoreState.starting):
        lab.hass.set_state(state)
        await _reports(lab, 25.5, 7)
        assert lab.state("cut_out").state == "on"
    lab.hass.set_state(CoreState.running)
    lab.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    await _reports(lab, 25.5, 4)
    assert lab.state("cut_out").state == "on"
    await _reports(lab, 25.5, 3)
    assert lab.state("cut_out").state == "off"


async def test_the_latch_is_on_the_disk_at_once(lab: Lab, hass_storage: dict[str, Any]) -> None:
    lab.hass.states.async_set(SOURCE, "26.0", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())
    await _reports(lab, 27.2, 7)
    stored = hass_storage[f"{DOMAIN}.{lab.entry.entry_id}.safety"]["data"]["vessels"]
    assert stored["nursery_temperature"]["is_off"] is True


async def test_damaged_memory_of_the_cut_out_starts_anew(
    lab: Lab, hass_storage: dict[str, Any], caplog: pytest.LogCaptureFixture
) -> None:
    lab.hass.states.async_set(SOURCE, "26.0", {"unit_of_measurement": "°C"})
    await lab.set_up(watch())
    (alive,) = lab.entry.runtime_data.watches.values()
    alive.reguard({"latched": "nonsense"}, is_damaged=False)
    assert "starts anew" in caplog.text
    await _reports(lab, 27.2, 7)
    assert lab.state("cut_out").state == "on"


# The form

FILLED = {"name": "Nursery temperature", "temperature_source": SOURCE, "low": 24.0, "high": 27.0}


@pytest.fixture
async def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> Walk:
    hass.states.async_set(SOURCE, "25.1", {"unit_of_measurement": "°C"})
    return Walk(hass, add_system("Nursery"), check_form, kind=SUBENTRY_TEMPERATURE_WATCH)


async def test_form_makes_and_changes_a_watch(walk: Walk) -> None:
    await walk.open()
    await walk.send(FILLED | {"heater": HEATER, "heater_power_w": 100.0})
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_TEMPERATURE_WATCH)
    assert dict(stored.data) == {
        "temperature_source": SOURCE, "heater": HEATER, "heater_power_w": 100.0,
        "low_c": 24.0, "high_c": 27.0, "silence_s": 1800.0,
    }  # fmt: skip
    await walk.open(stored.subentry_id)
    assert walk.shown("high") == 27.0
    assert walk.shown("silence") == {"hours": 0, "minutes": 30, "seconds": 0}
    await walk.send(FILLED | {"high": 28.0, "silence": {"minutes": 2}})
    assert walk.form["reason"] == "reconfigure_successful"
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_TEMPERATURE_WATCH)
    assert dict(stored.data) == {
        "temperature_source": SOURCE, "low_c": 24.0, "high_c": 28.0, "silence_s": 120.0,
    }  # fmt: skip
    await walk.open()
    await walk.send(FILLED | {"name": "nursery TEMPERATURE "})
    assert walk.form["errors"] == {"name": "name_taken"}
    assert walk.placeholders["other_name"] == "nursery TEMPERATURE 2"


async def test_form_in_fahrenheit_stores_celsius(imperial: HomeAssistant, walk: Walk) -> None:
    """75.2 degF are 24 degC, 80.6 are 27, exactly."""
    await walk.open()
    await walk.send(FILLED | {"low": 75.2, "high": 80.6})
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_TEMPERATURE_WATCH)
    assert (stored.data["low_c"], stored.data["high_c"]) == (24.0, 27.0)


@pytest.mark.parametrize(
    ("changes", "field", "error"),
    [
        ({"name": "  "}, "name", "name_empty"),
        ({"low": 28.0}, "high", "band_range"),
        ({"high": 80.0}, "high", "band_range"),
        ({"silence": {"seconds": 59}}, "silence", "silence_range"),
        ({"silence": {"hours": 6, "seconds": 1}}, "silence", "silence_range"),
        ({"temperature_source": "sensor.level"}, "temperature_source", "temperature_unit"),
        ({"room_temperature_source": SOURCE}, "room_temperature_source", "entity_twice"),
        # What is below nothing is refused by us: the hub would do it in English.
        ({"heater_power_w": -300.0}, "heater_power_w", "heater_power_range"),
        ({"heater_power_w": 0.0}, "heater_power_w", "heater_power_range"),
    ],
)
async def test_form_refuses(walk: Walk, changes: dict[str, Any], field: str, error: str) -> None:
    walk.hass.states.async_set("sensor.level", "20", {"unit_of_measurement": "cm"})
    await walk.open()
    await walk.send(FILLED | changes)
    assert walk.form["errors"] == {field: error}


@pytest.mark.parametrize(("unit", "told"), [("cm", "cm"), (None, "-")])
async def test_a_refused_unit_is_named(walk: Walk, unit: str | None, told: str) -> None:
    walk.hass.states.async_set("sensor.level", "20", {"unit_of_measurement": unit} if unit else {})
    await walk.open()
    await walk.send(FILLED | {"temperature_source": "sensor.level"})
    assert walk.placeholders["unit"] == told
