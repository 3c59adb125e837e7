"""Take Stillwell's engine through recorded reports and store what it learned.

What is stored is what the running integration would have stored after the same reports.
"""

import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from custom_components.stillwell.engine.geometry import shape_from_dict
from custom_components.stillwell.engine.pipeline import VesselModel, VesselSpec
from custom_components.stillwell.engine.quantities import DaySpan, Reading


def day_span(t_s: float, zone: ZoneInfo) -> tuple[DaySpan, float]:
    """Return the local day that holds a time, and local time minus UTC in s."""
    local = datetime.fromtimestamp(t_s, zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    following = (midnight + timedelta(days=1)).replace(tzinfo=zone)
    offset = local.utcoffset() or timedelta()
    span = DaySpan(midnight.date().isoformat(), midnight.timestamp(), following.timestamp())
    return span, offset.total_seconds()


def main(lesson_file: Path) -> None:
    """Learn, and store."""
    lesson = json.loads(lesson_file.read_text())
    data = lesson["data"]
    model = VesselModel(
        VesselSpec(
            shape=shape_from_dict(data["shape"]),
            empty_m=data["empty_m"],
            start_m=data["start_m"],
            full_m=data["full_m"],
            high_m=data["high_m"],
            zero_is_suspect=data["zero_is_suspect"],
        )
    )
    zone = ZoneInfo(lesson["time_zone"])
    for t_s, depth_m, is_on in lesson["reports"]:
        day, utc_offset_s = day_span(t_s, zone)
        model.report(t_s, Reading(depth_m), fill_on=is_on, day=day, utc_offset_s=utc_offset_s)
    file = Path(lesson["file"])
    content = {
        "version": 1,
        "minor_version": 1,
        "key": file.name,
        "data": {"vessels": {lesson["subentry_id"]: model.snapshot()}},
    }
    file.write_text(json.dumps(content))
    last = datetime.fromtimestamp(lesson["reports"][-1][0], UTC)
    print(f"lived through {len(lesson['reports'])} reports until {last:%Y-%m-%d %H:%M} UTC")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
