"""Alkalinity as it was tested and as it was dosed: what is consumed, and what would hold it."""

from collections import deque
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

from .consumption import Consumption, KnownDose, TestResult, consumption, dose_to_hold
from .limewater import DKH_PER_MEQ_PER_L
from .quantities import DAY_S, HOUR_S
from .typed_entries import TYPED_KEPT, take_back
from .validity import DamagedError, InputFault, not_negative, number

SPAN_S: Final = 21.0 * DAY_S
"""Older results say what was consumed then, not now (common practice, no source)."""
LATEST_TEST_S: Final = 14.0 * DAY_S
"""A result older than this says nothing of the alkalinity now."""
MOST_TESTS: Final = 60
MOST_DOSES: Final = 24 * 36
"""One an hour, back to the oldest result that may count: 21 days before one of 14 days ago."""
MOST_DKH_PER_DAY: Final = 1.0
"""Change a day that animals bear (common practice, no source)."""
FAR_ABOVE_DKH: Final = 2.0
"""So far above the target there is nothing to dose for (common practice, no source): two days of
the change that animals bear, and several times what test kits differ by."""
PPM_PER_MEQ_PER_L: Final = 50.0435
"""Calcium carbonate weighs 100.087 g/mol and counts twice."""
_PAIR: Final = 2
_TYPED: Final = 4


class AlkalinityUnit(StrEnum):
    """What a test kit says its result in."""

    DKH = "dkh"
    MEQ_PER_L = "meq_per_l"
    PPM = "ppm"
    """Milligrams of calcium carbonate in a litre."""


_DKH_PER_UNIT: Final = {
    AlkalinityUnit.DKH: 1.0,
    AlkalinityUnit.MEQ_PER_L: DKH_PER_MEQ_PER_L,
    AlkalinityUnit.PPM: DKH_PER_MEQ_PER_L / PPM_PER_MEQ_PER_L,
}


def in_dkh(value: float, unit: AlkalinityUnit) -> float:
    """Return an alkalinity in dKH."""
    return value * _DKH_PER_UNIT[unit]


@dataclass(frozen=True, slots=True)
class TypedDose:
    """An addition that a person typed in."""

    noted_s: float
    """When, by the clock of then: its name."""
    dose: KnownDose
    is_limewater: bool
    """Whether it stands in the ledger of doses as well."""


