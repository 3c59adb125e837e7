"""A dosing line as a whole: meter, ledger, caps, stock, delivery, consumption.

Limewater: Bates, Bower and Smith, J. Res. NBS 56 (1956) 305-312: 0.0203 mol/L, so 40.6 meq/L and
813.6 mg/L of calcium at 25 degC. pH: PyCO2SYS. Slope: scipy's Theil-Sen.
"""

from dataclasses import replace
from math import exp, nan
from typing import Any

import gsw
import PyCO2SYS
import pytest
from custom_components.stillwell.engine.alkalinity_log import (
    AlkalinityLog,
    AlkalinityUnit,
    in_dkh,
    is_far_above,
)
from custom_components.stillwell.engine.consumption import TestResult
from custom_components.stillwell.engine.delivery import Delivery, DeliveryWatch
from custom_components.stillwell.engine.dosing import (
    DoseAdjuster,
    DosingFacts,
    DosingSpec,
    NoDose,
)
from custom_components.stillwell.engine.geometry import Box
from custom_components.stillwell.engine.limewater import Stock
from custom_components.stillwell.engine.limewater_line import (
    LimewaterLine,
    LineFacts,
    LineSpec,
    TypedEntry,
    TypedKind,
    area_m2,
    daily_dkh,
    proposed_caps_l,
    proposed_ceiling_l_per_h,
)
from custom_components.stillwell.engine.pump_meter import PumpMeter, is_worth_saving
from custom_components.stillwell.engine.validity import InputError
from scipy.stats import theilslopes

MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0
DOSING = DosingSpec(
    target_m=0.2,
    sump_area_m2=0.18,
    ceiling_l_per_h=0.3,
    most_per_dose_l=0.05,
    most_per_hour_l=0.3,
    most_per_day_l=4.0,
    high_m=0.25,
)
SPEC = LineSpec(DOSING, system_l=450.0, salinity=35.0, target_dkh=8.0)
LOW = DosingFacts(0.19)


def _settled(
    spec: LineSpec = SPEC, facts: LineFacts | None = None, hours: float = 3.0
) -> LimewaterLine:
    line = LimewaterLine(spec)
    for minute in range(int(hours * 60) + 1):
        line.take(minute * MINUTE, facts or LineFacts(LOW, day_start_s=0.0))
    return line


# What other lines of the system must know


def test_a_line_says_what_it_gave_in_a_span() -> None:
    """Truth: 60 mL by hand, and 40 mL an hour and a minute later."""
    line = LimewaterLine(SPEC)
    line.record_dose(DAY, 0.06)
    line.record_dose(DAY + HOUR + MINUTE, 0.04)
    assert line.given_l(DAY + HOUR + MINUTE, HOUR) == pytest.approx(0.04)
    assert line.given_l(DAY + HOUR + MINUTE, DAY) == pytest.approx(0.1)
    assert line.given_l(3 * DAY, DAY) == 0.0


# Meter


@pytest.mark.parametrize(
    ("flow", "kept", "is_worth"),
    [
        (0.6, 0.5, True),  # more would be given than counted
        (0.5, 0.5, False),
        (0.4, 0.5, False),  # counts too much, the safe side
        (0.0, 0.5, True),  # it stands: counting on would stop dosing for a day
        (0.0, 0.0, False),
    ],
)
def test_a_flow_that_rose_is_saved_and_one_that_fell_a_little_is_not(
    flow: float, kept: float, is_worth: bool
) -> None:
    """No outside source: what may be forgotten follows from what a power cut would count."""
    assert is_worth_saving(flow, kept) is is_worth


def test_the_meter_counts_run_time_times_flow() -> None:
    """3 L/h for 20 s are 16.667 mL."""
    meter = PumpMeter()
    assert meter.take(0.0, 3.0) == 0.0
    assert meter.flow_l_per_h == 3.0
    assert meter.take(20.0, 0.0) == pytest.approx(0.0166667, abs=1e-7)
    assert meter.take(100.0, 0.0) == 0.0
    assert meter.flow_l_per_h == 0.0


def test_a_pump_nobody_hears_of_counts_as_before() -> None:
    meter = PumpMeter()
    meter.take(0.0, 3.6)
    assert meter.take(100.0, None) == pytest.approx(0.1)
    assert meter.take(200.0, None) == pytest.approx(0.1)
    assert meter.take(150.0, 0.0) == 0.0  # a clock set back gives nothing twice
    with pytest.raises(InputError):
        meter.take(300.0, -1.0)


def test_a_pump_left_running_is_counted_over_the_restart() -> None:
    meter = PumpMeter()
    meter.take(0.0, 3.6)
    after = PumpMeter()
    after.restore(meter.snapshot())
    assert after.take(500.0, 0.0) == pytest.approx(0.5)
    fresh = PumpMeter()
    fresh.restore(PumpMeter().snapshot())
    assert fresh.take(500.0, 1.0) == 0.0
    for broken in ({}, {"flow_l_per_h": -1.0}, {"flow_l_per_h": 1.0, "last_s": "x"}):
        with pytest.raises(ValueError, match=r"number|below"):
            fresh.restore(broken)


