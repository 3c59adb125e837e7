"""What a fill line's forms refuse: which field, why, and a value that would work."""

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Any, Final

from .const import (
    CONF_COUNTDOWN,
    CONF_COUNTDOWN_TEST_DAYS,
    CONF_DAILY_RUN_S,
    CONF_DAILY_VOLUME_L,
    CONF_DEVICE,
    CONF_FEEDS_SYSTEM,
    CONF_FRESH_WATER_CAP_FRAC,
    CONF_HIGH_INPUTS,
    CONF_HIGH_TEST_DAYS,
    CONF_LEAK_INPUTS,
    CONF_LEAK_TEST_DAYS,
    CONF_LONGEST_RUN_S,
    CONF_RETURN_PUMP,
    CONF_RETURN_SETTLE_S,
    CONF_SECONDARY,
    CONF_SETTLE_S,
    CONF_SHORTEST_PAUSE_S,
    CONF_SUPPLY_EMPTY_INPUTS,
)
from .countdown import countdown_unit
from .engine.guard_rules import SLOWEST_REPORTS_FRAC
from .engine.quantities import HOUR_S, MINUTE_S
from .line_forms import (
    FIELD_DAILY_RUN,
    FIELD_DAILY_VOLUME,
    FIELD_FRESH_CAP,
    FIELD_LONGEST_RUN,
    FIELD_SETTLE,
    FIELD_SHORTEST_PAUSE,
    PERCENT,
    SECTION_INPUTS,
    SECTION_LAYERS,
    SECTION_PUMP,
    SECTION_TESTS,
)
from .vessel_checks import LONGEST_RUN_S, SHORTEST_RUN_S, STALE_PER_RUN_FRAC, Refusal, clock_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.core import HomeAssistant

    from .form_units import FormUnits
    from .settings import VesselSettings
    from .vessel import VesselRuntime

LONGEST_WAIT_S: Final = HOUR_S
MARGIN: Final = 1.5
"""A limit that would work leaves half as much again for a slower day."""
CAPACITIES: Final = 2.0
"""A run may be as long as it takes to pour the vessel full twice; the trade's two hours for a
fill of a little over one are well below that (common practice, no source)."""
SMALLEST_CAP_FRAC: Final = 0.001
LARGEST_CAP_FRAC: Final = 0.05
LONGEST_TEST_DAYS: Final = 3650.0


@dataclass(frozen=True, slots=True)
class Learned:
    """What the destination has shown so far; None is not known yet."""

    rate_l_per_s: float | None = None
    interval_s: float | None = None

    @classmethod
    def of(cls, runtime: VesselRuntime | None) -> Learned:
        """Return what a vessel has learned of its fills and its reports."""
        if runtime is None:
            return cls()
        rate, fill = None, runtime.model.balance.last_fill
        if fill is not None and fill.end_s is not None and fill.end_s > fill.start_s:
            rate = fill.volume_l / (fill.end_s - fill.start_s) or None
        return cls(rate, runtime.model.conditioner.interval_s)


def check_limits(
    data: Mapping[str, Any],
    destination: VesselSettings,
    learned: Learned,
    system_l: float,
    units: FormUnits,
) -> None:
    """Refuse limits that cross each other or do not protect.

    Raises:
        Refusal: naming the field, why, and a value that would work.
    """
    run_s = data[CONF_LONGEST_RUN_S]
    if not SHORTEST_RUN_S <= run_s <= LONGEST_RUN_S:
        raise Refusal(FIELD_LONGEST_RUN, "longest_run_range", works="2:00:00")
    _check_reports(run_s, destination, learned)
    band_l = _band_l(destination)
    if learned.rate_l_per_s is not None:
        _check_rate(run_s, band_l, destination.vessel.capacity_l, learned.rate_l_per_s)
    for name, key in ((FIELD_SETTLE, CONF_SETTLE_S), (FIELD_SHORTEST_PAUSE, CONF_SHORTEST_PAUSE_S)):
        if data[key] > LONGEST_WAIT_S:
            raise Refusal(name, f"{name}_range", works="0:05:00")
    volume_l = data.get(CONF_DAILY_VOLUME_L)
    if volume_l is not None and volume_l < band_l:
        works = units.show_l(2 * band_l)
        raise Refusal(
            FIELD_DAILY_VOLUME, "daily_volume_small", low=units.show_l(band_l), works=works
        )
    if (day_s := data.get(CONF_DAILY_RUN_S)) is not None and day_s < run_s:
        raise Refusal(
            FIELD_DAILY_RUN, "daily_run_short", low=clock_text(run_s), works=clock_text(2 * run_s)
        )
    if data.get(CONF_FEEDS_SYSTEM):
        _check_cap(data[CONF_FRESH_WATER_CAP_FRAC], band_l, system_l, units)


