"""A walk among good groupings of four cells: three groups at a time share their cells out anew, always in another way.

Two groups of 4 can split their cells in 35 ways, three groups in 5775. With so many ways there nearly always is
one as good as the present, so a walk that always takes the best other way keeps near the best groupings and
never stands still, where re-splitting pairs ends in the first grouping that no pair can better.

References
----------
Dueck, Scheuer (1990), Threshold accepting, J. Comput. Phys. 90, doi:10.1016/0021-9991(90)90201-B: a step is taken
unless it is worse by more than a threshold.
Frangioni, Necciari, Scutellà (2004), A multi-exchange neighborhood for minimum makespan parallel machine scheduling
problems, J. Comb. Optim. 8(2), 195-220.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from cellmatch.grouping.allowance import Allowance
from cellmatch.grouping.moves import EXACT_IN_FLOAT32, Places, centres, trade_spares, ways_to_choose
from cellmatch.grouping.pool import Ints
from cellmatch.grouping.task import Task

GROUPS, PARALLEL = 3, 4
"""Three groups of 4 are shared out at once. Smaller ones are quicker listed (`columns.py`), and larger ones quicker
evened out in pairs."""
MOST_TURNS, MOST_IDLE = 1600, 800
"""Turns of a walk, and turns without a gain after which it ends."""
TURNS_A_TRADE = 2
"""Trading with the spares changes the total, which the sharing has to follow; so it has every second turn."""

_WORSE_BY, _WORSE_BY_STEPS = 1.7, 1.0
"""A way is taken whose squared distances add up to at most so many times those of the present, and so many more."""
_OUTSIDE = 1e9
"""Cost of each step outside a window: more than any distance of sums."""
_WORK_PER_TURN, _WORK_PER_WAY = 5e-5, 5e-9
"""[s] What a turn costs, and each way that is looked at in it."""

_Sums = NDArray[np.float32]


class _Ways(NamedTuple):
    """Ways to share out the cells of three groups: the present one is the first.

    Parameters
    ----------
    places : ndarray of int, shape (ways, 3, P)
    first, second : ndarray, shape (3·P, ways)
        1 where a cell goes to the first group, to the second.
    """

    places: Places
    first: _Sums
    second: _Sums


@lru_cache(maxsize=1)
def _ways() -> _Ways:
    shared = np.empty((1, 0, PARALLEL), dtype=np.intp)
    rest = np.arange(GROUPS * PARALLEL)[None]
    for _ in range(GROUPS):
        # whoever takes the first cell left is the next group: each way once, whatever the order of groups
        _, chosen, left = ways_to_choose(rest.shape[1], PARALLEL, first_chosen=True)
        taken = rest[:, chosen].reshape(-1, 1, PARALLEL)
        shared = np.concatenate((np.repeat(shared, len(chosen), axis=0), taken), axis=1)
        rest = rest[:, left].reshape(len(taken), -1)
    table = np.zeros((*shared.shape[:2], GROUPS * PARALLEL), dtype=np.float32)
    np.put_along_axis(table, shared, 1, axis=2)
    first, second = (np.ascontiguousarray(table[:, group].T) for group in (0, 1))
    return _Ways(shared, first, second)


def can_wander(task: Task) -> bool:
    """Return whether a walk can serve a task: three groups of four at least, looked at by their sums alone."""
    fits = task.parallel == PARALLEL and task.series >= GROUPS and task.packs == 1
    return fits and not task.by_cells and _small(task)


def _small(task: Task) -> bool:
    values = (task.values, *(window.values for window in task.demands.windows))
    return GROUPS * PARALLEL * max(int(np.abs(each).max(initial=0)) for each in values) < EXACT_IN_FLOAT32


def wander(
    task: Task,
    grouping: Ints,
    random: Generator,
    goal: float,
    allowance: Allowance,
    on_better: Callable[[Ints], None],
    within: tuple[float, float] | None = None,
) -> None:
    """Hand on every better grouping of a walk, until `goal`, or until it finds no better one for long.

    Parameters
    ----------
    grouping : ndarray of int, shape (S, P)
    goal : float
        Merit at which to stop.
    within : (int, int), optional
        Sums that would be best of all, from the least to the greatest: the walk keeps near them. With outliers or
        two lots they lie apart, and each group then finds the end that suits it. Default: the mean of the sums, or
        with spares their centre.
    """
    now = grouping.copy()
    spares = task.spares(now[None])
    best, idle = task.merit(now), 0
    trios = task.series // GROUPS
    ways = _ways()
    for turn in range(MOST_TURNS):
        if best <= goal or idle == MOST_IDLE or allowance.halted():
            break
        _share_out(task, now, ways, random.permutation(task.series)[: trios * GROUPS].reshape(trios, GROUPS), within)
        if spares.size and turn % TURNS_A_TRADE == 0:
            trade_spares(task, now[None], spares, random)
        allowance.spend(_WORK_PER_TURN + _WORK_PER_WAY * trios * len(ways.places))
        merit = task.merit(now)
        idle += 1
        if merit < best:
            best, idle = merit, 0
            on_better(now.copy())


def _share_out(task: Task, groups: Ints, ways: _Ways, trios: Ints, within: tuple[float, float] | None) -> None:
    """Let each trio of groups share its cells out in the best other way, unless that is far worse.

    Parameters
    ----------
    groups : ndarray of int, shape (S, P)
        Changed.
    trios : ndarray of int, shape (trios, 3)
        Groups that share out among themselves.
    """
    cells = groups[trios].reshape(len(trios), -1)
    if within is None:
        sums = task.sums(groups)
        middle = float(sums.mean() if task.all_used else centres(sums[None])[0, 0])
        within = middle, middle
    cost = np.zeros((len(trios), len(ways.places)), dtype=np.float32)
    for away in _sums_outside(task.values[cells], ways, *within):
        cost += away * away
    for window in task.demands.windows:
        for away in _sums_outside(window.values[cells], ways, window.low, window.high):
            cost += np.float32(_OUTSIDE) * away
    present = cost[:, 0].copy()
    cost[:, 0] = np.inf
    best = cost.argmin(axis=1)
    taken = cost[np.arange(len(trios)), best] <= _WORSE_BY * present + _WORSE_BY_STEPS
    groups[trios[taken]] = cells[taken][np.arange(taken.sum())[:, None, None], ways.places[best[taken]]]


def _sums_outside(values: Ints, ways: _Ways, low: float, high: float) -> tuple[_Sums, _Sums, _Sums]:
    """Return how far outside low … high each way brings each group of a trio, each of shape (trios, ways)."""
    held = values.astype(np.float32)
    first, second = held @ ways.first, held @ ways.second
    third = held.sum(axis=1, keepdims=True) - first - second
    middle, half = np.float32((low + high) / 2), np.float32((high - low) / 2)
    first, second, third = (np.abs(sums - middle) - half for sums in (first, second, third))
    return tuple(np.maximum(0, away) for away in (first, second, third)) if half else (first, second, third)
