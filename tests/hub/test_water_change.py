"""A water change in the hub: the litres of sump and vat are counted by hand in the test."""

from copy import deepcopy
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import gsw
import pytest
import voluptuous as vol
from custom_components.stillwell.const import DOMAIN, SUBENTRY_WATER_CHANGE
from custom_components.stillwell.decision_text import async_load_texts
from homeassistant.config_entries import ConfigSubentry
from homeassistant.core import Context
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.setup import async_setup_component
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM

from .conftest import fill_line
from .lab import VALVE
from .test_vessel_kinds import PUMP, SOURCE, sump, vat
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from custom_components.stillwell.fill_line import FillLine
    from custom_components.stillwell.water_change import WaterChange
    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry

    from .lab import Lab

DRAIN = "input_boolean.lagoon_drain"
REFILL = "input_boolean.lagoon_refill"
VAT = "sensor.lagoon_vat"
VAT_PSU = "sensor.lagoon_vat_salinity"
STEP_S = 10.0


def drain_line(**changes: Any) -> dict[str, Any]:
    line = {"device": DRAIN, "direction": "drain", "longest_run_s": 3600.0, "settle_s": 30.0}
    return fill_line("lagoon_sump", "Lagoon drain", **line | changes)


def refill_line(**changes: Any) -> dict[str, Any]:
    line = {"device": REFILL, "source_vessel": "lagoon_vat", "longest_run_s": 3600.0}
    return fill_line("lagoon_sump", "Lagoon refill", **line | {"settle_s": 30.0} | changes)


def top_off(**changes: Any) -> dict[str, Any]:
    line = {"device": VALVE, "feeds_system": True, "shortest_pause_s": 60.0, "settle_s": 30.0}
    return fill_line("lagoon_sump", "Lagoon top-off", **line | changes)


def change(**changes: Any) -> dict[str, Any]:
    data = {
        "drain_line": "lagoon_drain", "refill_line": "lagoon_refill", "largest_share_frac": 0.2,
    } | changes  # fmt: skip
    return {
        "data": data,
        "subentry_id": "lagoon_water_change",
        "subentry_type": SUBENTRY_WATER_CHANGE,
        "title": "Lagoon water change",
        "unique_id": None,
    }


class Plant:
    """A sump of 2.4 L a centimetre, a vat of 2 L a centimetre, and three pumps of 2 L a minute."""

    def __init__(self, lab: Lab) -> None:
        self.lab, self.hass = lab, lab.hass
        self.sump_l, self.vat_l = 60.0, 90.0
        self.rate_l_per_min = 2.0
        self.drained_l = self.refilled_l = self.topped_l = 0.0
        self.is_level_lost = False
        self.stuck: set[str] = set()
        """Devices that say on and move nothing."""
        self.were_both_on = False
        self.has_top_off_rule = False
        self.say()

    def is_on(self, device: str) -> bool:
        return self.hass.states.is_state(device, "on")

    def _moved(self, device: str) -> float:
        if not self.is_on(device) or device in self.stuck:
            return 0.0
        return self.rate_l_per_min * STEP_S / 60.0

    def say(self) -> None:
        unit = {"unit_of_measurement": "cm"}
        level = "unavailable" if self.is_level_lost else f"{self.sump_l / 2.4:.2f}"
        self.hass.states.async_set(SOURCE, level, unit, force_update=True)
        self.hass.states.async_set(VAT, f"{self.vat_l / 2.0:.2f}", unit, force_update=True)

    async def run(self, minutes: float) -> None:
        for _ in range(round(minutes * 60.0 / STEP_S)):
            out_l, back_l, fresh_l = (self._moved(one) for one in (DRAIN, REFILL, VALVE))
            self.were_both_on |= self.is_on(DRAIN) and self.is_on(REFILL)
            self.drained_l += out_l
            self.refilled_l += back_l
            self.topped_l += fresh_l
            self.sump_l += back_l + fresh_l - out_l
            self.vat_l -= back_l
            await self.lab.wait(STEP_S)
            self.say()
            await self.hass.async_block_till_done()
            if self.has_top_off_rule and self.sump_l < 0.16 * 240.0:
                await self.switch(VALVE, on=True)

    async def switch(self, device: str, *, on: bool) -> None:
        await self.hass.services.async_call(
            "input_boolean",
            "turn_on" if on else "turn_off",
            {"entity_id": device},
            blocking=True,
            context=Context(parent_id="rule"),
        )
        await self.hass.async_block_till_done()

    def entity_id(self, domain: str, key: str) -> str:
        unique_id = f"lagoon_water_change_{key}"
        found = er.async_get(self.hass).async_get_entity_id(domain, DOMAIN, unique_id)
        assert found is not None
        return found

    def shown(self, key: str, domain: str = "sensor") -> str:
        state = self.hass.states.get(self.entity_id(domain, key))
        assert state is not None
        return state.state

    async def press(self, key: str) -> None:
        target = {"entity_id": self.entity_id("button", key)}
        await self.hass.services.async_call("button", "press", target, blocking=True)
        await self.hass.async_block_till_done()

    async def set_volume(self, litres: float) -> None:
        target = {"entity_id": self.entity_id("number", "volume_to_change")}
        await self.hass.services.async_call(
            "number", "set_value", target | {"value": litres}, blocking=True
        )

    def line(self, name: str) -> FillLine:
        found: FillLine = self.lab.entry.runtime_data.lines[f"lagoon_{name}"]
        return found

    @property
    def alive(self) -> WaterChange:
        found: WaterChange = self.lab.entry.runtime_data.watches["lagoon_water_change"]
        return found

    @property
    def issue(self) -> ir.IssueEntry | None:
        issue_id = "water_change_aborted_lagoon_water_change"
        return ir.async_get(self.hass).async_get_issue(DOMAIN, issue_id)

    async def ask(self, **given: Any) -> dict[str, Any]:
        target = {"entity_id": self.entity_id("sensor", "water_change_status")}
        made = await self.hass.services.async_call(
            DOMAIN, "plan_water_change", target | given, blocking=True, return_response=True
        )
        (told,) = made["changes"]
        return told


