"""An RO/DI unit in the hub: takes the runs of its fill line, and its sources, to the engine."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import Platform
from homeassistant.core import CALLBACK_TYPE, State, callback
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.entity import Entity
from homeassistant.util import dt as dt_util

from .const import (
    CONF_FEED_PRESSURE_SOURCE,
    CONF_FEED_SOLIDS_SOURCE,
    CONF_FILL_LINE,
    CONF_PRODUCT_SOLIDS_SOURCE,
    CONF_RATED_L,
    CONF_STAGES,
    CONF_TEMPERATURE_SOURCE,
    CONF_WASTE_RATIO,
    DOMAIN,
)
from .decimal_mark import written
from .decision_text import common_text
from .engine.guard_events import Actor
from .engine.invalid import Code
from .engine.membrane import MembraneState, Stage
from .engine.refill_run import Sight, reading_error_l
from .engine.rodi_unit import RodiUnit, UnitSpec, UnitView
from .form_units import FormUnits
from .readings import pressure_bar, probe_temperature_c, solids_mg_per_l
from .rodi_entities import rodi_alarms, rodi_buttons, rodi_sensors
from .settings import SettingsError, number, positive
from .watch import Watch

if TYPE_CHECKING:
    from .coordinator import System
    from .fill_line import FillLine

_LOGGER = logging.getLogger(__name__)

ORDINARY: Final = (Actor.LINE, Actor.AUTOMATION)
"""Who begins an ordinary run."""


@dataclass(frozen=True, slots=True)
class RodiSettings:
    """One RO/DI unit."""

    line_id: str
    temperature_source: str | None
    pressure_source: str | None
    feed_source: str | None
    product_source: str | None
    spec: UnitSpec


def rodi_settings(data: Mapping[str, Any]) -> RodiSettings:
    """Return the settings of a unit from its subentry's data.

    Raises:
        ValueError: naming what cannot be used and why.
    """
    line_id, stages, rated = (data.get(key) for key in (CONF_FILL_LINE, CONF_STAGES, CONF_RATED_L))
    if not isinstance(line_id, str):
        raise SettingsError(CONF_FILL_LINE, Code.NOT_NAMED)
    if not isinstance(stages, list | tuple):
        raise SettingsError(CONF_STAGES, Code.MISSING)
    rated = rated if isinstance(rated, Mapping) else {}
    temperature, pressure = data.get(CONF_TEMPERATURE_SOURCE), data.get(CONF_FEED_PRESSURE_SOURCE)
    return RodiSettings(
        line_id=line_id,
        temperature_source=temperature,
        pressure_source=pressure,
        feed_source=data.get(CONF_FEED_SOLIDS_SOURCE),
        product_source=data.get(CONF_PRODUCT_SOLIDS_SOURCE),
        spec=UnitSpec(
            waste_per_product=number(data, CONF_WASTE_RATIO),
            stages={
                stage.value: positive(rated, stage) if stage in rated else None
                for stage in Stage
                if stage in stages
            },
            by_temperature=temperature is not None,
            by_pressure=pressure is not None,
        ),
    )


class RodiWatch(Watch):
    """What is alive of an RO/DI unit between set-up and unload."""

    def __init__(self, system: System, subentry: ConfigSubentry, settings: RodiSettings) -> None:
        """Make the watch; water that ran before is not counted."""
        super().__init__(system, subentry)
        self.settings = settings
        self._engine = RodiUnit(settings.spec, dt_util.utcnow().timestamp())
        self._told: str | None = None
        self._told_l: dict[str, float] | None = None
        """Stages that were told to be due, and what they had passed."""

    @property
    def view(self) -> UnitView:
        """What is shown now."""
        return self._engine.view

    @property
    def line(self) -> FillLine | None:
        """The line it feeds, while that is running."""
        return self.system.lines.get(self.settings.line_id)

    @property
    @override
    def followed(self) -> list[str]:
        """The device of the line."""
        line = self.line
        return [] if line is None else [line.settings.device]

    @callback
    @override
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Follow the line; entities of stages that are there no more are taken away."""
        registry = er.async_get(self.hass)
        for stage in set(Stage) - set(self.settings.spec.stages):
            for platform, key in (("sensor", "passed"), ("button", "changed")):
                unique_id = f"{self.subentry_id}_{key}_{stage}"
                if entity_id := registry.async_get_entity_id(platform, DOMAIN, unique_id):
                    registry.async_remove(entity_id)
        return super().async_start(now_s)

    @callback
    @override
    def async_look(self, now_s: float) -> None:
        """Take what line, vessel and sources say now."""
        line = self.line
        if line is None:
            return
        vessel = line.destination
        level = vessel.model.guard_level(now_s)
        before = self.view
        view = self._engine.take(
            now_s,
            self._sight(line, now_s),
            vessel.view.last_fill,
            error_l=reading_error_l(level.noise_l, level.resolution_l),
            only_line=len(vessel.lines) == 1,
        )
        self._tell_refusal(view.refused)
        self.async_tell_stages()
        self.refresh()
        if view != before:
            self.system.async_learned()

    def _sight(self, line: FillLine, now_s: float) -> Sight:
        state, vessel, settings = line.watch.state, line.destination, self.settings
        run = state.run
        is_by_hand = run is not None and (run.is_short or run.owner not in ORDINARY)
        others = [other for other in vessel.lines if other is not line]
        return Sight(
            run_started_s=None if run is None else run.started_s,
            is_plain=not is_by_hand and vessel.view.status.is_usable,
            is_tripped=state.trip is not None,
            is_alone=all(other.watch.is_on is False for other in others),
            temp_c=self._read(settings.temperature_source, probe_temperature_c, now_s),
            feed_bar=self._read(settings.pressure_source, pressure_bar, now_s),
            feed_mg_per_l=self._read(settings.feed_source, solids_mg_per_l, now_s),
            product_mg_per_l=self._read(settings.product_source, solids_mg_per_l, now_s),
        )

    def _read(
        self,
        source: str | None,
        reading: Callable[[State | None, float], float | None],
        now_s: float,
    ) -> float | None:
        return None if source is None else reading(self.hass.states.get(source), now_s)

    def _tell_refusal(self, refused: str | None) -> None:
        """Log once why a reading is not taken."""
        if refused is not None and refused != self._told:
            _LOGGER.warning("%s takes no reading of its last run: %s", self.title, refused)
        self._told = refused

    @callback
    def async_tell_stages(self) -> None:
        """Tell which stages have passed what they are rated for, and take back what is over."""
        view, units = self.view, FormUnits.of(self.hass)
        passed_l = {stage: view.passed_l[stage] for stage in view.overdue}
        if passed_l == self._told_l:
            return
        self._told_l = passed_l
        for stage in Stage:
            issue_id = f"stage_due_{self.subentry_id}_{stage}"
            if stage not in view.overdue:
                ir.async_delete_issue(self.hass, DOMAIN, issue_id)
                continue
            ir.async_create_issue(
                self.hass,
                DOMAIN,
                issue_id,
                is_fixable=False,
                severity=ir.IssueSeverity.WARNING,
                translation_key="stage_due",
                translation_placeholders={
                    "unit": self.title,
                    "stage": common_text(self.hass, f"stage_{stage}"),
                    "passed": written(self.hass, units.limit_l(round(view.passed_l[stage], 1))),
                    "rated": written(
                        self.hass, units.limit_l(self.settings.spec.stages[stage] or 0.0)
                    ),
                },
            )

    async def async_changed(self, stage: Stage) -> None:
        """Note that a stage was changed; it is on the disk when this returns."""
        self._engine.changed(stage)
        self.async_tell_stages()
        self.refresh()
        await self.system.async_save_learned()

    @override
    def report(self) -> dict[str, Any]:
        """Return what needs a hand: stages that are due, and a production that falls."""
        view, unit = self.view, self.title
        due = [
            common_text(
                self.hass, "report_stage", unit=unit, stage=common_text(self.hass, f"stage_{stage}")
            )
            for stage in view.overdue
        ]
        if view.state is MembraneState.PRODUCTION_FALLING:
            due.append(common_text(self.hass, "report_production", unit=unit))
        return {"hands_needed": due}

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return figures, the warning of a stage, and a button for each stage."""
        makers = {
            Platform.SENSOR: rodi_sensors,
            Platform.BINARY_SENSOR: rodi_alarms,
            Platform.BUTTON: rodi_buttons,
        }
        return makers[platform](self) if platform in makers else []

    @override
    def learned(self) -> dict[str, Any]:
        """Return what the engine learned and counted."""
        return self._engine.snapshot()

    @override
    def relearn(self, data: Mapping[str, Any]) -> None:
        """Take up what the engine learned and counted."""
        self._engine.restore(data)

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return {"view": asdict(self.view)}


def make_rodi_watch(system: System, subentry: ConfigSubentry) -> RodiWatch:
    """Make the watch of a subentry.

    Raises:
        ValueError: Its settings cannot be used, or its fill line was removed.
    """
    settings = rodi_settings(subentry.data)
    if settings.line_id not in system.entry.subentries:
        raise SettingsError(CONF_FILL_LINE, Code.LINE_REMOVED)
    return RodiWatch(system, subentry, settings)
