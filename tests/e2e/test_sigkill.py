"""A power cut in the middle of a fill, with the real hub as a process.

The valve belongs to the plant, another process, and stays open while the hub is dead. When the
hub comes back the first order to the valve must be to shut, and the run must be remembered.
"""

import asyncio
from pathlib import Path
from typing import Any

import pytest
from demo.hub import free_port, wait_for
from demo.lab import SCHOOL, Tank
from demo.plant import Settings
from demo.stage import Stage

SETTLED_S = 240.0
RUNNING_S = 60.0
# Long after two hours of a slow supply the reservoir would not be full: nothing but the guard
# can shut the valve here.
LAGOON = Tank("Lagoon", 450.0, SCHOOL, Settings(supply_l_per_min=0.1), ends_at_cm=10.0)


async def _decisions(stage: Stage) -> list[dict[str, Any]]:
    lockout = stage.own[LAGOON.key]["lockout"]
    answer = await stage.client.post(
        "/api/services/stillwell/decision_log?return_response", {"entity_id": lockout}
    )
    found: list[dict[str, Any]] = answer["service_response"]["lines"][0]["decisions"]
    return found


async def _open_valve(stage: Stage) -> None:
    """Start a run as a rule would, once the guard permits it."""
    own = stage.own[LAGOON.key]
    await stage.client.wait_state(own["permit"], "on", SETTLED_S)
    await stage.client.act("switch.turn_on", LAGOON.valve)
    await stage.client.wait_state(LAGOON.valve, "on", 10.0)

    async def is_run_known() -> bool:
        state = await stage.client.state(own["lockout"])
        return state is not None and state["attributes"]["run_started"] is not None

    await wait_for("the run is known", is_run_known, 10.0)


async def _cut_power_in_a_fill(folder: Path) -> dict[str, Any]:
    """Return what was seen before the cut, while the hub was dead, and afterwards."""
    stage = Stage(folder, free_port(), (LAGOON,), report_every_s=1.0, is_headless=True)
    async with stage:
        await stage.open(with_past=False)
        await _open_valve(stage)
        lockout = stage.own[LAGOON.key]["lockout"]
        before = await stage.client.state(lockout)
        # The login must be on the disk, or the plant could not come back to the hub.
        await asyncio.sleep(3.0)
        await stage.client.hang_up()
        stage.hub.kill()
        await asyncio.sleep(1.0)
        dead = await stage.truth(LAGOON)
        await stage.start_again()

        async def is_shut() -> bool:
            return not (await stage.truth(LAGOON))["is_open"]

        await wait_for("the valve is shut", is_shut, RUNNING_S)
        await stage.client.wait_state(LAGOON.valve, "off", 10.0)
        return {
            "before": before,
            "dead": dead,
            "after": await stage.truth(LAGOON),
            "lockout": await stage.client.state(lockout),
            "decisions": await _decisions(stage),
        }


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Run the story once."""
    return asyncio.run(_cut_power_in_a_fill(tmp_path_factory.mktemp("sigkill")))


def _valve_orders(truth: dict[str, Any]) -> list[str]:
    return [order["do"] for order in truth["orders"] if order["do"] in ("open", "close")]


def test_valve_stays_open_while_the_hub_is_dead(seen: dict[str, Any]) -> None:
    """The danger is real: without the hub nobody shuts this valve."""
    assert seen["dead"]["is_open"]
    assert _valve_orders(seen["dead"]) == ["open"]


def test_first_order_after_the_cut_is_to_shut(seen: dict[str, Any]) -> None:
    """Off first, before anything else, and never on again by itself."""
    orders = _valve_orders(seen["after"])
    assert orders[0] == "open"
    assert orders[1:]
    assert set(orders[1:]) == {"close"}
    assert not seen["after"]["is_open"]
    assert seen["after"]["spilled_l"] == 0.0


def test_interrupted_run_is_remembered(seen: dict[str, Any]) -> None:
    """What was stored before the cut tells the keeper of it afterwards."""
    before = seen["before"]["attributes"]["run_started"]
    (started,) = [entry for entry in seen["decisions"] if entry["decision"] == "started"]
    (stopped,) = [entry for entry in seen["decisions"] if entry["decision"] == "stopped"]
    assert started["time"] == before
    assert stopped["reason"] == "interrupted"
    assert seen["lockout"]["attributes"]["run_started"] is None
