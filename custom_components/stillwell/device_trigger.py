"""Device triggers: the same happenings, chosen on the page of a vessel or a fill line."""

from typing import Any, Final

import voluptuous as vol
from homeassistant.components.device_automation import (
    DEVICE_TRIGGER_BASE_SCHEMA,
    InvalidDeviceAutomationConfig,
)
from homeassistant.components.homeassistant.triggers import state as state_trigger
from homeassistant.const import (
    CONF_DEVICE_ID,
    CONF_DOMAIN,
    CONF_ENTITY_ID,
    CONF_FOR,
    CONF_PLATFORM,
    CONF_TYPE,
)
from homeassistant.core import CALLBACK_TYPE, HomeAssistant
from homeassistant.helpers import config_validation as cv
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers.trigger import TriggerActionType, TriggerInfo
from homeassistant.helpers.typing import ConfigType

from .const import DOMAIN
from .happenings import HAPPENINGS, Shown

TRIGGER_SCHEMA: Final = DEVICE_TRIGGER_BASE_SCHEMA.extend(
    {
        vol.Required(CONF_TYPE): vol.In(HAPPENINGS),
        vol.Optional(CONF_FOR): cv.positive_time_period_dict,
    }
)


def _entity_id(hass: HomeAssistant, device_id: str, shown: Shown) -> str | None:
    entities = er.async_entries_for_device(er.async_get(hass), device_id)
    return next((one.entity_id for one in entities if shown.is_kind_of(one)), None)


async def async_get_triggers(hass: HomeAssistant, device_id: str) -> list[dict[str, Any]]:
    """Return what the device can tell of; an entity that is disabled tells nothing."""
    return [
        {
            CONF_PLATFORM: "device",
            CONF_DEVICE_ID: device_id,
            CONF_DOMAIN: DOMAIN,
            CONF_TYPE: name,
        }
        for name, shown in HAPPENINGS.items()
        if _entity_id(hass, device_id, shown) is not None
    ]


async def async_get_trigger_capabilities(
    _hass: HomeAssistant, _config: ConfigType
) -> dict[str, vol.Schema]:
    """Return the one further field: for how long it must stand."""
    return {"extra_fields": vol.Schema({vol.Optional(CONF_FOR): cv.positive_time_period_dict})}


async def async_attach_trigger(
    hass: HomeAssistant,
    config: ConfigType,
    action: TriggerActionType,
    trigger_info: TriggerInfo,
) -> CALLBACK_TYPE:
    """Wait for the happening; what a restart of the hub brings back is not one."""
    shown = HAPPENINGS[config[CONF_TYPE]]
    entity_id = _entity_id(hass, config[CONF_DEVICE_ID], shown)
    if entity_id is None:
        raise InvalidDeviceAutomationConfig(
            translation_domain=DOMAIN,
            translation_key="no_trigger_entity",
            translation_placeholders={"trigger": config[CONF_TYPE]},
        )
    settings = {
        CONF_PLATFORM: "state",
        CONF_ENTITY_ID: entity_id,
        state_trigger.CONF_FROM: sorted(shown.others),
        state_trigger.CONF_TO: sorted(shown.states),
    }
    if CONF_FOR in config:
        settings[CONF_FOR] = config[CONF_FOR]
    settings = await state_trigger.async_validate_trigger_config(hass, settings)
    return await state_trigger.async_attach_trigger(
        hass, settings, action, trigger_info, platform_type="device"
    )
