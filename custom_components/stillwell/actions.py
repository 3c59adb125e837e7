"""Actions: lock out, reset, forecast, decision log, accept use, known pour, dashboard."""

import asyncio
from typing import Final

import voluptuous as vol
from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import HomeAssistantError, ServiceValidationError
from homeassistant.helpers import config_validation as cv
from homeassistant.helpers.service import async_register_admin_service
from homeassistant.util import dt as dt_util
from homeassistant.util.json import JsonValueType

from .action_targets import lines, lines_there, register, vessels
from .blueprint_care import async_install, async_why_not_written
from .const import DOMAIN
from .daily_statistics import async_write_daily_use, statistic_id
from .dashboard import async_dashboard
from .decision_text import invalid_text
from .engine.calibration import PourError
from .local_time import asked_moment
from .pour import take_after, take_before, take_over
from .vessel import VesselRuntime

ATTR_REASON: Final = "reason"
ATTR_UNTIL: Final = "until"

LOCK_OUT: Final = "lock_out"
RESET_LOCKOUT: Final = "reset_lockout"
FORECAST: Final = "forecast"
DECISION_LOG: Final = "decision_log"
ACCEPT_USE: Final = "accept_use"
DAILY_USE: Final = "daily_use"
WRITE_DAILY_USE: Final = "write_daily_use"
DASHBOARD: Final = "dashboard"
POUR_BEGIN: Final = "pour_begin"
POUR_END: Final = "pour_end"
INSTALL_BLUEPRINTS: Final = "install_blueprints"

ATTR_REPLACE_EDITED: Final = "replace_edited"

ATTR_POURED: Final = "poured_l"
ATTR_APPLY: Final = "apply"
LARGEST_POUR_L: Final = 10000.0

REASON_LENGTH: Final = 200


def _shortened(reason: str) -> str:
    """Return a reason that can be shown; no lockout fails because a rule says too much of it."""
    return reason[:REASON_LENGTH]


async def _lock_out(call: ServiceCall) -> ServiceResponse:
    """Lock out all lines at once; what is wrong with the call is told after that."""
    found, wrong = lines_there(call)
    # No OFF may wait until the lockout of another line is on the disk.
    await asyncio.gather(*(line.async_lock_out(call.data[ATTR_REASON]) for line in found))
    if wrong is not None:
        raise wrong
    return None


async def _reset_lockout(call: ServiceCall) -> ServiceResponse:
    for line in lines(call):
        await line.async_reset()
    return None


async def _accept_use(call: ServiceCall) -> ServiceResponse:
    for runtime in vessels(call):
        runtime.async_accept_use()
    return None


async def _daily_use(call: ServiceCall) -> ServiceResponse:
    return {
        "vessels": [
            {
                "vessel": runtime.title,
                "days": [
                    {
                        "date": day.key,
                        "used_l": round(day.used_l, 3),
                        "added_l": round(day.added_l, 3),
                        "unexplained_l": round(day.unexplained_l, 3),
                        "covered_percent": round(100 * day.covered_frac),
                    }
                    for day in runtime.model.balance.days
                ],
            }
            for runtime in vessels(call)
        ]
    }


def _refused(runtime: VesselRuntime, err: PourError) -> ServiceValidationError:
    return ServiceValidationError(
        translation_domain=DOMAIN,
        translation_key="pour_refused",
        translation_placeholders={"vessel": runtime.title, "why": invalid_text(runtime.hass, err)},
    )


async def _pour_begin(call: ServiceCall) -> ServiceResponse:
    told: list[JsonValueType] = []
    for runtime in vessels(call):
        try:
            before = take_before(runtime, dt_util.utcnow().timestamp())
        except PourError as err:
            raise _refused(runtime, err) from err
        told.append({"vessel": runtime.title, "depth_m": round(before.level.depth_m, 4)})
    return {"vessels": told}


async def _pour_end(call: ServiceCall) -> ServiceResponse:
    told: list[JsonValueType] = []
    for runtime in vessels(call):
        try:
            seen = take_after(runtime, call.data[ATTR_POURED])
        except PourError as err:
            raise _refused(runtime, err) from err
        told.append(
            {
                "vessel": runtime.title,
                "depth_before_m": round(seen.before.depth_m, 4),
                "depth_after_m": round(seen.after.depth_m, 4),
                "factor": round(seen.factor, 4),
                "factor_sigma": round(seen.factor_sigma, 4),
                "litres_per_m": round(seen.litres_per_m, 2),
                "litres_per_m_sigma": round(seen.litres_per_m_sigma, 2),
            }
        )
        if call.data[ATTR_APPLY]:
            take_over(runtime, seen)
    return {"vessels": told}


