"""An RO/DI unit in the hub: form, entities, memory, refusals; refills flow from a simulated tap.

Water of a temperature passes the plant's membrane by a supplier's table of divisors (production at
25 degC over production at the temperature): 10 degC 1.711, 15 degC 1.422, 20 degC 1.189.
"""

from typing import TYPE_CHECKING, Any, Final

import pytest
from custom_components.stillwell.const import DOMAIN, SUBENTRY_RODI_UNIT
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir

from .conftest import fill_line, reservoir
from .lab import LEAK, SQUARE_L_PER_CM, VALVE, Lab
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry

LINE_ID: Final = "lagoon_reservoir_fill_line"
UNIT_ID: Final = "rodi_unit"
TEMPERATURE: Final = "sensor.tap_temperature"
PRESSURE: Final = "sensor.feed_pressure"
BEFORE: Final = "sensor.tap_solids"
AFTER: Final = "sensor.product_solids"
DIVISORS: Final = {10.0: 1.711, 15.0: 1.422, 20.0: 1.189}
RATED_L_PER_DAY: Final = 284.0
"""75 gallons a day."""
LOW_L: Final = 9.0
ALL: Final = ["sediment", "carbon", "membrane", "resin"]


def unit(**changes: Any) -> dict[str, Any]:
    """Return an RO/DI unit as a subentry; None leaves out."""
    data = {
        "fill_line": LINE_ID, "waste_per_product": 4.0, "stages": ALL, "rated_l": {},
        "temperature_source": TEMPERATURE,
    } | changes  # fmt: skip
    return {
        "data": {key: value for key, value in data.items() if value is not None},
        "subentry_id": UNIT_ID,
        "subentry_type": SUBENTRY_RODI_UNIT,
        "title": "Lab RO/DI unit",
        "unique_id": None,
    }


class Tap:
    """The reservoir: what comes out of the membrane behind the valve, and what the tank takes."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        self.temp_c = 20.0
        self.clogged_frac = 0.0
        self.use_l_per_day = 0.0
        self.made_l = 0.0
        self.level_l = LOW_L

    def show(self) -> None:
        shown = f"{self.temp_c:.1f}"
        self.lab.hass.states.async_set(TEMPERATURE, shown, {"unit_of_measurement": "°C"})

    async def flow(self, minutes: float, *, makes: bool = False) -> None:
        """Let water flow for a while, then report the level."""
        rate = RATED_L_PER_DAY * (1.0 - self.clogged_frac) / DIVISORS[self.temp_c] if makes else 0.0
        self.made_l += rate * minutes / 1440.0
        self.level_l += (rate - self.use_l_per_day) * minutes / 1440.0
        await self.lab.run([self.level_l / SQUARE_L_PER_CM], 60.0 * minutes)

    async def refill(self, minutes: int = 40, *, by_hand: bool = False, leak: bool = False) -> None:
        """Let the reservoir settle, run for a time, let it settle."""
        lab = self.lab
        for _ in range(12):
            await self.flow(1.0)
        self.show()
        if by_hand:
            await lab.hass.services.async_call(
                "input_boolean", "turn_on", {"entity_id": VALVE}, blocking=True
            )
        else:
            await lab.valve(on=True)
        assert lab.is_valve_on
        for minute in range(minutes):
            await self.flow(1.0, makes=True)
            if leak and minute == minutes - 1:
                lab.hass.states.async_set(LEAK, "on")
        await lab.valve(on=False)
        assert not lab.is_valve_on
        for _ in range(8):
            await self.flow(1.0)

    async def draw(self) -> None:
        """Let the tank use the water in twelve hours; the sensor reports every five minutes."""
        self.use_l_per_day = 2.0 * (self.level_l - LOW_L)
        for _ in range(144):
            await self.flow(5.0)


async def set_up(lab: Lab, *more: dict[str, Any], **changes: Any) -> Tap:
    """Set up reservoir, line and unit, and let the level settle."""
    tap = Tap(lab)
    tap.show()
    lab.hass.states.async_set(LEAK, "off")
    await lab.set_up(*more, unit(**changes), device=VALVE, leak_inputs=[LEAK], settle_s=60.0)
    await lab.run([LOW_L / SQUARE_L_PER_CM] * 20)
    assert lab.is_permitted
    return tap


async def test_what_it_makes_is_in_gallons_where_volumes_are(
    imperial: HomeAssistant, lab: Lab
) -> None:
    """A US gallon is 3.785 412 L (NIST SP 811, appendix B)."""
    tap = await set_up(lab)
    await tap.refill()
    assert lab.state("production").attributes["unit_of_measurement"] == "gal/d"
    assert lab.value("production") == pytest.approx(RATED_L_PER_DAY / 1.189 / 3.785412, rel=0.03)


async def test_a_refill_shows_what_the_unit_makes(lab: Lab) -> None:
    """A rounding of 0.1 mm in 7 cm, and a minute's step at both ends of 40: 3 %."""
    tap = await set_up(lab)
    for key in ("production", "production_normalised", "production_of_baseline"):
        assert lab.state(key).state == "unknown"
    assert lab.state("membrane_state").state == "learning"
    await tap.refill()
    assert lab.value("production") == pytest.approx(RATED_L_PER_DAY / 1.189, rel=0.03)
    assert lab.value("production_normalised") == pytest.approx(RATED_L_PER_DAY, rel=0.03)
    assert lab.value("passed_resin") == pytest.approx(tap.made_l, rel=0.03)
    assert lab.value("passed_membrane") == pytest.approx(5.0 * tap.made_l, rel=0.03)
    assert lab.value("waste_water") == pytest.approx(4.0 * tap.made_l, rel=0.03)
    # Nothing measures the solids, and no rating is known.
    for key in ("rejection", "stage_due"):
        with pytest.raises(AssertionError):
            lab.entity_id(key)


