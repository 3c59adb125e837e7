"""A dosing line in the hub: takes level, pumps and probes to the engine, shows advice and permit.

It commands nothing. A rule may dose only while the permit stands, and the permit only stands
while a person has armed the line.
"""

import logging
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final, override

from homeassistant.config_entries import ConfigSubentry
from homeassistant.const import STATE_OFF, STATE_ON, Platform
from homeassistant.core import CALLBACK_TYPE, callback
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers.entity import Entity
from homeassistant.util import dt as dt_util

from .const import DOMAIN, SUBENTRY_FILL_LINE
from .decision_text import state_text
from .dosing_entities import (
    ADVICE_ONLY,
    NOT_ARMED,
    dosing_binary_sensors,
    dosing_sensors,
    dosing_switches,
)
from .dosing_settings import DosingSettings, dosing_settings, line_spec
from .engine.delivery import Delivery
from .engine.dosing import DosingFacts, NoDose
from .engine.limewater import Stock
from .engine.limewater_line import LimewaterLine, LineFacts, LineSpec, LineView, TypedEntry
from .engine.pump_meter import is_worth_saving
from .engine.quantities import DAY_S, HOUR_S
from .local_time import LocalTime
from .pump_commands import async_follow_commands
from .readings import (
    conductivity_ms_per_cm,
    orp_mv,
    ph_value,
    probe_temperature_c,
    pump_flow_l_per_h,
)
from .settings import system_settings, vessel_missing
from .watch import Watch
from .water_temperature import water_temp_c

if TYPE_CHECKING:
    from homeassistant.core import State

    from .coordinator import System
    from .engine.consumption import TestResult
    from .vessel import VesselRuntime

_LOGGER = logging.getLogger(__name__)

KEY_LINE: Final = "line"
KEY_ARMED: Final = "is_armed"
KEY_FOOTING: Final = "footing"
QUIET: Final = frozenset({NoDose.NONE, NoDose.LEVEL_SUFFICES})
"""Reasons that pause nothing: a dose is due, or none is needed."""


