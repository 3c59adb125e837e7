"""The scenario: a school marine lab, its system Lagoon and the reservoir, set up by the forms."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .hub import HubClient, HubError, wait_for

STRIP = "sensor.lagoon_strip"
VALVE = "switch.lagoon_valve"
FLOAT = "binary_sensor.lagoon_reservoir_float"
FLOOR = "binary_sensor.lagoon_floor"
AUTOMATION_ID = "lagoon_refill"
SYSTEM_L = 450.0


@dataclass(frozen=True)
class Band:
    """The reservoir's marks, cm above its floor, and the longest run of its valve."""

    empty_cm: float
    start_cm: float
    full_cm: float
    high_cm: float
    longest_run_s: int


# Shares of the height as on a strip of 15 in: start 3 in, stop 13 in (common practice, no source).
SCHOOL = Band(2.0, 7.0, 29.5, 31.5, 2 * 3600)
# A narrow band and a quick supply, so that a whole refill takes a minute.
CHECK = Band(2.0, 22.0, 29.0, 31.5, 75)


def duration(seconds: int) -> dict[str, int]:
    """Return a time as the forms take it."""
    return {"hours": seconds // 3600, "minutes": seconds // 60 % 60, "seconds": seconds % 60}


def reservoir_forms(band: Band) -> dict[str, dict[str, Any]]:
    """Return what a keeper types into each form of the reservoir."""
    return {
        "user": {
            "name": "Lagoon reservoir",
            "source": STRIP,
            "measure": "depth",
            "shape": "box",
        },
        "shape": {"length": 30, "width": 30, "height": 34, "sensor_zero": 0},
        "band": {
            "empty": band.empty_cm,
            "start": band.start_cm,
            "full": band.full_cm,
            "high": band.high_cm,
            "replaces_evaporation": True,
            "filling": {
                "fill_device": VALVE,
                "longest_run": duration(band.longest_run_s),
                "high_inputs": [FLOAT],
                "leak_inputs": [FLOOR],
            },
            "signal": {"zero_is_suspect": True},
        },
        "confirm": {},
    }


async def fill_in(
    hub: HubClient, flow: str, step: Mapping[str, Any], forms: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    """Answer form after form until the flow is done."""
    answer = dict(step)
    while answer["type"] == "form":
        if answer.get("errors"):
            raise HubError(f"form {answer['step_id']} refused: {answer['errors']}")
        answer = await hub.post(
            f"/api/config/config_entries/{flow}/{answer['flow_id']}",
            dict(forms[answer["step_id"]]),
        )
    if answer["type"] not in ("create_entry", "abort"):
        raise HubError(f"unexpected end of a form: {answer}")
    return answer


async def add_system(hub: HubClient, band: Band) -> str:
    """Set up the system and its reservoir through the forms; return the config entry's id."""
    step = await hub.post("/api/config/config_entries/flow", {"handler": "stillwell"})
    system = {"name": "Lagoon", "volume": SYSTEM_L, "salinity": 35}
    made = await fill_in(hub, "flow", step, {"user": system})
    entry_id: str = made["result"]["entry_id"]
    kind, flow_id = made["next_flow"]
    if kind != "config_subentries_flow":
        raise HubError(f"the system's form led to {kind}, not to the first vessel")
    step = await hub.get(f"/api/config/config_entries/subentries/flow/{flow_id}")
    await fill_in(hub, "subentries/flow", step, reservoir_forms(band))
    return entry_id


async def own_entities(hub: HubClient) -> dict[str, str]:
    """Return the reservoir's entities: key -> entity id, from the hub's registry."""

    async def look() -> dict[str, str] | None:
        found = {
            entity["translation_key"]: entity["entity_id"]
            for entity in await hub.call("config/entity_registry/list")
            if entity["platform"] == "stillwell" and entity["disabled_by"] is None
        }
        return found if {"lockout", "fill", "reset"} <= found.keys() else None

    entities: dict[str, str] = await wait_for("the reservoir's entities are there", look, 60.0)
    return entities


async def add_automation(hub: HubClient, lockout: str, band: Band) -> None:
    """Make the refill rule from the shipped blueprint."""
    await hub.post(
        f"/api/config/automation/config/{AUTOMATION_ID}",
        {
            "alias": "Refill the Lagoon reservoir",
            "description": "Between two levels, from the blueprint.",
            "use_blueprint": {
                "path": "stillwell/stillwell_refill_vessel.yaml",
                "input": {
                    "level_entity": STRIP,
                    "level_unit": "cm",
                    "start_level": band.start_cm,
                    "stop_level": band.full_cm,
                    "valve": VALVE,
                    "lockout_entity": lockout,
                    "longest_run": duration(band.longest_run_s),
                    "high_inputs": [FLOAT],
                    "leak_inputs": [FLOOR],
                },
            },
        },
    )
