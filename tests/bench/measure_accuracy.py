"""Accuracy of the helper chain and of Stillwell on the same readings, inside a real hub."""

import os
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from chain import START, SimClock, chain, settle, setup
from feed import ATTR, RAW, drive, num, set_up
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import async_fire_time_changed
from pytest_homeassistant_custom_component.components.recorder.common import (
    async_wait_recording_done,
)
from score import CHAIN, STILLWELL, ape, score, score_fault
from truth import EXTRAS, FAULTS, HOUR, SCENARIOS, simulate

SEED = int(os.environ.get("BENCH_SEED", "1"))
EST = {"chain": CHAIN, "stillwell": STILLWELL}
RUNS = [
    (who, name)
    for name in ("fast10", "typical", "noisy", "inch", "clean", "onchange", *EXTRAS)
    for who in EST
    # At 5 ms a report the chain would need half an hour for three days of seconds.
    if (who, name) != ("chain", "every1s")
]


@pytest.mark.parametrize(("who", "name"), RUNS)
async def measure_scenario(hass, enable_custom_integrations, save_as, who, name):
    sc = {**SCENARIOS, **EXTRAS}[name]
    run, clk = simulate(sc, SEED), SimClock(START - 1)
    with clk.installed(hass.loop):
        await set_up(hass, who, sc)
        rec = await drive(hass, clk, run, who)
    save_as(f"{who}_{name}", score(run, rec, EST[who]))


@pytest.mark.parametrize("who", EST)
@pytest.mark.parametrize("name", FAULTS)
async def measure_fault(hass, enable_custom_integrations, save_as, who, name):
    run, clk = simulate(FAULTS[name], SEED), SimClock(START - 1)
    assert await async_setup_component(hass, "input_boolean", {"input_boolean": {"v_pump": None}})
    with clk.installed(hass.loop):
        await set_up(hass, who, FAULTS[name], hygrostat=True)
        rec = await drive(hass, clk, run, who, every=120.0)
    save_as(f"{who}_fault_{name}", score_fault(run, rec, EST[who], 120.0))


@pytest.mark.parametrize("who", EST)
async def measure_restart(recorder_mock, hass, enable_custom_integrations, save_as, who):
    """36 h of data, hub down for 20 min, then 30 h; with the recorder's history."""
    sc = SCENARIOS["typical"]
    run, clk = simulate(sc, SEED), SimClock(START - 1)
    cut = 36 * HOUR
    with clk.installed(hass.loop):
        ents = await set_up(hass, who, sc)
        before = await drive(hass, clk, run, who, 0, cut)
        await async_wait_recording_done(hass)
        for e in reversed(ents):
            assert await hass.config_entries.async_unload(e.entry_id)
        clk.now = START + cut + 1200
        hass.states.async_set(RAW, f"{run.x[run.t >= cut + 1200][0]:.3f}", ATTR)
        for e in ents:
            assert await hass.config_entries.async_setup(e.entry_id)
        await settle(hass)
        after = await drive(hass, clk, run, who, cut + 1260, cut + 30 * HOUR)
    truth = run.at(run.cons24, after["t"])
    res = {}
    for k in EST[who]:
        e = ape(after[k], truth)
        bad = after["t"][~(e <= 10)]
        res[k] = {
            "before": float(before[k][-1]),
            "first": float(after[k][0]),
            "at_1h": float(after[k][6]),
            "truth": float(truth[0]),
            "wrong_until_h": float((bad.max() - cut) / HOUR) if len(bad) else 0.0,
            "share_within_10": float(np.mean(e <= 10)),
        }
    save_as(f"{who}_restart", res)


async def _short(hass, move):
    out = []
    run = simulate(SCENARIOS["clean"], SEED)
    for t, x in zip(run.t[::20][:90], run.x[::20][:90], strict=True):
        await move(t)
        hass.states.async_set(RAW, f"{x:.3f}", ATTR)
        await settle(hass)
        shown = [num(hass, f"sensor.v_{k}") for k in ("smooth", "d24", "d6", "st24")]
        out.append([*shown, num(hass, "binary_sensor.v_tr24", "gradient")])
    return out


def _t(t):  # off the exact second, so that expiry never falls on an update
    return t + 0.001 * (t / 1200)


async def measure_clock_simulated(hass, save_as):
    clk = SimClock(START - 1)
    with clk.installed(hass.loop):
        await setup(hass, chain("v", RAW))

        async def move(t):
            clk.now = START + _t(t)
            await settle(hass)

        save_as("clock_sim", await _short(hass, move))


async def measure_clock_frozen(hass, save_as, freezer):
    """The same 30 h by the hub's own way of testing time; the report compares."""
    freezer.move_to(datetime.fromtimestamp(START - 1, UTC))
    await setup(hass, chain("v", RAW))

    async def move(t):
        freezer.move_to(datetime.fromtimestamp(START, UTC) + timedelta(seconds=_t(t)))
        async_fire_time_changed(hass)
        await settle(hass)

    save_as("clock_freezer", await _short(hass, move))