def _band_l(destination: VesselSettings) -> float:
    vessel = destination.vessel
    return vessel.volume_l(destination.full_m) - vessel.volume_l(destination.start_m)


def _check_reports(run_s: float, destination: VesselSettings, learned: Learned) -> None:
    """A level that reports too rarely cannot stop a run in time."""
    for seconds, share, key in (
        (learned.interval_s, SLOWEST_REPORTS_FRAC, "reports_too_slow"),
        (destination.stale_after_s, STALE_PER_RUN_FRAC, "stale_too_slow"),
    ):
        if seconds is not None and seconds > share * run_s:
            works_s = _rounded_up(seconds / share)
            if works_s > LONGEST_RUN_S:
                raise Refusal(FIELD_LONGEST_RUN, f"{key}_at_all", every=clock_text(seconds))
            raise Refusal(
                FIELD_LONGEST_RUN, key, every=clock_text(seconds), works=clock_text(works_s)
            )


def _check_rate(run_s: float, band_l: float, capacity_l: float, rate_l_per_s: float) -> None:
    expected_s, most_s = band_l / rate_l_per_s, CAPACITIES * capacity_l / rate_l_per_s
    works_s = min(max(_rounded_up(MARGIN * expected_s), SHORTEST_RUN_S), most_s, LONGEST_RUN_S)
    if run_s < expected_s:
        raise Refusal(
            FIELD_LONGEST_RUN,
            "longest_run_short",
            expected=clock_text(expected_s),
            works=clock_text(works_s),
        )
    if run_s > max(most_s, SHORTEST_RUN_S):
        raise Refusal(
            FIELD_LONGEST_RUN,
            "longest_run_pours",
            most=clock_text(most_s),
            works=clock_text(works_s),
        )


def _check_cap(cap_frac: float, band_l: float, system_l: float, units: FormUnits) -> None:
    if not SMALLEST_CAP_FRAC <= cap_frac <= LARGEST_CAP_FRAC:
        raise Refusal(FIELD_FRESH_CAP, "fresh_cap_range", works="1")
    if band_l <= cap_frac * system_l:
        return
    words = {"band": units.show_l(band_l), "cap": units.show_l(cap_frac * system_l)}
    # To the tenth of a percent above what a whole fill takes.
    needed_percent = ceil(10 * PERCENT * band_l / system_l + 1e-9) / 10
    if needed_percent <= PERCENT * LARGEST_CAP_FRAC:
        raise Refusal(FIELD_FRESH_CAP, "fresh_cap_small", works=f"{needed_percent:g}", **words)
    raise Refusal(FIELD_FRESH_CAP, "fresh_cap_marks", **words)


def check_parts(hass: HomeAssistant, data: Mapping[str, Any]) -> None:
    """Refuse parts of a line that would not be independent of each other, or no part at all.

    Raises:
        Refusal: naming the section, why, and what would work.
    """
    device = data[CONF_DEVICE]
    inputs = [
        entity_id
        for key in (CONF_HIGH_INPUTS, CONF_LEAK_INPUTS, CONF_SUPPLY_EMPTY_INPUTS)
        for entity_id in data.get(key, ())
    ]
    if device in inputs:
        raise Refusal(SECTION_INPUTS, "device_is_input", device=device)
    if device in data.get(CONF_SECONDARY, ()):
        raise Refusal(SECTION_LAYERS, "device_is_secondary", device=device)
    if device == data.get(CONF_RETURN_PUMP):
        raise Refusal(SECTION_PUMP, "device_is_return_pump", device=device)
    if data[CONF_RETURN_SETTLE_S] > LONGEST_WAIT_S:
        raise Refusal(SECTION_PUMP, "return_settle_range", works="0:05:00")
    countdown = data.get(CONF_COUNTDOWN)
    state = None if countdown is None else hass.states.get(countdown)
    if state is not None and countdown_unit(state) is None:
        raise Refusal(SECTION_LAYERS, "countdown_unit", countdown=str(countdown))
    for key in (CONF_HIGH_TEST_DAYS, CONF_LEAK_TEST_DAYS, CONF_COUNTDOWN_TEST_DAYS):
        days = data.get(key)
        if days is not None and not 1 <= days <= LONGEST_TEST_DAYS:
            raise Refusal(SECTION_TESTS, "test_days_range", works="90")


def _rounded_up(seconds: float) -> float:
    return ceil(seconds / MINUTE_S - 1e-9) * MINUTE_S
