"""The page in a real browser: the whole job, stopped searches, the keyboard alone, a phone."""

from __future__ import annotations

import ipaddress
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from cellmatch import read_plan
from cellmatch.page.jobs import Jobs
from cellmatch.page.server import own_address
from tests.conftest import NO_BROWSER, no_browser_allowed
from tests.page.conftest import Running, start, visit

STEPS = ("job", "readings", "screening", "groups", "map", "prediction", "build", "papers")

MESSY = (
    "Zelle;Spannung;Kapazität mAh;Spannung;Ri mOhm;Stück\r\n"
    + "".join(
        f"#{i:02d};4,18{i % 3};2{i % 10}5{i % 7},5;3,60{i % 5};{22 + i % 4},{i % 10};<b>{i}</b>\r\n"
        for i in range(1, 15)
    )
    + "#15;4,180;x;3,601;23,1;\r\n"
    + "#16;4,180;2510;1,2;23,1;flach\r\n"
).encode("cp1252")


def find_groups(page: Page, seconds: str = "0.5") -> None:
    page.fill("#seconds", seconds)
    page.click("button:has-text('Find groups')")
    page.wait_for_selector("dl.strip")


if no_browser_allowed():
    pytest.skip(NO_BROWSER, allow_module_level=True)

pytestmark = pytest.mark.slow  # journeys through the whole job in a real browser


def test_the_whole_job_on_a_sample_by_mouse(browser: Browser, shared_server: Running, tmp_path: Path) -> None:
    seen = visit(browser, shared_server, accept_downloads=True)
    page = seen.page
    page.click("button:text-is('Dock cart')")
    page.wait_for_url("**/readings")
    name = page.url.split("/")[4]

    page.click("nav.onward >> text=Screening")
    before = page.inner_text("#tally")
    page.locator("[data-slider-for=max_ir_ratio]").focus()
    for _ in range(6):
        page.keyboard.press("ArrowLeft")
    page.wait_for_selector(f"#tally:not(:text-is({json.dumps(before)}))")
    assert page.input_value("#max_ir_ratio") == "1.2"
    with page.expect_response(lambda r: "max_ir_ratio=&" in (r.request.post_data or "")):
        page.fill("#max_ir_ratio", "")
    page.wait_for_selector("#tally:has-text('2 rejected')")
    page.click("summary:has-text('use anyway')")
    page.fill(".anyway input[name=reason]", "for a lamp")
    page.click("button:has-text('marked for ever')")
    page.wait_for_selector("text=! used anyway")
    page.click("button:text-is('no longer use it')")
    page.wait_for_selector("#tally:has-text('2 rejected')")

    page.click("nav.onward >> text=Groups")
    find_groups(page)

    page.click("nav.onward >> text=Pack map")
    cells = page.locator("svg.map >> nth=0 >> [data-cell]")
    a, b = cells.nth(0).get_attribute("data-cell"), cells.nth(5).get_attribute("data-cell")
    cells.nth(0).click()
    page.wait_for_selector(f"#cell h2:has-text('{a}')")
    cells.nth(5).click()
    page.wait_for_selector(f"#told:has-text('Swapped {a} and {b}')")
    assert cells.nth(0).get_attribute("data-cell") == b
    page.click("button:has-text('Undo')")
    page.wait_for_selector("#told:has-text('Swapped back')")
    cells.nth(0).drag_to(cells.nth(9))
    page.wait_for_selector("#told:has-text('Swapped'):not(:has-text('back'))")
    assert cells.nth(9).get_attribute("data-cell") == a
    page.select_option("#colour", "ir_mohm")
    page.wait_for_selector(".scale")

    page.click("nav.onward >> text=Prediction")
    page.fill("#load-value", "10")
    page.press("#load-value", "Tab")
    page.wait_for_selector("#load dl.strip")

    page.click("nav.onward >> text=Build")
    page.wait_for_selector("#i1-0")
    page.fill("#i1-0", "3,2")
    page.press("#i1-0", "Enter")
    page.wait_for_selector("#r1-0.outside")
    seen.check_access()
    assert page.is_disabled("#steer button")
    window = re.search(r"expect ([0-9.]+)", page.inner_text("#w1-0"))
    assert window is not None
    page.fill("#i1-0", window[1].replace(".", ","))
    page.press("#i1-0", "Enter")
    page.wait_for_selector("#r1-0.inside")
    for box in page.locator(".do input[type=checkbox]").all():
        box.check()
    page.click("#steer button:not([disabled])")
    page.wait_for_url("**/build/2")

    page.click(".rule >> text=Papers")
    page.wait_for_selector("a:text-is('All of them in one archive')")
    with page.expect_download() as download:
        page.click("a:text-is('report.html')")
    saved = tmp_path / "report.html"
    download.value.save_as(saved)
    assert "13s4p pack plan" in saved.read_text(encoding="utf-8")
    plan = read_plan(shared_server.root / name)
    assert [entry["what"] for entry in plan.history][-1] == "cells swapped"
    seen.check()
    page.context.close()


