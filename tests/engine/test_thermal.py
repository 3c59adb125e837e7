"""Heat of a tank: gsw, worked exponentials, the alarm test vector, and an independent tank."""

from dataclasses import replace
from math import exp, inf, nan, pi, sin
from random import Random
from typing import Any

import gsw
import pytest
from custom_components.stillwell.engine import thermal
from custom_components.stillwell.engine.alarm import AlarmSpec, DelayedAlarm
from custom_components.stillwell.engine.cut_out import CutOut, CutOutFacts
from custom_components.stillwell.engine.heater_watch import (
    HeaterVerdict,
    HeaterWatch,
    ThermalSpec,
    ThermalView,
    regulating_power_w,
)
from custom_components.stillwell.engine.invalid import Code
from custom_components.stillwell.engine.temp_history import TempHistory
from custom_components.stillwell.engine.validity import InputError, InputFault
from tests.simulator.tank import Tank

HOUR = 3600.0

# Physics


@pytest.mark.parametrize(("salinity", "temp_c"), [(30.0, 25.0), (35.0, 20.0), (40.0, 32.0)])
def test_heat_of_a_litre_is_that_of_gsw(salinity: float, temp_c: float) -> None:
    """TEOS-10 heat capacity times density; one constant for all, so 0.4 %."""
    absolute = salinity * 35.16504 / 35.0
    per_kg = float(gsw.cp_t_exact(absolute, temp_c, 0.0))
    per_l = per_kg * float(gsw.rho_t_exact(absolute, temp_c, 0.0)) / 1000.0
    assert pytest.approx(per_l, rel=4e-3) == thermal.HEAT_J_PER_L_K


@pytest.mark.parametrize(
    ("power_w", "volume_l", "k_per_h"),
    [(300.0, 300.0, 0.879695), (300.0, 500.0, 0.527817), (200.0, 75.0, 2.345853)],
)
def test_adiabatic_rate(power_w: float, volume_l: float, k_per_h: float) -> None:
    """P / (V rho cp) with gsw's properties at 25 degC; the constant has four digits."""
    assert thermal.adiabatic_k_per_h(power_w, volume_l) == pytest.approx(k_per_h, rel=2e-4)


@pytest.mark.parametrize(
    ("loss", "after_1", "after_6", "after_12"),
    [(15.0, 25.7418, 24.6083, 23.5393)],
)
def test_cooling_from_26_to_a_room_of_20(
    loss: float, after_1: float, after_6: float, after_12: float
) -> None:
    """Lumped capacity worked for 300 L, 1227.698 kJ/K; four decimals."""
    tau = 1227698.0 / loss
    for hours, expected in ((1.0, after_1), (6.0, after_6), (12.0, after_12)):
        found = thermal.temp_after_c(26.0, 20.0, tau, hours * HOUR)
        assert found == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    ("loss", "to_28_h", "to_30_h"), [(8.0, 2.80, 5.79), (15.0, 3.50, 7.65), (25.0, 5.53, 14.99)]
)
def test_stuck_heater_meets_limits(loss: float, to_28_h: float, to_30_h: float) -> None:
    """300 W into 300 L in a room of 20 degC, from 26 degC; worked, two decimals."""
    tau = 1227698.0 / loss
    rest = thermal.rest_temp_c(20.0, 300.0, loss)
    slope = (rest - 26.0) / tau
    for limit, hours in ((28.0, to_28_h), (30.0, to_30_h)):
        found = thermal.time_to_limit_s(26.0, limit, slope, tau)
        assert found is not None
        assert found / HOUR == pytest.approx(hours, abs=0.006)
        straight = thermal.time_to_limit_s(26.0, limit, slope)
        assert straight is not None
        assert straight <= found


def test_limits_that_are_not_met() -> None:
    assert thermal.time_to_limit_s(26.0, 28.0, -1e-5) is None
    assert thermal.time_to_limit_s(26.0, 26.0, 1e-5) == 0.0
    assert thermal.time_to_limit_s(26.0, 28.0, 1.0 / HOUR, HOUR) is None  # it rests at 27


def test_time_constant_from_a_slope() -> None:
    assert thermal.time_constant_s(26.0, 20.0, -6.0 / HOUR) == pytest.approx(HOUR)
    assert thermal.time_constant_s(26.0, 20.0, 1e-4) is None
    assert thermal.time_constant_s(26.0, 20.0, 0.0) is None


