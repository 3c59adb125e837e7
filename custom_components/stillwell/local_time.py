"""Local days and the offset from UTC, worked out once an hour or day and not per report."""

from datetime import timedelta

from homeassistant.util import dt as dt_util

from .engine.quantities import HOUR_S, DaySpan


class LocalTime:
    """The hub's local calendar as the engine needs it."""

    def __init__(self) -> None:
        """Start with nothing worked out."""
        self._day: DaySpan | None = None
        self._offset_s = 0.0
        self._offset_hour = -1

    def day(self, t_s: float) -> DaySpan:
        """Return the local day that holds a time; 23 h and 25 h days come out right."""
        day = self._day
        if day is not None and day.start_s <= t_s < day.end_s:
            return day
        local = dt_util.as_local(dt_util.utc_from_timestamp(t_s))
        start = dt_util.start_of_local_day(local)
        end = dt_util.start_of_local_day(local.date() + timedelta(days=1))
        self._day = day = DaySpan(
            key=local.date().isoformat(), start_s=start.timestamp(), end_s=end.timestamp()
        )
        return day

    def utc_offset_s(self, t_s: float) -> float:
        """Return local time minus UTC; clocks change on a whole UTC hour or half of one."""
        half_hour = int(t_s // (HOUR_S / 2))
        if half_hour != self._offset_hour:
            offset = dt_util.as_local(dt_util.utc_from_timestamp(t_s)).utcoffset()
            self._offset_s = 0.0 if offset is None else offset.total_seconds()
            self._offset_hour = half_hour
        return self._offset_s
