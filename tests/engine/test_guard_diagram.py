"""The page about the guard's states follows the table."""

from custom_components.stillwell.engine.guard_table import MOVES
from tests.proof.diagram import PAGE, page


def test_the_page_is_what_the_table_says() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run: python -m tests.proof.diagram"


def test_the_page_shows_every_move() -> None:
    text = page()
    for phase, moves in MOVES.items():
        for cue, to in moves.items():
            named = cue.value.replace("_", " ")
            shown = any(
                line.strip().startswith(f"{phase.value} --> {to.value}:") and named in line
                for line in text.splitlines()
            )
            assert shown or f"| {cue.value} |" in text
