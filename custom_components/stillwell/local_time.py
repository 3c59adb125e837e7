"""Local days and the offset from UTC, worked out once an hour or day and not per report."""

from datetime import MAXYEAR, MINYEAR, UTC, datetime, timedelta

from homeassistant.util import dt as dt_util

from .engine.quantities import HOUR_S, DaySpan


def asked_moment(moment: datetime) -> datetime:
    """Return the moment somebody asks about in UTC; without a zone it is the hub's local time.

    In the calendar's first and last year some other zone would need a year that there is not.
    """
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=dt_util.get_default_time_zone())
    year = min(max(moment.year, MINYEAR + 1), MAXYEAR - 1)
    return moment.replace(year=year).astimezone(UTC)


class LocalTime:
    """The hub's local calendar as the engine needs it."""

    def __init__(self) -> None:
        """Start with nothing worked out."""
        self._zone = dt_util.get_default_time_zone()
        self._day: DaySpan | None = None
        self._offset_s = 0.0
        self._offset_hour = -1

    def _look_at_zone(self) -> None:
        """Forget what was worked out for another zone: the hub's may be changed while it runs."""
        if (zone := dt_util.get_default_time_zone()) is not self._zone:
            self._zone, self._day, self._offset_hour = zone, None, -1

    def day(self, t_s: float) -> DaySpan:
        """Return the local day that holds a time; 23 h and 25 h days come out right."""
        self._look_at_zone()
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
        self._look_at_zone()
        half_hour = int(t_s // (HOUR_S / 2))
        if half_hour != self._offset_hour:
            offset = dt_util.as_local(dt_util.utc_from_timestamp(t_s)).utcoffset()
            self._offset_s = 0.0 if offset is None else offset.total_seconds()
            self._offset_hour = half_hour
        return self._offset_s
