"""A batch in the mixing vat, in the hub; masses by gsw."""

from typing import TYPE_CHECKING, Any

import gsw
import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir

from .test_vessel_kinds import vat

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

    from .lab import Lab

LEVEL = "sensor.lagoon_vat"
EC = "sensor.lagoon_vat_ec"
WARMTH = "sensor.lagoon_vat_temperature"
L_PER_CM = 2.0
"""A box of 50 cm by 40 cm; the full mark at 50 cm: 100 L."""


def batch_by_gsw(
    volume_l: float, psu: float, temp_c: float, present: tuple[float, float] | None, held: float
) -> tuple[float, float]:
    """Return salt (kg) and fresh water (L) for a batch: masses of TEOS-10."""

    def mass(litres: float, salinity: float) -> float:
        sa = gsw.SR_from_SP(salinity)
        return litres * float(gsw.rho_t_exact(sa, temp_c, 0.0)) / 1000.0

    def dry(litres: float, salinity: float) -> float:
        return mass(litres, salinity) * float(gsw.SR_from_SP(salinity)) / 1000.0

    had_kg, had_salt_kg = (0.0, 0.0) if present is None else (mass(*present), dry(*present))
    salt_kg = (dry(volume_l, psu) - had_salt_kg) / (1.0 - held)
    return salt_kg, (mass(volume_l, psu) - had_kg - salt_kg) / mass(1.0, 0.0)


def entity_id(hass: HomeAssistant, key: str) -> str:
    found = er.async_get(hass).async_get_entity_id("sensor", DOMAIN, f"lagoon_vat_{key}")
    assert found is not None
    return found


def shown(hass: HomeAssistant) -> list[str]:
    keys = ("salt_to_add", "fresh_water_to_add")
    return [hass.states.get(entity_id(hass, key)).state for key in keys]


async def fill(lab: Lab, level_cm: float) -> None:
    """Report a level until it is believed."""
    for _ in range(6):
        await lab.wait(20.0)
        unit = {"unit_of_measurement": "cm"}
        lab.hass.states.async_set(LEVEL, f"{level_cm:.2f}", unit, force_update=True)
        await lab.hass.async_block_till_done()


async def ask(hass: HomeAssistant, **given: Any) -> dict[str, Any]:
    target = {"entity_id": entity_id(hass, "volume")}
    made = await hass.services.async_call(
        DOMAIN, "batch", target | given, blocking=True, return_response=True
    )
    (told,) = made["vats"]
    return told


async def measured(hass: HomeAssistant, value: object, unit: str | None) -> None:
    hass.states.async_set(EC, str(value), {} if unit is None else {"unit_of_measurement": unit})
    await hass.async_block_till_done()


@pytest.mark.parametrize(
    ("value", "unit", "is_at_25"),
    [
        (gsw.C_from_SP(33.0, 25.0, 0.0), "mS/cm", True),
        (1000.0 * gsw.C_from_SP(33.0, 25.0, 0.0), "µS/cm", True),
        (1000.0 * gsw.C_from_SP(33.0, 25.0, 0.0), "μS/cm", True),
        (gsw.C_from_SP(33.0, 21.5, 0.0), "mS/cm", False),
        (33.0, "PSU", True),
        (float(gsw.SR_from_SP(33.0)), "g/kg", True),
    ],
)
async def test_salt_and_water_from_level_and_salinity(
    lab: Lab, value: float, unit: str, *, is_at_25: bool
) -> None:
    """30 L of 33 PSU at 21.5 degC are in the vat; 100 L of 35 are wanted."""
    hass = lab.hass
    await measured(hass, value, unit)
    hass.states.async_set(WARMTH, "21.5", {"unit_of_measurement": "°C"})
    await lab.set_up(
        vat(
            target_psu=35.0,
            salinity_source=EC,
            salinity_at_25=is_at_25,
            salt_water_frac=0.05,
            temperature_source=WARMTH,
        )
    )
    await fill(lab, 15.0)
    salt_kg, fresh_l = batch_by_gsw(100.0, 35.0, 21.5, (30.0, 33.0), 0.05)
    salt, fresh = (float(state) for state in shown(hass))
    # The entities are written when they move by 5 g and 0.05 L.
    assert salt == pytest.approx(salt_kg, abs=0.006)
    assert fresh == pytest.approx(fresh_l, abs=0.08)
    told = await ask(hass)
    assert told["salt_kg"] == pytest.approx(salt_kg, abs=0.003)
    assert told["fresh_water_l"] == pytest.approx(fresh_l, abs=0.03)
    assert (told["vessel"], told["volume_l"], told["salinity_psu"]) == ("Lagoon vat", 100.0, 35.0)
    # Another batch than the one chosen.
    salt_kg, fresh_l = batch_by_gsw(60.0, 36.0, 21.5, (30.0, 33.0), 0.05)
    told = await ask(hass, volume_l=60, salinity_psu=36)
    assert told["salt_kg"] == pytest.approx(salt_kg, abs=0.003)
    assert told["fresh_water_l"] == pytest.approx(fresh_l, abs=0.03)


async def test_pounds_and_gallons(lab: Lab, imperial: HomeAssistant) -> None:
    """1 lb = 0.45359237 kg and 1 gal = 3.785411784 L exactly."""
    await lab.set_up(vat())
    await fill(lab, 0.3)
    salt_kg, fresh_l = batch_by_gsw(100.0, 35.0, 25.0, None, 0.0)
    salt, fresh = (float(state) for state in shown(imperial))
    assert salt == pytest.approx(salt_kg / 0.45359237, rel=1e-3)
    assert fresh == pytest.approx(fresh_l / 3.785411784, rel=1e-3)