def test_every_step_reloads_fits_a_phone_and_is_open_to_all(
    browser: Browser, shared_server: Running, planned_folder: Path
) -> None:
    shutil.copytree(planned_folder, shared_server.root / "looked-at")
    seen = visit(browser, shared_server)
    page = seen.page
    seen.check_access()
    # what comes in after the page itself is left out
    words = "[...document.querySelectorAll('main > :not(#findings)')].map((part) => part.textContent).join()"
    for step in STEPS:
        seen.go(f"/job/looked-at/{step}")
        before = page.evaluate(words)
        page.reload()
        assert page.evaluate(words) == before, step
        seen.check_access()
        page.set_viewport_size({"width": 390, "height": 844})
        seen.check()
        page.set_viewport_size({"width": 1280, "height": 900})
    page.go_back()
    page.wait_for_url(f"**/{STEPS[-2]}/*")
    page.go_forward()
    page.wait_for_url(f"**/{STEPS[-1]}")
    page.set_viewport_size({"width": 390, "height": 844})
    seen.go("/")
    seen.check()
    seen.check_access()
    page.context.close()


def test_the_whole_job_on_a_messy_file(browser: Browser, shared_server: Running, tmp_path: Path) -> None:
    messy = tmp_path / "tray <1>.csv"
    messy.write_bytes(MESSY)
    seen = visit(browser, shared_server)
    page = seen.page
    page.fill("#title", "Lamp & <b>saw</b>")
    page.click("button:text-is('Begin')")
    page.wait_for_url("**/job")
    name = page.url.split("/")[4]
    for need, value in (("voltage_v", "11"), ("capacity_ah", "10"), ("capacity_mah", "2500")):
        page.fill(f"#need_{need}", value)
    page.click("button:text-is('Work it out')")
    page.click("button:text-is('take 3s4p')")
    page.wait_for_selector("#said:has-text('12 cells are needed')")
    page.reload()
    assert (page.input_value("#series"), page.input_value("#parallel")) == ("3", "4")
    page.click("nav.onward button")
    page.wait_for_url("**/readings")
    # dropped, not chosen
    data = page.evaluate_handle(
        """([bytes, name]) => {
            const dropped = new DataTransfer();
            dropped.items.add(new File([new Uint8Array(bytes)], name));
            return dropped;
        }""",
        [list(MESSY), messy.name],
    )
    page.dispatch_event("form.drop", "drop", {"dataTransfer": data})
    page.wait_for_selector("text=A choice is needed")
    seen.check_access()
    assert "stands twice" in page.inner_text("main")
    page.select_option("[name=column_ocv_v]", "4")
    page.click("button:text-is('Read them so')")
    page.wait_for_selector("h2:has-text('Cells: 16')")
    assert "1 with something that can't be read" in page.inner_text("#table")
    page.click("a.id:text-is('#15')")
    seen.check_access()
    page.select_option("#column", "capacity_mah")
    page.fill("#value", "2505")
    page.fill("#edit-reason", "read again")
    page.click("button:text-is('Put it in')")
    page.wait_for_selector("text=put right by hand")
    page.click("nav.onward >> text=Screening")
    page.wait_for_selector("#tally:has-text('15 of 16')")
    assert "never use this cell" in page.inner_text("tr.reject")
    page.click("nav.onward >> text=Groups")
    find_groups(page)
    page.click(".rule >> text=Papers")
    page.wait_for_selector("a:text-is('report.html')")
    seen.check()
    plan = read_plan(shared_server.root / name)
    assert sum(plan.cells["status"] == "used") == 12
    assert any("put in by hand: 2505" in note for note in plan.notes)
    page.context.close()


