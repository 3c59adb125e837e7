"""Entities of a salinity watch: value, drift, what would move it, what moved it, band alarms."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from homeassistant.components.binary_sensor import BinarySensorDeviceClass
from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import UnitOfTime
from homeassistant.util import dt as dt_util

from .engine.salinity_book import SalinityView
from .engine.salt_balance import SaltVerdict
from .figure import FigureDescription, VerdictDescription, figures, verdicts

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

    from .salinity_watch import SalinityWatch

UNIT_PSU: Final = "PSU"
UNIT_PSU_PER_DAY: Final = "PSU/d"
VERDICTS: Final = [verdict.value for verdict in SaltVerdict if verdict is not SaltVerdict.UNKNOWN]


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
    FigureDescription(
        key="salinity",
        translation_key="salinity",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU,
        suggested_display_precision=1,
        step_abs=0.02,
        value_fn=lambda view: view.salinity_psu,
        attributes_fn=_recorded,
    ),
    FigureDescription(
        key="salinity_drift",
        translation_key="salinity_drift",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.drift_psu_per_day,
    ),
    FigureDescription(
        key="unreplaced_drift",
        translation_key="unreplaced_drift",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU_PER_DAY,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.unreplaced_psu_per_day,
    ),
    FigureDescription(
        key="band_left_in",
        translation_key="band_left_in",
        device_class=SensorDeviceClass.DURATION,
        native_unit_of_measurement=UnitOfTime.HOURS,
        suggested_unit_of_measurement=UnitOfTime.DAYS,
        suggested_display_precision=1,
        step_abs=0.5,
        value_fn=lambda view: view.hours_to_leave,
    ),
    FigureDescription(
        key="overfill_effect",
        translation_key="overfill_effect",
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UNIT_PSU,
        suggested_display_precision=2,
        step_abs=0.005,
        value_fn=lambda view: view.overfill_psu,
        attributes_fn=lambda watch, _: {"overfill_l": round(watch.settings.spec.overfill_l, 2)},
    ),
    FigureDescription(
        key="salt_verdict",
        translation_key="salt_verdict",
        device_class=SensorDeviceClass.ENUM,
        options=VERDICTS,
        value_fn=_verdict,
        attributes_fn=_leaving,
    ),
)

SALINITY_ALARMS: Final = (
    VerdictDescription(
        key="salinity_low",
        translation_key="salinity_low",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_low,
    ),
    VerdictDescription(
        key="salinity_high",
        translation_key="salinity_high",
        device_class=BinarySensorDeviceClass.PROBLEM,
        is_on_fn=lambda view: view.is_high,
    ),
)


def salinity_sensors(watch: SalinityWatch) -> list[Entity]:
    """Return the figures of a watch."""
    return figures(watch, SALINITY_SENSORS, lambda: watch.view)


def salinity_alarms(watch: SalinityWatch) -> list[Entity]:
    """Return the alarms of a watch."""
    return verdicts(watch, SALINITY_ALARMS, lambda: watch.view)
