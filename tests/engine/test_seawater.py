"""Seawater against TEOS-10's reference library (gsw), UNESCO 1983 check points and arithmetic."""

from math import inf

import gsw
import pytest
from custom_components.stillwell.engine import salt_mass, seawater
from custom_components.stillwell.engine.salt_balance import SaltVerdict, judge_salt
from custom_components.stillwell.engine.salt_mass import Water, psu_from_g_per_kg
from custom_components.stillwell.engine.validity import InputError, InputFault

ATMOSPHERE_DBAR = 0.0
TEMPS_C = (10.0, 15.0, 20.0, 25.0, 28.0, 34.0)
SALINITIES = (5.0, 20.0, 30.0, 33.0, 35.0, 38.0, 41.9)


def test_salinity_from_grams_in_a_kilogram_is_that_of_gsw() -> None:
    for grams in (10.0, 35.0, 35.16504, 42.0):
        expected = float(gsw.SP_from_SR(grams))
        assert psu_from_g_per_kg(grams) == pytest.approx(expected, abs=1e-9)
    with pytest.raises(InputError):
        psu_from_g_per_kg(1026.0)


@pytest.mark.parametrize("temp_c", TEMPS_C)
@pytest.mark.parametrize("salinity", SALINITIES)
def test_salinity_from_conductivity_is_that_of_gsw(temp_c: float, salinity: float) -> None:
    """The same published polynomial (PSS-78): agreement to rounding, 1e-6 PSU."""
    conductivity = float(gsw.C_from_SP(salinity, temp_c, ATMOSPHERE_DBAR))
    assert seawater.salinity_psu(conductivity, temp_c) == pytest.approx(salinity, abs=1e-6)
    back = seawater.conductivity_ms_per_cm(salinity, temp_c)
    assert back == pytest.approx(conductivity, rel=1e-8)


def test_the_defining_point_of_the_practical_salinity_scale() -> None:
    """PSS-78: a conductivity ratio of 1 at 15 degC (IPTS-68) is 35. The coefficients are
    printed to seven digits; UNESCO 1983 gives the check value to six decimals."""
    at_15_c = 15.0 / 1.00024
    assert seawater.salinity_psu(42.914, at_15_c) == pytest.approx(35.0, abs=5e-7)


@pytest.mark.parametrize(
    ("salinity", "t68", "density"),
    [
        (0.0, 5.0, 999.96675),
        (0.0, 25.0, 997.04796),
        (35.0, 5.0, 1027.67547),
        (35.0, 25.0, 1023.34306),
    ],
)
def test_density_at_the_check_points_of_unesco_1983(
    salinity: float, t68: float, density: float
) -> None:
    """Tech. Pap. Mar. Sci. 44, p. 19; five decimals are printed, so half of the last one."""
    found = seawater.density_kg_per_m3(salinity, t68 / 1.00024)
    assert found == pytest.approx(density, abs=6e-6)


@pytest.mark.parametrize("temp_c", [15.0, 20.0, 25.0, 30.0])
@pytest.mark.parametrize("salinity", [0.0, 20.0, 35.0, 40.0])
def test_density_agrees_with_teos_10(temp_c: float, salinity: float) -> None:
    """Another equation of state (Gibbs function); EOS-80's standard error is 0.0036 kg/m3,
    and the two differ by at most some hundredths (Feistel 2008)."""
    absolute = salinity * 35.16504 / 35.0
    expected = float(gsw.rho_t_exact(absolute, temp_c, ATMOSPHERE_DBAR))
    assert seawater.density_kg_per_m3(salinity, temp_c) == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize(("temp_c", "reference_c"), [(25, 25), (20, 20), (15.56, 15.56), (20, 4)])
def test_specific_gravity_carries_its_reference(temp_c: float, reference_c: float) -> None:
    """gsw densities; 3e-5 is 0.03 kg/m3, the tolerance of the densities."""
    absolute = 35.16504
    expected = float(
        gsw.rho_t_exact(absolute, temp_c, 0.0) / gsw.rho_t_exact(0.0, reference_c, 0.0)
    )
    found = seawater.specific_gravity(35.0, temp_c, reference_c)
    assert found == pytest.approx(expected, abs=3e-5)
    back = seawater.salinity_from_gravity(found, temp_c, reference_c)
    assert back == pytest.approx(35.0, abs=1e-6)


@pytest.mark.parametrize(
    ("gravity", "psu"), [(1.020, 26.571), (1.023, 30.542), (1.025, 33.186), (1.0264, 35.035)]
)
def test_salinity_from_gravity_25_25(gravity: float, psu: float) -> None:
    """Solved beforehand with gsw; 0.03 kg/m3 between the equations is 0.04 PSU."""
    found = seawater.salinity_from_gravity(gravity, 25.0, 25.0)
    assert found == pytest.approx(psu, abs=0.04)


