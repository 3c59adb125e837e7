"""Notify alarms: the shipped YAML in the real automation engine."""

from datetime import timedelta
from typing import Any

import pytest
from homeassistant.const import EVENT_HOMEASSISTANT_STARTED
from homeassistant.core import CoreState, HomeAssistant, ServiceCall
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component
from pytest_homeassistant_custom_component.common import MockConfigEntry, async_mock_service

from .conftest import LOCKOUT, Bench

FILE = "stillwell_notify_alarms.yaml"
LOSS = "binary_sensor.lagoon_reservoir_unexplained_loss"
LEAK = "binary_sensor.nursery_floor_leak"
SEEN = "input_boolean.alarms_seen"
SIREN = "switch.lab_siren"
SPEAKER = "media_player.lab_speaker"
ALARMS = {"alarms": [LOCKOUT, LOSS, LEAK]}
TAG = f"stillwell_{LOCKOUT}"


@pytest.fixture
def phones(hass: HomeAssistant, device_registry: dr.DeviceRegistry) -> list[str]:
    entry = MockConfigEntry(domain="mobile_app")
    entry.add_to_hass(hass)
    return [
        device_registry.async_get_or_create(
            config_entry_id=entry.entry_id, identifiers={("mobile_app", name)}, name=name
        ).id
        for name in ("Quay phone", "Lab tablet")
    ]


@pytest.fixture
def tablet(hass: HomeAssistant) -> list[ServiceCall]:
    return async_mock_service(hass, "notify", "mobile_app_lab_tablet")


async def alarm(bench: Bench, entity_id: str, state: str, **attributes: Any) -> None:
    kind = "moisture" if entity_id == LEAK else "problem"
    name = entity_id.partition(".")[2].replace("_", " ").capitalize()
    bench.set(entity_id, state, device_class=kind, friendly_name=name, **attributes)
    await bench.settle()


async def ready(bench: Bench, inputs: dict[str, Any]) -> None:
    assert await async_setup_component(bench.hass, "homeassistant", {})
    for entity_id in ALARMS["alarms"]:
        await alarm(bench, entity_id, "off")
    bench.set(SEEN, "off")
    bench.set(SIREN, "off")
    bench.set(SPEAKER, "idle")
    await bench.load(FILE, ALARMS | inputs)


async def press(bench: Bench, action: str) -> None:
    bench.hass.bus.async_fire("mobile_app_notification_action", {"action": action})
    await bench.settle()


def texts(calls: list[ServiceCall]) -> list[str]:
    return [call.data["message"] for call in calls]


async def test_one_notice_on_every_phone_updated_and_taken_back(
    bench: Bench, phones: list[str], tablet: list[ServiceCall]
) -> None:
    await ready(bench, {"phones": phones})
    await alarm(bench, LOCKOUT, "on", reason="longest_run")
    await bench.pass_time(7200, step=600)
    assert texts(bench.phone) == texts(tablet) == ["Longest run. Look on site."]
    await alarm(bench, LOCKOUT, "on", reason="stuck_on", reason_text="The valve does not shut")
    await alarm(bench, LOCKOUT, "on", reason="stuck_on", reason_text="The valve does not shut", x=1)
    assert texts(tablet)[1:] == ["The valve does not shut. Look on site."]
    await alarm(bench, LOCKOUT, "off")
    await bench.pass_time(3600, step=600)
    assert texts(tablet)[2:] == ["clear_notification"]
    assert {call.data["data"]["tag"] for call in bench.phone + tablet} == {TAG}


async def test_each_fault_has_a_notice_of_its_own(bench: Bench, phones: list[str]) -> None:
    await ready(bench, {"phones": phones[:1]})
    await alarm(bench, LOSS, "on")
    await alarm(bench, LEAK, "on")
    await alarm(bench, LOSS, "off")
    tags = [call.data["data"]["tag"] for call in bench.phone]
    assert tags == [f"stillwell_{LOSS}", f"stillwell_{LEAK}", f"stillwell_{LOSS}"]
    assert texts(bench.phone)[2] == "clear_notification"


@pytest.mark.parametrize(
    "case",
    [
        (LOCKOUT, "stuck_on", True),
        (LOCKOUT, "flow_while_off", True),
        (LOCKOUT, "high_input", True),
        (LOCKOUT, "leak", True),
        (LOCKOUT, "longest_run", False),
        (LOCKOUT, "no_rise", False),
        (LEAK, None, True),
        (LOSS, None, False),
    ],
)
@pytest.mark.parametrize("critical", [False, True])
async def test_critical_only_for_running_water_and_only_if_chosen(
    bench: Bench, phones: list[str], critical: bool, case: tuple[str, str | None, bool]
) -> None:
    entity_id, reason, urgent = case
    await ready(bench, {"phones": phones[:1], "critical": critical, "sirens": [SIREN]})
    await alarm(bench, entity_id, "on", reason=reason)
    assert ("push" in bench.phone[0].data["data"]) is (urgent and critical)
    assert bench.state(SIREN) == ("on" if urgent else "off")


