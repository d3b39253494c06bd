"""The same cells, seed and version give the same grouping, and a search that is stopped gives the best so far."""

from __future__ import annotations

import _thread
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ortools.sat.python import cp_model

from cellmatch.cells.table import CellTable
from cellmatch.grouping.check import check_grouping
from cellmatch.grouping.result import TIME_LIMIT, WORK_SPENT, Grouping
from cellmatch.grouping.solve import group_cells
from tests.grouping.invented import random_capacities, tray

TIMES = ("seconds", "history")
"""What a clock measures; all else must be the same."""

CASES: dict[str, tuple[str, int, dict[str, Any]]] = {
    "all cells used": ("6s3p", 18, {"aims": ("spread",)}),
    "spares": ("6s3p", 20, {}),
    "conductance for the uncertainty": ("5s4p", 22, {"spend_uncertainty": ("conductance",)}),
    "alike in each group": ("5s4p", 20, {"aims": ("spread", "range")}),
    "rules": ("6s3p", 20, {"aims": ("spread",), "rules": ("apart C1,C2", "ir-range 9", "pin C3=2")}),
    "several packs": ("3s3p", 30, {"packs": 3}),
    "wide groups": ("4s10p", 44, {}),
}


def _tray(kind: str, cells: int) -> CellTable:
    random = np.random.default_rng(cells)
    return tray(
        random_capacities(kind, cells, random),
        ir_mohm=np.round(random.normal(30, 2, cells), 1),
        ocv_v=np.round(random.normal(3.6, 0.003, cells), 3),
    )


def _bytes(grouping: Grouping) -> str:
    told = asdict(grouping)
    return json.dumps({name: value for name, value in told.items() if name not in TIMES})


def _run(cells: CellTable, name: str) -> str:
    pack, _, asked = CASES[name]
    return _bytes(group_cells(cells, pack, seconds=0.3, reproducible=True, **asked))


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("kind", ["new", "two lots"])
def test_in_any_order_of_rows(name: str, kind: str) -> None:
    cells = _tray(kind, CASES[name][1])
    order = np.random.default_rng(0).permutation(len(cells))
    assert _run(CellTable(cells.iloc[order]), name) == _run(cells, name)


def test_cells_that_read_the_same_are_told_apart_by_their_ids() -> None:
    cells = tray(np.full(14, 2500.0))
    first = _bytes(group_cells(cells, "4s3p", reproducible=True))
    assert _bytes(group_cells(CellTable(cells.iloc[::-1]), "4s3p", reproducible=True)) == first


def test_in_another_process(project: Path) -> None:
    """Neither the order of sets nor the memory's layout has a say."""
    command = (
        "from tests.grouping.test_reproducible import CASES, _run, _tray\n"
        "for name, (_, cells, _how) in CASES.items(): print(_run(_tray('new', cells), name))"
    )
    told = subprocess.run(
        [sys.executable, "-c", command],
        cwd=project,
        env={**os.environ, "PYTHONHASHSEED": "1", "PYTHONPATH": str(project)},
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    assert told == [_run(_tray("new", cells), name) for name, (_, cells, _how) in CASES.items()]


@pytest.mark.parametrize("kind", ["new", "coarse", "two lots"])
def test_without_asking_where_no_clock_decided(kind: str) -> None:
    cells = _tray(kind, 20)
    found = [group_cells(CellTable(cells.iloc[::step]), "6s3p", ("spread",), seconds=20) for step in (1, -1)]
    assert not any(grouping.by_clock for grouping in found)
    assert found[0].groups == found[1].groups


def test_a_clock_that_decided_is_told() -> None:
    cells = _tray("even", 60)
    assert group_cells(cells, "15s4p", ("spread", "range"), seconds=0).by_clock
    assert not group_cells(cells, "15s4p", ("spread", "range"), seconds=0, reproducible=True).by_clock


def test_another_seed_may_give_another_grouping_as_good() -> None:
    cells = _tray("new", 20)
    found = [group_cells(cells, "6s3p", ("spread",), seed=seed, seconds=5) for seed in range(2)]
    assert {grouping.spread_mah for grouping in found} == {found[0].spread_mah}
    assert {grouping.seed for grouping in found} == {0, 1}


def _hard_tray() -> CellTable:
    """Two lots in wide groups: for the assignment model, and far from proved in a minute."""
    random = np.random.default_rng(8)
    return tray(np.where(np.arange(60) < 23, random.normal(2900, 15, 60), random.normal(2200, 40, 60)).round(1))


def _after_the_heuristics(stop: Callable[[], None]) -> Callable[[Grouping], None]:
    """Return what takes the answer at hand, and stops the search while the exact solver runs."""

    def take(_: Grouping) -> None:
        timer = threading.Timer(0.2, stop)
        timer.daemon = True
        timer.start()

    return take


def test_a_stop_ends_the_exact_solver() -> None:
    cells, stopped = _hard_tray(), threading.Event()
    grouping = group_cells(
        cells, "10s6p", ("spread",), seconds=600, stop=stopped.is_set, on_answer=_after_the_heuristics(stopped.set)
    )
    assert grouping.ended_by == "stopped by the user"
    check_grouping(cells, "10s6p", grouping)


def test_ctrl_c_ends_the_exact_solver_and_keeps_the_best() -> None:
    cells = _hard_tray()
    grouping = group_cells(
        cells, "10s6p", ("spread",), seconds=600, on_answer=_after_the_heuristics(_thread.interrupt_main)
    )
    assert grouping.ended_by == "stopped by the user"
    check_grouping(cells, "10s6p", grouping)


@pytest.mark.parametrize(("reproducible", "most"), [(False, 2), (True, 1)])
def test_workers(monkeypatch: pytest.MonkeyPatch, reproducible: bool, most: int) -> None:
    seen: list[int] = []
    solve = cp_model.CpSolver.solve

    def noted(solver: cp_model.CpSolver, *arguments: Any) -> Any:
        seen.append(solver.parameters.num_workers)
        return solve(solver, *arguments)

    monkeypatch.setattr(cp_model.CpSolver, "solve", noted)
    group_cells(_hard_tray(), "10s6p", ("spread",), seconds=0.5, reproducible=reproducible)
    assert seen
    assert max(seen) <= most


def test_why_it_ended_is_told_as_it_was() -> None:
    """Work runs out long before the clock where nothing else keeps the machine busy; neither is called the other."""
    cells = _hard_tray()
    counted = group_cells(cells, "10s6p", ("spread",), seconds=0.1, reproducible=True)
    assert (counted.ended_by, counted.more_may_help) == (WORK_SPENT, True)
    late = group_cells(cells, "10s6p", ("spread",), seconds=0)
    assert (late.ended_by, late.more_may_help) == (TIME_LIMIT, True)
    proven = group_cells(_tray("new", 20), "6s3p", ("spread",), seconds=20)
    assert (proven.ended_by, proven.more_may_help) == ("spread equals its bound", False)
