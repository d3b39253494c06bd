"""The one table of cells: a row a cell, columns only ever added.

A stage takes the table of the stage before it and returns a new one; the :class:`typing.NewType`
names below let the type checker refuse a stage that was left out.

=================  ==================================================================
type               has been through
=================  ==================================================================
``CellTable``      reading: readings as measured, one row a cell
``ScreenedCells``  screening: + status, reasons, remarks, level_to_v, accepted
``GroupedCells``   grouping: + group; good cells have become used or spare
``PlacedCells``    placement: + position, row, column, x_mm, y_mm, positive_up
=================  ==================================================================
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NewType

import numpy as np
import pandas as pd

CellTable = NewType("CellTable", pd.DataFrame)
ScreenedCells = NewType("ScreenedCells", CellTable)
GroupedCells = NewType("GroupedCells", ScreenedCells)
PlacedCells = NewType("PlacedCells", GroupedCells)

INDEX_NAME = "cell_id"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the cell table.

    Parameters
    ----------
    name : str
        Name in code, files and the record; a measured quantity carries its unit.
    meaning : str
        In words.
    kind : str
        ``number``, ``text``, ``flag`` (True/False) or ``texts`` (a tuple of texts).
    stage : str
        ``read``, ``screen``, ``group`` or ``place``: who adds it.
    required : bool
        A file without it can't be used.
    least, most : float
        Range outside which a reading can't be true, in the column's unit; readings outside are refused
        with the text that stood there (common practice, no source).
    """

    name: str
    meaning: str
    kind: str = "number"
    stage: str = "read"
    required: bool = False
    least: float = -np.inf
    most: float = np.inf


COLUMNS: tuple[Column, ...] = (
    Column("ocv_v", "open-circuit voltage at rest", required=True, least=-6.0, most=6.0),
    Column("capacity_mah", "discharge capacity", required=True, least=0.0, most=1_000_000.0),
    Column("ir_mohm", "internal resistance, by the method in ir_method", least=0.0, most=10_000.0),
    Column("ir_method", "how the resistance was measured: ac_1khz, dc_<seconds>s, dc or unknown", "text"),
    Column("rated_mah", "rated capacity on the label", least=0.0, most=1_000_000.0),
    Column("temperature_c", "cell temperature at the readings", least=-60.0, most=120.0),
    Column("self_discharge_mv_per_day", "voltage lost at rest per day", least=-1000.0, most=1000.0),
    Column("lot", "one maker's batch, or one source", "text"),
    Column("model", "cell model", "text"),
    Column("chemistry", "cell chemistry", "text"),
    Column("tester", "which tester", "text"),
    Column("slot", "which slot of the tester", "text"),
    Column("tested_at", "when the readings were taken", "text"),
    Column("rested_h", "hours at rest before the voltage was read", least=0.0, most=1_000_000.0),
    Column("last_direction", "charged or discharged last", "text"),
    Column("mass_g", "cell mass", least=0.0, most=100_000.0),
    Column("mark", "the tester's own judgement, like OK or NG", "text"),
    Column("note", "free words", "text"),
    Column("source", "file and line the row came from", "text"),
    Column("problems", "what could not be read in this row, with line, column and text", "texts"),
    Column("status", "good or reject; after grouping used, spare or reject", "text", "screen"),
    Column("reasons", "every rule the cell breaks", "texts", "screen"),
    Column("remarks", "what to know about the cell though it may be used", "texts", "screen"),
    Column("level_to_v", "voltage the cell must be brought to before it is joined", stage="screen"),
    Column("accepted", "written reason by which a reject was let in", "text", "screen"),
    Column("group", "group, 1 at pack negative; 0 for a cell in no group", stage="group"),
    Column("position", "place in the holder, counted from 1; 0 for none", stage="place"),
    Column("row", "row in the holder", stage="place"),
    Column("column", "place in its row", stage="place"),
    Column("x_mm", "across the holder, seen from the top", stage="place"),
    Column("y_mm", "down the holder, seen from the top", stage="place"),
    Column("positive_up", "the positive end shows on the top face", "flag", "place"),
)

COLUMN: dict[str, Column] = {column.name: column for column in COLUMNS}


def columns_of(stage: str) -> tuple[str, ...]:
    """Return the names of the columns that `stage` adds, in their order."""
    return tuple(column.name for column in COLUMNS if column.stage == stage)


def cell_table(rows: Mapping[str, Iterable[object]] | pd.DataFrame, ids: Iterable[str] | None = None) -> CellTable:
    """Make a cell table from readings at hand, with the types that the stages rely on.

    Parameters
    ----------
    rows : mapping of column name to values, or DataFrame
        At least ``ocv_v`` and ``capacity_mah``; any other column of :data:`COLUMNS`, and columns of your
        own, which are kept.
    ids : iterable of str, optional
        Cell ids; without them the frame's index, read as text.

    Returns
    -------
    CellTable
        Index ``cell_id`` (text, unique), numbers as float64, text as str with missing as None.

    Raises
    ------
    ValueError
        An id stands twice, is empty, or a required column is missing.

    Examples
    --------
    >>> cells = cell_table({"ocv_v": [3.61, 3.60], "capacity_mah": [2510, 2495]}, ids=["A1", "A2"])
    >>> float(cells.loc["A1", "capacity_mah"])
    2510.0
    """
    frame = pd.DataFrame(rows)
    if ids is not None:
        frame.index = pd.Index(list(ids))
    frame.index = pd.Index([str(i) for i in frame.index], dtype=object, name=INDEX_NAME)
    if frame.index.has_duplicates:
        twice = frame.index[frame.index.duplicated()][0]
        raise ValueError(f"cell id {twice!r} stands more than once; ids must be unique")
    if (frame.index == "").any():
        raise ValueError("a cell has an empty id")
    for name in (c.name for c in COLUMNS if c.required):
        if name not in frame.columns:
            raise ValueError(f"column {name} is missing; present: {', '.join(map(str, frame.columns))}")
    for name in frame.columns.intersection([c.name for c in COLUMNS if c.kind == "number"]):
        frame[name] = pd.to_numeric(frame[name]).astype("float64")
    for name in frame.columns:
        # one type for all text, a user's own columns too: the record gives back what went in
        if not pd.api.types.is_numeric_dtype(frame[name].dtype):
            column = frame[name].astype(object)
            frame[name] = column.where(column.notna(), None)
    return CellTable(frame)


def resistances_mohm(cells: pd.DataFrame) -> np.ndarray:
    """Return the resistance of each cell, NaN where none was given.

    Returns
    -------
    ndarray of float, shape (n,)
        [mohm]
    """
    if "ir_mohm" not in cells.columns:
        return np.full(len(cells), np.nan)
    return cells["ir_mohm"].to_numpy(dtype=float)


def texts(cells: pd.DataFrame, name: str) -> np.ndarray:
    """Return a text column as an object array, empty text where nothing was given.

    Returns
    -------
    ndarray of object, shape (n,)
    """
    if name not in cells.columns:
        return np.full(len(cells), "", dtype=object)
    column = cells[name].astype(object)
    return column.where(column.notna(), "").to_numpy(dtype=object)
