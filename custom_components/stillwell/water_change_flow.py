"""Set-up of a water change in the UI: its two lines, and the largest share of the system."""

from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.helpers.selector import TextSelector

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
from .stored_flow import FIELD_NAME, SingleFormFlow, check_name
from .vessel_checks import Refusal
from .vessel_forms import number_field, subentry_field
from .vessel_neighbours import subentry_names
from .water_change import DEFAULT_SHARE_FRAC

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import ConfigSubentry

FIELD_SHARE: Final = "largest_share"
LEAST_FRAC: Final = 0.01


class WaterChangeFlow(SingleFormFlow):
    """Add or change a water change."""

    @property
    @override
    def _missing(self) -> str | None:
        return None if self._drains() and self._refills() else "no_lines"

    def _lines(self) -> list[ConfigSubentry]:
        return list(self._get_entry().get_subentries_of_type(SUBENTRY_FILL_LINE))

    def _drains(self) -> list[ConfigSubentry]:
        return [line for line in self._lines() if line.data.get(CONF_DIRECTION) == DIRECTION_DRAIN]

    def _refills(self) -> list[ConfigSubentry]:
        """Return the lines that draw from a mixing vat."""
        vats = self._get_entry().get_subentries_of_type(SUBENTRY_MIXING_VAT)
        ids = {vat.subentry_id for vat in vats}
        return [line for line in self._lines() if line.data.get(CONF_SOURCE_VESSEL) in ids]

    @override
    def _stored_values(self) -> dict[str, Any]:
        if (stored := self._stored) is None:
            return {}
        share = round(PERCENT * stored.data[CONF_LARGEST_SHARE_FRAC], 6)
        return {**stored.data, FIELD_NAME: stored.title, FIELD_SHARE: share}

    @override
    def _schema(self, opened: str | None) -> vol.Schema:
        drains, refills = self._drains(), self._refills()
        share = PERCENT * DEFAULT_SHARE_FRAC
        return vol.Schema(
            {
                vol.Required(FIELD_NAME): TextSelector(),
                vol.Required(CONF_DRAIN_LINE, default=drains[0].subentry_id): subentry_field(
                    drains
                ),
                vol.Required(CONF_REFILL_LINE, default=refills[0].subentry_id): subentry_field(
                    refills
                ),
                vol.Required(FIELD_SHARE, default=share): number_field("%"),
            }
        )

    @override
    def _checked(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        taken = subentry_names(self._get_entry(), SUBENTRY_WATER_CHANGE, self._own_id)
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
