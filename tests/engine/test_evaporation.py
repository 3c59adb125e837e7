"""Evaporation against psychrolib (ASHRAE), IAPWS-IF97, FAO-56, gsw and published evaporation."""

from math import nan
from statistics import median

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
from iapws.iapws97 import _PSat_T

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("temp_c", [1.0, 10.0, 15.0, 20.0, 22.0, 25.0, 26.0, 27.0, 30.0, 45.0])
def test_saturation_pressure_is_ashraes(temp_c: float) -> None:
    """psychrolib solves the same equation of the ASHRAE Handbook: to rounding."""
    assert evaporation.saturation_pa(temp_c) == pytest.approx(
        psychrolib.GetSatVapPres(temp_c), rel=1e-9
    )


@pytest.mark.parametrize("temp_c", [5.0, 15.0, 20.0, 25.0, 30.0, 40.0])
def test_saturation_pressure_agrees_with_iapws(temp_c: float) -> None:
    """IAPWS R7-97, region 4: another equation; they differ by 0.02 % here, 0.1 % is allowed."""
    assert evaporation.saturation_pa(temp_c) == pytest.approx(
        1e6 * _PSat_T(temp_c + 273.15), rel=1e-3
    )


@pytest.mark.parametrize(
    ("temp_c", "kpa"),
    [
        (1.0, 0.657),
        (10.0, 1.228),
        (15.0, 1.705),
        (20.0, 2.338),
        (24.5, 3.075),
        (25.0, 3.168),
        (30.0, 4.243),
        (35.0, 5.624),
    ],
)
def test_saturation_pressure_agrees_with_fao_56_table_2_3(temp_c: float, kpa: float) -> None:
    """Allen et al. 1998, Annex 2, Table 2.3: three decimals of a simpler formula, 0.1 %."""
    assert evaporation.saturation_pa(temp_c) / 1000.0 == pytest.approx(kpa, rel=1e-3, abs=5e-4)


@pytest.mark.parametrize("salinity", [0.0, 30.0, 35.0, 40.0])
def test_salt_lowers_the_vapour_pressure_as_in_teos_10(salinity: float) -> None:
    """a_w from chemical potentials (gsw); the fit of 1980 differs by up to 3e-4."""
    r_j_per_kg_k = 8.314462618 / 0.018015268
    absolute = salinity * 35.16504 / 35.0

    def potential(s: float) -> float:
        return float(gsw.chem_potential_water_t_exact(s, 25.0, 0.0)) * 1000.0  # J/g to J/kg

    from_gsw = pytest.approx(
        2.718281828459045 ** ((potential(absolute) - potential(0.0)) / (r_j_per_kg_k * 298.15)),
        abs=5e-4,
    )
    assert evaporation.water_activity_frac(salinity) == from_gsw


@pytest.mark.parametrize(
    ("water_c", "air_c", "humidity", "gap"),
    [(26, 22, 0.5, 2040.756), (26, 20, 0.4, 2427.611), (24, 30, 0.6, 437.509)],
)
def test_gap_over_fresh_water(water_c: float, air_c: float, humidity: float, gap: float) -> None:
    """By psychrolib's saturation pressures."""
    expected = psychrolib.GetSatVapPres(water_c) - psychrolib.GetVapPresFromRelHum(air_c, humidity)
    assert expected == pytest.approx(gap, abs=0.01)
    assert evaporation.pressure_gap_pa(water_c, air_c, humidity, 0.0) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("activity", "gap", "kg_m2_h"),
    [(1.0, 2040.756, 0.293869), (0.5, 2040.756, 0.146934), (0.5, 1584.608, 0.114092)],
)
def test_natatorium_rate_of_ashrae(activity: float, gap: float, kg_m2_h: float) -> None:
    """wp = 4.0e-5 A (pw - pa) Fa kg/s; litres at 25 degC are 0.3 % more than kilograms."""
    coefficient = evaporation.coefficient_of_activity(activity)
    litres = evaporation.expected_l_per_day(2.0, gap, coefficient)
    assert litres * 0.9970476 / 2.0 / 24.0 == pytest.approx(kg_m2_h, rel=1e-5)


