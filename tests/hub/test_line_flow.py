"""Adding and changing a fill line in the UI; what cannot protect is refused with what can."""

import re
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN, SUBENTRY_FILL_LINE
from custom_components.stillwell.line_settings import fill_line_settings
from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import ATTR_UNIT_OF_MEASUREMENT
from homeassistant.data_entry_flow import FlowResultType, InvalidData
from homeassistant.helpers import entity_registry as er
from pytest_homeassistant_custom_component.common import MockConfigEntry

from .lab import Lab
from .test_dosing import dosing
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable

    from homeassistant.core import HomeAssistant

VALVE = "switch.lagoon_valve"
ENDS = {
    "name": "Lagoon line",
    "device": VALVE,
    "destination": "lagoon_reservoir",
    "feeds_system": False,
}
LIMITS: dict[str, Any] = {"inputs": {}, "layers": {}, "pump": {}, "tests": {}}
WHOLE_LIMITS: dict[str, Any] = {
    "longest_run": {"hours": 1, "minutes": 45},
    "settle": {"seconds": 90},
    "shortest_pause": {"minutes": 10},
    "daily_volume": 60,
    "daily_run": {"hours": 4},
    "inputs": {
        "high_inputs": ["binary_sensor.lagoon_float"],
        "leak_inputs": ["binary_sensor.lagoon_floor"],
        "supply_empty_inputs": ["binary_sensor.supply"],
    },
    "layers": {"secondary": ["valve.main"], "countdown": "number.auto_off"},
    "pump": {"return_pump": "switch.return", "return_settle": {"minutes": 4}},
    "tests": {"high_test_days": 90, "leak_test_days": 30, "countdown_test_days": 180},
}
STORED = {
    "device": VALVE,
    "destination": "lagoon_reservoir",
    "feeds_system": False,
    "longest_run_s": 6300.0,
    "settle_s": 90.0,
    "shortest_pause_s": 600.0,
    "daily_volume_l": 60.0,
    "daily_run_s": 14_400.0,
    "high_inputs": ["binary_sensor.lagoon_float"],
    "leak_inputs": ["binary_sensor.lagoon_floor"],
    "supply_empty_inputs": ["binary_sensor.supply"],
    "secondary": ["valve.main"],
    "countdown": "number.auto_off",
    "return_pump": "switch.return",
    "return_settle_s": 240.0,
    "high_test_days": 90.0,
    "leak_test_days": 30.0,
    "countdown_test_days": 180.0,
}


@pytest.fixture
async def walk(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
    check_form: Callable[[Any], None],
) -> AsyncGenerator[Walk]:
    """A walk through the forms of a line, in a system with a reservoir and a mixing vat."""
    entry = add_system("Lagoon", vessel(), vessel("Lagoon mix", source="sensor.mix_level"))
    assert await hass.config_entries.async_setup(entry.entry_id)
    await hass.async_block_till_done()
    yield Walk(hass, entry, check_form, kind=SUBENTRY_FILL_LINE)
    # What was saved last is set up before its timers are looked for.
    await hass.async_block_till_done()


def line_of(walk: Walk) -> Any:
    (found,) = walk.entry.get_subentries_of_type(SUBENTRY_FILL_LINE)
    return found


async def test_a_line_is_added_and_lives(hass: HomeAssistant, walk: Walk) -> None:
    hass.states.async_set("number.auto_off", "0", {ATTR_UNIT_OF_MEASUREMENT: "min"})
    form = await walk.open()
    assert form["step_id"] == "user"
    assert walk.shown("destination") == "lagoon_reservoir"
    form = await walk.send(ENDS | {"source_vessel": "lagoon_mix", "rehearsal": True})
    assert form["step_id"] == "limits"
    assert walk.shown("longest_run") == {"hours": 2, "minutes": 0, "seconds": 0}
    assert walk.shown("settle") == {"hours": 0, "minutes": 1, "seconds": 0}
    result = await walk.send(WHOLE_LIMITS)
    assert result["type"] is FlowResultType.CREATE_ENTRY
    line = line_of(walk)
    assert line.title == "Lagoon line"
    assert dict(line.data) == STORED | {"source_vessel": "lagoon_mix", "rehearsal": True}
    await hass.async_block_till_done()
    alive = walk.entry.runtime_data.lines[line.subentry_id]
    assert alive.settings == fill_line_settings(line.data)
    assert alive.destination.title == "Lagoon reservoir"
    assert alive.source.title == "Lagoon mix"
    assert alive.watch.guard_settings.rehearsal


