"""The guard's two watches on the level: no rise while on, rise while off.

No rise. Whenever the level has gained a step that is not noise, the watch begins anew; when it
has not for a whole window (``guard_rules.window_s``) and one report more (which may come a
quarter late), the run is barren. In a window a healthy line gains four steps. How long water may
fail to come before the verdict: the median of three goes on rising for one report after the water
has stopped, and the step kept in hand may count for one report more; then a window and a report
pass. In that time a crest of noise may use up the step in hand once, and a window and a report
pass again: two windows and less than five reports. For a third window noise must climb a whole
step more, two standard deviations of a reading and three of the median; that is about one run in
a thousand (docs/proof.md counts them).
Runs shorter than that are added up, so that short pulses into a hose that has come off are found
as well; what a short run brought may show up until the next run begins.

Rise while off. The level must climb by three marks (steps that are not noise), no two further
apart than two windows, and for two windows in all. A bucket poured by hand is over sooner, or
comes faster than twice what the line can deliver: then the watch begins anew above it. Pouring
slowly, bucket after bucket, for longer than two windows looks like a leaking valve: that is
what the maintenance pause is for.

Other lines at the same vessel. While another one brings water, or did just now, this one's rise
while off begins anew; while another one takes water away, the time does not count towards no
rise, and what is lost meanwhile is not held against the line. Longest run, budgets and the high
limit stand behind both.
"""

from dataclasses import replace
from typing import Final

from .guard_rules import barren_at_s, is_return_settled, step_l, window_s
from .guard_state import GuardSettings, GuardState, Level, OffWatch, RiseWatch

MARKS_NEEDED: Final = 3
POUR_FACTOR: Final = 2.0
"""Water that comes faster than this many times the line's own rate is poured by hand."""
MARK_SIGMAS: Final = 4.0
"""A mark in standard deviations of one reading; the median of three is calmer still."""
WHOLE_STEP_FRAC: Final = 0.99
"""A step of the sensor less rounding in the last digit."""


def rise_begun(state: GuardState, t_s: float) -> RiseWatch:
    """Return the watch at the begin of a run; what short runs gained before is carried on."""
    rise, median_l = state.rise, state.level.median_l
    return RiseWatch(rise.on_s + rise.run_s, _gained_l(rise), t_s, median_l, median_l)


def rise_ended(rise: RiseWatch, t_s: float) -> RiseWatch:
    """Return the watch at the end of a run."""
    if rise.began_s is None:
        return rise
    return replace(rise, began_s=None, run_s=max(0.0, t_s - rise.began_s))


def is_barren(state: GuardState, settings: GuardSettings, t_s: float) -> bool:
    """Whether the line has run for a whole window and the level did not rise."""
    due_s = barren_at_s(state, settings)
    if due_s is None or t_s < due_s:
        return False
    return _gained_l(state.rise) < WHOLE_STEP_FRAC * step_l(state.level, settings)


def rise_after(
    state: GuardState, settings: GuardSettings, median_l: float, t_s: float
) -> RiseWatch:
    """Return the watch after a usable report."""
    rise = state.rise
    base_l, peak_l, began_s = rise.base_l, rise.peak_l, rise.began_s
    if base_l is None or peak_l is None:
        # Begun without a level: the gain counts from here.
        return rise if began_s is None else replace(rise, base_l=median_l, peak_l=median_l)
    if began_s is None:
        # After a short run its water still shows up for a while.
        return replace(rise, peak_l=median_l) if median_l > peak_l else rise
    rise = replace(rise, peak_l=median_l)
    gained_l, needed_l = _gained_l(rise), WHOLE_STEP_FRAC * step_l(state.level, settings)
    if gained_l < needed_l:
        return rise
    # Up to one step in hand is kept: a crest of noise must not become the new ground.
    in_hand_l = min(gained_l - needed_l, needed_l)
    return RiseWatch(0.0, 0.0, t_s, median_l - in_hand_l, median_l)


def rise_excused(rise: RiseWatch, median_l: float, t_s: float, before: Level) -> RiseWatch:
    """Return the watch without the span since the report before: water was taken away meanwhile.

    What was gained until then is kept, and what was lost since is not held against the line.
    """
    if rise.began_s is None or rise.base_l is None or rise.peak_l is None:
        return rise
    span_s = 0.0 if before.usable_s is None else max(0.0, t_s - before.usable_s)
    lost_l = max(0.0, rise.peak_l - median_l)
    return replace(
        rise,
        began_s=min(t_s, rise.began_s + span_s),
        base_l=rise.base_l - lost_l,
        peak_l=rise.peak_l - lost_l,
    )


def off_watch_after(
    state: GuardState, settings: GuardSettings, median_l: float, t_s: float, *, is_fed: bool
) -> OffWatch:
    """Return the watch after a usable report while off."""
    watch = state.off_watch
    if state.run is not None or state.off is not None or t_s < watch.from_s:
        return watch
    in_maintenance = state.maintenance_until_s is not None and t_s < state.maintenance_until_s
    if is_fed or in_maintenance or not is_return_settled(state, settings, t_s):
        return OffWatch(from_s=t_s)
    return _marked(watch, state, settings, median_l, t_s)


def _marked(
    watch: OffWatch, state: GuardState, settings: GuardSettings, median_l: float, t_s: float
) -> OffWatch:
    level = state.level
    span_s = 2.0 * window_s(level, settings)
    mark_l = max(WHOLE_STEP_FRAC * step_l(level, settings), MARK_SIGMAS * (level.noise_l or 0.0))
    anew = OffWatch(watch.from_s, median_l, t_s, t_s)
    if watch.anchor_l is None or t_s - watch.last_s > span_s:
        return anew
    rise_l = median_l - watch.anchor_l
    if rise_l <= -mark_l or (watch.marks == 0 and rise_l <= 0.0):
        return anew
    if rise_l < mark_l:
        return watch
    if _is_pour(state, rise_l - 2.0 * mark_l, t_s - watch.last_s):
        return anew
    marks = watch.marks + 1
    found = marks >= MARKS_NEEDED and t_s - watch.since_s >= span_s
    return OffWatch(watch.from_s, median_l, watch.since_s, t_s, marks, found)


def _is_pour(state: GuardState, rise_l: float, elapsed_s: float) -> bool:
    rate_l_per_s = state.level.rate_l_per_s
    return rate_l_per_s is not None and rise_l > POUR_FACTOR * rate_l_per_s * elapsed_s


def _gained_l(rise: RiseWatch) -> float:
    if rise.base_l is None or rise.peak_l is None:
        return rise.gained_l
    return rise.gained_l + rise.peak_l - rise.base_l
