"""Ids and marks as people write them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.reading.ids import cleaned, guarded, read_ids, unguarded
from cellmatch.cells.reading.marks import judged


def at(row: int) -> str:
    return f"tray.csv line {row + 2}"


@given(st.text(max_size=12))
def test_the_guard_comes_off_again(text: str) -> None:
    """Any text, guarded for a spreadsheet, reads back as itself, and none begins with a formula's sign."""
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith(("=", "+", "-", "@"))


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        (" A1 ", "A1"),
        ('="0012"', "0012"),
        ("A1\u00a0", "A1"),
        ("'=x", "=x"),
        ("'A", "'A"),
        ("=1+1", "=1+1"),
        ("", ""),
    ],
)
def test_cleaned(text: str, kept: str) -> None:
    """Spaces around and what a spreadsheet adds go; the rest stays."""
    assert cleaned(text) == kept


@pytest.mark.parametrize(
    ("text", "kept", "word"),
    [
        ("A1\u200b", "A1", "hidden"),
        ("A\ufeff2", "A2", "hidden"),
        ("A\u00a03", "A 3", "unusual"),
        ("\u04104", "\u04104", "another script"),
    ],
)
def test_what_nobody_can_see_is_said(text: str, kept: str, word: str) -> None:
    """A hidden sign is left out and said; a letter that looks like another is kept and said."""
    found = read_ids([text], at)
    assert found.ids == [kept]
    assert any(word in w and "line 2" in w for w in found.warnings)


@pytest.mark.parametrize("text", ["Jan 00", "01-Mar", "2026-03-04 00:00:00", "1.23E+12", "A\x00B", "A\ufffd"])
def test_ids_that_were_changed(text: str) -> None:
    """By a spreadsheet or a bad copy: the cell is kept out."""
    assert list(read_ids([text], at).faults) == [0]


@pytest.mark.parametrize(
    "text",
    [
        "0012",
        "1E5",
        "12e3",
        "1-100",
        "3/4",
        "NA",
        "nan",
        "#12",
        "März 3a",
        "A-B",
        "ячейка",
        "2026-03-04",
        "1.5",
    ],
)
def test_ids_that_are_kept(text: str) -> None:
    """Character for character, with nothing to say."""
    found = read_ids([text], at)
    assert (found.ids, found.faults, found.warnings) == ([text], {}, [])


def test_ids_that_are_easily_confused(tmp_path: Path) -> None:
    """0 and O, 1 and l, case, leading zeros; but not 1-11 and 11-1."""
    path = tmp_path / "t.csv"
    ids = ["B01", "BO1", "x1", "X1", "012", "12", "1-11", "11-1"]
    path.write_text("id,ocv_v,capacity_mah\n" + "".join(f"{i},3.6,2900\n" for i in ids))
    cells = read_cells(path)
    assert list(cells.index) == ids
    assert cells.attrs["reading"].warnings == (
        "ids that are easily taken for each other: B01 and BO1, x1 and X1, 012 and 12; mark the cells clearly",
    )


def test_a_mark_may_say_it_in_many_ways() -> None:
    """Words and signs of several languages; what is neither is unsettled."""
    passed = ["OK", "ok", "Pass", "○", "◯", "✓", "合格", "良", "i.O.", "GOOD", "yes"]
    failed = ["NG", "n.g.", "Fail", "×", "✗", "不合格", "n.i.O.", "reject", "BAD"]
    unsettled = ["△", "", "?", "x", "later", "B", "再測定"]
    assert [judged(m) for m in passed] == ["pass"] * len(passed)
    assert [judged(m) for m in failed] == ["fail"] * len(failed)
    assert [judged(m) for m in unsettled] == ["unsettled"] * len(unsettled)


def test_a_column_of_other_words_is_no_mark(tmp_path: Path) -> None:
    """Status: done, is not the tester's judgement; Result: PASS, is."""
    path = tmp_path / "t.csv"
    path.write_text("id,ocv_v,capacity_mah,Status,Result\nA,3.6,2900,done,PASS\nB,3.6,2900,done,FAIL\n")
    cells = read_cells(path)
    assert cells["mark"].tolist() == ["PASS", "FAIL"]
    assert [bool(p) for p in cells["problems"]] == [False, True]
    path.write_text("id,ocv_v,capacity_mah,Status\nA,3.6,2900,done\nB,3.6,2900,done\n")
    cells = read_cells(path)
    assert "mark" not in cells.columns
    assert cells.attrs["reading"].unread == ("t.csv: Status",)
