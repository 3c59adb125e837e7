"""Rule and guard together: the shipped top-off blueprint from a real reservoir that is at rest.

Between two pulses nobody takes water from the reservoir, so its usable volume, which the blueprint
names as the best source, stands. Levels are the trade's (common practice, no source).
"""

from math import sin

import pytest
from custom_components.stillwell.const import (
    CONFIG_MINOR_VERSION,
    CONFIG_VERSION,
    DOMAIN,
    SUBENTRY_FILL_LINE,
    SUBENTRY_RESERVOIR,
)
from freezegun.api import FrozenDateTimeFactory
from homeassistant.core import HomeAssistant
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import (
    MockConfigEntry,
    async_fire_time_changed,
)

PUMP = "input_boolean.lagoon_top_off_pump"
VESSEL = {
    "measure": "depth",
    "sensor_zero_m": 0.0,
    "replaces_evaporation": False,
    "zero_is_suspect": True,
}
RESERVOIR = VESSEL | {
    "source": "sensor.lagoon_reservoir_strip",
    "shape": {"kind": "box", "length_m": 0.4, "width_m": 0.4, "height_m": 0.4},
    "empty_m": 0.03,
    "start_m": 0.08,
    "full_m": 0.35,
    "high_m": 0.38,
}
SUMP = VESSEL | {
    "source": "sensor.lagoon_sump_strip",
    "shape": {"kind": "box", "length_m": 0.6, "width_m": 0.3, "height_m": 0.4},
    "empty_m": 0.05,
    "start_m": 0.15,
    "full_m": 0.18,
    "high_m": 0.22,
}
LINE = {
    "destination": "sump",
    "device": PUMP,
    "longest_run_s": 600.0,
    "source_vessel": "reservoir",
}
SUBENTRIES = (
    ("reservoir", SUBENTRY_RESERVOIR, RESERVOIR),
    ("sump", SUBENTRY_RESERVOIR, SUMP),
    ("line", SUBENTRY_FILL_LINE, LINE),
)


@pytest.fixture(autouse=True)
def _stillwell_is_installed(enable_custom_integrations: None) -> None:
    """Let the hub find custom integrations."""


async def test_a_reservoir_at_rest_tops_off(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory
) -> None:
    freezer.move_to("2026-03-10 08:00:05+00:00")
    entry = MockConfigEntry(
        domain=DOMAIN,
        title="Lagoon",
        version=CONFIG_VERSION,
        minor_version=CONFIG_MINOR_VERSION,
        data={"volume_l": 450.0, "salinity_psu": 35.0},
        subentries_data=[
            {
                "data": data,
                "subentry_id": key,
                "subentry_type": kind,
                "title": f"Lagoon {key}",
                "unique_id": None,
            }
            for key, kind, data in SUBENTRIES
        ],
    )
    cm = {"reservoir": 30.0, "sump": 15.5}
    reports = 0

    async def report() -> None:
        # a strip that is alive trembles a little
        nonlocal reports
        reports += 1
        for key, level in cm.items():
            shown = f"{level + 0.02 * sin(reports):.2f}"
            hass.states.async_set(
                f"sensor.lagoon_{key}_strip", shown, {"unit_of_measurement": "cm"}
            )
        await hass.async_block_till_done()

    pump = {"input_boolean": {"lagoon_top_off_pump": None}}
    assert await async_setup_component(hass, "input_boolean", pump)
    await report()
    entry.add_to_hass(hass)
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    registry = er.async_get(hass)
    chosen = {
        "level_entity": "sensor.lagoon_sump_strip",
        "level_unit": "cm",
        "start_level": 15,
        "stop_level": 17,
        "pump": PUMP,
        "lockout_entity": registry.async_get_entity_id("binary_sensor", DOMAIN, "line_lockout"),
        "source_entity": registry.async_get_entity_id("sensor", DOMAIN, "reservoir_usable_volume"),
    }
    use = {"path": "stillwell/stillwell_top_off_sump.yaml", "input": chosen}
    rule = {"id": "top_off", "alias": "Top off", "use_blueprint": use}
    assert await async_setup_component(hass, "automation", {"automation": [rule]})
    await hass.async_block_till_done()
    # 1 cm of the sump evaporates in an hour; the pump brings six times that in ten minutes.
    for _ in range(2 * 180):
        is_on = hass.states.is_state(PUMP, "on")
        cm["sump"] += (0.2 if is_on else 0.0) - 1 / 180
        cm["reservoir"] -= 0.2 * 18 / 16 if is_on else 0.0
        freezer.move_to(dt_util.utc_from_timestamp((dt_util.utcnow().timestamp() // 20 + 1) * 20))
        await report()
        async_fire_time_changed(hass)
        await hass.async_block_till_done()
    assert cm["sump"] > 14.9
    assert cm["reservoir"] < 29.0
    await hass.services.async_call(
        "automation", "turn_off", {"entity_id": "automation.top_off"}, blocking=True
    )
    assert await hass.config_entries.async_unload(entry.entry_id)
    await hass.async_block_till_done()
