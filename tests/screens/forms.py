"""Every form step by step, and entries that provoke each of its refusals."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from demo.lab import duration

from .lab import LAGOON, Forms, Lab, by_hand, limits, salinity, sump, temperature, vat

type Change = tuple[str, str, dict[str, Any]]
"""Error, step, and what is entered otherwise than in the form that works; None leaves out."""

NEW: Final = "Quarantine"
"""The name of what is entered and never saved."""
BROKEN_SUMP: Final = "Nursery broken sump"
SPARE_SUMP: Final = "Nursery spare sump"
HUGE: Final = 9_999_999


@dataclass(frozen=True, slots=True)
class Walk:
    """A form to be walked through, and what it refuses on the way."""

    kind: str
    forms: Forms
    changes: tuple[Change, ...] = ()
    name: str = ""
    system: str = "Lagoon"
    part: str | None = None
    """What is changed; None adds."""

    @property
    def label(self) -> str:
        """What its pictures are called."""
        return self.name or self.kind.replace("_", " ")


def merged(base: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return a form with changes; in sections too."""
    made = dict(base)
    for key, value in changes.items():
        if isinstance(value, dict) and isinstance(made.get(key), dict) and "hours" not in value:
            made[key] = merged(made[key], value)
        elif value is None:
            made.pop(key, None)
        else:
            made[key] = value
    return made


def _vessel_forms(kind: str) -> Forms:
    forms: Forms = {
        "user": {
            "name": NEW,
            "source": "sensor.quarantine_level",
            "measure": "depth",
            "shape": "box",
        },
        "shape": {"length": 60, "width": 40, "height": 40, "sensor_zero": 2},
        "band": {
            "empty": 8,
            "start": 17,
            "full": 18.5,
            "high": 22,
            "replaces_evaporation": False,
            "filling": {
                "fill_device": "input_boolean.spare_valve",
                "longest_run": duration(1200),
            },
            "signal": {"zero_is_suspect": True},
        },
        "confirm": {},
    }
    more = {"sump": sump(), "mixing_vat": vat()}
    if kind in more:
        forms[kind] = more[kind][kind]
    return forms


SOURCE_CHANGES: Final[tuple[Change, ...]] = (
    ("name_empty", "user", {"name": " "}),
    ("name_taken", "user", {"name": "Lagoon reservoir"}),
    ("source_taken", "user", {"source": LAGOON.strip}),
    ("source_not_numeric", "user", {"source": "sensor.quarantine_word"}),
    ("unit_useless", "user", {"source": "sensor.quarantine_mains"}),
    ("unit_missing", "user", {"source": "sensor.quarantine_bare"}),
    ("unit_unfit", "user", {"measure": "percent"}),
)
SHAPE_CHANGES: Final[tuple[Change, ...]] = (("length_range", "shape", {"length": HUGE}),)
BAND_CHANGES: Final[tuple[Change, ...]] = (
    ("length_range", "band", {"empty": 90}),
    ("start_range", "band", {"start": 7}),
    ("start_unseen", "band", {"empty": 0, "start": 1}),
    ("full_range", "band", {"full": 15}),
    ("high_range", "band", {"high": 16}),
    ("temperature_unit", "band", {"temperature_source": "sensor.lagoon_room_humidity"}),
    ("device_taken", "band", {"filling": {"fill_device": LAGOON.valve}}),
    (
        "device_is_input",
        "band",
        {"filling": {"high_inputs": ["input_boolean.spare_valve"]}},
    ),
    ("longest_run_range", "band", {"filling": {"longest_run": duration(10)}}),
    ("stale_range", "band", {"signal": {"stale_after": duration(3)}}),
    ("stale_slow", "band", {"signal": {"stale_after": duration(1100)}}),
)
TABLES: Final = {
    "table_line": "10; 7.9\nten litres",
    "table_order": "10; 7.9\n8; 9",
    "table_short": "0; 0",
}