def _late(late_s: float | None, asked_s: float, until_s: float = 600.0) -> tuple[float, float]:
    """Return what is counted, in seconds of flow, after a run and at most in between.

    The pump does at once as told; its state follows late, or never.
    """
    meter = PumpMeter()
    counted = most = 0.0
    for second in range(int(until_s) + 1):
        if second == 0:
            counted += meter.ask(second, 3600.0)
        elif second == asked_s:
            counted += meter.ask(second, 0.0)
        says = late_s is not None and late_s <= second < late_s + asked_s
        counted += meter.take(second, 3600.0 if says else 0.0, 0.0)
        if second <= asked_s:
            most = max(most, abs(counted - second))
    return counted, most


@pytest.mark.parametrize("late_s", [0.0, 1.0, 10.0, 20.0, 29.0])
def test_a_run_counts_from_the_command_until_the_pump_says_that_it_ended(late_s: float) -> None:
    """The run is 30 s; what the pump says too late is on the safe side, and counts once."""
    counted, apart = _late(late_s, 30)
    assert counted == pytest.approx(30.0 + late_s)
    assert apart == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("late_s", [30.0, 45.0, 60.0, 119.0, None])
def test_a_run_the_pump_tells_of_after_its_end_or_never_counts_once(late_s: float | None) -> None:
    """Counted while it runs, not when it is told of."""
    counted, apart = _late(late_s, 30)
    assert counted == pytest.approx(30.0)
    assert apart == pytest.approx(0.0, abs=1e-9)


def test_what_a_late_word_tells_beyond_the_command_counts() -> None:
    """Told to run 30 s, it says 100 s of running: the stop did not arrive; all 100 s count."""
    meter = PumpMeter()
    meter.ask(0.0, 3600.0)
    assert meter.ask(30.0, 0.0) == pytest.approx(30.0)
    assert meter.take(60.0, 3600.0, 60.0) == 0.0
    assert meter.take(80.0, 3600.0, 60.0) == 0.0
    assert meter.take(160.0, 0.0, 160.0) == pytest.approx(70.0)
    # The next run of its own, by the button on the device, owes nothing to that command.
    meter.take(170.0, 3600.0, 170.0)
    assert meter.take(175.0, 0.0, 175.0) == pytest.approx(5.0)


def test_a_word_long_after_the_stop_is_of_another_run() -> None:
    meter = PumpMeter()
    meter.ask(0.0, 3600.0)
    meter.ask(30.0, 0.0)
    meter.take(151.0, 3600.0, 151.0)
    assert meter.take(161.0, 0.0, 161.0) == pytest.approx(10.0)


def test_a_new_command_owes_nothing_to_the_last_one() -> None:
    """Two runs of 30 s, the first told of by nobody: 60 s."""
    meter = PumpMeter()
    meter.ask(0.0, 3600.0)
    given = meter.ask(30.0, 0.0)
    given += meter.ask(60.0, 3600.0)
    meter.take(60.0, 3600.0, 60.0)
    given += meter.ask(90.0, 0.0)
    given += meter.take(90.0, 0.0, 90.0)
    assert given == pytest.approx(60.0)


def test_a_pump_that_says_off_long_after_the_command_is_believed() -> None:
    """One with an auto-off of its own, whose entity never says on; two minutes for late words."""
    meter = PumpMeter()
    meter.ask(1000.0, 3600.0)
    assert meter.take(1060.0, 0.0, 1060.0) == pytest.approx(60.0)
    assert meter.take(1600.0, 0.0, 1060.0) == pytest.approx(540.0)  # said nothing since
    assert meter.take(1610.0, 0.0, 1610.0) == pytest.approx(10.0)
    assert meter.take(1700.0, 0.0, 1700.0) == 0.0


def test_a_rate_that_is_asked_for_counts_as_the_higher_one() -> None:
    """From 1 L/h to 2: half an hour at 2 before the device says 1.99, which is that rate."""
    meter = PumpMeter()
    meter.take(0.0, 1.0, 0.0)
    assert meter.ask(HOUR, 2.0) == pytest.approx(1.0)
    assert meter.flow_l_per_h == 2.0
    assert meter.take(1.5 * HOUR, 1.99, 1.5 * HOUR) == pytest.approx(1.0)
    assert meter.flow_l_per_h == 1.99
    # Lowered: until it says so it gives what it said.
    assert meter.ask(2.5 * HOUR, 0.5) == pytest.approx(1.99)
    assert meter.take(3.5 * HOUR, 0.5, 3.5 * HOUR) == pytest.approx(1.99)
    assert meter.flow_l_per_h == 0.5
    # Never said: raised, raised once more, and nothing.
    meter.ask(4.5 * HOUR, 2.0)
    assert meter.ask(5.5 * HOUR, 4.0) == pytest.approx(2.0)
    assert meter.ask(6.5 * HOUR, 0.0) == pytest.approx(4.0)
    assert meter.take(7.5 * HOUR, None) == pytest.approx(0.0)  # 0.5 of the 5 L beyond what it said
    with pytest.raises(InputError):
        meter.ask(8.0 * HOUR, -1.0)


