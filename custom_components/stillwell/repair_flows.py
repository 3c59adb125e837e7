"""Fixes of what a vessel, line or watch names: another entity, another measure, a test passed."""

from abc import abstractmethod
from typing import Any, Final, override

import voluptuous as vol
from homeassistant.components.repairs import RepairsFlow, RepairsFlowResult
from homeassistant.config_entries import ConfigEntry, ConfigEntryState, ConfigSubentry
from homeassistant.core import HomeAssistant, split_entity_id
from homeassistant.helpers import issue_registry as ir
from homeassistant.helpers.selector import (
    EntitySelector,
    EntitySelectorConfig,
    SelectSelector,
    SelectSelectorConfig,
)
from homeassistant.util import dt as dt_util

from .const import CONF_DEVICE, CONF_MEASURE, CONF_SOURCE, DOMAIN
from .fill_line import FillLine
from .readings import fits, state_unit
from .settings import Measure
from .sources import with_renamed
from .vessel_neighbours import line_with, own_entities, vessel_with

type Data = dict[str, str | int | float | None]

FIELD_ENTITY: Final = "entity"
ALIKE: Final = (
    frozenset({"sensor", "number", "input_number"}),
    frozenset({"switch", "valve", "input_boolean"}),
)
"""Domains that may stand for each other."""


class StillwellFix(RepairsFlow):
    """What the fixes share: the notice they belong to."""

    def __init__(self, data: Data) -> None:
        """Take what the notice says of its subject."""
        self._about = data

    async def async_step_init(self, user_input: dict[str, Any] | None = None) -> RepairsFlowResult:  # noqa: ARG002
        """Begin with the only step there is."""
        return await self.async_step_confirm()

    @abstractmethod
    async def async_step_confirm(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Ask, then do it."""

    def _form(
        self,
        schema: vol.Schema,
        errors: dict[str, str] | None = None,
        *,
        step_id: str = "confirm",
        **more: str,
    ) -> RepairsFlowResult:
        """Show a step; `more` is what its text fills in beside the words of the notice."""
        return self.async_show_form(
            step_id=step_id,
            data_schema=schema,
            errors=errors or {},
            description_placeholders=self._said() | more,
        )

    def _said(self) -> dict[str, str]:
        issue = ir.async_get(self.hass).async_get_issue(DOMAIN, self.issue_id)
        said = None if issue is None else issue.translation_placeholders
        return dict(said or {})

    @property
    def _subject(self) -> tuple[ConfigEntry, ConfigSubentry] | None:
        """The system and the part of it; None when it was removed meanwhile."""
        entry = self.hass.config_entries.async_get_entry(str(self._about.get("entry_id")))
        if entry is None or str(self._about["subentry_id"]) not in entry.subentries:
            return None
        return entry, entry.subentries[str(self._about["subentry_id"])]


class OtherEntityFlow(StillwellFix):
    """Choose another entity in place of one that is gone, or of no use."""

    @property
    def _step(self) -> str:
        """The step that asks for it."""
        return "confirm"

    @property
    def _gone(self) -> str:
        """The entity whose place another takes."""
        return str(self._about["entity"])

    @override
    async def async_step_confirm(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Ask for the entity; everything else stays as it is set."""
        if (subject := self._subject) is None:
            return self.async_abort(reason="removed")
        gone = self._gone
        domain = split_entity_id(gone)[0]
        alike = next((group for group in ALIKE if domain in group), frozenset({domain}))
        schema = vol.Schema(
            {
                vol.Required(FIELD_ENTITY): EntitySelector(
                    EntitySelectorConfig(
                        domain=sorted(alike), exclude_entities=own_entities(self.hass)
                    )
                )
            }
        )
        if user_input is None:
            return self._form(schema, step_id=self._step)
        entry, part = subject
        chosen = user_input[FIELD_ENTITY]
        if error := _refused(self.hass, part, gone, chosen):
            return self._form(schema, {FIELD_ENTITY: error}, step_id=self._step)
        # The entry's update listener reloads.
        self.hass.config_entries.async_update_subentry(
            entry, part, data=with_renamed(part.data, {gone: chosen})
        )
        return self.async_create_entry(data={})


def _refused(hass: HomeAssistant, part: ConfigSubentry, gone: str, chosen: str) -> str | None:
    """Return why an entity cannot stand for another; None when it can."""
    if hass.states.get(chosen) is None:
        return "not_there"
    key = part.subentry_id
    if part.data.get(CONF_SOURCE) == gone and vessel_with(hass, CONF_SOURCE, chosen, key):
        return "taken"
    if part.data.get(CONF_DEVICE) == gone and line_with(hass, chosen, key):
        return "taken"
    return None


class OtherMeasureFlow(StillwellFix):
    """Say what a level source measures now that its unit is another."""

    @override
    async def async_step_confirm(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Ask for one of the measures the unit fits."""
        if (subject := self._subject) is None:
            return self.async_abort(reason="removed")
        entry, part = subject
        unit = state_unit(self.hass.states.get(str(part.data[CONF_SOURCE])))
        # A loop current asks for its span besides: that is for the vessel's own form.
        fitting = [
            measure.value
            for measure in Measure
            if measure is not Measure.CURRENT and fits(unit, measure)
        ]
        if not fitting:
            return self.async_abort(
                reason="unit_fits_nothing", description_placeholders={"unit": unit or "-"}
            )
        if user_input is None:
            select = SelectSelectorConfig(options=fitting, translation_key="measure")
            return self._form(vol.Schema({vol.Required(CONF_MEASURE): SelectSelector(select)}))
        data = {**part.data, CONF_MEASURE: user_input[CONF_MEASURE]}
        self.hass.config_entries.async_update_subentry(entry, part, data=data)
        return self.async_create_entry(data={})


class TestPassedFlow(StillwellFix):
    """Note that an overdue proof test was passed."""

    @override
    async def async_step_confirm(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Ask whether it really was."""
        if user_input is None:
            return self._form(vol.Schema({}))
        line = line_of(self.hass, str(self._about["line_id"]))
        test = str(self._about["test"])
        if line is None or test not in line.proof_tests.tests:
            return self.async_abort(reason="removed")
        await line.async_pass_proof_test(test)
        return self.async_create_entry(data={"passed_s": dt_util.utcnow().timestamp()})


def line_of(hass: HomeAssistant, line_id: str) -> FillLine | None:
    """Return the line with a subentry id; None when it was removed or stands still."""
    for entry in hass.config_entries.async_entries(DOMAIN):
        if entry.state is ConfigEntryState.LOADED and line_id in entry.runtime_data.lines:
            line: FillLine = entry.runtime_data.lines[line_id]
            return line
    return None
