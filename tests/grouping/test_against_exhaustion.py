"""Small random trays, with and without rules, against every grouping there is (exhaustion in the test itself)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from cellmatch.cells.table import CellTable
from cellmatch.errors import RulesInfeasible
from cellmatch.grouping.rules import KeepApart, KeepOut, LargestRange, LotsEven, OneLot, Pin, Rule
from cellmatch.grouping.solve import group_cells
from tests.grouping.exhaustion import Ints, all_groupings
from tests.grouping.invented import KINDS, random_capacities, tray

SHAPES = [(9, 3, 3), (10, 3, 3), (8, 4, 2), (9, 4, 2), (8, 2, 4), (10, 2, 4), (8, 2, 3), (10, 5, 2), (9, 4, 1)]


def _spreads(cells: CellTable, groupings: Ints) -> tuple[Ints, Ints]:
    tenths = np.rint(cells["capacity_mah"].to_numpy() * 10).astype(np.int64)
    sums = tenths[groupings].sum(axis=2)
    return sums.max(axis=1) - sums.min(axis=1), sums.min(axis=1)


def _random_tray(trial: int, cells: int) -> CellTable:
    random = np.random.default_rng(1000 + trial)
    return tray(
        random_capacities(KINDS[trial % len(KINDS)], cells, random),
        ir_mohm=np.round(random.normal(30, 4, cells), 1),
        ocv_v=np.round(random.normal(3.6, 0.01, cells), 3),
        lot=random.choice(["red", "blue"], cells),
    )


@pytest.mark.parametrize("trial", range(60))
def test_least_spread(trial: int) -> None:
    cells, series, parallel = SHAPES[trial % len(SHAPES)]
    table = _random_tray(trial, cells)
    least = _spreads(table, all_groupings(cells, series, parallel))[0].min() / 10
    found = group_cells(table, f"{series}s{parallel}p", aims=("spread",), seconds=20)
    assert (found.spread_mah, found.bound_mah, found.proven) == (least, least, True)


@pytest.mark.parametrize("trial", range(60))
def test_strongest_weakest_then_least_spread(trial: int) -> None:
    cells, series, parallel = [(10, 3, 3), (9, 4, 2), (10, 2, 4), (11, 3, 3), (9, 2, 3)][trial % 5]
    table = _random_tray(trial, cells)
    spreads, weakest = _spreads(table, all_groupings(cells, series, parallel))
    found = group_cells(table, f"{series}s{parallel}p", aims=("weakest", "spread"), seconds=20)
    close = spreads <= int(found.group_uncertainty_mah * 10 + 1e-6)
    if close.any():
        strongest = weakest[close].max()
        assert found.weakest_mah == strongest / 10
        assert found.spread_mah == spreads[weakest >= strongest].min() / 10
        assert found.proven
    else:
        assert found.spread_mah == spreads.min() / 10
        assert any("weakest" in note for note in found.notes)


Flags = NDArray[np.bool_]


def _one_lot(cells: CellTable, g: Ints) -> Flags:
    lots = (cells["lot"].to_numpy() == "red").astype(int)[g].sum(axis=2)
    return np.asarray(((lots == 0) | (lots == g.shape[2])).all(axis=1))


def _even_lots(cells: CellTable, g: Ints) -> Flags:
    red = cells["lot"].to_numpy() == "red"
    share = g.shape[2] * red.sum() / len(red)
    count = red[g].sum(axis=2)
    return np.asarray(((count >= np.floor(share)) & (count <= np.ceil(share))).all(axis=1))


def _alike(cells: CellTable, g: Ints, column: str, limit: float) -> Flags:
    values = cells[column].to_numpy()[g]
    return np.asarray(((values.max(axis=2) - values.min(axis=2)) <= limit + 1e-9).all(axis=1))


def _with(g: Ints, one: int, other: int) -> Flags:
    return np.asarray(((g == one).any(axis=2) & (g == other).any(axis=2)).any(axis=1))


Case = tuple[Sequence[Rule], Callable[[CellTable, Ints], Flags]]
RULES: dict[str, Case] = {
    "apart": (
        [KeepApart("C1", "C2"), KeepApart("C2", "C5")],
        lambda cells, g: ~_with(g, 0, 1) & ~_with(g, 1, 4),
    ),
    "out": ([KeepOut("C3")], lambda cells, g: ~(g == 2).any(axis=(1, 2))),
    "pins together": ([Pin("C1", 2), Pin("C4", 2)], lambda cells, g: _with(g, 0, 3)),
    "pins apart": (
        [Pin("C1", 1), Pin("C4", 2)],
        lambda cells, g: (g == 0).any(axis=(1, 2)) & (g == 3).any(axis=(1, 2)) & ~_with(g, 0, 3),
    ),
    "one lot": ([OneLot()], _one_lot),
    "lots even": ([LotsEven()], _even_lots),
    "resistance": ([LargestRange("ir", 6.0)], lambda cells, g: _alike(cells, g, "ir_mohm", 6.0)),
    "voltage": ([LargestRange("ocv", 15.0)], lambda cells, g: _alike(cells, g, "ocv_v", 0.015)),
    "two rules": (
        [LargestRange("ir", 9.0), KeepApart("C1", "C2")],
        lambda cells, g: _alike(cells, g, "ir_mohm", 9.0) & ~_with(g, 0, 1),
    ),
}


@pytest.mark.parametrize("trial", range(10))
@pytest.mark.parametrize("name", RULES)
def test_least_spread_under_rules(name: str, trial: int) -> None:
    cells, series, parallel = [(10, 3, 3), (9, 4, 2), (11, 3, 3), (10, 2, 4), (10, 3, 2)][trial % 5]
    rules, keeps = RULES[name]
    table = _random_tray(trial + 50, cells)
    groupings = all_groupings(cells, series, parallel)
    kept = keeps(table, groupings)
    pack = f"{series}s{parallel}p"
    if not kept.any():
        with pytest.raises(RulesInfeasible):
            group_cells(table, pack, ("spread",), rules, seconds=20)
        return
    least = _spreads(table, groupings[kept])[0].min() / 10
    found = group_cells(table, pack, ("spread",), rules, seconds=20)
    assert (found.spread_mah, found.bound_mah, found.proven) == (least, least, True)