async def test_winter_is_no_loss_and_a_clogged_filter_is(lab: Lab) -> None:
    tap = await set_up(lab)
    for temp_c in (20.0, 20.0, 15.0, 15.0, 10.0, 10.0):
        tap.temp_c = temp_c
        await tap.refill()
        await tap.draw()
    assert lab.state("membrane_state").state == "normal"
    assert lab.value("production_of_baseline") == pytest.approx(100.0, abs=4.0)
    assert lab.value("production") == pytest.approx(RATED_L_PER_DAY / 1.711, rel=0.03)
    tap.clogged_frac = 0.25
    await tap.refill()
    await tap.draw()
    await tap.refill()
    assert lab.state("membrane_state").state == "production_falling"
    assert lab.value("production_of_baseline") == pytest.approx(75.0, abs=4.0)
    await lab.press("changed_sediment")
    assert lab.state("membrane_state").state == "learning"
    assert lab.state("production_of_baseline").state == "unknown"
    assert lab.value("passed_sediment") == 0.0
    assert lab.value("passed_carbon") == pytest.approx(5.0 * tap.made_l, rel=0.03)


@pytest.mark.parametrize("how", [{"by_hand": True}, {"leak": True}, {"minutes": 15}], ids=str)
async def test_a_run_that_proves_nothing_still_passes_water(lab: Lab, how: dict[str, Any]) -> None:
    tap = await set_up(lab)
    await tap.refill(**how)
    assert lab.state("production").state == "unknown"
    assert lab.value("passed_resin") == pytest.approx(tap.made_l, rel=0.06)


async def test_without_thermometer_nothing_is_normalised(lab: Lab) -> None:
    tap = await set_up(lab, temperature_source=None)
    await tap.refill()
    assert lab.value("production") == pytest.approx(RATED_L_PER_DAY / 1.189, rel=0.03)
    with pytest.raises(AssertionError):
        lab.entity_id("production_normalised")


async def test_a_thermometer_that_is_gone_is_not_guessed(hass: HomeAssistant, lab: Lab) -> None:
    tap = await set_up(lab)
    tap.show = lambda: hass.states.async_set(TEMPERATURE, "unavailable")  # type: ignore[method-assign]
    await tap.refill()
    assert lab.value("production") == pytest.approx(RATED_L_PER_DAY / 1.189, rel=0.03)
    assert lab.state("production_normalised").state == "unknown"