async def test_what_is_not_chosen_is_not_stored(walk: Walk) -> None:
    await walk.open()
    await walk.all(ENDS)
    nothing = {"hours": 0, "minutes": 0, "seconds": 0}
    await walk.send(
        LIMITS
        | {
            "daily_run": nothing,
            "inputs": {"high_inputs": [], "leak_inputs": []},
            "layers": {"secondary": []},
        }
    )
    assert dict(line_of(walk).data) == {
        "device": VALVE,
        "destination": "lagoon_reservoir",
        "feeds_system": False,
        "rehearsal": False,
        "longest_run_s": 7200.0,
        "settle_s": 60.0,
        "shortest_pause_s": 300.0,
        "return_settle_s": 300.0,
    }


async def test_everything_can_be_changed_and_cleared_later(
    hass: HomeAssistant, walk: Walk, line: Callable[..., dict[str, Any]]
) -> None:
    await walk.open()
    await walk.all(ENDS | {"source_vessel": "lagoon_mix"}, WHOLE_LIMITS)
    before = line_of(walk)
    await hass.async_block_till_done()
    await walk.open(before.subentry_id)
    assert walk.shown("name") == "Lagoon line"
    assert walk.shown("source_vessel") == "lagoon_mix"
    # Whether it begins in rehearsal is asked once; then the switch says.
    assert "rehearsal" not in walk.form["data_schema"].schema
    await walk.send(ENDS | {"name": "Other name", "destination": "lagoon_mix"})
    assert walk.shown("longest_run") == {"hours": 1, "minutes": 45, "seconds": 0}
    assert walk.shown("daily_volume") == 60
    assert walk.shown("daily_run") == {"hours": 4, "minutes": 0, "seconds": 0}
    assert walk.shown("inputs", "high_inputs") == ["binary_sensor.lagoon_float"]
    assert walk.shown("layers", "secondary") == ["valve.main"]
    assert walk.shown("layers", "countdown") == "number.auto_off"
    assert walk.shown("pump", "return_pump") == "switch.return"
    assert walk.shown("pump", "return_settle") == {"hours": 0, "minutes": 4, "seconds": 0}
    assert walk.shown("tests", "leak_test_days") == 30
    result = await walk.send(LIMITS)
    assert result["reason"] == "reconfigure_successful"
    after = line_of(walk)
    assert after.subentry_id == before.subentry_id
    assert after.title == "Other name"
    assert dict(after.data) == {
        "device": VALVE,
        "destination": "lagoon_mix",
        "feeds_system": False,
        "longest_run_s": 7200.0,
        "settle_s": 60.0,
        "shortest_pause_s": 300.0,
        "return_settle_s": 300.0,
    }


async def test_fresh_water_into_the_system_has_a_cap(walk: Walk) -> None:
    await walk.open()
    await walk.send(ENDS | {"feeds_system": True})
    assert walk.shown("fresh_cap") == 1
    form = await walk.send(LIMITS | {"fresh_cap": -1})
    assert form["errors"] == {"fresh_cap": "fresh_cap_range"}
    form = await walk.send(LIMITS | {"fresh_cap": 6})
    assert form["errors"] == {"fresh_cap": "fresh_cap_range"}
    # From 7 cm to 30 cm of 0.9 L each are 20.7 L: 4.6 % of 450 L, and one hundredth is 4.5 L.
    form = await walk.send(LIMITS | {"fresh_cap": 1})
    assert form["errors"] == {"fresh_cap": "fresh_cap_small"}
    assert (walk.placeholders["band"], walk.placeholders["cap"]) == ("20.7 L", "4.5 L")
    assert walk.placeholders["works"] == "4.6"
    await walk.send(LIMITS | {"fresh_cap": 4.6})
    assert line_of(walk).data["fresh_water_cap_frac"] == pytest.approx(0.046)


