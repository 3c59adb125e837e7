"""Pictures without their empty stretches, and many of them on one sheet."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from PIL import Image, ImageDraw, ImageFont

KEPT_ROWS: Final = 24
"""Of a stretch of equal rows so many stay, px."""
SHEET_WIDTH: Final = 1560
SHEET_HEIGHT: Final = 1560
GAP: Final = 8
LABEL: Final = 16


def squeeze(file: Path) -> None:
    """Take long stretches of equal rows out of a picture."""
    with Image.open(file) as opened:
        pixels = np.asarray(opened.convert("RGB"))
    is_same = np.zeros(len(pixels), dtype=bool)
    is_same[1:] = (pixels[1:] == pixels[:-1]).all(axis=(1, 2))
    length, keep = 0, np.ones(len(pixels), dtype=bool)
    for row, same in enumerate(is_same):
        length = length + 1 if same else 0
        keep[row] = length <= KEPT_ROWS
    Image.fromarray(pixels[keep]).save(file)


def _pieces(files: Iterable[Path], width: int) -> list[tuple[str, Image.Image]]:
    """Return pictures in a width; what is higher than a sheet goes on beside it."""
    found: list[tuple[str, Image.Image]] = []
    room = SHEET_HEIGHT - LABEL
    for file in files:
        with Image.open(file) as opened:
            whole = opened.convert("RGB")
        if whole.width > width:
            height = round(whole.height * width / whole.width)
            whole = whole.resize((width, height), Image.Resampling.LANCZOS)
        for number, top in enumerate(range(0, whole.height, room)):
            label = file.stem if number == 0 else f"{file.stem} ({number + 1})"
            box = (0, top, whole.width, min(top + room, whole.height))
            found.append((label, whole.crop(box)))
    return found


def make_sheets(files: Sequence[Path], folder: Path, name: str, columns: int) -> list[Path]:
    """Lay pictures out on as many sheets as they take, each where it fits first."""
    width = (SHEET_WIDTH - GAP * (columns - 1)) // columns
    made: list[Path] = []
    sheet, tops = _empty(), [0] * columns
    font = ImageFont.load_default(size=13)
    for label, picture in _pieces(files, width):
        height = picture.height + LABEL
        fitting = [one for one, top in enumerate(tops) if top + height <= SHEET_HEIGHT]
        if not fitting:
            made.append(_save(sheet, folder, name, len(made)))
            sheet, tops, fitting = _empty(), [0] * columns, [0]
        column = fitting[0]
        place = (column * (width + GAP), tops[column])
        ImageDraw.Draw(sheet).text(place, label, fill="black", font=font)
        sheet.paste(picture, (place[0], place[1] + LABEL))
        tops[column] += height + GAP
    if any(tops):
        made.append(_save(sheet, folder, name, len(made)))
    return made


def _empty() -> Image.Image:
    return Image.new("RGB", (SHEET_WIDTH, SHEET_HEIGHT), "#b0a0c0")


def _save(sheet: Image.Image, folder: Path, name: str, number: int) -> Path:
    file = folder / f"{name}-{number + 1:02}.png"
    sheet.save(file)
    return file
