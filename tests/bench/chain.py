"""The helper chain: what a user puts together from the hub's own helpers, one entry each."""

import asyncio
import importlib
import sys
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from unittest.mock import patch

from homeassistant.components.homeassistant import DOMAIN as HA_DOMAIN
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import MockConfigEntry
from truth import CAP_L, L_PER_CM, depth_table

PLATFORMS = (
    "template.sensor",
    "template.binary_sensor",
    "filter.sensor",
    "derivative.sensor",
    "statistics.sensor",
    "trend.binary_sensor",
    "utility_meter.sensor",
    "utility_meter.select",
    "threshold.binary_sensor",
    "generic_hygrostat.humidifier",
    "input_boolean",
    "recorder",
    "recorder.history",
    "homeassistant",
    "sensor.recorder",
)
MEAS = {
    "device_class": "volume_storage",
    "state_class": "measurement",
    "unit_of_measurement": "L",
}
DAY_S = 86400
START = datetime(2026, 3, 2, tzinfo=UTC).timestamp()


def _tpl(name, state, avail, **kw):
    options = {
        "name": name,
        "template_type": "sensor",
        "state": state,
        "additional_options": {"availability": avail},
        **kw,
    }
    return ("template", name, options, 2, 1)


def _flt(name, src, kind, **kw):
    return ("filter", name, {"name": name, "entity_id": src, "filter": kind, **kw}, 1, 1)


def _der(name, src, **window):
    options = {
        "name": name,
        "source": src,
        "round": 4,
        "time_window": window,
        "unit_time": "d",
    }
    return ("derivative", name, options, 1, 4)


def _litres(raw, shape):
    """Template of the volume; for a bin the square of a straight line, integrated by hand."""
    if shape == "box":
        return f"{{{{ (states('{raw}')|float * {L_PER_CM})|round(3) }}}}"
    h, litres = depth_table(shape)
    a, b = 24.0, 12.0 / h[-1]  # side = a + b x; volume = a^2 x + a b x^2 + b^2 x^3 / 3
    assert abs(a * a * h[-1] + a * b * h[-1] ** 2 + b * b * h[-1] ** 3 / 3 - 1000 * litres[-1]) < 1
    cubic = f"({a * a} + ({a * b} + {b * b / 3} * x) * x) * x"
    return f"{{% set x = states('{raw}')|float %}}{{{{ ({cubic} / 1000)|round(3) }}}}"


def _level(v, raw, s, shape, fast):
    ok = f"{{{{ has_value('{raw}') }}}}"
    pct = f"{{{{ (states('{raw}')|float * {100 * L_PER_CM / CAP_L})|round(1) }}}}"
    e = [
        _tpl(f"{v} vol", _litres(raw, shape), ok, **MEAS),
        _tpl(f"{v} pct", pct, ok, unit_of_measurement="%", state_class="measurement"),
        _flt(f"{v} despiked", s + "vol", "outlier", window_size=5, radius=0.5, precision=3),
    ]
    low = {"window_size": 1, "precision": 3}
    if fast:
        e += [
            _flt(f"{v} smooth0", s + "despiked", "lowpass", time_constant=60, **low),
            _flt(f"{v} smooth", s + "smooth0", "time_throttle", window_size={"seconds": 60}),
        ]
    else:
        e.append(_flt(f"{v} smooth", s + "despiked", "lowpass", time_constant=10, **low))
    return e


def _windowed(v, s):
    statistics = {
        "name": f"{v} st24",
        "entity_id": s + "smooth",
        "state_characteristic": "change",
        "max_age": {"hours": 24},
        "keep_last_sample": False,
        "percentile": 50,
        "precision": 4,
    }
    trend = {
        "name": f"{v} tr24",
        "entity_id": s + "smooth",
        "invert": False,
        "max_samples": 1500,
        "min_samples": 2,
        "sample_duration": DAY_S,
        "min_gradient": 0.0,
    }
    meter = {
        "name": f"{v} um",
        "source": s + "smooth",
        "cycle": "daily",
        "offset": 0,
        "tariffs": [],
        "net_consumption": True,
        "delta_values": False,
        "periodically_resetting": False,
        "always_available": False,
    }
    return [
        _der(f"{v} d24", s + "smooth", hours=24),
        _der(f"{v} d6", s + "smooth", hours=6),
        _der(f"{v} d10m", s + "smooth", minutes=10),
        _der(f"{v} d10r", s + "despiked", minutes=10),
        ("statistics", f"{v} st24", statistics, 1, 3),
        ("trend", f"{v} tr24", trend, 1, 2),
        ("utility_meter", f"{v} um", meter, 2, 2),
    ]


def _threshold(name, src, lower, hysteresis):
    options = {
        "name": name,
        "entity_id": src,
        "lower": lower,
        "upper": None,
        "hysteresis": hysteresis,
    }
    return ("threshold", name, options, 1, 2)