@pytest.fixture
async def plant(lab: Lab) -> Plant:
    """Everything set up, settled, with 15 L to change."""
    plant = Plant(lab)
    hass = lab.hass
    booleans = {"lagoon_valve": None, "lagoon_drain": None, "lagoon_refill": None}
    assert await async_setup_component(hass, "input_boolean", {"input_boolean": booleans})
    hass.states.async_set(PUMP, "on")
    hass.states.async_set(VAT_PSU, "34.0", {"unit_of_measurement": "PSU"})
    await lab.set_up(
        sump(return_pump=PUMP, high_m=0.3),
        vat(salinity_source=VAT_PSU),
        drain_line(),
        refill_line(),
        top_off(),
        change(),
    )
    await plant.run(8)
    await plant.set_volume(15.0)
    return plant


def mixed_psu(change_l: float, old_psu: float, new_psu: float) -> float:
    """Salinity of 450 L after a change: masses of TEOS-10."""

    def mass(litres: float, psu: float) -> float:
        return litres * float(gsw.rho_t_exact(gsw.SR_from_SP(psu), 25.0, 0.0))

    old, new = mass(450.0 - change_l, old_psu), mass(change_l, new_psu)
    return (old_psu * old + new_psu * new) / (old + new)


async def test_the_same_volume_goes_out_and_comes_back(plant: Plant) -> None:
    plant.has_top_off_rule = True
    assert plant.shown("water_change_status") == "idle"
    expected = mixed_psu(15.0, 35.0, 34.0)
    assert float(plant.shown("salinity_after_change")) == pytest.approx(expected, abs=2e-3)
    await plant.set_volume(24.0)
    await plant.press("begin_water_change")
    assert plant.shown("water_change_status") == "drain"
    assert plant.is_on(DRAIN)
    # 24 L below 60 L lie under the top-off's mark of 38.4 L: the rule would bring fresh water.
    await plant.run(11.5)
    assert plant.sump_l < 38.4
    assert plant.line("top-off").is_in_maintenance
    await plant.run(2.5)
    assert plant.shown("water_change_status") == "refill"
    assert plant.is_on(REFILL)
    assert not plant.is_on(DRAIN)
    await plant.run(12)
    assert plant.shown("water_change_status") == "done"
    assert not plant.is_on(REFILL)
    assert not plant.were_both_on
    assert plant.topped_l == 0.0
    # One report is 1/3 L; each device is off one report after its mark at the latest.
    assert plant.drained_l == pytest.approx(24.0, abs=0.7)
    assert plant.sump_l == pytest.approx(60.0, abs=0.7)
    assert float(plant.shown("water_drained")) == pytest.approx(plant.drained_l, abs=0.7)
    assert float(plant.shown("water_refilled")) == pytest.approx(plant.refilled_l, abs=0.7)
    assert plant.issue is None
    assert not plant.line("top-off").is_in_maintenance
    assert not any(plant.line(name).watch.is_locked_out for name in ("drain", "refill", "top-off"))
    # What was drained is neither use nor loss of the sump.
    view = plant.lab.entry.runtime_data.vessels["lagoon_sump"].view
    assert view.total_used_l == pytest.approx(0.0, abs=0.5)
    assert view.loss is None or not view.loss.is_alarm


@pytest.mark.parametrize("rate_l_per_min", [6.0, 15.0, 30.0])
async def test_a_strong_pump_under_a_level_that_comes_often(
    plant: Plant, monkeypatch: pytest.MonkeyPatch, rate_l_per_min: float
) -> None:
    """Up to 12 cm a minute, with a report every five seconds."""
    monkeypatch.setattr("hub.test_water_change.STEP_S", 5.0)
    await plant.run(5)
    plant.rate_l_per_min = rate_l_per_min
    await plant.press("begin_water_change")
    await plant.run(30.0 / rate_l_per_min + 4.0)
    assert plant.shown("water_change_status") == "done"
    # What one report spans, at either end.
    assert plant.sump_l == pytest.approx(60.0, abs=2.0 * rate_l_per_min / 12.0)
    assert plant.drained_l == pytest.approx(15.0, abs=2.0 * rate_l_per_min / 12.0)


async def test_in_gallons(imperial: HomeAssistant, plant: Plant) -> None:
    """A US gallon is 3.785411784 L exactly."""
    entity_id = plant.entity_id("number", "volume_to_change")
    attributes = imperial.states.get(entity_id).attributes
    assert attributes["unit_of_measurement"] == "gal"
    assert attributes["max"] == pytest.approx(90.0 / 3.785411784, abs=0.1)
    # The most that is offered is not refused: 90 L are 23.775 gal, and 23.8 would be too much.
    await plant.set_volume(attributes["max"])
    assert plant.alive.volume_l <= 90.0
    assert not any("largest share" in why for why in (await plant.ask())["refused"])
    await plant.set_volume(4.0)
    assert plant.alive.volume_l == pytest.approx(4.0 * 3.785411784, abs=1e-3)
    assert float(plant.shown("volume_to_change", "number")) == pytest.approx(4.0, abs=0.01)


REFUSED: dict[str, tuple[Callable[[Plant], object], str]] = {
    "too much": (lambda plant: setattr(plant.alive, "volume_l", 91.0), "largest share"),
    "vat too low": (lambda plant: setattr(plant, "vat_l", 18.0), "vat holds too little"),
    "salinity gone": (
        lambda plant: plant.hass.states.async_set(VAT_PSU, "unavailable"),
        "salinity of the vat is not known",
    ),
    "salinity off": (
        lambda plant: plant.hass.states.async_set(VAT_PSU, "31", {"unit_of_measurement": "PSU"}),
        "2 PSU off",
    ),
    "sump too low": (lambda plant: setattr(plant, "sump_l", 33.0), "return pump dry"),
    "level lost": (lambda plant: setattr(plant, "is_level_lost", True), "Level of the sump lost"),
    "return pump": (lambda plant: plant.hass.states.async_set(PUMP, "off"), "Return pump settling"),
    "device gone": (
        lambda plant: plant.hass.states.async_set(REFILL, "unavailable"),
        "Fill device unavailable",
    ),
    "valve unknown": (
        lambda plant: plant.hass.states.async_set(VALVE, "unavailable"),
        "Another line was on",
    ),
}


