"""A sensor over a view that its owner makes up: written when it moved by more than a step."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, override

from homeassistant.components.binary_sensor import (
    BinarySensorEntity,
    BinarySensorEntityDescription,
)
from homeassistant.components.sensor import SensorEntity, SensorEntityDescription

from .entity import FollowingEntity
from .owner import EntityOwner


@dataclass(frozen=True, kw_only=True)
class FigureDescription(SensorEntityDescription):
    """How a figure is read from a view, and by how much it must move to be written."""

    value_fn: Callable[[Any], float | str | None]
    step_abs: float = 0.0


@dataclass(frozen=True, kw_only=True)
class VerdictDescription(BinarySensorEntityDescription):
    """How a yes or no is read from a view; None means not known."""

    is_on_fn: Callable[[Any], bool | None]


class Figure(FollowingEntity, SensorEntity):
    """A figure of a view."""

    entity_description: FigureDescription
    _raw: float | str | None = None

    def __init__(
        self,
        owner: EntityOwner,
        description: FigureDescription,
        view_of: Callable[[], Any],
        unit: str | None = None,
    ) -> None:
        """Bind the entity to its owner, and to what makes the present view.

        A unit is proposed where the hub's own choice by unit system would not be a keeper's.
        """
        super().__init__(owner, description)
        self._view_of = view_of
        self._attr_suggested_unit_of_measurement = unit

    @override
    def take(self) -> bool:
        """Take the figure; a move within the step is not worth a write."""
        raw, last = self.entity_description.value_fn(self._view_of()), self._raw
        if raw == last:
            return False
        if (
            isinstance(raw, float)
            and isinstance(last, float)
            and abs(raw - last) < self.entity_description.step_abs
        ):
            return False
        self._raw = raw
        self._attr_native_value = round(raw, 4) if isinstance(raw, float) else raw
        return True


class FigureVerdict(FollowingEntity, BinarySensorEntity):
    """A yes or no of a view."""

    entity_description: VerdictDescription

    def __init__(
        self, owner: EntityOwner, description: VerdictDescription, view_of: Callable[[], Any]
    ) -> None:
        """Bind the entity to its owner, and to what makes the present view."""
        super().__init__(owner, description)
        self._view_of = view_of

    @override
    def take(self) -> bool:
        """Take the present answer."""
        is_on = self.entity_description.is_on_fn(self._view_of())
        if is_on == self._attr_is_on:
            return False
        self._attr_is_on = is_on
        return True
