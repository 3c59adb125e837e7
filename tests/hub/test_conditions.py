"""Conditions of our own, as the hub makes and asks them."""

from datetime import timedelta
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import pytest
import voluptuous as vol
from custom_components.stillwell.condition import CONDITIONS
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.trigger import TRIGGERS
from homeassistant.components.automation import DOMAIN as AUTOMATION
from homeassistant.const import STATE_UNAVAILABLE
from homeassistant.helpers import condition as condition_helper
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util

from .conftest import fill_line, reservoir
from .lab import SOURCE
from .test_reservoir import EVERY_S, falling

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

    from .lab import Lab

DEVICE = "input_boolean.lagoon_valve"


async def passes(hass: HomeAssistant, name: str, target: Any, **options: Any) -> bool:
    """Return what a condition says now."""
    config = {"condition": f"{DOMAIN}.{name}", "target": target, "options": options}
    checked = await condition_helper.async_validate_condition_config(hass, config)
    checker = await condition_helper.async_from_config(hass, checked)
    answer = checker.async_check()
    checker.async_unload()
    return bool(answer)


def of_vessel(hass: HomeAssistant, lab: Lab, key: str = "volume") -> dict[str, Any]:
    """Return a target: the device of the reservoir, or of what has this entity."""
    return {"device_id": er.async_get(hass).async_get(lab.entity_id(key)).device_id}


async def test_permit_and_lockout_of_a_line(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device=DEVICE)
    target = of_vessel(hass, lab, "lockout")
    assert not await passes(hass, "is_permitted", target)
    await lab.settle()
    assert lab.is_permitted
    assert await passes(hass, "is_permitted", target)
    assert not await passes(hass, "is_locked_out", target)
    await lab.line.async_lock_out("a hose came off")
    assert not await passes(hass, "is_permitted", target)
    assert await passes(hass, "is_locked_out", target)
    assert not await passes(hass, "is_locked_out", target, **{"for": {"minutes": 5}})
    await lab.run([20.0] * 6)
    assert await passes(hass, "is_locked_out", target, **{"for": {"minutes": 5}})


async def test_all_of_none_permits_nothing(hass: HomeAssistant, lab: Lab) -> None:
    """A vessel without a fill line has no guard that could permit anything."""
    await lab.set_up()
    target = of_vessel(hass, lab)
    for behavior in ("any", "all"):
        assert not await passes(hass, "is_permitted", target, behavior=behavior)
        assert not await passes(hass, "is_locked_out", target, behavior=behavior)


async def test_an_entity_that_never_counts_is_refused(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device=DEVICE)
    target = {"entity_id": [lab.entity_id("fill"), lab.entity_id("permit")]}
    with pytest.raises(vol.Invalid, match="never counts"):
        await CONDITIONS["is_permitted"].async_validate_config(hass, {"target": target})


async def test_what_is_refused_is_told_in_the_hubs_language(hass: HomeAssistant, lab: Lab) -> None:
    """Where no system is set up yet, too: then nobody has loaded the texts."""
    hass.config.language = "de"
    options = {"until": "2030-01-01 00:00:00", "lasts": {"days": 1}}
    given = {"target": {"entity_id": "sensor.any"}, "options": options}
    with pytest.raises(vol.Invalid, match="entweder until oder lasts angeben"):
        await CONDITIONS["will_last"].async_validate_config(hass, given)
    await lab.set_up(device=DEVICE)
    wrong = lab.entity_id("fill")
    target = {"entity_id": [wrong, lab.entity_id("permit")]}
    with pytest.raises(vol.Invalid, match=f"diese Bedingung zählt {wrong} nie mit"):
        await CONDITIONS["is_permitted"].async_validate_config(hass, {"target": target})
    with pytest.raises(vol.Invalid, match=f"dieser Auslöser feuert nie für {wrong}"):
        await TRIGGERS["locked_out"].async_validate_config(hass, {"target": {"entity_id": wrong}})


async def test_water_lasts_as_long_as_arithmetic_says(hass: HomeAssistant, lab: Lab) -> None:
    """3 L a day from 20 cm: after 12 h 16.5 L are there, 14.7 L usable, 4.9 days (arithmetic)."""
    await lab.set_up()
    await lab.run(falling(12), EVERY_S)
    target = of_vessel(hass, lab)
    assert await passes(hass, "will_last", target, lasts={"days": 2})
    assert not await passes(hass, "will_last", target, lasts={"days": 9})
    # Beyond the calendar of the hub's dates, which ends with the year 9999.
    assert not await passes(hass, "will_last", target, lasts={"days": 3_000_000})
    # Even odds at the likely moment itself, within the tenth that half a day of use leaves.
    assert await passes(hass, "will_last", target, lasts={"days": 4.9 * 0.9}, certainty=50)
    assert not await passes(hass, "will_last", target, lasts={"days": 4.9 * 1.1}, certainty=50)
    # What is likely enough at 50 % is not at 99 %.
    assert not await passes(hass, "will_last", target, lasts={"days": 4.9 * 0.9}, certainty=99)
    # A moment without a zone is local time.
    local = dt_util.now().replace(tzinfo=None)
    for days, answer in ((2, True), (9, False), (-1, False)):
        until = (local + timedelta(days=days)).isoformat(" ", "seconds")
        assert await passes(hass, "will_last", target, until=until) is answer
    aware = (dt_util.utcnow() + timedelta(days=2)).isoformat()
    assert await passes(hass, "will_last", target, until=aware)


