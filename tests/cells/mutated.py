"""Damaged files: bytes of good ones changed at random, and a check of what came out that reads by itself."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.table import CellTable
from cellmatch.cells.understood import ColumnRead, FileRead, Reading
from cellmatch.errors import CellmatchError

Random = np.random.Generator

_PIECES = [
    *(bytes([c]) for c in b",;\t|\"'\n\r\x00#=-. \xff\xb0\xe2"),
    b"\r\n",
    b"\n\n",
    b"\xc2\xa0",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"OL",
    b"---",
    b"1e999",
    b"-1",
    b"NaN",
    b"mV",
    b"Ah",
    b"1,234",
    b"\xd9\xa3",
    b"cell_id,ocv_v\n",
    b'"a\nb"',
    b"sep=;\n",
]


def _at(data: bytes, rng: Random) -> int:
    return int(rng.integers(0, len(data) + 1))


def _flip(data: bytes, rng: Random) -> bytes:
    i = min(_at(data, rng), max(len(data) - 1, 0))
    return data[:i] + bytes([int(rng.integers(0, 256))]) + data[i + 1 :]


def _insert(data: bytes, rng: Random) -> bytes:
    i = _at(data, rng)
    return data[:i] + _PIECES[int(rng.integers(len(_PIECES)))] + data[i:]


def _cut(data: bytes, rng: Random) -> bytes:
    i = _at(data, rng)
    return data[:i] + data[i + int(rng.integers(1, 12)) :]


def _double(data: bytes, rng: Random) -> bytes:
    i = _at(data, rng)
    return data[:i] + data[i : i + int(rng.integers(1, 60))] + data[i:]


def _end(data: bytes, rng: Random) -> bytes:
    return data[: _at(data, rng)]


def _replace(data: bytes, rng: Random) -> bytes:
    old, new = (_PIECES[int(i)] for i in rng.integers(len(_PIECES), size=2))
    return data.replace(old, new, int(rng.integers(1, 6)))


def _lines(data: bytes, rng: Random) -> bytes:
    lines = data.split(b"\n")
    i, j = (int(k) for k in rng.integers(len(lines), size=2))
    lines[i], lines[j] = lines[j], lines[i]
    if rng.random() < 0.3:
        del lines[int(rng.integers(len(lines)))]
    return b"\n".join(lines)


CHANGES: tuple[Callable[[bytes, Random], bytes], ...] = (
    _flip,
    _insert,
    _cut,
    _double,
    _end,
    _replace,
    _lines,
)


def damaged(seeds: Sequence[bytes], rng: Random) -> bytes:
    """Return one of the seeds with one to four changes, at times with the end of another one."""
    data = seeds[int(rng.integers(len(seeds)))]
    for _ in range(int(rng.integers(1, 5))):
        data = CHANGES[int(rng.integers(len(CHANGES)))](data, rng)
    if rng.random() < 0.05:
        other = seeds[int(rng.integers(len(seeds)))]
        data = data[: _at(data, rng)] + other[_at(other, rng) :]
    return data


def outcome(path: Path, **options: str) -> str:
    """Read a file; return ``read`` or the kind of error, and check what was read.

    Raises
    ------
    AssertionError
        A value does not stand where its heading says.
    Exception
        Anything but an error that the package raises on purpose.
    """
    try:
        cells = read_cells(path, **options)  # type: ignore[arg-type]
    except CellmatchError as error:
        refused = error
    else:
        check_places(path, cells)
        return "read"
    assert refused.problems
    assert all(p.what for p in refused.problems)
    return type(refused).__name__


def check_places(path: Path, cells: CellTable) -> None:
    """Check that each reading of each sound cell stands in its own line under its own heading."""
    reading: Reading = cells.attrs["reading"]
    file = reading.files[0]
    if file.turned or file.encoding == "xlsx" or file.delimiter == "spaces" or not file.header_line:
        return
    records = _records(path.read_bytes(), file)
    headings = [" ".join(f.split()) for f in records[file.header_line]]
    alone = Counter(c.name for c in reading.columns)  # several columns of one name become their median
    for cell_id, source, problems in zip(cells.index, cells["source"], cells["problems"], strict=True):
        found = re.search(r" line (\d+)$", source)
        if problems or found is None:
            continue
        fields = records[int(found[1])]
        while len(fields) > len(headings) and not fields[-1].strip():
            fields.pop()
        assert len(fields) <= len(headings), (cell_id, fields)
        for column in reading.columns:
            if column.name in ("ocv_v", "capacity_mah", "ir_mohm") and alone[column.name] == 1:
                check_value(float(cells.loc[cell_id, column.name]), fields, column, file)


def _records(data: bytes, file: FileRead) -> dict[int, list[str]]:
    text = (
        data.decode(file.encoding, errors="replace")
        .removeprefix("\ufeff")
        .rstrip("\x00")
        .replace("\r\r\n", "\n")
        .replace("\r\n", "\n")
        .replace("\r", "\n")
    )
    reader = csv.reader(
        io.StringIO(text, newline="\n"),
        delimiter="\t" if file.delimiter == "tab" else file.delimiter,
        skipinitialspace=True,
    )
    records, begin = {}, 1
    for row in reader:
        records[begin] = row
        begin = reader.line_num + 1
    return records


def check_value(value: float, fields: list[str], column: ColumnRead, file: FileRead) -> None:
    """Check one reading against the digits that stand in its field, where these are plain."""
    text = fields[column.number - 1].strip() if column.number <= len(fields) else ""
    if value != value:
        assert not re.fullmatch(r"\d+([.,]\d+)?", text), (column, text)
        return
    digits = re.fullmatch(r"-?[0-9]+(?:[.,][0-9]+)*", text)
    if digits is None:  # a unit, an exponent, a typographic sign: read by the parser, tested elsewhere
        return
    thousands = "," if file.decimal == "." else "."
    number = float(text.replace(thousands, "").replace(file.decimal, "."))
    assert np.isclose(value, number * column.factor, rtol=1e-9, atol=1e-12), (value, text, column)
