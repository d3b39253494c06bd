"""The bench sheet: what it holds, and that in a real browser it locks, opens, keeps and saves."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import io
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from cellmatch import Plan, plan_pack
from cellmatch.cells.readings import read_readings
from cellmatch.cells.table import CellTable
from cellmatch.cli import run
from cellmatch.output.bench_sheet import CSV_HEADER, bench_html
from cellmatch.output.folder import write_plan
from cellmatch.output.record import read_plan


def data_of(html: str) -> Any:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.DOTALL)
    assert found
    return json.loads(found[1])


@pytest.fixture(scope="module")
def small_plan(draw_tray: Callable[..., CellTable]) -> Plan:
    """Return a 4s3p plan with one cell to level."""
    return plan_pack(draw_tray(14, 11), "4s3p", seconds=0.3)


@pytest.fixture(scope="module")
def small_html(small_plan: Plan) -> str:
    return bench_html(small_plan)


def test_it_holds_every_step_and_every_reading(small_plan: Plan, small_html: str) -> None:
    steps, data = small_plan.assembly.steps, data_of(small_html)
    assert [s["number"] for s in data["steps"]] == [s.number for s in steps]
    for step, told in zip(steps, data["steps"], strict=True):
        assert [(r["kind"], r["target"]) for r in told["readings"]] == [(e.kind, e.target) for e in step.expected]
        assert told["ticks"] == len(step.do)
        assert told["cover"] == bool(step.cover)
        for reading, e in zip(told["readings"], step.expected, strict=True):
            assert (reading["low"], reading["high"]) == pytest.approx((e.low_v, e.high_v), abs=1e-6)
            assert reading["hard"] == [
                v if v is None else pytest.approx(v, abs=1e-6) for v in (e.hard_low_v, e.hard_high_v)
            ]
            assert reading["opens"] == e.reason_opens


def test_no_box_for_a_reason_where_none_may_open(small_plan: Plan, small_html: str) -> None:
    for step in small_plan.assembly.steps:
        for i, e in enumerate(step.expected):
            assert (f'id="q{step.number}-{i}"' in small_html) == e.reason_opens


def test_only_its_own_script_may_run_and_nothing_is_fetched(small_html: str) -> None:
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', small_html)
    scripts = re.findall(r"<script>(.*?)</script>", small_html, re.DOTALL)
    assert policy
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()
    assert "default-src 'none'" in policy[1]
    assert f"script-src 'sha256-{digest}'" in policy[1].replace("&#39;", "'")
    assert not re.search(r'\b(src|href)="', small_html)
    assert not re.search(r"\son\w+=", small_html)


def test_ids_with_markup_stay_ids(odd_plans: dict[str, Plan], markup_id: str) -> None:
    html = bench_html(odd_plans["odd ids"])
    assert "<b>&" not in html
    assert any(r["target"] == markup_id for s in data_of(html)["steps"] for r in s["readings"])


def test_no_word_of_a_machine_slips_through(odd_plans: dict[str, Plan]) -> None:
    for name in ("plain", "no resistance", "one cell", "one group", "odd ids", "stop"):
        html = bench_html(odd_plans[name])
        assert not re.search(
            r"\b(nan|NaN|None|True|False|Undefined)\b", re.sub(r"<script>.*?</script>", "", html, flags=re.S)
        ), name


def test_another_plan_is_another_sheet(small_html: str, odd_plans: dict[str, Plan], small_plan: Plan) -> None:
    assert data_of(small_html)["plan"] == data_of(bench_html(small_plan))["plan"]
    assert data_of(small_html)["plan"] != data_of(bench_html(odd_plans["plain"]))["plan"]


# ---- in a browser


class Sheet:
    """The bench sheet on a phone."""

    def __init__(self, browser: Any, path: Path) -> None:
        self.context = browser.new_context(viewport={"width": 390, "height": 844}, accept_downloads=True)
        self.page = self.context.new_page()
        self.requests: list[str] = []
        self.errors: list[str] = []
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.on("console", lambda m: self.errors.append(m.text))
        self.page.on("pageerror", lambda e: self.errors.append(str(e)))
        self.page.goto(path.as_uri())
        self.data = data_of(path.read_text(encoding="utf-8"))

    def step(self, number: int) -> Any:
        return self.data["steps"][number - 1]

    def fill(self, number: int, *, but: tuple[int, ...] = (), shift: float = 0.0) -> None:
        """Enter readings in the middle of their windows, all in one go."""
        typed = {
            f"i{number}-{i}": f"{(r['low'] + r['high']) / 2 + shift:.3f}".replace(".", ",")
            for i, r in enumerate(self.step(number)["readings"])
            if r["kind"] != "spread_v" and i not in but
        }
        self.page.evaluate(
            "typed => { for (const [id, text] of Object.entries(typed)) { const box = document.getElementById(id);"
            " box.value = text; box.dispatchEvent(new Event('input')); box.dispatchEvent(new Event('change')); } }",
            typed,
        )

    def tick(self, number: int) -> None:
        step = self.step(number)
        ids = [f"d{number}-{k}" for k in range(step["ticks"])] + ([f"c{number}"] if step["cover"] else [])
        self.page.evaluate(
            "ids => ids.forEach(id => { const b = document.getElementById(id); if (!b.checked) b.click(); })", ids
        )

    def done(self, number: int) -> None:
        self.fill(number)
        self.tick(number)
        self.page.click("#next")

    def locked(self) -> bool:
        return bool(self.page.is_disabled("#next"))

    def where(self) -> str:
        return str(self.page.inner_text("#where"))

    def download(self, button: str, folder: Path) -> Path:
        self.page.click("summary:has-text('Save, load')")
        with self.page.expect_download() as started:
            self.page.click(button)
        self.page.click("summary:has-text('Save, load')")
        made: Path = folder / started.value.suggested_filename
        started.value.save_as(made)
        return made


@pytest.fixture
def sheet(browser: Any, small_html: str, tmp_path: Path) -> Iterator[Sheet]:
    path = tmp_path / "bench.html"
    path.write_text(small_html, encoding="utf-8")
    opened = Sheet(browser, path)
    yield opened
    assert opened.errors == []
    assert [url for url in opened.requests if not url.startswith(("file:", "blob:"))] == []
    opened.context.close()


@pytest.mark.slow
def test_a_whole_build_and_its_readings_are_read_back(
    browser: Any, draw_tray: Callable[..., CellTable], tmp_path: Path
) -> None:
    plan = plan_pack(draw_tray(36, 11), "10s3p", seconds=0.3)
    folder = write_plan(plan, tmp_path / "pack", papers=("bench.html",))
    sheet = Sheet(browser, folder / "bench.html")
    steps = sheet.data["steps"]
    for step in steps:
        assert sheet.where() == f"step {step['number']} of {len(steps)}"
        assert sheet.locked()
        assert sheet.page.evaluate("document.documentElement.scrollWidth") <= 390
        if step["readings"] and step["readings"][0]["before"]:
            _box_is_in_sight(sheet, step["number"])
        if step["number"] == 1:
            _goes_wrong_and_is_mended(sheet)
        if step["number"] == len(steps) // 2:
            sheet.fill(step["number"])
            sheet.page.reload()  # work was interrupted
            assert sheet.where() == f"step {step['number']} of {len(steps)}"
            assert sheet.page.input_value(f"#i{step['number']}-0") != ""
        sheet.done(step["number"])
    assert sheet.where() == "done"
    saved = sheet.download("#save-readings", tmp_path)
    readings = read_readings(saved)
    typed = [
        (r["kind"], r["target"], str(s["number"])) for s in steps for r in s["readings"] if r["kind"] != "spread_v"
    ]
    assert [(r.kind, r.target, r.step) for r in readings] == typed
    middle = [(r["low"] + r["high"]) / 2 for s in steps for r in s["readings"] if r["kind"] != "spread_v"]
    assert [r.value_v for r in readings] == pytest.approx(middle, abs=0.0006)
    assert all(r.taken_at is not None for r in readings)
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        code = run(["inspect", str(folder), str(saved)])
    assert code == 0, printed.getvalue()
    assert read_plan(folder).history
    assert sheet.errors == []
    assert [url for url in sheet.requests if not url.startswith(("file:", "blob:"))] == []
    sheet.context.close()


def _box_is_in_sight(sheet: Sheet, step: int) -> None:
    """See that the first box to fill in lies above the buttons, without scrolling."""
    box, buttons = (sheet.page.locator(at).bounding_box() for at in (f"#i{step}-0", "#back"))
    assert box["y"] + box["height"] <= buttons["y"], step


def _goes_wrong_and_is_mended(sheet: Sheet) -> None:
    """Read outside the window: locked; give a reason: open; read again inside it."""
    sheet.fill(1)
    sheet.tick(1)
    assert not sheet.locked()
    sheet.page.fill("#i1-0", f"{sheet.step(1)['readings'][0]['low'] - 0.01:.3f}")
    assert sheet.locked()
    sheet.page.fill("#q1-0", "read with the second meter")
    assert not sheet.locked()
    sheet.page.fill("#q1-0", "")
    assert sheet.locked()


def test_a_reading_out_of_range_locks_and_a_written_reason_opens(sheet: Sheet) -> None:
    first = sheet.step(1)["readings"][0]
    sheet.tick(1)
    assert "missing" in sheet.page.inner_text("#lock")
    sheet.page.fill("#i1-0", f"{first['high'] + 0.01:.3f}")
    assert sheet.locked()
    assert "0.010 V above" in sheet.page.inner_text("#o1-0")
    sheet.page.fill("#q1-0", "  ")
    assert sheet.locked()
    sheet.page.fill("#q1-0", "second meter reads the same")
    assert not sheet.locked()


def test_reasons_that_opened_a_step_are_saved_with_the_readings(sheet: Sheet, tmp_path: Path) -> None:
    first = sheet.step(1)["readings"][0]
    sheet.page.fill("#i1-0", f"{first['high'] + 0.01:.3f}")
    sheet.page.fill("#q1-0", 'a "second" meter, same')
    (read,) = read_readings(sheet.download("#save-readings", tmp_path))
    assert (read.is_taken, read.reason) == (True, 'a "second" meter, same')
    # the reading is taken back, the reason stands in its place
    sheet.page.fill("#i1-0", "")
    (read,) = read_readings(sheet.download("#save-readings", tmp_path))
    assert (read.is_taken, read.target, read.step) == (False, first["target"], "1")
    # inside its window a reading needs no reason
    sheet.fill(1)
    (read,) = read_readings(sheet.download("#save-readings", tmp_path))
    assert (read.is_taken, read.reason) == (True, "")


def test_a_missing_reading_opens_by_a_reason_only_where_one_may(sheet: Sheet) -> None:
    sheet.tick(1)
    sheet.page.click("#r1-0 summary")
    sheet.page.fill("#q1-0", "box full, read in step 4")
    assert not sheet.locked()
    level = next(s for s in sheet.data["steps"] if any(not r["opens"] for r in s["readings"]))
    assert level["number"] == 2
    sheet.page.click("#next")
    sheet.tick(2)
    assert sheet.locked()
    assert sheet.page.locator("#step2 .reason").count() == 0


@pytest.mark.parametrize(("typed", "words"), [("-3.67", "wrong sign"), ("1.9", "Stop"), ("4.4", "Stop")])
def test_what_no_reason_may_open_stays_locked(sheet: Sheet, typed: str, words: str) -> None:
    sheet.tick(1)
    sheet.page.fill("#i1-0", typed)
    assert words in sheet.page.inner_text("#o1-0")
    assert sheet.page.is_hidden("#q1-0")
    assert sheet.locked()


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("3,67", 3.67), ("3.67", 3.67), (" 3,67 V", 3.67), ("−0,5", -0.5), ("3 67", None), ("3.6.7", None), ("x", None)],
)
def test_a_decimal_comma_is_a_number_and_anything_else_is_none(sheet: Sheet, typed: str, kept: float | None) -> None:
    sheet.page.fill("#i1-0", typed)
    sheet.page.dispatch_event("#i1-0", "change")
    state = sheet.page.evaluate("Object.fromEntries(Object.entries(localStorage).map(([k, v]) => [k, JSON.parse(v)]))")
    readings = next(iter(state.values()))["readings"]
    if kept is None:
        assert readings == {}
        assert "not a number" in sheet.page.inner_text("#o1-0")
    else:
        assert readings["1-0"]["v"] == kept
        assert sheet.page.input_value("#i1-0") == str(kept)


def test_links_wait_for_the_readings_before_them(sheet: Sheet) -> None:
    number = next(s["number"] for s in sheet.data["steps"] if s["gated"])
    for n in range(1, number):
        sheet.done(n)
    before = [i for i, r in enumerate(sheet.step(number)["readings"]) if r["before"]]
    assert before
    assert sheet.page.is_disabled(f"#d{number}-0")
    sheet.fill(number, but=(before[-1],))
    assert sheet.page.is_disabled(f"#d{number}-0")
    sheet.fill(number)
    assert sheet.page.is_enabled(f"#d{number}-0")


def test_cells_too_far_apart_lock_their_group_for_good(sheet: Sheet) -> None:
    """Each cell inside its own window, but the group's cells further apart than may be joined."""
    numbers = [s["number"] for s in sheet.data["steps"] if any(r["kind"] == "spread_v" for r in s["readings"])]
    free_ends = numbers[0]
    for n in range(1, free_ends):
        sheet.done(n)
    sheet.fill(free_ends)
    sheet.tick(free_ends)
    assert not sheet.locked()
    readings = sheet.step(free_ends)["readings"]
    k, spread = next((i, r) for i, r in enumerate(readings) if r["kind"] == "spread_v")
    of_group = [i for i, r in enumerate(readings) if r["kind"] == "cell_v" and r["target"] in spread["cells"]]
    low, high = readings[of_group[0]]["low"], readings[of_group[1]]["high"]
    sheet.page.fill(f"#i{free_ends}-{of_group[0]}", f"{low - 0.02:.4f}")
    sheet.page.fill(f"#q{free_ends}-{of_group[0]}", "as written")
    sheet.page.fill(f"#i{free_ends}-{of_group[1]}", f"{high + 0.02:.4f}")
    sheet.page.fill(f"#q{free_ends}-{of_group[1]}", "as written")
    assert high - low + 0.04 > spread["high"]
    assert sheet.locked()
    assert "Stop" in sheet.page.inner_text(f"#o{free_ends}-{k}")


