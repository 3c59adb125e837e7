"""Entities of an RO/DI unit: production, purity, waste, litres of each stage, and its buttons."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, override

from homeassistant.components.binary_sensor import BinarySensorDeviceClass
from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import EntityCategory, UnitOfRatio, UnitOfVolume

from .engine.membrane import MembraneState, Stage
from .entity import FollowingEntity
from .figure import FigureDescription, VerdictDescription, figures, percent, verdicts
from .per_day import UNIT_L_PER_DAY

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .rodi_watch import RodiWatch


@dataclass(frozen=True, kw_only=True)
class StageButtonDescription(ButtonEntityDescription):
    """Which stage a button notes as changed."""

    stage: Stage


def _passed(stage: Stage) -> FigureDescription:
    return FigureDescription(
        key=f"passed_{stage}",
        translation_key=f"passed_{stage}",
        device_class=SensorDeviceClass.WATER,
        state_class=SensorStateClass.TOTAL_INCREASING,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=0,
        step_abs=0.01,
        value_fn=lambda view: view.passed_l[stage],
        only_if=lambda watch: stage in watch.settings.spec.stages,
    )


def _changed(stage: Stage) -> StageButtonDescription:
    return StageButtonDescription(
        key=f"changed_{stage}",
        translation_key=f"changed_{stage}",
        entity_category=EntityCategory.CONFIG,
        stage=stage,
    )


def _has_both_solids(watch: RodiWatch) -> bool:
    return None not in (watch.settings.feed_source, watch.settings.product_source)


def _is_any_rated(watch: RodiWatch) -> bool:
    return any(rated_l is not None for rated_l in watch.settings.spec.stages.values())


RODI_SENSORS: Final = (
    FigureDescription(
        key="production",
        translation_key="production",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=0,
        step_abs=0.1,
        value_fn=lambda view: view.production_l_per_day,
    ),
    FigureDescription(
        key="production_normalised",
        translation_key="production_normalised",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=0,
        step_abs=0.1,
        value_fn=lambda view: view.normalised_l_per_day,
        only_if=lambda watch: watch.settings.temperature_source is not None,
    ),
    FigureDescription(
        key="production_of_baseline",
        translation_key="production_of_baseline",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=0.1,
        value_fn=lambda view: percent(view.baseline_frac),
    ),
    FigureDescription(
        key="membrane_state",
        translation_key="membrane_state",
        device_class=SensorDeviceClass.ENUM,
        options=[state.value for state in MembraneState],
        value_fn=lambda view: view.state.value,
    ),
    FigureDescription(
        key="rejection",
        translation_key="rejection",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=1,
        step_abs=0.05,
        value_fn=lambda view: percent(view.rejection_frac),
        only_if=_has_both_solids,
    ),
    FigureDescription(
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

STAGE_DUE: Final = VerdictDescription(
    key="stage_due",
    translation_key="stage_due",
    device_class=BinarySensorDeviceClass.PROBLEM,
    is_on_fn=lambda view: bool(view.overdue),
    attributes_fn=lambda _, view: {"stages": list(view.overdue)},
    only_if=_is_any_rated,
)

STAGE_BUTTONS: Final = tuple(_changed(stage) for stage in Stage)


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
    return figures(watch, RODI_SENSORS, lambda: watch.view)


def rodi_alarms(watch: RodiWatch) -> list[Entity]:
    """Return the warning of a stage, if the rating of any is known."""
    return verdicts(watch, (STAGE_DUE,), lambda: watch.view)


def rodi_buttons(watch: RodiWatch) -> list[Entity]:
    """Return a button for each stage."""
    return [
        StageButton(watch, description)
        for description in STAGE_BUTTONS
        if description.stage in watch.settings.spec.stages
    ]
