"""The action that takes back what a keeper typed in wrong: a dose, a test, a salinity.

What a dosing pump gave is no such entry. It is counted by the pump itself, and no limit of an hour
or a day may be lifted by forgetting it.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import partial
from typing import Any, Final

import voluptuous as vol
from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import config_validation as cv
from homeassistant.util import dt as dt_util

from .action_targets import register, typed_watches
from .const import DOMAIN
from .decimal_mark import written
from .decision_text import common_text
from .dosing_forms import ML_PER_L
from .dosing_watch import DosingWatch
from .engine.limewater_line import TypedEntry
from .local_time import asked_moment
from .salinity_watch import SalinityWatch

TAKE_BACK: Final = "take_back"

ATTR_WHAT: Final = "what"
ATTR_RECORDED: Final = "recorded"

NEAR_S: Final = 60.0
"""A keeper names the minute, not the second."""


class What(StrEnum):
    """What can be taken back."""

    DOSE = "dose"
    RISE = "rise"
    ALKALINITY = "alkalinity"
    SALINITY = "salinity"


_SHOWN: Final = {
    What.DOSE: ("volume_ml", "mL", 1),
    What.RISE: ("rise_dkh", "dKH", 2),
    What.ALKALINITY: ("alkalinity_dkh", "dKH", 2),
    What.SALINITY: ("salinity_psu", "PSU", 2),
}
"""Name in the answer, unit and decimals."""


@dataclass(frozen=True, slots=True)
class _Entry:
    """One thing that was typed in."""

    what: What
    recorded_s: float
    value: float
    async_forget: Callable[[], Awaitable[None]]

    def told(self) -> dict[str, Any]:
        """Return it for the answer."""
        name, _, decimals = _SHOWN[self.what]
        moment = dt_util.as_local(dt_util.utc_from_timestamp(self.recorded_s))
        return {
            "what": self.what.value,
            "recorded": moment.isoformat(timespec="seconds"),
            name: round(self.value, decimals),
        }

    def text(self, hass: HomeAssistant) -> str:
        """Return it for a refusal."""
        _, unit, decimals = _SHOWN[self.what]
        moment = dt_util.as_local(dt_util.utc_from_timestamp(self.recorded_s))
        value = written(hass, f"{round(self.value, decimals):g} {unit}")
        said = common_text(hass, f"typed_{self.what}", value=value)
        return f"{moment:%Y-%m-%d %H:%M} {said}"


def _entries(watch: DosingWatch | SalinityWatch) -> list[_Entry]:
    """Return what was typed in, the oldest first."""
    if isinstance(watch, SalinityWatch):
        records = sorted(watch.records, key=lambda record: record[0])
        return [
            _Entry(What.SALINITY, at_s, psu, partial(watch.async_take_back, at_s))
            for at_s, psu in records
        ]
    return [_dosing_entry(watch, one) for one in watch.typed]


def _dosing_entry(watch: DosingWatch, one: TypedEntry) -> _Entry:
    what = What(one.kind.value)
    value = ML_PER_L * one.value if what is What.DOSE else one.value
    return _Entry(what, one.noted_s, value, partial(watch.async_take_back, one))


def _chosen(entries: list[_Entry], what: str | None, recorded: datetime | None) -> _Entry | None:
    """Return the entry a call names, else the last one; None: there is no such entry."""
    found = [one for one in entries if what is None or one.what == what]
    if recorded is None:
        return found[-1] if found else None
    wanted_s = asked_moment(recorded).timestamp()
    near = [one for one in found if abs(one.recorded_s - wanted_s) < NEAR_S]
    return min(reversed(near), key=lambda one: abs(one.recorded_s - wanted_s), default=None)


async def _take_back(call: ServiceCall) -> ServiceResponse:
    found = typed_watches(call, DosingWatch, SalinityWatch)
    if len(found) > 1:
        names = ", ".join(watch.title for watch in found)
        raise ServiceValidationError(
            translation_domain=DOMAIN,
            translation_key="take_back_one",
            translation_placeholders={"watches": names},
        )
    (watch,) = found
    entries = _entries(watch)
    entry = _chosen(entries, call.data.get(ATTR_WHAT), call.data.get(ATTR_RECORDED))
    if entry is None:
        told = [one.text(call.hass) for one in entries]
        nothing = common_text(call.hass, "typed_nothing")
        raise ServiceValidationError(
            translation_domain=DOMAIN,
            translation_key="take_back_not_found",
            translation_placeholders={
                "watch": watch.title,
                "entries": "; ".join(reversed(told)) or nothing,
            },
        )
    await entry.async_forget()
    return {
        "watch": watch.title,
        "taken_back": entry.told(),
        "left": [one.told() for one in reversed(_entries(watch))],
    }


def async_register(hass: HomeAssistant) -> None:
    """Register the action."""
    fields = {
        vol.Optional(ATTR_WHAT): vol.In([what.value for what in What]),
        vol.Optional(ATTR_RECORDED): cv.datetime,
    }
    register(hass, TAKE_BACK, _take_back, fields, SupportsResponse.OPTIONAL)
