"""One fill line in the hub: its watch, its proof tests, what a person may ask, its entities."""

from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from homeassistant.config_entries import ConfigSubentry
from homeassistant.core import CALLBACK_TYPE, HomeAssistant, callback
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.util import dt as dt_util
from homeassistant.util.json import JsonValueType

from .actuator import Actuator
from .const import DOMAIN, EVENT_DECISION
from .decision_text import decision_text, reason_text
from .engine.guard import Outcome
from .engine.guard_events import (
    BlockReason,
    Event,
    LockOutRequested,
    MaintenanceRequested,
    Notice,
    ResetRequested,
    RunByHandRequested,
)
from .engine.guard_rules import added_l, is_return_settled
from .engine.guard_state import GuardSettings, ledger_totals
from .engine.line_limits import slowest_interval_s
from .fill_watch import FillWatch
from .form_units import span_text
from .left_on import async_tell_left_on, is_fill_device, left_on_issue
from .line_settings import FillLineSettings
from .owner import EntityOwner
from .proof_tests import ProofTests
from .sources import registry_ids

if TYPE_CHECKING:
    from .vessel import VesselRuntime

MAINTENANCE_S: Final = 7200.0
"""A pause that was forgotten ends by itself."""
UNTOLD: Final = 16
"""So many notices wait at a start; of an event that nobody wants no more are kept."""


