"""The guard of a fill line: the ten fault cases, each by name.

Figures of the cases: NAMUR NE 107 status words and IEC 61511 practice (a trip latches until a
manual reset; de-energise to trip); times and limits are the trade's, common practice, no source.
"""

from dataclasses import replace
from typing import Final

import pytest
from custom_components.stillwell.engine import guard_rules
from custom_components.stillwell.engine.guard import Phase
from custom_components.stillwell.engine.guard_events import (
    Actor,
    BlockReason,
    Command,
    DecisionKind,
    LevelReported,
    LockOutRequested,
    MaintenanceRequested,
    NoticeKind,
    Refusal,
    ResetRequested,
    ReturnPumpReported,
    RunByHandRequested,
    SettingsChanged,
    SourceReported,
    StartRequested,
    Stopping,
    StopReason,
    StopRequested,
    TripReason,
)
from guard_line import (
    HIGH_L,
    INTERVAL_S,
    L_PER_IN,
    RATE_L_PER_S,
    SETTINGS,
    START_L,
    STOP_L,
    Line,
)


def trip(line: Line) -> TripReason | None:
    return None if line.state.trip is None else line.state.trip.reason


# Case 1: restart in the middle of a fill.


def test_case_01_restart_mid_fill_sends_off_first_and_until_it_reads_off() -> None:
    line = Line().filling()
    outcome = line.restarted(on=True)
    assert line.sent() == [Command.OFF]
    assert line.phase is Phase.STOPPING
    assert NoticeKind.RUN_INTERRUPTED in line.notices
    assert not outcome.permit
    line.tick(5.0)
    line.tick(10.0)
    assert line.sent() == [Command.OFF] * 3
    line.switched(on=False)
    assert line.phase is Phase.SETTLING
    line.quiet(90.0)
    assert not line.last.permit
    line.quiet(600.0)
    assert line.last.permit


def test_case_01_restart_with_the_valve_away_sends_off_again_when_it_is_back() -> None:
    line = Line().filling()
    line.restarted(on=None)
    assert line.sent() == [Command.OFF]
    for _ in range(10):
        line.tick(20.0)
    assert len(line.sent()) > 4
    assert trip(line) is None
    line.switched(on=True, actor=Actor.UNKNOWN)
    line.tick(60.0)
    assert trip(line) is TripReason.STUCK_ON
    line.switched(on=False)
    assert line.phase is Phase.LOCKED_OUT


def test_case_01_a_valve_back_from_silence_and_on_is_put_off_at_once() -> None:
    line = Line().filling()
    line.restarted(on=None)
    for _ in range(10):
        line.tick(20.0)
    line.tick(1.0)
    count = len(line.sent())
    line.switched(on=True, actor=Actor.UNKNOWN)
    assert len(line.sent()) == count + 1
    # What goes on saying that it is on is reminded at the usual times.
    line.switched(on=True, actor=Actor.UNKNOWN)
    assert len(line.sent()) == count + 1


def test_case_01_downtime_counts_and_a_run_beyond_its_limit_latches() -> None:
    line = Line().filling()
    line.restarted(on=True, down_s=7200.0)
    assert trip(line) is TripReason.LONGEST_RUN
    assert line.sent() == [Command.OFF]
    line = Line().filling()
    line.restarted(on=None, down_s=7200.0)
    assert trip(line) is None
    line.switched(on=True)
    assert trip(line) is TripReason.LONGEST_RUN


def test_case_01_restart_with_the_valve_off_is_remembered_and_no_fault() -> None:
    line = Line().filling()
    line.restarted(on=False, down_s=36_000.0)
    assert NoticeKind.RUN_INTERRUPTED in line.notices
    assert trip(line) is None
    assert line.sent() == []
    assert line.last.block_reason is BlockReason.SIGNAL
    assert line.state.ledger[-1].run_s == pytest.approx(7200.0)


def test_case_01_shutdown_sends_off_and_keeps_the_run_until_off_is_seen() -> None:
    line = Line().filling()
    line.hear(Stopping(line.t_s))
    assert line.sent() == [Command.OFF]
    assert line.phase is Phase.ASLEEP
    assert line.state.run is not None
    line.t_s += 2.0
    line.switched(on=True)
    assert line.state.run is not None
    line.switched(on=False)
    assert line.state.run is None
    line.hear(Stopping(line.t_s))
    assert line.sent() == [Command.OFF]


# Case 2: level lost in a fill.


@pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
def test_case_02_level_lost_mid_fill_is_off_at_once(value: float | None) -> None:
    line = Line().filling()
    line.t_s += 4.0
    line.hear(LevelReported(line.t_s, value, usable=value is not None))
    assert line.commands == [(line.t_s, Command.OFF)]
    line.switched(on=False)
    assert line.phase is Phase.PAUSED
    assert line.last.block_reason is BlockReason.SIGNAL


def test_case_02_level_too_old_mid_fill_is_off_by_the_tick() -> None:
    line = Line().filling()
    last_s = line.t_s
    line.tick(89.0)
    assert line.sent() == []
    assert line.last.wake_at_s == pytest.approx(last_s + 90.5)
    line.tick(1.5)
    assert line.sent() == [Command.OFF]


