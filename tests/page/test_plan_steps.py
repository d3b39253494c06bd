"""Steps 4 to 8 by their routes, on a plan that a search in its own process found."""

from __future__ import annotations

import io
import json
import re
import shutil
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cellmatch import read_plan
from cellmatch.cells.readings import read_readings
from cellmatch.page.app import make_app
from cellmatch.page.benchwork import bench_of, judge, locks
from cellmatch.page.child import Child
from cellmatch.page.jobs import Job, JobFolder, Jobs, now
from cellmatch.page.plans import Press, journal_of, plan_view
from cellmatch.page.searches import Search, Searches
from cellmatch.page.security import Keys
from tests.page.conftest import BENCH, HOME, ORIGIN, LentDesk, Server, client_of, wait_until

LIVE = {**ORIGIN, "hx-request": "true"}


@pytest.fixture(scope="module")
def module_server(tmp_path_factory: pytest.TempPathFactory, lent_desk: LentDesk) -> Iterator[Server]:
    """Return one server for the module."""
    root = tmp_path_factory.mktemp("jobs")
    keys = Keys()
    app = make_app(root, (HOME, BENCH), keys)
    app.state.site.desk = lent_desk
    with client_of(app) as client:
        client.cookies.set(HOME.cookie, keys.owner)
        yield Server(app, client, keys, root)


@pytest.fixture
def writing_server(module_server: Server, planned_folder: Path) -> Iterator[Server]:
    """Return the server with a fresh copy of the planned job."""
    target = module_server.root / "dock-cart"
    shutil.copytree(planned_folder, target)
    yield module_server
    folder = module_server.folder("dock-cart")
    wait_until(lambda: not module_server.app.state.site.press.busy(folder), 120)
    shutil.rmtree(target)


@pytest.fixture
def plan_server(writing_server: Server, monkeypatch: pytest.MonkeyPatch) -> Server:
    """Return the same with its press at rest: writing the papers takes longer than all else."""
    monkeypatch.setattr(writing_server.app.state.site.press, "soon", lambda folder, rest_s=0.0, pdf=False: None)
    return writing_server


def view_of(server: Server) -> Any:
    return plan_view(server.app.state.site.desk, server.folder("dock-cart"))


def test_the_plan_of_the_page_is_the_plan_of_the_library(planned_folder: Path, project: Path) -> None:
    from cellmatch import plan_pack, read_cells

    kept = read_plan(planned_folder)
    cells = read_cells(project / "sample_data" / "dock_cart.csv")
    again = plan_pack(cells, "13s4p", seconds=0.5)
    assert list(kept.cells["status"].isin(["used", "spare"])) == list(again.cells["status"].isin(["used", "spare"]))
    assert kept.limits == again.limits
    assert kept.assumptions == again.assumptions
    assert kept.grouping.floor_mah == pytest.approx(again.grouping.floor_mah)
    assert kept.verdict == again.verdict
    names = {p.name for p in planned_folder.iterdir()}
    assert {"plan.json", "report.html", "bench.html", "cells.csv", "positions.csv", "groups.csv", "pack.toml"} <= names


def test_pack_toml_asks_for_the_same_again(planned_folder: Path) -> None:
    from cellmatch.pack.job import read_job

    asked = read_job(planned_folder / "pack.toml")
    assert str(asked.pack) == "13s4p"
    assert asked.seconds == 0.5


def test_every_step_shows_the_plan_without_scipy_in_the_server(plan_server: Server) -> None:
    for step, words in (
        ("groups", "What the search was worth"),
        ("map", "data-cell="),
        ("prediction", "Joining the cells of a group"),
        ("papers", "report.html"),
        ("build/1", "prove the meter"),
    ):
        answer = plan_server.client.get(f"/job/dock-cart/{step}")
        assert answer.status_code == 200, answer.text
        assert words in answer.text
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|<script(?![^>]*\bsrc=)", answer.text)


