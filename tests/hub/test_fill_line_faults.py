"""The ten fault cases, each on a fill line in the hub.

At the level of the engine they are in `tests/engine/test_guard.py`: each test here names those that
belong to its case. Levels and times are the trade's (common practice, no source): a box of
30 cm by 30 cm, a refill that raises it by 3 mm a minute, cut off at two hours.
"""

from typing import TYPE_CHECKING, Any

import pytest
from homeassistant.core import Context, HomeAssistant, ServiceCall, callback
from pytest_homeassistant_custom_component.common import async_capture_events

from .lab import FLOAT, LEAK, VALVE, Lab

if TYPE_CHECKING:
    from homeassistant.core import Event

PUMP_FAULT = "binary_sensor.supply"
MAIN = "switch.main_valve"


@pytest.fixture
async def line(hass: HomeAssistant, lab: Lab) -> Lab:
    """A lab whose line has all its independent inputs and a second shut-off, ready to fill."""
    for contact in (FLOAT, LEAK, PUMP_FAULT):
        hass.states.async_set(contact, "off")
    hass.states.async_set(MAIN, "on")
    await lab.set_up(
        device=VALVE,
        high_inputs=[FLOAT],
        leak_inputs=[LEAK],
        supply_empty_inputs=[PUMP_FAULT],
        secondary=[MAIN],
    )
    await lab.settle()
    assert lab.is_permitted
    return lab


async def fill(line: Lab, minutes: float = 5, start_cm: float = 20.0) -> float:
    """Switch on as a rule does and let the level rise 3 mm a minute; return the last level."""
    await line.valve(on=True)
    level = start_cm
    for _ in range(round(3 * minutes)):
        level = round(level + 0.1, 2)
        await line.run([level], 20)
    assert line.is_valve_on
    return level


def deaf(hass: HomeAssistant, domain: str = "input_boolean") -> list[str]:
    """Let the device hear an OFF and do nothing."""
    heard: list[str] = []

    @callback
    def on_call(call: ServiceCall) -> None:
        heard.append(str(call.data["entity_id"]))

    hass.services.async_register(domain, "turn_off", on_call)
    return heard


@pytest.fixture
def by_hand(hass_admin_user: Any) -> Context:
    """The keeper at a switch of the hub."""
    return Context(user_id=hass_admin_user.id)


async def switch(line: Lab, context: Context, *, on: bool) -> None:
    await line.hass.services.async_call(
        "input_boolean",
        "turn_on" if on else "turn_off",
        {"entity_id": VALVE},
        blocking=True,
        context=context,
    )
    await line.hass.async_block_till_done()


def reason(line: Lab) -> str:
    return line.state("lockout_reason").state


