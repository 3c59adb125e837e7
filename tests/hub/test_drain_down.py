"""The drain-down of a sump in the hub; the sump's water is counted by hand in the test."""

from math import exp
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.core import Context
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir

from .conftest import fill_line
from .lab import VALVE, Lab
from .test_vessel_kinds import PUMP, SOURCE, sump

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant, State

L_PER_CM = 2.4
"""A box of 60 cm by 40 cm. Its rim at 38 cm: 91.2 L."""


class Plant:
    """A sump that holds 40.8 L (17 cm) while the pump runs; 18 L come down when it stops."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        self.running_l, self.above_l = 40.8, 18.0
        self.is_on = True
        self._changed_s = -9999.0
        self._t_s = 0.0
        self._say()

    @property
    def level_l(self) -> float:
        share = exp(-(self._t_s - self._changed_s) / 45.0)
        return self.running_l + self.above_l * (share if self.is_on else 1.0 - share)

    def _say(self) -> None:
        hass = self.lab.hass
        hass.states.async_set(PUMP, "on" if self.is_on else "off")
        level = f"{self.level_l / L_PER_CM:.2f}"
        hass.states.async_set(SOURCE, level, {"unit_of_measurement": "cm"}, force_update=True)

    def switch(self, *, on: bool) -> None:
        self.is_on, self._changed_s = on, self._t_s
        self._say()

    async def run(self, minutes: float) -> None:
        for _ in range(round(minutes * 3)):
            self._t_s += 20.0
            await self.lab.wait(20.0)
            self._say()
            await self.lab.hass.async_block_till_done()

    def state(self, key: str) -> State:
        domain = "binary_sensor" if key == "power_cut_floods" else "sensor"
        unique_id = f"lagoon_sump_{key}"
        found = er.async_get(self.lab.hass).async_get_entity_id(domain, DOMAIN, unique_id)
        assert found is not None
        state = self.lab.hass.states.get(found)
        assert state is not None
        return state

    def value(self, key: str) -> float:
        return float(self.state(key).state)


LEARNED = ("comes_down", "room_after_power_cut", "highest_safe_level", "power_cut_floods")


async def set_up(lab: Lab, *more: dict[str, Any], **changes: Any) -> Plant:
    plant = Plant(lab)
    await lab.set_up(sump(return_pump=PUMP, rim_m=0.38, **changes), *more)
    await plant.run(25)
    return plant


async def test_what_comes_down_is_learned_from_a_stop(lab: Lab) -> None:
    plant = await set_up(lab)
    assert [plant.state(key).state for key in LEARNED] == ["unknown"] * 4
    assert plant.value("free_room") == pytest.approx(50.4, abs=0.2)
    plant.switch(on=False)
    await plant.run(1)
    # While the pump stands the level says nothing of use or loss.
    assert plant.state("signal_reason").state == "return_pump"
    await plant.run(14)
    assert plant.value("comes_down") == pytest.approx(18.0, abs=0.2)
    assert plant.value("free_room") == pytest.approx(32.4, abs=0.2)
    assert plant.state("room_after_power_cut").state == "unknown"
    plant.switch(on=True)
    await plant.run(20)
    assert plant.state("signal_reason").state == "none"
    # A tenth more than was seen is kept free: 91.2 - 19.8 = 71.4 L, which stand 29.75 cm high.
    assert plant.value("room_after_power_cut") == pytest.approx(30.6, abs=0.3)
    assert plant.value("highest_safe_level") == pytest.approx(29.75, abs=0.1)
    assert plant.state("highest_safe_level").attributes["unit_of_measurement"] == "cm"
    assert plant.state("power_cut_floods").state == "off"


async def test_signal_and_permit_wait_for_the_same_time(lab: Lab) -> None:
    """The settling time that is chosen at the line is the sump's, too."""
    line = fill_line("lagoon_sump", device=VALVE, return_settle_s=90.0)
    plant = await set_up(lab, line)
    plant.switch(on=False)
    await plant.run(0.7)
    plant.switch(on=True)
    await plant.run(1)
    assert plant.state("signal_reason").state == "return_pump"
    assert lab.state("permit").state == "off"
    await plant.run(1)
    assert plant.state("signal_reason").state == "none"
    assert lab.state("permit").state == "on"


