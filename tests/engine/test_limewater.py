"""Limewater against Bates, Bower and Smith 1956, PHREEQC, handbook tables and PyCO2SYS."""

import PyCO2SYS
import pytest
from custom_components.stillwell.engine import carbonate, limewater
from custom_components.stillwell.engine.carbonate import TankWater
from custom_components.stillwell.engine.limewater import Stock
from custom_components.stillwell.engine.validity import InputError, InputFault
from phreeqpython import PhreeqPython

MEQ_AT_25_C = 40.6
"""Bates, Bower and Smith, J. Res. NBS 56 (1956): 0.0203 mol/L, twice."""


def test_strength_at_25_c_is_that_of_bates_bower_and_smith() -> None:
    """Four figures are printed (0.0203): 0.25 %."""
    assert limewater.alkalinity_meq_per_l(25.0) == pytest.approx(MEQ_AT_25_C, rel=2.5e-3)
    # 0.0203 mol/L of calcium, 40.078 g/mol
    assert limewater.calcium_mg_per_l(25.0) == pytest.approx(813.6, rel=2.5e-3)


def test_strength_at_25_c_agrees_with_phreeqc() -> None:
    """Portlandite in the Pitzer database: 20.1 mmol/kg water; 2 % covers kg against L."""
    solution = PhreeqPython(database="pitzer.dat").add_solution({"temp": 25})
    solution.equalize(["Portlandite"], [0])
    mol_per_kg = solution.total("Ca") / 1000.0
    assert limewater.saturation_mol_per_l(25.0) == pytest.approx(mol_per_kg, rel=0.02)


@pytest.mark.parametrize(
    ("temp_c", "tables"), [(10.0, (1.76, 1.82)), (20.0, (1.65, 1.73)), (30.0, (1.53, 1.60))]
)
def test_strength_follows_the_handbook_tables(temp_c: float, tables: tuple[float, float]) -> None:
    """g/L of Ca(OH)2 (74.093 g/mol) in two handbook tables that differ by 5 %. Checked is
    the trend from 25 degC (their mean of 20 and 30), to the 6 % that the strength is good to."""
    grams = limewater.saturation_mol_per_l(temp_c) * 74.093
    at_25 = limewater.saturation_mol_per_l(25.0) * 74.093
    both = [
        table / (0.5 * (a + b))
        for table, a, b in zip(tables, (1.65, 1.73), (1.53, 1.60), strict=True)
    ]
    assert min(both) * 0.94 <= grams / at_25 <= max(both) * 1.06


@pytest.mark.parametrize("share", [0.25, 0.4, 0.5, 0.65, 0.75, 0.9])
def test_strength_from_conductivity_is_phreeqcs(share: float) -> None:
    """Specific conductance from PHREEQC; between the rows of the table lies a curve: 1 %."""
    solution = PhreeqPython(database="pitzer.dat").add_solution(
        {"temp": 25, "units": "mol/kgw", "Ca": share * 0.020116, "pH": "12 charge"}
    )
    found = limewater.strength_frac(solution.sc / 1000.0, 25.0)
    assert found == pytest.approx(share, abs=0.01)


def test_conductivity_stays_below_the_limit_of_free_ions() -> None:
    """Kohlrausch: 119.0 + 2 x 198.0 S cm2/mol at infinite dilution; real solutions are below."""
    for conductivity in (1.0, 4.0, 8.0):
        mol = limewater.strength_frac(conductivity, 25.0) * 0.0203
        assert conductivity < mol * (119.0 + 2 * 198.0)


def test_conductivity_of_a_warm_stock_is_brought_to_25_c() -> None:
    """1.9 % per kelvin, common practice: 8.634 mS/cm at 30 degC is 7.885 at 25."""
    assert limewater.strength_frac(8.634, 30.0) == pytest.approx(0.907, abs=1e-3)
    assert limewater.strength_frac(9.5, 25.0) == 1.0


@pytest.mark.parametrize(
    ("conductivity", "fault"),
    [(8200.0, InputFault.MICROSIEMENS), (53.0, InputFault.OUTSIDE_RANGE)],
)
def test_conductivity_refuses(conductivity: float, fault: InputFault) -> None:
    with pytest.raises(InputError) as caught:
        limewater.strength_frac(conductivity, 25.0)
    assert caught.value.fault is fault


@pytest.mark.parametrize(
    ("share", "stock"), [(1.0, Stock.SATURATED), (0.7, Stock.WEAK), (0.3, Stock.SPENT)]
)
def test_stock(share: float, stock: Stock) -> None:
    assert limewater.judge_stock(share) is stock


@pytest.mark.parametrize("share", [1.1, -0.1])
def test_stock_refuses(share: float) -> None:
    with pytest.raises(InputError):
        limewater.judge_stock(share)


def test_fahrenheit_is_refused() -> None:
    with pytest.raises(InputError) as caught:
        limewater.saturation_mol_per_l(77.0)
    assert caught.value.fault is InputFault.FAHRENHEIT


