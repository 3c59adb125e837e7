"""Actions of a dosing line: doses by hand, test results, two-part arithmetic."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

import voluptuous as vol
from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import ServiceValidationError

from .action_targets import register, watches
from .const import DOMAIN
from .decision_text import invalid_text
from .dosing_forms import ML_PER_L
from .dosing_watch import DosingWatch
from .engine.alkalinity_log import AlkalinityUnit, in_dkh
from .engine.two_part import Alkali, two_part

RECORD_DOSE: Final = "record_dose"
RECORD_ALKALINITY: Final = "record_alkalinity"
TWO_PART: Final = "two_part"

ATTR_VOLUME: Final = "volume_ml"
ATTR_RISE: Final = "rise_dkh"
ATTR_ALKALINITY: Final = "alkalinity"
ATTR_UNIT: Final = "unit"
ATTR_ALKALI: Final = "alkali"
ATTR_ALKALI_STRENGTH: Final = "alkali_mol_per_l"
ATTR_CALCIUM_STRENGTH: Final = "calcium_mol_per_l"

LARGEST_DOSE_ML: Final = 100_000.0
LARGEST_RISE_DKH: Final = 10.0
MOST_MOL_PER_L: Final = 7.0


def _refused(watch: DosingWatch, err: ValueError) -> ServiceValidationError:
    return ServiceValidationError(
        translation_domain=DOMAIN,
        translation_key="dosing_refused",
        translation_placeholders={"line": watch.title, "why": invalid_text(watch.hass, err)},
    )


async def _record_dose(call: ServiceCall) -> ServiceResponse:
    volume_ml, rise = call.data.get(ATTR_VOLUME), call.data.get(ATTR_RISE)
    if (volume_ml is None) == (rise is None):
        raise ServiceValidationError(
            translation_domain=DOMAIN, translation_key="dose_volume_or_rise"
        )
    for watch in watches(call, DosingWatch):
        dose_l = None if volume_ml is None else volume_ml / ML_PER_L
        await watch.async_record(dose_l=dose_l, rise_dkh=rise)
    return None


async def _record_alkalinity(call: ServiceCall) -> ServiceResponse:
    found_dkh = in_dkh(call.data[ATTR_ALKALINITY], AlkalinityUnit(call.data[ATTR_UNIT]))
    for watch in watches(call, DosingWatch):
        try:
            await watch.async_record(test_dkh=found_dkh)
        except ValueError as err:
            raise _refused(watch, err) from err
    return None


async def _two_part(call: ServiceCall) -> ServiceResponse:
    return {
        "lines": [
            {
                "line": watch.title,
                **_pair(call.data, watch.system_l),
            }
            for watch in watches(call, DosingWatch)
        ]
    }


def _pair(data: Mapping[str, Any], system_l: float) -> dict[str, float]:
    pair = two_part(
        Alkali(data[ATTR_ALKALI]),
        data[ATTR_RISE],
        system_l,
        data[ATTR_ALKALI_STRENGTH],
        data[ATTR_CALCIUM_STRENGTH],
    )
    return {name: round(value, 3) for name, value in asdict(pair).items()}


def _above_0(largest: float) -> Any:
    return vol.All(vol.Coerce(float), vol.Range(min=0, min_included=False, max=largest))


def async_register(hass: HomeAssistant) -> None:
    """Register the actions."""
    register(
        hass,
        RECORD_DOSE,
        _record_dose,
        {
            vol.Optional(ATTR_VOLUME): _above_0(LARGEST_DOSE_ML),
            vol.Optional(ATTR_RISE): _above_0(LARGEST_RISE_DKH),
        },
    )
    units = vol.In([unit.value for unit in AlkalinityUnit])
    register(
        hass,
        RECORD_ALKALINITY,
        _record_alkalinity,
        {
            vol.Required(ATTR_ALKALINITY): vol.Coerce(float),
            vol.Optional(ATTR_UNIT, default=AlkalinityUnit.DKH.value): units,
        },
    )
    strength = _above_0(MOST_MOL_PER_L)
    register(
        hass,
        TWO_PART,
        _two_part,
        {
            vol.Required(ATTR_RISE): _above_0(LARGEST_RISE_DKH),
            vol.Required(ATTR_ALKALI): vol.In([alkali.value for alkali in Alkali]),
            vol.Required(ATTR_ALKALI_STRENGTH): strength,
            vol.Required(ATTR_CALCIUM_STRENGTH): strength,
        },
        SupportsResponse.ONLY,
    )
