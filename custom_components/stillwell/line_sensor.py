"""Sensors of a fill line: words of its guard, what it has used up, due dates of proof tests."""

from dataclasses import replace
from typing import Final, override

from homeassistant.components.sensor import (
    SensorDeviceClass,
    SensorEntity,
    SensorEntityDescription,
    SensorStateClass,
)
from homeassistant.const import EntityCategory, UnitOfTime, UnitOfVolume
from homeassistant.helpers.entity import Entity
from homeassistant.util import dt as dt_util

from .engine.guard_events import BlockReason, TripReason
from .engine.guard_table import Phase
from .entity import LineEntity
from .figure import FigureDescription, figures
from .fill_line import FillLine
from .proof_tests import ProofTest

NO_REASON: Final = "none"


LINE_SENSORS: Final = (
    FigureDescription(
        key="guard_state",
        translation_key="guard_state",
        device_class=SensorDeviceClass.ENUM,
        options=[phase.value for phase in Phase],
        value_fn=lambda line: line.watch.phase,
    ),
    FigureDescription(
        key="lockout_reason",
        translation_key="lockout_reason",
        device_class=SensorDeviceClass.ENUM,
        options=[NO_REASON, *(reason.value for reason in TripReason)],
        entity_category=EntityCategory.DIAGNOSTIC,
        value_fn=lambda line: line.watch.lockout_reason,
    ),
    FigureDescription(
        key="block_reason",
        translation_key="block_reason",
        device_class=SensorDeviceClass.ENUM,
        options=[NO_REASON, *(reason.value for reason in BlockReason)],
        entity_category=EntityCategory.DIAGNOSTIC,
        value_fn=lambda line: line.watch.block_reason or NO_REASON,
    ),
    FigureDescription(
        key="volume_24h",
        translation_key="volume_24h",
        device_class=SensorDeviceClass.VOLUME_STORAGE,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfVolume.LITERS,
        suggested_display_precision=1,
        step_abs=0.05,
        value_fn=lambda line: line.spent[1],
    ),
    FigureDescription(
        key="run_time_24h",
        translation_key="run_time_24h",
        device_class=SensorDeviceClass.DURATION,
        state_class=SensorStateClass.MEASUREMENT,
        native_unit_of_measurement=UnitOfTime.SECONDS,
        suggested_unit_of_measurement=UnitOfTime.MINUTES,
        suggested_display_precision=1,
        step_abs=5.0,
        value_fn=lambda line: line.spent[0],
    ),
)

PROOF_TEST_DUE: Final = SensorEntityDescription(
    key="proof_test_due",
    translation_key="proof_test_due",
    device_class=SensorDeviceClass.TIMESTAMP,
    entity_category=EntityCategory.DIAGNOSTIC,
)


class ProofTestSensor(LineEntity, SensorEntity):
    """When the next proof test of one independent input, or of the auto-off, is due."""

    def __init__(
        self, line: FillLine, description: SensorEntityDescription, test: ProofTest
    ) -> None:
        """Bind the entity to its test."""
        super().__init__(line, replace(description, key=f"{description.key}_{test.key}"))
        self._test = test
        self._attr_translation_placeholders = {"input": test.name}

    @override
    def take(self) -> bool:
        """Take the present date."""
        due = dt_util.utc_from_timestamp(round(self._test.due_s))
        if due == self._attr_native_value:
            return False
        self._attr_native_value = due
        self._attr_extra_state_attributes = {
            "last_passed": dt_util.utc_from_timestamp(round(self._test.passed_s))
        }
        return True


def line_sensors(line: FillLine) -> list[Entity]:
    """Return words, figures and due dates of a line."""
    tests = line.proof_tests.tests.values()
    return [
        *figures(line, LINE_SENSORS, lambda: line),
        *(ProofTestSensor(line, PROOF_TEST_DUE, test) for test in tests),
    ]
