"""Entities of an evaporation watch: measured, expected, what their ratio says, heat lost."""

from typing import TYPE_CHECKING, Final, override

from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import EntityCategory, UnitOfPower, UnitOfRatio

from .engine.evaporation_book import EvaporationView
from .engine.evaporation_reading import EvaporationReading
from .entity import FollowingEntity
from .figure import FigureDescription, figures, percent
from .per_day import UNIT_L_PER_DAY

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .evaporation_watch import EvaporationWatch

UNIT_COEFFICIENT: Final = "kg/(m²·h·kPa)"
READINGS: Final = [
    reading.value for reading in EvaporationReading if reading is not EvaporationReading.UNKNOWN
]


def _reading(view: EvaporationView) -> str | None:
    is_known = view.reading is not EvaporationReading.UNKNOWN
    return view.reading.value if is_known else None


EVAPORATION_SENSORS: Final = (
    FigureDescription(
        key="evaporation_measured",
        translation_key="evaporation_measured",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.measured_l_per_day,
        attributes_fn=lambda watch, _: {"measured_from": watch.vessel.title},
    ),
    FigureDescription(
        key="evaporation_expected",
        translation_key="evaporation_expected",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.expected_l_per_day,
        attributes_fn=lambda _, view: {"learned": view.coefficient is not None},
    ),
    FigureDescription(
        key="evaporation_ratio",
        translation_key="evaporation_ratio",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: percent(view.ratio),
    ),
    FigureDescription(
        key="evaporation_reading",
        translation_key="evaporation_reading",
        device_class=SensorDeviceClass.ENUM,
        options=READINGS,
        value_fn=_reading,
        attributes_fn=lambda _, view: {"quiet_days": view.quiet_days},
    ),
    FigureDescription(
        key="heat_lost",
        translation_key="heat_lost",
        device_class=SensorDeviceClass.POWER,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfPower.WATT,
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: view.heat_lost_w,
    ),
    FigureDescription(
        key="evaporation_coefficient",
        translation_key="evaporation_coefficient",
        entity_category=EntityCategory.DIAGNOSTIC,
        entity_registry_enabled_default=False,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_COEFFICIENT,
        suggested_display_precision=3,
        step_abs=0.0005,
        value_fn=lambda view: view.coefficient,
    ),
)

RELEARN: Final = ButtonEntityDescription(
    key="relearn_evaporation",
    translation_key="relearn_evaporation",
    entity_category=EntityCategory.CONFIG,
)


class RelearnButton(FollowingEntity, ButtonEntity):
    """Makes the present evaporation the normal one, after three quiet days."""

    def __init__(self, watch: EvaporationWatch) -> None:
        """Bind the entity to its watch."""
        super().__init__(watch, RELEARN)
        self._watch = watch

    @override
    async def async_press(self) -> None:
        """Forget what was learned."""
        self._watch.async_relearn()


def evaporation_sensors(watch: EvaporationWatch) -> list[Entity]:
    """Return the figures of a watch."""
    return figures(watch, EVAPORATION_SENSORS, lambda: watch.view)


def evaporation_buttons(watch: EvaporationWatch) -> list[Entity]:
    """Return the buttons of a watch."""
    return [RelearnButton(watch)]
