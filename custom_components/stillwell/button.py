"""Buttons of a fill line: reset of the lockout, run by hand, proof test passed; and of watches."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from typing import Final, override

from homeassistant.components.button import ButtonEntity, ButtonEntityDescription
from homeassistant.const import EntityCategory, Platform
from homeassistant.core import HomeAssistant
from homeassistant.helpers.entity_platform import AddConfigEntryEntitiesCallback

from .coordinator import StillwellConfigEntry
from .entity import LineEntity, async_add, async_add_of_watches
from .fill_line import FillLine
from .proof_tests import ProofTest

PARALLEL_UPDATES = 0


@dataclass(frozen=True, kw_only=True)
class LineButtonDescription(ButtonEntityDescription):
    """What a button asks of its line."""

    press_fn: Callable[[FillLine], Awaitable[None]]


LINE_BUTTONS: Final = (
    LineButtonDescription(
        key="reset", translation_key="reset", press_fn=lambda line: line.async_reset()
    ),
    LineButtonDescription(
        key="run_by_hand",
        translation_key="run_by_hand",
        press_fn=lambda line: line.async_run_by_hand(),
    ),
)

PROOF_TEST_PASSED: Final = ButtonEntityDescription(
    key="proof_test_passed",
    translation_key="proof_test_passed",
    entity_category=EntityCategory.DIAGNOSTIC,
)


class LineButton(LineEntity, ButtonEntity):
    """Asks something of the line; refused with the reason while a condition stands."""

    entity_description: LineButtonDescription

    @override
    async def async_press(self) -> None:
        """Ask."""
        await self.entity_description.press_fn(self.line)


class ProofTestButton(LineEntity, ButtonEntity):
    """Notes that the proof test of one input, or of the auto-off, was passed."""

    def __init__(
        self, line: FillLine, description: ButtonEntityDescription, test: ProofTest
    ) -> None:
        """Bind the entity to its test."""
        super().__init__(line, replace(description, key=f"{description.key}_{test.key}"))
        self._test = test
        self._attr_translation_placeholders = {"input": test.name}

    @override
    async def async_press(self) -> None:
        """Note it; the next one is due an interval from now."""
        await self.line.async_pass_proof_test(self._test.key)


async def async_setup_entry(
    hass: HomeAssistant,
    entry: StillwellConfigEntry,
    async_add_entities: AddConfigEntryEntitiesCallback,
) -> None:
    """Add the buttons of each fill line and watch."""
    for line in entry.runtime_data.lines.values():
        entities: list[ButtonEntity] = [
            LineButton(line, description) for description in LINE_BUTTONS
        ]
        entities += [
            ProofTestButton(line, PROOF_TEST_PASSED, test)
            for test in line.proof_tests.tests.values()
        ]
        await async_add(hass, async_add_entities, line, entities)
    await async_add_of_watches(hass, entry, Platform.BUTTON, async_add_entities)
