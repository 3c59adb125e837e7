"""Figures and words of a watch: written only when they moved by more than their tolerance."""

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, override

from homeassistant.components.binary_sensor import BinarySensorEntity
from homeassistant.components.sensor import SensorEntity, SensorEntityDescription

from .entity import FollowingEntity

_DIGITS = 4


@dataclass(frozen=True, kw_only=True)
class FigureDescription(SensorEntityDescription):
    """By how much a figure must move to be written; a word is written when it changes."""

    step_abs: float = 0.0


class Figure(FollowingEntity, SensorEntity):
    """A figure or a word of a watch."""

    entity_description: FigureDescription
    _raw: float | str | None = None
    _shown: Mapping[str, Any] | None = None

    @property
    @abstractmethod
    def raw(self) -> float | str | None:
        """What the watch says now."""

    @property
    @abstractmethod
    def attributes(self) -> Mapping[str, Any]:
        """What is told beside it; nothing that moves all the time."""

    @override
    def take(self) -> bool:
        """Take the figure; a move within the tolerance is not worth a write."""
        raw, shown = self.raw, dict(self.attributes)
        if shown == self._shown and not self._has_moved(raw):
            return False
        self._raw, self._shown = raw, shown
        self._attr_native_value = round(raw, _DIGITS) if isinstance(raw, float) else raw
        self._attr_extra_state_attributes = shown
        return True

    def _has_moved(self, raw: float | str | None) -> bool:
        last = self._raw
        if isinstance(raw, float) and isinstance(last, float):
            return raw != last and abs(raw - last) >= self.entity_description.step_abs
        return raw != last


class Alarm(FollowingEntity, BinarySensorEntity):
    """A yes or no of a watch."""

    @property
    @abstractmethod
    def raw(self) -> bool | None:
        """What the watch says now; None means not known."""

    @override
    def take(self) -> bool:
        """Take the present answer."""
        if (is_on := self.raw) == self._attr_is_on:
            return False
        self._attr_is_on = is_on
        return True
