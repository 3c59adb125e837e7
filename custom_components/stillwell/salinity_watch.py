"""A salinity watch in the hub: takes the probe, and what is typed in, to the engine's books."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import Platform
from homeassistant.core import callback
from homeassistant.helpers.entity import Entity
from homeassistant.util import dt as dt_util

from .const import (
    CONF_HIGH_PSU,
    CONF_LOW_PSU,
    CONF_OVERFILL_L,
    CONF_SALINITY_KIND,
    CONF_SALINITY_SOURCE,
    CONF_TEMPERATURE_SOURCE,
    SUBENTRY_SUMP,
)
from .decision_text import common_text, state_text
from .engine.invalid import Code
from .engine.quantities import Reason
from .engine.salinity_book import SalinityBook, SalinitySpec, SalinityView
from .engine.salt_balance import SaltVerdict
from .engine.validity import InputError
from .local_time import LocalTime
from .salinity_entities import salinity_alarms, salinity_sensors
from .salinity_source import SalinityKind, probe_salinity
from .settings import SettingsError, entity, number, system_settings
from .watch import Watch
from .watch_links import evaporation_of, evaporation_watch_of

if TYPE_CHECKING:
    from .coordinator import System

WANT_A_HAND: Final = frozenset({SaltVerdict.CONCENTRATING, SaltVerdict.PROBE_DOUBTFUL})


@dataclass(frozen=True, slots=True)
class SalinitySettings:
    """One salinity watch."""

    kind: SalinityKind
    source: str | None
    temperature_source: str | None
    spec: SalinitySpec


def salinity_settings(data: Mapping[str, Any], system_l: float) -> SalinitySettings:
    """Return the settings of a salinity watch from its subentry's data.

    Raises:
        ValueError: naming what cannot be used and why.
    """
    try:
        kind = SalinityKind(data.get(CONF_SALINITY_KIND, ""))
    except ValueError as err:
        raise SettingsError(CONF_SALINITY_KIND, Code.NO_CHOICE) from err
    has_probe = kind is not SalinityKind.BY_HAND
    temperature_source = data.get(CONF_TEMPERATURE_SOURCE)
    if kind is SalinityKind.CONDUCTIVITY:
        temperature_source = entity(data, CONF_TEMPERATURE_SOURCE)
    return SalinitySettings(
        kind=kind,
        source=entity(data, CONF_SALINITY_SOURCE) if has_probe else None,
        temperature_source=temperature_source,
        spec=SalinitySpec(
            volume_l=system_l,
            low_psu=number(data, CONF_LOW_PSU),
            high_psu=number(data, CONF_HIGH_PSU),
            overfill_l=number(data, CONF_OVERFILL_L),
            has_probe=has_probe,
        ),
    )


class SalinityWatch(Watch):
    """What is alive of a salinity watch between set-up and unload."""

    def __init__(
        self, system: System, subentry: ConfigSubentry, settings: SalinitySettings
    ) -> None:
        """Make the watch; nothing is subscribed before `async_start`."""
        super().__init__(system, subentry)
        self.settings: SalinitySettings = settings
        self._book = SalinityBook(settings.spec)
        self._local_time = LocalTime()
        self.view: SalinityView | None = None

    @property
    @override
    def followed(self) -> list[str]:
        """The probe and the thermometer."""
        named = (self.settings.source, self.settings.temperature_source)
        return [entity_id for entity_id in named if entity_id is not None]

    @property
    @override
    def measured_by(self) -> str | None:
        """The probe; None where salinity is typed in."""
        return self.settings.source

    @property
    def _probe(self) -> str | None:
        """The probe, by the registry's own id where there is one: a rename is no other probe."""
        source = self.settings.source
        return None if source is None else self.registry_ids.get(source, source)

    @callback
    @override
    def async_look(self, now_s: float) -> None:
        """Take what the probe says now."""
        temp_c = self._temp_c(self.settings.temperature_source, now_s)
        day, is_changed = self._local_time.day(now_s), self._is_water_changed
        try:
            self._book.take(now_s, day, self._probe_psu(temp_c, now_s), is_changed=is_changed)
        except InputError as err:
            self._note_refusal(err)
            self._book.take(now_s, day, None, is_changed=is_changed)
        else:
            self._note_refusal(None)
        watch = evaporation_watch_of(self.system)
        ledger = None if watch is None else watch.salt_ledger(now_s)
        self.view = self._book.view(now_s, evaporation_of(self.system), ledger, temp_c)
        self.refresh()
        self.system.async_learned()

    def _probe_psu(self, temp_c: float | None, now_s: float) -> float | None:
        settings = self.settings
        if settings.source is None:
            return None
        state = self.hass.states.get(settings.source)
        return probe_salinity(settings.kind, state, temp_c, now_s)

    @property
    def _is_water_changed(self) -> bool:
        """Whether somebody works at the tank's own water now."""
        return any(
            vessel.kind == SUBENTRY_SUMP and vessel.check_reason is Reason.MAINTENANCE
            for vessel in self.system.vessels.values()
        )

    # What others ask

    @property
    def salt_verdict(self) -> SaltVerdict:
        """What the salinity and the top-off say together."""
        return SaltVerdict.UNKNOWN if self.view is None else self.view.verdict

    @override
    def report(self) -> dict[str, Any]:
        """Return what the report of the day says of salinity."""
        if (view := self.view) is None:
            return {}
        said = state_text(self.hass, "salt_verdict", view.verdict.value)
        told = [common_text(self.hass, "report_watch", watch=self.title, said=said)]
        hands = told if view.verdict in WANT_A_HAND else []
        if self.settings.kind is SalinityKind.BY_HAND and view.salinity_psu is None:
            hands = [common_text(self.hass, "report_measure_salinity", watch=self.title)]
        return {
            "salinity_psu": view.salinity_psu,
            "drift_psu_per_day": view.drift_psu_per_day,
            "alarms": told if view.verdict is SaltVerdict.SALT_WATER_LEAVING else [],
            "hands_needed": hands,
        }

    async def async_record(self, salinity_psu: float) -> None:
        """Note a salinity that was measured by hand; it is saved before this returns.

        Raises:
            InputError: No salinity of seawater.
        """
        now_s = dt_util.utcnow().timestamp()
        self._book.record(now_s, salinity_psu)
        self.async_look(now_s)
        await self.system.async_save_learned()

    @property
    def records(self) -> tuple[tuple[float, float], ...]:
        """What was typed in and is kept: when, and PSU."""
        return self._book.records

    async def async_take_back(self, noted_s: float) -> None:
        """Forget what was typed in at a time; it is saved before this returns."""
        self._book.take_back(noted_s)
        self.async_look(dt_util.utcnow().timestamp())
        await self.system.async_save_learned()

    # Entities and memory

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return figures and alarms."""
        if platform is Platform.SENSOR:
            return salinity_sensors(self)
        if platform is Platform.BINARY_SENSOR:
            return salinity_alarms(self)
        return []

    @override
    def learned(self) -> dict[str, Any]:
        """Return the books, and the probe they are of."""
        return {"source": self._probe, "books": self._book.snapshot()}

    @override
    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up the books; of another probe only what was typed in."""
        self._book.restore(data["books"])
        # Older versions stored the entity's name.
        if data["source"] not in (self._probe, self.settings.source):
            self._book.forget_probe()

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return {"view": None if self.view is None else asdict(self.view)}


def make_salinity_watch(system: System, subentry: ConfigSubentry) -> SalinityWatch:
    """Make the watch of a subentry.

    Raises:
        ValueError: Its settings cannot be used.
    """
    settings = salinity_settings(subentry.data, system_settings(system.entry).volume_l)
    return SalinityWatch(system, subentry, settings)