def test_case_02_one_notice_after_two_minutes_and_resume_after_three_samples() -> None:
    line = Line().filling()
    line.level(usable=False)
    line.switched(on=False)
    line.tick(100.0)
    assert NoticeKind.SIGNAL_LOST not in line.notices
    line.tick(20.0)
    line.tick(60.0)
    assert line.notices.count(NoticeKind.SIGNAL_LOST) == 1
    line.quiet(2 * INTERVAL_S)
    assert line.phase is Phase.PAUSED
    line.quiet(INTERVAL_S)
    assert line.phase is Phase.IDLE
    assert NoticeKind.SIGNAL_BACK in line.notices


def test_case_02_third_loss_within_an_hour_latches() -> None:
    line = Line().filling()
    for _ in range(2):
        line.level(usable=False)
        line.switched(on=False)
        line.quiet(420.0)
        assert line.phase is Phase.IDLE
        line.switched(on=True)
        line.quiet(60.0, RATE_L_PER_S)
    line.level(usable=False)
    assert trip(line) is TripReason.REPEATED_SIGNAL_LOSS
    line.switched(on=False)
    line.hear(ResetRequested(line.t_s))
    assert line.last.refused is Refusal.SIGNAL


def test_case_02_three_losses_over_more_than_an_hour_only_pause() -> None:
    line = Line().filling()
    for _ in range(4):
        line.level(usable=False)
        line.switched(on=False)
        line.quiet(2400.0)
        line.switched(on=True)
        line.quiet(60.0, RATE_L_PER_S)
        assert line.phase is Phase.FILLING
    assert trip(line) is None


def test_case_02_reports_too_rare_for_the_longest_run_are_refused() -> None:
    line = Line(settings=replace(SETTINGS, stale_after_s=7200.0)).ready()
    line.hear(LevelReported(line.t_s, START_L, usable=True, interval_s=1801.0))
    assert line.last.block_reason is BlockReason.REPORTS_TOO_SLOW


# Case 3: level lost at idle and back, or low already at the start.


def test_case_03_no_start_on_the_edge_of_a_return_and_none_missed() -> None:
    line = Line().ready()
    line.level(usable=False)
    assert line.last.block_reason is BlockReason.SIGNAL
    line.t_s += 300.0
    permits = []
    for _ in range(4):
        line.t_s += INTERVAL_S
        permits.append(line.level(1.0).permit)
    assert permits == [False, False, True, True]


def test_case_03_three_samples_in_a_second_are_a_flickering_plug() -> None:
    line = Line().ready()
    line.level(usable=False)
    for _ in range(5):
        line.t_s += 0.2
        assert not line.level(1.0).permit
    assert line.last.block_reason is BlockReason.STARTING
    assert line.last.wake_at_s == pytest.approx(line.t_s + 59.2)
    assert line.tick(59.3).permit


def test_case_03_low_already_at_start_is_permitted_by_a_tick_alone() -> None:
    line = Line()
    line.begin()
    line.quiet(INTERVAL_S * 3)
    assert not line.last.permit
    assert line.last.wake_at_s == pytest.approx(line.t_s + 30.0)
    assert line.tick(30.0).permit


# Case 4: a spike, slosh.


def test_case_04_one_valid_sample_at_the_high_limit_stops_at_once() -> None:
    line = Line().filling()
    line.t_s += 5.0
    line.level(HIGH_L)
    assert line.sent() == [Command.OFF]
    assert trip(line) is None
    line.switched(on=False)
    assert line.phase is Phase.SETTLING
    assert line.last.block_reason is BlockReason.HIGH_LEVEL


def test_case_04_a_reading_waiting_for_confirmation_does_nothing_but_age() -> None:
    line = Line().filling()
    line.t_s += 5.0
    line.hear(LevelReported(line.t_s, HIGH_L, usable=False, suspended=True))
    assert line.sent() == []
    assert line.last.permit
    line.t_s += 60.0
    line.hear(LevelReported(line.t_s, HIGH_L, usable=False, suspended=True))
    line.t_s += 26.0
    line.hear(LevelReported(line.t_s, HIGH_L, usable=False, suspended=True))
    assert line.sent() == [Command.OFF]


def test_case_04_one_low_spike_is_no_start() -> None:
    line = Line(level_l=8.0, settings=replace(SETTINGS, rehearsal=True, start_l=3.0))
    line.begin()
    line.quiet(600.0)
    line.t_s += INTERVAL_S
    assert line.level(0.5).decision is None


# Case 5: no rise.


def test_no_rise_asks_to_be_woken_at_its_time() -> None:
    line = Line().filling(INTERVAL_S)
    silent_s = line.t_s
    while (wake_s := line.last.wake_at_s or 0.0) > line.t_s + INTERVAL_S:
        line.quiet(INTERVAL_S)  # the water has stopped, the reports go on
    # four steps of 0.1 L at the line's rate take less than two minutes: the least window; the
    # median shows the last of the water one report later, the verdict waits for a late report
    assert wake_s <= silent_s + INTERVAL_S + 120.0 + 1.25 * INTERVAL_S
    line.t_s = wake_s
    line.tick()
    assert line.state.trip is not None
    assert line.state.trip.reason is TripReason.NO_RISE


TAIL_S: Final = 4 * INTERVAL_S