def test_the_groups_are_compared_with_two_simple_ways(plan_server: Server) -> None:
    view = view_of(plan_server)
    names = [way["name"] for way in view["compared"]]
    assert names == ["as planned", "in the order of the file", "serpentine: to and fro from the strongest"]
    planned, in_order, _ = view["compared"]
    # computed independently: the good cells of the file, four by four
    plan = read_plan(plan_server.folder("dock-cart").path)
    good = plan.cells[plan.cells["status"] != "reject"]["capacity_mah"].to_numpy()[:52].reshape(13, 4).sum(axis=1)
    assert in_order["weakest_mah"] == pytest.approx(good.min())
    assert in_order["spread_mah"] == pytest.approx(good.max() - good.min())
    assert planned["spread_mah"] < in_order["spread_mah"]


# the map


def pair(view: Any, *, same_group: bool = False) -> tuple[str, str]:
    first = view["groups"][0]
    return (first[0], first[1]) if same_group else (first[0], view["groups"][1][0])


@pytest.mark.slow
def test_a_swap_is_kept_shown_and_written(writing_server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    plan_server = writing_server
    folder = plan_server.folder("dock-cart")
    before = view_of(plan_server)
    a, b = pair(before)
    mah = {cell: before["cells"][cell]["capacity_mah"] for cell in (a, b)}
    html = plan_server.client.post("/job/dock-cart/map/swap", data={"a": a, "b": b}, headers=LIVE).text
    assert f"Swapped <b>{a}</b> and <b>{b}</b>" in html
    assert [entry["cells"] for entry in journal_of(folder)] == [[a, b]]
    after = view_of(plan_server)
    assert after["cells"][a]["position"] == before["cells"][b]["position"]
    assert after["cells"][b]["group"] == 1
    sums = [g["capacity_mah"] for g in before["prediction"]["groups"]]
    sums[0] += mah[b] - mah[a]
    sums[1] += mah[a] - mah[b]
    assert [g["capacity_mah"] for g in after["prediction"]["groups"]] == pytest.approx(sums)
    assert after["grouping"]["spread_mah"] == pytest.approx(max(sums) - min(sums), abs=0.051)
    assert after["grouping"]["proven"] is False
    # the record follows, and the journal is empty again
    site = plan_server.app.state.site
    wait_until(lambda: not site.press.busy(folder), 120)
    plan = read_plan(folder.path)
    assert [entry["what"] for entry in plan.history] == ["cells swapped"]
    assert plan.history[0]["after"]["cells"] == [a, b]
    assert b in plan.groups[0]
    assert journal_of(folder) == []
    assert f">{b}<" in (folder.path / "report.html").read_text(encoding="utf-8")
    # and undone: nothing is overwritten, the figures are those of before
    monkeypatch.setattr(site.press, "soon", lambda folder, rest_s=0.0, pdf=False: None)
    plan_server.client.post("/job/dock-cart/map/undo", headers=ORIGIN)
    undone = view_of(plan_server)
    assert undone["swaps"] == []
    assert undone["prediction"]["groups"] == before["prediction"]["groups"]
    assert [entry["what"] for entry in journal_of(folder)] == ["swap undone"]


def test_a_swap_inside_a_group_moves_places_only(plan_server: Server) -> None:
    before = view_of(plan_server)
    a, b = pair(before, same_group=True)
    plan_server.client.post("/job/dock-cart/map/swap", data={"a": a, "b": b}, headers=LIVE)
    after = view_of(plan_server)
    assert after["grouping"] == before["grouping"]
    assert after["cells"][a]["position"] == before["cells"][b]["position"]


def test_a_spare_comes_in_for_a_cell(plan_server: Server) -> None:
    before = view_of(plan_server)
    a, spare = before["groups"][4][0], before["spares"][0]["cell"]
    plan_server.client.post("/job/dock-cart/map/swap", data={"a": spare, "b": a}, headers=LIVE)
    after = view_of(plan_server)
    assert after["cells"][spare]["group"] == 5
    assert after["cells"][a]["status"] == "spare"
    assert after["cells"][a]["position"] == 0
    assert a in {s["cell"] for s in after["spares"]}


@pytest.mark.parametrize("other", ["nobody", "", "same", "reject", "locked", "two spares"])
def test_a_swap_that_cannot_be_is_refused(plan_server: Server, other: str) -> None:
    folder = plan_server.folder("dock-cart")
    view = view_of(plan_server)
    a, b = pair(view)
    plan = read_plan(folder.path)
    reject = str(plan.cells.index[plan.cells["status"] == "reject"][0])
    if other == "locked":
        plan_server.client.post("/job/dock-cart/map/lock", data={"id": b}, headers=LIVE)
    if other == "two spares":
        a, b = (s["cell"] for s in view["spares"][:2])
    b = {"same": a, "reject": reject, "nobody": "nobody", "": ""}.get(other, b)
    answer = plan_server.client.post("/job/dock-cart/map/swap", data={"a": a, "b": b}, headers=ORIGIN)
    assert answer.status_code == 422
    assert journal_of(folder) == []
    assert view_of(plan_server)["groups"] == view["groups"]


def test_a_locked_place_is_kept_and_shown(plan_server: Server) -> None:
    folder = plan_server.folder("dock-cart")
    cell = view_of(plan_server)["groups"][2][1]
    html = plan_server.client.post("/job/dock-cart/map/lock", data={"id": cell}, headers=LIVE).text
    assert re.search(rf'class="cell locked" data-cell="{cell}"', html)
    assert folder.read().pins == {cell: view_of(plan_server)["cells"][cell]["position"]}
    plan_server.client.post("/job/dock-cart/map/lock", data={"id": cell}, headers=LIVE)
    assert folder.read().pins == {}


def test_the_map_is_coloured_with_its_values_written(plan_server: Server) -> None:
    view = view_of(plan_server)
    html = plan_server.client.get("/job/dock-cart/map/board?colour=capacity_mah").text
    used = [about for about in view["cells"].values() if about["status"] == "used"]
    assert html.count('class="value"') == 2 * len(used)
    highest = max(view["cells"], key=lambda c: view["cells"][c]["capacity_mah"] if view["cells"][c]["group"] else 0)
    assert re.search(rf'class="cell shade s9" data-cell="{highest}"', html)
    assert "cell shade" not in plan_server.client.get("/job/dock-cart/map/board?colour=nonsense").text


def test_both_faces_name_each_cell_with_the_end_that_shows(plan_server: Server) -> None:
    view = view_of(plan_server)
    html = plan_server.client.get("/job/dock-cart/map").text
    cell = view["groups"][0][0]
    words = re.findall(rf'data-cell="{cell}" role="button"[^>]*aria-label="([^"]*)"', html)
    assert len(words) == 2
    assert "shows minus" in words[0]  # group 1 shows its negative ends on the top face
    assert "shows plus" in words[1]


def test_the_faces_of_a_wide_pack_stand_one_above_the_other(
    plan_server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    def html() -> str:
        return plan_server.client.get("/job/dock-cart/map").text

    assert '<div class="faces">' in html()
    drawn_mm = float(re.search(r'viewBox="[-.0-9]+ [-.0-9]+ ([.0-9]+)', html())[1])  # type: ignore[index]
    assert drawn_mm > 4 * 18.0  # four cells of 18 mm side by side
    monkeypatch.setattr("cellmatch.page.map_step.WIDE_MM", drawn_mm - 0.1)
    assert '<div class="faces wide">' in html()


def test_a_swap_survives_the_end_of_the_server_before_it_is_written(plan_server: Server) -> None:
    # its press is at rest, as if the server had ended right after the answer
    a, b = pair(view_of(plan_server))
    plan_server.post("/job/dock-cart/map/swap", data={"a": a, "b": b})
    folder = plan_server.folder("dock-cart")
    assert read_plan(folder.path).history == ()
    (folder.path / "view.json").unlink()
    view = plan_view(plan_server.app.state.site.desk, folder)
    assert view is not None
    assert view["swaps"] == [[a, b]]


def test_a_new_plan_lifts_the_locks(job: JobFolder) -> None:
    from dataclasses import replace

    from cellmatch.page.searches import _lifted

    locked = replace(job.read(), pins={"D01": 7}, searching="2026-01-01T00:00:00+00:00")
    after = _lifted(locked)
    assert after.pins == {}
    assert after.searching is None
    assert "locks lifted" in after.diary[-1].what


# out of date, prediction, papers


def test_a_plan_for_other_limits_is_said_to_be_out_of_date(plan_server: Server) -> None:
    assert "The job has changed since" not in plan_server.client.get("/job/dock-cart/map").text
    plan_server.post("/job/dock-cart/screening/limits", data={"outlier_k": "4"})
    for step in ("groups", "map", "prediction", "papers", "build/1"):
        assert "The job has changed since" in plan_server.client.get(f"/job/dock-cart/{step}").text
    plan_server.post("/job/dock-cart/screening/limits", data={})
    assert "The job has changed since" not in plan_server.client.get("/job/dock-cart/map").text


def test_a_load_is_predicted_as_the_library_does(plan_server: Server) -> None:
    from cellmatch.prediction import LoadCase
    from cellmatch.prediction.load import predict_load

    form = {"kind": "current_a", "value": "10", "cell_a": "2"}
    html = plan_server.client.post("/job/dock-cart/prediction/load", data=form, headers=LIVE).text
    plan = read_plan(plan_server.folder("dock-cart").path)
    expected = predict_load(plan.cells, plan.pack, plan.holder, plan.chemistry, plan.limits, LoadCase(current_a=10.0))
    assert "its 4 cells may carry 8 A together" in html
    html = plan_server.client.post(
        "/job/dock-cart/prediction/load", data={"kind": "current_a", "value": "10"}, headers=LIVE
    ).text
    assert not isinstance(expected, str)
    assert f"{expected.usable_ah[0]:.2f}" in html
    assert expected.hottest_cell in html


@pytest.mark.parametrize("value", ["0", "-4", "much", "", "1e9"])
def test_a_load_that_cannot_be_is_a_message(plan_server: Server, value: str) -> None:
    form = {"kind": "current_a", "value": value}
    html = plan_server.client.post("/job/dock-cart/prediction/load", data=form, headers=LIVE).text
    assert "Not with this load" in html


def test_papers_are_downloads_and_nothing_else_is(plan_server: Server) -> None:
    folder = plan_server.folder("dock-cart")
    listed = re.findall(r'papers/file/([^"]+)" download', plan_server.client.get("/job/dock-cart/papers").text)
    assert {"report.html", "bench.html", "labels.html", "plan.json", "cells.csv"} <= set(listed)
    for name in listed:
        answer = plan_server.client.get(f"/job/dock-cart/papers/file/{name}")
        assert answer.headers["content-disposition"].startswith("attachment")
        assert answer.content == (folder.path / name).read_bytes()
        assert "default-src 'none'" in answer.headers["content-security-policy"]
    for name in ("job.json", "view.json", ".lock", "..%2fjob.json", "tester", "nothing"):
        assert plan_server.client.get(f"/job/dock-cart/papers/file/{name}").status_code in (404, 422)
    packed = plan_server.client.get("/job/dock-cart/papers/all.zip").content
    assert len(zipfile.ZipFile(io.BytesIO(packed)).namelist()) == len(listed)


@pytest.mark.slow
def test_pdfs_are_written_on_request(writing_server: Server) -> None:
    site, folder = writing_server.app.state.site, writing_server.folder("dock-cart")
    writing_server.client.post("/job/dock-cart/papers/pdf", headers=ORIGIN)
    wait_until(lambda: not site.press.busy(folder), 120)
    answer = writing_server.client.get("/job/dock-cart/papers/file/papers.pdf")
    assert answer.content.startswith(b"%PDF")
    assert read_plan(folder.path).history == ()


def test_a_record_that_names_another_file_gives_nothing_away(plan_server: Server) -> None:
    folder = plan_server.folder("dock-cart")
    (folder.path.parent / "secret.txt").write_text("swordfish")
    record = json.loads((folder.path / "plan.json").read_text())
    record["files"].append({"file": "../secret.txt", "sha256": ""})
    (folder.path / "plan.json").write_text(json.dumps(record))
    html = plan_server.client.get("/job/dock-cart/papers").text
    assert "secret" not in html
    packed = plan_server.client.get("/job/dock-cart/papers/all.zip").content
    assert not any("secret" in name for name in zipfile.ZipFile(io.BytesIO(packed)).namelist())


def test_an_older_record_opens_as_a_job_of_its_own(plan_server: Server, planned_folder: Path) -> None:
    record = (planned_folder / "plan.json").read_bytes()
    answer = plan_server.client.post("/open", files={"record": ("plan.json", record)}, headers=ORIGIN)
    assert answer.status_code == 303
    name = answer.headers["location"].split("/")[2]
    html = plan_server.client.get(f"/job/{name}/map").text
    assert "data-cell=" in html
    folder = plan_server.folder(name)
    assert "opened from the record" in folder.read().diary[-1].what
    shutil.rmtree(folder.path)


RECORDS = (
    b"{}",
    b"[1]",
    b"nonsense",
    b'{"format": "cellmatch plan"}',
    b'{"format": "cellmatch plan", "pack": {"series": 1, "parallel": 1}, "created_at": "x"}',
)


@pytest.mark.parametrize("content", RECORDS)
def test_a_damaged_record_leaves_nothing_behind(plan_server: Server, content: bytes) -> None:
    before = sorted(p.name for p in plan_server.root.iterdir())
    answer = plan_server.client.post("/open", files={"record": ("plan.json", content)}, headers=ORIGIN)
    assert answer.status_code == 422
    assert "Traceback" not in answer.text
    assert sorted(p.name for p in plan_server.root.iterdir()) == before


def test_a_folder_that_the_command_line_wrote_is_a_job(
    planned_folder: Path, tmp_path: Path, lent_desk: LentDesk
) -> None:
    written = tmp_path / "dock cart plan"
    written.mkdir()
    for name in ("plan.json", "report.html"):
        shutil.copy(planned_folder / name, written / name)
    keys = Keys()
    app = make_app(written, (HOME,), keys)
    app.state.site.desk = lent_desk
    with client_of(app) as client:
        client.cookies.set(HOME.cookie, keys.owner)
        assert "/job/dock%20cart%20plan" in client.get("/").text
        assert "data-cell=" in client.get("/job/dock%20cart%20plan/map").text
        assert client.post("/new", data={"title": "other"}, headers=ORIGIN).status_code == 422
    assert len(list(Jobs(written).all())) == 1


# the build


def read_step(server: Server, number: int, index: int, value: str) -> str:
    form = {"index": str(index), "value": value}
    return str(server.client.post(f"/job/dock-cart/build/{number}/read", data=form, headers=LIVE).text)


def do_step(server: Server, number: int) -> None:
    """Read everything as expected, tick everything, close the step."""
    step = view_of(server)["steps"][number - 1]
    for index, expected in enumerate(step["expected"]):
        if expected["kind"] != "spread_v" and expected["when"] == "before":
            read_step(server, number, index, f"{expected['value_v']:.3f}")
    for name in [*(f"d{number}-{k}" for k in range(len(step["do"]))), *([f"c{number}"] if step["cover"] else [])]:
        server.client.post(f"/job/dock-cart/build/{number}/tick", data={"name": name, "on": "yes"}, headers=LIVE)
    for index, expected in enumerate(step["expected"]):
        if expected["kind"] != "spread_v" and expected["when"] == "after":
            read_step(server, number, index, f"{expected['value_v']:.3f}")
    answer = server.client.post(f"/job/dock-cart/build/{number}/done", headers=ORIGIN)
    assert answer.status_code == 303, answer.text


@pytest.mark.slow
def test_the_whole_build_is_led_through_and_kept(plan_server: Server, tmp_path: Path) -> None:
    folder = plan_server.folder("dock-cart")
    total = len(view_of(plan_server)["steps"])
    for number in range(1, total + 1):
        assert plan_server.client.get("/job/dock-cart/build").headers["location"].endswith(f"/build/{number}")
        do_step(plan_server, number)
    html = plan_server.client.get(f"/job/dock-cart/build/{total + 1}").text
    assert "All steps are done" in html
    findings = plan_server.client.get("/job/dock-cart/build/findings").text
    assert "nothing against the plan" in findings, findings
    path = tmp_path / "readings.csv"
    path.write_bytes(plan_server.client.get("/job/dock-cart/build/readings.csv").content)
    assert len(read_readings(path)) == len(bench_of(folder, view_of(plan_server))["readings"])
    plan_server.client.post("/job/dock-cart/build/record", headers=ORIGIN)
    entry = read_plan(folder.path).history[-1]
    assert (entry["what"], entry["reason"]) == ("inspected", "")


def test_a_reading_out_of_its_window_locks_the_step_until_a_reason_opens_it(plan_server: Server) -> None:
    html = read_step(plan_server, 1, 0, "3,5")
    assert "below the window" in html
    assert "Locked: 1 outside" in html
    told = plan_server.client.get("/job/dock-cart/build/findings").text
    assert "1 of 1</span> outside its window" in told
    assert "nothing against the plan" not in told
    for k in range(len(view_of(plan_server)["steps"][0]["do"])):
        plan_server.client.post("/job/dock-cart/build/1/tick", data={"name": f"d1-{k}", "on": "yes"}, headers=LIVE)
    assert plan_server.client.post("/job/dock-cart/build/1/done", headers=ORIGIN).status_code == 422
    form = {"index": "0", "reason": "other meter"}
    html = plan_server.client.post("/job/dock-cart/build/1/reason", data=form, headers=LIVE).text
    assert "reason written" in html
    assert plan_server.client.post("/job/dock-cart/build/1/done", headers=ORIGIN).status_code == 303
    bench = bench_of(plan_server.folder("dock-cart"), view_of(plan_server))
    kept = plan_server.client.get("/job/dock-cart/build/readings.csv").text
    assert kept.splitlines()[1].endswith(",1,other meter"), kept
    assert bench["reasons"] == {"1-0": "other meter"}
    assert any("3.5 V" in line["what"] for line in bench["log"])


@pytest.mark.parametrize("value", ["-3.62", "1.9", "4.4"])
def test_no_reason_opens_a_wrong_sign_nor_a_voltage_out_of_service(plan_server: Server, value: str) -> None:
    html = read_step(plan_server, 1, 0, value)
    assert "✗ Stop" in html
    form = {"index": "0", "reason": "I insist"}
    html = plan_server.client.post("/job/dock-cart/build/1/reason", data=form, headers=LIVE).text
    assert "✗ Stop" in html
    assert plan_server.client.post("/job/dock-cart/build/1/done", headers=ORIGIN).status_code == 422


def test_the_ticks_of_a_junction_wait_for_its_readings(plan_server: Server) -> None:
    view = view_of(plan_server)
    number = next(s["number"] for s in view["steps"] if s["junction"])
    for n in range(1, number):
        do_step(plan_server, n)
    form = {"name": f"d{number}-0", "on": "yes"}
    answer = plan_server.client.post(f"/job/dock-cart/build/{number}/tick", data=form, headers=ORIGIN)
    assert answer.status_code == 422
    assert "the readings before it come first" in answer.text
    do_step(plan_server, number)


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("9/read", {"index": "0", "value": "3.6"}),
        ("1/read", {"index": "77", "value": "3.6"}),
        ("1/read", {"index": "x", "value": "3.6"}),
        ("1/tick", {"name": "d7-0", "on": "yes"}),
        ("1/done", {}),
        ("99/done", {}),
        ("record", {}),
    ],
)
def test_nothing_is_kept_that_the_steps_do_not_hold(plan_server: Server, path: str, form: dict[str, str]) -> None:
    answer = plan_server.client.post(f"/job/dock-cart/build/{path}", data=form, headers=ORIGIN)
    assert answer.status_code == 422
    assert not (plan_server.folder("dock-cart").path / "bench.json").exists()


