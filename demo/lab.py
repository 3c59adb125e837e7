"""The scenario: a school marine lab with the systems Lagoon and Nursery, set up by the forms."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .hub import HubClient, HubError, wait_for
from .plant import Settings


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
# A narrow band and a quick supply, so that a whole refill takes less than a minute.
CHECK = Band(2.0, 22.0, 27.5, 31.5, 60)


@dataclass(frozen=True)
class Tank:
    """A system of the lab, its reservoir, and where its recorded past ends."""

    name: str
    system_l: float
    band: Band
    plant: Settings
    ends_at_cm: float

    @property
    def key(self) -> str:
        """The name as ids have it."""
        return self.name.lower()

    @property
    def strip(self) -> str:
        """The level strip."""
        return f"sensor.{self.key}_strip"

    @property
    def valve(self) -> str:
        """The valve."""
        return f"switch.{self.key}_valve"

    @property
    def float_switch(self) -> str:
        """The independent float switch."""
        return f"binary_sensor.{self.key}_reservoir_float"

    @property
    def floor(self) -> str:
        """The leak sensor."""
        return f"binary_sensor.{self.key}_floor"

    @property
    def faults(self) -> list[str]:
        """The switches that make something go wrong."""
        names = ("strip_unplugged", "supply_throttled", "valve_sticks_open", "spill")
        return [f"switch.{self.key}_{name}" for name in names]

    @property
    def automation_id(self) -> str:
        """The id of the refill rule."""
        return f"{self.key}_refill"

    def litres(self, level_cm: float) -> float:
        """Return the water below a level."""
        return level_cm * self.plant.footprint_cm2 / 1000.0


def duration(seconds: int) -> dict[str, int]:
    """Return a time as the forms take it."""
    return {"hours": seconds // 3600, "minutes": seconds // 60 % 60, "seconds": seconds % 60}


def reservoir_forms(tank: Tank) -> dict[str, dict[str, Any]]:
    """Return what a keeper types into each form of the reservoir."""
    band = tank.band
    side_cm = tank.plant.footprint_cm2**0.5
    return {
        "user": {
            "name": f"{tank.name} reservoir",
            "source": tank.strip,
            "measure": "depth",
            "shape": "box",
        },
        "shape": {
            "length": side_cm,
            "width": side_cm,
            "height": tank.plant.height_cm,
            "sensor_zero": 0,
        },
        "band": {
            "empty": band.empty_cm,
            "start": band.start_cm,
            "full": band.full_cm,
            "high": band.high_cm,
            "replaces_evaporation": True,
            "filling": {
                "fill_device": tank.valve,
                "longest_run": duration(band.longest_run_s),
                "high_inputs": [tank.float_switch],
                "leak_inputs": [tank.floor],
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


async def add_system(hub: HubClient, tank: Tank) -> dict[str, str]:
    """Set up a system and its reservoir through the forms; return its entities by key."""
    step = await hub.post("/api/config/config_entries/flow", {"handler": "stillwell"})
    system = {"name": tank.name, "volume": tank.system_l, "salinity": 35}
    made = await fill_in(hub, "flow", step, {"user": system})
    kind, flow_id = made["next_flow"]
    if kind != "config_subentries_flow":
        raise HubError(f"the system's form led to {kind}, not to the first vessel")
    step = await hub.get(f"/api/config/config_entries/subentries/flow/{flow_id}")
    await fill_in(hub, "subentries/flow", step, reservoir_forms(tank))
    entry_id = made["result"]["entry_id"]

    async def look() -> dict[str, str] | None:
        found = {
            entity["translation_key"]: entity["entity_id"]
            for entity in await hub.call("config/entity_registry/list")
            if entity["config_entry_id"] == entry_id and entity["disabled_by"] is None
        }
        return found if {"lockout", "fill", "reset"} <= found.keys() else None

    entities: dict[str, str] = await wait_for("the reservoir's entities are there", look, 60.0)
    return entities


async def add_rule(hub: HubClient, tank: Tank, lockout: str) -> None:
    """Make a refill rule from the shipped blueprint."""
    band = tank.band
    await hub.post(
        f"/api/config/automation/config/{tank.automation_id}",
        {
            "alias": f"Refill the {tank.name} reservoir",
            "description": "Between two levels, from the blueprint.",
            "use_blueprint": {
                "path": "stillwell/stillwell_refill_vessel.yaml",
                "input": {
                    "level_entity": tank.strip,
                    "level_unit": "cm",
                    "start_level": band.start_cm,
                    "stop_level": band.full_cm,
                    "valve": tank.valve,
                    "lockout_entity": lockout,
                    # The rule's own limit stays at its two hours: the guard must not need it.
                    "high_inputs": [tank.float_switch],
                    "leak_inputs": [tank.floor],
                },
            },
        },
    )
