"""The second shut-off of a fill line: closed where the first may not hold, until it confirms."""

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from homeassistant.core import CALLBACK_TYPE, HassJob, HomeAssistant, callback
from homeassistant.helpers.event import async_call_later

from .actuator import Actuator
from .const import DOMAIN
from .engine.quantities import MINUTE_S

PAUSES_S: Final = (5.0, 10.0, 15.0, 30.0)
"""Between one OFF and the next: at 0, 5, 15, 30 and 60 s, then every minute, without end."""


class SecondaryShutOff:
    """Puts devices off, again and again, until each of them reads off."""

    def __init__(self, hass: HomeAssistant, entity_ids: Iterable[str]) -> None:
        """Name the devices; none at all is a line without a second shut-off."""
        self.hass = hass
        self.is_pending = False
        """Ordered, and not all of them have confirmed yet."""
        self._actuators = [Actuator(hass, entity_id) for entity_id in entity_ids]
        self._tries = 0
        self._cancel: CALLBACK_TYPE | None = None

    @callback
    def async_order(self) -> None:
        """Put all of them off now; an order that is under way already goes on."""
        if self._actuators and not self.is_pending:
            self.is_pending = True
            self._tries = 0
            self._async_send()

    @callback
    def async_cancel(self) -> None:
        """Repeat no more: the line was reset, or is not watched any more."""
        self.is_pending = False
        self.async_pause()

    @callback
    def async_pause(self) -> None:
        """Stop the clock; what is pending stays on record."""
        if self._cancel is not None:
            self._cancel()
            self._cancel = None

    @callback
    def _async_send(self, _now: datetime | None = None) -> None:
        self._cancel = None
        waiting = [actuator for actuator in self._actuators if actuator.is_on is not False]
        if not waiting:
            self.is_pending = False
            return
        for actuator in waiting:
            self.hass.async_create_task(
                actuator.async_command(on=False), f"{DOMAIN} second shut-off", eager_start=True
            )
        pause_s = PAUSES_S[self._tries] if self._tries < len(PAUSES_S) else MINUTE_S
        self._tries += 1
        self._cancel = async_call_later(
            self.hass, pause_s, HassJob(self._async_send, cancel_on_shutdown=True)
        )
