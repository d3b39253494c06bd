"""What group_cells takes and gives."""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
import pytest

from cellmatch.cells.table import CellTable, cell_table
from cellmatch.errors import ArgumentInvalid, TooFewCells
from cellmatch.grouping.check import check_grouping
from cellmatch.grouping.result import Grouping
from cellmatch.grouping.solve import assign_groups, group_cells
from cellmatch.pack.spec import Pack
from tests.grouping.invented import tray


@pytest.fixture(scope="module")
def cells() -> CellTable:
    random = np.random.default_rng(1)
    return cell_table(
        {
            "ocv_v": np.round(random.normal(3.6, 0.003, 44), 3),
            "capacity_mah": np.round(random.normal(2500, 20, 44), 1),
            "ir_mohm": np.round(random.normal(25, 1, 44), 1),
        },
        ids=[f"A{i:02d}" for i in range(44)],
    )


def test_every_good_cell_is_used_once_or_spare(cells: CellTable) -> None:
    table = cells.copy()
    table["status"] = ["reject", *["good"] * 43]
    grouping = group_cells(table, "10s4p", seconds=1)
    used = [cell for group in grouping.groups for cell in group]
    assert sorted([*used, *grouping.spares]) == sorted(table.index[1:])
    assert len(set(used)) == 40
    assigned = assign_groups(table, grouping)
    assert assigned["status"].value_counts().to_dict() == {"used": 40, "spare": 3, "reject": 1}
    assert assigned.loc[list(grouping.groups[2]), "group"].tolist() == [3] * 4
    assert "group" not in table.columns


def test_the_figures_stand_in_the_result(cells: CellTable) -> None:
    grouping = group_cells(cells, "10s4p", seconds=1)
    sums = [cells.loc[list(group), "capacity_mah"].sum() for group in grouping.groups]
    assert grouping.spread_mah == pytest.approx(max(sums) - min(sums))
    assert grouping.weakest_mah == pytest.approx(min(sums))
    assert [aim.name for aim in grouping.aims] == ["weakest", "spread", "conductance"]
    median = float(cells["capacity_mah"].median())
    assert grouping.group_uncertainty_mah == pytest.approx(0.01 * median * 2, rel=1e-3)  # u·√P, P = 4
    assert grouping.floor_mah == pytest.approx(2.77 * grouping.group_uncertainty_mah)
    assert [after.aim for after in grouping.figures] == ["weakest", "spread", "conductance"]
    assert grouping.figures[-1].weakest_mah == grouping.weakest_mah
    assert grouping.seed == 0
    assert grouping.history[-1][1] == grouping.spread_mah


def test_the_rated_capacity_sets_the_uncertainty(cells: CellTable) -> None:
    grouping = group_cells(cells, "10s4p", ("spread",), repeatability_fraction=0.005, rated_mah=2600)
    # bench practice: 0.5 % of 2600 mAh for one reading, 26 mAh for the sum of 4 (u·√P)
    assert grouping.group_uncertainty_mah == pytest.approx(26.0)


def test_aims_by_default(cells: CellTable) -> None:
    assert [aim.name for aim in group_cells(cells, "11s4p", seconds=0.3).aims] == ["spread", "conductance"]


def test_without_resistance_conductance_is_left_out_and_said(cells: CellTable) -> None:
    grouping = group_cells(CellTable(cells.drop(columns="ir_mohm")), "10s4p", seconds=0.5)
    assert [aim.name for aim in grouping.aims] == ["weakest", "spread"]
    assert "no resistance given: the aim conductance is left out" in grouping.notes


def test_a_few_missing_resistances_are_said(cells: CellTable) -> None:
    table = cells.copy()
    table.loc["A03", "ir_mohm"] = np.nan
    grouping = group_cells(table, "10s4p", seconds=0.5)
    assert "conductance: 1 cells without a resistance count with the median" in grouping.notes


def test_one_cell_a_group_and_one_group(cells: CellTable) -> None:
    single = group_cells(cells, "6s1p", ("spread",))
    values = np.sort(cells["capacity_mah"].to_numpy())
    assert single.spread_mah == pytest.approx((values[5:] - values[:-5]).min())
    assert single.proven
    whole = group_cells(cells, "1s4p")
    assert whole.spread_mah == 0
    assert whole.weakest_mah == pytest.approx(values[-4:].sum())
    assert whole.weakest_proven


def test_too_few_cells_says_what_would_go() -> None:
    with pytest.raises(TooFewCells, match=r"20 good cells for 30 places, 10 are missing; would go: 10s2p or 6s3p"):
        group_cells(tray(np.full(20, 2500.0)), "10s3p")


