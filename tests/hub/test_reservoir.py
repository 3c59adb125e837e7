"""What a reservoir shows: derived values against hand arithmetic, never a wild one."""

import math

import pytest
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.sensor import PerDaySensor
from homeassistant.core import HomeAssistant
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import entity_registry as er
from homeassistant.util import dt as dt_util

from .lab import SOURCE, SQUARE_L_PER_CM, VALVE, Lab

CM_PER_MIN_AT_3_L_PER_DAY = 3.0 / SQUARE_L_PER_CM / 1440.0
DERIVED = (
    "use_per_day",
    "use_per_day_week",
    "empty_at",
    "refill_due_at",
    "full_at",
    "fill_rate",
    "last_fill_volume",
    "last_fill_duration",
    "last_fill_at",
)


EVERY_S = 300.0


def falling(hours: float, start_cm: float = 20.0) -> list[float]:
    """A level each five minutes while 3 L a day are used, to 0.1 mm."""
    return [
        round(start_cm - step * 5 * CM_PER_MIN_AT_3_L_PER_DAY, 2) for step in range(int(hours * 12))
    ]


async def test_nothing_is_known_in_the_first_minutes(lab: Lab) -> None:
    await lab.set_up()
    for key in (*DERIVED, "fill", "volume", "usable_volume", "total_used"):
        assert lab.state(key).state in ("unknown", "unavailable"), key
    await lab.run([20.0, 19.99, 20.0, 20.01])
    for key in DERIVED:
        assert lab.state(key).state == "unknown", key
    # 20 cm of a box of 900 cm2 (arithmetic)
    assert lab.value("volume") == pytest.approx(18.0, abs=0.1)
    assert lab.value("fill") == pytest.approx(100 * 20.0 / 30.0, abs=0.5)
    assert lab.value("usable_volume") == pytest.approx(18.0 - 2 * 0.9, abs=0.1)


async def test_use_and_forecast_after_half_a_day(lab: Lab) -> None:
    await lab.set_up(replaces_evaporation=True)
    levels = falling(12)
    await lab.run(levels, EVERY_S)
    # 3 L a day by construction; after 12 h with 0.1 mm resolution 5 % is ample.
    assert lab.value("use_per_day") == pytest.approx(3.0, rel=0.05)
    assert lab.value("evaporation_per_day") == lab.value("use_per_day")
    left_l = levels[-1] * SQUARE_L_PER_CM
    days = 86400.0
    assert lab.seconds_until("empty_at") == pytest.approx((left_l - 1.8) / 3 * days, rel=0.1)
    assert lab.seconds_until("refill_due_at") == pytest.approx((left_l - 6.3) / 3 * days, rel=0.1)
    bounds = lab.state("empty_at")
    assert (
        bounds.attributes["early"].isoformat()
        < bounds.state
        < bounds.attributes["late"].isoformat()
    )
    assert lab.value("total_used") == pytest.approx(12 / 24 * 3, abs=0.1)
    assert lab.state("full_at").state == "unknown"
    assert lab.state("signal").state == "good"


async def test_rates_of_a_day_are_in_gallons_where_volumes_are(
    imperial: HomeAssistant, lab: Lab
) -> None:
    """A US gallon is 3.785 412 L (NIST SP 811, appendix B)."""
    await lab.set_up(replaces_evaporation=True)
    await lab.run(falling(12), EVERY_S)
    for key in ("use_per_day", "evaporation_per_day"):
        shown = lab.state(key)
        assert shown.attributes["unit_of_measurement"] == "gal/d"
        assert float(shown.state) == pytest.approx(3.0 / 3.785412, rel=0.05)
    assert lab.state("use_per_day_week").attributes["unit_of_measurement"] == "gal/d"
    rates = [one for one in lab.runtime.shown if isinstance(one, PerDaySensor)]
    assert len(rates) == 3
    for one in rates:
        assert one._tell({"plus_minus": 3.785, "held": True}) == {"plus_minus": 1.0, "held": True}


