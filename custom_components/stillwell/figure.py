"""Figures and verdicts over what their owner shows: written when they moved by more than a step."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.components.binary_sensor import (
    BinarySensorEntity,
    BinarySensorEntityDescription,
)
from homeassistant.components.sensor import SensorEntity, SensorEntityDescription
from homeassistant.util import dt as dt_util

from .entity import FollowingEntity
from .owner import EntityOwner
from .per_day import UNIT_L_PER_DAY, PerDay

if TYPE_CHECKING:
    from homeassistant.helpers.entity import Entity

PERCENT: Final = 100.0
_DIGITS: Final = 4

type Attributes = Mapping[str, Any]


def percent(frac: float | None) -> float | None:
    """Return a share in percent; None stays not known."""
    return None if frac is None else PERCENT * frac


def _no_attributes(_owner: Any, _view: Any) -> Attributes:
    return {}


def _always(_owner: Any) -> bool:
    return True


@dataclass(frozen=True, kw_only=True)
class FigureDescription(SensorEntityDescription):
    """How a figure or word is read from a view, and by how much it must move to be written."""

    value_fn: Callable[[Any], float | str | None]
    step_abs: float = 0.0
    attributes_fn: Callable[[Any, Any], Attributes] = _no_attributes
    """What is told beside it, from owner and view; nothing that moves all the time."""
    reset_s_fn: Callable[[Any], float] | None = None
    """Since when a sum that may also fall counts, of a view; the hub's statistics need it."""
    only_if: Callable[[Any], bool] = _always
    """Whether an owner has this figure at all."""


@dataclass(frozen=True, kw_only=True)
class VerdictDescription(BinarySensorEntityDescription):
    """How a yes or no is read from a view; None means not known."""

    is_on_fn: Callable[[Any], bool | None]
    attributes_fn: Callable[[Any, Any], Attributes] = _no_attributes
    only_if: Callable[[Any], bool] = _always


class Figure(FollowingEntity, SensorEntity):
    """A figure or a word of a view."""

    entity_description: FigureDescription
    _raw: float | str | None = None
    _told: Attributes | None = None

    def __init__(
        self,
        owner: EntityOwner,
        description: FigureDescription,
        view_of: Callable[[], Any],
        unit: str | None = None,
    ) -> None:
        """Bind the entity to its owner, and to what makes the present view; None is no view yet.

        A unit is proposed where the hub's own choice by unit system would not be a keeper's.
        """
        super().__init__(owner, description)
        self._view_of = view_of
        self._attr_suggested_unit_of_measurement = unit or description.suggested_unit_of_measurement

    @override
    def take(self) -> bool:
        """Take the figure; a move within the step is not worth a write, one to or from 0 is."""
        view, description = self._view_of(), self.entity_description
        raw = None if view is None else description.value_fn(view)
        told = {} if view is None else dict(description.attributes_fn(self._owner, view))
        if told == self._told and not self._has_moved(raw):
            return False
        self._raw, self._told = raw, told
        self._attr_native_value = self._present(raw) if isinstance(raw, float) else raw
        self._attr_extra_state_attributes = told
        if view is not None and description.reset_s_fn is not None:
            self._attr_last_reset = dt_util.utc_from_timestamp(description.reset_s_fn(view))
        return True

    def _present(self, raw: float) -> float:
        return round(raw, _DIGITS)

    def _has_moved(self, raw: float | str | None) -> bool:
        last = self._raw
        if isinstance(raw, float) and isinstance(last, float) and raw != 0.0 and last != 0.0:
            return raw != last and abs(raw - last) >= self.entity_description.step_abs
        return raw != last


class PerDayFigure(PerDay, Figure):
    """A figure in litres a day."""

    @override
    def _present(self, raw: float) -> float:
        return super()._present(self.in_own_unit(raw))


class FigureVerdict(FollowingEntity, BinarySensorEntity):
    """A yes or no of a view."""

    entity_description: VerdictDescription
    _told: tuple[bool | None, Attributes] | None = None

    def __init__(
        self, owner: EntityOwner, description: VerdictDescription, view_of: Callable[[], Any]
    ) -> None:
        """Bind the entity to its owner, and to what makes the present view; None is no view yet."""
        super().__init__(owner, description)
        self._view_of = view_of

    @override
    def take(self) -> bool:
        """Take the present answer."""
        view, description = self._view_of(), self.entity_description
        is_on = None if view is None else description.is_on_fn(view)
        attributes = {} if view is None else dict(description.attributes_fn(self._owner, view))
        if self._told == (is_on, attributes):
            return False
        self._told = is_on, attributes
        self._attr_is_on, self._attr_extra_state_attributes = is_on, attributes
        return True


def figures(
    owner: EntityOwner, descriptions: Iterable[FigureDescription], view_of: Callable[[], Any]
) -> list[Entity]:
    """Return the figures an owner has, all of one view."""
    return [_kind(one)(owner, one, view_of) for one in descriptions if one.only_if(owner)]


def _kind(description: FigureDescription) -> type[Figure]:
    is_per_day = description.native_unit_of_measurement == UNIT_L_PER_DAY
    return PerDayFigure if is_per_day else Figure


def verdicts(
    owner: EntityOwner, descriptions: Iterable[VerdictDescription], view_of: Callable[[], Any]
) -> list[Entity]:
    """Return the verdicts an owner has, all of one view."""
    return [FigureVerdict(owner, one, view_of) for one in descriptions if one.only_if(owner)]
