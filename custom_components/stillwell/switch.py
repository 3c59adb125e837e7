"""Switches of a fill line: maintenance pause, which ends by itself, and rehearsal."""

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, override

from homeassistant.components.switch import SwitchEntity, SwitchEntityDescription
from homeassistant.const import EntityCategory, Platform
from homeassistant.core import HomeAssistant
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback
from homeassistant.util import dt as dt_util

from .coordinator import StillwellConfigEntry
from .entity import LineEntity, async_add, async_add_of_watches
from .fill_line import FillLine

PARALLEL_UPDATES = 0


@dataclass(frozen=True, kw_only=True)
class LineSwitchDescription(SwitchEntityDescription):
    """What a switch shows of its line, and what it asks for."""

    is_on_fn: Callable[[FillLine], bool]
    set_fn: Callable[[FillLine, bool], Awaitable[None]]
    attributes_fn: Callable[[FillLine], Mapping[str, Any]] = lambda _: {}


def _until(line: FillLine) -> Mapping[str, Any]:
    until_s = line.maintenance_until_s
    return {"until": None if until_s is None else dt_util.utc_from_timestamp(round(until_s))}


LINE_SWITCHES: Final = (
    LineSwitchDescription(
        key="maintenance",
        translation_key="maintenance",
        is_on_fn=lambda line: line.is_in_maintenance,
        set_fn=lambda line, on: line.async_set_maintenance(on=on),
        attributes_fn=_until,
    ),
    LineSwitchDescription(
        key="rehearsal",
        translation_key="rehearsal",
        entity_category=EntityCategory.CONFIG,
        is_on_fn=lambda line: line.watch.guard_settings.rehearsal,
        set_fn=lambda line, on: line.async_set_rehearsal(on=on),
    ),
)


class LineSwitch(LineEntity, SwitchEntity):
    """A state of the line that a person sets."""

    entity_description: LineSwitchDescription

    @override
    def take(self) -> bool:
        """Take the present state."""
        description = self.entity_description
        is_on = description.is_on_fn(self.line)
        attributes = dict(description.attributes_fn(self.line))
        if is_on == self._attr_is_on and attributes == self._attr_extra_state_attributes:
            return False
        self._attr_is_on = is_on
        self._attr_extra_state_attributes = attributes
        return True

    _attr_is_on: bool | None = None
    _attr_extra_state_attributes: dict[str, Any] = {}  # noqa: RUF012 - replaced, never changed

    @override
    async def async_turn_on(self, **_kwargs: Any) -> None:
        """Begin it."""
        await self.entity_description.set_fn(self.line, True)

    @override
    async def async_turn_off(self, **_kwargs: Any) -> None:
        """End it."""
        await self.entity_description.set_fn(self.line, False)


async def async_setup_entry(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    async_add_entities: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the switches of each fill line and watch."""
    for line in entry.runtime_data.lines.values():
        lines = [LineSwitch(line, description) for description in LINE_SWITCHES]
        await async_add(hass, async_add_entities, line, lines)
    await async_add_of_watches(hass, entry, Platform.SWITCH, async_add_entities)
