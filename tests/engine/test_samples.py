"""The last few samples, against a bounded deque of the standard library."""

from collections import deque

from custom_components.stillwell.engine.samples import Samples


def test_it_holds_what_a_bounded_deque_holds() -> None:
    """collections.deque(maxlen=...) is the reference."""
    want: deque[tuple[float, float]] = deque(maxlen=5)
    got = Samples(5)
    assert got.newest_s is None
    assert got.last(3) == []
    for k in range(13):
        want.append((60.0 * k, 0.3 - 0.01 * k))
        got.append(60.0 * k, 0.3 - 0.01 * k)
        assert list(got) == list(want)
        assert len(got) == len(want)
        assert got.newest_s == want[-1][0]
        assert got.last(3) == [value for _, value in want][-3:]
    got.clear()
    assert (len(got), list(got), got.newest_s) == (0, [], None)


def test_what_was_begun_to_be_read_does_not_change_by_new_samples() -> None:
    got = Samples(3)
    for k in range(3):
        got.append(float(k), 10.0 * k)
    reading = iter(got)
    got.append(3.0, 30.0)
    assert list(reading) == [(0.0, 0.0), (1.0, 10.0), (2.0, 20.0)]
