"""Actions and diagnostics: right answers, and refusals that say why."""

import json
from datetime import timedelta
from typing import Any

import pytest
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.diagnostics import async_get_config_entry_diagnostics
from homeassistant.core import HomeAssistant
from homeassistant.exceptions import ServiceValidationError
from homeassistant.util import dt as dt_util

from .lab import SOURCE, SQUARE_L_PER_CM, VALVE, Lab

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
