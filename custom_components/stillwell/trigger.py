"""Triggers of our own, aimed at entities, devices, areas, floors or labels."""

from typing import ClassVar, Final, override

import voluptuous as vol
from homeassistant.const import CONF_ENTITY_ID, CONF_TARGET
from homeassistant.core import HomeAssistant
from homeassistant.helpers.automation import DomainSpec
from homeassistant.helpers.trigger import EntityTargetStateTriggerBase, Trigger
from homeassistant.helpers.typing import ConfigType

from .decision_text import async_load_texts, common_text
from .happenings import HAPPENINGS, Shown, of_kind, strangers


class HappeningTrigger(EntityTargetStateTriggerBase):
    """Fires when an entity of one kind comes to one of its states."""

    _shown: ClassVar[Shown]
    # The signal is a diagnostic entity; a device or an area must reach it all the same.
    _primary_entities_only = False

    @override
    @classmethod
    async def async_validate_config(cls, hass: HomeAssistant, config: ConfigType) -> ConfigType:
        """Check the settings, and that every entity named is one that can fire."""
        config = await super().async_validate_config(hass, config)
        named = config[CONF_TARGET].get(CONF_ENTITY_ID, [])
        if wrong := strangers(hass, cls._shown, set(named)):
            await async_load_texts(hass)
            names = ", ".join(sorted(wrong))
            raise vol.Invalid(common_text(hass, "trigger_never_fires", entities=names))
        return config

    @override
    def entity_filter(self, entities: set[str]) -> set[str]:
        """Return the entities of the kind."""
        return of_kind(self._hass, self._shown, entities)


def _trigger(shown: Shown) -> type[Trigger]:
    class Made(HappeningTrigger):
        """One of the table."""

        _shown = shown
        _domain_specs = {shown.platform.value: DomainSpec()}  # noqa: RUF012 - the base's own shape
        _to_states = set(shown.states)  # noqa: RUF012 - likewise

    return Made


TRIGGERS: Final = {name: _trigger(shown) for name, shown in HAPPENINGS.items()}


async def async_get_triggers(_hass: HomeAssistant) -> dict[str, type[Trigger]]:
    """Return the triggers."""
    return TRIGGERS
