"""Buttons of a vessel: reset of the lockout."""

from typing import Final, override

from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.core import HomeAssistant
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback

from .coordinator import StillwellConfigEntry
from .entity import StillwellEntity

PARALLEL_UPDATES = 0

RESET: Final = ButtonEntityDescription(key="reset", translation_key="reset")


class ResetButton(StillwellEntity, ButtonEntity):
    """Clears the lockout, if what caused it is over."""

    @override
    async def async_press(self) -> None:
        """Reset; refused with the reason while a condition stands."""
        await self.runtime.async_reset()


async def async_setup_entry(
    _hass: HomeAssistant,
    entry: StillwellConfigEntry,
    async_add_entities: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the reset button of each vessel that has a fill device."""
    for runtime in entry.runtime_data.vessels.values():
        if runtime.watch is not None:
            async_add_entities(
                [ResetButton(runtime, RESET)], config_subentry_id=runtime.subentry_id
            )
