"""A job file on the page: what it says is kept, the plan is that of the command, rules are said and told."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from cellmatch.cli import cli
from cellmatch.errors import ArgumentInvalid
from cellmatch.grouping.rules import RULE_WORDS, rule_of
from cellmatch.pack.job import Job as JobRequest
from cellmatch.pack.job import job_toml, job_values, read_job
from cellmatch.pack.job_keys import JOB_KEYS
from cellmatch.pack.spec import Pack
from cellmatch.page.groups_step import AIM_PLACES, AIMS, RULE_EXAMPLES
from cellmatch.page.job_file import kept_keys, opened, recorded, request_of
from cellmatch.page.jobs import Job, JobFolder, inputs_of
from tests.page.conftest import ORIGIN, Server, wait_until

FULL = """
[pack]
series = 13
parallel = 4
chemistry = "NMC"

[limits]
rated_mah = 2500
max_ir_ratio = 1.4
min_v = 2.4

[load]
current_a = 12
peak_a = 20
cell_peak_a = 9
load_uf = 470

[holder]
shape = "offset"
pitch_mm = 20.5
first_negative_up = false
split_after = [6]

[links]
type = "welded"
link_mohm = 0.4
contact_a = 15
custom = [[1, 6]]

[search]
aims = ["spread", "conductance", "range", "weakest"]
rules = ["pin D05=2", "out D07", "apart D01,D02", "ir-range 8"]
spend_uncertainty = ["conductance"]
floor_is_enough = true
reproducible = true
seed = 7
seconds = 0.5

