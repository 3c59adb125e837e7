"""Feeds simulated readings to the engine alone: many seeds in the time the hub takes for one."""

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from custom_components.stillwell.engine.geometry import shape_from_dict  # noqa: E402
from custom_components.stillwell.engine.pipeline import VesselModel, VesselSpec  # noqa: E402
from custom_components.stillwell.engine.quantities import DaySpan, Reading, Reason  # noqa: E402
from truth import (  # noqa: E402
    BIN_FLOOR_CM,
    BIN_HEIGHT_CM,
    BIN_TOP_CM,
    CAP_L,
    DAY,
    FULL_L,
    L_PER_CM,
    depth_cm,
)

START = 1772409600.0  # 2 March 2026, 0 h UTC
UNAVAILABLE = Reading(None, Reason.UNAVAILABLE)
TICK_S = 30.0  # as the hub's
SHAPES = {
    "box": {
        "kind": "box",
        "length_m": 0.3,
        "width_m": 0.3,
        "height_m": CAP_L / L_PER_CM / 100,
    },
    "tapered": {
        "kind": "tapered_bin",
        "bottom_length_m": BIN_FLOOR_CM / 100,
        "bottom_width_m": BIN_FLOOR_CM / 100,
        "top_length_m": BIN_TOP_CM / 100,
        "top_width_m": BIN_TOP_CM / 100,
        "height_m": BIN_HEIGHT_CM / 100,
    },
}


def new_model(shape="box"):
    """A vessel that knows nothing yet, set up like the one in the hub."""
    vessel = shape_from_dict(SHAPES[shape])
    return VesselModel(
        VesselSpec(
            shape=vessel,
            empty_m=0.0,
            start_m=float(depth_cm(shape, 4.0)) / 100,
            full_m=float(depth_cm(shape, FULL_L)) / 100,
            high_m=vessel.height_m,
        )
    )


def day_of(t_s):
    """The UTC day that holds a time."""
    start = t_s - t_s % DAY
    return DaySpan(datetime.fromtimestamp(start, UTC).date().isoformat(), start, start + DAY)


def reading(x_cm):
    """A simulated report as the engine's reading."""
    if np.isnan(x_cm):
        return UNAVAILABLE
    return Reading(x_cm / 100, is_exact_zero=x_cm == 0)


def reports(run):
    """Yield (t_s, reading or None): reports, and ticks where half a minute passes without one."""
    last = 0.0
    for t, x in zip(run.t.tolist(), run.x.tolist(), strict=True):
        # A silent hour needs no sixty ticks: staleness is judged in minutes at first only.
        while t - last > TICK_S:
            last = min(last + max(TICK_S, (t - last) / 30), t - 1e-3)
            yield last, None
        last = t
        yield t, reading(x)


def follow(model, run):
    """Yield the time after every report or tick the model has taken."""
    day = day_of(START)
    for t, seen in reports(run):
        t_s = START + t
        if t_s >= day.end_s:
            day = day_of(t_s)
        if seen is None:
            model.tick(t_s, day=day, utc_offset_s=0.0)
        else:
            model.report(t_s, seen, fill_on=None, day=day, utc_offset_s=0.0)
        yield t


def _shown(model, t):
    view = model.view(START + t, 0.0)
    empty, full_at = view.empty_at, view.full_at_s
    nan = np.nan
    return {
        "t": t,
        "cons": nan if view.use_l_per_day is None else view.use_l_per_day,
        "tte": nan if empty is None else (empty.likely - START - t) / DAY,
        "early": nan if empty is None else (empty.early - START - t) / DAY,
        "late": nan if empty is None else (empty.late - START - t) / DAY,
        "eta_min": nan if full_at is None else (full_at - START - t) / 60,
        "alarm": float(view.loss is not None and view.loss.is_alarm),
    }


def record(run, every=600.0):
    """What the engine would show every ten minutes, and at every report while it fills."""
    model, rows, nxt = new_model(run.sc.shape), [], 0.0
    fills = [*run.spans("refill"), (np.inf, np.inf)]
    k = 0
    for t in follow(model, run):
        while t > fills[k][1]:
            k += 1
        dense = fills[k][0] <= t
        if t >= nxt or dense:
            rows.append({"grid": t >= nxt, **_shown(model, t)})
            if t >= nxt:
                nxt = t + every
    return {key: np.array([r[key] for r in rows]) for key in rows[0]}
