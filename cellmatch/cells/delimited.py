"""From text to rows: which sign parts the columns, and on which line each row begins."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Sequence

from cellmatch.errors import FileUnusable, Problem

DELIMITERS = (",", ";", "\t", "|")


def split_rows(text: str, delimiter: str, name: str) -> tuple[list[list[str]], Sequence[int]]:
    """Return the rows and the line (from 1) on which each begins; quoted fields may hold line ends.

    Raises
    ------
    FileUnusable
        A quote was opened and never closed.
    """
    reader = csv.reader(io.StringIO(text, newline="\n"), delimiter=delimiter, skipinitialspace=True)
    try:
        if '"' not in text:
            rows = list(reader)
            return rows, range(1, len(rows) + 1)
        rows, lines, before = [], [], 0
        for row in reader:
            rows.append(row)
            lines.append(before + 1)
            before = reader.line_num
        return rows, lines
    except csv.Error:
        raise FileUnusable(
            Problem(f"{name} line {reader.line_num}", "a field is far too long: a quote was opened and never closed")
        ) from None


def agreement(rows: list[list[str]]) -> tuple[int, int]:
    """Return how many rows share the most common number of fields (2 or more), and that number."""
    counts = Counter(len(row) for row in rows if len(row) > 1)
    return max(((n, width) for width, n in counts.items()), default=(0, 0))
