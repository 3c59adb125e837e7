"""A dosing line in the hub: advice, ledger, permit, forms, actions.

The sump is a box of 30 cm by 30 cm: 0.9 L for each cm. Limewater by Bates, Bower and Smith, J.
Res. NBS 56 (1956) 305-312: 40.6 meq/L and 813.6 mg/L of calcium at 25 degC.
"""

from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import (
    DOMAIN,
    SUBENTRY_DOSING,
    SUBENTRY_TEMPERATURE_WATCH,
)
from custom_components.stillwell.engine.limewater_line import LimewaterLine
from custom_components.stillwell.engine.pipeline import VesselModel
from custom_components.stillwell.engine.quantities import Status
from homeassistant.core import HassJob
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.setup import async_setup_component

from .conftest import reservoir
from .test_vessel_kinds import sump
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry

    from .lab import Lab

PUMP = "switch.lagoon_dosing_pump"
RETURN = "switch.lagoon_return_pump"
PH = "sensor.lagoon_ph"
ORP = "sensor.lagoon_orp"
STOCK_TEMP = "sensor.lagoon_stock_temperature"
STOCK_EC = "sensor.lagoon_stock_conductivity"
STOCK = "lagoon_stock"


def dosing(**changes: Any) -> dict[str, Any]:
    """Return a dosing line as a subentry; None leaves out."""
    data = {
        "vessel": "lagoon_reservoir", "target_m": 0.15, "dosing_pump": PUMP, "pump_l_per_h": 3.0,
        "ceiling_l_per_h": 0.3, "floor_l_per_h": 0.0, "most_per_dose_l": 0.05,
        "most_per_hour_l": 0.25, "most_per_day_l": 4.0, "alkalinity_dkh": 8.0,
    } | changes  # fmt: skip
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": "lagoon_limewater",
        "subentry_type": SUBENTRY_DOSING,
        "title": "Lagoon limewater",
        "unique_id": None,
    }


async def low(lab: Lab, *more: dict[str, Any], minutes: int = 120, **changes: Any) -> None:
    """Set up with all in order and a sump 5 mm below its target."""
    lab.hass.states.async_set(PUMP, "off")
    lab.hass.states.async_set(RETURN, "on")
    await lab.set_up(dosing(**changes), *more)
    await lab.run([14.5] * minutes)


async def pump(lab: Lab, seconds: float) -> None:
    """Let the pump run, as a rule would."""
    lab.hass.states.async_set(PUMP, "on")
    await lab.hass.async_block_till_done()
    await lab.wait(seconds)
    lab.hass.states.async_set(PUMP, "off")
    await lab.hass.async_block_till_done()


async def call(lab: Lab, action: str, *, answer: bool = False, **data: Any) -> Any:
    return await lab.hass.services.async_call(
        DOMAIN,
        action,
        {"entity_id": lab.entity_id("dose_rate"), **data},
        blocking=True,
        return_response=answer,
    )


# Advice


async def test_the_advice_follows_the_level(lab: Lab) -> None:
    """5 mm of 0.09 m2 less the dead band of 2 mm are 0.27 L; made good in 6 h that is 45 mL/h.

    The part that learns the usual need has added 45 * 2 h / 24 h after two hours, 3.75 mL/h.
    """
    await low(lab)
    assert lab.value("dose_rate") == pytest.approx(48.7, abs=1.5)
    assert lab.state("no_dose_reason").state == "not_armed"
    assert lab.state("dose_paused").state == "off"
    assert lab.value("next_dose") == pytest.approx(50.0)
    day_l = 24.0 * lab.value("dose_rate") / 1000.0
    # At the 20 degC that are assumed limewater is stronger by 0.9 % for a kelvin: 4.6 %.
    dkh = day_l * 40.6 * 1.046 * 2.80387 / 450.0
    assert lab.value("dose_alkalinity") == pytest.approx(dkh, rel=0.02)
    assert lab.value("dose_calcium") == pytest.approx(day_l * 813.6 * 1.046 / 450.0, rel=0.02)
    await lab.run([15.6] * 30)
    assert lab.value("dose_rate") == 0.0
    assert lab.state("no_dose_reason").state == "level_suffices"
    assert lab.state("dose_paused").state == "off"


async def _reason(lab: Lab) -> str:
    await lab.wait(31.0)
    return str(lab.state("no_dose_reason").state)


async def test_every_doubt_pauses_the_dose(lab: Lab, line: Callable[..., Any]) -> None:
    hass = lab.hass
    hass.states.async_set(PH, "8.2", {"unit_of_measurement": "pH"})
    hass.states.async_set(ORP, "0.35", {"unit_of_measurement": "V"})
    bands = {
        "ph_source": PH, "ph_low": 7.8, "ph_high": 8.45,
        "orp_source": ORP, "orp_low_mv": 200.0, "orp_high_mv": 450.0,
    }  # fmt: skip
    hass.states.async_set("binary_sensor.lagoon_float", "off")
    other = line(high_inputs=["binary_sensor.lagoon_float"])
    await low(lab, other, return_pump=RETURN, minutes=30, **bands)
    await lab.switch("dose_armed", on=True)
    assert lab.state("dose_permit").state == "on"
    assert lab.state("no_dose_reason").state == "none"
    for entity, bad, good, reason in (
        (RETURN, "off", "on", "pump_off"),
        (RETURN, "unavailable", "on", "pump_off"),
        (PH, "8.5", "8.2", "ph_outside"),
        (PH, "unknown", "8.2", "ph_outside"),
        (ORP, "0.6", "0.35", "orp_outside"),
    ):
        attributes = dict(hass.states.get(entity).attributes)
        hass.states.async_set(entity, bad, attributes)
        await hass.async_block_till_done()
        assert lab.state("no_dose_reason").state == reason
        assert lab.state("dose_permit").state == "off"
        assert lab.state("dose_paused").state == "on"
        assert lab.state("dose_paused").attributes["reason"] == reason
        assert lab.value("dose_rate") == lab.value("next_dose") == 0.0
        hass.states.async_set(entity, good, attributes)
        await lab.run([14.5] * 5)
        assert lab.state("dose_permit").state == "on"
    await lab.level("unavailable")
    assert await _reason(lab) == "stale"
    await lab.run([14.5] * 10)
    assert lab.state("dose_permit").state == "on"
    hass.states.async_set("binary_sensor.lagoon_float", "on")
    await hass.async_block_till_done()
    assert await _reason(lab) == "lockout"
    assert lab.state("dose_permit").state == "off"


async def test_a_line_without_a_pump_says_that_it_only_advises(lab: Lab) -> None:
    await low(lab, dosing_pump=None, pump_l_per_h=None, minutes=15)
    assert lab.state("no_dose_reason").state == "advice_only"
    assert lab.state("dose_permit").state == "off"


async def test_above_the_high_limit_nothing_is_dosed(lab: Lab) -> None:
    await low(lab, minutes=10)
    await lab.run([32.5] * 15)
    assert lab.state("no_dose_reason").state == "high_level"
    assert lab.state("dose_paused").state == "on"


