"""A temperature watch in the hub: takes the thermometer and the heater's switch to the engine."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import STATE_OFF, STATE_ON
from homeassistant.core import CALLBACK_TYPE, Event, HomeAssistant, callback
from homeassistant.helpers.event import (
    async_track_state_change_event,
    async_track_state_report_event,
)
from homeassistant.util import dt as dt_util

from .const import (
    CONF_HEATER,
    CONF_HEATER_POWER_W,
    CONF_HIGH_C,
    CONF_LOW_C,
    CONF_ROOM_SOURCE,
    CONF_TEMPERATURE_SOURCE,
)
from .engine.heater_watch import HeaterWatch, ThermalSpec, ThermalView
from .engine.validity import InputError
from .owner import EntityOwner
from .readings import probe_temperature_c
from .settings import entity, number, positive
from .sources import registry_ids

_LOGGER = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """One temperature watch."""

    source: str
    heater: str | None
    room_source: str | None
    spec: ThermalSpec


def watch_settings(data: Mapping[str, Any], system_l: float) -> WatchSettings:
    """Return the settings of a temperature watch from its subentry's data.

    Raises:
        ValueError: naming what cannot be used and why.
    """
    power = data.get(CONF_HEATER_POWER_W)
    return WatchSettings(
        source=entity(data, CONF_TEMPERATURE_SOURCE),
        heater=data.get(CONF_HEATER),
        room_source=data.get(CONF_ROOM_SOURCE),
        spec=ThermalSpec(
            low_c=number(data, CONF_LOW_C),
            high_c=number(data, CONF_HIGH_C),
            power_w=None if power is None else positive(data, CONF_HEATER_POWER_W),
            volume_l=system_l,
        ),
    )


class TemperatureWatch(EntityOwner):
    """What is alive of a temperature watch between set-up and unload."""

    def __init__(
        self,
        hass: HomeAssistant,
        subentry: ConfigSubentry,
        settings: WatchSettings,
        *,
        on_learned: Callable[[], None],
    ) -> None:
        """Make the watch; nothing is subscribed before `async_start`."""
        self.hass = hass
        super().__init__(subentry)
        self.settings = settings
        self._engine = HeaterWatch(settings.spec)
        self._on_learned = on_learned
        self._registry_ids = registry_ids(hass, subentry.data)
        self._is_refusal_told = False
        self.view: ThermalView | None = None

    @callback
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Follow the entities; return what ends that."""
        source, heater = self.settings.source, self.settings.heater
        followed = [source] if heater is None else [source, heater]
        unsubscribe = [
            async_track_state_change_event(self.hass, followed, self._async_moved),
            async_track_state_report_event(self.hass, source, self._async_moved),
        ]
        self.async_look(now_s)
        return unsubscribe

    @callback
    def _async_moved(self, _event: Event[Any]) -> None:
        self.async_look(dt_util.utcnow().timestamp())

    @callback
    def async_look(self, now_s: float) -> None:
        """Take what thermometer and switch say now."""
        is_on = self._is_heater_on
        temp_c = self._temp_c(self.settings.source, now_s)
        room_c = self._temp_c(self.settings.room_source, now_s)
        try:
            self.view = self._engine.take(now_s, temp_c, is_on=is_on, room_c=room_c)
        except InputError as err:
            self._tell_refusal(err)
            self.view = self._engine.take(now_s, None, is_on=is_on)
        else:
            self._is_refusal_told = False
        self.refresh()
        self._on_learned()

    def _tell_refusal(self, err: InputError) -> None:
        """Log once why a temperature is not taken."""
        if not self._is_refusal_told:
            self._is_refusal_told = True
            _LOGGER.warning("%s takes no reading of %s: %s", self.title, self.settings.source, err)

    def _temp_c(self, source: str | None, now_s: float) -> float | None:
        return None if source is None else probe_temperature_c(self.hass.states.get(source), now_s)

    @property
    def _is_heater_on(self) -> bool | None:
        heater = self.settings.heater
        state = None if heater is None else self.hass.states.get(heater)
        return {STATE_ON: True, STATE_OFF: False}.get("" if state is None else state.state)

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned."""
        return {"watch": self._engine.snapshot(), "registry_ids": self._registry_ids}

    def restore(self, data: Mapping[str, Any]) -> bool:
        """Take up what was learned; return False, and start anew, if it is damaged."""
        try:
            self._engine.restore(data["watch"])
        except (KeyError, TypeError, AttributeError, ValueError) as err:
            _LOGGER.warning("Learned state of %s is damaged, starting anew: %s", self.title, err)
            return False
        return True

    def diagnostics(self) -> dict[str, Any]:
        """Return what a report of trouble needs."""
        return {
            "view": None if self.view is None else asdict(self.view),
            "learned": self._engine.snapshot(),
        }
