"""Steps 1 to 3 by their routes: what is kept, what is said, what is refused."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

from cellmatch import Limits, plan_pack, read_cells
from cellmatch.page.jobs import JobFolder
from cellmatch.page.screening_step import SLIDERS
from cellmatch.page.sorting import Sorted, sort_cells
from cellmatch.page.tray import tray_of
from tests.page.conftest import ORIGIN, Server

LIVE = {**ORIGIN, "hx-request": "true"}

ROWS = [f"C{i:02d},{3.65 + (i % 3) / 1000:.3f},{2500 + 3 * i},{25 + i % 4}" for i in range(30)]


def give(server: Server, job: JobFolder, text: str | bytes, name: str = "tray.csv") -> str:
    """Give a file and return the page that follows."""
    answer = server.client.post(f"/job/{job.name}/readings/upload", files={"files": (name, text)}, headers=ORIGIN)
    if answer.status_code == 303:
        return server.client.get(f"/job/{job.name}/readings").text
    return str(answer.text)


def screened(server: Server, folder: JobFolder) -> Sorted:
    """Return the cells of a job as the page judges them now."""
    job = folder.read()
    cells = tray_of(folder, job).cells
    assert cells is not None
    return sort_cells(server.app.state.site.desk, folder, job, cells)


@pytest.fixture
def empty(server: Server) -> JobFolder:
    server.post("/new", data={"title": "Garden tractor"})
    return server.folder("garden-tractor")


def test_the_first_page_waits_for_no_heavy_library(project: Path, tmp_path: Path) -> None:
    code = f"""
import sys
from pathlib import Path
from starlette.testclient import TestClient
from cellmatch.page.app import make_app
from cellmatch.page.security import Door, Keys
door, keys = Door(host="127.0.0.1", port=8765), Keys()
app = make_app(Path({str(tmp_path)!r}), (door,), keys)
client = TestClient(app, base_url=door.origin, cookies={{door.cookie: keys.owner}})
import cellmatch.page.opening as opening
opening.warm_up = lambda site: None
assert client.get("/").status_code == 200
heavy = {{"numpy", "pandas", "scipy", "ortools", "matplotlib"}} & set(sys.modules)
assert heavy <= {{"numpy"}}, heavy
origin = {{"origin": door.origin}}
client.post("/sample/dock_cart", headers=origin)
for step in ("job", "readings", "screening", "groups"):
    assert client.get(f"/job/dock-cart/{{step}}").status_code == 200
client.post("/job/dock-cart/screening/limits", data={{"max_ir_ratio": "1.4"}}, headers=origin)
heavy = {{"scipy", "ortools", "matplotlib"}} & set(sys.modules)
assert not heavy, heavy
assert "pandas" in sys.modules
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=project)
    assert done.returncode == 0, done.stderr


def test_a_job_is_kept_as_it_is_asked_for(server: Server, empty: JobFolder) -> None:
    form = {
        "title": "Tractor", "series": "10", "parallel": "3", "chemistry": "nmc", "rated_mah": "2500",
        "salvaged": "yes", "shape": "folded", "rows": "5", "columns": "6", "cell_size": "21700",
        "link_type": "welded", "current_a": "12,5",
    }  # fmt: skip
    server.post(f"/job/{empty.name}/job", data=form)
    job = empty.read()
    assert (job.title, job.pack, job.chemistry) == ("Tractor", "10s3p", "nmc")
    assert job.limits == {"salvaged": True, "rated_mah": 2500.0}
    assert job.holder == {"shape": "5x6", "cell_size": "21700", "link_type": "welded"}
    assert job.load == {"current_a": 12.5}
    html = server.client.get(f"/job/{empty.name}/job").text
    for shown in ('value="Tractor"', 'value="10"', 'value="12.5"', "checked", 'value="21700"'):
        assert shown in html


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"series": "0", "parallel": "3"}, "at least 1"),
        ({"series": "10", "parallel": ""}, "whole numbers"),
        ({"series": "ten", "parallel": "3"}, "ten"),
        ({"series": "10", "parallel": "3", "shape": "folded", "rows": "7", "columns": "6"}, "30 places"),
        ({"series": "10", "parallel": "3", "current_a": "-5"}, "above 0"),
        ({"series": "10", "parallel": "3", "pitch_mm": "12"}, "pitch"),
    ],
)
def test_a_job_that_cannot_be_meant_is_not_kept(
    server: Server, empty: JobFolder, form: dict[str, str], words: str
) -> None:
    before = empty.read()
    answer = server.client.post(f"/job/{empty.name}/job", data=form, headers=ORIGIN)
    assert answer.status_code == 422
    assert words in answer.text
    assert empty.read() == before