def test_a_job_file_is_opened_and_its_rules_are_put_right(
    browser: Browser, shared_server: Running, project: Path, tmp_path: Path
) -> None:
    job_file = tmp_path / "cart by file.toml"
    job_file.write_text(
        '[pack]\nseries = 13\nparallel = 4\nchemistry = "own.toml"\n'
        '[search]\nrules = ["pim D05=2", "apart D01,D02"]\nreproducible = true\n'
    )
    seen = visit(browser, shared_server)
    page = seen.page
    page.set_input_files("#record", job_file)
    page.click("button:text-is('Open as a new job')")
    page.wait_for_selector("text=Not kept from the file")
    seen.check_access()
    page.select_option("#chemistry", "nmc")
    page.wait_for_selector("#said:has-text('52 cells are needed')")
    page.click("text=put right, tell it no more")
    page.wait_for_selector("main:not(:has-text('Not kept'))")
    page.click("nav.onward button")
    page.set_input_files("#files", project / "sample_data" / "dock_cart.csv")
    page.click("button:text-is('Take them')")
    page.click(".rule >> text=Groups")
    page.fill("#seconds", "0.5")
    page.click("button:has-text('Find groups')")
    page.wait_for_selector("#rules-wrong:has-text('did you mean pin?')")
    seen.check_access()
    assert page.input_value("#rules").splitlines() == ["pim D05=2", "apart D01,D02"]
    assert page.input_value("#seconds") == "0.5"
    page.set_viewport_size({"width": 390, "height": 844})
    # the browser itself notes that a page came back as not accepted
    assert [error for error in seen.errors if "422" not in error] == []
    seen.errors.clear()
    seen.check()
    page.fill("#rules", "pin D05=2\napart D01,D02")
    find_groups(page)
    seen.check()
    plan = read_plan(shared_server.root / page.url.split("/")[4])
    assert plan.settings["rules"] == ["pin D05=2", "apart D01,D02"]
    assert plan.settings["reproducible"] is True
    assert "D05" in plan.groups[1]
    page.context.close()


def test_a_search_is_stopped_and_the_best_so_far_is_kept(
    browser: Browser, shared_server: Running, tmp_path: Path
) -> None:
    # ninety cells in thirty groups of three: no bound is met for minutes
    capacities = np.random.default_rng(3).normal(2500, 80, 90).round(1)
    rows = "".join(f"C{i:02d},3.650,{q},25.{i % 7}\n" for i, q in enumerate(capacities))
    tray = tmp_path / "hard.csv"
    tray.write_text(f"cell,ocv_v,capacity_mah,ir_mohm\n{rows}")
    seen = visit(browser, shared_server)
    page = seen.page
    page.fill("#title", "hard to group")
    page.click("button:text-is('Begin')")
    page.fill("#series", "30")
    page.fill("#parallel", "3")
    page.click("nav.onward button")
    page.set_input_files("#files", tray)
    page.click("button:text-is('Take them')")
    page.click(".rule >> text=Groups")
    page.select_option("#aim_first", "spread")
    page.fill("#seconds", "500")
    page.click("button:has-text('Find groups')")
    page.wait_for_selector("#search .tally-like")
    page.reload()  # and another look at it does no harm
    page.click("#stop-search")
    page.wait_for_selector("dl.strip")
    assert "stopped by the user" in page.inner_text("dl.strip")
    seen.check()
    folder = Jobs(shared_server.root).get("hard-to-group")
    assert folder is not None
    plan = read_plan(folder.path)
    assert plan.grouping.ended_by == "stopped by the user"
    assert plan.grouping.seconds < 250
    page.context.close()