async def test_fahrenheit_under_a_wrong_name_is_refused(
    hass: HomeAssistant, lab: Lab, caplog: pytest.LogCaptureFixture
) -> None:
    tap = await set_up(lab)
    wrong = {"unit_of_measurement": "°C"}
    tap.show = lambda: hass.states.async_set(TEMPERATURE, "68", wrong)  # type: ignore[method-assign]
    await tap.refill()
    assert lab.state("production_normalised").state == "unknown"
    assert caplog.text.count("looks like degF: 20 degC") == 1


@pytest.mark.parametrize(
    ("feed", "product"),
    [(("300", "ppm"), ("6", "ppm")), (("600", "µS/cm"), ("12", "μS/cm")),
     (("0.6", "mS/cm"), ("6", "mg/L"))],
)  # fmt: skip
async def test_rejection_in_any_unit_and_pressure(
    hass: HomeAssistant, lab: Lab, feed: tuple[str, str], product: tuple[str, str]
) -> None:
    """300 to 6 mg/L is 98 %. At 60 psi (4.137 bar) production is that of the rating; the feed's
    50 mg/L above the rating's 250 take 0.04 bar of nearly 4 off (1 psi per 100 mg/L)."""
    for entity_id, (value, shown) in {
        BEFORE: feed,
        AFTER: product,
        PRESSURE: ("60", "psi"),
    }.items():
        hass.states.async_set(entity_id, value, {"unit_of_measurement": shown})
    tap = await set_up(
        lab, feed_pressure_source=PRESSURE, feed_solids_source=BEFORE, product_solids_source=AFTER
    )
    await tap.refill()
    assert lab.value("rejection") == pytest.approx(98.0, abs=0.1)
    assert lab.value("production_normalised") == pytest.approx(RATED_L_PER_DAY * 1.01, rel=0.03)


@pytest.mark.parametrize("source", [BEFORE, PRESSURE])
async def test_a_source_of_another_kind_is_not_read(
    hass: HomeAssistant, lab: Lab, source: str
) -> None:
    for entity_id, shown in {BEFORE: "ppm", AFTER: "ppm", PRESSURE: "bar"}.items():
        hass.states.async_set(entity_id, "4", {"unit_of_measurement": shown})
    hass.states.async_set(source, "4", {"unit_of_measurement": "cm"})
    tap = await set_up(
        lab, feed_pressure_source=PRESSURE, feed_solids_source=BEFORE, product_solids_source=AFTER
    )
    await tap.refill()
    key = {BEFORE: "rejection", PRESSURE: "production_normalised"}[source]
    assert lab.state(key).state == "unknown"


async def test_a_stage_that_is_due_is_told_and_its_button_takes_it_back(lab: Lab) -> None:
    tap = await set_up(lab, rated_l={"resin": 5.0, "membrane": 5000.0})
    issues = ir.async_get(lab.hass)
    issue_id = f"stage_due_{UNIT_ID}_resin"
    assert lab.state("stage_due").state == "off"
    await tap.refill()
    assert tap.made_l > 5.0
    assert lab.state("stage_due").state == "on"
    assert lab.state("stage_due").attributes["stages"] == ["resin"]
    given = issues.async_get_issue(DOMAIN, issue_id).translation_placeholders
    assert given["stage"] == "resin"
    assert given["rated"] == "5 L"
    await lab.press("changed_resin")
    assert issues.async_get_issue(DOMAIN, issue_id) is None
    assert lab.state("stage_due").state == "off"
    assert lab.value("passed_resin") == 0.0
    # A resin that is new says nothing of the membrane: the trend goes on.
    (alive,) = lab.entry.runtime_data.watches.values()
    assert len(alive.snapshot()["watch"]["membrane"]["runs"]) == 1


async def test_imperial_shows_gallons(imperial: HomeAssistant, lab: Lab) -> None:
    """3.785411784 L to the US gallon."""
    tap = await set_up(lab, rated_l={"resin": 3.785411784})
    await tap.refill()
    passed = lab.state("passed_resin")
    assert passed.attributes["unit_of_measurement"] == "gal"
    assert float(passed.state) == pytest.approx(tap.made_l / 3.785411784, rel=0.03)
    issue = ir.async_get(imperial).async_get_issue(DOMAIN, f"stage_due_{UNIT_ID}_resin")
    assert issue.translation_placeholders["rated"] == "1 gal"