def test_the_pack_is_worked_out_from_what_the_load_needs(server: Server, empty: JobFolder) -> None:
    # 36 V and 7.5 Ah of 2.5 Ah cells is 10s3p (common practice, no source)
    form = {"need_voltage_v": "36", "need_capacity_ah": "7,5", "need_capacity_mah": "2500", "chemistry": "nmc"}
    html = server.client.post(f"/job/{empty.name}/job/sizes", data=form, headers=LIVE).text
    assert "take 10s3p" in html


def test_what_was_understood_is_shown(server: Server, empty: JobFolder) -> None:
    html = give(
        server,
        empty,
        "Zelle;U [mV];Kapazität [Ah];Ri (mΩ)\n" + "\n".join(f"A{i};36{50 + i};2,5{i};25,1" for i in range(9)),
    )
    assert "U [mV], found by itself" in html
    assert "decimal “,”" in html
    tray = tray_of(empty, empty.read())
    assert tray.cells is not None
    assert tray.cells.loc["A3", "ocv_v"] == pytest.approx(3.653)
    assert tray.cells.loc["A3", "capacity_mah"] == pytest.approx(2530)


def test_a_choice_is_offered_where_a_file_can_be_read_in_two_ways(server: Server, empty: JobFolder) -> None:
    text = "Cell,Voltage,Capacity,Voltage,IR\n" + "\n".join(f"C{i},4.186,2950,3.60{i},22" for i in range(8))
    html = give(server, empty, text)
    assert "A choice is needed" in html
    assert "--" not in re.sub(r"<[^>]+>|<!--.*?-->", "", html)
    assert "2: Voltage (4.186, 4.186)" in html
    server.post(f"/job/{empty.name}/readings/choices", data={"column_ocv_v": "4"})
    tray = tray_of(empty, empty.read())
    assert tray.cells is not None
    assert tray.cells.loc["C5", "ocv_v"] == pytest.approx(3.605)


def test_files_without_headings_are_told_by_column_numbers(server: Server, empty: JobFolder) -> None:
    html = give(server, empty, "\n".join(f"K{i},3.6{i}0,2500,25" for i in range(8)))
    assert "no header row" in html
    form = {"column_cell_id": "1", "column_ocv_v": "2", "column_capacity_mah": "3", "column_ir_mohm": "4"}
    server.post(f"/job/{empty.name}/readings/choices", data=form)
    assert tray_of(empty, empty.read()).cells is not None


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.csv", b"", "is empty"),
        ("a.csv", b" \r\n ", "is empty"),
        ("a.pdf", b"%PDF-1.7 something", "PDF"),
        ("a.csv", b"time_s,voltage,current\n0,3.6,1\n1,3.6,1\n2,3.5,1\n", "log"),
    ],
)
def test_a_file_that_is_no_table_is_told_in_words(
    server: Server, empty: JobFolder, name: str, content: bytes, words: str
) -> None:
    html = give(server, empty, content, name)
    assert words in html
    assert "Traceback" not in html


def test_the_same_file_is_taken_once(server: Server, job: JobFolder, project: Path) -> None:
    again = (project / "sample_data" / "dock_cart.csv").read_bytes()
    assert "is already there, as dock_cart.csv" in give(server, job, again, "copy.csv")
    assert len(job.read().files) == 1


def test_a_reading_put_right_by_hand_is_used_and_said(server: Server, empty: JobFolder) -> None:
    give(server, empty, "cell,ocv_v,capacity_mah,ir_mohm\n" + "\n".join([*ROWS, "C99,3.65,x,25"]))
    sorted_before = screened(server, empty)
    assert sorted_before.cells.loc["C99", "status"] == "reject"
    form = {"id": "C99", "column": "capacity_mah", "value": "2512,5", "reason": "read again"}
    server.post(f"/job/{empty.name}/readings/edit", data=form)
    tray = tray_of(empty, empty.read())
    assert tray.cells is not None
    found = screened(server, empty)
    assert found.cells.loc["C99", "status"] == "good"
    assert any("C99: capacity put in by hand: 2512.5" in w and "read again" in w for w in tray.reading.warnings)
    assert "C99: capacity put in by hand" in empty.read().diary[-1].what


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"column": "ocv_v", "value": "77", "reason": "r"}, "from -6 to 6"),
        ({"column": "ocv_v", "value": "three", "reason": "r"}, "three"),
        ({"column": "ocv_v", "value": "3.6", "reason": " "}, "write why"),
        ({"column": "status", "value": "1", "reason": "r"}, "can be put in by hand"),
        ({"column": "ocv_v", "value": "3.6", "reason": "r", "id": "nobody"}, "no such cell"),
    ],
)
def test_an_edit_that_cannot_be_meant_is_refused(
    server: Server, job: JobFolder, form: dict[str, str], words: str
) -> None:
    answer = server.client.post(f"/job/{job.name}/readings/edit", data={"id": "D01", **form}, headers=ORIGIN)
    assert answer.status_code == 422
    assert words in answer.text
    assert job.read().edits == ()