def test_refusals() -> None:
    with pytest.raises(InputError) as caught:
        thermal.temp_after_c(78.0, 20.0, HOUR, HOUR)
    assert caught.value.fault is InputFault.FAHRENHEIT
    with pytest.raises(InputError):
        thermal.adiabatic_k_per_h(0.0, 300.0)
    with pytest.raises(InputError, match="upside down"):
        ThermalSpec(27.0, 24.0)
    with pytest.raises(InputError) as caught:
        HeaterWatch(ThermalSpec(24.0, 27.0)).take(0.0, 78.0, is_on=False)
    assert caught.value.fault is InputFault.FAHRENHEIT


# Alarm


def test_alarm_vector_with_dead_band_and_delays() -> None:
    """ISA-18.2 semantics by hand: limit 100, dead band 5, 60 s both ways, 30 s samples."""
    values = [95, 101, 99, 100, 102, 103, 101, 98, 96, 95, 94.9, 94, 96, 94, 93, 92, 91, 100,
              101, 101]  # fmt: skip
    states = [0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 1]
    alarm = DelayedAlarm(AlarmSpec(100.0, 5.0))
    assert [int(alarm.take(30.0 * i, value)) for i, value in enumerate(values)] == states
    low = DelayedAlarm(AlarmSpec(-100.0, 5.0, is_high=False))
    assert [int(low.take(30.0 * i, -value)) for i, value in enumerate(values)] == states


def test_alarm_with_gaps_and_a_clock_set_back() -> None:
    alarm = DelayedAlarm(AlarmSpec(100.0))
    assert not alarm.take(0.0, 101.0)
    assert not alarm.take(30.0, None)
    assert not alarm.take(60.0, 101.0)
    assert not alarm.take(20.0, 101.0)
    assert not alarm.take(60.0, 101.0)
    assert alarm.take(80.0, 101.0)
    assert alarm.take(90.0, None)
    for bad in (
        {"limit": nan}, {"limit": 1.0, "dead_band": -1.0}, {"limit": 1.0, "on_delay_s": -1.0},
        {"limit": 1.0, "off_delay_s": -1.0},
    ):  # fmt: skip
        with pytest.raises(InputError):
            AlarmSpec(**bad)


# The watch, against the independent tank

SPEC = ThermalSpec(24.5, 27.0, power_w=300.0, volume_l=300.0)


def _run(
    watch: HeaterWatch, tank: Tank, hours: float, until: HeaterVerdict | None = None
) -> list[ThermalView]:
    """Report every minute; the room is measured where the heater's power is known."""
    views = []
    for _ in range(int(hours * 60)):
        tank.step()
        seen = tank.seen_temp_c()
        room_c = None if watch.spec.power_w is None else round(tank.air_c, 1)
        views.append(watch.take(tank.t_s, seen, is_on=tank.is_commanded_on, room_c=room_c))
        if views[-1].heater is until:
            break
    return views


@pytest.mark.parametrize("spec", [SPEC, ThermalSpec(24.5, 27.0)], ids=["power", "learned"])
def test_a_healthy_week_raises_nothing(spec: ThermalSpec) -> None:
    watch, tank = HeaterWatch(spec), Tank()
    views = _run(watch, tank, 24.0 * 7)
    assert {view.heater for view in views} <= {HeaterVerdict.UNKNOWN, HeaterVerdict.NORMAL}
    assert not any(view.is_low or view.is_high for view in views)
    last = views[-1]
    duty = tank.heat_j / 300.0 / tank.t_s
    assert last.duty_frac == pytest.approx(duty, rel=0.05)  # its day against the whole week
    # The thermostat's band is 0.2 K; noise, step and coasting add less than as much again.
    assert last.swing_k is not None
    assert 0.2 <= last.swing_k <= 0.45
    # The thermostat switches on at 25.4: at most the swing's excess below it.
    assert last.lowest_c is not None
    assert 25.15 <= last.lowest_c <= 25.45


@pytest.mark.parametrize("spec", [SPEC, ThermalSpec(24.5, 27.0)], ids=["power", "learned"])
def test_a_dead_heater_is_named_before_the_band_is_left(spec: ThermalSpec) -> None:
    watch, tank = HeaterWatch(spec), Tank()
    _run(watch, tank, 48.0)
    tank.is_heater_dead = True
    views = _run(watch, tank, 24.0, HeaterVerdict.DEAD)
    assert views[-1].heater is HeaterVerdict.DEAD
    assert tank.temp_c > spec.low_c
    assert views[-1].to_limit_s is not None
    assert not any(view.heater is HeaterVerdict.STUCK_ON for view in views)
    tank.is_heater_dead = False
    assert _run(watch, tank, 6.0, HeaterVerdict.NORMAL)[-1].heater is HeaterVerdict.NORMAL


