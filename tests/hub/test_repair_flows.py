"""Fixes from a notice: another entity, another measure, a proof test passed, a file put away."""

from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.engine.pipeline import VesselModel
from homeassistant.const import STATE_UNAVAILABLE
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir

from .lab import FLOAT, SOURCE, VALVE, Lab
from .test_blueprint_install import answer_fix, open_fix

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

NEW = "sensor.new_strip"


def told(hass: HomeAssistant, key: str) -> list[str]:
    """Return the notices of a kind."""
    return [
        issue.issue_id
        for issue in ir.async_get(hass).issues.values()
        if issue.domain == DOMAIN and issue.translation_key == key
    ]


async def fix(hass: HomeAssistant, key: str, answer: dict[str, Any]) -> dict[str, Any]:
    """Open the only notice of a kind and answer its form."""
    (issue_id,) = told(hass, key)
    form = await open_fix(hass, issue_id)
    assert form["type"] == "form"
    done = await answer_fix(hass, form, answer)
    await hass.async_block_till_done(wait_background_tasks=True)
    return dict(done)


@pytest.fixture
async def gone(hass: HomeAssistant, lab: Lab) -> Lab:
    """A reservoir whose level source was removed from the hub."""
    registry = er.async_get(hass)
    registry.async_get_or_create("sensor", "lab", "1", suggested_object_id="lagoon_level")
    hass.states.async_set(FLOAT, "off")
    await lab.set_up(device=VALVE, high_inputs=[FLOAT])
    await lab.settle()
    registry.async_remove(SOURCE)
    hass.states.async_remove(SOURCE)
    await hass.async_block_till_done()
    return lab


async def test_another_source_takes_the_place_and_nothing_is_lost(
    hass: HomeAssistant, gone: Lab
) -> None:
    before = gone.entry.get_subentries_of_type("reservoir")[0].data
    hass.states.async_set(NEW, "20.0", {"unit_of_measurement": "cm"})
    done = await fix(hass, "source_missing", {"entity": NEW})
    assert done["type"] == "create_entry"
    after = gone.entry.get_subentries_of_type("reservoir")[0].data
    assert dict(after) == dict(before) | {"source": NEW}
    assert told(hass, "source_missing") == []
    gone.source = NEW
    await gone.settle(20.0)
    # A box of 30 cm by 30 cm holds 0.9 L for each centimetre.
    assert gone.value("volume") == pytest.approx(18.0, abs=0.05)


async def test_a_source_that_cannot_be_is_refused_and_asked_for_again(
    hass: HomeAssistant, gone: Lab, add_system: Any, vessel: Any
) -> None:
    hass.states.async_set("sensor.sump", "20.0", {"unit_of_measurement": "cm"})
    add_system("Nursery", vessel("Nursery reservoir", source="sensor.sump"))
    again = await fix(hass, "source_missing", {"entity": "sensor.nowhere"})
    assert (again["type"], again["errors"]) == ("form", {"entity": "not_there"})
    again = await answer_fix(hass, again, {"entity": "sensor.sump"})
    assert (again["type"], again["errors"]) == ("form", {"entity": "taken"})
    hass.states.async_set(NEW, "20.0", {"unit_of_measurement": "cm"})
    assert (await answer_fix(hass, again, {"entity": NEW}))["type"] == "create_entry"


async def test_another_device_or_input_takes_the_place(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device="switch.old", high_inputs=["binary_sensor.old", FLOAT])
    hass.states.async_set(FLOAT, "off")
    hass.states.async_set("binary_sensor.new", "off")
    hass.states.async_set("valve.new", "closed")
    for old, new in (("binary_sensor.old", "binary_sensor.new"), ("switch.old", "valve.new")):
        (issue_id,) = [one for one in told(hass, "actuator_missing") if one.endswith(old)]
        form = await open_fix(hass, issue_id)
        assert (await answer_fix(hass, form, {"entity": new}))["type"] == "create_entry"
        await hass.async_block_till_done(wait_background_tasks=True)
    data = lab.entry.get_subentries_of_type("fill_line")[0].data
    assert data["device"] == "valve.new"
    assert data["high_inputs"] == ["binary_sensor.new", FLOAT]
    assert told(hass, "actuator_missing") == []


async def test_a_device_of_another_line_is_refused(hass: HomeAssistant, lab: Lab) -> None:
    other = {
        "data": {"destination": "lagoon_reservoir", "device": VALVE},
        "subentry_id": "second", "subentry_type": "fill_line", "title": "Second",
        "unique_id": None,
    }  # fmt: skip
    await lab.set_up(other, device="switch.old")
    again = await fix(hass, "actuator_missing", {"entity": VALVE})
    assert again["errors"] == {"entity": "taken"}


async def test_what_was_removed_meanwhile_cannot_be_mended(hass: HomeAssistant, gone: Lab) -> None:
    (issue_id,) = told(hass, "source_missing")
    form = await open_fix(hass, issue_id)
    vessel = gone.entry.get_subentries_of_type("reservoir")[0]
    hass.config_entries.async_remove_subentry(gone.entry, vessel.subentry_id)
    hass.states.async_set(NEW, "20.0", {"unit_of_measurement": "cm"})
    done = await answer_fix(hass, form, {"entity": NEW})
    assert (done["type"], done["reason"]) == ("abort", "removed")
    await hass.async_block_till_done()  # the entry reloads without the vessel