def test_case_05_what_another_line_takes_is_not_held_against_this_one() -> None:
    """A slow purifier, and a top-off pump that takes in a minute what it brings in five."""
    slow_l_per_s = 8.0 / 3600.0
    line = Line(replace(SETTINGS, longest_run_s=14400.0)).ready()
    line.switched(on=True)
    line.quiet(900.0, slow_l_per_s)
    for _ in range(5):
        line.is_drawn = True
        line.quiet(60.0, slow_l_per_s - 0.67 / 60.0)
        line.quiet(TAIL_S, slow_l_per_s)
        line.is_drawn = False
        line.quiet(900.0, slow_l_per_s)
    assert trip(line) is None
    assert line.phase is Phase.FILLING


def test_case_05_a_hose_that_came_off_is_found_between_the_pulses_of_another_line() -> None:
    """Time counts only while nobody takes water away: an eighth less here."""
    line = Line().filling()
    began_s, step = line.t_s, 0
    while trip(line) is None:
        line.is_drawn = step % 16 < 2
        line.quiet(INTERVAL_S, -0.67 / 60.0 if line.is_drawn else 0.0)
        step += 1
        assert line.t_s - began_s < 900.0
    assert trip(line) is TripReason.NO_RISE


def test_case_05_a_watch_without_a_level_has_nothing_to_excuse() -> None:
    line = Line().ready()
    before = line.state.rise
    line.is_drawn = True
    line.quiet(300.0, -0.001)
    assert line.state.rise == before
    line.switched(on=True)
    line.quiet(60.0, RATE_L_PER_S)
    assert line.phase is Phase.FILLING


def test_case_05_no_rise_latches_and_not_before_its_window() -> None:
    line = Line().ready()
    line.switched(on=True)
    began_s = line.t_s
    while line.phase is Phase.FILLING:
        line.quiet(INTERVAL_S)
    assert trip(line) is TripReason.NO_RISE
    assert 120.0 <= line.t_s - began_s <= 240.0
    assert line.sent() == [Command.OFF]


def test_case_05_short_pulses_without_a_rise_are_added_up() -> None:
    line = Line(settings=replace(SETTINGS, shortest_pause_s=0.0, settle_s=30.0)).ready()
    pulses = 0
    while trip(line) is None:
        line.switched(on=True)
        line.quiet(60.0)
        line.switched(on=False)
        line.quiet(120.0)
        pulses += 1
    assert trip(line) is TripReason.NO_RISE
    assert pulses in (3, 4)


def test_case_05_pulses_too_short_for_a_report_are_judged_too() -> None:
    line = Line(settings=replace(SETTINGS, shortest_pause_s=0.0, settle_s=30.0)).ready()
    pulses = 0
    while trip(line) is None:
        line.hear(StartRequested(line.t_s))
        line.switched(on=True, actor=Actor.LINE)
        line.tick(20.0)
        line.hear(StopRequested(line.t_s))
        line.switched(on=False, actor=Actor.LINE)
        line.t_s += 10.0
        line.quiet(90.0)
        pulses += 1
    assert trip(line) is TripReason.NO_RISE
    assert pulses in (8, 9, 10)


def test_case_05_pulses_whose_water_shows_up_late_are_fine() -> None:
    line = Line(settings=replace(SETTINGS, shortest_pause_s=0.0, settle_s=30.0)).ready()
    for _ in range(20):
        line.switched(on=True)
        line.quiet(60.0)
        line.switched(on=False)
        # The strip shows it a report later; the sump then loses it again by evaporation.
        line.quiet(60.0, RATE_L_PER_S)
        line.quiet(120.0, -RATE_L_PER_S / 2.0)
        assert trip(line) is None


def test_case_05_without_a_learned_rate_the_slowest_believable_one_is_taken() -> None:
    line = Line(settings=replace(SETTINGS, start_l=None, full_l=None))
    line.begin()
    for _ in range(30):
        line.t_s += INTERVAL_S
        line.hear(LevelReported(line.t_s, 6.0, usable=True, interval_s=INTERVAL_S))
    line.switched(on=True)
    began_s = line.t_s
    while line.phase is Phase.FILLING:
        line.t_s += INTERVAL_S
        line.hear(LevelReported(line.t_s, 6.0, usable=True))
    # 4 x 0.5 % of the high limit at high limit / 7200 s is 144 s, and a report of 30 s a
    # quarter late: the seventh report is the first past 181.5 s.
    assert trip(line) is TripReason.NO_RISE
    assert line.t_s - began_s == pytest.approx(210.0)


def test_case_05_a_step_that_rounding_makes_a_hair_smaller_is_a_rise() -> None:
    step_l = 0.2591436846464133
    line = Line()
    line.begin()

    def report(steps: int) -> None:
        line.t_s += INTERVAL_S
        line.hear(
            LevelReported(
                line.t_s,
                steps * step_l,
                usable=True,
                interval_s=INTERVAL_S,
                resolution_l=step_l,
                fill_rate_l_per_s=step_l / 40.0,
            )
        )

    for _ in range(20):
        report(25)
    line.switched(on=True)
    # one step in floating point: 26 x 0.2591... - 25 x 0.2591... falls short by a rounding
    assert 26 * step_l - 25 * step_l < step_l
    report(26)
    report(26)
    assert line.state.rise.base_l == pytest.approx(26 * step_l, abs=0.011 * step_l)
    assert line.state.rise.began_s == line.t_s


# Case 6: the longest run.