async def test_a_line_that_is_not_watched_is_a_lockout(lab: Lab, line: Callable[..., Any]) -> None:
    await low(lab, line(longest_run_s=-1.0), minutes=15)
    assert not lab.entry.runtime_data.lines
    assert lab.state("no_dose_reason").state == "lockout"


async def test_a_probe_in_a_wrong_unit_or_silent_is_not_known(lab: Lab) -> None:
    lab.hass.states.async_set(PH, "8.2", {"unit_of_measurement": "mV"})
    await low(lab, ph_source=PH, ph_low=7.8, ph_high=8.45, minutes=5)
    assert lab.state("no_dose_reason").state == "ph_outside"
    lab.hass.states.async_set(PH, "8.2", {})
    await lab.run([14.5] * 50)
    assert lab.state("no_dose_reason").state == "not_armed"
    await lab.run([14.5] * 20)
    assert lab.state("no_dose_reason").state == "ph_outside"


async def test_a_defect_of_our_own_permits_nothing(
    lab: Lab, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    await low(lab, minutes=30)
    await lab.switch("dose_armed", on=True)
    assert lab.state("dose_permit").state == "on"
    with monkeypatch.context() as patched:
        patched.setattr(LimewaterLine, "take", lambda *_: 1 / 0)
        await lab.wait(31.0)
        await lab.wait(31.0)
        assert lab.state("dose_permit").state == "off"
        assert lab.state("dose_rate").state == "unknown"
        assert caplog.text.count("could not be judged") == 1
        (alive,) = lab.entry.runtime_data.watches.values()
        assert alive.report() == {}
    await lab.run([14.5] * 10)
    assert lab.state("dose_permit").state == "on"


async def test_a_level_that_cannot_be_judged_any_more_permits_nothing(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A defect in judging the level: what was seen last stands for nothing now."""
    await low(lab, minutes=30)
    await lab.switch("dose_armed", on=True)
    assert lab.state("dose_permit").state == "on"
    assert lab.value("volume") == pytest.approx(14.5 * 0.9, abs=0.05)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a defect")

    with monkeypatch.context() as patched:
        patched.setattr(VesselModel, "report", broken)
        patched.setattr(VesselModel, "tick", broken)
        # The water stands 5 cm above the target.
        await lab.run([20.0] * 3)
        assert lab.state("volume").state in ("unknown", "unavailable")
        assert lab.runtime.view.status is Status.FAILURE
        assert lab.state("dose_permit").state == "off"
    await lab.run([14.5] * 30)
    assert lab.value("volume") == pytest.approx(14.5 * 0.9, abs=0.05)
    assert lab.state("dose_permit").state == "on"


# Ledger


async def test_run_time_of_the_pump_is_counted_whoever_runs_it(lab: Lab) -> None:
    """3 L/h for 60 s are 50 mL; five of them reach the 250 mL of an hour."""
    await low(lab, minutes=30)
    await pump(lab, 60.0)
    assert lab.value("dosed_today") == pytest.approx(50.0)
    assert lab.value("dosed_24h") == pytest.approx(50.0)
    for _ in range(4):
        await pump(lab, 60.0)
    assert lab.value("dosed_24h") == pytest.approx(250.0)
    assert lab.state("no_dose_reason").state == "hour_cap"
    assert lab.state("dose_paused").state == "on"


async def test_two_lines_into_one_system_share_the_limits(lab: Lab) -> None:
    """4 L a day, and 250 mL an hour, are what the animals bear, whichever pump gives them."""
    other = dosing(dosing_pump="switch.lagoon_second_pump")
    other |= {"subentry_id": "lagoon_second", "title": "Lagoon second"}
    lab.hass.states.async_set("switch.lagoon_second_pump", "off")
    await low(lab, other)
    first, second = lab.entry.runtime_data.watches.values()
    for line in (first, second):
        await line.async_arm(on=True)
        assert line.is_permitted
    await pump(lab, 180.0)
    await lab.run([14.5] * 5)
    assert second.view.given_24h_l == 0.0
    assert second.view.advice.dose_l == pytest.approx(0.05)
    await pump(lab, 90.0)
    await lab.run([14.5] * 5)
    assert second.view.advice.dose_l == pytest.approx(0.025)
    await pump(lab, 30.0)
    await lab.run([14.5] * 5)
    assert second.view.advice.reason.value == "hour_cap"
    assert not second.is_permitted
    await first.async_record(dose_l=3.75)
    await lab.run([14.5] * 5)
    assert second.view.advice.reason.value == "day_cap"
    assert not second.is_permitted


async def test_volumes_in_fluid_ounces(imperial: HomeAssistant, lab: Lab) -> None:
    """A US fluid ounce is 29.5735 mL; rates stay in mL/h, which rules read."""
    await low(lab, minutes=30)
    await pump(lab, 60.0)
    assert lab.state("dosed_today").attributes["unit_of_measurement"] == "fl. oz."
    assert lab.value("dosed_today") == pytest.approx(50.0 / 29.5735, abs=0.01)
    assert lab.state("dose_rate").attributes["unit_of_measurement"] == "mL/h"


@pytest.mark.parametrize(
    ("value", "unit", "flow", "ml"),
    [
        ("30", "mL/min", None, 300.0), ("1.8", "L/h", None, 300.0), ("600", "mL/h", None, 100.0),
        ("50", "%", 3.0, 250.0), ("0", "mL/min", None, 0.0), ("7", "rpm", 3.0, 0.0),
        ("50", "%", None, 0.0), ("-4", "mL/min", None, 0.0), ("unknown", "mL/min", None, 0.0),
    ],
)  # fmt: skip
async def test_a_pump_set_by_a_number(
    lab: Lab, value: str, unit: str, flow: float | None, ml: float
) -> None:
    """Ten minutes at 30 mL/min are 300 mL; 1.8 L/h are the same, 600 mL/h are 10 mL/min."""
    number = "number.lagoon_dosing_rate"
    lab.hass.states.async_set(number, "0", {"unit_of_measurement": unit})
    await low(lab, dosing_pump=number, pump_l_per_h=flow, minutes=5)
    lab.hass.states.async_set(number, value, {"unit_of_measurement": unit})
    await lab.run([14.5] * 10)
    assert lab.value("dosed_24h") == pytest.approx(ml, abs=0.5)


async def test_a_pump_that_is_gone_in_a_dose_counts_as_running(lab: Lab) -> None:
    await low(lab, minutes=5)
    lab.hass.states.async_set(PUMP, "on")
    await lab.wait(60.0)
    lab.hass.states.async_set(PUMP, "unavailable")
    await lab.hass.async_block_till_done()
    await lab.wait(60.0)
    lab.hass.states.async_remove(PUMP)
    await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(150.0)


async def tell(lab: Lab, action: str, domain: str = "switch", **data: Any) -> None:
    """Tell a pump that obeys, as a rule would; its own state says nothing of it."""
    target = data or {"entity_id": PUMP}
    await lab.hass.services.async_call(domain, action, target, blocking=True)
    await lab.hass.async_block_till_done()


@pytest.mark.parametrize("says", ["off", "unknown"])
async def test_a_pump_that_never_says_on_is_counted_by_what_it_is_told(lab: Lab, says: str) -> None:
    """3 L/h for 60 s are 50 mL; five of them reach the 250 mL of an hour."""
    await low(lab, minutes=30)
    lab.hass.states.async_set(PUMP, says)
    await lab.switch("dose_armed", on=True)
    for _ in range(5):
        assert lab.state("dose_permit").state == "on"
        await tell(lab, "turn_on")
        await lab.run([14.5])
        await tell(lab, "turn_off")
        await lab.run([14.5])
    assert lab.value("dosed_24h") == pytest.approx(250.0)
    assert lab.state("no_dose_reason").state == "hour_cap"
    assert lab.state("dose_permit").state == "off"


async def test_a_pump_that_says_late_what_it_did_is_counted_once(lab: Lab) -> None:
    """60 s are 50 mL; it says so from 90 s to 150 s after the start."""
    await low(lab, minutes=30)
    await tell(lab, "turn_on")
    await lab.wait(60.0)
    await tell(lab, "turn_off")
    assert lab.value("dosed_24h") == pytest.approx(50.0)
    await lab.wait(30.0)
    await pump(lab, 60.0)
    await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(50.0)
    # And one that says so at once, as most do.
    await tell(lab, "turn_on")
    await pump(lab, 60.0)
    await tell(lab, "turn_off")
    await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(100.0)


async def test_a_stop_that_the_hub_does_not_deliver_is_none(lab: Lab) -> None:
    """The hub skips entities that are not available."""
    await low(lab, minutes=5)
    await tell(lab, "turn_on")
    lab.hass.states.async_set(PUMP, "unavailable")
    await lab.wait(60.0)
    await tell(lab, "turn_off")
    await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(100.0)
    lab.hass.states.async_set(PUMP, "off")
    await tell(lab, "turn_off")
    await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(100.0)


async def test_a_pump_that_says_off_long_after_the_command_is_off(lab: Lab) -> None:
    """One with an auto-off of its own that says nothing else; two minutes are for late words."""
    await low(lab, minutes=5)
    await tell(lab, "turn_on")
    for _ in range(6):
        await lab.wait(30.0)
        lab.hass.states.async_set(PUMP, "off", force_update=True)
    assert lab.value("dosed_24h") == pytest.approx(100.0)
    await lab.wait(300.0)
    assert lab.value("dosed_24h") == pytest.approx(100.0)


async def test_a_power_cut_forgets_no_command(lab: Lab, hass_storage: dict[str, Any]) -> None:
    await low(lab, minutes=5)
    await tell(lab, "turn_on")
    key = f"{DOMAIN}.{lab.entry.entry_id}.safety"
    stored = hass_storage[key]["data"]["vessels"]["lagoon_limewater"]
    (alive,) = lab.entry.runtime_data.watches.values()
    await lab.wait(60.0)
    alive.reguard(stored, is_damaged=False)  # as after a power cut a minute ago
    await tell(lab, "turn_off")
    assert lab.value("dosed_24h") == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("domain", "action", "data"),
    [
        ("homeassistant", "turn_on", {"entity_id": PUMP}),
        ("switch", "turn_on", {"entity_id": [PUMP]}),
        ("switch", "turn_on", {"entity_id": f"switch.other, {PUMP.upper()}"}),
        ("switch", "turn_on", {"entity_id": "all"}),
        ("switch", "toggle", {"entity_id": PUMP}),
        ("switch", "turn_on", {"label_id": "lime"}),
    ],
    ids=str,
)
async def test_however_the_pump_is_named(
    lab: Lab, domain: str, action: str, data: dict[str, Any]
) -> None:
    assert await async_setup_component(lab.hass, "homeassistant", {})
    registry = er.async_get(lab.hass)
    registry.async_get_or_create("switch", "test", "1", suggested_object_id="lagoon_dosing_pump")
    registry.async_update_entity(PUMP, labels={"lime"})
    await low(lab, minutes=5)
    await tell(lab, action, domain, **data)
    await lab.wait(60.0)
    await tell(lab, "turn_off")
    await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(50.0)


async def test_what_others_are_told_is_not_counted(lab: Lab) -> None:
    assert await async_setup_component(lab.hass, "light", {})
    assert await async_setup_component(lab.hass, "valve", {})
    await low(lab, minutes=5)
    await tell(lab, "turn_on", entity_id="switch.other")
    await tell(lab, "turn_on", "light", entity_id="all")
    await tell(lab, "turn_on", label_id="nothing")
    lab.hass.states.async_set(PUMP, "on")
    await lab.hass.async_block_till_done()
    await tell(lab, "toggle")  # goes by what it says: it is stopped, and does not say so yet
    await lab.wait(30.0)
    lab.hass.states.async_set(PUMP, "off")
    await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(25.0)


async def test_a_valve_that_never_says_open(lab: Lab) -> None:
    assert await async_setup_component(lab.hass, "valve", {})
    valve = "valve.lagoon_lime"
    lab.hass.states.async_set(valve, "closed")
    await low(lab, dosing_pump=valve, minutes=5)
    for start, stop in (
        (("open_valve", {}), ("close_valve", {})),
        (("set_valve_position", {"position": 30}), ("set_valve_position", {"position": 0})),
    ):
        await tell(lab, start[0], "valve", entity_id=valve, **start[1])
        await lab.wait(60.0)
        await tell(lab, stop[0], "valve", entity_id=valve, **stop[1])
        await lab.wait(60.0)
    assert lab.value("dosed_24h") == pytest.approx(100.0)


async def test_a_number_that_never_says_its_rate(lab: Lab) -> None:
    """Ten minutes at 30 mL/min are 300 mL; what is no rate is none."""
    assert await async_setup_component(lab.hass, "number", {})
    number = "number.lagoon_dosing_rate"
    lab.hass.states.async_set(number, "0", {"unit_of_measurement": "mL/min"})
    await low(lab, dosing_pump=number, pump_l_per_h=None, minutes=5)

    def say(value: object) -> None:
        data = {"domain": "number", "service": "set_value"}
        asked = {"entity_id": number, "value": value}
        lab.hass.bus.async_fire("call_service", data | {"service_data": asked})

    say(30)
    await lab.wait(600.0)
    for value in ("much", None, -4, "nan"):
        say(value)
    await tell(lab, "set_value", "number", entity_id=number, value=0)
    await lab.wait(600.0)
    assert lab.value("dosed_24h") == pytest.approx(300.0, abs=0.5)


async def test_a_restart_forgets_no_dose_and_counts_a_pump_left_running(
    lab: Lab, hass_storage: dict[str, Any]
) -> None:
    """What is on the disk the moment the pump starts is what a power cut leaves."""
    await low(lab, minutes=15)
    await lab.switch("dose_armed", on=True)
    await pump(lab, 60.0)
    lab.hass.states.async_set(PUMP, "on")
    await lab.hass.async_block_till_done()
    key = f"{DOMAIN}.{lab.entry.entry_id}.safety"
    stored = hass_storage[key]["data"]["vessels"]["lagoon_limewater"]
    assert stored["line"]["adjuster"]["doses"][-1][1] == pytest.approx(0.05)
    assert stored["line"]["meter"]["flow_l_per_h"] == 3.0
    (alive,) = lab.entry.runtime_data.watches.values()
    await lab.wait(120.0)
    alive.reguard(stored, is_damaged=False)  # as after a power cut two minutes ago
    lab.hass.states.async_set(PUMP, "off")
    await lab.hass.async_block_till_done()
    assert lab.value("dosed_24h") == pytest.approx(150.0)
    assert lab.state("dose_armed").state == "on"
    await lab.reload()
    await lab.run([14.5] * 15)
    assert lab.value("dosed_24h") == pytest.approx(150.0)
    assert lab.state("dose_armed").state == "on"
    assert lab.state("dose_permit").state == "on"


async def test_a_power_cut_forgets_no_rate_that_was_raised(
    lab: Lab, hass_storage: dict[str, Any]
) -> None:
    """A pump set by a number runs on: half an hour at 60 mL/h is 30 mL, at the first 6 it is 3."""
    number = "number.lagoon_dosing_rate"
    unit = {"unit_of_measurement": "mL/h"}
    lab.hass.states.async_set(number, "0", unit)
    await low(lab, dosing_pump=number, pump_l_per_h=None, minutes=5)
    for rate in ("6", "60"):
        lab.hass.states.async_set(number, rate, unit)
        await lab.hass.async_block_till_done()
        await lab.wait(0.0)
    key = f"{DOMAIN}.{lab.entry.entry_id}.safety"
    stored = hass_storage[key]["data"]["vessels"]["lagoon_limewater"]
    assert stored["line"]["meter"]["flow_l_per_h"] == pytest.approx(0.06)
    (alive,) = lab.entry.runtime_data.watches.values()
    await lab.wait(1800.0)
    alive.reguard(stored, is_damaged=False)  # as after a power cut half an hour ago
    await lab.wait(0.0)
    lab.hass.states.async_set(number, "0", unit)
    await lab.hass.async_block_till_done()
    assert lab.value("dosed_24h") == pytest.approx(30.0, abs=0.1)


@pytest.mark.parametrize("broken", [{}, {"line": {}}, {"line": None}, {"line": {"adjuster": {}}}])
async def test_a_damaged_ledger_doses_nothing_for_a_day_and_disarms(
    lab: Lab, caplog: pytest.LogCaptureFixture, broken: dict[str, Any]
) -> None:
    await low(lab, minutes=30)
    (alive,) = lab.entry.runtime_data.watches.values()
    alive.reguard(broken | {"is_armed": True}, is_damaged=False)
    assert "is lost" in caplog.text
    await lab.run([14.5] * 15)
    assert lab.state("no_dose_reason").state == "day_cap"
    assert lab.state("dose_armed").state == "off"


async def test_a_damaged_file_doses_nothing_for_a_day(lab: Lab) -> None:
    await low(lab, minutes=5)
    (alive,) = lab.entry.runtime_data.watches.values()
    alive.reguard(None, is_damaged=True)
    await lab.run([14.5] * 5)
    assert lab.state("no_dose_reason").state == "day_cap"
    assert alive.diagnostics()["is_armed"] is False
    assert alive.diagnostics()["view"] is not None


# Arming


async def test_armed_only_by_hand_and_until_settings_change(lab: Lab) -> None:
    await low(lab, minutes=30)
    assert lab.state("dose_armed").state == "off"
    assert lab.state("dose_permit").state == "off"
    await lab.switch("dose_armed", on=True)
    assert lab.state("dose_permit").state == "on"
    await lab.change(SUBENTRY_DOSING, most_per_day_l=3.9)
    await lab.run([14.5] * 15)
    assert lab.state("no_dose_reason").state == "not_armed"
    assert lab.state("dose_armed").state == "off"
    assert lab.state("dose_permit").state == "off"
    await lab.switch("dose_armed", on=True)
    await lab.switch("dose_armed", on=False)
    assert lab.state("dose_permit").state == "off"


async def test_another_volume_of_the_system_or_sump_disarms(lab: Lab) -> None:
    await low(lab, minutes=5)
    await lab.switch("dose_armed", on=True)
    lab.hass.config_entries.async_update_entry(
        lab.entry, data={"volume_l": 400.0, "salinity_psu": 35.0}
    )
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    assert lab.state("dose_armed").state == "off"
    await lab.switch("dose_armed", on=True)
    await lab.change(high_m=0.31)
    assert lab.state("dose_armed").state == "off"


async def test_a_renamed_pump_is_the_same_pump(lab: Lab) -> None:
    registry = er.async_get(lab.hass)
    entity = registry.async_get_or_create(
        "switch", "test", "1", suggested_object_id="lagoon_dosing_pump"
    )
    assert entity.entity_id == PUMP
    await low(lab, minutes=5)
    await lab.switch("dose_armed", on=True)
    registry.async_update_entity(PUMP, new_entity_id="switch.lime")
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    (stored,) = lab.entry.get_subentries_of_type(SUBENTRY_DOSING)
    assert stored.data["dosing_pump"] == "switch.lime"
    assert lab.state("dose_armed").state == "on"
    registry.async_remove("switch.lime")
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    assert ir.async_get(lab.hass).async_get_issue(
        DOMAIN, "source_missing_lagoon_limewater_switch.lime"
    )


@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_the_permit_goes_for_good_when_the_hub_stops(
    hass: HomeAssistant, lab: Lab, hass_storage: dict[str, Any]
) -> None:
    """No look, and no arming, brings it back while others still stop; the line stays armed."""
    await low(lab, minutes=30)
    await lab.switch("dose_armed", on=True)
    assert lab.state("dose_permit").state == "on"
    seen: list[str] = []

    async def another_integration() -> None:
        """Begins to stop next, and takes a while for it."""
        seen.append(lab.state("dose_permit").state)
        await lab.run([14.4, 14.5], 8)
        await lab.switch("dose_armed", on=True)
        seen.append(lab.state("dose_permit").state)
        assert lab.value("dose_rate") > 0.0

    hass.async_add_shutdown_job(HassJob(another_integration))
    await hass.async_stop(force=True)
    assert seen == ["off", "off"]
    key = f"{DOMAIN}.{lab.entry.entry_id}.safety"
    assert hass_storage[key]["data"]["vessels"]["lagoon_limewater"]["is_armed"] is True


@pytest.mark.parametrize("expected_lingering_timers", [True])
async def test_a_watch_that_cannot_stop_keeps_no_valve_on(
    hass: HomeAssistant,
    lab: Lab,
    line: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    await low(lab, line(), minutes=5)
    await lab.valve(on=True)
    (alive,) = lab.entry.runtime_data.watches.values()

    def broken() -> None:
        raise RuntimeError("defect")

    monkeypatch.setattr(alive, "async_stop", broken)
    assert lab.is_valve_on
    await hass.async_stop(force=True)
    assert not lab.is_valve_on
    assert "defect" in caplog.text


async def test_without_a_pump_there_is_advice_and_no_arming(lab: Lab) -> None:
    await low(lab, dosing_pump=None, pump_l_per_h=None, minutes=30)
    assert lab.value("dose_rate") > 0.0
    with pytest.raises(ServiceValidationError, match="names no dosing pump"):
        await lab.switch("dose_armed", on=True)
    assert lab.state("dose_armed").state == "off"


# Stock


async def test_stock_and_delivery_are_judged(lab: Lab) -> None:
    """6.603 mS/cm at 25 degC are three quarters of saturation (PHREEQC, Pitzer database)."""
    hass = lab.hass
    source = "sensor.lagoon_stock_level"

    def report(level_cm: float) -> None:
        hass.states.async_set(source, f"{level_cm:.2f}", {"unit_of_measurement": "cm"})
        hass.states.async_set(STOCK_TEMP, "77", {"unit_of_measurement": "°F"})
        hass.states.async_set(STOCK_EC, "6603", {"unit_of_measurement": "μS/cm"})

    report(25.0)
    await low(
        lab, reservoir("Lagoon stock", source=source), minutes=5, stock_vessel=STOCK,
        stock_temperature_source=STOCK_TEMP, stock_conductivity_source=STOCK_EC,
    )  # fmt: skip
    for _ in range(40):
        report(25.0)
        await lab.run([14.5])
    assert lab.state("stock_judgement").state == "weak"
    assert lab.value("stock_strength") == pytest.approx(75.0, abs=1.0)
    assert lab.state("dose_delivery").state == "unknown"
    assert lab.state("dose_not_arriving").state == "unknown"
    hass.states.async_set(PUMP, "on")
    for _ in range(25):  # 1.25 L are told, and the stock stays where it was
        report(25.0)
        await lab.run([14.5])
    assert lab.state("dose_delivery").state == "pump_clogged"
    assert lab.state("dose_not_arriving").state == "on"


async def test_a_conductivity_no_limewater_has_is_told_once(
    lab: Lab, caplog: pytest.LogCaptureFixture
) -> None:
    lab.hass.states.async_set(STOCK_EC, "8600", {"unit_of_measurement": "mS/cm"})
    await low(lab, stock_conductivity_source=STOCK_EC, minutes=5)
    assert lab.state("stock_judgement").state == "unknown"
    assert caplog.text.count("looks like uS/cm") == 1


async def test_without_sources_their_entities_are_left_out(lab: Lab) -> None:
    await low(lab, minutes=1)
    for key in ("stock_judgement", "stock_strength", "dose_delivery", "dose_not_arriving"):
        with pytest.raises(AssertionError):
            lab.entity_id(key)


# Links and settings


@pytest.mark.parametrize(
    "broken",
    [
        {"target_m": 0.33}, {"most_per_day_l": 40.0}, {"most_per_hour_l": 0.01},
        {"vessel": "gone"}, {"stock_vessel": "gone"}, {"alkalinity_dkh": -1.0},
    ],
    ids=str,
)  # fmt: skip
async def test_settings_that_are_no_use_are_told(lab: Lab, broken: dict[str, Any]) -> None:
    await low(lab, minutes=1, **broken)
    issues = ir.async_get(lab.hass)
    assert issues.async_get_issue(DOMAIN, "watch_settings_invalid_lagoon_limewater")
    assert not lab.entry.runtime_data.watches


async def test_a_sump_that_is_removed_is_told(lab: Lab) -> None:
    await low(lab, reservoir("Nursery reservoir", source="sensor.other"), minutes=1)
    lab.hass.config_entries.async_remove_subentry(lab.entry, "lagoon_reservoir")
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    issue = ir.async_get(lab.hass).async_get_issue(
        DOMAIN, "watch_settings_invalid_lagoon_limewater"
    )
    assert issue is not None
    assert "removed" in issue.translation_placeholders["error"]


async def test_the_report_of_the_day_tells_the_dose(lab: Lab) -> None:
    await low(lab, minutes=30)
    await pump(lab, 60.0)

    async def told() -> list[str]:
        answer = await lab.hass.services.async_call(
            DOMAIN, "daily_report", {}, blocking=True, return_response=True
        )
        return [line["text"] for line in answer["systems"][0]["lines"]]

    assert "Dosed: 50 mL" in await told()
    await lab.run([32.5] * 15)
    assert "Dosed: 50 mL, held back: At or above the high limit" in await told()


# Actions


async def test_doses_by_hand_count(lab: Lab) -> None:
    await low(lab, minutes=15)
    await call(lab, "record_dose", volume_ml=250.0)
    assert lab.value("dosed_today") == pytest.approx(250.0)
    assert lab.state("no_dose_reason").state == "hour_cap"
    await lab.reload()
    await lab.run([14.5] * 15)
    assert lab.value("dosed_today") == pytest.approx(250.0)
    for wrong in ({}, {"volume_ml": 1.0, "rise_dkh": 0.1}):
        with pytest.raises(ServiceValidationError, match="either"):
            await call(lab, "record_dose", **wrong)


async def test_a_dose_typed_in_wrong_is_taken_back_and_none_of_the_pump(
    lab: Lab, hass_storage: dict[str, Any]
) -> None:
    """50 mL pumped, 250 by hand: the hour's cap goes with the second, never with the first."""
    await low(lab, minutes=15)
    await pump(lab, 60.0)
    await call(lab, "record_dose", volume_ml=25.0)
    await lab.wait(60.0)
    await call(lab, "record_dose", volume_ml=250.0)
    assert lab.state("no_dose_reason").state == "hour_cap"
    told = await call(lab, "take_back", answer=True)
    assert told["watch"] == "Lagoon limewater"
    assert told["taken_back"] == {
        "what": "dose", "recorded": "2026-03-02T02:17:00-08:00", "volume_ml": 250.0,
    }  # fmt: skip
    assert [(one["what"], one["volume_ml"]) for one in told["left"]] == [("dose", 25.0)]
    await lab.run([14.5] * 2)
    assert lab.state("no_dose_reason").state == "not_armed"
    assert lab.value("dosed_today") == pytest.approx(75.0)
    # The hub's statistics take a fall of a rising sum for a new meter; of this one they do not.
    shown = lab.state("dosed_today").attributes
    assert shown["state_class"] == "total"
    assert shown["last_reset"] == "2026-03-02T08:00:00+00:00"  # midnight in the hub's time zone
    key = f"{DOMAIN}.{lab.entry.entry_id}.safety"
    stored = hass_storage[key]["data"]["vessels"]["lagoon_limewater"]["line"]
    assert [dose for _, dose in stored["adjuster"]["typed"]] == [0.025]
    await call(lab, "take_back", what="dose")
    for data in ({}, {"what": "dose"}):
        with pytest.raises(ServiceValidationError, match="a pump gave counts") as refused:
            await call(lab, "take_back", **data)
        assert refused.value.translation_placeholders["entries"] == "nothing"
    assert lab.value("dosed_24h") == pytest.approx(50.0)
    await lab.reload()
    await lab.run([14.5] * 2)
    assert lab.value("dosed_24h") == pytest.approx(50.0)


async def test_one_entry_is_taken_back_by_its_kind_and_time(lab: Lab) -> None:
    """The clock of the hub under test is that of US/Pacific: 02:01 there are 10:01 UTC."""
    await low(lab, minutes=1)
    await call(lab, "record_alkalinity", alkalinity=8.1)
    await lab.wait(30.0)
    await call(lab, "record_alkalinity", alkalinity=8.3)
    await lab.wait(600.0)
    await call(lab, "record_dose", rise_dkh=0.3)
    await lab.wait(600.0)
    await call(lab, "record_dose", volume_ml=20.0)
    with pytest.raises(ServiceValidationError) as refused:
        await call(lab, "take_back", recorded="2026-03-02 03:01:00")
    assert refused.value.translation_placeholders["entries"] == (
        "2026-03-02 02:21 limewater 20 mL; 2026-03-02 02:11 alkalinity given 0.3 dKH;"
        " 2026-03-02 02:01 alkalinity tested 8.3 dKH; 2026-03-02 02:01 alkalinity tested 8.1 dKH"
    )
    told = await call(lab, "take_back", answer=True, recorded="2026-03-02 10:11:45+00:00")
    assert told["taken_back"]["rise_dkh"] == 0.3
    told = await call(lab, "take_back", answer=True, recorded="2026-03-02 02:01:20")
    assert told["taken_back"]["alkalinity_dkh"] == 8.3
    told = await call(lab, "take_back", answer=True, what="alkalinity")
    assert told["taken_back"]["alkalinity_dkh"] == 8.1
    assert [one["what"] for one in told["left"]] == ["dose"]


async def test_entries_of_one_watch_at_a_time(lab: Lab) -> None:
    other = dosing(dosing_pump="switch.lagoon_second_pump")
    other |= {"subentry_id": "lagoon_second", "title": "Lagoon second"}
    await low(lab, other, minutes=1)
    lines = [
        entity.entity_id
        for entity in er.async_entries_for_config_entry(er.async_get(lab.hass), lab.entry.entry_id)
        if entity.unique_id.endswith("dose_rate")
    ]
    with pytest.raises(ServiceValidationError, match="one limewater dosing"):
        await lab.hass.services.async_call(DOMAIN, "take_back", {"entity_id": lines}, blocking=True)
    with pytest.raises(ServiceValidationError, match="does not belong to a watch"):
        await lab.hass.services.async_call(
            DOMAIN, "take_back", {"entity_id": lab.entity_id("volume")}, blocking=True
        )


async def test_alkalinity_far_above_its_target_ends_the_dose(lab: Lab) -> None:
    """8 dKH are wanted and 10.5 tested: nothing more before a test that is lower."""
    await low(lab, minutes=30)
    await lab.switch("dose_armed", on=True)
    assert lab.state("dose_permit").state == "on"
    await call(lab, "record_alkalinity", alkalinity=10.5)
    assert lab.state("no_dose_reason").state == "alkalinity_high"
    assert lab.state("dose_paused").state == "on"
    assert lab.state("dose_paused").attributes["reason"] == "alkalinity_high"
    assert lab.state("dose_permit").state == "off"
    assert lab.value("dose_rate") == lab.value("next_dose") == 0.0
    answer = await lab.hass.services.async_call(
        DOMAIN, "daily_report", {}, blocking=True, return_response=True
    )
    said = [line["text"] for line in answer["systems"][0]["lines"]]
    assert "To do: Lagoon limewater: Alkalinity far above its target: test again" in said
    await call(lab, "take_back")
    await lab.run([14.5] * 15)
    assert lab.state("dose_permit").state == "on"


async def test_alkalinity_is_that_of_the_system_whichever_line_it_was_noted_on(lab: Lab) -> None:
    other = dosing(dosing_pump="switch.lagoon_second_pump")
    other |= {"subentry_id": "lagoon_second", "title": "Lagoon second"}
    lab.hass.states.async_set("switch.lagoon_second_pump", "off")
    await low(lab, other, minutes=30)
    first, second = lab.entry.runtime_data.watches.values()
    await first.async_record(test_dkh=11.0)
    await lab.run([14.5] * 2)
    assert second.view.advice.reason.value == "alkalinity_high"
    await second.async_record(test_dkh=8.0)
    await lab.run([14.5] * 2)
    assert first.view.advice.reason.value == "none"


async def test_the_ph_cap_takes_the_temperature_of_the_water(lab: Lab) -> None:
    """Cold water bears less; a thermometer that is silent leaves the 25 degC that are assumed."""
    water = "sensor.lagoon_water"
    watch = {
        "data": {"temperature_source": water, "low_c": 20.0, "high_c": 28.0},
        "subentry_id": "lagoon_temperature", "subentry_type": SUBENTRY_TEMPERATURE_WATCH,
        "title": "Lagoon temperature", "unique_id": None,
    }  # fmt: skip
    await low(lab, watch, most_ph_rise=0.003, minutes=1)
    room: list[float] = []
    for shown in ("77", "61", "unavailable"):
        lab.hass.states.async_set(water, shown, {"unit_of_measurement": "°F"})
        await lab.run([14.5] * 60)
        room.append(lab.value("next_dose"))
    # 61 degF are 16.1 degC; by PyCO2SYS the rise there takes a fifth less hydroxide.
    assert room[1] < 0.9 * room[0]
    assert room[2] == room[0]


async def test_consumption_from_tests_and_doses(lab: Lab) -> None:
    """Results fall by 0.1 dKH a day while 0.3 are given with something else: consumed are 0.4.

    Back from 7.8 to 8 in a week takes 0.2 / 7 more; 1 dKH in 450 L are 160.5 meq of limewater
    with 40.6 * 1.046 meq/L at the 20 degC that are assumed.
    """
    lab.freezer.move_to("2026-04-01 08:00:00+00:00")
    await low(lab, minutes=1)
    assert lab.state("alkalinity_consumption").state == "unknown"
    for value, unit in ((8.0, "dkh"), (7.9 / 2.80387, "meq_per_l"), (7.8 * 17.848, "ppm")):
        await call(lab, "record_alkalinity", alkalinity=value, unit=unit)
        lab.freezer.tick(3600.0)
        await call(lab, "record_dose", rise_dkh=0.3)
        lab.freezer.tick(23 * 3600.0)
    consumed = lab.value("alkalinity_consumption")
    assert consumed == pytest.approx(0.4, abs=0.005)
    assert lab.value("alkalinity_to_hold") == pytest.approx(consumed + 0.2 / 7.0, abs=0.005)
    hold_l = lab.value("alkalinity_to_hold") * 450.0 / 2.80387 / (40.6 * 1.046)
    assert lab.value("limewater_to_hold") == pytest.approx(1000.0 * hold_l, rel=0.01)
    with pytest.raises(ServiceValidationError, match="does not take this"):
        await call(lab, "record_alkalinity", alkalinity=142.8)


async def test_two_part_arithmetic(lab: Lab) -> None:
    """1 dKH in 450 L: 160.49 meq, so 80.25 mL of 1 mol/L sodium carbonate, or 8.505 g.

    1 dKH goes with 7.1469 mg/L of calcium (CaCO3 stoichiometry); 10 mg/L in 100 L are 3.66821 g of
    the dihydrate; 0.02084 g/L of salt stay (sums of atomic weights, IUPAC 2021).
    """
    await low(lab, minutes=1)
    told = await call(
        lab, "two_part", answer=True, rise_dkh=1.0, alkali="carbonate", alkali_mol_per_l=1.0,
        calcium_mol_per_l=1.0,
    )  # fmt: skip
    (pair,) = told["lines"]
    assert pair["line"] == "Lagoon limewater"
    assert pair["alkali_ml"] == pytest.approx(80.25, abs=0.01)
    assert pair["alkali_powder_g"] == pytest.approx(4.5 * 1.89004, abs=0.01)
    assert pair["calcium_rise_mg_per_l"] == pytest.approx(7.147, abs=0.001)
    assert pair["calcium_ml"] == pytest.approx(80.25, abs=0.01)
    assert pair["calcium_powder_g"] == pytest.approx(4.5 * 0.71469 * 3.66821, abs=0.01)
    assert pair["salt_g_per_l"] == pytest.approx(0.021)


async def test_actions_are_aimed_at_dosing_lines(lab: Lab) -> None:
    await low(lab, minutes=1)
    with pytest.raises(ServiceValidationError):
        await lab.hass.services.async_call(
            DOMAIN, "record_dose", {"entity_id": lab.entity_id("fill"), "volume_ml": 5.0},
            blocking=True,
        )  # fmt: skip


# The form

FIRST = {
    "name": "Limewater", "vessel": "lagoon_reservoir", "dosing_pump": PUMP, "pump_flow": 50.0,
    "return_pump": RETURN,
}  # fmt: skip
LIMITS = {
    "target": 15.0, "ceiling": 300.0, "floor": 0.0, "per_dose": 50.0, "per_hour": 250.0,
    "per_day": 4000.0, "alkalinity": 8.0, "stock": {}, "probes": {"ph_low": 7.8, "ph_high": 8.45,
    "orp_low_mv": 200.0, "orp_high_mv": 450.0},
}  # fmt: skip
BANDS = {"ph_low": 7.8, "ph_high": 8.45, "orp_low_mv": 200.0, "orp_high_mv": 450.0}


@pytest.fixture
async def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> Walk:
    hass.states.async_set(PUMP, "off")
    hass.states.async_set(STOCK_TEMP, "21", {"unit_of_measurement": "°C"})
    hass.states.async_set(STOCK_EC, "8", {"unit_of_measurement": "mS/cm"})
    hass.states.async_set(PH, "8.2", {"unit_of_measurement": "pH"})
    hass.states.async_set(ORP, "350", {"unit_of_measurement": "mV"})
    hass.states.async_set("sensor.cm", "20", {"unit_of_measurement": "cm"})
    entry = add_system("Lagoon", reservoir(), reservoir("Lagoon stock", source="sensor.stock"))
    return Walk(hass, entry, check_form, kind=SUBENTRY_DOSING)


async def test_form_makes_and_changes_a_line(walk: Walk) -> None:
    await walk.open()
    await walk.send(FIRST)
    assert walk.form["step_id"] == "limits"
    # 1 dKH in 450 L are 160.49 meq; 20 degC: 42.47 meq/L. So 3779 mL a day.
    assert walk.shown("per_day") == pytest.approx(3779, abs=2)
    assert walk.shown("per_dose") == 225
    probes = {"ph_source": PH, "orp_source": ORP, "most_ph_rise": 0.1} | BANDS
    stock = {
        "stock_vessel": STOCK, "stock_temperature_source": STOCK_TEMP,
        "stock_conductivity_source": STOCK_EC,
    }  # fmt: skip
    await walk.send(LIMITS | {"stock": stock, "probes": probes})
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_DOSING)
    assert dict(stored.data) == {
        "vessel": "lagoon_reservoir", "dosing_pump": PUMP, "return_pump": RETURN,
        "pump_l_per_h": 3.0, "target_m": 0.15, "ceiling_l_per_h": 0.3, "floor_l_per_h": 0.0,
        "most_per_dose_l": 0.05, "most_per_hour_l": 0.25, "most_per_day_l": 4.0,
        "alkalinity_dkh": 8.0, **stock, **probes,
    }  # fmt: skip
    await walk.open(stored.subentry_id)
    assert walk.shown("pump_flow") == 50.0
    await walk.send({key: FIRST[key] for key in ("name", "vessel")})
    assert walk.shown("target") == 15.0
    assert walk.shown("probes", "ph_source") == PH
    await walk.send(LIMITS)
    assert walk.form["reason"] == "reconfigure_successful"
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_DOSING)
    assert set(stored.data) == {
        "vessel", "target_m", "ceiling_l_per_h", "floor_l_per_h", "most_per_dose_l",
        "most_per_hour_l", "most_per_day_l", "alkalinity_dkh",
    }  # fmt: skip
    await walk.open(stored.subentry_id)
    await walk.send(FIRST)
    # A rise that was taken out is not proposed again.
    assert walk.shown("probes", "most_ph_rise") is None


