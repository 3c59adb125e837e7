"""Reminders to prove that what stands behind the software still works (practice of IEC 61511).

Each independent input, and the device's own auto-off, has a due date of its own. A test never
made is due one interval after the line was set up.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir

from .const import DOMAIN
from .engine.quantities import DAY_S
from .line_settings import FillLineSettings


@dataclass(slots=True)
class ProofTest:
    """One thing to be proved, and when that was last done."""

    key: str
    """Outlives a rename: the registry's own id where there is one."""
    name: str
    interval_s: float
    passed_s: float

    @property
    def due_s(self) -> float:
        """When the next test is due."""
        return self.passed_s + self.interval_s


class ProofTests:
    """The proof tests of one line."""

    def __init__(
        self, hass: HomeAssistant, line_id: str, line_title: str, settings: FillLineSettings
    ) -> None:
        """List what has an interval; `restore` brings the dates."""
        self.hass = hass
        self._line_id = line_id
        self._line_title = line_title
        countdown = () if settings.countdown is None else (settings.countdown,)
        groups = (
            (settings.high_inputs, settings.high_test_days),
            (settings.leak_inputs, settings.leak_test_days),
            (countdown, settings.countdown_test_days),
        )
        self.tests: dict[str, ProofTest] = {}
        for entity_ids, days in groups:
            for entity_id in entity_ids if days is not None else ():
                key, name = _key(hass, entity_id), _name(hass, entity_id)
                self.tests[key] = ProofTest(key, name, (days or 0.0) * DAY_S, 0.0)

    def restore(self, passed: Mapping[str, Any] | None, now_s: float) -> None:
        """Take up the dates; what has none begins now."""
        for key, test in self.tests.items():
            stored = None if passed is None else passed.get(key)
            known = isinstance(stored, int | float) and not isinstance(stored, bool)
            # A clock that stood in the future when it was stored must not put a test off.
            test.passed_s = min(float(stored), now_s) if stored is not None and known else now_s

    def snapshot(self) -> dict[str, float]:
        """Return when each was last passed."""
        return {key: test.passed_s for key, test in self.tests.items()}

    @callback
    def async_clear_others(self, entry_id: str) -> None:
        """Take entities and notices away of tests that are not asked for any more."""
        registry, start = er.async_get(self.hass), f"{self._line_id}_proof_test_"
        for entity in er.async_entries_for_config_entry(registry, entry_id):
            if entity.unique_id.startswith(start) and not self._is_of_a_test(entity.unique_id):
                registry.async_remove(entity.entity_id)
        start = f"proof_test_overdue_{self._line_id}_"
        for domain, issue_id in list(ir.async_get(self.hass).issues):
            is_ours = domain == DOMAIN and issue_id.startswith(start)
            if is_ours and not self._is_of_a_test(issue_id):
                ir.async_delete_issue(self.hass, DOMAIN, issue_id)

    def _is_of_a_test(self, name: str) -> bool:
        return any(name.endswith(f"_{key}") for key in self.tests)

    @callback
    def async_passed(self, key: str, now_s: float) -> None:
        """Note that a test was passed now."""
        self.tests[key].passed_s = now_s
        self.async_look(now_s)

    @callback
    def async_look(self, now_s: float) -> None:
        """Tell what is overdue, and take back what is not any more."""
        for key, test in self.tests.items():
            issue_id = f"proof_test_overdue_{self._line_id}_{key}"
            if now_s < test.due_s:
                ir.async_delete_issue(self.hass, DOMAIN, issue_id)
                continue
            ir.async_create_issue(
                self.hass,
                DOMAIN,
                issue_id,
                is_fixable=True,
                data={"line_id": self._line_id, "test": key},
                severity=ir.IssueSeverity.WARNING,
                translation_key="proof_test_overdue",
                translation_placeholders={"line": self._line_title, "input": test.name},
            )


def _key(hass: HomeAssistant, entity_id: str) -> str:
    entry = er.async_get(hass).async_get(entity_id)
    return entity_id.replace(".", "_") if entry is None else entry.id


def _name(hass: HomeAssistant, entity_id: str) -> str:
    state = hass.states.get(entity_id)
    if state is not None:
        return state.name
    entry = er.async_get(hass).async_get(entity_id)
    known = None if entry is None else entry.name or entry.original_name
    return known or entity_id
