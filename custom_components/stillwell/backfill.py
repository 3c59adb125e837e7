"""Learns from what the recorder has: a vessel just added shows a week of use on its first day.

Raw states for as long as the recorder keeps them, hourly means before that. The database is
read in the recorder's executor, learning runs in the hub's; the loop only hands chunks over,
and takes the learned model when it is done. Control never waits for any of this.
"""

import logging
import time
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from homeassistant.components.recorder import get_instance, history
from homeassistant.components.recorder.statistics import statistics_during_period
from homeassistant.const import ATTR_UNIT_OF_MEASUREMENT
from homeassistant.core import HomeAssistant, State

from .actuator import Actuator
from .engine.pipeline import VesselModel, VesselSpec
from .engine.quantities import HOUR_S
from .local_time import LocalTime
from .readings import level_reading, probe_temperature_c
from .settings import VesselSettings

if TYPE_CHECKING:
    from .vessel import VesselRuntime

_LOGGER = logging.getLogger(__name__)

DAYS_OF_STATISTICS: Final = 366
CHUNK: Final = timedelta(days=1)
DENSE_DAYS: Final = 10
THIN_S: Final = 300.0
"""Older than `DENSE_DAYS` one report in five minutes is plenty; a year then takes seconds."""

SLICE: Final = 40
SLICE_REST_S: Final = 0.0005
"""After so many reports, a few milliseconds of work, the learning thread rests: the hub's loop
would otherwise wait out the interpreter's switch interval each time it has something to do."""


@dataclass(slots=True)
class Learner:
    """Feeds recorded states to a model of its own; runs in the executor."""

    model: VesselModel
    settings: VesselSettings
    local_time: LocalTime
    last_s: float = 0.0
    count: int = 0

    def learn(
        self, states: list[State], fills: list[State], temperatures: list[State], thin_s: float
    ) -> None:
        """Take a chunk of recorded states, oldest first."""
        fill_times = [state.last_updated_timestamp for state in fills]
        temperature_times = [state.last_updated_timestamp for state in temperatures]
        for state in states:
            t_s = state.last_updated_timestamp
            if t_s - self.last_s < thin_s:
                continue
            at = bisect_right(fill_times, t_s)
            fill_on = Actuator.read(fills[at - 1]) if at else None
            at = bisect_right(temperature_times, t_s)
            temperature = probe_temperature_c(temperatures[at - 1], t_s) if at else None
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
        if self.count % SLICE == 0:
            time.sleep(SLICE_REST_S)
        self.model.report(
            t_s,
            level_reading(state, self.settings, self.settings.vessel),
            fill_on=fill_on,
            day=self.local_time.day(t_s),
            utc_offset_s=self.local_time.utc_offset_s(t_s),
            temperature_c=temperature_c,
        )


async def async_learn_from_recorder(
    hass: HomeAssistant,
    runtime: VesselRuntime,
    spec: VesselSpec,
    until: datetime,
    progress: Callable[[float], None],
) -> VesselModel | None:
    """Return a model that has learned from the recorder; None when it holds nothing of use."""
    if "recorder" not in hass.config.components:
        return None
    settings = runtime.settings
    learner = Learner(VesselModel(spec), settings, LocalTime())
    recorder = get_instance(hass)
    start = until - timedelta(days=recorder.keep_days)
    means = await recorder.async_add_executor_job(
        _hourly_means, hass, settings.source, until - timedelta(days=DAYS_OF_STATISTICS), start
    )
    if means:
        unit = _unit(hass, settings.source)
        await hass.async_add_executor_job(learner.learn_means, means, unit)
    fills: list[State] = []
    if len(runtime.lines) == 1:
        # Of two lines the recorder could not tell which of them filled.
        device = runtime.lines[0].settings.device
        fills = await recorder.async_add_executor_job(_states, hass, device, start, until)
    dense_from = until - timedelta(days=DENSE_DAYS)
    chunk_start = start
    while chunk_start < until:
        chunk_end = min(chunk_start + CHUNK, until)
        states = await recorder.async_add_executor_job(
            _states, hass, settings.source, chunk_start, chunk_end
        )
        temperatures: list[State] = []
        if settings.temperature_source is not None:
            temperatures = await recorder.async_add_executor_job(
                _states, hass, settings.temperature_source, chunk_start - CHUNK, chunk_end
            )
        thin_s = THIN_S if chunk_end <= dense_from else 0.0
        await hass.async_add_executor_job(learner.learn, states, fills, temperatures, thin_s)
        chunk_start = chunk_end
        progress((chunk_start - start) / (until - start))
    _LOGGER.debug("Learned %s from %d recorded reports", runtime.title, learner.count)
    return learner.model if learner.count else None


def _states(hass: HomeAssistant, entity_id: str, start: datetime, end: datetime) -> list[State]:
    found = history.state_changes_during_period(
        hass, start, end, entity_id, include_start_time_state=False
    )
    return found.get(entity_id, [])


def _hourly_means(
    hass: HomeAssistant, entity_id: str, start: datetime, end: datetime
) -> list[tuple[float, float]]:
    rows = statistics_during_period(hass, start, end, {entity_id}, "hour", None, {"mean"})
    found = ((row["start"], row.get("mean")) for row in rows.get(entity_id, []))
    return [(start_s, mean) for start_s, mean in found if mean is not None]


def _unit(hass: HomeAssistant, entity_id: str) -> str | None:
    state = hass.states.get(entity_id)
    unit: str | None = None if state is None else state.attributes.get(ATTR_UNIT_OF_MEASUREMENT)
    return unit
