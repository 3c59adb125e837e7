"""Set-up of a water change in the UI: its two lines, and the largest share of the system."""

from typing import TYPE_CHECKING, Any, Final

import voluptuous as vol
from homeassistant.config_entries import SOURCE_RECONFIGURE, ConfigSubentry, SubentryFlowResult
from homeassistant.helpers.selector import (
    NumberSelector,
    NumberSelectorConfig,
    NumberSelectorMode,
    SelectOptionDict,
    SelectSelector,
    SelectSelectorConfig,
    SelectSelectorMode,
    TextSelector,
)

from .const import (
    CONF_DESTINATION,
    CONF_DIRECTION,
    CONF_DRAIN_LINE,
    CONF_FEEDS_SYSTEM,
    CONF_LARGEST_SHARE_FRAC,
    CONF_REFILL_LINE,
    CONF_SOURCE_VESSEL,
    DIRECTION_DRAIN,
    SUBENTRY_FILL_LINE,
    SUBENTRY_MIXING_VAT,
    SUBENTRY_WATER_CHANGE,
)
from .engine.water_change import MOST_FRAC
from .line_forms import PERCENT, percent_text
from .stored_flow import FIELD_NAME, StoredFlow, check_name
from .vessel_checks import Refusal
from .water_change import DEFAULT_SHARE_FRAC

if TYPE_CHECKING:
    from collections.abc import Mapping

FIELD_SHARE: Final = "largest_share"
LEAST_FRAC: Final = 0.01


class WaterChangeFlow(StoredFlow):
    """Add or change a water change."""

    async def async_step_user(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for everything at once, then save."""
        drains, refills = self._drains(), self._refills()
        if not drains or not refills:
            return self.async_abort(reason="no_lines")
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                data = self._checked(user_input)
            except Refusal as err:
                refusal = err
            else:
                return self._save(user_input[FIELD_NAME].strip(), data)
        return self.async_show_form(
            step_id="user",
            data_schema=self.add_suggested_values_to_schema(
                _schema(drains, refills), user_input or self._stored_values()
            ),
            errors={refusal.field: refusal.key} if refusal else {},
            description_placeholders={} if refusal is None else refusal.placeholders,
            last_step=True,
        )

    async def async_step_reconfigure(
        self, user_input: dict[str, Any] | None = None
    ) -> SubentryFlowResult:
        """Show the same form with what is stored."""
        return await self.async_step_user(user_input)

    def _save(self, name: str, data: dict[str, Any]) -> SubentryFlowResult:
        if self.source == SOURCE_RECONFIGURE:
            return self.async_update_and_abort(
                self._get_entry(), self._get_reconfigure_subentry(), title=name, data=data
            )
        return self.async_create_entry(title=name, data=data)

    def _lines(self) -> list[ConfigSubentry]:
        return list(self._get_entry().get_subentries_of_type(SUBENTRY_FILL_LINE))

    def _drains(self) -> list[ConfigSubentry]:
        return [line for line in self._lines() if line.data.get(CONF_DIRECTION) == DIRECTION_DRAIN]

    def _refills(self) -> list[ConfigSubentry]:
        """Return the lines that draw from a mixing vat."""
        vats = self._get_entry().get_subentries_of_type(SUBENTRY_MIXING_VAT)
        ids = {vat.subentry_id for vat in vats}
        return [line for line in self._lines() if line.data.get(CONF_SOURCE_VESSEL) in ids]

    def _stored_values(self) -> dict[str, Any]:
        if (stored := self._stored) is None:
            return {}
        share = round(PERCENT * stored.data[CONF_LARGEST_SHARE_FRAC], 6)
        return {**stored.data, FIELD_NAME: stored.title, FIELD_SHARE: share}

    def _checked(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        others = self._get_entry().get_subentries_of_type(SUBENTRY_WATER_CHANGE)
        taken = {one.title.casefold() for one in others if one.subentry_id != self._own_id}
        check_name(values[FIELD_NAME], taken, self._get_entry().title)
        lines = {line.subentry_id: line.data for line in self._lines()}
        drain, refill = lines[values[CONF_DRAIN_LINE]], lines[values[CONF_REFILL_LINE]]
        if drain[CONF_DESTINATION] != refill[CONF_DESTINATION]:
            raise Refusal(CONF_REFILL_LINE, "lines_apart")
        if refill.get(CONF_FEEDS_SYSTEM):
            raise Refusal(CONF_REFILL_LINE, "refill_is_fresh")
        share_frac = values[FIELD_SHARE] / PERCENT
        if not LEAST_FRAC <= share_frac <= MOST_FRAC:
            raise Refusal(
                FIELD_SHARE,
                "share_range",
                low=percent_text(LEAST_FRAC),
                high=percent_text(MOST_FRAC),
                works=percent_text(DEFAULT_SHARE_FRAC),
            )
        return {
            CONF_DRAIN_LINE: values[CONF_DRAIN_LINE],
            CONF_REFILL_LINE: values[CONF_REFILL_LINE],
            CONF_LARGEST_SHARE_FRAC: share_frac,
        }


def _schema(drains: list[ConfigSubentry], refills: list[ConfigSubentry]) -> vol.Schema:
    percent = NumberSelectorConfig(
        min=0, step="any", unit_of_measurement="%", mode=NumberSelectorMode.BOX
    )
    share = PERCENT * DEFAULT_SHARE_FRAC
    return vol.Schema(
        {
            vol.Required(FIELD_NAME): TextSelector(),
            vol.Required(CONF_DRAIN_LINE, default=drains[0].subentry_id): _choice(drains),
            vol.Required(CONF_REFILL_LINE, default=refills[0].subentry_id): _choice(refills),
            vol.Required(FIELD_SHARE, default=share): NumberSelector(percent),
        }
    )


def _choice(lines: list[ConfigSubentry]) -> SelectSelector:
    options = [SelectOptionDict(value=line.subentry_id, label=line.title) for line in lines]
    return SelectSelector(SelectSelectorConfig(options=options, mode=SelectSelectorMode.DROPDOWN))
