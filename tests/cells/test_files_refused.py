"""Files that can't be used, or only after a choice: one clear message, what was found and what would be right."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import pytest

from cellmatch.cells.reading import files
from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.reading.layout import HEAD_ROWS
from cellmatch.errors import ArgumentInvalid, CellmatchError, FileAmbiguous, FileUnusable

GOOD = "cell_id,ocv_v,capacity_mah,ir_mohm\nA,3.601,2911,20.1\nB,3.602,2922,20.2\nC,3.603,2933,20.3\n"

REFUSED: dict[str, tuple[str | bytes, list[str]]] = {
    "empty": ("", ["empty", "heading"]),
    "blank": ("\n \n\t\n", ["empty"]),
    "only a mark": (b"\xef\xbb\xbf", ["empty"]),
    "heading only": ("cell_id,ocv_v,capacity_mah\n", ["line 1", "no cell below"]),
    "no voltage": (
        "cell,capacity,ir\nA,2900,20\n",
        ["no open-circuit voltage column", "cell, capacity, ir", "--columns ocv_v="],
    ),
    "no capacity": (
        "cell,ocv,ir\nA,3.6,20\n",
        ["no capacity column", "--columns capacity_mah=", "second file"],
    ),
    "no id": ("ocv,capacity,ir\n3.6,2900,20\n", ["no cell id column", "--columns cell_id="]),
    "prose": (
        "Dear all, here they are.\nThe cells look good, mostly.\n",
        ["no header row found", "cell_id,ocv_v"],
    ),
    "no header, with ids": (
        "C1,3.604,2981,20.4\nC2,3.601,2975,21.1\n",
        ["no header row found", "--columns cell_id=1"],
    ),
    "pointer": ("version https://example.org/v1\noid sha256:ab12\nsize 123\n", ["pointer", "large file"]),
    "web page": ("<!DOCTYPE html><html><body></body></html>", ["web page"]),
    "json": ('{"cells": [], "pack": "10s3p"}', ["JSON"]),
    "packed": (b"\x1f\x8b\x08\x00abc", ["gzip"]),
    "old workbook": (b"\xd0\xcf\x11\xe0" + bytes(100), [".xls", ".xlsx"]),
    "log": ("timestamp,voltage,current\n1700000000,4.04,0.5\n", ["log of one cell", "cellmatch measure"]),
    "log, no rows": ("timestamp,voltage,current\n", ["log of one cell"]),
    "log, units behind a slash": ("Test Time / h,Current / A,Voltage / V\n0,0.5,4.1\n", ["log of one cell"]),
    "log, mark before the headings": ("~Time[s]\tU[V]\tI[A]\tR-AC\n0\t3.6\t0.5\t20\n", ["log of one cell"]),
    "log of several cells": (
        "Cell,Time,Voltage,Current\n" + "".join(f"A,{i},4.1,0.5\n" for i in range(30)),
        ["log"],
    ),
    "log of a charger": ("DateTime\tSlave\tCycle\tMode\tCell1Volts\n1\t1\t1\tC\t3.6\n", ["log of one cell"]),
    "open quote": (GOOD + '"D,3.6,2900,20\nE,3.6,2900,20\nF,3.6,2900,20\n', ["line 5", "quote"]),
    "open quote, two columns": ('cell,ocv\nA,3.6\n"B,3.6\nC,3.6\n', ["line 3", "quote"]),
    "quote lost": (
        'cell,ocv,cap\n"A","3.6","2900"\n"B","3.6","29\n"C","3.6","2900"\n"D","3.6","2900"\n',
        ["line 3", "quote"],
    ),
    "quote over a number": ('cell,ocv,cap\nA,3.6,"29\n00"\nB,3.6,2900\n', ["line 2", "quote"]),
    "long field": ("cell,ocv,cap\nA,3.6," + "9" * 200_000 + "\n", ["line 2", "too long"]),
    "endless line": ("cell,ocv,cap\nA,3.6,2900\n" + "," * 1_000_001 + "\n", ["line 3", "1,000,001 signs"]),
    "comma for everything": (
        "id,ocv,cap,ir\nA,3,601,2911,20,1\nB,3,602,2922,20,2\n",
        ["line 2", "6 values", "4 columns", "semicolons"],
    ),
    "heading missing": (
        "ocv_v,capacity_mah,ir_mohm\nA,3.6,2900,20\nB,3.6,2910,21\n",
        ["4 values", "3 columns"],
    ),
    "second table": (GOOD + "\ncell,capacity,ocv,ir\nD,2900,3.6,20\n", ["line 6", "second table"]),
    "all voltages unreadable": (
        "id,ocv,cap\nA,OL,2900\nB,OL,2910\n",
        ["no open-circuit voltage can be read", "OL"],
    ),
    "all capacities negative": ("id,ocv,cap\nA,3.6,-2900\nB,3.6,-2910\n", ["capacity", "negative"]),
}

ASKED: dict[str, tuple[str | bytes, list[str]]] = {
    "V that are mV": (
        "id,OCV (V),Cap (mAh)\nA,3601,2900\nB,3602,2910\n",
        ["unit V can't be right", "--units ocv_v=mV"],
    ),
    "Ah that are mAh": (
        "id,OCV (V),Cap (Ah)\nA,3.6,2900\nB,3.6,2910\n",
        ["unit Ah can't be right", "--units capacity_mah=mAh"],
    ),
    "ohm that are mohm": (
        "id,OCV,Cap,IR (Ohm)\nA,3.6,2900,20.1\n",
        ["unit ohm can't be right", "--units ir_mohm=mohm"],
    ),
    "own name, other unit": (
        "id,ocv_v,capacity_mah\nA,3.6,2.9\nB,3.6,2.91\n",
        ["capacity", "--units capacity_mah=Ah"],
    ),
    "energy": ("id,OCV (V),Capacity (Wh)\nA,3.6,10.4\n", ["Wh is no unit of capacity"]),
    "280 of what": (
        "id,OCV,Capacity\nA,3.3,280.1\nB,3.3,280.4\n",
        ["--units capacity_mah=mAh or --units capacity_mah=Ah"],
    ),
    "0.17 of what": (
        "id,OCV,Capacity (Ah),IR\nA,3.3,280,0.171\n",
        ["--units ir_mohm=mohm or --units ir_mohm=ohm"],
    ),
    "360 of what": ("Unit,v,q,r\nA,420,2900,20\nB,421,2910,21\n", ["voltage", "420.5"]),
    "half in Ah": (
        "id,ocv,cap\nA,3.6,2.9\nB,3.6,2900\nC,3.6,2.91\nD,3.6,2910\n",
        ["2 of 4", "write the unit"],
    ),
    "1,234": (
        "id;OCV;Cap (mAh);IR (mohm)\nA;3,612;2981;1,234\nB;3,608;3012;1,300\n",
        ["'1,234' may be 1.234 or 1234", "--decimal ,"],
    ),
    "both signs": ("id;OCV;Cap;IR\nA;3,61;2981;20,1\nB;3.60;3012;21.1\n", ["'3.60' and '3,61'", "--decimal"]),
    "two capacities": (
        "id,OCV,Capacity,Capacity\nA,3.6,2900,2950\n",
        ["'Capacity' stands twice", "--columns capacity_mah=3"],
    ),
    "names that differ by case": ("id,OCV,Q_dis,q_dis\nA,3.6,2900,2950\n", ["twice", "column 3", "column 4"]),
    "two of one meaning": (
        "id,Voltage,U,Cap\nA,4.1,3.6,2900\n",
        ["several columns may be ocv_v", "--columns ocv_v=2"],
    ),
    "GBK": ("编号,电压(V),容量(mAh)\nA,3.6,2900\n".encode("gbk"), ["--encoding gbk", "编号"]),
    "GBK ohm": ("Cell,OCV(V),Cap(mAh),IR(mΩ)\nA,3.6,2900,20\n".encode("gbk"), ["--encoding gbk", "IR(mΩ)"]),
    "Shift JIS": (
        "セル番号,開放電圧(V),容量(mAh)\nA,3.6,2900\n".encode("shift_jis"),
        ["--encoding shift_jis", "開放電圧"],
    ),
    "look-alike ids": (
        "id,ocv,cap\nA4,3.6,2900\n\u04104,3.6,2910\n",
        ["look the same", "U+0410", "lines 2, 3"],
    ),
}


def put(folder: Path, content: str | bytes, name: str = "tray.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize("case", REFUSED)
def test_refused(tmp_path: Path, case: str) -> None:
    """A file that is no table of cells."""
    content, words = REFUSED[case]
    with pytest.raises(FileUnusable) as caught:
        read_cells(put(tmp_path, content))
    assert [w for w in words if w not in str(caught.value)] == [], caught.value
    assert "tray.csv" in str(caught.value)


@pytest.mark.parametrize("case", ASKED)
def test_asked(tmp_path: Path, case: str) -> None:
    """A file with two possible readings names the options to choose with."""
    content, words = ASKED[case]
    with pytest.raises(FileAmbiguous) as caught:
        read_cells(put(tmp_path, content))
    assert [w for w in words if w not in str(caught.value)] == [], caught.value
    assert "tray.csv" in str(caught.value)


@pytest.mark.parametrize(
    ("case", "options", "readings"),
    [
        ("V that are mV", {"units": {"ocv_v": "mV"}}, (3.601, 2900.0)),
        ("Ah that are mAh", {"units": {"capacity_mah": "mAh"}}, (3.6, 2900.0)),
        ("own name, other unit", {"units": {"capacity_mah": "Ah"}}, (3.6, 2900.0)),
        ("280 of what", {"units": {"capacity_mah": "Ah"}}, (3.3, 280100.0)),
        ("both signs", {"decimal": ","}, (3.61, 2981.0)),
        ("two capacities", {"columns": {"capacity_mah": "4"}}, (3.6, 2950.0)),
        ("two of one meaning", {"columns": {"ocv_v": "U"}}, (3.6, 2900.0)),
        ("GBK", {"encoding": "gbk"}, (3.6, 2900.0)),
        ("Shift JIS", {"encoding": "shift_jis"}, (3.6, 2900.0)),
    ],
)
def test_the_option_that_is_named_helps(
    tmp_path: Path, case: str, options: dict[str, Any], readings: tuple[float, ...]
) -> None:
    """With the choice made, the file is read."""
    cells = read_cells(put(tmp_path, ASKED[case][0]), **options)
    assert (float(cells["ocv_v"].iloc[0]), float(cells["capacity_mah"].iloc[0])) == readings


def test_columns_told_where_there_are_no_headings(tmp_path: Path) -> None:
    """The first line is a cell, not headings, when its numbers stand in the columns told."""
    cells = read_cells(
        put(tmp_path, "C1;3,604;2981\nC2;3,601;2975\n"),
        columns={"cell_id": 1, "ocv_v": "2", "capacity_mah": 3},
    )
    assert list(cells.index) == ["C1", "C2"]
    assert list(cells["ocv_v"]) == [3.604, 3.601]
    assert cells.attrs["reading"].files[0].header_line == 0


@pytest.mark.parametrize(
    "columns",
    [
        {"cell_id": 1, "ocv_v": "napeti", "capacity_mah": "3"},
        {"cell_id": "KOD", "ocv_v": "Napeti", "capacity_mah": "kapacita"},
        {"cell_id": 1, "ocv_v": 2, "capacity_mah": 3},
    ],
)
def test_columns_told_where_the_headings_are_unknown(tmp_path: Path, columns: dict[str, str | int]) -> None:
    """By heading, in any case, by number, or some of each; the headings are no cell."""
    path = put(tmp_path, "kod;napeti;kapacita\nA;3,6;2900\nB;3,61;2910\n")
    cells = read_cells(path, columns=columns)
    assert cells["capacity_mah"].to_dict() == {"A": 2900.0, "B": 2910.0}
    assert cells.attrs["reading"].files[0].header_line == 1


def test_missing_file_names_the_nearest(tmp_path: Path) -> None:
    """A typing error in the name."""
    put(tmp_path, GOOD)
    with pytest.raises(FileUnusable, match=r"no such file; did you mean tray\.csv"):
        read_cells(tmp_path / "tray.cvs")
    with pytest.raises(FileUnusable, match="there is no folder"):
        read_cells(tmp_path / "nowhere" / "tray.csv")


def test_folder(tmp_path: Path) -> None:
    """A folder is no file."""
    with pytest.raises(FileUnusable, match="is a folder"):
        read_cells(tmp_path)


def test_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory is bounded by a limit on the size and on the rows."""
    path = put(tmp_path, GOOD)
    monkeypatch.setattr(files, "MOST_BYTES", 50)
    with pytest.raises(FileUnusable, match=r"at most .* are read"):
        read_cells(path)
    monkeypatch.setattr(files, "MOST_BYTES", 10_000)
    monkeypatch.setattr(files, "MOST_CELLS", -HEAD_ROWS + 2)
    with pytest.raises(FileUnusable, match="lines; at most"):
        read_cells(path)