@pytest.mark.parametrize("spec", [SPEC, ThermalSpec(24.5, 27.0)], ids=["power", "learned"])
def test_a_heater_stuck_on_is_named_before_the_band_is_left(spec: ThermalSpec) -> None:
    watch, tank = HeaterWatch(spec), Tank()
    _run(watch, tank, 48.0)
    tank.is_heater_stuck = True
    views = _run(watch, tank, 24.0, HeaterVerdict.STUCK_ON)
    assert views[-1].heater is HeaterVerdict.STUCK_ON
    assert tank.temp_c < spec.high_c
    assert not any(view.heater is HeaterVerdict.DEAD for view in views)


def test_a_heater_that_runs_long_in_a_cold_room_raises_nothing() -> None:
    watch, tank = HeaterWatch(SPEC), Tank()
    _run(watch, tank, 48.0)
    tank.room_c, tank.room_swing_k = 6.0, 0.0
    tank.humidity_frac = 0.6
    views = _run(watch, tank, 48.0)
    assert views[-1].duty_frac is not None
    assert views[-1].duty_frac > 0.8
    assert {view.heater for view in views} == {HeaterVerdict.NORMAL}


def test_a_warm_room_is_no_stuck_heater_and_a_water_change_no_dead_one() -> None:
    watch, tank = HeaterWatch(SPEC), Tank()
    _run(watch, tank, 48.0)
    tank.room_c = 27.5
    tank.humidity_frac = 0.8
    views = _run(watch, tank, 24.0)
    assert HeaterVerdict.STUCK_ON not in {view.heater for view in views}
    tank.room_c, tank.humidity_frac = 21.0, 0.5
    _run(watch, tank, 48.0)
    tank.temp_c -= 0.6
    views = _run(watch, tank, 6.0)
    assert HeaterVerdict.DEAD not in {view.heater for view in views}


def test_a_fall_with_the_heater_on_says_nothing_before_there_is_something_to_compare() -> None:
    watch = HeaterWatch(SPEC)
    views = [watch.take(60.0 * i, 26.0 - i * 0.005, is_on=True) for i in range(120)]
    assert {view.heater for view in views} == {HeaterVerdict.UNKNOWN}


def test_exactly_0_is_an_unplugged_probe_and_no_water() -> None:
    """As a level strip reads exactly 0 when it is unplugged (common practice, no source)."""
    watch = HeaterWatch(SPEC)
    watch.take(0.0, 25.4, is_on=None)
    with pytest.raises(InputError) as caught:
        watch.take(60.0, 0.0, is_on=None)
    assert caught.value.code is Code.NOT_ABOVE_0
    assert watch.take(120.0, 25.5, is_on=None).swing_k == pytest.approx(0.1)


def test_leaving_the_band_alarms_with_its_delay() -> None:
    watch = HeaterWatch(ThermalSpec(24.0, 27.0))
    assert watch.take(0.0, 27.5, is_on=False).to_limit_s == 0.0
    assert not watch.take(240.0, 27.5, is_on=False).is_high
    assert watch.take(300.0, 27.5, is_on=False).is_high
    assert watch.take(400.0, 26.9, is_on=False).is_high
    view = watch.take(800.0, None, is_on=None)
    assert view.is_high
    assert view.temp_c is None
    assert view.to_limit_s is None
    assert view.heater is HeaterVerdict.UNKNOWN


def test_without_history_a_rise_with_the_heater_off_says_nothing() -> None:
    watch = HeaterWatch(ThermalSpec(20.0, 30.0))
    views = [watch.take(60.0 * i, 25.0 + i * 0.01, is_on=False, room_c=25.0) for i in range(120)]
    assert {view.heater for view in views} == {HeaterVerdict.UNKNOWN}
    assert views[-1].to_limit_s == pytest.approx((30.0 - 26.19) / 0.01 * 60.0, rel=0.01)
    # Its tau is not learned from a rise, nor from a fall away from the room's temperature.
    for i in range(120, 240):
        watch.take(60.0 * i, 26.2 - (i - 120) * 0.01, is_on=None, room_c=25.0)


def test_an_off_phase_that_leads_away_from_the_room_teaches_no_time_constant() -> None:
    watch = HeaterWatch(ThermalSpec(20.0, 30.0))
    t = 0.0
    for _ in range(4):
        for is_on, rate in ((False, -0.005), (True, 0.01)):
            for i in range(40):
                t += 60.0
                watch.take(t, 25.0 + rate * i, is_on=is_on, room_c=28.0)
    view = watch.take(t + 60.0, 25.0, is_on=True, room_c=28.0)
    assert view.time_constant_s is None


