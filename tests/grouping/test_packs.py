"""Several packs from one tray."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from cellmatch.cells.table import CellTable
from cellmatch.errors import ArgumentInvalid, TooFewCells
from cellmatch.grouping.packs import in_packs
from cellmatch.grouping.rules import KeepApart, LotsEven, Pin
from cellmatch.grouping.solve import Grouping, group_cells
from tests.grouping.exhaustion import all_groupings
from tests.grouping.invented import KINDS, random_capacities, tray


def _salvaged(cells: int, seed: int = 0) -> CellTable:
    random = np.random.default_rng(seed)
    capacity = np.round(1800 + 800 * random.beta(5, 2.2, cells))
    return tray(capacity, ir_mohm=np.round(random.normal(50, 6, cells), 1), lot=random.choice(["red", "blue"], cells))


def _sums(cells: CellTable, found: Grouping) -> np.ndarray:
    """Return the group sums, shape (packs, S) [mAh]."""
    assert found.packs is not None
    assert list(found.packs) == sorted(found.packs)
    sums = [float(cells.loc[list(group), "capacity_mah"].sum()) for group in found.groups]
    return np.array(sums).reshape(max(found.packs), -1)


@pytest.mark.parametrize("kind", KINDS)
def test_packs_of_groups_have_the_least_spread_of_any_way_to_make_them(kind: str) -> None:
    # against every way to make two packs of six groups (exhaustion in the test itself)
    values = np.rint(random_capacities(kind, 6, np.random.default_rng(3)) * 10).astype(np.int64)
    halves = [list(half) for half in combinations(range(6), 3)]
    least = min(max(np.ptp(values[half]), np.ptp(np.delete(values, half))) for half in halves)
    cut = in_packs(values, np.arange(6)[:, None], 2)
    assert np.ptp(values[cut].sum(axis=2), axis=1).max() == least


def test_the_spread_inside_the_worst_pack_is_nearly_always_the_least_there_is() -> None:
    # two packs 2s2p of 8 or 9 cells, against every grouping (exhaustion in the test itself)
    least_found = 0
    for trial in range(12):
        count = 8 + trial % 2
        cells = tray(random_capacities(KINDS[trial % len(KINDS)], count, np.random.default_rng(trial)))
        tenths = np.rint(cells["capacity_mah"].to_numpy() * 10).astype(np.int64)
        ordered = np.sort(tenths[all_groupings(count, 4, 2)].sum(axis=2), axis=1)
        least = int(np.maximum(ordered[:, 1] - ordered[:, 0], ordered[:, 3] - ordered[:, 2]).min())
        found = group_cells(cells, "2s2p", ("spread",), packs=2, seconds=1, reproducible=True)
        assert round(10 * found.bound_mah) <= least <= round(10 * found.spread_mah)
        least_found += round(10 * found.spread_mah) == least
    assert least_found >= 9


def test_five_packs_with_shared_spares_come_to_zero_each() -> None:
    cells = _salvaged(170)
    found = group_cells(cells, "10s3p", ("spread",), packs=5, reproducible=True)
    sums = _sums(cells, found)
    assert (np.ptp(sums, axis=1) == 0).all()
    assert found.proven
    assert len(found.spares) == 20
    assert sums[:, 0].tolist() == sorted(sums[:, 0].tolist(), reverse=True)


def test_every_cell_stands_in_one_pack_only_also_with_all_aims() -> None:
    cells = _salvaged(64)
    found = group_cells(cells, "5s4p", packs=3, seconds=2)
    used = [cell for group in found.groups for cell in group]
    assert len(used) == len(set(used)) == 60
    assert sorted([*used, *found.spares]) == sorted(cells.index)
    assert found.spread_mah == np.ptp(_sums(cells, found), axis=1).max()
    assert found.weakest_mah == _sums(cells, found).min()
    # the strongest cells are used: no weakest group can be far above the mean of the 60 largest
    assert found.weakest_bound_mah >= found.weakest_mah > 0.99 * found.weakest_bound_mah


def test_rules_hold_in_every_pack() -> None:
    cells = _salvaged(48)
    # check_grouping runs on every answer and raises where one is broken
    found = group_cells(cells, "5s4p", ("spread",), (LotsEven(), KeepApart("C1", "C2"), "out C3"), packs=2, seconds=2)
    assert "C3" in found.spares
    assert not any({"C1", "C2"} <= set(group) for group in found.groups)


def test_as_many_as_reach_a_capacity() -> None:
    cells = _salvaged(100)
    most = group_cells(cells, "5s4p", packs="max", pack_capacity_mah=8400, seconds=1)
    count = len(most.groups) // 5
    assert most.weakest_mah >= 8400
    # one more pack can't: the richest cells for it hold less than that on average
    richest = np.sort(cells["capacity_mah"].to_numpy())[::-1]
    assert richest[: (count + 1) * 20].sum() / (5 * (count + 1)) < 8400 or (count + 1) * 20 > len(cells)


def test_what_can_not_be_is_said() -> None:
    cells = _salvaged(60)
    with pytest.raises(TooFewCells, match=r"4 packs 5s4p: 60 good cells for 80 places.*would go: 3 of them"):
        group_cells(cells, "5s4p", packs=4)
    with pytest.raises(TooFewCells, match="don't make one; the most that one could hold"):
        group_cells(cells, "5s4p", packs="max", pack_capacity_mah=20_000)
    with pytest.raises(ArgumentInvalid, match="needs the capacity that every pack"):
        group_cells(cells, "5s4p", packs="max")
    with pytest.raises(ArgumentInvalid, match="needs a single pack"):
        group_cells(cells, "5s4p", rules=(Pin("C1", 1),), packs=2)
    with pytest.raises(ArgumentInvalid, match="packs: found 0"):
        group_cells(cells, "5s4p", packs=0)


def test_one_pack_is_the_plain_problem() -> None:
    cells = _salvaged(24)
    assert group_cells(cells, "5s4p", ("spread",), packs=1).packs is None
