"""The school lab with one of everything that can be added, set up through the forms."""

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

from demo.hub import HubClient, wait_for
from demo.lab import SCHOOL, Tank, duration, fill_in
from demo.plant import Settings
from demo.stage import Stage, say
from homeassistant.util.yaml import dump, parse_yaml

BENCH = Path(__file__).with_name("bench.yaml")
LAGOON = Tank("Lagoon", 450.0, SCHOOL, Settings(use_l_per_day=3.0), ends_at_cm=15.0)
NURSERY = Tank(
    "Nursery",
    120.0,
    replace(SCHOOL, longest_run_s=3600),
    Settings(use_l_per_day=0.9, seed=8),
    ends_at_cm=22.0,
)
FIGURES = {
    "lagoon_sump_depth": 18.0,
    "lagoon_vat_depth": 45.0,
    "lagoon_water": 25.4,
    "lagoon_ph_figure": 8.21,
    "lagoon_countdown": 1800,
}
SIGNAL = {"zero_is_suspect": True}
NONE: dict[str, Any] = {}

type Forms = dict[str, dict[str, Any]]


def configure(config: Path, language: str) -> None:
    """Add the bench to a hub's configuration, and set the hub's language."""
    file = config / "configuration.yaml"
    file.write_text(file.read_text().replace("language: en", f"language: {language}"))
    bench = parse_yaml(BENCH.read_text())
    assert isinstance(bench, dict)
    templates = config / "templates/bench.yaml"
    templates.write_text(dump(bench.pop("template")))
    with file.open("a") as added:
        added.write(dump(bench))


