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
    quoted,
    section,
    tile,
    unless_state,
    while_state,
)
from .engine.quantities import Reason, Status
from .engine.water_change import Stop

if TYPE_CHECKING:
    from .fill_line import FillLine
    from .proof_tests import ProofTest
    from .vessel import VesselRuntime

CAN_WAIT: Final = ("dose_paused", "stage_due")
"""What wants a hand, but not now."""
NOT_GOOD: Final = [status.value for status in Status if status is not Status.GOOD]
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
    cards += [
        tile(
            own("lockout_reason"),
            by="device",
            color="red",
            visibility=while_state(own("lockout"), "on"),
        )
        for _, own in lines
    ]
    for _, own in vessels:
        cards += _wrong_with_vessel(own)
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


def _wrong_with_vessel(own: Own) -> list[Card | None]:
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
