"""The daily report in the hub: what it tells of the simulated day, in which words and units."""

import re
from typing import TYPE_CHECKING, Any, Final

import pytest
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.engine.daily_report import MOST_LINES
from homeassistant.config_entries import ConfigEntryState
from homeassistant.exceptions import ServiceValidationError
from homeassistant.util import dt as dt_util
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM

from .conftest import reservoir
from .lab import FLOAT, LEAK, SQUARE_L_PER_CM, VALVE, Lab
from .test_dosing import RETURN, STOCK_EC, STOCK_TEMP, low, pump
from .test_fill_watch import fill
from .test_rodi_watch import Tap, unit
from .test_temperature_watch import SOURCE, watch

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

STEP_S: Final = 300.0
CM_PER_STEP_AT_3_L_PER_DAY: Final = 3.0 / SQUARE_L_PER_CM / 288.0


async def told(lab: Lab, **data: Any) -> dict[str, Any]:
    """Ask for the report of all systems, or of what is given."""
    answer = await lab.hass.services.async_call(
        DOMAIN, "daily_report", data, blocking=True, return_response=True
    )
    return dict(answer)


def numbers(answer: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Return the numbers of the only system's lines by topic."""
    (system,) = answer["systems"]
    return {line["topic"]: line["numbers"] for line in system["lines"]}


def texts(answer: dict[str, Any]) -> list[str]:
    """Return the texts of the only system's lines."""
    (system,) = answer["systems"]
    return [line["text"] for line in system["lines"]]


async def a_day(lab: Lab) -> None:
    """Let the tank use 3 L a day for a day."""
    levels = [round(23.3 - step * CM_PER_STEP_AT_3_L_PER_DAY, 2) for step in range(288)]
    await lab.run(levels, STEP_S)


async def test_a_quiet_day(lab: Lab) -> None:
    await lab.set_up(empty_m=0.0, device=VALVE)
    await a_day(lab)
    answer = await told(lab)
    assert numbers(answer)["used"]["litres"] == pytest.approx(3.0, abs=0.1)
    assert numbers(answer)["added"] == {"litres": 0.0}
    title, quiet, used, added = answer["text"].splitlines()
    assert title == "Lagoon, the last 24 hours"
    assert quiet == "Nothing needs a hand."
    assert float(re.fullmatch(r"Used: ([\d.]+) litres", used)[1]) == pytest.approx(3.0, abs=0.1)
    assert added == "Refilled: 0 litres"


async def test_in_gallons_and_fahrenheit(imperial: HomeAssistant, lab: Lab) -> None:
    """3 L are 0.79 gal (3.785411784 L each); 25.0 and 26.0 degC are 77.0 and 78.8 degF."""
    lab.hass.states.async_set(SOURCE, "25.0", {"unit_of_measurement": "°C"})
    await lab.set_up(watch(heater=None, heater_power_w=None), empty_m=0.0)
    await a_day(lab)
    for temp_c in ("25.0", "26.0"):
        lab.hass.states.async_set(SOURCE, temp_c, {"unit_of_measurement": "°C"})
        await lab.wait(30.0)
    answer = await told(lab)
    assert "Used: 0.8 gallons" in texts(answer)
    assert "Water: 77.0 °F to 78.8 °F" in texts(answer)


async def test_nothing_is_known_at_first(lab: Lab) -> None:
    await lab.set_up()
    assert (await told(lab))["text"].splitlines()[1:] == ["Nothing is known of it yet."]
    await lab.level("unavailable")
    await lab.wait(60.0)
    answer = await told(lab)
    assert numbers(answer) == {"alarm": {}}
    (alarm,) = texts(answer)
    assert alarm.startswith("Alarm: How much water is in the Lagoon reservoir is not known now")
    await lab.settle(20.0, 5)
    assert not texts(await told(lab))


async def test_a_lockout_comes_first_and_a_refill_is_counted(hass: HomeAssistant, lab: Lab) -> None:
    """Three millimetres a minute for ten minutes over 900 cm2 are 2.7 L."""
    hass.states.async_set(LEAK, "off")
    await lab.set_up(device=VALVE, leak_inputs=[LEAK])
    await lab.settle()
    await fill(lab, 10)
    hass.states.async_set(LEAK, "on")
    await hass.async_block_till_done()
    answer = await told(lab)
    first = texts(answer)[0]
    assert first == "Alarm: Lagoon reservoir fill line is locked out: Leak input on. Look on site."
    assert numbers(answer)["added"]["litres"] == pytest.approx(2.7, abs=0.15)
    assert "Nothing needs a hand." not in answer["text"]


async def test_tests_due_within_a_week_and_work_to_do(hass: HomeAssistant, lab: Lab) -> None:
    hass.states.async_set(FLOAT, "off", {"friendly_name": "Reservoir float"})
    hass.states.async_set(LEAK, "off", {"friendly_name": "Floor"})
    await lab.set_up(
        device=VALVE, high_inputs=[FLOAT], leak_inputs=[LEAK], high_test_days=5, leak_test_days=30,
        rehearsal=True,
    )  # fmt: skip
    await lab.settle()
    found = texts(await told(lab))
    assert found[0] == "To do: Lagoon reservoir fill line only rehearses and fills nothing"
    assert re.fullmatch(r"Test: Reservoir float, by \w+day at \d\d:\d\d", found[1])
    assert not any("Floor" in text for text in found)
    lab.freezer.tick(6 * 86400.0)
    await lab.settle()
    assert "Test: Reservoir float, overdue" in texts(await told(lab))


async def test_a_reservoir_that_nothing_fills_asks_for_a_hand(lab: Lab) -> None:
    """From 17 cm down to 7 cm at 3 L a day over 900 cm2: 3 days."""
    await lab.set_up()
    levels = [round(20.3 - step * CM_PER_STEP_AT_3_L_PER_DAY, 2) for step in range(288)]
    await lab.run(levels, STEP_S)
    (task,) = [text for text in texts(await told(lab)) if text.startswith("To do")]
    day = dt_util.now().isoweekday()
    names = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]
    assert re.fullmatch(rf"To do: refill Lagoon reservoir by {names[(day + 2) % 7]} at .*", task)