def test_unreadable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the system is told in its words."""

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(FileUnusable, match="can't be read: Permission denied"):
        read_cells(put(tmp_path, GOOD))


def test_no_file_at_all() -> None:
    """An empty list is a wrong argument."""
    with pytest.raises(ArgumentInvalid, match="no file"):
        read_cells()


def test_all_wrong_arguments_in_one_message(tmp_path: Path) -> None:
    """Every wrong option with what would be right."""
    with pytest.raises(ArgumentInvalid) as caught:
        read_cells(
            put(tmp_path, GOOD),
            columns={"ocvv": 1},
            units={"capacity_mah": "Wh", "lot": "V"},
            decimal=":",
            repeats="last",
        )
    text = str(caught.value)
    assert len(caught.value.problems) == 5
    for words in (
        "did you mean ocv_v",
        "one of mAh, Ah, As",
        "--units lot",
        "--decimal :",
        "median, newest, refuse",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("encoding", "words"), [("klingon", "no known encoding"), ("hex", "no known encoding"), ("ascii", "byte")]
)
def test_wrong_encoding(tmp_path: Path, encoding: str, words: str) -> None:
    """An encoding that is none, or that the bytes are not in."""
    with pytest.raises(CellmatchError, match=words):
        read_cells(put(tmp_path, GOOD.replace("A", "Ä")), encoding=encoding)


def test_told_column_that_is_not_there(tmp_path: Path) -> None:
    """The headings that are there stand in the message."""
    with pytest.raises(
        FileUnusable, match="no column 'Spannung' for ocv_v; known: capacity_mah, cell_id, ir_mohm, ocv_v"
    ):
        read_cells(put(tmp_path, GOOD), columns={"ocv_v": "Spannung"})
    with pytest.raises(FileUnusable, match="no column '9'"):
        read_cells(put(tmp_path, GOOD), columns={"ocv_v": 9})


def test_problems_of_all_files_in_one_message(tmp_path: Path) -> None:
    """Two bad files are told of in one run."""
    one, two = put(tmp_path, "", "one.csv"), put(tmp_path, "ocv,capacity\n3.6,2900\n", "two.csv")
    with pytest.raises(FileUnusable) as caught:
        read_cells(one, two, tmp_path / "three.csv")
    assert {p.where.split("/")[-1].split()[0] for p in caught.value.problems} == {
        "one.csv",
        "two.csv",
        "three.csv",
    }


def test_strict_names_every_row(tmp_path: Path) -> None:
    """What would keep single cells out stops the job instead, all of it in one message."""
    path = put(
        tmp_path,
        "id,ocv_v,capacity_mah,ir_mohm\nA,3.6,2900,20\nB,x,2900,20\nC,3.6,2900,OL\n,3.6,2900,20\nE,3.6\n",
    )
    assert sum(bool(p) for p in read_cells(path)["problems"]) == 4
    with pytest.raises(FileUnusable) as caught:
        read_cells(path, strict=True)
    assert [f"line {n}" in str(p) for n, p in zip((3, 4, 5, 6), caught.value.problems, strict=True)] == [
        True
    ] * 4


def test_workbook_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """How to add what reading a workbook takes."""
    openpyxl = pytest.importorskip("openpyxl")
    openpyxl.Workbook().save(tmp_path / "tray.xlsx")
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.split(".")[0] == "openpyxl":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(FileUnusable, match=r"pip install 'cellmatch\[excel\]'"):
        read_cells(tmp_path / "tray.xlsx")
