"""Drain-down: conservation of water, by hand."""

import pytest
from custom_components.stillwell.engine.drain_down import DrainDown
from custom_components.stillwell.engine.validity import InputError


def _stop(learned: DrainDown, from_l: float, to_l: float, after_s: float = 300.0) -> None:
    learned.stopped(1000.0, from_l)
    learned.level(1060.0, to_l + 50.0)  # still sloshing: not counted
    learned.level(1000.0 + after_s, to_l)
    learned.level(1001.0 + after_s, to_l - 0.5)
    learned.started()


def test_the_largest_stop_counts() -> None:
    learned = DrainDown()
    assert learned.volume_l is None
    assert learned.margin_l(30.0, 60.0) is None
    assert learned.highest_safe_l(60.0) is None
    _stop(learned, 30.0, 42.0)
    _stop(learned, 30.0, 50.0)
    _stop(learned, 30.0, 41.0)
    assert learned.volume_l == 20.0
    assert learned.margin_l(30.0, 60.0) == 10.0
    assert learned.margin_l(45.0, 60.0) == -5.0
    assert learned.highest_safe_l(60.0) == pytest.approx(38.0)  # 60 - 1.1 x 20
    assert learned.highest_safe_l(10.0) == 0.0
    assert DrainDown.restore(learned.snapshot()).volume_l == 20.0


def test_what_teaches_nothing() -> None:
    learned = DrainDown()
    learned.level(0.0, 99.0)
    learned.started()
    _stop(learned, 30.0, 50.0, after_s=60.0)  # too short to settle
    _stop(learned, 30.0, 50.0, after_s=7200.0)  # top-off may have run
    assert learned.volume_l is None


@pytest.mark.parametrize("damaged", [{}, {"stops": [-1.0]}, {"stops": ["x"]}])
def test_damaged_memory_is_refused(damaged: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"number|below 0"):
        DrainDown.restore(damaged)


def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError):
        DrainDown().margin_l(1.0, 0.0)
    with pytest.raises(InputError):
        DrainDown().highest_safe_l(0.0)
