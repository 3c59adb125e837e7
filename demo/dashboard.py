"""The lab's dashboard: the one the integration makes, and hands at the simulated plant."""

import asyncio
import json
from collections.abc import Mapping, Sequence
from typing import Any

from .hub import HubClient, wait_for
from .lab import Tank

DASHBOARD = "marine-lab"
WRITE_LIMIT_S = 20.0
RULE_TRIES = 100
RULE_PAUSE_S = 0.2

type Card = dict[str, Any]


def tile(entity: str, name: str, *, columns: int = 6, **more: Any) -> Card:
    """Return a tile, two beside each other on a phone."""
    card: Card = {"type": "tile", "entity": entity, "name": name, **more}
    card["grid_options"] = {"columns": columns}
    return card


def bench(tank: Tank, automation: str) -> Card:
    """Return the refill rule, and hands at the simulated plant."""
    faults = ("Strip unplugged", "Supply throttled", "Valve sticks", "Spill")
    return {
        "type": "grid",
        "cards": [
            {
                "type": "heading",
                "heading": "Make it go wrong",
                "heading_style": "title",
                "icon": "mdi:hand-back-right",
            },
            {
                "type": "markdown",
                "content": "The plant is simulated. Unplug the strip in the middle of a fill, "
                "throttle the supply until the run is too long, or put water on the floor.",
                "grid_options": {"columns": 12},
            },
            *(tile(entity, name) for entity, name in zip(tank.faults, faults, strict=True)),
            tile(f"button.{tank.key}_draw_two_litres", "Draw 2 L", hide_state=True),
            tile(f"button.{tank.key}_pour_two_litres", "Pour 2 L", hide_state=True),
            tile(automation, "Refill rule", columns=12),
        ],
    }


async def with_past(hub: HubClient, count: int) -> dict[str, Any] | None:
    """Return the dashboard once it shows the days before as well."""
    made = await generated(hub)
    return made if json.dumps(made).count('"stillwell:') >= count else None


async def generated(hub: HubClient) -> dict[str, Any]:
    """Return what the integration's action returns."""
    answer = await hub.post("/api/services/stillwell/dashboard?return_response")
    made: dict[str, Any] = answer["service_response"]
    return made


async def _rules(hub: HubClient, wanted: set[str]) -> dict[str, str]:
    """Return the entity of each rule; the hub loads a new automation after it has answered."""
    for _ in range(RULE_TRIES):
        found = {
            entity["unique_id"]: entity["entity_id"]
            for entity in await hub.call("config/entity_registry/list")
            if entity["platform"] == "automation"
        }
        if wanted <= found.keys():
            return found
        await asyncio.sleep(RULE_PAUSE_S)
    msg = f"the hub has not loaded the rules {sorted(wanted - found.keys())}"
    raise TimeoutError(msg)


async def add_dashboard(
    hub: HubClient, tanks: Sequence[Tank], own: Mapping[str, Mapping[str, str]]
) -> None:
    """Make it the dashboard that opens first, and count the water in the energy dashboard."""
    automations = await _rules(hub, {tank.automation_id for tank in tanks})
    # The week was learned from the recorder; written, it can be drawn.
    for tank in tanks:
        await hub.act("stillwell.write_daily_use", own[tank.key]["fill"])
    made = await wait_for("the week is written", lambda: with_past(hub, len(tanks)), WRITE_LIMIT_S)
    for tank in tanks:
        (page,) = [page for page in made["views"] if page["title"] == tank.name]
        page["sections"].append(bench(tank, automations[tank.automation_id]))
    await hub.call(
        "lovelace/dashboards/create",
        url_path=DASHBOARD,
        title="Marine lab",
        icon="mdi:fishbowl-outline",
        mode="storage",
        show_in_sidebar=True,
        require_admin=False,
    )
    await hub.call("lovelace/config/save", url_path=DASHBOARD, config=made)
    await hub.call("frontend/set_system_data", key="core", value={"default_panel": DASHBOARD})
    await hub.call(
        "energy/save_prefs",
        energy_sources=[
            {"type": "water", "stat_energy_from": own[tank.key]["total_used"]} for tank in tanks
        ],
    )
