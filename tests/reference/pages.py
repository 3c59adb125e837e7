"""The reference pages and where they lie."""

from pathlib import Path
from typing import Final

from . import blueprints, entities

DOCS: Final = Path(__file__).parents[2] / "docs"
MADE_BY: Final = (
    "<!-- Made by script/entity-reference from the code; a change by hand is lost. -->\n\n"
)


def made() -> dict[Path, str]:
    """Return each page as the code would have it now."""
    return {
        DOCS / "entities.md": MADE_BY + entities.page(),
        DOCS / "blueprints.md": MADE_BY + blueprints.page(),
    }


def written(path: Path) -> str:
    """Return a page as it lies in the repository; empty if it does not."""
    return path.read_text("utf-8") if path.exists() else ""


def row(*cells: str) -> str:
    """Return a row of a table."""
    return "| " + " | ".join(" ".join(cell.split()).replace("|", "\\|") for cell in cells) + " |"


def table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """Return a table."""
    return "\n".join([row(*head), "|" + "---|" * len(head), *(row(*cells) for cells in rows)])