@pytest.mark.parametrize("case", list(REFUSED))
async def test_a_change_is_refused_with_every_reason(plant: Plant, case: str) -> None:
    spoil, says = REFUSED[case]
    spoil(plant)
    await plant.run(2)
    told = await plant.ask()
    assert told["may_begin"] is False
    assert any(says in why for why in told["refused"]), told["refused"]
    with pytest.raises(ServiceValidationError, match=says):
        await plant.press("begin_water_change")
    await plant.run(1)
    assert not plant.is_on(DRAIN)
    assert plant.shown("water_change_status") == "idle"


async def test_temperatures_too_far_apart_are_refused(plant: Plant) -> None:
    for entity_id, value in (("sensor.tank", "25"), ("sensor.vat", "68")):
        unit = {"unit_of_measurement": "°C" if value == "25" else "°F"}
        plant.hass.states.async_set(entity_id, value, unit)
    await plant.lab.change("sump", temperature_source="sensor.tank")
    await plant.lab.change("mixing_vat", temperature_source="sensor.vat")
    await plant.run(8)
    told = await plant.ask()
    # 68 degF are 20 degC.
    assert told["refused"] == ["the temperature of the vat is more than 3 K off"]


@pytest.mark.parametrize("where", ["tank", "vat"])
async def test_a_thermometer_that_jumps_refuses_a_change_and_stops_none(
    plant: Plant, where: str
) -> None:
    """A DS18B20 reads 85 degC from its start to its first conversion (data sheet, power-on reset).

    A change that is under way goes on, shows where it stands, and can be stopped.
    """
    odd = f"sensor.{where}"
    unit = {"unit_of_measurement": "°C"}
    for entity_id in ("sensor.tank", "sensor.vat"):
        plant.hass.states.async_set(entity_id, "25", unit)
    await plant.lab.change("sump", temperature_source="sensor.tank")
    await plant.lab.change("mixing_vat", temperature_source="sensor.vat")
    await plant.run(8)
    plant.hass.states.async_set(odd, "85", unit)
    await plant.run(0.5)
    off = "the temperature of the vat is more than 3 K off"
    assert (await plant.ask())["refused"] == [off]
    with pytest.raises(ServiceValidationError, match=off):
        await plant.press("begin_water_change")
    plant.hass.states.async_set(odd, "25", unit)
    await plant.run(0.5)
    await plant.press("begin_water_change")
    await plant.run(4.0)
    plant.hass.states.async_set(odd, "85", unit)
    await plant.run(1.0)
    drained_l = float(plant.shown("water_drained"))
    assert drained_l == pytest.approx(plant.drained_l, abs=0.4)
    assert drained_l > 9.0
    expected = mixed_psu(15.0, 35.0, 34.0)
    assert float(plant.shown("salinity_after_change")) == pytest.approx(expected, abs=2e-3)
    await plant.press("stop_water_change")
    assert plant.shown("water_change_stop") == "aborted_by_hand"
    assert not plant.is_on(DRAIN)


@pytest.mark.parametrize("litres", [float("nan"), float("inf")])
async def test_a_volume_that_is_none_is_refused(plant: Plant, litres: float) -> None:
    """The hub's own bounds of a number let NaN through."""
    with pytest.raises(ServiceValidationError):
        await plant.set_volume(litres)
    with pytest.raises((ServiceValidationError, vol.Invalid)):
        await plant.ask(volume_l=litres)
    assert (await plant.ask())["volume_l"] == 15.0


async def test_the_plan_switches_nothing(plant: Plant) -> None:
    told = await plant.ask(volume_l=30.0)
    assert told["volume_l"] == 30.0
    assert (told["salinity_now_psu"], told["salinity_now_is"]) == (35.0, "wanted")
    assert told["salinity_after_psu"] == pytest.approx(mixed_psu(30.0, 35.0, 34.0), abs=2e-3)
    assert (told["may_begin"], told["refused"]) == (True, [])
    with pytest.raises(ServiceValidationError, match="volume"):
        await plant.ask(volume_l=450.0)
    assert plant.shown("water_change_status") == "idle"


async def test_the_measured_salinity_of_the_tank_counts(plant: Plant) -> None:
    """The tank was found at 32.5 PSU, the vat holds 34."""
    hass = plant.hass
    salinity = {
        "data": {
            "salinity_kind": "salinity",
            "salinity_source": "sensor.tank_psu",
            "low_psu": 30.0,
            "high_psu": 37.0,
            "overfill_l": 4.5,
        },
        "subentry_id": "lagoon_salinity",
        "subentry_type": "salinity_watch",
        "title": "Lagoon salinity",
        "unique_id": None,
    }
    hass.states.async_set("sensor.tank_psu", "32.5", {"unit_of_measurement": "PSU"})
    hass.config_entries.async_add_subentry(
        plant.lab.entry, ConfigSubentry(**salinity | {"data": MappingProxyType(salinity["data"])})
    )
    await hass.async_block_till_done(wait_background_tasks=True)
    await plant.run(8)
    told = await plant.ask()
    assert told["salinity_now_psu"] == pytest.approx(32.5, abs=0.01)
    assert told["salinity_after_psu"] == pytest.approx(mixed_psu(15.0, 32.5, 34.0), abs=5e-3)
    assert told["salinity_now_is"] == "measured"
    assert told["refused"] == []
    # A probe that is lost leaves nothing to say of the tank: what is wanted is no reading.
    hass.states.async_set("sensor.tank_psu", "unavailable", {"unit_of_measurement": "PSU"})
    await plant.run(1)
    told = await plant.ask()
    assert (told["salinity_now_psu"], told["salinity_now_is"]) == (None, "no_reading")
    assert told["salinity_after_psu"] is None
    assert told["volume_l"] == 15.0
    assert told["refused"] == []
    assert plant.shown("salinity_after_change") == "unknown"


