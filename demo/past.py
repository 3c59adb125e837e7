"""Days that the lab has already lived: recorded history, and what Stillwell learned from it."""

import asyncio
import json
import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from .hub import ROOT, HubClient, HubError
from .lab import FLOAT, FLOOR, STRIP, VALVE, Band
from .plant import Plant, Settings

PAST_DAYS = 8.0
HOUR_S = 3600.0
RECORD_EVERY_S = 120.0

STRIP_ATTRIBUTES = {
    "state_class": "measurement",
    "unit_of_measurement": "cm",
    "device_class": "distance",
    "friendly_name": "Lagoon strip",
}

type Report = dict[str, Any]


def live(settings: Settings, band: Band, now_s: float, ends_at_cm: float) -> list[Report]:
    """Return the reports of the past days; they end now, at a level of choice."""
    # One rehearsal tells where the days end; the bin then starts by as much higher or lower.
    start_s = now_s - PAST_DAYS * 86_400.0
    # The past was refilled by hand, lately too late for the rule.
    refill_cm = min(band.start_cm, ends_at_cm - 1.0)
    span_cm = band.full_cm - refill_cm
    used_cm = settings.use_l_per_day * PAST_DAYS * 1000.0 / settings.footprint_cm2
    first_cm = refill_cm + (ends_at_cm - refill_cm + used_cm) % span_cm
    for _ in range(3):
        plant = Plant(replace(settings, level_cm=first_cm), start_s)
        reports = list(plant.past(now_s, RECORD_EVERY_S, refill_cm, band.full_cm))
        error_cm = plant.level_cm - ends_at_cm
        if abs(error_cm) < 0.02:
            break
        first_cm = refill_cm + (first_cm - refill_cm - error_cm) % span_cm
    return reports


def record(database: Path, reports: list[Report]) -> None:
    """Write the reports into the stopped hub's recorder."""
    with sqlite3.connect(database) as connection:
        levels = ((r["t_s"], f"{r['level']:.1f}") for r in reports)
        _write(connection, STRIP, STRIP_ATTRIBUTES, levels)
        for entity, key, name in (
            (VALVE, "valve", "Lagoon valve"),
            (FLOAT, "high", "Lagoon reservoir float"),
            (FLOOR, "leak", "Lagoon floor"),
        ):
            states = ((r["t_s"], "on" if r[key] else "off") for r in reports)
            _write(connection, entity, {"friendly_name": name}, states)
    connection.close()


def _write(
    connection: sqlite3.Connection,
    entity: str,
    attributes: dict[str, str],
    states: Iterable[tuple[float, str]],
) -> None:
    cursor = connection.cursor()
    cursor.execute("INSERT OR IGNORE INTO states_meta (entity_id) VALUES (?)", (entity,))
    (meta_id,) = cursor.execute(
        "SELECT metadata_id FROM states_meta WHERE entity_id = ?", (entity,)
    ).fetchone()
    cursor.execute(
        "INSERT INTO state_attributes (hash, shared_attrs) VALUES (NULL, ?)",
        (json.dumps(attributes),),
    )
    attributes_id = cursor.lastrowid
    before: str | None = None
    before_id: int | None = None
    for t_s, state in states:
        if state != before:
            cursor.execute(
                "INSERT INTO states (state, last_updated_ts, old_state_id, attributes_id,"
                " origin_idx, metadata_id) VALUES (?, ?, ?, ?, 0, ?)",
                (state, t_s, before_id, attributes_id, meta_id),
            )
            before, before_id = state, cursor.lastrowid


def hourly(reports: list[Report]) -> list[dict[str, Any]]:
    """Return the strip's long-term statistics, as the hub would have made them."""
    hours: dict[int, list[float]] = {}
    for report in reports:
        hours.setdefault(int(report["t_s"] // HOUR_S), []).append(report["level"])
    return [
        {
            "start": datetime.fromtimestamp(hour * HOUR_S, UTC).isoformat(),
            "mean": sum(levels) / len(levels),
            "min": min(levels),
            "max": max(levels),
        }
        for hour, levels in list(hours.items())[1:-1]
    ]


async def import_statistics(hub: HubClient, reports: list[Report]) -> None:
    """Hand the hub the strip's hourly statistics."""
    await hub.call(
        "recorder/import_statistics",
        metadata={
            "has_sum": False,
            "mean_type": 1,
            "name": None,
            "source": "recorder",
            "statistic_id": STRIP,
            "unit_class": "distance",
            "unit_of_measurement": "cm",
        },
        stats=hourly(reports),
    )


def learned_file(config: Path, entry_id: str) -> Path:
    """Return where the hub keeps what Stillwell learned."""
    return config / ".storage" / f"stillwell.{entry_id}.learned"


def reservoir_data(config: Path, entry_id: str) -> tuple[str, dict[str, Any]]:
    """Return the reservoir's subentry id and settings from the stopped hub's files."""
    entries = json.loads((config / ".storage/core.config_entries").read_text())["data"]["entries"]
    for entry in entries:
        if entry["entry_id"] == entry_id:
            (subentry,) = entry["subentries"]
            return subentry["subentry_id"], subentry["data"]
    raise HubError(f"no config entry {entry_id}")


async def teach(config: Path, entry_id: str, reports: list[Report], python: str) -> None:
    """Let Stillwell live through the past, beside the stopped hub.

    A separate process takes the reports one by one, as the hub would have, and leaves the learned
    state where the hub looks for it at its start.
    """
    subentry_id, data = reservoir_data(config, entry_id)
    lesson = config.parent / "lesson.json"
    lesson.write_text(
        json.dumps(
            {
                "file": str(learned_file(config, entry_id)),
                "subentry_id": subentry_id,
                "data": data,
                "time_zone": "Europe/Berlin",
                "reports": [(r["t_s"], r["level"] / 100.0, r["valve"]) for r in reports],
            }
        )
    )
    process = await asyncio.create_subprocess_exec(
        python, "-m", "demo.lesson", str(lesson), cwd=ROOT
    )
    if await process.wait():
        raise HubError("Stillwell did not live through the past")
