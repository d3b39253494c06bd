"""Tables that stand side by side under the same headings, as people write them to fill a page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from cellmatch.cells.reading.headers import key, read_heading
from cellmatch.cells.reading.numbers import SPACES

if TYPE_CHECKING:
    from cellmatch.cells.reading.layout import Sheet


def width_of_one(names: Sequence[str]) -> int:
    """Return how many columns one table has where the same headings stand several times side by side.

    Examples
    --------
    >>> width_of_one(["Cell", "OCV", "Cap", "", "Cell", "OCV", "Cap"]), width_of_one(["Cell", "OCV", "OCV"])
    (4, 3)
    """
    again = [i for i, name in enumerate(names) if i and key(name) == key(names[0])]
    if not again or read_heading(names[0]).name != "cell_id" or read_heading(names[0]).rank > 2:
        return len(names)
    width = again[0]
    blocks = [[key(n) for n in names[i : i + width]] for i in range(0, len(names), width)]
    first = blocks[0]
    alike = all(block + first[len(block) :] == first and len(block) >= len(blocks[-1]) for block in blocks)
    return width if alike and not any(first[len(blocks[-1]) :]) else len(names)


def stack(sheet: Sheet, width: int) -> None:
    """Put tables that stand side by side under the same headings one below the other."""
    rows: list[list[str]] = []
    lines: list[int] = []
    odd: dict[int, str] = {}
    total = len(sheet.headings)
    for begin in range(0, total, width):
        for i, row in enumerate(sheet.rows):
            part = row[begin : begin + width]
            if any(f.strip(SPACES) for f in part):
                if i in sheet.odd:
                    odd[len(rows)] = sheet.odd[i]
                rows.append(part + [""] * (width - len(part)))
                lines.append(sheet.lines[i])
    sheet.assumptions.append(
        f"{sheet.head}: the headings stand {-(-total // width)} times side by side; the tables were put one below "
        "the other"
    )
    sheet.headings, sheet.units = sheet.headings[:width], sheet.units[:width]
    sheet.rows, sheet.lines, sheet.odd = rows, lines, odd