def test_a_command_outlives_the_hub() -> None:
    meter = PumpMeter()
    meter.ask(0.0, 3.6)
    after = PumpMeter()
    after.restore(meter.snapshot())
    assert after.flow_l_per_h == 3.6
    assert after.ask(500.0, 0.0) == pytest.approx(0.5)
    older = {key: meter.snapshot()[key] for key in ("flow_l_per_h", "last_s")}
    after.restore(older)
    assert after.flow_l_per_h == 0.0
    for broken in ({"asked_l_per_h": -1.0}, {"asked_l_per_h": "x"}, {"asked_s": None}):
        with pytest.raises(ValueError, match=r"number|below"):
            after.restore(older | broken)


def test_what_the_pump_is_told_fills_the_ledger_though_it_says_nothing() -> None:
    """0.36 L/h are told for 50 minutes: the 0.3 L of an hour are reached."""
    line = _settled()
    start = 3.0 * HOUR
    line.told(start, 0.36)
    for minute in range(51):
        facts = LineFacts(LOW, 0.0, flow_l_per_h=0.0, flow_told_s=0.0)
        view = line.take(start + minute * MINUTE, facts)
        assert (view.advice.reason is NoDose.HOUR_CAP) == (minute >= 50)
    line.told(start + 50 * MINUTE, 0.0)
    view = line.take(start + 55 * MINUTE, facts)
    assert view.given_24h_l == pytest.approx(0.3)


# Caps


def test_proposed_caps_bring_one_dkh_a_day() -> None:
    """At 20 degC 5 K below 25: 40.6 exp(0.045) meq/L; 1 dKH in 450 L are 160.49 meq."""
    dose_l, hour_l, day_l = proposed_caps_l(450.0)
    assert day_l == pytest.approx(450.0 / 2.80387 / (40.6 * exp(0.045)), rel=1e-4)
    assert dose_l == pytest.approx(0.225)
    assert hour_l == pytest.approx(day_l / 6.0)
    assert daily_dkh(day_l, 450.0) == pytest.approx(exp(0.009 * 10.0), rel=1e-4)
    with pytest.raises(InputError):
        proposed_caps_l(0.0)


def test_the_ph_cap_agrees_with_pyco2sys() -> None:
    """2300 umol/kg at pCO2 420 and 35 PSU, 25 degC: what raises the pH by 0.1 in a closed system.

    PyCO2SYS with its default constants; 3 %: other constants and the step from total to NBS scale.
    """
    before = PyCO2SYS.sys(
        par1=2300.0, par1_type=1, par2=420.0, par2_type=4, salinity=35.0, temperature=25.0
    )
    ph_total = float(before["pH_total"])

    def rise(dose_l: float) -> float:
        # 450 L of 1.02334 kg/L; 0.0203 mol/L counts twice.
        added = dose_l * 0.0406e6 / (450.0 * 1.02334)
        after = PyCO2SYS.sys(
            par1=2300.0 + added, par1_type=1, par2=float(before["dic"]), par2_type=2,
            salinity=35.0, temperature=25.0,
        )  # fmt: skip
        return float(after["pH_total"]) - ph_total

    dkh = 2300e-3 * 1.02334 * 2.80387
    spec = replace(SPEC, most_ph_rise=0.1)
    most_l = spec.most_for_ph_l(0.1, 8.163, dkh, 25.0)
    assert rise(most_l) == pytest.approx(0.1, rel=0.03)
    # Without a thermometer the stock counts as cold, which is stronger.
    assert spec.most_for_ph_l(0.1, 8.163, dkh, None) == pytest.approx(
        spec.most_for_ph_l(0.1, 8.163, dkh, 25.0) * exp(-0.009 * 15.0), rel=1e-6
    )


def test_the_ph_cap_bounds_the_dose_and_follows_the_last_test() -> None:
    spec = replace(SPEC, most_ph_rise=0.004)
    line = _settled(spec)
    now = 3.0 * HOUR + MINUTE
    facts = LineFacts(LOW, day_start_s=0.0)
    first = line.take(now, facts).advice.dose_l
    assert 0.0 < first < 0.05
    line.record_test(now, 9.5)  # more alkalinity bears more
    assert line.take(now + MINUTE, facts).advice.dose_l > first
    late = line.take(now + 15 * DAY, facts).advice.dose_l
    assert late == pytest.approx(first)
    ph = replace(facts, dosing=replace(LOW, ph=8.4))
    assert line.take(now + 15 * DAY + MINUTE, ph).advice.dose_l > late
    none = replace(facts, dosing=replace(LOW, ph=3.0))
    assert line.take(now + 15 * DAY + MINUTE, none).advice.reason is NoDose.PH_RISE_CAP