def vessels() -> list[Walk]:
    """Return the walks through the forms of the three kinds of vessel."""
    box = _vessel_forms("reservoir")
    walks = [
        Walk("reservoir", box, SOURCE_CHANGES + SHAPE_CHANGES + BAND_CHANGES),
        Walk(
            "sump",
            _vessel_forms("sump"),
            (
                ("full_over_cap", "band", {"full": 21}),
                ("rim_range", "sump", {"rim": 5}),
                ("surface_range", "sump", {"display_surface": 0}),
            ),
        ),
        Walk(
            "mixing_vat",
            _vessel_forms("mixing_vat"),
            (
                ("target_range", "mixing_vat", {"target_salinity": 70}),
                ("salt_water_range", "mixing_vat", {"salt_water": 80}),
                ("salinity_unit", "mixing_vat", {"salinity_source": "sensor.lagoon_room_humidity"}),
                ("salinity_needs_temperature", "mixing_vat", {"salinity_at_25": False}),
            ),
        ),
    ]
    user, band = box["user"], box["band"]
    sizes: Forms = {
        "upright_cylinder": {"diameter": 45, "height": 40},
        "lying_cylinder": {"diameter": 40, "length": 60},
        "tapered_bin": {
            "bottom_length": 30,
            "bottom_width": 30,
            "top_length": 40,
            "top_width": 40,
            "height": 40,
        },
        "cone_bottom": {"diameter": 45, "cone": 15, "height": 40},
        "strapping": {"table": "10; 7.9\n40; 38"},
    }
    for shape, size in sizes.items():
        changes: list[Change] = []
        if shape == "cone_bottom":
            changes.append(("cone_too_deep", "shape", {"cone": 50}))
        if shape == "strapping":
            changes += [(error, "shape", {"table": text}) for error, text in TABLES.items()]
        forms = {"user": {**user, "shape": shape}, "shape": {**size, "sensor_zero": 0}}
        walks.append(Walk("reservoir", forms, tuple(changes), f"reservoir {shape}"))
    distance = {
        "user": {**user, "measure": "distance"},
        "shape": {"length": 60, "width": 40, "height": 40, "sensor_face": 30},
        "band": band,
    }
    beyond: tuple[Change, ...] = (
        ("full_unseen", "band", {"full": 35, "high": 36}),
        ("high_unseen", "band", {"high": 36}),
    )
    walks.append(Walk("reservoir", distance, beyond, "reservoir distance"))
    unplugged = {**box, "user": {**user, "source": "sensor.quarantine_unplugged"}}
    silent = {**box, "user": {**user, "source": "sensor.not_there"}}
    walks.append(
        Walk(
            "reservoir",
            {key: unplugged[key] for key in ("user", "shape", "band")},
            (("capture_zero", "band", {"capture": "full"}),),
            "reservoir unplugged",
        )
    )
    walks.append(
        Walk(
            "reservoir",
            {key: silent[key] for key in ("user", "shape", "band")},
            (("capture_none", "band", {"capture": "full"}),),
            "reservoir silent",
        )
    )
    return walks


def lines(lab: Lab) -> list[Walk]:
    """Return the walks through the forms of a fill line."""
    sump_id, reservoir = lab.parts["Lagoon sump"], lab.parts["Lagoon reservoir"]
    spare = "input_boolean.spare_valve"
    guarded = lab.guarded(NEW, reservoir)
    user = {**guarded["user"], "device": spare, "rehearsal": True}
    given = guarded["limits"]
    plain = merged(limits(15), {"tests": {}})
    own = lab.reservoir_line()["user"]
    top_off: tuple[Change, ...] = (
        ("name_empty", "user", {"name": " "}),
        ("name_taken", "user", {"name": "Lagoon drain"}),
        ("device_taken", "user", {"device": LAGOON.valve}),
        ("source_is_destination", "user", {"source_vessel": sump_id}),
        ("drain_has_source", "user", {"direction": "drain", "feeds_system": False}),
        ("drain_feeds", "user", {"direction": "drain", "source_vessel": None}),
        ("longest_run_range", "limits", {"longest_run": duration(10)}),
        ("settle_range", "limits", {"settle": duration(7200)}),
        ("shortest_pause_range", "limits", {"shortest_pause": duration(7200)}),
        ("daily_volume_small", "limits", {"daily_volume": 1}),
        ("daily_run_short", "limits", {"daily_run": duration(300)}),
        ("fresh_cap_range", "limits", {"fresh_cap": 40}),
        ("fresh_cap_small", "limits", {"fresh_cap": 0.2}),
        ("device_is_input", "limits", {"inputs": {"high_inputs": [spare]}}),
        ("device_is_secondary", "limits", {"layers": {"secondary": [spare]}}),
        ("device_is_return_pump", "limits", {"pump": {"return_pump": spare}}),
        ("return_settle_range", "limits", {"pump": {"return_settle": duration(7200)}}),
        ("countdown_unit", "limits", {"layers": {"countdown": "input_number.lagoon_hours"}}),
        ("test_days_range", "limits", {"tests": {"high_test_days": 0.2}}),
    )
    filled: tuple[Change, ...] = (
        ("longest_run_short", "limits", {"longest_run": duration(61)}),
        ("longest_run_pours", "limits", {"longest_run": duration(7200)}),
    )
    wide = {
        "name": NEW,
        "device": spare,
        "destination": lab.parts["Lagoon mixing vat"],
        "direction": "fill",
        "feeds_system": True,
        "rehearsal": False,
    }
    return [
        Walk("fill_line", {"user": user, "limits": given}, top_off),
        Walk(
            "fill_line",
            {"user": wide, "limits": plain},
            (("fresh_cap_marks", "limits", {}),),
            "fill line of a wide band",
        ),
        Walk(
            "fill_line",
            {"user": own, "limits": plain},
            filled,
            "fill line of a reservoir",
            part=own["name"],
        ),
    ]


