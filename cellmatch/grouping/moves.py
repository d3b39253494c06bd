"""Moves of the local search: two groups share their cells out anew, or groups trade with the spares.

Every move is tried for many groups of several groupings at once, in numpy, and taken only where it is better.
These are the moves for sums alone; where rules or earlier aims have to be kept, those of `keeping.py` take over.
All of them change the arrays they are given: `groups` of shape (B, S, P) and `spares` of shape (B, n - S·P).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations
from math import comb

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from cellmatch.grouping import keeping
from cellmatch.grouping.pool import Flags, Floats, Ints
from cellmatch.grouping.task import Task

WIDEST_TABLE = 8
"""Cells a group up to which all ways to split two groups' cells are tried: 6435 at 8."""
WIDEST_TABLE_BY_CELLS = 6
"""The same where each way has to be looked at cell by cell: 462 at 6."""
WIDEST_CHOICE = 10
"""Cells a group up to which all ways to choose from its own and a few spare cells are tried: 286 at 10."""
MOST_TRADING = 16
"""Of wide groups, how many trade with the spares in one round."""
MOST_OFFERED = 24
"""Spares that a wide group may take two of: 276 pairs."""

EXACT_IN_FLOAT32 = 2**24
_ENTRIES_AT_ONCE = 8_000_000

Places = NDArray[np.intp]


@lru_cache(maxsize=64)
def ways_to_choose(of: int, choose: int, *, first_chosen: bool = False) -> tuple[Floats, Places, Places]:
    """Return all ways to choose some of so many places: a 0/1 table, the chosen places, those left.

    With `first_chosen` only the ways that choose place 0: a split and its mirror image are one.
    """
    if first_chosen:
        ways = [(0, *rest) for rest in combinations(range(1, of), choose - 1)]
    else:
        ways = list(combinations(range(of), choose))
    chosen = np.array(ways, dtype=np.intp)
    table = np.zeros((len(chosen), of))
    np.put_along_axis(table, chosen, 1, axis=1)
    left = np.nonzero(table == 0)[1].reshape(len(chosen), of - choose)
    return table, chosen, left


def ways_to_split(parallel: int) -> tuple[Floats, Places, Places]:
    """Return all ways to split the cells of two groups of P."""
    return ways_to_choose(2 * parallel, parallel, first_chosen=True)


def splits_by_table(task: Task) -> bool:
    """Return whether all splits of a pair are tried, or only swaps of one cell for one."""
    return task.parallel <= (WIDEST_TABLE_BY_CELLS if task.by_cells else WIDEST_TABLE)


def ways_tried(task: Task) -> int:
    """Return how many ways to share out the cells of a pair are looked at, counting cells where they are."""
    ways = comb(2 * task.parallel - 1, task.parallel) if splits_by_table(task) else task.parallel**2
    return ways * (2 * task.parallel if task.by_cells else 1)


