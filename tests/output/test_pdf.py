"""The papers and labels as PDF: every word on its page, nothing cut, on each other or empty, codes to the dot."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.textpath import TextPath

from cellmatch import Plan, plan_pack
from cellmatch.cells.table import CellTable
from cellmatch.output import look, pdf
from cellmatch.output.label_sheets import LABEL_SHEETS
from cellmatch.output.labels import code_matrix
from cellmatch.output.pdf import labels_pdf, papers_pdf
from cellmatch.output.pdf_figures import draw_figure
from cellmatch.output.pdf_file import PdfFile
from cellmatch.output.sheets import Sheet, SheetColumn, label_words, sheets_of

NAMES = ("plain", "no resistance", "one cell", "one group", "odd ids", "stop", "accepted")
Read = Callable[[bytes], list[Any]]
CHARTS_PAGE = 1


def flat(words: str) -> str:
    return re.sub(r"\s+", "", words)


@pytest.mark.parametrize("name", NAMES)
def test_every_word_of_every_sheet_stands_in_the_papers(odd_plans: dict[str, Plan], name: str, read_pdf: Read) -> None:
    plan = odd_plans[name]
    pages = read_pdf(papers_pdf(plan, "letter" if name == "stop" else "A4"))
    for sheet in sheets_of(plan):
        here = [p for p in pages if any(line.words == sheet.title for line in p.lines)]
        assert here, sheet.name
        for page in here:
            heads = [line.words for line in page.lines]
            assert [c.words for c in sheet.columns if c.words not in heads] == []
        # the lines of a value are written one after the other
        text = flat(" ".join(p.words for p in here))
        values = {v for row in sheet.rows for v in row} | {*sheet.lead, *sheet.foot}
        assert [v for v in values if flat(look.drawable(v)) not in text] == []


@pytest.mark.parametrize("name", NAMES)
def test_no_page_is_empty_and_each_says_which_it_is(odd_plans: dict[str, Plan], name: str, read_pdf: Read) -> None:
    pages = read_pdf(papers_pdf(odd_plans[name]))
    for n, page in enumerate(pages, start=1):
        words = [line.words for line in page.lines]
        assert f"page {n} of {len(pages)}" in words
        assert len(words) > 8 or page.operators.count(" c ") > 8, f"page {n} holds next to nothing"


@pytest.mark.parametrize("name", NAMES)
def test_words_lie_on_the_page_and_not_on_each_other(odd_plans: dict[str, Plan], name: str, read_pdf: Read) -> None:
    plan = odd_plans[name]
    papers, labels = read_pdf(papers_pdf(plan)), read_pdf(labels_pdf(plan))
    for page in (*papers, *labels):
        for line in page.lines:
            assert line.x > 0, line
            assert line.turned or line.x + line.wide < page.wide - 8, line
            assert 8 < line.y < page.tall - 8, line
    for page in (p for n, p in enumerate([*papers, *labels]) if n != CHARTS_PAGE):
        lines = [line for line in page.lines if line.words.strip()]
        x, y, wide = np.array([(line.x, line.y, line.wide) for line in lines]).T
        level, before = np.abs(y[:, None] - y) < 0.5, x[:, None] < x
        a, b = np.nonzero(level & before & ((x + wide)[:, None] > x))
        assert [(lines[i].words, lines[k].words) for i, k in zip(a, b, strict=True)] == []


def test_a_plan_with_nothing_to_level_has_no_page_for_it(odd_plans: dict[str, Plan], read_pdf: Read) -> None:
    for name in ("plain", "no spread"):
        plan = odd_plans[name]
        words = [line.words for p in read_pdf(papers_pdf(plan)) for line in p.lines]
        some = plan.with_status("used")["level_to_v"].notna().any()
        assert ("Cells to level and read again" in words) == some
    assert odd_plans["plain"].cells["level_to_v"].notna().any()


def test_signs_and_units_are_words_in_the_pdf(plain_plan: Plan, read_pdf: Read) -> None:
    words = " ".join(p.words for p in read_pdf(papers_pdf(plain_plan)))
    for sign in ("☐", "✓", "✗", "↕", "○", "−", "–", "±", "mΩ", "°C", "\u2009Ah", "“Up”"):
        assert sign in words, sign


def _one_column(rows: int, words: str = "row") -> Sheet:
    columns = (SheetColumn(words="what"), SheetColumn(words="reads V", write=True))
    return Sheet(
        name=str(rows), title=f"Sheet of {rows}", lead=(), columns=columns, rows=tuple((words, "") for _ in range(rows))
    )


def test_a_sheet_that_just_fills_its_page_has_no_empty_one_after_it(
    plain_plan: Plan, monkeypatch: pytest.MonkeyPatch, read_pdf: Read
) -> None:
    monkeypatch.setattr(pdf, "sheets_of", lambda plan: [_one_column(n) for n in range(30, 61)])
    pages = read_pdf(papers_pdf(plain_plan))
    for n in range(30, 61):
        here = [[line.words for line in p.lines].count("row") for p in pages if f"Sheet of {n}" in p.words]
        assert sum(here) == n
        assert min(here) > 0


def test_a_row_taller_than_a_page_goes_on_on_the_next(
    plain_plan: Plan, monkeypatch: pytest.MonkeyPatch, read_pdf: Read
) -> None:
    links = " ".join(f"{n}-{n + 1}," for n in range(2000)) + " " + "9" * 300
    monkeypatch.setattr(pdf, "sheets_of", lambda plan: [_one_column(1, links)])
    pages = [p for p in read_pdf(papers_pdf(plain_plan)) if "Sheet of 1" in p.words]
    assert len(pages) > 1
    text = flat(" ".join(line.words for p in pages for line in p.lines if line.points == pdf.TEXT_PT))
    assert flat(links) in text.replace("whatreadsV", "")
    assert all(line.y > 30 for p in pages for line in p.lines if line.points == pdf.TEXT_PT)


def test_more_characters_than_a_font_of_the_file_holds_are_all_kept(read_pdf: Read) -> None:
    file = PdfFile("all", "test", datetime(2026, 1, 1, tzinfo=UTC))
    page = file.page(600, 800)
    known = [chr(c) for c in range(0xA1, 0x500) if look.drawable(chr(c)) == chr(c)]
    assert len(known) > 800
    page.words(10, 700, "".join(known), 2.0)
    page.words(10, 600, "(a\\b) " + known[0], 8.0, bold=True)
    page.words(10, 500, "turned", 8.0, angle_deg=90)
    read = read_pdf(file.content())[0]
    assert [line.words for line in read.lines] == ["".join(known), "(a\\b) " + known[0], "turned"]
    assert [line.turned for line in read.lines] == [False, False, True]


def test_a_script_that_runs_from_right_to_left_is_drawn_in_its_order(read_pdf: Read) -> None:
    # its letters take shape by their neighbours: the outlines are the library's own
    file = PdfFile("id", "test", datetime(2026, 1, 1, tzinfo=UTC))
    file.page(600, 800).words(10, 700, "אבג-12", 8.0)
    page = read_pdf(file.content())[0]
    assert page.lines == ()
    corners = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+) [mlc]\b", page.operators), dtype=float)
    box = TextPath((0, 0), "אבג-12", size=8).get_extents()
    assert corners.min(axis=0) == pytest.approx([box.x0, box.y0], abs=0.3)
    assert corners.max(axis=0) == pytest.approx([box.x1, box.y1], abs=0.3)


def test_a_figure_is_drawn_where_it_is(read_pdf: Read) -> None:
    figure = Figure(figsize=(4, 4))
    ax = figure.add_axes((0.25, 0.25, 0.5, 0.5))
    ax.set_xlim(0, 10)
    ax.set_ylim(0, 10)
    ax.plot([0, 5, np.nan, 10], [0, 5, 5, 10], "s-", linewidth=3, markersize=4)
    ax.axhspan(2, 3, color="red", alpha=0.25, linewidth=0)
    ax.text(5, 5, "here", fontsize=10, fontweight="bold")
    file = PdfFile("figure", "test", datetime(2026, 1, 1, tzinfo=UTC))
    draw_figure(file.page(288, 288), figure)
    content = file.content()
    page = read_pdf(content)[0]
    assert next((a.x, a.y, a.points) for a in page.lines if a.words == "here") == (144, 144, 10)
    # 0..10 lies on 72..216 pt: a line of two ends, a gap, and no third
    assert "72 72 m 144 144 l" in page.operators
    assert page.operators.count("-2 -2 m") == 3
    assert "/G0 gs" in page.operators
    assert b"/G0<</ca 0.25" in content


def test_codes_in_the_pdf_have_every_dot(odd_plans: dict[str, Plan], read_pdf: Read) -> None:
    plan = odd_plans["odd ids"]
    page = read_pdf(labels_pdf(plan, "a4-64x34"))[0]
    sheet = LABEL_SHEETS["a4-64x34"]
    number = r"(-?[\d.]+)"
    codes = re.findall(rf"{number} 0 0 -{number} {number} {number} cm ([\d. re]+) f", page.operators)
    mm = 72 / 25.4
    side = 0.52 * sheet.height_mm * mm
    for index, (label, code) in enumerate(zip(label_words(plan), codes, strict=True)):
        matrix = np.array(code_matrix(label["cell"]))
        drawn = np.zeros_like(matrix)
        for x, y, wide, tall in np.array(re.findall(r"(\d+) (\d+) (\d+) (\d+) re", code[4]), dtype=int):
            drawn[y : y + tall, x : x + wide] += 1
        assert np.array_equal(drawn, matrix)
        dot_x, dot_y, x, y = map(float, code[:4])
        assert dot_x == dot_y == pytest.approx(side / len(matrix), abs=1e-4)
        left, top = sheet.corner_mm(index)
        assert x == pytest.approx((left + sheet.width_mm - 1.5) * mm - side, abs=0.01)
        assert page.tall - y == pytest.approx((top + 1.5) * mm, abs=0.01)


def test_every_label_has_its_words(odd_plans: dict[str, Plan], read_pdf: Read) -> None:
    for name in NAMES:
        labels = label_words(odd_plans[name])
        lines = [line.words for p in read_pdf(labels_pdf(odd_plans[name])) for line in p.lines]
        assert lines == [look.drawable(w) for label in labels for w in _in_order(label) if w]


def _in_order(label: dict[str, str]) -> list[str]:
    return [label[k] for k in ("cell", "flags", "group", "place", "figures", "date")]


@pytest.mark.slow
def test_a_pack_of_a_thousand_cells_has_a_page_for_about_forty_rows(
    draw_tray: Callable[..., CellTable], read_pdf: Read
) -> None:
    plan = plan_pack(draw_tray(1010, 20, spoilt=False), "20s50p", seconds=0.3)
    pages = read_pdf(papers_pdf(plan))
    rows = sum(len(sheet.rows) for sheet in sheets_of(plan))
    assert len(pages) < rows / 25
    words = " ".join(p.words for p in pages)
    # in the tray, in its group, in the check of it, and on both faces
    assert [c for c in plan.with_status("used").index if words.count(str(c)) < 5] == []
    assert [c for c in plan.cells.index if str(c) not in words] == []


def test_the_pdf_is_the_same_for_the_same_plan(odd_plans: dict[str, Plan]) -> None:
    plan = odd_plans["one cell"]
    assert labels_pdf(plan) == labels_pdf(replace(plan))
    assert papers_pdf(plan) == papers_pdf(replace(plan))


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="NOT RUN: pdftotext is not installed, PDF words not read")
def test_every_cell_stands_in_the_pdf_for_another_reader(odd_plans: dict[str, Plan], tmp_path: Path) -> None:
    plan = odd_plans["accepted"]
    path = tmp_path / "papers.pdf"
    path.write_bytes(papers_pdf(plan, "letter"))
    words = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
    pages = words.split("\f")[:-1]
    for cell in plan.cells.index:
        assert str(cell) in words
    for n, page in enumerate(pages, start=1):
        assert f"page {n} of {len(pages)}" in page
