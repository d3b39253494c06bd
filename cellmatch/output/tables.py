"""The tables of a plan as CSV that a spreadsheet opens without changing anything.

Text that a spreadsheet would run as a formula, and ids that it would take for a number or a date, get a leading
apostrophe, which the reader of this package takes off again; numbers stay numbers, negative ones too.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from cellmatch.cells.reading.ids import guarded_id
from cellmatch.cells.table import INDEX_NAME
from cellmatch.plan import Plan

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def guarded(text: str) -> str:
    """Return text that no spreadsheet takes for a formula.

    Examples
    --------
    >>> guarded("=1+1"), guarded("A12")
    ("'=1+1", 'A12')
    """
    return "'" + text if text.startswith(_FORMULA_STARTS) else text


def csv_bytes(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """Return rows as UTF-8 CSV with a byte-order mark, so that spreadsheets read ids and µ right.

    Parameters
    ----------
    header : sequence of str
    rows : iterable of sequences
        Numbers, texts, tuples of text (joined by "; "), None or NaN for nothing.

    Returns
    -------
    bytes
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows([_cell_text(v) for v in row] for row in rows)
    return out.getvalue().encode("utf-8-sig")


def _cell_text(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int | np.integer):
        return str(value)
    if isinstance(value, float | np.floating):
        return f"{value:.10g}"
    if isinstance(value, tuple | list):
        return guarded("; ".join(map(str, value)))
    return guarded(str(value))


def table_csv(cells: pd.DataFrame) -> bytes:
    """Return a cell table as CSV, all its columns."""
    columns = [cells[name].tolist() for name in cells.columns]
    rows = ((guarded_id(str(cell)), *row) for cell, row in zip(cells.index, zip(*columns, strict=True), strict=True))
    return csv_bytes((INDEX_NAME, *map(str, cells.columns)), rows)


def cells_csv(plan: Plan) -> bytes:
    """Return every cell of the tray with all that was found out about it."""
    return table_csv(plan.cells)


def positions_csv(plan: Plan) -> bytes:
    """Return where each used cell sits and which end shows on the top face, in order of position."""
    used = plan.cells[plan.cells["group"] > 0].sort_values("position")
    ends = ("positive" if up else "negative" for up in used["positive_up"])
    columns = (map(guarded_id, used.index), used["group"], used["position"], used["row"], used["column"], ends)
    header = (INDEX_NAME, "group", "position", "row", "column", "end_up")
    return csv_bytes(header, zip(*columns, strict=True))


def groups_csv(plan: Plan) -> bytes:
    """Return the groups with their sums and their cells."""
    header = ("group", "capacity_mah", "ir_mohm", "ocv_min_v", "ocv_max_v", "cells")
    rows = (
        (g.group, g.capacity_mah, g.ir_mohm, g.ocv_min_v, g.ocv_max_v, guarded_id(" ".join(ids)))
        for g, ids in zip(plan.prediction.groups, plan.groups, strict=True)
    )
    return csv_bytes(header, rows)
