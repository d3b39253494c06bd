"""Many trays: a folder each, one summary, the same answers whoever does the work."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import joblib
import numpy as np
import pytest

from cellmatch.cli import cli
from cellmatch.errors import ArgumentInvalid, FileUnusable, FolderNotWritable, InputError
from cellmatch.jobs import FAILED, INTERRUPTED, TrayResult, plan_tray, plan_trays
from cellmatch.pack.trays import TrayJob, read_trays

TRAYS = 2


def write_tray(path: Path, cells: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    readings = zip(rng.normal(3.67, 0.001, cells), rng.normal(2500, 20, cells), rng.normal(25, 0.6, cells), strict=True)
    # capacities in steps of 20 mAh: the best grouping is found at once, whoever has the processor
    rows = (f"C{i:02d},{v:.3f},{20 * round(q / 20)},{r:.1f}\n" for i, (v, q, r) in enumerate(readings))
    path.write_text("cell_id,ocv_v,capacity_mah,ir_mohm\n" + "".join(rows), encoding="utf-8")


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a list of trays: some good, most by a job file, one that is missing, one too small."""
    folder = tmp_path_factory.mktemp("trays")
    lines = ["name,file,pack"]
    for i in range(TRAYS):
        write_tray(folder / f"tray{i}.csv", 24, i)
        lines.append(f"shelf {i},tray{i}.csv,shelf.toml")
    (folder / "shelf.toml").write_text(
        '[pack]\nseries = 4\nparallel = 4\n[search]\naims = ["spread"]\nseconds = 30\n', encoding="utf-8"
    )
    (folder / "pack.toml").write_text(
        '[pack]\nseries = 2\nparallel = 3\nchemistry = "nmc"\n[search]\nseconds = 0.2\n', encoding="utf-8"
    )
    write_tray(folder / "few.csv", 3, 9)
    lines += ["by text,tray0.csv,2s3p", "by job,tray0.csv,pack.toml", "gone,none.csv,4s4p", "few,few.csv,4s4p", ""]
    path = folder / "trays.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def summary(folder: Path) -> dict[str, dict[str, str]]:
    with (folder / "summary.csv").open(encoding="utf-8-sig", newline="") as file:
        return {row["name"]: row for row in csv.DictReader(file)}


def answers(folder: Path) -> dict[str, Any]:
    """Return the records of all trays whose search the clock does not end, without the times in them."""
    records = {}
    for path in sorted(folder.glob("shelf */plan.json")):
        record = json.loads(path.read_text(encoding="utf-8"))
        record.pop("created_at")
        assert record["grouping"]["proven"]
        for name in ("seconds", "history"):
            record["grouping"].pop(name)
        records[path.parent.name] = record
    return records


@pytest.fixture(scope="module")
def alone(listed: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[TrayResult, ...]]:
    """Return what one worker makes of the list."""
    out = tmp_path_factory.mktemp("alone") / "out"
    return out, plan_trays(read_trays(listed), out, workers=1)


def test_a_folder_each_and_a_row_each(alone: tuple[Path, tuple[TrayResult, ...]]) -> None:
    out, results = alone
    rows = summary(out)
    assert (
        list(rows)
        == [r.name for r in results]
        == [f"shelf {i}" for i in range(TRAYS)] + ["by text", "by job", "gone", "few"]
    )
    for i in range(TRAYS):
        name = f"shelf {i}"
        assert {p.name for p in (out / name).iterdir()} == {"plan.json", "cells.csv", "positions.csv", "groups.csv"}
        record = json.loads((out / name / "plan.json").read_text(encoding="utf-8"))
        assert rows[name]["verdict"] == record["verdict"]
        assert float(rows[name]["capacity_mah"]) == pytest.approx(record["prediction"]["capacity_mah"])
        assert (rows[name]["used"], rows[name]["spare"], rows[name]["reject"]) == ("16", "8", "0")


def test_the_job_file_of_a_tray_rules(alone: tuple[Path, tuple[TrayResult, ...]]) -> None:
    out, _ = alone
    record = json.loads((out / "by job" / "plan.json").read_text(encoding="utf-8"))
    assert record["pack"] == {"series": 2, "parallel": 3}
    assert record["settings"]["seconds"] == 0.2
    assert json.loads((out / "by text" / "plan.json").read_text(encoding="utf-8"))["settings"]["seconds"] == 0.1


