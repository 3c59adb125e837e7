"""Evaporation against psychrolib (ASHRAE), iapws (IF97), FAO-56 Table 2.3, gsw and Shah 2014."""

from math import exp, inf, nan
from typing import Any

import gsw
import psychrolib
import pytest
from custom_components.stillwell.engine import evaporation
from custom_components.stillwell.engine.evaporation import CoefficientLearner, Day
from custom_components.stillwell.engine.evaporation_reading import (
    EvaporationReading,
    Evidence,
    extra_heat_frac,
    ratio_of,
    read_evaporation,
)
from custom_components.stillwell.engine.salt_balance import SaltVerdict
from custom_components.stillwell.engine.validity import InputError, InputFault
from iapws import IAPWS97

psychrolib.SetUnitSystem(psychrolib.SI)
TEMPS_C = (5.0, 15.0, 20.0, 26.0, 30.0, 40.0)


@pytest.mark.parametrize("temp_c", TEMPS_C)
def test_saturation_pressure_is_that_of_psychrolib(temp_c: float) -> None:
    """The same formula (Hyland and Wexler); psychrolib adds a degree in its own way: 1e-6."""
    expected = psychrolib.GetSatVapPres(temp_c)
    assert evaporation.saturation_pa(temp_c) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("temp_c", TEMPS_C)
def test_saturation_pressure_agrees_with_if97(temp_c: float) -> None:
    """Another formulation (IAPWS R7-97, region 4); the two agree within 0.03 % here."""
    expected = IAPWS97(T=temp_c + 273.15, x=0).P * 1e6
    assert evaporation.saturation_pa(temp_c) == pytest.approx(expected, rel=5e-4)


@pytest.mark.parametrize(
    ("temp_c", "kpa"),
    [(15.0, 1.705), (20.0, 2.338), (24.5, 3.075), (25.0, 3.168), (30.0, 4.243)],
)
def test_saturation_pressure_of_fao_56_table_2_3(temp_c: float, kpa: float) -> None:
    """Printed to three decimals from Tetens' form, which differs by up to 0.08 %: 0.1 %."""
    assert evaporation.saturation_pa(temp_c) / 1000.0 == pytest.approx(kpa, rel=1e-3)


@pytest.mark.parametrize("salinity", [0.0, 30.0, 35.0, 40.0])
def test_salt_lowers_the_vapour_pressure_as_in_teos_10(salinity: float) -> None:
    """Activity of water from the chemical potentials of gsw at 25 degC. Weiss and Price is a
    fit with another purpose; 3e-4 of the pressure is 1 Pa."""
    absolute = salinity * 35.16504 / 35.0
    gap = gsw.chem_potential_water_t_exact(absolute, 25.0, 0.0)
    gap -= gsw.chem_potential_water_t_exact(0.0, 25.0, 0.0)
    expected = exp(float(gap) * 18.015268 / 8.314472 / 298.15)
    assert evaporation.water_activity_frac(salinity) == pytest.approx(expected, abs=3e-4)


def _gap_by_psychrolib(water_c: float, air_c: float, humidity: float) -> float:
    of_air = psychrolib.GetVapPresFromRelHum(air_c, humidity)
    return float(psychrolib.GetSatVapPres(water_c) - of_air)


@pytest.mark.parametrize(
    ("water_c", "air_c", "humidity"), [(26.0, 22.0, 0.5), (25.0, 25.0, 0.5), (24.0, 30.0, 0.6)]
)
def test_natatorium_formula_of_ashrae(water_c: float, air_c: float, humidity: float) -> None:
    """HVAC Applications (2011): 4.0e-5 kg/(s m2 kPa) for an activity of 1, with psychrolib's
    pressures and fresh water. The density of water is used at 25 degC: 1e-4."""
    gap = _gap_by_psychrolib(water_c, air_c, humidity)
    litres = 4.0e-5 * gap / 1000.0 * 86400.0 / 0.9970476
    ours = evaporation.pressure_gap_pa(water_c, air_c, humidity, 0.0)
    coefficient = evaporation.coefficient_of_activity(1.0)
    found = evaporation.expected_l_per_day(1.0, ours, coefficient)
    assert found == pytest.approx(litres, rel=1e-4)


