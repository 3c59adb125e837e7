"""What the user chose for a fill line, and what its guard makes of it and of the vessels."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .const import (
    CONF_COUNTDOWN,
    CONF_COUNTDOWN_TEST_DAYS,
    CONF_DAILY_RUN_S,
    CONF_DAILY_VOLUME_L,
    CONF_DESTINATION,
    CONF_DEVICE,
    CONF_DIRECTION,
    CONF_FEEDS_SYSTEM,
    CONF_FRESH_WATER_CAP_FRAC,
    CONF_HIGH_INPUTS,
    CONF_HIGH_TEST_DAYS,
    CONF_LEAK_INPUTS,
    CONF_LEAK_TEST_DAYS,
    CONF_LONGEST_RUN_S,
    CONF_REHEARSAL,
    CONF_RETURN_PUMP,
    CONF_RETURN_SETTLE_S,
    CONF_SECONDARY,
    CONF_SETTLE_S,
    CONF_SHORTEST_PAUSE_S,
    CONF_SOURCE_VESSEL,
    CONF_SUPPLY_EMPTY_INPUTS,
    DEFAULT_FRESH_WATER_CAP_FRAC,
    DEFAULT_LONGEST_RUN_S,
    DEFAULT_RETURN_SETTLE_S,
    DEFAULT_SETTLE_S,
    DEFAULT_SHORTEST_PAUSE_S,
    DIRECTION_DRAIN,
    DIRECTION_FILL,
)
from .engine.guard_state import GuardSettings
from .engine.invalid import Code
from .engine.line_limits import fresh_water_cap_l
from .engine.mirror import room_l
from .settings import SettingsError, VesselSettings, amount, entity, number, positive


@dataclass(frozen=True, slots=True)
class FillLineSettings:
    """One fill line: times in s, volumes in L; None and () are not chosen."""

    destination: str
    """Subentry of the vessel it fills, or drains."""
    device: str
    direction: str = DIRECTION_FILL
    source_vessel: str | None = None
    longest_run_s: float = DEFAULT_LONGEST_RUN_S
    settle_s: float = DEFAULT_SETTLE_S
    shortest_pause_s: float = DEFAULT_SHORTEST_PAUSE_S
    daily_volume_l: float | None = None
    daily_run_s: float | None = None
    fresh_water_cap_frac: float | None = None
    """Most fresh water of one run, as a share of the system; only where it feeds the system."""
    high_inputs: tuple[str, ...] = ()
    leak_inputs: tuple[str, ...] = ()
    supply_empty_inputs: tuple[str, ...] = ()
    secondary: tuple[str, ...] = ()
    countdown: str | None = None
    return_pump: str | None = None
    return_settle_s: float = DEFAULT_RETURN_SETTLE_S
    high_test_days: float | None = None
    leak_test_days: float | None = None
    countdown_test_days: float | None = None
    rehearsal: bool = False
    """Whether a line that has not run yet begins in rehearsal; then the switch says."""

    @property
    def is_drain(self) -> bool:
        """Whether it takes water out of its vessel."""
        return self.direction == DIRECTION_DRAIN


def fill_line_settings(data: Mapping[str, Any]) -> FillLineSettings:
    """Return the settings of one fill line from its subentry's data.

    Raises:
        SettingsError: naming the key that cannot be used and why.
    """
    feeds_system = bool(data.get(CONF_FEEDS_SYSTEM, False))
    cap_frac = positive(data, CONF_FRESH_WATER_CAP_FRAC, DEFAULT_FRESH_WATER_CAP_FRAC)
    return FillLineSettings(
        destination=entity(data, CONF_DESTINATION),
        device=entity(data, CONF_DEVICE),
        direction=_direction(data),
        source_vessel=data.get(CONF_SOURCE_VESSEL),
        longest_run_s=positive(data, CONF_LONGEST_RUN_S, DEFAULT_LONGEST_RUN_S),
        settle_s=_wait(data, CONF_SETTLE_S, DEFAULT_SETTLE_S),
        shortest_pause_s=_wait(data, CONF_SHORTEST_PAUSE_S, DEFAULT_SHORTEST_PAUSE_S),
        daily_volume_l=_limit(data, CONF_DAILY_VOLUME_L),
        daily_run_s=_limit(data, CONF_DAILY_RUN_S),
        fresh_water_cap_frac=cap_frac if feeds_system else None,
        high_inputs=tuple(data.get(CONF_HIGH_INPUTS, ())),
        leak_inputs=tuple(data.get(CONF_LEAK_INPUTS, ())),
        supply_empty_inputs=tuple(data.get(CONF_SUPPLY_EMPTY_INPUTS, ())),
        secondary=tuple(data.get(CONF_SECONDARY, ())),
        countdown=data.get(CONF_COUNTDOWN),
        return_pump=data.get(CONF_RETURN_PUMP),
        return_settle_s=_wait(data, CONF_RETURN_SETTLE_S, DEFAULT_RETURN_SETTLE_S),
        high_test_days=_limit(data, CONF_HIGH_TEST_DAYS),
        leak_test_days=_limit(data, CONF_LEAK_TEST_DAYS),
        countdown_test_days=_limit(data, CONF_COUNTDOWN_TEST_DAYS),
        rehearsal=bool(data.get(CONF_REHEARSAL, False)),
    )


def guard_settings(
    line: FillLineSettings,
    destination: VesselSettings,
    source: VesselSettings | None,
    system_l: float,
) -> GuardSettings:
    """Return what the guard of a line goes by; the vessels give their marks.

    Args:
        line: The line's own settings.
        destination: The vessel it fills: high limit, and the marks of a whole fill.
        source: The vessel it draws from: its empty mark keeps a pump from running dry.
        system_l: Water in the system, L; the cap of fresh water is a share of it.
    """
    cap_frac = line.fresh_water_cap_frac
    vessel = destination.vessel
    if line.is_drain:
        return _drain_settings(line, destination)
    return GuardSettings(
        high_l=vessel.volume_l(destination.high_m),
        longest_run_s=line.longest_run_s,
        start_l=vessel.volume_l(destination.start_m),
        full_l=vessel.volume_l(destination.full_m),
        stale_after_s=destination.stale_after_s,
        settle_s=line.settle_s,
        shortest_pause_s=line.shortest_pause_s,
        daily_volume_l=line.daily_volume_l,
        daily_run_s=line.daily_run_s,
        run_volume_l=None if cap_frac is None else fresh_water_cap_l(system_l, cap_frac),
        min_source_l=None if source is None else source.vessel.volume_l(source.empty_m),
        has_return_pump=line.return_pump is not None,
        return_settle_s=line.return_settle_s,
        rehearsal=line.rehearsal,
    )


def _drain_settings(line: FillLineSettings, vessel: VesselSettings) -> GuardSettings:
    """Return what the guard of a drain goes by: the vessel upside down, see `engine.mirror`."""
    mark_l = room_l(vessel.vessel, vessel.empty_m)
    return GuardSettings(
        high_l=mark_l,
        longest_run_s=line.longest_run_s,
        full_l=mark_l,
        stale_after_s=vessel.stale_after_s,
        settle_s=line.settle_s,
        shortest_pause_s=line.shortest_pause_s,
        daily_volume_l=line.daily_volume_l,
        daily_run_s=line.daily_run_s,
        has_return_pump=line.return_pump is not None,
        return_settle_s=line.return_settle_s,
        rehearsal=line.rehearsal,
    )


def _direction(data: Mapping[str, Any]) -> str:
    direction: str = data.get(CONF_DIRECTION, DIRECTION_FILL)
    if direction not in (DIRECTION_FILL, DIRECTION_DRAIN):
        raise SettingsError(CONF_DIRECTION, Code.NO_CHOICE)
    if direction == DIRECTION_DRAIN and data.get(CONF_SOURCE_VESSEL) is not None:
        raise SettingsError(CONF_SOURCE_VESSEL, Code.DRAIN_SOURCE)
    return direction


def _wait(data: Mapping[str, Any], key: str, default: float) -> float:
    value = number(data, key, default)
    if value < 0:
        raise SettingsError(key, Code.BELOW_0, value=amount(key, value))
    return value


def _limit(data: Mapping[str, Any], key: str) -> float | None:
    return None if data.get(key) is None else positive(data, key)
