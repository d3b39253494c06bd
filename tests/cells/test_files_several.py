"""Cells on several rows and in several files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.table import CellTable
from cellmatch.errors import FileAmbiguous, FileUnusable


def put(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def at(cells: CellTable, cell_id: str, *names: str) -> Any:
    """Return one value of a cell, or several as a list."""
    values = [cells[name].iloc[cells.index.get_loc(cell_id)] for name in names]
    return values[0] if len(values) == 1 else values


def test_readings_from_two_files(tmp_path: Path) -> None:
    """Voltages in one file, capacities in another; a cell in one only has a problem."""
    volts = put(tmp_path, "ocv.csv", "cell,OCV (V)\nA,3.601\nB,3.602\nC,3.603\n")
    charge = put(tmp_path, "cap.csv", "Zelle;Kapazität (Ah);Ri (mΩ)\nB;2,90;20,1\nA;2,91;20,2\nD;2,92;20,3\n")
    cells = read_cells(volts, charge)
    assert list(cells.index) == ["A", "B", "C", "D"]
    assert at(cells, "A", "ocv_v", "capacity_mah", "ir_mohm") == [3.601, 2910.0, 20.2]
    assert at(cells, "A", "source") == "ocv.csv line 2; cap.csv line 3"
    assert [bool(p) for p in cells["problems"]] == [False, False, True, True]
    assert "no capacity" in at(cells, "C", "problems")[0]
    assert "no open-circuit voltage" in at(cells, "D", "problems")[0]
    assert cells.attrs["reading"].warnings == ()
    assert [f.decimal for f in cells.attrs["reading"].files] == [".", ","]


def test_median_and_newest(tmp_path: Path) -> None:
    """Three readings; the newest is by date where dates are given."""
    path = put(
        tmp_path,
        "t.csv",
        "cell,date,ocv_v,capacity_mah\nA,2026-03-01,3.60,2900\nA,2026-01-01,3.50,2700\nB,2026-01-01,3.6,2800\nA,2026-02-01,3.55,2850\n",
    )
    median, newest = read_cells(path), read_cells(path, repeats="newest")
    assert at(median, "A", "ocv_v", "capacity_mah") == [3.55, 2850.0]
    assert at(newest, "A", "ocv_v", "capacity_mah") == [3.6, 2900.0]
    assert list(median.index) == ["A", "B"]
    repeat = median.attrs["reading"].repeats[0]
    assert repeat.cell_id == "A"
    assert sorted(repeat.readings["capacity_mah"]) == [2700.0, 2850.0, 2900.0]
    assert repeat.differ == ("ocv_v 3.5 to 3.6 V", "capacity_mah 2700 to 2900 mAh")
    assert any(
        "three times" in w and "differ" in w and "test again" in w for w in median.attrs["reading"].warnings
    )


def test_newest_is_the_last_row_without_dates(tmp_path: Path) -> None:
    """A date that is not ISO may be turned round, so the order of the rows rules."""
    path = put(
        tmp_path, "t.csv", "cell,date,ocv_v,capacity_mah\nA,05/03/2026,3.6,2900\nA,04/02/2026,3.5,2700\n"
    )
    assert at(read_cells(path, repeats="newest"), "A", "capacity_mah") == 2700.0


def test_refuse(tmp_path: Path) -> None:
    """Repeats can be refused; all of them are named."""
    path = put(tmp_path, "t.csv", "cell,ocv_v,capacity_mah\nA,3.6,2900\nB,3.6,2900\nA,3.6,2901\nB,3.6,2902\n")
    with pytest.raises(FileUnusable, match=r"t\.csv lines 2, 4: cell A stands twice") as caught:
        read_cells(path, repeats="refuse")
    assert len(caught.value.problems) == 2


def test_blank_in_one_row_and_given_in_another(tmp_path: Path) -> None:
    """Rows that complete each other are no problem; a reading that failed once stays one under the median."""
    path = put(
        tmp_path,
        "t.csv",
        "cell,ocv_v,capacity_mah,ir_mohm,Judge\nA,3.6,,20,OK\nA,3.6,2900,,OK\nB,3.6,2900,OL,NG\nB,3.6,2900,20,OK\nC,3.6,,20,OK\nC,3.6,,20,OK\n",
    )
    cells = read_cells(path)
    assert at(cells, "A", "problems") == ()
    assert [w in " ".join(at(cells, "B", "problems")) for w in ("OL", "NG")] == [True, True]
    assert "capacity: the reading is empty" in at(cells, "C", "problems")[0]
    newest = read_cells(path, repeats="newest")
    assert at(newest, "B", "problems") == ()
    assert at(newest, "B", "ir_mohm") == 20.0


def test_methods_are_never_mixed(tmp_path: Path) -> None:
    """AC in one file, DC in the other: no median of both."""
    ac = put(tmp_path, "ac.csv", "cell,ocv_v,capacity_mah,ACIR (mΩ)\nA,3.6,2900,20\nB,3.6,2900,\n")
    dc = put(tmp_path, "dc.csv", "cell,DCIR (mΩ)\nA,35\nB,36\n")
    cells = read_cells(ac, dc)
    assert cells["ir_mohm"].tolist() == [20.0, 36.0]
    assert cells["ir_method"].tolist() == ["ac_1khz", "dc"]
    assert any("AC and DC are never combined" in w for w in cells.attrs["reading"].warnings)


def test_same_numbers_for_different_cells(tmp_path: Path) -> None:
    """Two trays numbered from 1 each are never merged; the same cells on a second tester are."""
    rng = np.random.default_rng(3)
    capacity = rng.normal(2900, 60, (2, 40)).round()

    def tray(name: str, values: np.ndarray) -> Path:
        return put(
            tmp_path,
            name,
            "id,ocv_v,capacity_mah\n" + "".join(f"{i},3.6,{v:.0f}\n" for i, v in enumerate(values, 1)),
        )

    one, other = tray("one.csv", capacity[0]), tray("other.csv", capacity[1])
    with pytest.raises(
        FileAmbiguous, match=r"one\.csv and other\.csv: 40 ids stand in both .* a number of its own"
    ):
        read_cells(one, other)
    again = tray("again.csv", capacity[0] * 0.97 + rng.normal(0, 8, 40))
    cells = read_cells(one, again)
    assert len(cells) == 40
    assert len(cells.attrs["reading"].repeats) == 40


def test_the_same_file_twice(tmp_path: Path) -> None:
    """Given twice, or copied under another name: every reading would count double."""
    text = "id,ocv_v,capacity_mah\nA,3.6,2900\n"
    with pytest.raises(FileUnusable, match=r"holds the same bytes as a\.csv"):
        read_cells(put(tmp_path, "a.csv", text), put(tmp_path, "b.csv", text))


def test_rows_without_id_stay_apart(tmp_path: Path) -> None:
    """Line 3 of two files are two cells, each named and each with a problem."""
    one = put(tmp_path, "a.csv", "id,ocv_v,capacity_mah\nA,3.6,2900\n,3.6,2900\n")
    two = put(tmp_path, "b.csv", "id,ocv_v,capacity_mah\nB,3.6,2900\n,3.7,2800\n")
    assert list(read_cells(one).index) == ["A", "line 3"]
    cells = read_cells(one, two)
    assert list(cells.index) == ["A", "a.csv line 3", "B", "b.csv line 3"]
    assert [bool(p) for p in cells["problems"]] == [False, True, False, True]


def test_told_column_in_one_of_two_files(tmp_path: Path) -> None:
    """A column that the user names need not stand in every file."""
    one = put(tmp_path, "a.csv", "id,ocv_v\nA,3.6\n")
    two = put(tmp_path, "b.csv", "id,wynik\nA,2900\n")
    cells = read_cells(one, two, columns={"capacity_mah": "wynik"})
    assert at(cells, "A", "capacity_mah") == 2900.0


def test_repeated_columns(tmp_path: Path) -> None:
    """IR 1, IR 2, IR 3 beside each other: the median, said, and a warning where they differ."""
    path = put(
        tmp_path,
        "t.csv",
        "cell,ocv_v,capacity_mah,IR1 (mΩ),IR2 (mΩ),IR3 (mΩ)\n"
        "A,3.6,2900,20.0,20.1,20.2\nB,3.6,2900,20,21,29\nC,3.6,2900,20,,OL\n",
    )
    cells = read_cells(path)
    assert cells["ir_mohm"].tolist()[:2] == [20.1, 21.0]
    reading = cells.attrs["reading"]
    assert any("repeated readings" in a for a in reading.assumptions)
    assert [w for w in reading.warnings if "t.csv line 3" in w and "differ by 9 mohm" in w]
    assert "OL" in at(cells, "C", "problems")[0]
    assert [c.number for c in reading.columns if c.name == "ir_mohm"] == [4, 5, 6]


def test_charge_rows_are_no_capacity(tmp_path: Path) -> None:
    """Only discharges count; the cycles are repeats."""
    lines = ["cell,cycle,step,Capacity (mAh),OCV (V)"]
    lines += [
        f"K{k},{n},{m},{c},3.60{k}"
        for k in (1, 2)
        for n in (1, 2, 3)
        for m, c in (("CC_Chg", 3000 + n), ("CC_DChg", 2900 + n))
    ]
    cells = read_cells(put(tmp_path, "t.csv", "\n".join(lines)))
    assert cells["capacity_mah"].tolist() == [2902.0, 2902.0]
    assert any("6 rows with a charge" in a for a in cells.attrs["reading"].assumptions)


def test_what_was_read_copies_as_itself(tmp_path: Path) -> None:
    """Every step of pandas copies attrs; the reading is never copied, however large the tray."""
    cells = read_cells(put(tmp_path, "t.csv", "id,ocv_v,capacity_mah\nA,3.6,2900\nB,3.6,2900\n"))
    later = cells.copy().assign(x=1).loc[["B"]]
    assert later.attrs["reading"] is cells.attrs["reading"]
