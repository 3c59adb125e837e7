"""Limewater against Bates, Bower and Smith 1956, PHREEQC and PyCO2SYS."""

from itertools import pairwise

import gsw
import PyCO2SYS
import pytest
from custom_components.stillwell.engine import carbonate, limewater
from custom_components.stillwell.engine.carbonate import TankWater
from custom_components.stillwell.engine.limewater import Stock
from custom_components.stillwell.engine.validity import InputError, InputFault

TANK = TankWater(alkalinity_umol_per_kg=2300.0, ph=8.1629)
"""In balance with air of 420 uatm carbon dioxide, by PyCO2SYS: 8.02588 on the total scale."""


@pytest.mark.parametrize("salinity", [19.0, 30.0, 35.0, 42.0])
@pytest.mark.parametrize("temp_c", [2.0, 10.0, 18.0, 25.0, 30.0, 35.0])
def test_a_probe_calibrated_with_buffers_shows_more(salinity: float, temp_c: float) -> None:
    """PyCO2SYS converts between the scales by Takahashi's activity coefficient."""
    found = PyCO2SYS.sys(
        par1=2300.0, par1_type=1, par2=8.1, par2_type=3, salinity=salinity, temperature=temp_c
    )
    ours = carbonate.nbs_above_total(salinity, temp_c)
    assert ours == pytest.approx(float(found["pH_nbs"]) - 8.1, abs=0.004)


def _ph_by_pyco2sys(alkalinity: float, carbon: float, salinity: float, temp_c: float) -> float:
    found = PyCO2SYS.sys(
        par1=alkalinity, par1_type=1, par2=carbon, par2_type=2,
        salinity=salinity, temperature=temp_c, opt_k_carbonic=10, opt_pH_scale=1,
    )  # fmt: skip
    return float(found["pH_total"])


@pytest.mark.parametrize("salinity", [25.0, 35.0, 40.0])
@pytest.mark.parametrize("temp_c", [20.0, 25.0, 30.0])
@pytest.mark.parametrize("alkalinity", [2300.0, 2600.0, 3300.0])
def test_ph_is_that_of_pyco2sys(salinity: float, temp_c: float, alkalinity: float) -> None:
    """Same constants (Lueker 2000); PyCO2SYS also counts fluoride and sulfate acids, which
    matter nothing at this pH: 0.002."""
    k = carbonate.constants(salinity, temp_c)
    expected = _ph_by_pyco2sys(alkalinity, 2000.0, salinity, temp_c)
    assert carbonate.ph_total(alkalinity, 2000.0, k) == pytest.approx(expected, abs=0.002)
    back = carbonate.carbon_umol_per_kg(alkalinity, expected, k)
    assert back == pytest.approx(2000.0, rel=1e-3)


@pytest.mark.parametrize("hydroxide", [50.0, 100.0, 200.0, 500.0, 1000.0])
def test_the_rise_after_a_dose_is_that_of_pyco2sys(hydroxide: float) -> None:
    """Closed system, nothing precipitates; 0.003 is beyond what a probe resolves."""
    k = carbonate.constants(35.0, 25.0)
    carbon = carbonate.carbon_umol_per_kg(2300.0, 8.02588, k)
    before = _ph_by_pyco2sys(2300.0, carbon, 35.0, 25.0)
    after = _ph_by_pyco2sys(2300.0 + hydroxide, carbon, 35.0, 25.0)
    assert TANK.ph_rise(hydroxide) == pytest.approx(after - before, abs=0.003)


@pytest.mark.parametrize(
    ("rise", "ml_per_l"), [(0.05, 0.828), (0.1, 1.721), (0.2, 3.712), (0.5, 11.456)]
)
def test_largest_dose_for_a_rise(rise: float, ml_per_l: float) -> None:
    """Solved beforehand with PyCO2SYS for 40.6 meq/L; 1 %, most of it from the density."""
    found = limewater.largest_dose_l(TANK, 100.0, 40.6, rise)
    assert found * 10.0 == pytest.approx(ml_per_l, rel=0.01)


def test_strength_of_bates_bower_and_smith() -> None:
    """J. Res. NBS 56 (1956): 0.0203 mol/L at 25 degC, hence 40.6 meq/L and 813.6 mg/L Ca."""
    assert limewater.alkalinity_meq_per_l(25.0) == pytest.approx(40.6, rel=1e-9)
    assert limewater.calcium_mg_per_l(25.0) == pytest.approx(813.6, rel=1e-4)
    rise = limewater.rise_dkh(1.0, 1.0, limewater.alkalinity_meq_per_l(25.0))
    assert rise == pytest.approx(113.8, abs=0.05)


