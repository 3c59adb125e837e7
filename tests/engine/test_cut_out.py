"""The heater's cut-out: limits, margin, latch, silence; plain sequences worked out by hand."""

from math import nan
from typing import Any

import pytest
from custom_components.stillwell.engine.cut_out import (
    CutOut,
    CutOutFacts,
    CutOutReason,
    CutOutView,
)
from custom_components.stillwell.engine.validity import InputError

MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0
HIGH_C = 28.0
OK = CutOutView(is_lost=False, is_cut_out=False, is_locked_out=False, reason=CutOutReason.NONE)


def facts(
    temp_c: float | None, *, warm: bool = False, stuck: bool = False, heard_s: float | None = None
) -> CutOutFacts:
    return CutOutFacts(temp_c, heard_s, is_too_warm=warm, is_stuck_on=stuck)


def look(
    cut_out: CutOut,
    t_s: float,
    temp_c: float | None,
    *,
    warm: bool = False,
    stuck: bool = False,
    heard_s: float | None = None,
    started: bool = True,
) -> CutOutView:
    """Take a look; a temperature was reported just now unless said otherwise."""
    if heard_s is None and temp_c is not None:
        heard_s = t_s
    now = facts(temp_c, warm=warm, stuck=stuck, heard_s=heard_s)
    return cut_out.take(t_s, now, has_started=started)


def _off(reason: CutOutReason, *, lost: bool = False, locked: bool = False) -> CutOutView:
    return CutOutView(is_lost=lost, is_cut_out=True, is_locked_out=locked, reason=reason)


def test_off_above_the_limit_and_back_only_by_the_margin() -> None:
    """The margin is half a kelvin: back at 27.5 degC."""
    cut_out = CutOut(HIGH_C)
    assert look(cut_out, 0.0, 26.0) == OK
    assert look(cut_out, 60.0, 28.1, warm=True) == _off(CutOutReason.TOO_WARM)
    assert look(cut_out, 120.0, 27.7) == _off(CutOutReason.RETURNING)
    assert look(cut_out, 150.0, None) == _off(CutOutReason.RETURNING)
    assert look(cut_out, 180.0, 27.5) == OK
    # Without having been off, 27.7 is inside the band.
    assert look(cut_out, 240.0, 27.7) == OK


def test_the_second_time_within_a_day_latches_until_the_reset() -> None:
    cut_out = CutOut(HIGH_C)
    look(cut_out, 0.0, 28.1, warm=True)
    look(cut_out, HOUR, 26.0)
    assert look(cut_out, DAY + 1.0, 28.1, warm=True) == _off(CutOutReason.TOO_WARM)
    look(cut_out, DAY + HOUR, 26.0)
    locked = look(cut_out, DAY + 2 * HOUR, 28.1, warm=True)
    assert locked == _off(CutOutReason.REPEATED, locked=True)
    assert look(cut_out, 9 * DAY, 25.0) == _off(CutOutReason.REPEATED, locked=True)
    assert cut_out.refusal(facts(25.0), is_lost=False) is CutOutReason.NONE
    cut_out.reset()
    assert look(cut_out, 9 * DAY + 60.0, 25.0) == OK
    assert look(cut_out, 9 * DAY + HOUR, 28.1, warm=True) == _off(CutOutReason.TOO_WARM)


def test_swaying_about_the_margin_counts_once() -> None:
    cut_out = CutOut(HIGH_C)
    for minute in range(0, 40, 4):
        look(cut_out, minute * MINUTE, 28.1, warm=True)
        view = look(cut_out, (minute + 2) * MINUTE, 27.9)
    assert view == _off(CutOutReason.RETURNING)


def test_a_heater_stuck_on_is_latched_at_once() -> None:
    cut_out = CutOut(HIGH_C)
    assert look(cut_out, 0.0, 26.0, stuck=True) == _off(CutOutReason.STUCK_ON, locked=True)
    assert look(cut_out, 60.0, 26.0) == _off(CutOutReason.STUCK_ON, locked=True)


@pytest.mark.parametrize(
    ("now", "lost", "reason"),
    [
        (facts(26.0, stuck=True), False, CutOutReason.STUCK_ON),
        (facts(28.5, warm=True), False, CutOutReason.TOO_WARM),
        (facts(None), True, CutOutReason.SILENT),
    ],
)
def test_a_reset_is_refused_while_the_cause_stands(
    now: CutOutFacts, lost: bool, reason: CutOutReason
) -> None:
    assert CutOut(HIGH_C).refusal(now, is_lost=lost) is reason


