"""The cell table of a job: its files as they were understood, with what was put right or left out by hand."""

from __future__ import annotations

import io
import threading
import zipfile
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.reading.pieces import WORDS
from cellmatch.cells.reading.workbook import is_workbook
from cellmatch.cells.table import COLUMN, CellTable, texts
from cellmatch.cells.understood import Reading
from cellmatch.errors import ArgumentInvalid, FileUnusable, InputError, Problem
from cellmatch.pack.chemistry import chemistry_names
from cellmatch.page.jobs import Edit, Job, JobFolder

MOST_LINES = 100_000
"""Of one file given to the page."""
MOST_UNPACKED = 60_000_000
"""[bytes] Of a workbook given to the page."""
MOST_CELLS = 20_000
"""Of one job on the page; the command line takes more."""
KEPT_TABLES = 2
EDITABLE = ("ocv_v", "capacity_mah", "ir_mohm", "rated_mah", "self_discharge_mv_per_day", "mass_g", "temperature_c")
LEFT_OUT = "left out by hand"

Key = Hashable


@dataclass(frozen=True, kw_only=True)
class Tray:
    """What could be read of a job's files.

    Parameters
    ----------
    cells : CellTable or None
        None where the files can't be read as they are.
    problems : tuple of Problem
        Why not.
    choice : bool
        A choice is all that is needed.
    """

    cells: CellTable | None
    problems: tuple[Problem, ...] = ()
    choice: bool = False

    @property
    def reading(self) -> Reading:
        """What was understood; empty where nothing was."""
        found: Reading = Reading() if self.cells is None else self.cells.attrs["reading"]
        return found


class _Kept:
    """The last few trays that were read: two jobs in turn cost no reading, a hundred no memory."""

    def __init__(self) -> None:
        self._trays: OrderedDict[Key, Tray] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Key, folder: JobFolder, job: Job) -> Tray:
        with self._lock:
            if key not in self._trays:
                self._trays[key] = _read(folder, job)
                while len(self._trays) > KEPT_TABLES:
                    self._trays.popitem(last=False)
            self._trays.move_to_end(key)
            return self._trays[key]


_KEPT = _Kept()


def tray_of(folder: JobFolder, job: Job) -> Tray:
    """Read a job's files as its choices say.

    Parameters
    ----------
    folder : JobFolder
    job : Job

    Returns
    -------
    Tray
        The table is shared: don't change it.
    """
    if not job.files:
        return Tray(cells=None)
    choices = (tuple(job.columns.items()), tuple(job.units.items()), job.decimal, job.encoding, job.repeats)
    key = (str(folder.path), job.files, choices, job.edits, tuple(job.excluded.items()))
    return _KEPT.get(key, folder, job)


def _read(folder: JobFolder, job: Job) -> Tray:
    paths = [f"{folder.tester_path(f)}{'#' + f.sheet if f.sheet else ''}" for f in job.files]
    try:
        cells = read_cells(
            *paths,
            columns={name: said for name, said in job.columns.items()},
            units=dict(job.units),
            decimal=job.decimal,
            encoding=job.encoding,
            repeats=job.repeats,
        )
    except InputError as error:
        here = f"{folder.path / 'tester'}"
        told = tuple(Problem(p.where.replace(here, "").lstrip("/\\"), p.what) for p in error.problems)
        return Tray(cells=None, problems=told, choice=not isinstance(error, FileUnusable))
    if len(cells) > MOST_CELLS:
        words = f"{len(cells)} cells; the page takes up to {MOST_CELLS}: plan a tray of this size on the command line"
        return Tray(cells=None, problems=(Problem("readings", words),))
    strange = _strange_chemistries(cells)
    if strange:
        words = f"found {', '.join(strange[:3])}; one of {', '.join(chemistry_names())} would be right"
        return Tray(cells=None, problems=(Problem("column chemistry", words),))
    return Tray(cells=put_right(cells, job))


def _strange_chemistries(cells: CellTable) -> list[str]:
    """Return stated chemistries that the package doesn't carry: a name in a file must not open another file."""
    known = chemistry_names()
    return sorted({t for t in texts(cells, "chemistry") if t.strip() and t.strip().lower() not in known})


