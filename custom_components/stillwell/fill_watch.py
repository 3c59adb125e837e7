"""The watch on a vessel's fill device: events of the hub to the guard, its commands to the device.

Nothing is decided here. Order matters: an OFF goes out before anything is saved or shown, an
ON only after what safety depends on is on the disk.
"""

import logging
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from homeassistant.core import (
    CALLBACK_TYPE,
    Event,
    EventStateChangedData,
    HassJob,
    HomeAssistant,
    callback,
)
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers.event import (
    async_track_point_in_utc_time,
    async_track_state_change_event,
)
from homeassistant.util import dt as dt_util

from .actuator import Actuator, contacts
from .const import DOMAIN
from .engine import guard
from .engine.guard_events import (
    ActuatorReported,
    Command,
    Decision,
    DecisionKind,
    InputsReported,
    LevelReported,
    LockOutRequested,
    Refusal,
    ResetRequested,
    Started,
    Stopping,
    Tick,
)
from .engine.guard_events import (
    Event as GuardEvent,
)
from .engine.guard_state import GuardSettings, GuardState
from .engine.guard_table import HEARD, Phase
from .engine.pipeline import VesselModel
from .settings import FillSettings

if TYPE_CHECKING:
    from .vessel import VesselRuntime

_LOGGER = logging.getLogger(__name__)

DECISIONS_KEPT: Final = 50
SETTLE_S: Final = 60.0
"""A reservoir is at rest a minute after its valve has closed."""