def test_silence_counts_from_the_last_valid_reading_or_the_start() -> None:
    cut_out = CutOut(HIGH_C, silence_s=600.0)
    assert look(cut_out, 0.0, None) == OK
    assert look(cut_out, 599.0, None) == OK
    assert look(cut_out, 600.0, None) == _off(CutOutReason.SILENT, lost=True)
    assert look(cut_out, 660.0, 26.0, heard_s=660.0) == OK
    # The same state is there still, and was reported 10 minutes ago.
    assert look(cut_out, 1259.0, 26.0, heard_s=660.0) == OK
    assert look(cut_out, 1260.0, 26.0, heard_s=660.0).is_lost
    # A clock set back starts the silence anew instead of stretching it.
    assert look(cut_out, 100.0, None) == _off(CutOutReason.RETURNING)
    assert look(cut_out, 700.0, None).is_lost
    with pytest.raises(InputError):
        CutOut(HIGH_C, silence_s=0.0)


def test_the_latch_outlives_a_restart_and_warm_water_is_no_second_time() -> None:
    first = CutOut(HIGH_C)
    look(first, 0.0, 28.1, warm=True)
    second = CutOut(HIGH_C)
    second.restore(first.snapshot())
    assert look(second, 60.0, None) == _off(CutOutReason.RETURNING)
    assert look(second, 120.0, 28.1, warm=True) == _off(CutOutReason.TOO_WARM)
    look(second, 180.0, 28.1, warm=True, stuck=True)
    third = CutOut(HIGH_C)
    third.restore(second.snapshot())
    assert look(third, 240.0, 26.0) == _off(CutOutReason.STUCK_ON, locked=True)


def test_what_a_restart_finds_ended_ends_five_minutes_later() -> None:
    """So that who hears only from on to off hears it."""
    first = CutOut(HIGH_C)
    look(first, 0.0, 28.1, warm=True)
    second = CutOut(HIGH_C)
    second.restore(first.snapshot())
    assert look(second, 1000.0, 26.0) == _off(CutOutReason.RETURNING)
    assert look(second, 1299.0, 26.0) == _off(CutOutReason.RETURNING)
    assert look(second, 1300.0, 26.0) == OK
    # A clock that is set back does not draw it out.
    third = CutOut(HIGH_C)
    third.restore(first.snapshot())
    assert look(third, 1000.0, 26.0) == _off(CutOutReason.RETURNING)
    assert look(third, 900.0, 26.0) == OK
    # What was not off is not off after a restart.
    fourth = CutOut(HIGH_C)
    fourth.restore(third.snapshot())
    assert look(fourth, 960.0, 26.0) == OK


def test_the_five_minutes_count_from_the_first_look_of_a_hub_that_has_started() -> None:
    """A hub may take longer than that to start, and until then no rule hears anything."""
    first = CutOut(HIGH_C)
    look(first, 0.0, 28.1, warm=True)
    second = CutOut(HIGH_C)
    second.restore(first.snapshot())
    for t_s in (1000.0, 1300.0, 1900.0):
        assert look(second, t_s, 26.0, started=False) == _off(CutOutReason.RETURNING)
    assert look(second, 1930.0, 26.0) == _off(CutOutReason.RETURNING)
    assert look(second, 2229.0, 26.0) == _off(CutOutReason.RETURNING)
    assert look(second, 2230.0, 26.0) == OK
    # A reset while the hub starts would not be heard either.
    look(first, 60.0, 28.1, warm=True, stuck=True)
    third = CutOut(HIGH_C)
    third.restore(first.snapshot())
    assert look(third, 1000.0, 26.0, started=False).is_locked_out
    third.reset()
    assert look(third, 1400.0, 26.0, started=False) == _off(CutOutReason.RETURNING)
    assert look(third, 1430.0, 26.0) == _off(CutOutReason.RETURNING)
    assert look(third, 1730.0, 26.0) == OK
    # What was not off is not off while the hub starts.
    fourth = CutOut(HIGH_C)
    fourth.restore(second.snapshot())
    assert look(fourth, 2300.0, 26.0, started=False) == OK


def test_a_reset_soon_after_a_restart_ends_at_once() -> None:
    """Who resets is there, and a latch was shown all the time."""
    first = CutOut(HIGH_C)
    look(first, 0.0, 26.0, stuck=True)
    second = CutOut(HIGH_C)
    second.restore(first.snapshot())
    assert look(second, 60.0, 26.0) == _off(CutOutReason.STUCK_ON, locked=True)
    second.reset()
    assert look(second, 61.0, 26.0) == OK


@pytest.mark.parametrize(
    "broken",
    [{"latched": "x"}, {"latched": "silent"}, {"trips": None}, {"trips": [nan]}, {"warm": 1},
     {"is_off": None}],
    ids=str,
)  # fmt: skip
def test_damaged_memory_is_refused(broken: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"damaged|valid|number"):
        CutOut(HIGH_C).restore(CutOut(HIGH_C).snapshot() | broken)