async def test_a_refill_is_timed_and_measured(lab: Lab) -> None:
    """A refill takes a little over one hour (common practice, no source)."""
    await lab.set_up(device="input_boolean.lagoon_valve")
    await lab.run([7.0] * 15)
    await lab.valve(on=True)
    per_min_cm = (28.0 - 7.0) / 70.0
    await lab.run([round(7.0 + per_min_cm * minute, 2) for minute in range(1, 36)])
    assert lab.state("filling").state == "on"
    assert lab.value("fill_rate") == pytest.approx(per_min_cm * SQUARE_L_PER_CM, rel=0.05)
    left_min = (30.0 - 7.0 - 35 * per_min_cm) / per_min_cm
    assert lab.seconds_until("full_at") / 60 == pytest.approx(left_min, abs=1.5)
    await lab.run([round(7.0 + per_min_cm * minute, 2) for minute in range(36, 71)])
    await lab.valve(on=False)
    await lab.run([28.0] * 10)
    assert lab.state("filling").state == "off"
    assert lab.value("last_fill_volume") == pytest.approx(21 * SQUARE_L_PER_CM, rel=0.03)
    assert lab.value("last_fill_duration") == pytest.approx(70, abs=4)
    assert lab.state("full_at").state == "unknown"
    assert lab.value("added_today") == pytest.approx(21 * SQUARE_L_PER_CM, rel=0.03)


@pytest.mark.parametrize("key", ["fill", "volume", "usable_volume"])
async def test_a_level_that_stands_is_said_again_while_the_strip_says_so(
    hass: HomeAssistant, lab: Lab, key: str
) -> None:
    """A rule takes a figure without a report in a quarter of an hour for lost (our blueprints)."""
    await lab.set_up()
    await lab.run([20.0] * 15)
    was = lab.state(key)
    for _ in range(60):
        await lab.run([20.0])
        state = lab.state(key)
        assert (dt_util.utcnow() - state.last_reported).total_seconds() <= 300
        # Said again, not written anew: nothing for the recorder.
        assert state.last_updated == was.last_updated
    # A strip that says nothing any more is not made to look alive.
    said = lab.state(key).last_reported
    for _ in range(4):
        await lab.wait(60)
    assert lab.state(key).last_reported == said


async def test_the_meter_never_runs_backwards_nor_with_noise(lab: Lab) -> None:
    await lab.set_up()
    seen: list[float] = []
    # Ripple of 2 mm on a still level: nothing is used.
    for minute in range(200):
        await lab.wait(60)
        await lab.level(round(20.0 + 0.2 * math.sin(minute * 1.3), 2))
        if minute > 5:
            seen.append(lab.value("total_used"))
    assert seen == sorted(seen)
    assert seen[-1] - seen[0] < 0.2


async def test_a_device_for_each_and_stable_identities(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device="input_boolean.lagoon_valve")
    devices = dr.async_get(hass)
    found = {}
    for key, name in (
        ("lagoon_reservoir", "Lagoon reservoir"),
        ("lagoon_reservoir_fill_line", "Lagoon reservoir fill line"),
    ):
        found[key] = devices.async_get_device_by_identifier((DOMAIN, key), lab.entry.entry_id)
        assert found[key].name == name
    vessel, line = found.values()
    assert line.via_device_id == vessel.id
    entities = er.async_entries_for_config_entry(er.async_get(hass), lab.entry.entry_id)
    assert {entity.device_id for entity in entities} == {vessel.id, line.id}
    for entity in entities:
        assert found[entity.config_subentry_id].id == entity.device_id
        assert entity.unique_id.startswith(f"{entity.config_subentry_id}_")
        assert SOURCE not in entity.unique_id