@pytest.mark.parametrize(
    ("water_c", "air_c", "kg_per_m2_h"),
    [
        (28.0, 28.0, 0.1360),
        (28.0, 29.0, 0.1171),
        (28.0, 30.0, 0.0968),
        (29.0, 28.0, 0.1651),
        (29.0, 29.0, 0.1463),
        (29.0, 30.0, 0.1268),
        (30.0, 28.0, 0.1959),
        (30.0, 29.0, 0.1771),
        (30.0, 30.0, 0.1575),
    ],
)
def test_first_guess_is_within_a_factor_of_two_of_shah(
    water_c: float, air_c: float, kg_per_m2_h: float
) -> None:
    """Shah, ASHRAE Trans. 120(2) (2014), unoccupied, 50 %. Buoyancy varies his coefficient; a
    factor of 2 is what the first guess claims, and what he needs lies inside the clamp."""
    gap = evaporation.pressure_gap_pa(water_c, air_c, 0.5, 0.0)
    needed = kg_per_m2_h / gap * 1000.0
    assert 0.5 <= evaporation.STILL_COEFFICIENT / needed <= 2.0
    assert evaporation.LEAST_COEFFICIENT < needed < evaporation.MOST_COEFFICIENT


def test_salt_takes_three_per_cent_off_in_a_warm_room() -> None:
    """26/22 degC, 50 %: the gap falls from 2040.76 to 1977.87 Pa (psychrolib with gsw)."""
    found = evaporation.pressure_gap_pa(26.0, 22.0, 0.5, 35.0)
    assert found == pytest.approx(1977.87, abs=2.0)  # 3e-4 of 3363 Pa, and rounding


def test_surface_of_a_rectangle() -> None:
    """120 cm by 60 cm are 0.72 m2."""
    assert evaporation.rectangle_m2(1.2, 0.6) == pytest.approx(0.72)
    for sides in ((0.0, 0.6), (1.2, -0.6)):
        with pytest.raises(InputError):
            evaporation.rectangle_m2(*sides)


def test_nothing_evaporates_where_moisture_condenses() -> None:
    gap = evaporation.pressure_gap_pa(15.0, 30.0, 0.9, 35.0)
    assert gap < 0.0
    assert evaporation.expected_l_per_day(1.0, gap, 0.09) == 0.0


@pytest.mark.parametrize("temp_c", [20.0, 25.0, 30.0])
def test_latent_heat_over_seawater(temp_c: float) -> None:
    """gsw's heat of evaporation from 35 PSU; salt is left out: 0.2 %."""
    expected = float(gsw.latentheat_evap_t(35.16504, temp_c)) / 1000.0
    assert evaporation.latent_heat_kj_per_kg(temp_c) == pytest.approx(expected, rel=2e-3)


def test_heat_of_a_litre_a_day() -> None:
    """0.9968 kg of 2440 kJ in 86400 s are 28.1 W."""
    assert evaporation.heat_lost_w(1.0, 26.0) == pytest.approx(28.1, abs=0.1)


def test_measured_is_what_levels_and_additions_leave() -> None:
    """30 L fell to 28 L although 3 L came in and 0.5 L was taken out: 4.5 L in half a day."""
    assert evaporation.measured_l_per_day(30.0, 28.0, 3.0, 0.5, 43200.0) == pytest.approx(9.0)
    for added, removed, span in ((3.0, 0.5, 0.0), (-1.0, 0.0, 1.0), (0.0, -1.0, 1.0)):
        with pytest.raises(InputError):
            evaporation.measured_l_per_day(30.0, 28.0, added, removed, span)


def test_refusals_name_the_mix_up() -> None:
    for water_c, humidity, salinity, fault in (
        (78.8, 0.5, 35.0, InputFault.FAHRENHEIT),
        (299.15, 0.5, 35.0, InputFault.KELVIN),
        (26.0, 50.0, 35.0, InputFault.PERCENT),
        (26.0, 0.5, 53.0, InputFault.OUTSIDE_RANGE),
    ):
        with pytest.raises(InputError) as caught:
            evaporation.pressure_gap_pa(water_c, 22.0, humidity, salinity)
        assert caught.value.fault is fault
    with pytest.raises(InputError):
        evaporation.expected_l_per_day(0.0, 100.0, 0.09)
    with pytest.raises(InputError) as caught:
        evaporation.coefficient_of_activity(65.0)
    assert caught.value.fault is InputFault.PERCENT


# The coefficient


def _day(coefficient: float, *, quiet: bool = True, basis: float = 50.0) -> Day:
    return Day(coefficient * basis, basis, quiet)


def test_the_median_of_quiet_days_is_learned() -> None:
    learner = CoefficientLearner()
    assert learner.coefficient == evaporation.STILL_COEFFICIENT
    assert learner.take(_day(0.12))
    assert learner.take(_day(0.10))
    assert not learner.is_learned
    assert learner.take(_day(0.11))
    assert learner.take(_day(0.11))
    assert learner.coefficient == pytest.approx(0.11)


