"""Sentences for the hub's own voice agent, in the hub's language and in English.

An integration cannot ship a file of sentences; the hub reads those from its configuration
only. So each vessel and line gets its sentences as the hub's own conversation triggers do,
with its name in them: a question about anything else is left to others. The answer comes in the
language the agent was asked in.
"""

import asyncio
import logging
from collections.abc import Mapping
from functools import partial
from typing import Any, Final

import voluptuous as vol
from homeassistant.const import CONF_COMMAND, CONF_PLATFORM
from homeassistant.core import CALLBACK_TYPE, Context, Event, HomeAssistant, callback
from homeassistant.exceptions import HomeAssistantError
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers.script import ScriptRunResult
from homeassistant.helpers.trigger import async_initialize_triggers, async_validate_trigger_config

from .answers import QUESTIONS, Answers
from .const import DOMAIN
from .coordinator import System
from .fill_line import FillLine
from .questions import ARTICLES, ASKED, languages_heard
from .spoken_names import spoken_name, words
from .targets import Target

_LOGGER = logging.getLogger(__name__)

CONVERSATION: Final = "conversation"


class Sentences:
    """The sentences of one system: registered anew when a person renames a device."""

    def __init__(self, hass: HomeAssistant, system: System) -> None:
        """Begin with none."""
        self._hass = hass
        self._system = system
        self._lock = asyncio.Lock()
        self._registered: list[CALLBACK_TYPE] = []
        self._is_over = False

    async def async_start(self) -> list[CALLBACK_TYPE]:
        """Register them and follow the names; return what ends that."""
        if CONVERSATION not in self._hass.config.components:
            return []
        listen = self._hass.bus.async_listen
        stop = listen(dr.EVENT_DEVICE_REGISTRY_UPDATED, self._async_renamed, self._is_rename)
        await self._async_register()
        return [stop, self._async_end]

    async def _async_register(self) -> None:
        async with self._lock:
            self._forget()
            if not self._is_over:
                self._registered = await _async_register_all(self._hass, self._system)
            if self._is_over:
                self._forget()

    def _forget(self) -> None:
        while self._registered:
            self._registered.pop()()

    @callback
    def _async_end(self) -> None:
        self._is_over = True
        self._forget()

    @callback
    def _is_rename(self, data: dr.EventDeviceRegistryUpdatedData) -> bool:
        if data["action"] != "update" or "name_by_user" not in data["changes"]:
            return False
        device = dr.async_get(self._hass).async_get(data["device_id"])
        return device is not None and self._system.entry.entry_id in device.config_entries

    async def _async_renamed(self, _event: Event[dr.EventDeviceRegistryUpdatedData]) -> None:
        await self._async_register()


async def _async_register_all(hass: HomeAssistant, system: System) -> list[CALLBACK_TYPE]:
    """Register the sentences of a system; return what takes them back."""
    registered: list[CALLBACK_TYPE] = []
    targets: list[Target] = [*system.vessels.values(), *system.lines.values()]
    heard = languages_heard(hass.config.language)
    for target in targets:
        for question in QUESTIONS:
            if question == "lockout" or not isinstance(target, FillLine):
                remove = await _async_register(hass, target, question, heard)
                registered += [] if remove is None else [remove]
    return registered


async def _async_register(
    hass: HomeAssistant, target: Target, question: str, heard: list[str]
) -> CALLBACK_TYPE | None:
    commands = [
        sentence.replace("NAME", name)
        for language in heard
        if (name := _spoken(hass, target, language))
        for sentence in ASKED[language][question]
    ]
    if not commands:
        return None
    try:
        configs = await async_validate_trigger_config(
            hass, [{CONF_PLATFORM: CONVERSATION, CONF_COMMAND: commands}]
        )
    except (HomeAssistantError, vol.Invalid) as err:
        # A name that cannot be said must not keep the guard from starting.
        _LOGGER.warning("No sentences for %s: %s", target.title, err)
        return None
    return await async_initialize_triggers(
        hass,
        configs,
        partial(_async_answer, hass, target, question),
        DOMAIN,
        target.title,
        _LOGGER.log,
    )


def _spoken(hass: HomeAssistant, target: Target, language: str) -> str:
    # Only words: marks would be read as part of the template.
    return " ".join(words(spoken_name(hass, target), ARTICLES[language]))


async def _async_answer(
    hass: HomeAssistant,
    target: Target,
    question: str,
    variables: Mapping[str, Any],
    _context: Context | None = None,
) -> ScriptRunResult:
    """Answer as an automation would that sets a response."""
    language = variables["trigger"]["user_input"]["language"]
    answers = await Answers.of(hass, language)
    return ScriptRunResult(QUESTIONS[question](answers, target), None, {})