async def test_removing_the_vessel_removes_its_device(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    hass.config_entries.async_remove_subentry(lab.entry, "lagoon_reservoir")
    await hass.async_block_till_done()
    assert not er.async_entries_for_config_entry(er.async_get(hass), lab.entry.entry_id)
    assert not dr.async_entries_for_config_entry(dr.async_get(hass), lab.entry.entry_id)


async def test_a_reload_keeps_what_was_learned(lab: Lab) -> None:
    await lab.set_up()
    await lab.run(falling(6), EVERY_S)
    before = lab.value("total_used"), lab.value("use_per_day")
    await lab.reload()
    await lab.run(falling(6.5)[-6:], EVERY_S)
    # Half an hour more at 3 L a day (arithmetic).
    assert lab.value("total_used") == pytest.approx(before[0] + 0.5 * 3.0 / 24, abs=0.02)
    assert lab.value("use_per_day") == pytest.approx(3.0, rel=0.03)
    assert before[1] == pytest.approx(3.0, rel=0.03)


async def test_levels_go_unavailable_with_the_source_and_use_is_held(lab: Lab) -> None:
    await lab.set_up()
    await lab.run(falling(6), EVERY_S)
    use = lab.value("use_per_day")
    await lab.level("unavailable")
    await lab.wait(11 * 60)
    assert lab.state("volume").state == "unavailable"
    assert lab.state("fill").state == "unavailable"
    assert lab.state("signal").state == "failure"
    assert lab.state("signal_reason").state == "source_unavailable"
    assert lab.value("use_per_day") == pytest.approx(use, rel=0.02)
    assert lab.state("use_per_day").attributes["held"] is True


@pytest.mark.parametrize(
    "change",
    [
        {"source": "sensor.other_strip"},
        {"shape": {"kind": "box", "length_m": 0.6, "width_m": 0.3, "height_m": 0.34}},
        {"sensor_zero_m": 0.05},
    ],
)
async def test_another_source_place_or_shape_loses_and_moves_nothing(
    hass: HomeAssistant, lab: Lab, change: dict[str, object]
) -> None:
    await lab.set_up()
    levels = falling(6)
    await lab.run(levels, EVERY_S)
    before = lab.value("total_used"), lab.value("use_per_day")
    subentry = next(iter(lab.entry.subentries.values()))
    hass.config_entries.async_update_subentry(
        lab.entry, subentry, data=dict(subentry.data) | change
    )
    await hass.async_block_till_done()
    lab.source = str(change.get("source", SOURCE))
    await lab.run([levels[-1]] * 6, 60)
    assert lab.state("signal").state == "good"
    assert lab.value("total_used") == pytest.approx(before[0], abs=0.05)
    assert lab.value("use_per_day") == pytest.approx(before[1], rel=0.05)
    assert lab.value("added_today") == pytest.approx(0, abs=0.05)


async def test_a_source_that_was_never_there_is_told_once_and_not_at_every_tick(lab: Lab) -> None:
    """Nothing is known, so nothing moves with time; what is held does move."""
    await lab.set_up()
    assert lab.hass.states.get(SOURCE) is None
    await lab.wait(60)
    before = lab.runtime.view
    await lab.wait(600)
    assert lab.runtime.view is before
    await lab.settle()
    await lab.level("unavailable")
    held = lab.runtime.view
    await lab.wait(120)
    assert lab.runtime.view.held_s > held.held_s + 60


@pytest.mark.parametrize("device", [None, VALVE])
async def test_no_platform_is_set_up_in_vain(
    hass: HomeAssistant, lab: Lab, device: str | None
) -> None:
    """A reservoir alone has nothing to press or to switch; a line that fills it has."""
    await lab.set_up(**({} if device is None else {"device": device}))
    there = {name for name in hass.config.components if name.startswith(f"{DOMAIN}.")}
    has_buttons = f"{DOMAIN}.button" in there and f"{DOMAIN}.switch" in there
    assert has_buttons == (device is not None)
    assert {f"{DOMAIN}.sensor", f"{DOMAIN}.binary_sensor"} <= there