def test_a_cell_left_out_is_rejected_for_the_written_reason(server: Server, job: JobFolder) -> None:
    server.post(f"/job/{job.name}/readings/exclude", data={"id": "D05", "reason": "wrap torn"})
    found = screened(server, job)
    assert found.cells.loc["D05", "status"] == "reject"
    assert "left out by hand: wrap torn" in found.cells["reasons"].loc["D05"][0]
    server.post(f"/job/{job.name}/readings/exclude", data={"id": "D05", "back": "yes"})
    assert job.read().excluded == {}
    assert [e.what for e in job.read().diary[-2:]] == ["D05: left out: wrap torn", "D05: taken in again"]


# screening


def test_the_page_judges_as_the_library_does(server: Server, job: JobFolder, project: Path) -> None:
    expected = plan_pack(read_cells(project / "sample_data" / "dock_cart.csv"), "13s4p", seconds=0.1)
    found = screened(server, job)
    assert list(found.cells["status"] == "reject") == list(expected.cells["status"] == "reject")
    assert list(found.cells["reasons"]) == list(expected.cells["reasons"])
    assert found.cells["level_to_v"].equals(expected.cells["level_to_v"])
    assert found.screening.limits == expected.screening.limits


def test_repeats_settle_what_one_reading_is_worth(server: Server, empty: JobFolder) -> None:
    # every cell twice, 40 mAh apart: the outlier rule knows it from the table, as the plan does
    rows = [f"C{i:02d},3.65,{2500 + 3 * i + k},25" for i in range(30) for k in (0, 40)]
    path = empty.path / "twice.csv"
    path.write_text("cell,ocv_v,capacity_mah,ir_mohm\n" + "\n".join(rows))
    give(server, empty, path.read_bytes(), "twice.csv")
    expected = plan_pack(read_cells(path), "5s5p", seconds=0.1)
    server.post(f"/job/{empty.name}/job", data={"series": "5", "parallel": "5"})
    found = screened(server, empty)
    assert found.screening.limits == expected.screening.limits
    assert found.screening.limits.repeatability_fraction != 0.01
    assert list(found.cells["remarks"]) == list(expected.cells["remarks"])


def test_limits_are_kept_and_judged_at_once(server: Server, job: JobFolder) -> None:
    strict = server.client.post(f"/job/{job.name}/screening/limits", data={"max_ir_ratio": "1,05"}, headers=LIVE)
    assert job.read().limits == {"max_ir_ratio": 1.05}
    rejected = int(re.search(r"<b>(\d+)</b> rejected", strict.text)[1])  # type: ignore[index]
    back = server.client.post(f"/job/{job.name}/screening/limits", data={"max_ir_ratio": ""}, headers=LIVE)
    assert job.read().limits == {}
    assert rejected > int(re.search(r"<b>(\d+)</b> rejected", back.text)[1])  # type: ignore[index]


def test_histograms_show_every_limit_or_where_it_lies(server: Server, job: JobFolder) -> None:
    def texts() -> str:
        return " ".join(
            re.findall(r'<text class="tick[^>]*>([^<]*)', server.client.get(f"/job/{job.name}/screening").text)
        )

    # NMC: 2.50 V and 4.20 V; 90 % of the rated 2500 mAh; 1.5 times the median of 23.9 mΩ: none is near the good cells
    assert all(told in texts() for told in ("◂ lowest 2.50", "full 4.20 ▸", "◂ least 2250", "highest 35.8 ▸"))
    server.client.post(f"/job/{job.name}/screening/limits", data={"max_ir_ratio": "1.05"}, headers=LIVE)
    assert "highest 25" not in texts()
    assert "highest" in texts()


def test_every_limit_can_be_set_and_survives_the_others(server: Server, job: JobFolder) -> None:
    assert {s.name for s in SLIDERS} | {"salvaged", "rated_mah"} == {f.name for f in fields(Limits)}
    server.post(f"/job/{job.name}/job", data={"series": "13", "parallel": "4", "rated_mah": "2500"})
    form = {"min_capacity_fraction": "95", "above_full_v": "20", "outlier_k": "4"}
    server.post(f"/job/{job.name}/screening/limits", data=form)
    expected = {"rated_mah": 2500.0, "min_capacity_fraction": 0.95, "above_full_v": 0.02, "outlier_k": 4.0}
    assert job.read().limits == expected
    html = server.client.get(f"/job/{job.name}/screening").text
    assert 'name="min_capacity_fraction" value="95"' in html


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"min_v": "2.0"}, "only raises it"),
        ({"floor_v": "0.5"}, "only raises it"),
        ({"min_v": "4.3"}, "rise in this order"),
        ({"outlier_k": "-1"}, "outlier"),
        ({"outlier_k": "many"}, "many"),
    ],
)
def test_a_limit_that_cannot_be_meant_is_not_kept(
    server: Server, job: JobFolder, form: dict[str, str], words: str
) -> None:
    answer = server.client.post(f"/job/{job.name}/screening/limits", data=form, headers=LIVE)
    assert answer.headers["hx-retarget"] == "#said"
    assert words in answer.text
    assert job.read().limits == {}


