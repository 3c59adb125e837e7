"""Which subentries are watches, and what makes each."""

from collections.abc import Mapping
from typing import Final

from .const import (
    SUBENTRY_DOSING,
    SUBENTRY_EVAPORATION_WATCH,
    SUBENTRY_RODI_UNIT,
    SUBENTRY_SALINITY_WATCH,
    SUBENTRY_TEMPERATURE_WATCH,
    SUBENTRY_WATER_CHANGE,
)
from .dosing_watch import make_dosing_watch
from .evaporation_watch import make_evaporation_watch
from .rodi_watch import make_rodi_watch
from .salinity_watch import make_salinity_watch
from .temperature_watch import make_temperature_watch
from .watch import MakeWatch
from .water_change import make_water_change

WATCH_KINDS: Final[Mapping[str, MakeWatch]] = {
    SUBENTRY_TEMPERATURE_WATCH: make_temperature_watch,
    SUBENTRY_RODI_UNIT: make_rodi_watch,
    SUBENTRY_DOSING: make_dosing_watch,
    SUBENTRY_EVAPORATION_WATCH: make_evaporation_watch,
    SUBENTRY_SALINITY_WATCH: make_salinity_watch,
    SUBENTRY_WATER_CHANGE: make_water_change,
}