async def test_another_unit_is_another_measure(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.settle(count=3)
    lab.unit = "%"
    await lab.level(50.0)
    done = await fix(hass, "unit_changed", {"measure": "percent_volume"})
    assert done["type"] == "create_entry"
    assert told(hass, "unit_changed") == []
    await lab.settle(50.0)
    # Half of a box of 30 cm by 30 cm that is 34 cm high.
    assert lab.value("volume") == pytest.approx(0.5 * 30.6, abs=0.1)


async def test_a_unit_that_fits_nothing_is_said(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.settle(count=3)
    lab.unit = "kg"
    await lab.level(20.0)
    (issue_id,) = told(hass, "unit_changed")
    said = await open_fix(hass, issue_id)
    assert (said["type"], said["reason"]) == ("abort", "unit_fits_nothing")
    assert said["description_placeholders"]["unit"] == "kg"


async def test_a_measure_of_a_vessel_that_is_gone(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.settle(count=3)
    lab.unit = "%"
    await lab.level(50.0)
    (issue_id,) = told(hass, "unit_changed")
    form = await open_fix(hass, issue_id)
    vessel = lab.entry.get_subentries_of_type("reservoir")[0]
    hass.config_entries.async_remove_subentry(lab.entry, vessel.subentry_id)
    done = await answer_fix(hass, form, {"measure": "percent"})
    assert (done["type"], done["reason"]) == ("abort", "removed")


async def test_a_test_that_was_made_is_noted_from_the_notice(hass: HomeAssistant, lab: Lab) -> None:
    hass.states.async_set(FLOAT, "off")
    await lab.set_up(device=VALVE, high_inputs=[FLOAT], high_test_days=30)
    await lab.wait(31 * 86400)
    done = await fix(hass, "proof_test_overdue", {})
    assert done["type"] == "create_entry"
    assert told(hass, "proof_test_overdue") == []
    (test,) = lab.line.proof_tests.tests.values()
    assert test.due_s - lab.freezer.time_to_freeze.timestamp() == pytest.approx(30 * 86400, abs=200)
    await lab.wait(31 * 86400)
    (issue_id,) = told(hass, "proof_test_overdue")
    form = await open_fix(hass, issue_id)
    await hass.config_entries.async_unload(lab.entry.entry_id)
    done = await answer_fix(hass, form, {})
    assert (done["type"], done["reason"]) == ("abort", "removed")


async def rare_reports(lab: Lab, **changes: Any) -> None:
    """Have a line of ten minutes, and a level that is reported each five."""
    await lab.set_up(device=VALVE, longest_run_s=600, **changes)
    assert told(lab.hass, "reports_too_slow") == []
    for i in range(40):
        await lab.wait(300)
        await lab.level(20.0 - 0.01 * i)
    await lab.wait(31)


async def test_a_level_that_is_reported_too_rarely_is_told(hass: HomeAssistant, lab: Lab) -> None:
    """A run of ten minutes cannot be guarded by a report each five."""
    await rare_reports(lab)
    (issue_id,) = told(hass, "reports_too_slow")
    issue = ir.async_get(hass).async_get_issue(DOMAIN, issue_id)
    said = issue.translation_placeholders
    # At least four reports in ten minutes: one each 150 s.
    assert (said["interval"], said["at_least"]) == ("5 min", "2 min 30 s")
    # A line that may take longer is guarded well enough by the same reports.
    await lab.change("fill_line", longest_run_s=7200.0)
    for i in range(10):
        await lab.wait(300)
        await lab.level(19.6 - 0.01 * i)
    await lab.wait(31)
    assert told(hass, "reports_too_slow") == []


async def begin_fix(hass: HomeAssistant, choice: str) -> dict[str, Any]:
    """Open the notice of rare reports and choose what shall be done."""
    (issue_id,) = told(hass, "reports_too_slow")
    menu = await open_fix(hass, issue_id)
    assert menu["type"] == "menu"
    said = menu["description_placeholders"]
    assert (said["interval"], said["at_least"]) == ("5 min", "2 min 30 s")
    return dict(await answer_fix(hass, menu, {"next_step_id": choice}))


async def test_a_longer_run_is_set_knowingly(hass: HomeAssistant, lab: Lab) -> None:
    """Four reports of 300 s are the least of a run: 1200 s, in whole minutes 20 min."""
    await rare_reports(lab)
    form = await begin_fix(hass, "longer_run")
    said = form["description_placeholders"]
    assert (form["step_id"], said["run"], said["works"]) == ("longer_run", "10 min", "20 min")
    assert said["water"] == "an amount that is not known yet"
    assert (await answer_fix(hass, form, {}))["type"] == "create_entry"
    await hass.async_block_till_done(wait_background_tasks=True)
    assert lab.entry.get_subentries_of_type("fill_line")[0].data["longest_run_s"] == 1200.0
    for i in range(6):
        await lab.wait(300)
        await lab.level(19.6 - 0.01 * i)
    await lab.wait(31)
    assert told(hass, "reports_too_slow") == []
    assert lab.watch.block_reason is None


async def test_what_is_poured_between_two_reports_is_told(hass: HomeAssistant, lab: Lab) -> None:
    """At 0.03 L/s, 9 L run in 300 s; a whole fill of 20.7 L takes less than the 20 minutes."""
    await rare_reports(lab)
    with patch.object(VesselModel, "learned_fill_l_per_s", 0.03):
        form = await begin_fix(hass, "longer_run")
    assert form["description_placeholders"]["water"] == "9.0 L"


async def test_a_longer_run_drops_an_oldest_report_that_could_not_be_met(
    hass: HomeAssistant, lab: Lab
) -> None:
    await rare_reports(lab, stale_after_s=400)
    form = await begin_fix(hass, "longer_run")
    await answer_fix(hass, form, {})
    await hass.async_block_till_done(wait_background_tasks=True)
    assert "stale_after_s" not in lab.entry.get_subentries_of_type("reservoir")[0].data


async def test_a_longer_run_is_not_offered_against_another_limit(
    hass: HomeAssistant, lab: Lab
) -> None:
    """A line that may be on for 15 minutes a day cannot have a run of 20."""
    await rare_reports(lab, daily_run_s=900)
    (issue_id,) = told(hass, "reports_too_slow")
    menu = await open_fix(hass, issue_id)
    assert menu["menu_options"] == ["other_source", "learn_anew"]


async def test_another_source_reports_oftener(hass: HomeAssistant, lab: Lab) -> None:
    await rare_reports(lab)
    form = await begin_fix(hass, "other_source")
    assert form["step_id"] == "other_source"
    again = await answer_fix(hass, form, {"entity": "sensor.nowhere"})
    assert (again["step_id"], again["errors"]) == ("other_source", {"entity": "not_there"})
    hass.states.async_set(NEW, "19.6", {"unit_of_measurement": "cm"})
    assert (await answer_fix(hass, again, {"entity": NEW}))["type"] == "create_entry"
    await hass.async_block_till_done(wait_background_tasks=True)
    lab.source = NEW
    for i in range(12):
        await lab.wait(60)
        await lab.level(19.6 - 0.01 * i)
    await lab.wait(31)
    assert lab.runtime.settings.source == NEW
    assert told(hass, "reports_too_slow") == []
    assert lab.watch.block_reason is None


async def test_the_interval_is_learned_anew_and_nothing_fills_meanwhile(
    hass: HomeAssistant, lab: Lab
) -> None:
    await rare_reports(lab)
    used = lab.runtime.view.total_used_l
    form = await begin_fix(hass, "learn_anew")
    assert (await answer_fix(hass, form, {}))["type"] == "create_entry"
    await lab.wait(31)
    assert lab.runtime.view.interval_s is None
    assert not lab.watch.is_permitted
    # Not told while nobody knows whether it is so.
    assert told(hass, "reports_too_slow") == []
    for i in range(12):
        await lab.wait(60)
        await lab.level(19.6 - 0.01 * i)
    await lab.wait(31)
    assert lab.watch.block_reason is None
    assert told(hass, "reports_too_slow") == []
    assert lab.runtime.view.total_used_l >= used


async def test_reports_that_stay_rare_are_told_again(hass: HomeAssistant, lab: Lab) -> None:
    await rare_reports(lab)
    form = await begin_fix(hass, "learn_anew")
    await answer_fix(hass, form, {})
    for i in range(12):
        await lab.wait(300)
        await lab.level(19.6 - 0.01 * i)
    await lab.wait(31)
    assert len(told(hass, "reports_too_slow")) == 1


async def test_the_interval_is_not_forgotten_while_water_runs(
    hass: HomeAssistant, lab: Lab
) -> None:
    await rare_reports(lab)
    form = await begin_fix(hass, "learn_anew")
    hass.states.async_set(VALVE, STATE_UNAVAILABLE)
    await hass.async_block_till_done()
    done = await answer_fix(hass, form, {})
    assert (done["type"], done["reason"]) == ("abort", "not_at_rest")
    assert done["description_placeholders"]["vessel"] == "Lagoon reservoir"
    assert lab.runtime.view.interval_s == pytest.approx(300.0, abs=1.0)


@pytest.mark.parametrize("choice", ["learn_anew", "longer_run"])
async def test_a_line_that_stands_still_is_not_mended(
    hass: HomeAssistant, lab: Lab, choice: str
) -> None:
    await rare_reports(lab)
    (issue_id,) = told(hass, "reports_too_slow")
    form = await begin_fix(hass, choice)
    await hass.config_entries.async_unload(lab.entry.entry_id)
    done = await answer_fix(hass, form, {})
    assert (done["type"], done["reason"]) == ("abort", "removed")
    again = await open_fix(hass, issue_id)
    assert (again["type"], again["reason"]) == ("abort", "removed")