def test_what_is_no_number_is_not_kept(plan_server: Server) -> None:
    for text in ("three", "3.6.1", "1e99", "nan", "٣"):
        assert "no number" in read_step(plan_server, 1, 0, text)
    assert not (plan_server.folder("dock-cart").path / "bench.json").exists()


def test_readings_older_than_a_day_decide_nothing(plan_server: Server) -> None:
    view = view_of(plan_server)
    step = view["steps"][0]
    bench = bench_of(plan_server.folder("dock-cart"), view)
    expected = step["expected"][0]
    bench["readings"]["1-0"] = {"v": expected["value_v"], "at": "2020-01-01T00:00:00+00:00"}
    assert judge(view, bench, step, 0).how == "missing"
    assert "1 missing" in locks(view, bench, step)
    bench["done"]["1"] = "2020-01-01T01:00:00+00:00"
    assert judge(view, bench, step, 0).how == "inside"  # the step was closed in time


def test_a_spread_is_worked_out_from_the_latest_readings_and_opened_by_nothing(plan_server: Server) -> None:
    view = view_of(plan_server)
    bench = bench_of(plan_server.folder("dock-cart"), view)
    step = next(s for s in view["steps"] if any(e["kind"] == "spread_v" for e in s["expected"]))
    index = next(i for i, e in enumerate(step["expected"]) if e["kind"] == "spread_v")
    assert judge(view, bench, step, index).how == "missing"
    for earlier in view["steps"][: step["number"]]:
        for i, e in enumerate(earlier["expected"]):
            if e["kind"] == "cell_v":
                bench["readings"][f"{earlier['number']}-{i}"] = {"v": 3.62, "at": now()}
    assert judge(view, bench, step, index).how == "inside"
    cell = view["groups"][int(step["expected"][index]["target"]) - 1][0]
    key = next(
        f"{s['number']}-{i}"
        for s in reversed(view["steps"][: step["number"]])
        for i, e in enumerate(s["expected"])
        if e["kind"] == "cell_v" and e["target"] == cell
    )
    bench["readings"][key]["v"] = 3.75
    bench["reasons"][f"{step['number']}-{index}"] = "never mind"
    assert judge(view, bench, step, index).how == "stop"


