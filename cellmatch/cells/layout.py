"""From rows to one table: where the headings stand, what is above, between and below the cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from cellmatch.cells.headers import Heading, read_heading
from cellmatch.cells.numbers import SPACES, parse_number
from cellmatch.cells.understood import Fact
from cellmatch.cells.units import Unit, unit_of

HEAD_ROWS = 300
"""Rows in which headings are looked for."""

_KEY = ("cell_id", "ocv_v", "capacity_mah", "ir_mohm")

heading_of = lru_cache(maxsize=4096)(read_heading)


@dataclass(slots=True)
class Sheet:
    """One table as text: its headings and columns, and what stood around it.

    Parameters
    ----------
    file : str
    headings : list of Heading
    header_line : int
    columns : list of sequence of str
        One per heading, the text of each row.
    lines : sequence of int
        Line of each row.
    odd : dict of row index to str
        Why the values of a row can't be told to columns.
    units : list of Unit or None
        Units row; empty where there is none.
    """

    file: str
    headings: list[Heading]
    header_line: int
    columns: list[Sequence[str]]
    lines: Sequence[int]
    odd: dict[int, str] = field(default_factory=dict)
    units: list[Unit | None] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    comments: list[Fact] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)
    turned: bool = False


def is_number(text: str) -> bool:
    """Tell whether `text` is a number under either decimal sign."""
    return not parse_number(text).fault or not parse_number(text, ",").fault


def header_score(row: Sequence[str]) -> tuple[int, int]:
    """Return how many key columns and how many columns in all the fields of `row` name."""
    fields = [f for f in row if f.strip(SPACES)]
    if len(fields) < 2:
        return 0, 0
    names = {h.name for h in map(heading_of, fields) if h.name}
    if sum(map(is_number, fields)) >= len(names):
        return 0, 0
    return len(names.intersection(_KEY)), len(names)


def find_header(rows: Sequence[Sequence[str]]) -> tuple[tuple[int, int], int]:
    """Return the best score and the index of the row that has it, -1 for none."""
    best, where = (0, 0), -1
    for index, row in enumerate(rows[:HEAD_ROWS]):
        score = header_score(row)
        if score > best and sum(score) >= 3:
            best, where = score, index
    return best, where


def lay_out(file: str, rows: list[list[str]], lines: Sequence[int], header: int) -> Sheet:
    """Make a sheet of the rows, the headings being row `header`."""
    names = [f.strip(SPACES) for f in rows[header]]
    while names and not names[-1]:
        names.pop()
    width = len(names)
    sheet = Sheet(file, [heading_of(n) for n in names], lines[header], [], [])
    for row, line in zip(rows[:header], lines, strict=False):
        _above(sheet, row, line)
    start = header + 1
    while start < len(rows) and not any(rows[start]):
        start += 1
    if start < len(rows) and _is_units_row(rows[start], sheet.headings):
        sheet.units = [unit_of(f.strip(SPACES).strip("()[]")) for f in rows[start]][:width]
        sheet.units += [None] * (width - len(sheet.units))
        start += 1
    kept, at = [], []
    first = rows[header][0]
    odd_starts = frozenset(("", "#", "/", "%", "!", " ", "\t", "\u00a0"))
    for row, line in zip(rows[start:], lines[start:], strict=True):
        if len(row) == width and row[0][:1] not in odd_starts and row[0] != first:
            kept.append(row)
            at.append(line)
            continue
        fields = _fitted(sheet, row, line, width, len(kept), rows[header])
        if fields is not None:
            kept.append(fields)
            at.append(line)
    sheet.columns = list(zip(*kept, strict=True)) if kept else [() for _ in names]
    sheet.lines = at
    return sheet


def _above(sheet: Sheet, row: Sequence[str], line: int) -> None:
    fields = [f.strip(SPACES) for f in row]
    if not any(fields):
        return
    if fields[0].startswith("#") or len([f for f in fields if f]) == 1:
        text = ", ".join(f for f in fields if f)
        sheet.comments.append(Fact(file=sheet.file, line=line, key="", value=text))
        return
    sheet.facts.append(Fact(file=sheet.file, line=line, key=fields[0], value=", ".join(f for f in fields[1:] if f)))


def _is_units_row(row: Sequence[str], headings: Sequence[Heading]) -> bool:
    fields = [f.strip(SPACES).strip("()[]") for f in row]
    known = sum(unit_of(f) is not None for f in fields if f)
    return known >= 1 and all(f in ("", "-", "–", "--", "/") or unit_of(f) is not None for f in fields[1:]) and known >= 2


def _fitted(
    sheet: Sheet, row: list[str], line: int, width: int, index: int, header: list[str]
) -> list[str] | None:
    """Return an unusual row brought to `width` fields, None where it is no cell."""
    fields = [f.strip(SPACES) for f in row]
    filled = [f for f in fields if f]
    if not filled or row == header:
        return None
    if fields[0].startswith(("#", "//", "%", "!")) and (len(filled) == 1 or (fields[0][1:2] == " " and len(row) != width)):
        if width > 1:
            sheet.comments.append(Fact(file=sheet.file, line=line, key="", value=", ".join(filled)))
            return None
    while len(fields) > width and not fields[-1]:
        fields.pop()
    if len(fields) == width:
        return fields
    sheet.odd[index] = f"the row has {len(fields)} values where the headings name {width} columns"
    return (fields + [""] * width)[:width]