def test_time_constant_is_learned_from_off_phases() -> None:
    """3600 s times 20: the water falls towards the room exponentially whenever it is off."""
    watch, tau, t = HeaterWatch(ThermalSpec(20.0, 30.0)), 20.0 * HOUR, 0.0
    for _ in range(4):
        for i in range(90):
            t += 60.0
            watch.take(t, 20.0 + 6.0 * exp(-60.0 * i / tau), is_on=False, room_c=20.0)
        for i in range(30):
            t += 60.0
            watch.take(t, 25.5 + i / 60.0, is_on=True, room_c=20.0)
    found = watch.take(t + 60.0, 26.0, is_on=False, room_c=20.0).time_constant_s
    # The phase's mean slope is set against its last temperature: 4 K-hours in 80 h.
    assert found == pytest.approx(tau, rel=0.05)


def test_a_watch_comes_back_from_its_snapshot() -> None:
    watch, tank = HeaterWatch(SPEC), Tank()
    _run(watch, tank, 48.0)
    other = HeaterWatch(SPEC)
    other.restore(watch.snapshot())
    assert other.snapshot() == watch.snapshot()


@pytest.mark.parametrize(
    "broken",
    [
        {"on": None}, {"on": ["x"]}, {"off": [True]}, {"taus": [inf]}, {"history": None},
        {"peaks": 3}, {"peaks": [[1.0]]}, {"peaks": ["x"]}, {"peaks_since": "x"},
        {"off_at": None}, {"drops": [nan]},
        {"history": {"hours": 3}}, {"history": {"hours": [[1.0]]}},
        {"history": {"hours": [[1.0, 2.0, 3.0, 4.0, "x"]]}},
        {"history": {"hours": [[1.0, 2.0, 3.0, 4.0, nan]]}},
    ],
    ids=str,
)  # fmt: skip
def test_a_damaged_snapshot_is_refused(broken: dict[str, Any]) -> None:
    watch = HeaterWatch(SPEC)
    with pytest.raises(ValueError, match=r"no number|no list|no hour"):
        watch.restore({"on": [], "off": [], "taus": [], "history": {"hours": []}} | broken)


def _lit_tank(
    tank: tuple[float, float, float, float], days: float, *, warm_c: float, weld_d: float = 1e9
) -> tuple[set[HeaterVerdict], float | None]:
    """Return the verdicts, and how warm it was when the circuit had to be off.

    One lump, C dT/dt = P + L - UA (T - Ta) (Incropera and DeWitt, ch. 5; 4.092 kJ/(L K) is
    TEOS-10's), lights from 10 to 20 h, a room of 20 degC and from the fifth day on another one.
    """
    volume_l, power_w, light_w, loss_w_per_k = tank
    random, temp_c, is_on = Random(1), 25.5, False
    watch = HeaterWatch(ThermalSpec(24.0, 28.0, power_w=power_w, volume_l=volume_l))
    cut_out, verdicts = CutOut(28.0), set()
    for minute in range(int(days * 1440)):
        day, t_s = minute / 1440, 60.0 * (minute + 1)
        room_c = (20.0 if day < 5.0 else warm_c) + sin(2.0 * pi * (day - 0.375))
        watts = light_w if 10 <= day % 1 * 24 < 20 else 0.0
        watts += power_w if is_on or day >= weld_d else 0.0
        temp_c += 60.0 * (watts - loss_w_per_k * (temp_c - room_c)) / (4092.0 * volume_l)
        seen_c = round(temp_c + random.gauss(0.0, 0.02), 1)
        is_on = seen_c <= 25.3 or (is_on and seen_c < 25.6)
        view = watch.take(t_s, seen_c, is_on=is_on)
        verdicts.add(view.heater)
        is_stuck = view.heater is HeaterVerdict.STUCK_ON
        facts = CutOutFacts(seen_c, t_s, view.is_high, is_stuck)
        if cut_out.take(t_s, facts, has_started=True).is_cut_out:
            return verdicts, temp_c
    return verdicts, None


