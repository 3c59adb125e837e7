"""The present reading of a level source in plain words, before a vessel is saved."""

from typing import TYPE_CHECKING

from homeassistant.helpers.translation import async_get_translations

from .const import DOMAIN
from .decimal_mark import written, written_quantities
from .engine.quantities import Reason
from .readings import level_reading, state_unit
from .vessel_forms import MARKS
from .vessel_neighbours import named

if TYPE_CHECKING:
    from collections.abc import Sequence

    from homeassistant.core import HomeAssistant, State

    from .engine.quantities import Reading
    from .form_units import FormUnits
    from .settings import Measure, VesselSettings


async def async_preview(
    hass: HomeAssistant, settings: VesselSettings, units: FormUnits
) -> dict[str, str]:
    """Return what the confirming form fills in: the reading's meaning, and each mark."""
    vessel = settings.vessel
    marks = {
        name: ", ".join(
            written(hass, text)
            for text in (units.show_m(depth_m), units.show_l(vessel.volume_l(depth_m)))
        )
        for name, depth_m in zip(
            MARKS,
            (settings.empty_m, settings.start_m, settings.full_m, settings.high_m),
            strict=True,
        )
    }
    state = hass.states.get(settings.source)
    reading = level_reading(state, settings, vessel)
    texts = await async_get_translations(hass, hass.config.language, "common", [DOMAIN])
    text = texts[f"component.{DOMAIN}.common.{_key(reading, settings)}"]
    words = {
        "source": named(hass, settings.source),
        "raw": "" if state is None else _raw(state),
        "why": await async_reason_text(hass, reading),
    }
    if reading.depth_m is not None:
        volume_l = vessel.volume_l(reading.depth_m)
        words |= {
            "depth": units.show_m(reading.depth_m),
            "volume": units.show_l(volume_l),
            "percent": f"{100 * volume_l / vessel.volume_l(settings.full_m):.0f}",
        }
    return {"reading": text.format(**written_quantities(hass, words))} | marks


async def async_reason_text(hass: HomeAssistant, reading: Reading) -> str:
    """Return why a reading is as it is, in the hub's language."""
    texts = await async_get_translations(hass, hass.config.language, "entity", [DOMAIN])
    return texts[f"component.{DOMAIN}.entity.sensor.signal_reason.state.{reading.reason}"]


async def async_measure_names(hass: HomeAssistant, measures: Sequence[Measure]) -> str:
    """Return the names of measures as the form's list shows them."""
    texts = await async_get_translations(hass, hass.config.language, "selector", [DOMAIN])
    return ", ".join(texts[f"component.{DOMAIN}.selector.measure.options.{m}"] for m in measures)


async def async_field_label(hass: HomeAssistant, kind: str, step_id: str, field: str) -> str:
    """Return a field's, or a section's, name as the form shows it."""
    texts = await async_get_translations(hass, hass.config.language, "config_subentries", [DOMAIN])
    step = f"component.{DOMAIN}.config_subentries.{kind}.step.{step_id}"
    section = texts.get(f"{step}.sections.{field}.name", field)
    return texts.get(f"{step}.data.{field}", section)


def _key(reading: Reading, settings: VesselSettings) -> str:
    if reading.reason is Reason.NO_SOURCE:
        return "reading_missing"
    if reading.depth_m is None:
        return "reading_none"
    if reading.is_exact_zero and settings.zero_is_suspect:
        return "reading_zero"
    return "reading_good" if reading.depth_m < settings.high_m else "reading_high"


def _raw(state: State) -> str:
    unit = state_unit(state)
    return state.state if unit is None else f"{state.state} {unit}"
