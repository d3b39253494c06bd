"""The walk: every way once, no cell lost, windows kept, only better groupings handed on, and the same in every run."""

from __future__ import annotations

from math import factorial

import numpy as np
import pytest

from cellmatch.grouping.allowance import NoLimit
from cellmatch.grouping.bounds import descending, spread_bound, weakest_bound
from cellmatch.grouping.demands import Window, no_demands
from cellmatch.grouping.pool import Ints, pool_of
from cellmatch.grouping.split import fold
from cellmatch.grouping.task import Task
from cellmatch.grouping.wander import _ways, can_wander, wander
from tests.grouping.exhaustion import all_groupings
from tests.grouping.invented import tray


def _task(capacities: Ints, series: int) -> Task:
    pool = pool_of(tray(capacities), (4,) * series)
    return Task(values=pool.steps, series=series, parallel=4, demands=no_demands(pool))


def _walk(task: Task, start: Ints, goal: float = 0, seed: int = 0) -> list[Ints]:
    found: list[Ints] = []
    wander(task, start, np.random.default_rng(seed), goal, NoLimit(), found.append)
    return found


def test_every_way_to_share_out_three_groups_is_there_once() -> None:
    ways = _ways()
    assert len(ways.places) == factorial(12) // factorial(4) ** 3 // factorial(3)  # set partitions into three fours
    as_sets = {frozenset(frozenset(group) for group in way) for way in ways.places.tolist()}
    assert len(as_sets) == len(ways.places)
    assert ways.places[0].tolist() == [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10, 11]]


@pytest.mark.parametrize("seed", range(12))
def test_three_groups_end_at_the_best_that_exhaustion_finds(seed: int) -> None:
    task = _task(np.random.default_rng(seed).integers(1800, 2600, 12), 3)
    every = task.sums(all_groupings(12, 3, 4))
    closest = every[((every - every.mean(axis=1, keepdims=True)) ** 2).sum(axis=1).argmin()]
    found = _walk(task, np.arange(12).reshape(3, 4))
    assert task.spread(found[-1]) <= np.ptp(closest)


def test_each_grouping_handed_on_is_better_and_whole() -> None:
    task = _task(np.random.default_rng(2).integers(1800, 2600, 60), 13)
    start = np.arange(52).reshape(13, 4)
    found = _walk(task, start)
    spreads = [task.spread(groups) for groups in (start, *found)]
    assert spreads == sorted(spreads, reverse=True)
    assert len(set(spreads)) == len(spreads)
    assert all(len(np.unique(groups)) == 52 for groups in found)
    assert spreads[-1] <= 3


def test_the_same_seed_takes_the_same_walk() -> None:
    task = _task(np.random.default_rng(4).integers(1800, 2600, 52), 13)
    start = np.arange(52).reshape(13, 4)
    first, second = _walk(task, start, seed=7), _walk(task, start, seed=7)
    assert [groups.tolist() for groups in first] == [groups.tolist() for groups in second]


def test_windows_are_kept_once_they_are() -> None:
    random = np.random.default_rng(6)
    task = _task(random.integers(1800, 2600, 52), 13)
    even = _walk(task, np.arange(52).reshape(13, 4))[-1]
    middle = round(float(task.sums(even).mean()))
    window = Window(task.values, middle - 12, middle + 12)
    other = random.integers(-2000, 2000, 52)
    kept = Task(values=other, series=13, parallel=4, demands=task.demands.with_window(window))
    found = _walk(kept, even)
    assert all(np.abs(task.sums(groups) - middle).max() <= 12 for groups in found)
    assert kept.spread(found[-1]) < kept.spread(even) / 10


def test_two_lots_keep_near_the_sums_that_counting_allows() -> None:
    """The groups with one cell more of the better lot lie apart from the others: one mean would draw them together."""
    random = np.random.default_rng(11)
    task = _task(np.concatenate((random.integers(2885, 2916, 20), random.integers(2160, 2241, 32))), 13)
    ordered = descending(task.values)
    bound, weakest = spread_bound(ordered, 13, 4), weakest_bound(ordered, 13, 4)
    start = fold(task.values, np.arange(52), 13, 4)
    found = [start]
    within = weakest, weakest + bound
    wander(task, start, np.random.default_rng(0), bound, NoLimit(), found.append, within)
    assert bound > 400
    assert bound <= task.spread(found[-1]) <= bound + 10
    assert task.spread(found[-1]) < task.spread(start)


def test_only_groups_of_four_are_walked() -> None:
    values = np.random.default_rng(1).integers(1800, 2600, 60)
    assert can_wander(_task(values, 13))
    assert not can_wander(_task(values, 2))
    pool = pool_of(tray(values), (3,) * 13)
    assert not can_wander(Task(values=pool.steps, series=13, parallel=3, demands=no_demands(pool)))
    far = _task(np.append(values, 3_000_000), 13)
    assert not can_wander(far)  # such sums would not be exact in single precision