class FillLine(EntityOwner):
    """What is alive of a fill line between set-up and unload."""

    def __init__(
        self,
        hass: HomeAssistant,
        subentry: ConfigSubentry,
        settings: FillLineSettings,
        guard_settings: GuardSettings,
        vessels: tuple[VesselRuntime, VesselRuntime | None],
        *,
        save: Callable[[], Awaitable[bool]],
    ) -> None:
        """Make the line between its vessels: the one it fills, and the one it draws from."""
        self.hass = hass
        super().__init__(subentry)
        self.settings = settings
        self.destination, self.source = vessels
        self.watch = FillWatch(hass, self, settings, guard_settings, save)
        self.proof_tests = ProofTests(hass, self.subentry_id, self.title, settings)
        self._save = save
        self.registry_ids = registry_ids(hass, subentry.data)
        self._listeners: list[Callable[[Notice], None]] = []
        self._is_heard = False
        self._untold: deque[Notice] = deque(maxlen=UNTOLD)
        (self.destination.drains if settings.is_drain else self.destination.lines).append(self)
        if self.source is not None:
            self.source.draws.append(self)

    # Memory

    def restore(self, data: Mapping[str, Any] | None, now_s: float, *, is_damaged: bool) -> None:
        """Take up the stored state."""
        self.watch.restore(data, is_damaged=is_damaged)
        self.proof_tests.restore((data or {}).get("proof_tests"), now_s)

    def snapshot(self) -> dict[str, Any]:
        """Return what must outlive the hub."""
        return {
            **self.watch.snapshot(),
            "proof_tests": self.proof_tests.snapshot(),
            "registry_ids": self.registry_ids,
        }

    # Life

    @callback
    def async_start(self, now_s: float) -> list[CALLBACK_TYPE]:
        """Watch the device; return what ends that."""
        # From here on the watch itself sees to it, and tells.
        ir.async_delete_issue(self.hass, DOMAIN, left_on_issue(self.settings.device))
        unsubscribe = self.watch.async_start(now_s)
        self.proof_tests.async_look(now_s)
        return unsubscribe

    @callback
    def async_look(self, t_s: float) -> None:
        """Tell what is due and what keeps it from filling."""
        self.proof_tests.async_look(t_s)
        self.async_tell_interval()

    @callback
    def async_tick(self, t_s: float) -> None:
        """Let time pass, as the guard asked for."""
        self.destination.async_tick(t_s)

    @callback
    def async_publish(self, t_s: float) -> None:
        """Show what may have changed with the device, on the vessel too."""
        self.destination.async_publish(t_s)

    # What the guard says

    @callback
    def async_tell(self, notice: Notice) -> None:
        """Pass a notice on to whoever listens; at a start it waits for them."""
        if not self._is_heard:
            self._untold.append(notice)
            return
        for listener in self._listeners:
            listener(notice)

    @callback
    def async_hear(self) -> None:
        """Pass on what has waited: there is somebody who listens, and the rules are awake."""
        self._is_heard = True
        while self._untold:
            self.async_tell(self._untold.popleft())

    @callback
    def async_listen(self, listener: Callable[[Notice], None]) -> CALLBACK_TYPE:
        """Listen to notices; return what ends that."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    @callback
    def async_noted(self, entry: Mapping[str, Any]) -> None:
        """Tell the hub's bus of a decision; the logbook shows it."""
        registry = er.async_get(self.hass)
        lockout = f"{self.subentry_id}_lockout"
        self.hass.bus.async_fire(
            EVENT_DECISION,
            {
                "name": self.title,
                "entity_id": registry.async_get_entity_id("binary_sensor", DOMAIN, lockout),
                **entry,
            },
        )

    @callback
    def async_tell_left_on(self) -> None:
        """Tell that the watch ends with the device not known to be off; take it back once it is.

        One that was renamed says nothing under its old id any more. Where a line has it under the
        new one, that line's watch sees to it.
        """
        named = self.settings.device
        entity = er.async_get(self.hass).entities.get_entry(self.registry_ids.get(named, ""))
        device = named if entity is None else entity.entity_id
        is_off = Actuator(self.hass, device).is_on is False
        if not is_off and (device == named or not is_fill_device(self.hass, device)):
            async_tell_left_on(self.hass, self.title, device)

    @callback
    def async_tell_interval(self) -> None:
        """Tell that the level is reported too rarely for this line; take it back when it fills."""
        issue_id = f"reports_too_slow_{self.subentry_id}"
        if self.watch.block_reason == BlockReason.REPORTS_TOO_SLOW.value:
            if (interval_s := self.destination.view.interval_s) is None:
                # It is being learned anew; the guard goes by the old one until then.
                return
            ir.async_create_issue(
                self.hass,
                DOMAIN,
                issue_id,
                is_fixable=True,
                data={
                    "entry_id": self.destination.entry_id,
                    "subentry_id": self.destination.subentry_id,
                    "line_id": self.subentry_id,
                },
                severity=ir.IssueSeverity.WARNING,
                translation_key="reports_too_slow",
                translation_placeholders={
                    "line": self.title,
                    "vessel": self.destination.title,
                    "interval": span_text(interval_s),
                    "at_least": span_text(slowest_interval_s(self.settings.longest_run_s)),
                },
            )
        elif self.watch.block_reason is None:
            ir.async_delete_issue(self.hass, DOMAIN, issue_id)

    # What entities show

    @property
    def is_in_maintenance(self) -> bool:
        """Whether a person has paused the line."""
        return self.maintenance_until_s is not None

    @property
    def maintenance_until_s(self) -> float | None:
        """Until when it is paused."""
        until_s = self.watch.state.maintenance_until_s
        now_s = dt_util.utcnow().timestamp()
        return until_s if until_s is not None and until_s > now_s else None

    @property
    def is_return_settled(self) -> bool:
        """Whether the return pump has run long enough for the level to mean something."""
        watch = self.watch
        now_s = dt_util.utcnow().timestamp()
        return is_return_settled(watch.state, watch.guard_settings, now_s)

    @property
    def spent(self) -> tuple[float, float]:
        """Run time (s) and volume (L) of the last 24 hours, a run in progress included."""
        state, now_s = self.watch.state, dt_util.utcnow().timestamp()
        run_s, volume_l = ledger_totals(state.ledger, now_s)
        if state.run is not None:
            run_s += max(0.0, now_s - state.run.started_s)
            volume_l += added_l(state, now_s)
        return run_s, volume_l

    @property
    def decisions(self) -> list[JsonValueType]:
        """The last decisions, newest last, each with its text."""
        return [
            {**entry, "text": decision_text(self.hass, entry)} for entry in self.watch.decisions
        ]

    def diagnostics(self) -> dict[str, Any]:
        """Return what a report of trouble needs."""
        return {
            **self.watch.snapshot(),
            "decisions": self.decisions,
            "proof_tests": self.proof_tests.snapshot(),
            "permit": self.watch.is_permitted,
            "waits_for": self.watch.block_reason,
            "run_time_24h_s": self.spent[0],
            "volume_24h_l": self.spent[1],
            "return_settles_in_s": self.watch.guard_settings.return_settle_s,
        }

    # What a person or a rule asks for

    async def _ask(self, event: Event) -> Outcome | None:
        """Ask the guard for something; it is on the disk when this returns.

        Raises:
            ServiceValidationError: The watch was put to rest; nothing came of it.
        """
        if not self.watch.hears(event):
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="line_at_rest",
                translation_placeholders={"line": self.title},
            )
        outcome = await self.watch.async_request(event)
        self.refresh()
        return outcome

    async def async_lock_out(self, note: str) -> None:
        """Lock out on somebody's word; the fill device goes off."""
        await self._ask(LockOutRequested(dt_util.utcnow().timestamp(), note))

    async def async_reset(self) -> None:
        """Leave the lockout, if what caused it is over.

        Raises:
            ServiceValidationError: A condition stands; the text says which.
        """
        outcome = await self._ask(ResetRequested(dt_util.utcnow().timestamp()))
        refused = None if outcome is None or outcome.state.trip is None else outcome.refused
        if refused is not None:
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key=f"reset_refused_{refused.value}",
                translation_placeholders={"line": self.title},
            )

    async def async_run_by_hand(self) -> None:
        """Run for a short time, in a lockout too, never past a limit or an input.

        Raises:
            ServiceValidationError: A limit stands in the way; the text says which.
        """
        outcome = await self._ask(RunByHandRequested(dt_util.utcnow().timestamp()))
        if outcome is not None and outcome.refused is not None:
            raise ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="run_refused",
                translation_placeholders={
                    "line": self.title,
                    "why": reason_text(self.hass, outcome.refused.value),
                },
            )

    async def async_set_maintenance(self, *, on: bool) -> None:
        """Pause the line for a limited time, or end the pause."""
        now_s = dt_util.utcnow().timestamp()
        until_s = now_s + MAINTENANCE_S if on else None
        await self._ask(MaintenanceRequested(now_s, until_s))
        self.async_tick(now_s)

    async def async_set_rehearsal(self, *, on: bool) -> None:
        """Begin or end the rehearsal."""
        await self.watch.async_set_rehearsal(on=on)
        self.refresh()

    async def async_pass_proof_test(self, key: str) -> None:
        """Note that a proof test was passed."""
        self.proof_tests.async_passed(key, dt_util.utcnow().timestamp())
        await self._save()
        self.refresh()