def test_a_reason_lets_in_what_a_reason_may_open(server: Server, job: JobFolder) -> None:
    found = screened(server, job)
    resistive = next(c for c, r in found.cells["reasons"].items() if r and r[0].startswith("resistance ceiling"))
    empty = next(c for c, r in found.cells["reasons"].items() if any(x.startswith("over-discharged") for x in r))
    path = f"/job/{job.name}/screening/accept"
    assert server.client.post(path, data={"id": resistive, "reason": " "}, headers=ORIGIN).status_code == 422
    assert server.client.post(path, data={"id": empty, "reason": "I insist"}, headers=ORIGIN).status_code == 422
    assert server.client.post(path, data={"id": "nobody", "reason": "r"}, headers=ORIGIN).status_code == 422
    assert job.read().accept == {}
    server.client.post(path, data={"id": resistive, "reason": "for a lamp only"}, headers=ORIGIN)
    assert job.read().accept == {resistive: "for a lamp only"}
    html = server.client.get(f"/job/{job.name}/screening").text
    assert "! used anyway" in html
    assert "for a lamp only" in html
    server.client.post(path, data={"id": resistive, "back": "yes"}, headers=ORIGIN)
    assert job.read().accept == {}
    # taken back, and still to be read what was asked once
    assert any("for a lamp only" in entry.what and "used anyway though" in entry.what for entry in job.read().diary)


def test_use_anyway_is_not_offered_where_no_reason_opens(server: Server, job: JobFolder) -> None:
    html = server.client.get(f"/job/{job.name}/screening").text
    row = re.search(r"<tr class=\"reject\">(?:(?!</tr>).)*over-discharged(?:(?!</tr>).)*</tr>", html, re.DOTALL)
    assert row is not None
    assert "no reason opens this" in row[0]
    assert "use anyway" not in row[0]
    assert html.count("use anyway …") == 1


def test_an_unsettled_chemistry_is_asked_about(server: Server, empty: JobFolder) -> None:
    rows = "\n".join(f"L{i},3.29{i},1500,19" for i in range(9))
    give(server, empty, f"cell,ocv_v,capacity_mah,ir_mohm\n{rows}")
    html = server.client.get(f"/job/{empty.name}/screening").text
    assert "Something has to be said first" in html
    assert "chemistry lfp or chemistry nmc" in html


def test_ten_thousand_cells_come_in_pages(server: Server, empty: JobFolder) -> None:
    rows = "\n".join(f"C{i:05d},{3.65 + (i % 7) / 1000:.3f},{2500 + i % 40},{25 + i % 5}" for i in range(10_000))
    give(server, empty, f"cell,ocv_v,capacity_mah,ir_mohm\n{rows}\nZ1,1.0,2500,25")
    for path in ("readings", "screening"):
        html = server.client.get(f"/job/{empty.name}/{path}").text
        assert html.count("<tr") < 230
        assert len(html) < 200_000
        assert "page 1 of 51" in html
    html = server.client.get(f"/job/{empty.name}/screening/table?page=51").text
    assert "page 51 of 51" in html
    assert "C09999" in server.client.get(f"/job/{empty.name}/screening/table?id=09999").text
    assert "Z1" in server.client.get(f"/job/{empty.name}/screening").text


def test_two_tabs_lose_nothing(server: Server, job: JobFolder) -> None:
    # both pages were opened before either changed something
    for step in ("job", "screening"):
        server.client.get(f"/job/{job.name}/{step}")
    server.post(f"/job/{job.name}/screening/limits", data={"outlier_k": "4"})
    server.post(f"/job/{job.name}/job", data={"series": "12", "parallel": "4", "title": "Cart"})
    server.post(f"/job/{job.name}/readings/exclude", data={"id": "D05", "reason": "dented"})
    now = job.read()
    assert (now.pack, now.limits, now.excluded) == ("12s4p", {"outlier_k": 4.0}, {"D05": "dented"})


def test_a_damaged_job_is_a_message(server: Server, job: JobFolder) -> None:
    (job.path / "job.json").write_text('{"format": "cellmatch job", "version": 1, "job": {"title": 3')
    answer = server.client.get(f"/job/{job.name}/readings")
    assert answer.status_code == 422
    assert "job.json" in answer.text
    assert server.client.get("/").status_code == 200