def test_an_event_does_not_become_normal() -> None:
    learner = CoefficientLearner()
    assert not learner.take(_day(0.11, quiet=False))
    assert not learner.take(_day(0.11, basis=0.0))
    assert not learner.take(Day(nan, 50.0, is_quiet=True))
    assert not learner.take(_day(2.0))  # nonsense is no first lesson either
    for _ in range(3):
        assert learner.take(_day(0.05))
    for _ in range(20):
        assert not learner.take(_day(0.12))  # the cover is off
    assert learner.coefficient == pytest.approx(0.05)
    learner.relearn()
    assert not learner.is_learned


def test_the_coefficient_is_clamped() -> None:
    learner = CoefficientLearner()
    for _ in range(3):
        learner.take(_day(0.5))
    assert learner.coefficient == evaporation.MOST_COEFFICIENT


def test_a_learner_comes_back_from_its_snapshot() -> None:
    learner = CoefficientLearner()
    for coefficient in (0.1, 0.11, 0.12):
        learner.take(_day(coefficient))
    assert CoefficientLearner.restore(learner.snapshot()).coefficient == pytest.approx(0.11)


@pytest.mark.parametrize("days", [None, 3, ["x"], [True], [0.0], [-0.1], [inf], [nan]], ids=str)
def test_a_damaged_snapshot_is_refused(days: Any) -> None:
    with pytest.raises(ValueError, match=r"coefficient|list of days"):
        CoefficientLearner.restore({"days": days})


# What the ratio says


@pytest.mark.parametrize(
    ("measured", "expected", "coefficient", "heat", "salt", "reading"),
    [
        (None, 4.0, 0.1, None, SaltVerdict.UNKNOWN, EvaporationReading.UNKNOWN),
        (4.0, None, 0.1, None, SaltVerdict.UNKNOWN, EvaporationReading.UNKNOWN),
        (4.0, 0.0, 0.1, None, SaltVerdict.UNKNOWN, EvaporationReading.UNKNOWN),
        (0.1, 4.0, 0.1, None, SaltVerdict.UNKNOWN, EvaporationReading.CHECK_SENSOR),
        (-1.0, 4.0, 0.1, None, SaltVerdict.UNKNOWN, EvaporationReading.CHECK_SENSOR),
        (2.0, 4.0, 0.05, None, SaltVerdict.UNKNOWN, EvaporationReading.LOWERED),
        (4.2, 4.0, 0.1, None, SaltVerdict.STEADY, EvaporationReading.AS_EXPECTED),
        (7.0, 4.0, 0.1, 0.9, SaltVerdict.SALT_WATER_LEAVING, EvaporationReading.WATER_LEAVING),
        (8.0, 4.0, 0.1, 0.0, SaltVerdict.UNKNOWN, EvaporationReading.WATER_LEAVING),
        (8.0, 4.0, 0.1, None, SaltVerdict.UNKNOWN, EvaporationReading.RAISED),
        (8.0, 4.0, 0.1, 0.4, SaltVerdict.UNKNOWN, EvaporationReading.RAISED),
        (8.0, 4.0, None, 0.9, SaltVerdict.STEADY, EvaporationReading.RAISED),
        (8.0, 4.0, 0.1, 0.9, SaltVerdict.STEADY, EvaporationReading.COVER_OFF),
        (8.0, 4.0, 0.1, None, SaltVerdict.STEADY, EvaporationReading.COVER_OFF),
        (8.0, 4.0, 0.25, 0.9, SaltVerdict.UNKNOWN, EvaporationReading.MOVING_AIR),
    ],
)
def test_causes_are_told_apart(  # noqa: PLR0917 - one column each
    measured: float | None,
    expected: float | None,
    coefficient: float | None,
    heat: float | None,
    salt: SaltVerdict,
    reading: EvaporationReading,
) -> None:
    seen = Evidence(measured, expected, coefficient, heat, salt)
    assert read_evaporation(seen) is reading


def test_shares_by_arithmetic() -> None:
    assert ratio_of(6.0, 4.0) == pytest.approx(1.5)
    assert extra_heat_frac(45.0, 60.0) == pytest.approx(0.75)
    with pytest.raises(InputError):
        ratio_of(6.0, 0.0)
    with pytest.raises(InputError):
        extra_heat_frac(45.0, 0.0)