async def test_a_bound_of_nothing_is_a_bound(walk: Walk) -> None:
    await walk.open()
    await walk.send(FIRST)
    await walk.send(LIMITS | {"probes": BANDS | {"orp_source": ORP, "orp_low_mv": 0.0}})
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_DOSING)
    assert (stored.data["orp_low_mv"], stored.data["orp_high_mv"]) == (0.0, 450.0)


async def test_form_in_inches(imperial: HomeAssistant, walk: Walk) -> None:
    """6 in are 0.1524 m."""
    await walk.open()
    await walk.all(FIRST, LIMITS | {"target": 6.0})
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_DOSING)
    assert stored.data["target_m"] == pytest.approx(0.1524)


async def test_form_needs_a_vessel(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    walk = Walk(hass, add_system("Nursery"), check_form, kind=SUBENTRY_DOSING)
    await walk.open()
    assert walk.form["reason"] == "no_vessel"


@pytest.mark.parametrize(
    ("changes", "field", "error"),
    [
        ({"name": " "}, "name", "name_empty"),
        ({"pump_flow": None}, "pump_flow", "pump_flow_missing"),
        ({"return_pump": PUMP}, "dosing_pump", "pump_is_return_pump"),
        ({"dosing_pump": "sensor.cm"}, "dosing_pump", "pump_unit"),
        ({"pump_flow": -2.0}, "pump_flow", "above_0"),
        ({"dosing_pump": "number.percent", "pump_flow": None}, "pump_flow", "pump_flow_missing"),
        ({"dosing_pump": "number.later", "pump_flow": None}, "pump_flow", "pump_flow_missing"),
    ],
)
async def test_first_form_refuses(
    walk: Walk, changes: dict[str, Any], field: str, error: str
) -> None:
    walk.hass.states.async_set("number.percent", "20", {"unit_of_measurement": "%"})
    await walk.open()
    values = {key: value for key, value in (FIRST | changes).items() if value is not None}
    await walk.send(values)
    assert walk.form["errors"] == {field: error}


@pytest.mark.parametrize(
    ("ends", "errors"),
    [
        ({"vessel_id": "lagoon_mix"}, {"dosing_pump": "pump_is_fill_device"}),
        ({"direction": "drain"}, {"dosing_pump": "pump_is_fill_device"}),
        # Limewater may ride on the top-off (common practice, no source).
        ({}, None),
    ],
)
async def test_the_pump_of_a_fill_line_doses_at_its_own_sump_only(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    *,
    line: Callable[..., Any],
    ends: dict[str, Any],
    errors: dict[str, str] | None,
) -> None:
    mix = reservoir("Lagoon mix", source="sensor.mix")
    entry = add_system("Lagoon", reservoir(), mix, line(device=PUMP, **ends))
    walk = Walk(hass, entry, check_form, kind=SUBENTRY_DOSING)
    await walk.open()
    await walk.send(FIRST)
    assert (walk.form["errors"] or None) == errors
    assert walk.form["step_id"] == ("user" if errors else "limits")
    if errors:
        assert "(Lagoon)" in walk.placeholders["other"]


async def test_a_number_with_a_unit_of_flow_needs_no_flow(walk: Walk) -> None:
    walk.hass.states.async_set("number.rate", "20", {"unit_of_measurement": "mL/min"})
    await walk.open()
    values = {key: value for key, value in FIRST.items() if key != "pump_flow"}
    await walk.send(values | {"dosing_pump": "number.rate"})
    assert walk.form["step_id"] == "limits"


@pytest.mark.parametrize(
    ("changes", "field", "error"),
    [
        ({"target": 1.0}, "target", "target_range"),
        ({"target": 32.0}, "target", "target_range"),
        ({"per_dose": 0.0}, "per_dose", "above_0"),
        ({"per_dose": -5.0}, "per_dose", "above_0"),
        ({"floor": -1.0}, "floor", "floor_below_0"),
        ({"floor": 400.0}, "ceiling", "ceiling_below_floor"),
        ({"per_hour": 40.0}, "per_dose", "caps_order"),
        ({"per_day": 8000.0}, "per_day", "day_too_much"),
        ({"alkalinity": 142.0}, "alkalinity", "alkalinity_range"),
        ({"probes": BANDS | {"ph_source": PH, "ph_low": 9.0}}, "probes", "ph_band"),
        # A point that slipped: a limit no water reaches protects nothing.
        ({"probes": BANDS | {"ph_source": PH, "ph_high": 84.5}}, "probes", "ph_band"),
        ({"probes": BANDS | {"ph_source": PH, "ph_low": 0.78}}, "probes", "ph_band"),
        ({"probes": BANDS | {"orp_source": ORP, "orp_high_mv": 100.0}}, "probes", "orp_band"),
        ({"probes": BANDS | {"orp_source": ORP, "orp_high_mv": 4500.0}}, "probes", "orp_band"),
        ({"probes": BANDS | {"most_ph_rise": 0.5}}, "probes", "ph_rise_range"),
        # Whoever asks for no rise at all must not be given a line without that limit.
        ({"probes": BANDS | {"most_ph_rise": 0.0}}, "probes", "ph_rise_range"),
        ({"probes": BANDS | {"ph_source": "sensor.cm"}}, "probes", "source_unit"),
        ({"probes": BANDS | {"orp_source": "sensor.cm"}}, "probes", "source_unit"),
        ({"stock": {"stock_conductivity_source": "sensor.cm"}}, "stock", "source_unit"),
        ({"stock": {"stock_temperature_source": "sensor.cm"}}, "stock", "source_unit"),
    ],
)
async def test_second_form_refuses(
    walk: Walk, changes: dict[str, Any], field: str, error: str
) -> None:
    await walk.open()
    await walk.send(FIRST)
    await walk.send(LIMITS | changes)
    assert walk.form["errors"] == {field: error}
    await walk.send(LIMITS)
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    await walk.open()
    await walk.send(FIRST)
    assert walk.form["errors"] == {"name": "name_taken"}


async def test_what_is_refused_names_what_would_work(walk: Walk) -> None:
    """225, 630 and 3779 mL are proposed for 450 L: half a millilitre a litre, 1 dKH a day."""
    await walk.open()
    await walk.send(FIRST)
    # Where the sump is topped off; 7 cm.
    assert walk.shown("target") == pytest.approx(7.0)
    await walk.send(LIMITS | {"per_hour": 40.0})
    told = walk.form["description_placeholders"]
    assert [told[key] for key in ("per_dose", "per_hour", "per_day")] == [
        "225 mL",
        "630 mL",
        "3779 mL",
    ]
    await walk.send(LIMITS | {"per_dose": 0.0})
    assert walk.form["description_placeholders"]["works"] == "225 mL"
    await walk.send(LIMITS | {"floor": 900.0})
    assert walk.form["description_placeholders"]["works"] == "900 mL/h"


async def test_a_sump_is_proposed_and_no_reservoir(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    entry = add_system("Lagoon", reservoir(), sump())
    walk = Walk(hass, entry, check_form, kind=SUBENTRY_DOSING)
    await walk.open()
    assert walk.shown("vessel") == "lagoon_sump"
    alone = Walk(hass, add_system("Nursery", reservoir()), check_form, kind=SUBENTRY_DOSING)
    await alone.open()
    assert alone.shown("vessel") is None


async def test_brackish_water_cannot_have_a_cap_of_ph(walk: Walk) -> None:
    walk.hass.config_entries.async_update_entry(
        walk.entry, data={"volume_l": 450.0, "salinity_psu": 10.0}
    )
    await walk.open()
    await walk.send(FIRST)
    await walk.send(LIMITS | {"probes": BANDS | {"most_ph_rise": 0.1}})
    assert walk.form["errors"] == {"probes": "ph_rise_unknown"}
    await walk.send(LIMITS)
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY


async def test_a_sump_with_useless_settings_is_refused(walk: Walk) -> None:
    walk.hass.config_entries.async_update_subentry(
        walk.entry, walk.entry.subentries["lagoon_reservoir"], data={"source": "sensor.x"}
    )
    await walk.open()
    await walk.send(FIRST)
    await walk.send(LIMITS)
    assert walk.form["errors"] == {"base": "vessel_invalid"}
