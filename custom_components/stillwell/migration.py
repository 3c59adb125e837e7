"""Bringing config entries of earlier versions up to date."""

from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import Platform
from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers import entity_registry as er
from homeassistant.util import dt as dt_util

from .const import (
    CONF_DESTINATION,
    CONF_DEVICE,
    CONF_HIGH_INPUTS,
    CONF_LEAK_INPUTS,
    CONF_LONGEST_RUN_S,
    CONFIG_MINOR_VERSION,
    CONFIG_VERSION,
    DOMAIN,
    OLD_CONF_FILL_DEVICE,
    SUBENTRY_FILL_LINE,
    SUBENTRY_RESERVOIR,
)
from .coordinator import safety_store
from .engine.guard_state import GuardState
from .line_names import async_line_title

if TYPE_CHECKING:
    from .coordinator import StillwellConfigEntry

MINOR_WITH_LINES: Final = 2
LINE_LIMITS: Final = (CONF_LONGEST_RUN_S, CONF_HIGH_INPUTS, CONF_LEAK_INPUTS)
MOVED: Final = (
    (Platform.BINARY_SENSOR, "lockout"),
    (Platform.BINARY_SENSOR, "permit"),
    (Platform.SENSOR, "guard_state"),
    (Platform.SENSOR, "lockout_reason"),
    (Platform.SENSOR, "block_reason"),
    (Platform.BUTTON, "reset"),
)
"""Entities that a reservoir had because of its fill device."""


async def async_migrate_entry(hass: HomeAssistant, entry: StillwellConfigEntry) -> bool:
    """Return whether the entry can be used, after it was brought up to date.

    A newer major version means that an older release was put back: its settings are left alone,
    and not used.
    """
    if entry.version > CONFIG_VERSION:
        return False
    if entry.minor_version < MINOR_WITH_LINES:
        await _async_make_lines(hass, entry)
        hass.config_entries.async_update_entry(entry, minor_version=CONFIG_MINOR_VERSION)
    return True


async def _async_make_lines(hass: HomeAssistant, entry: StillwellConfigEntry) -> None:
    """Turn the fill settings of reservoirs into fill lines; lockouts and history stay.

    The guard's memory is written under the line's id before anything else is changed, and that
    id follows from the reservoir's: a power cut in between repeats all of this to the same end.
    """
    filled = [
        vessel
        for vessel in entry.get_subentries_of_type(SUBENTRY_RESERVOIR)
        if vessel.data.get(OLD_CONF_FILL_DEVICE) is not None
    ]
    await _async_move_memory(hass, entry, {vessel.subentry_id for vessel in filled})
    for vessel in filled:
        line = ConfigSubentry(
            data=MappingProxyType(_line_data(vessel)),
            subentry_id=_line_id(vessel.subentry_id),
            subentry_type=SUBENTRY_FILL_LINE,
            title=await async_line_title(hass, vessel.title),
            unique_id=None,
        )
        if line.subentry_id not in entry.subentries:
            hass.config_entries.async_add_subentry(entry, line)
        _move_entities(hass, vessel.subentry_id, line.subentry_id)
    for vessel in entry.get_subentries_of_type(SUBENTRY_RESERVOIR):
        gone = {OLD_CONF_FILL_DEVICE, *LINE_LIMITS}
        data = {key: value for key, value in vessel.data.items() if key not in gone}
        hass.config_entries.async_update_subentry(entry, vessel, data=data)


def _line_id(vessel_id: str) -> str:
    return f"{vessel_id}-line"


def _line_data(vessel: ConfigSubentry) -> dict[str, Any]:
    return {
        CONF_DESTINATION: vessel.subentry_id,
        CONF_DEVICE: vessel.data[OLD_CONF_FILL_DEVICE],
        **{key: vessel.data[key] for key in LINE_LIMITS if key in vessel.data},
    }


async def _async_move_memory(
    hass: HomeAssistant, entry: StillwellConfigEntry, vessel_ids: set[str]
) -> None:
    store = safety_store(hass, entry)
    stored, is_damaged = await store.async_load()
    moved = dict(stored)
    for vessel_id in vessel_ids:
        line_id = _line_id(vessel_id)
        if vessel_id in stored:
            moved.setdefault(line_id, stored[vessel_id])
        elif is_damaged:
            # The file is put aside now; that it could not be read must not be forgotten.
            damaged = GuardState.damaged(dt_util.utcnow().timestamp())
            moved[line_id] = {"guard": damaged.to_dict()}
    if moved != stored:
        await store.async_save_now(moved)


@callback
def _move_entities(hass: HomeAssistant, vessel_id: str, line_id: str) -> None:
    registry = er.async_get(hass)
    for platform, key in MOVED:
        entity_id = registry.async_get_entity_id(platform, DOMAIN, f"{vessel_id}_{key}")
        if entity_id is not None:
            registry.async_update_entity(
                entity_id,
                new_unique_id=f"{line_id}_{key}",
                config_subentry_id=line_id,
                device_id=None,
            )
