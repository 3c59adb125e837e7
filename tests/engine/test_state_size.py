"""What the engine keeps of a vessel is bounded, however long it runs."""

import sys
from collections.abc import Iterator
from random import Random

from custom_components.stillwell.engine.geometry import shape_from_dict
from custom_components.stillwell.engine.pipeline import VesselModel, VesselSpec
from custom_components.stillwell.engine.quantities import DAY_S, HOUR_S, DaySpan, Reading
from deep_size import deep_size_bytes

MOST_BYTES = 40_000
BOX = {"kind": "box", "length_m": 0.3, "width_m": 0.3, "height_m": 0.34}
START_S = 1_772_409_600.0  # 2 March 2026, 0 h UTC
USE_M_PER_DAY = 0.034
FULL_M, REFILL_AT_M = 0.3, 0.06
FILL_M_PER_S = 0.24 / HOUR_S


def depths(days: int, step_s: float) -> Iterator[tuple[float, float]]:
    """Yield time and depth: steady use, an hour's fill when it is low, noise of 1 mm."""
    rng, depth_m, is_filling = Random(8), FULL_M, False
    for k in range(int(days * DAY_S / step_s)):
        is_filling = depth_m < (FULL_M if is_filling else REFILL_AT_M)
        change_m = FILL_M_PER_S if is_filling else -USE_M_PER_DAY / DAY_S
        depth_m += change_m * step_s
        yield START_S + k * step_s, depth_m + rng.gauss(0.0, 0.001)


def test_forty_days_of_reports_stay_below_forty_kilobytes_at_every_midnight() -> None:
    model = VesselModel(VesselSpec(shape_from_dict(BOX), 0.0, 0.07, FULL_M, 0.33))
    day, sizes = DaySpan("", 0.0, 0.0), []
    for t_s, depth_m in depths(40, 150.0):
        if t_s >= day.end_s:
            number = int((t_s - START_S) // DAY_S)
            start_s = START_S + number * DAY_S
            key = f"2026-{3 + number // 31:02d}-{1 + number % 31:02d}"
            day = DaySpan(key, start_s, start_s + DAY_S)
            sizes.append(deep_size_bytes(model))
        model.report(t_s, Reading(depth_m), fill_on=None, day=day, utc_offset_s=0.0)
    sizes.append(deep_size_bytes(model))
    assert len(model.balance.days) == 35
    assert model.view(t_s, 0.0).use_l_per_day is not None
    assert max(sizes) < MOST_BYTES, sizes


def test_the_size_of_nested_things_is_the_sum_of_their_parts() -> None:
    inner = [1.5, 2.5]
    assert deep_size_bytes([inner, inner]) == sum(
        sys.getsizeof(part) for part in ([inner, inner], inner, 1.5, 2.5)
    )
