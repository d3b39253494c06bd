"""Bench papers and labels: every cell on its line, true to size, readable without colour."""

from __future__ import annotations

import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from cellmatch import Plan, plan_pack
from cellmatch.cells.table import cell_table
from cellmatch.output.bench_sheet import bench_html
from cellmatch.output.label_sheets import LABEL_SHEETS, PAGES_MM
from cellmatch.output.labels import code_matrix, labels_html
from cellmatch.output.papers import papers_html
from cellmatch.output.pdf import papers_pdf
from cellmatch.output.report import report_html
from cellmatch.output.sheets import SHEETS, Sheet, label_words, sheets_of
from cellmatch.pack.holder import Holder
from cellmatch.prediction import LoadCase

NAMES = ("plain", "no resistance", "one cell", "one group", "odd ids", "stop", "accepted")


def sheet(plan: Plan, name: str) -> Sheet:
    return next(s for s in sheets_of(plan) if s.name == name)


def column(of: Sheet, words: str) -> list[str]:
    k = [c.words for c in of.columns].index(words)
    return [row[k] for row in of.rows]


@pytest.mark.parametrize("name", NAMES)
def test_every_sheet_of_every_plan_is_whole(odd_plans: dict[str, Plan], name: str) -> None:
    plan = odd_plans[name]
    sheets = sheets_of(plan)
    # nothing to level: no sheet for it
    some = plan.with_status("used")["level_to_v"].notna().any()
    assert len({s.name for s in sheets}) == len(SHEETS) - (not some)
    assert ("read again" in {s.name for s in sheets}) == some
    for s in sheets:
        assert s.rows
        assert {len(row) for row in s.rows} == {len(s.columns)}
        words = " ".join(value for row in s.rows for value in row) + " ".join((*s.lead, *s.foot))
        assert not re.search(r"\b(nan|None|True|False)\b", words)


def test_the_tray_list_keeps_the_order_of_the_file_and_says_what_becomes_of_each(plain_plan: Plan) -> None:
    picks = sheet(plain_plan, "picks by tray")
    assert column(picks, "cell") == list(plain_plan.cells.index)
    told = dict(zip(column(picks, "cell"), column(picks, "is"), strict=True))
    assert told["C001"] == "✗ reject"
    assert told["C002"].startswith("↕ level to 3.67")
    for cell in plain_plan.with_status("spare").index:
        assert told[str(cell)] == "○ spare"
    groups = dict(zip(column(picks, "cell"), column(picks, "group"), strict=True))
    for g, cells in enumerate(plain_plan.groups, start=1):
        assert {groups[c] for c in cells} == {str(g)}


def test_the_group_list_goes_place_by_place(plain_plan: Plan) -> None:
    picks = sheet(plain_plan, "picks by group")
    assert column(picks, "place") == [str(n) for n in range(1, 53)]
    up = dict(zip(column(picks, "cell"), column(picks, "up"), strict=True))
    for cell, row in plain_plan.with_status("used").iterrows():
        assert up[str(cell)] == ("+" if row["positive_up"] else "−")


def test_the_group_check_expects_what_levelling_will_bring(plain_plan: Plan) -> None:
    check = sheet(plain_plan, "group check")
    expected = dict(zip(column(check, "cell"), column(check, "expect V"), strict=True))
    row = plain_plan.cells.loc["C002"]
    assert row["ocv_v"] == 3.9
    assert expected["C002"] == f"{row['level_to_v']:.3f}"
    limits = [words for words in column(check, "cell") if "apart at most" in words]
    assert len(limits) == 13


def test_cells_to_level_have_their_line_to_be_read_again(plain_plan: Plan) -> None:
    form = sheet(plain_plan, "read again")
    used = plain_plan.with_status("used")
    level = used[used["level_to_v"].notna()]
    assert set(column(form, "cell")) == set(level.index)
    told = dict(zip(column(form, "cell"), column(form, "level to V"), strict=True))
    assert told["C002"] == f"{float(level['level_to_v'].loc['C002']):.3f}"


def test_each_junction_has_its_card_with_links_and_readings(plain_plan: Plan) -> None:
    card = sheet(plain_plan, "junctions")
    wiring, steps = plain_plan.assembly.wiring, plain_plan.assembly.steps
    lines = dict.fromkeys(column(card, "junction"))
    assert set(lines) == {f"{j.number}–{j.number + 1}" for j in wiring.junctions}
    # in the order of the work, not of the groups
    assert list(lines) == [f"{s.junction}–{s.junction + 1}" for s in steps if s.junction]
    text = " ".join(column(card, "what"))
    assert all(f"{link.a}-{link.b}" in text for link in wiring.links if link.junction)
    windows = [w for w in column(card, "window V") if " to " in w]
    assert len(windows) == sum(e.kind != "spread_v" for s in steps if s.junction for e in s.expected)


