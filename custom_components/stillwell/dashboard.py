"""A dashboard of the hub's own cards for whatever systems, vessels and fill lines there are.

Laid out for a phone of 412 px; sections stand beside each other where there is room. Names come
from the entities themselves, so the hub's language and a keeper's renames show.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final

from homeassistant.config_entries import ConfigEntryState
from homeassistant.const import STATE_UNAVAILABLE, Platform
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers.translation import async_get_translations
from homeassistant.util import slugify

from .const import (
    DOMAIN,
    SUBENTRY_DOSING,
    SUBENTRY_EVAPORATION_WATCH,
    SUBENTRY_RODI_UNIT,
    SUBENTRY_SALINITY_WATCH,
    SUBENTRY_TEMPERATURE_WATCH,
    SUBENTRY_WATER_CHANGE,
)
from .daily_statistics import async_written, statistic_id
from .dashboard_cards import (
    HALF_WIDTH,
    LOOK,
    WHOLE_WIDTH,
    Card,
    Own,
    Texts,
    explanation,
    heading,
    is_of,
    is_problem,
    press,
    section,
    tile,
    unless_state,
    while_state,
)
from .dashboard_today import overdue, today
from .engine.quantities import Reason

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

    from .coordinator import System
    from .fill_line import FillLine
    from .vessel import VesselRuntime
    from .watch import Watch

ICONS: Final[Mapping[str, str]] = {
    SUBENTRY_TEMPERATURE_WATCH: "mdi:thermometer",
    SUBENTRY_RODI_UNIT: "mdi:filter",
    SUBENTRY_DOSING: "mdi:eyedropper",
    SUBENTRY_EVAPORATION_WATCH: "mdi:waves-arrow-up",
    SUBENTRY_SALINITY_WATCH: "mdi:shaker-outline",
    SUBENTRY_WATER_CHANGE: "mdi:water-sync",
}
"""What stands before the title of a watch, by its kind."""
WEEK_DAYS: Final = 7
TREND_HOURS: Final = 24
TYPED_IN: Final = {"type": "numeric-input", "style": "buttons"}
MOST_COLUMNS: Final = 3
LONGEST_IN_HALF: Final = 16
"""Letters of a name that half a phone shows whole, wide ones as well."""
TEXT_PREFIX: Final = "dashboard_"


async def async_dashboard(
    hass: HomeAssistant, *, language: str | None = None, only: str | None = None
) -> Card:
    """Return the configuration of the dashboard, one view for each system that runs.

    In the hub's language or another; of all systems, or `only` that of an entry's id.
    """
    language = language or hass.config.language
    found = await async_get_translations(hass, language, "common", [DOMAIN])
    prefix = f"component.{DOMAIN}.common.{TEXT_PREFIX}"
    texts = {key.removeprefix(prefix): text for key, text in found.items()}
    entries = [
        entry
        for entry in hass.config_entries.async_entries(DOMAIN)
        if entry.state is ConfigEntryState.LOADED and only in (None, entry.entry_id)
    ]
    vessels = {key for entry in entries for key in entry.runtime_data.vessels}
    written = await async_written(hass, vessels)
    views = [
        _view(entry.runtime_data, _Entities(hass, entry.entry_id), texts, written)
        for entry in entries
    ]
    return {"title": texts["title"], "views": views}


class _Entities:
    """The enabled entities of one system, by vessel or line and by key."""

    def __init__(self, hass: HomeAssistant, entry_id: str) -> None:
        registry = er.async_get(hass)
        self._enabled = [
            entity
            for entity in er.async_entries_for_config_entry(registry, entry_id)
            if entity.disabled_by is None
        ]
        self._by_unique_id = {entity.unique_id: entity.entity_id for entity in self._enabled}
        self._names = {
            entity.entity_id: entity.name or entity.original_name for entity in self._enabled
        }
        self._hass = hass

    def of(self, subentry_id: str) -> Own:
        """Return the look-up of one vessel's or line's entities."""
        return lambda key: self._by_unique_id.get(f"{subentry_id}_{key}")

    def shown_of(self, subentry_id: str) -> list[er.RegistryEntry]:
        """Return what a watch shows, without its settings and what is for diagnosis only."""
        return [
            entity
            for entity in self._enabled
            if entity.config_subentry_id == subentry_id and entity.entity_category is None
        ]

    def is_short(self, entity_id: str) -> bool:
        """Return whether half a phone shows the whole name, in the hub's language or renamed."""
        name = self._names.get(entity_id)
        if name is None and (state := self._hass.states.get(entity_id)) is not None:
            name = state.name
        return len(name or entity_id) <= LONGEST_IN_HALF


