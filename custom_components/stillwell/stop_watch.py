"""Whether the hub has begun to stop: it still counts as running while shutdown jobs are called."""

from homeassistant.core import HassJob, HomeAssistant, callback
from homeassistant.helpers.singleton import singleton
from homeassistant.util.hass_dict import HassKey

from .const import DOMAIN


class StopWatch:
    """Hears of the stop as a shutdown job of its own."""

    def __init__(self, hass: HomeAssistant) -> None:
        """Begin to listen; jobs are called in the order in which they were added."""
        self.has_begun = False
        hass.async_add_shutdown_job(HassJob(self._async_begin))

    @callback
    def _async_begin(self) -> None:
        self.has_begun = True


@singleton(HassKey[StopWatch](f"{DOMAIN}_stop_watch"))
@callback
def async_stop_watch(hass: HomeAssistant) -> StopWatch:
    """Return the one of this hub, made when it is first asked for."""
    return StopWatch(hass)
