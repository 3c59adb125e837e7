"""The first section of the dashboard: what is wrong, only while it is so, and then the day."""

from typing import TYPE_CHECKING, Final

from homeassistant.helpers import entity_registry as er

from .dashboard_cards import (
    WHOSE,
    Card,
    Own,
    Texts,
    alert,
    heading,
    is_problem,
    press,
    quoted,
    section,
    tile,
    unless_state,
    while_state,
)
from .engine.guard_events import TripReason
from .engine.quantities import Reason, Status
from .engine.water_change import Stop

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from .fill_line import FillLine
    from .proof_tests import ProofTest
    from .vessel import VesselRuntime

CAN_WAIT: Final = ("dose_paused", "stage_due")
"""What wants a hand, but not now."""
NOT_GOOD: Final = [status.value for status in Status if status is not Status.GOOD]
WATER_RUNS: Final = [TripReason.STUCK_ON.value, TripReason.FLOW_WHILE_OFF.value]
"""Lockouts in which no command helps."""
WET: Final = [TripReason.HIGH_INPUT.value, TripReason.LEAK.value]
"""Lockouts whose reset is refused until an input is off again."""
ENDED_EARLY: Final = [stop.value for stop in Stop if stop is not Stop.NONE]


def today(
    vessels: list[tuple[VesselRuntime, Own]],
    lines: list[tuple[FillLine, Own]],
    watches: list[tuple[list[er.RegistryEntry], Own]],
    unusable: list[str],
    texts: Texts,
) -> Card:
    """Return what a keeper wants to know first; what is wrong stands above all of it.

    Args:
        vessels: Each with the look-up of its entities.
        lines: The same.
        watches: What each shows, and the look-up of its entities.
        unusable: Titles of what does not run, since its settings cannot be used.
        texts: Words of the dashboard.
    """
    cards: list[Card | None] = [
        alert(texts["unusable"].format(title=quoted(title)), kind="error") for title in unusable
    ]
    for _, own in lines:
        cards += _wrong_with_line(own, texts)
    for _, own in vessels:
        cards += _wrong_with_vessel(own, texts)
    for shown, own in watches:
        cards += _wrong_with_watch(shown, own)
    cards += [
        overdue(own, test, f"{line.title}, {test.name}", texts)
        for line, own in lines
        for test in line.proof_tests.tests.values()
    ]
    for _, own in vessels:
        gauge = [{"type": "bar-gauge", "min": 0, "max": 100}]
        cards.append(tile(own("fill"), by="device", features=gauge))
        filling = while_state(own("filling"), "on")
        cards += [
            tile(own(key), is_half=True, visibility=filling) for key in ("full_at", "fill_rate")
        ]
        cards += [tile(own(key), is_half=True) for key in ("empty_at", "used_today")]
    return section(heading(texts["today"], "mdi:calendar-today"), *cards)


def overdue(own: Own, test: ProofTest, name: str, texts: Texts) -> Card | None:
    """Return the words that a proof test is overdue, there only while it is.

    No condition of a card compares dates, so the page's template does.
    """
    if (due := own(f"proof_test_due_{test.key}")) is None:
        return None
    is_over = f"has_value('{due}') and as_datetime(states('{due}')) < now()"
    return alert(texts["overdue"].format(input=quoted(name)), only_if=is_over)


def _wrong_with_line(own: Own, texts: Texts) -> list[Card | None]:
    """Return why a line is locked out, what to do now, and the reset."""
    reason, locked = own("lockout_reason"), while_state(own("lockout"), "on")
    return [
        tile(reason, by="device", color="red", visibility=locked),
        *_next(reason, locked, texts, {"water": WATER_RUNS, "wet": WET}, otherwise="look"),
        press(own("reset"), texts["confirm_reset"], by=None, name=WHOSE, visibility=locked),
    ]


def _next(
    reason: str | None,
    is_wrong: list[Card],
    texts: Texts,
    steps: Mapping[str, Sequence[str]],
    *,
    otherwise: str,
) -> list[Card]:
    """Return what to do now, by the states of a reason; of all these texts one is seen at most."""
    if reason is None or not is_wrong:
        return []
    named = [state for states in steps.values() for state in states]
    seen = {key: while_state(reason, *states) for key, states in steps.items()}
    seen[otherwise] = unless_state(reason, *named)
    return [
        alert(texts[f"next_{key}"], kind="error" if key == "water" else "warning")
        | {"visibility": is_wrong + condition}
        for key, condition in seen.items()
    ]


def _wrong_with_vessel(own: Own, texts: Texts) -> list[Card | None]:
    loss, floods = own("unexplained_loss"), own("power_cut_floods")
    signal, reason = own("signal"), own("signal_reason")
    is_doubtful = while_state(signal, *NOT_GOOD)
    has_reason = unless_state(reason, Reason.NONE.value)
    return [
        tile(loss, by=None, name=WHOSE, color="orange", visibility=while_state(loss, "on")),
        tile(floods, by=None, name=WHOSE, color="red", visibility=while_state(floods, "on")),
        # What is shown below of this vessel is held, or not to be relied on.
        tile(signal, by=None, name=WHOSE, color="orange", visibility=is_doubtful),
        tile(reason, by=None, name=WHOSE, visibility=is_doubtful + has_reason),
        *_next(
            reason,
            while_state(signal, Status.FAILURE.value),
            texts,
            {"zero": [Reason.ZERO_NOT_EMPTY.value]},
            otherwise="signal",
        ),
    ]


def _wrong_with_watch(shown: list[er.RegistryEntry], own: Own) -> list[Card | None]:
    can_wait = [own(key) for key in CAN_WAIT]
    wrong = [entity.entity_id for entity in shown if is_problem(entity)]
    # A circuit that must be off is no defect of its own, but nobody should miss it.
    if (cut_out := own("cut_out")) is not None:
        wrong.append(cut_out)
    why = own("water_change_stop")
    return [
        *(
            tile(
                entity,
                by=None,
                name=WHOSE,
                color="orange" if entity in can_wait else "red",
                visibility=while_state(entity, "on"),
            )
            for entity in wrong
        ),
        tile(why, by=None, name=WHOSE, color="orange", visibility=while_state(why, *ENDED_EARLY)),
    ]