[accept]
D03 = "looked at twice"
"""
SMALL = """
[pack]
series = 4
parallel = [6, 5, 6, 5]
chemistry = "lfp"
[search]
aims = ["spread"]
unequal = "sum"
reproducible = true
seconds = 0.5
rules = ["pin L05=3"]
"""


def open_file(server: Server, text: str) -> Any:
    return server.client.post("/open", files={"record": ("cart.toml", text.encode("latin-1"))}, headers=ORIGIN)


def opened_folder(server: Server, text: str) -> JobFolder:
    answer = open_file(server, text)
    assert answer.status_code == 303, answer.text
    return server.folder(answer.headers["location"].split("/")[2])


def find(server: Server, folder: JobFolder, **typed: str) -> Any:
    """Press "Find groups" with the fields as the page fills them in, but for what is typed."""
    job = folder.read()
    aims = {f"aim_{place}": aim for place, aim in zip(AIM_PLACES, job.aims, strict=False)}
    form = {**aims, "seconds": f"{job.seconds:g}", "rules": "\r\n".join(job.rules), **typed}
    return server.client.post(f"/job/{folder.name}/groups/find", data=form, headers=ORIGIN)


def ended(server: Server, folder: JobFolder) -> Any:
    site = server.app.state.site
    wait_until(lambda: site.searches.running(folder) is None, 120)
    return site.searches.of(folder)


def take(server: Server, folder: JobFolder, path: Path) -> None:
    files = {"files": (path.name, path.read_bytes())}
    server.client.post(f"/job/{folder.name}/readings/upload", files=files, headers=ORIGIN)


def plan_by_page(server: Server, folder: JobFolder, cells: Path) -> None:
    take(server, folder, cells)
    assert find(server, folder).status_code == 303
    assert ended(server, folder).problems == ()
    wait_until(lambda: not server.app.state.site.press.busy(folder), 120)


def record_of(folder: Path) -> dict[str, Any]:
    """Return a record without what hangs on the clock."""
    record: dict[str, Any] = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    for name in ("created_at", "files"):
        record.pop(name)
    for name in ("seconds", "history"):
        record["grouping"].pop(name)
    return record


# the same plan


@pytest.mark.parametrize(
    ("text", "tray"),
    [pytest.param(FULL, "dock_cart.csv", marks=pytest.mark.slow), (SMALL, "lanterns.csv")],
)
def test_the_page_makes_the_plan_that_the_command_makes(
    server: Server, project: Path, tmp_path: Path, text: str, tray: str
) -> None:
    cells = project / "sample_data" / tray
    folder = opened_folder(server, text)
    plan_by_page(server, folder, cells)
    (tmp_path / "cart.toml").write_text(text)
    for number, job_file in enumerate((tmp_path / "cart.toml", folder.path / "pack.toml")):
        out = tmp_path / f"plan {number}"
        done = CliRunner().invoke(cli, ["plan", str(cells), str(job_file), "--out", str(out), "--quiet"])
        assert done.exit_code == 0, done.output
        assert record_of(out) == record_of(folder.path), job_file.name
    # and its record, opened, asks for the same plan again
    record = (out / "plan.json").read_bytes()
    answer = server.client.post("/open", files={"record": ("plan.json", record)}, headers=ORIGIN)
    again = server.folder(answer.headers["location"].split("/")[2])
    assert again.read().not_kept == ()
    plan_by_page(server, again, cells)
    assert record_of(again.path) == record_of(folder.path)


def test_a_folder_that_the_command_wrote_asks_for_its_plan(server: Server, project: Path, tmp_path: Path) -> None:
    (tmp_path / "bank.toml").write_text(SMALL)
    cells, out = project / "sample_data" / "lanterns.csv", server.root / "bank"
    server.root.mkdir()
    done = CliRunner().invoke(cli, ["plan", str(cells), str(tmp_path / "bank.toml"), "--out", str(out), "--quiet"])
    assert done.exit_code == 0, done.output
    said = opened("bank.toml", SMALL.encode())
    job = server.folder("bank").read()
    assert {name: getattr(job, name) for name in said} == said


def test_what_a_record_was_asked_for_that_the_page_cannot_keep_is_said(project: Path) -> None:
    record = json.loads((project / "tests" / "output" / "records" / "plan_version_1.json").read_text(encoding="utf-8"))
    short = "[search] seconds = 0.2: the page searches from 0.5 to 600 s; 0.5 s is set"
    assert recorded(record)["not_kept"] == (short,)
    record["chemistry"]["name"] = "own"
    record["settings"] |= {"packs": 2, "seconds": 0}
    place = {"position": 1, "x_mm": 0.0, "y_mm": 0.0, "group": 1, "positive_up": None}
    record["holder"] |= {"shape": "map", "own_places": [place]}
    said = recorded(record)
    assert (said["chemistry"], said["holder"]["shape"]) == (None, "straight")
    assert [words.split(":")[0] for words in said["not_kept"]] == [
        "chemistry own, which is not one of the page", "the holder's map", "several packs from one tray",
    ]  # fmt: skip
    assert "seconds" not in said


def test_every_key_of_a_job_file_is_kept_and_written_back(server: Server, tmp_path: Path) -> None:
    text = FULL.replace("current_a = 12\n", "power_w = 500\ncell_a = 5\n")
    text = text.replace("[search]\n", '[search]\nunequal = "sum"\n').replace("split", "heat_placement = false\nsplit")
    told = tomllib.loads(text)
    assert {(k.table, k.name) for k in JOB_KEYS if k.table != "limits" and k.name != "cell_size"} - {
        (table, name) for table, keys in told.items() for name in keys
    } == {("load", "current_a")}, "a new key wants its place in this test"
    (tmp_path / "cart.toml").write_text(text)
    folder = opened_folder(server, text)
    asked = request_of(folder.read())
    assert job_values(asked) == job_values(read_job(tmp_path / "cart.toml")) | {("pack", "chemistry"): "nmc"}
    (tmp_path / "again.toml").write_text(job_toml(asked))
    assert read_job(tmp_path / "again.toml") == asked


def test_what_has_no_field_is_listed_survives_the_form_and_can_be_left_out(server: Server) -> None:
    folder = opened_folder(server, FULL)
    page = f"/job/{folder.name}/job"
    html = unescape(server.client.get(page).text)
    for written in ("[load] cell_peak_a = 9", "[holder] split_after = [6]", "[links] custom = [[1, 6]]",
                    "[search] reproducible = true", '[search] spend_uncertainty = ["conductance"]'):  # fmt: skip
        assert written in html
    before = folder.read()
    form = {
        "title": before.title, "series": "13", "parallel": "4", "chemistry": "nmc", "rated_mah": "2500",
        "shape": "offset", "cell_size": "18650", "pitch_mm": "20.5", "link_type": "welded", "current_a": "12",
        "peak_a": "20",
    }  # fmt: skip
    assert server.client.post(page, data=form, headers=ORIGIN).status_code == 303
    assert folder.read() == before
    # a pack that it doesn't go with is refused, until it is left out
    answer = server.client.post(page, data={**form, "series": "6"}, headers=ORIGIN)
    assert answer.status_code == 422
    assert "split after group 6" in answer.text
    server.post(f"{page}/leave-out", data={"table": "holder", "name": "split_after"})
    after = folder.read()
    assert "split_after" not in [key.name for key in kept_keys(after)]
    assert len(kept_keys(after)) == len(kept_keys(before)) - 1
    assert "split_after left out" in after.diary[-1].what
    assert server.client.post(page, data={**form, "series": "6"}, headers=ORIGIN).status_code == 303


def test_the_load_and_the_links_of_a_job_file_stand_in_the_prediction(server: Server, planned_folder: Path) -> None:
    folder = opened_folder(server, FULL)
    for name in ("plan.json", "view.json", "report.html"):
        shutil.copy(planned_folder / name, folder.path / name)
    html = server.client.get(f"/job/{folder.name}/prediction").text
    assert 'name="link_mohm" value="0.4"' in html
    assert "Not with this load" not in html


def test_a_limit_below_the_chemistry_stays_as_the_job_file_says(server: Server, project: Path) -> None:
    folder = opened_folder(server, FULL)
    take(server, folder, project / "sample_data" / "dock_cart.csv")
    path = f"/job/{folder.name}/screening/limits"
    assert server.client.post(path, data={"min_v": "2.4", "max_ir_ratio": "1.3"}, headers=ORIGIN).status_code == 303
    limits = folder.read().limits
    assert (limits["min_v"], limits["max_ir_ratio"]) == (2.4, 1.3)
    answer = server.client.post(path, data={"min_v": "2.3"}, headers=ORIGIN)
    assert answer.status_code == 422
    assert "only raises it" in answer.text


# what can't be kept


def test_a_reason_for_a_cell_that_is_not_there_is_said_and_can_be_taken_back(server: Server, project: Path) -> None:
    folder = opened_folder(server, SMALL + '[accept]\nL01 = "looked at"\n"<i>X9" = "twice read"\n')
    take(server, folder, project / "sample_data" / "lanterns.csv")
    path = f"/job/{folder.name}/screening"
    html = server.client.get(path).text
    assert "<b>&lt;i&gt;X9</b> is not among the readings" in html
    assert "<b>1</b> used anyway" in html
    server.post(f"{path}/accept", data={"id": "<i>X9", "back": "yes"})
    assert "not among the readings" not in server.client.get(path).text
    assert folder.read().accept == {"L01": "looked at"}


def test_no_second_file_is_opened_and_that_is_said(server: Server, tmp_path: Path) -> None:
    secret = tmp_path / "own.toml"
    secret.write_text("swordfish = 1")
    text = FULL.replace('"NMC"', json.dumps(str(secret))).replace('"offset"', '"../places.csv "')
    folder = opened_folder(server, text.replace("seconds = 0.5", "seconds = 0.2"))
    job = folder.read()
    assert (job.chemistry, job.holder["shape"], job.seconds) == (None, "straight", 0.5)
    for step in ("job", "groups"):
        html = unescape(server.client.get(f"/job/{folder.name}/{step}").text)
        assert "Not kept from the file" in html
        assert 'shape = "../places.csv ": the page opens no second file; choose a shape in Job' in html
        assert "seconds = 0.2: the page searches from 0.5 to 600 s; 0.5 s is set" in html
        assert "swordfish" not in html
    server.post(f"/job/{folder.name}/job/leave-out", data={})
    assert "Not kept" not in server.client.get(f"/job/{folder.name}/job").text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[pack", "is not a TOML file"),
        ("\xff\xfe", "is not a TOML file"),
        ("x = " + 50_000 * "[", "is not a TOML file"),
        ("pack = 3", "it is the head of a table: [pack]"),
        ("[pack]\nseries = 3\n", "[pack] parallel: is missing"),
        ("[pack]\nseries = 3\nparallel = 2\n[serch]\n", "did you mean search?"),
        ("[pack]\nseries = 3\nparallel = 2\n[search]\nrulse = []\n", "did you mean rules?"),
        ('[pack]\nseries = 3\nparallel = 2\nchemistry = "nmcc"\n', "did you mean nmc?"),
        ("[pack]\nseries = 3\nparallel = 2\n[limits]\nmin_v = -1\n", "a limit is a number of 0 or more"),
    ],
)
def test_a_job_file_that_cannot_be_meant_begins_no_job(server: Server, text: str, words: str) -> None:
    answer = open_file(server, text)
    assert answer.status_code == 422
    assert words in unescape(re.sub("<.*?>", "", answer.text))
    assert list(server.app.state.site.jobs.all()) == []


def test_nothing_chosen_is_said(server: Server) -> None:
    assert "or a job file like pack.toml" in server.client.post("/open", headers=ORIGIN).text


# packs whose groups differ


def test_groups_of_different_sizes_are_shown_and_typed(server: Server) -> None:
    folder = opened_folder(server, SMALL)
    assert folder.read().pack == "4s(6+5+6+5)p"
    page = f"/job/{folder.name}/job"
    assert 'value="6+5+6+5"' in server.client.get(page).text
    form = {"series": "3", "parallel": "6 + 5+6", "chemistry": "lfp"}
    assert server.client.post(page, data=form, headers=ORIGIN).status_code == 303
    assert folder.read().pack == "3s(6+5+6)p"
    for wrong, words in (("6+5", "2 group sizes"), ("6+x+5", "a number is needed"), ("6+0+5", "at least 1")):
        answer = server.client.post(page, data={**form, "parallel": wrong}, headers=ORIGIN)
        assert answer.status_code == 422
        assert words in answer.text


# rules


def test_every_form_of_a_rule_is_shown_with_an_example(server: Server, job: JobFolder) -> None:
    assert list(RULE_EXAMPLES) == list(RULE_WORDS)
    html = server.client.get(f"/job/{job.name}/groups").text
    for name, (form, _) in RULE_WORDS.items():
        assert f"<code>{form}</code>" in html
        assert rule_of(RULE_EXAMPLES[name]).words in html
    assert len(AIM_PLACES) == len(AIMS)


@pytest.mark.parametrize("rule", ["pim D09=3", "ir-range wide", "apart D01", "pin D05=two", "<b>one</b>"])
def test_a_wrong_rule_is_told_beside_the_field_in_the_words_of_the_command(
    server: Server, job: JobFolder, rule: str
) -> None:
    before = job.read()
    typed = f"pin D05=2\r\n\r\n  {rule}  "
    answer = find(server, job, rules=typed, seconds="0,7", aim_first="range")
    assert answer.status_code == 422
    with pytest.raises(ArgumentInvalid) as told:
        rule_of(rule)
    wrong = re.search(r'id="rules-wrong".*?</div>', answer.text, re.DOTALL)
    assert wrong is not None
    assert str(told.value) in unescape(re.sub("<.*?>", "", wrong[0]))
    assert answer.text.count("rules-wrong") == 2, "told once, and named by the field"
    # nothing that was typed is lost, nothing is kept, nothing was begun
    field = re.search(r"<textarea[^>]*>(.*?)</textarea>", answer.text, re.DOTALL)
    assert field is not None
    assert unescape(field[1]) == f"pin D05=2\n{rule}"
    assert 'value="0,7"' in answer.text
    assert '<option value="range" selected>' in answer.text
    assert job.read() == before
    assert server.app.state.site.searches.of(job) is None


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        ("pin D99=2", "rule 'cell D99 in group 2': D99 is not among the good cells; did you mean D59?"),
        ("pin D05=2\nout D07\npin D05=3", "rules, cell D05: is wanted in groups 2 and 3; a cell has one group"),
        ("ir-range 0", "resistance within 0 mohm in each group': only"),
    ],
)
def test_rules_that_these_cells_cannot_keep_are_told_beside_the_field(
    server: Server, job: JobFolder, rules: str, words: str
) -> None:
    assert find(server, job, rules=rules).status_code == 303
    assert ended(server, job).ended == "failed"
    html = server.client.get(f"/job/{job.name}/groups").text
    wrong = re.search(r'id="rules-wrong".*?</div>', html, re.DOTALL)
    assert wrong is not None
    assert words in unescape(re.sub("<.*?>", "", wrong[0]))
    assert f">{rules}</textarea>" in html
    assert "be done as it is" in html
    assert job.read().rules == tuple(rules.splitlines())


def test_rules_make_another_plan_and_no_rules_the_same_as_ever() -> None:
    job = Job(title="a", created_at="", pack="2s2p")
    assert inputs_of(replace(job, rules=("one-lot",))) != inputs_of(job)
    assert inputs_of(replace(job, kept={"search": {"seed": 3}})) != inputs_of(job)
    # frozen: a job that was planned before rules and kept keys were there isn't out of date by them
    assert inputs_of(job)[:12] == "4df3a77a7a6f"


def test_a_plain_job_asks_for_what_its_fields_say() -> None:
    asked = request_of(Job(title="a", created_at="", pack="10s3p"))
    assert asked == JobRequest(pack=Pack(10, 3), seconds=3.0)
    said = opened("pack.toml", b"\xef\xbb\xbf[pack]\nseries = 10\nparallel = 3\n")
    assert request_of(Job(title="a", created_at="", **said)) == asked
