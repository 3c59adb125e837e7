"""Tools for language models: the same questions, read-only, about what is exposed to them."""

from typing import Final

from homeassistant.components.llm import LLMTools
from homeassistant.core import HomeAssistant, callback
from homeassistant.helpers.llm import (
    LLM_API_ASSIST,
    IntentTool,
    LLMContext,
    Tool,
    ToolAnnotations,
)

from .answers import QUESTIONS
from .const import DOMAIN
from .intent import AskIntent
from .spoken_names import all_targets, spoken_name

TITLES: Final = {
    "time_left": "How long the water lasts",
    "amount": "How much water there is",
    "lockout": "What is locked out",
}
PROMPT: Final = (
    "Vessels and fill lines of aquarium water systems: {names}. Their tools only read. Repeat"
    " numbers as the tool gives them, and say so when it says that something is not known."
    " A lockout is reset by a person on site only."
)
READ_ONLY: Final = ToolAnnotations(
    read_only=True, destructive=False, idempotent=True, open_world=False
)


@callback
def async_get_tools(hass: HomeAssistant, llm_context: LLMContext, api_id: str) -> LLMTools | None:
    """Return the tools; None while nothing of ours is exposed."""
    if api_id != LLM_API_ASSIST:
        return None
    targets = all_targets(hass, llm_context.assistant)
    if not targets:
        return None
    tools: list[Tool] = [
        IntentTool(
            f"{DOMAIN}__{question}",
            AskIntent(question),
            title=TITLES[question],
            integration=DOMAIN,
            annotations=READ_ONLY,
        )
        for question in QUESTIONS
    ]
    names = ", ".join(spoken_name(hass, target) for target in targets)
    return LLMTools(tools=tools, prompt=PROMPT.format(names=names))
