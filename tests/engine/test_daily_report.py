"""What stands in a day's report, and in which order."""

import pytest
from custom_components.stillwell.engine.daily_report import (
    MOST_LINES,
    DayFacts,
    Topic,
    merged,
    report,
)

FULL = DayFacts(
    used_l=4.2, added_l=4.0, evaporation_l=4.1, expected_evaporation_l=3.9, salinity_psu=35.2,
    drift_psu_per_day=0.3, dose_l=1.1, no_dose_reason="hour_cap", swing_k=0.4, lowest_c=25.2,
    alarms=("reservoir_low",), tests_due=("alkalinity",), hands_needed=("mix_limewater",),
)  # fmt: skip


def test_nothing_known_says_nothing() -> None:
    assert report(DayFacts()) == []
    assert report(DayFacts(swing_k=0.4)) == []


def test_alarms_and_work_come_first() -> None:
    lines = report(FULL)
    assert [line.topic for line in lines] == [
        Topic.ALARM, Topic.HAND_NEEDED, Topic.TEST_DUE, Topic.USED, Topic.ADDED,
        Topic.EVAPORATION, Topic.SALINITY, Topic.DOSE_HELD, Topic.TEMPERATURE,
    ]  # fmt: skip
    assert lines[0].subject == "reservoir_low"
    assert lines[5].numbers == {"litres": 4.1, "expected_litres": 3.9}
    assert lines[7].subject == "hour_cap"
    assert round(lines[8].numbers["highest_c"], 6) == 25.6


def test_what_is_not_known_is_not_made_up() -> None:
    facts = DayFacts(evaporation_l=4.1, salinity_psu=35.0, drift_psu_per_day=0.02, dose_l=0.0)
    assert [line.topic for line in report(facts)] == [
        Topic.EVAPORATION_ONLY_MEASURED, Topic.SALINITY_STEADY, Topic.DOSE,
    ]  # fmt: skip
    assert report(DayFacts(salinity_psu=35.0))[0].topic is Topic.SALINITY_STEADY


def test_a_screen_is_enough_and_no_alarm_is_lost() -> None:
    many = DayFacts(
        used_l=4.2, alarms=tuple(f"a{i}" for i in range(3)),
        tests_due=tuple(f"t{i}" for i in range(20)),
    )  # fmt: skip
    lines = report(many)
    assert len(lines) == MOST_LINES
    assert [line.topic for line in lines[-2:]] == [Topic.MORE, Topic.USED]
    assert lines[-2].numbers == {"lines": 13.0}
    flood = DayFacts(alarms=tuple(f"a{i}" for i in range(20)), tests_due=("alkalinity",))
    topics = [line.topic for line in report(flood)]
    assert topics.count(Topic.ALARM) == 20


def test_parts_of_a_system_make_one_day() -> None:
    """By arithmetic: 3 + 1 L used; 25.0 to 25.4 and 24.8 to 25.2 degC together 24.8 to 25.4."""
    facts = merged(
        [
            {"used_l": 3.0, "alarms": ("a",), "salinity_psu": None},
            {"used_l": 1.0, "added_l": 2.0, "tests_due": ["float"], "alarms": ["b"]},
            {"lowest_c": 25.0, "swing_k": 0.4},
            {"lowest_c": 24.8, "swing_k": 0.4},
            {"salinity_psu": 35.0},
            {"salinity_psu": 34.0, "drift_psu_per_day": 0.5},
            {"evaporation_l": 2.0, "expected_evaporation_l": 1.9},
            {"dose_l": 0.5, "no_dose_reason": "night"},
            {},
        ]
    )
    assert facts == DayFacts(
        used_l=4.0, added_l=2.0, evaporation_l=2.0, expected_evaporation_l=1.9, salinity_psu=35.0,
        dose_l=0.5, no_dose_reason="night", lowest_c=24.8, swing_k=pytest.approx(0.6),
        alarms=("a", "b"), tests_due=("float",),
    )  # fmt: skip


def test_an_expectation_for_half_of_the_water_is_none() -> None:
    parts = [{"evaporation_l": 2.0, "expected_evaporation_l": 1.9}, {"evaporation_l": 1.0}]
    facts = merged(parts)
    assert (facts.evaporation_l, facts.expected_evaporation_l) == (3.0, None)
    assert merged([]) == DayFacts()


def test_a_part_that_names_something_else_is_refused() -> None:
    with pytest.raises(TypeError, match="used"):
        merged([{"used": 3.0}])
