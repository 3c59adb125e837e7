"""Sensors of a vessel: a table of descriptions over the engine's view."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, override

from homeassistant.components.sensor import (
    SensorDeviceClass,
    SensorEntity,
    SensorEntityDescription,
    SensorStateClass,
)
from homeassistant.const import (
    EntityCategory,
    Platform,
    UnitOfRatio,
    UnitOfTime,
    UnitOfVolume,
    UnitOfVolumeFlowRate,
)
from homeassistant.core import HomeAssistant
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback
from homeassistant.util import dt as dt_util

from .coordinator import StillwellConfigEntry
from .engine.pipeline import VesselView
from .engine.quantities import MINUTE_S, Interval, Reason, Status
from .entity import StillwellEntity, async_add, async_add_of_watches
from .figure import PERCENT, percent
from .line_sensor import line_sensors
from .per_day import UNIT_L_PER_DAY, PerDay
from .vessel import VesselRuntime

PARALLEL_UPDATES = 0

UNIT_MM_PER_K: Final = "mm/K"
MM_PER_M: Final = 1000.0

TIME_STEP_S: Final = MINUTE_S
TIME_STEP_FRAC: Final = 0.005
FILL_TIME_STEP_S: Final = 15.0
SAID_AGAIN_S: Final = 2 * MINUTE_S
"""A level that stands is said again after this time, at the next report that is looked at."""


@dataclass(frozen=True, kw_only=True)
class VesselSensorDescription(SensorEntityDescription):
    """How a sensor reads the view, and by how much it must move to be written."""

    value_fn: Callable[[VesselView], float | str | None]
    """A number, a word, or epoch seconds when the device class is timestamp."""
    step_abs: float = 0.0
    step_frac: float = 0.0
    is_level: bool = False
    """Whether rules go by it: they take a figure that nobody says again for one that is lost."""
    attributes_fn: Callable[[VesselView], Mapping[str, Any]] | None = None
    only_if: Callable[[VesselRuntime], bool] = lambda _: True


def _likely(span: Interval | None) -> float | None:
    return None if span is None else span.likely


def _bounds(span: Interval | None) -> Mapping[str, Any]:
    if span is None:
        return {}
    return {
        "early": dt_util.utc_from_timestamp(round(span.early)),
        "late": dt_util.utc_from_timestamp(round(span.late)),
    }


def _plus_minus(sigma: float | None, held_s: float) -> Mapping[str, Any]:
    """80 % bounds of a figure, and for how long it is held without a valid reading."""
    shown: dict[str, Any] = {}
    if sigma is not None:
        shown["plus_minus"] = round(1.2816 * sigma, 3)
    shown["held"] = held_s > 0
    return shown


def _per_minute(rate_l_per_s: float | None) -> float | None:
    return None if rate_l_per_s is None else rate_l_per_s * MINUTE_S


def _mm_per_k(view: VesselView) -> tuple[float, float] | None:
    drift = view.probe_drift_m_per_k
    return None if drift is None else (MM_PER_M * drift[0], MM_PER_M * drift[1])


def _first(pair: tuple[float, float] | None) -> float | None:
    return None if pair is None else pair[0]


def _second(pair: tuple[float, float] | None) -> float | None:
    return None if pair is None else pair[1]


@dataclass(frozen=True, kw_only=True)
class VolumeDescription(VesselSensorDescription):
    """Litres that are there."""

    device_class: SensorDeviceClass = SensorDeviceClass.VOLUME_STORAGE
    state_class: SensorStateClass = SensorStateClass.MEASUREMENT
    native_unit_of_measurement: str = UnitOfVolume.LITERS
    suggested_display_precision: int = 1
    step_abs: float = 0.005
    step_frac: float = 0.0005


@dataclass(frozen=True, kw_only=True)
class TodayDescription(VolumeDescription):
    """Litres since local midnight."""

    suggested_display_precision: int = 2
    step_abs: float = 0.01
    step_frac: float = 0.0


@dataclass(frozen=True, kw_only=True)
class PerDayDescription(VesselSensorDescription):
    """Litres a day."""

    state_class: SensorStateClass = SensorStateClass.MEASUREMENT
    native_unit_of_measurement: str = UNIT_L_PER_DAY
    suggested_display_precision: int = 2
    step_abs: float = 0.002
    step_frac: float = 0.001


@dataclass(frozen=True, kw_only=True)
class TimeDescription(VesselSensorDescription):
    """A moment; the likely one where there are bounds."""

    device_class: SensorDeviceClass = SensorDeviceClass.TIMESTAMP
    step_abs: float = TIME_STEP_S


SENSORS: tuple[VesselSensorDescription, ...] = (
    VesselSensorDescription(
        key="fill",
        translation_key="fill",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
        suggested_display_precision=0,
        step_abs=0.1,
        is_level=True,
        value_fn=lambda view: percent(view.fill_frac),
    ),
    VolumeDescription(
        key="volume",
        translation_key="volume",
        is_level=True,
        value_fn=lambda view: view.volume_l,
    ),
    VolumeDescription(
        key="usable_volume",
        translation_key="usable_volume",
        is_level=True,
        value_fn=lambda view: view.usable_l,
        step_abs=0.02,
        step_frac=0.001,
    ),
    PerDayDescription(
        key="use_per_day",
        translation_key="use_per_day",
        value_fn=lambda view: view.use_l_per_day,
        attributes_fn=lambda view: _plus_minus(view.use_sigma_l_per_day, view.held_s),
    ),
    PerDayDescription(
        key="use_per_day_week",
        translation_key="use_per_day_week",
        value_fn=lambda view: view.use_week_l_per_day,
        attributes_fn=lambda view: _plus_minus(view.use_week_sigma_l_per_day, view.held_s),
    ),
    PerDayDescription(
        key="evaporation_per_day",
        translation_key="evaporation_per_day",
        value_fn=lambda view: view.use_l_per_day,
        attributes_fn=lambda view: _plus_minus(view.use_sigma_l_per_day, view.held_s),
        only_if=lambda runtime: runtime.settings.replaces_evaporation,
    ),
    TimeDescription(
        key="empty_at",
        translation_key="empty_at",
        value_fn=lambda view: _likely(view.empty_at),
        attributes_fn=lambda view: _bounds(view.empty_at),
        step_frac=TIME_STEP_FRAC,
    ),
    TimeDescription(
        key="refill_due_at",
        translation_key="refill_due_at",
        value_fn=lambda view: _likely(view.start_at),
        attributes_fn=lambda view: _bounds(view.start_at),
        step_frac=TIME_STEP_FRAC,
    ),
    TimeDescription(
        key="full_at",
        translation_key="full_at",
        value_fn=lambda view: view.full_at_s,
        step_abs=FILL_TIME_STEP_S,
    ),
    VesselSensorDescription(
        key="fill_rate",
        translation_key="fill_rate",
        device_class=SensorDeviceClass.VOLUME_FLOW_RATE,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfVolumeFlowRate.LITERS_PER_MINUTE,
        suggested_display_precision=2,
        step_abs=0.002,
        step_frac=0.01,
        value_fn=lambda view: _per_minute(view.fill_rate_l_per_s),
    ),
    VesselSensorDescription(
        key="last_fill_volume",
        translation_key="last_fill_volume",
        device_class=SensorDeviceClass.VOLUME_STORAGE,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        value_fn=lambda view: None if view.last_fill is None else view.last_fill.volume_l,
        step_abs=0.001,
    ),
    VesselSensorDescription(
        key="last_fill_duration",
        translation_key="last_fill_duration",
        device_class=SensorDeviceClass.DURATION,
        native_unit_of_measurement=UnitOfTime.SECONDS,
        suggested_unit_of_measurement=UnitOfTime.MINUTES,
        suggested_display_precision=0,
        value_fn=lambda view: (
            None
            if view.last_fill is None or view.last_fill.end_s is None
            else view.last_fill.end_s - view.last_fill.start_s
        ),
        step_abs=1.0,
    ),
    TimeDescription(
        key="last_fill_at",
        translation_key="last_fill_at",
        value_fn=lambda view: None if view.last_fill is None else view.last_fill.end_s,
        step_abs=1.0,
    ),
    VesselSensorDescription(
        key="total_used",
        translation_key="total_used",
        device_class=SensorDeviceClass.WATER,
        state_class=SensorStateClass.TOTAL_INCREASING,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        value_fn=lambda view: view.total_used_l,
        step_abs=0.01,
    ),
    TodayDescription(
        key="used_today",
        translation_key="used_today",
        value_fn=lambda view: None if view.today is None else view.today.used_l,
    ),
    TodayDescription(
        key="added_today",
        translation_key="added_today",
        value_fn=lambda view: None if view.today is None else view.today.added_l,
    ),
    TodayDescription(
        key="unexplained_today",
        translation_key="unexplained_today",
        value_fn=lambda view: None if view.today is None else view.today.unexplained_l,
        entity_registry_enabled_default=False,
    ),
    VesselSensorDescription(
        key="signal",
        translation_key="signal",
        device_class=SensorDeviceClass.ENUM,
        options=[status.value for status in Status],
        entity_category=EntityCategory.DIAGNOSTIC,
        value_fn=lambda view: view.status.value,
        attributes_fn=lambda view: {"reason": view.reason.value},
    ),
    VesselSensorDescription(
        key="signal_reason",
        translation_key="signal_reason",
        device_class=SensorDeviceClass.ENUM,
        options=[reason.value for reason in Reason],
        entity_category=EntityCategory.DIAGNOSTIC,
        value_fn=lambda view: view.reason.value,
    ),
    VesselSensorDescription(
        key="probe_drift",
        translation_key="probe_drift",
        native_unit_of_measurement=UNIT_MM_PER_K,
        suggested_display_precision=2,
        entity_category=EntityCategory.DIAGNOSTIC,
        entity_registry_enabled_default=False,
        value_fn=lambda view: _first(_mm_per_k(view)),
        attributes_fn=lambda view: _plus_minus(_second(_mm_per_k(view)), view.held_s),
        step_abs=0.01,
        only_if=lambda runtime: runtime.settings.temperature_source is not None,
    ),
)

LEARNING: Final = SensorEntityDescription(
    key="learning",
    translation_key="learning",
    native_unit_of_measurement=UnitOfRatio.PERCENTAGE,
    suggested_display_precision=0,
    entity_category=EntityCategory.DIAGNOSTIC,
)


class VesselSensor(StillwellEntity, SensorEntity):
    """A figure of the view."""

    entity_description: VesselSensorDescription
    _raw: float | str | None = None
    _is_held = False
    # Plain properties: they change with nearly every report, so the hub's caches of them would
    # be thrown away as often, and an entity's dictionary grow with every throw.
    _shown: float | str | datetime | None = None
    _is_available = True
    _told: dict[str, Any] | None = None

    @property
    @override
    def native_value(self) -> float | str | datetime | None:
        """The figure as last taken."""
        return self._shown

    @property
    @override
    def available(self) -> bool:
        """Whether there is a figure, or at least a level that can be believed."""
        return self._is_available

    @property
    @override
    def extra_state_attributes(self) -> dict[str, Any] | None:
        """What is told beside the figure."""
        return self._told

    @override
    def take(self) -> bool:
        """Take the figure; a move within the tolerance is not worth a write."""
        return self._take_news() or (self.entity_description.is_level and self._is_to_be_said())

    def _is_to_be_said(self) -> bool:
        """Whether the strip goes on saying the same, and it is time to pass that on."""
        good_s = self.runtime.model.conditioner.last_good_s
        said = self.hass.states.get(self.entity_id)
        if self.runtime.view.held_s > 0.0 or good_s is None or said is None:
            return False
        return abs(good_s - said.last_reported_timestamp) >= SAID_AGAIN_S

    def _take_news(self) -> bool:
        description = self.entity_description
        view = self.runtime.view
        raw, last = description.value_fn(view), self._raw
        if view.held_s == 0.0 and self._is_available and not self._is_held:
            # Nearly always: a good level, and a figure that has hardly moved.
            if raw is last:
                return False
            step = description.step_abs
            if type(raw) is float and type(last) is float and -step < raw - last < step:
                return False
        is_available = raw is not None or view.status is not Status.FAILURE
        is_held = description.attributes_fn is not None and view.held_s > 0
        if (
            is_available == self._is_available
            and is_held == self._is_held
            and (raw == self._raw or not self._has_moved(raw, view.t_s))
        ):
            return False
        self._raw = raw
        self._is_held = is_held
        self._is_available = is_available
        self._shown = self._present(raw)
        if description.attributes_fn is not None:
            self._told = self._tell(description.attributes_fn(view))
        return True

    def _tell(self, attributes: Mapping[str, Any]) -> dict[str, Any]:
        return dict(attributes)

    def _has_moved(self, raw: float | str | None, now_s: float) -> bool:
        """Whether the figure is further from the written one than its tolerance."""
        last = self._raw
        if not (isinstance(raw, float) and isinstance(last, float)):
            return raw != last
        description = self.entity_description
        is_time = description.device_class == SensorDeviceClass.TIMESTAMP
        scale = abs(raw - now_s if is_time else raw)
        return abs(raw - last) >= max(description.step_abs, description.step_frac * scale)

    def _present(self, raw: float | str | None) -> float | str | datetime | None:
        if raw is None or isinstance(raw, str):
            return raw
        if self.entity_description.device_class == SensorDeviceClass.TIMESTAMP:
            return dt_util.utc_from_timestamp(round(raw))
        return round(raw, 4)


class PerDaySensor(PerDay, VesselSensor):
    """A figure of the view in litres a day."""

    @override
    def _present(self, raw: float | str | None) -> float | str | datetime | None:
        return super()._present(self.in_own_unit(raw) if isinstance(raw, float) else raw)

    @override
    def _tell(self, attributes: Mapping[str, Any]) -> dict[str, Any]:
        told = super()._tell(attributes)
        if "plus_minus" in told:
            told["plus_minus"] = round(self.in_own_unit(told["plus_minus"]), 3)
        return told


class LearningSensor(StillwellEntity, SensorEntity):
    """How far a vessel has got with learning from the recorder."""

    @override
    def take(self) -> bool:
        """Take the progress in whole percent."""
        progress = round(PERCENT * self.runtime.learning_frac)
        if progress == self._attr_native_value:
            return False
        self._attr_native_value = progress
        return True


async def async_setup_entry(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    async_add_entities: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the sensors of each vessel, fill line and watch."""
    for runtime in entry.runtime_data.vessels.values():
        entities: list[SensorEntity] = [
            (PerDaySensor if isinstance(description, PerDayDescription) else VesselSensor)(
                runtime, description
            )
            for description in SENSORS
            if description.only_if(runtime)
        ]
        entities.append(LearningSensor(runtime, LEARNING))
        await async_add(hass, async_add_entities, runtime, entities)
    for line in entry.runtime_data.lines.values():
        await async_add(hass, async_add_entities, line, line_sensors(line))
    await async_add_of_watches(hass, entry, Platform.SENSOR, async_add_entities)
