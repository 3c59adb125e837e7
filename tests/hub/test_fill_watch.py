"""The watch on the fill device: off within five seconds, never on, whatever the source does."""

import asyncio
from math import sin
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell import fill_watch
from custom_components.stillwell.const import DOMAIN
from homeassistant.components.valve import ValveEntityFeature
from homeassistant.core import Context, CoreState, HassJob, HomeAssistant, ServiceCall
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import area_registry as ar
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import floor_registry as fr
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers import label_registry as lr
from homeassistant.helpers.storage import Store
from homeassistant.util import dt as dt_util
from homeassistant.util.file import WriteError
from pytest_homeassistant_custom_component.common import (
    MockConfigEntry,
    async_fire_time_changed,
    async_mock_service,
)

from .conftest import fill_line, reservoir
from .lab import FLOAT, LEAK, VALVE, Lab

PUMP = "switch.top_off"
CM = {"unit_of_measurement": "cm"}
LITRES_PER_CM = 0.9

if TYPE_CHECKING:
    from collections.abc import Callable

AUTO_OFF = "number.lagoon_auto_off"
LOST = ["0", "unavailable", "unknown", "nan", "inf", "broken"]


@pytest.fixture
async def guarded(hass: HomeAssistant, lab: Lab) -> Lab:
    """A lab with a fill device, a float and a leak contact, ready to fill."""
    hass.states.async_set(FLOAT, "off")
    hass.states.async_set(LEAK, "off")
    await lab.set_up(device=VALVE, high_inputs=[FLOAT], leak_inputs=[LEAK])
    await lab.settle()
    assert lab.is_permitted
    return lab


async def fill(lab: Lab, minutes: int = 5, start_cm: float = 20.0) -> float:
    """Switch on and let the level rise 3 mm a minute; return the last level."""
    await lab.valve(on=True)
    level = start_cm
    for _ in range(3 * minutes):
        level += 0.1
        await lab.run([level], 20)
    assert lab.is_valve_on
    return level


@pytest.mark.parametrize("lost", LOST)
async def test_unplugged_in_a_fill_goes_off_at_once(guarded: Lab, lost: str) -> None:
    await fill(guarded)
    await guarded.level(lost)
    assert not guarded.is_valve_on
    assert not guarded.is_permitted


@pytest.mark.parametrize("lost", LOST)
async def test_unplugged_at_rest_is_never_permitted(guarded: Lab, lost: str) -> None:
    """An unplugged strip reads exactly 0 (common practice, no source)."""
    for _ in range(30):
        await guarded.level(lost)
        await guarded.wait(20)
        assert not guarded.is_valve_on
        assert not guarded.is_permitted


