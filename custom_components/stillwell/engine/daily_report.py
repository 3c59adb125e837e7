"""The day in a few lines: plain facts in, ordered lines out, what needs a hand first.

Lines are keys with numbers; the adapter turns them into words of the hub's language.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

MOST_LINES: Final = 12
"""No more than a phone's screen."""
DRIFT_WORTH_PSU: Final = 0.1


class Topic(StrEnum):
    """What a line is about."""

    ALARM = "alarm"
    TEST_DUE = "test_due"
    HAND_NEEDED = "hand_needed"
    USED = "used"
    ADDED = "added"
    EVAPORATION = "evaporation"
    EVAPORATION_ONLY_MEASURED = "evaporation_only_measured"
    SALINITY = "salinity"
    SALINITY_STEADY = "salinity_steady"
    DOSE = "dose"
    DOSE_HELD = "dose_held"
    TEMPERATURE = "temperature"
    MORE = "more"
    """Lines that found no room."""


@dataclass(frozen=True, slots=True)
class DayFacts:
    """What is known of a day; None: not measured."""

    used_l: float | None = None
    added_l: float | None = None
    evaporation_l: float | None = None
    expected_evaporation_l: float | None = None
    salinity_psu: float | None = None
    drift_psu_per_day: float | None = None
    dose_l: float | None = None
    no_dose_reason: str | None = None
    swing_k: float | None = None
    lowest_c: float | None = None
    alarms: tuple[str, ...] = ()
    tests_due: tuple[str, ...] = ()
    hands_needed: tuple[str, ...] = ()
    """What needs a hand this week, the most urgent first."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the report."""

    topic: Topic
    numbers: dict[str, float] = field(default_factory=dict)
    subject: str | None = None


def report(facts: DayFacts) -> list[Line]:
    """Return at most twelve lines; what is not measured has none, and no alarm is left out."""
    urgent = [Line(Topic.ALARM, subject=alarm) for alarm in facts.alarms]
    lines = [
        *(Line(Topic.HAND_NEEDED, subject=what) for what in facts.hands_needed),
        *(Line(Topic.TEST_DUE, subject=test) for test in facts.tests_due),
    ]
    # The numbers keep their place; tasks give way first.
    measured = [*_water(facts), *_salt(facts), *_dose(facts), *_warmth(facts)]
    room = max(0, MOST_LINES - len(urgent) - len(measured))
    if len(lines) > room:
        kept = lines[: max(0, room - 1)]
        lines = [*kept, Line(Topic.MORE, {"lines": float(len(lines) - len(kept))})]
    return [*urgent, *lines, *measured]


def _water(facts: DayFacts) -> list[Line]:
    lines = []
    if facts.used_l is not None:
        lines.append(Line(Topic.USED, {"litres": facts.used_l}))
    if facts.added_l is not None:
        lines.append(Line(Topic.ADDED, {"litres": facts.added_l}))
    if facts.evaporation_l is not None:
        numbers = {"litres": facts.evaporation_l}
        if facts.expected_evaporation_l is None:
            lines.append(Line(Topic.EVAPORATION_ONLY_MEASURED, numbers))
        else:
            numbers["expected_litres"] = facts.expected_evaporation_l
            lines.append(Line(Topic.EVAPORATION, numbers))
    return lines


def _salt(facts: DayFacts) -> list[Line]:
    if facts.salinity_psu is None:
        return []
    numbers = {"psu": facts.salinity_psu}
    if facts.drift_psu_per_day is None or abs(facts.drift_psu_per_day) < DRIFT_WORTH_PSU:
        return [Line(Topic.SALINITY_STEADY, numbers)]
    return [Line(Topic.SALINITY, numbers | {"psu_per_day": facts.drift_psu_per_day})]


def _dose(facts: DayFacts) -> list[Line]:
    if facts.dose_l is None:
        return []
    numbers = {"litres": facts.dose_l}
    if facts.no_dose_reason is None:
        return [Line(Topic.DOSE, numbers)]
    return [Line(Topic.DOSE_HELD, numbers, facts.no_dose_reason)]


def _warmth(facts: DayFacts) -> list[Line]:
    if facts.swing_k is None or facts.lowest_c is None:
        return []
    highest = facts.lowest_c + facts.swing_k
    return [Line(Topic.TEMPERATURE, {"lowest_c": facts.lowest_c, "highest_c": highest})]