def watches(lab: Lab) -> list[Walk]:
    """Return the walks through the forms of the watches."""

    def new(form: Mapping[str, Any]) -> dict[str, Any]:
        return {**form, "name": NEW}

    def names(taken: str) -> tuple[Change, ...]:
        return (("name_empty", "user", {"name": " "}), ("name_taken", "user", {"name": taken}))

    humidity, water = "sensor.lagoon_room_humidity", "sensor.lagoon_water_temperature"
    refill = lab.parts["Lagoon salt water line"]
    dosing = lab.dosing()
    return [
        Walk(
            "temperature_watch",
            {"user": new(temperature())},
            (
                *names("Lagoon temperature"),
                ("temperature_unit", "user", {"temperature_source": humidity}),
                ("band_range", "user", {"low": 30}),
                ("silence_range", "user", {"silence": duration(1)}),
            ),
        ),
        Walk(
            "evaporation_watch",
            {"user": new(lab.evaporation())},
            (
                *names("Lagoon evaporation"),
                ("temperature_unit", "user", {"temperature_source": humidity}),
                ("humidity_unit", "user", {"humidity_source": water}),
                ("room_missing", "user", {"room_temperature_source": None}),
                ("surface_twice", "user", {"length": 120, "width": 60}),
                ("surface_range", "user", {"surface": 900}),
                ("activity_range", "user", {"activity": 40}),
            ),
        ),
        Walk(
            "salinity_watch",
            {"user": new(salinity())},
            (
                *names("Lagoon salinity"),
                ("temperature_unit", "user", {"temperature_source": humidity}),
                ("probe_missing", "user", {"salinity_source": None}),
                (
                    "thermometer_missing",
                    "user",
                    {"salinity_kind": "conductivity", "temperature_source": None},
                ),
                ("conductivity_unit", "user", {"salinity_source": humidity}),
                (
                    "salinity_unit",
                    "user",
                    {"salinity_kind": "salinity", "salinity_source": humidity},
                ),
                ("band_range", "user", {"low": 40}),
                ("overfill_range", "user", {"overfill": 900}),
            ),
        ),
        Walk("salinity_watch", {"user": new(by_hand())}, (), "salinity watch by hand"),
        Walk(
            "dosing",
            {
                "user": {**new(dosing["user"]), "dosing_pump": "input_boolean.quarantine_pump"},
                "limits": dosing["limits"],
            },
            (
                *names("Lagoon limewater"),
                ("pump_is_return_pump", "user", {"return_pump": "input_boolean.quarantine_pump"}),
                ("pump_unit", "user", {"dosing_pump": "input_number.lagoon_hours"}),
                ("pump_flow_missing", "user", {"pump_flow": None}),
                ("target_range", "limits", {"target": 39}),
                ("above_0", "limits", {"per_dose": 0}),
                ("ceiling_below_floor", "limits", {"floor": 500}),
                ("caps_order", "limits", {"per_dose": 900}),
                ("day_too_much", "limits", {"per_day": 90000}),
                ("alkalinity_range", "limits", {"alkalinity": 90}),
                ("ph_band", "limits", {"probes": {"ph_low": 9}}),
                ("orp_band", "limits", {"probes": {"orp_low_mv": 900}}),
                ("ph_rise_range", "limits", {"probes": {"most_ph_rise": 2}}),
                ("source_unit", "limits", {"probes": {"orp_source": humidity}}),
            ),
        ),
        Walk(
            "rodi_unit",
            {"user": {**new(lab.rodi()), "fill_line": refill}},
            (
                *names("Lagoon RO/DI unit"),
                (
                    "line_taken",
                    "user",
                    {"fill_line": lab.parts[lab.line_of("Lagoon reservoir")]},
                ),
                ("temperature_unit", "user", {"sources": {"temperature_source": humidity}}),
                ("pressure_unit", "user", {"sources": {"feed_pressure_source": humidity}}),
                ("solids_unit", "user", {"sources": {"feed_solids_source": humidity}}),
                ("stage_not_chosen", "user", {"stages": ["sediment", "carbon", "membrane"]}),
                ("waste_range", "user", {"waste_per_product": 90}),
                ("rating_range", "user", {"ratings": {"resin": 0}}),
            ),
        ),
        Walk(
            "water_change",
            {"user": new(lab.water_change())},
            (
                *names("Lagoon water change"),
                ("share_range", "user", {"largest_share": 90}),
            ),
        ),
    ]