@pytest.mark.parametrize("water_c", [16.0, 20.0, 25.0, 28.0, 31.0])
def test_the_ph_cap_is_that_of_the_water_as_warm_as_it_is(water_c: float) -> None:
    """2300 umol/kg at 35 PSU and 8.06 on the total scale: PyCO2SYS at that temperature.

    It says what a probe calibrated with buffers shows then; 1 %.
    """
    spec = replace(SPEC, most_ph_rise=0.1)
    ph_total = 8.06
    density = float(gsw.rho(gsw.SR_from_SP(35.0), water_c, 0.0)) / 1000.0
    dkh = 2.3 * density * 2.80387
    before = PyCO2SYS.sys(
        par1=2300.0, par1_type=1, par2=ph_total, par2_type=3, salinity=35.0, temperature=water_c
    )
    most_l = spec.most_for_ph_l(0.1, float(before["pH_nbs"]), dkh, 25.0, water_c)
    added = most_l * 0.0406e6 / (450.0 * density)
    after = PyCO2SYS.sys(
        par1=2300.0 + added, par1_type=1, par2=float(before["dic"]), par2_type=2,
        salinity=35.0, temperature=water_c,
    )  # fmt: skip
    assert float(after["pH_total"]) - ph_total == pytest.approx(0.1, rel=0.01)


def test_the_ph_cap_follows_the_waters_thermometer() -> None:
    """At the half kelvin below, where the cap is lower; 25 degC where nobody knows."""
    spec = replace(SPEC, most_ph_rise=0.002)
    dkh, ph = spec.target_dkh, 8.2
    dosing = replace(LOW, ph=ph)
    line = _settled(spec, LineFacts(dosing, 0.0))

    def room_l(water_c: float | None) -> float:
        facts = LineFacts(dosing, 0.0, water_temp_c=water_c)
        return line.take(3.0 * HOUR + MINUTE, facts).advice.dose_l

    for shown_c, water_c in (
        (18.0, 18.0), (28.4, 28.0), (35.0, 35.0), (None, 25.0), (-127.0, 25.0), (85.0, 25.0),
    ):  # fmt: skip
        expected = spec.most_for_ph_l(0.002, ph, dkh, None, water_c)
        assert room_l(shown_c) == pytest.approx(expected), shown_c
    assert room_l(18.0) != pytest.approx(room_l(28.0), rel=0.05)
    taken, missed = (spec.most_for_ph_l(0.002, ph, dkh, None, at_c) for at_c in (28.0, 28.5))
    assert 1.0 < missed / taken < 1.015


def test_brackish_water_has_no_ph_cap() -> None:
    with pytest.raises(InputError):
        replace(SPEC, salinity=10.0, most_ph_rise=0.1)
    replace(SPEC, salinity=10.0)
    with pytest.raises(InputError):
        replace(SPEC, system_l=0.0)


def test_proposed_ceiling_and_surface() -> None:
    """Twice the day's cap in 24 h; a box of 30 cm by 60 cm has 0.18 m2."""
    day_l = proposed_caps_l(450.0)[2]
    assert proposed_ceiling_l_per_h(450.0) == pytest.approx(day_l / 12.0)
    assert area_m2(Box(0.6, 0.3, 0.4), 0.2) == pytest.approx(0.18)


# Alkalinity far above the target


def test_a_test_far_above_the_target_ends_the_dose_until_another_one() -> None:
    """8 dKH are wanted; 2 above is two days of the change animals bear (common practice)."""
    line = _settled()
    now = 3.0 * HOUR
    facts = LineFacts(LOW, 0.0)
    line.record_test(now, 9.9)
    assert line.take(now + MINUTE, facts).advice.reason is NoDose.NONE
    line.record_test(now + MINUTE, 10.0)
    advice = line.take(now + 2 * MINUTE, facts).advice
    assert advice.reason is NoDose.ALKALINITY_HIGH
    assert (advice.dose_l, advice.rate_l_per_h) == (0.0, 0.0)
    assert not advice.is_at_ceiling
    # The newest counts, and whichever line of the system it was noted on.
    other = replace(facts, others_test=TestResult(now + 3 * MINUTE, 8.0))
    assert line.take(now + 4 * MINUTE, other).advice.reason is NoDose.NONE
    older = replace(facts, others_test=TestResult(now, 8.0))
    assert line.take(now + 4 * MINUTE, older).advice.reason is NoDose.ALKALINITY_HIGH
    assert line.last_test == TestResult(now + MINUTE, 10.0)
    line.record_test(now + 5 * MINUTE, 8.0)
    high = replace(facts, others_test=TestResult(now + 6 * MINUTE, 12.0))
    assert line.take(now + 7 * MINUTE, facts).advice.reason is NoDose.NONE
    assert line.take(now + 7 * MINUTE, high).advice.reason is NoDose.ALKALINITY_HIGH


def test_a_test_of_a_fortnight_ago_says_nothing_of_now() -> None:
    high = TestResult(0.0, 11.0)
    assert is_far_above(high, 14.0 * DAY, 8.0)
    assert not is_far_above(high, 14.0 * DAY + 1.0, 8.0)
    assert not is_far_above(None, 0.0, 8.0)


# What was typed in and taken back


