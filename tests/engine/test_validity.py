"""Refusals say which unit was mixed up and what would be right."""

from math import inf, nan

import pytest
from custom_components.stillwell.engine import validity
from custom_components.stillwell.engine.validity import InputError, InputFault


@pytest.mark.parametrize(
    ("given", "fault", "words"),
    [
        (77.0, InputFault.FAHRENHEIT, "25 degC would be right"),  # 77 degF = 25 degC exactly
        (298.15, InputFault.KELVIN, "25 degC would be right"),
        (-40.0, InputFault.OUTSIDE_RANGE, "check the value"),
        (nan, InputFault.NOT_FINITE, "finite"),
        (inf, InputFault.NOT_FINITE, "finite"),
    ],
)
def test_a_temperature_outside_says_what_it_looks_like(
    given: float, fault: InputFault, words: str
) -> None:
    with pytest.raises(InputError, match=words) as caught:
        validity.water_temp_c(given, 0.0, 40.0)
    assert caught.value.fault is fault


def test_what_lies_within_passes() -> None:
    assert validity.water_temp_c(0.0, 0.0, 40.0) == 0.0
    assert validity.positive("x", 0.1) == 0.1
    assert validity.not_negative("x", 0.0) == 0.0


@pytest.mark.parametrize("given", [0.0, -1.0, nan, inf])
def test_positive_refuses(given: float) -> None:
    with pytest.raises(InputError, match="must be above 0"):
        validity.positive("a volume", given, "L")


@pytest.mark.parametrize("given", [-0.1, nan, inf])
def test_not_negative_refuses(given: float) -> None:
    with pytest.raises(InputError, match="must not be below 0"):
        validity.not_negative("a volume", given, "L")
