"""Reading cell tables: from the files that testers and people write to the one table of cells."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cellmatch.cells.assign import Assignment, assign
from cellmatch.cells.delimited import DELIMITERS, agreement, split_rows
from cellmatch.cells.encodings import decode
from cellmatch.cells.ids import cleaned
from cellmatch.cells.layout import HEAD_ROWS, Sheet, find_header, lay_out
from cellmatch.cells.marks import judged
from cellmatch.cells.numbers import Decimal
from cellmatch.cells.quantities import Measured, TextColumn, measure
from cellmatch.cells.repeats import RepeatRule, combined
from cellmatch.cells.table import COLUMN, CellTable, cell_table, columns_of
from cellmatch.cells.understood import ColumnRead, FileRead, Reading
from cellmatch.cells.units import QUANTITY, Unit, unit_of, units_for
from cellmatch.errors import ArgumentInvalid, FileAmbiguous, FileUnusable, InputError, Problem, nearest_name

WORDS = {"ocv_v": "open-circuit voltage", "capacity_mah": "capacity", "ir_mohm": "resistance"}


@dataclass(frozen=True, slots=True)
class Request:
    """What the user said about the files."""

    columns: Mapping[str, str | int]
    units: Mapping[str, Unit]
    decimal: Decimal | None
    encoding: str | None


@dataclass(slots=True)
class Piece:
    """The cells of one file."""

    file: FileRead
    columns: tuple[ColumnRead, ...]
    frame: pd.DataFrame
    faults: list[tuple[int, Problem]]
    steps: dict[str, float]
    sheet: Sheet
    assumptions: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)


def read_cells(
    *paths: str | PathLike[str],
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
    decimal: str | None = None,
    encoding: str | None = None,
    repeats: str = "median",
    strict: bool = False,
) -> CellTable:
    """Read one or several cell tables into one, in file order, cells that can't be read included.

    Parameters
    ----------
    *paths : path
        CSV, TSV or text files. A cell may have its readings in several of them.
    columns : mapping of our column name to heading or column number, optional
        Where a heading is not understood, or two may be meant. Numbers count from 1.
    units : mapping of our column name to unit, optional
        Where a file gives none, or a wrong one.
    decimal : "." or ",", optional
    encoding : str, optional
    repeats : "median", "newest" or "refuse"
        What to do with a cell that stands on several rows.
    strict : bool
        Stop at the first run with every row that can't be read, instead of leaving those cells out.

    Returns
    -------
    CellTable
        ``problems`` holds, for each cell, what could not be read; ``.attrs["reading"]`` is the
        :class:`~cellmatch.cells.understood.Reading`.

    Raises
    ------
    FileUnusable
        A file is not there, is no cell table, or has rows that can't be read and `strict` is set.
    FileAmbiguous
        A file can be read in two ways; the message names the options to choose with.
    ArgumentInvalid
        An argument that can't be meant.
    """
    request = _request(columns, units, decimal, encoding, repeats)
    if not paths:
        raise ArgumentInvalid(Problem("CELLS", "no file was given"))
    pieces, errors = [], []
    for path in paths:
        try:
            pieces.append(_read_file(Path(path), request))
        except ArgumentInvalid:
            raise
        except InputError as error:
            errors.append(error)
    if errors:
        problems = [p for e in errors for p in e.problems]
        kind = FileAmbiguous if all(isinstance(e, FileAmbiguous) for e in errors) else FileUnusable
        raise kind(problems)
    return _joined(pieces, cast(RepeatRule, repeats), strict)


def _request(
    columns: Mapping[str, str | int] | None,
    units: Mapping[str, str] | None,
    decimal: str | None,
    encoding: str | None,
    repeats: str,
) -> Request:
    problems = []
    names = ["cell_id", *columns_of("read")]
    for name in columns or {}:
        if name not in names:
            problems.append(Problem(f"--columns {name}", nearest_name(name, names)))
    known: dict[str, Unit] = {}
    for name, text in (units or {}).items():
        unit = unit_of(str(text))
        if name not in QUANTITY:
            problems.append(Problem(f"--units {name}", nearest_name(name, QUANTITY)))
        elif unit not in units_for(name) or unit is None:
            right = ", ".join(u.symbol for u in units_for(name))
            problems.append(Problem(f"--units {name}={text}", f"right would be one of {right}"))
        else:
            known[name] = unit
    if decimal not in (None, ".", ","):
        problems.append(Problem(f"--decimal {decimal}", "right would be . or ,"))
    if repeats not in ("median", "newest", "refuse"):
        problems.append(Problem(f"--repeats {repeats}", "right would be median, newest or refuse"))
    if problems:
        raise ArgumentInvalid(problems)
    return Request(columns or {}, known, cast("Decimal | None", decimal), encoding)


def _data(path: Path) -> bytes:
    where = str(path)
    if path.is_dir():
        raise FileUnusable(Problem(where, "is a folder; give the file with the cells"))
    if not path.exists():
        folder = path.parent
        near = nearest_name(path.name, [p.name for p in folder.iterdir() if p.is_file()]) if folder.is_dir() else f"there is no folder {folder}"
        raise FileUnusable(Problem(where, f"no such file; {near}"))
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileUnusable(Problem(where, f"can't be read: {error.strerror}")) from None
    if not data.strip():
        raise FileUnusable(Problem(where, "is empty; a heading line and one line per cell would be right"))
    return data


def _read_file(path: Path, request: Request) -> Piece:
    data = _data(path)
    decoded = decode(data, path.name, request.encoding)
    rows, lines, delimiter, header = _best_rows(decoded.text, path.name)
    if header < 0:
        raise FileUnusable(Problem(path.name, "no header row found, so no cell id column; a first line like cell_id,ocv_v,capacity_mah,ir_mohm would be right"))
    sheet = lay_out(path.name, rows, lines, header)
    del rows
    if not len(sheet.lines):
        raise FileUnusable(Problem(f"{path.name} line {sheet.header_line}", "a heading, but no cell below it"))
    assignment = assign(sheet, request.columns)
    if decoded.assumption:
        sheet.assumptions.append(decoded.assumption)
    return _interpreted(
        sheet, assignment, request, hashlib.sha256(data).hexdigest(), decoded.encoding, "tab" if delimiter == "\t" else delimiter
    )


def _best_rows(text: str, name: str) -> tuple[list[list[str]], object, str, int]:
    head = "\n".join(text.split("\n", HEAD_ROWS)[:HEAD_ROWS])
    votes = []
    for delimiter in DELIMITERS:
        rows, _ = split_rows(head, delimiter, name)
        score, header = find_header(rows)
        votes.append((score, agreement(rows), delimiter, header))
    _, _, delimiter, header = max(votes, key=lambda v: (v[0], v[1]))
    rows, lines = split_rows(text, delimiter, name)
    return rows, lines, delimiter, header


def _interpreted(
    sheet: Sheet, assignment: Assignment, request: Request, sha256: str, encoding: str, delimiter: str
) -> Piece:
    places = assignment.places
    problems = [
        Problem(
            f"{sheet.file} line {sheet.header_line}",
            f"no {what} column; headings found: {', '.join(h.text for h in sheet.headings)}; name it with --columns {name}=…",
        )
        for name, what in (("cell_id", "cell id"), ("ocv_v", "voltage"), ("capacity_mah", "capacity"))
        if name not in places
    ]
    if problems:
        raise FileUnusable(problems)
    decimal: Decimal = request.decimal or "."
    measured = {
        name: measure(
            TextColumn.of(name, place + 1, sheet.headings[place], sheet.columns[place]),
            decimal,
            request.units.get(name),
            sheet.units[place] if sheet.units else None,
        )
        for name, place in places.items()
        if name in QUANTITY
    }
    questions = [
        Problem(f"{sheet.file} column {m.column.number} '{m.column.heading.text}'", m.question) for m in measured.values() if m.question
    ]
    if questions:
        raise FileAmbiguous(questions)
    faults = _row_faults(sheet, places, measured)
    frame = _frame(sheet, places, measured, faults)
    for row in sheet.odd:
        for name in measured:
            frame.iat[row, frame.columns.get_loc(name)] = np.nan
    read = tuple(_column_read(sheet, name, place, measured.get(name)) for name, place in places.items())
    file = FileRead(
        name=sheet.file, sha256=sha256, rows=len(sheet.lines), encoding=encoding, delimiter=delimiter, decimal=decimal,
        header_line=sheet.header_line, turned=sheet.turned,
    )
    return Piece(file, read, frame, faults, {n: m.step for n, m in measured.items()}, sheet, assignment.assumptions, [], assignment.unread)


def _column_read(sheet: Sheet, name: str, place: int, measured: Measured | None) -> ColumnRead:
    return ColumnRead(
        file=sheet.file, number=place + 1, header=sheet.headings[place].text, name=name,
        unit=measured.unit.symbol if measured else "", factor=measured.unit.factor if measured else 1.0,
        how=measured.how if measured else "text",
    )


def _row_faults(sheet: Sheet, places: Mapping[str, int], measured: Mapping[str, Measured]) -> list[tuple[int, Problem]]:
    """Return (row index, problem) for everything in a row that can't be read, in row order."""
    faults: list[tuple[int, Problem]] = []
    for name, m in measured.items():
        place = f"column {m.column.number} '{m.column.heading.text}'"
        word = WORDS.get(name, name)
        for row, why in m.faults.items():
            text = sheet.columns[m.column.number - 1][row].strip()
            faults.append((row, Problem(f"{sheet.file} line {sheet.lines[row]}, {place}", f"{word}: found '{text}', {why}")))
        if name in WORDS:
            for row in np.flatnonzero(m.blanks):
                text = sheet.columns[m.column.number - 1][row].strip()
                found = f"'{text}' is no reading" if text else "the reading is empty or missing"
                faults.append((int(row), Problem(f"{sheet.file} line {sheet.lines[row]}, {place}", f"{word}: {found}")))
    for row, why in sheet.odd.items():
        faults.append((row, Problem(f"{sheet.file} line {sheet.lines[row]}", why)))
    if "mark" in places:
        place = places["mark"]
        heading = sheet.headings[place].text
        verdicts = {text: judged(text) for text in set(sheet.columns[place])}
        for row, text in enumerate(sheet.columns[place]):
            if verdicts[text] != "pass":
                shown = f"'{text.strip()}'" if text.strip() else "empty"
                what = (
                    f"the tester's mark says NG ({shown})"
                    if verdicts[text] == "fail"
                    else f"the tester's mark is unsettled ({shown}); settle it, or let the cell in with --accept"
                )
                faults.append((row, Problem(f"{sheet.file} line {sheet.lines[row]}, column {place + 1} '{heading}'", what)))
    for row, text in enumerate(sheet.columns[places["cell_id"]]):
        if not cleaned(text):
            faults.append((row, Problem(f"{sheet.file} line {sheet.lines[row]}", "the row has no cell id")))
    return sorted(faults, key=lambda f: f[0])