def test_case_06_longest_run_by_absolute_deadline_without_any_level_report() -> None:
    line = Line(settings=replace(SETTINGS, stale_after_s=8000.0)).filling()
    began_s = line.state.run.started_s if line.state.run else 0.0
    while line.phase is Phase.FILLING:
        line.quiet(60.0, RATE_L_PER_S / 2.0)
    assert trip(line) is TripReason.LONGEST_RUN
    assert line.t_s - began_s == pytest.approx(7200.0, abs=INTERVAL_S)


def test_case_06_a_little_over_an_hour_is_no_fault() -> None:
    line = Line().filling(for_s=60.0)
    line.quiet(3900.0, RATE_L_PER_S)
    assert line.phase is Phase.FILLING
    assert line.level_l == pytest.approx(STOP_L, abs=L_PER_IN)
    line.switched(on=False)
    assert trip(line) is None
    assert line.last.decision is not None
    assert line.last.decision.reason is StopReason.BY_RULE


def test_case_06_options_cannot_extend_a_run_but_shorten_it() -> None:
    line = Line().filling()
    assert line.state.run is not None
    deadline_s = line.state.run.deadline_s
    line.settings = replace(SETTINGS, longest_run_s=20_000.0)
    line.hear(SettingsChanged(line.t_s))
    assert line.state.run.deadline_s == deadline_s
    line.settings = replace(SETTINGS, longest_run_s=600.0)
    line.hear(SettingsChanged(line.t_s))
    assert line.state.run.deadline_s == line.state.run.started_s + 600.0
    line.quiet(300.0, RATE_L_PER_S)
    assert trip(line) is TripReason.LONGEST_RUN


# Case 7: OFF not confirmed.


def test_case_07_off_is_repeated_at_5_15_30_60_then_each_minute_for_ever() -> None:
    line = Line().filling()
    line.hear(StopRequested(line.t_s))
    asked_s = line.t_s
    while line.t_s < asked_s + 600.0:
        line.t_s = line.last.wake_at_s or line.t_s + 60.0
        line.tick()
    sent_after = [t_s - asked_s for t_s, _ in line.commands]
    assert sent_after[:5] == pytest.approx([0.0, 5.0, 15.0, 30.0, 60.0])
    assert sent_after[5:] == pytest.approx([120.0 + 60.0 * i for i in range(len(sent_after) - 5)])
    assert len(sent_after) == 14
    assert trip(line) is TripReason.STUCK_ON
    assert line.last.secondary_off


def test_case_07_stuck_after_a_minute_is_critical_and_closes_the_second_shut_off() -> None:
    line = Line().filling()
    line.hear(StopRequested(line.t_s))
    line.switched(on=None)
    line.tick(59.0)
    assert trip(line) is None
    outcome = line.tick(1.0)
    assert trip(line) is TripReason.STUCK_ON
    assert outcome.secondary_off
    assert outcome.notices[0].severity.value == "critical"
    line.switched(on=False)
    assert NoticeKind.OFF_CONFIRMED in line.notices
    assert line.phase is Phase.LOCKED_OUT
    count = len(line.commands)
    line.tick(600.0)
    assert len(line.commands) == count


def test_case_07_a_trip_whose_off_is_not_confirmed_becomes_stuck_on() -> None:
    line = Line().filling()
    line.inputs(high=True)
    assert trip(line) is TripReason.HIGH_INPUT
    line.tick(60.0)
    assert trip(line) is TripReason.STUCK_ON
    assert NoticeKind.OFF_NOT_CONFIRMED in line.notices
    line.tick(60.0)
    assert line.notices.count(NoticeKind.OFF_NOT_CONFIRMED) == 1


def test_case_07_an_actuator_that_does_not_answer_an_on_is_put_off() -> None:
    line = Line().ready()
    line.hear(StartRequested(line.t_s))
    assert line.sent() == [Command.ON]
    line.switched(on=False, actor=Actor.LINE)
    assert line.phase is Phase.FILLING
    line.tick(59.0)
    line.tick(1.0)
    assert line.sent() == [Command.ON, Command.OFF]
    assert NoticeKind.NO_ANSWER in line.notices
    line.tick(1.0)
    assert line.phase is Phase.SETTLING


def test_case_07_an_actuator_lost_in_a_run_is_put_off() -> None:
    line = Line().filling()
    line.switched(on=None)
    assert line.sent() == [Command.OFF]
    assert line.phase is Phase.STOPPING


# Case 8: an ON that we did not start, and flow while off.


def test_case_08_on_by_itself_within_five_minutes_of_the_start_goes_off() -> None:
    line = Line()
    line.begin()
    line.quiet(270.0)
    assert line.last.permit
    line.switched(on=True, actor=Actor.UNKNOWN)
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    assert trip(line) is None


def test_case_08_on_by_itself_later_is_a_run_under_all_limits() -> None:
    line = Line().ready()
    line.switched(on=True, actor=Actor.UNKNOWN)
    assert line.phase is Phase.FILLING
    line.level(HIGH_L)
    assert line.sent() == [Command.OFF]


def test_case_08_on_at_the_start_without_a_run_goes_off() -> None:
    line = Line()
    line.begin(on=True)
    assert line.sent() == [Command.OFF]
    assert line.state.run is not None
    line.tick(60.0)
    assert trip(line) is TripReason.STUCK_ON


