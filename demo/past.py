"""Days that the lab has already lived, as the hub's recorder would have kept them."""

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from .hub import HubClient
from .lab import Tank
from .plant import Plant

PAST_DAYS = 8.0
HOUR_S = 3600.0
RECORD_EVERY_S = 120.0

type Report = dict[str, Any]


def live(tank: Tank, now_s: float) -> list[Report]:
    """Return the reports of a tank's past days; they end now, at the level it asks for."""
    # One rehearsal tells where the days end; the bin then starts by as much higher or lower.
    band, settings = tank.band, tank.plant
    start_s = now_s - PAST_DAYS * 86_400.0
    span_cm = band.full_cm - band.start_cm
    used_cm = settings.use_l_per_day * PAST_DAYS * 1000.0 / settings.footprint_cm2
    first_cm = band.start_cm + (tank.ends_at_cm - band.start_cm + used_cm) % span_cm
    for _ in range(3):
        plant = Plant(replace(settings, level_cm=first_cm), start_s)
        reports = list(plant.past(now_s, RECORD_EVERY_S, band.start_cm, band.full_cm))
        error_cm = plant.level_cm - tank.ends_at_cm
        if abs(error_cm) < 0.02:
            break
        first_cm = band.start_cm + (first_cm - band.start_cm - error_cm) % span_cm
    return reports


def record(database: Path, tank: Tank, reports: list[Report]) -> None:
    """Write the reports into the stopped hub's recorder."""
    with sqlite3.connect(database) as connection:
        levels = ((r["t_s"], f"{r['level']:.1f}") for r in reports)
        _write(connection, tank.strip, _strip_attributes(tank), levels)
        for entity, key, name in (
            (tank.valve, "valve", f"{tank.name} valve"),
            (tank.float_switch, "high", f"{tank.name} reservoir float"),
            (tank.floor, "leak", f"{tank.name} floor"),
        ):
            states = ((r["t_s"], "on" if r[key] else "off") for r in reports)
            _write(connection, entity, {"friendly_name": name}, states)
    connection.close()


def _strip_attributes(tank: Tank) -> dict[str, str]:
    return {
        "state_class": "measurement",
        "unit_of_measurement": "cm",
        "device_class": "distance",
        "friendly_name": f"{tank.name} strip",
    }


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


async def import_statistics(hub: HubClient, tank: Tank, reports: list[Report]) -> None:
    """Hand the hub the strip's hourly statistics."""
    await hub.call(
        "recorder/import_statistics",
        metadata={
            "has_sum": False,
            "mean_type": 1,
            "name": None,
            "source": "recorder",
            "statistic_id": tank.strip,
            "unit_class": "distance",
            "unit_of_measurement": "cm",
        },
        stats=hourly(reports),
    )