def test_what_was_typed_in_is_taken_back_and_no_dose_of_the_pump() -> None:
    """60 mL pumped and 250 by hand within five minutes, of 300 mL an hour."""
    line = _settled()
    now = 3.0 * HOUR
    line.take(now, LineFacts(LOW, 0.0, flow_l_per_h=3.6))
    line.take(now + MINUTE, LineFacts(LOW, 0.0))
    before = line.snapshot()
    line.record_dose(now + 2 * MINUTE, 0.25)
    line.record_test(now + 3 * MINUTE, 8.2)
    line.record_rise(now + 4 * MINUTE, 0.3)
    assert line.take(now + 5 * MINUTE, LineFacts(LOW, 0.0)).advice.reason is NoDose.HOUR_CAP
    assert line.typed == [
        TypedEntry(TypedKind.DOSE, now + 2 * MINUTE, 0.25),
        TypedEntry(TypedKind.ALKALINITY, now + 3 * MINUTE, 8.2),
        TypedEntry(TypedKind.RISE, now + 4 * MINUTE, 0.3),
    ]
    again = LimewaterLine(SPEC)
    again.restore(line.snapshot())
    assert again.typed == line.typed
    assert again.given_l(now + 5 * MINUTE, HOUR) == pytest.approx(0.31)
    for entry in line.typed:
        line.take_back(entry)
    assert line.typed == []
    after = line.snapshot()
    assert after["adjuster"]["doses"] == before["adjuster"]["doses"]
    assert after["alkalinity"] == before["alkalinity"]
    view = line.take(now + 5 * MINUTE, LineFacts(LOW, 0.0))
    assert view.given_24h_l == pytest.approx(0.06)
    assert view.advice.reason is NoDose.NONE
    # What is not there is not taken from anything else.
    line.take_back(TypedEntry(TypedKind.DOSE, now + MINUTE, 0.06))
    line.take_back(TypedEntry(TypedKind.RISE, now, 0.06))
    line.take_back(TypedEntry(TypedKind.ALKALINITY, now, 8.0))
    assert line.given_l(now + 5 * MINUTE, HOUR) == pytest.approx(0.06)


def test_a_dose_taken_back_takes_its_alkalinity_with_it() -> None:
    """A wrong 10 L, which is 2.65 dKH in 450 L, would feign as much consumption."""
    line = LimewaterLine(SPEC)
    line.take(0.0, LineFacts(LOW, 0.0))
    for day in range(3):
        line.record_test(day * DAY, 8.0)
    assert line.take(2.0 * DAY, LineFacts(LOW, 0.0)).consumption.dkh_per_day == pytest.approx(0.0)
    line.record_dose(1.5 * DAY, 10.0)
    assert line.take(2.0 * DAY, LineFacts(LOW, 0.0)).consumption.dkh_per_day > 1.0
    line.take_back(line.typed[-2])
    assert line.take(2.0 * DAY, LineFacts(LOW, 0.0)).consumption.dkh_per_day == pytest.approx(0.0)


