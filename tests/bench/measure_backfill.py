"""A year of recorded reports learned on set-up, from a real recorder database on disk.

A heartbeat of 5 ms in the hub's loop tells how long the loop is ever kept from running, once
while the hub learns and once while it idles beside; the CPU of the loop's own thread tells how
much of that is work in the loop and how much waiting for the interpreter or the machine.
"""

import asyncio
import time
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta

import candidate
import numpy as np
import pytest
from feed import ATTR, RAW
from homeassistant.components.recorder import get_instance
from homeassistant.components.recorder.db_schema import StateAttributes, States, StatesMeta
from homeassistant.components.recorder.models import StatisticMeanType
from homeassistant.components.recorder.statistics import async_import_statistics
from homeassistant.util import dt as dt_util
from homeassistant.util.json import json_loads
from pytest_homeassistant_custom_component.components.recorder.common import (
    async_wait_recording_done,
)
from sqlalchemy import insert, select
from truth import DAY, HOUR, SCENARIOS, simulate

BEAT_S = 0.005
BATCH = 20_000
SHORT_D = 10.0


def _write_states(instance, run, begin_s, skip_before_s):
    """Put the readings of a run into the recorder's tables; returns how many."""
    with instance.get_session() as session:
        metadata_id = session.execute(
            select(StatesMeta.metadata_id).where(StatesMeta.entity_id == RAW)
        ).scalar()
        attributes_id = session.execute(
            select(States.attributes_id).where(States.metadata_id == metadata_id)
        ).scalar()
        shared = session.get(StateAttributes, attributes_id).shared_attrs
        assert json_loads(shared)["unit_of_measurement"] == "cm"
        rows = [
            {
                "metadata_id": metadata_id,
                "attributes_id": attributes_id,
                "state": "unavailable" if np.isnan(x) else f"{x:.3f}",
                "last_updated_ts": begin_s + t,
                "origin_idx": 0,
            }
            for t, x in zip(run.t.tolist(), run.x.tolist(), strict=True)
            if begin_s + t >= skip_before_s
        ]
        for k in range(0, len(rows), BATCH):
            session.execute(insert(States), rows[k : k + BATCH])
        session.commit()
    return len(rows)


def _hourly(run, begin_s, until_s):
    """Hourly means as the recorder's statistics would hold them."""
    hours = {}
    for t, x in zip(run.t.tolist(), run.x.tolist(), strict=True):
        if begin_s + t < until_s and not np.isnan(x):
            hours.setdefault((begin_s + t) // HOUR * HOUR, []).append(x)
    return [
        {
            "start": dt_util.utc_from_timestamp(h),
            "mean": float(np.mean(xs)),
            "min": min(xs),
            "max": max(xs),
        }
        for h, xs in hours.items()
    ]


@asynccontextmanager
async def heartbeat():
    """Collect how late a 5 ms beat comes and how much CPU its thread used in between."""
    loop, late_ms, cpu_ms = asyncio.get_running_loop(), [], []

    async def beat():
        while True:
            t, c = loop.time(), time.thread_time()
            await asyncio.sleep(BEAT_S)
            late_ms.append((loop.time() - t - BEAT_S) * 1e3)
            cpu_ms.append((time.thread_time() - c) * 1e3)

    task = loop.create_task(beat())
    seen = {}
    try:
        yield seen
    finally:
        task.cancel()
        seen |= {
            "beats": len(late_ms),
            "longest_late_ms": max(late_ms),
            "p999_late_ms": float(np.quantile(late_ms, 0.999)),
            "longest_cpu_ms": max(cpu_ms),
        }


async def _learn(hass):
    """Set Stillwell up and wait until it has learned; seconds of set-up and of learning."""
    began = time.monotonic()
    await candidate.setup(hass, RAW)
    ready = time.monotonic()
    (entry,) = hass.config_entries.async_entries(candidate.DOMAIN)
    (runtime,) = entry.runtime_data.vessels.values()
    while runtime.learned_from is None:  # noqa: ASYNC110 - nothing tells, and nothing should
        await asyncio.sleep(0.02)
    return {"setup_s": ready - began, "learn_s": time.monotonic() - began}


async def _measure(hass, run, begin_s):
    async with heartbeat() as idle:
        await asyncio.sleep(5)
    async with heartbeat() as busy:
        res = await _learn(hass)
    shown = candidate.read(hass)
    truth = float(run.cons24[-1])
    ids = next(iter(candidate._entities.values()))
    week = float(hass.states.get(ids["use_per_day_week"]).state)
    true_week = float(run.out[-1] - np.interp(run.g[-1] - 7 * DAY, run.g, run.out)) / 7
    return res | {
        "idle": idle,
        "busy": busy,
        "use_error_pct": 100 * abs(shown["cons"] - truth) / truth,
        "week_error_pct": 100 * abs(week - true_week) / true_week,
        "days": (run.g[-1] + 60) / DAY,
    }


async def _prepare(hass, years):
    sc = replace(SCENARIOS["noisy"], days=365.0 * years, dt_s=60.0, first_refill_day=6.0)
    run = await hass.async_add_executor_job(simulate, sc, 1)
    hass.states.async_set(RAW, f"{run.x[~np.isnan(run.x)][-1]:.3f}", ATTR)
    await async_wait_recording_done(hass)
    return run, dt_util.utcnow().timestamp() - run.g[-1] - 60


@pytest.mark.parametrize("persistent_database", [True])
@pytest.mark.parametrize("recorder_config", [{"purge_keep_days": 367}])
async def measure_states(recorder_mock, hass, enable_custom_integrations, save_as, request):
    """The keeper has told the recorder to keep a year: 525,600 raw reports."""
    run, begin_s = await _prepare(hass, request.config.getoption("--years-back"))
    instance = get_instance(hass)
    count = await instance.async_add_executor_job(_write_states, instance, run, begin_s, 0.0)
    res = await _measure(hass, run, begin_s)
    save_as("backfill_states", res | {"states": count})


@pytest.mark.parametrize("persistent_database", [True])
@pytest.mark.parametrize("recorder_config", [{"purge_keep_days": int(SHORT_D)}])
async def measure_means(recorder_mock, hass, enable_custom_integrations, save_as, request):
    """The recorder as it comes: ten days of reports, hourly means before."""
    run, begin_s = await _prepare(hass, request.config.getoption("--years-back"))
    instance = get_instance(hass)
    dense_s = (dt_util.utcnow() - timedelta(days=SHORT_D)).timestamp()
    count = await instance.async_add_executor_job(_write_states, instance, run, begin_s, dense_s)
    means = await hass.async_add_executor_job(_hourly, run, begin_s, dense_s)
    metadata = {
        "has_sum": False,
        "mean_type": StatisticMeanType.ARITHMETIC,
        "name": None,
        "source": "recorder",
        "statistic_id": RAW,
        "unit_class": "distance",
        "unit_of_measurement": "cm",
    }
    async_import_statistics(hass, metadata, means)
    await async_wait_recording_done(hass)
    res = await _measure(hass, run, begin_s)
    save_as("backfill_statistics", res | {"states": count, "means": len(means)})