def test_touching_pairs_and_amps_a_link_are_printed() -> None:
    # geometry: 10s4p laid as 5 x 8 touches at 1, 4, 1, 4 ... pairs; at 20 A the single link carries 20 A, four 5 A each
    rng = np.random.default_rng(0)
    cells = cell_table(
        {"ocv_v": [3.67] * 40, "capacity_mah": rng.normal(2500, 20, 40), "ir_mohm": [25.0] * 40},
        ids=[f"C{i}" for i in range(40)],
    )
    case = LoadCase(current_a=20.0)
    folded = plan_pack(cells, "10s4p", chemistry="nmc", seconds=0.1, holder=Holder.parse("5x8"), case=case)
    text = [words.replace("\u2009", " ") for words in column(sheet(folded, "junctions"), "what")]
    assert "1 touching pair, 1 link: at 20 A 20.0 A each" in text
    assert "4 touching pairs, 4 links: at 20 A 5.0 A each" in text
    assert any("saves" in words for words in sheet(folded, "junctions").foot)


def test_taps_rise_from_nothing_to_the_whole_pack(plain_plan: Plan) -> None:
    volts = [float(v) for v in column(sheet(plain_plan, "taps"), "expect V")]
    assert len(volts) == 14
    assert volts[0] == 0
    assert np.all(np.diff(volts) > 3)


def test_labels_are_one_a_cell_with_its_id_in_the_code(odd_plans: dict[str, Plan]) -> None:
    for name in NAMES:
        words = label_words(odd_plans[name])
        assert sorted(w["cell"] for w in words) == sorted(map(str, odd_plans[name].cells.index))
        assert not re.search(r"\b(nan|None|NaT)\b", " ".join(v for w in words for v in w.values()))
    by_cell = {w["cell"]: w for w in label_words(odd_plans["plain"])}
    assert by_cell["C001"]["flags"] == "✗ reject"
    assert by_cell["C001"]["group"] == ""
    assert by_cell["C002"]["flags"].startswith("↕ level to")
    cell = odd_plans["plain"].groups[2][0]
    assert by_cell[cell]["group"] == "group 3"


def test_a_code_has_its_three_corners_and_is_square() -> None:
    # ISO/IEC 18004: finder patterns of 7 x 7 modules in three corners, 21 + 4(v - 1) modules a side
    for text in ("C001", "電池1", "a very long cell identification 0001"):
        matrix = np.array(code_matrix(text))
        side = len(matrix)
        assert matrix.shape == (side, side)
        assert (side - 21) % 4 == 0
        ring = np.ones((7, 7), dtype=int)
        ring[1:6, 1:6] = 0
        ring[2:5, 2:5] = 1
        for corner in (matrix[:7, :7], matrix[:7, -7:], matrix[-7:, :7]):
            assert (corner == ring).all()


@pytest.mark.parametrize("name", LABEL_SHEETS)
def test_labels_lie_on_their_paper_and_beside_each_other(name: str) -> None:
    size = LABEL_SHEETS[name]
    wide, tall = PAGES_MM[size.page]
    corners = [size.corner_mm(i) for i in range(size.a_page)]
    assert min(x for x, _ in corners) >= 0
    assert max(x for x, _ in corners) + size.width_mm <= wide
    assert max(y for _, y in corners) + size.height_mm <= tall
    # as much paper at the right as at the left, at the foot as at the head
    assert wide - (max(x for x, _ in corners) + size.width_mm) == pytest.approx(size.left_mm, abs=0.6)
    assert tall - (max(y for _, y in corners) + size.height_mm) == pytest.approx(size.top_mm, abs=0.6)
    assert len(set(corners)) == size.a_page


@pytest.mark.parametrize("make", [papers_html, labels_html])
def test_papers_stand_alone_and_escape_ids(odd_plans: dict[str, Plan], make: object) -> None:
    assert callable(make)
    html = make(odd_plans["odd ids"])
    assert "default-src 'none'" in html
    assert not re.search(r'\b(src|href)="(?!#)', html)
    assert "<script" not in html
    assert "<b>&" not in html
    assert "&lt;b&gt;&amp;" in html


@pytest.mark.slow
def test_every_caution_stands_on_every_paper(odd_plans: dict[str, Plan], tmp_path: Path) -> None:
    plan = odd_plans["accepted"]
    pdf = tmp_path / "papers.pdf"
    pdf.write_bytes(papers_pdf(plan))
    pages = {"bench": bench_html(plan), "papers": papers_html(plan), "report": report_html(plan)}
    for name, html in pages.items():
        text = unescape(re.sub(r"\s+", " ", html))
        assert [words for words in plan.cautions if words not in text] == [], name
        assert text.count(plan.cautions[-1]) <= 2, name
    if shutil.which("pdftotext") is None:
        pytest.skip("NOT RUN for the PDF: pdftotext is not installed")
    text = subprocess.run(["pdftotext", "-raw", pdf, "-"], capture_output=True, text=True, check=True).stdout
    flat = re.sub(r"\s+", " ", text)
    assert [words for words in plan.cautions if words[:30] not in flat] == []


def test_the_papers_draw_every_link(plain_plan: Plan) -> None:
    html = papers_html(plain_plan)
    drawn = sum(d.count("M") for d in re.findall(r'class="link \w+" stroke-width="[^"]*" d="([^"]*)"', html))
    assert drawn == len(plain_plan.assembly.wiring.links)
