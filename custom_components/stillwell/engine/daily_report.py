"""The day in a few lines: plain facts in, ordered lines out, what needs a hand first.

Lines are keys with numbers; the adapter turns them into words of the hub's language.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, Final

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


_SUMS: Final = ("used_l", "added_l", "evaporation_l", "dose_l")
_FIRST: Final = frozenset({"no_dose_reason"})
_LISTS: Final = ("alarms", "tests_due", "hands_needed")


def merged(parts: Iterable[Mapping[str, Any]]) -> DayFacts:
    """Return the facts of a system from those of its parts.

    Litres add up; of two temperatures the band around both counts; of two salinities the first
    with its drift. What a part does not know it leaves out, or None.

    Args:
        parts: Each some fields of `DayFacts`.

    Raises:
        TypeError: A part names a field that is not there.
    """
    known = [{key: value for key, value in part.items() if value is not None} for part in parts]
    named = {name for part in known for name in part}
    if others := named - {one.name for one in fields(DayFacts)}:
        raise TypeError(f"no facts of a day: {sorted(others)}")
    facts: dict[str, Any] = {
        key: sum(part[key] for part in known if key in part) for key in _SUMS if key in named
    }
    facts |= {key: next(part[key] for part in known if key in part) for key in _FIRST & named}
    facts |= {key: tuple(one for part in known for one in part.get(key, ())) for key in _LISTS}
    evaporated = [part for part in known if "evaporation_l" in part]
    if evaporated and all("expected_evaporation_l" in part for part in evaporated):
        expected = [part["expected_evaporation_l"] for part in evaporated]
        facts["expected_evaporation_l"] = sum(expected)
    salt = next((part for part in known if "salinity_psu" in part), {})
    facts |= {key: salt[key] for key in ("salinity_psu", "drift_psu_per_day") if key in salt}
    warm = [part for part in known if "lowest_c" in part and "swing_k" in part]
    if warm:
        facts["lowest_c"] = lowest_c = min(part["lowest_c"] for part in warm)
        facts["swing_k"] = max(part["lowest_c"] + part["swing_k"] for part in warm) - lowest_c
    return DayFacts(**facts)


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