async def test_an_alarm_of_a_watch_is_told_by_its_name(lab: Lab) -> None:
    lab.hass.states.async_set(SOURCE, "28.0", {"unit_of_measurement": "°C"})
    await lab.set_up(watch(heater=None, heater_power_w=None))
    await lab.settle(20.0, 20, 30.0)
    assert "Alarm: Nursery temperature: Temperature high" in texts(await told(lab))


async def test_the_unit_s_stages_and_production(lab: Lab) -> None:
    tap = Tap(lab)
    tap.show()
    await lab.set_up(unit(rated_l={"resin": 5.0}), device=VALVE)
    await lab.run([tap.level_l / SQUARE_L_PER_CM] * 20)
    await tap.refill()
    found = texts(await told(lab))
    assert "To do: change the resin of Lab RO/DI unit" in found
    # Work to be done is no alarm.
    assert not any("Stage due" in text for text in found)
    (alive,) = lab.entry.runtime_data.watches.values()
    for litres in (10.0,) * 5 + (7.0,) * 3:
        alive._engine._membrane.run(litres, 24.0 * litres)
    assert "To do: Lab RO/DI unit makes less: look at the filters" in "\n".join(
        texts(await told(lab))
    )


async def test_a_dose_that_is_held_back_says_why_and_is_no_alarm(lab: Lab) -> None:
    """Three minutes at 3 L/h are 150 mL, or 5.07 US fluid ounces (29.5735 mL each)."""
    await low(lab, minutes=30, return_pump=RETURN)
    await pump(lab, 180.0)
    lab.hass.states.async_set(RETURN, "off")
    await lab.settle(14.5, 3)
    found = texts(await told(lab))
    assert "Dosed: 150 mL, held back: Return pump off or unknown" in found
    assert not any("paused" in text for text in found)
    lab.hass.config.units = US_CUSTOMARY_SYSTEM
    found = texts(await told(lab))
    assert "Dosed: 5.1 fl. oz., held back: Return pump off or unknown" in found