def test_once_the_build_has_begun_the_map_is_closed_and_a_new_plan_keeps_the_old(plan_server: Server) -> None:
    folder = plan_server.folder("dock-cart")
    do_step(plan_server, 1)
    a, b = pair(view_of(plan_server))
    answer = plan_server.client.post("/job/dock-cart/map/swap", data={"a": a, "b": b}, headers=ORIGIN)
    assert "the build has begun" in answer.text
    answer = plan_server.client.post("/job/dock-cart/groups/find", data={"seconds": "0.5"}, headers=ORIGIN)
    assert answer.status_code == 422
    assert (folder.path / "bench.json").is_file()


def test_a_phone_leads_through_the_build_too(plan_server: Server) -> None:
    phone = client_of(plan_server.app, BENCH)
    html = plan_server.client.post("/pairing", headers=LIVE).text
    assert "plain HTTP" in html
    assert "<svg" in html
    address = re.search(r"http://192\.168\.7\.20:8765(/pair\?key=\S+)<", html)
    assert address is not None
    assert phone.get(address[1]).headers["location"] == "/bench"
    assert "Dock cart" in phone.get("/bench").text
    page = phone.get("/job/dock-cart/build/1").text
    assert "prove the meter" in page
    assert 'href="/job/dock-cart/readings"' not in page
    form = {"index": "0", "value": "3.6"}
    told = {"origin": BENCH.origin, "hx-request": "true"}
    assert phone.post("/job/dock-cart/build/1/read", data=form, headers=told).status_code == 200
    assert "3.6" in plan_server.client.get("/job/dock-cart/build/1").text
    assert phone.post("/pairing", headers=told).status_code == 403


