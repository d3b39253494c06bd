"""The assignment model against every grouping of small trays, above all of trays with many equal cells."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.grouping import exact
from cellmatch.grouping.allowance import NoLimit
from cellmatch.grouping.bounds import descending, weakest_bound
from cellmatch.grouping.demands import Window, demands_of, no_demands
from cellmatch.grouping.pool import Ints, pool_of
from cellmatch.grouping.rules import KeepApart
from cellmatch.grouping.task import Task
from tests.grouping.exhaustion import all_groupings
from tests.grouping.invented import tray

SHAPES = [(9, 3, 3), (8, 4, 2), (8, 2, 4), (10, 3, 3), (9, 4, 2), (7, 3, 2), (6, 6, 1)]


def _assigned(task: Task, hint: Ints | None = None, *, strongest_weakest: bool = False) -> exact.Answer:
    pool = pool_of(tray(np.arange(len(task.values)) + 2000.0), (task.parallel,) * task.series)
    most = weakest_bound(descending(task.values), task.series, task.parallel)
    wish = exact.Wish(spread_at_least=0, weakest_at_most=most, strongest_weakest=strongest_weakest)
    answer = exact.assign(task, pool, wish, hint, NoLimit(), 10.0, workers=1)
    assert answer.settled
    return answer


def _task(values: Ints, series: int, parallel: int, *windows: Window) -> Task:
    pool = pool_of(tray(values + 2000.0), (parallel,) * series)
    demands = no_demands(pool)
    for window in windows:
        demands = demands.with_window(window)
    return Task(values=values, series=series, parallel=parallel, demands=demands)


@pytest.mark.parametrize("trial", range(84))
def test_few_different_values(trial: int) -> None:
    """Three to six different values: most cells have twins, and some trays an outlier or two."""
    cells, series, parallel = SHAPES[trial % len(SHAPES)]
    random = np.random.default_rng(trial)
    values = random.integers(0, 3 + trial % 4, cells)
    values[: trial % 3] += random.integers(10, 40)
    task = _task(values, series, parallel)
    sums = values[all_groupings(cells, series, parallel)].sum(axis=2)
    hint = random.permutation(cells)[: series * parallel].reshape(series, parallel)
    for given in (None, hint):
        answer = _assigned(task, given)
        assert answer.groups is not None
        assert len(np.unique(answer.groups)) == series * parallel
        assert task.spread(answer.groups) == answer.bound == np.ptp(sums, axis=1).min()
    strongest = _assigned(task, hint, strongest_weakest=True)
    assert strongest.bound == sums.min(axis=1).max()


@pytest.mark.parametrize("trial", range(28))
def test_twins_that_a_window_tells_apart(trial: int) -> None:
    cells, series, parallel = SHAPES[trial % len(SHAPES)]
    random = np.random.default_rng(1000 + trial)
    values, others = random.integers(0, 4, cells), random.integers(0, 3, cells)
    groupings = all_groupings(cells, series, parallel)
    low = int(np.median(others[groupings].sum(axis=2).min(axis=1)))
    window = Window(others, low, low + 3)
    sums, seen = values[groupings].sum(axis=2), others[groupings].sum(axis=2)
    kept = ((seen >= window.low) & (seen <= window.high)).all(axis=1)
    task = _task(values, series, parallel, window)
    if not kept.any():
        assert _assigned(task).groups is None
        return
    answer = _assigned(task)
    assert answer.groups is not None
    assert task.keeps_all(answer.groups)
    assert task.spread(answer.groups) == np.ptp(sums[kept], axis=1).min()


def test_a_rule_sees_cells_one_by_one() -> None:
    values = np.array([5, 5, 5, 5, 1, 1])
    cells = tray(values + 2000.0)
    pool = pool_of(cells, (2, 2, 2))
    twins = [str(pool.ids[0]), str(pool.ids[1])]
    task = Task(values=pool.steps, series=3, parallel=2, demands=demands_of([KeepApart(*twins)], pool))
    wish = exact.Wish(spread_at_least=0, weakest_at_most=10**6)
    answer = exact.assign(task, pool, wish, None, NoLimit(), 10.0, workers=1)
    assert answer.groups is not None
    assert not any({0, 1} <= set(group) for group in answer.groups.tolist())


def test_equal_cells_make_the_model_small() -> None:
    values = np.repeat(np.arange(10), 460)
    assert exact.can_assign(_task(values, 100, 46))
    assert not exact.can_assign(_task(np.arange(4600), 100, 46))
