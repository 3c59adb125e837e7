"""What cannot be, in English for the log, with its values kept for other languages."""

import pytest
from custom_components.stillwell.engine.calibration import PourError, PourFault
from custom_components.stillwell.engine.geometry import Box, GeometryError, Strapping
from custom_components.stillwell.engine.guard_state import GuardSettings
from custom_components.stillwell.engine.invalid import TEXTS, Amount, Code, Invalid, Term
from custom_components.stillwell.engine.validity import DamagedError, InputFault, number


def test_each_code_has_an_english_text() -> None:
    assert set(TEXTS) == set(Code)


def test_it_is_a_value_error_that_says_what_is_wrong() -> None:
    with pytest.raises(ValueError, match=r"^a share must lie from 0 to 0\.5 L$") as caught:
        raise Invalid(Code.BETWEEN, what=Term("a share"), low=0.0, high=Amount(0.5, "L"))
    assert isinstance(caught.value, Invalid)
    assert caught.value.code is Code.BETWEEN
    assert caught.value.values["high"] == Amount(0.5, "L")


def test_amounts_in_english() -> None:
    assert str(Amount(0.4)) == "0.4"
    assert str(Amount(0.4, "m")) == "0.4 m"
    assert str(Amount((0.0, 0.2), "m")) == "[0.0, 0.2] m"


def test_dimensions_keep_their_unit() -> None:
    with pytest.raises(GeometryError) as caught:
        Box(60.0, 0.4, 0.45)
    assert caught.value.code is Code.TOO_LONG
    assert caught.value.values["value"] == Amount(60.0, "m")
    assert caught.value.values["works"] == Amount(0.6, "m")
    with pytest.raises(GeometryError) as caught:
        Strapping((0.0, 0.2), (1.0, 2.0))
    assert caught.value.values["value"] == Amount(1.0, "L")


def test_a_fault_of_a_pour_names_its_text_unless_another_is_given() -> None:
    assert PourError(PourFault.VOLUME, poured=Amount(0.0, "L")).code is Code.POUR_VOLUME
    assert PourError(PourFault.FEW_SAMPLES, Code.POUR_NOT_BEGUN).code is Code.POUR_NOT_BEGUN


def test_damaged_memory_is_told_in_full_to_the_log_alone() -> None:
    with pytest.raises(DamagedError, match="'x' is no finite number") as caught:
        number("x")
    assert caught.value.code is Code.DAMAGED
    assert caught.value.fault is InputFault.NOT_FINITE
    assert caught.value.values == {}


@pytest.mark.parametrize(
    ("limits", "code"),
    [
        ({"high_l": 0.0}, Code.GUARD_LIMITS),
        ({"high_l": 30.0, "daily_run_s": 0.0}, Code.GUARD_OPTIONAL),
        ({"high_l": 30.0, "settle_s": -1.0}, Code.GUARD_WAITS),
    ],
)
def test_limits_that_cannot_guard_have_their_codes(limits: dict[str, float], code: Code) -> None:
    with pytest.raises(Invalid) as caught:
        GuardSettings(**{"longest_run_s": 7200.0, **limits})
    assert caught.value.code is code
