"""Reading cell tables: from the files that testers and people write to the one table of cells."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from cellmatch.cells.reading.delimited import (
    DELIMITERS,
    NAMES,
    SPACED,
    Rows,
    agreement,
    lines_without_quotes,
    split_rows,
    told_delimiter,
)
from cellmatch.cells.reading.encodings import decode
from cellmatch.cells.reading.headers import key
from cellmatch.cells.reading.joining import joined
from cellmatch.cells.reading.layout import HEAD_ROWS, Sheet, find_header, heading_of, is_number, lay_out
from cellmatch.cells.reading.pieces import Piece, interpret
from cellmatch.cells.reading.recognise import (
    is_log,
    lies_on_its_side,
    log_found,
    log_heading,
    no_header,
    rows_per_cell,
    runs_on,
    turned,
)
from cellmatch.cells.reading.request import Request, request_of, words_of
from cellmatch.cells.reading.units import QUANTITY
from cellmatch.cells.reading.workbook import is_workbook, read_workbook, unvalued_formulas
from cellmatch.cells.table import CellTable
from cellmatch.cells.understood import FileRead, Reading, Repeat
from cellmatch.cells.worth.correction import correct_readings
from cellmatch.errors import ArgumentInvalid, FileAmbiguous, FileUnusable, InputError, Problem, nearest_name
from cellmatch.pack.spec import MOST_CELLS

MOST_BYTES = 200_000_000
"""Largest file that is read; above it a log or another file was most likely given by mistake."""
LOG_ROWS_PER_CELL = 10
"""From so many rows a cell on, a table of cells with times and currents is a log of them."""
LONGEST_LINE = 1_000_000


@dataclass(frozen=True, slots=True)
class Source:
    """The rows of a file before their meaning is known."""

    rows: Rows
    encoding: str
    assumption: str = ""
    word: str = "line"


def read_cells(
    *paths: str | PathLike[str],
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
    decimal: str | None = None,
    encoding: str | None = None,
    repeats: str = "median",
    strict: bool = False,
    correct: str | None = None,
) -> CellTable:
    """Read one or several cell tables into one, in file order, cells that can't be read included.

    Parameters
    ----------
    *paths : path
        CSV, TSV or text files, and workbooks (``tray.xlsx``, or ``tray.xlsx#Sheet2`` for one sheet). A cell
        may have its readings in several of them.
    columns : mapping of our column name to heading or column number, optional
        Where a heading is not understood, or two may be meant. Numbers count from 1.
    units : mapping of our column name to unit, optional
        Where a file gives none, or a wrong one.
    decimal : "." or ",", optional
        Where the numbers can be read with either sign.
    encoding : str, optional
        Where a file is neither Unicode nor Windows-1252.
    repeats : "median", "newest" or "refuse"
        What to do with a cell that stands on several rows.
    strict : bool
        Stop, naming every row that can't be read, instead of keeping those cells out.
    correct : "tester", "slot" or "date", optional
        Bring the readings of several of them to one scale, by the cells that were measured on more than one
        (:func:`~cellmatch.cells.worth.correction.correct_readings`); what was read is kept beside it.

    Returns
    -------
    CellTable
        ``problems`` holds, for each cell, what could not be read or stands against it; ``source`` file and
        line; ``.attrs["reading"]`` is the :class:`~cellmatch.cells.understood.Reading`.

    Raises
    ------
    FileUnusable
        A file is not there, is no cell table, or has rows that can't be read and `strict` is set.
    FileAmbiguous
        A file can be read in two ways; the message names the options to choose with.
    ArgumentInvalid
        An argument that can't be meant.
    """
    request = request_of(columns, units, decimal, encoding, repeats)
    if not paths:
        raise ArgumentInvalid(Problem("CELLS", "no file was given; a file with a line per cell would be right"))
    pieces: list[Piece] = []
    files: list[FileRead] = []
    errors: list[InputError] = []
    for path in map(Path, paths):
        try:
            piece, file = _read_file(path, request)
            twin = next((f for f in files if f.sha256 == file.sha256), None)
            if twin is not None:
                raise FileUnusable(Problem(file.name, f"holds the same bytes as {twin.name}; give every file once"))
            pieces.append(piece)
            files.append(file)
        except ArgumentInvalid:
            raise
        except InputError as error:
            errors.append(error)
    errors += _told_nowhere(request, pieces, errors)
    if errors:
        kind = FileAmbiguous if all(isinstance(e, FileAmbiguous) for e in errors) else FileUnusable
        raise kind(p for e in errors for p in e.problems)
    cells, found, warnings = joined(pieces, repeats, strict=strict)
    told = words_of(columns, units, decimal=decimal, encoding=encoding, repeats=repeats, strict=strict, correct=correct)
    cells.attrs["reading"] = _understood(files, pieces, found, warnings, told)
    return cells if correct is None else correct_readings(cells, correct)


def _understood(
    files: Sequence[FileRead],
    pieces: Sequence[Piece],
    repeats: tuple[Repeat, ...],
    warnings: Sequence[str],
    told: tuple[str, ...],
) -> Reading:
    """Return what was understood of all files."""
    sheets = [p.sheet for p in pieces]
    steps = {n: [p.steps[n] for p in pieces if n in p.steps] for n in QUANTITY}
    return Reading(
        files=tuple(files),
        columns=tuple(c for p in pieces for c in p.columns),
        unread=tuple(f"{p.sheet.file}: {h}" for p in pieces for h in p.assignment.unread),
        assumptions=tuple(a for p in pieces for a in (*p.assignment.assumptions, *p.sheet.assumptions)),
        warnings=(*(w for s in sheets for w in s.warnings), *warnings),
        repeats=repeats,
        comments=tuple(c for s in sheets for c in s.comments),
        facts=tuple(f for s in sheets for f in s.facts),
        resolution={n: max(some) for n, some in steps.items() if some},
        told=told,
    )


def _told_nowhere(request: Request, pieces: list[Piece], errors: list[InputError]) -> list[InputError]:
    """Return an error for each column that the user named and that no file has."""
    if errors:
        return []
    return [
        FileUnusable(p.assignment.absent[name] for p in pieces)
        for name in request.columns
        if all(name in p.assignment.absent for p in pieces)
    ]


def _read_file(path: Path, request: Request) -> tuple[Piece, FileRead]:
    path, title = _sheet_named(path)
    data = _bytes_of(path)
    told = frozenset(key(str(c)) for c in request.columns.values() if not str(c).strip().isdigit())
    if is_workbook(data):
        source = _from_workbook(data, path.name, title, told)
    else:
        source = _from_text(data, path.name, request.encoding, told)
    try:
        sheet = _table_in(source, f"{path.name}#{title}" if title else path.name, request, told)
        if source.assumption:
            sheet.assumptions.insert(0, source.assumption)
        piece = interpret(sheet, request)
    except InputError as error:
        if source.word == "row":
            _tell_formulas(data, path.name, source, error)
        raise
    if source.word == "row" and piece.has_blanks:
        _tell_formulas(data, path.name, source)
    rows = len(sheet.rows)
    sheet.rows = []  # the texts are in the frame now
    file = FileRead(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        rows=rows,
        encoding=source.encoding,
        delimiter=NAMES.get(source.rows.delimiter, source.rows.delimiter),
        decimal=piece.decimal,
        header_line=sheet.header_line,
        turned=sheet.word == "column",
    )
    return piece, file


def _sheet_named(path: Path) -> tuple[Path, str]:
    """Part ``tray.xlsx#Sheet2`` into file and sheet."""
    name, mark, title = path.name.rpartition("#")
    if mark and not path.exists() and path.with_name(name or ".").is_file():
        return path.with_name(name), title
    return path, ""


def _bytes_of(path: Path) -> bytes:
    where = str(path)
    try:
        if path.is_dir():
            raise FileUnusable(Problem(where, "is a folder; the file with the cells would be right"))
        if not path.exists():
            raise FileUnusable(Problem(where, f"no such file; {_neighbours(path)}"))
        if not path.is_file():
            raise FileUnusable(Problem(where, "is no ordinary file"))
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise FileUnusable(
                Problem(
                    where,
                    f"holds {size / 1e6:.0f} MB; at most {MOST_BYTES / 1e6:.0f} MB are read "
                    "(a log goes to `cellmatch measure`)",
                )
            )
        data = path.read_bytes()
    except OSError as error:
        raise FileUnusable(Problem(where, f"can't be read: {error.strerror or error}")) from None
    except ValueError:  # a NUL in the name
        raise FileUnusable(Problem(repr(where), "is no name a file can have")) from None
    if not data.strip(b" \t\r\n\x00\xef\xbb\xbf\xff\xfe"):
        raise FileUnusable(Problem(where, "is empty; a heading line and a line per cell would be right"))
    return data


def _neighbours(path: Path) -> str:
    if not path.parent.is_dir():
        return f"there is no folder {path.parent}"
    files = [p.name for p in path.parent.iterdir() if p.is_file()]
    return nearest_name(path.name, files) if files else "the folder is empty"


def _from_text(data: bytes, name: str, encoding: str | None, told: frozenset[str]) -> Source:
    decoded = decode(data, name, encoding)
    text = decoded.text
    _refuse_endless(text, name)
    said = decoded.assumption
    if text.startswith('"') and (unwrapped := lines_without_quotes(text)) is not None:
        text = unwrapped
        said = "; ".join(filter(None, (said, f"{name}: every line stands in quotes as a whole; they were taken off")))
    given = told_delimiter(text)
    head = "\n".join(text.split("\n", HEAD_ROWS)[:HEAD_ROWS])
    votes = []
    for signs in ((given,) if given else DELIMITERS, SPACED):
        for sign in signs:
            rows = split_rows(head, sign, name)
            score, _ = find_header(rows.fields, told)
            if score == (0, 0) and lies_on_its_side(rows.fields):
                score = (2, 0)
            votes.append((score, sign not in SPACED, agreement(rows.fields), sign))
        if max(votes)[0] > (0, 0):
            break
    rows = split_rows(text, max(votes, key=lambda vote: vote[:3])[3], name)
    return Source(rows, decoded.encoding, said)


def _refuse_endless(text: str, name: str) -> None:
    """Raise for more lines, or a longer line, than a table of cells can have, before any memory goes into rows."""
    lines = text.count("\n")
    if lines > MOST_CELLS + HEAD_ROWS:
        raise FileUnusable(Problem(name, f"holds {lines:,} lines; at most {MOST_CELLS:,} cells can be planned at once"))
    for number, length in enumerate(map(len, text.split("\n")), start=1):
        if length > LONGEST_LINE:
            raise FileUnusable(
                Problem(f"{name} line {number}", f"the line has {length:,} signs, so this is no table of cells")
            )


def _from_workbook(data: bytes, name: str, title: str, told: frozenset[str]) -> Source:
    sheets = read_workbook(data, name)
    if title:
        chosen = [s for s in sheets if s.title == title]
        if not chosen:
            raise FileUnusable(
                Problem(f"{name}#{title}", f"no such sheet; {nearest_name(title, [s.title for s in sheets])}")
            )
    else:
        chosen = [s for s in sheets if find_header(s.rows, told)[1] >= 0 or lies_on_its_side(s.rows)]
        logs = [] if chosen else [s for s in sheets if log_heading(s.rows) >= 0]
        if logs:
            at = log_heading(logs[0].rows)
            raise log_found(f"{name}#{logs[0].title}", at + 1, logs[0].rows[at])
        chosen = chosen or sheets
    if not chosen:
        raise FileUnusable(Problem(name, "is empty; a sheet with a heading row and a row per cell would be right"))
    if len(chosen) > 1:
        options = " or ".join(f"{name}#{s.title}" for s in chosen[:6])
        raise FileAmbiguous(
            Problem(name, f"{len(chosen)} sheets may hold the cells; give the sheet with the file name: {options}")
        )
    sheet = chosen[0]
    rows = Rows(sheet.rows, range(1, len(sheet.rows) + 1), "")
    said = f"{name}: the sheet '{sheet.title}' was read" if len(sheets) > 1 else ""
    return Source(rows, "xlsx", said, "row")


def _tell_formulas(data: bytes, name: str, source: Source, error: InputError | None = None) -> None:
    """Raise a better message where a reading is missing because the workbook's formulas were never worked out."""
    for sheet in read_workbook(data, name):
        if sheet.rows is source.rows.fields or len(sheet.rows) == len(source.rows.fields):
            unvalued = unvalued_formulas(data, name, sheet.title)
            if unvalued:
                row, column, text = unvalued[0]
                more = f" (and {len(unvalued) - 1} more)" if len(unvalued) > 1 else ""
                raise FileUnusable(
                    Problem(
                        f"{name} row {row}, column {column}",
                        f"the formula {text[:60]} has no value{more}: open the workbook "
                        "in a spreadsheet, save it once, and give it again",
                    )
                ) from error


def _table_in(source: Source, name: str, request: Request, told: frozenset[str]) -> Sheet:
    """Find the table in the rows of a file."""
    fields, lines = source.rows.fields, source.rows.lines
    score, header = find_header(fields, told)
    log = log_heading(fields)
    if log >= 0 and "cell_id" not in request.columns and _is_a_log(fields, log, header):
        raise log_found(name, lines[log], fields[log])
    on_side = lies_on_its_side(fields) if score < (3, 3) else None
    if on_side is not None:
        block = turned(fields, *on_side)
        sheet = lay_out(name, block, range(1, len(block) + 1), 0)
        sheet.word = "column"
        sheet.assumptions.append(f"{name}: the table lies on its side, with a column per cell; it was turned")
    elif header >= 0:
        sheet = lay_out(name, fields, lines, header, spanning=source.rows.spanning)
        sheet.word = source.word
    else:
        sheet = _without_header(source, name, request)
    if not sheet.rows:
        raise FileUnusable(Problem(sheet.head, "a heading line and no cell below it"))
    return sheet


def _is_a_log(fields: list[list[str]], log: int, header: int) -> bool:
    """Tell whether the row that heads a log is what the file is about, and not a table with a row per cell."""
    if header < 0:
        return True
    if log != header and not is_log([heading_of(f) for f in fields[header]]):
        return False
    return not 0 < rows_per_cell(fields, header) < LOG_ROWS_PER_CELL


def _without_header(source: Source, name: str, request: Request) -> Sheet:
    """Lay out a file whose headings are unknown or missing, by the column numbers that were told."""
    fields, lines = source.rows.fields, source.rows.lines
    log = next((i for i, row in enumerate(fields[:HEAD_ROWS]) if runs_on(row)), None)
    if log is not None and not request.columns:
        raise log_found(name, lines[log], fields[log])
    numbers = {n: int(c) - 1 for n, c in request.columns.items() if str(c).strip().isdigit()}
    _, width = agreement(fields)
    if "cell_id" not in numbers or len(numbers) < 2 or max(numbers.values()) >= width:
        raise no_header(name, fields, lines)
    start = next(i for i, row in enumerate(fields) if len(row) == width)
    measured = [place for n, place in numbers.items() if n in QUANTITY]
    if any(is_number(fields[start][place]) for place in measured):
        sheet = lay_out(name, fields, lines, -1, start, source.rows.spanning)
    else:
        sheet = lay_out(name, fields, lines, start, spanning=source.rows.spanning)
    sheet.word = source.word
    return sheet