def _frame(
    sheet: Sheet, places: Mapping[str, int], measured: Mapping[str, Measured], faults: list[tuple[int, Problem]]
) -> pd.DataFrame:
    rows = len(sheet.lines)
    ids = [cleaned(t) for t in sheet.columns[places["cell_id"]]]
    data: dict[str, NDArray[np.float64] | pd.Series] = {}
    for column in COLUMN.values():
        if column.name in measured:
            data[column.name] = measured[column.name].values
        elif column.name in places and column.name != "cell_id":
            texts = sheet.columns[places[column.name]]
            known = {t: cleaned(t) or None for t in set(texts)}
            data[column.name] = pd.Series([known[t] for t in texts], dtype=object)
    if "ir_mohm" in places and "ir_method" not in places:
        method = sheet.headings[places["ir_mohm"]].method or "unknown"
        data["ir_method"] = pd.Series([method] * rows, dtype=object)
    name = sheet.file
    data["source"] = pd.Series([f"{name} line {line}" for line in sheet.lines], dtype=object)
    problems = np.empty(rows, dtype=object)
    problems[:] = [()] * rows
    for row, problem in faults:
        problems[row] = (*problems[row], str(problem))
    data["problems"] = pd.Series(problems, dtype=object)
    frame = pd.DataFrame(data)
    frame.index = pd.Index([i or f"line {line}" for i, line in zip(ids, sheet.lines, strict=True)], dtype=object)
    return frame


