"""Low water: the trade's refill mark of 3 of 13 inches, and no chatter around it."""

import random
from itertools import pairwise

import pytest
from custom_components.stillwell.engine.low_water import is_low

# Refill below 3 in, full at 13 in (common practice, no source); a litre an inch for simplicity.
START_L, FULL_L = 3.0, 13.0


@pytest.mark.parametrize(
    ("volume_l", "was_low", "expected"),
    [
        (3.01, False, False),
        (3.0, False, True),
        (3.19, True, True),  # 2 % of 10 L are 0.2 L
        (3.21, True, False),
        (None, True, None),
        (None, False, None),
    ],
)
def test_low_begins_at_the_mark_and_ends_above_it(
    volume_l: float | None, was_low: bool, expected: bool | None
) -> None:
    assert is_low(volume_l, START_L, FULL_L, was_low=was_low) is expected


def test_noise_around_the_mark_changes_it_once() -> None:
    noise = random.Random(1)
    states, low = [], False
    for n in range(2000):
        low = bool(is_low(3.5 - n / 2000 + noise.uniform(-0.09, 0.09), 3.0, 13.0, was_low=low))
        states.append(low)
    changes = sum(a is not b for a, b in pairwise(states))
    assert changes == 1
