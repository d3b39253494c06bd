"""Tables of unusual shape: what stands above, between and below the cells, and how the columns are set apart."""

from __future__ import annotations

from pathlib import Path

import pytest

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.table import CellTable
from cellmatch.errors import FileAmbiguous, FileUnusable

CELLS = {"A1": (3.601, 2911.0, 20.1), "A2": (3.602, 2922.0, 20.2), "A3": (3.603, 2933.0, 20.3)}
BODY = "".join(f"{k},{v[0]},{v[1]:.0f},{v[2]}\n" for k, v in CELLS.items())
PLAIN = "Cell,OCV (V),Cap (mAh),IR (mOhm)\n" + BODY

SHAPES = {
    "plain": PLAIN,
    "spaces around": PLAIN.replace(",", " , ").replace("\n", " \n"),
    "blank lines": PLAIN.replace("\n", "\n\n"),
    "lines of delimiters": PLAIN.replace("\n", "\n,,,\n"),
    "sep line": "sep=;\n" + PLAIN.replace(",", ";"),
    "set apart by spaces": "Cell   OCV    Cap    IR\n" + BODY.replace(",", "    "),
    "one space": "Cell OCV Cap IR\n" + BODY.replace(",", " "),
    "drawn table": "| Cell | OCV (V) | Cap (mAh) | IR (mOhm) |\n|---|---|---|---|\n"
    + "".join(f"| {' | '.join(row.split(','))} |\n" for row in BODY.split()),
    "line ends doubled": PLAIN.replace("\n", "\r\r\n"),
    "headings with line ends": 'Cell,"OCV\n(V)","Cap\n(mAh)","IR\n(mOhm)"\n' + BODY,
    "columns in another order": "IR (mOhm),Cap (mAh),Cell,OCV (V)\n"
    + "".join(f"{v[2]},{v[1]:.0f},{k},{v[0]}\n" for k, v in CELLS.items()),
    "headings that are units": "id,V,mAh,mΩ\n" + BODY,
    "first column without heading": ",ocv_v,capacity_mah,ir_mohm\n" + BODY,
    "sections": "[Summary]\nName=Tray 3\n[Data]\n" + PLAIN,
    "ends filled with zeros": PLAIN + "\x00" * 64,
    "headings with a comment mark": "# " + PLAIN,
    "unit row with brackets": "Cell,OCV,Capacity,IR\n,[V],[mAh],[mΩ]\n" + BODY,
    "headings in two rows": "Cell,OCV,,Cap,IR,\n,at rest (V),charged (V),(mAh),AC (mOhm),DC (mOhm)\n"
    + "".join(f"{k},{v[0]},4.18,{v[1]:.0f},{v[2]},33\n" for k, v in CELLS.items()),
    "more below a short heading": PLAIN.replace("\n", ",\n", 1).replace("20.2\n", "20.2,x\n"),
    "on its side": "Cell,A1,A2,A3\nOCV (V),3.601,3.602,3.603\nCap (mAh),2911,2922,2933\nIR (mOhm),20.1,20.2,20.3\n",
    "on its side, ids unnamed": "Parameter;A1;A2;A3\n"
    "OCV (V);3,601;3,602;3,603\nCap (mAh);2911;2922;2933\nIR (mOhm);20,1;20,2;20,3\n",
    "on its side, units beside": "Cell,,A1,A2,A3\n"
    "OCV,mV,3601,3602,3603\nCap,Ah,2.911,2.922,2.933\nIR,mΩ,20.1,20.2,20.3\n",
    "on its side, preamble": "Report,x\nDate,1.2.2026\n\nCell,A1,A2,A3\n"
    "OCV (V),3.601,3.602,3.603\nCap (mAh),2911,2922,2933\nIR (mOhm),20.1,20.2,20.3\n",
}


def read(folder: Path, text: str) -> CellTable:
    path = folder / "t.csv"
    path.write_bytes(text.encode())
    return read_cells(path)


