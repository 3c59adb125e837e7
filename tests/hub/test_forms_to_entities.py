"""From the forms to a living vessel: nothing of the system is left out here."""

from typing import TYPE_CHECKING, Any

import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.config_entries import SOURCE_USER, ConfigEntryState
from homeassistant.const import ATTR_UNIT_OF_MEASUREMENT
from homeassistant.helpers import entity_registry as er
from pytest_homeassistant_custom_component.common import async_fire_time_changed

from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from freezegun.api import FrozenDateTimeFactory
    from homeassistant.core import HomeAssistant

FIRST = {
    "name": "Lagoon reservoir",
    "source": "sensor.lagoon_level",
    "measure": "depth",
    "shape": "box",
}
BOX = {"length": 30, "width": 30, "height": 34}
BAND = {"empty": 2, "start": 7, "full": 30, "high": 32, "filling": {}, "signal": {}}


def _report(hass: HomeAssistant, entity_id: str, value: float, unit: str) -> None:
    hass.states.async_set(entity_id, str(value), {ATTR_UNIT_OF_MEASUREMENT: unit})


async def _add_system(hass: HomeAssistant, check_form: Callable[[Any], None]) -> Walk:
    form = await hass.config_entries.flow.async_init(DOMAIN, context={"source": SOURCE_USER})
    result = await hass.config_entries.flow.async_configure(
        form["flow_id"], {"name": "Lagoon", "volume": 450, "salinity": 35}
    )
    await hass.async_block_till_done()
    entry = result["result"]
    assert entry.state is ConfigEntryState.LOADED
    # The form of the first vessel was opened by the system's own.
    offered = hass.config_entries.subentries.async_get(result["next_flow"][1])
    return Walk(hass, entry, check_form, form=offered)


def _ids(hass: HomeAssistant, walk: Walk) -> dict[str, str]:
    registry = er.async_get(hass)
    entities = er.async_entries_for_config_entry(registry, walk.entry.entry_id)
    return {entity.unique_id: entity.entity_id for entity in entities}


def _value(hass: HomeAssistant, walk: Walk, key: str) -> str:
    (subentry_id,) = walk.entry.subentries
    state = hass.states.get(_ids(hass, walk)[f"{subentry_id}_{key}"])
    assert state is not None
    return state.state


async def test_a_vessel_lives_as_soon_as_it_is_saved(
    hass: HomeAssistant, check_form: Callable[[Any], None]
) -> None:
    _report(hass, "sensor.lagoon_level", 20.3, "cm")
    walk = await _add_system(hass, check_form)
    await walk.all(FIRST, BOX | {"sensor_zero": 0}, BAND, {})
    await hass.async_block_till_done()
    assert walk.entry.state is ConfigEntryState.LOADED
    assert _value(hass, walk, "signal") in ("good", "function_check")
    # Its own sensors are not offered as a source for the next one.
    form = await walk.open()
    hidden = form["data_schema"].schema["source"].config["exclude_entities"]
    assert set(hidden) == {i for i in _ids(hass, walk).values() if i.startswith("sensor.")}


async def test_numbers_in_forms_have_the_decimal_mark_of_the_language(
    hass: HomeAssistant, check_form: Callable[[Any], None]
) -> None:
    """A comma in German (CLDR); a name keeps its point."""
    hass.config.language = "de"
    _report(hass, "sensor.lagoon_level", 20.3, "cm")
    walk = await _add_system(hass, check_form)
    await walk.all(FIRST | {"name": "Vorrat 1.2"}, BOX | {"sensor_zero": 0})
    assert walk.placeholders["name"] == "Vorrat 1.2"
    assert walk.placeholders["height"] == "34,0 cm"
    await walk.send(BAND)
    # 20.3 cm of 30 cm by 30 cm are 18.27 L.
    assert "20,3 cm, 18,3 L" in walk.placeholders["reading"]
    assert walk.placeholders["full"] == "30,0 cm, 27,0 L"


async def test_a_change_of_the_source_keeps_identity_and_meter(
    hass: HomeAssistant,
    check_form: Callable[[Any], None],
    caplog: pytest.LogCaptureFixture,
    freezer: FrozenDateTimeFactory,
) -> None:
    _report(hass, "sensor.lagoon_level", 20.3, "cm")
    walk = await _add_system(hass, check_form)
    await walk.all(FIRST, BOX | {"sensor_zero": 0}, BAND, {})
    await hass.async_block_till_done()
    for tenths in range(20):
        freezer.tick(600)
        async_fire_time_changed(hass)
        _report(hass, "sensor.lagoon_level", round(20.3 - 0.1 * tenths, 1), "cm")
        await hass.async_block_till_done()
    # 1.9 cm of a box of 900 cm2 are 1.7 L.
    used_l = float(_value(hass, walk, "total_used"))
    assert used_l == pytest.approx(1.7, abs=0.25)
    before = _ids(hass, walk)
    runtime_before = walk.entry.runtime_data
    (subentry_id,) = walk.entry.subentries
    # The same water, now seen from above and in inches.
    _report(hass, "number.lagoon_tof", round((34 - 18.4) / 2.54, 3), "in")
    await walk.open(subentry_id)
    await walk.all(
        FIRST | {"source": "number.lagoon_tof", "measure": "distance"},
        BOX | {"sensor_face": 34},
        {key: BAND[key] for key in BAND if key != "filling"},
    )
    assert "depth 18.4 cm, 16.6 L, 61 % full" in walk.placeholders["reading"]
    await walk.send({})
    await hass.async_block_till_done()
    assert walk.entry.runtime_data is not runtime_before
    assert _ids(hass, walk) == before
    assert list(walk.entry.subentries) == [subentry_id]
    for _ in range(5):
        freezer.tick(600)
        async_fire_time_changed(hass)
        hass.states.async_set("number.lagoon_tof", "6.142", {ATTR_UNIT_OF_MEASUREMENT: "in"})
        await hass.async_block_till_done()
    # Use may be carried at the rate before (1 mm in 10 min: 0.54 L/h) for no more than these
    # 50 minutes, and one step of the strip (0.09 L) may stand on top.
    assert float(_value(hass, walk, "total_used")) <= used_l + 0.54 * 50 / 60 + 0.09
    assert float(_value(hass, walk, "total_used")) >= used_l
    assert float(_value(hass, walk, "volume")) == pytest.approx(16.56, abs=0.3)
    (vessel,) = walk.entry.runtime_data.vessels.values()
    assert vessel.settings.source == "number.lagoon_tof"
    # One reload, and none of the ways the hub warns about.
    assert "update listener" not in caplog.text
    assert "deprecated" not in caplog.text


async def test_a_removed_vessel_leaves_nothing(
    hass: HomeAssistant, check_form: Callable[[Any], None]
) -> None:
    _report(hass, "sensor.lagoon_level", 20.3, "cm")
    walk = await _add_system(hass, check_form)
    await walk.all(FIRST, BOX | {"sensor_zero": 0}, BAND, {})
    await hass.async_block_till_done()
    (subentry_id,) = walk.entry.subentries
    assert _ids(hass, walk)
    assert hass.config_entries.async_remove_subentry(walk.entry, subentry_id)
    await hass.async_block_till_done()
    assert not _ids(hass, walk)
    # Its source is free again.
    await walk.open()
    assert (await walk.send(FIRST))["step_id"] == "shape"