def test_the_same_bare_number_means_very_different_water() -> None:
    sixty_f = seawater.salinity_from_gravity(1.026, 15.56, 15.56)
    over_four = seawater.salinity_from_gravity(1.026, 25.0, 4.0)
    assert over_four - sixty_f > 4.0


@pytest.mark.parametrize(
    ("conductivity", "temp_c", "fault"),
    [
        (53000.0, 25.0, InputFault.MICROSIEMENS),
        (0.9, 25.0, InputFault.SIEMENS_PER_METRE),
        (53.0, 77.0, InputFault.FAHRENHEIT),
        (53.0, 298.15, InputFault.KELVIN),
        (0.0, 25.0, InputFault.OUTSIDE_RANGE),
        (float("nan"), 25.0, InputFault.NOT_FINITE),
    ],
)
def test_conductivity_refuses(conductivity: float, temp_c: float, fault: InputFault) -> None:
    with pytest.raises(InputError) as caught:
        seawater.salinity_psu(conductivity, temp_c)
    assert caught.value.fault is fault


@pytest.mark.parametrize(
    ("gravity", "temp_c", "reference_c", "fault"),
    [
        (1.026, None, None, InputFault.NO_REFERENCE),
        (1.026, 25.0, None, InputFault.NO_REFERENCE),
        (1026.0, 25.0, 25.0, InputFault.DENSITY),
        (35.0, 25.0, 25.0, InputFault.SALINITY),
        (1.2, 25.0, 25.0, InputFault.OUTSIDE_RANGE),
        (1.026, 77.0, 77.0, InputFault.FAHRENHEIT),
    ],
)
def test_gravity_refuses(
    gravity: float, temp_c: float | None, reference_c: float | None, fault: InputFault
) -> None:
    with pytest.raises(InputError) as caught:
        seawater.salinity_from_gravity(gravity, temp_c, reference_c)
    assert caught.value.fault is fault


# Mass balance


def _mass_kg(volume_l: float, salinity: float) -> float:
    """Mass by gsw at 25 degC."""
    absolute = salinity * 35.16504 / 35.0
    return volume_l * float(gsw.rho_t_exact(absolute, 25.0, 0.0)) / 1000.0


@pytest.mark.parametrize("fresh_l", [-15.0, -10.0, -3.0, 3.0, 10.0, 20.0])
def test_salinity_after_fresh_water_by_gsw_masses(fresh_l: float) -> None:
    """Same balance with gsw's densities, which agree within 3e-5: 1e-4 PSU for these volumes."""
    before = _mass_kg(300.0, 35.0)
    expected = 35.0 * before / (before + _mass_kg(fresh_l, 0.0))
    found = salt_mass.salinity_after_fresh(Water(300.0, 35.0), fresh_l)
    assert found == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("target", "litres"), [(34.5, 4.46), (34.0, 9.06), (36.0, -8.55)])
def test_overfill_that_moves_the_salinity(target: float, litres: float) -> None:
    """300 L from 35 PSU; figures to 0.01 L worked out with gsw."""
    found = salt_mass.fresh_to_reach(Water(300.0, 35.0), target)
    assert found == pytest.approx(litres, abs=0.006)


def test_hours_to_leave_the_band_by_arithmetic() -> None:
    """3 L/d lost from 300 L: 8.55 L to 36 PSU are 68.4 h; 3 L/d too much: 9.06 L are 72.5 h."""
    water = Water(300.0, 35.0)
    assert salt_mass.hours_to_leave_band(water, -3.0, 34.0, 36.0) == pytest.approx(68.4, abs=0.1)
    assert salt_mass.hours_to_leave_band(water, 3.0, 34.0, 36.0) == pytest.approx(72.5, abs=0.1)
    assert salt_mass.hours_to_leave_band(water, 0.0, 34.0, 36.0) == inf
    assert salt_mass.hours_to_leave_band(water, 3.0, 35.5, 36.0) == 0.0
    with pytest.raises(InputError, match="upside down"):
        salt_mass.hours_to_leave_band(water, 3.0, 36.0, 34.0)


def test_drift_of_one_per_cent_a_day() -> None:
    """1 % of the volume lost: 0.354 PSU on the first day (mass balance with gsw)."""
    assert salt_mass.drift_psu_per_day(Water(300.0, 35.0), 3.0) == pytest.approx(0.354, abs=0.011)
    with pytest.raises(InputError):
        salt_mass.drift_psu_per_day(Water(300.0, 35.0), -1.0)
    with pytest.raises(InputError, match="cannot evaporate"):
        salt_mass.salinity_after_fresh(Water(300.0, 35.0), -100.0)


