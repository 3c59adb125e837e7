"""Two-part dosing: stoichiometry by hand with IUPAC weights, slopes by scipy."""

import pytest
from custom_components.stillwell.engine import two_part
from custom_components.stillwell.engine.two_part import Alkali
from custom_components.stillwell.engine.validity import InputError
from scipy.stats import theilslopes

DAY = 86400.0


@pytest.mark.parametrize(
    ("ml", "litres", "mol", "part", "dkh"),
    [
        # M n v / (V x 0.356650 meq/L per dKH)
        (50.0, 300.0, 1.0, Alkali.CARBONATE, 0.934623),
        (50.0, 300.0, 0.9, Alkali.BICARBONATE, 0.420581),
        (10.0, 100.0, 1.8, Alkali.CARBONATE, 1.009393),
        (50.0, 300.0, 0.9, Alkali.HYDROXIDE, 0.420581),
    ],
)
def test_alkalinity(ml: float, litres: float, mol: float, part: Alkali, dkh: float) -> None:
    """Six figures of 1 dKH = 10 mg/L CaO at 56.0774 g/mol."""
    assert two_part.alkalinity_rise_dkh(ml, litres, mol, part) == pytest.approx(dkh, rel=3e-6)
    assert two_part.alkalinity_dose_ml(dkh, litres, mol, part) == pytest.approx(ml, rel=3e-6)


def test_calcium_and_what_is_left() -> None:
    """+10 mg/L in 100 L is 1 g of calcium: 24.951 mmol, 24.951 mL of 1 mol/L."""
    assert two_part.calcium_dose_ml(10.0, 100.0, 1.0) == pytest.approx(24.951, rel=1e-4)
    # 58.443 mg of NaCl per meq, 0.356650 meq/L per dKH
    assert two_part.salt_left_mg_per_l(1.0) == pytest.approx(20.84, abs=0.01)


TESTS = [(0.0, 8.0), (1.0, 7.7), (2.0, 8.4), (3.0, 8.0), (4.0, 9.9), (6.0, 7.2), (7.0, 6.8)]
DOSES = [(1.5, 1.0)]


def test_consumption_is_the_slope_of_theil_and_sen() -> None:
    """scipy on the series freed of the dose by hand; its 80 % bounds count ranks the same way."""
    days = [day for day, _ in TESTS]
    freed = [value - (1.0 if day > 1.5 else 0.0) for day, value in TESTS]
    slope, _, low, high = theilslopes(freed, days, 0.8)
    found = two_part.consumption_per_day(
        [(day * DAY, value) for day, value in reversed(TESTS)],
        [(day * DAY, rise) for day, rise in DOSES],
    )
    assert found.likely == pytest.approx(-slope)
    assert (found.low, found.high) == pytest.approx((-high, -low))


@pytest.mark.parametrize("tests", [TESTS[:3], [(0.1 * n, 8.0) for n in range(6)]])
def test_too_little_is_refused(tests: list[tuple[float, float]]) -> None:
    with pytest.raises(InputError, match="two days"):
        two_part.consumption_per_day([(day * DAY, value) for day, value in tests], [])