def _view(system: System, entities: _Entities, texts: Texts, written: set[str]) -> Card:
    vessels = [(vessel, entities.of(vessel.subentry_id)) for vessel in system.vessels.values()]
    lines = [(line, entities.of(line.subentry_id)) for line in system.lines.values()]
    watches = [
        (watch, entities.shown_of(watch.subentry_id), entities.of(watch.subentry_id))
        for watch in system.watches.values()
    ]
    sections = [
        today(vessels, lines, [found[1:] for found in watches], system.unusable, texts),
        *(_vessel(vessel, own, texts) for vessel, own in vessels),
        *(_line(line, own, texts) for line, own in lines),
        *(_watch(watch, shown, own, texts) for watch, shown, own in watches),
        _week(vessels, texts, written),
        _tests(lines, texts),
    ]
    return {
        "title": system.entry.title,
        "path": slugify(system.entry.title, separator="-"),
        "type": "sections",
        "max_columns": MOST_COLUMNS,
        # A heading alone is no section.
        "sections": [
            {**one, "cards": _paired(one["cards"], entities.is_short)}
            for one in sections
            if len(one["cards"]) > 1
        ],
    }


def _paired(cards: list[Card], is_short: Callable[[str], bool]) -> list[Card]:
    """Leave two tiles beside each other where both are shown whole and come and go together."""
    laid: list[Card] = []
    while len(laid) < len(cards):
        left, *rest = cards[len(laid) :]
        if rest and _make_a_pair(left, rest[0], is_short):
            laid += [left, rest[0]]
        else:
            laid.append({**left, "grid_options": WHOLE_WIDTH} if _is_half(left) else left)
    return laid


def _make_a_pair(left: Card, right: Card, is_short: Callable[[str], bool]) -> bool:
    return (
        _is_half(left)
        and _is_half(right)
        and left.get("visibility") == right.get("visibility")
        and is_short(left["entity"])
        and is_short(right["entity"])
    )


def _is_half(card: Card) -> bool:
    return card.get("grid_options") == HALF_WIDTH


def _reading(source: str | None, *, is_half: bool = False) -> Card | None:
    """Return what a source says itself; without it the page would show a fault of its own."""
    is_there = unless_state(source, STATE_UNAVAILABLE)
    return tile(source, by=None, is_half=is_half, visibility=is_there)


def _vessel(vessel: VesselRuntime, own: Own, texts: Texts) -> Card:
    """How much is left, until when, and whether the sensor is believed."""
    filling, reason = while_state(own("filling"), "on"), own("signal_reason")
    trend = [{"type": "trend-graph", "hours_to_show": TREND_HOURS}]
    return section(
        heading(vessel.title, "mdi:waves", own("signal")),
        tile(own("usable_volume"), features=trend),
        *(tile(own(key), is_half=True) for key in ("refill_due_at", "use_per_day")),
        # What a mixing vat has besides.
        *(tile(own(key), is_half=True) for key in ("salt_to_add", "fresh_water_to_add")),
        *(tile(own(key), is_half=True, visibility=filling) for key in ("fill_rate", "full_at")),
        *(tile(own(key), is_half=True) for key in ("added_today", "last_fill_volume")),
        tile(own("last_fill_at"), is_half=True),
        tile(own("room_after_power_cut"), is_half=True),
        _reading(vessel.settings.source, is_half=True),
        # Reasons are sentences; half a phone would cut them. Without one there is nothing to say.
        tile(reason, visibility=unless_state(reason, Reason.NONE.value)),
        explanation(texts, "explain_vessel"),
    )