@pytest.mark.parametrize(
    "tank",
    [(450.0, 200.0, 100.0, 20.0), (450.0, 450.0, 200.0, 25.0), (120.0, 100.0, 30.0, 8.0),
     (120.0, 50.0, 30.0, 6.0)],
    ids=str,
)  # fmt: skip
def test_lights_that_warm_the_water_are_no_stuck_heater(
    tank: tuple[float, float, float, float],
) -> None:
    """Litres, watts of heater and lights, W/K; a healthy heater is neither called stuck nor cut."""
    verdicts, cut_c = _lit_tank(tank, 8.0, warm_c=23.0)
    assert HeaterVerdict.STUCK_ON not in verdicts
    assert HeaterVerdict.NORMAL in verdicts
    assert cut_c is None


@pytest.mark.parametrize(
    ("tank", "weld_d", "is_told"),
    [((450.0, 200.0, 100.0, 20.0), 3.4, True), ((450.0, 200.0, 100.0, 20.0), 3.6, True),
     ((450.0, 450.0, 200.0, 25.0), 3.4, True), ((450.0, 450.0, 200.0, 25.0), 3.6, True),
     ((120.0, 100.0, 30.0, 8.0), 3.4, True), ((120.0, 50.0, 30.0, 6.0), 3.4, True),
     ((120.0, 50.0, 30.0, 6.0), 3.6, True),
     ((120.0, 100.0, 60.0, 8.0), 3.0, False), ((120.0, 100.0, 60.0, 8.0), 3.85, False),
     ((120.0, 100.0, 30.0, 8.0), 3.6, False)],
    ids=str,
)  # fmt: skip
def test_welded_contacts_are_cut_with_lights_too(
    tank: tuple[float, float, float, float], weld_d: float, *, is_told: bool
) -> None:
    """Told before the water is at the upper limit of 28 degC; where lights or the dark hide it
    from the slope, the limit cuts the circuit within a kelvin.
    """
    verdicts, cut_c = _lit_tank(tank, 5.0, warm_c=20.0, weld_d=weld_d)
    assert cut_c is not None
    assert cut_c < (28.0 if is_told else 29.0)
    assert HeaterVerdict.STUCK_ON in verdicts or not is_told


@pytest.mark.parametrize(("share", "is_told"), [(0.5, False), (0.8, True)])
def test_before_a_day_is_learned_only_a_rise_as_of_the_heater_tells(
    share: float, *, is_told: bool
) -> None:
    """With no stretch on before it, far beyond the switch point: lights nobody saw yet would do.

    The heater makes 1.2 K an hour of difference: 0.6 up with it, 0.6 down without.
    """
    watch, t_s = HeaterWatch(replace(SPEC, power_w=None)), 0.0
    for is_on, start_c, per_min in 3 * ((True, 25.0, 0.01), (False, 25.4, -0.01)):
        for minute in range(40):
            t_s += 60.0
            watch.take(t_s, start_c + per_min * minute, is_on=is_on)
    watch.take(t_s + 60.0, 25.9, is_on=None)
    rise = 1.2 * share / 60.0
    seen = {
        watch.take(t_s + 120.0 + 60.0 * i, 25.9 + rise * i, is_on=False).heater for i in range(100)
    }
    assert (HeaterVerdict.STUCK_ON in seen) is is_told


# History


def test_history_of_a_day() -> None:
    history = TempHistory()
    assert history.swing_k is None
    assert history.extremes_c is None
    assert history.duty_frac is None
    for minute in range(30 * 60):
        history.take(60.0 * minute, 25.0 if minute else 20.0, is_on=minute % 4 == 0)
    assert history.swing_k == 0.0  # the 20 degC are older than a day
    assert history.extremes_c == (25.0, 25.0)
    assert history.duty_frac == pytest.approx(0.25, abs=1e-3)
    history.take(30 * HOUR + 3 * HOUR, None, is_on=True)  # three hours unseen count for nothing
    assert history.duty_frac == pytest.approx(0.25, abs=2e-3)
    history.take(10.0, 24.0, is_on=True)
    assert history.duty_frac is None
    assert history.swing_k == 0.0
    assert history.slope_since(0.0) is None


def test_mean_power_of_a_heater_that_regulates() -> None:
    """300 W for 40 % of the time are 120 W; always on or always off it says nothing."""
    shown = replace(HeaterWatch(SPEC).take(0.0, 25.0, is_on=None), duty_frac=0.4)
    assert regulating_power_w(SPEC, shown) == pytest.approx(120.0)
    assert regulating_power_w(ThermalSpec(24.5, 27.0), shown) is None
    for duty_frac in (None, 0.0, 0.01, 0.99, 1.0):
        assert regulating_power_w(SPEC, replace(shown, duty_frac=duty_frac)) is None
