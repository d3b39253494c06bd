"""From text to rows: which sign parts the columns, and on which line each row begins."""

from __future__ import annotations

import csv
import gc
import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from cellmatch.errors import FileUnusable, Problem

DELIMITERS = (",", ";", "\t", "|")
SPACED = ("  ", " ")
"""Columns set apart by two spaces or more, or by any; tried where no delimiter gives a table."""
NAMES = {"\t": "tab", "  ": "spaces", " ": "spaces"}

_WHOLE_LINE = re.compile('"(?:[^"]|"")*"')
_SEP_LINE = re.compile(r'"?sep=(.)"?', re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Rows:
    """The fields of each row, the line (from 1) on which each begins, and the rows that go over several lines."""

    fields: list[list[str]]
    lines: Sequence[int]
    delimiter: str
    spanning: tuple[int, ...] = ()


def told_delimiter(text: str) -> str | None:
    """Return the delimiter that a first line ``sep=;`` names."""
    found = _SEP_LINE.fullmatch(text[: text.find("\n")].rstrip() if "\n" in text[:12] else "")
    return found[1] if found else None


def lines_without_quotes(text: str) -> str | None:
    """Return the lines of a text of which each is one quoted field with delimiters in it, None for another text.

    Examples
    --------
    >>> lines_without_quotes('"id,ocv"'), lines_without_quotes('"id","ocv"')
    ('id,ocv', None)
    """
    lines = text.rstrip("\n").split("\n")
    filled = [line.rstrip(" ,;\t") for line in lines]
    if not all(_WHOLE_LINE.fullmatch(line) for line in filled if line):
        return None
    counts = {tuple(line.count(sign) for sign in DELIMITERS) for line in filled if line}
    if not any(any(count) for count in counts):
        return None
    return "\n".join(line[1:-1].replace('""', '"') for line in filled)


def split_rows(text: str, delimiter: str, name: str) -> Rows:
    """Split a text into rows; a quoted field may hold delimiters and line ends.

    Raises
    ------
    FileUnusable
        A quote was opened and never closed, so that lines of the table vanished in one field.
    """
    if delimiter in SPACED:
        parts = [
            re.split(r"\s{2,}|\t", s) if delimiter == "  " else s.split() for s in map(str.strip, text.split("\n"))
        ]
        return Rows([[] if p == [""] else p for p in parts], range(1, len(parts) + 1), delimiter)
    reader = csv.reader(io.StringIO(text, newline="\n"), delimiter=delimiter, skipinitialspace=True)
    try:
        with _no_collection():
            if '"' in text:
                return _quoted(reader, delimiter, name)
            rows = list(reader)
            return Rows(rows, range(1, len(rows) + 1), delimiter)
    except csv.Error:
        raise FileUnusable(
            Problem(f"{name} line {reader.line_num}", "a field is far too long for a table; is a quote left open?")
        ) from None


@contextmanager
def _no_collection() -> Iterator[None]:
    """Pause the garbage collector: it would walk through a million new rows again and again, and find nothing."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _quoted(reader: csv._reader, delimiter: str, name: str) -> Rows:  # type: ignore[name-defined]
    rows: list[list[str]] = []
    lines: list[int] = []
    spanning: list[int] = []
    before = 0
    for row in reader:
        if reader.line_num > before + 1:
            spanning.append(len(rows))
            if any(len(line.split(delimiter)) >= max(2, len(row)) for f in row if "\n" in f for line in f.split("\n")):
                raise open_quote(name, before + 1)
        rows.append(row)
        lines.append(before + 1)
        before = reader.line_num
    return Rows(rows, lines, delimiter, tuple(spanning))


def open_quote(where: str, line: int) -> FileUnusable:
    """Return the error for a quoted field that goes on over lines of the table."""
    return FileUnusable(
        Problem(
            f"{where} line {line}",
            'a quote (") is opened and not closed, so the lines behind it would be lost; close it or take it out',
        )
    )


def agreement(rows: Sequence[Sequence[str]]) -> tuple[int, int]:
    """Return how many rows share the most common number of fields (2 or more), and that number."""
    counts = Counter(len(row) for row in rows if len(row) > 1)
    return max(((n, width) for width, n in counts.items()), default=(0, 0))
