"""What a file is, when it is not a table with a line per cell: a log, a table on its side, loose numbers."""

from __future__ import annotations

from collections.abc import Sequence

from cellmatch.cells.reading.headers import Heading, running_number
from cellmatch.cells.reading.layout import HEAD_ROWS, heading_of, is_number
from cellmatch.cells.reading.numbers import SPACES
from cellmatch.errors import FileUnusable, Problem

_READINGS = ("ocv_v", "capacity_mah", "ir_mohm")


def log_heading(rows: Sequence[Sequence[str]]) -> int:
    """Return the index of a row that heads a time log, -1 for none."""
    for index, row in enumerate(rows[:HEAD_ROWS]):
        if any(map(is_number, row)):  # first, as it is quick and nearly every row has one
            continue
        headings = [heading_of(f) for f in row if f.strip(SPACES)]
        if len(headings) >= 2 and is_log(headings):
            return index
    return -1


def runs_on(row: Sequence[str]) -> bool:
    """Tell whether a row of otherwise unknown headings names a running time, step or cycle and more of a log."""
    roles = {role for f in row if f.strip(SPACES) for role in heading_of(f).roles}
    return len(roles) >= 2 and bool(roles & {"time", "step", "cycle"})


def is_log(headings: Sequence[Heading]) -> bool:
    """Tell whether the headings are those of a log of one test: time or steps with voltage or current, no cell."""
    roles = {role for h in headings for role in h.roles}
    running = bool(roles & {"time", "step"})
    electric = {"voltage", "current"} <= roles or "current" in roles or ("voltage" in roles and "time" in roles)
    best_id = min((h.rank for h in headings if h.name == "cell_id"), default=9)
    surely_cells = best_id <= 2 and any(h.name in _READINGS and h.rank <= 1 for h in headings)
    ends = any(h.name in ("ocv_v", "ir_mohm") and h.rank <= 1 for h in headings) and best_id < 9
    return running and electric and not surely_cells and not (ends and "step" not in roles)


def rows_per_cell(rows: Sequence[Sequence[str]], header: int) -> float:
    """Return how many rows stand for each id below the headings, 0 where no heading surely names the cell."""
    ids = [i for i, f in enumerate(rows[header]) if heading_of(f).name == "cell_id" and heading_of(f).rank <= 2]
    if not ids:
        return 0.0
    texts = [row[ids[0]].strip(SPACES) for row in rows[header + 1 :] if len(row) > ids[0]]
    return len(texts) / len(set(texts)) if texts else 0.0


def log_found(file: str, line: int, row: Sequence[str]) -> FileUnusable:
    """Return the error for a log."""
    names = ", ".join(f.strip(SPACES) for f in row if f.strip(SPACES))
    return FileUnusable(
        Problem(
            f"{file} line {line}",
            f"this is a log of one cell over time (headings: {names[:120]}), not a per-cell table with a line for each "
            "cell; `cellmatch measure LOG… --out cells.csv` makes a per-cell table from logs",
        )
    )


def _quantity_of(row: Sequence[str]) -> str:
    """Return the column that the first field of a row names."""
    return "" if len(row) < 2 or is_number(row[0]) else _quantity(row[0])


def _quantity(field: str) -> str:
    """Return the column that a field names, where it is no numbered one like the ids R1 and Z1."""
    heading = heading_of(field)
    return "" if running_number(heading) else heading.name


def lies_on_its_side(rows: Sequence[Sequence[str]]) -> tuple[int, int] | None:
    """Return first and last row (inclusive) of a table that has a column per cell and a row per quantity.

    The first row holds the ids; its own first field need not say so.
    """
    names = [_quantity_of(row) for row in rows[:HEAD_ROWS]]
    readings = [i for i, name in enumerate(names) if name in _READINGS and any(map(is_number, rows[i][1:]))]
    if len({names[i] for i in readings}) < 2:
        return None
    ids = [i for i in range(readings[0]) if names[i] == "cell_id"] or [
        i for i in range(readings[0]) if _may_head(rows[i], rows[readings[0]]) and not names[i]
    ]
    if not ids or any(_quantity(f) in _READINGS for f in rows[ids[-1]][1:] if f.strip(SPACES)):
        return None
    width = len(rows[readings[0]])
    if any(len(row) == width and any(map(is_number, row[1:])) for row in rows[: ids[-1]]):
        return None  # cells of an ordinary table that are called like quantities
    last = readings[-1]
    while last + 1 < len(names) and names[last + 1] and any(f.strip(SPACES) for f in rows[last + 1][1:]):
        last += 1
    return ids[-1], last


def _width(row: Sequence[str]) -> int:
    """Return the number of fields up to the last one that holds something."""
    return max((i for i, f in enumerate(row, start=1) if f.strip(SPACES)), default=0)


def _may_head(row: Sequence[str], readings: Sequence[str]) -> bool:
    """Tell whether a row may hold the ids above a row of readings: one for each, and just one above one."""
    width = _width(readings)
    return _width(row) >= width if width > 2 else _width(row) == width


def turned(rows: Sequence[Sequence[str]], first: int, last: int) -> list[list[str]]:
    """Return the rows first to last with rows and columns exchanged."""
    block = [row for row in rows[first : last + 1] if any(f.strip(SPACES) for f in row)]
    width = max(len(row) for row in block)
    columns = [[row[i] if i < len(row) else "" for row in block] for i in range(width)]
    if heading_of(columns[0][0]).name != "cell_id":
        columns[0][0] = "cell id"
    return columns


def no_header(file: str, rows: Sequence[Sequence[str]], lines: Sequence[int]) -> FileUnusable:
    """Return the error for a file without a row of headings that names what is needed."""
    filled = [(row, line) for row, line in zip(rows, lines, strict=False) if any(f.strip(SPACES) for f in row)]
    if not filled:
        return FileUnusable(Problem(file, "holds no rows; a heading line and a line per cell would be right"))
    first, line = filled[0]
    shown = ", ".join(f.strip(SPACES) for f in first if f.strip(SPACES))[:80]
    given = [f for f in first if f.strip(SPACES)]
    kind = "is numbers" if given and all(map(is_number, given)) else "names no column that is known"
    counts = sorted({sum(bool(f.strip(SPACES)) for f in row) for row, _ in filled[:HEAD_ROWS]})
    within = f" in the first {HEAD_ROWS} rows" if len(rows) > HEAD_ROWS else ""
    values = f"{counts[0]} to {counts[-1]} values" if len(counts) > 1 else f"{counts[0]} values"
    return FileUnusable(
        Problem(
            f"{file} line {line}",
            f"no header row found{within} (line {line} {kind}: {shown}), so no cell id column either; "
            f"the rows have {values}; "
            "a first line like cell_id,ocv_v,capacity_mah,ir_mohm would be right, or say which column is which: "
            "--columns cell_id=1,ocv_v=2,capacity_mah=3 (a log of one cell: `cellmatch measure`)",
        )
    )