class FillWatch:
    """Guards one fill device in the hub."""

    def __init__(
        self,
        hass: HomeAssistant,
        runtime: VesselRuntime,
        fill: FillSettings,
        save: Callable[[], Awaitable[None]],
    ) -> None:
        """Make the watch; `restore` brings its memory, `async_start` brings it to life."""
        self.hass = hass
        self.fill = fill
        self.actuator = Actuator(hass, fill.device)
        settings = runtime.settings
        self.guard_settings = GuardSettings(
            high_l=settings.vessel.volume_l(settings.high_m),
            longest_run_s=fill.longest_run_s,
            start_l=settings.vessel.volume_l(settings.start_m),
            full_l=settings.vessel.volume_l(settings.full_m),
            stale_after_s=settings.stale_after_s,
            settle_s=SETTLE_S,
        )
        self.state = GuardState()
        self.decisions: deque[dict[str, Any]] = deque(maxlen=DECISIONS_KEPT)
        self._runtime = runtime
        self._save = save
        self._block_reason: str | None = None
        self._is_permitted = False
        self._cancel_wake: CALLBACK_TYPE | None = None
        self._wake_s: float | None = None

    # Memory

    def restore(self, data: Mapping[str, Any] | None, *, is_damaged: bool) -> None:
        """Take up the stored state; damaged state means locked out, not forgotten."""
        if data is None:
            if is_damaged:
                self._begin_locked_out("the file could not be read")
            return
        try:
            self.state = GuardState.from_dict(data["guard"])
            self.decisions.extend(dict(entry) for entry in data.get("decisions", ()))
        except (KeyError, TypeError, ValueError) as err:
            self._begin_locked_out(str(err))

    def _begin_locked_out(self, why: str) -> None:
        _LOGGER.warning("Stored state of %s is damaged, locked out: %s", self.fill.device, why)
        self.state = GuardState.damaged(dt_util.utcnow().timestamp())

    def snapshot(self) -> dict[str, Any]:
        """Return what must outlive the hub."""
        return {"guard": self.state.to_dict(), "decisions": list(self.decisions)}

    # What entities show

    @property
    def is_on(self) -> bool | None:
        """Whether the fill device is on."""
        return self.actuator.is_on

    @property
    def is_locked_out(self) -> bool:
        """Whether a trip is latched."""
        return self.state.trip is not None

    @property
    def is_permitted(self) -> bool:
        """Whether a rule may start a run, or go on with one, now."""
        return self._is_permitted

    @property
    def block_reason(self) -> str | None:
        """Why not, if it may not."""
        return self._block_reason

    @property
    def lockout_reason(self) -> str:
        """Why it is locked out, or none."""
        return "none" if self.state.trip is None else self.state.trip.reason.value

    @property
    def phase(self) -> str:
        """Where the guard is."""
        return self.state.phase.value

    @property
    def attributes(self) -> dict[str, Any]:
        """What rules read beside the lockout."""
        run, trip = self.state.run, self.state.trip
        return {
            "reason": self.lockout_reason,
            "reason_text": None if trip is None or not trip.note else trip.note,
            "since": None if trip is None else _iso(trip.since_s),
            "permit": self._is_permitted,
            "block_reason": self._block_reason,
            "fill_device": self.fill.device,
            "run_started": None if run is None else _iso(run.started_s),
            "deadline": None if run is None else _iso(run.deadline_s),
        }

    # Life

    @callback
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Look at the device first, put it off if it is not off, then follow it."""
        self._process(Started(now_s, self.actuator.is_on))
        self._process(self._inputs(now_s))
        unsubscribe = [
            async_track_state_change_event(self.hass, self.fill.device, self._async_actuator),
            self.hass.async_add_shutdown_job(HassJob(self._async_shutdown)),
            self._async_cancel_wake,
            *self.actuator.async_follow_rules(),
        ]
        if inputs := (*self.fill.high_inputs, *self.fill.leak_inputs):
            unsubscribe.append(
                async_track_state_change_event(self.hass, list(inputs), self._async_input)
            )
        return unsubscribe

    async def async_stop(self) -> None:
        """Put the device off, if it is not, before nobody watches it any more."""
        if self.state.phase is Phase.ASLEEP:
            return
        outcome = self._decide(Stopping(dt_util.utcnow().timestamp()))
        if outcome is not None and outcome.command is Command.OFF:
            await self.actuator.async_command(on=False)

    async def _async_shutdown(self) -> None:
        await self.async_stop()
        await self._save()

    @callback
    def _async_actuator(self, event: Event[EventStateChangedData]) -> None:
        on = Actuator.read(event.data["new_state"])
        self._process(
            ActuatorReported(event.time_fired_timestamp, on, self.actuator.actor(event.context))
        )
        self._runtime.async_publish(event.time_fired_timestamp)

    @callback
    def _async_input(self, event: Event[EventStateChangedData]) -> None:
        self._process(self._inputs(event.time_fired_timestamp))
        self._runtime.async_publish(event.time_fired_timestamp)

    def _inputs(self, t_s: float) -> InputsReported:
        return InputsReported(
            t_s,
            high=contacts(self.hass, self.fill.high_inputs),
            leak=contacts(self.hass, self.fill.leak_inputs),
            supply_empty=False,
        )

    @callback
    def async_level(self, t_s: float, model: VesselModel) -> None:
        """Pass a judged report on."""
        self._process(model.guard_level(t_s))

    @callback
    def async_lost(self, t_s: float) -> None:
        """Take the level as lost, and let time pass."""
        self._process(LevelReported(t_s, None, usable=False))
        self._process(Tick(t_s))

    @callback
    def async_tick(self, t_s: float, model: VesselModel) -> bool:
        """Let time pass; return whether anything that is shown has changed."""
        shown = self.state.phase, self._is_permitted, self._block_reason
        if model.is_signal_lost:
            self._process(LevelReported(t_s, None, usable=False))
        self._process(Tick(t_s))
        return shown != (self.state.phase, self._is_permitted, self._block_reason)

    async def async_lock_out(self, note: str) -> None:
        """Lock out on somebody's word; the fill device goes off."""
        self._process(LockOutRequested(dt_util.utcnow().timestamp(), note))
        await self._save()

    async def async_reset(self) -> None:
        """Leave the lockout, if what caused it is over.

        Raises:
            ServiceValidationError: A condition stands; the text says which.
        """
        outcome = self._decide(ResetRequested(dt_util.utcnow().timestamp()))
        if outcome is None:
            return
        self._carry_out(outcome)
        await self._save()
        if outcome.refused not in (None, Refusal.NOT_LOCKED_OUT):
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key=f"reset_refused_{outcome.refused.value}",
                translation_placeholders={"vessel": self._runtime.title},
            )

    # The guard's loop

    @callback
    def _process(self, event: GuardEvent) -> None:
        if type(event) not in HEARD[self.state.phase]:
            # Put to rest at unload; reports still come in until the listeners are gone.
            return
        outcome = self._decide(event)
        if outcome is not None:
            self._carry_out(outcome)

    def _decide(self, event: GuardEvent) -> guard.Outcome | None:
        """Ask the guard; a fault of our own puts the device off rather than nothing."""
        try:
            outcome = guard.process(self.state, self.guard_settings, event)
        except Exception:
            _LOGGER.exception("The guard of %s failed at %s", self.fill.device, event)
            self._send(on=False)
            return None
        self.state = outcome.state
        return outcome

    def _carry_out(self, outcome: guard.Outcome) -> None:
        if outcome.command is Command.OFF:
            self._send(on=False)
        self._is_permitted = outcome.permit
        self._block_reason = None if outcome.block_reason is None else outcome.block_reason.value
        if outcome.decision is not None:
            self._note(outcome.decision)
        if outcome.command is Command.ON:
            self.hass.async_create_task(self._async_save_then_on(), f"{DOMAIN} on")
        elif outcome.save_now:
            self.hass.async_create_task(self._async_save(), f"{DOMAIN} save")
        self._wake_at(outcome.wake_at_s)

    @callback
    def _send(self, *, on: bool) -> None:
        self.hass.async_create_task(
            self.actuator.async_command(on=on), f"{DOMAIN} command", eager_start=True
        )

    async def _async_save(self) -> None:
        await self._save()

    async def _async_save_then_on(self) -> None:
        await self._save()
        # The state may have moved on while the disk was busy.
        if self.state.run is not None:
            await self.actuator.async_command(on=True)

    def _note(self, decision: Decision) -> None:
        t_s = self.state.seen_s or 0.0
        reason = None if decision.reason is None else decision.reason.value
        entry = {"time": _iso(t_s), "decision": decision.kind.value, "reason": reason}
        self.decisions.append({**entry, **decision.values})
        level = logging.WARNING if decision.kind is DecisionKind.LOCKED_OUT else logging.DEBUG
        _LOGGER.log(
            level, "%s of %s: %s", decision.kind.value, self._runtime.title, reason or "no reason"
        )

    def _wake_at(self, wake_s: float | None) -> None:
        if wake_s == self._wake_s:
            return
        self._async_cancel_wake()
        self._wake_s = wake_s
        if wake_s is not None:
            self._cancel_wake = async_track_point_in_utc_time(
                self.hass,
                HassJob(self._async_wake, f"{DOMAIN} guard", cancel_on_shutdown=True),
                dt_util.utc_from_timestamp(wake_s),
            )

    @callback
    def _async_cancel_wake(self) -> None:
        self._wake_s = None
        if self._cancel_wake is not None:
            self._cancel_wake()
            self._cancel_wake = None

    @callback
    def _async_wake(self, now: datetime) -> None:
        self._cancel_wake = None
        self._wake_s = None
        self._runtime.async_tick(now.timestamp())


def _iso(t_s: float) -> str:
    return dt_util.utc_from_timestamp(t_s).isoformat(timespec="seconds")
