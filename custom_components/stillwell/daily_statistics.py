"""Past daily use as long-term statistics of our own, written when the keeper asks."""

from datetime import date, timedelta
from typing import Final

from homeassistant.components.recorder import get_instance
from homeassistant.components.recorder.models import (
    StatisticData,
    StatisticMeanType,
    StatisticMetaData,
)
from homeassistant.components.recorder.statistics import (
    async_add_external_statistics,
    get_last_statistics,
    get_metadata,
)
from homeassistant.const import UnitOfVolume
from homeassistant.core import HomeAssistant
from homeassistant.util import dt as dt_util

from .const import DOMAIN
from .engine.ledger import DayUse

UNIT_CLASS: Final = "volume"
APART: Final = timedelta(hours=12)
"""Two days begin so far apart at least, though the hub moves to another time zone between them."""


def statistic_id(subentry_id: str) -> str:
    """Return the id under which a vessel's daily use is kept."""
    return f"{DOMAIN}:{subentry_id.lower()}_used"


async def async_written(hass: HomeAssistant, subentry_ids: set[str]) -> set[str]:
    """Return the ids of those series that a keeper has had written."""
    if not subentry_ids or "recorder" not in hass.config.components:
        return set()
    wanted = {statistic_id(subentry_id) for subentry_id in subentry_ids}
    recorder = get_instance(hass)
    return set(
        await recorder.async_add_executor_job(lambda: get_metadata(hass, statistic_ids=wanted))
    )


async def async_write_daily_use(
    hass: HomeAssistant, subentry_id: str, title: str, days: tuple[DayUse, ...]
) -> int:
    """Write the whole days that are not written yet as a running sum; return how many.

    A day's litres stand in its first hour, as the hub's own daily view adds them up.
    """
    series = statistic_id(subentry_id)
    last = await get_instance(hass).async_add_executor_job(
        get_last_statistics, hass, 1, series, False, {"sum"}
    )
    written_s, total_l = 0.0, 0.0
    if rows := last.get(series):
        written_s, total_l = rows[0]["start"], rows[0].get("sum") or 0.0
    today = dt_util.now().date().isoformat()
    new: list[StatisticData] = []
    for day in days:
        start = dt_util.start_of_local_day(date.fromisoformat(day.key))
        if day.key >= today or start.timestamp() < written_s + APART.total_seconds():
            continue
        total_l += day.used_l
        new.append(StatisticData(start=start, state=day.used_l, sum=total_l))
    if new:
        metadata = StatisticMetaData(
            mean_type=StatisticMeanType.NONE,
            has_sum=True,
            name=f"{title}: used",
            source=DOMAIN,
            statistic_id=series,
            unit_class=UNIT_CLASS,
            unit_of_measurement=UnitOfVolume.LITERS,
        )
        async_add_external_statistics(hass, metadata, new)
    return len(new)
