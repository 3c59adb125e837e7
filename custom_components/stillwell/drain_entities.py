"""Entities of a sump's drain-down: what comes down, room for it, and the warning before."""

from typing import TYPE_CHECKING, Final

from homeassistant.components.binary_sensor import BinarySensorDeviceClass
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import UnitOfLength, UnitOfVolume

from .figure import Figure, FigureDescription, VerdictDescription, figures, verdicts
from .form_units import FormUnits

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .drain_part import DrainPart

STEP_L: Final = 0.05
STEP_M: Final = 0.0005

DRAIN_SENSORS: Final = (
    FigureDescription(
        key="comes_down",
        translation_key="comes_down",
        device_class=SensorDeviceClass.VOLUME_STORAGE,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        value_fn=lambda view: view.comes_down_l,
        step_abs=STEP_L,
    ),
    FigureDescription(
        key="free_room",
        translation_key="free_room",
        device_class=SensorDeviceClass.VOLUME_STORAGE,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        value_fn=lambda view: view.free_l,
        step_abs=STEP_L,
    ),
    FigureDescription(
        key="room_after_power_cut",
        translation_key="room_after_power_cut",
        device_class=SensorDeviceClass.VOLUME_STORAGE,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        value_fn=lambda view: view.spare_l,
        step_abs=STEP_L,
    ),
)

HIGHEST_SAFE_LEVEL: Final = FigureDescription(
    key="highest_safe_level",
    translation_key="highest_safe_level",
    device_class=SensorDeviceClass.DISTANCE,
    native_unit_of_measurement=UnitOfLength.METERS,
    suggested_display_precision=1,
    value_fn=lambda view: view.highest_safe_m,
    step_abs=STEP_M,
)

POWER_CUT_FLOODS: Final = VerdictDescription(
    key="power_cut_floods",
    translation_key="power_cut_floods",
    device_class=BinarySensorDeviceClass.PROBLEM,
    is_on_fn=lambda view: view.would_flood,
)


def drain_sensors(part: DrainPart) -> list[Entity]:
    """Return the figures of a sump's drain-down."""
    # Nobody measures a sump in metres or feet.
    unit = FormUnits.of(part.hass).length
    return [
        *figures(part.vessel, DRAIN_SENSORS, lambda: part.view),
        Figure(part.vessel, HIGHEST_SAFE_LEVEL, lambda: part.view, unit),
    ]


def drain_alarms(part: DrainPart) -> list[Entity]:
    """Return the warning of a sump's drain-down."""
    return verdicts(part.vessel, (POWER_CUT_FLOODS,), lambda: part.view)
