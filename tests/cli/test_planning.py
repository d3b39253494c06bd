"""The command line as a person meets it: exits, messages, files, no traceback."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.cli.conftest import Run

NOT_COPIED = {"draw.py", "dock_cart_balance.png"}
HEAVY = ("numpy", "pandas", "scipy", "ortools", "matplotlib")


@pytest.fixture(scope="module")
def sample(project: Path) -> Path:
    return project / "sample_data" / "dock_cart.csv"


@pytest.fixture(scope="module")
def dock_cart(run: Run, sample: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("dock") / "plan"
    done = run("plan", str(sample), "13s4p", "--out", str(out), "--chemistry", "nmc")
    assert done.returncode == 0
    return out, done.stdout


def test_the_main_job_writes_its_papers_and_says_the_verdict(dock_cart: tuple[Path, str]) -> None:
    out, words = dock_cart
    assert {p.name for p in out.iterdir()} >= {
        "plan.json", "cells.csv", "positions.csv", "groups.csv", "report.html", "balance.png",
    }  # fmt: skip
    record = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert record["verdict"] == "level first"
    assert record["sources"][0]["file"] == "dock_cart.csv"
    assert record["sources"][0]["rows"] == 60
    for text in ("60 cells, 52 used, 6 spare, 2 rejected", "LEVEL FIRST", "D35: over-discharged", "floor", "Assumed"):
        assert text in words


def test_no_output_names_a_folder_of_this_machine(dock_cart: tuple[Path, str], project: Path) -> None:
    out, _ = dock_cart
    for path in out.iterdir():
        if path.suffix != ".png":
            assert str(project) not in path.read_text(encoding="utf-8-sig")


def test_json_is_the_record_and_nothing_else(run: Run, sample: Path, tmp_path: Path) -> None:
    done = run("plan", str(sample), "13s4p", "--out", str(tmp_path / "job"), "--json", "--seconds", "0.2")
    assert done.returncode == 0
    assert json.loads(done.stdout) == json.loads((tmp_path / "job" / "plan.json").read_text(encoding="utf-8"))


def test_quiet_says_the_verdict(run: Run, sample: Path, tmp_path: Path) -> None:
    done = run("plan", str(sample), "13s4p", "--out", str(tmp_path / "job"), "--quiet", "--seconds", "0.2")
    assert done.stdout == "level first\n"
    assert done.stderr == ""


def test_limits_can_be_set_and_are_kept(run: Run, sample: Path, tmp_path: Path) -> None:
    out = tmp_path / "job"
    limits = ("--max-ir-ratio", "2.5", "--outlier-k", "50", "--join-window-mv", "90")
    done = run("plan", str(sample), "13s4p", "--out", str(out), "--seconds", "0.2", *limits)
    assert done.returncode == 0
    kept = json.loads((out / "plan.json").read_text(encoding="utf-8"))["limits"]
    assert (kept["max_ir_ratio"], kept["outlier_k"]) == (2.5, 50)
    assert "joining window ±90.0 mV: set" in " ".join(done.stdout.split())


def test_an_accepted_cell_stays_marked(run: Run, sample: Path, tmp_path: Path) -> None:
    out = tmp_path / "job"
    done = run("plan", str(sample), "13s4p", "--out", str(out), "--seconds", "0.2", "--accept", "D47=for the lamp")
    assert done.returncode == 0
    cells = {c["cell_id"]: c for c in json.loads((out / "plan.json").read_text(encoding="utf-8"))["cells"]}
    assert cells["D47"]["accepted"] == "for the lamp"
    assert cells["D47"]["status"] in {"used", "spare"}
    assert "for the lamp" in (out / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("nothing.csv", "10s3p"), 2, "nothing.csv"),
        ((".", "10s3p"), 2, "is a folder"),
        (("empty.csv", "10s3p"), 2, "is empty"),
        (("header.csv", "10s3p"), 2, "no cell"),
        (("novolts.csv", "1s2p"), 2, "ocv"),
        (("{sample}", "10p3s"), 2, "write 3s10p"),
        (("{sample}", "0s3p"), 2, "at least 1"),
        (("{sample}", "20s4p"), 1, "22 are missing"),
        (("{sample}", "13s4p", "--max-v", "1"), 2, "--max-v"),
        (("{sample}", "13s4p", "--chemistry", "nmcc"), 2, "did you mean nmc"),
        (("{sample}", "13s4p", "--accept", "D47"), 2, "CELL=REASON"),
        (("{sample}", "13s4p", "--accept", "X=y"), 2, "no such cell"),
        (("{sample}", "13s4p", "--seconds", "-1"), 2, "--seconds"),
        (("{sample}", "13s4p", "--colour", "red"), 2, "No such option"),
        (("lfp_or_nmc.csv", "1s2p"), 2, "--chemistry lfp"),
    ],
)
def test_bad_input_is_one_clear_message_and_nothing_written(
    run: Run, sample: Path, tmp_path: Path, arguments: tuple[str, ...], code: int, words: str
) -> None:
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    (tmp_path / "header.csv").write_text("cell,ocv_v,capacity_mah\n", encoding="utf-8")
    (tmp_path / "novolts.csv").write_text("cell,capacity_mah\nA,2500\nB,2500\n", encoding="utf-8")
    (tmp_path / "lfp_or_nmc.csv").write_text(
        "cell,ocv_v,capacity_mah\n" + "".join(f"C{i},3.300,2500\n" for i in range(6)), encoding="utf-8"
    )
    given = [a.format(sample=sample) for a in arguments]
    done = run("plan", *given, "--out", "result", cwd=tmp_path)
    assert done.returncode == code
    assert words in done.stderr
    assert not (tmp_path / "result").exists()


def test_a_letter_in_a_number_column_costs_one_cell(run: Run, sample: Path, tmp_path: Path) -> None:
    tray = tmp_path / "tray.csv"
    tray.write_text(sample.read_text(encoding="utf-8").replace("D01,3.621", "D01,3.6x1"), encoding="utf-8")
    done = run("plan", str(tray), "13s4p", "--out", str(tmp_path / "job"), "--seconds", "0.2")
    assert done.returncode == 0
    assert "3.6x1" in done.stdout
    assert "line 2" in done.stdout
    strict = run("plan", str(tray), "13s4p", "--out", str(tmp_path / "strict"), "--strict")
    assert strict.returncode == 2
    assert "3.6x1" in strict.stderr
    assert not (tmp_path / "strict").exists()


def test_repeats_are_combined_by_their_median_and_said(run: Run, sample: Path, tmp_path: Path) -> None:
    tray = tmp_path / "tray.csv"
    tray.write_text(sample.read_text(encoding="utf-8") + "D02,3.621,2530,22.3,2500,N1\n", encoding="utf-8")
    done = run("plan", str(tray), "13s4p", "--out", str(tmp_path / "job"), "--seconds", "0.2")
    assert done.returncode == 0
    cells = {c["cell_id"]: c for c in json.loads((tmp_path / "job" / "plan.json").read_text("utf-8"))["cells"]}
    assert len(cells) == 60
    assert cells["D02"]["capacity_mah"] == 2514.5  # between 2499 and 2530
    assert "D02" in done.stdout
    assert "twice" in done.stdout


def test_a_second_run_over_the_first(run: Run, sample: Path, tmp_path: Path) -> None:
    out = tmp_path / "job"
    first = run("plan", str(sample), "13s4p", "--out", str(out), "--seconds", "0.2")
    second = run("plan", str(sample), "10s5p", "--out", str(out), "--seconds", "0.2")
    assert (first.returncode, second.returncode) == (0, 0)
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))["pack"] == {"series": 10, "parallel": 5}


def test_an_impossible_second_run_leaves_the_first(run: Run, sample: Path, tmp_path: Path) -> None:
    out = tmp_path / "job"
    run("plan", str(sample), "13s4p", "--out", str(out), "--seconds", "0.2")
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    assert run("plan", str(sample), "30s4p", "--out", str(out)).returncode == 1
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_papers_are_written_again(run: Run, dock_cart: tuple[Path, str], tmp_path: Path) -> None:
    copy = shutil.copytree(dock_cart[0], tmp_path / "copy")
    (copy / "report.html").unlink()
    assert run("papers", str(copy)).returncode == 0
    assert (copy / "report.html").read_bytes() == (dock_cart[0] / "report.html").read_bytes()
    assert run("papers", str(tmp_path / "nowhere")).returncode == 2


def test_screen_alone(run: Run, sample: Path, tmp_path: Path) -> None:
    done = run("screen", str(sample), "--out", str(tmp_path / "judged.csv"))
    assert done.returncode == 0
    assert "60 cells: 58 good" in done.stdout
    assert "D35" in done.stdout
    assert "over-discharged" in (tmp_path / "judged.csv").read_text(encoding="utf-8-sig")


def test_samples_are_copied_and_nothing_is_written_over(run: Run, project: Path, tmp_path: Path) -> None:
    target = tmp_path / "trays"
    assert run("sample", str(target)).returncode == 0
    assert {p.name for p in target.iterdir()} == {p.name for p in (project / "sample_data").iterdir()} - NOT_COPIED
    assert run("sample", str(target)).returncode == 0
    (target / "launch.csv").write_text("mine", encoding="utf-8")
    again = run("sample", str(target))
    assert again.returncode == 2
    assert "launch.csv" in again.stderr
    assert (target / "launch.csv").read_text(encoding="utf-8") == "mine"


def test_help_loads_nothing_heavy() -> None:
    for arguments in (["--help"], ["plan", "--help"], ["--version"]):
        code = (
            "import sys\nfrom cellmatch.cli import cli\n"
            f"cli.main({arguments!r}, standalone_mode=False)\n"
            f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert done.stderr.strip() == "[]"
        assert done.stdout


def test_import_stays_light() -> None:
    code = f"import sys, cellmatch\ndir(cellmatch)\nprint([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.skipif(os.name == "nt", reason="signals of this kind are POSIX")
@pytest.mark.parametrize("after_s", [0.3, 1.5, pytest.param(3.5, marks=pytest.mark.slow)])
def test_ctrl_c_at_any_moment(project: Path, tmp_path: Path, after_s: float) -> None:
    # this tray's last step of spread is not proved in a minute, so the search is still going
    out, tray = tmp_path / "job", project / "sample_data" / "launch.csv"
    command = [sys.executable, "-m", "cellmatch", "plan", str(tray), "14s8p", "--out", str(out)]
    command += ["--salvaged", "--rated-mah", "2600", "--seconds", "60"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    time.sleep(after_s)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert "Traceback" not in errors
    if process.returncode == 0:
        record = json.loads((out / "plan.json").read_text(encoding="utf-8"))
        assert len(record["groups"]) == 14
    else:
        assert process.returncode in {130, -signal.SIGINT}
        assert not out.exists()
    assert {p.name for p in tmp_path.iterdir()} <= {"job"}
