"""Fixes the keeper may choose: of the blueprints here; the table names where others are."""

from typing import Any, Final

import voluptuous as vol
from homeassistant.components.repairs import ConfirmRepairFlow, RepairsFlow, RepairsFlowResult
from homeassistant.core import HomeAssistant
from homeassistant.helpers import issue_registry as ir

from .blueprint_care import (
    ISSUE_ABSENT,
    ISSUE_OLDER,
    async_compare,
    async_install,
    async_why_not_written,
    names_of,
)
from .blueprint_files import FOLDER, Standing
from .rare_reports_fix import RareReportsFlow
from .repair_flows import Data, OtherEntityFlow, OtherMeasureFlow, StillwellFix, TestPassedFlow

MENU: Final = ("keep_edited", "replace_edited")
FIXES: Final[dict[str, type[StillwellFix]]] = {
    "source_missing_": OtherEntityFlow,
    "actuator_missing_": OtherEntityFlow,
    "unit_changed_": OtherMeasureFlow,
    "proof_test_overdue_": TestPassedFlow,
    "reports_too_slow_": RareReportsFlow,
}
"""Beginning of a notice's id to what mends it."""


class BlueprintFlow(RepairsFlow):
    """Write the blueprints on the keeper's word; edited ones only on a word of their own."""

    async def async_step_init(self, user_input: dict[str, Any] | None = None) -> RepairsFlowResult:  # noqa: ARG002
        """Ask at once, or first what to do with edited files that are behind."""
        found = await async_compare(self.hass)
        edited = [one for one in found if one.standing is Standing.EDITED and one.is_behind]
        if not edited:
            return await self.async_step_confirm()
        return self.async_show_menu(
            step_id="init",
            menu_options=list(MENU),
            description_placeholders=self._said() | {"edited": names_of(edited)},
        )

    async def async_step_confirm(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Write them after a word."""
        if user_input is None:
            return self.async_show_form(
                step_id="confirm",
                data_schema=vol.Schema({}),
                description_placeholders=self._said(),
            )
        return await self._written(replace_edited=False)

    async def async_step_keep_edited(
        self,
        user_input: dict[str, Any] | None = None,  # noqa: ARG002
    ) -> RepairsFlowResult:
        """Renew the others and keep what the keeper edited."""
        return await self._written(replace_edited=False)

    async def async_step_replace_edited(
        self,
        user_input: dict[str, Any] | None = None,  # noqa: ARG002
    ) -> RepairsFlowResult:
        """Renew all, with a copy beside each edited file."""
        return await self._written(replace_edited=True)

    async def _written(self, *, replace_edited: bool) -> RepairsFlowResult:
        try:
            await async_install(self.hass, replace_edited=replace_edited)
        except OSError as err:
            why = await async_why_not_written(self.hass, err)
            return self.async_abort(reason="not_written", description_placeholders={"error": why})
        return self.async_create_entry(data={})

    def _said(self) -> dict[str, str]:
        issue = ir.async_get(self.hass).async_get_issue(self.handler, self.issue_id)
        said = None if issue is None else issue.translation_placeholders
        return said or {"folder": "/".join(FOLDER), "names": ""}


async def async_create_fix_flow(
    hass: HomeAssistant,  # noqa: ARG001 - the hub's signature
    issue_id: str,
    data: Data | None,
) -> RepairsFlow:
    """Return the flow that fixes an issue."""
    if issue_id in (ISSUE_ABSENT, ISSUE_OLDER):
        return BlueprintFlow()
    # What is left is only to be read and put away: a file that was damaged.
    return _fix_of(issue_id, data) or ConfirmRepairFlow()


def _fix_of(issue_id: str, data: Data | None) -> RepairsFlow | None:
    for prefix, flow in FIXES.items():
        if issue_id.startswith(prefix) and data is not None:
            return flow(data)
    return None
