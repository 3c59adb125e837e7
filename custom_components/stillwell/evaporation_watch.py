"""An evaporation watch in the hub: takes water, room and vessel to the engine's books."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import Platform
from homeassistant.core import callback
from homeassistant.helpers.entity import Entity
from homeassistant.util import dt as dt_util

from .const import (
    CONF_ACTIVITY_FRAC,
    CONF_HUMIDITY_SOURCE,
    CONF_ROOM_SOURCE,
    CONF_SURFACE_M2,
    CONF_TEMPERATURE_SOURCE,
    CONF_TEMPERATURE_WATCH,
    CONF_VESSEL,
    SUBENTRY_RESERVOIR,
)
from .decision_text import common_text, state_text
from .engine.evaporation_book import (
    EvaporationBook,
    EvaporationView,
    Measured,
    SaltLedger,
    SurfaceSpec,
    Surroundings,
)
from .engine.evaporation_reading import EvaporationReading
from .engine.heater_watch import regulating_power_w
from .engine.invalid import Code
from .engine.quantities import Reason
from .engine.validity import InputError
from .evaporation_entities import evaporation_buttons, evaporation_sensors
from .local_time import LocalTime
from .readings import humidity_frac
from .settings import (
    SettingsError,
    entity,
    number,
    positive,
    system_settings,
    vessel_missing,
)
from .temperature_watch import TemperatureWatch
from .watch import Watch
from .watch_links import salt_verdict_of

if TYPE_CHECKING:
    from .coordinator import System
    from .vessel import VesselRuntime

NOTHING_SEEN: Final = Surroundings()
WANT_A_HAND: Final = frozenset(EvaporationReading) - {
    EvaporationReading.UNKNOWN,
    EvaporationReading.AS_EXPECTED,
    EvaporationReading.WATER_LEAVING,
}
"""Water that leaks is an alarm; the rest is looked after some time this week."""


@dataclass(frozen=True, slots=True)
class EvaporationSettings:
    """One evaporation watch."""

    vessel: str
    """Subentry of the vessel it is measured from."""
    source: str
    """Thermometer in the water."""
    room_source: str | None
    humidity_source: str | None
    temperature_watch: str | None
    """Subentry of the watch that knows the heater."""
    spec: SurfaceSpec


def evaporation_settings(data: Mapping[str, Any], salinity: float) -> EvaporationSettings:
    """Return the settings of an evaporation watch from its subentry's data.

    Raises:
        ValueError: naming what cannot be used and why.
    """
    vessel = data.get(CONF_VESSEL)
    if not isinstance(vessel, str):
        raise SettingsError(CONF_VESSEL, Code.NOT_NAMED)
    return EvaporationSettings(
        vessel=vessel,
        source=entity(data, CONF_TEMPERATURE_SOURCE),
        room_source=data.get(CONF_ROOM_SOURCE),
        humidity_source=data.get(CONF_HUMIDITY_SOURCE),
        temperature_watch=data.get(CONF_TEMPERATURE_WATCH),
        spec=SurfaceSpec(
            area_m2=positive(data, CONF_SURFACE_M2),
            salinity=salinity,
            activity_frac=number(data, CONF_ACTIVITY_FRAC),
        ),
    )


class EvaporationWatch(Watch):
    """What is alive of an evaporation watch between set-up and unload."""

    def __init__(
        self,
        system: System,
        subentry: ConfigSubentry,
        settings: EvaporationSettings,
        vessel: VesselRuntime,
    ) -> None:
        """Make the watch; nothing is subscribed before `async_start`."""
        super().__init__(system, subentry)
        self.settings = settings
        self.vessel: VesselRuntime = vessel
        # A reservoir supplies the tank; anything else holds the tank's own water.
        is_tank_water = vessel.kind != SUBENTRY_RESERVOIR
        self._book = EvaporationBook(replace(settings.spec, is_tank_water=is_tank_water))
        self._local_time = LocalTime()
        self.view: EvaporationView | None = None

    @property
    @override
    def followed(self) -> list[str]:
        """Thermometers and the room's humidity."""
        settings = self.settings
        named = (settings.source, settings.room_source, settings.humidity_source)
        return [entity_id for entity_id in named if entity_id is not None]

    @callback
    @override
    def async_look(self, now_s: float) -> None:
        """Take what is seen of water, room and vessel now."""
        seen = self._seen(now_s)
        day = self._local_time.day(now_s)
        try:
            self._book.take(now_s, day, seen)
        except InputError as err:
            self._note_refusal(err)
            seen = NOTHING_SEEN
            self._book.take(now_s, day, seen)
        else:
            self._note_refusal(None)
        if self._book.is_day_due(now_s):
            self._book.close(now_s, self.vessel.model.balance.days)
        if self.vessel.settings.replaces_evaporation:
            self.vessel.model.set_demand(self._book.demand_ratio(now_s))
        shown = self.vessel.view
        measured = Measured(shown.use_l_per_day, shown.held_s)
        self.view = self._book.view(now_s, measured, seen, salt_verdict_of(self.system))
        self.refresh()
        self.system.async_learned()

    def _seen(self, now_s: float) -> Surroundings:
        settings = self.settings
        return Surroundings(
            water_c=self._temp_c(settings.source, now_s),
            room_c=self._temp_c(settings.room_source, now_s),
            humidity_frac=humidity_frac(
                self.hass.states.get(settings.humidity_source or ""), now_s
            ),
            heater_w=self._heater_w,
            is_disturbed=self._is_disturbed,
        )

    @property
    def _heater_w(self) -> float | None:
        watch = self.system.watches.get(self.settings.temperature_watch or "")
        if not isinstance(watch, TemperatureWatch) or watch.view is None:
            return None
        return regulating_power_w(watch.settings.spec, watch.view)

    @property
    def _is_disturbed(self) -> bool:
        """Whether an alarm stands or somebody works at the water."""
        vessel = self.vessel
        loss = vessel.view.loss
        lines = (*vessel.lines, *vessel.draws)
        return (
            (loss is not None and loss.is_alarm)
            or vessel.check_reason is Reason.MAINTENANCE
            or any(line.watch.is_locked_out for line in lines)
        )

    # What other watches ask

    @property
    def measured_l_per_day(self) -> float | None:
        """Measured evaporation; None while it is not known."""
        return None if self.view is None else self.view.measured_l_per_day

    def salt_ledger(self, now_s: float) -> SaltLedger | None:
        """Return fresh water that came in against evaporation; None while it is not known."""
        return self._book.salt_ledger(now_s)

    @override
    def report(self) -> dict[str, Any]:
        """Return what the report of the day says of evaporation."""
        if (view := self.view) is None:
            return {}
        is_learned = view.coefficient is not None
        said = state_text(self.hass, "evaporation_reading", view.reading.value)
        told = [common_text(self.hass, "report_watch", watch=self.title, said=said)]
        return {
            "evaporation_l": view.measured_l_per_day,
            # A guess is nothing to be measured against.
            "expected_evaporation_l": view.expected_l_per_day if is_learned else None,
            "alarms": told if view.reading is EvaporationReading.WATER_LEAVING else [],
            "hands_needed": told if view.reading in WANT_A_HAND else [],
        }

    # What a person asks for

    @callback
    def async_relearn(self) -> None:
        """Forget what was learned: a cover, a fan or the surface was changed."""
        self._book.relearn()
        self.async_look(dt_util.utcnow().timestamp())

    # Entities and memory

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return figures, the reading and the button."""
        if platform is Platform.SENSOR:
            return evaporation_sensors(self)
        if platform is Platform.BUTTON:
            return evaporation_buttons(self)
        return []

    @override
    def learned(self) -> dict[str, Any]:
        """Return the books, and the vessel they are of."""
        return {"vessel": self.vessel.subentry_id, "books": self._book.snapshot()}

    @override
    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up the books; those of another vessel are of no use."""
        if data["vessel"] == self.vessel.subentry_id:
            self._book.restore(data["books"])

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return {"view": None if self.view is None else asdict(self.view)}


def make_evaporation_watch(system: System, subentry: ConfigSubentry) -> EvaporationWatch:
    """Make the watch of a subentry.

    Raises:
        ValueError: Its settings, or what it is linked to, cannot be used.
    """
    salinity = system_settings(system.entry).salinity_psu
    settings = evaporation_settings(subentry.data, salinity)
    named = system.entry.subentries
    if (heater := settings.temperature_watch) is not None and heater not in named:
        raise SettingsError(CONF_TEMPERATURE_WATCH, Code.WATCH_REMOVED)
    if (vessel := system.vessels.get(settings.vessel)) is None:
        raise vessel_missing(named.get(settings.vessel))
    return EvaporationWatch(system, subentry, settings, vessel)