async def test_case_01_restart_in_a_fill_off_first_and_remembered(
    hass: HomeAssistant, line: Lab
) -> None:
    """Engine: test_case_01_restart_mid_fill_sends_off_first_and_until_it_reads_off,
    test_case_01_restart_with_the_valve_away_sends_off_again_when_it_is_back,
    test_case_01_downtime_counts_and_a_run_beyond_its_limit_latches,
    test_case_01_restart_with_the_valve_off_is_remembered_and_no_fault,
    test_case_01_shutdown_sends_off_and_keeps_the_run_until_off_is_seen.
    """
    await fill(line)
    heard = deaf(hass)
    # As in a power cut the device stays on, whatever the dying hub sent.
    assert await hass.config_entries.async_unload(line.entry.entry_id)
    sent = len(heard)
    assert await hass.config_entries.async_setup(line.entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    assert line.is_valve_on
    assert len(heard) > sent
    for _ in range(6):
        await line.wait(5)
    assert len(heard) > sent + 2
    hass.states.async_set(VALVE, "off")
    await hass.async_block_till_done()
    assert line.state("guard_state").state == "settling"
    assert "interrupted" in {entry["reason"] for entry in line.line.decisions}
    assert line.state("block_reason").state != "none"
    # The shortest pause of five minutes included.
    await line.settle(21.5, 20)
    assert line.is_permitted


@pytest.mark.parametrize("lost", ["0", "unavailable", "nan", None])
async def test_case_02_level_lost_in_a_fill_is_off_and_the_third_time_latches(
    line: Lab, lost: str | None
) -> None:
    """Engine: test_case_02_level_lost_mid_fill_is_off_at_once,
    test_case_02_level_too_old_mid_fill_is_off_by_the_tick,
    test_case_02_one_notice_after_two_minutes_and_resume_after_three_samples,
    test_case_02_third_loss_within_an_hour_latches,
    test_case_02_three_losses_over_more_than_an_hour_only_pause,
    test_case_02_reports_too_rare_for_the_longest_run_are_refused.
    """
    level = 20.0
    for time in range(3):
        level = await fill(line, 2, level)
        if lost is None:
            for _ in range(40):
                await line.wait(5)
        else:
            await line.level(lost)
        assert not line.is_valve_on
        assert line.is_locked_out is (time == 2)
        if time == 0 and lost is not None:
            await line.wait(125)
            assert line.state("notice").attributes["event_type"] == "signal_lost"
        await line.settle(level, 22)
    assert reason(line) == "repeated_signal_loss"


async def test_case_03_no_start_on_the_edge_of_a_return_and_none_missed(line: Lab) -> None:
    """Engine: test_case_03_no_start_on_the_edge_of_a_return_and_none_missed,
    test_case_03_three_samples_in_a_second_are_a_flickering_plug,
    test_case_03_low_already_at_start_is_permitted_by_a_tick_alone.
    """
    await line.level("unavailable")
    await line.wait(600)
    for _ in range(3):
        await line.level(5.0)
        assert not line.is_permitted
    await line.settle(5.0, 12)
    assert line.is_permitted
    assert not line.is_locked_out


async def test_case_04_slow_to_start_and_quick_to_stop(line: Lab) -> None:
    """Engine: test_case_04_one_valid_sample_at_the_high_limit_stops_at_once,
    test_case_04_a_reading_waiting_for_confirmation_does_nothing_but_age,
    test_case_04_one_low_spike_is_no_start.
    """
    level = await fill(line, 2)
    await line.run([1.0], 20)
    # One wild reading stops nothing and is not believed.
    assert line.is_valve_on
    while line.is_valve_on and level < 34:
        level = round(level + 0.1, 2)
        await line.run([level], 20)
    # The high limit is at 32 cm.
    assert level == pytest.approx(32.0, abs=0.21)
    assert not line.is_locked_out


async def test_case_05_no_rise_latches(line: Lab) -> None:
    """Engine: test_case_05_no_rise_latches_and_not_before_its_window,
    test_case_05_short_pulses_without_a_rise_are_added_up,
    test_case_05_pulses_too_short_for_a_report_are_judged_too,
    test_case_05_pulses_whose_water_shows_up_late_are_fine,
    test_case_05_without_a_learned_rate_the_slowest_believable_one_is_taken.
    """
    await line.valve(on=True)
    await line.settle(20.0, 60)
    assert not line.is_valve_on
    assert reason(line) == "no_rise"
    # No retry by itself.
    await line.settle(20.0, 60)
    assert not line.is_valve_on


async def test_case_06_longest_run_by_the_clock_alone(hass: HomeAssistant, line: Lab) -> None:
    """Engine: test_case_06_longest_run_by_absolute_deadline_without_any_level_report,
    test_case_06_a_little_over_an_hour_is_no_fault,
    test_case_06_options_cannot_extend_a_run_but_shorten_it.
    """
    await line.change("fill_line", longest_run_s=600.0)
    await line.settle()
    await fill(line, 9)
    for _ in range(4):
        await line.wait(20)
    assert not line.is_valve_on
    assert reason(line) == "longest_run"


async def test_case_07_off_not_confirmed_repeats_latches_and_shuts_the_second(
    hass: HomeAssistant, line: Lab
) -> None:
    """Engine: test_case_07_off_is_repeated_at_5_15_30_60_then_each_minute_for_ever,
    test_case_07_stuck_after_a_minute_is_critical_and_closes_the_second_shut_off,
    test_case_07_a_trip_whose_off_is_not_confirmed_becomes_stuck_on,
    test_case_07_an_actuator_that_does_not_answer_an_on_is_put_off,
    test_case_07_an_actuator_lost_in_a_run_is_put_off.
    """
    notices: list[Event[Any]] = async_capture_events(hass, "state_changed")
    await fill(line)
    heard, second = deaf(hass), deaf(hass, "switch")
    await line.level("unavailable")
    for _ in range(26):
        await line.wait(5)
    # At 0, 5, 15, 30, 60 and 120 s.
    assert len(heard) == 6
    assert reason(line) == "stuck_on"
    assert len(second) >= 4
    told = [
        event.data["new_state"].attributes
        for event in notices
        if event.data["entity_id"] == line.entity_id("notice") and event.data["new_state"]
    ]
    assert "critical" in {attributes.get("severity") for attributes in told}
    hass.states.async_set(VALVE, "off")
    await hass.async_block_till_done()
    assert line.state("notice").attributes["event_type"] == "off_confirmed"
    assert line.is_locked_out


async def test_case_08_on_that_nobody_asked_for_and_flow_while_off(
    hass: HomeAssistant, line: Lab
) -> None:
    """Engine: test_case_08_on_by_itself_within_five_minutes_of_the_start_goes_off,
    test_case_08_on_by_itself_later_is_a_run_under_all_limits,
    test_case_08_on_at_the_start_without_a_run_goes_off,
    test_case_08_unknown_at_the_start_is_no_fault_but_off_all_the_same,
    test_case_08_rise_while_off_latches_within_three_windows,
    test_case_08_rise_while_locked_out_for_another_reason_is_told_too,
    test_case_08_a_bucket_poured_by_hand_is_no_flow,
    test_case_08_noise_and_slow_drift_are_no_flow.
    """
    await line.reload()
    hass.states.async_set(VALVE, "on")
    await hass.async_block_till_done()
    # Within five minutes of a start: the relay came back by itself.
    assert not line.is_valve_on
    assert not line.is_locked_out
    second = deaf(hass, "switch")
    await line.settle(20.0, 20)
    level = 20.0
    for _ in range(120):
        level = round(level + 0.03, 2)
        await line.run([level], 20)
    assert reason(line) == "flow_while_off"
    assert second


async def test_case_09_a_hand_and_another_rule(line: Lab, by_hand: Context) -> None:
    """Engine: test_case_09_manual_off_holds_off_for_half_an_hour,
    test_case_09_stop_asked_by_a_person_holds_off_too,
    test_case_09_manual_on_outranks_waits_and_never_limits,
    test_case_09_a_person_may_run_in_a_pause_once_the_signal_is_good,
    test_case_09_manual_on_past_an_input_goes_off,
    test_case_09_in_a_lockout_only_the_button_runs_and_only_for_a_while,
    test_case_09_a_run_by_hand_in_a_lockout_ends_on_every_limit,
    test_case_09_no_run_by_hand_past_the_high_limit_or_without_a_lockout_beyond_its_time,
    test_case_09_another_automation_while_not_permitted_goes_off,
    test_case_09_an_off_by_hand_before_the_on_came_through_ends_the_run.
    """
    level = await fill(line)
    await switch(line, by_hand, on=False)
    await line.settle(level, 30)
    assert line.state("block_reason").state == "hold_off"
    assert not line.is_locked_out
    # A rule that does not ask goes off; a hand may, under all limits.
    await switch(line, Context(parent_id="rule"), on=True)
    assert not line.is_valve_on
    await switch(line, by_hand, on=True)
    assert line.is_valve_on
    await switch(line, by_hand, on=False)
    # In a lockout only the button runs it, and only for a while.
    await line.line.async_lock_out("hose off")
    await switch(line, by_hand, on=True)
    assert not line.is_valve_on
    await line.press("run_by_hand")
    assert line.is_valve_on
    for _ in range(17):
        level = round(level + 0.1, 2)
        await line.run([level], 20)
    assert not line.is_valve_on
    assert line.is_locked_out


@pytest.mark.parametrize(
    ("contact", "state", "latches", "blocks"),
    [
        (FLOAT, "on", "high_input", "locked_out"),
        (LEAK, "on", "leak", "locked_out"),
        (PUMP_FAULT, "on", "none", "supply_empty"),
        (FLOAT, "unavailable", "none", "input_unknown"),
        (LEAK, "unknown", "none", "input_unknown"),
        (PUMP_FAULT, "unavailable", "none", "input_unknown"),
    ],
)
async def test_case_10_inputs_stop_at_once(
    hass: HomeAssistant, line: Lab, *, contact: str, state: str, latches: str, blocks: str
) -> None:
    """Engine: test_case_10_overflow_and_leak_are_off_at_once_and_latch,
    test_case_10_an_unknown_contact_is_off_at_once_and_blocks,
    test_case_10_supply_empty_clears_after_ten_quiet_minutes.
    """
    level = await fill(line)
    hass.states.async_set(contact, state)
    await hass.async_block_till_done()
    assert not line.is_valve_on
    assert reason(line) == latches
    hass.states.async_set(contact, state, {"again": True})
    await line.settle(level, 20)
    assert line.state("block_reason").state == blocks


@pytest.mark.parametrize(
    ("limit", "latches"),
    [({"daily_run_s": 400.0}, "daily_run_time"), ({"daily_volume_l": 2.0}, "daily_volume")],
)
async def test_case_10_a_daily_budget_latches_and_stays_spent(
    line: Lab, limit: dict[str, float], latches: str
) -> None:
    """Engine: test_case_10_daily_run_time_latches_and_stays_spent_after_a_reset,
    test_case_10_daily_volume_and_the_cap_of_one_run_latch.
    """
    await line.change("fill_line", **limit)
    await line.settle()
    level = await fill(line, 6)
    while line.is_valve_on and level < 26:
        level = round(level + 0.1, 2)
        await line.run([level], 20)
    assert reason(line) == latches
    await line.settle(level)
    await line.reload()
    assert reason(line) == latches
    await line.press("reset")
    await line.settle(level, 30)
    assert line.state("block_reason").state == "daily_budget"
    assert not line.is_permitted
