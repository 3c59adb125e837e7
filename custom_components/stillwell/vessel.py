"""One vessel in the hub: takes the source's reports to the engine and its view to the entities."""

import logging
from dataclasses import asdict, replace
from datetime import datetime
from math import inf
from typing import TYPE_CHECKING, Any, Final, Protocol

from homeassistant.config_entries import ConfigSubentry
from homeassistant.core import (
    CALLBACK_TYPE,
    Event,
    EventStateChangedData,
    EventStateReportedData,
    HomeAssistant,
    State,
    callback,
)
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.event import (
    async_track_state_change_event,
    async_track_state_report_event,
)
from homeassistant.util import dt as dt_util
from homeassistant.util.json import JsonValueType

from .backfill import async_learn_from_recorder, has_recorder
from .const import DOMAIN
from .engine.forecast import Outlook
from .engine.low_water import is_low
from .engine.pipeline import VesselModel, VesselSpec, VesselView
from .engine.quantities import Reading, Reason, Status
from .local_time import LocalTime
from .owner import EntityOwner
from .pour import Before
from .readings import level_reading, probe_temperature_c, state_unit
from .settings import VesselSettings
from .sources import registry_ids
from .vessel_kinds import KindSettings, SumpSettings
from .vessel_parts import parts_of

if TYPE_CHECKING:
    from .fill_line import FillLine

_LOGGER = logging.getLogger(__name__)


NO_LEVEL: Final[dict[str, Any]] = {
    "status": Status.FAILURE,
    "reason": Reason.UNAVAILABLE,
    **dict.fromkeys(
        (
            *("volume_l", "fill_frac", "usable_l", "empty_at", "start_at", "full_at_s"),
            *("use_l_per_day", "use_sigma_l_per_day"),
            *("use_week_l_per_day", "use_week_sigma_l_per_day", "fill_rate_l_per_s"),
        )
    ),
}
"""What a view says of a level that nobody knows."""

LOG_WORDS: Final = {True: "is back", False: "gives no usable level"}


class OnLearned(Protocol):
    """Notes that something was learned; what a person told is saved sooner."""

    def __call__(self, *, is_told: bool = False) -> None:
        """Note it."""


type Report = tuple[float, Reading, bool | None, float | None]
"""Time, level, whether it is being filled, temperature of the probe in degC."""


