"""How recorded history is read: a few states at a time, all of them, thinned by age."""

import asyncio
import logging
import threading
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from unittest.mock import patch

import pytest
from custom_components.stillwell import backfill, entity
from custom_components.stillwell.backfill import Learner
from custom_components.stillwell.coordinator import VESSEL_PLATFORMS
from custom_components.stillwell.engine.pipeline import VesselModel, VesselSpec
from custom_components.stillwell.local_time import LocalTime
from custom_components.stillwell.settings import vessel_settings
from homeassistant.components.recorder import get_instance
from homeassistant.config_entries import ConfigEntryState
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState, HomeAssistant, State
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.components.recorder.common import (
    async_wait_recording_done,
)

from .conftest import reservoir_data
from .lab import SOURCE, SQUARE_L_PER_CM, VALVE, Lab

if TYPE_CHECKING:
    from freezegun.api import FrozenDateTimeFactory

L_PER_DAY = 3.0
CM_PER_H = L_PER_DAY / SQUARE_L_PER_CM / 24.0
IN_PER_CM = 1.0 / 2.54
"""By definition (international inch of 1959)."""


@pytest.fixture(autouse=True)
def _stillwell_is_installed(recorder_mock: None, enable_custom_integrations: None) -> None:
    """The recorder must be there before the hub is."""


async def record(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, levels: list[tuple[float, str]]
) -> None:
    """Let the recorder see a level and its unit every ten minutes."""
    for step, (level, unit) in enumerate(levels):
        hass.states.async_set(SOURCE, f"{level:.2f}", {"unit_of_measurement": unit})
        freezer.tick(600)
        if step % 50 == 0:
            await async_wait_recording_done(hass)
    await async_wait_recording_done(hass)


def falling(hours: int) -> list[float]:
    """Return a level that falls by 3 L a day, in cm, every ten minutes."""
    return [30.0 - step / 6 * CM_PER_H for step in range(hours * 6)]


@pytest.mark.parametrize("at_once", [7, 36, 400])
async def test_every_report_is_learned_once_however_few_are_read_at_once(
    hass: HomeAssistant,
    freezer: FrozenDateTimeFactory,
    lab: Lab,
    caplog: pytest.LogCaptureFixture,
    at_once: int,
) -> None:
    caplog.set_level(logging.DEBUG, backfill.__name__)
    # Fine steps, so that none is the same as the one before: the recorder keeps changes.
    levels = [level - 0.01 * (step % 2) for step, level in enumerate(falling(36))]
    await record(hass, freezer, [(level, "cm") for level in levels])
    with patch.object(backfill, "CHUNK_STATES", at_once):
        await lab.set_up()
    assert f"Learned Lagoon reservoir from {len(levels)} recorded reports" in caplog.text
    assert lab.runtime.view.use_l_per_day == pytest.approx(L_PER_DAY, rel=0.05)


