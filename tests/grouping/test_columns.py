"""Counting never rules out a column of a grouping that exists, and the covers decide what it leaves."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.grouping.allowance import NoLimit
from cellmatch.grouping.columns import Columns, CoverProblem, columns_of, count_columns, cover_problems
from cellmatch.grouping.demands import no_demands
from cellmatch.grouping.pool import Ints, pool_of
from cellmatch.grouping.proof import ask
from cellmatch.grouping.task import Task
from tests.grouping.exhaustion import all_groupings
from tests.grouping.invented import KINDS, random_capacities, tray


def _task(kind: str, cells: int, series: int, parallel: int, seed: int) -> Task:
    capacities = random_capacities(kind, cells, np.random.default_rng(seed))
    pool = pool_of(tray(capacities), (parallel,) * series)
    return Task(values=pool.steps, series=series, parallel=parallel, demands=no_demands(pool))


def _holds(problem: CoverProblem, places: Ints) -> bool:
    """Return whether a grouping (places in the order of the columns) is a solution of the problem."""
    listed = {
        tuple(column): int(upper) for column, upper in zip(problem.members.T.tolist(), problem.upper, strict=True)
    }
    groups = [tuple(sorted(group)) for group in places.tolist()]
    if not all(group in listed for group in groups):
        return False
    used = np.zeros(len(problem.must), dtype=bool)
    used[places] = True
    return bool((used | ~problem.must).all()) and sum(listed[group] for group in groups) == problem.upper_used


def _places(columns: Columns, grouping: Ints) -> Ints:
    place = np.empty_like(columns.order)
    place[columns.order] = np.arange(len(place))
    return place[grouping]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("shape", [(9, 3, 3), (10, 3, 3), (9, 4, 2), (10, 2, 4), (12, 4, 3), (14, 3, 4), (20, 5, 3)])
def test_every_grouping_in_the_window_stays_possible(kind: str, shape: tuple[int, int, int]) -> None:
    cells, series, parallel = shape
    task = _task(kind, cells, series, parallel, seed=cells)
    columns = columns_of(task)
    random = np.random.default_rng(1)
    for _ in range(30):
        grouping = random.permutation(cells)[: series * parallel].reshape(series, parallel)
        sums = task.sums(grouping)
        extra = random.integers(0, 30, 2)
        problems = list(cover_problems(columns, int(sums.min() - extra[0]), int(sums.max() + extra[1])))
        assert any(_holds(problem, _places(columns, grouping)) for problem in problems)


@pytest.mark.parametrize("trial", range(40))
def test_the_question_is_answered_as_exhaustion_does(trial: int) -> None:
    cells, series, parallel = [(9, 3, 3), (10, 3, 3), (9, 4, 2), (10, 2, 4), (11, 3, 3)][trial % 5]
    task = _task(KINDS[trial % len(KINDS)], cells, series, parallel, seed=trial)
    columns = columns_of(task)
    sums = task.sums(all_groupings(cells, series, parallel))
    lows, highs = sums.min(axis=1), sums.max(axis=1)
    best = int(np.argmin(highs - lows))
    for low, high in (
        (int(lows[best]), int(highs[best])),
        (int(lows[best]) + 1, int(highs[best])),
        (int(lows.max()), int(highs.max())),
        (int(lows.max()) + 1, int(highs.max())),
        (int(lows.min()), int(highs.min()) - 1),
    ):
        exists = bool(((lows >= low) & (highs <= high)).any())
        reply = ask(columns, np.array([low]), high - low, NoLimit())
        assert reply.sure
        assert (reply.groups is not None) == exists
        if reply.groups is not None:
            found = task.sums(reply.groups)
            assert low <= found.min()
            assert found.max() <= high


def test_columns_are_counted_before_they_are_listed() -> None:
    task = _task("new", 10, 3, 3, seed=0)
    assert count_columns(10, 3) == 120 == len(columns_of(task).sums)
