"""Entities of an RO/DI unit: production, purity, waste, litres of each stage, and its buttons."""

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
from homeassistant.const import EntityCategory, UnitOfRatio, UnitOfVolume

from .engine.membrane import MembraneState, Stage
from .engine.rodi_unit import UnitView
from .entity import FollowingEntity

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .rodi_watch import RodiSettings, RodiWatch

UNIT_L_PER_DAY: Final = "L/d"
PERCENT: Final = 100.0


@dataclass(frozen=True, kw_only=True)
class RodiSensorDescription(SensorEntityDescription):
    """How a sensor reads the view, and by how much it must move to be written."""

    value_fn: Callable[[UnitView], float | str | None]
    step_abs: float = 0.0
    only_if: Callable[[RodiSettings], bool] = lambda _: True


@dataclass(frozen=True, kw_only=True)
class StageButtonDescription(ButtonEntityDescription):
    """Which stage a button notes as changed."""

    stage: Stage


def _percent(frac: float | None) -> float | None:
    return None if frac is None else PERCENT * frac


def _passed(stage: Stage) -> RodiSensorDescription:
    return RodiSensorDescription(
        key=f"passed_{stage}",
        translation_key=f"passed_{stage}",
        device_class=SensorDeviceClass.WATER,
        state_class=SensorStateClass.TOTAL_INCREASING,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=0,
        step_abs=0.01,
        value_fn=lambda view: view.passed_l[stage],
        only_if=lambda settings: stage in settings.spec.stages,
    )


def _changed(stage: Stage) -> StageButtonDescription:
    return StageButtonDescription(
        key=f"changed_{stage}",
        translation_key=f"changed_{stage}",
        entity_category=EntityCategory.CONFIG,
        stage=stage,
    )


RODI_SENSORS: Final = (
    RodiSensorDescription(
        key="production",
        translation_key="production",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=0,
        step_abs=0.1,
        value_fn=lambda view: view.production_l_per_day,
    ),
    RodiSensorDescription(
        key="production_normalised",
        translation_key="production_normalised",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=0,
        step_abs=0.1,
        value_fn=lambda view: view.normalised_l_per_day,
        only_if=lambda settings: settings.temperature_source is not None,
    ),
    RodiSensorDescription(
        key="production_of_baseline",
        translation_key="production_of_baseline",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=0.1,
        value_fn=lambda view: _percent(view.baseline_frac),
    ),
    RodiSensorDescription(
        key="membrane_state",
        translation_key="membrane_state",
        device_class=SensorDeviceClass.ENUM,
        options=[state.value for state in MembraneState],
        value_fn=lambda view: view.state.value,
    ),
    RodiSensorDescription(
        key="rejection",
        translation_key="rejection",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=1,
        step_abs=0.05,
        value_fn=lambda view: _percent(view.rejection_frac),
        only_if=lambda settings: None not in (settings.feed_source, settings.product_source),
    ),
    RodiSensorDescription(
        key="waste_water",
        translation_key="waste_water",
        device_class=SensorDeviceClass.WATER,
        state_class=SensorStateClass.TOTAL_INCREASING,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=0,
        step_abs=0.01,
        value_fn=lambda view: view.wasted_l,
    ),
    *(_passed(stage) for stage in Stage),
)

STAGE_DUE: Final = BinarySensorEntityDescription(
    key="stage_due",
    translation_key="stage_due",
    device_class=BinarySensorDeviceClass.PROBLEM,
)

STAGE_BUTTONS: Final = tuple(_changed(stage) for stage in Stage)


class RodiSensor(FollowingEntity, SensorEntity):
    """A figure of an RO/DI unit."""

    entity_description: RodiSensorDescription
    _raw: float | str | None = None

    def __init__(self, watch: RodiWatch, description: RodiSensorDescription) -> None:
        """Bind the entity to its unit."""
        super().__init__(watch, description)
        self._watch = watch

    @override
    def take(self) -> bool:
        """Take the figure; a move within the tolerance is not worth a write."""
        raw, last = self.entity_description.value_fn(self._watch.view), self._raw
        if raw == last:
            return False
        if isinstance(raw, float) and isinstance(last, float):
            step = self.entity_description.step_abs
            if abs(raw - last) < step:
                return False
        self._raw = raw
        self._attr_native_value = round(raw, 3) if isinstance(raw, float) else raw
        return True


class StageDue(FollowingEntity, BinarySensorEntity):
    """On while a stage has passed what it is rated for."""

    def __init__(self, watch: RodiWatch, description: BinarySensorEntityDescription) -> None:
        """Bind the entity to its unit."""
        super().__init__(watch, description)
        self._watch = watch

    @override
    def take(self) -> bool:
        """Take the present answer, and which stages they are."""
        overdue = list(self._watch.view.overdue)
        if self._attr_is_on is not None and self._attr_extra_state_attributes["stages"] == overdue:
            return False
        self._attr_is_on = bool(overdue)
        self._attr_extra_state_attributes = {"stages": overdue}
        return True


class StageButton(FollowingEntity, ButtonEntity):
    """Notes that a stage was changed."""

    entity_description: StageButtonDescription

    def __init__(self, watch: RodiWatch, description: StageButtonDescription) -> None:
        """Bind the entity to its unit."""
        super().__init__(watch, description)
        self._watch = watch

    @override
    async def async_press(self) -> None:
        """Note it; litres begin at 0, and a filter or membrane gets a new baseline."""
        await self._watch.async_changed(self.entity_description.stage)


def rodi_sensors(watch: RodiWatch) -> list[Entity]:
    """Return the figures; what needs a source or stage that is not there is left out."""
    return [
        RodiSensor(watch, description)
        for description in RODI_SENSORS
        if description.only_if(watch.settings)
    ]


def rodi_alarms(watch: RodiWatch) -> list[Entity]:
    """Return the warning of a stage, if the rating of any is known."""
    is_rated = any(rated_l is not None for rated_l in watch.settings.spec.stages.values())
    return [StageDue(watch, STAGE_DUE)] if is_rated else []


def rodi_buttons(watch: RodiWatch) -> list[Entity]:
    """Return a button for each stage."""
    return [
        StageButton(watch, description)
        for description in STAGE_BUTTONS
        if description.stage in watch.settings.spec.stages
    ]
