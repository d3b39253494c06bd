"""Workbooks (.xlsx): every cell as the text a person would have typed."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any

from cellmatch.errors import FileUnusable, Problem

if TYPE_CHECKING:
    from openpyxl.workbook.workbook import Workbook

MOST_UNPACKED = 500_000_000
"""[bytes] A workbook that unpacks to more is refused."""


@dataclass(frozen=True, slots=True)
class WorkbookSheet:
    """The rows of one sheet as text."""

    title: str
    rows: list[list[str]]


def is_workbook(data: bytes) -> bool:
    """Tell whether the bytes are a workbook, whatever the file is called."""
    if not data.startswith(b"PK\x03\x04"):
        return False
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return "xl/workbook.xml" in archive.namelist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False


def read_workbook(data: bytes, name: str) -> list[WorkbookSheet]:
    """Return the sheets that hold anything.

    Raises
    ------
    FileUnusable
        The ``excel`` extra is not installed, the workbook is damaged, locked or too large.
    """
    try:
        import openpyxl  # noqa: F401
    except ImportError:
        raise FileUnusable(
            Problem(
                name,
                "is a workbook, and reading .xlsx takes the excel extra: pip install 'cellmatch[excel]'; "
                "or save it as CSV",
            )
        ) from None
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        size = sum(info.file_size for info in archive.infolist())
    if size > MOST_UNPACKED:
        raise FileUnusable(
            Problem(name, f"unpacks to {size / 1e6:.0f} MB; at most {MOST_UNPACKED / 1e6:.0f} MB are read")
        )
    sheets = []
    for title, rows in _sheets(data, name, values=True):
        if any(any(row) for row in rows):
            sheets.append(WorkbookSheet(title, rows))
    return sheets


def unvalued_formulas(data: bytes, name: str, title: str) -> list[tuple[int, int, str]]:
    """Return row, column (from 1) and text of the formulas of a sheet that carry no value."""
    valued = dict(_sheets(data, name, values=True)).get(title, [])
    found = []
    for r, row in enumerate(dict(_sheets(data, name, values=False)).get(title, [])):
        for c, text in enumerate(row):
            if text.startswith("=") and not valued[r][c]:
                found.append((r + 1, c + 1, text))
    return found


def _sheets(data: bytes, name: str, *, values: bool) -> Iterator[tuple[str, list[list[str]]]]:
    import openpyxl

    # the library warns about styles and extensions that have nothing to do with the values
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            book: Workbook = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=values)
            for sheet in book.worksheets:
                sheet.reset_dimensions()  # the stated size is often wrong
                yield sheet.title, _rectangular([[_text(cell) for cell in row] for row in sheet.iter_rows()])
            book.close()
        except FileUnusable:
            raise
        except Exception as error:  # a damaged workbook fails in a dozen ways inside the library
            raise FileUnusable(
                Problem(
                    name,
                    f"is a workbook that can't be opened ({type(error).__name__}); open it and save it again, "
                    "or save it as CSV",
                )
            ) from None


def _rectangular(rows: list[list[str]]) -> list[list[str]]:
    while rows and not any(rows[-1]):
        rows.pop()
    width = max((i + 1 for row in rows for i, text in enumerate(row) if text), default=0)
    return [(row + [""] * width)[:width] for row in rows]


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, int):
        shape = str(cell.number_format)
        # a column of ids formatted 0000 shows 0012 where the workbook holds 12
        return str(value).zfill(len(shape)) if shape.strip("0") == "" else str(value)
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value)