def test_a_reload_keeps_everything_and_goes_on_where_work_stopped(sheet: Sheet) -> None:
    sheet.done(1)
    sheet.page.fill("#i2-0", "3,6")
    sheet.page.check("#d2-0")
    sheet.page.reload()
    assert sheet.where().startswith("step 2 ")
    assert sheet.page.input_value("#i2-0") == "3.6"
    assert sheet.page.is_checked("#d2-0")
    sheet.page.click("#back")
    assert sheet.page.is_checked("#d1-0")
    assert not sheet.locked()


def test_a_change_to_an_earlier_reading_locks_what_follows(sheet: Sheet) -> None:
    sheet.done(1)
    sheet.page.click("#back")
    sheet.page.fill("#i1-0", "-3.6")
    assert sheet.locked()
    sheet.page.click("summary:has-text('All steps')")
    assert sheet.page.is_disabled(".contents button[data-step='2']")


def test_readings_grow_stale(sheet: Sheet) -> None:
    sheet.fill(1)
    sheet.tick(1)
    assert not sheet.locked()
    sheet.page.evaluate(
        "() => { const key = Object.keys(localStorage)[0], s = JSON.parse(localStorage[key]);"
        " s.readings['1-0'].at = s.saved = new Date(Date.now() - 25 * 3600e3).toISOString();"
        " localStorage[key] = JSON.stringify(s); }"
    )
    sheet.page.reload()
    assert sheet.locked()
    assert "older than 24 h" in sheet.page.inner_text("#o1-0")
    assert "More than 24 h" in sheet.page.inner_text("#notice")


