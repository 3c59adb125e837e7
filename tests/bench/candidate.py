"""Stillwell as the bench sets it up and reads it: through its config flow, as a keeper would.

The bench's usual vessel is a box of 900 cm2 that holds 30 L and is full at 28.5 L; the other
one is a tapered bin. The source reports the depth in centimetres.
"""

import sys
from datetime import datetime
from math import nan
from pathlib import Path

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

import custom_components  # noqa: E402

# Another bench may have the test plug-in's own package under this name already.
if (ours := str(ROOT / "custom_components")) not in list(custom_components.__path__):
    custom_components.__path__.append(ours)

from homeassistant.config_entries import SOURCE_USER  # noqa: E402
from homeassistant.helpers import entity_registry as er  # noqa: E402
from homeassistant.util import dt as dt_util  # noqa: E402

DOMAIN = "stillwell"
AREA_CM2, CAPACITY_L, FULL_L = 900.0, 30.0, 28.5
CM_PER_L = 1000.0 / AREA_CM2
DAY_S = 86400.0

BOX = {
    "shape": "box",
    "sizes": {"length": 30, "width": 30, "height": CAPACITY_L * CM_PER_L},
    "marks": {
        "empty": 0,
        "start": 4 * CM_PER_L,
        "full": FULL_L * CM_PER_L,
        "high": CAPACITY_L * CM_PER_L,
    },
}

_entities: dict[tuple[int, str], dict[str, str]] = {}


async def setup(hass, raw, vessel="c", form=BOX):
    """Add a system and its reservoir, fed by the entity `raw`."""
    flows = hass.config_entries.flow
    result = await flows.async_init(DOMAIN, context={"source": SOURCE_USER})
    result = await flows.async_configure(
        result["flow_id"], {"name": f"Bench {vessel}", "volume": 450, "salinity": 35}
    )
    entry = result["result"]
    flow_id = result["next_flow"][1]
    steps = (
        {
            "name": f"{vessel} reservoir",
            "source": raw,
            "measure": "depth",
            "shape": form["shape"],
        },
        {**form["sizes"], "sensor_zero": 0},
        {**form["marks"], "filling": {}, "signal": {}},
        {},
    )
    for step in steps:
        result = await hass.config_entries.subentries.async_configure(flow_id, step)
        assert not result.get("errors"), result["errors"]
    await hass.async_block_till_done()
    subentry_id = next(iter(entry.subentries))
    registry = er.async_get(hass)
    _entities[id(hass), vessel] = {
        item.unique_id.removeprefix(f"{subentry_id}_"): item.entity_id
        for item in er.async_entries_for_config_entry(registry, entry.entry_id)
    }


def entity_count(hass, vessel="c"):
    """Return how many entities of the vessel have a state."""
    return sum(hass.states.get(e) is not None for e in _entities[id(hass), vessel].values())


def _number(hass, entity_id):
    state = hass.states.get(entity_id)
    try:
        return float(state.state)
    except AttributeError, ValueError:
        return nan


def _seconds_until(hass, entity_id, now_s, attribute=None):
    state = hass.states.get(entity_id)
    try:
        shown = state.state if attribute is None else state.attributes[attribute]
        instant = shown if isinstance(shown, datetime) else datetime.fromisoformat(shown)
    except AttributeError, KeyError, TypeError, ValueError:
        return nan
    return instant.timestamp() - now_s


def read(hass, vessel="c"):
    """Return litres a day, days until empty, minutes until full, litres, loss alarm, bounds."""
    ids = _entities[id(hass), vessel]
    now_s = dt_util.utcnow().timestamp()
    return {
        "cons": _number(hass, ids["use_per_day"]),
        "tte": _seconds_until(hass, ids["empty_at"], now_s) / DAY_S,
        "eta_min": _seconds_until(hass, ids["full_at"], now_s) / 60.0,
        "vol": _number(hass, ids["volume"]),
        "alarm": float(hass.states.is_state(ids["unexplained_loss"], "on")),
        "early": _seconds_until(hass, ids["empty_at"], now_s, "early") / DAY_S,
        "late": _seconds_until(hass, ids["empty_at"], now_s, "late") / DAY_S,
        "failure": float(hass.states.is_state(ids["signal"], "failure")),
        "doubtful": float(hass.states.is_state(ids["signal"], "out_of_specification")),
    }