async def test_a_source_that_changed_its_unit_is_read_in_each_reports_own(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    """A day in centimetres, a few hours in inches, and centimetres again."""
    levels = falling(48)
    units = ["cm"] * 144 + ["in"] * 30 + ["cm"] * (len(levels) - 174)
    await record(
        hass,
        freezer,
        [
            (level * IN_PER_CM if unit == "in" else level, unit)
            for level, unit in zip(levels, units, strict=True)
        ],
    )
    await lab.set_up()
    await lab.run([levels[-1]] * 4, 30)
    assert lab.value("use_per_day") == pytest.approx(L_PER_DAY, rel=0.05)
    assert sum(day.added_l for day in lab.runtime.model.balance.days) == pytest.approx(0.0, abs=0.1)
    assert sum(day.unexplained_l for day in lab.runtime.model.balance.days) == 0.0


async def test_a_recorded_run_of_the_device_is_known_as_a_fill(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four litres in half an hour in the midst of a day and a half, read five states at a time."""
    monkeypatch.setattr(backfill, "CHUNK_STATES", 5)
    hass.states.async_set(VALVE, "off")
    await record(hass, freezer, [(level, "cm") for level in falling(18)])
    hass.states.async_set(VALVE, "on")
    begun = dt_util.utcnow()
    low = falling(18)[-1]
    rise = 4.0 / SQUARE_L_PER_CM
    for minute in range(31):
        level = low + rise * minute / 30
        hass.states.async_set(SOURCE, f"{level:.2f}", {"unit_of_measurement": "cm"})
        freezer.tick(60)
    hass.states.async_set(VALVE, "off")
    await record(hass, freezer, [(low + rise - 30.0 + level, "cm") for level in falling(18)])
    await lab.set_up(device=VALVE)
    fill = lab.runtime.model.balance.last_fill
    assert fill is not None
    assert fill.attended_by_device
    assert fill.start_s == pytest.approx(begun.timestamp(), abs=600)
    assert fill.volume_l == pytest.approx(4.0, rel=0.05)


def learner() -> Learner:
    """Return a learner of the lab's reservoir that knows nothing yet."""
    settings = vessel_settings(reservoir_data())
    spec = VesselSpec(
        shape=settings.vessel,
        empty_m=settings.empty_m,
        start_m=settings.start_m,
        full_m=settings.full_m,
        high_m=settings.high_m,
    )
    return Learner(VesselModel(spec), settings, LocalTime())


def states_each_minute(hours: int) -> list[State]:
    """Return a level told every minute from a fixed instant on."""
    start_s = dt_util.utc_from_timestamp(1_700_000_100.0)
    return [
        State(
            SOURCE,
            f"{30.0 - minute / 60 * CM_PER_H:.3f}",
            {"unit_of_measurement": "cm"},
            last_updated=start_s + timedelta(minutes=minute),
        )
        for minute in range(60 * hours)
    ]


@pytest.mark.parametrize(
    ("age_days", "count"),
    [
        # Four hours of minutes: all of them, one in five, one in fifteen.
        (9, 240),
        (11, 240 / 5),
        (44, 240 / 5),
        (46, 240 / 15),
        (300, 240 / 15),
    ],
)
def test_the_older_reports_are_the_fewer_are_learned(age_days: int, count: float) -> None:
    pupil = learner()
    thin_s = backfill._thin_s(timedelta(days=age_days))
    pupil.learn(states_each_minute(4), [], [], thin_s)
    assert pupil.count == count


def test_a_fill_long_ago_is_not_thinned_out() -> None:
    """On from minute 62 to 66, between two quarters of an hour: five reports and the next one."""
    states = states_each_minute(2)
    fills = [
        State(VALVE, "on" if minute == 62 else "off", last_updated=states[minute].last_updated)
        for minute in (0, 62, 67)
    ]
    pupil = learner()
    pupil.learn(states, fills, [], backfill.OLD_THIN_S)
    # 0, 15, 30, 45, 60; 62 to 67; 82, 97, 112: each 15 minutes after the one before.
    assert pupil.count == 5 + 6 + 3
    assert pupil.model.balance.last_fill is not None or pupil.model.balance.current_fill is not None


def test_what_is_read_twice_is_learned_once() -> None:
    states = states_each_minute(1)
    pupil = learner()
    pupil.learn(states[:40], [], [], 0.0)
    pupil.learn(states[39:], [], [], 0.0)
    assert pupil.count == 60


async def test_a_system_unloaded_meanwhile_does_not_wait_for_it(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a chunk is being learned: the task ends, nothing half learned is taken."""
    await record(hass, freezer, [(level, "cm") for level in falling(24)])
    is_learning, may_go_on = threading.Event(), threading.Event()
    learn = Learner.learn

    def slow(self: Learner, *args: object) -> None:
        is_learning.set()
        may_go_on.wait(10)
        learn(self, *args)

    monkeypatch.setattr(Learner, "learn", slow)
    set_up = asyncio.create_task(lab.set_up())
    await hass.async_add_executor_job(is_learning.wait, 10)
    while lab.entry.state is not ConfigEntryState.LOADED:  # noqa: ASYNC110 - nothing tells
        await asyncio.sleep(0)
    for _ in range(10):
        await asyncio.sleep(0)
    runtime = lab.runtime
    was = runtime.model
    assert await asyncio.wait_for(hass.config_entries.async_unload(lab.entry.entry_id), 5)
    may_go_on.set()
    await asyncio.wait_for(set_up, 5)
    assert runtime.model is was
    assert runtime.learned_from is None


async def entities_by_turn(hass: HomeAssistant, lab: Lab) -> list[int]:
    """Set the lab up; return how many of the vessel's entities each turn of the loop saw."""
    seen: list[int] = []

    async def count() -> None:
        while True:
            names = [state.entity_id.split(".")[1] for state in hass.states.async_all()]
            seen.append(sum(name.startswith("lagoon_reservoir") for name in names))
            await asyncio.sleep(0)

    counting = asyncio.create_task(count())
    await lab.set_up()
    counting.cancel()
    assert seen[-1] >= 20
    return seen


async def test_entities_are_added_a_few_at_a_time(hass: HomeAssistant, lab: Lab) -> None:
    """Between two turns of the hub's loop no more of them appear than belong to one piece."""
    seen = await entities_by_turn(hass, lab)
    most = max(after - before for before, after in pairwise(seen))
    assert 1 <= most <= entity.PIECE


async def test_a_hub_that_starts_is_given_all_at_once(hass: HomeAssistant, lab: Lab) -> None:
    """No turn of the loop is given away between the entities of a platform.

    What others have queued would be waited for each time. A vessel has sensors and binary sensors,
    and either platform may be ready first.
    """
    hass.set_state(CoreState.not_running)
    seen = await entities_by_turn(hass, lab)
    assert len({*seen} - {0}) <= len(VESSEL_PLATFORMS)


async def test_a_hub_that_starts_does_not_wait_for_the_past(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    await record(hass, freezer, [(level, "cm") for level in falling(36)])
    hass.set_state(CoreState.not_running)
    await lab.set_up()
    await hass.async_block_till_done(wait_background_tasks=True)
    assert lab.runtime.view.use_l_per_day is None
    hass.set_state(CoreState.running)
    hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    await hass.async_block_till_done(wait_background_tasks=True)
    assert lab.runtime.view.use_l_per_day == pytest.approx(L_PER_DAY, rel=0.05)


async def test_a_start_without_the_recorder_leaves_the_past_to_the_next_one(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    """Five hours without it: a use is known by then, and the two days before are learned still."""
    levels = falling(48 + 5)
    await record(hass, freezer, [(level, "cm") for level in levels[: 48 * 6]])
    hass.config.components.remove("recorder")
    await lab.set_up()
    assert lab.runtime.learned_from is None
    assert lab.runtime.learning_frac == 1.0
    await lab.run(levels[48 * 6 :], 600)
    assert lab.runtime.model.balance.use_24h_l_per_day is not None
    assert lab.runtime.model.balance.total_used_l < 1.0
    hass.config.components.add("recorder")
    await async_wait_recording_done(hass)
    await lab.reload()
    assert lab.runtime.learned_from == SOURCE
    # 53 hours at 3 L a day.
    assert lab.runtime.model.balance.total_used_l == pytest.approx(L_PER_DAY * 53 / 24, rel=0.05)


async def test_a_recorder_that_came_later_takes_nothing_away(
    hass: HomeAssistant, lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two days were seen live, the recorder has the last of them."""
    hass.config.components.remove("recorder")
    await lab.set_up()
    await lab.run(falling(48), 600)
    seen_l = lab.runtime.model.balance.total_used_l
    assert seen_l == pytest.approx(2 * L_PER_DAY, rel=0.05)
    hass.config.components.add("recorder")
    monkeypatch.setattr(get_instance(hass), "keep_days", 1)
    await async_wait_recording_done(hass)
    await lab.reload()
    assert lab.runtime.learned_from == SOURCE
    assert lab.runtime.model.balance.total_used_l == pytest.approx(seen_l, abs=0.05)


async def test_learning_that_fails_is_logged_and_done_at_the_next_start(
    hass: HomeAssistant,
    freezer: FrozenDateTimeFactory,
    lab: Lab,
    caplog: pytest.LogCaptureFixture,
) -> None:
    await record(hass, freezer, [(level, "cm") for level in falling(36)])
    with patch.object(Learner, "learn", side_effect=RuntimeError("a defect")):
        await lab.set_up()
    assert "Lagoon reservoir could not learn from the recorder" in caplog.text
    assert lab.runtime.learning_frac == 1.0
    assert lab.value("learning") == 100.0
    assert lab.runtime.learned_from is None
    # What comes in live is learned meanwhile.
    await lab.settle(20.0)
    assert lab.value("volume") == pytest.approx(20.0 * SQUARE_L_PER_CM, abs=0.1)
    await lab.level(falling(36)[-1])
    await lab.reload()
    assert lab.runtime.learned_from == SOURCE
    assert lab.runtime.view.use_l_per_day is not None