SHAH = {
    (28, 28): 0.1360, (28, 29): 0.1171, (28, 30): 0.0968, (29, 28): 0.1651, (29, 29): 0.1463,
    (29, 30): 0.1268, (30, 28): 0.1959, (30, 29): 0.1771, (30, 30): 0.1575,
}  # fmt: skip
"""kg/(m2 h) at 50 %: look-up table of M. M. Shah, ASHRAE Trans. 120(2) (2014), SE-14-001."""


@pytest.mark.parametrize(("pair", "published"), SHAH.items())
def test_unlearned_estimate_is_within_its_factor_of_two_of_shah(
    pair: tuple[int, int], published: float
) -> None:
    """The stated uncertainty before learning. Shah's values hold for water nobody disturbs."""
    gap = evaporation.pressure_gap_pa(*pair, 0.5, 0.0)
    litres = evaporation.expected_l_per_day(1.0, gap, evaporation.STILL_COEFFICIENT)
    assert 0.5 < litres * 0.9970476 / 24.0 / published < 2.0


def test_coefficient_learned_from_shahs_values_is_their_median() -> None:
    """Shah's evaporation over psychrolib's pressure gap: 0.058 to 0.083 with the buoyancy of
    the air, which is why one coefficient follows his table only to a quarter."""
    learner = CoefficientLearner()
    coefficients = []
    for (water_c, air_c), published in SHAH.items():
        gap = evaporation.pressure_gap_pa(water_c, air_c, 0.5, 0.0)
        per_one = evaporation.expected_l_per_day(1.0, gap, 1.0)
        assert learner.take(Day(published * 24.0 / 0.9970476, per_one, is_quiet=True))
        over_water, of_air = (psychrolib.GetSatVapPres(t) for t in (water_c, air_c))
        coefficients.append(1000.0 * published / (over_water - 0.5 * of_air))
    assert learner.coefficient == pytest.approx(median(coefficients), rel=1e-5)


@pytest.mark.parametrize("temp_c", [15.0, 20.0, 25.0, 30.0])
def test_latent_heat_agrees_with_teos_10(temp_c: float) -> None:
    """gsw, pure and sea water: FAO's line is 0.1 % from either."""
    for absolute in (0.0, 35.16504):
        expected = float(gsw.latentheat_evap_t(absolute, temp_c)) / 1000.0
        assert evaporation.latent_heat_kj_per_kg(temp_c) == pytest.approx(expected, rel=2e-3)


def test_heat_lost() -> None:
    """5.39 L/d at 26 degC: 5.372 kg (gsw density 996.79) times 2439.31 kJ/kg (IAPWS-95)."""
    expected = 5.39 * 0.99679 * 2439.31e3 / 86400.0
    assert evaporation.heat_lost_w(5.39, 26.0) == pytest.approx(expected, rel=1e-3)


def test_measured_from_levels_is_conservation_of_water() -> None:
    found = evaporation.measured_l_per_day(30.0, 29.5, 5.0, 1.0, 43200.0)
    assert found == pytest.approx(9.0)
    with pytest.raises(InputError):
        evaporation.measured_l_per_day(30.0, 29.5, 5.0, 0.0, 0.0)
    with pytest.raises(InputError):
        evaporation.measured_l_per_day(30.0, 29.5, -5.0, 0.0, 1.0)


def test_nothing_is_expected_where_moisture_condenses() -> None:
    gap = evaporation.pressure_gap_pa(10.0, 30.0, 0.9, 35.0)
    assert gap < 0.0
    assert evaporation.expected_l_per_day(1.0, gap, 0.1) == 0.0