class DosingWatch(Watch):
    """What is alive of a dosing line between set-up and unload."""

    def __init__(
        self,
        system: System,
        subentry: ConfigSubentry,
        settings: DosingSettings,
        spec: LineSpec,
    ) -> None:
        """Make the line; nothing is subscribed before `async_start`."""
        super().__init__(system, subentry)
        self.settings = settings
        self.system_l = spec.system_l
        self._engine = LimewaterLine(spec)
        self._local_time = LocalTime()
        self._told_refusal: str | None = None
        self._footing = self._what_it_was_armed_for(subentry.data, spec)
        self._is_failed = False
        self._is_over = False
        """Whether the watch was put to rest; it gives no permit again."""
        self._kept_l_per_h = 0.0
        """Flow of the pump on the disk; what it gives over a power cut is reckoned with it."""
        self.is_armed = False
        self.view: LineView | None = None

    def _what_it_was_armed_for(self, data: Mapping[str, Any], spec: LineSpec) -> dict[str, Any]:
        """Return all that a person relied on when arming; a renamed entity is the same entity."""
        chosen = {
            key: self.registry_ids.get(value, value) if isinstance(value, str) else value
            for key, value in data.items()
        }
        return {
            "settings": chosen,
            "sump": [spec.dosing.sump_area_m2, spec.dosing.high_m],
            "system": [spec.system_l, spec.salinity],
        }

    @property
    @override
    def followed(self) -> list[str]:
        """Pumps, probes, and the sump's level source."""
        settings = self.settings
        named = (
            settings.pump, settings.return_pump, settings.ph_source, settings.orp_source,
            self.system.vessels[settings.vessel].settings.source,
        )  # fmt: skip
        return sorted({one for one in named if one is not None})

    @callback
    @override
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Hear what the pump is told as well; it may never say that it does so."""
        unsubscribe = super().async_start(now_s)
        if (pump := self.settings.pump) is not None:
            flow = self.settings.pump_l_per_h
            unsubscribe.append(async_follow_commands(self.hass, pump, flow, self._async_told))
        return unsubscribe

    @callback
    def _async_told(self, t_s: float, flow_l_per_h: float) -> None:
        """Count from the command on; what the ledger must not lose is saved by the look."""
        self._engine.told(t_s, flow_l_per_h)
        self.async_look(t_s)

    @callback
    @override
    def async_stop(self) -> None:
        """Take the permit away for good, and show it.

        While the hub stops, which may take a minute, rules go on with their ticks; a pump that
        one switches on then is left running by a hub that is gone.
        """
        self._is_over = True
        self.refresh()

    # Looks

    @callback
    @override
    def async_look(self, now_s: float) -> None:
        """Take what everything says now; what the ledger must not lose is saved at once."""
        try:
            self.view = view = self._engine.take(now_s, self._facts(now_s))
        except Exception as err:  # noqa: BLE001 - whatever it is, the permit must go
            self._failed(err)
            return
        self._is_failed = False
        if view.refused is not None and view.refused != self._told_refusal:
            _LOGGER.warning("%s takes no reading of the stock: %s", self.title, view.refused)
        self._told_refusal = view.refused
        flow_l_per_h = self._engine.pump_l_per_h
        if is_worth_saving(flow_l_per_h, self._kept_l_per_h):
            self._kept_l_per_h = flow_l_per_h
            self.hass.async_create_task(
                self.system.async_save_safety(), f"{DOMAIN} saves {self.title}"
            )
        self.refresh()

    def _failed(self, err: Exception) -> None:
        """Show nothing and permit nothing after a defect of our own; log it once."""
        if not self._is_failed:
            self._is_failed = True
            _LOGGER.error("The dose of %s could not be judged", self.title, exc_info=err)
        self.view = None
        self.refresh()

    def _facts(self, now_s: float) -> LineFacts:
        settings = self.settings
        stock = self._vessel(settings.stock_vessel)
        state = self._state
        pump = state(settings.pump)
        sump = self.system.vessels[settings.vessel]
        return LineFacts(
            DosingFacts(
                depth_m=self._depth_m,
                pump_on=self._is_return_on,
                is_locked_out=self._is_locked_out,
                ph=ph_value(state(settings.ph_source), now_s),
                orp_mv=orp_mv(state(settings.orp_source), now_s),
                others_hour_l=self._others_l(now_s, HOUR_S),
                others_day_l=self._others_l(now_s, DAY_S),
            ),
            day_start_s=self._local_time.day(now_s).start_s,
            flow_l_per_h=(
                0.0 if settings.pump is None else pump_flow_l_per_h(pump, settings.pump_l_per_h)
            ),
            flow_told_s=None if pump is None else pump.last_reported_timestamp,
            water_temp_c=water_temp_c(self.system, sump, now_s),
            others_test=self._others_test,
            stock_temp_c=probe_temperature_c(state(settings.stock_temperature), now_s),
            stock_ms_per_cm=conductivity_ms_per_cm(state(settings.stock_conductivity), now_s),
            stock_l=None if stock is None else stock.view.volume_l,
            stock_usable_l=None if stock is None else stock.view.usable_l,
        )

    @property
    def _others(self) -> list[DosingWatch]:
        """The other dosing lines of the system."""
        lines = (one for one in self.system.watches.values() if isinstance(one, DosingWatch))
        return [one for one in lines if one is not self]

    def _others_l(self, now_s: float, span_s: float) -> float:
        """Return what the other dosing lines of the system have given, L."""
        return sum(one.given_l(now_s, span_s) for one in self._others)

    @property
    def _others_test(self) -> TestResult | None:
        """The newest alkalinity that was noted on another line: it is the same water."""
        tests = (one.last_test for one in self._others)
        known = (test for test in tests if test is not None)
        return max(known, key=lambda test: test.t_s, default=None)

    @property
    def last_test(self) -> TestResult | None:
        """The newest alkalinity that was noted on this line."""
        return self._engine.last_test

    def given_l(self, now_s: float, span_s: float) -> float:
        """Return what was dosed in a span that ends now, L."""
        return self._engine.given_l(now_s, span_s)

    def _state(self, entity_id: str | None) -> State | None:
        return None if entity_id is None else self.hass.states.get(entity_id)

    def _vessel(self, key: str | None) -> VesselRuntime | None:
        return None if key is None else self.system.vessels.get(key)

    @property
    def _depth_m(self) -> float | None:
        """The sump's depth while it may be acted on; a level that is only held may not."""
        vessel = self.system.vessels[self.settings.vessel]
        view = vessel.view
        if view.volume_l is None or view.held_s > 0.0 or not view.status.is_usable:
            return None
        return vessel.settings.vessel.depth_m(view.volume_l)

    @property
    def _is_return_on(self) -> bool | None:
        if self.settings.return_pump is None:
            return True
        state = self._state(self.settings.return_pump)
        return {STATE_ON: True, STATE_OFF: False}.get("" if state is None else state.state)

    @property
    def _is_locked_out(self) -> bool:
        """Whether any fill line of the system is locked out, or is not watched at all."""
        lines = self.system.lines.values()
        named = self.system.entry.get_subentries_of_type(SUBENTRY_FILL_LINE)
        return len(lines) < len(named) or any(line.watch.is_locked_out for line in lines)

    # What entities show

    @property
    def is_paused(self) -> bool | None:
        """Whether something forbids a dose; None before the first look."""
        return None if self.view is None else self.view.advice.reason not in QUIET

    @property
    def why_no_dose(self) -> str | None:
        """Why no rule may dose; None before the first look.

        With nothing in the way but the keeper's own switch, that is the reason: a word like
        *none* beside a withheld permit would leave a newcomer guessing.
        """
        if self.view is None:
            return None
        reason = self.view.advice.reason
        if reason is not NoDose.NONE or self.is_armed:
            return reason.value
        return ADVICE_ONLY if self.settings.pump is None else NOT_ARMED

    @property
    def is_failing(self) -> bool | None:
        """Whether doses do not arrive; None while that is not known."""
        delivery = Delivery.UNKNOWN if self.view is None else self.view.delivery
        return None if delivery is Delivery.UNKNOWN else delivery is not Delivery.ARRIVING

    @property
    def is_permitted(self) -> bool:
        """Whether a rule may dose now: armed, and the advice is to dose."""
        view = self.view
        return (
            self.is_armed
            and not self._is_over
            and view is not None
            and view.advice.reason is NoDose.NONE
            and view.advice.rate_l_per_h > 0.0
        )

    @override
    def entities(self, platform: Platform) -> list[Entity]:
        """Return figures, permit, and the switch that arms."""
        if platform is Platform.SENSOR:
            return dosing_sensors(self)
        if platform is Platform.BINARY_SENSOR:
            return dosing_binary_sensors(self)
        return dosing_switches(self) if platform is Platform.SWITCH else []

    # What a person does

    async def async_arm(self, *, on: bool) -> None:
        """Let rules dose, or no longer.

        Raises:
            ServiceValidationError: No dosing pump is named, so nobody would count the doses.
        """
        if on and self.settings.pump is None:
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="dosing_no_pump",
                translation_placeholders={"line": self.title},
            )
        self.is_armed = on
        self.refresh()
        await self.system.async_save_safety()

    async def async_record(
        self,
        *,
        dose_l: float | None = None,
        rise_dkh: float | None = None,
        test_dkh: float | None = None,
    ) -> None:
        """Note a dose given by hand, alkalinity given with something else, or a test result.

        Raises:
            ValueError: A value that cannot be; nothing is noted then.
        """
        now_s = dt_util.utcnow().timestamp()
        if dose_l is not None:
            self._engine.record_dose(now_s, dose_l)
        if rise_dkh is not None:
            self._engine.record_rise(now_s, rise_dkh)
        if test_dkh is not None:
            self._engine.record_test(now_s, test_dkh)
        self.async_look(now_s)
        await self.system.async_save_safety()

    @property
    def typed(self) -> list[TypedEntry]:
        """All that was typed in and can be taken back, the oldest first; no dose of the pump."""
        return self._engine.typed

    async def async_take_back(self, entry: TypedEntry) -> None:
        """Forget one of `typed`; it is saved before this returns."""
        self._engine.take_back(entry)
        self.async_look(dt_util.utcnow().timestamp())
        await self.system.async_save_safety()

    # Memory

    @override
    def guarded(self) -> dict[str, Any]:
        """Return the ledger, and what the line was armed for."""
        return {
            KEY_LINE: self._engine.snapshot(),
            KEY_ARMED: self.is_armed,
            KEY_FOOTING: self._footing,
        }

    @override
    def reguard(self, data: Mapping[str, Any] | None, *, is_damaged: bool) -> None:
        """Take up the ledger; armed only if nothing changed since, never after damage."""
        if data is None and not is_damaged:
            return
        try:
            stored = {} if data is None else data
            self._engine.restore(stored[KEY_LINE])
        except (KeyError, TypeError, AttributeError, ValueError) as err:
            # Nobody knows what was given today: all that a day may hold.
            _LOGGER.warning("The ledger of %s is lost, nothing for a day: %s", self.title, err)
            self._engine.suppose_day_used_up(dt_util.utcnow().timestamp())
            return
        self._kept_l_per_h = self._engine.pump_l_per_h
        self.is_armed = stored.get(KEY_ARMED) is True and stored.get(KEY_FOOTING) == self._footing

    @override
    def report(self) -> dict[str, Any]:
        """Return what was dosed, why no more, and what the stock needs."""
        if (view := self.view) is None:
            return {}
        reason = view.advice.reason
        needs = [
            state_text(self.hass, key, word.value)
            for key, word, bad in (
                ("no_dose_reason", reason, (NoDose.STOCK_EMPTY, NoDose.ALKALINITY_HIGH)),
                ("stock_judgement", view.stock, (Stock.WEAK, Stock.SPENT)),
                ("dose_delivery", view.delivery, (Delivery.STOCK_EXHAUSTED, Delivery.PUMP_CLOGGED)),
            )
            if word is not None and word in bad
        ]
        return {
            "dose_l": view.given_24h_l,
            "no_dose_reason": (
                state_text(self.hass, "no_dose_reason", reason.value) if self.is_paused else None
            ),
            "hands_needed": [f"{self.title}: {need}" for need in needs],
        }

    @override
    def facts(self) -> dict[str, Any]:
        """Return what is shown now."""
        return {"view": None if self.view is None else asdict(self.view), "is_armed": self.is_armed}


def make_dosing_watch(system: System, subentry: ConfigSubentry) -> DosingWatch:
    """Make the dosing line of a subentry.

    Raises:
        ValueError: Its settings, or a vessel of it, cannot be used.
    """
    settings = dosing_settings(subentry.data)
    for key in (settings.vessel, settings.stock_vessel):
        if key is not None and key not in system.vessels:
            raise vessel_missing(system.entry.subentries.get(key))
    stock = None if settings.stock_vessel is None else system.vessels[settings.stock_vessel]
    spec = line_spec(
        settings,
        system.vessels[settings.vessel].settings,
        None if stock is None else stock.settings,
        system_settings(system.entry),
    )
    return DosingWatch(system, subentry, settings, spec)