# searches


def test_a_search_that_cannot_succeed_says_why(module_server: Server) -> None:
    module_server.post("/sample/lanterns")
    name = "lantern-bank"
    asked = module_server.client.post(f"/job/{name}/job", data={"series": "9", "parallel": "9"}, headers=ORIGIN)
    assert asked.status_code == 303, asked.text
    module_server.post(f"/job/{name}/groups/find", data={"seconds": "1"})
    site, folder = module_server.app.state.site, module_server.folder(name)
    wait_until(lambda: site.searches.running(folder) is None, 120)
    html = module_server.client.get(f"/job/{name}/groups").text
    assert "be done as it is" in html
    assert "81 places" in html
    assert "would go" in html
    assert folder.read().searching is None


def test_the_clock_of_a_search_starts_with_its_first_grouping(job: JobFolder) -> None:
    search = Search(folder=job, child=Child(), seconds=1.0)
    try:
        search.hear({"stage": "reading the cells"})
        assert (search.began, search.age_s, search.steps) == (None, 0.0, [])
        search.hear({"stage": "splitting", "spread_mah": 2.0, "bound_mah": 0.0, "floor_mah": 9.0})
        assert search.began is not None
        assert search.steps == [(0.0, 2.0)]
    finally:
        search.child.end()


@pytest.mark.parametrize(
    ("form", "words"),
    [({"seconds": "9999"}, "from 0.5 to 600"), ({"seconds": "x"}, "number"), ({"aim_first": "luck"}, "luck")],
)
def test_a_search_that_cannot_be_meant_is_not_begun(module_server: Server, form: dict[str, str], words: str) -> None:
    module_server.post("/new", data={"title": "asked"})
    answer = module_server.client.post("/job/asked/groups/find", data=form, headers=ORIGIN)
    assert answer.status_code == 422
    assert words in answer.text
    shutil.rmtree(module_server.root / "asked")


