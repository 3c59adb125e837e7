"""A device's own auto-off, written before each start: a layer that outlives the hub.

The time is a minute above the line's own limit, so that the guard speaks first and names the
reason. A device that cannot take so long a time gets its longest: it then closes by itself
earlier, which is no fault.
"""

import asyncio
import logging
from math import ceil
from typing import Final

from homeassistant.components.number.const import (
    ATTR_MAX,
    ATTR_MIN,
    ATTR_STEP,
    ATTR_VALUE,
    SERVICE_SET_VALUE,
)
from homeassistant.const import ATTR_ENTITY_ID, ATTR_UNIT_OF_MEASUREMENT, UnitOfTime
from homeassistant.core import HomeAssistant, State, split_entity_id
from homeassistant.exceptions import HomeAssistantError
from homeassistant.util.unit_conversion import DurationConverter

_LOGGER = logging.getLogger(__name__)

ABOVE_LIMIT_S: Final = 60.0
ANSWER_S: Final = 5.0
"""No start waits longer than this for the device to take its time."""


def countdown_unit(state: State) -> str | None:
    """Return the unit of time a number entity shows; None when it is no time."""
    unit: str | None = state.attributes.get(ATTR_UNIT_OF_MEASUREMENT)
    return unit if unit in DurationConverter.VALID_UNITS else None


class Countdown:
    """The number entity behind a device's auto-off."""

    def __init__(self, hass: HomeAssistant, entity_id: str) -> None:
        """Name the entity."""
        self.hass = hass
        self.entity_id = entity_id

    def value(self, run_s: float) -> float | None:
        """Return what to write for a run limited to a time (s), in the entity's own unit.

        Returns:
            None while the entity is not there or shows no unit of time.
        """
        state = self.hass.states.get(self.entity_id)
        unit = None if state is None else countdown_unit(state)
        if state is None or unit is None:
            return None
        value = DurationConverter.convert(run_s + ABOVE_LIMIT_S, UnitOfTime.SECONDS, unit)
        step = float(state.attributes.get(ATTR_STEP) or 1.0)
        # Rounded up: never below the limit because of a coarse step.
        value = round(ceil(round(value / step, 6)) * step, 6)
        lowest, highest = state.attributes.get(ATTR_MIN), state.attributes.get(ATTR_MAX)
        if highest is not None:
            value = min(value, float(highest))
        return value if lowest is None else max(value, float(lowest))

    def shows(self, value: float) -> bool:
        """Whether the device has this value already."""
        state = self.hass.states.get(self.entity_id)
        return state is not None and state.state in (str(value), f"{value:g}")

    async def async_write(self, run_s: float) -> None:
        """Write the time for a run; a device that does not answer holds up nothing for long."""
        value = self.value(run_s)
        if value is None:
            _LOGGER.warning("%s shows no time; the auto-off was not written", self.entity_id)
            return
        try:
            async with asyncio.timeout(ANSWER_S):
                await self.hass.services.async_call(
                    split_entity_id(self.entity_id)[0],
                    SERVICE_SET_VALUE,
                    {ATTR_ENTITY_ID: self.entity_id, ATTR_VALUE: value},
                    blocking=True,
                )
        except (HomeAssistantError, TimeoutError) as err:
            _LOGGER.warning("The auto-off %s was not written: %s", self.entity_id, err)
        except Exception:
            _LOGGER.exception("The auto-off %s was not written", self.entity_id)