def test_more_doses_by_hand_than_can_be_taken_back_still_count() -> None:
    """One of 10 mL every ten seconds for an hour and a half: 3.6 L an hour."""
    line = LimewaterLine(SPEC)
    for at in range(540):
        if at % 90 == 0:
            line.take(at * 10.0, LineFacts(LOW, 0.0, flow_l_per_h=0.36 if at == 90 else 0.0))
        line.record_dose(at * 10.0, 0.01)
    # 15 minutes at 0.36 L/h are 90 mL; the last of an hour begins after 5390 - 3600 s.
    assert line.given_l(5390.0, DAY) == pytest.approx(5.4 + 0.09)
    assert line.given_l(5390.0, HOUR) == pytest.approx(3.6 + 0.09, abs=0.3)  # steps of 5 minutes
    assert len([one for one in line.typed if one.kind is TypedKind.DOSE]) == 60
    rises = line.snapshot()["alkalinity"]
    assert len(rises["typed"]) == 60
    total = sum(rise for _, rise in rises["doses"]) + sum(row[2] for row in rises["typed"])
    meq_per_l = 40.6 * exp(0.009 * 5.0)  # at the 20 degC that are assumed
    assert total == pytest.approx((5.4 + 0.09) * meq_per_l / 450.0 * 2.80387, rel=1e-4)
    times = [when for when, _ in line.snapshot()["adjuster"]["doses"]]
    assert times == sorted(times)
    assert len(times) == len({when // 300.0 for when in times})


def test_additions_typed_in_by_a_clock_that_was_ahead_are_of_now() -> None:
    """As those of a pump; each keeps its name, so that it can be taken back."""
    log = AlkalinityLog()
    log.typed(10.0 * DAY, 0.5, is_limewater=False)
    log.typed(1.0 * DAY, 0.25, is_limewater=False)
    assert [one.dose.t_s for one in log.typed_doses] == [DAY, DAY]
    log.take_back_dose(10.0 * DAY, is_limewater=True)
    assert len(log.typed_doses) == 2
    log.take_back_dose(10.0 * DAY, is_limewater=False)
    assert [one.dose.rise_dkh for one in log.typed_doses] == [0.25]


def test_old_additions_are_forgotten_as_those_of_a_pump() -> None:
    log = AlkalinityLog()
    log.typed(0.0, 0.5, is_limewater=False)
    log.typed(22.0 * DAY, 0.25, is_limewater=False)
    assert [one.noted_s for one in log.typed_doses] == [22.0 * DAY]


def test_doses_that_left_the_log_are_not_offered() -> None:
    line = LimewaterLine(SPEC)
    line.record_dose(0.0, 0.01)
    line.record_dose(22.0 * DAY, 0.02)
    assert [one.value for one in line.typed] == [0.02]
    snapshot = line.snapshot()
    snapshot["adjuster"]["typed"] = []
    line.restore(snapshot)
    assert line.typed == []


@pytest.mark.parametrize(
    "broken",
    [
        {"adjuster": {"typed": None}}, {"adjuster": {"typed": [[1.0]]}},
        {"adjuster": {"typed": [["x", 1.0]]}}, {"alkalinity": {"typed": None}},
        {"alkalinity": {"typed": [[1.0, 1.0]]}},
        {"alkalinity": {"typed": [[1.0, 1.0, -1.0, True]]}},
        {"alkalinity": {"typed": [[1.0, 1.0, 1.0, 1]]}},
    ],
    ids=str,
)  # fmt: skip
def test_damaged_entries_are_no_ledger(broken: dict[str, Any]) -> None:
    line = LimewaterLine(SPEC)
    line.record_dose(DAY, 0.06)
    whole = line.snapshot()
    spoilt = {name: part | broken.get(name, {}) for name, part in whole.items()}
    with pytest.raises(ValueError, match=r"list|number|below|typed"):
        line.restore(spoilt)
    assert line.snapshot() == whole


def test_a_ledger_of_the_trial_versions_is_taken_up() -> None:
    line = LimewaterLine(SPEC)
    old = line.snapshot()
    for name in ("adjuster", "alkalinity"):
        del old[name]["typed"]
    old["adjuster"]["doses"] = [[DAY, 0.06]]
    line.restore(old)
    assert line.given_l(DAY, HOUR) == pytest.approx(0.06)
    assert line.typed == []


# Ledger


def test_what_the_pump_gives_fills_the_ledger_and_leads_to_the_cap() -> None:
    """0.36 L/h: 0.3 L of an hour are reached after 50 minutes."""
    line = _settled()
    start = 3.0 * HOUR
    for minute in range(61):
        view = line.take(start + minute * MINUTE, LineFacts(LOW, 0.0, flow_l_per_h=0.36))
        assert (view.advice.reason is NoDose.HOUR_CAP) == (minute >= 50)
    assert line.pump_l_per_h == pytest.approx(0.36)
    assert view.given_24h_l == pytest.approx(0.36)
    assert view.given_today_l == pytest.approx(0.36)
    morning = LineFacts(LOW, day_start_s=start + 30 * MINUTE)
    today = line.take(start + HOUR, replace(morning, flow_l_per_h=0.0)).given_today_l
    assert today == pytest.approx(0.18, abs=0.031)  # doses of five minutes are one


def test_the_ledger_keeps_few_entries_and_a_long_day() -> None:
    adjuster = DoseAdjuster(DOSING)
    for step in range(26 * 120):
        adjuster.dosed(30.0 * step, 0.001)
        adjuster.look(30.0 * step, LOW)
    assert len(adjuster.snapshot()["doses"]) <= 25 * 12 + 1
    assert adjuster.given_l(26 * HOUR, 25 * HOUR) == pytest.approx(3.0, abs=0.011)


def test_hand_doses_count_and_a_restart_forgets_nothing() -> None:
    line = _settled()
    line.record_dose(2.0 * HOUR, 0.1)
    line.record_rise(2.0 * HOUR, 0.5)
    line.record_test(2.0 * HOUR, 8.0)
    line.take(3.0 * HOUR, LineFacts(LOW, 0.0, flow_l_per_h=0.36))
    after = LimewaterLine(SPEC)
    after.restore(line.snapshot())
    view = after.take(3.5 * HOUR, LineFacts(LOW, 0.0, flow_l_per_h=0.0))
    assert view.given_24h_l == pytest.approx(0.1 + 0.18)
    assert after.snapshot()["alkalinity"]["tests"] == [[2.0 * HOUR, 8.0]]
    for refuse in (line.record_dose, line.record_rise, line.record_test):
        with pytest.raises(InputError):
            refuse(0.0, 0.0)


def test_a_lost_ledger_counts_as_a_full_day() -> None:
    line = _settled()
    line.suppose_day_used_up(3.0 * HOUR)
    facts = LineFacts(LOW, 0.0)
    assert line.take(3.0 * HOUR, facts).advice.reason is NoDose.DAY_CAP
    assert line.take(26.9 * HOUR, facts).advice.reason is NoDose.DAY_CAP
    assert line.take(27.1 * HOUR, facts).advice.reason is NoDose.NONE


@pytest.mark.parametrize(
    "broken",
    [{"adjuster": None}, {"meter": {}}, {"alkalinity": {"tests": [[0.0, 8.0]], "doses": 3}},
     {"alkalinity": {"tests": [[0.0, nan]], "doses": []}},
     {"alkalinity": {"tests": [[0.0]], "doses": []}},
     {"alkalinity": {"tests": [], "doses": [[0.0, -1.0]]}}],
    ids=str,
)  # fmt: skip
def test_damaged_memory_is_refused_whole(broken: dict[str, Any]) -> None:
    line = _settled()
    line.record_dose(3.0 * HOUR, 0.1)
    good = line.snapshot()
    with pytest.raises(ValueError, match=r"missing|number|pairs|below"):
        line.restore(good | broken)
    assert line.snapshot() == good


# What it brings


def test_alkalinity_and_calcium_of_the_rate() -> None:
    """At 25 degC 24 h of the rate bring 40.6 meq/L and 813.6 mg/L of it (Bates et al. 1956)."""
    view = _settled().take(3.0 * HOUR, LineFacts(LOW, 0.0, stock_temp_c=25.0))
    day_l = 24.0 * view.advice.rate_l_per_h
    assert view.brings_dkh_per_day == pytest.approx(day_l * 40.6 * 2.80387 / 450.0, rel=1e-4)
    assert view.brings_calcium_mg_per_l_per_day == pytest.approx(day_l * 813.6 / 450.0, rel=1e-4)
    assert view.stock is None
    assert view.delivery is Delivery.UNKNOWN


@pytest.mark.parametrize(
    ("conductivity", "stock", "share"),
    [(8.634, Stock.SATURATED, 1.0), (6.603, Stock.WEAK, 0.75), (2.335, Stock.SPENT, 0.25)],
)
def test_strength_of_the_stock(conductivity: float, stock: Stock, share: float) -> None:
    """PHREEQC with the Pitzer database: 8.634, 6.603 and 2.335 mS/cm at 25 degC."""
    facts = LineFacts(LOW, 0.0, stock_temp_c=25.0, stock_ms_per_cm=conductivity)
    view = _settled().take(3.0 * HOUR, facts)
    assert view.stock is stock
    assert view.strength_frac == pytest.approx(share, abs=1e-3)
    full = _settled().take(3.0 * HOUR, replace(facts, stock_ms_per_cm=None))
    assert view.brings_dkh_per_day == pytest.approx(share * full.brings_dkh_per_day, abs=1e-3)


def test_a_dose_of_a_weak_stock_is_known_for_what_it_brought() -> None:
    """6.603 mS/cm at 25 degC are 0.75 of 40.6 meq/L: 1 L into 450 L raises 0.1897 dKH."""
    line = _settled()
    line.take(3.0 * HOUR, LineFacts(LOW, 0.0, stock_temp_c=25.0, stock_ms_per_cm=6.603))
    line.record_dose(3.0 * HOUR, 1.0)
    ((_, _, dkh, is_limewater),) = line.snapshot()["alkalinity"]["typed"]
    assert is_limewater
    assert dkh == pytest.approx(0.75 * 40.6 / 450.0 * 2.80387, rel=1e-3)


@pytest.mark.parametrize(
    ("facts", "text"),
    [
        (LineFacts(LOW, 0.0, stock_temp_c=77.0), "looks like degF"),
        (LineFacts(LOW, 0.0, stock_ms_per_cm=8634.0), "looks like uS/cm"),
    ],
)
def test_a_measurement_no_stock_has_is_told_and_not_taken(facts: LineFacts, text: str) -> None:
    view = _settled().take(3.0 * HOUR, facts)
    assert view.refused is not None
    assert text in view.refused
    assert view.stock is None


def test_an_empty_stock_gives_no_dose() -> None:
    facts = LineFacts(LOW, 0.0, stock_l=1.0, stock_usable_l=0.0)
    line = _settled(replace(SPEC, stock_l_per_m=40.0))
    view = line.take(3.0 * HOUR, facts)
    assert view.advice.reason is NoDose.STOCK_EMPTY
    assert view.delivery is Delivery.STOCK_EXHAUSTED


# Delivery


def _draw(share: float) -> Delivery:
    """A line of 0.3 L/h for five hours; of it a share leaves a stock of 0.04 m2."""
    line = LimewaterLine(replace(SPEC, stock_l_per_m=40.0))
    given = 0.0
    for minute in range(301):
        facts = LineFacts(
            LOW, 0.0, flow_l_per_h=0.3, stock_l=10.0 - share * given, stock_usable_l=8.0
        )
        seen = line.take(minute * MINUTE, facts).delivery
        given += 0.3 / 60.0
    return seen


def test_a_clogged_pump_is_told_from_one_that_delivers() -> None:
    """Conservation of volume: 1.5 L are told, a level to 1 mm says 0.04 L."""
    assert _draw(1.0) is Delivery.ARRIVING
    assert _draw(0.0) is Delivery.PUMP_CLOGGED


def test_a_stock_that_was_filled_or_is_not_known_starts_anew() -> None:
    watch = DeliveryWatch(40.0)
    assert watch.take(0.0, 10.0, 8.0) is Delivery.UNKNOWN
    watch.dosed(1.0)
    assert watch.take(HOUR, 10.0, 8.0) is Delivery.PUMP_CLOGGED
    assert watch.take(HOUR, None, None) is Delivery.UNKNOWN
    assert watch.take(2 * HOUR, 12.0, 10.0) is Delivery.UNKNOWN
    watch.dosed(1.0)
    assert watch.take(3 * HOUR, 11.0, 9.0) is Delivery.ARRIVING
    assert watch.take(2.5 * HOUR, 11.0, 9.0) is Delivery.UNKNOWN
    # A day later the old command no longer counts.
    watch.dosed(1.0)
    for hour in range(4, 26):
        seen = watch.take(hour * HOUR, 11.0, 9.0)
    assert seen is Delivery.PUMP_CLOGGED
    for hour in range(26, 60):
        seen = watch.take(hour * HOUR, 11.0, 9.0)
    assert seen is Delivery.UNKNOWN


# Tests typed in


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        (8.0, AlkalinityUnit.DKH),
        (2.853199, AlkalinityUnit.MEQ_PER_L),
        (142.7839, AlkalinityUnit.PPM),
    ],
)
def test_eight_degrees_in_every_unit(value: float, unit: AlkalinityUnit) -> None:
    """1 dKH is 10 mg/L of CaO: 8 dKH are 2.853199 meq/L and 142.7839 mg/L of CaCO3."""
    assert in_dkh(value, unit) == pytest.approx(8.0, rel=1e-5)


