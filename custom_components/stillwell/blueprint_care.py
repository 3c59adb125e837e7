"""Offers to install and to renew the blueprints; nothing is written without the keeper's word."""

import errno
import logging
from pathlib import Path
from typing import Any, Final

from homeassistant.components.automation import automations_with_blueprint
from homeassistant.components.automation.helpers import async_get_blueprints
from homeassistant.const import SERVICE_RELOAD
from homeassistant.core import HomeAssistant
from homeassistant.helpers import issue_registry as ir

from .blueprint_files import FOLDER, Installed, Outcome, Standing, Written, compare, install
from .const import DOMAIN
from .decision_text import async_load_texts, common_text

_LOGGER = logging.getLogger(__name__)

AUTOMATION: Final = "automation"
ISSUE_ABSENT: Final = "blueprints_absent"
ISSUE_OLDER: Final = "blueprints_older"
_FULL: Final = (errno.ENOSPC, errno.EDQUOT)
_IN_THE_WAY: Final = (FileExistsError, IsADirectoryError, NotADirectoryError)


async def async_compare(hass: HomeAssistant) -> list[Installed]:
    """Compare the keeper's blueprints with the package's.

    Raises:
        OSError: A file cannot be read.
    """
    return await hass.async_add_executor_job(compare, Path(hass.config.config_dir))


async def async_are_absent(hass: HomeAssistant) -> bool:
    """Return whether none of the blueprints is there; what cannot be read may be."""
    try:
        found = await async_compare(hass)
    except OSError:
        return False
    return all(one.standing is Standing.ABSENT for one in found)


async def async_offer(hass: HomeAssistant) -> None:
    """Offer what there is to do: install them if none is there, renew those that are older."""
    try:
        found = await async_compare(hass)
    except OSError as err:
        _LOGGER.warning("The blueprints in the configuration folder cannot be read: %s", err)
        return
    _offer_first(hass, found)
    _offer_update(hass, found)


def _offer_first(hass: HomeAssistant, found: list[Installed]) -> None:
    if any(one.standing is not Standing.ABSENT for one in found):
        ir.async_delete_issue(hass, DOMAIN, ISSUE_ABSENT)
        return
    ir.async_create_issue(
        hass,
        DOMAIN,
        ISSUE_ABSENT,
        is_fixable=True,
        severity=ir.IssueSeverity.WARNING,
        translation_key="blueprints_absent",
        translation_placeholders={"folder": "/".join(FOLDER), "names": names_of(found)},
    )


def _offer_update(hass: HomeAssistant, found: list[Installed]) -> None:
    older = [one for one in found if one.standing is Standing.OLDER]
    if not older:
        ir.async_delete_issue(hass, DOMAIN, ISSUE_OLDER)
        return
    ir.async_create_issue(
        hass,
        DOMAIN,
        ISSUE_OLDER,
        is_fixable=True,
        severity=ir.IssueSeverity.WARNING,
        translation_key="blueprints_older",
        translation_placeholders={"folder": "/".join(FOLDER), "names": names_of(older)},
    )


def names_of(found: list[Installed]) -> str:
    """Return the files as a list for a notice, each with its versions."""
    return "\n".join(
        f"- `{one.name}`: {one.version} → {one.shipped_version}"
        if one.version is not None
        else f"- `{one.name}`: {one.shipped_version}"
        for one in found
    )


async def async_install(hass: HomeAssistant, *, replace_edited: bool = False) -> list[Outcome]:
    """Write the blueprints, let the hub read them anew, and take back what was offered.

    Raises:
        OSError: A file cannot be read or written.
    """
    config = Path(hass.config.config_dir)
    done = await hass.async_add_executor_job(lambda: install(config, replace_edited=replace_edited))
    changed = [one for one in done if one.written in (Written.UPDATED, Written.REPLACED)]
    if any(one.written is not Written.KEPT for one in done):
        await async_get_blueprints(hass).async_reset_cache()
    if any(_uses(hass, one.name) for one in changed):
        await hass.services.async_call(AUTOMATION, SERVICE_RELOAD, blocking=True)
    await async_offer(hass)
    return done


async def async_why_not_written(hass: HomeAssistant, err: OSError) -> str:
    """Return in the hub's language why the blueprints could not be written.

    The system's own words are English and name the path on its disk: they go to the log.
    """
    _LOGGER.warning("The blueprints could not be written: %s", err)
    await async_load_texts(hass)
    return common_text(hass, f"not_written_{_fault(err)}", folder="/".join(FOLDER))


def _fault(err: OSError) -> str:
    if isinstance(err, PermissionError) or err.errno == errno.EROFS:
        return "denied"
    if err.errno in _FULL:
        return "full"
    return "in_the_way" if isinstance(err, _IN_THE_WAY) else "failed"


def _uses(hass: HomeAssistant, name: str) -> list[str]:
    return automations_with_blueprint(hass, f"{FOLDER[-1]}/{name}")


async def async_describe(hass: HomeAssistant) -> list[dict[str, Any]]:
    """Return for diagnostics which version of each blueprint is there, and who uses it."""
    try:
        found = await async_compare(hass)
    except OSError as err:
        return [{"error": str(err)}]
    return [
        {
            "file": one.name,
            "standing": one.standing.value,
            "version": one.version,
            "shipped_version": one.shipped_version,
            "automations": len(_uses(hass, one.name)),
        }
        for one in found
    ]
