"""A batch in a mixing vat: its masses by gsw."""

import gsw
import pytest
from custom_components.stillwell.engine.validity import InputError, InputFault
from custom_components.stillwell.engine.vat import Wanted, stated_psu, to_mix, usual_if_odd_c


def rho(psu: float, temp_c: float) -> float:
    """Density in kg/L (TEOS-10)."""
    return float(gsw.rho_t_exact(gsw.SR_from_SP(psu), temp_c, 0.0)) / 1000.0


def salt_kg(volume_l: float, psu: float, temp_c: float) -> float:
    """Dry salt in a volume, kg (TEOS-10 reference salinity)."""
    return volume_l * rho(psu, temp_c) * float(gsw.SR_from_SP(psu)) / 1000.0


def test_an_empty_vat_needs_no_salinity() -> None:
    """100 L at 35 PSU and 25 degC hold 3.5986 kg of dry salt; EOS-80 and TEOS-10 agree to 2e-5."""
    found = to_mix(Wanted(100.0, 35.0), 0.9, None)
    assert found is not None
    assert found.salt_kg == pytest.approx(salt_kg(100.0, 35.0, 25.0), rel=1e-4)
    assert found.salt_kg == pytest.approx(3.5986, rel=1e-4)
    water_kg = 100.0 * rho(35.0, 25.0) - salt_kg(100.0, 35.0, 25.0)
    assert found.fresh_l == pytest.approx(water_kg / rho(0.0, 25.0), rel=1e-4)


def test_the_rest_of_the_last_batch_counts_with_its_salinity() -> None:
    """30 L at 33 PSU and 20 degC to 80 L at 36, with salt that holds 8 % of water."""
    found = to_mix(Wanted(80.0, 36.0, 0.08), 30.0, 33.0, 20.0)
    assert found is not None
    weighed_kg = (salt_kg(80.0, 36.0, 20.0) - salt_kg(30.0, 33.0, 20.0)) / 0.92
    water_kg = 80.0 * rho(36.0, 20.0) - 30.0 * rho(33.0, 20.0) - weighed_kg
    assert found.salt_kg == pytest.approx(weighed_kg, rel=1e-4)
    assert found.fresh_l == pytest.approx(water_kg / rho(0.0, 20.0), rel=2e-4)


def test_what_is_not_known_is_not_assumed() -> None:
    wanted = Wanted(80.0, 35.0)
    assert to_mix(wanted, None, 35.0) is None
    assert to_mix(wanted, 1.0, None) is None
    with pytest.raises(InputError):
        to_mix(wanted, 79.0, 40.0)


def test_a_specific_gravity_is_no_salinity() -> None:
    """A bare 1.026 may mean anything from 33.9 to 38.5 PSU, by its references."""
    assert stated_psu(34.6) == 34.6
    for value, fault in (
        (1.026, InputFault.NO_REFERENCE),
        (53.1, InputFault.OUTSIDE_RANGE),
        (-1.0, InputFault.OUTSIDE_RANGE),
    ):
        with pytest.raises(InputError) as caught:
            stated_psu(value)
        assert caught.value.fault is fault


def test_a_temperature_that_no_such_water_has_is_not_taken() -> None:
    """The density of 1983 holds from -2 to 40 degC (UNESCO Tech. Pap. Mar. Sci. 44)."""
    assert [usual_if_odd_c(at) for at in (None, -2.1, 40.1, 85.0, float("nan"))] == [25.0] * 5
    assert [usual_if_odd_c(at) for at in (-2.0, 21.5, 40.0)] == [-2.0, 21.5, 40.0]