def test_consumption_is_the_robust_slope_corrected_by_doses() -> None:
    """Results fall by 0.1 dKH a day while 0.4 are dosed: consumed are 0.5 (scipy's Theil-Sen)."""
    log = AlkalinityLog()
    results = [8.00, 7.92, 7.78, 7.71, 7.61, 9.50, 7.39]  # one of them wrong
    for day, result in enumerate(results):
        log.tested(day * DAY, result)
        for hour in range(24):
            log.dosed(day * DAY + (hour + 0.5) * HOUR, 0.4 / 24.0)
            log.dosed(day * DAY + (hour + 0.6) * HOUR, 0.0)
    slope = theilslopes([r - 0.4 * day for day, r in enumerate(results)], range(7)).slope
    found = log.consumption(7 * DAY)
    assert found is not None
    assert found.dkh_per_day == pytest.approx(-slope, abs=1e-6)
    assert found.dkh_per_day == pytest.approx(0.5, abs=0.02)
    # Back from 7.39 to 8 in a week: 0.61 / 7 a day more.
    assert log.to_hold(7 * DAY, 8.0) == pytest.approx(found.dkh_per_day + 0.61 / 7.0, abs=1e-6)
    assert log.to_hold(7 * DAY, 15.0) == 1.0
    assert len(log.snapshot()["doses"]) == 7 * 24


