"""Set-up of an RO/DI unit in the UI: its fill line, its stages, and what is read of it."""

from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.data_entry_flow import section
from homeassistant.helpers.selector import SelectSelector, SelectSelectorConfig, TextSelector

from .const import (
    CONF_FEED_PRESSURE_SOURCE,
    CONF_FEED_SOLIDS_SOURCE,
    CONF_FILL_LINE,
    CONF_PRODUCT_SOLIDS_SOURCE,
    CONF_RATED_L,
    CONF_STAGES,
    CONF_TEMPERATURE_SOURCE,
    CONF_WASTE_RATIO,
    SUBENTRY_FILL_LINE,
    SUBENTRY_RODI_UNIT,
)
from .engine.membrane import Stage
from .engine.rodi_unit import LEAST_WASTE, MOST_WASTE
from .form_units import FormUnits
from .readings import is_pressure_unit, is_solids_unit, is_temperature_unit, state_unit
from .rodi_watch import rodi_settings
from .stored_flow import FIELD_NAME, SingleFormFlow, check_name
from .vessel_checks import Refusal, check_twice
from .vessel_forms import LEVEL_DOMAINS, entity_field, number_field, subentry_field
from .vessel_neighbours import own_entities, subentry_names

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from homeassistant.config_entries import ConfigSubentry

SECTION_SOURCES: Final = "sources"
SECTION_RATINGS: Final = "ratings"
SOURCES: Final[dict[str, tuple[Callable[[str | None], bool], str]]] = {
    CONF_TEMPERATURE_SOURCE: (is_temperature_unit, "temperature_unit"),
    CONF_FEED_PRESSURE_SOURCE: (is_pressure_unit, "pressure_unit"),
    CONF_FEED_SOLIDS_SOURCE: (is_solids_unit, "solids_unit"),
    CONF_PRODUCT_SOLIDS_SOURCE: (is_solids_unit, "solids_unit"),
}
# Litres to the drain per litre made, for small membranes (common practice, no source).
USUAL_WASTE: Final = 4.0


class RodiUnitFlow(SingleFormFlow):
    """Add or change an RO/DI unit."""

    @property
    @override
    def _missing(self) -> str | None:
        return None if self._lines else "no_fill_line"

    @property
    def _lines(self) -> list[ConfigSubentry]:
        return self._get_entry().get_subentries_of_type(SUBENTRY_FILL_LINE)

    @override
    def _stored_values(self) -> dict[str, Any]:
        if (stored := self._stored) is None:
            return {CONF_STAGES: [stage.value for stage in Stage]}
        data, units = stored.data, FormUnits.of(self.hass)
        rated_l = data.get(CONF_RATED_L) or {}
        return {
            FIELD_NAME: stored.title,
            **{key: data[key] for key in (CONF_FILL_LINE, CONF_WASTE_RATIO, CONF_STAGES)},
            SECTION_SOURCES: {key: data[key] for key in SOURCES if key in data},
            SECTION_RATINGS: {stage: units.from_l(rated_l[stage]) for stage in rated_l},
        }

    @override
    def _schema(self, opened: str | None) -> vol.Schema:
        lines = self._lines
        stages = SelectSelectorConfig(
            options=[stage.value for stage in Stage], translation_key="rodi_stage", multiple=True
        )
        own = own_entities(self.hass)
        sources = {vol.Optional(key): entity_field(LEVEL_DOMAINS, own) for key in SOURCES}
        volume = FormUnits.of(self.hass).volume
        ratings = {vol.Optional(stage.value): number_field(volume) for stage in Stage}
        return vol.Schema(
            {
                vol.Required(FIELD_NAME): TextSelector(),
                vol.Required(CONF_FILL_LINE, default=lines[0].subentry_id): subentry_field(lines),
                vol.Required(CONF_WASTE_RATIO, default=USUAL_WASTE): number_field(None),
                vol.Required(CONF_STAGES): SelectSelector(stages),
                vol.Required(SECTION_SOURCES): section(
                    vol.Schema(sources), {"collapsed": opened != SECTION_SOURCES}
                ),
                vol.Required(SECTION_RATINGS): section(
                    vol.Schema(ratings), {"collapsed": opened != SECTION_RATINGS}
                ),
            }
        )

    @override
    def _checked(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored.

        Raises:
            Refusal: naming the field, why, and what would work.
        """
        others = [
            unit
            for unit in self._get_entry().get_subentries_of_type(SUBENTRY_RODI_UNIT)
            if unit.subentry_id != self._own_id
        ]
        taken = subentry_names(self._get_entry(), SUBENTRY_RODI_UNIT, self._own_id)
        check_name(values[FIELD_NAME], taken)
        for unit in others:
            if unit.data.get(CONF_FILL_LINE) == values[CONF_FILL_LINE]:
                raise Refusal(CONF_FILL_LINE, "line_taken", other=unit.title)
        sources = {key: value for key, value in values[SECTION_SOURCES].items() if value}
        self._check_units(sources)
        check_twice(SECTION_SOURCES, *sources.values())
        ratings, units = values[SECTION_RATINGS], FormUnits.of(self.hass)
        if set(ratings) - set(values[CONF_STAGES]):
            raise Refusal(CONF_STAGES, "stage_not_chosen")
        data = {
            CONF_FILL_LINE: values[CONF_FILL_LINE],
            CONF_WASTE_RATIO: float(values[CONF_WASTE_RATIO]),
            CONF_STAGES: [stage.value for stage in Stage if stage in values[CONF_STAGES]],
            CONF_RATED_L: {stage: units.to_l(rated) for stage, rated in ratings.items()},
            **sources,
        }
        if not LEAST_WASTE <= data[CONF_WASTE_RATIO] <= MOST_WASTE:
            raise Refusal(
                CONF_WASTE_RATIO,
                "waste_range",
                least=f"{LEAST_WASTE:g}",
                most=f"{MOST_WASTE:g}",
                usual=f"{USUAL_WASTE:g}",
            )
        try:
            rodi_settings(data)
        except ValueError as err:
            raise Refusal(SECTION_RATINGS, "rating_range") from err
        return data

    def _check_units(self, sources: Mapping[str, str]) -> None:
        for key, source in sources.items():
            fits, error = SOURCES[key]
            state = self.hass.states.get(source)
            if state is not None and not fits(unit := state_unit(state)):
                raise Refusal(SECTION_SOURCES, error, source=source, unit=unit or "-")