async def test_marks_too_far_apart_for_fresh_water_are_told(
    hass: HomeAssistant, walk: Walk
) -> None:
    hass.config_entries.async_update_entry(walk.entry, data={"volume_l": 120.0})
    await hass.async_block_till_done()
    await walk.open()
    await walk.send(ENDS | {"feeds_system": True})
    form = await walk.send(LIMITS | {"fresh_cap": 1})
    assert form["errors"] == {"fresh_cap": "fresh_cap_marks"}
    assert walk.placeholders["cap"] == "1.2 L"


async def test_a_system_without_a_vessel_has_no_line(
    hass: HomeAssistant,
    add_system: Callable[..., MockConfigEntry],
    check_form: Callable[[Any], None],
) -> None:
    walk = Walk(hass, add_system("Nursery"), check_form, kind=SUBENTRY_FILL_LINE)
    result = await walk.open()
    assert result["reason"] == "no_vessel"


WRONG_ENDS = {
    "name_empty": ({"name": " "}, "name", ("other_name", "lagoon valve")),
    "name_taken": ({"name": "mix LINE"}, "name", ("other_name", "mix LINE 2")),
    "device_taken": ({"device": "switch.nursery"}, "device", ("other", "Nursery line (Nursery)")),
    "pump_doses": (
        {"device": "switch.limewater"},
        "device",
        ("other", "Lagoon limewater (Nursery)"),
    ),
    "source_is_destination": ({"source_vessel": "lagoon_reservoir"}, "source_vessel", None),
    "drain_has_source": (
        {"direction": "drain", "source_vessel": "lagoon_mix"},
        "source_vessel",
        None,
    ),
    "drain_feeds": ({"direction": "drain", "feeds_system": True}, "feeds_system", None),
}


@pytest.mark.parametrize("error", list(WRONG_ENDS))
async def test_ends_that_cannot_work_are_refused(
    hass: HomeAssistant,
    walk: Walk,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
    *,
    line: Callable[..., dict[str, Any]],
    error: str,
) -> None:
    changes, field, told = WRONG_ENDS[error]
    add_system(
        "Nursery",
        vessel("Nursery reservoir", source="sensor.n"),
        line("nursery_reservoir", "Nursery line", device="switch.nursery"),
        dosing(vessel="nursery_reservoir", dosing_pump="switch.limewater"),
    )
    await walk.open()
    await walk.all(ENDS | {"name": "Mix line", "device": "switch.mix"}, LIMITS)
    await hass.async_block_till_done()
    await walk.open()
    form = await walk.send(ENDS | changes)
    assert form["errors"] == {field: error}
    if told is not None:
        assert walk.placeholders[told[0]] == told[1]
    assert (await walk.send(ENDS))["step_id"] == "limits"


async def test_where_limewater_is_the_top_off_its_pump_doses_too(
    walk: Walk, hass: HomeAssistant
) -> None:
    """Limewater may ride on the top-off (common practice, no source)."""
    found = dosing(dosing_pump="switch.kalk")
    hass.config_entries.async_add_subentry(
        walk.entry,
        ConfigSubentry(
            data=MappingProxyType(found["data"]),
            subentry_type=found["subentry_type"],
            title=found["title"],
            unique_id=None,
        ),
    )
    await hass.async_block_till_done()
    await walk.open()
    ends = ENDS | {"device": "switch.kalk"}
    form = await walk.send(ends | {"destination": "lagoon_mix"})
    assert form["errors"] == {"device": "pump_doses"}
    form = await walk.send(ends | {"direction": "drain"})
    assert form["errors"] == {"device": "pump_doses"}
    assert (await walk.send(ends))["step_id"] == "limits"