@pytest.mark.parametrize("shape", SHAPES)
def test_shape(tmp_path: Path, shape: str) -> None:
    """The same three cells in every shape."""
    cells = read(tmp_path, SHAPES[shape])
    found = {
        str(row[0]): row[1:] for row in cells[["ocv_v", "capacity_mah", "ir_mohm"]].itertuples(name=None)
    }
    assert found == CELLS
    assert not any(cells["problems"])


@pytest.mark.parametrize(
    ("below", "word"),
    [
        ("Average,3.602,2922,20.2\nMax,3.603,2933,20.3\n", "'Max' sums the table up"),
        ("\nTotal,,8766,\n", "'Total' sums the table up"),
        ("\nEnd of report\n", "line 6 'End of report': no row of the table"),
        ("Statistics,,,\nMean,3.602,2922,20.2\n", "line 5 'Statistics': no row of the table"),
        (PLAIN.splitlines()[0] + "\n", "the headings stand again in line 5"),
    ],
)
def test_what_stands_below_is_no_cell(tmp_path: Path, below: str, word: str) -> None:
    """Sums, last words and repeated headings are left out, and that is said with the line."""
    cells = read(tmp_path, PLAIN + below)
    assert list(cells.index) == list(CELLS)
    assert any(word in w and "t.csv" in w for w in cells.attrs["reading"].warnings)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("A4,3.6", ["2 values", "4 columns"]),
        ("A4", ["1 values"]),
        ("A4,3.6,2900,20.1,dent,small", ["6 values"]),
        ("A4,3,609,2979,20.0", ["5 values"]),
        ("# A4,3.6,2900,20.1", ["may be a comment"]),
        ("A4,,,", ["empty or missing"]),
        ("A4,3.6,29x0,20.1", ["29x0"]),
        ("A4,3.6,2900,20.1 retest", ["retest"]),
        ("A4,3.6,2900,9999", ["no reading"]),
        ("A4,7.3,2900,20", ["7.3", "-6 to 6"]),
        ("A4,3604,2900,20", ["3604", "looks like mV"]),
        ("A4,3.6,2900,0", ["can't be true"]),
    ],
)
def test_a_row_that_cannot_be_read_is_one_reject(tmp_path: Path, row: str, words: list[str]) -> None:
    """The cell stays in the table with its problem, quoting line and text; the others are untouched."""
    cells = read(tmp_path, PLAIN + row + "\nA5,3.6,2900,20.5\n")
    assert list(cells.index) == [*CELLS, row.split(",")[0], "A5"]
    problems = cells["problems"].tolist()
    assert [bool(p) for p in problems] == [False, False, False, True, False]
    assert any(all(w in p for w in [*words, "t.csv line 5"]) for p in problems[3]), problems[3]


def test_ids_that_are_called_like_quantities(tmp_path: Path) -> None:
    """Cells Q, R, U, V, or R1, U1: the table does not lie on its side."""
    for ids in ("QRUV", ("R1", "U1", "Q1", "C1")):
        cells = read(tmp_path, "cell,ocv,cap\n" + "".join(f"{i},3.6,2900\n" for i in ids))
        assert list(cells.index) == list(ids)


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("Cell,OCV (V),,Cap (mAh)\n,before,after,\n", "OCV (V) after"),
        ("Cell,Voltage (V),Voltage (V),Cap (mAh)\n", "twice"),
    ],
)
def test_two_voltages_are_asked_about(tmp_path: Path, head: str, words: str) -> None:
    """Under one heading over two columns, or under the same heading twice."""
    with pytest.raises(FileAmbiguous, match=r"--columns ocv_v=2 or --columns ocv_v=3") as caught:
        read(tmp_path, head + "A,4.1,3.6,2900\nB,4.1,3.6,2910\n")
    assert words in str(caught.value)


def test_a_table_above_another(tmp_path: Path) -> None:
    """The larger one is not taken in silence."""
    with pytest.raises(FileUnusable, match=r"line 1: a table begins here and another in line 5"):
        read(tmp_path, "cell,ocv\nX,3.6\nY,3.61\n\n" + PLAIN)