def test_case_08_unknown_at_the_start_is_no_fault_but_off_all_the_same() -> None:
    line = Line()
    line.begin(on=None)
    for _ in range(10):
        line.tick(60.0)
    assert trip(line) is None
    assert len(line.sent()) >= 10
    line.switched(on=True)
    assert line.state.run is not None
    line.tick(59.0)
    assert trip(line) is None
    line.tick(1.0)
    assert trip(line) is TripReason.STUCK_ON
    line.switched(on=False)
    assert line.phase is Phase.LOCKED_OUT


def test_case_08_rise_while_off_latches_within_three_windows() -> None:
    line = Line().ready()
    began_s = line.t_s
    while trip(line) is None:
        line.quiet(INTERVAL_S, RATE_L_PER_S)
        assert line.t_s - began_s < 600.0
    assert trip(line) is TripReason.FLOW_WHILE_OFF
    assert line.t_s - began_s >= 240.0
    assert line.sent() == [Command.OFF]
    assert line.last.secondary_off
    line.hear(ResetRequested(line.t_s))
    assert line.last.refused is Refusal.STILL_RISING
    line.hear(RunByHandRequested(line.t_s))
    assert line.last.refused is Refusal.VALVE_NOT_TRUSTED
    line.quiet(600.0)
    line.hear(ResetRequested(line.t_s))
    assert trip(line) is None


def test_case_08_flow_while_off_is_told_once_however_long_it_runs() -> None:
    line = Line().ready()
    line.quiet(3600.0, RATE_L_PER_S)
    assert trip(line) is TripReason.FLOW_WHILE_OFF
    assert line.notices == [NoticeKind.LOCKED_OUT]


def test_case_08_what_another_line_brings_is_no_flow_of_this_one() -> None:
    """Two lines at one vessel, one of which fills it; a leak that goes on after is found."""
    line = Line().ready()
    line.is_fed = True
    line.quiet(1800.0, RATE_L_PER_S)
    assert trip(line) is None
    line.is_fed = False
    line.quiet(600.0, RATE_L_PER_S)
    assert trip(line) is TripReason.FLOW_WHILE_OFF


@pytest.mark.parametrize(
    ("interval_s", "settle_s", "tail_s"),
    [(None, 60.0, 60.0), (10.0, 60.0, 60.0), (60.0, 60.0, 240.0), (300.0, 90.0, 1200.0)],
)
def test_case_08_water_of_another_line_counts_until_three_readings_have_none_of_it(
    interval_s: float | None, settle_s: float, tail_s: float
) -> None:
    """The median of three lags by two reports; one may be under way, and one comes late."""
    assert guard_rules.tail_s(interval_s, settle_s) == tail_s


def test_case_08_rise_while_locked_out_for_another_reason_is_told_too() -> None:
    line = Line().ready()
    line.hear(LockOutRequested(line.t_s, "cleaning the vat"))
    line.tick(120.0)
    line.quiet(600.0, RATE_L_PER_S)
    assert trip(line) is TripReason.FLOW_WHILE_OFF
    assert NoticeKind.FLOW_WHILE_OFF in line.notices


@pytest.mark.parametrize("bucket_s", [INTERVAL_S, 4 * INTERVAL_S, 7 * INTERVAL_S])
def test_case_08_a_bucket_poured_by_hand_is_no_flow(bucket_s: float) -> None:
    line = Line().ready()
    for _ in range(3):
        line.quiet(bucket_s, 5.0 / bucket_s)
        line.quiet(1200.0, -1e-5)
    assert trip(line) is None


def test_case_08_noise_and_slow_drift_are_no_flow() -> None:
    line = Line().ready()
    for step in range(600):
        line.t_s += INTERVAL_S
        line.level(5.0 + 0.1 * (step % 2) + 0.0005 * step)
    assert trip(line) is None


# Case 9: by hand, or by another automation.


def test_case_09_manual_off_holds_off_for_half_an_hour() -> None:
    line = Line().filling()
    line.switched(on=False, actor=Actor.PERSON)
    assert trip(line) is None
    line.quiet(1740.0)
    assert line.last.block_reason is BlockReason.HOLD_OFF
    line.switched(on=True)
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    line.quiet(600.0)
    assert line.last.permit


def test_case_09_stop_asked_by_a_person_holds_off_too() -> None:
    line = Line().filling()
    line.hear(StopRequested(line.t_s, Actor.PERSON))
    line.switched(on=False, actor=Actor.LINE)
    line.quiet(900.0)
    assert line.last.block_reason is BlockReason.HOLD_OFF


def test_case_09_manual_on_outranks_waits_and_never_limits() -> None:
    line = Line()
    line.begin()
    line.t_s += INTERVAL_S
    line.level(5.0)
    assert line.last.block_reason is BlockReason.STARTING
    line.switched(on=True, actor=Actor.PERSON)
    assert line.phase is Phase.FILLING
    line.level(HIGH_L)
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    line.t_s += INTERVAL_S
    line.level(HIGH_L)
    line.switched(on=True, actor=Actor.PERSON)
    assert line.sent() == [Command.OFF] * 2