def resplit(task: Task, groups: Ints, high: Ints, low: Ints) -> None:
    """Let each pair of groups (high[b, i], low[b, i]) share its cells out anew, as evenly as it can.

    Up to 8 cells a group all splits of a pair are tried, else all swaps of one cell for one. Without
    demands a pair only ever comes closer together, so the spread never grows.
    """
    if not task.plain:
        keeping.resplit(task, groups, high, low)
        return
    rows = groups.reshape(-1, task.parallel)  # a view: its changes are the groups'
    first_row = task.series * np.arange(len(groups))[:, None]
    high, low = (high + first_row).ravel(), (low + first_row).ravel()
    move = _split if splits_by_table(task) else _swap
    at_once = max(1, _ENTRIES_AT_ONCE // ways_tried(task))
    for start in range(0, len(high), at_once):
        move(task, rows, high[start : start + at_once], low[start : start + at_once])


def _split(task: Task, rows: Ints, high: Ints, low: Ints) -> None:
    table, first, second = ways_to_split(task.parallel)
    cells = np.concatenate((rows[high], rows[low]), axis=1)
    values = task.values[cells]
    small = 2 * task.parallel * int(np.abs(values).max(initial=0)) < EXACT_IN_FLOAT32
    values = values.astype(np.float32 if small else np.float64)
    total = values.sum(axis=1)
    gap = np.abs(2 * (values @ table.T.astype(values.dtype)) - total[:, None])
    best = gap.argmin(axis=1)
    now = np.abs(2 * values[:, : task.parallel].sum(axis=1) - total)
    better = np.flatnonzero(gap[np.arange(len(best)), best] < now)
    take_split(rows, high[better], low[better], cells[better], first[best[better]], second[best[better]])


def take_split(rows: Ints, high: Ints, low: Ints, cells: Ints, first: Places, second: Places) -> None:
    """Give each pair of groups its cells at the chosen places and at the others."""
    pair = np.arange(len(cells))[:, None]
    rows[high] = cells[pair, first]
    rows[low] = cells[pair, second]


def _swap(task: Task, rows: Ints, high: Ints, low: Ints) -> None:
    ones, others = task.values[rows[high]], task.values[rows[low]]
    gap = ones.sum(axis=1) - others.sum(axis=1)
    after = np.abs(gap[:, None] - 2 * (ones[:, :, None] - others[:, None, :]).reshape(len(high), -1))
    best = after.argmin(axis=1)
    better = np.flatnonzero(after[np.arange(len(best)), best] < np.abs(gap))
    take_swap(rows, high[better], low[better], best[better])


def take_swap(rows: Ints, high: Ints, low: Ints, way: Ints) -> None:
    """Swap one cell of each pair of groups; a way names both places as place·P + place."""
    place, other = np.divmod(way, rows.shape[1])
    rows[high, place], rows[low, other] = rows[low, other], rows[high, place]


def trade_spares(task: Task, groups: Ints, spares: Ints, random: Generator) -> None:
    """Let the groups farthest from the middle choose their cells anew.

    Each of them chooses from its own cells and a few spare ones. In wide groups two of its cells are traded
    for any two spares instead: the spares are the extremes of the tray, so one for one rarely fits.
    """
    random.permuted(spares, axis=1, out=spares)
    if not task.plain:
        keeping.trade_spares(task, groups, spares)
        return
    sums = task.sums(groups)
    target = centres(sums)
    off = np.abs(sums - target)
    if task.parallel > WIDEST_CHOICE and spares.shape[1] > 1:
        for grouping, group in zip(*np.nonzero(off >= _least_off(off)), strict=True):
            excess = int(sums[grouping, group] - target[grouping, 0])
            _trade_two(task, groups[grouping, group], spares[grouping], excess)
        return
    choosing = Choosing(groups, spares, off)
    table = ways_to_choose(choosing.cells.shape[2], task.parallel)[0]
    after = np.abs(task.values[choosing.cells] @ table.T - target[:, :, None])
    choosing.take(after.argmin(axis=2), after.min(axis=2) < choosing.now)


def centres(sums: Ints) -> Ints:
    """Return the sum to aim at in each grouping, shape (B, 1): the median, or the middle between two clusters.

    With two lots some groups hold a cell of the better lot more than others; both kinds then have to come
    closer, and the median of either is the wrong aim.
    """
    low, high = sums.min(axis=1, keepdims=True), sums.max(axis=1, keepdims=True)
    middle = (low + high) // 2
    between = (4 * np.abs(sums - middle) <= high - low).any(axis=1, keepdims=True)
    half = sums.shape[1] // 2
    return np.where(between, np.partition(sums, half, axis=1)[:, half : half + 1], middle)


def _least_off(off: Ints) -> Ints:
    """Return how far off the middle a group of each grouping must be to be among those that trade."""
    among = min(MOST_TRADING, off.shape[1])
    return np.maximum(1, np.partition(off, off.shape[1] - among, axis=1)[:, -among, None])


class Choosing:
    """The groups farthest off, each with its own and a few offered spare cells to choose from.

    As many spares as the group has cells up to 5, else 3: the ways to choose stay a few hundred.

    Parameters
    ----------
    groups : ndarray of int, shape (B, S, P)
    spares : ndarray of int, shape (B, spares)
    off : ndarray, shape (B, S)
        How far off each group is.
    """

    def __init__(self, groups: Ints, spares: Ints, off: Ints | Floats) -> None:
        groupings, _, parallel = groups.shape
        each = min(spares.shape[1], parallel if parallel <= 5 else 3)
        worst = np.argsort(-off, axis=1, kind="stable")[:, : spares.shape[1] // each]
        self._groups, self._spares, self._each = groups, spares, each
        self._where = np.arange(groupings)[:, None], worst
        offered = spares[:, : worst.shape[1] * each].reshape(groupings, -1, each)
        self.cells = np.concatenate((groups[self._where], offered), axis=2)
        self.now = off[self._where]

    def take(self, way: Places, better: Flags) -> None:
        """Take the ways to choose that are better, shape (B, groups that choose)."""
        grouping, place = np.nonzero(better)
        _, chosen, left = ways_to_choose(self.cells.shape[2], self._groups.shape[2])
        way, cells = way[grouping, place], self.cells[grouping, place]
        row = np.arange(len(way))[:, None]
        self._groups[grouping, self._where[1][grouping, place]] = cells[row, chosen[way]]
        at = self._each * place[:, None] + np.arange(self._each)
        self._spares[grouping[:, None], at] = cells[row, left[way]]


def _trade_two(task: Task, group: Ints, spares: Ints, excess: int) -> None:
    """Trade two cells of a group for the two spares that come closest to taking its excess away."""
    own, other = _pairs(len(group)), _pairs(min(len(spares), MOST_OFFERED))
    mine, theirs = task.values[group][own].sum(axis=0), task.values[spares][other].sum(axis=0)
    order = np.argsort(theirs, kind="stable")
    at = np.searchsorted(theirs[order], mine - excess)
    near = order[np.stack((np.maximum(at - 1, 0), np.minimum(at, len(order) - 1)))]
    rest = np.abs(excess - mine + theirs[near])
    side, best = np.divmod(int(rest.argmin()), len(mine))
    if rest[side, best] < abs(excess):
        places, others = own[:, best], other[:, near[side, best]]
        group[places], spares[others] = spares[others], group[places]


@lru_cache(maxsize=16)
def _pairs(of: int) -> Places:
    return np.array(np.triu_indices(of, 1))