def test_the_keyboard_alone_is_enough(browser: Browser, shared_server: Running) -> None:
    seen = visit(browser, shared_server)
    page = seen.page

    def tab_to(selector: str, most: int = 120) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("([s]) => document.activeElement.matches(s)", [selector]):
                return
        raise AssertionError(f"{selector} is not reached")

    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    tab_to("form[action='/sample/lanterns'] button")
    page.keyboard.press("Enter")
    page.wait_for_url("**/readings")
    tab_to("nav.onward a:last-child")
    page.keyboard.press("Enter")
    page.wait_for_url("**/screening")
    tab_to("[data-slider-for=join_window_mv]")
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#join_window_mv >> visible=true")
    tab_to("nav.onward a:last-child", 400)
    page.keyboard.press("Enter")
    page.wait_for_url("**/groups")
    tab_to(".find-form button")
    page.keyboard.press("Enter")
    page.wait_for_selector("dl.strip")
    tab_to("nav.onward a:last-child")
    page.keyboard.press("Enter")
    page.wait_for_url("**/map")
    tab_to("svg.map [data-cell]")
    first = page.evaluate("document.activeElement.dataset.cell")
    page.keyboard.press("Enter")
    page.wait_for_selector("#said:has-text('picked up')")
    page.keyboard.press("Escape")
    page.wait_for_selector("#said:has-text('Let go')")
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowRight")
    second = page.evaluate("document.activeElement.dataset.cell")
    assert second != first
    page.keyboard.press("Enter")
    page.wait_for_selector(f"#told:has-text('Swapped {first} and {second}')")
    # the hand stays where it was: on the cell that was put down
    page.wait_for_selector(f"svg.map [data-cell='{second}']:focus")
    seen.check_access()
    tab_to("nav.onward a:last-child", 200)
    page.keyboard.press("Enter")
    page.wait_for_url("**/prediction")
    tab_to("[data-slider-for=load]")
    page.keyboard.press("PageUp")
    page.wait_for_selector("#load dl.strip")
    tab_to("nav.onward a:last-child")
    page.keyboard.press("Enter")
    page.wait_for_url("**/build/1")
    tab_to("#i1-0")
    page.keyboard.type("-3")
    page.keyboard.press("Enter")
    page.wait_for_selector("#r1-0.stop")
    tab_to("#d1-0")
    with page.expect_response("**/tick"):
        page.keyboard.press("Space")
    tab_to(".rule a[href$='/papers']")
    page.keyboard.press("Enter")
    page.wait_for_url("**/papers")
    tab_to(".papers a")
    with page.expect_download():
        page.keyboard.press("Enter")
    seen.check()
    page.context.close()


def test_a_phone_can_do_the_map_by_touch(browser: Browser, shared_server: Running, planned_folder: Path) -> None:
    seen = visit(browser, shared_server, 390, 844, has_touch=True, is_mobile=True)
    page = seen.page
    shutil.copytree(planned_folder, shared_server.root / "by-touch")
    seen.go("/job/by-touch/map")
    cells = page.locator("svg.map >> nth=0 >> [data-cell]")
    a, b = cells.nth(1).get_attribute("data-cell"), cells.nth(2).get_attribute("data-cell")
    cells.nth(1).tap()
    page.wait_for_selector(f"#cell h2:has-text('{a}') >> visible=true")
    cells.nth(2).tap()
    page.wait_for_selector(f"#told:has-text('{a} and {b}')")
    seen.check()
    page.context.close()


def test_a_phone_is_paired_once_and_leads_through_the_build(
    browser: Browser, planned_folder: Path, tmp_path: Path
) -> None:
    address = own_address()
    if address is None or ipaddress.ip_address(address).is_global:
        pytest.skip("this machine has no address in a local network")
    shutil.copytree(planned_folder, tmp_path / "jobs" / "cart")
    server = start(tmp_path / "jobs", "--bench", address)
    try:
        assert server.process.stdout is not None
        pairing = next(
            found[1] for line in server.process.stdout if (found := re.search(r"(http://\S+/pair\?\S+)", line))
        )
        phone = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
        page = phone.new_page()
        page.goto(pairing)
        page.wait_for_url("**/bench")
        assert "plain HTTP" in page.inner_text("main")
        (cookie,) = phone.cookies()
        assert (cookie.get("httpOnly"), cookie.get("sameSite")) == (True, "Strict")
        assert page.evaluate("document.cookie") == ""
        page.tap("a.button >> nth=0")
        page.wait_for_url("**/build/1")
        page.fill("#i1-0", "3,2")
        page.press("#i1-0", "Enter")
        page.wait_for_selector("#r1-0.outside")
        page.wait_for_selector("#findings:has-text('1 of 1 outside')")
        assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
        for path in ("/", "/job/cart/map", "/job/cart/papers", "/job/cart/readings"):
            assert phone.request.get(pairing.split("/pair")[0] + path).status == 403
        assert browser.new_context().request.get(pairing).status == 403
        phone.close()
    finally:
        server.process.terminate()
        server.process.wait(20)
        assert server.process.stdout is not None
        server.process.stdout.close()


def test_a_page_of_an_earlier_start_says_so(browser: Browser, shared_server: Running) -> None:
    seen = visit(browser, shared_server)
    page = seen.page
    page.click("button:text-is('Lantern bank')")
    page.wait_for_url("**/readings")
    page.click("nav.onward >> text=Screening")
    page.context.clear_cookies()
    page.locator("[data-slider-for=outlier_k]").evaluate("e => e.closest('details').open = true")
    page.fill("#outlier_k", "4")
    page.wait_for_selector("#said:has-text('earlier start')")
    page.context.close()
