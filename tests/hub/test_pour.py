"""Calibration by a known pour, as action and as guided steps."""

from typing import Any

import pytest
from custom_components.stillwell.const import DOMAIN
from homeassistant.core import HomeAssistant
from homeassistant.data_entry_flow import FlowResultType
from homeassistant.exceptions import ServiceValidationError

from .lab import VALVE, Lab

# The box is said to be 30 cm by 30 cm; the real one is 30 cm by 33 cm: 0.99 L for each cm.
REAL_L_PER_CM = 0.99
POURED_L = 4.95
WIGGLE_CM = (0.0, 0.02, -0.01, 0.01, -0.02)


def resting(level_cm: float) -> list[float]:
    """A level at rest with a little noise."""
    return [level_cm + WIGGLE_CM[step % 5] for step in range(15)]


async def call(lab: Lab, action: str, **data: Any) -> dict[str, Any]:
    """Call an action on the reservoir and return its answer."""
    response = await lab.hass.services.async_call(
        DOMAIN,
        action,
        {"entity_id": lab.state("volume").entity_id, **data},
        blocking=True,
        return_response=True,
    )
    await lab.hass.async_block_till_done()
    return response["vessels"][0]


@pytest.fixture
async def resting_lab(lab: Lab) -> Lab:
    """A lab whose reservoir rests at 10 cm."""
    await lab.set_up()
    await lab.run(resting(10.0), 20)
    return lab


async def test_a_pour_corrects_the_footprint(resting_lab: Lab) -> None:
    lab = resting_lab
    assert (await call(lab, "pour_begin"))["depth_m"] == pytest.approx(0.10, abs=2e-4)
    await lab.run(resting(10.0 + POURED_L / REAL_L_PER_CM), 20)
    seen = await call(lab, "pour_end", poured_l=POURED_L)
    # 0.99 by 0.9 (arithmetic); one per cent of the jug and 0.1 mm of the level.
    assert seen["factor"] == pytest.approx(1.1, abs=0.01)
    assert 0.008 < seen["factor_sigma"] < 0.02
    assert seen["litres_per_m"] == pytest.approx(99.0, abs=1)
    shape = next(iter(lab.entry.subentries.values())).data["shape"]
    assert shape["length_m"] * shape["width_m"] == pytest.approx(0.099, rel=0.01)
    await lab.run(resting(15.0), 20)
    assert lab.value("volume") == pytest.approx(15 * REAL_L_PER_CM, rel=0.01)


async def test_a_pour_can_be_looked_at_only(resting_lab: Lab) -> None:
    before = next(iter(resting_lab.entry.subentries.values())).data
    await call(resting_lab, "pour_begin")
    await resting_lab.run(resting(15.0), 20)
    await call(resting_lab, "pour_end", poured_l=POURED_L, apply=False)
    assert next(iter(resting_lab.entry.subentries.values())).data == before


async def test_a_table_gets_a_row(lab: Lab) -> None:
    table = {
        "kind": "strapping",
        "depths_m": [0.0, 0.17, 0.34],
        "volumes_l": [0.0, 15.3, 30.6],
    }
    await lab.set_up(shape=table)
    await lab.run(resting(10.0), 20)
    await call(lab, "pour_begin")
    await lab.run(resting(15.0), 20)
    await call(lab, "pour_end", poured_l=POURED_L)
    shape = next(iter(lab.entry.subentries.values())).data["shape"]
    assert shape["depths_m"] == pytest.approx([0.0, 0.10, 0.15, 0.17, 0.34], abs=1e-3)
    assert shape["volumes_l"][2] - shape["volumes_l"][1] == pytest.approx(POURED_L, abs=1e-6)


