"""What a fill line's forms refuse: which field, why, and a value that would work."""

from typing import TYPE_CHECKING, Any, Final

from .const import (
    CONF_COUNTDOWN,
    CONF_COUNTDOWN_TEST_DAYS,
    CONF_DAILY_RUN_S,
    CONF_DAILY_VOLUME_L,
    CONF_DEVICE,
    CONF_DIRECTION,
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
    DIRECTION_DRAIN,
)
from .countdown import countdown_unit
from .engine.line_limits import Fault, Finding, Line, finding
from .engine.quantities import HOUR_S
from .line_forms import (
    FIELD_DAILY_RUN,
    FIELD_DAILY_VOLUME,
    FIELD_FRESH_CAP,
    FIELD_LONGEST_RUN,
    FIELD_SETTLE,
    FIELD_SHORTEST_PAUSE,
    SECTION_INPUTS,
    SECTION_LAYERS,
    SECTION_PUMP,
    SECTION_TESTS,
    percent_text,
)
from .vessel_checks import Refusal, check_twice, clock_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from homeassistant.core import HomeAssistant

    from .form_units import FormUnits
    from .settings import VesselSettings
    from .vessel import VesselRuntime

LONGEST_WAIT_S: Final = HOUR_S
LONGEST_TEST_DAYS: Final = 3650.0
FIELDS: Final = {
    Fault.RUN_RANGE: FIELD_LONGEST_RUN,
    Fault.REPORTS: FIELD_LONGEST_RUN,
    Fault.STALE: FIELD_LONGEST_RUN,
    Fault.RUN_SHORT: FIELD_LONGEST_RUN,
    Fault.RUN_POURS: FIELD_LONGEST_RUN,
    Fault.DAILY_VOLUME: FIELD_DAILY_VOLUME,
    Fault.DAILY_RUN: FIELD_DAILY_RUN,
    Fault.CAP_RANGE: FIELD_FRESH_CAP,
    Fault.CAP_SMALL: FIELD_FRESH_CAP,
    Fault.CAP_MARKS: FIELD_FRESH_CAP,
}
ALWAYS_WORKS: Final = {Fault.RUN_RANGE: "2:00:00", Fault.CAP_RANGE: "1"}


def check_limits(
    data: Mapping[str, Any],
    destination: VesselSettings,
    runtime: VesselRuntime | None,
    units: FormUnits,
    *,
    system_l: float,
    is_alone: bool,
) -> None:
    """Refuse limits that cross each other or do not protect.

    Args:
        data: The line as it would be stored.
        destination: The vessel it fills.
        runtime: What is alive of that vessel; None while it is not running.
        units: The units of the forms.
        system_l: Water in the system, L.
        is_alone: Whether no other line fills the vessel: its fills then tell this line's rate.

    Raises:
        Refusal: naming the field, why, and a value that would work.
    """
    limits = limits_of(data, destination, runtime, system_l=system_l, is_alone=is_alone)
    found = finding(limits)
    if found is not None:
        raise _refusal(found, limits.band_l, units)
    for name, key in ((FIELD_SETTLE, CONF_SETTLE_S), (FIELD_SHORTEST_PAUSE, CONF_SHORTEST_PAUSE_S)):
        if data[key] > LONGEST_WAIT_S:
            raise Refusal(name, f"{name}_range", works="0:05:00")


def limits_of(
    data: Mapping[str, Any],
    destination: VesselSettings,
    runtime: VesselRuntime | None,
    *,
    system_l: float,
    is_alone: bool,
) -> Line:
    """Return a line as far as its limits go; arguments as of `check_limits`."""
    vessel, model = destination.vessel, None if runtime is None else runtime.model
    is_drain = data.get(CONF_DIRECTION) == DIRECTION_DRAIN
    lowest_m = destination.empty_m if is_drain else destination.start_m
    # What fills a vessel tells nothing of what drains it.
    is_alone = is_alone and not is_drain
    return Line(
        longest_run_s=data[CONF_LONGEST_RUN_S],
        band_l=vessel.volume_l(destination.full_m) - vessel.volume_l(lowest_m),
        capacity_l=vessel.capacity_l,
        rate_l_per_s=model.learned_fill_l_per_s if model is not None and is_alone else None,
        interval_s=None if model is None else model.conditioner.interval_s,
        stale_after_s=destination.stale_after_s,
        daily_volume_l=data.get(CONF_DAILY_VOLUME_L),
        daily_run_s=data.get(CONF_DAILY_RUN_S),
        cap_frac=data[CONF_FRESH_WATER_CAP_FRAC] if data.get(CONF_FEEDS_SYSTEM) else None,
        system_l=system_l,
    )


def _refusal(found: Finding, band_l: float, units: FormUnits) -> Refusal:
    """Return what was found in the words and units of the form."""
    fault, works = found.fault, found.works
    show: Callable[[float], str] = clock_text
    if fault is Fault.DAILY_VOLUME:
        show = units.show_l
    key, words = fault.value, {"works": ALWAYS_WORKS.get(fault, "")}
    if FIELDS[fault] == FIELD_FRESH_CAP:
        words |= {"band": units.show_l(band_l), "cap": units.show_l(found.figure)}
        show = percent_text
    else:
        words["figure"] = show(found.figure)
    if works is not None:
        words["works"] = show(works)
    elif fault in (Fault.REPORTS, Fault.STALE):
        key = f"{key}_at_all"
    return Refusal(FIELDS[fault], key, **words)


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
    # Two layers that hang on one switch are one layer.
    check_twice(SECTION_INPUTS, *inputs)
    if device in data.get(CONF_SECONDARY, ()):
        raise Refusal(SECTION_LAYERS, "device_is_secondary", device=device)
    if device == data.get(CONF_RETURN_PUMP):
        raise Refusal(SECTION_PUMP, "device_is_return_pump", device=device)
    check_twice(SECTION_LAYERS, *data.get(CONF_SECONDARY, ()), data.get(CONF_RETURN_PUMP))
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