@pytest.mark.parametrize(
    ("temp_c", "dkh"), [(15.0, 123.5), (20.0, 117.9), (22.0, 115.8), (27.0, 110.9), (30.0, 108.1)]
)
def test_strength_with_temperature_by_phreeqc(temp_c: float, dkh: float) -> None:
    """PHREEQC with the NBS enthalpy. Handbook tables differ among each other by 6 %: 3 %."""
    found = limewater.alkalinity_meq_per_l(temp_c) * limewater.DKH_PER_MEQ_PER_L
    assert found == pytest.approx(dkh, rel=0.03)


@pytest.mark.parametrize(("grams", "temp_c"), [(1.76, 10.0), (1.65, 20.0), (1.53, 30.0)])
def test_strength_with_temperature_by_a_handbook_table(grams: float, temp_c: float) -> None:
    """g of Ca(OH)2 (74.093 g/mol) in a kilogram of water; the stated uncertainty is 6 %."""
    per_l = grams * float(gsw.rho_t_exact(0.0, temp_c, 0.0)) / 1000.0
    assert limewater.saturation_mol_per_l(temp_c) * 74.093 == pytest.approx(per_l, rel=0.06)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.5, 0.8, 1.0])
def test_strength_from_conductivity(share: float) -> None:
    """Between the points of PHREEQC the line is read; 1 % of saturation."""
    points = [(0.0, 0.0), (0.25, 2.335), (0.5, 4.511), (0.75, 6.603), (0.9, 7.828), (1.0, 8.634)]
    conductivity = next(
        a[1] + (b[1] - a[1]) * (share - a[0]) / (b[0] - a[0])
        for a, b in pairwise(points)
        if share <= b[0]
    )
    assert limewater.strength_frac(conductivity, 25.0) == pytest.approx(share, abs=0.01)


def test_conductivity_above_saturation_is_full_strength_and_warmer_conducts_better() -> None:
    assert limewater.strength_frac(9.5, 25.0) == 1.0
    assert limewater.strength_frac(4.511, 30.0) < 0.5


def test_evaporation_sets_the_ceiling() -> None:
    """1 % of the volume a day of 40.6 meq/L are 0.406 meq/L, 1.138 dKH: more than 1 a day."""
    assert limewater.rise_dkh(3.0, 300.0, 40.6) == pytest.approx(1.138, abs=1e-3)
    assert limewater.allowed_l_per_day(3.0, 1.0, 300.0, 1.0, 40.6) == pytest.approx(2.635, abs=1e-3)
    assert limewater.allowed_l_per_day(3.0, 0.5, 300.0, 1.0, 40.6) == pytest.approx(1.5)
    assert limewater.limewater_for_rise_l(1.138, 300.0, 40.6) == pytest.approx(3.0, abs=1e-3)


@pytest.mark.parametrize(
    ("share", "stock"),
    [(1.0, Stock.SATURATED), (0.85, Stock.SATURATED), (0.6, Stock.WEAK), (0.1, Stock.SPENT)],
)
def test_judgement_of_the_stock(share: float, stock: Stock) -> None:
    assert limewater.judge_stock(share) is stock


def test_refusals() -> None:
    with pytest.raises(InputError) as caught:
        limewater.strength_frac(8600.0, 25.0)
    assert caught.value.fault is InputFault.MICROSIEMENS
    with pytest.raises(InputError) as caught:
        limewater.saturation_mol_per_l(77.0)
    assert caught.value.fault is InputFault.FAHRENHEIT
    for share in (-0.1, 1.1):
        with pytest.raises(InputError):
            limewater.judge_stock(share)
        with pytest.raises(InputError):
            limewater.alkalinity_meq_per_l(25.0, share)
    with pytest.raises(InputError):
        TANK.ph_rise(-1.0)
    with pytest.raises(InputError):
        TANK.hydroxide_for_rise(1.5)
    with pytest.raises(InputError):
        TankWater(2300.0, 8.2, salinity=10.0).ph_rise(10.0)
    with pytest.raises(InputError):
        TankWater(8.0, 8.2).ph_rise(10.0)