def test_case_09_a_person_may_run_in_a_pause_once_the_signal_is_good() -> None:
    line = Line().filling()
    line.level(usable=False)
    line.switched(on=False)
    line.switched(on=True, actor=Actor.PERSON)
    assert line.sent() == [Command.OFF] * 2
    line = Line().filling()
    line.level(usable=False)
    line.switched(on=False)
    line.t_s += INTERVAL_S
    line.level()
    line.switched(on=True, actor=Actor.PERSON)
    assert line.phase is Phase.FILLING


@pytest.mark.parametrize("state", [True, None])
def test_case_09_manual_on_past_an_input_goes_off(state: bool | None) -> None:
    line = Line().ready()
    line.inputs(supply=state)
    line.switched(on=True, actor=Actor.PERSON)
    assert line.sent() == [Command.OFF]


def test_case_09_in_a_lockout_only_the_button_runs_and_only_for_a_while() -> None:
    line = Line().ready()
    line.hear(LockOutRequested(line.t_s, "inspection"))
    line.commands.clear()
    line.switched(on=True, actor=Actor.PERSON)
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    line.hear(StartRequested(line.t_s))
    assert line.last.refused is BlockReason.LOCKED_OUT
    line.hear(RunByHandRequested(line.t_s))
    assert line.phase is Phase.HAND_RUN
    assert line.last.command is Command.ON
    assert not line.last.permit
    line.switched(on=True, actor=Actor.LINE)
    line.hear(ResetRequested(line.t_s))
    assert line.last.refused is Refusal.ALREADY_RUNNING
    line.hear(RunByHandRequested(line.t_s))
    assert line.last.refused is Refusal.ALREADY_RUNNING
    line.quiet(300.0, RATE_L_PER_S)
    assert line.last.command is Command.OFF
    line.hear(RunByHandRequested(line.t_s))
    assert line.last.refused is BlockReason.STOPPING
    line.switched(on=False)
    assert line.phase is Phase.LOCKED_OUT
    assert trip(line) is TripReason.EXTERNAL


@pytest.mark.parametrize("stop", ["off", "high", "leak", "signal", "lock", "stop"])
def test_case_09_a_run_by_hand_in_a_lockout_ends_on_every_limit(stop: str) -> None:
    line = Line().ready()
    line.hear(LockOutRequested(line.t_s))
    line.hear(RunByHandRequested(line.t_s))
    line.switched(on=True, actor=Actor.LINE)
    match stop:
        case "off":
            line.switched(on=False, actor=Actor.PERSON)
            assert line.phase is Phase.LOCKED_OUT
            return
        case "high":
            line.level(HIGH_L)
        case "leak":
            line.inputs(leak=True)
        case "signal":
            line.level(usable=False)
        case "lock":
            line.hear(LockOutRequested(line.t_s))
        case _:
            line.hear(StopRequested(line.t_s))
    assert line.last.command is Command.OFF
    assert line.phase is Phase.TRIPPING


def test_case_09_no_run_by_hand_past_the_high_limit_or_without_a_lockout_beyond_its_time() -> None:
    line = Line().ready()
    line.hear(LockOutRequested(line.t_s))
    line.level(HIGH_L)
    line.hear(RunByHandRequested(line.t_s))
    assert line.last.refused is BlockReason.HIGH_LEVEL
    line = Line().ready()
    line.hear(RunByHandRequested(line.t_s))
    line.switched(on=True, actor=Actor.LINE)
    line.quiet(300.0, RATE_L_PER_S)
    assert line.last.command is Command.OFF
    assert trip(line) is None


def test_case_09_another_automation_while_not_permitted_goes_off() -> None:
    line = Line()
    line.begin()
    line.switched(on=True)
    assert line.sent() == [Command.OFF]
    assert NoticeKind.RUN_REFUSED in line.notices


def test_case_09_an_off_by_hand_before_the_on_came_through_ends_the_run() -> None:
    line = Line().ready()
    line.hear(StartRequested(line.t_s, Actor.PERSON))
    line.switched(on=False, actor=Actor.PERSON)
    assert line.phase is Phase.SETTLING
    line.switched(on=True, actor=Actor.LINE)
    assert line.last.command is Command.OFF


# Case 10: overflow, leak, supply empty, budgets.


@pytest.mark.parametrize(
    ("contacts", "reason"),
    [({"high": True}, TripReason.HIGH_INPUT), ({"leak": True}, TripReason.LEAK)],
)
def test_case_10_overflow_and_leak_are_off_at_once_and_latch(
    contacts: dict[str, bool], reason: TripReason
) -> None:
    for line in (Line().filling(), Line().ready()):
        line.inputs(**contacts)
        assert trip(line) is reason
        assert line.last.command is Command.OFF
        assert line.last.secondary_off
        line.switched(on=False)
        line.hear(ResetRequested(line.t_s))
        assert line.last.refused is Refusal.INPUT_ON
        line.inputs(high=None)
        line.hear(ResetRequested(line.t_s))
        assert line.last.refused is Refusal.INPUT_UNKNOWN
        line.inputs()
        line.hear(ResetRequested(line.t_s))
        assert trip(line) is None
        assert line.phase is Phase.SETTLING