def test_a_failed_tray_is_a_row_and_not_the_end(alone: tuple[Path, tuple[TrayResult, ...]]) -> None:
    out, _ = alone
    rows = summary(out)
    assert {name for name, row in rows.items() if row["verdict"] == FAILED} == {"gone", "few"}
    assert "none.csv" in rows["gone"]["problem"]
    assert "3 good cells for 16 places" in rows["few"]["problem"]
    assert not (out / "gone").exists()
    assert not (out / "few").exists()


def test_two_workers_give_the_same(listed: Path, alone: tuple[Path, tuple[TrayResult, ...]], tmp_path: Path) -> None:
    plan_trays(read_trays(listed), tmp_path / "out", workers=2)
    assert answers(tmp_path / "out") == answers(alone[0])


def test_workers_of_an_earlier_call_write_where_the_caller_stands_now(
    listed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Workers live on between calls, each in the folder it was started in."""
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        monkeypatch.chdir(tmp_path / name)
        results = plan_trays(read_trays(listed), "out", workers=2)
        assert {path.name for path in (tmp_path / name / "out").iterdir() if path.is_dir()} >= {results[0].name}


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """Start a Dask cluster of two worker processes on this machine and give the address of its scheduler."""
    distributed = pytest.importorskip("distributed", reason="the extra cluster is not installed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local:
        yield local.scheduler_address


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_a_dask_cluster_gives_the_same(
    cluster: str, listed: Path, alone: tuple[Path, tuple[TrayResult, ...]], tmp_path: Path
) -> None:
    from distributed import Client

    with Client(cluster) as client, joblib.parallel_config(backend="dask"):  # type: ignore[no-untyped-call]
        # a worker loads the planning code with its first tray
        assert list(client.run(lambda: "cellmatch.jobs" in sys.modules).values()) == [False, False]
        plan_trays(read_trays(listed), tmp_path / "out")
        assert list(client.run(lambda: "cellmatch.jobs" in sys.modules).values()) == [True, True]
    assert answers(tmp_path / "out") == answers(alone[0])


def test_reports_on_request(listed: Path, tmp_path: Path) -> None:
    one = read_trays(listed)[:1]
    plan_trays(one, tmp_path / "out", workers=1, reports=True)
    assert {"report.html", "balance.png", "plan.json"} <= {p.name for p in (tmp_path / "out" / "shelf 0").iterdir()}


def test_a_fault_of_the_program_costs_one_tray_only(listed: Path, tmp_path: Path) -> None:
    tray = read_trays(listed)[0]
    result = plan_tray(tray, tmp_path / "out", (), False, {"no such argument": 1})
    assert result.verdict == FAILED
    assert result.problem.startswith("fault of this program: TypeError")


def test_an_interrupt_leaves_a_summary_of_what_was_done(
    listed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trays = read_trays(listed)[:3]
    done = TrayResult(name=trays[0].name, file="", pack="4s4p", verdict="go")

    class Interrupted:
        def __init__(self, **settings: Any) -> None:
            pass

        def __call__(self, work: object) -> Iterator[TrayResult]:
            yield done
            raise KeyboardInterrupt

    monkeypatch.setattr(joblib, "Parallel", Interrupted)
    results = plan_trays(trays, tmp_path / "out")
    assert [r.verdict for r in results] == ["go", FAILED, FAILED]
    assert summary(tmp_path / "out")[trays[2].name]["problem"] == INTERRUPTED


def test_progress_counts(listed: Path, tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    chosen = [tray for tray in read_trays(listed) if tray.name in {"by job", "gone"}]
    plan_trays(chosen, tmp_path / "out", workers=1, progress=lambda done, failed: told.append((done, failed)))
    assert told == [(1, 0), (2, 1)]


def test_nowhere_to_write(listed: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(FolderNotWritable):
        plan_trays(read_trays(listed), tmp_path / "file")


# --- the list --------------------------------------------------------------------------------------------


def test_everything_wrong_in_a_list_is_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "trays.csv"
    path.write_text(
        "Name;File;Pack;note\nA;a.csv;10s3p;x\na;b.csv;3p10s;\n;c.csv;10s3p;\nd/e;d.csv;none.toml;\nf;;10s3p;\n"
        "summary.csv;g.csv;4s2p;\n",
        encoding="utf-8",
    )
    with pytest.raises(ArgumentInvalid) as caught:
        read_trays(path)
    text = str(caught.value)
    for words in (
        "line 3: the name 'a' stands in line 2 too",
        "line 3: pack '3p10s': series comes first",
        "line 4: no name",
        "line 5: found the name 'd/e'",
        "none.toml: can't be read",
        "line 6: no file",
        "line 7: found the name 'summary.csv'",
    ):
        assert words in text, words
    assert len(caught.value.problems) == 7


@pytest.mark.parametrize("name", ["..", ".", "a/b", "a\\b", "a:b", "x.", "a\tb"])
def test_names_that_are_no_folder_names(tmp_path: Path, name: str) -> None:
    (tmp_path / "trays.csv").write_text(f"name,file,pack\n{name},a.csv,10s3p\n", encoding="utf-8")
    with pytest.raises(ArgumentInvalid, match="name of a folder"):
        read_trays(tmp_path / "trays.csv")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "column name: is needed once; found nothing"),
        ("name,file\nA,a.csv\n", "column pack"),
        ("name,file,pack,pack\nA,a.csv,10s3p,4s2p\n", "column pack"),
        ("name,file,pack\n\n,,\n", "names no tray"),
    ],
)
def test_lists_that_are_none(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "trays.csv").write_text(text, encoding="utf-8")
    with pytest.raises(FileUnusable, match=words):
        read_trays(tmp_path / "trays.csv")


def test_a_list_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable, match="can't be read"):
        read_trays(tmp_path / "none.csv")
    (tmp_path / "trays.csv").write_bytes("name,file,pack\nÄ,a.csv,10s3p\n".encode("latin-1"))
    with pytest.raises(FileUnusable, match="UTF-8"):
        read_trays(tmp_path / "trays.csv")


def test_files_count_from_the_list(listed: Path) -> None:
    trays = read_trays(listed)
    assert isinstance(trays[0], TrayJob)
    assert trays[0].file == listed.parent / "tray0.csv"


# --- the command -----------------------------------------------------------------------------------------


def run(*arguments: str) -> int:
    """Run the command in this process; return its exit code, or raise what the command line would print."""
    return int(cli.main(["jobs", *arguments], standalone_mode=False) or 0)


def test_the_command_ends_with_1_if_any_failed(
    listed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    code = run(str(listed), "--out", str(out), "--workers", "1", "--seconds", "0.05", "--rated-mah", "2500")
    assert code == 1
    told = capsys.readouterr()
    assert "6 trays: 4 go, 2 failed" in told.out
    assert "few: pack 4s4p: 3 good cells" in told.err
    record = json.loads((out / "by job" / "plan.json").read_text(encoding="utf-8"))
    # what is typed wins over the job file, and leaves the rest of it alone
    assert record["settings"]["seconds"] == 0.05
    assert record["limits"]["rated_mah"] == 2500
    assert record["pack"] == {"series": 2, "parallel": 3}


def test_the_command_ends_with_0_if_none_failed(
    listed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = listed.with_name("good.csv")
    good.write_text("name,file,pack\nA,tray0.csv,2s3p\n", encoding="utf-8")
    assert run(str(good), "--out", str(tmp_path / "out"), "--workers", "1", "--quiet") == 0
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("none.csv",), "can't be read"),
        (("trays.csv", "--accept", "C01=because"), "job file"),
        (("trays.csv", "--outlier-k", "0"), "above 0"),
    ],
)
def test_the_command_refuses_before_anything_is_written(
    listed: Path, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        run(str(listed.with_name(arguments[0])), *arguments[1:], "--out", str(tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_a_scheduler_that_does_not_answer(listed: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra cluster is not installed")
    with pytest.raises(InputError, match="no Dask scheduler answers"):
        run(str(listed), "--out", str(tmp_path / "out"), "--scheduler", "nonsense://here")
