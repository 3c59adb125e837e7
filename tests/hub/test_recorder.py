"""With a recorder: what is learned from its history, and the hub's water dashboard."""

from datetime import timedelta
from itertools import count, pairwise
from math import pi, sin
from types import SimpleNamespace
from typing import TYPE_CHECKING
from unittest.mock import patch

import pytest
from custom_components.stillwell import backfill
from homeassistant.components.energy import data as energy_data
from homeassistant.components.energy import validate
from homeassistant.components.recorder import get_instance
from homeassistant.components.recorder.models import StatisticMeanType
from homeassistant.components.recorder.statistics import (
    async_import_statistics,
    statistics_during_period,
)
from homeassistant.core import HomeAssistant
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers.event import async_track_state_change_event
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.components.recorder.common import (
    async_wait_recording_done,
)

from .lab import SOURCE, SQUARE_L_PER_CM, Lab

if TYPE_CHECKING:
    from freezegun.api import FrozenDateTimeFactory

THERMOMETER = "sensor.lagoon_water"
CM_PER_HOUR_AT_3_L_PER_DAY = 3.0 / SQUARE_L_PER_CM / 24.0


@pytest.fixture(autouse=True)
def _stillwell_is_installed(recorder_mock: None, enable_custom_integrations: None) -> None:
    """The recorder must be there before the hub is."""


async def test_the_water_dashboard_takes_the_meter(hass: HomeAssistant, lab: Lab) -> None:
    assert await async_setup_component(hass, "energy", {})
    await lab.set_up()
    await lab.settle()
    meter = lab.state("total_used")
    assert meter.attributes["device_class"] == "water"
    assert meter.attributes["state_class"] == "total_increasing"
    manager = await energy_data.async_get_manager(hass)
    await manager.async_update(
        {
            "energy_sources": [
                {
                    "type": "water",
                    "stat_energy_from": meter.entity_id,
                    "stat_cost": None,
                    "entity_energy_price": None,
                    "number_energy_price": None,
                }
            ]
        }
    )
    result = await validate.async_validate(hass)
    problems = {issue for source in result.energy_sources for issue in source.issues}
    # Statistics appear with the hub's next five-minute run; nothing else may be wrong.
    assert problems <= {"statistics_not_defined"}


async def record(hass: HomeAssistant, freezer: FrozenDateTimeFactory, hours: int) -> float:
    """Let the recorder see a level fall by 3 L a day, each ten minutes; return the last."""
    level = 30.0
    for step in range(hours * 6):
        level = round(30.0 - step / 6 * CM_PER_HOUR_AT_3_L_PER_DAY, 2)
        hass.states.async_set(SOURCE, f"{level}", {"unit_of_measurement": "cm"})
        freezer.tick(600)
        if step % 50 == 0:
            await async_wait_recording_done(hass)
    await async_wait_recording_done(hass)
    return level


def means(hass: HomeAssistant, unit_class: str, unit: str, values: list[float]) -> None:
    """Let the recorder have hourly means up to eleven days ago of a source that shows cm now."""
    end = dt_util.utcnow().replace(minute=0, second=0, microsecond=0) - timedelta(days=11)
    hass.states.async_set(SOURCE, "25", {"unit_of_measurement": "cm"})
    async_import_statistics(
        hass,
        {
            "mean_type": StatisticMeanType.ARITHMETIC,
            "has_sum": False,
            "name": None,
            "source": "recorder",
            "statistic_id": SOURCE,
            "unit_class": unit_class,
            "unit_of_measurement": unit,
        },
        [
            {"start": end - timedelta(hours=len(values) - hour), "mean": value}
            for hour, value in enumerate(values)
        ],
    )