async def test_pours_that_settle_nothing_are_refused(resting_lab: Lab) -> None:
    with pytest.raises(ServiceValidationError, match="before the pour was not taken"):
        await call(resting_lab, "pour_end", poured_l=5)
    await call(resting_lab, "pour_begin")
    with pytest.raises(ServiceValidationError, match="readings of the level"):
        await call(resting_lab, "pour_end", poured_l=5)
    await resting_lab.run(resting(10.0), 20)
    with pytest.raises(ServiceValidationError, match="rose by"):
        await call(resting_lab, "pour_end", poured_l=5)


async def test_a_pour_with_water_of_a_line_in_it_is_refused(hass: HomeAssistant, lab: Lab) -> None:
    """A rule fills meanwhile: 3 cm of the 8 were never poured, and no shape fits both."""
    await lab.set_up(device=VALVE)
    await lab.run(resting(10.0), 20)
    shape = next(iter(lab.entry.subentries.values())).data["shape"]
    await call(lab, "pour_begin")
    await lab.valve(on=True)
    await lab.run([11.0, 12.0, 13.0], 20)
    with pytest.raises(ServiceValidationError, match="Lagoon reservoir fill line has run"):
        await call(lab, "pour_end", poured_l=4.5)
    await lab.valve(on=False)
    await lab.run(resting(18.0), 20)
    with pytest.raises(ServiceValidationError, match="Lagoon reservoir fill line has run"):
        await call(lab, "pour_end", poured_l=4.5)
    assert next(iter(lab.entry.subentries.values())).data["shape"] == shape
    # Begun anew, with the line at rest, it counts.
    await call(lab, "pour_begin")
    await lab.run(resting(23.0), 20)
    assert (await call(lab, "pour_end", poured_l=4.95))["factor"] == pytest.approx(1.1, abs=0.01)


async def test_too_few_readings_before_are_refused(lab: Lab) -> None:
    await lab.set_up()
    with pytest.raises(ServiceValidationError, match="readings of the level"):
        await call(lab, "pour_begin")


async def test_the_guided_steps(hass: HomeAssistant, resting_lab: Lab) -> None:
    flows = hass.config_entries.options
    step = await flows.async_init(resting_lab.entry.entry_id)
    step = await flows.async_configure(step["flow_id"], {"vessel": "lagoon_reservoir"})
    assert step["step_id"] == "before"
    step = await flows.async_configure(step["flow_id"], {})
    assert step["step_id"] == "after"
    assert step["description_placeholders"]["before"] == "10.0 cm"
    step = await flows.async_configure(step["flow_id"], {"poured": POURED_L})
    assert step["errors"] == {"base": "few_samples"}
    await resting_lab.run(resting(15.0), 20)
    step = await flows.async_configure(step["flow_id"], {"poured": POURED_L})
    assert step["step_id"] == "result"
    assert float(step["description_placeholders"]["factor"]) == pytest.approx(1.1, abs=0.01)
    step = await flows.async_configure(step["flow_id"], {})
    assert step["type"] is FlowResultType.CREATE_ENTRY
    await hass.async_block_till_done()
    shape = next(iter(resting_lab.entry.subentries.values())).data["shape"]
    assert shape["length_m"] * shape["width_m"] == pytest.approx(0.099, rel=0.01)


async def test_the_guided_steps_say_what_is_missing(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    flows = hass.config_entries.options
    step = await flows.async_init(lab.entry.entry_id)
    step = await flows.async_configure(step["flow_id"], {"vessel": "lagoon_reservoir"})
    step = await flows.async_configure(step["flow_id"], {})
    assert step["errors"] == {"base": "few_samples"}
    hass.config_entries.async_remove_subentry(lab.entry, "lagoon_reservoir")
    await hass.async_block_till_done()
    step = await flows.async_init(lab.entry.entry_id)
    assert (step["type"], step["reason"]) == (FlowResultType.ABORT, "no_vessel")


async def test_every_fault_of_a_pour_has_its_text(texts: dict[str, Any]) -> None:
    from custom_components.stillwell.engine.calibration import PourFault  # noqa: PLC0415

    assert set(texts["options"]["error"]) == {fault.value for fault in PourFault}