WRONG_LIMITS: dict[str, tuple[dict[str, Any], str, str]] = {
    "longest_run_range": ({"longest_run": {"seconds": 59}}, "longest_run", "2:00:00"),
    "settle_range": ({"settle": {"hours": 2}}, "settle", "0:05:00"),
    "shortest_pause_range": ({"shortest_pause": {"hours": 2}}, "shortest_pause", "0:05:00"),
    # From 7 cm to 30 cm of 0.9 L each: 20.7 L.
    "daily_volume_small": ({"daily_volume": 20}, "daily_volume", "41.4 L"),
    "daily_run_short": ({"daily_run": {"hours": 1}}, "daily_run", "4:00:00"),
    "device_is_input": ({"inputs": {"supply_empty_inputs": ["input_boolean.v"]}}, "inputs", ""),
    "entity_twice": (
        {"inputs": {"high_inputs": ["binary_sensor.f"], "leak_inputs": ["binary_sensor.f"]}},
        "inputs",
        "",
    ),
    "device_is_secondary": ({"layers": {"secondary": ["input_boolean.v"]}}, "layers", ""),
    "device_is_return_pump": ({"pump": {"return_pump": "input_boolean.v"}}, "pump", ""),
    "return_settle_range": ({"pump": {"return_settle": {"hours": 2}}}, "pump", "0:05:00"),
    "countdown_unit": ({"layers": {"countdown": "input_number.bare"}}, "layers", ""),
    "test_days_range": ({"tests": {"leak_test_days": 0.5}}, "tests", "90"),
}


@pytest.mark.parametrize("error", list(WRONG_LIMITS))
async def test_limits_that_cannot_protect_are_refused(
    hass: HomeAssistant, walk: Walk, error: str
) -> None:
    changes, field, works = WRONG_LIMITS[error]
    hass.states.async_set("input_number.bare", "5")
    await walk.open()
    await walk.send(ENDS | {"device": "input_boolean.v"})
    form = await walk.send(LIMITS | changes)
    assert form["errors"] == {field: error}
    if field in LIMITS:
        # The section with the fault stands open.
        assert form["data_schema"].schema[field].options["collapsed"] is False
    if works:
        assert walk.placeholders["works"] == works
    result = await walk.send(LIMITS)
    assert result["type"] is FlowResultType.CREATE_ENTRY


@pytest.mark.parametrize(
    ("typed", "error", "works"),
    [
        # 20.7 L at 0.27 L/min take 77 min; half as much again, in whole minutes, is about 115.
        ({"minutes": 60}, "longest_run_short", r"1:5\d:00"),
        # Twice the 30.6 L that it holds, at 0.27 L/min, takes 227 min.
        ({"hours": 5}, "longest_run_pours", r"1:5\d:00"),
    ],
)
async def test_the_learned_rate_bounds_the_longest_run(
    lab: Lab, check_form: Callable[[Any], None], *, typed: dict[str, int], error: str, works: str
) -> None:
    """The line has shown 3 mm a minute, 0.27 L, in one refill."""
    await lab.set_up(device="input_boolean.lagoon_valve")
    await lab.run([8.0] * 15)
    await lab.valve(on=True)
    await lab.run([round(8.0 + 0.3 * minute, 2) for minute in range(1, 40)])
    await lab.valve(on=False)
    await lab.run([19.7] * 12)
    walk = Walk(lab.hass, lab.entry, check_form, kind=SUBENTRY_FILL_LINE)
    ends = ENDS | {"device": "input_boolean.lagoon_valve"}
    await walk.open("lagoon_reservoir_fill_line")
    await walk.send(ends)
    form = await walk.send(LIMITS | {"longest_run": typed})
    assert form["errors"] == {"longest_run": error}
    assert re.fullmatch(works, walk.placeholders["works"])
    hours, minutes, seconds = map(int, walk.placeholders["works"].split(":"))
    works_time = {"hours": hours, "minutes": minutes, "seconds": seconds}
    result = await walk.send(LIMITS | {"longest_run": works_time})
    assert result["reason"] == "reconfigure_successful"
    await lab.hass.async_block_till_done()
    # Of a second line into the same vessel nobody knows the rate.
    await walk.open()
    await walk.send(ENDS | {"name": "Second line", "device": "switch.second"})
    assert (await walk.send(LIMITS | {"longest_run": typed}))["type"] is FlowResultType.CREATE_ENTRY
    await lab.hass.async_block_till_done()


async def test_reports_too_rare_for_automatic_filling_are_refused(
    lab: Lab, check_form: Callable[[Any], None]
) -> None:
    await lab.set_up()
    await lab.run([round(20.0 - 0.01 * step, 2) for step in range(12)], 3600)
    walk = Walk(lab.hass, lab.entry, check_form, kind=SUBENTRY_FILL_LINE)
    await walk.open()
    await walk.send(ENDS)
    form = await walk.send(LIMITS)
    assert form["errors"] == {"longest_run": "reports_too_slow"}
    # Four reports an hour apart are the least that can guard a run.
    assert walk.placeholders["figure"] == "1:00:00"
    assert walk.placeholders["works"] == "4:00:00"