def spoilt(lab: Lab) -> list[Walk]:
    """Return the walks that need vessels whose settings are no use, or a torn folder."""
    dosing = lab.dosing()
    pump = {**dosing["user"], "name": NEW, "dosing_pump": "input_boolean.quarantine_pump"}
    drain = {
        "name": NEW,
        "device": "input_boolean.quarantine_pump",
        "direction": "drain",
        "feeds_system": False,
        "rehearsal": False,
    }
    plain = merged(limits(15), {"tests": {}})
    vessel = _vessel_forms("reservoir")
    vessel["user"] = {**vessel["user"], "source": "sensor.quarantine_unplugged"}
    vessel["band"] = {**vessel["band"], "filling": {"longest_run": duration(1200)}}
    broken, plain_sump = lab.parts[BROKEN_SUMP], lab.parts[SPARE_SUMP]
    return [
        Walk(
            "fill_line",
            {"user": {**drain, "destination": broken}, "limits": plain},
            (("destination_invalid", "limits", {}),),
            "line of a broken sump",
            "Nursery",
        ),
        Walk(
            "fill_line",
            {"user": {**drain, "destination": plain_sump}, "limits": plain},
            (("drain_needs_pump", "limits", {}),),
            "drain of a sump",
            "Nursery",
        ),
        Walk(
            "dosing",
            {"user": {**pump, "vessel": broken}, "limits": dosing["limits"]},
            (("vessel_invalid", "limits", {}),),
            "dosing into a broken sump",
            "Nursery",
        ),
        Walk(
            "dosing",
            {
                "user": {**pump, "vessel": plain_sump},
                "limits": {**dosing["limits"], "per_day": 300},
            },
            (("ph_rise_unknown", "limits", {}),),
            "dosing into fresh water",
            "Nursery",
        ),
        Walk(
            "reservoir",
            vessel,
            (("not_written", "confirm", {"install_blueprints": True}),),
            "reservoir with blueprints",
            "Nursery",
        ),
    ]


CHANGED: Final[Mapping[str, Callable[[Lab], tuple[str, str]]]] = {
    "reservoir": lambda _: ("reservoir", "Lagoon reservoir"),
    "sump": lambda _: ("sump", "Lagoon sump"),
    "mixing vat": lambda _: ("mixing_vat", "Lagoon mixing vat"),
    "fill line": lambda lab: ("fill_line", lab.line_of("Lagoon sump")),
    "drain": lambda _: ("fill_line", "Lagoon drain"),
    "temperature watch": lambda _: ("temperature_watch", "Lagoon temperature"),
    "evaporation watch": lambda _: ("evaporation_watch", "Lagoon evaporation"),
    "salinity watch": lambda _: ("salinity_watch", "Lagoon salinity"),
    "dosing": lambda _: ("dosing", "Lagoon limewater"),
    "RO/DI unit": lambda _: ("rodi_unit", "Lagoon RO/DI unit"),
    "water change": lambda _: ("water_change", "Lagoon water change"),
}
"""Parts of the lab whose settings are opened once more: label -> kind and title."""

SYSTEM: Final = {"name": NEW, "volume": 200, "salinity": 35}
SYSTEM_CHANGES: Final[tuple[Change, ...]] = (
    ("name_empty", "user", {"name": " "}),
    ("name_taken", "user", {"name": "Lagoon"}),
    ("volume_range", "user", {"volume": 0.1}),
    ("salinity_range", "user", {"salinity": 90}),
)