class Lab:
    """The systems, and what belongs to them by name."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.client: HubClient = stage.client
        self.entries: dict[str, str] = {}
        """System title -> id of its entry."""
        # One answer at a time comes over the wire.
        self._turn = asyncio.Lock()
        self.parts: dict[str, str] = {}
        """Title of a vessel, line or watch -> id of its subentry."""

    async def ask(self, kind: str, **data: Any) -> Any:
        """Ask the hub something; it hangs up on those who were silent for long."""
        async with self._turn:
            await self.client.hang_up()
            return await self.client.call(kind, **data)

    async def look(self) -> None:
        """Read which systems and parts there are now."""
        for entry in await self.ask("config_entries/get", domain="stillwell"):
            self.entries[entry["title"]] = entry["entry_id"]
            found = await self.ask("config_entries/subentries/list", entry_id=entry["entry_id"])
            self.parts |= {one["title"]: one["subentry_id"] for one in found}

    async def start(self, system: str, kind: str, part: str | None = None) -> dict[str, Any]:
        """Open a form of a kind; with the title of a part, the one that changes it."""
        asked: dict[str, Any] = {"handler": [self.entries[system], kind]}
        if part is not None:
            asked["subentry_id"] = self.parts[part]
        path = "/api/config/config_entries/subentries/flow"
        step: dict[str, Any] = await self.client.post(path, asked)
        return step

    async def answer(self, step: dict[str, Any], values: dict[str, Any]) -> dict[str, Any]:
        """Send a form, and return what comes then."""
        path = f"/api/config/config_entries/subentries/flow/{step['flow_id']}"
        then: dict[str, Any] = await self.client.post(path, values)
        return then

    async def drop(self, step: dict[str, Any]) -> None:
        """Close a form without saving."""
        await self.client.delete(f"/api/config/config_entries/subentries/flow/{step['flow_id']}")

    async def undo(self, step: dict[str, Any]) -> None:
        """Take back what a form has led to though it should not."""
        if step["type"] == "create_entry":
            await self.look()
            await self.remove("Lagoon", step["title"])
        else:
            await self.drop(step)

    async def remove(self, system: str, part: str) -> None:
        """Delete a part of a system."""
        await self.ask(
            "config_entries/subentries/delete",
            entry_id=self.entries[system],
            subentry_id=self.parts.pop(part),
        )

    async def add(self, system: str, kind: str, forms: Forms) -> str:
        """Add a part through its forms; return its title."""
        title: str = forms["user"]["name"]
        say(f"adding {title}")
        step = await self.start(system, kind)
        await fill_in(self.client, "subentries/flow", step, forms)
        await self.look()
        await self._settled(system)
        return title

    async def change(self, system: str, kind: str, part: str, forms: Forms) -> None:
        """Change a part through its forms."""
        step = await self.start(system, kind, part)
        await fill_in(self.client, "subentries/flow", step, forms)
        await self.look()
        await self._settled(system)

    async def _settled(self, system: str) -> None:
        async def look() -> bool:
            found = await self.ask("config_entries/get", domain="stillwell")
            states = {entry["entry_id"]: entry["state"] for entry in found}
            return bool(states[self.entries[system]] == "loaded")

        await wait_for("the system is loaded anew", look, 60.0)

    async def set(self, name: str, value: float) -> None:
        """Set a figure of the bench."""
        await self.client.act("input_number.set_value", f"input_number.{name}", value=value)

    async def entity(self, part: str, key: str) -> str:
        """Return the entity of a part with a translation key."""
        for entity in await self.ask("config/entity_registry/list"):
            is_here = entity["config_subentry_id"] == self.parts[part]
            if is_here and entity["translation_key"] == key and entity["disabled_by"] is None:
                return str(entity["entity_id"])
        msg = f"{part} has no {key}"
        raise LookupError(msg)

    def line_of(self, vessel: str) -> str:
        """Return the title of the line that came with a vessel, whatever the language."""
        return next(title for title in self.parts if title != vessel and vessel in title)

    async def stage_all(self) -> None:
        """Give the bench its figures and add one of everything."""
        for name, value in FIGURES.items():
            await self.set(name, value)
        for name in ("lagoon_return_pump", "lagoon_heater", "lagoon_main_valve"):
            await self.client.act("input_boolean.turn_on", f"input_boolean.{name}")
        await self.look()
        await self.add("Lagoon", "sump", sump())
        await self.add("Lagoon", "mixing_vat", vat())
        await self._add_lines()
        await self._add_watches()

    async def _add_lines(self) -> None:
        top_off, reservoir = self.line_of("Lagoon sump"), self.parts["Lagoon reservoir"]
        await self.change("Lagoon", "fill_line", top_off, self.guarded(top_off, reservoir))
        await self.add("Lagoon", "fill_line", self.drain())
        await self.add("Lagoon", "fill_line", self.salt_water())
        own = self.reservoir_line()
        await self.change("Lagoon", "fill_line", own["user"]["name"], own)

    def reservoir_line(self) -> Forms:
        """The line that came with the reservoir, with a float, a floor sensor and proof tests."""
        plain = limits(20, {"high_test_days": 90, "leak_test_days": 180})
        plain["inputs"] |= {"high_inputs": [LAGOON.float_switch], "leak_inputs": [LAGOON.floor]}
        ends = {
            "name": self.line_of("Lagoon reservoir"),
            "device": LAGOON.valve,
            "destination": self.parts["Lagoon reservoir"],
            "direction": "fill",
            "feeds_system": False,
        }
        return {"user": ends, "limits": plain}

    def guarded(self, title: str, source: str) -> Forms:
        """A top-off with every layer: second shut-off, own auto-off, inputs, proof tests."""
        given = limits(minutes=20, tests={"high_test_days": 90, "countdown_test_days": 180})
        given |= {"fresh_cap": 1, "daily_volume": 12}
        given["inputs"] |= {
            "high_inputs": ["input_boolean.lagoon_sump_float"],
            "leak_inputs": [LAGOON.floor],
            "supply_empty_inputs": ["input_boolean.lagoon_supply_empty"],
        }
        given["layers"] = {
            "secondary": ["input_boolean.lagoon_main_valve"],
            "countdown": "input_number.lagoon_countdown",
        }
        return {
            "user": {
                "name": title,
                "device": "input_boolean.lagoon_top_off_pump",
                "destination": self.parts["Lagoon sump"],
                "source_vessel": source,
                "direction": "fill",
                "feeds_system": True,
            },
            "limits": given,
        }

    def drain(self) -> Forms:
        """The line that takes old water out of the sump."""
        return {
            "user": {
                "name": "Lagoon drain",
                "device": "input_boolean.lagoon_drain_pump",
                "destination": self.parts["Lagoon sump"],
                "direction": "drain",
                "feeds_system": False,
                "rehearsal": False,
            },
            "limits": limits(),
        }

    def salt_water(self) -> Forms:
        """The line that brings new salt water from the vat."""
        return {
            "user": {
                "name": "Lagoon salt water line",
                "device": "input_boolean.lagoon_salt_water_pump",
                "destination": self.parts["Lagoon sump"],
                "source_vessel": self.parts["Lagoon mixing vat"],
                "direction": "fill",
                "feeds_system": False,
                "rehearsal": False,
            },
            "limits": limits(),
        }

    async def _add_watches(self) -> None:
        for kind, forms in self.watches().items():
            await self.add("Lagoon", kind, forms())
        await self.add("Nursery", "salinity_watch", {"user": by_hand()})

    def watches(self) -> dict[str, Any]:
        """Return what makes the forms of each watch; the later ones name the earlier."""
        return {
            "temperature_watch": lambda: {"user": temperature()},
            "evaporation_watch": lambda: {"user": self.evaporation()},
            "salinity_watch": lambda: {"user": salinity()},
            "dosing": self.dosing,
            "rodi_unit": lambda: {"user": self.rodi()},
            "water_change": lambda: {"user": self.water_change()},
        }

    def evaporation(self) -> dict[str, Any]:
        """Form of the evaporation watch."""
        return {
            "name": "Lagoon evaporation",
            "vessel": self.parts["Lagoon reservoir"],
            "temperature_source": "sensor.lagoon_water_temperature",
            "room_temperature_source": "sensor.lagoon_room_temperature",
            "humidity_source": "sensor.lagoon_room_humidity",
            "surface": 0.72,
            "activity": 0.6,
        }

    def dosing(self) -> Forms:
        """Forms of the limewater dosing."""
        return {
            "user": {
                "name": "Lagoon limewater",
                "vessel": self.parts["Lagoon sump"],
                "dosing_pump": "input_boolean.lagoon_limewater_pump",
                "pump_flow": 12,
                "return_pump": "input_boolean.lagoon_return_pump",
            },
            "limits": {
                "target": 17.8,
                "ceiling": 120,
                "floor": 0,
                "per_dose": 40,
                "per_hour": 120,
                "per_day": 1500,
                "alkalinity": 8,
                "stock": {
                    "stock_temperature_source": "sensor.lagoon_room_temperature",
                    "stock_conductivity_source": "sensor.lagoon_limewater_conductivity",
                },
                "probes": {
                    "most_ph_rise": 0.1,
                    "ph_source": "sensor.lagoon_ph",
                    "ph_low": 7.8,
                    "ph_high": 8.45,
                    "orp_source": "sensor.lagoon_redox",
                    "orp_low_mv": 200,
                    "orp_high_mv": 450,
                },
            },
        }

    def rodi(self) -> dict[str, Any]:
        """Form of the RO/DI unit."""
        return {
            "name": "Lagoon RO/DI unit",
            "fill_line": self.parts[self.line_of("Lagoon reservoir")],
            "waste_per_product": 3,
            "stages": ["sediment", "carbon", "membrane", "resin"],
            "sources": {
                "temperature_source": "sensor.tap_temperature",
                "feed_pressure_source": "sensor.tap_pressure",
                "feed_solids_source": "sensor.tap_solids",
                "product_solids_source": "sensor.product_solids",
            },
            "ratings": {"sediment": 6000, "carbon": 6000, "membrane": 12000, "resin": 500},
        }

    def water_change(self) -> dict[str, Any]:
        """Form of the water change."""
        return {
            "name": "Lagoon water change",
            "drain_line": self.parts["Lagoon drain"],
            "refill_line": self.parts["Lagoon salt water line"],
            "largest_share": 20,
        }


def limits(minutes: int = 60, tests: dict[str, float] | None = None) -> dict[str, Any]:
    """Limits form of a line, bare but for what is given."""
    return {
        "longest_run": duration(60 * minutes),
        "settle": duration(60),
        "shortest_pause": duration(300),
        "inputs": {},
        "layers": {},
        "pump": {"return_settle": duration(20)},
        "tests": tests or {},
    }


def sump() -> Forms:
    """Forms of the sump: 60 cm by 40 cm by 40 cm, topped off over 1.5 cm."""
    return {
        "user": {
            "name": "Lagoon sump",
            "source": "sensor.lagoon_sump_level",
            "measure": "depth",
            "shape": "box",
        },
        "shape": {"length": 60, "width": 40, "height": 40, "sensor_zero": 0},
        "band": {
            "empty": 8,
            "start": 17,
            "full": 18.5,
            "high": 22,
            "temperature_source": "sensor.lagoon_water_temperature",
            "replaces_evaporation": True,
            "filling": {
                "fill_device": "input_boolean.lagoon_top_off_pump",
                "longest_run": duration(1200),
                "high_inputs": ["input_boolean.lagoon_sump_float"],
            },
            "signal": SIGNAL,
        },
        "sump": {
            "rim": 38,
            "return_pump": "input_boolean.lagoon_return_pump",
            "display_surface": 0.72,
        },
        "confirm": NONE,
    }


def vat() -> Forms:
    """Forms of the mixing vat: a drum of 45 cm, 70 cm high."""
    return {
        "user": {
            "name": "Lagoon mixing vat",
            "source": "sensor.lagoon_vat_level",
            "measure": "depth",
            "shape": "upright_cylinder",
        },
        "shape": {"diameter": 45, "height": 70, "sensor_zero": 0},
        "band": {
            "empty": 4,
            "start": 14,
            "full": 60,
            "high": 65,
            "temperature_source": "sensor.lagoon_water_temperature",
            "replaces_evaporation": False,
            "filling": {
                "fill_device": "input_boolean.lagoon_vat_valve",
                "longest_run": duration(7200),
            },
            "signal": SIGNAL,
        },
        "mixing_vat": {
            "target_salinity": 35,
            "salinity_source": "sensor.lagoon_vat_conductivity",
            "salinity_at_25": True,
            "salt_water": 3,
        },
        "confirm": NONE,
    }


def temperature() -> dict[str, Any]:
    """Form of the temperature watch."""
    return {
        "name": "Lagoon temperature",
        "temperature_source": "sensor.lagoon_water_temperature",
        "low": 23,
        "high": 28,
        "heater": "input_boolean.lagoon_heater",
        "heater_power_w": 300,
        "room_temperature_source": "sensor.lagoon_room_temperature",
        "silence": duration(1800),
    }


def salinity() -> dict[str, Any]:
    """Form of a salinity watch with a probe."""
    return {
        "name": "Lagoon salinity",
        "salinity_kind": "conductivity_at_25",
        "salinity_source": "sensor.lagoon_conductivity",
        "temperature_source": "sensor.lagoon_water_temperature",
        "low": 33,
        "high": 36.5,
        "overfill": 4.5,
    }


def by_hand() -> dict[str, Any]:
    """Form of a salinity watch that is told by hand."""
    return {
        "name": "Nursery salinity",
        "salinity_kind": "by_hand",
        "low": 33,
        "high": 36.5,
        "overfill": 1.2,
    }
