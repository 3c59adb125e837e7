"""Entities of a temperature watch: swing, duty, time to the limit, and its alarms."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, override

from homeassistant.components.binary_sensor import (
    BinarySensorDeviceClass,
    BinarySensorEntity,
    BinarySensorEntityDescription,
)
from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.components.sensor import (
    SensorDeviceClass,
    SensorEntity,
    SensorEntityDescription,
    SensorStateClass,
)
from homeassistant.const import UnitOfRatio, UnitOfTemperature, UnitOfTime

from .engine.cut_out import CutOutView
from .engine.heater_watch import HeaterVerdict, ThermalView
from .entity import FollowingEntity

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .temperature_watch import TemperatureWatch

PERCENT: Final = 100.0


@dataclass(frozen=True, kw_only=True)
class TemperatureSensorDescription(SensorEntityDescription):
    """How a sensor reads the view, and by how much it must move to be written."""

    value_fn: Callable[[ThermalView], float | None]
    step_abs: float
    needs_heater: bool = False


@dataclass(frozen=True, kw_only=True)
class TemperatureAlarmDescription(BinarySensorEntityDescription):
    """How an alarm reads the view; None means not known."""

    is_on_fn: Callable[[ThermalView], bool | None]
    needs_heater: bool = False


def _percent(frac: float | None) -> float | None:
    return None if frac is None else PERCENT * frac


def _is(verdict: HeaterVerdict) -> Callable[[ThermalView], bool | None]:
    return lambda view: None if view.heater is HeaterVerdict.UNKNOWN else view.heater is verdict


TEMPERATURE_SENSORS: Final = (
    TemperatureSensorDescription(
        key="temperature_swing",
        translation_key="temperature_swing",
        device_class=SensorDeviceClass.TEMPERATURE_DELTA,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfTemperature.KELVIN,
        suggested_display_precision=1,
        step_abs=0.05,
        value_fn=lambda view: view.swing_k,
    ),
    TemperatureSensorDescription(
        key="heater_duty",
        translation_key="heater_duty",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: _percent(view.duty_frac),
        needs_heater=True,
    ),
    TemperatureSensorDescription(
        key="time_to_limit",
        translation_key="time_to_limit",
        device_class=SensorDeviceClass.DURATION,
        native_unit_of_measurement=UnitOfTime.SECONDS,
        suggested_unit_of_measurement=UnitOfTime.HOURS,
        suggested_display_precision=1,
        step_abs=300.0,
        value_fn=lambda view: view.to_limit_s,
    ),
)

TEMPERATURE_ALARMS: Final = (
    TemperatureAlarmDescription(
        key="temperature_low",
        translation_key="temperature_low",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_low,
    ),
    TemperatureAlarmDescription(
        key="temperature_high",
        translation_key="temperature_high",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_high,
    ),
    TemperatureAlarmDescription(
        key="heater_dead",
        translation_key="heater_dead",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=_is(HeaterVerdict.DEAD),
        needs_heater=True,
    ),
    TemperatureAlarmDescription(
        key="heater_stuck_on",
        translation_key="heater_stuck_on",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=_is(HeaterVerdict.STUCK_ON),
        needs_heater=True,
    ),
)


@dataclass(frozen=True, kw_only=True)
class CutOutDescription(BinarySensorEntityDescription):
    """How a binary sensor reads the cut-out."""

    is_on_fn: Callable[[CutOutView], bool]
    tells_reason: bool = False


CUT_OUT_SENSORS: Final = (
    CutOutDescription(
        key="thermometer_lost",
        translation_key="thermometer_lost",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_lost,
    ),
    CutOutDescription(
        key="cut_out",
        translation_key="cut_out",
        is_on_fn=lambda view: view.is_cut_out,
        tells_reason=True,
    ),
    CutOutDescription(
        key="cut_out_lockout",
        translation_key="cut_out_lockout",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_locked_out,
    ),
)

CUT_OUT_RESET: Final = ButtonEntityDescription(key="cut_out_reset", translation_key="cut_out_reset")


class TemperatureSensor(FollowingEntity, SensorEntity):
    """A figure of a temperature watch."""

    entity_description: TemperatureSensorDescription
    _raw: float | None = None

    def __init__(self, watch: TemperatureWatch, description: TemperatureSensorDescription) -> None:
        """Bind the entity to its watch."""
        super().__init__(watch, description)
        self._watch = watch

    @override
    def take(self) -> bool:
        """Take the figure; a move within the tolerance is not worth a write."""
        view, last = self._watch.view, self._raw
        raw = None if view is None else self.entity_description.value_fn(view)
        if raw == last:
            return False
        if raw is not None and last is not None:
            step = self.entity_description.step_abs
            if abs(raw - last) < step:
                return False
        self._raw = raw
        self._attr_native_value = None if raw is None else round(raw, 3)
        return True


class TemperatureAlarm(FollowingEntity, BinarySensorEntity):
    """An alarm of a temperature watch."""

    entity_description: TemperatureAlarmDescription

    def __init__(self, watch: TemperatureWatch, description: TemperatureAlarmDescription) -> None:
        """Bind the entity to its watch."""
        super().__init__(watch, description)
        self._watch = watch

    @override
    def take(self) -> bool:
        """Take the present answer."""
        view = self._watch.view
        is_on = None if view is None else self.entity_description.is_on_fn(view)
        if is_on == self._attr_is_on:
            return False
        self._attr_is_on = is_on
        return True


class CutOutSensor(FollowingEntity, BinarySensorEntity):
    """What the cut-out says."""

    entity_description: CutOutDescription

    def __init__(self, watch: TemperatureWatch, description: CutOutDescription) -> None:
        """Bind the entity to its watch."""
        super().__init__(watch, description)
        self._watch = watch
        self._told: CutOutView | None = None

    @override
    def take(self) -> bool:
        """Take the present answer."""
        view = self._watch.cut_out
        if view is None or view == self._told:
            return False
        self._told = view
        self._attr_is_on = self.entity_description.is_on_fn(view)
        if self.entity_description.tells_reason:
            self._attr_extra_state_attributes = {"reason": view.reason.value}
        return True


class CutOutResetButton(FollowingEntity, ButtonEntity):
    """Leaves the latch of the cut-out; refused with the reason while its cause stands."""

    def __init__(self, watch: TemperatureWatch, description: ButtonEntityDescription) -> None:
        """Bind the entity to its watch."""
        super().__init__(watch, description)
        self._watch = watch

    @override
    async def async_press(self) -> None:
        """Reset."""
        await self._watch.async_reset_cut_out()


def temperature_sensors(watch: TemperatureWatch, *, has_heater: bool) -> list[Entity]:
    """Return the figures of a watch; without a heater those it needs are left out."""
    return [
        TemperatureSensor(watch, description)
        for description in TEMPERATURE_SENSORS
        if has_heater or not description.needs_heater
    ]


def temperature_alarms(watch: TemperatureWatch, *, has_heater: bool) -> list[Entity]:
    """Return the alarms of a watch; without a heater those it needs are left out."""
    alarms: list[Entity] = [
        TemperatureAlarm(watch, description)
        for description in TEMPERATURE_ALARMS
        if has_heater or not description.needs_heater
    ]
    return alarms + [CutOutSensor(watch, description) for description in CUT_OUT_SENSORS]


def temperature_buttons(watch: TemperatureWatch) -> list[Entity]:
    """Return the buttons of a watch."""
    return [CutOutResetButton(watch, CUT_OUT_RESET)]
