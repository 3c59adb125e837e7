"""Daily report: the shipped YAML in the real automation engine, with the action faked and real."""

from typing import TYPE_CHECKING, Any, Final

import pytest
from custom_components.stillwell.const import CONFIG_MINOR_VERSION, CONFIG_VERSION, DOMAIN
from homeassistant.core import SupportsResponse
from homeassistant.exceptions import ServiceValidationError
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import (
    MockConfigEntry,
    async_fire_time_changed,
    async_mock_service,
)

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant, ServiceCall

    from .conftest import Bench

FILE: Final = "stillwell_daily_report.yaml"
QUIET: Final = {
    "systems": [
        {
            "system": "Lagoon",
            "lines": [{"topic": "used", "text": "Used: 3 litres", "numbers": {"litres": 3.0}}],
            "text": "Lagoon, the last 24 hours\nNothing needs a hand.\nUsed: 3 litres",
        }
    ],
    "text": "Lagoon, the last 24 hours\nNothing needs a hand.\nUsed: 3 litres",
}
BUSY: Final = {
    "systems": [
        *QUIET["systems"],
        {
            "system": "Nursery",
            "lines": [{"topic": "test_due", "text": "Test: Floor, overdue", "numbers": {}}],
            "text": "Nursery, the last 24 hours\nTest: Floor, overdue",
        },
    ],
    "text": "both",
}


def fake(hass: HomeAssistant, answer: dict[str, Any]) -> list[ServiceCall]:
    """Answer the action with a report."""
    only = SupportsResponse.ONLY
    return async_mock_service(hass, DOMAIN, "daily_report", response=answer, supports_response=only)


async def at(bench: Bench, moment: str) -> None:
    """Move the clock to a moment: 2026-03-10 is a Tuesday."""
    to = dt_util.parse_datetime(moment)
    bench.freezer.move_to(to)
    async_fire_time_changed(bench.hass, to)
    await bench.settle()


async def test_every_day_at_the_chosen_time(bench: Bench, phone: str) -> None:
    await bench.hass.config.async_set_time_zone("UTC")
    asked = fake(bench.hass, QUIET)
    inputs = {
        "at": "09:30:00", "phones": [phone], "notify_entities": ["notify.lab_desk"],
        "own_steps": [{"action": "test.own_step", "data": {"text": "{{ text }}"}}],
    }  # fmt: skip
    await bench.load(FILE, inputs)
    await at(bench, "2026-03-10T09:29:59+00:00")
    assert not asked
    await at(bench, "2026-03-10T09:30:00+00:00")
    assert [call.data for call in asked] == [{}]
    (sent,) = bench.phone
    assert sent.data["message"] == QUIET["text"]
    assert sent.data["data"] == {"tag": "stillwell_daily_report"}
    (sent,) = bench.messages
    assert sent.data == {"entity_id": ["notify.lab_desk"], "message": QUIET["text"]}
    (sent,) = bench.own
    assert sent.data["text"] == QUIET["text"]
    await at(bench, "2026-03-11T09:30:00+00:00")
    assert len(bench.phone) == 2
    assert bench.commands == []


async def test_only_on_chosen_days_and_of_chosen_systems(bench: Bench, phone: str) -> None:
    await bench.hass.config.async_set_time_zone("UTC")
    asked = fake(bench.hass, QUIET)
    entities = ["sensor.lagoon_reservoir_volume"]
    inputs = {"at": "09:30:00", "days": ["wed"], "entities": entities, "phones": [phone]}
    await bench.load(FILE, inputs)
    await at(bench, "2026-03-10T09:30:00+00:00")
    assert not asked
    await at(bench, "2026-03-11T09:30:00+00:00")
    assert [call.data for call in asked] == [{"entity_id": entities}]
    assert len(bench.phone) == 1


@pytest.mark.parametrize(("answer", "count"), [(QUIET, 0), (BUSY, 1)], ids=["quiet", "busy"])
async def test_only_if_something_needs_a_hand(
    bench: Bench, phone: str, answer: dict[str, Any], count: int
) -> None:
    await bench.hass.config.async_set_time_zone("UTC")
    asked = fake(bench.hass, answer)
    await bench.load(FILE, {"phones": [phone], "only_if_needed": True})
    await at(bench, "2026-03-11T08:00:00+00:00")
    assert len(asked) == 1
    assert len(bench.phone) == count


async def test_a_report_that_fails_is_told(bench: Bench, phone: str) -> None:
    await bench.hass.config.async_set_time_zone("UTC")
    async_mock_service(
        bench.hass, DOMAIN, "daily_report", supports_response=SupportsResponse.ONLY,
        raise_exception=ServiceValidationError("no system"),
    )  # fmt: skip
    await bench.load(FILE, {"phones": [phone], "only_if_needed": True})
    await at(bench, "2026-03-11T08:00:00+00:00")
    (sent,) = bench.phone
    assert sent.data["message"] == "The water report could not be made."


async def test_run_by_hand_sends_on_any_day(bench: Bench, phone: str) -> None:
    fake(bench.hass, QUIET)
    await bench.load(FILE, {"phones": [phone], "days": []})
    await bench.hass.services.async_call(
        "automation", "trigger", {"entity_id": "automation.a0", "skip_condition": False},
        blocking=True,
    )  # fmt: skip
    await bench.settle()
    assert len(bench.phone) == 1


@pytest.mark.usefixtures("enable_custom_integrations")
async def test_with_the_real_action(bench: Bench, phone: str) -> None:
    hass = bench.hass
    await hass.config.async_set_time_zone("UTC")
    assert await async_setup_component(hass, "homeassistant", {})
    entry = MockConfigEntry(
        domain=DOMAIN, title="Nursery", version=CONFIG_VERSION, minor_version=CONFIG_MINOR_VERSION,
        data={"volume_l": 120.0, "salinity_psu": 33.0},
    )  # fmt: skip
    entry.add_to_hass(hass)
    assert await hass.config_entries.async_setup(entry.entry_id)
    await bench.load(FILE, {"phones": [phone]})
    await at(bench, "2026-03-11T08:00:00+00:00")
    (sent,) = bench.phone
    assert sent.data["message"].splitlines() == [
        "Nursery, the last 24 hours",
        "Nothing is known of it yet.",
    ]
