"""What goes into a mixing vat to make it a batch: level, salinity and temperature to the engine."""

import logging
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.components.sensor import SensorDeviceClass, SensorStateClass
from homeassistant.const import Platform, UnitOfMass, UnitOfVolume
from homeassistant.core import CALLBACK_TYPE, Event, EventStateChangedData, callback
from homeassistant.helpers.entity import Entity
from homeassistant.helpers.event import async_track_state_change_event
from homeassistant.util import dt as dt_util

from .engine.salt_mass import Batch
from .engine.validity import InputError
from .engine.vat import Wanted, to_mix
from .figure import Figure, FigureDescription
from .form_units import FormUnits
from .readings import probe_temperature_c
from .salinity_reading import salinity_of
from .vessel_kinds import VatSettings
from .vessel_part import VesselPart

if TYPE_CHECKING:
    from .vessel import VesselRuntime

_LOGGER = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class VatView:
    """What is known of the vat; None is not known."""

    salinity_psu: float | None = None
    temp_c: float | None = None
    batch: Batch | None = None
    """To the full mark and the salinity wanted."""


SALT_TO_ADD: Final = FigureDescription(
    key="salt_to_add",
    translation_key="salt_to_add",
    device_class=SensorDeviceClass.WEIGHT,
    state_class=SensorStateClass.MEASUREMENT,
    native_unit_of_measurement=UnitOfMass.KILOGRAMS,
    suggested_display_precision=2,
    value_fn=lambda view: None if view.batch is None else view.batch.salt_kg,
    step_abs=0.005,
)

FRESH_WATER_TO_ADD: Final = FigureDescription(
    key="fresh_water_to_add",
    translation_key="fresh_water_to_add",
    device_class=SensorDeviceClass.VOLUME_STORAGE,
    state_class=SensorStateClass.MEASUREMENT,
    native_unit_of_measurement=UnitOfVolume.LITERS,
    suggested_display_precision=1,
    value_fn=lambda view: None if view.batch is None else view.batch.fresh_l,
    step_abs=0.05,
)


class VatPart(VesselPart):
    """The batch of one mixing vat."""

    key = "batch"

    def __init__(self, vessel: VesselRuntime, settings: VatSettings) -> None:
        """Make the part; nothing is subscribed before `async_start`."""
        super().__init__(vessel)
        self.settings = settings
        self.view = VatView()
        self._told: str | None = None

    @property
    def full_l(self) -> float:
        """A whole vat, L."""
        settings = self.vessel.settings
        return settings.vessel.volume_l(settings.full_m)

    @callback
    @override
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Follow the salinity source; the level's own reports come from the vessel."""
        source = self.settings.salinity_source
        if source is None:
            return []
        return [async_track_state_change_event(self.hass, source, self._async_salinity)]

    @callback
    def _async_salinity(self, event: Event[EventStateChangedData]) -> None:
        self.vessel.async_publish(event.time_fired_timestamp)

    @callback
    @override
    def async_look(self, t_s: float) -> None:
        """Make up what must go in now."""
        settings = self.settings
        temp_c = self._temp_c(t_s)
        wanted = Wanted(self.full_l, settings.target_psu, settings.salt_water_frac)
        psu: float | None = None
        batch: Batch | None = None
        try:
            psu = self._psu(t_s, temp_c)
            batch = to_mix(wanted, self.vessel.view.volume_l, psu, temp_c)
        except InputError as err:
            self._tell(str(err))
        else:
            self._told = None
        self.view = VatView(psu, temp_c, batch)

    def _tell(self, why: str) -> None:
        """Say once in the log why there is no answer; the action says it to whoever asks."""
        if self._told is None:
            _LOGGER.info("No batch of %s can be made up: %s", self.vessel.title, why)
        self._told = why

    def _temp_c(self, t_s: float) -> float | None:
        source = self.vessel.settings.temperature_source
        return None if source is None else probe_temperature_c(self.hass.states.get(source), t_s)

    def _psu(self, t_s: float, temp_c: float | None) -> float | None:
        source = self.settings.salinity_source
        if source is None:
            return None
        state = self.hass.states.get(source)
        return salinity_of(state, t_s, temp_c, is_at_25=self.settings.is_at_25)

    def batch(self, wanted: Wanted, present_psu: float | None) -> Batch | None:
        """Return what must go in for a batch; None when level or salinity is not known.

        Args:
            wanted: The batch.
            present_psu: Salinity of what is in the vat, if somebody has measured it just now.

        Raises:
            InputError: The salinity source says what no seawater has, or the vat holds too
                much salt or water for the batch already.
        """
        now_s = dt_util.utcnow().timestamp()
        temp_c = self._temp_c(now_s)
        psu = self._psu(now_s, temp_c) if present_psu is None else present_psu
        return to_mix(wanted, self.vessel.view.volume_l, psu, temp_c)

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return salt and water to add."""
        if platform is not Platform.SENSOR:
            return []
        mass = FormUnits.of(self.hass).mass
        return [
            Figure(self.vessel, SALT_TO_ADD, lambda: self.view, mass),
            Figure(self.vessel, FRESH_WATER_TO_ADD, lambda: self.view),
        ]

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return asdict(self.view)