async def test_the_first_day_already_shows_the_use(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    level = await record(hass, freezer, 48)
    await lab.set_up()
    await lab.run([level] * 4, 30)
    # 3 L a day by construction.
    assert lab.value("use_per_day") == pytest.approx(3.0, rel=0.05)
    assert lab.seconds_until("empty_at") > 0
    assert lab.runtime.learned_from == SOURCE


async def test_hourly_means_reach_further_back_than_states(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    await async_setup_component(hass, "sensor", {})
    hours = range(24 * 7)
    means(hass, "distance", "cm", [32.0 - hour * CM_PER_HOUR_AT_3_L_PER_DAY for hour in hours])
    await async_wait_recording_done(hass)
    await lab.set_up()
    days = lab.runtime.model.balance.days
    full = [day.used_l for day in days if day.covered_frac > 0.99]
    assert len(full) >= 5
    assert full == pytest.approx([3.0] * len(full), rel=0.1)


async def test_means_in_a_unit_of_another_measure_are_not_learned(
    hass: HomeAssistant, lab: Lab
) -> None:
    """The sensor showed percent once and shows centimetres now: 60 % are no 60 cm."""
    means(hass, "unitless", "%", [30.0 - 0.2 * hour for hour in range(24 * 5)])
    await async_wait_recording_done(hass)
    await lab.set_up()
    assert lab.runtime.model.balance.days == ()


async def test_a_probes_drift_is_learned_from_the_recorded_temperature(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    """1 mm a kelvin, in a room with days and weather; 3 L a day are 3.3 cm a day."""
    for step in range(6 * 144):
        hours = step / 6
        room_c = 24.0 + 1.5 * sin(2 * pi * hours / 24.0) + sin(2 * pi * hours / 37.0)
        level = 30.0 - hours * CM_PER_HOUR_AT_3_L_PER_DAY + 0.1 * (room_c - 24.0)
        fahrenheit = {"unit_of_measurement": "°F"}
        hass.states.async_set(THERMOMETER, f"{room_c * 1.8 + 32.0:.3f}", fahrenheit)
        hass.states.async_set(SOURCE, f"{level:.2f}", {"unit_of_measurement": "cm"})
        freezer.tick(600)
        if step % 50 == 0:
            await async_wait_recording_done(hass)
    await async_wait_recording_done(hass)
    await lab.set_up(temperature_source=THERMOMETER)
    await lab.run([round(level, 2)] * 4, 30)
    drift = lab.runtime.view.probe_drift_m_per_k
    assert drift is not None
    assert drift[0] == pytest.approx(0.001, abs=0.0001)
    er.async_get(hass).async_update_entity(lab.entity_id("probe_drift"), disabled_by=None)
    await lab.reload()
    assert lab.value("probe_drift") == pytest.approx(1.0, abs=0.1)
    assert lab.state("probe_drift").attributes["plus_minus"] < 0.2
    assert lab.value("use_per_day") == pytest.approx(3.0, rel=0.05)
    assert lab.state("learning").state == "100"


async def test_progress_of_learning_is_shown(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    seen: list[float] = []
    await record(hass, freezer, 72)
    ignore = async_track_state_change_event(
        hass,
        "sensor.lagoon_reservoir_learned_from_history",
        lambda event: seen.append(float(event.data["new_state"].state)),
    )
    await lab.set_up()
    ignore()
    assert seen == sorted(seen)
    assert seen[0] < 50.0
    assert seen[-1] == 100.0
    assert len(set(seen)) > 2


async def test_learning_lets_the_hub_have_the_interpreter_between_slices(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    """A day of a report each ten minutes, a tenth of a slice of work each: 144 of them."""
    await record(hass, freezer, 24)
    each_s = backfill.SLICE_S / 10
    worked, rests = count(step=each_s), [0.0]

    def rest(for_s: float) -> None:
        assert for_s == backfill.SLICE_REST_S
        rests.append(next(worked))

    clock = SimpleNamespace(sleep=rest, monotonic=lambda: next(worked))
    with patch.object(backfill, "time", clock):
        await lab.set_up()
    stretches = [later - earlier for earlier, later in pairwise([*rests, next(worked)])]
    assert sum(stretches) >= 144 * each_s
    assert max(stretches) <= backfill.SLICE_S + 4 * each_s


async def test_it_learns_once(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    level = await record(hass, freezer, 24)
    await lab.set_up()
    await lab.run([level] * 4, 30)
    used_l = lab.value("total_used")
    await lab.reload()
    await lab.run([level] * 4, 30)
    assert lab.value("total_used") == pytest.approx(used_l, abs=0.02)


async def test_past_days_can_be_written_as_statistics_once(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    await hass.config.async_set_time_zone("Europe/Berlin")
    freezer.move_to(dt_util.start_of_local_day() + timedelta(hours=1))
    level = await record(hass, freezer, 96)
    await lab.set_up()
    await lab.run([level] * 4, 30)

    async def write() -> dict[str, object]:
        answer = await hass.services.async_call(
            "stillwell",
            "write_daily_use",
            {"entity_id": lab.state("volume").entity_id},
            blocking=True,
            return_response=True,
        )
        await async_wait_recording_done(hass)
        return answer["vessels"][0]

    first = await write()
    assert first["days_written"] == 4
    assert (await write())["days_written"] == 0
    # By the clock of another time zone the same days begin later or earlier.
    await lab.wait(8 * 3600.0)
    for zone in ("America/New_York", "Asia/Tokyo", "Europe/Berlin"):
        await hass.config.async_set_time_zone(zone)
        assert (await write())["days_written"] == 0
    start = dt_util.utcnow() - timedelta(days=6)
    rows = await get_instance(hass).async_add_executor_job(
        statistics_during_period,
        hass,
        start,
        None,
        {first["statistic_id"]},
        "day",
        None,
        {"change"},
    )
    daily = [row["change"] for row in rows[first["statistic_id"]]]
    # The first day begins at one o'clock; the others are whole days at 3 L (by construction).
    assert daily[1:] == pytest.approx([3.0] * 3, rel=0.05)
    # From now on the dashboard draws these days beside those to come.
    made = await hass.services.async_call(
        "stillwell", "dashboard", {}, blocking=True, return_response=True
    )
    (graph,) = [
        card
        for section in made["views"][0]["sections"]
        for card in section["cards"]
        if card["type"] == "statistics-graph"
    ]
    assert [item["entity"] for item in graph["entities"]] == [
        first["statistic_id"],
        lab.entity_id("total_used"),
    ]
