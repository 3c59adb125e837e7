"""The fix of a level that is reported too rarely: another source, learn anew, or a longer run."""

from typing import TYPE_CHECKING, Any, Final, override

import voluptuous as vol
from homeassistant.components.repairs import RepairsFlowResult

from .const import (
    CONF_FRESH_WATER_CAP_FRAC,
    CONF_LONGEST_RUN_S,
    CONF_SOURCE,
    CONF_STALE_AFTER_S,
    CONF_VOLUME_L,
    DEFAULT_FRESH_WATER_CAP_FRAC,
    DEFAULT_LONGEST_RUN_S,
)
from .decision_text import common_text
from .engine.line_limits import Acceptance, acceptance
from .form_units import FormUnits, span_text
from .line_checks import limits_of
from .repair_flows import OtherEntityFlow, line_of
from .vessel_neighbours import shortest_run_into

if TYPE_CHECKING:
    from homeassistant.config_entries import ConfigEntry

    from .fill_line import FillLine

OTHER_SOURCE: Final = "other_source"
LEARN_ANEW: Final = "learn_anew"
LONGER_RUN: Final = "longer_run"


class RareReportsFlow(OtherEntityFlow):
    """Ask which of the three it shall be; each says what it does and what it costs."""

    @override
    async def async_step_init(self, user_input: dict[str, Any] | None = None) -> RepairsFlowResult:
        """Offer what there is; a longer run only where no other limit forbids it."""
        if self._running is None:
            return self.async_abort(reason="removed")
        options = [OTHER_SOURCE, LEARN_ANEW]
        if self._acceptance is not None:
            options.append(LONGER_RUN)
        return self.async_show_menu(
            step_id="init", menu_options=options, description_placeholders=self._said()
        )

    async def async_step_other_source(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Ask for another level source."""
        return await self.async_step_confirm(user_input)

    @property
    @override
    def _step(self) -> str:
        return OTHER_SOURCE

    @property
    @override
    def _gone(self) -> str:
        subject = self._subject
        return "" if subject is None else str(subject[1].data[CONF_SOURCE])

    async def async_step_learn_anew(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Forget the interval that was learned; nothing is filled before it is known again."""
        if user_input is None:
            return self._form(vol.Schema({}), step_id=LEARN_ANEW)
        if (running := self._running) is None:
            return self.async_abort(reason="removed")
        vessel = running[1].destination
        if any(line.watch.is_on is not False for line in (*vessel.lines, *vessel.drains)):
            # A run would lose the level it is guarded by.
            return self.async_abort(reason="not_at_rest", description_placeholders=self._said())
        vessel.async_learn_rhythm_anew()
        return self.async_create_entry(data={})

    async def async_step_longer_run(
        self, user_input: dict[str, Any] | None = None
    ) -> RepairsFlowResult:
        """Let the line run as long as such reports need, and pay for it knowingly."""
        running, found = self._running, self._acceptance
        if running is None or found is None:
            return self.async_abort(reason="removed")
        entry, line = running
        if user_input is None:
            return self._form(
                vol.Schema({}),
                step_id=LONGER_RUN,
                run=span_text(line.settings.longest_run_s),
                works=span_text(found.longest_run_s),
                water=self._water(found),
            )
        update = self.hass.config_entries.async_update_subentry
        vessel = entry.subentries[line.destination.subentry_id]
        if not found.keeps_stale:
            kept = {key: one for key, one in vessel.data.items() if key != CONF_STALE_AFTER_S}
            update(entry, vessel, data=kept)
        own = entry.subentries[line.subentry_id]
        update(entry, own, data={**own.data, CONF_LONGEST_RUN_S: found.longest_run_s})
        return self.async_create_entry(data={})

    def _water(self, found: Acceptance) -> str:
        if found.unseen_l is None:
            return common_text(self.hass, "water_unknown")
        return FormUnits.of(self.hass).show_l(found.unseen_l)

    @property
    def _running(self) -> tuple[ConfigEntry, FillLine] | None:
        """The system and the line; None when the line was removed or stands still."""
        line, subject = line_of(self.hass, str(self._about["line_id"])), self._subject
        return None if line is None or subject is None else (subject[0], line)

    @property
    def _acceptance(self) -> Acceptance | None:
        if (running := self._running) is None:
            return None
        entry, line = running
        vessel = line.destination
        own_id, vessel_id = line.subentry_id, vessel.subentry_id
        defaults = {
            CONF_LONGEST_RUN_S: DEFAULT_LONGEST_RUN_S,
            CONF_FRESH_WATER_CAP_FRAC: DEFAULT_FRESH_WATER_CAP_FRAC,
        }
        return acceptance(
            limits_of(
                defaults | entry.subentries[own_id].data,
                vessel.settings,
                vessel,
                system_l=entry.data[CONF_VOLUME_L],
                is_alone=shortest_run_into(entry, vessel_id, own_id) is None,
            )
        )