def _joined(pieces: list[Piece], repeats: RepeatRule, strict: bool) -> CellTable:
    faults = [problem for piece in pieces for _, problem in piece.faults]
    if strict and faults:
        raise FileUnusable(faults)
    rows = pieces[0].frame if len(pieces) == 1 else pd.concat([p.frame for p in pieces])
    if repeats == "refuse" and rows.index.has_duplicates:
        again = rows[rows.index.duplicated(keep=False)]
        raise FileUnusable(
            [Problem(", ".join(g["source"]), f"cell {i} stands {len(g)} times; repeats are refused") for i, g in again.groupby(level=0, sort=False)]
        )
    rows, found = combined(rows, repeats)
    warnings = [w for p in pieces for w in (*p.sheet.warnings, *p.warnings)]
    for repeat in found:
        times = {2: "twice", 3: "three times"}.get(len(repeat.sources), f"{len(repeat.sources)} times")
        said = f"{repeat.cell_id} stands {times} ({', '.join(repeat.sources)}); the {repeat.rule} is used"
        if repeat.differ:
            said += f"; the readings differ: {', '.join(repeat.differ)}; test again"
        warnings.append(said)
    cells = cell_table(rows)
    cells.attrs["reading"] = Reading(
        files=tuple(p.file for p in pieces),
        columns=tuple(c for p in pieces for c in p.columns),
        unread=tuple(f"{p.file.name}: {h}" for p in pieces for h in p.unread),
        assumptions=tuple(a for p in pieces for a in (*p.sheet.assumptions, *p.assumptions)),
        warnings=tuple(warnings),
        repeats=found,
        comments=tuple(c for p in pieces for c in p.sheet.comments),
        facts=tuple(f for p in pieces for f in p.sheet.facts),
        resolution={n: max(p.steps[n] for p in pieces if n in p.steps) for p in pieces for n in p.steps},
    )
    return cells
