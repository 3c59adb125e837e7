"""Salinity of a tank over time: present value, drift, what would move it, what moved it.

Either a probe tells it all the time, or a keeper types in what an instrument showed. What a
keeper typed is known for a fortnight, not longer. Nothing is filled in for what is missing.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from .alarm import AlarmSpec, DelayedAlarm
from .evaporation_book import SaltLedger
from .invalid import Amount, Code
from .quantities import DAY_S, MINUTE_S, DaySpan
from .salt_balance import SaltFinding, SaltVerdict, judge_salt
from .salt_mass import Water, drift_psu_per_day, hours_to_leave_band, salinity_after_fresh
from .seawater import LEAST_PSU, MOST_PSU
from .theil_sen import Line, robust_line
from .typed_entries import take_back
from .validity import (
    DamagedError,
    InputError,
    InputFault,
    not_negative,
    number,
    numbers,
    positive,
    within,
)

RECORD_HOLDS_S: Final = 14 * DAY_S
"""How long a salinity that was typed in is taken for the present one."""
RECORDS_KEPT: Final = 10
RECORDS_SPAN_D: Final = 2.0
RECORD_GAP_D: Final = 0.25
"""Readings by hand over less than that say how well the hand repeats (our choice, as for the
consumption of alkalinity)."""
PROBE_DAYS: Final = 5
"""Drift of a probe is that of so many days: long enough for the noise, soon enough for a leak."""
HOLDS_S: Final = 15 * MINUTE_S
WELL_COVERED_FRAC: Final = 0.5
PROBE_SIGMA_PSU: Final = 0.01
RECORD_SIGMA_PSU: Final = 0.3
"""How well a mean of a day, and a reading by hand, repeats (common practice, no source)."""
DEAD_BAND_PSU: Final = 0.2
DELAY_S: Final = 10 * MINUTE_S
USUAL_C: Final = 25.0
LONGEST_H: Final = 90 * 24.0
"""Beyond a season nobody stops the top-off."""


@dataclass(frozen=True, slots=True)
class SalinitySpec:
    """The tank and the band its salinity should stay in."""

    volume_l: float
    low_psu: float
    high_psu: float
    overfill_l: float
    """Fresh water whose effect is shown."""
    has_probe: bool

    def __post_init__(self) -> None:
        positive("a volume", self.volume_l, "L")
        not_negative("an overfill", self.overfill_l, "L")
        low = within("a salinity", self.low_psu, LEAST_PSU, MOST_PSU, unit="PSU")
        if low >= within("a salinity", self.high_psu, LEAST_PSU, MOST_PSU, unit="PSU"):
            raise InputError(
                InputFault.CONTRADICTION,
                Code.BAND,
                low=Amount(low, "PSU"),
                high=Amount(self.high_psu, "PSU"),
            )


@dataclass(frozen=True, slots=True)
class SalinityView:
    """All that may be shown; None means not known."""

    salinity_psu: float | None
    recorded_psu: float | None
    """What was typed in last; None when that is too long ago."""
    recorded_s: float | None
    recorded_days: int | None
    """Whole days since then."""
    drift_psu_per_day: float | None
    """As measured over the last days."""
    unreplaced_psu_per_day: float | None
    """What a day without any top-off adds."""
    hours_to_leave: float | None
    """Until the band is left if top-off stops now; None: not within a season."""
    overfill_psu: float | None
    """What the overfill changes; below 0."""
    verdict: SaltVerdict
    leaving_l_per_day: float
    is_low: bool | None
    is_high: bool | None


@dataclass(slots=True)
class _Today:
    """A probe's readings of the local day."""

    key: str
    middle_s: float
    length_s: float
    psu_s: float = 0.0
    covered_s: float = 0.0