@pytest.mark.parametrize("name", ["high", "leak"])
def test_case_10_water_in_a_lockout_for_another_reason_closes_the_second_shut_off(
    name: str,
) -> None:
    """A hose that came off has locked out; then the floor gets wet all the same."""
    line = Line().ready()
    line.hear(LockOutRequested(line.t_s, "no rise"))
    assert not line.last.secondary_off
    outcome = line.inputs(**{name: True})
    expected = TripReason.HIGH_INPUT if name == "high" else TripReason.LEAK
    assert trip(line) is expected
    assert outcome.command is Command.OFF
    assert outcome.secondary_off
    assert outcome.notices[0].severity.value == "critical"
    assert line.phase is Phase.LOCKED_OUT
    count = len(line.commands)
    line.inputs(**{name: True})
    line.tick(60.0)
    assert len(line.commands) == count
    line.hear(ResetRequested(line.t_s))
    assert line.last.refused is Refusal.INPUT_ON


def test_case_10_water_while_the_off_of_another_lockout_is_not_confirmed() -> None:
    line = Line().filling()
    line.hear(LockOutRequested(line.t_s))
    assert line.phase is Phase.TRIPPING
    outcome = line.inputs(leak=True)
    assert trip(line) is TripReason.LEAK
    assert outcome.secondary_off
    assert line.phase is Phase.TRIPPING
    line.tick(60.0)
    assert trip(line) is TripReason.STUCK_ON
    line.switched(on=False)
    assert line.phase is Phase.LOCKED_OUT


@pytest.mark.parametrize("name", ["high", "leak", "supply"])
def test_case_10_an_unknown_contact_is_off_at_once_and_blocks(name: str) -> None:
    line = Line().filling()
    line.inputs(**{name: None})
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    assert trip(line) is None
    assert line.last.block_reason is BlockReason.INPUT_UNKNOWN


def test_case_10_supply_empty_clears_after_ten_quiet_minutes() -> None:
    line = Line().filling()
    line.inputs(supply=True)
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    line.inputs(supply=None)
    line.inputs()
    line.quiet(570.0)
    assert line.last.block_reason is BlockReason.SUPPLY_EMPTY
    line.quiet(60.0)
    assert line.last.permit


def test_case_10_daily_run_time_latches_and_stays_spent_after_a_reset() -> None:
    line = Line(settings=replace(SETTINGS, daily_run_s=900.0)).filling(600.0)
    line.switched(on=False)
    line.quiet(600.0)
    line.switched(on=True)
    line.quiet(330.0, RATE_L_PER_S)
    assert trip(line) is TripReason.DAILY_RUN_TIME
    line.switched(on=False)
    line.hear(ResetRequested(line.t_s))
    line.quiet(600.0)
    assert line.last.block_reason is BlockReason.DAILY_BUDGET
    again = line.restarted(on=False)
    assert not again.permit
    line.quiet(86_400.0)
    assert line.last.permit


def test_case_10_daily_volume_and_the_cap_of_one_run_latch() -> None:
    # 1 % of 450 L may come as fresh water: 0.34 PSU at 35 PSU (salt balance S V / (V + dV)).
    cap_l = 0.01 * 450.0
    assert 35.0 - 35.0 * 450.0 / (450.0 + cap_l) == pytest.approx(0.34, abs=0.01)
    for name, reason in (
        ("run_volume_l", TripReason.RUN_VOLUME),
        ("daily_volume_l", TripReason.DAILY_VOLUME),
    ):
        line = Line(settings=replace(SETTINGS, **{name: cap_l})).filling(60.0)
        while line.phase is Phase.FILLING:
            line.quiet(INTERVAL_S, RATE_L_PER_S)
        assert trip(line) is reason
        assert line.level_l - 2 * L_PER_IN == pytest.approx(cap_l, abs=0.3)
        assert line.sent() == [Command.OFF]


# Source, return pump, maintenance, rehearsal.


def test_source_low_stops_and_unknown_or_old_blocks() -> None:
    line = Line(settings=replace(SETTINGS, min_source_l=5.0))
    line.begin()
    line.quiet(600.0)
    assert line.last.block_reason is BlockReason.SOURCE_UNKNOWN
    line.hear(SourceReported(line.t_s, 9.0, usable=True))
    assert line.last.permit
    line.switched(on=True)
    line.hear(SourceReported(line.t_s, 1.0, usable=False, suspended=True))
    assert line.phase is Phase.FILLING
    line.hear(SourceReported(line.t_s, 5.0, usable=True))
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    line.quiet(600.0)
    assert line.last.block_reason is BlockReason.SOURCE_LOW
    line.hear(SourceReported(line.t_s, 9.0, usable=False))
    assert line.last.block_reason is BlockReason.SOURCE_UNKNOWN
    line.hear(SourceReported(line.t_s, 9.0, usable=True))
    assert line.last.wake_at_s is not None
    line.quiet(930.0)
    assert line.last.block_reason is BlockReason.SOURCE_UNKNOWN


def test_return_pump_off_blocks_until_settled_and_raises_no_false_flow() -> None:
    line = Line(settings=replace(SETTINGS, has_return_pump=True))
    line.begin()
    line.quiet(600.0)
    assert line.last.block_reason is BlockReason.RETURN_PUMP
    line.hear(ReturnPumpReported(line.t_s, on=True))
    line.hear(ReturnPumpReported(line.t_s, on=True))
    line.quiet(300.0)
    assert line.last.permit
    line.hear(ReturnPumpReported(line.t_s, on=False))
    line.quiet(600.0, RATE_L_PER_S)
    assert trip(line) is None
    assert line.last.block_reason is BlockReason.RETURN_PUMP
    line.hear(ReturnPumpReported(line.t_s, on=True))
    line.quiet(270.0, -2 * RATE_L_PER_S)
    assert not line.last.permit
    line.quiet(60.0)
    assert line.last.permit
    line.switched(on=True)
    line.hear(ReturnPumpReported(line.t_s, on=None))
    assert line.last.command is Command.OFF