async def _write_daily_use(call: ServiceCall) -> ServiceResponse:
    if "recorder" not in call.hass.config.components:
        raise ServiceValidationError(translation_domain=DOMAIN, translation_key="no_recorder")
    return {
        "vessels": [
            {
                "vessel": runtime.title,
                "days_written": await async_write_daily_use(
                    call.hass, runtime.subentry_id, runtime.title, runtime.model.balance.days
                ),
                "statistic_id": statistic_id(runtime.subentry_id),
            }
            for runtime in vessels(call)
        ]
    }


async def _decision_log(call: ServiceCall) -> ServiceResponse:
    return {
        "lines": [
            {"line": line.title, "vessel": line.destination.title, "decisions": line.decisions}
            for line in lines(call)
        ]
    }


async def _forecast(call: ServiceCall) -> ServiceResponse:
    now = dt_util.utcnow()
    until = asked_moment(call.data[ATTR_UNTIL])
    if until <= now:
        raise ServiceValidationError(
            translation_domain=DOMAIN,
            translation_key="forecast_past",
            translation_placeholders={"until": dt_util.as_local(until).isoformat(" ", "minutes")},
        )
    return {
        "vessels": [
            {"vessel": runtime.title, **runtime.forecast(now, until)} for runtime in vessels(call)
        ]
    }


async def _install_blueprints(call: ServiceCall) -> ServiceResponse:
    try:
        done = await async_install(call.hass, replace_edited=call.data[ATTR_REPLACE_EDITED])
    except OSError as err:
        raise HomeAssistantError(
            translation_domain=DOMAIN,
            translation_key="blueprints_not_written",
            translation_placeholders={"error": await async_why_not_written(call.hass, err)},
        ) from err
    return {
        "blueprints": [
            {
                "file": one.name,
                "done": one.written.value,
                "version": one.version,
                "kept_as": one.kept_as,
            }
            for one in done
        ]
    }


async def _dashboard(call: ServiceCall) -> ServiceResponse:
    """Return what the raw editor of a new dashboard takes."""
    dashboard = await async_dashboard(call.hass)
    if not dashboard["views"]:
        raise ServiceValidationError(translation_domain=DOMAIN, translation_key="no_system")
    return dashboard


def async_register(hass: HomeAssistant) -> None:
    """Register the actions."""
    register(hass, LOCK_OUT, _lock_out, {vol.Required(ATTR_REASON): vol.All(cv.string, _shortened)})
    register(hass, RESET_LOCKOUT, _reset_lockout, {})
    register(hass, ACCEPT_USE, _accept_use, {})
    register(hass, POUR_BEGIN, _pour_begin, {}, SupportsResponse.OPTIONAL)
    litres = vol.All(vol.Coerce(float), vol.Range(min=0, min_included=False, max=LARGEST_POUR_L))
    register(
        hass,
        POUR_END,
        _pour_end,
        {vol.Required(ATTR_POURED): litres, vol.Optional(ATTR_APPLY, default=True): cv.boolean},
        SupportsResponse.OPTIONAL,
    )
    register(hass, DAILY_USE, _daily_use, {}, SupportsResponse.ONLY)
    register(hass, WRITE_DAILY_USE, _write_daily_use, {}, SupportsResponse.OPTIONAL)
    register(hass, DECISION_LOG, _decision_log, {}, SupportsResponse.ONLY)
    register(
        hass, FORECAST, _forecast, {vol.Required(ATTR_UNTIL): cv.datetime}, SupportsResponse.ONLY
    )
    async_register_admin_service(
        hass,
        DOMAIN,
        INSTALL_BLUEPRINTS,
        _install_blueprints,
        schema=vol.Schema({vol.Optional(ATTR_REPLACE_EDITED, default=False): cv.boolean}),
        supports_response=SupportsResponse.OPTIONAL,
    )
    hass.services.async_register(
        DOMAIN,
        DASHBOARD,
        _dashboard,
        schema=vol.Schema({}),
        supports_response=SupportsResponse.ONLY,
    )
