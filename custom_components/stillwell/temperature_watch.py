"""A temperature watch in the hub: takes the thermometer and the heater's switch to the engine."""

import logging
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import inf
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import STATE_OFF, STATE_ON, Platform
from homeassistant.core import CoreState, callback
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers.entity import Entity
from homeassistant.util import dt as dt_util

from .const import (
    CONF_HEATER,
    CONF_HEATER_POWER_W,
    CONF_HIGH_C,
    CONF_LOW_C,
    CONF_ROOM_SOURCE,
    CONF_SILENCE_S,
    CONF_TEMPERATURE_SOURCE,
    DOMAIN,
)
from .engine.cut_out import SILENCE_S, CutOut, CutOutFacts, CutOutReason, CutOutView
from .engine.heater_watch import HeaterVerdict, HeaterWatch, ThermalSpec, ThermalView
from .engine.invalid import Amount, Code
from .engine.validity import InputError
from .readings import OLDEST_TEMPERATURE_S, is_recent, temperature_c
from .settings import SettingsError, entity, number, positive, system_settings
from .temperature_entities import temperature_alarms, temperature_buttons, temperature_sensors
from .watch import Watch

if TYPE_CHECKING:
    from .coordinator import System

_LOGGER = logging.getLogger(__name__)

SHORTEST_SILENCE_S: Final = 60.0
LONGEST_SILENCE_S: Final = OLDEST_TEMPERATURE_S


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """One temperature watch."""

    source: str
    heater: str | None
    room_source: str | None
    spec: ThermalSpec
    silence_s: float


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
        silence_s=_silence_s(data),
    )


def _silence_s(data: Mapping[str, Any]) -> float:
    silence_s = number(data, CONF_SILENCE_S, SILENCE_S)
    if not SHORTEST_SILENCE_S <= silence_s <= LONGEST_SILENCE_S:
        low, high = Amount(SHORTEST_SILENCE_S, "s"), Amount(LONGEST_SILENCE_S, "s")
        raise SettingsError(CONF_SILENCE_S, Code.BETWEEN, low=low, high=high)
    return silence_s


class TemperatureWatch(Watch):
    """What is alive of a temperature watch between set-up and unload."""

    def __init__(self, system: System, subentry: ConfigSubentry, settings: WatchSettings) -> None:
        """Make the watch; nothing is subscribed before `async_start`."""
        super().__init__(system, subentry)
        self.settings = settings
        self._engine = HeaterWatch(settings.spec)
        self._cut_out = CutOut(settings.spec.high_c, settings.silence_s)
        self.view: ThermalView | None = None
        self.cut_out: CutOutView | None = None

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

    @property
    @override
    def measured_by(self) -> str | None:
        """The thermometer."""
        return self.settings.source

    @callback
    @override
    def async_look(self, now_s: float) -> None:
        """Take what thermometer and switch say now."""
        is_on = self._is_heater_on
        temp_c = self._temp_c(self.settings.source, now_s, self.settings.silence_s)
        room_c = self._temp_c(self.settings.room_source, now_s, OLDEST_TEMPERATURE_S)
        try:
            self.view = self._engine.take(now_s, temp_c, is_on=is_on, room_c=room_c)
        except InputError as err:
            self._note_refusal(err)
            self.view = self._engine.take(now_s, None, is_on=is_on)
        except Exception as err:  # noqa: BLE001 - whatever it is, the heater must not stay on
            self._note_refusal(err)
            self.view = None
        else:
            self._note_refusal(None)
        self._judge_cut_out(now_s)
        self.refresh()
        self.system.async_learned()

    def _judge_cut_out(self, now_s: float) -> None:
        """Judge the heater's circuit; what changed is saved at once."""
        before = self._cut_out.snapshot()
        # Not `is_running`: that holds while the hub still starts and no rule is armed.
        has_started = self.hass.state is CoreState.running
        facts = self._cut_out_facts(now_s)
        self.cut_out = self._cut_out.take(now_s, facts, has_started=has_started)
        if self._cut_out.snapshot() != before:
            self.hass.async_create_task(
                self.system.async_save_safety(), f"{DOMAIN} saves {self.title}"
            )

    def _cut_out_facts(self, now_s: float) -> CutOutFacts:
        view = self.view
        return CutOutFacts(
            temp_c=None if view is None else view.temp_c,
            heard_s=self._heard_s(now_s),
            is_too_warm=view is not None and view.is_high,
            is_stuck_on=view is not None and view.heater is HeaterVerdict.STUCK_ON,
        )

    def _heard_s(self, now_s: float) -> float | None:
        """When the thermometer last reported a temperature the engine takes."""
        state = self.hass.states.get(self.settings.source)
        if state is None or self._is_refused or temperature_c(state) is None:
            return None
        if not is_recent(state, now_s, inf):
            return None
        return state.last_reported_timestamp

    async def async_reset_cut_out(self) -> None:
        """Leave the latch of the cut-out.

        Raises:
            ServiceValidationError: What caused it still stands.
        """
        is_lost = self.cut_out is not None and self.cut_out.is_lost
        facts = self._cut_out_facts(dt_util.utcnow().timestamp())
        refusal = self._cut_out.refusal(facts, is_lost=is_lost)
        if refusal is not CutOutReason.NONE:
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key=f"cut_out_stays_{refusal.value}",
                translation_placeholders={"watch": self.title},
            )
        self._cut_out.reset()
        self.async_look(dt_util.utcnow().timestamp())
        await self.system.async_save_safety()

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
        if platform is Platform.SENSOR:
            return temperature_sensors(self)
        if platform is Platform.BINARY_SENSOR:
            return temperature_alarms(self)
        return temperature_buttons(self) if platform is Platform.BUTTON else []

    @override
    def learned(self) -> dict[str, Any]:
        """Return what the engine learned."""
        return self._engine.snapshot()

    @override
    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up what the engine learned."""
        self._engine.restore(dict(data))

    @override
    def guarded(self) -> dict[str, Any]:
        """Return what the cut-out remembers."""
        return self._cut_out.snapshot()

    @override
    def reguard(self, data: Mapping[str, Any] | None, *, is_damaged: bool) -> None:
        """Take up what the cut-out remembers; without it a warm tank cuts out again by itself."""
        if data is None:
            return
        try:
            self._cut_out.restore(dict(data))
        except ValueError as err:
            _LOGGER.warning("The cut-out of %s starts anew: %s", self.title, err)

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return {
            "view": None if self.view is None else asdict(self.view),
            "cut_out": None if self.cut_out is None else asdict(self.cut_out),
        }


def make_temperature_watch(system: System, subentry: ConfigSubentry) -> TemperatureWatch:
    """Make the watch of a subentry.

    Raises:
        ValueError: Its settings cannot be used.
    """
    settings = watch_settings(subentry.data, system_settings(system.entry).volume_l)
    return TemperatureWatch(system, subentry, settings)
