"""The first lines of a file as they stand, for a person who has to say what its columns are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from cellmatch.cells.reading.delimited import DELIMITERS, SPACED, agreement, split_rows, told_delimiter
from cellmatch.cells.reading.encodings import decode
from cellmatch.cells.reading.layout import find_header
from cellmatch.cells.reading.workbook import is_workbook, read_workbook
from cellmatch.errors import CellmatchError

SHOWN_ROWS, SHOWN_COLUMNS, SHOWN_CHARACTERS = 8, 24, 40
READ_BYTES = 40_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Peek:
    """The head of one file.

    Parameters
    ----------
    name : str
    rows : tuple of tuple of str
        Its first rows from the headings on, where headings were found.
    titles : tuple of str
        Of a workbook's sheets, where it has several.
    """

    name: str
    rows: tuple[tuple[str, ...], ...] = ()
    titles: tuple[str, ...] = ()

    @property
    def width(self) -> int:
        """Columns shown."""
        return max((len(row) for row in self.rows), default=0)


def peek(path: Path, name: str, encoding: str | None) -> Peek:
    """Return the head of a file; nothing where it is no table at all."""
    data = path.read_bytes()
    try:
        if is_workbook(data):
            sheets = read_workbook(data, name)
            titles = tuple(s.title for s in sheets) if len(sheets) > 1 else ()
            return Peek(name=name, rows=_shown(sheets[0].rows if sheets else []), titles=titles)
        text = decode(data[:READ_BYTES], name, encoding).text
        told = told_delimiter(text)
        votes = []
        for sign in (told,) if told else (*DELIMITERS, *SPACED):
            fields = split_rows(text, sign, name).fields
            votes.append((find_header(fields)[0], agreement(fields), fields))
        return Peek(name=name, rows=_shown(max(votes, key=lambda vote: vote[:2])[2]))
    except CellmatchError:
        return Peek(name=name)


def _shown(fields: list[list[str]]) -> tuple[tuple[str, ...], ...]:
    _, header = find_header(fields)
    rows = [row for row in fields[max(header, 0) :] if any(f.strip() for f in row)][:SHOWN_ROWS]
    return tuple(tuple(f.strip()[:SHOWN_CHARACTERS] for f in row[:SHOWN_COLUMNS]) for row in rows)