async def _by_hand(plant: Plant) -> None:
    await plant.press("stop_water_change")


async def _level_lost(plant: Plant) -> None:
    plant.is_level_lost = True


async def _pump_stops(plant: Plant) -> None:
    plant.hass.states.async_set(PUMP, "off")


async def _pump_dry(plant: Plant) -> None:
    plant.stuck.update((DRAIN, REFILL))
    # The window of the guard: four steps at the slowest rate that could fill within an hour.
    await plant.run(35)


async def _switched_off(plant: Plant) -> None:
    for device in (DRAIN, REFILL):
        await plant.switch(device, on=False)


async def _top_off_by_hand(plant: Plant) -> None:
    plant.hass.states.async_set(VALVE, "on", context=Context(user_id="keeper"))


async def _restart(plant: Plant) -> None:
    await plant.lab.reload()


ABORTS: dict[str, Callable[[Plant], Any]] = {
    "aborted_by_hand": _by_hand,
    "level_lost": _level_lost,
    "return_pump": _pump_stops,
    "line_tripped": _pump_dry,
    "line_stopped": _switched_off,
    "other_line": _top_off_by_hand,
    "interrupted": _restart,
}


def litres(shown: str) -> float:
    """Return a volume that is shown in litres."""
    number, unit = shown.split(" ")
    assert unit == "L"
    return float(number)


@pytest.mark.parametrize("why", list(ABORTS))
@pytest.mark.parametrize(("minutes", "step"), [(4.0, "drain"), (11.0, "refill")])
async def test_whatever_is_wrong_ends_it_with_both_lines_shut(
    plant: Plant, minutes: float, step: str, why: str
) -> None:
    plant.has_top_off_rule = True
    await plant.press("begin_water_change")
    await plant.run(minutes)
    assert plant.shown("water_change_status") == step
    await ABORTS[why](plant)
    await plant.run(0.5)
    assert not plant.is_on(DRAIN)
    assert not plant.is_on(REFILL)
    assert plant.shown("water_change_status") == "aborted"
    assert plant.shown("water_change_stop") == why
    assert plant.issue is not None
    missing_l = litres(plant.issue.translation_placeholders["missing"])
    assert missing_l == pytest.approx(plant.drained_l - plant.refilled_l, abs=0.8)
    # Fresh water must not take the place of salt water, whatever a rule does.
    assert plant.line("top-off").watch.lockout_reason == "external"
    assert "salt water" in plant.line("top-off").watch.attributes["reason_text"]
    topped_l = plant.topped_l
    plant.is_level_lost = False
    plant.hass.states.async_set(PUMP, "on")
    await plant.run(3)
    assert plant.topped_l - topped_l <= plant.rate_l_per_min / 6.0
    assert not any(plant.is_on(device) for device in (DRAIN, REFILL, VALVE))
    assert not plant.were_both_on


async def test_what_is_missing_is_told_in_the_keepers_unit(plant: Plant) -> None:
    """8 L of 15 drained by 2 L a minute after four minutes; a US gallon is 3.785411784 L (NIST)."""
    plant.hass.config.units = US_CUSTOMARY_SYSTEM
    plant.hass.config.language = "de"
    await async_load_texts(plant.hass)
    await plant.press("begin_water_change")
    await plant.run(4.0)
    await _level_lost(plant)
    await plant.run(0.5)
    told = plant.issue.translation_placeholders
    for key, truth_l in (
        ("drained", plant.drained_l),
        ("refilled", 0.0),
        ("missing", plant.drained_l),
    ):
        number, unit = told[key].split(" ")
        assert unit == "gal"
        gallons = float(number.replace(",", "."))
        assert gallons == pytest.approx(truth_l / 3.785411784, abs=0.3)
    assert "," in told["missing"]
    note = plant.line("top-off").watch.attributes["reason_text"]
    assert f"{told['missing']} Salzwasser fehlen" in note


async def test_after_an_abort_a_person_resets_and_the_next_change_begins(plant: Plant) -> None:
    await plant.press("begin_water_change")
    await plant.run(4)
    with pytest.raises(ServiceValidationError, match="under way"):
        await plant.press("begin_water_change")
    await plant.press("stop_water_change")
    # Nothing is under way: this asks for nothing.
    await plant.press("stop_water_change")
    assert plant.issue is not None
    plant.sump_l = 60.0  # refilled by hand
    await plant.run(12)
    await plant.line("top-off").async_reset()
    await plant.press("begin_water_change")
    assert plant.issue is None
    assert plant.shown("water_change_status") == "drain"
    await plant.run(25)
    assert plant.shown("water_change_status") == "done"


async def test_an_end_before_anything_was_drained_locks_nothing_out(plant: Plant) -> None:
    # Somebody had paused the top-off before; that pause is left as it was.
    await plant.line("top-off").async_set_maintenance(on=True)
    until_s = plant.line("top-off").maintenance_until_s
    await plant.press("begin_water_change")
    assert plant.line("top-off").maintenance_until_s != until_s
    await plant.press("stop_water_change")
    assert plant.shown("water_change_status") == "aborted"
    assert not plant.line("top-off").watch.is_locked_out
    assert plant.line("top-off").maintenance_until_s == until_s


