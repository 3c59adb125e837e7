"""Actions and diagnostics: right answers, and refusals that say why."""

import asyncio
import json
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.diagnostics import async_get_config_entry_diagnostics
from custom_components.stillwell.storage import VesselStore
from homeassistant.core import Context, HomeAssistant
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import area_registry as ar
from homeassistant.helpers import device_registry as dr
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util

from .conftest import fill_line, reservoir
from .lab import SOURCE, SQUARE_L_PER_CM, VALVE, Lab

if TYPE_CHECKING:
    from custom_components.stillwell.fill_line import FillLine
    from freezegun.api import FrozenDateTimeFactory

STEP_S = 300.0
CM_PER_STEP_AT_3_L_PER_DAY = 3.0 / SQUARE_L_PER_CM / 288.0


async def call(lab: Lab, action: str, **data: Any) -> dict[str, Any]:
    """Call an action on the reservoir and return its answer."""
    data.setdefault("entity_id", lab.state("volume").entity_id)
    response = await lab.hass.services.async_call(
        DOMAIN, action, data, blocking=True, return_response=True
    )
    (found,) = response.values()
    return found[0]


@pytest.fixture
async def used(lab: Lab) -> Lab:
    """A lab that has seen 3 L a day for a day and stands near 18 L."""
    await lab.set_up(empty_m=0.0)
    levels = [round(23.3 - step * CM_PER_STEP_AT_3_L_PER_DAY, 2) for step in range(288)]
    await lab.run(levels, STEP_S)
    return lab


async def test_the_forecast_answers_whether_it_lasts(used: Lab) -> None:
    now = dt_util.utcnow()
    soon = await call(used, "forecast", until=(now + timedelta(days=2)).isoformat())
    # 18 L at 3 L a day last six days (arithmetic).
    assert soon["vessel"] == "Lagoon reservoir"
    assert soon["probability"] > 0.95
    assert soon["likely_use_l"] == pytest.approx(6.0, rel=0.1)
    assert soon["add_for_95_percent_l"] == 0
    late = await call(used, "forecast", until=(now + timedelta(days=10)).isoformat())
    assert late["probability"] < 0.1
    assert late["likely_use_l"] == pytest.approx(30.0, rel=0.15)
    assert 8 < late["add_for_80_percent_l"] < late["add_for_95_percent_l"] < 30


async def test_a_time_without_zone_is_local(hass: HomeAssistant, used: Lab) -> None:
    await hass.config.async_set_time_zone("Europe/Berlin")
    until = dt_util.now() + timedelta(days=2)
    answer = await call(used, "forecast", until=until.replace(tzinfo=None).isoformat(" "))
    assert dt_util.parse_datetime(answer["until"]) == until.replace(microsecond=0)


async def test_a_forecast_of_the_past_is_refused(used: Lab) -> None:
    with pytest.raises(ServiceValidationError) as refused:
        await call(used, "forecast", until="2020-01-01 00:00:00")
    assert refused.value.translation_key == "forecast_past"


@pytest.mark.parametrize("zone", ["America/New_York", "Pacific/Auckland"])
@pytest.mark.parametrize(
    "until", ["9999-12-31 23:59:59", "9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00"]
)
async def test_the_ends_of_the_calendar_are_answered(
    hass: HomeAssistant, used: Lab, zone: str, until: str
) -> None:
    await hass.config.async_set_time_zone(zone)
    if until.startswith("9"):
        assert (await call(used, "forecast", until=until))["probability"] == 0.0
        return
    with pytest.raises(ServiceValidationError) as refused:
        await call(used, "forecast", until=until)
    assert refused.value.translation_key == "forecast_past"


async def test_today_ends_at_the_midnight_of_a_zone_the_hub_was_moved_to(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, lab: Lab
) -> None:
    """3 L a day; Auckland is 13 h ahead of UTC in summer (IANA), so its day began at 11:00 UTC."""
    await hass.config.async_set_time_zone("UTC")
    freezer.move_to("2026-03-02 12:00:00+00:00")
    await lab.set_up(empty_m=0.0)
    levels = iter([round(23.3 - step * CM_PER_STEP_AT_3_L_PER_DAY, 2) for step in range(300)])
    await lab.run([next(levels) for _ in range(96)], STEP_S)
    assert lab.value("used_today") == pytest.approx(1.0, abs=0.1)
    await hass.config.async_set_time_zone("Pacific/Auckland")
    await lab.run([next(levels) for _ in range(24)], STEP_S)
    # 22:00 UTC is 11:00 of the next day there: only what was used since the move stands on it.
    assert lab.value("used_today") == pytest.approx(0.25, abs=0.05)
    assert (await call(lab, "daily_use"))["days"][-1]["date"] == "2026-03-03"


async def test_a_forecast_before_anything_is_known_is_refused(lab: Lab) -> None:
    await lab.set_up()
    with pytest.raises(ServiceValidationError) as refused:
        await call(lab, "forecast", until="2099-01-01 00:00:00")
    assert refused.value.translation_key == "forecast_unknown"


