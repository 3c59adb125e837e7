"""A mark taken from the present reading of the level source, while its form is open."""

from typing import TYPE_CHECKING, Any

from .const import CONF_EMPTY_M, CONF_FULL_M, CONF_HIGH_M, CONF_START_M
from .readings import level_reading
from .settings import vessel_settings
from .vessel_checks import Refusal
from .vessel_forms import FIELD_CAPTURE
from .vessel_preview import async_reason_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.core import HomeAssistant

    from .engine.geometry import Vessel
    from .form_units import FormUnits


async def async_captured(
    hass: HomeAssistant,
    values: Mapping[str, Any],
    sensor: Mapping[str, Any],
    vessel: Vessel,
    units: FormUnits,
) -> dict[str, Any]:
    """Return what a form shows after one mark was taken; `sensor` is what is stored of it.

    Raises:
        Refusal: the present reading gives no level that is to be believed.
    """
    # Of the marks a reading needs none; these only have to be possible.
    height_m = vessel.height_m
    spread = dict(
        zip(
            (CONF_EMPTY_M, CONF_START_M, CONF_FULL_M, CONF_HIGH_M),
            (height_m * quarter / 4 for quarter in range(4)),
            strict=True,
        )
    )
    settings = vessel_settings({**sensor, **spread})
    state = hass.states.get(settings.source)
    reading = level_reading(state, settings, vessel)
    raw = "-" if state is None else state.state
    if reading.depth_m is None:
        why = await async_reason_text(hass, reading)
        raise Refusal(FIELD_CAPTURE, "capture_none", source=settings.source, raw=raw, why=why)
    if reading.is_exact_zero and settings.zero_is_suspect:
        raise Refusal(FIELD_CAPTURE, "capture_zero", source=settings.source, raw=raw)
    kept = {name: value for name, value in values.items() if name != FIELD_CAPTURE}
    return kept | {values[FIELD_CAPTURE]: round(units.from_m(reading.depth_m), 2)}
