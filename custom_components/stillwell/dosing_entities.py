"""Entities of a dosing line: the advice, what was given, the permit, and the switch that arms."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.components.binary_sensor import BinarySensorDeviceClass
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.components.switch import SwitchEntity, SwitchEntityDescription
from homeassistant.const import UnitOfRatio, UnitOfVolume

from .dosing_forms import ML_PER_L, ml_per_min
from .engine.delivery import Delivery
from .engine.dosing import NoDose
from .engine.limewater import Stock
from .entity import FollowingEntity
from .figure import FigureDescription, VerdictDescription, figures, percent, verdicts

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .dosing_watch import DosingWatch

DKH_PER_DAY: Final = "dKH/d"


def _ml(litres: float | None) -> float | None:
    return None if litres is None else ML_PER_L * litres


NOT_ARMED: Final = "not_armed"
ADVICE_ONLY: Final = "advice_only"
"""Why no rule may dose though nothing stands against it: a switch or a pump is missing."""


def _reason(watch: DosingWatch, _: DosingWatch) -> Mapping[str, Any]:
    return {} if watch.view is None else {"reason": watch.view.advice.reason.value}


def _counted(watch: DosingWatch, _: DosingWatch) -> Mapping[str, Any]:
    """What a rule must know of the pump, so that it runs the one that is counted."""
    flow = watch.settings.pump_l_per_h
    return {
        "dosing_pump": watch.settings.pump,
        "pump_flow": None if flow is None else ml_per_min(flow),
    }


DOSING_SENSORS: Final = (
    FigureDescription(
        key="dose_rate",
        translation_key="dose_rate",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement="mL/h",
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: _ml(view.advice.rate_l_per_h),
    ),
    FigureDescription(
        key="next_dose",
        translation_key="next_dose",
        device_class=SensorDeviceClass.VOLUME,
        native_unit_of_measurement=UnitOfVolume.MILLILITERS,
        suggested_display_precision=0,
        step_abs=1.0,
        value_fn=lambda view: _ml(view.advice.dose_l),
    ),
    FigureDescription(
        key="dosed_today",
        translation_key="dosed_today",
        device_class=SensorDeviceClass.VOLUME,
        # It falls where a dose is taken back; statistics would take that for a new meter.
        state_class=SensorStateClass.TOTAL,
        native_unit_of_measurement=UnitOfVolume.MILLILITERS,
        suggested_display_precision=0,
        step_abs=1.0,
        value_fn=lambda view: _ml(view.given_today_l),
        reset_s_fn=lambda view: view.day_start_s,
    ),
    FigureDescription(
        key="dosed_24h",
        translation_key="dosed_24h",
        device_class=SensorDeviceClass.VOLUME,
        native_unit_of_measurement=UnitOfVolume.MILLILITERS,
        suggested_display_precision=0,
        step_abs=1.0,
        value_fn=lambda view: _ml(view.given_24h_l),
    ),
    FigureDescription(
        key="dose_alkalinity",
        translation_key="dose_alkalinity",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=DKH_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.01,
        value_fn=lambda view: view.brings_dkh_per_day,
    ),
    FigureDescription(
        key="dose_calcium",
        translation_key="dose_calcium",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement="mg/L/d",
        suggested_display_precision=1,
        step_abs=0.05,
        value_fn=lambda view: view.brings_calcium_mg_per_l_per_day,
    ),
    FigureDescription(
        key="stock_judgement",
        translation_key="stock_judgement",
        device_class=SensorDeviceClass.ENUM,
        options=[stock.value for stock in Stock],
        value_fn=lambda view: None if view.stock is None else view.stock.value,
        only_if=lambda watch: watch.settings.stock_conductivity is not None,
    ),
    FigureDescription(
        key="stock_strength",
        translation_key="stock_strength",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=1.0,
        value_fn=lambda view: percent(view.strength_frac),
        only_if=lambda watch: watch.settings.stock_conductivity is not None,
    ),
    FigureDescription(
        key="dose_delivery",
        translation_key="dose_delivery",
        device_class=SensorDeviceClass.ENUM,
        # What is not known is the hub's own word for it.
        options=[delivery.value for delivery in Delivery if delivery is not Delivery.UNKNOWN],
        value_fn=lambda view: None if view.delivery is Delivery.UNKNOWN else view.delivery.value,
        only_if=lambda watch: watch.settings.stock_vessel is not None,
    ),
    FigureDescription(
        key="alkalinity_consumption",
        translation_key="alkalinity_consumption",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=DKH_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: None if view.consumption is None else view.consumption.dkh_per_day,
    ),
    FigureDescription(
        key="alkalinity_to_hold",
        translation_key="alkalinity_to_hold",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=DKH_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.hold_dkh_per_day,
    ),
    FigureDescription(
        key="limewater_to_hold",
        translation_key="limewater_to_hold",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement="mL/d",
        suggested_display_precision=0,
        step_abs=1.0,
        value_fn=lambda view: _ml(view.hold_l_per_day),
    ),
)

NO_DOSE_REASON: Final = FigureDescription(
    key="no_dose_reason",
    translation_key="no_dose_reason",
    device_class=SensorDeviceClass.ENUM,
    options=[*(reason.value for reason in NoDose), NOT_ARMED, ADVICE_ONLY],
    value_fn=lambda watch: watch.why_no_dose,
)

DOSING_BINARY_SENSORS: Final = (
    VerdictDescription(
        key="dose_paused",
        translation_key="dose_paused",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda watch: watch.is_paused,
        attributes_fn=_reason,
    ),
    VerdictDescription(
        key="dose_permit",
        translation_key="dose_permit",
        is_on_fn=lambda watch: watch.is_permitted,
        attributes_fn=_counted,
    ),
    VerdictDescription(
        key="dose_not_arriving",
        translation_key="dose_not_arriving",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda watch: watch.is_failing,
        only_if=lambda watch: watch.settings.stock_vessel is not None,
    ),
)

DOSE_ARMED: Final = SwitchEntityDescription(key="dose_armed", translation_key="dose_armed")


class DoseArmedSwitch(FollowingEntity, SwitchEntity):
    """Whether rules may dose."""

    def __init__(self, watch: DosingWatch, description: SwitchEntityDescription) -> None:
        """Bind the entity to its line."""
        super().__init__(watch, description)
        self._watch = watch

    @override
    def take(self) -> bool:
        """Take the present state."""
        if self._attr_is_on is self._watch.is_armed:
            return False
        self._attr_is_on = self._watch.is_armed
        return True

    @override
    async def async_turn_on(self, **_kwargs: Any) -> None:
        """Arm."""
        await self._watch.async_arm(on=True)

    @override
    async def async_turn_off(self, **_kwargs: Any) -> None:
        """Disarm."""
        await self._watch.async_arm(on=False)


def dosing_sensors(watch: DosingWatch) -> list[Entity]:
    """Return the sensors; those whose source was not chosen are left out."""
    return [
        *figures(watch, DOSING_SENSORS, lambda: watch.view),
        *figures(watch, [NO_DOSE_REASON], lambda: watch),
    ]


def dosing_binary_sensors(watch: DosingWatch) -> list[Entity]:
    """Return pause, permit and, if the stock is measured, whether doses arrive."""
    return verdicts(watch, DOSING_BINARY_SENSORS, lambda: watch)


def dosing_switches(watch: DosingWatch) -> list[Entity]:
    """Return the switch that arms."""
    return [DoseArmedSwitch(watch, DOSE_ARMED)]
