"""Entities of a salinity watch: value, drift, what would move it, what moved it, band alarms."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.components.binary_sensor import (
    BinarySensorDeviceClass,
    BinarySensorEntityDescription,
)
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import UnitOfTime
from homeassistant.util import dt as dt_util

from .engine.salinity_book import SalinityView
from .engine.salt_balance import SaltVerdict
from .watch_figures import Alarm, Figure, FigureDescription

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .salinity_watch import SalinityWatch

UNIT_PSU: Final = "PSU"
UNIT_PSU_PER_DAY: Final = "PSU/d"
VERDICTS: Final = [verdict.value for verdict in SaltVerdict if verdict is not SaltVerdict.UNKNOWN]


def _nothing(_watch: SalinityWatch, _view: SalinityView) -> Mapping[str, Any]:
    return {}


@dataclass(frozen=True, kw_only=True)
class SalinityDescription(FigureDescription):
    """How a sensor reads the view."""

    value_fn: Callable[[SalinityView], float | str | None]
    attributes_fn: Callable[[SalinityWatch, SalinityView], Mapping[str, Any]] = _nothing


@dataclass(frozen=True, kw_only=True)
class SalinityAlarmDescription(BinarySensorEntityDescription):
    """How an alarm reads the view; None means not known."""

    is_on_fn: Callable[[SalinityView], bool | None]


def _recorded(_watch: SalinityWatch, view: SalinityView) -> Mapping[str, Any]:
    """What was typed in last, and how old it is."""
    if view.recorded_s is None:
        return {}
    return {
        "recorded": dt_util.utc_from_timestamp(round(view.recorded_s)),
        "recorded_salinity": None if view.recorded_psu is None else round(view.recorded_psu, 2),
        "age_days": view.recorded_days,
    }


def _verdict(view: SalinityView) -> str | None:
    return view.verdict.value if view.verdict is not SaltVerdict.UNKNOWN else None


def _leaving(_watch: SalinityWatch, view: SalinityView) -> Mapping[str, Any]:
    if view.verdict is not SaltVerdict.SALT_WATER_LEAVING:
        return {}
    return {"leaving_l_per_day": round(view.leaving_l_per_day, 1)}


SALINITY_SENSORS: Final = (
    SalinityDescription(
        key="salinity",
        translation_key="salinity",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU,
        suggested_display_precision=1,
        step_abs=0.02,
        value_fn=lambda view: view.salinity_psu,
        attributes_fn=_recorded,
    ),
    SalinityDescription(
        key="salinity_drift",
        translation_key="salinity_drift",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.drift_psu_per_day,
    ),
    SalinityDescription(
        key="unreplaced_drift",
        translation_key="unreplaced_drift",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.unreplaced_psu_per_day,
    ),
    SalinityDescription(
        key="band_left_in",
        translation_key="band_left_in",
        device_class=SensorDeviceClass.DURATION,
        native_unit_of_measurement=UnitOfTime.HOURS,
        suggested_display_precision=0,
        step_abs=0.5,
        value_fn=lambda view: view.hours_to_leave,
    ),
    SalinityDescription(
        key="overfill_effect",
        translation_key="overfill_effect",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.overfill_psu,
        attributes_fn=lambda watch, _: {"overfill_l": round(watch.settings.spec.overfill_l, 2)},
    ),
    SalinityDescription(
        key="salt_verdict",
        translation_key="salt_verdict",
        device_class=SensorDeviceClass.ENUM,
        options=VERDICTS,
        value_fn=_verdict,
        attributes_fn=_leaving,
    ),
)

SALINITY_ALARMS: Final = (
    SalinityAlarmDescription(
        key="salinity_low",
        translation_key="salinity_low",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_low,
    ),
    SalinityAlarmDescription(
        key="salinity_high",
        translation_key="salinity_high",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_high,
    ),
)


class SalinitySensor(Figure):
    """A figure of a salinity watch."""

    entity_description: SalinityDescription

    def __init__(self, watch: SalinityWatch, description: SalinityDescription) -> None:
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


class SalinityAlarm(Alarm):
    """An alarm of a salinity watch."""

    entity_description: SalinityAlarmDescription

    def __init__(self, watch: SalinityWatch, description: SalinityAlarmDescription) -> None:
        """Bind the entity to its watch."""
        super().__init__(watch, description)
        self._watch = watch

    @property
    @override
    def raw(self) -> bool | None:
        """What the watch says now."""
        view = self._watch.view
        return None if view is None else self.entity_description.is_on_fn(view)


def salinity_sensors(watch: SalinityWatch) -> list[Entity]:
    """Return the figures of a watch."""
    return [SalinitySensor(watch, description) for description in SALINITY_SENSORS]


def salinity_alarms(watch: SalinityWatch) -> list[Entity]:
    """Return the alarms of a watch."""
    return [SalinityAlarm(watch, description) for description in SALINITY_ALARMS]
