"""Every paper in a real browser, opened from disk: it asks for nothing, complains of nothing, and fits a phone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from cellmatch import Plan, plan_pack
from cellmatch.cells.table import CellTable
from cellmatch.output.folder import ALL_PAPERS
from cellmatch.pack.holder import Holder
from cellmatch.prediction import LoadCase

HTML = [name for name in ALL_PAPERS if name.endswith(".html")]
pytestmark = pytest.mark.slow

PHONE, DESK = (390, 844), (1440, 900)


@pytest.fixture(scope="module")
def seen_plans(odd_plans: dict[str, Plan], draw_tray: Callable[..., CellTable]) -> dict[str, Plan]:
    """Return plans of every look: with a load, folded, offset, wide, one cell, no resistance, odd ids."""
    tray = draw_tray(30, 12)
    made = {
        "load": plan_pack(tray, "7s4p", case=LoadCase(current_a=8.0), seconds=0.2),
        "folded": plan_pack(tray, "5s4p", holder=Holder.parse("4x5"), seconds=0.2),
        "offset": plan_pack(tray, "7s4p", holder=Holder.parse("offset"), seconds=0.2),
        "strips": plan_pack(tray, "6s4p", holder=Holder.parse("strips 6x4"), seconds=0.2),
        "modules": plan_pack(tray, "6s4p", holder=Holder(split_after=(3,)), seconds=0.2),
    }
    return made | {name: odd_plans[name] for name in ("no resistance", "one cell", "single cells", "odd ids", "stop")}


@pytest.fixture(scope="module")
def papers(seen_plans: dict[str, Plan], tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Path]:
    """Return where each paper of each plan lies."""
    folder = tmp_path_factory.mktemp("papers")
    written = {}
    for plan_name, plan in seen_plans.items():
        for name in HTML:
            path = folder / f"{plan_name} {name}"
            path.write_bytes(ALL_PAPERS[name](plan))
            written[plan_name, name] = path
    return written


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context()
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("name", HTML)
def test_it_asks_for_nothing_complains_of_nothing_and_fits(
    page: Any, papers: dict[tuple[str, str], Path], name: str
) -> None:
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    for (plan_name, paper), path in papers.items():
        if paper == name:
            for width, height in (PHONE, DESK):
                page.set_viewport_size({"width": width, "height": height})
                page.goto(path.as_uri())
                assert page.evaluate("document.documentElement.scrollWidth") <= width, plan_name
    assert {url for url in asked if not url.startswith("file:")} == set()
    assert sum(url.startswith("file:") for url in asked) == 2 * sum(paper == name for _, paper in papers)
    assert said == []


@pytest.mark.parametrize("name", ["report.html", "bench.html", "papers.html"])
def test_words_of_drawings_do_not_run_off_the_screen(page: Any, papers: dict[tuple[str, str], Path], name: str) -> None:
    """On a phone, each word of a chart or map that is shown ends inside the window."""
    off = """[...document.querySelectorAll('svg text')].filter(t => { const r = t.getBoundingClientRect();
        return r.width && (r.right > innerWidth + 1 || r.left < -1); }).map(t => t.textContent)"""
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    for (plan_name, paper), path in papers.items():
        if paper == name:
            page.goto(path.as_uri())
            assert page.evaluate(off) == [], plan_name


@pytest.mark.parametrize("name", HTML)
def test_nothing_serious_for_those_who_do_not_see(browser: Any, papers: dict[tuple[str, str], Path], name: str) -> None:
    """By axe-core's rules (WCAG 2.1 A and AA)."""
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="NOT RUN: axe-core is not installed"
    ).Axe()
    # the policy of the papers allows no script but their own, so the checker is let in past it
    context = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, bypass_csp=True)
    page = context.new_page()
    for plan_name in ("load", "stop", "odd ids"):
        page.goto(papers[plan_name, name].as_uri())
        found = axe.run(page).response["violations"]
        serious = [(v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in ("serious", "critical")]
        assert serious == [], plan_name
    context.close()