async def test_without_salinity_only_an_empty_vat_is_reckoned_with(lab: Lab) -> None:
    hass = lab.hass
    await lab.set_up(vat())
    await fill(lab, 15.0)
    assert shown(hass) == ["unknown", "unknown"]
    with pytest.raises(ServiceValidationError, match="not known"):
        await ask(hass)
    # Measured by hand and typed in.
    told = await ask(hass, present_salinity_psu=33.0)
    salt_kg, _ = batch_by_gsw(100.0, 35.0, 25.0, (30.0, 33.0), 0.0)
    assert told["salt_kg"] == pytest.approx(salt_kg, abs=0.003)
    await fill(lab, 0.4)
    salt_kg, _ = batch_by_gsw(100.0, 35.0, 25.0, None, 0.0)
    assert float(shown(hass)[0]) == pytest.approx(salt_kg, abs=0.006)


@pytest.mark.parametrize(
    ("value", "unit", "says"),
    [
        # The number of µS/cm under the name of mS/cm, and the other way round.
        (53100, "mS/cm", "uS/cm"),
        (53.1, "µS/cm", "outside"),
        (1.026, "PSU", "without its two temperatures"),
        (1026, "PSU", "outside"),
    ],
)
async def test_a_wrong_unit_is_told_and_never_taken(
    lab: Lab, caplog: pytest.LogCaptureFixture, value: float, unit: str, says: str
) -> None:
    caplog.set_level("INFO")
    await measured(lab.hass, value, unit)
    await lab.set_up(vat(salinity_source=EC))
    await fill(lab, 15.0)
    assert shown(lab.hass) == ["unknown", "unknown"]
    assert caplog.text.count("No batch of Lagoon vat can be made up") == 1
    with pytest.raises(ServiceValidationError, match=says):
        await ask(lab.hass)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"present_salinity_psu": 1.026}, "without its two temperatures"),
        ({"present_salinity_psu": 53.1}, "outside"),
        ({"salinity_psu": 1.026}, "without its two temperatures"),
        ({"salinity_psu": 0.5}, "outside"),
        ({"volume_l": 121, "present_salinity_psu": 33}, "more than it can hold"),
        ({"volume_l": 20, "present_salinity_psu": 33}, "already holds more"),
    ],
)
async def test_what_cannot_be_is_refused_by_the_action(
    lab: Lab, given: dict[str, Any], says: str
) -> None:
    await lab.set_up(vat())
    await fill(lab, 15.0)
    with pytest.raises(ServiceValidationError, match=says):
        await ask(lab.hass, **given)


async def test_only_a_vat_is_asked(lab: Lab) -> None:
    await lab.set_up(vat())
    with pytest.raises(ServiceValidationError, match="no mixing vat"):
        await lab.hass.services.async_call(
            DOMAIN,
            "batch",
            {"entity_id": lab.entity_id("volume")},
            blocking=True,
            return_response=True,
        )


@pytest.mark.parametrize("bad", ["unavailable", "unknown", "dry"])
async def test_a_bad_or_old_salinity_is_no_salinity(lab: Lab, bad: str) -> None:
    hass = lab.hass
    await measured(hass, 33.0, "PSU")
    await lab.set_up(vat(salinity_source=EC))
    await fill(lab, 15.0)
    assert "unknown" not in shown(hass)
    await measured(hass, bad, "PSU")
    assert shown(hass) == ["unknown", "unknown"]
    await measured(hass, 33.0, "PSU")
    assert "unknown" not in shown(hass)
    # Six hours without a word of it.
    lab.freezer.tick(6 * 3600 + 1)
    await fill(lab, 15.0)
    assert shown(hass) == ["unknown", "unknown"]
    # In another unit it means nothing.
    await measured(hass, 33.0, "ppm")
    assert shown(hass) == ["unknown", "unknown"]
    runtime = lab.entry.runtime_data.vessels["lagoon_vat"]
    assert runtime.diagnostics()["batch"]["batch"] is None


async def test_plain_conductivity_needs_the_temperature(lab: Lab) -> None:
    await measured(lab.hass, 50.0, "mS/cm")
    await lab.set_up(vat(salinity_source=EC, salinity_at_25=False, temperature_source=WARMTH))
    await fill(lab, 15.0)
    assert shown(lab.hass) == ["unknown", "unknown"]


async def test_a_salinity_source_is_followed(lab: Lab) -> None:
    """Its rename is taken over, its removal told."""
    registry = er.async_get(lab.hass)
    registry.async_get_or_create("sensor", "test", "ec", object_id_base="lagoon_vat_ec")
    await measured(lab.hass, 33.0, "PSU")
    await lab.set_up(vat(salinity_source=EC))
    registry.async_update_entity(EC, new_entity_id="sensor.vat_salinity")
    await lab.hass.async_block_till_done(wait_background_tasks=True)
    assert lab.entry.subentries["lagoon_vat"].data["salinity_source"] == "sensor.vat_salinity"
    registry.async_remove("sensor.vat_salinity")
    await lab.hass.async_block_till_done()
    issue_id = "source_missing_lagoon_vat_sensor.vat_salinity"
    assert ir.async_get(lab.hass).async_get_issue(DOMAIN, issue_id)