def _tuned(v, s, fast):
    """The best a patient user could do: slow smoothing, thinning, refills dropped."""
    slow = {"window_size": 1, "time_constant": 360 if fast else 60, "precision": 4}
    return [
        _flt(f"{v} slow", s + "despiked", "lowpass", **slow),
        _flt(f"{v} thin", s + "slow", "time_throttle", window_size={"minutes": 10}),
        _tpl(
            f"{v} used",
            f"{{{{ ({CAP_L} - states('{s}thin')|float)|round(4) }}}}",
            f"{{{{ has_value('{s}thin') }}}}",
            device_class="water",
            state_class="total_increasing",
            unit_of_measurement="L",
        ),
        _der(f"{v} d24t", s + "used", hours=24),
    ]


def _hygrostat(v, s):
    options = {
        "name": f"{v} hyg",
        "device_class": "humidifier",
        "target_sensor": s + "pct",
        "humidifier": f"input_boolean.{v}_pump",
        "target_humidity": 20,
        "min_humidity": 1,
        "dry_tolerance": 2,
        "wet_tolerance": 2,
        "initial_state": True,
    }
    return ("generic_hygrostat", f"{v} hyg", options, 1, 2)


def chain(v, raw, *, tuned=True, hygrostat=False, fast=False, shape="box"):
    """Config entries of one vessel, in dependency order.

    `fast`: the sensor reports every 10 s; thin to 60 s before the windowed helpers.
    """
    s = f"sensor.{v}_"
    e = [
        *_level(v, raw, s, shape, fast),
        *_windowed(v, s),
        _threshold(f"{v} low", s + "smooth", 5.0, 0.5),
        _threshold(f"{v} leak", s + "d6", -6.0, 0.0),
        _tpl(
            f"{v} tte",
            f"{{{{ (states('{s}smooth')|float / -(states('{s}d24')|float))|round(2) }}}}",
            f"{{{{ has_value('{s}smooth') and states('{s}d24')|float(0) < -0.01 }}}}",
            unit_of_measurement="d",
        ),
    ]
    if tuned:
        e += _tuned(v, s, fast)
    if hygrostat:
        e.append(_hygrostat(v, s))
    return e


async def setup(hass, specs):
    """Set the entries up in order; returns them."""
    assert await async_setup_component(hass, HA_DOMAIN, {})
    real_recorder = "recorder" in hass.config.components
    if not real_recorder:  # filter insists on it; let it load, then run without history
        hass.config.components.add("recorder")
    for dom in dict.fromkeys(s[0] for s in specs):
        assert await async_setup_component(hass, dom, {}), dom
    if not real_recorder:
        hass.config.components.remove("recorder")
    out = []
    for dom, title, opts, ver, minor in specs:
        ent = MockConfigEntry(
            domain=dom, title=title, options=opts, version=ver, minor_version=minor
        )
        ent.add_to_hass(hass)
        assert await hass.config_entries.async_setup(ent.entry_id), title
        out.append(ent)
    await hass.async_block_till_done()
    return out


class SimClock:
    """Moves the wall clock and the event loop's clock together, without a fake datetime's cost."""

    def __init__(self, start: float) -> None:
        self.now = start

    @property
    def now(self) -> float:
        """Epoch seconds; a plain number, as the hub's own clock gives: numpy's cannot be stored."""
        return self._now

    @now.setter
    def now(self, now: float) -> None:
        self._now = float(now)

    def utc(self):
        """Return the simulated time."""
        return datetime.fromtimestamp(self.now, UTC)

    def _swaps(self):
        def time_of_day():
            return self.now

        def local(tz=None):
            return self.utc().astimezone(tz or dt_util.get_default_time_zone())

        return {id(time.time): time_of_day, id(dt_util.utcnow): self.utc, id(dt_util.now): local}

    @contextmanager
    def installed(self, loop):
        """Replace every clock the hub reads, for the time of a with block."""
        for m in PLATFORMS:  # a module imported later would keep our functions for good
            importlib.import_module(f"homeassistant.components.{m}")
        mono0, t0 = loop.time(), self.now
        swap = self._swaps()
        patches = [
            patch.object(loop, "time", lambda: mono0 + self.now - t0, create=True),
            patch.object(time, "time", swap[id(time.time)]),
        ]
        for m in list(sys.modules.values()):  # also names bound by "from ... import" or aliased
            if getattr(m, "__name__", "").startswith("homeassistant."):
                patches += [
                    patch.object(m, k, swap[id(f)]) for k, f in vars(m).items() if id(f) in swap
                ]
        for p in patches:
            p.start()
        try:
            yield self
        finally:
            for p in reversed(patches):
                p.stop()


async def settle(hass):
    """Let due timers and all tasks run."""
    await asyncio.sleep(0)
    await hass.async_block_till_done()