async def test_the_default_certainty_is_that_of_the_bounds(hass: HomeAssistant, lab: Lab) -> None:
    """`early` leaves one in ten below it, `likely` one in two: 80 % lies between (normal law)."""
    await lab.set_up()
    await lab.run(falling(24), EVERY_S)
    target = of_vessel(hass, lab)
    bounds = lab.runtime.view.empty_at
    now_s = dt_util.utcnow().timestamp()
    assert NormalDist().cdf(1.2816) == pytest.approx(0.9, abs=1e-4)
    for moment_s, answer in ((bounds.early, True), (bounds.likely, False)):
        seconds = moment_s - now_s
        assert await passes(hass, "will_last", target, lasts={"seconds": seconds}) is answer


async def test_what_is_not_known_does_not_last(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(reservoir("Lagoon spare", source="sensor.lagoon_spare"), device=DEVICE)
    target = of_vessel(hass, lab)
    assert not await passes(hass, "will_last", target, lasts={"minutes": 1})
    await lab.run(falling(12), EVERY_S)
    assert await passes(hass, "will_last", target, lasts={"days": 1})
    spare = {"device_id": er.async_get(hass).async_get("sensor.lagoon_spare_volume").device_id}
    both = {"device_id": [target["device_id"], spare["device_id"]]}
    assert not await passes(hass, "will_last", both, lasts={"days": 1})
    assert await passes(hass, "will_last", both, lasts={"days": 1}, behavior="any")
    # A line, another's entity or nothing at all is no vessel.
    line = of_vessel(hass, lab, "lockout")
    for nobody in (line, {"entity_id": [SOURCE, "sensor.nobody"]}):
        assert not await passes(hass, "will_last", nobody, lasts={"minutes": 1})
    hass.states.async_set(SOURCE, STATE_UNAVAILABLE)
    await lab.wait(3600.0)
    assert lab.runtime.view.volume_l is None
    assert not await passes(hass, "will_last", target, lasts={"minutes": 1})


async def test_will_last_takes_one_end_only(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    check = CONDITIONS["will_last"].async_validate_config
    target = of_vessel(hass, lab)
    for options in ({}, {"until": "2030-01-01 00:00:00", "lasts": {"days": 1}}):
        with pytest.raises(vol.Invalid, match="either"):
            await check(hass, {"target": target, "options": options})
    for wrong in (49, 100):
        with pytest.raises(vol.Invalid):
            await check(
                hass,
                {"target": target, "options": {"lasts": {"days": 1}, "certainty": wrong}},
            )


async def test_an_unloaded_system_answers_nothing(hass: HomeAssistant, lab: Lab) -> None:
    entry = await lab.set_up(fill_line(title="Second"))
    await lab.run(falling(12), EVERY_S)
    target = {"entity_id": lab.entity_id("volume")}
    assert await passes(hass, "will_last", target, lasts={"days": 1})
    assert await hass.config_entries.async_unload(entry.entry_id)
    assert not await passes(hass, "will_last", target, lasts={"days": 1})


async def test_an_automation_uses_them(hass: HomeAssistant, lab: Lab) -> None:
    heard: list[Any] = []

    async def note(call: Any) -> None:
        heard.append(call)

    hass.services.async_register("test", "told", note)
    await lab.set_up(device=DEVICE)
    await lab.settle()
    assert await async_setup_component(
        hass,
        AUTOMATION,
        {
            AUTOMATION: {
                "triggers": {"trigger": "event", "event_type": "ask"},
                "conditions": {
                    "condition": "stillwell.is_permitted",
                    "target": {"entity_id": lab.entity_id("permit")},
                },
                "actions": {"action": "test.told"},
            }
        },
    )
    hass.bus.async_fire("ask")
    await hass.async_block_till_done()
    assert len(heard) == 1
    await lab.line.async_lock_out("a hose came off")
    hass.bus.async_fire("ask")
    await hass.async_block_till_done()
    assert len(heard) == 1


async def test_the_hub_describes_what_we_register(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    described = await condition_helper.async_get_all_descriptions(hass)
    ours = {key for key in described if key.startswith(f"{DOMAIN}.")}
    assert ours == {f"{DOMAIN}.{name}" for name in CONDITIONS}
    assert all(described[key]["target"]["entity"] for key in ours)