async def test_the_warning_comes_before_the_cut(lab: Lab) -> None:
    """The sump is filled up while the pump runs: above 29.75 cm a cut would flood."""
    plant = await set_up(lab, start_m=0.16, high_m=0.36, full_m=0.35)
    plant.switch(on=False)
    await plant.run(15)
    plant.switch(on=True)
    await plant.run(20)
    plant.running_l = 28.0 * L_PER_CM
    await plant.run(15)
    assert plant.state("power_cut_floods").state == "off"
    assert 0.0 < plant.value("room_after_power_cut") < 6.0
    plant.running_l = 31.0 * L_PER_CM
    await plant.run(15)
    assert plant.state("power_cut_floods").state == "on"
    assert plant.value("room_after_power_cut") == pytest.approx(71.4 - 74.4, abs=0.4)


async def test_in_inches_and_gallons(lab: Lab, imperial: HomeAssistant) -> None:
    assert imperial is lab.hass
    plant = await set_up(lab)
    plant.switch(on=False)
    await plant.run(15)
    # A US gallon is 231 cubic inches, an inch 2.54 cm: 3.785411784 L.
    assert plant.value("comes_down") == pytest.approx(18.0 / 3.785411784, abs=0.06)
    assert plant.value("highest_safe_level") == pytest.approx(29.75 / 2.54, abs=0.05)
    assert plant.state("highest_safe_level").attributes["unit_of_measurement"] == "in"


async def test_a_restart_while_it_comes_down_teaches_nothing_false(lab: Lab) -> None:
    plant = await set_up(lab)
    plant.switch(on=False)
    await plant.run(0.7)
    await lab.reload()
    await plant.run(15)
    assert plant.state("comes_down").state == "unknown"
    plant.switch(on=True)
    await plant.run(30)
    plant.switch(on=False)
    await plant.run(15)
    assert plant.value("comes_down") == pytest.approx(18.0, abs=0.2)
    # What was learned outlives the next restart.
    await lab.reload()
    await plant.run(1)
    assert plant.value("comes_down") == pytest.approx(18.0, abs=0.2)


async def test_a_damaged_memory_begins_anew(lab: Lab) -> None:
    plant = await set_up(lab)
    plant.switch(on=False)
    await plant.run(15)
    runtime = lab.entry.runtime_data.vessels["lagoon_sump"]
    kept = runtime.snapshot()
    kept["parts"]["drain_down"]["drain"] = {"stops_l": [-1.0]}
    assert runtime.restore(kept, 0.0) is False
    assert runtime.parts[0].learned()["drain"] == {"stops_l": []}
    assert runtime.diagnostics()["drain_down"]["needed_l"] is None
    # A memory from before there were parts is none the worse.
    del kept["parts"]
    assert runtime.restore(kept, 0.0) is True


async def test_a_pump_whose_state_is_lost_teaches_nothing(lab: Lab) -> None:
    plant = await set_up(lab)
    lab.hass.states.async_set(PUMP, "unavailable")
    await lab.hass.async_block_till_done()
    assert plant.state("signal_reason").state == "return_pump"
    plant.switch(on=False)
    await plant.run(15)
    assert plant.state("comes_down").state == "unknown"
    lab.hass.states.async_remove(PUMP)
    await lab.reload()
    issues = ir.async_get(lab.hass)
    assert issues.async_get_issue(DOMAIN, f"actuator_missing_lagoon_sump_{PUMP}")


async def test_a_top_off_in_between_teaches_nothing(lab: Lab) -> None:
    line = fill_line("lagoon_sump", "Lagoon top-off", device=VALVE)
    plant = await set_up(lab, line)
    plant.switch(on=False)
    await plant.run(0.7)
    # By hand: a rule would be refused while the pump stands.
    lab.hass.states.async_set(VALVE, "on", context=Context(user_id="keeper"))
    await plant.run(0.4)
    assert lab.watch.decisions[0]["decision"] == "started"
    await lab.valve(on=False)
    await plant.run(15)
    assert plant.state("comes_down").state == "unknown"


async def test_a_sump_without_return_pump_tells_nothing_of_it(lab: Lab) -> None:
    await lab.set_up(sump())
    registry = er.async_get(lab.hass)
    assert registry.async_get_entity_id("sensor", DOMAIN, "lagoon_sump_volume")
    for key in ("comes_down", "free_room"):
        assert registry.async_get_entity_id("sensor", DOMAIN, f"lagoon_sump_{key}") is None
    assert lab.entry.runtime_data.vessels["lagoon_sump"].is_at_rest
