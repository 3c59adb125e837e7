"""What a kind of vessel has beside level and use: it hears the vessel, learns, and shows."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from homeassistant.const import Platform
from homeassistant.core import CALLBACK_TYPE, callback
from homeassistant.helpers.entity import Entity

if TYPE_CHECKING:
    from .vessel import VesselRuntime


class VesselPart:
    """A part of one vessel; subclasses say what it learns and shows."""

    key: str
    """Its place in what the vessel keeps."""

    def __init__(self, vessel: VesselRuntime) -> None:
        """Take the vessel it belongs to."""
        self.vessel = vessel
        self.hass = vessel.hass

    @callback
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:  # noqa: ARG002
        """Follow what it needs; return what ends that."""
        return []

    @property
    def is_return_settled(self) -> bool:
        """Whether nothing it knows of moves the level now."""
        return True

    @callback
    def async_level(self, t_s: float) -> None:
        """Take the level that the vessel has just judged."""

    @callback
    def async_look(self, t_s: float) -> None:
        """Make up what is shown, before the entities are refreshed."""

    def entities(self, platform: Platform) -> list[Entity]:  # noqa: ARG002
        """Return the entities of a platform, made anew."""
        return []

    def learned(self) -> dict[str, Any]:
        """Return what must outlive the hub."""
        return {}

    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up what was learned.

        Raises:
            ValueError, KeyError, TypeError, AttributeError: It is damaged.
        """

    def facts(self) -> dict[str, Any]:
        """Return what a report of trouble needs."""
        return {}