class DeafChild:
    """A child that works on and on, whatever it is told."""

    ended = False

    def start(self, task: str, **arguments: Any) -> None:
        """Take the task."""

    def listen(self, wait_s: float) -> None:
        time.sleep(0.01)

    def ask_to_stop(self) -> None:
        """Not listen."""

    def end(self) -> None:
        self.ended = True


def test_a_search_that_does_not_hear_the_stop_is_ended(job: JobFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cellmatch.page.searches.Child", DeafChild)
    monkeypatch.setattr("cellmatch.page.searches.STOP_GRACE_S", 0.05)
    searches = Searches(Press())
    search = searches.start(job, 300.0)
    assert searches.running(job) is search
    searches.stop(job)
    wait_until(lambda: searches.running(job) is None)
    assert (search.ended, search.child.ended) == ("stopped", True)  # type: ignore[attr-defined]
    assert "was ended" in search.problems[0].what
    assert job.read().searching is None


def test_a_child_that_dies_is_a_message_and_the_page_lives(module_server: Server) -> None:
    module_server.post("/sample/dock_cart")
    name = next(f.name for f in Jobs(module_server.root).all() if f.name.startswith("dock-cart"))
    module_server.post(f"/job/{name}/groups/find", data={"seconds": "30"})
    site, folder = module_server.app.state.site, module_server.folder(name)
    search = site.searches.running(folder)
    search.child._process.kill()
    wait_until(lambda: search.ended != "", 30)
    html = module_server.client.get(f"/job/{name}/groups").text
    assert "The search broke off" in html
    assert "ended without an answer" in html
    # the desk, too, may die: the next question starts another
    site.desk.ask("check_job", job=Job(title="a", created_at="", pack="2s2p"))
    site.desk._child._process.kill()
    wait_until(lambda: not site.desk._child.alive, 10)
    site.desk.ask("check_job", job=Job(title="a", created_at="", pack="2s2p"))
    shutil.rmtree(folder.path)


def test_a_broken_off_search_is_said_when_the_job_is_opened_again(server: Server, job: JobFolder) -> None:
    from dataclasses import replace

    job.change(lambda j: replace(j, searching="2026-01-01T00:00:00+00:00"))
    assert "A search was broken off" in server.client.get(f"/job/{job.name}/groups").text
