"""Odd files and what reading each must give: our own, and the collection beside the checkout where it is there."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.table import CellTable
from cellmatch.cells.understood import Reading
from cellmatch.errors import FileAmbiguous, FileUnusable

CASES = Path(__file__).parent / "cases"
OWN: list[dict[str, Any]] = json.loads((CASES / "expected.json").read_text(encoding="utf-8"))["cases"]
NAMES = ("ocv_v", "capacity_mah", "ir_mohm")


def reading(cells: CellTable) -> Reading:
    found = cells.attrs["reading"]
    assert isinstance(found, Reading)
    return found


def holds(texts: tuple[str, ...], words: list[str]) -> bool:
    """Tell whether one of the texts holds all the words."""
    return any(all(w.casefold() in t.casefold() for w in words) for t in texts)


def check_cells(cells: CellTable, expected: dict[str, list[float]]) -> None:
    good = cells[[not problems for problems in cells["problems"]]]
    assert list(good.index) == list(expected)
    for cell_id, values in expected.items():
        row = good.iloc[list(good.index).index(cell_id)]
        assert [float(row[n]) for n in NAMES] == pytest.approx(values, rel=1e-12), cell_id


def test_there_are_twenty_cases() -> None:
    """Every quirk has its file, and every file its case."""
    assert len(OWN) == 20
    assert {c["file"] for c in OWN} == {p.name for p in CASES.glob("*.csv")}


@pytest.mark.parametrize("case", [c for c in OWN if "error" not in c], ids=lambda c: c["file"])
def test_own_case_is_read(case: dict[str, Any]) -> None:
    """Values, encoding, delimiter, decimal sign, heading line and every word that has to be said."""
    cells = read_cells(CASES / case["file"])
    said = reading(cells)
    file = said.files[0]
    assert (file.encoding, file.delimiter, file.decimal, file.header_line) == (
        case["encoding"],
        case["delimiter"],
        case["decimal"],
        case["header_line"],
    )
    check_cells(cells, case["cells"])
    problems = {i: p for i, p in zip(cells.index, cells["problems"], strict=True) if p}
    assert set(problems) == set(case.get("problems", {}))
    for cell_id, words in case.get("problems", {}).items():
        assert holds(problems[cell_id], words), problems[cell_id]
    headings = {c.name: c.header for c in said.columns}
    assert headings | case["headings"] == headings
    how = {c.name: c.how for c in said.columns}
    assert how | case.get("how", {}) == how
    for words in case.get("assumptions", []):
        assert holds(said.assumptions, words), said.assumptions
    for words in case.get("warnings", []):
        assert holds(said.warnings, words), said.warnings
    assert len(said.warnings) == len(case.get("warnings", []))
    assert len(said.comments) == case.get("comments", 0)
    facts = {f.key: f.value for f in said.facts}
    assert facts | case.get("facts", {}) == facts
    if "unread" in case:
        assert [u.split(": ")[1] for u in said.unread] == case["unread"]
    if "method" in case:
        assert set(cells["ir_method"]) == {case["method"]}


@pytest.mark.parametrize("case", [c for c in OWN if "error" in c], ids=lambda c: c["file"])
def test_own_case_is_refused(case: dict[str, Any]) -> None:
    """The right kind of error with every word that helps, and the way on where there is one."""
    kind = {"FileUnusable": FileUnusable, "FileAmbiguous": FileAmbiguous}[case["error"]]
    with pytest.raises(kind) as caught:
        read_cells(CASES / case["file"])
    assert holds((str(caught.value),), case["says"]), caught.value
    if "then" in case:
        check_cells(read_cells(CASES / case["file"], columns=case["then"]["columns"]), case["then"]["cells"])


def shared_cases() -> list[Any]:
    """Return the names of the collection beside the checkout; its folder is only known to the fixture."""
    return [f"o{number:02d}" for number in range(1, 21)]


@pytest.mark.parametrize("number", shared_cases())
def test_shared_case(shared: Path, number: str) -> None:
    """The collection of invented files that reproduce quirks of real ones."""
    folder = shared / "cases"
    cases = {
        c["file"][:3]: c for c in json.loads((folder / "cases.json").read_text(encoding="utf-8"))["cases"]
    }
    case = cases[number]
    if number in ("o12", "o17", "o18", "o19"):  # o11 is settled by a stated rule, o20 by turning the table
        check_refused(folder / case["file"], case)
        return
    cells = read_cells(folder / case["file"])
    file = reading(cells).files[0]
    for key in ("encoding", "delimiter", "decimal", "header_line"):
        assert case.get(key, getattr(file, key)) == getattr(file, key), key
    problems = [f"{i}: {p}" for i, ps in zip(cells.index, cells["problems"], strict=True) for p in ps]
    said = (*reading(cells).warnings, *reading(cells).assumptions, *problems)
    zero_volts = [
        e for e in case.get("errors", []) if e["must_mention"] == ["0"]
    ]  # a reading: screening rejects it
    for item in [*case.get("warnings", []), *case.get("errors", [])]:
        if item in zero_volts:
            continue
        assert holds(said, item["must_mention"]), (item, said)
    if case["outcome"] == "error_rows":
        good = cells[[not p and v != 0 for p, v in zip(cells["problems"], cells["ocv_v"], strict=True)]]
        check_shared_rows(good, case["rows"])
        assert len(cells) == len(case["rows"]) + len(case["errors"])
    elif "distinct_cells" in case:
        assert len(cells) == case["distinct_cells"]
    else:
        check_shared_rows(cells, case.get("rows") or case["rows_if_ok"])


def check_refused(path: Path, case: dict[str, Any]) -> None:
    """Check what is said of a file that is refused or asked about, and the reading after the choice."""
    with pytest.raises((FileUnusable, FileAmbiguous)) as caught:
        read_cells(path)
    assert [w for w in case["must_mention"] if w.casefold() not in str(caught.value).casefold()] == [], (
        caught.value
    )
    if "if_column_4_chosen" in case:
        check_shared_rows(read_cells(path, columns={"ocv_v": "4"}), case["if_column_4_chosen"])


def check_shared_rows(cells: Any, rows: list[dict[str, Any]]) -> None:
    assert list(cells.index) == [r["id"] for r in rows]
    for row in rows:
        for name in NAMES:
            assert float(cells.loc[row["id"], name]) == pytest.approx(row[name], rel=1e-9), (row["id"], name)