async def test_what_was_counted_outlives_a_restart(lab: Lab) -> None:
    tap = await set_up(lab)
    await tap.refill()
    (alive,) = lab.entry.runtime_data.watches.values()
    stored = alive.snapshot()["watch"]
    assert len(stored["membrane"]["runs"]) == 1
    await lab.reload()
    (alive,) = lab.entry.runtime_data.watches.values()
    assert alive.snapshot()["watch"] == stored
    assert alive.diagnostics()["view"]["production_l_per_day"] is not None
    assert not alive.restore({})
    assert not alive.restore({"watch": stored | {"wasted_l": "much"}})
    assert alive.snapshot()["watch"] == stored
    await tap.draw()
    await tap.refill()
    assert lab.value("passed_resin") == pytest.approx(tap.made_l, rel=0.03)


async def test_a_second_line_s_water_is_not_counted(hass: HomeAssistant, lab: Lab) -> None:
    other = "input_boolean.other_valve"
    hass.states.async_set(other, "off")
    tap = await set_up(lab, fill_line(title="Second line", device=other))
    await tap.refill()
    made_l = tap.made_l
    assert lab.value("passed_resin") == pytest.approx(made_l, rel=0.03)
    await tap.draw()
    hass.states.async_set(other, "on")
    await tap.refill()
    hass.states.async_set(other, "off")
    await lab.run([LOW_L / SQUARE_L_PER_CM] * 5)
    assert lab.value("passed_resin") == pytest.approx(made_l, rel=0.03)


async def test_entities_of_a_stage_that_is_gone_are_taken_away(lab: Lab) -> None:
    await set_up(lab)
    assert lab.state("passed_resin").state == "0.0"
    await lab.change(SUBENTRY_RODI_UNIT, stages=["sediment", "membrane"])
    ids = {one.unique_id for one in er.async_get(lab.hass).entities.values()}
    assert f"{UNIT_ID}_passed_sediment" in ids
    for gone in ("passed_resin", "changed_resin", "passed_carbon", "changed_carbon"):
        assert f"{UNIT_ID}_{gone}" not in ids


async def test_a_line_that_was_removed_is_told(hass: HomeAssistant, lab: Lab) -> None:
    await set_up(lab)
    hass.config_entries.async_remove_subentry(lab.entry, LINE_ID)
    await hass.async_block_till_done(wait_background_tasks=True)
    issue = ir.async_get(hass).async_get_issue(DOMAIN, f"watch_settings_invalid_{UNIT_ID}")
    assert "its fill line was removed" in issue.translation_placeholders["error"]
    assert not lab.entry.runtime_data.watches


async def test_a_line_that_does_not_run_stops_nothing_else(lab: Lab) -> None:
    await set_up(lab)
    await lab.change("fill_line", longest_run_s=-1.0)
    assert not lab.entry.runtime_data.lines
    assert lab.state("production").state == "unknown"
    assert lab.state("waste_water").state == "0.0"


async def test_a_source_that_was_removed_is_told(hass: HomeAssistant, lab: Lab) -> None:
    registry = er.async_get(hass)
    made = registry.async_get_or_create("sensor", "test", "p", suggested_object_id="feed_pressure")
    assert made.entity_id == PRESSURE
    await set_up(lab, feed_pressure_source=PRESSURE)
    registry.async_remove(PRESSURE)
    await hass.async_block_till_done()
    issues = ir.async_get(hass)
    assert issues.async_get_issue(DOMAIN, f"source_missing_{UNIT_ID}_{PRESSURE}")


@pytest.mark.parametrize(
    "changes",
    [{"fill_line": None}, {"stages": None}, {"waste_per_product": 0.0}, {"rated_l": {"resin": 0}}],
    ids=str,
)
async def test_settings_that_are_no_use_are_told(lab: Lab, changes: dict[str, Any]) -> None:
    await lab.set_up(unit(**changes), device=VALVE)
    issues = ir.async_get(lab.hass)
    assert issues.async_get_issue(DOMAIN, f"watch_settings_invalid_{UNIT_ID}")
    assert not lab.entry.runtime_data.watches


# The form

FILLED: Final = {
    "name": "Lab RO/DI unit", "fill_line": LINE_ID, "waste_per_product": 3.0,
    "stages": ["resin", "sediment"], "sources": {}, "ratings": {},
}  # fmt: skip