def test_a_column_without_a_heading_is_told(tmp_path: Path) -> None:
    """What stands in it is not read, and that is said."""
    cells = read(tmp_path, "Cell,OCV,,Cap\n-,V,V,mAh\nA,3.6,4.1,2900\n")
    assert cells.attrs["reading"].unread == ("t.csv: column 3, which has no heading",)


def test_a_short_row_without_its_remark(tmp_path: Path) -> None:
    """Spreadsheets drop trailing empty fields: only a text is missing, so nothing has moved."""
    cells = read(tmp_path, "Cell,OCV (V),Cap (mAh),Remark\nA,3.6,2900,dent\nB,3.6,2900\n")
    assert not any(cells["problems"])
    assert cells["note"].tolist() == ["dent", None]


def test_comments_between_cells(tmp_path: Path) -> None:
    """Comment lines are kept apart and counted; ids that begin with # are cells."""
    cells = read(tmp_path, "# by: bench 1\n" + PLAIN + "# tea, new probes, 2\n// later\n#7,3.6,2900,20\n")
    assert list(cells.index) == [*CELLS, "#7"]
    reading = cells.attrs["reading"]
    assert [(c.line, c.value) for c in reading.comments] == [
        (1, "# by: bench 1"),
        (6, "# tea, new probes, 2"),
        (7, "// later"),
    ]
    assert [(f.key, f.value) for f in reading.facts] == [("by", "bench 1")]
    assert any("3 comment lines were passed over (line 1, 6, 7)" in a for a in reading.assumptions)


def test_columns_that_hold_nothing(tmp_path: Path) -> None:
    """An empty resistance column is no resistance; a probe that was not there is left out and said."""
    cells = read(
        tmp_path, "Cell,OCV (V),Cap (mAh),IR,Temp [°C],Weight\nA,3.6,2900,,-2501,\nB,3.6,2900,,-2501,\n"
    )
    assert list(cells.columns) == ["ocv_v", "capacity_mah", "source", "problems"]
    assert not any(cells["problems"])
    assert any("-2501" in w for w in cells.attrs["reading"].warnings)


def test_an_optional_reading_that_is_missing_is_no_reject(tmp_path: Path) -> None:
    """A missing temperature keeps no cell out; a missing resistance does, where the others have one."""
    cells = read(
        tmp_path,
        "Cell,OCV (V),Cap (mAh),IR (mΩ),Temp [°C]\nA,3.6,2900,20,21\nB,3.6,2900,20,\nC,3.6,2900,N/A,22\n",
    )
    assert [bool(p) for p in cells["problems"]] == [False, False, True]
    assert "N/A" in cells["problems"].iloc[2][0]


def test_one_bad_byte_in_a_unicode_file(tmp_path: Path) -> None:
    """One byte of another encoding costs one cell, not the meaning of every sign beyond ASCII."""
    path = tmp_path / "t.csv"
    text = "Cell,OCV (V),Cap (mAh),IR (mΩ)\nA,3.6,2900,20\nB?,3.6,2900,20\nC,3.6,2900,2?1\n"
    path.write_bytes(text.encode().replace(b"?", b"\xb0"))
    cells = read_cells(path)
    assert [bool(p) for p in cells["problems"]] == [False, True, True]
    assert cells["ir_mohm"].tolist()[:2] == [20.0, 20.0]
    assert any("not all of it is UTF-8 (first in line 3)" in a for a in cells.attrs["reading"].assumptions)


def test_both_resistances(tmp_path: Path) -> None:
    """AC and DC beside each other: AC, by which joining is judged, and that is said."""
    cells = read(tmp_path, "Cell,OCV (V),Cap (mAh),DCIR (mΩ),ACIR (mΩ)\nA,3.6,2900,33,20\n")
    assert (cells["ir_mohm"].iloc[0], cells["ir_method"].iloc[0]) == (20.0, "ac_1khz")
    assert any(
        "'ACIR (mΩ)' is taken for ir_mohm, not 'DCIR (mΩ)'" in a for a in cells.attrs["reading"].assumptions
    )