class VesselRuntime(EntityOwner):
    """What is alive of a vessel between set-up and unload."""

    def __init__(
        self,
        hass: HomeAssistant,
        entry_id: str,
        subentry: ConfigSubentry,
        settings: VesselSettings,
        kind_settings: KindSettings | None,
        *,
        local_time: LocalTime,
        on_learned: OnLearned,
    ) -> None:
        """Make the vessel; nothing is subscribed before `async_start`."""
        self.hass = hass
        self.entry_id = entry_id
        super().__init__(subentry)
        self.kind = subentry.subentry_type
        self.settings = settings
        self.kind_settings = kind_settings
        self._spec = VesselSpec(
            shape=settings.vessel,
            empty_m=settings.empty_m,
            start_m=settings.start_m,
            full_m=settings.full_m,
            high_m=settings.high_m,
            zero_is_suspect=settings.zero_is_suspect,
            stale_after_s=settings.stale_after_s,
        )
        self.model = VesselModel(self._spec)
        self.lines: list[FillLine] = []
        """Fill lines that lead into this vessel."""
        self.draws: list[FillLine] = []
        """Fill lines that draw from it."""
        self.drains: list[FillLine] = []
        """Drain lines of it: guarded upside down."""
        self.is_being_changed = False
        """Whether a water change moves its level now."""
        self.before_pour: Before | None = None
        self._local_time = local_time
        self._on_learned = on_learned
        self._is_signal_lost = False
        self.is_low: bool | None = None
        """Whether the water is at or below the start mark, so that a refill is due."""
        self._told_reason: Reason | None = None
        """None at the start: a notice from before it may have no ground any more."""
        self.registry_ids = registry_ids(hass, subentry.data)
        self._footing: dict[str, Any] = {
            "measure": settings.measure.value,
            "sensor_zero_m": settings.sensor_zero_m,
            "span_m": settings.span_m,
            "shape": settings.vessel.as_dict(),
            # The registry's own id where there is one: a rename is no other sensor.
            "source": self.registry_ids.get(settings.source, settings.source),
        }
        """What a level means; the same water reads otherwise when any of it changes."""
        self._while_learning: list[Report] | None = None
        self.learned_from: str | None = None
        """The level source whose recorded history the model has seen."""
        self.learning_frac = 1.0
        """How far it has got with learning from the recorder."""
        self.view: VesselView = self.model.view(0.0, 0.0)
        self.parts = parts_of(self)
        """What its kind has beside level and use."""

    @property
    def return_pump(self) -> str | None:
        """The pump that lifts water out of a sump, if this is one and it was chosen."""
        kind = self.kind_settings
        return kind.return_pump if isinstance(kind, SumpSettings) else None

    # Subscription

    @callback
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Follow the level source; return what ends that."""
        source = self.settings.source
        unsubscribe = [
            async_track_state_change_event(self.hass, source, self._async_changed),
            async_track_state_report_event(self.hass, source, self._async_reported),
        ]
        for part in self.parts:
            unsubscribe += part.async_start(now_s)
        if (state := self.hass.states.get(source)) is not None:
            self._take(state, now_s)
        else:
            self.async_tick(now_s)
        return unsubscribe

    @callback
    def _async_changed(self, event: Event[EventStateChangedData]) -> None:
        state = event.data["new_state"]
        t_s = event.time_fired_timestamp if state is None else state.last_updated_timestamp
        self._take(state, t_s)

    @callback
    def _async_reported(self, event: Event[EventStateReportedData]) -> None:
        self._take(event.data["new_state"], event.data["last_reported"].timestamp())

    # Data flow

    @callback
    def _take(self, state: State | None, t_s: float) -> None:
        reading = level_reading(state, self.settings, self.settings.vessel)
        report = t_s, reading, self.fill_on, self._temperature_c(t_s)
        self.model.set_check(self.check_reason)
        if self._while_learning is not None:
            self._while_learning.append(report)
        try:
            self._report(self.model, report)
        except Exception as err:  # noqa: BLE001 - whatever it is, what fills must go off
            self._failed(t_s, err)
            return
        # Control first: what must go off goes off before anything is shown.
        out = (*self.drains, *self.draws)
        for line in self.lines:
            others = [other for other in self.lines if other is not line]
            line.watch.async_level(
                t_s, self.model, is_alone=not others, with_it=others, against=out
            )
        for line in self.drains:
            others = [other for other in out if other is not line]
            line.watch.async_level(t_s, self.model, with_it=others, against=self.lines)
        for line in self.draws:
            line.watch.async_source(t_s, self.model)
        for part in self.parts:
            part.async_level(t_s)
        if self.parts or not self.model.is_told_by(self.view, t_s):
            self.async_publish(t_s)
        else:
            self._refresh_lines()
        self._on_learned()

    @property
    def fill_on(self) -> bool | None:
        """Whether any line fills this vessel; None when there is none or it is not known."""
        if not self.lines:
            return None
        states = [line.watch.is_on for line in self.lines]
        if True in states:
            return True
        return False if states and None not in states else None

    @property
    def check_reason(self) -> Reason | None:
        """Why the level moves for a known cause now; None when it may be learned from."""
        guarded = (*self.lines, *self.drains) if self.drains else self.lines
        if not guarded and not self.parts:
            return None
        if self.is_being_changed or any(line.is_in_maintenance for line in guarded):
            return Reason.MAINTENANCE
        is_settled = all(line.is_return_settled for line in guarded) and all(
            part.is_return_settled for part in self.parts
        )
        return None if is_settled else Reason.RETURN_PUMP

    @property
    def is_at_rest(self) -> bool:
        """Whether no line moves water into it or out of it, and nobody else is known to."""
        return all(
            line.watch.is_on is False and not line.is_in_maintenance
            for line in (*self.lines, *self.draws, *self.drains)
        )

    def _temperature_c(self, t_s: float) -> float | None:
        source = self.settings.temperature_source
        return None if source is None else probe_temperature_c(self.hass.states.get(source), t_s)

    def _report(self, model: VesselModel, report: Report) -> None:
        t_s, reading, fill_on, temperature_c = report
        model.report(
            t_s,
            reading,
            fill_on=fill_on,
            day=self._local_time.day(t_s),
            utc_offset_s=self._local_time.utc_offset_s(t_s),
            temperature_c=temperature_c,
        )

    def _failed(self, t_s: float, err: Exception) -> None:
        """Treat a defect of our own as a lost level: what fills goes off, others go on.

        Nothing of the last view may stand as if it were the level now: rules and watches read it.
        """
        _LOGGER.error("The level of %s could not be judged", self.title, exc_info=err)
        self.view = replace(self.view, t_s=t_s, held_s=inf, **NO_LEVEL)
        self.is_low = None
        for line in (*self.lines, *self.drains):
            line.watch.async_lost(t_s)
        for line in self.draws:
            line.watch.async_source_lost(t_s)
        self.refresh()
        self._refresh_lines()

    @callback
    def async_tick(self, t_s: float) -> None:
        """Let time pass: a source may grow stale, a deadline may come."""
        check = self.check_reason
        is_news = check is not self.model.check
        self.model.set_check(check)
        try:
            verdict = self.model.tick(
                t_s,
                day=self._local_time.day(t_s),
                utc_offset_s=self._local_time.utc_offset_s(t_s),
            )
        except Exception as err:  # noqa: BLE001 - whatever it is, what fills must go off
            self._failed(t_s, err)
            return
        is_held = not verdict.status.is_usable and self.model.balance.volume_l is not None
        is_news |= is_held or verdict.reason is not self.view.reason
        for line in (*self.lines, *self.drains):
            line.watch.async_tick(t_s, self.model)
        for line in self.draws:
            line.watch.async_source(t_s, self.model)
        if is_news:
            # A good level moves with its reports; time alone moves only what is held,
            # and where no level was ever seen there is nothing to hold.
            self.async_publish(t_s)
        else:
            self._refresh_lines()

    @callback
    def async_publish(self, t_s: float) -> None:
        """Show the present view; entities write only what moved."""
        try:
            self.view = view = self.model.view(t_s, self._local_time.utc_offset_s(t_s))
        except Exception as err:  # noqa: BLE001 - whatever it is, what fills must go off
            self._failed(t_s, err)
            return
        for part in self.parts:
            part.async_look(t_s)
        self._tell_signal(view)
        self.is_low = self._judge_low(view.volume_l)
        self.refresh()
        self._refresh_lines()

    def _judge_low(self, volume_l: float | None) -> bool | None:
        settings, shape = self.settings, self.settings.vessel
        start_l, full_l = shape.volume_l(settings.start_m), shape.volume_l(settings.full_m)
        return is_low(volume_l, start_l, full_l, was_low=bool(self.is_low))

    def _refresh_lines(self) -> None:
        for line in (*self.lines, *self.draws, *self.drains):
            line.refresh()

    def _tell_signal(self, view: VesselView) -> None:
        """Log once that the source is lost and once that it is back; tell a useless unit."""
        if view.reason is self._told_reason:
            return
        was, self._told_reason = self._told_reason, view.reason
        if was is None or Reason.UNIT_UNKNOWN in (was, view.reason):
            self._tell_unit(is_useless=view.reason is Reason.UNIT_UNKNOWN)
        is_lost = view.status is Status.FAILURE
        if is_lost == self._is_signal_lost:
            return
        self._is_signal_lost = is_lost
        _LOGGER.info(
            "Level source %s of %s %s (%s)",
            self.settings.source,
            self.title,
            LOG_WORDS[not is_lost],
            view.reason.value,
        )

    def _tell_unit(self, *, is_useless: bool) -> None:
        issue_id = f"unit_changed_{self.subentry_id}"
        if not is_useless:
            ir.async_delete_issue(self.hass, DOMAIN, issue_id)
            return
        ir.async_create_issue(
            self.hass,
            DOMAIN,
            issue_id,
            is_fixable=True,
            data={"entry_id": self.entry_id, "subentry_id": self.subentry_id},
            severity=ir.IssueSeverity.ERROR,
            translation_key="unit_changed",
            translation_placeholders={
                "vessel": self.title,
                "entity": self.settings.source,
                "unit": state_unit(self.hass.states.get(self.settings.source)) or "-",
            },
        )

    # Memory

    async def async_learn(self) -> None:
        """Learn from the recorder, once per level source; live reports wait beside it.

        Where there is no recorder now, or learning fails, the next start tries again.
        """
        is_known = self.model.balance.use_24h_l_per_day is not None
        if self.learned_from is not None and is_known:
            # A new source tells nothing of the water that is not known already.
            self.learned_from = self.settings.source
        if self.learned_from == self.settings.source or not has_recorder(self.hass):
            return
        self._while_learning = []
        try:
            self._async_learning(0.0)
            model = await async_learn_from_recorder(
                self.hass, self, self._spec, dt_util.utcnow(), self._async_learning
            )
            if model is not None and (not is_known or _began_before(model, self.model)):
                self._take_over(model, self._while_learning)
        except Exception:
            # The model that saw what came in live goes on; only the past is not known.
            _LOGGER.exception("%s could not learn from the recorder", self.title)
        else:
            self.learned_from = self.settings.source
            self._on_learned(is_told=True)
        finally:
            self._while_learning = None
        self._async_learning(1.0)

    @callback
    def _async_learning(self, frac: float) -> None:
        self.learning_frac = frac
        self.async_publish(dt_util.utcnow().timestamp())

    def _take_over(self, model: VesselModel, live: list[Report]) -> None:
        """Go on with the model that has seen the past, after what came in meanwhile."""
        model.go_live()
        for report in live:
            self._report(model, report)
        self.model = model

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned."""
        return {
            "model": self.model.snapshot(),
            "learned_from": self.learned_from,
            "registry_ids": self.registry_ids,
            "footing": self._footing,
            "parts": {part.key: part.learned() for part in self.parts},
        }

    def restore(self, data: dict[str, Any], now_s: float) -> bool:
        """Take up what was learned; return False, and start anew, if it is damaged."""
        try:
            self.model.restore(data["model"])
            self.learned_from = data["learned_from"]
            footing = data["footing"]
        except (KeyError, ValueError) as err:
            _LOGGER.warning("Learned state of %s is damaged, starting anew: %s", self.title, err)
            self.model = VesselModel(self._spec)
            return False
        self.model.restarted(now_s)
        is_same = footing == self._footing
        if not is_same:
            self.model.set_on_new_footing()
        return self._restore_parts(data.get("parts") or {}) if is_same else True

    def _restore_parts(self, data: dict[str, Any]) -> bool:
        """Take up what its parts learned with the same sensor in the same shape."""
        for part in self.parts:
            try:
                if part.key in data:
                    part.relearn(data[part.key])
            except (AttributeError, KeyError, TypeError, ValueError) as err:
                _LOGGER.warning("Part of %s is damaged, starting anew: %s", self.title, err)
                self.parts = parts_of(self)
                return False
        return True

    # What actions do

    @callback
    def async_learn_rhythm_anew(self) -> None:
        """Forget how often the level source reports, and how finely; the water stays as learned."""
        self.model.go_live()
        self.async_publish(dt_util.utcnow().timestamp())
        self._on_learned(is_told=True)

    @callback
    def async_accept_use(self) -> None:
        """Take the present use as normal: the warning of a loss ends."""
        self.model.acknowledge_loss()
        self.async_publish(dt_util.utcnow().timestamp())
        self._on_learned(is_told=True)

    def _outlook(self, now: datetime, until: datetime) -> Outlook | None:
        now_s = now.timestamp()
        return self.model.outlook(now_s, until.timestamp(), self._local_time.utc_offset_s(now_s))

    def chance_to_last(self, now: datetime, until: datetime) -> float | None:
        """Return the chance, 0 to 1, that the usable water lasts until a time.

        None while the use is not known, or no level is shown.
        """
        outlook = None if self.view.volume_l is None else self._outlook(now, until)
        return None if outlook is None else outlook.probability

    def forecast(self, now: datetime, until: datetime) -> dict[str, JsonValueType]:
        """Return whether the water lasts until a time, as an action's response.

        Raises:
            ServiceValidationError: Level or use is not known yet.
        """
        outlook = self._outlook(now, until)
        if outlook is None:
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="forecast_unknown",
                translation_placeholders={"vessel": self.title},
            )
        return {
            "until": dt_util.as_local(until).isoformat(timespec="seconds"),
            "probability": round(outlook.probability, 3),
            "likely_use_l": round(outlook.likely_use_l, 2),
            "add_for_80_percent_l": round(outlook.add_for_80_l, 2),
            "add_for_95_percent_l": round(outlook.add_for_95_l, 2),
        }

    def diagnostics(self) -> dict[str, Any]:
        """Return what a report of trouble needs."""
        return {
            "view": asdict(self.view),
            "learned": self.model.snapshot(),
            **{part.key: part.facts() for part in self.parts},
        }


def _began_before(past: VesselModel, live: VesselModel) -> bool:
    """Return whether a model of the past knows of earlier days than one that learned live.

    One that was without a recorder for long knows more than a recorder that is new.
    """
    known, own = past.balance.days, live.balance.days
    return bool(known) and (not own or known[0].key < own[0].key)
