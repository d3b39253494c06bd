"""Reading the logs of testers: which column is time, voltage, current, and in which unit.

A log may hold one cell or several (told apart by a column), one cycle or many, rows of other kinds between
the readings, and a preamble above them. Nothing is taken for granted in silence: what was understood is
returned with the numbers.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from cellmatch.cells.logs.clock import SECONDS, Times, numbers, read_times
from cellmatch.cells.logs.columns import (
    NEEDED,
    LogHead,
    LogRequest,
    decimal_of,
    header_score,
    places_of,
    unit_of_column,
)
from cellmatch.cells.reading.delimited import DELIMITERS, NAMES, agreement, split_rows
from cellmatch.cells.reading.encodings import decode
from cellmatch.cells.reading.headers import key, read_heading
from cellmatch.cells.reading.ids import cleaned
from cellmatch.cells.reading.numbers import SPACES, Decimal
from cellmatch.cells.reading.units import Unit, unit_of
from cellmatch.cells.understood import ColumnRead, FileRead
from cellmatch.errors import FileUnusable, Problem, nearest_name

LARGEST_FILE_MB = 2000
HEAD_ROWS = 300
"""Rows in which headings are looked for."""
SAMPLE_ROWS = 3000
BLOCK_CHARACTERS = 1_000_000
MOST_UNREAD_FRACTION = 0.2


@dataclass(frozen=True, kw_only=True, slots=True)
class Log:
    """One file's readings.

    Parameters
    ----------
    file : FileRead
    columns : tuple of ColumnRead
        What each used column was taken for.
    times : Times
        As they stand in the file.
    voltage_v, current_a : ndarray, shape (n,)
        [V], [A], signs as in the file.
    line : ndarray of int, shape (n,)
    cell_id, slot, cycle, mode : sequence of str or None, length n
        None where the file has no such column.
    temperature_c : ndarray or None, shape (n,)
        [degC]
    named : str
        Cell id that the preamble gives, or empty.
    assumptions, warnings : tuple of str
    """

    file: FileRead
    columns: tuple[ColumnRead, ...]
    times: Times
    voltage_v: np.ndarray
    current_a: np.ndarray
    line: np.ndarray
    cell_id: Sequence[str] | None
    slot: Sequence[str] | None
    cycle: Sequence[str] | None
    mode: Sequence[str] | None
    temperature_c: np.ndarray | None
    named: str
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]


def read_log(path: Path, request: LogRequest) -> Log:
    """Read one log.

    Raises
    ------
    FileUnusable
        Not there, no text, no columns of time, voltage and current, no readings.
    FileAmbiguous
        Two columns may be meant, or a unit or the decimal sign can't be told.
    """
    data = _data(path)
    decoded = decode(data, path.name, request.encoding)
    head = _head(decoded.text, path.name, request)
    places, choices = places_of(head, request)
    decimal, said = decimal_of(head, [places[role] for role in NEEDED], request.decimal)
    body = _body(decoded.text, head, places)
    file = FileRead(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        rows=len(body.line),
        encoding=decoded.encoding,
        delimiter=NAMES.get(head.delimiter, head.delimiter),
        decimal=decimal,
        header_line=head.header_line,
    )
    about_text = [decoded.assumption] if decoded.assumption else []
    return _interpreted(head, body, places, file, request, [*about_text, *choices, *said])


def _data(path: Path) -> bytes:
    where = str(path)
    if path.is_dir():
        raise FileUnusable(Problem(where, "is a folder; give the log files"))
    if not path.is_file():
        beside = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
        raise FileUnusable(Problem(where, f"no such file; {nearest_name(path.name, beside)}"))
    if path.stat().st_size > LARGEST_FILE_MB * 1_000_000:
        raise FileUnusable(Problem(where, f"is larger than {LARGEST_FILE_MB} MB; cut it into one file a cell"))
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileUnusable(Problem(where, f"can't be read ({error.strerror})")) from None
    if not data.strip():
        raise FileUnusable(Problem(where, "is empty; a log with time, voltage and current would be right"))
    return data


@dataclass(frozen=True, slots=True)
class _Body:
    """The readings as text: the needed columns by their part, the line of each row, what was passed over."""

    columns: Mapping[str, Sequence[str]]
    line: np.ndarray
    passed_over: tuple[int, int]


def _head(text: str, name: str, request: LogRequest) -> LogHead:
    """Find delimiter, headings and the commonest kind of row from the first rows."""
    first = "\n".join(text.split("\n", SAMPLE_ROWS)[:SAMPLE_ROWS])
    votes = []
    for order, delimiter in enumerate(DELIMITERS):
        rows = split_rows(first, delimiter, name)
        scores = [header_score(row, request) for row in rows.fields[:HEAD_ROWS]]
        best = max(scores, default=0)
        votes.append((best, -order, scores.index(best) if best else -1, rows))
    score, _, header, found = max(votes, key=lambda vote: vote[:2])
    if not score and not _all_told_by_number(request):
        raise FileUnusable(_no_header(first, name))
    if not score:
        found = max((vote[3] for vote in votes), key=lambda rows: agreement(rows.fields))
    names = [f.strip(SPACES) for f in found.fields[header]] if score else []
    while names and not names[-1]:
        names.pop()
    body = found.fields[header + 1 :]
    units = tuple(unit_of(f.strip(SPACES).strip("()[]")) for f in body[0]) if body else ()
    units = units if sum(unit is not None for unit in units) > 1 else ()
    line = int(found.lines[header]) if score else 0
    widths = Counter(len(row) for row in body[bool(units) :] if len(row) >= len(NEEDED))
    if not widths:
        raise FileUnusable(Problem(f"{name} line {line}", "a heading, but no reading below it"))
    width = max(widths, key=lambda w: (widths[w], w))
    sample = tuple(zip(*(row for row in body[bool(units) :] if len(row) == width), strict=True))
    if names:
        _refuse_shifted(sample, names, f"{name} line {line}")
    return LogHead(
        name=name,
        headings=tuple(read_heading(text) for text in names or [""] * width),
        header_line=line,
        delimiter=found.delimiter,
        width=width,
        sample=sample,
        above=tuple(tuple(row) for row in found.fields[: max(header, 0)]),
        units=units,
    )


def _refuse_shifted(sample: Sequence[Sequence[str]], names: Sequence[str], where: str) -> None:
    """Refuse rows that have other columns than the headings name, but for empty ones at the end."""
    surplus = [place for place in range(len(names), len(sample)) if any(f.strip(SPACES) for f in sample[place])]
    if surplus or len(sample) < len(names):
        raise FileUnusable(
            Problem(
                where,
                f"the headings name {len(names)} columns and the rows have {len(sample)}, so which is which can't be "
                "told; mend the heading line",
            )
        )


def _body(text: str, head: LogHead, places: Mapping[str, int]) -> _Body:
    """Read the needed columns, block by block, so that a large log doesn't stand in memory as rows."""
    columns: dict[str, list[str]] = {role: [] for role in places}
    lines: list[np.ndarray] = []
    passed_over: list[int] = []
    for start_line, block in _blocks(text, head.header_line):
        flat = _regular(block, head)
        if flat is not None:
            for role, place in places.items():
                columns[role] += flat[place :: head.width]
            lines.append(np.arange(start_line + 1, start_line + 1 + len(flat) // head.width))
            continue
        found = split_rows(block, head.delimiter, head.name)
        below = [(row, at + start_line) for row, at in zip(found.fields, found.lines, strict=True) if any(row)]
        kept = [(row, at) for row, at in below if len(row) == head.width]
        passed_over += [at for row, at in below if len(row) != head.width]
        for role, place in places.items():
            columns[role] += [row[place] for row, _ in kept]
        lines.append(np.array([at for _, at in kept], dtype=int))
    skip = int(bool(head.units))  # the units row is the first of its width below the headings
    every = np.concatenate(lines)[skip:]
    return _Body(
        {role: fields[skip:] for role, fields in columns.items()},
        every,
        (len(passed_over), passed_over[0] if passed_over else 0),
    )


def _regular(block: str, head: LogHead) -> list[str] | None:
    """Return all fields of a block in one list, if every line has the usual number of them, else None."""
    if '"' in block or len(head.delimiter) != 1:
        return None
    block = block.removesuffix("\n")
    marks = np.frombuffer(block.encode(), dtype=np.uint8)
    ends = np.append(np.flatnonzero(marks == ord("\n")), len(marks) - 1)
    delimiters = np.cumsum(marks == ord(head.delimiter))[ends]
    if (np.diff(delimiters, prepend=0) != head.width - 1).any():
        return None
    return block.replace("\n", head.delimiter).split(head.delimiter)


def _blocks(text: str, header_line: int) -> Iterator[tuple[int, str]]:
    """Cut what is below the headings at line ends, with the number of lines before each piece.

    A text with quotes, which may hold line ends, stays in one piece.
    """
    start, line = 0, header_line
    for _ in range(header_line):
        start = text.find("\n", start) + 1
    if '"' in text:
        yield line, text[start:]
        return
    while start < len(text):
        end = text.find("\n", start + BLOCK_CHARACTERS)
        end = len(text) if end < 0 else end + 1
        block = text[start:end]
        yield line, block
        line += block.count("\n")
        start = end


def _all_told_by_number(request: LogRequest) -> bool:
    return all(str(request.columns.get(role, "")).strip().isdecimal() for role in NEEDED)


def _no_header(head: str, name: str) -> Problem:
    first = next((line.strip() for line in head.split("\n") if line.strip()), "")[:60]
    return Problem(
        name,
        "no line names a time, a voltage and a current column (a heading like time_s,voltage_v,current_a would be "
        f"right); it begins '{first}'. Name them with --columns time=…,voltage=…,current=…, or add a heading; a "
        "table with a line per cell is for cellmatch plan",
    )


def _interpreted(
    head: LogHead, body: _Body, places: Mapping[str, int], file: FileRead, request: LogRequest, said: list[str]
) -> Log:
    decimal: Decimal = "," if file.decimal == "," else "."
    times = _times(head, body, places["time"], decimal, request.units.get("time"))
    values = {role: numbers(body.columns[role], decimal) for role in ("voltage", "current")}
    good = np.isfinite(times.time_s) & np.isfinite(values["voltage"]) & np.isfinite(values["current"])
    warnings = _unread(head.name, body, good)
    units = {role: unit_of_column(role, head, places[role], values[role][good], request) for role in values}
    read = tuple(_column_read(head, role, places[role], units.get(role), times) for role in places)
    said += [f"{head.name}: {c.name} in {c.unit} ({c.how})" for c in read if c.how.startswith(("inferred", "assumed"))]
    texts = {role: _picked(body, role, good) for role in ("cell_id", "slot", "cycle", "mode")}
    temperature = numbers(body.columns["temperature_c"], decimal)[good] if "temperature_c" in places else None
    return Log(
        file=file,
        columns=read,
        times=replace(times, time_s=times.time_s[good]),
        voltage_v=values["voltage"][good] * units["voltage"][0].factor,
        current_a=values["current"][good] * units["current"][0].factor,
        line=body.line[good],
        cell_id=texts["cell_id"],
        slot=texts["slot"],
        cycle=texts["cycle"],
        mode=texts["mode"],
        temperature_c=temperature,
        named=_named_above(head),
        assumptions=tuple(said),
        warnings=tuple(warnings),
    )


def _times(head: LogHead, body: _Body, place: int, decimal: Decimal, told: str | None) -> Times:
    found = read_times(body.columns["time"], decimal, told or head.stated_unit(place), told=told is not None)
    if found is None:
        shown = ", ".join(f"'{text}'" for text in body.columns["time"][:2])
        raise FileUnusable(
            Problem(
                f"{head.name} column {place + 1} '{head.headings[place].text}'",
                f"no times that can be read: {shown}; right would be seconds, h:mm:ss or 2026-03-31 08:00:00",
            )
        )
    return found


def _unread(name: str, body: _Body, good: np.ndarray) -> list[str]:
    bad = np.flatnonzero(~good)
    if len(bad) > MOST_UNREAD_FRACTION * len(good):
        raise FileUnusable(
            Problem(
                f"{name} line {int(body.line[bad[0]])}",
                f"{len(bad)} of {len(good)} rows have no time, voltage or current that can be read",
            )
        )
    warnings = []
    if bad.size:
        warnings.append(f"{name}: {len(bad)} row(s) could not be read, the first on line {int(body.line[bad[0]])}")
    count, first = body.passed_over
    if count:
        warnings.append(f"{name}: {count} row(s) of another kind were passed over, the first on line {first}")
    return warnings


def _column_read(head: LogHead, role: str, place: int, unit: tuple[Unit, str] | None, times: Times) -> ColumnRead:
    symbol, factor, how = ("", 1.0, "text")
    if unit is not None:
        symbol, factor, how = unit[0].symbol, unit[0].factor, unit[1]
    elif role == "time":
        symbol, factor, how = times.unit, SECONDS.get(times.unit, 1.0), times.how
    elif role == "temperature_c":
        symbol, how = "°C", "header"
    return ColumnRead(
        file=head.name,
        number=place + 1,
        header=head.headings[place].text,
        name=role,
        unit=symbol,
        factor=factor,
        how=how,
    )


def _picked(body: _Body, role: str, good: np.ndarray) -> Sequence[str] | None:
    if role not in body.columns:
        return None
    column = body.columns[role]
    known = {text: cleaned(text) for text in set(column)}
    return [known[text] for text, kept in zip(column, good.tolist(), strict=True) if kept]


def _named_above(head: LogHead) -> str:
    """Return the cell id that a line like ``Cell ID,A17`` above the readings gives."""
    for row in head.above:
        fields = [part.strip(SPACES) for field in row for part in field.split(":", 1) if part.strip(SPACES)]
        for name, value in pairwise(fields):
            heading = read_heading(name)
            if (heading.name == "cell_id" and heading.rank <= 1) or key(name) in ("barcode", "itemid"):
                return cleaned(value)
    return ""