async def test_a_weak_stock_is_work_to_do(lab: Lab) -> None:
    """6.603 mS/cm at 25 degC are three quarters of saturation (PHREEQC, Pitzer database)."""
    lab.hass.states.async_set(STOCK_EC, "6.603", {"unit_of_measurement": "mS/cm"})
    lab.hass.states.async_set(STOCK_TEMP, "25", {"unit_of_measurement": "°C"})
    await low(
        lab, minutes=5, stock_conductivity_source=STOCK_EC, stock_temperature_source=STOCK_TEMP
    )
    found = texts(await told(lab))
    assert "To do: Lagoon limewater: Weak, stir it or keep air out" in found


async def test_any_watch_contributes_by_its_report(lab: Lab) -> None:
    await lab.set_up(watch(heater=None, heater_power_w=None), empty_m=0.0)
    await lab.settle(20.0, 3)
    (alive,) = lab.entry.runtime_data.watches.values()
    alive.report = lambda: {
        "evaporation_l": 2.0, "expected_evaporation_l": 1.8, "salinity_psu": 35.04,
        "drift_psu_per_day": 0.31, "dose_l": 1.0, "no_dose_reason": "pH too high",
        "hands_needed": ["mix a batch"],
    }  # fmt: skip
    assert texts(await told(lab)) == [
        "To do: mix a batch",
        "Evaporated: 2 litres, expected 1.8 litres",
        "Salinity: 35.0 PSU, moving +0.3 a day",
        "Dosed: 1000 mL, held back: pH too high",
    ]
    alive.report = lambda: {
        "evaporation_l": 2.0, "salinity_psu": 35.04, "dose_l": 0.0,
        "hands_needed": [f"task {number}" for number in range(30)],
    }  # fmt: skip
    found = texts(await told(lab))
    assert len(found) == MOST_LINES
    assert found[-4:] == [
        "And 22 more to do.", "Evaporated: 2 litres", "Salinity: 35.0 PSU, steady",
        "Dosed: 0 mL",
    ]  # fmt: skip


async def test_of_two_reservoirs_in_a_row_only_the_last_is_used_by_the_tank(lab: Lab) -> None:
    """The store refills the reservoir: its fall is no use, and the other's rise adds nothing."""
    store = reservoir("Store", source="sensor.store_level")
    await lab.set_up(store, device=VALVE, source_vessel="store", empty_m=0.0)
    levels = [round(23.3 - step * CM_PER_STEP_AT_3_L_PER_DAY, 2) for step in range(288)]
    for level in levels:
        await lab.wait(STEP_S)
        lab.hass.states.async_set("sensor.store_level", str(level), {"unit_of_measurement": "cm"})
        await lab.level(level)
    seen = numbers(await told(lab))
    assert seen["used"]["litres"] == pytest.approx(3.0, abs=0.1)
    assert "added" not in seen


async def test_systems_are_named_by_entry_or_entity(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    first = lab.entry
    entity_id = lab.entity_id("volume")
    other = Lab(hass, lab.freezer)
    from pytest_homeassistant_custom_component.common import MockConfigEntry  # noqa: PLC0415

    entry = MockConfigEntry(
        domain=DOMAIN, title="Nursery", version=first.version, minor_version=first.minor_version,
        data={"volume_l": 120.0, "salinity_psu": 33.0},
    )  # fmt: skip
    entry.add_to_hass(hass)
    assert await hass.config_entries.async_setup(entry.entry_id)
    other.entry = entry

    async def names(**data: Any) -> set[str]:
        return {one["system"] for one in (await told(lab, **data))["systems"]}

    assert await names() == {"Lagoon", "Nursery"}
    assert await names(entity_id=entity_id) == {"Lagoon"}
    assert await names(system=entry.entry_id) == {"Nursery"}
    assert await names(system=[entry.entry_id, first.entry_id]) == {"Lagoon", "Nursery"}
    assert (await told(lab, system=entry.entry_id))["text"].startswith("Nursery, the last 24 hours")
    with pytest.raises(ServiceValidationError) as refused:
        await told(lab, entity_id="sensor.somebody_else_s")
    assert refused.value.translation_key == "no_system"
    await hass.config_entries.async_unload(entry.entry_id)
    assert entry.state is ConfigEntryState.NOT_LOADED
    with pytest.raises(ServiceValidationError):
        await told(lab, system=entry.entry_id)
