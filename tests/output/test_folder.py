"""The result folder: whole or not at all, and never over something that must be kept."""

from __future__ import annotations

import hashlib
import json
import signal
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cellmatch import Plan, plan_pack, read_plan, write_plan
from cellmatch.cells.table import cell_table
from cellmatch.errors import FolderNotWritable
from cellmatch.output import folder as folder_module
from cellmatch.output.folder import (
    ALL_PAPERS,
    OTHER_SIZES,
    PAPERS,
    change_plan,
    check_writable,
    papers_wanted,
    rewrite_papers,
    write_whole,
)

FEW = ("cells.csv", "groups.csv", "positions.csv")
"""Papers that cost nothing, for tests that are about the folder."""
WITHOUT_PICTURE = tuple(name for name in PAPERS if name != "balance.png")


@pytest.fixture(scope="module")
def plan() -> Plan:
    rng = np.random.default_rng(7)
    cells = cell_table(
        {"ocv_v": [3.67] * 13, "capacity_mah": rng.normal(2500, 20, 13), "ir_mohm": rng.normal(25, 0.5, 13)},
        ids=[f"C{i}" for i in range(13)],
    )
    return plan_pack(cells, "4s3p", seconds=0.2)


def shown(folder: Path) -> set[str]:
    """Return the files of a folder; the lock that writers wait for is hidden."""
    return {p.name for p in folder.iterdir()} - {".lock"}


def test_every_paper_is_there_with_its_hash(plan: Plan, tmp_path: Path) -> None:
    made = write_plan(plan, tmp_path / "deep" / "job")
    assert {p.name for p in made.iterdir()} == {"plan.json", *PAPERS}
    record = json.loads((made / "plan.json").read_text(encoding="utf-8"))
    for entry in record["files"]:
        assert hashlib.sha256((made / entry["file"]).read_bytes()).hexdigest() == entry["sha256"]
    assert [p.name for p in (tmp_path / "deep").iterdir()] == ["job"]


