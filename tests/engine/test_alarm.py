"""Dead band and delays of an alarm, by a sequence worked out from IEC 62541-9, Annex B.1.5."""

import pytest
from custom_components.stillwell.engine.alarm import AlarmLimit, AlarmState, alarm
from custom_components.stillwell.engine.validity import InputError

VALUES = [95, 101, 99, 100, 102, 103, 101, 98, 96, 95, 94.9, 94, 96, 94, 93, 92, 91, 100, 101, 101]
ACTIVE = [0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 1]
"""High limit 100, dead band 5, both delays 60 s, a value each 30 s: written down by hand."""


@pytest.mark.parametrize("is_high", [True, False])
def test_sequence(is_high: bool) -> None:
    sign = 1.0 if is_high else -1.0
    limit = AlarmLimit(sign * 100.0, 5.0, 60.0, 60.0, is_high)
    state, seen = AlarmState(), []
    for n, value in enumerate(VALUES):
        state = alarm(state, limit, 30.0 * n, sign * value)
        seen.append(int(state.is_active))
    assert seen == ACTIVE


def test_without_delays_the_same_values_chatter() -> None:
    limit, state, came = AlarmLimit(100.0, 0.0, 0.0, 0.0), AlarmState(), 0
    for n, value in enumerate(VALUES):
        before, state = state, alarm(state, limit, 30.0 * n, value)
        came += state.is_active and not before.is_active
    assert came == 3


def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError, match="dead band"):
        AlarmLimit(1.0, -1.0, 0.0, 0.0)
    with pytest.raises(InputError, match="backwards"):
        alarm(AlarmState(turning_since_s=10.0), AlarmLimit(1.0, 0.0, 60.0, 0.0), 5.0, 2.0)