async def test_reminders_come_if_chosen_and_stop_when_seen(bench: Bench, phones: list[str]) -> None:
    await ready(bench, {"phones": phones[:1], "reminder": 30, "seen_toggle": [SEEN]})
    await alarm(bench, LOCKOUT, "on", reason="no_rise")
    await bench.pass_time(2 * 3600)
    assert texts(bench.phone) == ["No rise. Look on site."] * 4
    await press(bench, f"STILLWELL_SEEN_{LOCKOUT}")
    assert bench.state(SEEN) == "on"
    assert texts(bench.phone)[4:] == ["clear_notification"]
    await bench.pass_time(2 * 3600)
    assert len(bench.phone) == 5


async def test_a_new_alarm_is_not_seen(bench: Bench, phones: list[str]) -> None:
    await ready(bench, {"phones": phones[:1], "seen_toggle": [SEEN], "sirens": [SIREN]})
    await alarm(bench, LOSS, "on")
    await press(bench, f"STILLWELL_SEEN_{LOSS}")
    assert bench.state(SEEN) == "on"
    await alarm(bench, LEAK, "on")
    assert bench.state(SEEN) == "off"
    assert bench.state(SIREN) == "on"


async def test_seen_is_forgotten_when_all_is_over(bench: Bench) -> None:
    await ready(bench, {"seen_toggle": [SEEN]})
    await alarm(bench, LOSS, "on")
    await press(bench, f"STILLWELL_SEEN_{LOSS}")
    await alarm(bench, LOSS, "unavailable")
    await bench.pass_time(60)
    assert bench.state(SEEN) == "on"
    await alarm(bench, LOSS, "off")
    assert bench.state(SEEN) == "off"


async def test_the_button_clears_every_phone_and_silences(
    bench: Bench, phones: list[str], tablet: list[ServiceCall]
) -> None:
    stops = async_mock_service(bench.hass, "media_player", "media_stop")
    plays = async_mock_service(bench.hass, "media_player", "play_media")
    await ready(bench, {"phones": phones, "sirens": [SIREN], "speakers": [SPEAKER]})
    await alarm(bench, LEAK, "on")
    bench.set(SPEAKER, "playing")
    await bench.settle()
    assert bench.state(SIREN) == "on"
    assert len(plays) == 1
    button = bench.phone[0].data["data"]["actions"][0]
    assert button == {"action": f"STILLWELL_SEEN_{LEAK}", "title": "Seen"}
    await press(bench, button["action"])
    assert bench.state(SIREN) == "off"
    assert len(stops) == 1
    assert texts(bench.phone)[1:] == texts(tablet)[1:] == ["clear_notification"]


@pytest.mark.parametrize("action", ["STILLWELL_SEEN_binary_sensor.other", "OPEN_DOOR", ""])
async def test_foreign_buttons_do_nothing(bench: Bench, phones: list[str], action: str) -> None:
    await ready(bench, {"phones": phones, "sirens": [SIREN], "seen_toggle": [SEEN]})
    await alarm(bench, LEAK, "on")
    await press(bench, action)
    assert bench.state(SIREN) == "on"
    assert bench.state(SEEN) == "off"
    assert len(bench.phone) == 1


async def test_the_siren_falls_silent_after_its_time(bench: Bench) -> None:
    stops = async_mock_service(bench.hass, "media_player", "media_stop")
    async_mock_service(bench.hass, "media_player", "play_media")
    await ready(bench, {"sirens": [SIREN], "speakers": [SPEAKER], "longest_sound": 120})
    await alarm(bench, LEAK, "on")
    bench.set(SPEAKER, "playing")
    await bench.pass_time(100)
    assert bench.state(SIREN) == "on"
    assert stops == []
    await bench.pass_time(40)
    assert bench.state(SIREN) == "off"
    assert len(stops) >= 1
    # it stands, and does not sound again by itself
    await bench.pass_time(3600, step=60)
    assert bench.count("turn_on") == 1


async def test_the_siren_stops_when_the_alarm_is_over_and_is_told_until_it_does(
    bench: Bench,
) -> None:
    await ready(bench, {"sirens": [SIREN]})
    await alarm(bench, LEAK, "on")
    bench.obeys = False
    await alarm(bench, LEAK, "off")
    await bench.pass_time(120)
    assert bench.count("turn_off") >= 6


async def test_music_goes_on_when_nothing_is_wrong(bench: Bench) -> None:
    stops = async_mock_service(bench.hass, "media_player", "media_stop")
    await ready(bench, {"speakers": [SPEAKER]})
    bench.set(SPEAKER, "playing")
    await bench.pass_time(3600, step=60)
    assert stops == []