def test_other_files_of_the_folder_stay(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    write_plan(plan, tmp_path)
    write_plan(plan, tmp_path)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert shown(tmp_path) == {"notes.txt", "plan.json", *PAPERS}


@pytest.mark.parametrize("fault", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_fault_while_writing_leaves_the_earlier_plan_whole(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: BaseException
) -> None:
    made = write_plan(plan, tmp_path / "job")
    before = {name: (made / name).read_bytes() for name in shown(made)}

    def fail(_: Plan) -> bytes:
        raise fault

    monkeypatch.setitem(folder_module.PAPERS, "balance.png", fail)
    with pytest.raises((FolderNotWritable, KeyboardInterrupt)):
        write_plan(plan, made)
    assert {name: (made / name).read_bytes() for name in shown(made)} == before
    assert [p.name for p in tmp_path.iterdir()] == ["job"]


def test_ctrl_c_while_moving_waits_for_the_last_file(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    moved = []
    replace_file = Path.replace

    def press_while_moving(self: Path, target: Path) -> Path:
        moved.append(Path(target).name)
        if len(moved) == 2:
            signal.raise_signal(signal.SIGINT)
        return replace_file(self, target)

    monkeypatch.setattr(Path, "replace", press_while_moving)
    with pytest.raises(KeyboardInterrupt):
        write_plan(plan, tmp_path / "job", papers=FEW)
    assert moved == [*FEW, "plan.json"]
    assert read_plan(tmp_path / "job") == plan


def test_a_record_with_history_is_not_written_over(plan: Plan, tmp_path: Path) -> None:
    changed = replace(plan, history=({"what": "cell replaced", "reason": "dented"},))
    made = write_plan(changed, tmp_path / "job", papers=FEW)
    with pytest.raises(FolderNotWritable, match="--new-plan"):
        write_plan(plan, made)
    assert read_plan(made) == changed
    write_plan(plan, made, new_plan=True, papers=FEW)
    assert read_plan(made) == plan
    kept = [p for p in made.glob("plan *.json")]
    assert len(kept) == 1
    assert read_plan(kept[0]) == changed


@pytest.mark.slow
def test_writers_at_once_lose_no_line(plan: Plan, tmp_path: Path) -> None:
    """Changes, papers written again and new plans from many hands: every line is in one of the records."""
    made = write_plan(plan, tmp_path / "job", papers=())
    few = ["groups.csv"]

    def work(n: int) -> None:
        if n % 5 == 3:
            rewrite_papers(made, few)
        elif n % 5 == 4:
            write_plan(plan, made, new_plan=True, papers=few)
        else:
            change_plan(made, lambda now: replace(now, history=(*now.history, {"what": f"line {n}"})))

    with ThreadPoolExecutor(8) as hands:
        list(hands.map(work, range(30)))
    kept = [entry["what"] for path in made.glob("plan*.json") for entry in read_plan(path).history]
    assert sorted(kept) == sorted(f"line {n}" for n in range(30) if n % 5 < 3)


def test_two_records_of_one_second_are_both_kept(plan: Plan, tmp_path: Path) -> None:
    made = write_plan(plan, tmp_path / "job", papers=())
    for n in range(2):
        change_plan(made, lambda now, n=n: replace(now, history=({"what": f"line {n}"},)))  # type: ignore[misc]
        write_plan(plan, made, new_plan=True, papers=())
    assert {read_plan(path).history[0]["what"] for path in made.glob("plan *.json")} == {"line 0", "line 1"}


def test_papers_again_from_the_record(plan: Plan, tmp_path: Path) -> None:
    made = write_plan(replace(plan, history=({"what": "read"},)), tmp_path / "job", papers=WITHOUT_PICTURE)
    before = {p.name: p.read_bytes() for p in made.iterdir() if p.suffix in {".csv", ".html"}}
    for name in before:
        (made / name).unlink()
    rewrite_papers(made, [*before])
    assert {name: (made / name).read_bytes() for name in before} == before


def test_places_that_cannot_be_written(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    for target in (tmp_path / "file", tmp_path / "file" / "deeper"):
        with pytest.raises(FolderNotWritable):
            check_writable(target)
        with pytest.raises(FolderNotWritable):
            write_plan(plan, target, papers=FEW)
    check_writable(tmp_path / "new" / "folders")
    assert not (tmp_path / "new").exists()
    with pytest.raises(FolderNotWritable):
        write_whole(tmp_path / "file" / "table.csv", b"x")


def test_some_papers_only_and_none_left_of_an_earlier_plan(plan: Plan, tmp_path: Path) -> None:
    made = write_plan(plan, tmp_path / "job", papers=FEW)
    (made / "mine.txt").write_text("x", encoding="utf-8")
    write_plan(plan, made, papers=["groups.csv"])
    assert shown(made) == {"plan.json", "groups.csv", "mine.txt"}
    record = json.loads((made / "plan.json").read_text(encoding="utf-8"))
    assert [entry["file"] for entry in record["files"]] == ["groups.csv"]


def test_papers_of_another_size_are_named_by_it_and_written_again_with_a_change(plan: Plan, tmp_path: Path) -> None:
    assert papers_wanted() == tuple(PAPERS)
    assert set(papers_wanted(labels=True, pdf=True)) == set(ALL_PAPERS)
    letter = set(papers_wanted(labels=True, pdf=True, page="letter")) - set(PAPERS)
    assert letter == {"papers_letter.pdf", "labels_letter-67x25.pdf", "labels_letter-67x25.html"} < set(OTHER_SIZES)
    names = ["groups.csv", "labels_a4-64x34.html"]
    assert set(papers_wanted(sheet="a4-64x34")) == {*PAPERS, "labels_a4-64x34.html"}
    made = write_plan(plan, tmp_path / "job", papers=names)
    change_plan(made, lambda now: replace(now, history=({"what": "read"},)))
    assert {p.name for p in made.iterdir()} - {".lock"} == {"plan.json", *names}
    assert "63.5 × 33.9 mm on A4" in (made / "labels_a4-64x34.html").read_text(encoding="utf-8")
    write_plan(plan, made, new_plan=True, papers=["groups.csv"])
    assert not (made / "labels_a4-64x34.html").exists()
