"""How warm a system's water is, by whichever thermometer in it says so now."""

from typing import TYPE_CHECKING

from .readings import probe_temperature_c
from .temperature_watch import TemperatureWatch

if TYPE_CHECKING:
    from .coordinator import System
    from .vessel import VesselRuntime


def water_temp_c(system: System, sump: VesselRuntime, now_s: float) -> float | None:
    """Return the temperature, degC; None without a thermometer, or when none of them is fresh.

    The sump's own thermometer comes before those of temperature watches.
    """
    sources = [
        watch.settings.source
        for watch in system.watches.values()
        if isinstance(watch, TemperatureWatch)
    ]
    if sump.settings.temperature_source is not None:
        sources.insert(0, sump.settings.temperature_source)
    found = (probe_temperature_c(system.hass.states.get(source), now_s) for source in sources)
    return next((temp_c for temp_c in found if temp_c is not None), None)
