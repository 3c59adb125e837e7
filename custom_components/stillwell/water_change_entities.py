"""Entities of a water change: where it stands, what it brings, its volume, begin and stop."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, override

from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.components.number import (
    NumberDeviceClass,
    NumberEntity,
    NumberEntityDescription,
    NumberMode,
)
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import UnitOfVolume

from .engine.water_change import Step, Stop
from .entity import FollowingEntity
from .figure import FigureDescription, figures
from .form_units import FormUnits

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .water_change import WaterChange

IDLE: Final = "idle"
SMALLEST_L: Final = 0.5

CHANGE_SENSORS: Final = (
    FigureDescription(
        key="water_change_status",
        translation_key="water_change_status",
        device_class=SensorDeviceClass.ENUM,
        options=[IDLE, *(step.value for step in Step)],
        value_fn=lambda view: IDLE if view.step is None else view.step.value,
    ),
    FigureDescription(
        key="water_change_stop",
        translation_key="water_change_stop",
        device_class=SensorDeviceClass.ENUM,
        options=[stop.value for stop in Stop],
        value_fn=lambda view: view.stop.value,
    ),
    FigureDescription(
        key="water_drained",
        translation_key="water_drained",
        device_class=SensorDeviceClass.VOLUME_STORAGE,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        value_fn=lambda view: view.drained_l,
        step_abs=0.05,
    ),
    FigureDescription(
        key="water_refilled",
        translation_key="water_refilled",
        device_class=SensorDeviceClass.VOLUME_STORAGE,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        value_fn=lambda view: view.refilled_l,
        step_abs=0.05,
    ),
    FigureDescription(
        key="salinity_after_change",
        translation_key="salinity_after_change",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement="PSU",
        suggested_display_precision=2,
        value_fn=lambda view: view.salinity_after_psu,
        step_abs=0.005,
    ),
)

VOLUME_TO_CHANGE: Final = NumberEntityDescription(
    key="volume_to_change",
    translation_key="volume_to_change",
    device_class=NumberDeviceClass.VOLUME_STORAGE,
    native_unit_of_measurement=UnitOfVolume.LITERS,
    native_step=0.1,
    mode=NumberMode.BOX,
)


@dataclass(frozen=True, kw_only=True)
class ChangeButtonDescription(ButtonEntityDescription):
    """What a button asks of the change."""

    press_fn: Callable[[WaterChange], Awaitable[None]]


CHANGE_BUTTONS: Final = (
    ChangeButtonDescription(
        key="begin_water_change",
        translation_key="begin_water_change",
        press_fn=lambda change: change.async_begin(),
    ),
    ChangeButtonDescription(
        key="stop_water_change",
        translation_key="stop_water_change",
        press_fn=lambda change: change.async_abort(),
    ),
)


class ChangeVolume(FollowingEntity, NumberEntity):
    """The volume of the next change."""

    def __init__(self, change: WaterChange) -> None:
        """Bind the entity to its change."""
        super().__init__(change, VOLUME_TO_CHANGE)
        self._change = change
        # The hub converts no volume of a number by its unit system.
        self._units = units = FormUnits.of(change.hass)
        self._attr_native_unit_of_measurement = units.volume
        self._attr_native_min_value = round(units.from_l(SMALLEST_L), 1)
        # Rounded up it would be offered here and refused at the start.
        self._attr_native_max_value = units.most_from_l(change.largest_l)

    @override
    def take(self) -> bool:
        """Take the volume that is set."""
        volume = round(self._units.from_l(self._change.volume_l), 3)
        if volume == self._attr_native_value:
            return False
        self._attr_native_value = volume
        return True

    @override
    async def async_set_native_value(self, value: float) -> None:
        """Set it."""
        self._change.async_set_volume(self._units.to_l(value))


class ChangeButton(FollowingEntity, ButtonEntity):
    """Begins or ends a change; refused with all reasons while something speaks against it."""

    entity_description: ChangeButtonDescription

    def __init__(self, change: WaterChange, description: ChangeButtonDescription) -> None:
        """Bind the entity to its change."""
        super().__init__(change, description)
        self._change = change

    @override
    async def async_press(self) -> None:
        """Ask."""
        await self.entity_description.press_fn(self._change)


def change_sensors(change: WaterChange) -> list[Entity]:
    """Return status and figures."""
    return figures(change, CHANGE_SENSORS, lambda: change.view)


def change_numbers(change: WaterChange) -> list[Entity]:
    """Return the volume."""
    return [ChangeVolume(change)]


def change_buttons(change: WaterChange) -> list[Entity]:
    """Return begin and stop."""
    return [ChangeButton(change, description) for description in CHANGE_BUTTONS]
