"""One clock for all systems of the hub: each look costs a timer of the hub otherwise."""

import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from homeassistant.core import CALLBACK_TYPE, HomeAssistant, callback
from homeassistant.helpers.event import async_track_time_interval
from homeassistant.helpers.singleton import singleton
from homeassistant.util.hass_dict import HassKey

from .const import DOMAIN

_LOGGER = logging.getLogger(__name__)

TICK: Final = timedelta(seconds=30)

type Look = Callable[[float], None]
"""What is done at a time (epoch seconds)."""


class Ticker:
    """Lets time pass for whoever asked; it runs while anybody does."""

    def __init__(self, hass: HomeAssistant) -> None:
        """Make the clock; it stands."""
        self._hass = hass
        self._looks: list[Look] = []
        self._stop: CALLBACK_TYPE | None = None

    @callback
    def async_add(self, look: Look) -> CALLBACK_TYPE:
        """Call back at every tick; return what ends that."""
        self._looks.append(look)
        if self._stop is None:
            self._stop = async_track_time_interval(
                self._hass, self._async_tick, TICK, name=f"{DOMAIN} tick"
            )

        @callback
        def remove() -> None:
            self._looks.remove(look)
            if not self._looks and self._stop is not None:
                self._stop()
                self._stop = None

        return remove

    @callback
    def _async_tick(self, now: datetime) -> None:
        now_s = now.timestamp()
        for look in tuple(self._looks):
            try:
                look(now_s)
            except Exception:
                # A fault in one system must not let time stand still for the others.
                _LOGGER.exception("Time could not pass for a system")


@singleton(HassKey[Ticker](f"{DOMAIN}_ticker"))
@callback
def async_ticker(hass: HomeAssistant) -> Ticker:
    """Return the hub's one clock of ours."""
    return Ticker(hass)
