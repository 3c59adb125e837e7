"""Limits of a fill line that cannot protect, by arithmetic on the trade's figures.

A reservoir of 300 x 300 x 380 mm is refilled from 3 in to 13 in of its strip in a little over an
hour and cut off at two (common practice, no source); an inch of it is 2.286 L.
"""

from dataclasses import replace

import pytest
from custom_components.stillwell.engine.line_limits import (
    Acceptance,
    Fault,
    Finding,
    Line,
    acceptance,
    finding,
    fresh_water_cap_l,
    slowest_interval_s,
)

L_PER_IN = 30.0 * 30.0 * 2.54 / 1000.0
BAND_L = 10 * L_PER_IN
RATE_L_PER_S = BAND_L / 3900.0
LAGOON = Line(
    longest_run_s=7200.0,
    band_l=BAND_L,
    capacity_l=15 * L_PER_IN,
    rate_l_per_s=RATE_L_PER_S,
    interval_s=30.0,
)


def test_common_practice_is_fine_learned_or_not() -> None:
    assert finding(LAGOON) is None
    assert finding(replace(LAGOON, rate_l_per_s=None, interval_s=None)) is None
    assert finding(replace(LAGOON, rate_l_per_s=0.0)) is None
    assert finding(replace(LAGOON, daily_volume_l=BAND_L, daily_run_s=7200.0)) is None


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"longest_run_s": 59.0}, Finding(Fault.RUN_RANGE, 59.0, None)),
        ({"longest_run_s": 86_401.0}, Finding(Fault.RUN_RANGE, 86_401.0, None)),
        # Half an hour of reports: four in two hours is the least, so 2 h of run at least.
        ({"interval_s": 1801.0}, Finding(Fault.REPORTS, 1801.0, 7260.0)),
        ({"interval_s": 1800.0}, None),
        # Every seven hours: four times that is more than a day.
        ({"interval_s": 25_200.0}, Finding(Fault.REPORTS, 25_200.0, None)),
        ({"stale_after_s": 2700.0}, Finding(Fault.STALE, 2700.0, 10_800.0)),
        # 65 minutes are needed; half as much again, in whole minutes, is 98 min.
        ({"longest_run_s": 3600.0}, Finding(Fault.RUN_SHORT, 3900.0, 5880.0)),
        # The vessel holds 15 in: twice that at 10 in in 65 min takes 195 min.
        ({"longest_run_s": 11_701.0}, Finding(Fault.RUN_POURS, 11_700.0, 5880.0)),
        ({"daily_volume_l": BAND_L - 0.1}, Finding(Fault.DAILY_VOLUME, BAND_L, 2 * BAND_L)),
        ({"daily_run_s": 7199.0}, Finding(Fault.DAILY_RUN, 7200.0, 14_400.0)),
    ],
)
def test_what_does_not_protect_is_told_with_a_value_that_does(
    changes: dict[str, float], expected: Finding | None
) -> None:
    found = finding(replace(LAGOON, **changes))
    if expected is None or found is None:
        assert found is expected
        return
    assert found.fault is expected.fault
    assert found.figure == pytest.approx(expected.figure)
    assert found.works == (None if expected.works is None else pytest.approx(expected.works))


def test_a_small_sump_and_a_quick_pump_may_run_a_minute_at_least() -> None:
    """Twice 2 L at 0.1 L/s take 40 s, less than any limit may be."""
    sump = Line(longest_run_s=60.0, band_l=0.5, capacity_l=2.0, rate_l_per_s=0.1)
    assert finding(sump) is None
    found = finding(replace(sump, longest_run_s=61.0))
    assert found == Finding(Fault.RUN_POURS, 60.0, 60.0)


SUMP = Line(longest_run_s=600.0, band_l=4.0, capacity_l=60.0, cap_frac=0.01, system_l=450.0)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        # One hundredth of 450 L is 4.5 L.
        ({}, None),
        ({"band_l": 4.5}, None),
        # 5 L of 450 L are 1.11 %, to the tenth of a percent above: 1.2 %.
        ({"band_l": 5.0}, Finding(Fault.CAP_SMALL, 4.5, 0.012)),
        # 25 L are 5.6 %: no cap that is allowed is enough.
        ({"band_l": 25.0}, Finding(Fault.CAP_MARKS, 4.5, None)),
        ({"cap_frac": 0.0009}, Finding(Fault.CAP_RANGE, 0.0009, None)),
        ({"cap_frac": 0.051}, Finding(Fault.CAP_RANGE, 0.051, None)),
        # The lagoon's reservoir is no water of the animals: no cap.
        ({"band_l": 25.0, "cap_frac": None}, None),
    ],
)
def test_fresh_water_of_one_run_stays_below_its_cap(
    changes: dict[str, float | None], expected: Finding | None
) -> None:
    assert finding(replace(SUMP, **changes)) == expected


