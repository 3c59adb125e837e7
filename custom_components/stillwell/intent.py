"""Intents for voice and assistants; they only read and answer, and never switch or reset."""

from typing import Final, override

import voluptuous as vol
from homeassistant.core import HomeAssistant
from homeassistant.helpers import config_validation as cv
from homeassistant.helpers.intent import (
    Intent,
    IntentHandler,
    IntentResponse,
    IntentResponseErrorCode,
    IntentResponseType,
    async_register,
)

from .answers import QUESTIONS, Answers
from .spoken_names import all_targets, named, spoken_name

SLOT_NAME: Final = "name"

DESCRIPTIONS: Final = {
    "time_left": "Tells how long the water of an aquarium's reservoir lasts, by its forecast",
    "amount": "Tells how much water is in an aquarium's reservoir or vessel",
    "lockout": "Tells whether a fill line is locked out, and why, or what it waits for",
}
INTENTS: Final = {
    "time_left": "StillwellTimeLeft",
    "amount": "StillwellAmount",
    "lockout": "StillwellLockout",
}


class AskIntent(IntentHandler):
    """Answers one question about the vessel or line of a name."""

    def __init__(self, question: str) -> None:
        """Take the question."""
        self.intent_type = INTENTS[question]
        self.description = DESCRIPTIONS[question]
        self._answer = QUESTIONS[question]

    @property
    @override
    def slot_schema(self) -> dict[vol.Marker, object]:
        """Return the one slot: the name, which may be left out while there is one vessel."""
        return {vol.Optional(SLOT_NAME, description="Name of the vessel or fill line"): cv.string}

    @override
    async def async_handle(self, intent_obj: Intent) -> IntentResponse:
        """Answer."""
        hass = intent_obj.hass
        slots = self.async_validate_slots(intent_obj.slots)
        name = slots.get(SLOT_NAME, {}).get("value", "")
        answers = await Answers.of(hass, intent_obj.language)
        response = intent_obj.create_response()
        targets = all_targets(hass, intent_obj.assistant)
        found = named(hass, name, targets)
        if len(found) == 1:
            response.response_type = IntentResponseType.QUERY_ANSWER
            response.async_set_speech(self._answer(answers, found[0]))
            return response
        names = ", ".join(spoken_name(hass, target) for target in found or targets)
        key = "answer_which" if found else "answer_who" if targets else "answer_nobody"
        response.async_set_error(
            IntentResponseErrorCode.NO_VALID_TARGETS, answers.text(key, name=name, names=names)
        )
        return response


async def async_setup_intents(hass: HomeAssistant) -> None:
    """Register the intents."""
    for question in QUESTIONS:
        async_register(hass, AskIntent(question))