class SalinityBook:
    """One tank; give it what the probe says twice a minute, and what is typed in."""

    __slots__ = (
        "_changed_s", "_days", "_high", "_last", "_low", "_now_psu", "_records", "_today", "spec",
    )  # fmt: skip

    def __init__(self, spec: SalinitySpec) -> None:
        self.spec = spec
        self._low = DelayedAlarm(
            AlarmSpec(spec.low_psu, DEAD_BAND_PSU, DELAY_S, DELAY_S, is_high=False)
        )
        self._high = DelayedAlarm(
            AlarmSpec(spec.high_psu, DEAD_BAND_PSU, DELAY_S, DELAY_S, is_high=True)
        )
        self._days: deque[tuple[float, float]] = deque(maxlen=PROBE_DAYS)
        self._records: deque[tuple[float, float]] = deque(maxlen=RECORDS_KEPT)
        self._today: _Today | None = None
        self._changed_s = 0.0  # when water was changed last
        self._last: float | None = None
        self._now_psu: float | None = None

    # What is seen

    def take(
        self, t_s: float, day: DaySpan, probe_psu: float | None, *, is_changed: bool = False
    ) -> None:
        """Take what the probe says now; it stands for the time since the last look.

        Args:
            t_s: Now.
            day: The local day that holds it.
            probe_psu: Salinity by the probe; None: not known, or there is no probe.
            is_changed: Whether water is being changed: what was before says nothing of drift.

        Raises:
            InputError: No salinity of seawater; nothing is taken then.
        """
        if probe_psu is not None:
            within("a salinity", probe_psu, LEAST_PSU, MOST_PSU, unit="PSU")
        last, self._last = self._last, t_s
        self._set_right(t_s)
        if is_changed:
            self._changed_s = t_s
            self.forget_probe()
        today = self._of(day)
        if probe_psu is not None and last is not None and 0.0 < t_s - last <= HOLDS_S:
            today.psu_s += probe_psu * (t_s - last)
            today.covered_s += t_s - last
        self._now_psu = probe_psu if self.spec.has_probe else self._recorded(t_s)
        self._low.take(t_s, self._now_psu)
        self._high.take(t_s, self._now_psu)

    def _set_right(self, t_s: float) -> None:
        """Take what was noted by a clock that was ahead, and was set back, for noted now."""
        self._changed_s = min(self._changed_s, t_s)
        if self._records and max(at for at, _ in self._records) > t_s:
            records = [(min(at, t_s), psu) for at, psu in self._records]
            self._records = deque(records, maxlen=RECORDS_KEPT)
        if self._days and self._days[-1][0] > t_s:
            # The mean of a day that has not been has no place in a slope.
            days = [point for point in self._days if point[0] <= t_s]
            self._days = deque(days, maxlen=PROBE_DAYS)

    def forget_probe(self) -> None:
        """Begin the drift of the probe anew: the water was changed, or it is another one."""
        self._days.clear()
        self._today = None

    def _of(self, day: DaySpan) -> _Today:
        today = self._today
        if today is not None and today.key == day.key:
            return today
        if today is not None and today.covered_s >= WELL_COVERED_FRAC * today.length_s:
            self._days.append((today.middle_s, today.psu_s / today.covered_s))
        length_s = day.end_s - day.start_s
        self._today = today = _Today(day.key, day.start_s + 0.5 * length_s, length_s)
        return today

    def record(self, t_s: float, salinity: float) -> None:
        """Note a salinity (PSU) that was measured by hand.

        Raises:
            InputError: No salinity of seawater.
        """
        within("a salinity", salinity, LEAST_PSU, MOST_PSU, unit="PSU")
        self._records.append((t_s, salinity))

    @property
    def records(self) -> tuple[tuple[float, float], ...]:
        """What was typed in and is kept: when, and PSU."""
        return tuple(self._records)

    def take_back(self, noted_s: float) -> None:
        """Forget the latest salinity that was typed in at a time."""
        take_back(self._records, lambda record: record[0] == noted_s)

    def _recorded(self, t_s: float) -> float | None:
        """Return what was typed in last; None when that is too long ago."""
        if not self._records or t_s - self._records[-1][0] > RECORD_HOLDS_S:
            return None
        return self._records[-1][1]

    # What is shown

    @property
    def salinity_psu(self) -> float | None:
        """The salinity at the last look."""
        return self._now_psu

    def _drift(self, t_s: float) -> Line | None:
        if self.spec.has_probe:
            points, holds_s, sigma = self._days, (PROBE_DAYS + 1) * DAY_S, PROBE_SIGMA_PSU
        else:
            points, holds_s, sigma = self._records, RECORD_HOLDS_S, RECORD_SIGMA_PSU
        since_s = max(self._changed_s, t_s - holds_s)
        recent = [((at - t_s) / DAY_S, psu) for at, psu in points if at >= since_s]
        if self.spec.has_probe:
            return robust_line(recent, sigma)
        days = [day for day, _ in recent]
        if not days or max(days) - min(days) < RECORDS_SPAN_D:
            return None
        return robust_line(recent, sigma, RECORD_GAP_D)

    def view(
        self,
        t_s: float,
        evaporation_l_per_day: float | None,
        ledger: SaltLedger | None,
        temp_c: float | None = None,
    ) -> SalinityView:
        """Return what may be shown now.

        Args:
            t_s: Now.
            evaporation_l_per_day: Of the whole system; None: not known.
            ledger: Fresh water against evaporation over the last days; None: not known.
            temp_c: Temperature of the water, degC; 25 if it is not known.
        """
        psu, spec = self._now_psu, self.spec
        line, finding = self._drift(t_s), SaltFinding(SaltVerdict.UNKNOWN)
        unreplaced = hours = overfill = None
        if psu is not None:
            water = _water(spec.volume_l, psu, temp_c)
            overfill = salinity_after_fresh(water, spec.overfill_l) - psu
            finding = self._judge(psu, line, ledger)
            if evaporation_l_per_day is not None:
                litres = max(0.0, evaporation_l_per_day)
                unreplaced = _or_none(lambda: drift_psu_per_day(water, litres))
                hours = hours_to_leave_band(water, -litres, spec.low_psu, spec.high_psu)
        is_known = psu is not None
        age_s = t_s - self._records[-1][0] if self._records else None
        return SalinityView(
            salinity_psu=psu,
            recorded_psu=self._recorded(t_s),
            recorded_s=self._records[-1][0] if self._records else None,
            recorded_days=None if age_s is None else int(max(0.0, age_s) // DAY_S),
            drift_psu_per_day=None if line is None else line.slope,
            unreplaced_psu_per_day=unreplaced,
            hours_to_leave=hours if hours is not None and hours <= LONGEST_H else None,
            overfill_psu=overfill,
            verdict=finding.verdict,
            leaving_l_per_day=finding.leaving_l_per_day,
            is_low=self._low.is_active if is_known else None,
            is_high=self._high.is_active if is_known else None,
        )

    def _judge(self, psu: float, line: Line | None, ledger: SaltLedger | None) -> SaltFinding:
        return judge_salt(
            volume_l=self.spec.volume_l,
            salinity=psu,
            drift_psu_per_day=None if line is None else line.slope,
            drift_sigma=0.0 if line is None else line.sigma,
            fresh_in_l_per_day=None if ledger is None else ledger.fresh_in_l_per_day,
            evaporation_l_per_day=None if ledger is None else ledger.evaporation_l_per_day,
            evaporation_sigma=0.0 if ledger is None else ledger.evaporation_sigma,
        )

    # Memory

    def snapshot(self) -> dict[str, Any]:
        """Return what must outlive the hub."""
        today = self._today
        return {
            "days": [list(point) for point in self._days],
            "records": [list(point) for point in self._records],
            "changed_s": self._changed_s,
            "today": None
            if today is None
            else [
                today.key, today.middle_s, today.length_s, today.psu_s, today.covered_s,
            ],
        }  # fmt: skip

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take up a snapshot.

        Raises:
            ValueError: It is damaged; nothing is taken up then.
        """
        try:
            days = [_point(row) for row in data["days"]]
            records = [_point(row) for row in data["records"]]
            changed_s = number(data["changed_s"])
            today = _today(data["today"])
        except (KeyError, TypeError, AttributeError) as err:
            text = f"not the books of a salinity: {err!r}"
            raise DamagedError(InputFault.NOT_FINITE, text) from err
        self._days.extend(days)
        self._records.extend(records)
        self._changed_s = changed_s
        self._today = today


def _water(volume_l: float, psu: float, temp_c: float | None) -> Water:
    """Return the system's water; a temperature that no tank has counts as not known."""
    try:
        return Water(volume_l, psu, USUAL_C if temp_c is None else temp_c)
    except InputError:
        return Water(volume_l, psu, USUAL_C)


def _or_none(find: Callable[[], float]) -> float | None:
    """Return a figure; None where it would lie beyond what the formula holds for."""
    try:
        return find()
    except InputError:
        return None


def _point(row: object) -> tuple[float, float]:
    at_s, psu = numbers(row) if len(numbers(row)) == 2 else (0.0, 0.0)  # noqa: PLR2004 - a pair
    return at_s, within("a salinity", psu, LEAST_PSU, MOST_PSU, unit="PSU")


def _today(row: list[Any] | None) -> _Today | None:
    if row is None:
        return None
    key, *sums = row
    middle_s, length_s, psu_s, covered_s = (number(value) for value in sums)
    return _Today(str(key), middle_s, positive("a day", length_s, "s"), psu_s, covered_s)
