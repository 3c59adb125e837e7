"""What all watches are: one subentry that follows entities and judges.

None switches a device; one that moves water asks the guards of fill lines to.
"""

import logging
from abc import abstractmethod
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import Platform
from homeassistant.core import CALLBACK_TYPE, Event, HomeAssistant, callback
from homeassistant.helpers.entity import Entity
from homeassistant.helpers.event import (
    async_track_state_change_event,
    async_track_state_report_event,
)
from homeassistant.util import dt as dt_util

from .owner import EntityOwner
from .readings import OLDEST_TEMPERATURE_S, probe_temperature_c
from .sources import registry_ids

if TYPE_CHECKING:
    from .coordinator import System

_LOGGER = logging.getLogger(__name__)

KEY_MEMORY: Final = "watch"


class Watch(EntityOwner):
    """A watch between set-up and unload; subclasses say what they follow, learn and show."""

    def __init__(self, system: System, subentry: ConfigSubentry) -> None:
        """Take the subentry; vessels and lines of the system are there, other watches not yet."""
        super().__init__(subentry)
        self.system = system
        self.kind = subentry.subentry_type
        self.hass: HomeAssistant = system.hass
        self.registry_ids = registry_ids(system.hass, subentry.data)
        self._is_refused = False
        """Whether the engine does not take what is seen."""

    @property
    @abstractmethod
    def followed(self) -> list[str]:
        """The entities whose changes are looked at when they come."""

    @property
    def reported(self) -> list[str]:
        """Those of them whose repetitions are news, too."""
        return []

    @property
    def measured_by(self) -> str | None:
        """The entity whose own reading it is about; None where there is none, or more than one."""
        return None

    @abstractmethod
    def async_look(self, now_s: float) -> None:
        """Take what the followed entities say now; called each half minute as well."""

    @abstractmethod
    def entities(self, platform: Platform) -> list[Entity]:
        """Return the entities of a platform, made anew."""

    def learned(self) -> dict[str, Any]:
        """Return what must outlive the hub."""
        return {}

    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up what was learned.

        Raises:
            ValueError, KeyError, TypeError, AttributeError: It is damaged.
        """

    def guarded(self) -> dict[str, Any]:
        """Return what safety depends on; `System.async_save_safety` saves it at once."""
        return {}

    def reguard(self, data: Mapping[str, Any] | None, *, is_damaged: bool) -> None:
        """Take up what safety depends on; None: nothing of this watch is stored.

        What is damaged must never be taken for harmless.
        """

    def facts(self) -> dict[str, Any]:
        """Return what a report of trouble needs beside what was learned."""
        return {}

    def report(self) -> dict[str, Any]:
        """Return what the daily report may say of it: fields of `DayFacts`, words in its language.

        An alarm that an entity of device class *problem* shows is told without it.
        """
        return {}

    @callback
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Follow the entities; return what ends that."""
        unsubscribe = []
        if followed := self.followed:
            unsubscribe.append(
                async_track_state_change_event(self.hass, followed, self._async_moved)
            )
        if reported := self.reported:
            unsubscribe.append(
                async_track_state_report_event(self.hass, reported, self._async_moved)
            )
        self.async_look(now_s)
        return unsubscribe

    @callback
    def async_stop(self) -> None:
        """Permit nothing any more: the hub stops, or the system is unloaded."""

    @callback
    def _async_moved(self, _event: Event[Any]) -> None:
        self.async_look(dt_util.utcnow().timestamp())

    # What most of them need

    def _temp_c(
        self, source: str | None, now_s: float, oldest_s: float = OLDEST_TEMPERATURE_S
    ) -> float | None:
        """Return what a thermometer says now, degC; None without one, or when nobody knows."""
        state = None if source is None else self.hass.states.get(source)
        return probe_temperature_c(state, now_s, oldest_s)

    def _note_refusal(self, err: Exception | None) -> None:
        """Log once why what is seen is not taken; None: it is taken again."""
        if err is not None and not self._is_refused:
            defect = None if isinstance(err, ValueError) else err
            _LOGGER.warning("%s takes no reading: %s", self.title, err, exc_info=defect)
        self._is_refused = err is not None

    # Memory

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned, and by which entities."""
        return {KEY_MEMORY: self.learned(), "registry_ids": self.registry_ids}

    def restore(self, data: Mapping[str, Any]) -> bool:
        """Take up what was learned; return False, and start anew, if it is damaged."""
        try:
            self.relearn(data[KEY_MEMORY])
        except (KeyError, TypeError, AttributeError, ValueError) as err:
            _LOGGER.warning("Learned state of %s is damaged, starting anew: %s", self.title, err)
            return False
        return True

    def diagnostics(self) -> dict[str, Any]:
        """Return what a report of trouble needs."""
        return {"learned": self.learned(), "guarded": self.guarded(), **self.facts()}


type MakeWatch = Callable[[System, ConfigSubentry], Watch]
"""Makes a watch of a subentry; raises ValueError, saying why, when its settings are no use."""
