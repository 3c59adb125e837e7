"""A dashboard of the hub's own cards, laid out for a phone of 412 px."""

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any

from .hub import HubClient
from .lab import Tank

DASHBOARD = "marine-lab"
RULE_TRIES = 100
RULE_PAUSE_S = 0.2

type Card = dict[str, Any]


def tile(entity: str, *, name: str | None = None, is_wide: bool = False, **more: Any) -> Card:
    """Return a tile, two beside each other on a phone unless it is wide."""
    card: Card = {"type": "tile", "entity": entity, **more}
    if name is not None:
        card["name"] = name
    if is_wide:
        card["grid_options"] = {"columns": 12}
    return card


def heading(text: str, icon: str) -> Card:
    """Return the heading of a section."""
    return {"type": "heading", "heading": text, "heading_style": "title", "icon": icon}


def section(*cards: Card) -> Card:
    """Return a section."""
    return {"type": "grid", "cards": list(cards)}


def water(tank: Tank, own: Mapping[str, str]) -> Card:
    """How much is left and until when: the first thing a keeper wants to know."""
    return section(
        heading(f"{tank.name} reservoir", "mdi:waves"),
        {
            "type": "gauge",
            "entity": own["fill"],
            "name": "Fill",
            "min": 0,
            "max": 100,
            "needle": True,
            "segments": [
                {"from": 0, "color": "var(--error-color)"},
                {"from": 10, "color": "var(--warning-color)"},
                {"from": 25, "color": "var(--success-color)"},
            ],
        },
        tile(own["usable_volume"], name="Usable"),
        tile(own["use_per_day"], name="Use per day"),
        tile(own["empty_at"], name="Empty"),
        tile(own["refill_due_at"], name="Refill due"),
    )


def filling(tank: Tank, own: Mapping[str, str], automation: str) -> Card:
    """The valve, what may stop it, and how to set it free again."""
    only_while_filling = {"condition": "state", "entity": own["filling"], "state": "on"}
    return section(
        heading("Filling", "mdi:water-plus"),
        tile(own["lockout"], name="Lockout", is_wide=True, color="red"),
        tile(
            own["reset"],
            name="Reset lockout",
            visibility=[{"condition": "state", "entity": own["lockout"], "state": "on"}],
            is_wide=True,
            tap_action={
                "action": "perform-action",
                "perform_action": "button.press",
                "target": {"entity_id": own["reset"]},
                "confirmation": {"text": "Have you looked on site, and is the cause gone?"},
            },
        ),
        tile(tank.valve, name="Valve"),
        tile(own["permit"], name="Permit"),
        tile(own["guard_state"], name="Guard"),
        tile(own["block_reason"], name="Waits for"),
        *(
            tile(own[key], name=name, visibility=[only_while_filling])
            for key, name in (("fill_rate", "Fill rate"), ("full_at", "Full"))
        ),
        tile(own["last_fill_volume"], name="Last fill"),
        tile(own["last_fill_duration"], name="It took"),
        tile(automation, name="Refill rule", is_wide=True),
    )


def days(tank: Tank, own: Mapping[str, str]) -> Card:
    """What the last days were like."""
    return section(
        heading("The last days", "mdi:chart-line"),
        {
            "type": "history-graph",
            "title": "Level and valve",
            "hours_to_show": 192,
            "entities": [
                {"entity": tank.strip, "name": "Level"},
                {"entity": tank.valve, "name": "Valve"},
            ],
            "grid_options": {"columns": 12},
        },
        tile(own["used_today"], name="Used today"),
        tile(own["added_today"], name="Added today"),
        tile(own["evaporation_per_day"], name="Evaporation", is_wide=True),
    )


def signals(tank: Tank, own: Mapping[str, str]) -> Card:
    """What the sensors say and whether it is believed."""
    return section(
        heading("Signals", "mdi:signal-variant"),
        tile(own["signal"], name="Signal"),
        tile(own["signal_reason"], name="Reason"),
        tile(tank.strip, name="Strip"),
        tile(own["unexplained_loss"], name="Unexplained loss"),
        tile(tank.float_switch, name="Float switch"),
        tile(tank.floor, name="Floor"),
    )


def bench(tank: Tank) -> Card:
    """Hands at the simulated plant."""
    return section(
        heading("Make it go wrong", "mdi:hand-back-right"),
        {
            "type": "markdown",
            "content": "The plant is simulated. Unplug the strip in the middle of a fill, throttle "
            "the supply until the run is too long, or put water on the floor.",
            "grid_options": {"columns": 12},
        },
        *(
            tile(entity, name=name)
            for entity, name in zip(
                tank.faults,
                ("Strip unplugged", "Supply throttled", "Valve sticks", "Spill"),
                strict=True,
            )
        ),
        tile(f"button.{tank.key}_draw_two_litres", name="Draw 2 L", hide_state=True),
        tile(f"button.{tank.key}_pour_two_litres", name="Pour 2 L", hide_state=True),
    )


def view(tank: Tank, own: Mapping[str, str], automation: str) -> Card:
    """Return the view of one system."""
    return {
        "title": tank.name,
        "path": tank.key,
        "type": "sections",
        "max_columns": 3,
        "sections": [
            water(tank, own),
            filling(tank, own, automation),
            days(tank, own),
            signals(tank, own),
            bench(tank),
        ],
    }


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
    views = [view(tank, own[tank.key], automations[tank.automation_id]) for tank in tanks]
    await hub.call(
        "lovelace/dashboards/create",
        url_path=DASHBOARD,
        title="Marine lab",
        icon="mdi:fishbowl-outline",
        mode="storage",
        show_in_sidebar=True,
        require_admin=False,
    )
    await hub.call(
        "lovelace/config/save", url_path=DASHBOARD, config={"title": "Marine lab", "views": views}
    )
    await hub.call("frontend/set_system_data", key="core", value={"default_panel": DASHBOARD})
    await hub.call(
        "energy/save_prefs",
        energy_sources=[
            {"type": "water", "stat_energy_from": own[tank.key]["total_used"]} for tank in tanks
        ],
    )