def test_all_other_columns(tmp_path: Path) -> None:
    """Every column of the table by its own name, numbers as numbers and text as text."""
    path = tmp_path / "t.csv"
    path.write_text(
        "cell_id,ocv_v,capacity_mah,ir_mohm,ir_method,rated_mah,temperature_c,self_discharge_mv_per_day,lot,model,chemistry,tester,slot,"
        "tested_at,rested_h,last_direction,mass_g,note\n"
        "A,3.6,2900,20,dc_10s,3000,21.5,0.4,L7,M-1,nmc,bench 2,04,2026-01-02,24,charged,45.1,dent\n"
    )
    row = read_cells(path).iloc[0].to_dict()
    numbers = {
        "rated_mah": 3000,
        "temperature_c": 21.5,
        "self_discharge_mv_per_day": 0.4,
        "rested_h": 24,
        "mass_g": 45.1,
    }
    texts = {
        "ir_method": "dc_10s",
        "lot": "L7",
        "model": "M-1",
        "chemistry": "nmc",
        "tester": "bench 2",
        "slot": "04",
        "tested_at": "2026-01-02",
        "last_direction": "charged",
        "note": "dent",
    }
    assert {n: row[n] for n in numbers} == numbers
    assert {n: row[n] for n in texts} == texts


def test_units_that_are_not_powers_of_ten(tmp_path: Path) -> None:
    """Fahrenheit, kelvin, coulomb, mV an hour, minutes."""
    cells = read(
        tmp_path,
        "Cell,OCV (V),Capacity (As),Temp (°F),K值(mV/h),Rest time (min)\n"
        "A,3.6,10440,77,0.05,90\nB,3.6,10440,77,0.05,90\n",
    )
    row = cells.iloc[0].to_dict()
    assert row["capacity_mah"] == pytest.approx(2900)
    assert row["temperature_c"] == pytest.approx(25)
    assert row["self_discharge_mv_per_day"] == pytest.approx(1.2)
    assert row["rested_h"] == pytest.approx(1.5)


def test_resolution_and_table(tmp_path: Path) -> None:
    """The digits show how fine a reading is; the short table says what each column was taken for."""
    cells = read(tmp_path, "Cell,OCV,Cap (Ah),IR\nA,3.60,2.911,0.0201\nB,3.6,2.9,0.0199\n")
    reading = cells.attrs["reading"]
    assert reading.resolution == {"ocv_v": 0.01, "capacity_mah": 1.0, "ir_mohm": pytest.approx(0.1)}
    lines = reading.table().splitlines()
    assert lines[0].split() == [
        "file",
        "column",
        "heading",
        "read",
        "as",
        "unit",
        "factor",
        "unit",
        "known",
        "from",
    ]
    assert [" ".join(line.split()) for line in lines[1:]] == [
        "t.csv 1 Cell cell_id text",
        "t.csv 2 OCV ocv_v V 1 inferred from the range",
        "t.csv 3 Cap (Ah) capacity_mah Ah 1000 header",
        "t.csv 4 IR ir_mohm ohm 1000 inferred from the range",
    ]


def test_a_file_of_ours_keeps_its_problems(tmp_path: Path) -> None:
    """A reject of an earlier plan stays one for what could not be read; its status and reasons are made anew."""
    text = (
        "cell_id,ocv_v,capacity_mah,ir_mohm,mark,source,problems,status,reasons,group\n"
        "A,3.6,2900,20,,t.csv line 2,,used,,1\n"
        "B,3.6,2900,,,t.csv line 3,t.csv line 3: found 'OL',reject,no resistance,0\n"
        "C,3.6,2900,,,t.csv line 4,,spare,,0\n"
    )
    cells = read(tmp_path, text)
    assert cells["problems"].tolist() == [(), ("t.csv line 3: found 'OL'",), ()]
    assert "status" not in cells.columns
