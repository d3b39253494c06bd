"""Workbooks: every cell as the text a person would have typed."""

from __future__ import annotations

import zipfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cellmatch.cells.reading import workbook
from cellmatch.cells.reading.files import read_cells
from cellmatch.errors import FileAmbiguous, FileUnusable
from tests.cells.mutated import damaged, outcome

openpyxl = pytest.importorskip("openpyxl")
HEAD = ["Cell", "OCV (V)", "Capacity (mAh)", "IR (mΩ)"]


def saved(folder: Path, *sheets: list[Any], name: str = "tray.xlsx") -> Path:
    book = openpyxl.Workbook()
    for number, rows in enumerate(sheets):
        sheet = book.active if number == 0 else book.create_sheet(f"Extra {number}")
        for row in rows:
            sheet.append(row)
    path = folder / name
    book.save(path)
    return path


def test_numbers_texts_and_dates(tmp_path: Path) -> None:
    """Numbers as numbers, texts with units, a preamble, a date column, a units row."""
    rows = [
        ["Report", "tray 4"],
        [],
        [*HEAD[:1], "OCV", "Capacity", "IR", "Date"],
        [None, "V", "Ah", "mΩ", None],
        ["A1", 3.601, 2.911, 20.1, datetime(2026, 1, 2, 9, 30)],
        ["A2", "3.602 V", 2.922, 20, date(2026, 1, 3)],
        [17, 3.603, "2900 mAh", 20.3, None],
    ]
    cells = read_cells(saved(tmp_path, rows))
    assert list(cells.index) == ["A1", "A2", "17"]
    assert cells["ocv_v"].tolist() == [3.601, 3.602, 3.603]
    assert cells["capacity_mah"].tolist() == [2911.0, 2922.0, 2900.0]
    assert cells["tested_at"].tolist() == ["2026-01-02 09:30:00", "2026-01-03", None]
    assert cells.loc["17", "source"] == "tray.xlsx row 7"
    file = cells.attrs["reading"].files[0]
    assert (file.encoding, file.header_line, file.rows) == ("xlsx", 3, 3)


def test_leading_zeros_that_only_the_format_shows(tmp_path: Path) -> None:
    """12 shown as 0012 is the id 0012."""
    path = saved(tmp_path, [HEAD, [12, 3.6, 2900, 20]])
    book = openpyxl.load_workbook(path)
    book.active["A2"].number_format = "0000"
    book.save(path)
    assert list(read_cells(path).index) == ["0012"]


def test_dates_that_a_spreadsheet_made(tmp_path: Path) -> None:
    """An id and a reading that became dates: those cells are kept out, the others are read."""
    cells = read_cells(
        saved(
            tmp_path,
            [
                HEAD,
                ["A", 3.6, 2900, 20],
                [date(2026, 3, 4), 3.6, 2900, 20],
                ["B", date(2026, 6, 3), 2900, 20],
            ],
        )
    )
    assert [bool(p) for p in cells["problems"]] == [False, True, True]
    assert all("spreadsheet" in p[0] for p in cells["problems"] if p)


def test_formulas_without_values(tmp_path: Path) -> None:
    """A workbook that no spreadsheet has worked out."""
    path = saved(tmp_path, [HEAD, ["A", "=1+2.6", 2900, 20], ["B", "=3.6", 2900, 20]])
    with pytest.raises(
        FileUnusable, match=r"row 2, column 2: the formula =1\+2\.6 has no value .* save it once"
    ):
        read_cells(path)


def test_several_sheets(tmp_path: Path) -> None:
    """One sheet with cells is found beside others; two are asked about, and named with the file."""
    table = [HEAD, ["A", 3.6, 2900, 20]]
    assert list(read_cells(saved(tmp_path, [["notes"], ["nothing here"]], table)).index) == ["A"]
    path = saved(tmp_path, table, [HEAD, ["B", 3.7, 2900, 20]])
    with pytest.raises(FileAmbiguous, match=r"tray\.xlsx#Sheet or tray\.xlsx#Extra 1"):
        read_cells(path)
    assert list(read_cells(f"{path}#Extra 1").index) == ["B"]
    with pytest.raises(FileUnusable, match="did you mean Extra 1"):
        read_cells(f"{path}#Extra 2")


def test_a_workbook_with_another_name(tmp_path: Path) -> None:
    """What a file is stands in its bytes, not in its name."""
    path = saved(tmp_path, [HEAD, ["A", 3.6, 2900, 20]])
    assert list(read_cells(path.rename(tmp_path / "tray.csv")).index) == ["A"]


def test_empty_and_damaged(tmp_path: Path) -> None:
    """One clear message each."""
    with pytest.raises(FileUnusable, match="is empty"):
        read_cells(saved(tmp_path, []))
    whole = saved(tmp_path, [HEAD, ["A", 3.6, 2900, 20]]).read_bytes()
    cut = tmp_path / "cut.xlsx"
    cut.write_bytes(whole[:2000])
    with pytest.raises(FileUnusable, match="zip archive and no workbook"):
        read_cells(cut)
    cut.write_bytes(whole[:300] + bytes(60) + whole[360:])
    with pytest.raises(FileUnusable, match="can't be opened"):
        read_cells(cut)
    other = tmp_path / "other.zip"
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("notes.txt", "hello")
    with pytest.raises(FileUnusable, match="no workbook; unpack it"):
        read_cells(other)


def test_a_workbook_that_unpacks_to_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The size is checked before anything is unpacked."""
    monkeypatch.setattr(workbook, "MOST_UNPACKED", 1000)
    with pytest.raises(FileUnusable, match="unpacks to"):
        read_cells(saved(tmp_path, [HEAD, ["A", 3.6, 2900, 20]]))


def test_damaged_workbooks(tmp_path: Path) -> None:
    """Bytes changed at random: an error of ours or a table, never another exception."""
    seeds = [
        saved(tmp_path, [HEAD, *([f"A{i}", 3.6 + i / 1000, 2900 + i, 20.5] for i in range(6))]).read_bytes()
    ]
    rng = np.random.default_rng(5)
    path = tmp_path / "damaged.xlsx"
    for _ in range(60):
        path.write_bytes(damaged(seeds, rng))
        outcome(path)