class AlkalinityLog:
    """Results and known doses of one system, three weeks of them."""

    __slots__ = ("_doses", "_tests", "_typed")

    def __init__(self) -> None:
        self._tests: deque[TestResult] = deque(maxlen=MOST_TESTS)
        self._doses: deque[KnownDose] = deque(maxlen=MOST_DOSES)
        self._typed: deque[TypedDose] = deque()

    @property
    def tests(self) -> tuple[TestResult, ...]:
        """All results, as they were noted."""
        return tuple(self._tests)

    @property
    def typed_doses(self) -> tuple[TypedDose, ...]:
        """All additions that can still be taken back."""
        return tuple(self._typed)

    @property
    def last(self) -> TestResult | None:
        """The latest result."""
        return max(self._tests, key=lambda test: test.t_s, default=None)

    def tested(self, t_s: float, alkalinity_dkh: float) -> None:
        """Note a result.

        Raises:
            InputError: Outside 1 to 30 dKH.
        """
        # A result of a time to come was noted by a clock that was ahead: its place is not known.
        known = [test for test in self._tests if test.t_s <= t_s]
        self._tests = deque((*known, TestResult(t_s, alkalinity_dkh)), maxlen=MOST_TESTS)
        while self._tests[0].t_s < t_s - SPAN_S:
            self._tests.popleft()

    def dosed(self, t_s: float, rise_dkh: float) -> None:
        """Note what a dose raised the alkalinity by; doses of one hour become one.

        Raises:
            InputError: A negative rise.
        """
        rise = not_negative("a rise of alkalinity", rise_dkh, "dKH")
        last = self._doses[-1] if self._doses else None
        if last is not None and last.t_s // HOUR_S == t_s // HOUR_S:
            self._doses.pop()
            rise += last.rise_dkh
        if last is not None and last.t_s > t_s:
            # Noted by a clock that was ahead: it was given by now.
            known = [KnownDose(min(dose.t_s, t_s), dose.rise_dkh) for dose in self._doses]
            self._doses = deque(known, maxlen=MOST_DOSES)
        self._doses.append(KnownDose(t_s, rise))
        self._forget_old(t_s)

    def _forget_old(self, t_s: float) -> None:
        # What was dosed since the oldest result is taken off all that follow: without it they
        # would seem to be consumed less and less, down to nothing.
        needed_s = min((test.t_s for test in self._tests), default=t_s)

        def is_old(dose: KnownDose) -> bool:
            return dose.t_s < t_s - SPAN_S and dose.t_s <= needed_s

        while self._doses and is_old(self._doses[0]):
            self._doses.popleft()
        while self._typed and is_old(self._typed[0].dose):
            self._typed.popleft()

    def typed(self, t_s: float, rise_dkh: float, *, is_limewater: bool) -> None:
        """Note what an addition raised the alkalinity by that a person gave and typed in.

        Raises:
            InputError: A negative rise.
        """
        dose = KnownDose(t_s, not_negative("a rise of alkalinity", rise_dkh, "dKH"))
        # Noted by a clock that was ahead: it was given by now.
        known = [
            one if one.dose.t_s <= t_s else replace(one, dose=replace(one.dose, t_s=t_s))
            for one in self._typed
        ]
        self._typed = deque((*known, TypedDose(t_s, dose, is_limewater)))
        if len(self._typed) > TYPED_KEPT:
            self._put(self._typed.popleft().dose)
        self._forget_old(t_s)

    def _put(self, dose: KnownDose) -> None:
        """Note an older addition in its hour."""
        hours = {one.t_s // HOUR_S: one for one in self._doses}
        there = hours.get(dose.t_s // HOUR_S, KnownDose(dose.t_s, 0.0))
        doses = [one for one in self._doses if one is not there]
        doses.append(KnownDose(max(there.t_s, dose.t_s), there.rise_dkh + dose.rise_dkh))
        doses.sort(key=lambda one: one.t_s)
        self._doses = deque(doses, maxlen=MOST_DOSES)

    def take_back_test(self, noted_s: float) -> None:
        """Forget the latest result that was noted at a time."""
        take_back(self._tests, lambda test: test.t_s == noted_s)

    def take_back_dose(self, noted_s: float, *, is_limewater: bool) -> None:
        """Forget the latest addition that a person typed in at a time."""
        take_back(
            self._typed,
            lambda one: one.noted_s == noted_s and one.is_limewater is is_limewater,
        )

    def consumption(self, t_s: float) -> Consumption | None:
        """Return the consumption at a time; None: too few results, or the latest is too old."""
        last = self.last
        if last is None or t_s - last.t_s > LATEST_TEST_S:
            return None
        doses = [*self._doses, *(one.dose for one in self._typed)]
        return consumption(list(self._tests), doses)

    def to_hold(self, t_s: float, target_dkh: float) -> float | None:
        """Return the daily dose (dKH) that holds the target; None: too few results, or too old.

        Raises:
            InputError: A target outside 1 to 30 dKH.
        """
        used, last = self.consumption(t_s), self.last
        if used is None or last is None:
            return None
        return dose_to_hold(used.dkh_per_day, last.alkalinity_dkh, target_dkh, MOST_DKH_PER_DAY)

    def snapshot(self) -> dict[str, Any]:
        """Return results and doses."""
        return {
            "tests": [[test.t_s, test.alkalinity_dkh] for test in self._tests],
            "doses": [[dose.t_s, dose.rise_dkh] for dose in self._doses],
            "typed": [
                [one.noted_s, one.dose.t_s, one.dose.rise_dkh, one.is_limewater]
                for one in self._typed
            ],
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up results and doses.

        Raises:
            ValueError: They are damaged; nothing is taken up then.
        """
        tests = [TestResult(*pair) for pair in _pairs(data.get("tests"))]
        doses = [
            KnownDose(when, not_negative("a rise", rise))
            for when, rise in _pairs(data.get("doses"))
        ]
        typed = [_typed(row) for row in _rows(data.get("typed", []))]
        self._tests = deque(tests, maxlen=MOST_TESTS)
        self._doses = deque(doses, maxlen=MOST_DOSES)
        self._typed = deque(typed)


def is_far_above(test: TestResult | None, t_s: float, target_dkh: float) -> bool:
    """Return whether the newest result says that there is far too much alkalinity.

    A result of a fortnight ago says nothing of now.
    """
    if test is None or t_s - test.t_s > LATEST_TEST_S:
        return False
    return test.alkalinity_dkh >= target_dkh + FAR_ABOVE_DKH


def _rows(values: object) -> list[list[object]]:
    if not isinstance(values, list) or any(
        not isinstance(row, list) or len(row) != _TYPED for row in values
    ):
        raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of typed doses")
    return values


def _typed(row: list[object]) -> TypedDose:
    noted_s, when_s, rise, is_limewater = row
    if not isinstance(is_limewater, bool):
        raise DamagedError(InputFault.OUTSIDE_RANGE, "no typed dose")
    dose = KnownDose(number(when_s), not_negative("a rise", number(rise)))
    return TypedDose(number(noted_s), dose, is_limewater)


def _pairs(values: object) -> list[tuple[float, float]]:
    if not isinstance(values, list) or any(
        not isinstance(pair, list) or len(pair) != _PAIR for pair in values
    ):
        raise DamagedError(InputFault.OUTSIDE_RANGE, "no list of pairs")
    return [(number(pair[0]), number(pair[1])) for pair in values]