async def test_an_alarm_that_stands_at_hub_start_is_told(bench: Bench, phones: list[str]) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, {"phones": phones[:1]})
    bench.phone.clear()
    bench.hass.states.async_set(LOCKOUT, "on", {"reason": "longest_run"})
    await bench.settle()
    bench.phone.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert texts(bench.phone)[0] == "Longest run. Look on site."
    assert set(texts(bench.phone)[1:]) == {"clear_notification"}


async def test_a_reload_of_a_seen_alarm_sounds_no_siren(bench: Bench) -> None:
    await ready(bench, {"sirens": [SIREN], "seen_toggle": [SEEN]})
    await alarm(bench, LEAK, "on")
    await press(bench, f"STILLWELL_SEEN_{LEAK}")
    await alarm(bench, LEAK, "unavailable")
    await alarm(bench, LEAK, "on")
    assert bench.commands.count(("turn_on", SIREN)) == 1
    assert bench.state(SIREN) == "off"
    assert bench.state(SEEN) == "on"


async def test_an_alarm_sensor_that_is_lost_is_told_once(bench: Bench) -> None:
    await ready(bench, {"notify_entities": ["notify.lab_desk"]})
    bench.freezer.tick(timedelta(seconds=3))
    await alarm(bench, LEAK, "unavailable")
    await bench.pass_time(580)
    assert bench.messages == []
    await bench.pass_time(3600)
    assert len(bench.messages) == 1
    assert "No word of it" in bench.messages[0].data["message"]


GONE = "No word of it, so it cannot warn. Was it renamed, disabled or removed?"


async def test_an_alarm_that_is_gone_is_told_once_and_taken_back_with_its_return(
    bench: Bench, phones: list[str]
) -> None:
    await ready(bench, {"phones": phones[:1], "notify_entities": ["notify.lab_desk"]})
    await bench.pass_time(700)
    bench.hass.states.async_remove(LEAK)
    await bench.settle()
    assert texts(bench.phone) == [GONE]
    assert texts(bench.messages) == [f"{LEAK}: {GONE}"]
    assert bench.phone[0].data["data"]["tag"] == f"stillwell_{LEAK}"
    await bench.pass_time(1400)
    assert len(bench.phone) == 1
    # its own button takes it back, and so does its return
    await press(bench, bench.phone[0].data["data"]["actions"][0]["action"])
    await alarm(bench, LEAK, "off")
    assert texts(bench.phone)[1:] == ["clear_notification", "clear_notification"]
    assert len(bench.messages) == 1


async def test_a_disabled_alarm_is_told(bench: Bench, entity_registry: er.EntityRegistry) -> None:
    """What the hub itself does with an entity that somebody renames and then disables."""
    helpers = {"input_boolean": {"floor_leak": {}}}
    assert await async_setup_component(bench.hass, "input_boolean", helpers)
    old, new = "input_boolean.floor_leak", "input_boolean.lab_floor_leak"
    await ready(bench, {"alarms": [old, new], "notify_entities": ["notify.lab_desk"]})
    entity_registry.async_update_entity(old, new_entity_id=new)
    await bench.settle()
    assert texts(bench.messages) == [f"{old}: {GONE}"]
    entity_registry.async_update_entity(new, disabled_by=er.RegistryEntryDisabler.USER)
    await bench.settle()
    assert texts(bench.messages)[1:] == [f"{new}: {GONE}"]


async def test_an_alarm_that_comes_back_standing_is_told(bench: Bench, phones: list[str]) -> None:
    """As after a reload of sensors that have no registry entry."""
    await ready(bench, {"phones": phones[:1]})
    bench.hass.states.async_remove(LEAK)
    await alarm(bench, LEAK, "on")
    assert texts(bench.phone) == [GONE, "Alarm. Look on site."]


async def test_an_alarm_that_is_not_there_at_hub_start_is_told_once(bench: Bench) -> None:
    bench.hass.set_state(CoreState.starting)
    await ready(bench, {"notify_entities": ["notify.lab_desk"]})
    bench.hass.states.async_remove(LEAK)
    await bench.settle()
    bench.messages.clear()
    bench.hass.bus.async_fire(EVENT_HOMEASSISTANT_STARTED)
    bench.hass.set_state(CoreState.running)
    await bench.settle()
    assert texts(bench.messages) == [f"{LEAK}: {GONE}"]
    await bench.pass_time(1400)
    assert len(bench.messages) == 1


async def test_one_failing_receiver_keeps_the_others_informed(
    bench: Bench, phones: list[str]
) -> None:
    own = [{"action": "test.own_step", "data": {"text": "{{ texts | first }}"}}]
    # the tablet has no notify action here, as a phone that was removed has none
    inputs = {"phones": phones[::-1], "notify_entities": ["notify.lab_desk"], "own_steps": own}
    await ready(bench, inputs)
    await alarm(bench, LOSS, "on")
    assert len(bench.messages) == len(bench.own) == 1
    assert bench.own[0].data["text"] == "Alarm. Look on site."