def test_too_few_results_say_nothing_and_old_ones_go() -> None:
    log = AlkalinityLog()
    assert log.last is None
    assert log.to_hold(0.0, 8.0) is None
    for day in range(3):
        log.tested(day * DAY, 8.0)
        log.dosed(day * DAY, 0.1)
    assert log.to_hold(2 * DAY, 8.0) == pytest.approx(0.1)
    log.tested(22.5 * DAY, 8.0)
    log.dosed(23.5 * DAY, 0.1)
    assert [test[0] for test in log.snapshot()["tests"]] == [2 * DAY, 22.5 * DAY]
    assert len(log.snapshot()["doses"]) == 1
    assert log.consumption(23.5 * DAY) is None


@pytest.mark.parametrize("every_days", [7, 10])
def test_consumption_does_not_sink_between_results(every_days: int) -> None:
    """1 dKH a day is dosed and the results stay at 8: 1 dKH a day is consumed, by construction."""
    log, days, ended = AlkalinityLog(), 3 * every_days, 0
    for hour in range(24 * (days + 20)):
        now = hour * HOUR
        if hour % (24 * every_days) == 0 and hour <= 24 * days:
            log.tested(now, 8.0)
        log.dosed(now + 1.0, 1.0 / 24.0)
        found, hold = log.consumption(now + 1.0), log.to_hold(now + 1.0, 8.0)
        if hour < 24 * 2 * every_days:
            continue  # three results
        if found is None:
            ended = ended or hour
            assert hold is None
            continue
        assert not ended
        assert found.dkh_per_day == pytest.approx(1.0, abs=0.01)
        assert hold == pytest.approx(1.0, abs=0.01)
    # The latest result counts for a fortnight.
    assert ended == 24 * (days + 14)
    assert len(log.snapshot()["doses"]) <= 24 * 36


def test_a_result_of_more_than_a_fortnight_ago_tells_no_consumption() -> None:
    """Three results within three days: 14 days later they are too old, not only too few."""
    log = AlkalinityLog()
    for day in range(3):
        log.tested(day * DAY, 8.0)
    assert log.consumption(16 * DAY) is not None
    assert log.consumption(16 * DAY + 1.0) is None


def test_the_view_tells_what_would_hold() -> None:
    """0.2 dKH a day in 450 L are 32.1 meq; 0.79 L of limewater at 25 degC."""
    line = _settled()
    for day in range(4):
        line.record_test(day * DAY, 8.0 - 0.2 * day)
    facts = LineFacts(LOW, 3 * DAY, stock_temp_c=25.0)
    view = line.take(3 * DAY, facts)
    assert view.consumption is not None
    assert view.consumption.dkh_per_day == pytest.approx(0.2)
    hold = 0.2 + 0.6 / 7.0
    assert view.hold_dkh_per_day == pytest.approx(hold)
    assert view.hold_l_per_day == pytest.approx(hold / 2.80387 * 450.0 / 40.6, rel=1e-4)
    spent = line.take(3 * DAY + MINUTE, replace(facts, stock_ms_per_cm=0.0))
    assert spent.hold_l_per_day is None