async def test_other_entities_are_refused(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.level(20.0)
    with pytest.raises(ServiceValidationError) as refused:
        await call(lab, "decision_log", entity_id=SOURCE)
    assert refused.value.translation_key == "not_a_vessel"
    with pytest.raises(ServiceValidationError) as refused:
        await call(lab, "decision_log", entity_id="none")
    assert refused.value.translation_key == "no_vessel"
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    with pytest.raises(ServiceValidationError):
        await call(lab, "decision_log")


async def test_lock_out_needs_a_fill_line(lab: Lab) -> None:
    await lab.set_up()
    with pytest.raises(ServiceValidationError) as refused:
        await call(lab, "decision_log")
    assert refused.value.translation_key == "no_fill_line"
    for action, data in (("lock_out", {"reason": "test"}), ("reset_lockout", {})):
        with pytest.raises(ServiceValidationError) as refused:
            await lab.hass.services.async_call(
                DOMAIN, action, {"entity_id": lab.state("volume").entity_id, **data}, blocking=True
            )
        assert refused.value.translation_key == "no_fill_line"


SECOND = "input_boolean.second"


async def two_lines(hass: HomeAssistant, lab: Lab) -> list[FillLine]:
    """Two lines into the reservoir, both filling, and a sump that none leads into."""
    devices = {"input_boolean": {"lagoon_valve": None, "second": None}}
    assert await async_setup_component(hass, "input_boolean", devices)
    await lab.set_up(
        reservoir("Lagoon sump", source="sensor.lagoon_sump"),
        fill_line("lagoon_reservoir", "Second line", device=SECOND),
        device=VALVE,
    )
    await lab.settle()
    for device in (VALVE, SECOND):
        hass.states.async_set(device, "on", context=Context(parent_id="rule"))
    await hass.async_block_till_done()
    found = list(lab.entry.runtime_data.lines.values())
    assert [line.watch.phase for line in found] == ["filling", "filling"]
    return found


async def test_a_lockout_of_an_area_takes_all_its_lines(hass: HomeAssistant, lab: Lab) -> None:
    """A vessel without a line in the same area is no reason to lock nobody out."""
    found = await two_lines(hass, lab)
    area = ar.async_get(hass).async_create("Fish room")
    registry = dr.async_get(hass)
    for device in dr.async_entries_for_config_entry(registry, lab.entry.entry_id):
        registry.async_update_device(device.id, area_id=area.id)
    await hass.services.async_call(
        DOMAIN, "lock_out", {"area_id": area.id, "reason": "wet"}, blocking=True
    )
    assert all(line.watch.is_locked_out for line in found)


async def test_an_area_without_a_line_is_told(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    area = ar.async_get(hass).async_create("Fish room")
    registry = dr.async_get(hass)
    for device in dr.async_entries_for_config_entry(registry, lab.entry.entry_id):
        registry.async_update_device(device.id, area_id=area.id)
    with pytest.raises(ServiceValidationError) as refused:
        await hass.services.async_call(
            DOMAIN, "lock_out", {"area_id": area.id, "reason": "wet"}, blocking=True
        )
    assert refused.value.translation_key == "no_fill_line"


async def test_what_is_not_there_keeps_no_line_from_its_lockout(
    hass: HomeAssistant, lab: Lab
) -> None:
    """The lockout of a line that was removed, or whose system does not run, in a rule's list."""
    found = await two_lines(hass, lab)
    with pytest.raises(ServiceValidationError) as refused:
        await hass.services.async_call(
            DOMAIN,
            "lock_out",
            {
                "entity_id": ["binary_sensor.gone_lockout", lab.entity_id("lockout")],
                "reason": "wet",
            },
            blocking=True,
        )
    assert refused.value.translation_key == "not_a_vessel"
    assert [line.watch.is_locked_out for line in found] == [True, False]


async def test_no_line_waits_until_the_lockout_of_another_is_on_the_disk(
    hass: HomeAssistant, lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = await two_lines(hass, lab)
    disk = asyncio.Event()

    async def save(*_args: object) -> bool:
        return await disk.wait()

    monkeypatch.setattr(VesselStore, "async_save_now", save)
    asked = hass.async_create_task(
        hass.services.async_call(
            DOMAIN,
            "lock_out",
            {"entity_id": lab.state("volume").entity_id, "reason": "wet"},
            blocking=True,
        )
    )
    for _ in range(10):
        await asyncio.sleep(0)
    on = [line.watch.is_on for line in found]
    assert not asked.done()
    disk.set()
    await asked
    await hass.async_block_till_done()
    assert on == [False, False]


async def test_lock_out_and_reset_by_action(lab: Lab) -> None:
    await lab.set_up(device=VALVE)
    await lab.settle()
    target = {"entity_id": lab.state("lockout").entity_id}
    await lab.hass.services.async_call(
        DOMAIN, "lock_out", {**target, "reason": "hose off"}, blocking=True
    )
    assert lab.is_locked_out
    await lab.hass.services.async_call(DOMAIN, "reset_lockout", target, blocking=True)
    assert not lab.is_locked_out


async def test_accepting_the_use_ends_the_warning(used: Lab) -> None:
    level = 20.0
    # 1 L an hour on top of 3 L a day, for four hours.
    for _ in range(48):
        level -= (1.0 / 12 + 3.0 / 288) / SQUARE_L_PER_CM
        await used.run([round(level, 2)], STEP_S)
    assert used.state("unexplained_loss").state == "on"
    assert used.state("unexplained_loss").attributes["excess_per_hour"] == pytest.approx(1, rel=0.3)
    await used.hass.services.async_call(
        DOMAIN, "accept_use", {"entity_id": used.state("volume").entity_id}, blocking=True
    )
    assert used.state("unexplained_loss").state != "on"


async def test_diagnostics_tell_all_but_names(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device=VALVE)
    await lab.settle()
    told = await async_get_config_entry_diagnostics(hass, lab.entry)
    text = json.dumps(told, default=str)
    assert "Lagoon reservoir" not in text
    assert told["vessels"]["lagoon_reservoir"]["view"]["volume_l"] == pytest.approx(18, abs=0.1)
    assert told["lines"]["lagoon_reservoir_fill_line"]["guard"]["version"] == 1
    assert told["lines"]["lagoon_reservoir_fill_line"]["decisions"] == []