@pytest.fixture
async def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> Walk:
    second = fill_line(title="Second line", device="switch.second_valve")
    entry = add_system("Lagoon", reservoir(), fill_line(), second)
    return Walk(hass, entry, check_form, kind=SUBENTRY_RODI_UNIT)


async def test_form_makes_and_changes_a_unit(walk: Walk) -> None:
    await walk.open()
    assert walk.shown("stages") == ALL
    assert walk.shown("waste_per_product") == 4.0
    await walk.send(
        FILLED | {"sources": {"temperature_source": TEMPERATURE}, "ratings": {"resin": 400.0}}
    )
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_RODI_UNIT)
    assert dict(stored.data) == {
        "fill_line": LINE_ID, "waste_per_product": 3.0, "stages": ["sediment", "resin"],
        "rated_l": {"resin": 400.0}, "temperature_source": TEMPERATURE,
    }  # fmt: skip
    await walk.open(stored.subentry_id)
    assert walk.shown("name") == "Lab RO/DI unit"
    assert walk.shown("sources", "temperature_source") == TEMPERATURE
    assert walk.shown("ratings", "resin") == 400.0
    await walk.send(FILLED | {"waste_per_product": 1.0})
    assert walk.form["reason"] == "reconfigure_successful"
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_RODI_UNIT)
    assert dict(stored.data) == {
        "fill_line": LINE_ID, "waste_per_product": 1.0, "stages": ["sediment", "resin"],
        "rated_l": {},
    }  # fmt: skip


async def test_form_in_gallons_stores_litres(imperial: HomeAssistant, walk: Walk) -> None:
    await walk.open()
    await walk.send(FILLED | {"ratings": {"resin": 100.0}})
    (stored,) = walk.entry.get_subentries_of_type(SUBENTRY_RODI_UNIT)
    assert stored.data["rated_l"] == {"resin": pytest.approx(378.5411784)}
    await walk.open(stored.subentry_id)
    assert walk.shown("ratings", "resin") == 100.0


@pytest.mark.parametrize(
    ("changes", "field", "error"),
    [
        ({"name": " "}, "name", "name_empty"),
        ({"waste_per_product": 50.0}, "waste_per_product", "waste_range"),
        ({"sources": {"temperature_source": "sensor.level"}}, "sources", "temperature_unit"),
        ({"sources": {"feed_pressure_source": "sensor.level"}}, "sources", "pressure_unit"),
        ({"sources": {"feed_solids_source": "sensor.level"}}, "sources", "solids_unit"),
        ({"sources": {"product_solids_source": "sensor.level"}}, "sources", "solids_unit"),
        (
            {"sources": {"feed_solids_source": BEFORE, "product_solids_source": BEFORE}},
            "sources",
            "entity_twice",
        ),
        ({"waste_per_product": -4.0}, "waste_per_product", "waste_range"),
        ({"ratings": {"resin": -5.0}}, "ratings", "rating_range"),
        ({"ratings": {"carbon": 9.0}}, "stages", "stage_not_chosen"),
        ({"ratings": {"resin": 0.0}}, "ratings", "rating_range"),
    ],
)
async def test_form_refuses(walk: Walk, changes: dict[str, Any], field: str, error: str) -> None:
    walk.hass.states.async_set("sensor.level", "20", {"unit_of_measurement": "cm"})
    await walk.open()
    await walk.send(FILLED | changes)
    assert walk.form["errors"] == {field: error}
    await walk.send(FILLED)
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY


async def test_form_refuses_a_second_unit_of_the_same_name_or_line(walk: Walk) -> None:
    await walk.open()
    await walk.send(FILLED)
    await walk.open()
    await walk.send(FILLED)
    assert walk.form["errors"] == {"name": "name_taken"}
    await walk.send(FILLED | {"name": "Other"})
    assert walk.form["errors"] == {"fill_line": "line_taken"}
    assert walk.placeholders["other"] == "Lab RO/DI unit"
    await walk.send(FILLED | {"name": "Other", "fill_line": "second_line"})
    assert walk.form["type"] is FlowResultType.CREATE_ENTRY


async def test_form_needs_a_fill_line(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    walk = Walk(hass, add_system("Nursery"), check_form, kind=SUBENTRY_RODI_UNIT)
    await walk.open()
    assert walk.form["reason"] == "no_fill_line"
