"""What comes down into a sump when its return pump stops: the pump and the level to the engine."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, override

from homeassistant.const import Platform
from homeassistant.core import CALLBACK_TYPE, Event, EventStateChangedData, callback
from homeassistant.helpers.entity import Entity
from homeassistant.helpers.event import async_track_state_change_event
from homeassistant.util import dt as dt_util

from .actuator import Actuator
from .const import DEFAULT_RETURN_SETTLE_S
from .drain_entities import drain_alarms, drain_sensors
from .engine.pump_stop import DrainView, PumpStops
from .vessel_part import VesselPart

if TYPE_CHECKING:
    from .vessel import VesselRuntime


class DrainPart(VesselPart):
    """The drain-down of one sump."""

    key = "drain_down"

    def __init__(self, vessel: VesselRuntime, pump: str, rim_m: float) -> None:
        """Make the part; nothing is subscribed before `async_start`."""
        super().__init__(vessel)
        settings = vessel.settings
        self._pump = pump
        self._engine = PumpStops(settings.vessel, rim_m, settings.high_m, DEFAULT_RETURN_SETTLE_S)
        self.view = DrainView()

    @callback
    @override
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Follow the return pump; its settling time is chosen at the lines."""
        chosen_s = [
            line.settings.return_settle_s
            for line in (*self.vessel.lines, *self.vessel.drains)
            if line.settings.return_pump == self._pump
        ]
        # Signal and permit would contradict each other if they waited for different times.
        self._engine.choose_settling(max(chosen_s, default=DEFAULT_RETURN_SETTLE_S))
        self._engine.pump(now_s, on=Actuator.read(self.hass.states.get(self._pump)))
        return [async_track_state_change_event(self.hass, self._pump, self._async_pump)]

    @callback
    def _async_pump(self, event: Event[EventStateChangedData]) -> None:
        t_s = event.time_fired_timestamp
        self._engine.pump(t_s, on=Actuator.read(event.data["new_state"]))
        self.vessel.async_tick(t_s)

    @property
    @override
    def is_return_settled(self) -> bool:
        """Whether the pump has run long enough for the level to mean something."""
        return self._engine.is_settled(dt_util.utcnow().timestamp())

    @callback
    @override
    def async_level(self, t_s: float) -> None:
        """Take a level that is to be believed, while nothing else moves the water."""
        level = self.vessel.model.guard_level(t_s)
        if self.vessel.is_at_rest and level.usable and level.volume_l is not None:
            self._engine.level(t_s, level.volume_l, level.noise_l, level.resolution_l)

    @callback
    @override
    def async_look(self, t_s: float) -> None:
        """Make up what the present level means for a power cut.

        Called when a line was switched, too: a short run may fall between two reports.
        """
        if not self.vessel.is_at_rest:
            self._engine.disturbed()
        self.view = self._engine.view(t_s, self.vessel.view.volume_l)

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return room, what comes down, and the warning."""
        if platform is Platform.SENSOR:
            return drain_sensors(self)
        return drain_alarms(self) if platform is Platform.BINARY_SENSOR else []

    @override
    def learned(self) -> dict[str, Any]:
        """Return what stops have brought down, and how long starts took."""
        return self._engine.snapshot()

    @override
    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take that up."""
        self._engine.restore(data)

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return asdict(self.view)
