"""CPU per report, memory and set-up time: the hub's own floor, the helper chain, Stillwell.

CPU time is process time, so the trend helper's executor thread is included.
"""

import gc
import json
import os
import time
import tracemalloc
from unittest.mock import patch

import candidate
import numpy as np
import pytest
from chain import START, SimClock, chain, settle, setup
from deep_size import deep_size_bytes
from engine_feed import follow, new_model
from homeassistant.components.sensor import SensorEntity
from homeassistant.core import callback
from homeassistant.helpers.device_registry import DeviceInfo
from homeassistant.helpers.event import async_track_state_change_event
from homeassistant.helpers.json import json_bytes
from homeassistant.helpers.storage import Store
from pytest_homeassistant_custom_component.common import MockConfigEntry, MockEntityPlatform
from truth import SCENARIOS, simulate

ATTR = {"unit_of_measurement": "cm", "state_class": "measurement", "device_class": "distance"}
RNG = np.random.default_rng(3)
ENTITIES = 21
"""Of a reservoir, as many as are there at first; measured beside it."""
FLOORS = ("none", "bare", "push1", "push6", "template")


def rss():
    """Resident memory of this process, kB."""
    with open("/proc/self/statm") as f:  # noqa: PTH123 - the cheapest way, it is measured
        return int(f.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1024


def level(i, step):
    """A falling level with noise, as a state."""
    return f"{25 - (i * step % 500000) * 3.3 / 86400 + RNG.normal(0, 0.1):.2f}"


async def feed(hass, clk, names, n, step, i0=0):
    """n rounds, one update per vessel and round; per-update CPU seconds by round."""
    return [
        await one_round(hass, clk, {name: level(i, step) for name in names}, step)
        for i in range(i0, i0 + n)
    ]


async def one_round(hass, clk, levels, after_s):
    """One update of each level after a time; CPU seconds per update."""
    clk.now += after_s + RNG.uniform(-0.3, 0.3)
    c = time.process_time()
    for name, x in levels.items():
        hass.states.async_set(name, x, ATTR)
    clk.now += 0.002
    await settle(hass)
    return (time.process_time() - c) / len(levels)


def stat(cost):
    """Median, 95 % and mean in microseconds."""
    a = np.array(cost) * 1e6
    return {
        "median_us": float(np.median(a)),
        "p95_us": float(np.percentile(a, 95)),
        "mean_us": float(a.mean()),
        "n": len(a),
    }


@pytest.fixture(autouse=True)
def stored_on_disk(hass):
    """Stores serialise in the executor and keep nothing, as when the hub writes its files.

    The test plug-in's own storage keeps every payload ever saved in memory, for tests to look at.
    """

    def encode(data):
        if "data_func" in data:
            data["data"] = data.pop("data_func")()
        return len(json_bytes(data))

    async def write(store, data):
        await hass.async_add_executor_job(encode, data)

    with patch.object(Store, "_async_write_data", write):
        yield


class Push(SensorEntity):
    """The least an integration entity can do: take a value, write it."""

    _attr_should_poll = False
    _attr_native_unit_of_measurement = "L"

    def __init__(self, k, device=None):
        self._attr_name = f"push {k}"
        self._attr_unique_id = f"{device} push {k}"
        if device is not None:
            self._attr_device_info = DeviceInfo(identifiers={("bare", device)}, name=device)


def push(hass, source, ents):
    """Let a level write entities."""

    @callback
    def on_push(event):
        v = float(event.data["new_state"].state)
        for k, e in enumerate(ents):
            e._attr_native_value = round(v * (k + 1) * 0.9, 3)
            e.async_write_ha_state()

    async_track_state_change_event(hass, source, on_push)


async def bare_device(hass, source, name):
    """Add a device with as many entities as a vessel has; a level writes six of them."""
    entry = MockConfigEntry(domain="bare", title=name)
    entry.add_to_hass(hass)
    platform = MockEntityPlatform(hass, domain="sensor", platform_name="bare")
    platform.config_entry = entry
    ents = [Push(k, name) for k in range(ENTITIES)]
    await platform.async_add_entities(ents)
    push(hass, source, ents[:6])


async def floor(hass, kind, source="sensor.raw0"):
    """Set up the least that listens to a level."""
    if kind.startswith("bare"):

        @callback
        def on(event):
            value = float(event.data["new_state"].state) * 0.9
            hass.states.async_set("sensor.derived", str(value), {"unit_of_measurement": "L"})

        async_track_state_change_event(hass, source, on)
    elif kind.startswith("push"):
        ents = [Push(k) for k in range(int(kind[4:]))]
        await MockEntityPlatform(hass, domain="sensor").async_add_entities(ents)
        push(hass, source, ents)
    elif kind == "template":
        await setup(hass, chain("v0", "sensor.raw0")[:1])


@pytest.mark.parametrize("kind", FLOORS)
async def measure_floor(hass, save_as, kind):
    clk = SimClock(START)
    with clk.installed(hass.loop):
        await floor(hass, kind)
        await feed(hass, clk, ["sensor.raw0"], 300, 60)
        save_as(f"floor_{kind}", stat(await feed(hass, clk, ["sensor.raw0"], 3000, 60, 300)))


@pytest.mark.parametrize("rate", [60, 300, 600])
async def measure_chain_by_window(hass, save_as, rate):
    """One vessel, windows full: n = 1440, 288, 144 samples in 24 h."""
    clk, n = SimClock(START), 86400 // rate
    with clk.installed(hass.loop):
        await setup(hass, chain("v0", "sensor.raw0", tuned=False))
        await feed(hass, clk, ["sensor.raw0"], n + 20, rate)
        cost = await feed(hass, clk, ["sensor.raw0"], 300, rate, n + 20)
        save_as(f"chain1_{rate}", stat(cost))


async def hundred(hass, add):
    """Add 100 vessels, one update each per 10 min (window n = 144): set-up, CPU, memory."""
    clk, names = SimClock(START), [f"sensor.raw{k}" for k in range(100)]
    with clk.installed(hass.loop):
        await add("sensor.raww", "w")  # imports, domain set-up
        gc.collect()
        m0, c = rss(), time.process_time()
        for k, name in enumerate(names):
            await add(name, f"v{k}")
        c = time.process_time() - c
        gc.collect()
        m1 = rss()
        await feed(hass, clk, names, 150, 600)
        gc.collect()
        m2 = rss()
        res = stat(await feed(hass, clk, names, 10, 600, 150))
    return res | {
        "setup_cpu_ms_per_vessel": c * 10,
        "rss_kb_per_vessel_setup": (m1 - m0) / 100,
        "rss_kb_per_vessel": (m2 - m0) / 100,
    }


async def measure_chain_hundred(hass, save_as):
    async def add(source, name):
        await setup(hass, chain(name, source, tuned=False))

    res = await hundred(hass, add)
    entities = len(chain("v", "x", tuned=False))
    save_as("chain100_600", res | {"entities_per_vessel": entities})


async def measure_bare_hundred(hass, save_as):
    """What the hub itself takes for as many entities of a device, of which six are written."""

    async def add(source, name):
        await bare_device(hass, source, name)

    save_as("bare100_600", await hundred(hass, add))


async def measure_stillwell_one(hass, enable_custom_integrations, save_as):
    """One vessel every 60 s: after two hours, a day and ten days of history; and idle ticks."""
    clk, one, res = SimClock(START), ["sensor.raw0"], {}
    with clk.installed(hass.loop):
        await candidate.setup(hass, "sensor.raww", "w")
        c = time.process_time()
        await candidate.setup(hass, "sensor.raw0", "c0")
        res["setup_cpu_ms"] = (time.process_time() - c) * 1e3
        await floor(hass, "bare", "sensor.bare")
        seen = 0
        for label, until in (("2h", 120), ("1d", 1460), ("10d", 14400)):
            await feed(hass, clk, one, until - seen, 60, seen)
            res[label] = stat(await feed(hass, clk, one, 300, 60, until))
            # The same machine, busy or not, in the same minute; too short to look like silence.
            bare = await feed(hass, clk, ["sensor.bare"], 300, 0.4)
            res[label]["bare_us"] = stat(bare)["median_us"]
            seen = until + 300
        res["beside"] = await _beside_a_young_one(hass, clk, seen)
        res["entities"] = candidate.entity_count(hass, "c0")
        res["tick"] = stat(await _idle(hass, clk))
    save_as("stillwell_one", res)


async def _beside_a_young_one(hass, clk, seen):
    """CPU of a report of the old vessel and of one two hours old, by turns in the same hours.

    Minutes apart, the machine itself is faster or slower by more than what is asked.
    """
    old, young, n = "sensor.raw0", "sensor.young", 120
    await candidate.setup(hass, young, "y0")
    await feed(hass, clk, [young], n, 60)
    cost = {old: [], young: []}
    for i in range(1200):
        for name, at in ((old, seen + i), (young, n + i)):
            cost[name].append(await one_round(hass, clk, {name: level(at, 60)}, 30))
    return {"old": stat(cost[old]), "young": stat(cost[young])}


async def _idle(hass, clk):
    """CPU of time passing without a report, 15 s a step, for each of the vessels set up."""
    cost = []
    for _ in range(300):
        clk.now += 15.0
        c = time.process_time()
        await settle(hass)
        cost.append((time.process_time() - c) / 3)
    return cost


async def measure_stillwell_hundred(hass, enable_custom_integrations, save_as):
    """The same load as for a hundred chains, each vessel in a system of its own."""

    async def add(source, name):
        await candidate.setup(hass, source, name)

    res = await hundred(hass, add)
    assert candidate.entity_count(hass, "v0") == ENTITIES
    save_as("stillwell_hundred", res)


def measure_engine_state(save_as):
    """The engine alone: allocations of one vessel after eight days, snapshot, CPU per report."""
    run = simulate(SCENARIOS["noisy"], 5)
    warm = new_model()
    for _ in follow(warm, run):
        pass
    gc.collect()
    tracemalloc.start(1)
    begin = tracemalloc.get_traced_memory()[0]
    model = new_model()
    for _ in follow(model, run):
        model.pop_events() if hasattr(model, "pop_events") else model.events.clear()
    gc.collect()
    kept = tracemalloc.get_traced_memory()[0] - begin
    tracemalloc.stop()
    c = time.process_time()
    for _ in follow(new_model(), run):
        pass
    c = time.process_time() - c
    save_as(
        "engine_state",
        {
            "allocated_kb": kept / 1024,
            "held_kb": deep_size_bytes(model) / 1024,
            "snapshot_kb": len(json.dumps(model.snapshot())) / 1024,
            "report_us": c / len(run.t) * 1e6,
        },
    )