def test_maintenance_stops_a_rule_blocks_and_ends_by_itself() -> None:
    line = Line().filling()
    line.hear(MaintenanceRequested(line.t_s, line.t_s + 1800.0))
    assert line.sent() == [Command.OFF]
    line.switched(on=False)
    line.quiet(900.0, RATE_L_PER_S)
    assert trip(line) is None
    assert line.last.block_reason is BlockReason.MAINTENANCE
    line.quiet(930.0)
    assert line.last.permit
    line.hear(MaintenanceRequested(line.t_s, line.t_s + 1800.0))
    assert not line.last.permit
    line.switched(on=True, actor=Actor.PERSON)
    assert line.phase is Phase.FILLING
    line.switched(on=False, actor=Actor.AUTOMATION)
    line.hear(MaintenanceRequested(line.t_s, None))
    line.quiet(600.0)
    assert line.last.permit
    line.hear(MaintenanceRequested(line.t_s, line.t_s - 1.0))
    assert line.last.permit


def test_rehearsal_says_what_it_would_do_and_never_switches_on() -> None:
    line = Line(settings=replace(SETTINGS, rehearsal=True))
    line.begin()
    kinds = []
    for volume_l in [START_L + 1] * 30 + [START_L - 0.5] * 5 + [STOP_L + 0.5] * 5:
        line.t_s += INTERVAL_S
        outcome = line.level(volume_l)
        if outcome.decision is not None:
            kinds.append(outcome.decision.kind)
    assert kinds == [DecisionKind.WOULD_START, DecisionKind.WOULD_STOP]
    assert line.last.block_reason is BlockReason.REHEARSAL
    line.hear(StartRequested(line.t_s))
    assert line.last.refused is BlockReason.REHEARSAL
    assert line.last.decision is not None
    assert line.last.decision.kind is DecisionKind.WOULD_START
    line.switched(on=True)
    assert line.phase is Phase.FILLING
    line.switched(on=False)
    line.hear(LockOutRequested(line.t_s))
    line.hear(RunByHandRequested(line.t_s))
    assert line.last.refused is BlockReason.REHEARSAL
    assert Command.ON not in line.sent()


def test_rehearsal_without_a_full_mark_stops_at_the_high_limit() -> None:
    line = Line(settings=replace(SETTINGS, rehearsal=True, full_l=None))
    line.begin()
    line.quiet(600.0)
    assert line.state.would_run
    line.t_s += INTERVAL_S
    line.level(HIGH_L + 1)
    line.t_s += INTERVAL_S
    line.level(HIGH_L + 1)
    assert not line.state.would_run


# Steps of the clock.


@pytest.mark.parametrize("step_s", [-3600.0, -10.0, 200.0, 3600.0])
def test_a_step_of_the_clock_ends_a_run_and_is_never_a_longer_one(step_s: float) -> None:
    line = Line().filling()
    assert line.state.run is not None
    left_s = line.state.run.deadline_s - line.t_s
    line.tick(step_s)
    assert line.sent() == [Command.OFF]
    assert NoticeKind.CLOCK_JUMP in line.notices
    assert line.state.run is not None
    assert line.state.run.deadline_s - line.t_s <= left_s
    assert trip(line) is None


def test_a_step_forwards_past_the_deadline_latches() -> None:
    line = Line().filling()
    line.tick(8000.0)
    assert trip(line) is TripReason.LONGEST_RUN
    assert line.sent() == [Command.OFF]


def test_events_a_second_out_of_order_are_no_step() -> None:
    line = Line().filling()
    seen_s = line.state.seen_s
    line.tick(-1.5)
    assert line.sent() == []
    assert line.state.seen_s == seen_s


def test_a_step_of_the_clock_does_not_spend_waits_or_budgets() -> None:
    line = Line(settings=replace(SETTINGS, daily_run_s=400.0)).filling()
    line.switched(on=False, actor=Actor.PERSON)
    for step_s in (3 * 86_400.0, -3 * 86_400.0):
        line.tick(step_s)
        line.quiet(600.0)
        assert line.last.block_reason is BlockReason.HOLD_OFF
        assert line.state.ledger[-1].end_s == pytest.approx(line.t_s, abs=1300.0)
    line.restarted(on=False, down_s=-7200.0)
    line.quiet(240.0)
    assert line.last.block_reason is BlockReason.HOLD_OFF


def test_a_step_while_off_is_ordered_sends_off_at_once() -> None:
    line = Line().filling()
    line.hear(StopRequested(line.t_s))
    line.tick(-3600.0)
    assert line.sent() == [Command.OFF] * 2


def test_a_clock_that_went_back_during_sleep_does_not_shorten_the_run() -> None:
    line = Line().filling()
    line.restarted(on=True, down_s=-7200.0)
    assert line.phase is Phase.STOPPING
    assert line.state.run is not None
    assert line.state.run.started_s <= line.t_s
