"""Learns from what the recorder has: a vessel just added shows a week of use on its first day.

Raw states for as long as the recorder keeps them, hourly means before that. The database is
read in the recorder's executor, learning runs in the hub's; the loop only hands chunks over,
and takes the learned model when it is done. Control never waits for any of this.

All threads of the hub share one interpreter: what runs here in one piece, the loop may have to
wait for. So both reading and learning go in small pieces.
"""

import logging
import time
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from homeassistant.components.recorder import get_instance, history
from homeassistant.components.recorder.statistics import get_metadata, statistics_during_period
from homeassistant.const import ATTR_UNIT_OF_MEASUREMENT
from homeassistant.core import HomeAssistant, State, callback
from homeassistant.util.unit_conversion import (
    DistanceConverter,
    ElectricCurrentConverter,
    UnitlessRatioConverter,
    VolumeConverter,
)

from .actuator import Actuator
from .engine.pipeline import VesselModel, VesselSpec
from .engine.quantities import HOUR_S
from .local_time import LocalTime
from .readings import level_reading, probe_temperature_c
from .settings import VesselSettings

if TYPE_CHECKING:
    from .vessel import VesselRuntime

_LOGGER = logging.getLogger(__name__)

UNIT_CLASSES: Final = tuple(
    converter.UNIT_CLASS
    for converter in (
        DistanceConverter,
        ElectricCurrentConverter,
        UnitlessRatioConverter,
        VolumeConverter,
    )
)
"""All that a level source can measure, as the recorder sorts units."""

DAYS_OF_STATISTICS: Final = 366
CHUNK_OF_STATISTICS: Final = timedelta(days=15)
CHUNK: Final = timedelta(days=1)
CHUNK_STATES: Final = 400
"""So many states are read at once, for a few milliseconds and without work for the collector of
garbage; a source that reports every second has two hundred such chunks a day."""

THINNING: Final = ((timedelta(days=10), 0.0), (timedelta(days=45), 300.0))
OLD_THIN_S: Final = 900.0
"""How far apart reports may be by their age: all of them lately, one in five minutes as far back
as days are kept and the day's pattern is remembered, one in fifteen minutes before that."""

PROGRESS_STEP: Final = 0.01

SLICE_S: Final = 0.002
SLICE_REST_S: Final = 0.0001
"""After so much work the learning thread rests: the hub's loop would otherwise wait out the
interpreter's switch interval each time it has something to do."""


@dataclass(slots=True)
class Learner:
    """Feeds recorded states to a model of its own; runs in the executor."""

    model: VesselModel
    settings: VesselSettings
    local_time: LocalTime
    last_s: float = 0.0
    count: int = 0
    rested_s: float = 0.0
    was_filling: bool = False

    def learn(
        self, states: list[State], fills: list[State], temperatures: list[State], thin_s: float
    ) -> None:
        """Take a chunk of recorded states, oldest first.

        Args:
            states: The level source's.
            fills: The fill device's until then, at least from the last one before the chunk on.
            temperatures: The thermometer's, likewise.
            thin_s: Reports that follow closer than this are left out, but never those that
                see a fill, nor the first one after it: a fill is short.
        """
        fill_times = [state.last_updated_timestamp for state in fills]
        temperature_times = [state.last_updated_timestamp for state in temperatures]
        for state in states:
            t_s = state.last_updated_timestamp
            at = bisect_right(fill_times, t_s)
            fill_on = Actuator.read(fills[at - 1]) if at else None
            is_close = t_s - self.last_s < thin_s and not fill_on and not self.was_filling
            if is_close or t_s <= self.last_s:
                continue
            at = bisect_right(temperature_times, t_s)
            temperature = probe_temperature_c(temperatures[at - 1], t_s) if at else None
            self.was_filling = bool(fill_on)
            self._report(t_s, state, fill_on, temperature)

    def learn_means(self, means: list[tuple[float, float]], unit: str | None) -> None:
        """Take hourly means; each stands for the middle of its hour."""
        attributes = {} if unit is None else {ATTR_UNIT_OF_MEASUREMENT: unit}
        for start_s, mean in means:
            state = State(self.settings.source, repr(mean), attributes)
            self._report(start_s + HOUR_S / 2, state, None, None)

    def _report(
        self, t_s: float, state: State, fill_on: bool | None, temperature_c: float | None
    ) -> None:
        self.last_s = t_s
        self.count += 1
        if time.monotonic() - self.rested_s > SLICE_S:
            time.sleep(SLICE_REST_S)
            self.rested_s = time.monotonic()
        self.model.report(
            t_s,
            level_reading(state, self.settings, self.settings.vessel),
            fill_on=fill_on,
            day=self.local_time.day(t_s),
            utc_offset_s=self.local_time.utc_offset_s(t_s),
            temperature_c=temperature_c,
        )


