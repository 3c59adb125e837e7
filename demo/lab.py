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


@dataclass(frozen=True)
class Limewater:
    """What a keeper chooses for the dosing line."""

    target_cm: float = 20.0
    ceiling_ml_per_h: float = 5.0


LIMEWATER = Limewater()
WASTE_RATIO = 4.0
"""Litres to the drain per litre that the RO/DI unit makes (common practice, no source)."""


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
    return await _entities(hub, entry_id, None, {"lockout", "fill", "reset"})


async def _entities(
    hub: HubClient, entry_id: str, subentry_id: str | None, wanted: set[str]
) -> dict[str, str]:
    """Return the entities of a system, or of one part of it, by key, once they are there."""

    async def look() -> dict[str, str] | None:
        found = {
            entity["translation_key"]: entity["entity_id"]
            for entity in await hub.call("config/entity_registry/list")
            if entity["config_entry_id"] == entry_id
            and subentry_id in (None, entity["config_subentry_id"])
            and entity["disabled_by"] is None
        }
        return found if wanted <= found.keys() else None

    entities: dict[str, str] = await wait_for(f"{', '.join(wanted)} are there", look, 60.0)
    return entities


def sump_forms(tank: Tank) -> dict[str, dict[str, Any]]:
    """Return what a keeper types into each form of the sump; a float valve of its own fills it."""
    return {
        "user": {
            "name": f"{tank.name} sump",
            "source": f"sensor.{tank.key}_sump_strip",
            "measure": "depth",
            "shape": "box",
        },
        "shape": {"length": 60, "width": 40, "height": 30, "sensor_zero": 0},
        "band": {
            "empty": 5,
            "start": 15,
            "full": 22,
            "high": 25,
            "replaces_evaporation": False,
            "filling": {"longest_run": duration(600)},
            "signal": {"zero_is_suspect": True},
        },
        "sump": {},
        "confirm": {},
    }


def limewater_forms(tank: Tank, sump_id: str) -> dict[str, dict[str, Any]]:
    """Return what a keeper types into each form of the dosing line."""
    return {
        "user": {
            "name": f"{tank.name} limewater",
            "vessel": sump_id,
            "dosing_pump": f"switch.{tank.key}_limewater_pump",
            "pump_flow": tank.plant.dosing_ml_per_min,
        },
        "limits": {
            "target": LIMEWATER.target_cm,
            "ceiling": LIMEWATER.ceiling_ml_per_h,
            "stock": {},
            "probes": {},
        },
    }


def rodi_forms(tank: Tank, line_id: str) -> dict[str, dict[str, Any]]:
    """Return what a keeper types into the form of the RO/DI unit."""
    return {
        "user": {
            "name": f"{tank.name} RO/DI unit",
            "fill_line": line_id,
            "waste_per_product": WASTE_RATIO,
            "stages": ["sediment", "carbon", "membrane", "resin"],
            "sources": {
                "temperature_source": f"sensor.{tank.key}_tap_water_temperature",
                "feed_pressure_source": f"sensor.{tank.key}_tap_water_pressure",
                "feed_solids_source": f"sensor.{tank.key}_tap_water_solids",
                "product_solids_source": f"sensor.{tank.key}_pure_water_solids",
            },
            "ratings": {},
        }
    }


async def add_sump(hub: HubClient, tank: Tank) -> dict[str, str]:
    """Add sump, limewater line and RO/DI unit to a tank; return the entities of the last two."""
    entries = await hub.get("/api/config/config_entries/entry?domain=stillwell")
    (entry_id,) = [entry["entry_id"] for entry in entries if entry["title"] == tank.name]

    async def part(kind: str) -> str:
        parts = await hub.call("config_entries/subentries/list", entry_id=entry_id)
        (found,) = [one["subentry_id"] for one in parts if one["subentry_type"] == kind]
        return str(found)

    async def add(kind: str, forms: Mapping[str, Mapping[str, Any]]) -> str:
        flow = "/api/config/config_entries/subentries/flow"
        step = await hub.post(flow, {"handler": [entry_id, kind]})
        await fill_in(hub, "subentries/flow", step, forms)
        return await part(kind)

    sump_id = await add("sump", sump_forms(tank))
    limewater_id = await add("dosing", limewater_forms(tank, sump_id))
    unit_id = await add("rodi_unit", rodi_forms(tank, await part("fill_line")))
    sump = await _entities(hub, entry_id, sump_id, {"volume"})
    return {
        "sump_volume": sump["volume"],
        **await _entities(hub, entry_id, limewater_id, {"dose_rate", "dosed_24h", "dose_armed"}),
        **await _entities(hub, entry_id, unit_id, {"waste_water", "passed_resin"}),
    }


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
