"""How `plan` is told to group: rules, several packs, unequal groups, spent uncertainty."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.cli.conftest import Run


@pytest.fixture(scope="module")
def sample(project: Path) -> str:
    return str(project / "sample_data" / "dock_cart.csv")


def _record(folder: Path) -> dict[str, Any]:
    record: dict[str, Any] = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    return record


def test_two_packs_get_a_folder_each_and_one_table(run: Run, sample: str, tmp_path: Path) -> None:
    out = tmp_path / "two"
    done = run("plan", sample, "6s4p", "--packs", "2", "--out", str(out), "--seconds", "0.5")
    assert done.returncode == 0
    assert "2 × 6s4p from dock_cart.csv: 48 cells used, 10 spare, 2 rejected" in done.stdout
    records = [_record(out / f"pack_{number}") for number in (1, 2)]
    used = [{c["cell_id"] for c in r["cells"] if c["status"] == "used"} for r in records]
    spare = [{c["cell_id"] for c in r["cells"] if c["status"] == "spare"} for r in records]
    assert [len(cells) for cells in used] == [24, 24]
    assert not used[0] & used[1]
    assert spare[0] == spare[1]
    assert any("pack 2 of 2 from this tray; the 10 spares are shared by all" in note for note in records[1]["notes"])
    with (out / "packs.csv").open(encoding="utf-8-sig", newline="") as table:
        rows = list(csv.DictReader(table))
    assert [row["pack"] for row in rows] == ["1", "2"]
    capacities = [float(row["capacity_mah"]) for row in rows]
    assert capacities == sorted(capacities, reverse=True)
    assert [float(row["spread_mah"]) for row in rows] == [r["grouping"]["spread_mah"] for r in records]


def test_as_many_packs_as_reach_a_capacity_as_one_record(run: Run, sample: str, tmp_path: Path) -> None:
    arguments = ("--packs", "max", "--pack-capacity-ah", "7.5", "--out", str(tmp_path / "max"), "--seconds", "0.5")
    done = run("plan", sample, "6s3p", *arguments, "--json")
    assert done.returncode == 0
    packs = json.loads(done.stdout)["packs"]
    assert len(packs) == 3
    assert all(pack["grouping"]["weakest_mah"] >= 7500 for pack in packs)


def test_packs_that_can_not_be_meant(run: Run, sample: str, tmp_path: Path) -> None:
    out = ("--out", str(tmp_path / "none"))
    for arguments, words in (
        (("--packs", "two"), "a whole number of at least 1, or max, is needed"),
        (("--packs", "max"), "goes with --pack-capacity-ah"),
        (("--packs", "2", "--pack-capacity-ah", "7"), "goes with --pack-capacity-ah"),
        (("--packs", "2", "--rule", "pin D01=1"), "needs a single pack"),
    ):
        done = run("plan", sample, "6s4p", *arguments, *out)
        assert done.returncode == 2
        assert words in done.stderr
    done = run("plan", sample, "6s4p", "--packs", "3", *out)
    assert done.returncode == 1
    assert "58 good cells for 72 places, 14 are missing; would go: 2 of them" in done.stderr
    assert not (tmp_path / "none").exists()


@pytest.mark.slow
def test_fewer_packs_never_lie_beside_those_of_an_earlier_plan(run: Run, sample: str, tmp_path: Path) -> None:
    out = ("--out", str(tmp_path / "p"), "--seconds", "0.1")
    assert run("plan", sample, "6s3p", "--packs", "3", *out).returncode == 0
    done = run("plan", sample, "6s3p", "--packs", "2", *out)
    assert done.returncode == 2
    assert "holds pack_3 of another plan" in done.stderr


def test_rules_are_kept_and_stand_in_the_record(run: Run, sample: str, tmp_path: Path) -> None:
    out = tmp_path / "ruled"
    rules = ("pin D01=2", "out D02", "apart D03,D04", "lots-even")
    typed = [word for rule in rules for word in ("--rule", rule)]
    done = run("plan", sample, "13s4p", *typed, "--out", str(out), "--seconds", "0.5", "--reproducible")
    assert done.returncode == 0
    record = _record(out)
    groups = [set(g["cells"]) for g in record["groups"]]
    assert "D01" in groups[1]
    assert not any("D02" in g or {"D03", "D04"} <= g for g in groups)
    assert record["settings"]["rules"] == list(rules)
    assert record["settings"]["reproducible"] is True
    report = (out / "report.html").read_text(encoding="utf-8")
    assert "--rule" in report
    assert "--reproducible" in report


def test_rules_that_none_can_keep_end_with_1_and_the_count(run: Run, sample: str, tmp_path: Path) -> None:
    arguments = ("--rule", "ir-range 0.1", "--out", str(tmp_path / "no"))
    done = run("plan", sample, "13s4p", *arguments)
    assert done.returncode == 1
    assert "cells so alike can be made, 13 are needed" in done.stderr
    done = run("plan", sample, "13s4p", "--rule", "pin D01=99", "--out", str(tmp_path / "no"))
    assert done.returncode == 2
    assert "groups are 1 to 13" in done.stderr


def test_groups_of_unequal_size_and_what_the_other_choice_would_give(run: Run, sample: str, tmp_path: Path) -> None:
    out = tmp_path / "unequal"
    sizes = [word for g in range(1, 7) for word in ("--parallel-of", f"{g}=5")]
    done = run("plan", sample, "13s4p", *sizes, "--unequal", "sum", "--out", str(out), "--seconds", "0.3")
    assert done.returncode == 0
    record = _record(out)
    assert [len(g["cells"]) for g in record["groups"]] == [5] * 6 + [4] * 7
    assert any("The other choice (share" in note for note in record["notes"])
    report = (out / "report.html").read_text(encoding="utf-8")
    assert "13s5p" in report
    assert "--parallel-of 7=4" in report


@pytest.mark.slow
def test_uncertainty_is_spent_on_conductance_when_asked(run: Run, sample: str, tmp_path: Path) -> None:
    fractions = []
    for name, extra in (("plain", ()), ("spent", ("--spend-uncertainty", "conductance"))):
        out = tmp_path / name
        done = run("plan", sample, "13s4p", "--out", str(out), "--seconds", "1", "--reproducible", *extra)
        assert done.returncode == 0
        grouping = _record(out)["grouping"]
        fractions.append(next(aim["value"] for aim in grouping["aims"] if aim["name"] == "conductance"))
        assert grouping["spread_mah"] <= grouping["group_uncertainty_mah"]
    assert fractions[1] < fractions[0]


def test_the_job_file_says_it_too(run: Run, sample: str, tmp_path: Path) -> None:
    job = tmp_path / "pack.toml"
    job.write_text(
        '[pack]\nseries = 13\nparallel = 4\n[search]\nrules = ["pin D01=2"]\nreproducible = true\n'
        'spend_uncertainty = ["conductance"]\nseconds = 0.5\n',
        encoding="utf-8",
    )
    done = run("plan", sample, str(job), "--out", str(tmp_path / "out"))
    assert done.returncode == 0
    record = _record(tmp_path / "out")
    assert "D01" in record["groups"][1]["cells"]
    assert record["settings"]["spend_uncertainty"] == ["conductance"]


def test_the_floor_may_be_enough(run: Run, sample: str, tmp_path: Path) -> None:
    done = run("plan", sample, "13s4p", "--floor-is-enough", "--aim", "spread", "--out", str(tmp_path / "floor"))
    assert done.returncode == 0
    grouping = _record(tmp_path / "floor")["grouping"]
    assert grouping["spread_mah"] <= grouping["floor_mah"]
    assert grouping["solver"] == "not needed: bound met"
