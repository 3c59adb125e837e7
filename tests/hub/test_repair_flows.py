"""Fixes from a notice: another entity, another measure, a proof test passed, a file put away."""

from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN
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


async def test_a_level_that_is_reported_too_rarely_is_told(hass: HomeAssistant, lab: Lab) -> None:
    """A run of ten minutes cannot be guarded by a report each five."""
    await lab.set_up(device=VALVE, longest_run_s=600)
    assert told(hass, "reports_too_slow") == []
    for i in range(40):
        await lab.wait(300)
        await lab.level(20.0 - 0.01 * i)
    await lab.wait(31)
    (issue_id,) = told(hass, "reports_too_slow")
    issue = ir.async_get(hass).async_get_issue(DOMAIN, issue_id)
    assert float(issue.translation_placeholders["interval"]) == pytest.approx(300.0, abs=1.0)
    # A line that may take longer is guarded well enough by the same reports.
    await lab.change("fill_line", longest_run_s=7200.0)
    for i in range(10):
        await lab.wait(300)
        await lab.level(19.6 - 0.01 * i)
    await lab.wait(31)
    assert told(hass, "reports_too_slow") == []