@pytest.mark.parametrize("drawn_l", [0.34, 0.67])
async def test_a_slow_refill_goes_on_while_the_top_off_draws(
    hass: HomeAssistant, lab: Lab, drawn_l: float
) -> None:
    """A purifier brings 8 L/h, the top-off pump takes 1 L/min for less than a minute."""
    hass.states.async_set(PUMP, "off")
    hass.states.async_set("sensor.lagoon_sump", "15.00", CM)
    top_off = fill_line("lagoon_sump", "Top-off", device=PUMP, source_vessel="lagoon_reservoir")
    sump = reservoir("Lagoon sump", source="sensor.lagoon_sump")
    await lab.set_up(sump, top_off, device=VALVE)
    level_l = 7.2
    await lab.settle(level_l / LITRES_PER_CM)

    async def go(seconds: int, l_per_s: float) -> None:
        nonlocal level_l
        for _ in range(seconds // 20):
            level_l += 20 * l_per_s
            await lab.run([level_l / LITRES_PER_CM], 20)
            hass.states.async_set("sensor.lagoon_sump", "15.00", CM, force_update=True)

    await lab.valve(on=True)
    await go(1200, 8.0 / 3600)
    hass.states.async_set(PUMP, "on", context=Context(parent_id="rule"))
    await go(round(60 * drawn_l), 8.0 / 3600 - 1.0 / 60)
    hass.states.async_set(PUMP, "off", context=Context(parent_id="rule"))
    await go(1800, 8.0 / 3600)
    assert lab.line.watch.lockout_reason == "none"
    assert lab.is_valve_on


async def test_a_hub_that_was_busy_is_no_clock_that_went_back(
    hass: HomeAssistant, lab: Lab
) -> None:
    """A hub answers nobody for some seconds; the sump's report comes before the late timer."""
    hass.states.async_set(PUMP, "off")
    hass.states.async_set("sensor.lagoon_sump", "15.00", CM)
    top_off = fill_line("lagoon_sump", "Top-off", device=PUMP, source_vessel="lagoon_reservoir")
    sump = reservoir("Lagoon sump", source="sensor.lagoon_sump")
    await lab.set_up(sump, top_off, device=VALVE)

    async def report(cm: float = 15.0) -> None:
        hass.states.async_set("sensor.lagoon_sump", f"{cm:.2f}", CM)
        await hass.async_block_till_done()

    for _ in range(30):
        await lab.run([20.0], 20)
        await report()
    # A short run of the reservoir's line: the end of its settling falls between two ticks.
    await lab.wait(13)
    await lab.valve(on=True)
    await lab.wait(5)
    await lab.valve(on=False)
    hass.states.async_set(PUMP, "on", context=Context(parent_id="rule"))
    for n in range(11):
        await lab.run([20.0], 5)
        await report(15.0 + 0.05 * n)
    watch = lab.entry.runtime_data.lines["top-off"].watch
    due_s = lab.watch.state.settle_until_s
    assert watch.phase == "filling"
    assert due_s is not None
    lab.freezer.tick(due_s + 3 - dt_util.utcnow().timestamp())
    await report(15.6)
    async_fire_time_changed(hass)
    await hass.async_block_till_done()
    assert watch.phase == "filling", watch.decisions[-1]


@pytest.mark.parametrize("cm_per_report", [0.05, 0.1])
async def test_a_fill_by_one_line_is_no_leak_of_another(
    hass: HomeAssistant, lab: Lab, cm_per_report: float
) -> None:
    hass.states.async_set(PUMP, "off")
    second = fill_line("lagoon_reservoir", "Second line", device=PUMP)
    await lab.set_up(second, device=VALVE)
    await lab.settle()
    await lab.valve(on=True)
    await lab.run([20.0 + cm_per_report * n for n in range(1, 96)], 20)
    lines = lab.entry.runtime_data.lines.values()
    assert [line.watch.lockout_reason for line in lines] == ["none", "none"]
    # The water goes on rising though both are off now: somebody's valve leaks.
    await lab.valve(on=False)
    await lab.run([20.0 + cm_per_report * n for n in range(96, 192)], 20)
    assert "flow_while_off" in [line.watch.lockout_reason for line in lines]


async def test_what_the_top_off_takes_is_no_leak_of_a_drain(hass: HomeAssistant, lab: Lab) -> None:
    for device in (PUMP, "switch.drain"):
        hass.states.async_set(device, "off")
    hass.states.async_set("sensor.lagoon_sump", "15.00", CM)
    top_off = fill_line("lagoon_sump", "Top-off", device=PUMP, source_vessel="lagoon_reservoir")
    drain = fill_line("lagoon_reservoir", "Drain", device="switch.drain", direction="drain")
    sump = reservoir("Lagoon sump", source="sensor.lagoon_sump")
    await lab.set_up(sump, top_off, drain, device=VALVE)
    await lab.settle(28.0)
    hass.states.async_set(PUMP, "on", context=Context(parent_id="rule"))
    for n in range(1, 121):
        hass.states.async_set("sensor.lagoon_sump", f"{15 + 0.12 * n:.2f}", CM)
        await lab.run([28.0 - 0.12 * n], 20)
    assert lab.entry.runtime_data.lines["drain"].watch.lockout_reason == "none"


async def test_frozen_in_a_fill_goes_off(guarded: Lab) -> None:
    """No report at all: three intervals of 20 s pass, then the device goes off."""
    await fill(guarded, 1)
    for _ in range(40):
        await guarded.wait(5)
    assert not guarded.is_valve_on
    assert guarded.state("guard_state").state == "paused"


async def test_a_level_that_repeats_itself_in_a_fill_trips(guarded: Lab) -> None:
    """The device runs and nothing rises: the line may be pouring on the floor."""
    await guarded.valve(on=True)
    await guarded.settle(count=60)
    assert not guarded.is_valve_on
    assert guarded.state("lockout_reason").state == "no_rise"


async def test_the_longest_run_is_cut_off(hass: HomeAssistant, guarded: Lab) -> None:
    """A refill is cut off at two hours (common practice, no source)."""
    await guarded.valve(on=True)
    level = 20.0
    for third in range(3 * 122):
        level = 20.0 + 0.03 * third
        await guarded.run([round(level, 2)], 20)
        if third == 3 * 118:
            assert guarded.is_valve_on
    assert not guarded.is_valve_on
    assert guarded.is_locked_out
    assert guarded.state("lockout").attributes["reason"] == "longest_run"


@pytest.mark.parametrize(
    ("contact", "state", "trips"),
    [
        (FLOAT, "on", "high_input"),
        (LEAK, "on", "leak"),
        (FLOAT, "unavailable", None),
        (LEAK, "unknown", None),
    ],
)
async def test_an_independent_contact_stops_a_fill(
    hass: HomeAssistant, guarded: Lab, contact: str, state: str, trips: str | None
) -> None:
    await fill(guarded)
    hass.states.async_set(contact, state)
    await hass.async_block_till_done()
    assert not guarded.is_valve_on
    assert not guarded.is_permitted
    assert guarded.is_locked_out is (trips is not None)
    assert guarded.state("lockout_reason").state == (trips or "none")


async def test_the_high_limit_stops_with_one_reading(guarded: Lab) -> None:
    level = await fill(guarded, 30)
    while guarded.is_valve_on and level < 34:
        level += 0.1
        await guarded.run([level], 20)
    assert not guarded.is_valve_on
    assert level == pytest.approx(32.0, abs=0.35)


async def test_a_lockout_survives_reload_and_refuses_to_run(guarded: Lab) -> None:
    await guarded.hass.services.async_call(
        DOMAIN,
        "lock_out",
        {"entity_id": guarded.state("lockout").entity_id, "reason": "hose off"},
        blocking=True,
    )
    assert guarded.is_locked_out
    assert guarded.state("lockout").attributes["reason_text"] == "hose off"
    await guarded.reload()
    assert guarded.is_locked_out
    await guarded.settle()
    await guarded.valve(on=True)
    assert not guarded.is_valve_on
    await press_reset(guarded)
    assert not guarded.is_locked_out


async def press_reset(lab: Lab) -> None:
    """Press the reset button."""
    await lab.hass.services.async_call(
        "button", "press", {"entity_id": lab.state("reset").entity_id}, blocking=True
    )
    await lab.hass.async_block_till_done()


async def test_reset_checks_the_conditions_first(hass: HomeAssistant, guarded: Lab) -> None:
    hass.states.async_set(FLOAT, "on")
    await hass.async_block_till_done()
    assert guarded.is_locked_out
    with pytest.raises(ServiceValidationError, match=r"active|is on|input"):
        await press_reset(guarded)
    assert guarded.is_locked_out
    hass.states.async_set(FLOAT, "off")
    await hass.async_block_till_done()
    assert guarded.is_locked_out
    await press_reset(guarded)
    assert not guarded.is_locked_out


async def test_reset_without_lockout_changes_nothing(guarded: Lab) -> None:
    await press_reset(guarded)
    assert not guarded.is_locked_out


async def test_the_device_found_on_goes_off_first(hass: HomeAssistant, lab: Lab) -> None:
    """After a restart in a fill the device is still on: off before anything else."""
    await lab.set_up(device=VALVE)
    await lab.settle()
    await fill(lab)
    run_started = lab.state("lockout").attributes["run_started"]
    assert run_started is not None
    snapshot = lab.watch.snapshot()
    # A power cut: nothing is unloaded, a new system comes up with what was stored.
    lab.watch.restore(snapshot, is_damaged=False)
    lab.watch.async_start(lab.freezer().timestamp())
    await hass.async_block_till_done()
    assert not lab.is_valve_on
    assert "interrupted" in {entry["reason"] for entry in lab.line.decisions}


async def test_reload_in_a_fill_goes_off_and_remembers(guarded: Lab) -> None:
    await fill(guarded)
    await guarded.reload()
    assert not guarded.is_valve_on
    assert not guarded.is_permitted
    assert guarded.line.decisions


async def test_reports_after_the_end_are_nobodys_business(
    guarded: Lab, caplog: pytest.LogCaptureFixture
) -> None:
    watch = guarded.watch
    await watch.async_stop()
    await guarded.level(19.0)
    await watch.async_stop()
    assert guarded.state("guard_state").state == "asleep"
    assert "Traceback" not in caplog.text


async def test_a_fault_of_our_own_puts_the_device_off(
    guarded: Lab, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    await fill(guarded)

    def broken(*_: object) -> None:
        raise RuntimeError("defect")

    monkeypatch.setattr("custom_components.stillwell.engine.guard.process", broken)
    await guarded.level(22.0)
    assert not guarded.is_valve_on
    assert "defect" in caplog.text


@pytest.mark.parametrize("part", ["report", "tick", "view"])
async def test_a_fault_in_judging_the_level_counts_as_a_lost_level(
    guarded: Lab, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, part: str
) -> None:
    await fill(guarded)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("defect")

    monkeypatch.setattr(f"custom_components.stillwell.engine.pipeline.VesselModel.{part}", broken)
    await guarded.wait(31)
    await guarded.level(22.0)
    assert not guarded.is_valve_on
    assert "defect" in caplog.text


async def test_shutdown_in_a_fill_goes_off(hass: HomeAssistant, guarded: Lab) -> None:
    await fill(guarded)
    calls: list[ServiceCall] = []
    hass.bus.async_listen("call_service", calls.append)
    await hass.async_stop(force=True)
    assert hass.state is CoreState.stopped
    assert not guarded.is_valve_on


async def test_a_reload_that_the_hubs_stop_overtakes_gives_no_permit(
    hass: HomeAssistant, guarded: Lab
) -> None:
    """Whoever is to put devices off was called when the stop began; a new guard was not there."""
    await guarded.settle()
    assert guarded.state("permit").state == "on"
    assert await hass.config_entries.async_unload(guarded.entry.entry_id)
    hass.set_state(CoreState.stopping)
    assert not await hass.config_entries.async_setup(guarded.entry.entry_id)
    await guarded.settle()
    assert guarded.state("permit").state == "unavailable"
    hass.set_state(CoreState.running)
    await guarded.reload()
    await guarded.settle()
    assert guarded.state("permit").state == "on"


@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_the_permit_goes_first_when_the_hub_stops(
    hass: HomeAssistant, guarded: Lab, caplog: pytest.LogCaptureFixture
) -> None:
    """Rules live on while others still stop; what one starts now would have no guard."""
    seen: list[tuple[Any, ...]] = []

    async def another_integration() -> None:
        """Begins to stop next, and takes a while for it."""
        for _ in range(2):
            lockout = guarded.state("lockout").attributes
            seen.append(
                (
                    guarded.state("permit").state,
                    lockout["permit"],
                    lockout["block_reason"],
                    guarded.state("block_reason").state,
                    guarded.state("guard_state").state,
                )
            )
            await guarded.run([20.0], 8)

    hass.async_add_shutdown_job(HassJob(another_integration))
    await hass.async_stop(force=True)
    assert seen == [("off", False, "not_started", "not_started", "asleep")] * 2
    assert "Traceback" not in caplog.text


@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_a_reload_between_shutdown_jobs_and_the_stop_gives_no_permit(
    hass: HomeAssistant, guarded: Lab
) -> None:
    """The hub waits for such jobs, a rule's or another's, and still counts as running."""
    assert await hass.config_entries.async_unload(guarded.entry.entry_id)
    seen: list[tuple[bool, bool]] = []

    async def another_integration() -> None:
        await asyncio.sleep(0)
        is_set_up = await hass.config_entries.async_setup(guarded.entry.entry_id)
        seen.append((hass.is_stopping, is_set_up))

    hass.async_add_shutdown_job(HassJob(another_integration))
    await hass.async_stop(force=True)
    assert seen == [(False, False)]
    assert guarded.state("permit").state == "unavailable"


class SlowAutoOff:
    """A device whose auto-off answers only when it is let, one start after the other."""

    def __init__(self, hass: HomeAssistant) -> None:
        self.waiting: list[asyncio.Event] = []
        hass.services.async_register("number", "set_value", self._take)

    async def _take(self, _call: ServiceCall) -> None:
        self.waiting.append(asyncio.Event())
        await self.waiting[-1].wait()


async def turns(count: int = 500) -> None:
    """Let the loop take its turns; a start that waits for its device goes on waiting."""
    for _ in range(count):
        await asyncio.sleep(0)


@pytest.fixture
async def slow(hass: HomeAssistant, lab: Lab) -> SlowAutoOff:
    """A lab whose device is slow to take its auto-off, with a run by hand waiting for it."""
    hass.states.async_set(AUTO_OFF, "7260", {"unit_of_measurement": "s", "max": 86400})
    await lab.set_up(device=VALVE, countdown=AUTO_OFF)
    await lab.settle()
    slow = SlowAutoOff(hass)
    await ask_for_a_run(lab)
    assert len(slow.waiting) == 1
    assert lab.state("guard_state").state == "filling"
    return slow


async def ask_for_a_run(lab: Lab) -> None:
    """Press the button, and do not wait for what comes of it."""
    await lab.hass.services.async_call(
        "button", "press", {"entity_id": lab.entity_id("run_by_hand")}, blocking=True
    )
    await turns()
    assert not lab.is_valve_on


async def test_a_start_that_waits_for_its_device_is_given_up_at_unload(
    hass: HomeAssistant, lab: Lab, slow: SlowAutoOff
) -> None:
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    slow.waiting[0].set()
    await hass.async_block_till_done()
    assert not lab.is_valve_on


async def test_a_start_that_waits_for_its_device_is_given_up_when_the_hub_stops(
    hass: HomeAssistant, lab: Lab, slow: SlowAutoOff
) -> None:
    async def answer() -> None:
        slow.waiting[0].set()
        await turns()

    hass.async_add_shutdown_job(HassJob(answer))
    await hass.async_stop(force=True)
    assert not lab.is_valve_on


async def test_a_start_that_waits_for_the_disk_is_given_up_at_unload(
    hass: HomeAssistant, guarded: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    gate = asyncio.Event()

    async def slow_disk(*_: object) -> None:
        await gate.wait()

    with monkeypatch.context() as patch:
        patch.setattr(Store._async_write_data, "side_effect", slow_disk)
        press = hass.async_create_task(guarded.press("run_by_hand"))
        await turns()
        assert guarded.watch.phase == "filling"
        unload = hass.async_create_task(hass.config_entries.async_unload(guarded.entry.entry_id))
        await turns()
        gate.set()
        assert await unload
        await press
    await hass.async_block_till_done()
    assert not guarded.is_valve_on


async def test_a_start_that_was_stopped_lends_its_on_to_no_other_run(
    hass: HomeAssistant, lab: Lab, slow: SlowAutoOff
) -> None:
    """The second run has to wait for its own auto-off."""
    await hass.services.async_call(
        "input_boolean", "turn_off", {"entity_id": VALVE}, True, Context(parent_id="rule")
    )
    hass.states.async_set(VALVE, "off", {"says": "off"})
    await turns()
    assert lab.watch.state.run is None
    await ask_for_a_run(lab)
    assert len(slow.waiting) == 2
    assert lab.state("guard_state").state == "filling"
    slow.waiting[0].set()
    await turns()
    assert not lab.is_valve_on
    slow.waiting[1].set()
    await hass.async_block_till_done()
    assert lab.is_valve_on


async def test_no_start_goes_out_after_a_fault_of_our_own(
    hass: HomeAssistant, lab: Lab, slow: SlowAutoOff, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("defect")

    with monkeypatch.context() as patch:
        patch.setattr("custom_components.stillwell.engine.guard.process", broken)
        hass.states.async_set("sensor.lagoon_level", "20.10", {"unit_of_measurement": "cm"})
        await turns()
    slow.waiting[0].set()
    await hass.async_block_till_done()
    assert not lab.is_valve_on


@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_a_line_that_cannot_stop_keeps_no_other_on_when_the_hub_stops(
    hass: HomeAssistant,
    lab: Lab,
    line: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    hass.states.async_set("switch.broken_plug", "off")
    await lab.set_up(line(title="Second line", device=VALVE), device="switch.broken_plug")
    await lab.settle()
    await lab.valve(on=True)

    async def broken() -> None:
        raise RuntimeError("defect")

    monkeypatch.setattr(lab.watch, "async_stop", broken)
    assert lab.is_valve_on
    await hass.async_stop(force=True)
    assert not lab.is_valve_on
    assert "defect" in caplog.text


async def test_a_device_that_never_answers_holds_up_no_other_at_unload(
    hass: HomeAssistant, lab: Lab, line: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A plug that has lost its radio must keep neither the other line's valve open nor the hub."""
    never = asyncio.Event()

    async def hang(_call: ServiceCall) -> None:
        await never.wait()

    hass.states.async_set("switch.silent_plug", "off")
    await lab.set_up(line(title="Second line", device=VALVE), device="switch.silent_plug")
    await lab.settle()
    hass.services.async_register("switch", "turn_off", hang)
    await lab.valve(on=True)
    hass.states.async_set("switch.silent_plug", "unavailable")
    await hass.async_block_till_done()
    assert lab.is_valve_on
    monkeypatch.setattr(fill_watch, "ANSWER_S", 0.0, raising=False)
    unload = hass.async_create_task(hass.config_entries.async_unload(lab.entry.entry_id))
    for _ in range(200):
        await asyncio.sleep(0)
    is_on = lab.is_valve_on
    never.set()
    assert await unload
    assert not is_on


async def test_a_device_left_on_by_a_line_that_is_removed_is_told_until_it_is_off(
    hass: HomeAssistant, guarded: Lab
) -> None:
    """Nobody repeats the OFF any more: a person has to look."""
    await fill(guarded)
    async_mock_service(hass, "input_boolean", "turn_off")
    assert await hass.config_entries.async_remove(guarded.entry.entry_id)
    await hass.async_block_till_done()
    assert guarded.is_valve_on
    issues = ir.async_get(hass)
    told = issues.async_get_issue(DOMAIN, f"left_on_{VALVE}")
    assert told.severity is ir.IssueSeverity.ERROR
    assert told.translation_placeholders == {"line": "Lagoon reservoir fill line", "entity": VALVE}
    hass.states.async_set(VALVE, "unavailable")
    await hass.async_block_till_done()
    assert issues.async_get_issue(DOMAIN, f"left_on_{VALVE}") is not None
    hass.states.async_set(VALVE, "off")
    await hass.async_block_till_done()
    assert issues.async_get_issue(DOMAIN, f"left_on_{VALVE}") is None


RENAMED = "input_boolean.lagoon_new_valve"


def _left_on(hass: HomeAssistant) -> list[str]:
    return [key for domain, key in ir.async_get(hass).issues if key.startswith("left_on")]


@pytest.mark.parametrize("is_filling", [False, True], ids=["at rest", "in a fill"])
async def test_a_device_that_was_renamed_is_not_told_as_left_on(
    hass: HomeAssistant, guarded: Lab, *, is_filling: bool
) -> None:
    """The old id says nothing any more; the watch goes on under the new one, and puts it off."""
    if is_filling:
        await fill(guarded, minutes=1)
    er.async_get(hass).async_update_entity(VALVE, new_entity_id=RENAMED)
    await hass.async_block_till_done(wait_background_tasks=True)
    assert guarded.line.settings.device == RENAMED
    assert hass.states.get(VALVE) is None
    assert hass.states.is_state(RENAMED, "off")
    assert _left_on(hass) == []


PLUG, NEW_PLUG = "switch.plug", "switch.new_plug"


@pytest.fixture
async def plugged(hass: HomeAssistant, lab: Lab) -> Lab:
    """A lab whose fill device is a plug that is on and takes no command."""
    for action in ("turn_on", "turn_off"):
        async_mock_service(hass, "switch", action)
    er.async_get(hass).async_get_or_create("switch", "test", "1", suggested_object_id="plug")
    hass.states.async_set(PLUG, "on")
    await lab.set_up(device=PLUG)
    await lab.settle(count=2)
    return lab


def _rename_plug(hass: HomeAssistant, state: str = "on") -> None:
    """Rename the plug, as its integration takes it over."""
    er.async_get(hass).async_update_entity(PLUG, new_entity_id=NEW_PLUG)
    hass.states.async_remove(PLUG)
    hass.states.async_set(NEW_PLUG, state)


async def test_a_device_left_on_is_told_under_the_name_it_gets(
    hass: HomeAssistant, plugged: Lab
) -> None:
    assert await hass.config_entries.async_remove(plugged.entry.entry_id)
    await hass.async_block_till_done()
    assert _left_on(hass) == [f"left_on_{PLUG}"]
    er.async_get(hass).async_update_entity(PLUG, name="Salt water")
    await hass.async_block_till_done()
    assert _left_on(hass) == [f"left_on_{PLUG}"]
    _rename_plug(hass)
    await hass.async_block_till_done()
    assert _left_on(hass) == [f"left_on_{NEW_PLUG}"]
    hass.states.async_set(NEW_PLUG, "off")
    await hass.async_block_till_done()
    assert _left_on(hass) == []


@pytest.mark.parametrize("state", ["on", "unavailable", "off"])
async def test_a_device_renamed_while_its_line_is_removed_is_told_unless_it_is_off(
    hass: HomeAssistant, plugged: Lab, state: str
) -> None:
    """Nobody watches it any more, under whichever name."""
    plugged.entry.runtime_data.is_reload_due = True  # both in one go
    _rename_plug(hass, state)
    hass.config_entries.async_remove_subentry(plugged.entry, plugged.line.subentry_id)
    await hass.async_block_till_done()
    await plugged.reload()
    assert _left_on(hass) == ([] if state == "off" else [f"left_on_{NEW_PLUG}"])


async def test_off_is_repeated_until_it_is_confirmed(hass: HomeAssistant, guarded: Lab) -> None:
    await fill(guarded)
    heard: list[ServiceCall] = []

    async def deaf(call: ServiceCall) -> None:
        heard.append(call)

    hass.services.async_register("input_boolean", "turn_off", deaf)
    await guarded.level("unavailable")
    for _ in range(30):
        await guarded.wait(5)
    assert guarded.is_valve_on
    # At once, then after 5, 15, 30, 60 and each further 60 s.
    assert len(heard) >= 5
    assert guarded.is_locked_out
    assert guarded.state("lockout_reason").state == "stuck_on"
    hass.states.async_set(VALVE, "off")
    await hass.async_block_till_done()
    repeated = len(heard)
    for _ in range(30):
        await guarded.wait(5)
    assert len(heard) == repeated
    assert guarded.is_locked_out


async def test_a_device_whose_line_cannot_be_used_is_put_off_until_it_is(
    hass: HomeAssistant, lab: Lab
) -> None:
    """Its radio comes up after the hub, and it comes back on from a power cut."""
    plug = "switch.late_plug"
    hass.states.async_set(plug, "off")
    await lab.set_up(device=plug)
    await lab.settle()
    heard = async_mock_service(hass, "switch", "turn_off")
    hass.states.async_set(plug, "unavailable")
    await lab.change("fill_line", settle_s=-1.0)
    assert lab.entry.runtime_data.lines == {}
    hass.states.async_set(plug, "on")
    heard.clear()
    await lab.wait(6)
    assert [call.data["entity_id"] for call in heard] == [plug]
    hass.states.async_set(plug, "off")
    await lab.wait(61)
    heard.clear()
    # Once it was off it is the keeper's again; the repair notice says that no line guards it.
    hass.states.async_set(plug, "on")
    for _ in range(3):
        await lab.wait(61)
    assert heard == []


async def test_a_run_that_is_not_on_the_disk_does_not_go_on(
    hass: HomeAssistant, guarded: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk: after a crash nobody would know of run, deadline and litres."""

    async def full(*_: object) -> None:
        raise WriteError("no space left on device")

    monkeypatch.setattr(Store._async_write_data, "side_effect", full)
    heard = async_mock_service(hass, "input_boolean", "turn_on")
    await guarded.press("run_by_hand")
    assert heard == []
    assert guarded.is_locked_out
    assert "saved" in guarded.state("lockout").attributes["reason_text"]


async def test_a_run_of_a_rule_that_is_not_on_the_disk_is_put_off(
    guarded: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def full(*_: object) -> None:
        raise WriteError("no space left on device")

    monkeypatch.setattr(Store._async_write_data, "side_effect", full)
    await guarded.valve(on=True)
    assert not guarded.is_valve_on
    assert guarded.is_locked_out
    monkeypatch.undo()
    await guarded.press("reset")
    # The shortest pause of five minutes included.
    await guarded.settle(20.0, 20)
    await guarded.valve(on=True)
    assert guarded.is_valve_on


async def test_a_valve_that_knows_positions_only_is_closed_by_its_position(
    hass: HomeAssistant, lab: Lab
) -> None:
    """The hub refuses to close a valve that does not say it can."""
    calls: list[ServiceCall] = []

    async def position(call: ServiceCall) -> None:
        calls.append(call)

    hass.services.async_register("valve", "set_valve_position", position)
    features = {"supported_features": int(ValveEntityFeature.SET_POSITION)}
    hass.states.async_set("valve.lagoon", "open", features)
    await lab.set_up(device="valve.lagoon")
    assert calls[0].data == {"entity_id": "valve.lagoon", "position": 0}


async def test_a_valve_is_closed_and_a_device_that_fails_is_asked_again(
    hass: HomeAssistant, lab: Lab
) -> None:
    calls: list[ServiceCall] = []

    async def fail(call: ServiceCall) -> None:
        calls.append(call)
        raise RuntimeError("no radio")

    hass.services.async_register("valve", "close_valve", fail)
    hass.states.async_set("valve.lagoon", "open")
    await lab.set_up(device="valve.lagoon")
    assert calls[0].data["entity_id"] == "valve.lagoon"
    for _ in range(10):
        await lab.wait(5)
    assert len(calls) >= 3
    hass.states.async_set("valve.lagoon", "closed")
    await hass.async_block_till_done()
    assert lab.state("guard_state").state in ("settling", "idle")


async def test_the_log_tells_what_was_decided(guarded: Lab) -> None:
    await fill(guarded)
    await guarded.level("0")
    response = await guarded.hass.services.async_call(
        DOMAIN,
        "decision_log",
        {"entity_id": guarded.state("lockout").entity_id},
        blocking=True,
        return_response=True,
    )
    log = response["lines"][0]["decisions"]
    assert [entry["decision"] for entry in log[-3:]] == ["started", "stopped", "off_confirmed"]
    assert log[-2]["reason"] == "signal"
    assert log[-2]["text"] == "Run stopped: Level signal not good"


async def test_the_lockout_is_on_the_disk_at_once(
    guarded: Lab, hass_storage: dict[str, Any]
) -> None:
    """Not with the next periodic save: a power cut may follow."""
    await guarded.line.async_lock_out("test")
    stored = hass_storage[f"{DOMAIN}.{guarded.entry.entry_id}.safety"]["data"]["vessels"]
    assert stored["lagoon_reservoir_fill_line"]["guard"]["trip"]["reason"] == "external"


async def test_an_off_that_a_rule_asked_for_is_taken_up(hass: HomeAssistant, guarded: Lab) -> None:
    """The rule's one OFF gets lost on the way: the line sends its own, again and again."""
    await fill(guarded)
    offs = async_mock_service(hass, "input_boolean", "turn_off")
    await guarded.valve(on=False)
    assert guarded.is_valve_on
    assert guarded.state("guard_state").state == "stopping"
    for _ in range(5):
        await guarded.wait(10)
    assert not guarded.is_locked_out
    await guarded.wait(15)
    assert guarded.state("lockout_reason").state == "stuck_on"
    # The rule's own, and the line's at once, after 5, 15, 30 and 60 s.
    assert len(offs) >= 5


async def test_an_off_by_hand_is_by_hand_and_one_for_another_device_is_none(
    hass: HomeAssistant, guarded: Lab
) -> None:
    await fill(guarded)
    person = Context(user_id="keeper")
    other = {"entity_id": ["switch.return_pump"]}
    async_mock_service(hass, "switch", "turn_off")
    await hass.services.async_call("switch", "turn_off", other, blocking=True, context=person)
    assert guarded.is_valve_on
    async_mock_service(hass, "input_boolean", "turn_off")
    await hass.services.async_call(
        "input_boolean", "turn_off", {"entity_id": VALVE}, blocking=True, context=person
    )
    await hass.async_block_till_done()
    assert guarded.state("guard_state").state == "stopping"
    assert guarded.watch.decisions[-1]["reason"] == "by_hand"


@pytest.mark.parametrize(
    ("asked", "waited_s", "told"),
    [
        # Many devices answer with a message of their own, which names nobody.
        ("turn_on", 20.0, ("filling", "started", "automation")),
        ("turn_on", 40.0, ("stopping", "stopped", "on_after_start")),
        ("turn_off", 1.0, ("stopping", "stopped", "on_after_start")),
        (None, 0.0, ("stopping", "stopped", "on_after_start")),
    ],
)
async def test_a_device_that_answers_for_itself_does_what_was_asked_of_it(
    hass: HomeAssistant,
    lab: Lab,
    asked: str | None,
    waited_s: float,
    told: tuple[str, str, str],
) -> None:
    """Just after the hub's start, when an ON that nobody asked for is not believed."""
    pump = "switch.lagoon_pump"
    for action in ("turn_on", "turn_off"):
        async_mock_service(hass, "switch", action)
    hass.states.async_set(pump, "off")
    await lab.level(20.0)
    await lab.set_up(device=pump)
    await lab.settle(20.0)
    assert lab.is_permitted
    if asked is not None:
        rule = Context(parent_id="rule")
        await hass.services.async_call("switch", asked, {"entity_id": pump}, True, rule)
    await lab.wait(waited_s)
    hass.states.async_set(pump, "on", context=Context())
    await hass.async_block_till_done()
    last = lab.watch.decisions[-1]
    assert (lab.state("guard_state").state, last["decision"], last["reason"]) == told


@pytest.mark.parametrize("target", ["area_id", "device_id", "label_id", "floor_id"])
@pytest.mark.parametrize("domain", ["switch", "light"])
async def test_an_off_by_area_that_is_not_obeyed_is_repeated(
    hass: HomeAssistant, lab: Lab, target: str, domain: str
) -> None:
    """Whoever switches all switches of a room off means the pump; who means the lights does not."""
    entry = MockConfigEntry()
    entry.add_to_hass(hass)
    devices = dr.async_get(hass)
    device = devices.async_get_or_create(
        config_entry_id=entry.entry_id, identifiers={("plug", "1")}, name="Plug"
    )
    entity = er.async_get(hass).async_get_or_create(
        "switch", "plug", "1", suggested_object_id="top_off", device_id=device.id
    )
    assert entity.entity_id == PUMP
    floor = fr.async_get(hass).async_create("Cellar")
    area = ar.async_get(hass).async_create("Fish room", floor_id=floor.floor_id)
    label = lr.async_get(hass).async_create("Water")
    devices.async_update_device(device.id, area_id=area.id, labels={label.label_id})
    hass.states.async_set(PUMP, "off")
    await lab.set_up(device=PUMP)
    async_mock_service(hass, "light", "turn_off")
    heard = async_mock_service(hass, "switch", "turn_off")
    await lab.settle()
    hass.states.async_set(PUMP, "on", context=Context(parent_id="rule"))
    await lab.run([20.1, 20.2], 20)
    assert lab.watch.phase == "filling"
    ids = {
        "area_id": area.id,
        "device_id": device.id,
        "label_id": label.label_id,
        "floor_id": floor.floor_id,
    }
    await hass.services.async_call(domain, "turn_off", {target: ids[target]}, blocking=True)
    heard.clear()
    await lab.run([20.3, 20.4], 20)
    assert (lab.watch.phase == "filling") is (domain == "light")
    assert bool(heard) is (domain == "switch")


async def test_a_device_found_on_that_goes_off_at_once_is_not_stuck(
    hass: HomeAssistant, lab: Lab
) -> None:
    """A helper, and any device that the hub takes at its word, answers before the call returns."""
    hass.states.async_set(PUMP, "on")
    await lab.set_up(device=VALVE, secondary=[PUMP])
    await lab.settle()
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    await lab.valve(on=True)
    assert await hass.config_entries.async_setup(lab.entry.entry_id)
    await hass.async_block_till_done()
    assert not lab.is_valve_on
    second = async_mock_service(hass, "switch", "turn_off")
    await lab.settle()
    assert lab.watch.lockout_reason == "none"
    assert not second
    await lab.settle()
    assert lab.is_permitted


async def test_a_slow_line_fills_after_somebody_has_poured(lab: Lab) -> None:
    """19 L from canisters in three minutes, then a purifier of 8 L/h, read to 2 mm.

    Common practice, no source; 60 cm by 40 cm is 2.4 L for each cm.
    """
    shape = {"kind": "box", "length_m": 0.6, "width_m": 0.4, "height_m": 0.34}
    await lab.set_up(device=VALVE, longest_run_s=36000.0, shape=shape)
    cm, reports = 10.0, 0

    async def go(seconds: float, cm_per_s: float) -> None:
        nonlocal cm, reports
        for _ in range(round(seconds / 20)):
            cm += cm_per_s * 20
            reports += 1
            await lab.run([round((cm + 0.02 * sin(1.7 * reports)) / 0.2) * 0.2], 20)

    await go(3600, 0.0)
    await go(180, 8.0 / 180)
    await go(3600, 0.0)
    await lab.valve(on=True)
    await go(3600, 8.0 / 2.4 / 3600)
    assert lab.watch.lockout_reason == "none"
    assert lab.is_valve_on