async def test_the_state_is_on_the_disk_before_the_first_on(
    plant: Plant,
) -> None:
    """A power cut in the middle: the next start finds what was under way."""
    await plant.press("begin_water_change")
    await plant.run(4)
    key = f"{DOMAIN}.{plant.lab.entry.entry_id}.safety"
    kept = plant.lab.entry.runtime_data.safety
    stored, is_damaged = await kept.async_load()
    assert key == kept.key
    assert not is_damaged
    assert stored["lagoon_water_change"]["step"] == "drain"


async def test_the_volume_outlives_a_restart_within_the_share(plant: Plant) -> None:
    await plant.set_volume(60.0)
    await plant.lab.reload()
    assert float(plant.shown("volume_to_change", "number")) == 60.0
    await plant.lab.change(SUBENTRY_WATER_CHANGE, largest_share_frac=0.1)
    assert float(plant.shown("volume_to_change", "number")) == 45.0
    assert plant.alive.restore({"watch": {"volume_l": None}, "registry_ids": {}}) is False
    assert plant.alive.diagnostics()["view"]["step"] is None


async def test_never_both_whatever_a_rule_does(plant: Plant) -> None:
    await plant.press("begin_water_change")
    await plant.run(4)
    await plant.switch(REFILL, on=True)
    assert not (plant.is_on(DRAIN) and plant.is_on(REFILL))
    await plant.run(0.5)
    assert plant.shown("water_change_stop") == "other_line"
    assert not any(plant.is_on(device) for device in (DRAIN, REFILL))
    # While it refills, the drain's own guard refuses: its shortest pause is not over.
    plant.sump_l = 60.0
    await plant.run(12)
    await plant.line("top-off").async_reset()
    await plant.press("begin_water_change")
    await plant.run(10)
    assert plant.shown("water_change_status") == "refill"
    await plant.switch(DRAIN, on=True)
    assert not plant.is_on(DRAIN)
    await plant.run(10)
    assert plant.shown("water_change_status") == "done"
    assert not plant.were_both_on


async def test_one_change_at_a_time_at_a_sump(plant: Plant) -> None:
    """A small one for each week and a large one, with the same lines: each would take the other's
    water for its own, and end the other's pauses."""
    second = ConfigSubentry(
        data=MappingProxyType(change()["data"]),
        subentry_type=SUBENTRY_WATER_CHANGE,
        title="Small change",
        unique_id=None,
    )
    plant.hass.config_entries.async_add_subentry(plant.lab.entry, second)
    await plant.hass.async_block_till_done(wait_background_tasks=True)
    await plant.run(8)
    await plant.set_volume(15.0)
    await plant.press("begin_water_change")
    await plant.run(2)
    other: WaterChange = plant.lab.entry.runtime_data.watches[second.subentry_id]
    other.async_set_volume(5.0)
    with pytest.raises(ServiceValidationError) as refused:
        await other.async_begin()
    assert refused.value.translation_placeholders["why"] == "a change is under way"
    await plant.run(20)
    assert plant.shown("water_change_status") == "done"
    assert plant.drained_l == pytest.approx(15.0, abs=0.5)
    assert plant.refilled_l == pytest.approx(15.0, abs=0.5)


async def test_a_drain_started_between_the_steps_ends_it(plant: Plant) -> None:
    await plant.press("begin_water_change")
    await plant.run(7.7)
    assert plant.shown("water_change_status") == "refill"
    assert not plant.is_on(REFILL)
    # By hand, since a rule would be refused while the level settles.
    plant.hass.states.async_set(DRAIN, "on", context=Context(user_id="keeper"))
    await plant.run(0.5)
    assert plant.shown("water_change_stop") == "other_line"
    assert not plant.is_on(DRAIN)
    assert not plant.is_on(REFILL)


