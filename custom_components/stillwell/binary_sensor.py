"""Binary sensors: low, filling and unexplained loss of a vessel, lockout and permit of a line."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, override

from homeassistant.components.binary_sensor import (
    BinarySensorDeviceClass,
    BinarySensorEntity,
    BinarySensorEntityDescription,
)
from homeassistant.const import EntityCategory, Platform
from homeassistant.core import HomeAssistant
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback

from .coordinator import StillwellConfigEntry
from .engine.balance import Flow
from .entity import FollowingEntity, LineEntity, StillwellEntity, async_add, async_add_of_watches
from .fill_watch import FillWatch
from .vessel import VesselRuntime

PARALLEL_UPDATES = 0


@dataclass(frozen=True, kw_only=True)
class VesselBinaryDescription(BinarySensorEntityDescription):
    """How a binary sensor reads the vessel; None means not known."""

    is_on_fn: Callable[[VesselRuntime], bool | None]
    attributes_fn: Callable[[VesselRuntime], Mapping[str, Any]] | None = None


@dataclass(frozen=True, kw_only=True)
class LineBinaryDescription(BinarySensorEntityDescription):
    """How a binary sensor reads the watch on the fill device."""

    is_on_fn: Callable[[FillWatch], bool | None]
    attributes_fn: Callable[[FillWatch], Mapping[str, Any]] | None = None


def _loss(runtime: VesselRuntime) -> bool | None:
    loss = runtime.view.loss
    return None if loss is None else loss.is_alarm


def _loss_attributes(runtime: VesselRuntime) -> Mapping[str, Any]:
    loss = runtime.view.loss
    if loss is None or not loss.is_alarm:
        return {}
    return {
        "excess_per_hour": round(loss.excess_l_per_h, 2),
        "lost": round(loss.lost_l, 1),
    }


VESSEL_SENSORS: Final = (
    VesselBinaryDescription(
        key="low", translation_key="low", is_on_fn=lambda runtime: runtime.is_low
    ),
    VesselBinaryDescription(
        key="filling",
        translation_key="filling",
        device_class=BinarySensorDeviceClass.RUNNING,
        is_on_fn=lambda runtime: (
            None if runtime.view.flow is Flow.UNKNOWN else runtime.view.flow is Flow.FILLING
        ),
    ),
    VesselBinaryDescription(
        key="unexplained_loss",
        translation_key="unexplained_loss",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=_loss,
        attributes_fn=_loss_attributes,
    ),
)

LINE_SENSORS: Final = (
    LineBinaryDescription(
        key="lockout",
        translation_key="lockout",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda watch: watch.is_locked_out,
        attributes_fn=lambda watch: watch.attributes,
    ),
    LineBinaryDescription(
        key="permit",
        translation_key="permit",
        entity_category=EntityCategory.DIAGNOSTIC,
        is_on_fn=lambda watch: watch.is_permitted,
        attributes_fn=lambda watch: {"block_reason": watch.block_reason},
    ),
)


class _Binary(FollowingEntity, BinarySensorEntity):
    """Writes only when state or attributes changed."""

    _is_fresh = True
    _shown: Mapping[str, Any]

    def _show(self, *, is_on: bool | None, attributes: Mapping[str, Any]) -> bool:
        shown = dict(attributes)
        if not self._is_fresh and is_on == self._attr_is_on and shown == self._shown:
            return False
        self._is_fresh = False
        self._attr_is_on = is_on
        self._shown = shown
        self._attr_extra_state_attributes = shown
        return True


class VesselBinarySensor(StillwellEntity, _Binary):
    """A yes or no of the vessel."""

    entity_description: VesselBinaryDescription

    @override
    def take(self) -> bool:
        """Take the present answer."""
        description = self.entity_description
        attributes = (
            {} if description.attributes_fn is None else description.attributes_fn(self.runtime)
        )
        return self._show(is_on=description.is_on_fn(self.runtime), attributes=attributes)


class LineBinarySensor(LineEntity, _Binary):
    """A yes or no of the watch on the fill device."""

    entity_description: LineBinaryDescription

    @override
    def take(self) -> bool:
        """Take the present answer."""
        description, watch = self.entity_description, self.line.watch
        attributes = {} if description.attributes_fn is None else description.attributes_fn(watch)
        return self._show(is_on=description.is_on_fn(watch), attributes=attributes)


async def async_setup_entry(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    async_add_entities: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the binary sensors of each vessel, fill line and watch."""
    for runtime in entry.runtime_data.vessels.values():
        vessels = [VesselBinarySensor(runtime, description) for description in VESSEL_SENSORS]
        await async_add(hass, async_add_entities, runtime, vessels)
    for line in entry.runtime_data.lines.values():
        lines = [LineBinarySensor(line, description) for description in LINE_SENSORS]
        await async_add(hass, async_add_entities, line, lines)
    await async_add_of_watches(hass, entry, Platform.BINARY_SENSOR, async_add_entities)
