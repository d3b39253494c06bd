"""After the plan on the command line: inspect and replace change the record and lose nothing."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from cellmatch import plan_pack, read_plan, write_plan
from cellmatch.cells.table import cell_table

if TYPE_CHECKING:
    from tests.cli.conftest import Run

FEW = ("cells.csv", "groups.csv")  # papers that are quick to write


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    rng = np.random.default_rng(3)
    cells = cell_table(
        {
            "ocv_v": np.full(15, 3.670),
            "capacity_mah": rng.normal(2500, 15, 15).round(),
            "ir_mohm": rng.normal(25, 0.5, 15).round(1),
        },
        ids=[f"C{i:02d}" for i in range(15)],
    )
    return write_plan(plan_pack(cells, "4s3p", chemistry="nmc", seconds=0.2), tmp_path / "job", papers=FEW)


def history(folder: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["history"]
    return found


def readings_file(path: Path, group_v: list[float]) -> Path:
    rows = [f"group_v,{k},{v},V,,2026-11-20T10:00:00," for k, v in enumerate(group_v, start=1)]
    total = f"main_v,pack,{sum(group_v):.3f},V,,2026-11-20T10:00:00,"
    path.write_text("\n".join(["kind,target,value,unit,load_a,taken_at,step", *rows, total]), encoding="utf-8")
    return path


def test_clean_readings_say_so_and_are_kept(run: Run, folder: Path, tmp_path: Path) -> None:
    done = run("inspect", str(folder), str(readings_file(tmp_path / "r.csv", [3.670, 3.671, 3.670, 3.669])))
    assert done.returncode == 0
    entry = history(folder)[-1]
    assert entry["what"] == "inspected"
    assert len(entry["after"]["readings"]) == 5
    assert not any(f["stop"] for f in entry["after"]["findings"])


def test_a_reversed_group_is_a_stop(run: Run, folder: Path, tmp_path: Path) -> None:
    done = run("inspect", str(folder), str(readings_file(tmp_path / "r.csv", [3.670, -3.671, 3.670, 3.669])))
    assert done.returncode == 1
    assert done.stdout.startswith("STOP")
    assert "group 2" in done.stdout


def test_a_plan_with_readings_is_not_written_over(run: Run, folder: Path, tmp_path: Path) -> None:
    run("inspect", str(folder), str(readings_file(tmp_path / "r.csv", [3.670, 3.671, 3.670, 3.669])))
    tray = tmp_path / "tray.csv"
    tray.write_text("cell,ocv_v,capacity_mah\n" + "".join(f"A{i},3.670,2500\n" for i in range(4)), encoding="utf-8")
    refused = run("plan", str(tray), "2s2p", "--chemistry", "nmc", "--out", str(folder))
    assert refused.returncode == 2
    assert "--new-plan" in refused.stderr
    assert len(history(folder)) == 1
    assert run("plan", str(tray), "2s2p", "--chemistry", "nmc", "--out", str(folder), "--new-plan").returncode == 0
    assert len(list(folder.glob("plan *.json"))) == 1


def test_written_reasons_go_into_the_history(run: Run, folder: Path, tmp_path: Path) -> None:
    readings = tmp_path / "r.csv"
    readings.write_text(
        "kind,target,value,unit,load_a,taken_at,step,reason\n"
        "group_v,1,3.670,V,,2026-11-20T10:00:00Z,4,\n"
        'group_v,2,3.671,V,,2026-11-20T10:01:00Z,4,"second meter, same value"\n'
        "group_v,3,,V,,,5,lid stuck; read in step 9\n",
        encoding="utf-8",
    )
    assert run("inspect", str(folder), str(readings)).returncode == 0
    entry = history(folder)[-1]
    assert entry["reason"] == (
        "step 4, group_v 2: second meter, same value; step 5, group_v 3: lid stuck; read in step 9"
    )
    assert [r["value_v"] for r in entry["after"]["readings"]] == [3.67, 3.671, None]
    assert entry["after"]["readings"][2]["reason"] == "lid stuck; read in step 9"
    # and the record with them is read again
    assert read_plan(folder).history[-1]["reason"] == entry["reason"]


def test_cells_read_the_day_before_yesterday_are_asked_for_again(run: Run, folder: Path, tmp_path: Path) -> None:
    cell = read_plan(folder).groups[0][0]
    told = {}
    for hours in (1, 30):
        at = (datetime.now(UTC) - timedelta(hours=hours)).isoformat(timespec="seconds")
        path = tmp_path / f"{hours}.csv"
        path.write_text(
            f"kind,target,value,unit,load_a,taken_at,step\ncell_v,{cell},3.670,V,,{at},2\n", encoding="utf-8"
        )
        told[hours] = run("inspect", str(folder), str(path)).stdout
    assert "24 h ago" not in told[1]
    assert f"read {cell} again" in told[30]


def test_without_readings_it_says_what_each_check_needs(run: Run, folder: Path) -> None:
    done = run("inspect", str(folder))
    assert done.returncode == 0
    # 3 cells of 25 mohm, 2 mV: 4 √2 2 mV over (12.5 - 8.33) mohm
    assert "at least 3 A" in done.stdout
    assert done.stdout.count("Needs") == 6
    assert history(folder) == []


def test_progress_of_the_bench_sheet_is_not_taken_for_readings(run: Run, folder: Path, tmp_path: Path) -> None:
    progress = tmp_path / "progress 4s3p.json"
    progress.write_text('{"plan": "1", "readings": {}}', encoding="utf-8")
    done = run("inspect", str(folder), str(progress))
    assert done.returncode == 2
    assert "Save readings" in done.stderr


def test_an_old_pack_is_mended_from_a_tray(run: Run, tmp_path: Path) -> None:
    old, tray = tmp_path / "old.csv", tmp_path / "tray.csv"
    old.write_text("group,ocv_v,capacity_mah\n1,3.70,4900\n2,3.55,3100\n3,3.71,4950\n", encoding="utf-8")
    rows = "".join(f"N{i},3.60,{2400 + 25 * i}\n" for i in range(8))
    tray.write_text(f"cell,ocv_v,capacity_mah\n{rows}", encoding="utf-8")
    given = ("--group-readings", str(old), "--tray", str(tray))
    done = run("replace", *given, "--parallel", "2")
    assert done.returncode == 0
    # nearest to the others' median of 4925: 2400 + 2525 among others
    assert "becomes 4925 mAh" in done.stdout
    assert "New cells beside old ones" in done.stdout
    assert "3.705 V" in done.stdout
    assert run("replace", *given).returncode == 2
    assert run("replace").returncode == 2
    assert run("replace", *given, "--parallel", "9").returncode == 1


def test_two_inspections_at_once_lose_nothing(folder: Path, tmp_path: Path) -> None:
    files = [readings_file(tmp_path / f"r{i}.csv", [3.670, 3.671, 3.670, 3.669]) for i in range(3)]
    command = [sys.executable, "-m", "cellmatch", "inspect", str(folder)]
    processes = [subprocess.Popen([*command, str(name)], stdout=subprocess.DEVNULL) for name in files]
    assert [process.wait(timeout=120) for process in processes] == [0] * 3
    assert len(history(folder)) == 3


def test_replace_says_the_least_change_and_makes_it_with_a_reason(run: Run, folder: Path) -> None:
    plan = read_plan(folder)
    out = plan.groups[1][0]
    shown = run("replace", str(folder), "--cell", out)
    assert shown.returncode == 0
    assert "nothing was changed" in shown.stdout
    assert read_plan(folder) == plan
    done = run("replace", str(folder), "--cell", out, "--reason", "dented", "--cell-v", "3.670", "--group-v", "3.668")
    assert done.returncode == 0
    assert "GO" in done.stdout
    changed = read_plan(folder)
    assert out not in {cell for group in changed.groups for cell in group}
    assert changed.history[-1]["reason"] == "dented"
    assert changed.cells.loc[out, "status"] == "reject"
    assert {p.name for p in folder.iterdir()} >= {"plan.json", *FEW}


def test_a_joining_stop_is_not_opened_by_a_reason(run: Run, folder: Path) -> None:
    # 3.67 V into a group at 4.15 V: far above ten times 0.5 C (Kirchhoff's laws; the ratio is common practice)
    plan = read_plan(folder)
    now = ("--cell-v", "3.67", "--group-v", "4.15")
    done = run("replace", str(folder), "--cell", plan.groups[0][0], "--reason", "I want it", *now)
    assert done.returncode == 1
    assert "STOP" in done.stdout
    assert "opened by new readings only" in done.stdout
    assert read_plan(folder) == plan


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(("--cell", "C99"), "C"), (("--cell", "C01", "--cell-v", "3.6"), "give both")],
)
def test_what_cannot_be_replaced(run: Run, folder: Path, arguments: tuple[str, ...], words: str) -> None:
    done = run("replace", str(folder), *arguments)
    assert done.returncode == 2
    assert words in done.stderr


def test_measure_makes_a_table_that_plan_reads(run: Run, tmp_path: Path) -> None:
    # 1 A for 2 h from 4.1 V down to 3.0 V: 2000 mAh (charge = current × time)
    for name in ("K1", "K2"):
        rows = [f"{t},{4.1 - 1.1 * t / 7200:.4f},1.0" for t in range(0, 7201, 60)]
        (tmp_path / f"{name}.csv").write_text("time_s,voltage_v,current_a\n" + "\n".join(rows), encoding="utf-8")
    done = run("measure", str(tmp_path / "K1.csv"), str(tmp_path / "K2.csv"), "--out", str(tmp_path / "table.csv"))
    assert done.returncode == 0
    from cellmatch.cells.reading.files import read_cells

    text = (tmp_path / "table.csv").read_text(encoding="utf-8-sig")
    assert "capacity_mah" in text.splitlines()[0]
    assert "2000" in text
    assert read_cells.__doc__