def test_unknown_names_and_numbers() -> None:
    cells = tray(np.full(6, 2500.0))
    with pytest.raises(ArgumentInvalid, match="did you mean spread"):
        group_cells(cells, "2s3p", aims=("sprad",))
    with pytest.raises(ArgumentInvalid, match="did you mean conductance"):
        group_cells(cells, "2s3p", spend_uncertainty=("conductanse",))
    with pytest.raises(ArgumentInvalid, match="none given"):
        group_cells(cells, "2s3p", aims=())
    with pytest.raises(ArgumentInvalid, match="seconds: found -1"):
        group_cells(cells, "2s3p", seconds=-1)
    with pytest.raises(ArgumentInvalid, match="did you mean one-lot"):
        group_cells(cells, "2s3p", rules=("one-lots",))


def test_progress_is_told_and_only_gets_better(cells: CellTable) -> None:
    told: list[tuple[float, float, float, str]] = []
    grouping = group_cells(cells, "10s4p", ("spread",), progress=lambda *what: told.append(what))
    assert told[0][3] == "fold"
    assert [what[0] for what in told] == sorted((what[0] for what in told), reverse=True)
    assert told[-1][0] == grouping.spread_mah
    assert {round(what[2], 6) for what in told} == {round(grouping.floor_mah, 6)}


def test_the_answer_at_hand_is_given_before_the_exact_solver_starts() -> None:
    random = np.random.default_rng(3)
    cells = tray(np.round(1800 + 800 * random.beta(5, 2.2, 30)))
    given: list[Grouping] = []
    found = group_cells(cells, "10s3p", ("spread",), seconds=5, on_answer=given.append)
    assert given
    check_grouping(cells, "10s3p", given[0])
    assert given[0].spread_mah >= found.spread_mah
    assert "CP-SAT" in found.solver


def test_stop_ends_the_search_with_the_best_so_far(cells: CellTable) -> None:
    calls = []

    def stop() -> bool:
        calls.append(1)
        return len(calls) > 3

    grouping = group_cells(cells, "10s4p", ("spread", "range"), seconds=60, stop=stop)
    assert grouping.ended_by == "stopped by the user"
    check_grouping(cells, "10s4p", grouping)


def test_it_runs_in_a_thread_of_its_own(cells: CellTable) -> None:
    found: list[Grouping] = []
    thread = threading.Thread(target=lambda: found.append(group_cells(cells, "10s4p", ("spread",))))
    thread.start()
    thread.join()
    assert found[0].proven


def test_the_floor_may_be_enough(cells: CellTable) -> None:
    quick = group_cells(cells, "10s4p", ("spread",), floor_is_enough=True)
    assert quick.spread_mah <= quick.floor_mah
    assert quick.solver == "not needed: bound met"


def test_the_check_finds_every_kind_of_fault(cells: CellTable) -> None:
    grouping = group_cells(cells, "10s4p", ("spread",))
    check_grouping(cells, "10s4p", grouping)
    first, second, *rest = grouping.groups
    wrong = {
        "has 3 cells, not 4": replace(grouping, groups=(first[:3], second, *rest)),
        "stands twice": replace(grouping, groups=(first, (first[0], *second[1:]), *rest)),
        "is not a good cell": replace(grouping, groups=(("X", *first[1:]), second, *rest)),
        "9 groups, not 10": replace(grouping, groups=(first, *rest)),
        "the spares are not": replace(grouping, spares=grouping.spares[1:]),
        "the spread is": replace(grouping, spread_mah=grouping.spread_mah + 1),
        "the weakest group is": replace(grouping, weakest_mah=grouping.weakest_mah - 1),
        "is above the spread": replace(grouping, bound_mah=grouping.spread_mah + 1),
        "is below the weakest": replace(grouping, weakest_bound_mah=grouping.weakest_mah - 1),
    }
    for words, grouped in wrong.items():
        with pytest.raises(RuntimeError, match=words):
            check_grouping(cells, "10s4p", grouped)


def test_groups_of_different_size(cells: CellTable) -> None:
    pack = Pack(4, (4, 3, 3, 5))
    grouping = group_cells(cells, pack, ("spread",))
    assert [len(group) for group in grouping.groups] == [4, 3, 3, 5]
    share = round(float(cells["capacity_mah"].mean()), 1)
    above = [cells.loc[list(g), "capacity_mah"].sum() - len(g) * share for g in grouping.groups]
    assert grouping.spread_mah == pytest.approx(max(above) - min(above), abs=0.05)
    assert grouping.proven