async def test_a_memory_that_cannot_be_read_is_told(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody knows what was drained: no fresh water before a person has looked."""
    monkeypatch.setattr(plant.alive, "guarded", lambda: {"step": "pour"})
    await plant.lab.reload()
    assert plant.shown("water_change_stop") == "state_damaged"
    assert plant.issue is not None
    assert plant.line("top-off").watch.lockout_reason == "external"
    # Told once: the next start finds it ended.
    await plant.run(3)
    await plant.line("top-off").async_reset()
    await plant.lab.reload()
    assert not plant.line("top-off").watch.is_locked_out


@pytest.mark.parametrize(
    ("line", "changes"),
    [
        ("lagoon_refill", {"source_vessel": None}),
        ("lagoon_refill", {"destination": "lagoon_reservoir"}),
        ("lagoon_refill", {"feeds_system": True}),
        ("lagoon_drain", {"direction": "sideways"}),
        ("lagoon_drain", {"source_vessel": "lagoon_vat"}),
    ],
)
async def test_lines_that_are_no_use_for_it_are_told(
    plant: Plant, line: str, changes: dict[str, Any]
) -> None:
    entry = plant.lab.entry
    subentry = entry.subentries[line]
    data = dict(subentry.data) | changes
    data = {key: value for key, value in data.items() if value is not None}
    plant.hass.config_entries.async_update_subentry(entry, subentry, data=data)
    await plant.hass.async_block_till_done(wait_background_tasks=True)
    assert "lagoon_water_change" not in entry.runtime_data.watches
    issue_id = "watch_settings_invalid_lagoon_water_change"
    assert ir.async_get(plant.hass).async_get_issue(DOMAIN, issue_id)


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        (SUBENTRY_WATER_CHANGE, {"drain_line": "gone"}),
        (SUBENTRY_WATER_CHANGE, {"drain_line": "lagoon_refill"}),
        (SUBENTRY_WATER_CHANGE, {"refill_line": "lagoon_top-off"}),
        (SUBENTRY_WATER_CHANGE, {"largest_share_frac": 0.6}),
        ("mixing_vat", {"target_psu": 99.0}),
    ],
)
async def test_settings_that_are_no_use_are_told(
    plant: Plant, kind: str, changes: dict[str, Any]
) -> None:
    await plant.lab.change(kind, **changes)
    assert "lagoon_water_change" not in plant.lab.entry.runtime_data.watches
    issue_id = "watch_settings_invalid_lagoon_water_change"
    assert ir.async_get(plant.hass).async_get_issue(DOMAIN, issue_id)


# A change that goes while it is under way


async def _remove(plant: Plant) -> None:
    plant.hass.config_entries.async_remove_subentry(plant.lab.entry, "lagoon_water_change")
    await plant.hass.async_block_till_done(wait_background_tasks=True)


async def _edit(plant: Plant, line: str, **changes: Any) -> None:
    """Change a line's settings as its form would; None leaves out."""
    entry = plant.lab.entry
    subentry = entry.subentries[line]
    data = dict(subentry.data) | changes
    data = {key: value for key, value in data.items() if value is not None}
    plant.hass.config_entries.async_update_subentry(entry, subentry, data=data)
    await plant.hass.async_block_till_done(wait_background_tasks=True)


async def _without_vat(plant: Plant) -> None:
    await _edit(plant, "lagoon_refill", source_vessel=None)


GOES: dict[str, Callable[[Plant], Any]] = {"removed": _remove, "unusable": _without_vat}


async def _drain_24_l(plant: Plant) -> None:
    """Nearly all of 24 L: so much that the sump lies below the top-off's mark."""
    plant.has_top_off_rule = True
    await plant.set_volume(24.0)
    await plant.press("begin_water_change")
    await plant.run(11.9)
    assert plant.sump_l < 38.4


@pytest.mark.parametrize("is_old", [False, True], ids=["stored now", "stored before"])
@pytest.mark.parametrize("how", list(GOES))
async def test_a_change_that_goes_midway_lets_no_fresh_water_in(
    plant: Plant, monkeypatch: pytest.MonkeyPatch, how: str, *, is_old: bool
) -> None:
    """Older versions stored neither the vessel nor the lines with it."""
    await _drain_24_l(plant)
    if is_old:
        monkeypatch.setattr(plant.alive, "guarded", plant.alive._outcome.to_dict)
    await GOES[how](plant)
    assert not plant.is_on(DRAIN)
    assert plant.line("top-off").watch.lockout_reason == "external"
    note = plant.line("top-off").watch.attributes["reason_text"]
    assert "of salt water are missing" in note
    assert is_old or how == "unusable" or note.startswith("Lagoon water change")
    assert plant.issue is not None
    assert plant.issue.severity is ir.IssueSeverity.ERROR
    missing_l = litres(plant.issue.translation_placeholders["missing"])
    assert missing_l == pytest.approx(plant.drained_l, abs=0.8)
    # For five hours the rule would top off; the pause, had it stood, would have ended by then.
    for _ in range(30):
        plant.sump_l -= 0.1
        await plant.run(10)
    assert plant.topped_l == 0.0
    # The next start keeps both.
    await plant.lab.reload()
    assert plant.line("top-off").watch.is_locked_out
    assert plant.issue is not None


async def test_the_own_line_of_a_change_that_is_removed_may_bring_salt_water(plant: Plant) -> None:
    await _drain_24_l(plant)
    await _remove(plant)
    assert not plant.line("refill").watch.is_locked_out
    assert not plant.line("drain").watch.is_locked_out
    assert not plant.line("top-off").is_in_maintenance


async def test_a_line_that_draws_from_no_vat_any_more_is_locked_out(plant: Plant) -> None:
    await _drain_24_l(plant)
    await _without_vat(plant)
    assert plant.line("refill").watch.lockout_reason == "external"


async def test_the_notice_of_a_removed_change_goes_when_its_lockouts_are_reset(
    plant: Plant,
) -> None:
    await _drain_24_l(plant)
    await _remove(plant)
    plant.has_top_off_rule = False
    await plant.run(3)
    assert plant.issue is not None
    plant.sump_l = 60.0  # refilled by hand
    await plant.run(12)
    await plant.line("top-off").async_reset()
    await plant.run(1)
    assert plant.issue is None
    await plant.lab.reload()
    assert not plant.line("top-off").watch.is_locked_out
    assert "lagoon_water_change" not in plant.lab.entry.runtime_data._safety_payload()


@pytest.mark.parametrize("how", list(GOES))
async def test_a_line_that_does_not_run_then_is_locked_out_when_it_does(
    plant: Plant, how: str
) -> None:
    await _drain_24_l(plant)
    top_off_id = "lagoon_top-off"
    subentry = plant.lab.entry.subentries[top_off_id]
    # Both in one go: one reload finds both.
    plant.hass.config_entries.async_update_subentry(
        plant.lab.entry, subentry, data=dict(subentry.data) | {"longest_run_s": -1.0}
    )
    await GOES[how](plant)
    assert top_off_id not in plant.lab.entry.runtime_data.lines
    plant.has_top_off_rule = False
    await plant.run(1)
    await plant.lab.reload()
    assert plant.issue is not None
    await _edit(plant, top_off_id, longest_run_s=3600.0)
    assert plant.line("top-off").watch.lockout_reason == "external"
    assert plant.issue is not None


async def test_a_power_cut_in_a_drain_lets_no_fresh_water_in(
    plant: Plant, hass_storage: dict[str, Any]
) -> None:
    """Half a litre is all that the disk may not know of: the rest would be thinned unseen.

    24 L of 450 L at 2 L/min; the file is put back as it was when the power went.
    """
    plant.has_top_off_rule = False
    await plant.set_volume(24.0)
    await plant.press("begin_water_change")
    await plant.run(11.9)
    hass, entry = plant.hass, plant.lab.entry
    key = f"{DOMAIN}.{entry.entry_id}.safety"
    cut = deepcopy(hass_storage[key])
    kept = cut["data"]["vessels"]["lagoon_water_change"]
    assert kept["step"] == "drain"
    assert kept["drained_l"] == pytest.approx(plant.drained_l, abs=1.0)
    assert await hass.config_entries.async_unload(entry.entry_id)
    hass_storage[key] = cut
    hass.states.async_set(DRAIN, "off")
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done(wait_background_tasks=True)
    assert plant.line("top-off").watch.is_locked_out
    assert plant.issue is not None
    missing_l = litres(plant.issue.translation_placeholders["missing"])
    assert missing_l == pytest.approx(plant.drained_l, abs=1.0)


async def test_a_top_off_that_was_no_use_when_the_change_ended_is_locked_out_later(
    plant: Plant,
) -> None:
    await _drain_24_l(plant)
    await _edit(plant, "lagoon_top-off", longest_run_s=-1.0)
    assert plant.shown("water_change_stop") == "interrupted"
    # One more start changes nothing of that.
    await plant.lab.reload()
    await _edit(plant, "lagoon_top-off", longest_run_s=3600.0)
    assert plant.line("top-off").watch.lockout_reason == "external"
    await plant.line("top-off").async_reset()
    await plant.lab.reload()
    assert not plant.line("top-off").watch.is_locked_out


async def test_a_line_that_does_not_run_is_locked_out_by_the_change_itself_when_it_is_back(
    plant: Plant,
) -> None:
    """The top-off and the change come back together."""
    await _drain_24_l(plant)
    entry = plant.lab.entry
    subentry = entry.subentries["lagoon_top-off"]
    broken = dict(subentry.data) | {"longest_run_s": -1.0}
    plant.hass.config_entries.async_update_subentry(entry, subentry, data=broken)
    await _without_vat(plant)
    subentry = entry.subentries["lagoon_top-off"]
    mended = dict(subentry.data) | {"longest_run_s": 3600.0}
    plant.hass.config_entries.async_update_subentry(entry, subentry, data=mended)
    await _edit(plant, "lagoon_refill", source_vessel="lagoon_vat")
    assert plant.shown("water_change_stop") == "interrupted"
    assert plant.line("top-off").watch.lockout_reason == "external"


async def test_a_line_that_is_removed_with_the_change_is_waited_for_no_more(plant: Plant) -> None:
    await _drain_24_l(plant)
    plant.has_top_off_rule = False
    await _remove(plant)
    plant.hass.config_entries.async_remove_subentry(plant.lab.entry, "lagoon_top-off")
    await plant.hass.async_block_till_done(wait_background_tasks=True)
    await plant.run(1)
    assert plant.issue is None


@pytest.mark.parametrize("how", list(GOES))
async def test_a_memory_that_cannot_be_read_of_a_change_that_goes_is_told(
    plant: Plant, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    """Nobody knows what was drained, nor of which vessel."""
    monkeypatch.setattr(plant.alive, "guarded", lambda: {"step": "pour", "paused": 1})
    await GOES[how](plant)
    assert plant.line("top-off").watch.lockout_reason == "external"
    assert plant.issue is not None
    assert "cannot be read" in plant.issue.translation_placeholders["why"]
    # Told once: the next start finds it ended.
    await plant.run(12)
    await plant.line("top-off").async_reset()
    await plant.lab.reload()
    assert not plant.line("top-off").watch.is_locked_out


async def test_a_pause_that_cannot_be_read_is_not_taken_for_none(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    await plant.press("begin_water_change")
    broken = plant.alive.guarded() | {"paused": 5}
    monkeypatch.setattr(plant.alive, "guarded", lambda: broken)
    await plant.lab.reload()
    assert plant.shown("water_change_stop") == "state_damaged"
    assert plant.line("top-off").watch.lockout_reason == "external"


async def test_a_change_that_goes_before_anything_was_drained_locks_nothing_out(
    plant: Plant,
) -> None:
    line = plant.line("top-off")
    await line.async_set_maintenance(on=True)
    until_s = line.maintenance_until_s
    await plant.press("begin_water_change")
    assert line.maintenance_until_s != until_s
    await _remove(plant)
    line = plant.line("top-off")
    assert not line.watch.is_locked_out
    assert plant.issue is None
    # Somebody had paused the top-off before; that pause is left as it was.
    assert line.maintenance_until_s == until_s
    await plant.run(1)
    assert "lagoon_water_change" not in plant.lab.entry.runtime_data._safety_payload()


async def test_a_change_that_is_over_may_be_removed(plant: Plant) -> None:
    await plant.press("begin_water_change")
    await plant.run(25)
    assert plant.shown("water_change_status") == "done"
    await _remove(plant)
    assert not plant.line("top-off").watch.is_locked_out
    assert plant.issue is None


@pytest.mark.parametrize("ends_by", ["abort", "restart", "removal"])
async def test_a_pause_that_a_person_begins_in_a_change_outlives_it(
    plant: Plant, ends_by: str
) -> None:
    """Whoever has his hands in the sump then wants no top-off when the change is over."""
    await plant.press("begin_water_change")
    await plant.run(2)
    assert plant.shown("water_change_status") == "drain"
    top_off = plant.line("top-off")
    await top_off.async_set_maintenance(on=True)
    until_s = top_off.maintenance_until_s
    if ends_by == "abort":
        await plant.press("stop_water_change")
    elif ends_by == "restart":
        await plant.lab.reload()
    else:
        plant.hass.config_entries.async_remove_subentry(plant.lab.entry, "lagoon_water_change")
        await plant.hass.async_block_till_done(wait_background_tasks=True)
    await plant.run(0.5)
    assert plant.line("top-off").maintenance_until_s == until_s
    assert plant.line("drain").maintenance_until_s is None


@pytest.mark.parametrize("is_paused", [True, False])
async def test_a_persons_own_pause_outlives_a_restart_in_a_change(
    plant: Plant, *, is_paused: bool
) -> None:
    await plant.line("top-off").async_set_maintenance(on=is_paused)
    until_s = plant.line("top-off").maintenance_until_s
    await plant.press("begin_water_change")
    await plant.run(4)
    assert plant.line("top-off").maintenance_until_s not in (None, until_s)
    await plant.lab.reload()
    assert plant.shown("water_change_stop") == "interrupted"
    assert plant.line("top-off").maintenance_until_s == until_s
    assert plant.line("top-off").watch.is_locked_out


async def test_what_older_versions_stored_of_a_change_is_read(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Step, stop and both volumes only."""
    await plant.press("begin_water_change")
    await plant.run(4)
    monkeypatch.setattr(plant.alive, "guarded", plant.alive._outcome.to_dict)
    await plant.lab.reload()
    assert plant.shown("water_change_stop") == "interrupted"
    assert plant.line("top-off").watch.is_locked_out
    assert not plant.line("top-off").is_in_maintenance


# The drain line alone


async def test_a_drain_stops_at_the_empty_mark_and_says_so(plant: Plant) -> None:
    """40.8 L lie above the mark at 8 cm (19.2 L): a bit over 20 minutes."""
    await plant.switch(DRAIN, on=True)
    await plant.run(23)
    assert not plant.is_on(DRAIN)
    assert plant.sump_l == pytest.approx(19.2, abs=0.7)
    line = plant.line("drain")
    assert not line.watch.is_locked_out
    assert line.watch.block_reason == "source_low"
    assert [one["reason"] for one in line.decisions if one["decision"] == "stopped"] == [
        "source_low"
    ]
    # It fills nothing.
    assert plant.lab.entry.runtime_data.vessels["lagoon_sump"].view.fill_rate_l_per_s is None


async def test_a_drain_is_set_up_in_the_form_of_lines(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    entry = add_system("Lagoon", sump(), vat())
    walk = Walk(hass, entry, check_form, kind="fill_line")
    ends = {"name": "Drain", "device": DRAIN, "direction": "drain", "destination": "lagoon_sump"}
    limits: dict[str, Any] = {"inputs": {}, "layers": {}, "pump": {}, "tests": {}}
    await walk.open()
    await walk.send(ends)
    # A sump falls when its pump starts: without the pump that looks like a leak.
    assert (await walk.send(limits))["errors"] == {"pump": "drain_needs_pump"}
    # From 17.5 cm down to the mark at 8 cm it holds 22.8 L: less in a day is no drain.
    few = limits | {"pump": {"return_pump": PUMP}, "daily_volume": 22}
    assert (await walk.send(few))["errors"] == {"daily_volume": "daily_volume_small"}
    await walk.send(few | {"daily_volume": 23})
    (stored,) = entry.get_subentries_of_type("fill_line")
    assert stored.data["direction"] == "drain"
    await walk.open(stored.subentry_id)
    assert walk.shown("direction") == "drain"
    # A drain of a vat needs no pump, and a line that fills keeps nothing of a direction.
    await walk.all(ends | {"destination": "lagoon_vat"}, limits)
    await walk.open(stored.subentry_id)
    await walk.all(ends | {"direction": "fill"}, limits)
    assert "direction" not in entry.subentries[stored.subentry_id].data


# The form

FILLED = {
    "name": "Lagoon water change", "drain_line": "lagoon_drain", "refill_line": "lagoon_refill",
    "largest_share": 20.0,
}  # fmt: skip


def walk_of(hass: HomeAssistant, check_form: Callable[[Any], None], entry: MockConfigEntry) -> Walk:
    return Walk(hass, entry, check_form, kind=SUBENTRY_WATER_CHANGE)


async def test_form_makes_and_changes_a_water_change(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    entry = add_system("Lagoon", sump(), vat(), drain_line(), refill_line(), top_off())
    walk = walk_of(hass, check_form, entry)
    form = await walk.open()
    options = form["data_schema"].schema["refill_line"].config["options"]
    assert [option["value"] for option in options] == ["lagoon_refill"]
    await walk.send(FILLED)
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    (stored,) = entry.get_subentries_of_type(SUBENTRY_WATER_CHANGE)
    assert dict(stored.data) == {
        "drain_line": "lagoon_drain", "refill_line": "lagoon_refill", "largest_share_frac": 0.2,
    }  # fmt: skip
    await walk.open(stored.subentry_id)
    assert walk.shown("largest_share") == 20.0
    await walk.send(FILLED | {"largest_share": 10})
    assert walk.form["reason"] == "reconfigure_successful"
    stored = entry.subentries[stored.subentry_id]
    assert stored.data["largest_share_frac"] == pytest.approx(0.1)
    await walk.open()
    assert (await walk.send(FILLED))["errors"] == {"name": "name_taken"}


@pytest.mark.parametrize(
    ("wrong", "field", "error"),
    [
        ({"name": " "}, "name", "name_empty"),
        ({"largest_share": 0.5}, "largest_share", "share_range"),
        ({"largest_share": 51}, "largest_share", "share_range"),
        ({"drain_line": "vat_drain"}, "refill_line", "lines_apart"),
        ({"refill_line": "fresh_refill"}, "refill_line", "refill_is_fresh"),
    ],
)
async def test_form_refuses_what_cannot_work(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
    *,
    wrong: dict[str, Any],
    field: str,
    error: str,
) -> None:
    of_vat = fill_line("lagoon_vat", "Vat drain", device="switch.vat", direction="drain")
    fresh = refill_line(device="switch.fresh", feeds_system=True)
    fresh |= {"subentry_id": "fresh_refill", "title": "Fresh refill"}
    entry = add_system("Lagoon", sump(), vat(), drain_line(), refill_line(), of_vat, fresh)
    walk = walk_of(hass, check_form, entry)
    await walk.open()
    assert (await walk.send(FILLED | wrong))["errors"] == {field: error}
    assert (await walk.send(FILLED))["type"] is FlowResultType.CREATE_ENTRY


async def test_form_needs_both_lines(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    walk = walk_of(hass, check_form, add_system("Lagoon", sump(), vat(), drain_line()))
    assert (await walk.open())["reason"] == "no_lines"