@dataclass(slots=True)
class Tape:
    """The recorded states of one entity, read forwards a few at a time."""

    hass: HomeAssistant
    entity_id: str
    at: datetime
    """States until then have been read."""

    async def async_next(self, until: datetime) -> list[State]:
        """Return the next few states; fewer than `CHUNK_STATES` of them end at a time."""
        states = await get_instance(self.hass).async_add_executor_job(self._read, until)
        self.at = states[-1].last_updated if len(states) == CHUNK_STATES else until
        return states

    def _read(self, until: datetime) -> list[State]:
        found = history.state_changes_during_period(
            self.hass,
            self.at,
            # The hub's query leaves out both ends; a state at the very end belongs to these.
            until + timedelta.resolution,
            self.entity_id,
            limit=CHUNK_STATES,
            include_start_time_state=False,
        )
        return found.get(self.entity_id, [])


@dataclass(slots=True)
class Beside:
    """What was known of another entity while the level was read."""

    tape: Tape | None
    states: list[State] = field(default_factory=list)

    async def async_reach(self, until: datetime) -> list[State]:
        """Return its states from the newest one already told on until a time."""
        del self.states[:-1]
        while self.tape is not None and self.tape.at < until:
            self.states += await self.tape.async_next(until)
        return self.states


@callback
def has_recorder(hass: HomeAssistant) -> bool:
    """Return whether there is a recorder to learn from in this run of the hub."""
    return "recorder" in hass.config.components


async def async_learn_from_recorder(
    hass: HomeAssistant,
    runtime: VesselRuntime,
    spec: VesselSpec,
    until: datetime,
    progress: Callable[[float], None],
) -> VesselModel | None:
    """Return a model that has learned from the recorder; None when it holds nothing of use.

    What is recorded later than `until` is not looked at. Progress is told from 0 to 1. The recorder
    has to be there (`has_recorder`).
    """
    settings = runtime.settings
    learner = Learner(VesselModel(spec), settings, LocalTime())
    recorder = get_instance(hass)
    start = until - timedelta(days=recorder.keep_days)
    at = until - timedelta(days=DAYS_OF_STATISTICS)
    unit = await recorder.async_add_executor_job(_statistics_unit, hass, settings.source)
    while at < start:
        end = min(at + CHUNK_OF_STATISTICS, start)
        means = await recorder.async_add_executor_job(
            _hourly_means, hass, settings.source, at, end, unit
        )
        await hass.async_add_executor_job(learner.learn_means, means, unit)
        at = end
    # Of two lines the recorder could not tell which of them filled.
    device = runtime.lines[0].settings.device if len(runtime.lines) == 1 else None
    fill = Beside(None if device is None else Tape(hass, device, start))
    thermometer = settings.temperature_source
    probe = Beside(None if thermometer is None else Tape(hass, thermometer, start - CHUNK))
    level = Tape(hass, settings.source, start)
    told = 0.0
    while level.at < until:
        states = await level.async_next(min(level.at + CHUNK, until))
        await hass.async_add_executor_job(
            learner.learn,
            states,
            await fill.async_reach(level.at),
            await probe.async_reach(level.at),
            _thin_s(until - level.at),
        )
        done = (level.at - start) / (until - start)
        if done - told >= PROGRESS_STEP:
            progress(told := done)
    _LOGGER.debug("Learned %s from %d recorded reports", runtime.title, learner.count)
    return learner.model if learner.count else None


def _thin_s(age: timedelta) -> float:
    """Return how far apart reports so old may be."""
    return next((thin_s for younger, thin_s in THINNING if age < younger), OLD_THIN_S)


def _hourly_means(
    hass: HomeAssistant, entity_id: str, start: datetime, end: datetime, unit: str | None
) -> list[tuple[float, float]]:
    """Return the means in the unit they were recorded in, each with the start of its hour.

    By itself the hub would show them in the state's unit where it can, and where it cannot as they
    are: percent of a sensor that measures centimetres now.
    """
    units = None if unit is None else dict.fromkeys(UNIT_CLASSES, unit)
    rows = statistics_during_period(hass, start, end, {entity_id}, "hour", units, {"mean"})
    found = ((row["start"], row.get("mean")) for row in rows.get(entity_id, []))
    return [(start_s, mean) for start_s, mean in found if mean is not None]


def _statistics_unit(hass: HomeAssistant, entity_id: str) -> str | None:
    """Return the unit in which the means of an entity are recorded."""
    found = get_metadata(hass, statistic_ids={entity_id}).get(entity_id)
    return None if found is None else found[1]["unit_of_measurement"]
