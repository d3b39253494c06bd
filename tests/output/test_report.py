"""The report: it stands alone, says all the plan holds, and can't be broken by an id."""

from __future__ import annotations

import itertools
import re
import shlex
from collections.abc import Callable
from dataclasses import fields, replace
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cellmatch import Limits, Plan, plan_pack
from cellmatch.cells.table import CellTable
from cellmatch.output import look
from cellmatch.output.command import LOAD_OPTIONS, repeat_command
from cellmatch.output.quantities import group_balance
from cellmatch.output.report import report_html
from cellmatch.output.spares import ranked_spares
from cellmatch.output.svg_charts import BalanceScale
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import LIMIT_WORDS
from cellmatch.prediction import LoadCase

if TYPE_CHECKING:
    from playwright.sync_api import Browser

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Reader(HTMLParser):
    """Reads a document, refuses tags that don't close, and keeps its words and what it would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.fetched: list[str] = []
        self.names: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.fetched += [str(v) for k, v in attrs if k in ("src", "href", "srcset", "data", "action")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "script"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"[ \n]+", " ", " ".join(self.words))


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert not reader.open
    return reader


def test_it_stands_alone(odd_plans: dict[str, Plan]) -> None:
    for plan in odd_plans.values():
        html = report_html(plan)
        reader = read(html)
        assert not reader.fetched
        assert not {"script", "iframe", "object", "b"} & set(reader.names)
        assert "default-src 'none'" in html
        assert set(re.findall(r"url\(([^)]*)\)", html)) <= {"#hatch", "#dots"}
        assert "@import" not in html


def test_no_word_of_a_machine_slips_through(odd_plans: dict[str, Plan]) -> None:
    for name, plan in odd_plans.items():
        words = read(report_html(plan)).text
        assert not re.search(r"\b(nan|NaN|None|True|False|inf|Undefined|dtype)\b", words), name
        assert "[[" not in words


def test_every_reason_of_every_reject_is_told(plain_plan: Plan) -> None:
    words = read(report_html(plain_plan)).text
    rejects = plain_plan.with_status("reject")
    assert len(rejects) == 2
    for cell, row in rejects.iterrows():
        assert str(cell) in words
        assert row["reasons"]
        for reason in row["reasons"]:
            assert reason in words


@pytest.mark.parametrize(
    ("name", "words"),
    [("plain", "↕ Level first"), ("one group", "✓ Go"), ("stop", "✗ Stop"), ("no resistance", "↕ Level first")],
)
def test_the_verdict_comes_first_with_its_reasons(odd_plans: dict[str, Plan], name: str, words: str) -> None:
    plan = odd_plans[name]
    text = read(report_html(plan)).text
    assert words in text
    assert text.index(words) < text.index("usable capacity")
    for reason in plan.verdict_reasons[:12]:
        assert reason in text


def test_what_was_assumed_noted_and_warned_of_is_told(odd_plans: dict[str, Plan]) -> None:
    for plan in odd_plans.values():
        text = read(report_html(plan)).text
        for words in (*plan.assumptions, *plan.notes, *plan.cautions):
            assert re.sub(r"[ \n]+", " ", words) in text


def test_an_id_with_markup_stays_an_id(odd_plans: dict[str, Plan], markup_id: str) -> None:
    reader = read(report_html(odd_plans["odd ids"]))
    assert markup_id in reader.text
    assert "b" not in reader.names


def test_the_numbers_are_the_plans(plain_plan: Plan) -> None:
    text = read(report_html(plain_plan)).text
    group_mah = [float(plain_plan.cells.loc[list(g), "capacity_mah"].sum()) for g in plain_plan.groups]
    assert f"{min(group_mah) / 1000:.2f}\u2009Ah usable" in text
    assert "Of 60 cells 52 are used, 6 stay spare and 2 are rejected" in text
    spread = max(group_mah) - min(group_mah)
    assert f"spread of groups {spread:.1f}\u2009mAh" in text
    for value in group_mah:
        assert f" {value:.0f} " in text


def test_not_proven_says_how_to_go_on_and_proven_does_not(plain_plan: Plan) -> None:
    grouping = plain_plan.grouping
    for proven, ended_by in ((True, "spread equals its bound"), (False, "time limit"), (False, "all stages done")):
        aims = tuple(replace(aim, proven=proven) for aim in grouping.aims)
        plan = replace(plain_plan, grouping=replace(grouping, aims=aims, proven=proven, ended_by=ended_by))
        text = read(report_html(plan)).text
        assert ("run again with more time" in text) == (ended_by == "time limit")  # only where it was cut short
        assert ("proven: nothing better exists" in text) == proven


def test_a_spread_below_the_floor_is_not_boasted_of(
    odd_plans: dict[str, Plan], draw_tray: Callable[..., CellTable]
) -> None:
    assert "could not see a better match" in read(report_html(odd_plans["plain"])).text
    exact = Limits(repeatability_fraction=1e-6)
    above = plan_pack(draw_tray(12, 3, spoilt=False), "4s3p", limits=exact, seconds=0.2)
    assert above.grouping.spread_mah > above.grouping.floor_mah
    assert "the groups do differ" in read(report_html(above)).text


def test_every_limit_is_told_with_its_value(plain_plan: Plan) -> None:
    text = read(report_html(plain_plan)).text
    for name, told in LIMIT_WORDS.items():
        assert told.short in text, name
    assert "voltmeter accuracy, of the reading 0.50\u2009% default" in text
    assert "lowest in service 2.50\u2009V NMC/graphite --min-v" in text.replace("  ", " ")


def test_the_command_repeats_the_run(draw_tray: Callable[..., CellTable]) -> None:
    limits = Limits(salvaged=True, rated_mah=2600, repeatability_fraction=0.005)
    reason = {"C001": "read 3.66 V twice; it's fine"}
    plan = plan_pack(draw_tray(20, 3), "4s4p", limits=limits, accept=reason, seed=5, seconds=0.2)
    words = shlex.split(repeat_command(plan))
    assert words[:4] == ["cellmatch", "plan", "CELLS.csv", "4s4p"]
    given = dict(itertools.pairwise(words))
    assert given["--chemistry"] == "nmc"
    assert given["--rated-mah"] == "2600"
    assert given["--repeatability-fraction"] == "0.005"
    assert given["--accept"] == "C001=read 3.66 V twice; it's fine"
    assert given["--seed"] == "5"
    assert "--salvaged" in words
    assert "--min-capacity-fraction" not in words  # follows from --salvaged


def test_the_command_names_holder_and_load(draw_tray: Callable[..., CellTable]) -> None:
    case = LoadCase(current_a=8.0, cell_a=5.0)
    plan = plan_pack(draw_tray(14, 3), "4s3p", holder=Holder.parse("strips 4x3"), case=case, seconds=0.2)
    words = shlex.split(repeat_command(plan))
    given = dict(itertools.pairwise(words))
    assert given["--holder"] == "strips 4x3"
    assert (given["--current"], given["--cell-current"]) == ("8", "5")
    assert "--link-mohm" not in words
    assert set(LOAD_OPTIONS) == {f.name for f in fields(LoadCase)}


def test_every_option_of_the_command_exists(draw_tray: Callable[..., CellTable]) -> None:
    from cellmatch.cli import cli

    limits = Limits(salvaged=True, rated_mah=2500.0, outlier_k=6.0, join_limit_c=0.4, max_ir_mohm=70.0)
    plan = plan_pack(draw_tray(14, 3), "4s3p", limits=limits, case=LoadCase(power_w=60.0), seconds=0.2)
    known = {o for p in cli.commands["plan"].params for o in p.opts}
    assert {w for w in shlex.split(repeat_command(plan)) if w.startswith("--")} <= known
    assert set(LOAD_OPTIONS.values()) <= known


def test_a_load_is_told_with_its_ranges(draw_tray: Callable[..., CellTable]) -> None:
    plan = plan_pack(draw_tray(14, 3), "4s3p", case=LoadCase(current_a=8.0), seconds=0.2)
    load = plan.prediction.load
    assert load is not None
    text = read(report_html(plan)).text
    assert "Under a load of 8 A" in text
    assert f"{load.usable_ah[0]:.2f} to {load.usable_ah[1]:.2f}" in text
    assert load.hottest_cell in text
    for words in load.findings:
        assert words in text


def test_spares_are_ranked_by_what_they_could_replace(odd_plans: dict[str, Plan]) -> None:
    """Against a count in plain Python, cell by cell."""
    for plan in odd_plans.values():
        capacity = {str(c): float(v) for c, v in plan.cells["capacity_mah"].items()}
        sums = [sum(capacity[c] for c in group) for group in plan.groups]
        least = min(sums) - plan.grouping.group_uncertainty_mah
        for spare in ranked_spares(plan):
            served, packs = [], []
            for g, group in enumerate(plan.groups):
                for cell in group:
                    new = sums[g] - capacity[cell] + capacity[spare.cell]
                    packs.append(min([new, *(s for k, s in enumerate(sums) if k != g)]))
                    if new >= least:
                        served.append(g + 1)
            assert spare.cells == len(served)
            assert spare.groups == tuple(sorted(set(served)))
            assert spare.pack_mah == pytest.approx(float(np.median(packs)))
        counts = [s.cells for s in ranked_spares(plan)]
        assert counts == sorted(counts, reverse=True)


def test_the_stylesheet_and_the_charts_share_their_colours() -> None:
    from importlib.resources import files

    css = (files("cellmatch.output") / "templates" / "look.css").read_text(encoding="utf-8")
    named = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))
    assert named == {
        "ink": look.INK, "muted": look.MUTED, "rule": look.RULE, "grid": look.GRID, "paper": look.PAPER,
        "accent": look.ACCENT, "level": look.LEVEL, "stop": look.STOP, "odd": look.TINTS[0], "even": look.TINTS[1],
        **{f"q{k}": colour for k, colour in enumerate(look.SCALE)},
    }  # fmt: skip
    outside = re.sub(r":root \{.*?\}", "", css, flags=re.DOTALL)
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b(?!\))", outside)


def test_rows_of_the_balance_lie_where_their_numbers_say(plain_plan: Plan) -> None:
    balance = group_balance(plain_plan)
    scale = BalanceScale(balance)
    assert scale.percent(0) == 50
    half = scale.percent(balance.floor_mah / 2) - 50
    band = re.search(r'class="floor" x="([\d.]+)%" y="0" width="([\d.]+)%"', scale.row(0))
    assert band
    assert [float(v) for v in band.groups()] == pytest.approx([50 - half, 2 * half], abs=0.01)
    dots = [float(re.findall(r'class="dot" cx="([\d.]+)%', scale.row(i))[0]) for i in range(13)]
    assert np.argsort(dots, kind="stable").tolist() == np.argsort(balance.deviation_mah, kind="stable").tolist()


def test_reports_keep_their_size(draw_tray: Callable[..., CellTable]) -> None:
    medium = plan_pack(draw_tray(140, 2), "14s8p", seconds=0.2)
    assert len(report_html(medium).encode()) <= 600_000
    large = plan_pack(draw_tray(1100, 2), "20s50p", seconds=0.2)
    assert len(report_html(large).encode()) <= 3_000_000


def test_it_prints_to_whole_pages(browser: Browser, plain_plan: Plan, tmp_path: Path) -> None:
    paper, made = tmp_path / "report.html", tmp_path / "report.pdf"
    paper.write_text(report_html(plain_plan), encoding="utf-8")
    page = browser.new_page()
    page.goto(paper.as_uri())
    page.pdf(path=made, format="A4", prefer_css_page_size=True)
    page.close()
    pages = len(re.findall(rb"/Type\s*/Page\b", made.read_bytes()))
    assert 4 <= pages <= 8
