"""Entities of a temperature watch: swing, duty, time to the limit, and its alarms."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Final, override

from homeassistant.components.binary_sensor import BinarySensorDeviceClass
from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import UnitOfRatio, UnitOfTemperature, UnitOfTime

from .engine.heater_watch import HeaterVerdict, ThermalView
from .entity import FollowingEntity
from .figure import FigureDescription, VerdictDescription, figures, percent, verdicts

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .temperature_watch import TemperatureWatch


def _has_heater(watch: TemperatureWatch) -> bool:
    return watch.settings.heater is not None


def _is(verdict: HeaterVerdict) -> Callable[[ThermalView], bool | None]:
    return lambda view: None if view.heater is HeaterVerdict.UNKNOWN else view.heater is verdict


TEMPERATURE_SENSORS: Final = (
    FigureDescription(
        key="temperature_swing",
        translation_key="temperature_swing",
        device_class=SensorDeviceClass.TEMPERATURE_DELTA,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfTemperature.KELVIN,
        suggested_display_precision=1,
        step_abs=0.05,
        value_fn=lambda view: view.swing_k,
    ),
    FigureDescription(
        key="heater_duty",
        translation_key="heater_duty",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: percent(view.duty_frac),
        only_if=_has_heater,
    ),
    FigureDescription(
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
    VerdictDescription(
        key="temperature_low",
        translation_key="temperature_low",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_low,
    ),
    VerdictDescription(
        key="temperature_high",
        translation_key="temperature_high",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_high,
    ),
    VerdictDescription(
        key="heater_dead",
        translation_key="heater_dead",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=_is(HeaterVerdict.DEAD),
        only_if=_has_heater,
    ),
    VerdictDescription(
        key="heater_stuck_on",
        translation_key="heater_stuck_on",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=_is(HeaterVerdict.STUCK_ON),
        only_if=_has_heater,
    ),
)


CUT_OUT_SENSORS: Final = (
    VerdictDescription(
        key="thermometer_lost",
        translation_key="thermometer_lost",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_lost,
    ),
    # Before the cut-out: a rule that hears the cut-out end must find the lockout ended too.
    VerdictDescription(
        key="cut_out_lockout",
        translation_key="cut_out_lockout",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_locked_out,
    ),
    VerdictDescription(
        key="cut_out",
        translation_key="cut_out",
        is_on_fn=lambda view: view.is_cut_out,
        attributes_fn=lambda _, view: {"reason": view.reason.value},
    ),
)

CUT_OUT_RESET: Final = ButtonEntityDescription(key="cut_out_reset", translation_key="cut_out_reset")


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


def temperature_sensors(watch: TemperatureWatch) -> list[Entity]:
    """Return the figures of a watch; without a heater those it needs are left out."""
    return figures(watch, TEMPERATURE_SENSORS, lambda: watch.view)


def temperature_alarms(watch: TemperatureWatch) -> list[Entity]:
    """Return the alarms of a watch; without a heater those it needs are left out."""
    alarms = verdicts(watch, TEMPERATURE_ALARMS, lambda: watch.view)
    return alarms + verdicts(watch, CUT_OUT_SENSORS, lambda: watch.cut_out)


def temperature_buttons(watch: TemperatureWatch) -> list[Entity]:
    """Return the buttons of a watch."""
    return [CutOutResetButton(watch, CUT_OUT_RESET)]
