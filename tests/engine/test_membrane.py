"""RO/DI production: form and arithmetic of ASTM D4516, and a published divisor table."""

from math import nan
from typing import Any

import pytest
from custom_components.stillwell.engine import membrane
from custom_components.stillwell.engine.membrane import Membrane, MembraneState
from custom_components.stillwell.engine.validity import InputError, InputFault


@pytest.mark.parametrize(
    ("temp_c", "divisor"),
    [(10, 1.711), (12, 1.588), (15, 1.422), (20, 1.189), (23, 1.071), (26, 0.971), (29, 0.889)],
)
def test_temperature_factor_by_a_published_divisor_table(temp_c: float, divisor: float) -> None:
    """A membrane supplier's table of divisors, printed to three decimals: half of the last."""
    assert 1.0 / membrane.temperature_factor(temp_c) == pytest.approx(divisor, abs=6e-4)


@pytest.mark.parametrize(
    ("temp_c", "feed_bar", "solids", "litres"),
    [(15.0, 4.14, 250.0, 199.755), (10.0, 3.0, 300.0, 116.427), (20.0, 5.5, 150.0, 325.854)],
)
def test_production_worked_with_d4516(
    temp_c: float, feed_bar: float, solids: float, litres: float
) -> None:
    """284 L/d at 25 degC, 4.14 bar, 250 mg/L and a recovery of 0.2, worked by hand through
    temperature factor and net driving pressure: normalising leads back, within rounding."""
    reference = membrane.driving_bar(4.14, 250.0, 0.2)
    driving = membrane.driving_bar(feed_bar, solids, 0.2)
    found = membrane.normalised_l_per_day(litres, temp_c, driving, reference)
    assert found == pytest.approx(284.0, rel=1e-4)


def test_without_pressure_only_the_temperature_counts() -> None:
    """284 L/d at 28 degC: 310.217, by hand."""
    assert membrane.normalised_l_per_day(310.217, 28.0) == pytest.approx(284.0, rel=1e-4)
    with pytest.raises(InputError) as caught:
        membrane.normalised_l_per_day(300.0, 20.0, 4.0)
    assert caught.value.fault is InputFault.NO_REFERENCE


def test_rejection_and_waste_by_arithmetic() -> None:
    assert membrane.rejection_frac(300.0, 6.0) == pytest.approx(0.98)
    assert membrane.waste_l(10.0, 4.0) == pytest.approx(40.0)
    # (1 - R) / R: 0.2 is 4 to 1, 0.25 is 3 to 1, 0.5 is 1 to 1.
    assert [membrane.recovery_frac(ratio) for ratio in (4.0, 3.0, 1.0)] == [0.2, 0.25, 0.5]
    for feed, product in ((0.0, 0.0), (300.0, 400.0)):
        with pytest.raises(InputError):
            membrane.rejection_frac(feed, product)
    with pytest.raises(InputError) as caught:
        membrane.temperature_factor(60.0)
    assert caught.value.fault is InputFault.FAHRENHEIT
    for bar, likely in ((60.0, "psi"), (410.0, "kPa")):
        with pytest.raises(InputError, match=f"looks like {likely}: 4.1"):
            membrane.driving_bar(bar, 250.0, 0.2)
    with pytest.raises(InputError):
        membrane.driving_bar(1.0, 3000.0, 0.2)


def test_the_trend_is_told_and_a_season_is_not() -> None:
    unit = Membrane()
    assert unit.state is MembraneState.LEARNING
    assert unit.ratio is None
    for month in range(6):  # from 20 down to 10 degC: half of it looks like a clogged filter
        temp_c = 20.0 - 2.0 * month
        raw = 200.0 * membrane.temperature_factor(temp_c)
        unit.run(50.0, membrane.normalised_l_per_day(raw, temp_c))
    assert unit.state is MembraneState.NORMAL
    for _ in range(2):
        unit.run(50.0, 160.0)
    assert unit.state is MembraneState.PRODUCTION_FALLING
    unit.changed("prefilter")
    assert unit.state is MembraneState.LEARNING
    for _ in range(5):
        unit.run(50.0, 200.0)
    for _ in range(2):
        unit.run(50.0, 250.0)
    assert unit.state is MembraneState.PRODUCTION_RISING


def test_litres_through_each_stage() -> None:
    unit = Membrane()
    unit.run(50.0, 200.0, 4.0)
    assert unit.passed_l("prefilter") == pytest.approx(250.0)
    assert unit.passed_l("resin") == pytest.approx(50.0)
    unit.changed("resin")
    assert unit.passed_l("resin") == 0.0
    assert unit.passed_l("membrane") == pytest.approx(250.0)
    with pytest.raises(InputError, match="no stage"):
        unit.changed("other")
    unit.run(10.0, None, 4.0)
    assert unit.passed_l("membrane") == pytest.approx(300.0)
    assert unit.snapshot()["runs"] == [200.0]
    unit.keep(("membrane", "carbon"))
    assert (unit.passed_l("membrane"), unit.passed_l("carbon")) == (300.0, 0.0)
    with pytest.raises(InputError, match="no stage"):
        unit.passed_l("resin")
    with pytest.raises(InputError):
        unit.run(0.0, 200.0)
    with pytest.raises(InputError):
        unit.run(1.0, 0.0)


def test_a_unit_comes_back_from_its_snapshot() -> None:
    unit = Membrane()
    assert Membrane.restore(unit.snapshot()).snapshot() == unit.snapshot()
    for _ in range(6):
        unit.run(50.0, 200.0, 4.0)
    assert Membrane.restore(unit.snapshot()).snapshot() == unit.snapshot()


@pytest.mark.parametrize(
    "broken",
    [{"runs": None}, {"stages_l": None}, {"runs": ["x"]}, {"baseline": nan},
     {"stages_l": {"resin": "x"}}, {"runs": [0.0]}, {"stages_l": {"resin": -1.0}}],
    ids=str,
)  # fmt: skip
def test_a_damaged_snapshot_is_refused(broken: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"unit|runs"):
        Membrane.restore({"runs": [], "baseline": None, "stages_l": {}} | broken)