@pytest.mark.parametrize(("litres", "psu"), [(10.0, 33.853), (50.0, 29.627), (100.0, 25.079)])
def test_flushed_by_a_fill_that_stays_open(litres: float, psu: float) -> None:
    """S0 exp(-q/V) for 300 L, by hand."""
    water = Water(300.0, 35.0)
    found = salt_mass.salinity_flushed(water, litres)
    assert found == pytest.approx(psu, abs=5e-4)
    assert salt_mass.flush_of(water, found) == pytest.approx(litres)


def test_batch_of_a_hundred_litres() -> None:
    """Absolute salinity 35.16504 g/kg (TEOS-10) of 102.334 kg is 3.5986 kg of dry salt."""
    made = salt_mass.batch(Water(100.0, 35.0))
    assert made.salt_kg == pytest.approx(3.5986, abs=2e-4)
    # The rest of the mass is fresh water: (102.3343 - 3.5986) / 0.9970476.
    assert made.fresh_l == pytest.approx(99.0281, abs=5e-3)
    moist = salt_mass.batch(Water(100.0, 35.0), salt_water_frac=0.1)
    assert moist.salt_kg == pytest.approx(3.5986 / 0.9, abs=2e-4)
    assert moist.fresh_l < made.fresh_l


def test_batch_from_a_vat_that_is_not_empty() -> None:
    rest = Water(40.0, 30.0)
    made = salt_mass.batch(Water(100.0, 35.0), rest)
    # Put it together again with gsw's density: the salt is that of 100 L at 35 PSU.
    salt = rest.salt_kg + made.salt_kg
    mass = _mass_kg(40.0, 30.0) + made.salt_kg + _mass_kg(made.fresh_l, 0.0)
    assert salt / mass * 1000.0 == pytest.approx(35.16504, abs=1e-3)
    for held in (Water(120.0, 35.0), Water(99.0, 40.0)):
        with pytest.raises(InputError, match="already holds more"):
            salt_mass.batch(Water(100.0, 35.0), held)
    with pytest.raises(InputError, match="salt's own water"):
        salt_mass.batch(Water(100.0, 35.0), salt_water_frac=0.5)


def test_partial_change_by_mass_balance() -> None:
    """270 L at 33 PSU and 30 L at 40: 33.7033 with gsw's masses."""
    made = salt_mass.mixed(Water(270.0, 33.0), Water(30.0, 40.0))
    assert made.salinity == pytest.approx(33.7033, abs=1e-3)
    assert made.volume_l == pytest.approx(300.0, abs=0.01)


# Salinity against level-based top-off


def _judge(
    drift: float | None, fresh: float | None, evaporation: float | None = 4.0
) -> SaltVerdict:
    return judge_salt(
        volume_l=300.0,
        salinity=35.0,
        drift_psu_per_day=drift,
        drift_sigma=0.03,
        fresh_in_l_per_day=fresh,
        evaporation_l_per_day=evaporation,
        evaporation_sigma=0.3,
    ).verdict


def test_salt_water_that_leaves_is_told_from_a_fouled_probe() -> None:
    # 3 L/d of salt water out, fresh in: dS/dt = -3 * 35 / 300 = -0.35 PSU/d.
    assert _judge(-0.35, 7.0) is SaltVerdict.SALT_WATER_LEAVING
    assert _judge(-0.35, 4.1) is SaltVerdict.PROBE_DOUBTFUL
    assert _judge(-0.02, 4.1) is SaltVerdict.STEADY
    # 3 L/d of evaporation not replaced: +0.35 PSU/d.
    assert _judge(0.35, 1.0) is SaltVerdict.CONCENTRATING
    assert _judge(0.35, 4.1) is SaltVerdict.PROBE_DOUBTFUL
    assert _judge(-0.35, 1.0) is SaltVerdict.PROBE_DOUBTFUL
    for drift, fresh, evaporation in ((None, 4.0, 4.0), (0.3, None, 4.0), (0.3, 4.0, None)):
        assert _judge(drift, fresh, evaporation) is SaltVerdict.UNKNOWN


def test_litres_that_leave_follow_from_the_fall() -> None:
    found = judge_salt(
        volume_l=300.0,
        salinity=35.0,
        drift_psu_per_day=-0.35,
        fresh_in_l_per_day=7.2,
        evaporation_l_per_day=4.0,
    )
    assert found.leaving_l_per_day == pytest.approx(3.0)