@pytest.mark.slow
def test_progress_moves_to_another_device_and_only_to_its_own_plan(
    sheet: Sheet, browser: Any, small_html: str, tmp_path: Path, odd_plans: dict[str, Plan]
) -> None:
    sheet.done(1)
    progress = sheet.download("#save-progress", tmp_path)
    other_path = tmp_path / "other.html"
    other_path.write_text(bench_html(odd_plans["plain"]), encoding="utf-8")
    for path, words, where in (
        (tmp_path / "bench.html", "Progress loaded", "step 2 "),
        (other_path, "no progress of this plan", "step 1 "),
    ):
        second = Sheet(browser, path)
        second.page.click("summary:has-text('Save, load')")
        second.page.set_input_files("#load-progress", str(progress))
        second.page.wait_for_function("!document.getElementById('notice').hidden")
        assert words in second.page.inner_text("#notice")
        assert second.where().startswith(where)
        assert second.errors == []
        second.context.close()


def test_blank_print_hides_what_was_entered_and_as_built_shows_it(sheet: Sheet) -> None:
    sheet.fill(1)
    sheet.tick(1)
    sheet.page.emulate_media(media="print")
    colour = "getComputedStyle(document.getElementById('i1-0')).color"
    mark = "getComputedStyle(document.getElementById('d1-0'), '::before').content"
    assert sheet.page.evaluate(colour) != "rgba(0, 0, 0, 0)"
    assert "✓" in sheet.page.evaluate(mark)
    sheet.page.evaluate("document.body.dataset.print = 'blank'")
    assert sheet.page.evaluate(colour) == "rgba(0, 0, 0, 0)"
    assert sheet.page.evaluate(mark) == "none"
    assert sheet.page.is_visible("#step7")
    assert sheet.page.is_hidden("#next")


def test_targets_are_large_enough_for_gloves(sheet: Sheet) -> None:
    # 48 px, common practice
    for selector in ("#back", "#next", "#i1-0", "label:has(#d1-0)"):
        assert sheet.page.locator(selector).bounding_box()["height"] >= 48


def test_the_header_is_the_one_that_inspection_reads() -> None:
    from cellmatch.cells.readings import COLUMNS

    assert tuple(CSV_HEADER.split(",")) == COLUMNS