async def test_a_level_that_may_be_old_is_refused(
    hass: HomeAssistant, walk: Walk, vessel: Callable[..., dict[str, Any]]
) -> None:
    reservoir = walk.entry.subentries["lagoon_reservoir"]
    for stale_s, error in ((2400, "stale_too_slow"), (43_200, "stale_too_slow_at_all")):
        hass.config_entries.async_update_subentry(
            walk.entry, reservoir, data=reservoir.data | {"stale_after_s": stale_s}
        )
        await hass.async_block_till_done()
        await walk.open()
        await walk.send(ENDS)
        assert (await walk.send(LIMITS))["errors"] == {"longest_run": error}


async def test_a_vessel_that_cannot_be_used_is_told(hass: HomeAssistant, walk: Walk) -> None:
    reservoir = walk.entry.subentries["lagoon_reservoir"]
    hass.config_entries.async_update_subentry(
        walk.entry, reservoir, data=reservoir.data | {"start_m": 0.5}
    )
    await hass.async_block_till_done()
    await walk.open()
    await walk.send(ENDS)
    form = await walk.send(LIMITS)
    assert form["errors"] == {"base": "destination_invalid"}
    # The full mark of the reservoir is 30 cm.
    assert walk.placeholders["why"] == (
        "the full mark must lie above the start mark (refill, top-off or batch due), which is 50 cm"
    )


async def test_own_entities_are_not_offered(hass: HomeAssistant, walk: Walk) -> None:
    registry = er.async_get(hass)
    own = registry.async_get_or_create("switch", DOMAIN, "x_rehearsal").entity_id
    form = await walk.open()
    assert own in form["data_schema"].schema["device"].config["exclude_entities"]
    with pytest.raises(InvalidData):
        await walk.send(ENDS | {"device": own})


async def test_a_device_taken_while_the_form_was_open(
    walk: Walk,
    add_system: Callable[..., MockConfigEntry],
    vessel: Callable[..., dict[str, Any]],
    line: Callable[..., dict[str, Any]],
) -> None:
    await walk.open()
    await walk.send(ENDS)
    add_system(
        "Nursery",
        vessel("Nursery reservoir", source="sensor.n"),
        line("nursery_reservoir", "Nursery line", device=VALVE),
    )
    result = await walk.send(LIMITS)
    assert result["reason"] == "already_configured"


async def test_a_newcomer_brings_its_line_with_a_free_name(
    hass: HomeAssistant,
    walk: Walk,
) -> None:
    """The reservoir's own form makes the vessel and, beside it, the line that fills it."""
    await walk.open()
    await walk.all(ENDS | {"name": "North fill line", "device": "switch.other"}, LIMITS)
    await hass.async_block_till_done()
    walk.kind = "reservoir"
    await walk.open()
    await walk.all(
        {"name": "North", "source": "sensor.north", "measure": "depth", "shape": "box"},
        {"length": 30, "width": 30, "height": 34},
        {"filling": {"fill_device": "switch.north"}, "signal": {}},
        {},
    )
    await hass.async_block_till_done()
    first, second = walk.entry.get_subentries_of_type(SUBENTRY_FILL_LINE)
    assert (first.title, second.title) == ("North fill line", "North fill line 2")
    north = next(s for s in walk.entry.subentries.values() if s.title == "North")
    assert second.data["destination"] == north.subentry_id
    assert walk.entry.runtime_data.lines[second.subentry_id].destination.title == "North"


async def test_a_newcomers_form_that_is_left_makes_nothing(hass: HomeAssistant, walk: Walk) -> None:
    walk.kind = "reservoir"
    await walk.open()
    await walk.all(
        {"name": "North", "source": "sensor.north", "measure": "depth", "shape": "box"},
        {"length": 30, "width": 30, "height": 34},
        {"filling": {"fill_device": "switch.north"}, "signal": {}},
    )
    hass.config_entries.subentries.async_abort(walk.form["flow_id"])
    assert len(walk.entry.subentries) == 2
