"""Feeds simulated readings to a hub and notes what it shows."""

import candidate
import numpy as np
from chain import START, chain, settle, setup
from truth import BIN_FLOOR_CM, BIN_HEIGHT_CM, BIN_TOP_CM, DAY, FULL_L, depth_cm

RAW = "sensor.raw"
ATTR = {"unit_of_measurement": "cm", "state_class": "measurement", "device_class": "distance"}
BIN = {
    "shape": "tapered_bin",
    "sizes": {
        "bottom_length": BIN_FLOOR_CM,
        "bottom_width": BIN_FLOOR_CM,
        "top_length": BIN_TOP_CM,
        "top_width": BIN_TOP_CM,
        "height": BIN_HEIGHT_CM,
    },
    "marks": {
        "empty": 0,
        "start": float(depth_cm("tapered", 4.0)),
        "full": float(depth_cm("tapered", FULL_L)),
        "high": BIN_HEIGHT_CM,
    },
}
FORMS = {"box": candidate.BOX, "tapered": BIN}


def num(hass, eid, attr=None):
    """Return a state or attribute as a number, NaN when it is none."""
    s = hass.states.get(eid)
    if s is None or s.state in ("unavailable", "unknown"):
        return np.nan
    v = s.state if attr is None else s.attributes.get(attr)
    try:
        return float(v)
    except TypeError, ValueError:
        return np.nan


def read_chain(hass):
    """All estimates of the helper chain, use in L/d and positive."""

    def on(entity_id):
        return float(hass.states.is_state(entity_id, "on"))

    return {
        "smooth": num(hass, "sensor.v_smooth"),
        "despiked": num(hass, "sensor.v_despiked"),
        "d24": -num(hass, "sensor.v_d24"),
        "d6": -num(hass, "sensor.v_d6"),
        "d10m": num(hass, "sensor.v_d10m"),
        "d10r": num(hass, "sensor.v_d10r"),
        "st24": -num(hass, "sensor.v_st24"),
        "tr24": -num(hass, "binary_sensor.v_tr24", "gradient") * DAY,
        "um": -num(hass, "sensor.v_um", "last_period"),
        "d24t": num(hass, "sensor.v_d24t"),
        "tte": num(hass, "sensor.v_tte"),
        "low": on("binary_sensor.v_low"),
        "leak": on("binary_sensor.v_leak"),
        "pump": on("input_boolean.v_pump"),
    }


async def set_up(hass, who, sc, *, hygrostat=False):
    """Set up the helper chain or Stillwell for a scenario."""
    if who == "stillwell":
        await candidate.setup(hass, RAW, form=FORMS[sc.shape])
        return hass.config_entries.async_entries()
    specs = chain("v", RAW, fast=sc.sample_s <= 10, hygrostat=hygrostat, shape=sc.shape)
    return await setup(hass, specs)


async def drive(hass, clk, run, who, t_from=0.0, t_to=np.inf, every=600.0):
    """Feed the readings; returns what was shown as arrays."""
    rng, rows, nxt = np.random.default_rng(7), [], t_from
    read = candidate.read if who == "stillwell" else read_chain
    sel = (run.t >= t_from) & (run.t < t_to)
    dmask = run.mask(run.t, "refill")
    for t, x, dn in zip(run.t[sel], run.x[sel], dmask[sel], strict=True):
        while t > nxt + every:  # rare reports leave gaps: keep the clock moving
            nxt += every
            clk.now = START + nxt
            await settle(hass)
            rows.append({"t": nxt, "grid": True, **read(hass)})
        clk.now = START + t + rng.uniform(0, 0.5)
        hass.states.async_set(RAW, "unavailable" if np.isnan(x) else f"{x:.3f}", ATTR)
        clk.now += 0.002
        await settle(hass)
        if t >= nxt or dn:
            rows.append({"t": t, "grid": t >= nxt, **read(hass)})
            if t >= nxt:
                nxt = t + every
    return {k: np.array([r[k] for r in rows]) for k in rows[0]}
