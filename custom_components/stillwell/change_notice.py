"""What a person is told of a water change that ended early."""

from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers import issue_registry as ir

from .const import DOMAIN
from .decimal_mark import written
from .decision_text import common_text
from .engine.water_change import Outcome
from .form_units import FormUnits


def shown_volume(hass: HomeAssistant, litres: float) -> str:
    """Return a volume (L) as the keeper reads volumes."""
    return written(hass, FormUnits.of(hass).show_l(litres))


def missing_note(hass: HomeAssistant, title: str, outcome: Outcome) -> str:
    """Return what the lockout of a line says that could bring fresh water."""
    missing = shown_volume(hass, outcome.missing_l)
    return common_text(hass, "change_missing", change=title, volume=missing)


@callback
def async_tell_aborted(hass: HomeAssistant, key: str, title: str, outcome: Outcome) -> None:
    """Tell how a change ended, and what is missing."""
    ir.async_create_issue(
        hass,
        DOMAIN,
        _issue_id(key),
        is_fixable=False,
        is_persistent=True,
        severity=ir.IssueSeverity.ERROR,
        translation_key="water_change_aborted",
        translation_placeholders={
            "change": title,
            "why": common_text(hass, f"change_stop_{outcome.stop}"),
            "drained": shown_volume(hass, outcome.drained_l),
            "refilled": shown_volume(hass, outcome.refilled_l),
            "missing": shown_volume(hass, outcome.missing_l),
        },
    )


@callback
def async_forget_aborted(hass: HomeAssistant, key: str) -> None:
    """Take the notice back."""
    ir.async_delete_issue(hass, DOMAIN, _issue_id(key))


def _issue_id(key: str) -> str:
    return f"water_change_aborted_{key}"