def put_right(cells: CellTable, job: Job) -> CellTable:
    """Return the table with a job's edits and exclusions.

    A reading put in by hand takes the place of the one that could not be read, and is said so; a cell left
    out becomes one that can't be used, for the reason that was written.
    """
    edits = [edit for edit in job.edits if edit.cell in cells.index]
    excluded = {cell: why for cell, why in job.excluded.items() if cell in cells.index}
    if not edits and not excluded:
        return cells
    cells = CellTable(cells.copy())
    place = {str(cell): i for i, cell in enumerate(cells.index)}
    problems = cells["problems"].to_numpy(dtype=object).copy()
    said = []
    for edit in edits:
        i = place[edit.cell]
        before = reading_of(cells, edit.cell, edit.column)
        if edit.column not in cells.columns:
            cells[edit.column] = np.nan
        cells.iloc[i, cells.columns.get_loc(edit.column)] = edit.value  # type: ignore[index]
        problems[i] = tuple(p for p in problems[i] if f": {WORDS[edit.column]}: " not in p)
        said.append(f"{edit.cell}: {edit_words(edit, before)}")
    for cell, why in excluded.items():
        problems[place[cell]] = (*problems[place[cell]], f"{LEFT_OUT}: {why}")
    cells["problems"] = problems
    reading: Reading = cells.attrs["reading"]
    cells.attrs["reading"] = replace(reading, warnings=(*reading.warnings, *said))
    return cells


def reading_of(cells: CellTable, cell: str, column: str) -> float:
    """Return one reading of one cell, NaN where there is none."""
    if column not in cells.columns:
        return np.nan
    values: np.ndarray = cells[column].to_numpy(dtype=float)
    return float(values[list(cells.index).index(cell)])


def edit_words(edit: Edit, before: float) -> str:
    """Say what was changed by hand, and why."""
    was = "no reading" if np.isnan(before) else f"{before:g}"
    return f"{WORDS[edit.column]} put in by hand: {edit.value:g} in place of {was} ({edit.reason})"


def checked_edit(cells: CellTable, cell: str, column: str, value: Any, reason: str, at: str) -> Edit:
    """Return an edit that can be meant.

    Raises
    ------
    ArgumentInvalid
        No such cell or column, a value that can't be true, no reason.
    """
    problems = []
    if cell not in cells.index:
        problems.append(Problem(f"cell {cell}", "there is no such cell"))
    if column not in EDITABLE:
        problems.append(Problem(column, f"one of {', '.join(WORDS[c] for c in EDITABLE)} can be put in by hand"))
    elif value is None or not COLUMN[column].least <= value <= COLUMN[column].most:
        least, most = COLUMN[column].least, COLUMN[column].most
        problems.append(Problem(WORDS[column], f"a number from {least:g} to {most:g} is needed"))
    if not reason.strip():
        problems.append(Problem("reason", "write why: it stays with the cell"))
    if problems:
        raise ArgumentInvalid(problems)
    return Edit(cell=cell, column=column, value=float(value), reason=reason.strip(), at=at)


def refuse_too_long(name: str, content: bytes) -> None:
    """Refuse a file of more lines than the page takes, before anything reads it.

    Raises
    ------
    FileUnusable
    """
    lines = max(content.count(b"\n"), content.count(b"\r"))
    if lines > MOST_LINES:
        words = f"holds {lines} lines; the page takes up to {MOST_LINES}: a log goes to `cellmatch measure`"
        raise FileUnusable(Problem(name, words))
    if not content.strip():
        raise FileUnusable(Problem(name, "is empty; a heading line and a line per cell would be right"))
    if is_workbook(content):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(info.file_size for info in archive.infolist())
        if unpacked > MOST_UNPACKED:
            words = f"unpacks to {unpacked / 1e6:.0f} MB; the page takes up to {MOST_UNPACKED / 1e6:.0f} MB"
            raise FileUnusable(Problem(name, words))
