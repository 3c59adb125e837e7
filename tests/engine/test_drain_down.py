"""Room in the sump for what comes down: arithmetic on a box."""

from typing import Any

import pytest
from custom_components.stillwell.engine.drain_down import DrainDown
from custom_components.stillwell.engine.geometry import shape_from_dict
from custom_components.stillwell.engine.validity import InputError

SUMP = shape_from_dict({"kind": "box", "length_m": 0.6, "width_m": 0.4, "height_m": 0.4})
"""0.24 L a millimetre, 96 L in all."""


def test_room_and_highest_safe_level() -> None:
    """Stops of 18 and 20 L: 22 L are kept free; the rim at 0.38 m holds 91.2 L, so 69.2 L or
    0.28833 m is the highest running level."""
    learned = DrainDown()
    assert learned.room(SUMP, 0.2, 0.38) is None
    learned.stopped(48.0, 66.0)
    learned.stopped(48.0, 68.0)
    room = learned.room(SUMP, 0.2, 0.38)
    assert room is not None
    assert (room.free_l, room.needed_l) == (pytest.approx(43.2), pytest.approx(22.0))
    assert room.spare_l == pytest.approx(21.2)
    assert room.is_safe
    assert room.highest_safe_m == pytest.approx(0.288333, abs=1e-6)
    high = learned.room(SUMP, 0.3, 0.38)
    assert high is not None
    assert high.spare_l == pytest.approx(-2.8)
    assert not high.is_safe


def test_a_sump_that_is_too_small_has_no_safe_level() -> None:
    learned = DrainDown()
    learned.stopped(10.0, 90.0)
    room = learned.room(SUMP, 0.05, 0.3)
    assert room is not None
    assert room.highest_safe_m is None


def test_a_stop_may_count_for_more_but_not_for_less() -> None:
    learned = DrainDown()
    assert learned.largest_l is None
    assert not learned.corrected(48.0, 66.0)
    learned.stopped(48.0, 66.0)
    assert learned.corrected(48.0, 68.0)
    assert not learned.corrected(48.0, 67.0)
    assert learned.largest_l == pytest.approx(20.0)


def test_refusals_and_snapshot() -> None:
    learned = DrainDown()
    with pytest.raises(InputError):
        learned.stopped(48.0, 40.0)
    learned.stopped(48.0, 66.0)
    for level, rim in ((0.5, 0.38), (0.2, 0.5)):
        with pytest.raises(InputError):
            learned.room(SUMP, level, rim)
    assert DrainDown.restore(learned.snapshot()).needed_l == pytest.approx(19.8)


@pytest.mark.parametrize("stops", [None, ["x"], [-1.0], [float("nan")]], ids=str)
def test_a_damaged_snapshot_is_refused(stops: Any) -> None:
    with pytest.raises(ValueError, match="stops"):
        DrainDown.restore({"stops_l": stops})
