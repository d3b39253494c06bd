"""Groups of exactly equal sums, put together out of all groups there are of that sum.

With spare cells at hand there are many more ways to make a group of just the wanted sum than groups are needed:
60 cells make some 80 groups of 3 with any one sum near the middle. S of them that share no cell are found by
taking, again and again, the group whose cells are least wanted by the others. That is greedy packing; where it
fails nothing is proved.

References
----------
Horowitz, Sahni (1974), Computing partitions with applications to the knapsack problem, J. ACM 21(2): all choices of a
given sum from two sorted lists of half choices.
Halldórsson, Radhakrishnan (1997), Greed is good: approximating independent sets in sparse and bounded-degree graphs,
Algorithmica 18, 145-163: how far taking the least wanted first gets.
"""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np
from numpy.random import Generator

from cellmatch.grouping.allowance import Allowance
from cellmatch.grouping.pool import Floats, Ints
from cellmatch.grouping.task import Task

WIDEST = 6
"""Cells a group up to which those of a given sum are listed, as one part of at most 3 cells and another."""
SUMS_TRIED, TRIES_A_SUM = 6, 4
"""Sums that are tried, those of most groups first, and how often each: the first time without chance."""
MOST_PARTS, MOST_GROUPS = 4000, 1000
"""Of more parts, and of more groups with one sum, so many drawn by lot will do."""
MOST_CELLS, WIDEST_RANGE = 400, 100_000
"""Cells up to which pairs of them are listed, and steps between the largest and the smallest."""

_MOST_LISTED = 8000
"""Pairs of parts that are listed for one sum; where there are more, those of some of the parts will do."""
_WORK_PER_SUM, _WORK_PER_LISTED = 5e-4, 5e-8
"""[s] What it costs to try a sum, and to list a pair of parts."""


def can_be_equal(task: Task) -> bool:
    """Return whether groups of equal sums may be sought so: narrow ones, with spares, and no cell that must be used."""
    narrow = 2 <= task.parallel <= WIDEST and task.packs == 1 and task.series > 1
    few = len(task.values) <= MOST_CELLS and int(np.ptp(task.values)) <= WIDEST_RANGE
    return narrow and few and not task.all_used and task.unlike is None and not task.demands.must.any()


def equal_sums(task: Task, random: Generator, allowance: Allowance) -> Ints | None:
    """Return groups of one sum that keep the demands, shape (S, P), or None."""
    early, late = _two_parts(task, random)
    for total in _commonest_sums(task):
        if allowance.halted():
            break
        rows = _groups_of(task, total, early, late, allowance)
        if len(rows) > MOST_GROUPS:
            rows = rows[random.choice(len(rows), MOST_GROUPS, replace=False)]
        if len(rows) >= task.series:
            packed = _packed(rows, len(task.values), task.series, random)
            if packed is not None:
                return packed
    return None


def _commonest_sums(task: Task) -> list[int]:
    """Return the sums inside the windows that most groups have, those of the most first.

    How many choices of P cells have which sum is the histogram of the cells convolved with itself, P times in all.
    Choices of one cell twice are counted with the others: too few to matter.
    """
    low = int(task.values.min())
    histogram = np.bincount(task.values - low)
    length = task.parallel * (len(histogram) - 1) + 1
    spectrum = np.fft.rfft(histogram, 2 ** (length - 1).bit_length())
    counts = np.fft.irfft(spectrum**task.parallel)[:length]
    # in millionths of the commonest: what the transform rounds differs from machine to machine, far below that
    counts = np.rint(1e6 * counts / counts.max())
    sums = np.arange(length) + task.parallel * low
    for window in task.demands.windows:
        if window.values is task.values:
            counts[(sums < window.low) | (sums > window.high)] = 0
    commonest = np.argsort(-counts, kind="stable")[:SUMS_TRIED]
    return [int(sums[at]) for at in commonest if counts[at] > 0]


def _two_parts(task: Task, random: Generator) -> tuple[Ints, Ints]:
    """Return parts that make a group by twos: the larger ones as they come, the others by rising sum."""
    early, late = (_parts(len(task.values), size, random) for size in ((task.parallel + 1) // 2, task.parallel // 2))
    return early, late[np.argsort(task.values[late].sum(axis=1), kind="stable")]


def _parts(cells: int, size: int, random: Generator) -> Ints:
    """Return all choices of so many cells, rising, or of too many some by lot, shape (m, size)."""
    if comb(cells, size) <= MOST_PARTS:
        return random.permutation(np.array(list(combinations(range(cells), size)), dtype=np.int64))
    drawn = np.sort(random.integers(cells, size=(MOST_PARTS, size)), axis=1)
    return np.asarray(drawn[(np.diff(drawn, axis=1) > 0).all(axis=1)])


def _groups_of(task: Task, total: int, early: Ints, late: Ints, allowance: Allowance) -> Ints:
    """Return the groups with a sum that two parts make and that keep the demands, shape (m, P)."""
    late_sums = task.values[late].sum(axis=1)
    missing = total - task.values[early].sum(axis=1)
    first = np.searchsorted(late_sums, missing)
    fitting = np.searchsorted(late_sums, missing, side="right") - first
    fitting[np.cumsum(fitting) > _MOST_LISTED] = 0
    listed = int(fitting.sum())
    allowance.spend(_WORK_PER_SUM + _WORK_PER_LISTED * listed)
    one = np.repeat(np.arange(len(early)), fitting)
    other = np.arange(listed) - np.repeat(np.cumsum(fitting) - fitting, fitting) + first[one]
    rows = np.hstack((early[one], late[other]))
    if comb(len(task.values), early.shape[1]) <= MOST_PARTS:
        # all parts are there: each group comes once with the cells of one part before those of the other
        rows = rows[rows[:, early.shape[1] - 1] < rows[:, early.shape[1]]]
    else:
        rows = np.sort(rows, axis=1)
        rows = rows[(np.diff(rows, axis=1) > 0).all(axis=1)]
    return rows if task.demands.nothing else np.asarray(rows[task.demands.kept_by(rows)])


def _packed(rows: Ints, cells: int, series: int, random: Generator) -> Ints | None:
    """Return S rows that share no cell, shape (S, P), or None where the tries found none."""
    for tried in range(TRIES_A_SUM):
        left, packed = rows, list[Ints]()
        while len(left) and len(packed) < series:
            wanted = _wanted(left, cells)
            if tried:
                wanted += 2 * rows.shape[1] * random.random(len(left))
            taken = left[int(wanted.argmin())]
            packed.append(taken)
            left = left[~np.isin(left, taken).any(axis=1)]
        if len(packed) == series:
            return np.array(packed)
    return None


def _wanted(rows: Ints, cells: int) -> Floats:
    """Return by how many rows the cells of each row are wanted."""
    return np.asarray(np.bincount(rows.ravel(), minlength=cells)[rows].sum(axis=1), dtype=np.float64)