@pytest.mark.parametrize(
    ("percent", "dkh"), [(0.5, 0.569), (1.0, 1.138), (1.5, 1.708), (2.0, 2.277)]
)
def test_what_the_evaporation_brings(percent: float, dkh: float) -> None:
    """(E/V) x 40.6 meq/L x 2.80387 dKH; by hand."""
    found = limewater.rise_dkh(3.0 * percent, 300.0, MEQ_AT_25_C)
    assert found == pytest.approx(dkh, abs=6e-4)
    assert limewater.limewater_for_rise_l(found, 300.0, MEQ_AT_25_C) == pytest.approx(3 * percent)


def test_evaporation_or_alkalinity_bounds_the_day() -> None:
    """300 L: 1 dKH is 300 / 2.80387 / 40.6 = 2.635 L; 80 % of 3 L are 2.4 L."""
    by_alkalinity = limewater.allowed_l_per_day(4.5, 1.0, 300.0, 1.0, MEQ_AT_25_C)
    assert by_alkalinity == pytest.approx(2.635, abs=1e-3)
    assert limewater.allowed_l_per_day(3.0, 0.8, 300.0, 1.0, MEQ_AT_25_C) == pytest.approx(2.4)


# pH


def _air(pco2: float, salinity: float, temp_c: float) -> tuple[float, float, float]:
    """Return pH (total), pH as buffers show it, and carbon, of water in balance with air."""
    found = PyCO2SYS.sys(2300, pco2, 1, 4, salinity=salinity, temperature=temp_c)
    return float(found["pH"]), float(found["pH"]) + carbonate.NBS_ABOVE_TOTAL, float(found["dic"])


@pytest.mark.parametrize("added", [50.0, 100.0, 300.0, 1000.0, 2000.0])
@pytest.mark.parametrize(("salinity", "temp_c"), [(35.0, 25.0), (30.0, 22.0), (38.0, 29.0)])
@pytest.mark.parametrize("pco2", [420.0, 1200.0])
def test_ph_rise_is_that_of_pyco2sys(
    added: float, salinity: float, temp_c: float, pco2: float
) -> None:
    """Closed system, alkalinity up, carbon unchanged. The same constants are PyCO2SYS's
    defaults; it also counts free acid by sulfate, which is nothing at this pH: 0.5 %."""
    before, shown, carbon = _air(pco2, salinity, temp_c)
    after = PyCO2SYS.sys(2300 + added, carbon, 1, 2, salinity=salinity, temperature=temp_c)
    found = TankWater(2300.0, shown, salinity, temp_c).ph_rise(added)
    assert found == pytest.approx(float(after["pH"]) - before, rel=5e-3)


@pytest.mark.parametrize(
    ("rise", "umol"), [(0.05, 32.86), (0.1, 68.28), (0.2, 147.26), (0.5, 454.50)]
)
def test_hydroxide_for_a_rise(rise: float, umol: float) -> None:
    """Solved beforehand with PyCO2SYS for 2300 umol/kg and 420 uatm; 0.5 % as above."""
    water = TankWater(2300.0, _air(420.0, 35.0, 25.0)[1])
    assert water.hydroxide_for_rise(rise) == pytest.approx(umol, rel=5e-3)


def test_stale_air_makes_the_same_dose_bite_harder() -> None:
    """PyCO2SYS: +0.1 takes 84.4, 68.3, 49.7 and 40.9 umol/kg at 250 to 1200 uatm."""
    for pco2, umol in ((250.0, 84.4), (420.0, 68.3), (800.0, 49.7), (1200.0, 40.9)):
        water = TankWater(2300.0, _air(pco2, 35.0, 25.0)[1])
        assert water.hydroxide_for_rise(0.1) == pytest.approx(umol, rel=7e-3)


def test_largest_dose() -> None:
    """1.721 mL of limewater per litre of tank for +0.1 (PyCO2SYS, 40.6 meq/L): 0.516 L in 300 L."""
    water = TankWater(2300.0, _air(420.0, 35.0, 25.0)[1])
    found = limewater.largest_dose_l(water, 300.0, MEQ_AT_25_C, 0.1)
    assert found == pytest.approx(0.5163, rel=7e-3)


def test_ph_of_the_buffer_scale_lies_above_the_total_scale_by_the_offset() -> None:
    """PyCO2SYS gives both."""
    found = PyCO2SYS.sys(2300, 420, 1, 4, salinity=35, temperature=25)
    gap = float(found["pH_nbs"]) - float(found["pH_total"])
    assert pytest.approx(gap, abs=5e-4) == carbonate.NBS_ABOVE_TOTAL


@pytest.mark.parametrize(
    "water",
    [
        TankWater(2300.0, 8.1, 10.0),
        TankWater(2300.0, 8.1, 35.0, 77.0),
        TankWater(8.0, 8.1),  # dKH typed for umol/kg
        TankWater(2300.0, 3.0),
    ],
)
def test_water_outside_the_constants_is_refused(water: TankWater) -> None:
    with pytest.raises(InputError):
        water.ph_rise(100.0)