def _line(line: FillLine, own: Own, texts: Texts) -> Card:
    """Whether it may fill, what stops it, and how a person sets it free again."""
    settings = line.settings
    locked = while_state(own("lockout"), "on")
    inputs = (*settings.high_inputs, *settings.leak_inputs)
    return section(
        heading(
            line.title,
            "mdi:water-minus" if settings.is_drain else "mdi:water-plus",
            own("guard_state"),
        ),
        tile(own("lockout"), color="red"),
        tile(own("lockout_reason"), visibility=locked),
        press(own("reset"), texts["confirm_reset"], visibility=locked),
        # A tap shows the device and does not switch it: filling is the guard's business.
        tile(settings.device, by=None, is_half=True, tap_action=LOOK, icon_tap_action=LOOK),
        tile(own("permit"), is_half=True),
        *(tile(own(key)) for key in ("block_reason", "volume_24h", "run_time_24h")),
        *(tile(entity, by=None) for entity in inputs),
        tile(own("maintenance")),
        press(own("run_by_hand"), texts["confirm_hand"]),
        explanation(texts, "explain_line"),
    )


def _watch(watch: Watch, shown: list[er.RegistryEntry], own: Own, texts: Texts) -> Card:
    """What a watch measures; what is wrong stands above it, and only while it is."""
    problems = [entity for entity in shown if is_problem(entity)]
    words = [entity for entity in shown if is_of(entity, Platform.SENSOR, "enum")]
    figures = [
        entity for entity in shown if entity.domain == Platform.SENSOR and entity not in words
    ]
    answers = [
        entity
        for entity in shown
        if entity.domain in (Platform.BINARY_SENSOR, Platform.SWITCH) and entity not in problems
    ]
    numbers = [entity for entity in shown if entity.domain == Platform.NUMBER]
    buttons = [entity.entity_id for entity in shown if entity.domain == Platform.BUTTON]
    # As a lockout's: there is nothing else to reset.
    seen = {own("cut_out_reset"): {"visibility": while_state(own("cut_out_lockout"), "on")}}
    return section(
        heading(watch.title, ICONS[watch.kind]),
        *(
            tile(entity.entity_id, color="red", visibility=while_state(entity.entity_id, "on"))
            for entity in problems
        ),
        _reading(watch.measured_by),
        *(tile(entity.entity_id) for entity in words),
        *(tile(entity.entity_id, is_half=True) for entity in figures),
        # A tap shows a switch and does not move it.
        *(tile(entity.entity_id, tap_action=LOOK, icon_tap_action=LOOK) for entity in answers),
        *(tile(entity.entity_id, features=[TYPED_IN]) for entity in numbers),
        *(press(button, texts["confirm_watch"], **seen.get(button, {})) for button in buttons),
    )


def _week(vessels: list[tuple[VesselRuntime, Own]], texts: Texts, written: set[str]) -> Card:
    """Use by day, and the level, of the last week."""
    used: list[Card] = []
    for vessel, own in vessels:
        # What was learned of the days before the vessel was added, if it was asked for.
        if (past := statistic_id(vessel.subentry_id)) in written:
            used.append({"entity": past, "name": f"{vessel.title}, {texts['before']}"})
        if meter := own("total_used"):
            used.append({"entity": meter, "name": vessel.title})
    use: Card = {
        "type": "statistics-graph",
        "title": texts["graph_use"],
        "entities": used,
        "chart_type": "bar",
        "period": "day",
        "stat_types": ["change"],
        "days_to_show": WEEK_DAYS,
        "grid_options": WHOLE_WIDTH,
    }
    level: Card = {
        "type": "history-graph",
        "title": texts["graph_level"],
        "entities": [
            {"entity": vessel.settings.source, "name": vessel.title} for vessel, _ in vessels
        ],
        "hours_to_show": 24 * WEEK_DAYS,
        "grid_options": WHOLE_WIDTH,
    }
    return section(
        heading(texts["week"], "mdi:chart-bar"),
        use if used else None,
        level if vessels else None,
    )


def _tests(lines: list[tuple[FillLine, Own]], texts: Texts) -> Card:
    """When each independent input is to be tried by hand, and the note that it was."""
    cards: list[Card | None] = []
    for line, own in lines:
        for test in line.proof_tests.tests.values():
            cards.append(overdue(own, test, test.name, texts))
            cards.append(tile(own(f"proof_test_due_{test.key}")))
            cards.append(press(own(f"proof_test_passed_{test.key}"), texts["confirm_test"]))
    if any(cards):
        cards.append(explanation(texts, "explain_tests"))
    return section(heading(texts["tests"], "mdi:clipboard-check-outline"), *cards)