@pytest.mark.parametrize(
    ("humidity", "water_c", "air_c", "fault"),
    [
        (55.0, 25.0, 22.0, InputFault.PERCENT),
        (0.5, 78.8, 22.0, InputFault.FAHRENHEIT),
        (0.5, 25.0, 71.6, InputFault.FAHRENHEIT),
        (nan, 25.0, 22.0, InputFault.NOT_FINITE),
        (-0.1, 25.0, 22.0, InputFault.OUTSIDE_RANGE),
    ],
)
def test_gap_refuses(humidity: float, water_c: float, air_c: float, fault: InputFault) -> None:
    with pytest.raises(InputError) as caught:
        evaporation.pressure_gap_pa(water_c, air_c, humidity, 35.0)
    assert caught.value.fault is fault


# Learning


def test_learning_takes_the_median_of_quiet_days() -> None:
    learner = CoefficientLearner()
    assert learner.coefficient == evaporation.STILL_COEFFICIENT
    for measured in (6.0, 6.6, 6.3):
        assert learner.take(Day(measured, 100.0, is_quiet=True))
    assert learner.is_learned
    assert learner.coefficient == pytest.approx(0.063)
    assert not learner.take(Day(12.0, 100.0, is_quiet=True))  # a cover left off
    assert not learner.take(Day(6.0, 100.0, is_quiet=False))
    assert not learner.take(Day(6.0, 0.0, is_quiet=True))
    assert not learner.take(Day(nan, 100.0, is_quiet=True))
    back = CoefficientLearner.restore(learner.snapshot())
    assert back.coefficient == learner.coefficient
    learner.relearn()
    assert not learner.is_learned
    assert not learner.take(Day(90.0, 100.0, is_quiet=True))


def test_learned_coefficient_is_clamped() -> None:
    for measured, bound in ((50.0, evaporation.MOST_COEFFICIENT), (1.5, 0.02)):
        learner = CoefficientLearner()
        for _ in range(3):
            learner.take(Day(measured, 100.0, is_quiet=True))
        assert learner.coefficient == bound


@pytest.mark.parametrize("damaged", [{}, {"days": [-0.1]}, {"days": ["x"]}, {"days": 3}])
def test_damaged_memory_is_refused(damaged: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"number|above 0"):
        CoefficientLearner.restore(damaged)


# The reading in words


def _read(
    measured: float | None,
    expected: float | None = 4.0,
    coefficient: float | None = None,
    heat: float | None = None,
    salt: SaltVerdict = SaltVerdict.UNKNOWN,
) -> EvaporationReading:
    return read_evaporation(Evidence(measured, expected, coefficient, heat, salt))


def test_readings() -> None:
    """Energy and salt balance tell the causes apart; see the module."""
    says = EvaporationReading
    assert _read(None) is says.UNKNOWN
    assert _read(4.0, None) is says.UNKNOWN
    assert _read(4.0, 0.0) is says.UNKNOWN
    assert _read(4.2) is says.AS_EXPECTED
    assert _read(2.0) is says.LOWERED
    assert _read(0.2) is says.CHECK_SENSOR
    assert _read(7.0, salt=SaltVerdict.SALT_WATER_LEAVING) is says.WATER_LEAVING
    assert _read(4.2, salt=SaltVerdict.SALT_WATER_LEAVING) is says.WATER_LEAVING
    assert _read(7.0, coefficient=0.11, heat=0.05) is says.WATER_LEAVING
    assert _read(7.0, coefficient=0.11) is says.RAISED
    assert _read(7.0, coefficient=0.11, heat=0.45) is says.RAISED
    assert _read(7.0, heat=0.8) is says.RAISED
    assert _read(7.0, coefficient=0.11, heat=0.8) is says.COVER_OFF
    assert _read(7.0, coefficient=0.11, salt=SaltVerdict.STEADY) is says.COVER_OFF
    assert _read(14.0, coefficient=0.22, heat=0.8) is says.MOVING_AIR


def test_shares_by_arithmetic() -> None:
    assert ratio_of(6.0, 4.0) == 1.5
    assert extra_heat_frac(60.0, 80.0) == 0.75
    with pytest.raises(InputError):
        ratio_of(6.0, 0.0)
