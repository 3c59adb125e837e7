"""Whether the hub has begun to stop: it still counts as running while shutdown jobs are called."""

from homeassistant.core import HassJob, HomeAssistant, callback
from homeassistant.helpers.singleton import singleton
from homeassistant.util.hass_dict import HassKey

from .const import DOMAIN


class HubStop:
    """Hears of the stop as a shutdown job of its own."""

    def __init__(self, hass: HomeAssistant) -> None:
        """Begin to listen; jobs are called in the order in which they were added."""
        self.has_begun = False
        hass.async_add_shutdown_job(HassJob(self._async_begin))

    @callback
    def _async_begin(self) -> None:
        self.has_begun = True


@singleton(HassKey[HubStop](f"{DOMAIN}_hub_stop"))
@callback
def async_hub_stop(hass: HomeAssistant) -> HubStop:
    """Return the one of this hub, made when it is first asked for."""
    return HubStop(hass)