def test_the_default_cap_is_a_third_of_a_psu() -> None:
    """Mass balance of salt with the volume grown: 35 x (1 - 1 / 1.01) is 0.347 PSU."""
    cap_l = fresh_water_cap_l(450.0, 0.01)
    assert cap_l == pytest.approx(4.5)
    assert 35.0 * (1.0 - 450.0 / (450.0 + cap_l)) == pytest.approx(0.34, abs=0.01)


def test_what_is_said_to_work_works() -> None:
    for changes in (
        {"longest_run_s": 3600.0},
        {"longest_run_s": 12_000.0},
        {"interval_s": 1900.0},
        {"stale_after_s": 2700.0},
    ):
        line = replace(LAGOON, **changes)
        found = finding(line)
        assert found is not None
        assert found.works is not None
        assert finding(replace(line, longest_run_s=found.works)) is None
    line = replace(SUMP, band_l=5.0)
    found = finding(line)
    assert found is not None
    assert found.works is not None
    assert finding(replace(line, cap_frac=found.works)) is None


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        # Four reports of 2000 s take 8000 s: 134 whole minutes. In 2000 s 22.86 L in 3900 s
        # become 11.723 L.
        ({"interval_s": 2000.0}, Acceptance(8040.0, True, 2000.0, 22.86 / 3900.0 * 2000.0)),
        ({"interval_s": 2000.0, "rate_l_per_s": None}, Acceptance(8040.0, True, 2000.0, None)),
        # A longest run that is long enough stays.
        ({"interval_s": 60.0, "rate_l_per_s": None}, Acceptance(7200.0, True, 60.0, None)),
        # Three intervals of 2000 s are 6000 s; less may be missed by a report that is only late.
        (
            {"interval_s": 2000.0, "rate_l_per_s": None, "stale_after_s": 5999.0},
            Acceptance(8040.0, False, 2000.0, None),
        ),
        # One of 400 s lets reports of 100 s pass, and a run of two hours bears it.
        (
            {"interval_s": 100.0, "rate_l_per_s": None, "stale_after_s": 400.0},
            Acceptance(7200.0, True, 100.0, None),
        ),
        # Nothing is known, more than a day would be needed, a day may hold two hours only,
        # and the vessel would be poured twice over (195 min at this rate, 200 are needed).
        ({"interval_s": None}, None),
        ({"interval_s": 25_200.0, "rate_l_per_s": None}, None),
        ({"interval_s": 2000.0, "daily_run_s": 7200.0}, None),
        ({"interval_s": 3000.0}, None),
    ],
)
def test_what_lets_rare_reports_guard_a_line(
    changes: dict[str, float | None], expected: Acceptance | None
) -> None:
    found = acceptance(replace(LAGOON, **changes))
    if expected is None or found is None:
        assert found is expected
        return
    assert (found.longest_run_s, found.keeps_stale, found.unseen_s) == (
        expected.longest_run_s,
        expected.keeps_stale,
        expected.unseen_s,
    )
    assert found.unseen_l == (
        None if expected.unseen_l is None else pytest.approx(expected.unseen_l)
    )


@pytest.mark.parametrize(
    ("longest_run_s", "apart_s"),
    # A quarter each: of ten minutes, of one, of 70 s (17.5 s, so 17 in whole seconds).
    [(600.0, 150.0), (60.0, 15.0), (70.0, 17.0)],
)
def test_reports_as_often_as_advised_can_guard_a_run(longest_run_s: float, apart_s: float) -> None:
    """Four reports in a run are the least; one second more between them is refused."""
    assert slowest_interval_s(longest_run_s) == apart_s
    line = replace(LAGOON, longest_run_s=longest_run_s, rate_l_per_s=None)
    assert finding(replace(line, interval_s=apart_s)) is None
    refused = finding(replace(line, interval_s=apart_s + 1.0))
    assert refused is not None
    assert refused.fault is Fault.REPORTS
