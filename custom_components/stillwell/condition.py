"""Conditions of our own: locked out, filling permitted, water lasts until."""

from datetime import datetime, timedelta
from typing import Any, ClassVar, Final, Unpack, cast, override

import voluptuous as vol
from homeassistant.const import CONF_ENTITY_ID, CONF_OPTIONS, CONF_TARGET
from homeassistant.core import HomeAssistant
from homeassistant.helpers import config_validation as cv
from homeassistant.helpers.automation import DomainSpec
from homeassistant.helpers.condition import (
    ATTR_BEHAVIOR,
    BEHAVIOR_ALL,
    BEHAVIOR_ANY,
    Condition,
    ConditionCheckParams,
    ConditionConfig,
    EntityStateConditionBase,
)
from homeassistant.helpers.target import TargetSelection, async_extract_referenced_entity_ids
from homeassistant.helpers.typing import ConfigType
from homeassistant.util import dt as dt_util

from .decision_text import async_load_texts, common_text
from .happenings import STANDINGS, Shown, of_kind, strangers
from .local_time import asked_moment
from .targets import vessels_of

ATTR_UNTIL: Final = "until"
ATTR_LASTS: Final = "lasts"
ATTR_CERTAINTY: Final = "certainty"

FAR: Final = timedelta(days=365_000)
"""No water lasts a thousand years, and the calendar ends before the longest time does."""

DEFAULT_CERTAINTY: Final = 80
"""Percent. The forecast's own bounds are those of 80 %."""


class StandingCondition(EntityStateConditionBase):
    """True while an entity of one kind is in one of its states."""

    _shown: ClassVar[Shown]
    # The permit is a diagnostic entity; a device or an area must reach it all the same.
    _primary_entities_only = False

    @override
    @classmethod
    async def async_validate_config(cls, hass: HomeAssistant, config: ConfigType) -> ConfigType:
        """Check the settings, and that every entity named is one that counts."""
        config = await super().async_validate_config(hass, config)
        named = config[CONF_TARGET].get(CONF_ENTITY_ID, [])
        if wrong := strangers(hass, cls._shown, set(named)):
            await async_load_texts(hass)
            names = ", ".join(sorted(wrong))
            raise vol.Invalid(common_text(hass, "condition_never_counts", entities=names))
        return config

    @override
    def entity_filter(self, entities: set[str]) -> set[str]:
        """Return the entities of the kind."""
        return of_kind(self._hass, self._shown, entities)

    @override
    def _check_all_match_state(self, states: list[Any]) -> bool:
        """Whether all match; none at all is not "all": nobody vouches for a missing guard."""
        return bool(states) and super()._check_all_match_state(states)


WILL_LAST_SCHEMA: Final = vol.Schema(
    {
        vol.Required(CONF_TARGET): cv.TARGET_FIELDS,
        vol.Required(CONF_OPTIONS): {
            vol.Required(ATTR_BEHAVIOR, default=BEHAVIOR_ALL): vol.In([BEHAVIOR_ANY, BEHAVIOR_ALL]),
            vol.Optional(ATTR_UNTIL): cv.datetime,
            vol.Optional(ATTR_LASTS): cv.positive_time_period,
            vol.Optional(ATTR_CERTAINTY, default=DEFAULT_CERTAINTY): vol.All(
                vol.Coerce(float), vol.Range(min=50, max=99)
            ),
        },
    }
)


class WillLastCondition(Condition):
    """True while the water lasts until a moment, or for a time, with a chance that is enough.

    What is not known does not last: no level, no use learned yet, a moment that is over.
    """

    @override
    @classmethod
    async def async_validate_config(cls, hass: HomeAssistant, config: ConfigType) -> ConfigType:
        """Check the settings: a moment or a time, not both."""
        checked = cast("ConfigType", WILL_LAST_SCHEMA(config))
        options = checked[CONF_OPTIONS]
        if (ATTR_UNTIL in options) == (ATTR_LASTS in options):
            await async_load_texts(hass)
            text = common_text(hass, "until_or_lasts", until=ATTR_UNTIL, lasts=ATTR_LASTS)
            raise vol.Invalid(text, path=[CONF_OPTIONS])
        return checked

    def __init__(self, hass: HomeAssistant, config: ConditionConfig) -> None:
        """Take the settings."""
        super().__init__(hass, config)
        self._selection = TargetSelection(config.target or {})
        self._options = config.options or {}

    def _until(self, now: datetime) -> datetime:
        lasts: timedelta | None = self._options.get(ATTR_LASTS)
        if lasts is not None:
            return now + min(lasts, FAR)
        return asked_moment(self._options[ATTR_UNTIL])

    @override
    def _async_check(self, **kwargs: Unpack[ConditionCheckParams]) -> bool:
        """Ask the forecast of each vessel."""
        now = dt_util.utcnow()
        until = self._until(now)
        if until <= now:
            return False
        found = async_extract_referenced_entity_ids(
            self._hass, self._selection, primary_entities_only=False
        )
        chances = [
            vessel.chance_to_last(now, until)
            for vessel in vessels_of(self._hass, found.referenced | found.indirectly_referenced)
        ]
        enough = self._options[ATTR_CERTAINTY] / 100.0
        lasts = [chance is not None and chance >= enough for chance in chances]
        if self._options[ATTR_BEHAVIOR] == BEHAVIOR_ANY:
            return any(lasts)
        return bool(lasts) and all(lasts)


def _standing(shown: Shown) -> type[Condition]:
    class Made(StandingCondition):
        """One of the table."""

        _shown = shown
        _domain_specs = {shown.platform.value: DomainSpec()}  # noqa: RUF012 - the base's own shape
        _states = set(shown.states)  # noqa: RUF012 - likewise

    return Made


CONDITIONS: Final[dict[str, type[Condition]]] = {
    **{name: _standing(shown) for name, shown in STANDINGS.items()},
    "will_last": WillLastCondition,
}


async def async_get_conditions(_hass: HomeAssistant) -> dict[str, type[Condition]]:
    """Return the conditions."""
    return CONDITIONS
