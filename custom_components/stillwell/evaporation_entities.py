"""Entities of an evaporation watch: measured, expected, what their ratio says, heat lost."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import EntityCategory, UnitOfPower, UnitOfRatio

from .engine.evaporation_book import EvaporationView
from .engine.evaporation_reading import EvaporationReading
from .entity import FollowingEntity
from .watch_figures import Figure, FigureDescription

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .evaporation_watch import EvaporationWatch

PERCENT: Final = 100.0
UNIT_L_PER_DAY: Final = "L/d"
UNIT_COEFFICIENT: Final = "kg/(m²·h·kPa)"
READINGS: Final = [
    reading.value for reading in EvaporationReading if reading is not EvaporationReading.UNKNOWN
]


def _nothing(_watch: EvaporationWatch, _view: EvaporationView) -> Mapping[str, Any]:
    return {}


@dataclass(frozen=True, kw_only=True)
class EvaporationDescription(FigureDescription):
    """How a sensor reads the view."""

    value_fn: Callable[[EvaporationView], float | str | None]
    attributes_fn: Callable[[EvaporationWatch, EvaporationView], Mapping[str, Any]] = _nothing


def _percent(frac: float | None) -> float | None:
    return None if frac is None else PERCENT * frac


def _reading(view: EvaporationView) -> str | None:
    is_known = view.reading is not EvaporationReading.UNKNOWN
    return view.reading.value if is_known else None


EVAPORATION_SENSORS: Final = (
    EvaporationDescription(
        key="evaporation_measured",
        translation_key="evaporation_measured",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.measured_l_per_day,
        attributes_fn=lambda watch, _: {"measured_from": watch.vessel.title},
    ),
    EvaporationDescription(
        key="evaporation_expected",
        translation_key="evaporation_expected",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_L_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.expected_l_per_day,
        attributes_fn=lambda _, view: {"learned": view.coefficient is not None},
    ),
    EvaporationDescription(
        key="evaporation_ratio",
        translation_key="evaporation_ratio",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: _percent(view.ratio),
    ),
    EvaporationDescription(
        key="evaporation_reading",
        translation_key="evaporation_reading",
        device_class=SensorDeviceClass.ENUM,
        options=READINGS,
        value_fn=_reading,
        attributes_fn=lambda _, view: {"quiet_days": view.quiet_days},
    ),
    EvaporationDescription(
        key="heat_lost",
        translation_key="heat_lost",
        device_class=SensorDeviceClass.POWER,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfPower.WATT,
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: view.heat_lost_w,
    ),
    EvaporationDescription(
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


class EvaporationSensor(Figure):
    """A figure of an evaporation watch."""

    entity_description: EvaporationDescription

    def __init__(self, watch: EvaporationWatch, description: EvaporationDescription) -> None:
        """Bind the entity to its watch."""
        super().__init__(watch, description)
        self._watch = watch

    @property
    @override
    def raw(self) -> float | str | None:
        """What the watch says now."""
        view = self._watch.view
        return None if view is None else self.entity_description.value_fn(view)

    @property
    @override
    def attributes(self) -> Mapping[str, Any]:
        """What is told beside it."""
        view = self._watch.view
        return {} if view is None else self.entity_description.attributes_fn(self._watch, view)


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
    return [EvaporationSensor(watch, description) for description in EVAPORATION_SENSORS]


def evaporation_buttons(watch: EvaporationWatch) -> list[Entity]:
    """Return the buttons of a watch."""
    return [RelearnButton(watch)]
