"""A temperature watch in the hub: takes the thermometer and the heater's switch to the engine."""

import logging
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, override

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import STATE_OFF, STATE_ON, Platform
from homeassistant.core import callback
from homeassistant.helpers.entity import Entity

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
from .readings import probe_temperature_c
from .settings import entity, number, positive, system_settings
from .temperature_entities import temperature_alarms, temperature_sensors
from .watch import Watch

if TYPE_CHECKING:
    from .coordinator import System

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


class TemperatureWatch(Watch):
    """What is alive of a temperature watch between set-up and unload."""

    def __init__(self, system: System, subentry: ConfigSubentry, settings: WatchSettings) -> None:
        """Make the watch; nothing is subscribed before `async_start`."""
        super().__init__(system, subentry)
        self.settings = settings
        self._engine = HeaterWatch(settings.spec)
        self._is_refusal_told = False
        self.view: ThermalView | None = None

    @property
    @override
    def followed(self) -> list[str]:
        """The thermometer and the heater's switch."""
        source, heater = self.settings.source, self.settings.heater
        return [source] if heater is None else [source, heater]

    @property
    @override
    def reported(self) -> list[str]:
        """The thermometer: that it says the same again is news."""
        return [self.settings.source]

    @callback
    @override
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
        self.system.async_learned()

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

    @override
    def report(self) -> dict[str, Any]:
        """Return between what the water was in the last day."""
        view = self.view
        return {} if view is None else {"swing_k": view.swing_k, "lowest_c": view.lowest_c}

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return figures and alarms."""
        has_heater = self.settings.heater is not None
        if platform is Platform.SENSOR:
            return temperature_sensors(self, has_heater=has_heater)
        if platform is Platform.BINARY_SENSOR:
            return temperature_alarms(self, has_heater=has_heater)
        return []

    @override
    def learned(self) -> dict[str, Any]:
        """Return what the engine learned."""
        return self._engine.snapshot()

    @override
    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up what the engine learned."""
        self._engine.restore(dict(data))

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return {"view": None if self.view is None else asdict(self.view)}


def make_temperature_watch(system: System, subentry: ConfigSubentry) -> TemperatureWatch:
    """Make the watch of a subentry.

    Raises:
        ValueError: Its settings cannot be used.
    """
    settings = watch_settings(subentry.data, system_settings(system.entry).volume_l)
    return TemperatureWatch(system, subentry, settings)
