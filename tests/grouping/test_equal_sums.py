"""Groups of one sum: all of them are found, those put together share no cell, and the demands are kept."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from cellmatch.grouping import equal_sums
from cellmatch.grouping.allowance import NoLimit
from cellmatch.grouping.demands import Window, no_demands
from cellmatch.grouping.pool import Ints, pool_of
from cellmatch.grouping.solve import group_cells
from cellmatch.grouping.task import Task
from tests.grouping.exhaustion import all_groupings
from tests.grouping.invented import KINDS, random_capacities, tray


def _task(capacities: Ints, series: int, parallel: int) -> Task:
    pool = pool_of(tray(capacities), (parallel,) * series)
    return Task(values=pool.steps, series=series, parallel=parallel, demands=no_demands(pool))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("parallel", [2, 3, 4, 5, 6])
def test_all_groups_of_a_sum_are_listed_once(kind: str, parallel: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(equal_sums, "_MOST_LISTED", 10**6)
    task = _task(random_capacities(kind, 16, np.random.default_rng(parallel)).astype(np.int64), 3, parallel)
    early, late = equal_sums._two_parts(task, np.random.default_rng(0))
    for total in equal_sums._commonest_sums(task):
        listed = sorted(tuple(row) for row in equal_sums._groups_of(task, total, early, late, NoLimit()).tolist())
        every = combinations(range(16), parallel)
        assert listed == [group for group in every if task.values[list(group)].sum() == total]


def test_of_very_many_groups_some_are_listed() -> None:
    task = _task(np.random.default_rng(1).integers(1800, 2600, 105), 13, 5)
    early, late = equal_sums._two_parts(task, np.random.default_rng(0))
    total = equal_sums._commonest_sums(task)[0]
    rows = equal_sums._groups_of(task, total, early, late, NoLimit())
    assert 1000 < len(rows) < 10_000
    assert (task.values[rows].sum(axis=1) == total).all()
    assert (np.diff(rows, axis=1) > 0).all()


@pytest.mark.parametrize("parallel", [2, 3, 4])
def test_the_commonest_sum_is_the_one_that_counting_finds(parallel: int) -> None:
    """Sums with repetition, counted one by one."""
    values = np.random.default_rng(5).integers(0, 12, 9)
    task = _task(values * 10 + 2000, 2, parallel)
    grid = np.meshgrid(*[task.values] * parallel)
    sums, counts = np.unique(sum(grid), return_counts=True)
    found = equal_sums._commonest_sums(task)
    assert counts[sums == found[0]][0] == counts.max()
    assert sorted(counts[np.isin(sums, found)]) == sorted(np.sort(counts)[-len(found) :])


@pytest.mark.parametrize("trial", range(60))
def test_spread_zero_is_found_only_where_exhaustion_knows_it(trial: int) -> None:
    series, parallel, cells = [(3, 2, 8), (3, 3, 11), (2, 4, 10), (4, 2, 10)][trial % 4]
    values = np.random.default_rng(trial).integers(0, 14, cells)
    task = _task(values * 10 + 2500, series, parallel)
    groups = equal_sums.equal_sums(task, np.random.default_rng(0), NoLimit())
    spreads = np.ptp(task.values[all_groupings(cells, series, parallel)].sum(axis=2), axis=1)
    if groups is None:
        return  # a greedy search proves nothing
    assert spreads.min() == 0
    assert len(np.unique(groups)) == groups.size == series * parallel
    assert task.spread(groups) == 0


def test_most_small_trays_that_can_be_equal_are_made_so() -> None:
    found = possible = 0
    for trial in range(60):
        task = _task(np.random.default_rng(trial).integers(0, 14, 11) * 10 + 2500, 3, 3)
        spreads = np.ptp(task.values[all_groupings(11, 3, 3)].sum(axis=2), axis=1)
        possible += spreads.min() == 0
        found += equal_sums.equal_sums(task, np.random.default_rng(0), NoLimit()) is not None
    assert possible >= 50
    assert found >= 0.8 * possible


def test_windows_are_kept() -> None:
    capacities = np.random.default_rng(3).integers(1800, 2600, 60)
    plain = _task(capacities, 10, 3)
    low = int(np.sort(plain.values)[-30:].sum()) // 10 - 60
    task = Task(
        values=plain.values, series=10, parallel=3, demands=plain.demands.with_window(Window(plain.values, low, 2**40))
    )
    groups = equal_sums.equal_sums(task, np.random.default_rng(0), NoLimit())
    assert groups is None or task.sums(groups).min() >= low
    loose = equal_sums.equal_sums(plain, np.random.default_rng(0), NoLimit())
    assert loose is not None
    assert plain.spread(loose) == 0


def test_only_narrow_groups_with_spares_are_sought_so() -> None:
    capacities = np.random.default_rng(3).integers(1800, 2600, 60)
    assert equal_sums.can_be_equal(_task(capacities, 10, 3))
    assert not equal_sums.can_be_equal(_task(capacities, 20, 3))  # no spares
    assert not equal_sums.can_be_equal(_task(capacities, 7, 8))
    assert not equal_sums.can_be_equal(_task(capacities, 30, 1))


def test_a_grouping_says_that_equal_sums_ended_it() -> None:
    cells = tray(np.random.default_rng(8).integers(1800, 2600, 60))
    told: list[str] = []
    grouping = group_cells(cells, "10s3p", ("spread",), progress=lambda *now: told.append(now[-1]))
    assert grouping.spread_mah == 0
    assert grouping.proven
    assert told[-1] == "equal sums"
