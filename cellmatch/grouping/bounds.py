"""Limits that no grouping can beat, proved by counting.

All of them take whole-number values in descending order, of which S·P of N are used. The proofs stand in the
docstrings; the tests hold each bound against brute force.

References
----------
Dell'Amico, Martello (2001), Bounds for the cardinality constrained P||Cmax problem, J. Scheduling 4, 123-138: bounds
for equal numbers of items, on the largest sum alone. Those here are on the spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cellmatch.grouping.pool import Ints

MOST_COUNTING_WORK = 100_000_000
"""Cells x groups x dropped cells above which threshold counting is left out."""


@dataclass(frozen=True, slots=True)
class Counted:
    """What threshold counting proves.

    Parameters
    ----------
    spread : int
        No grouping has less.
    weakest : int or None
        No grouping has a stronger weakest group; None: counting says nothing.
    threshold : int or None
        Number of largest cells whose counting gave the bound on the spread.
    """

    spread: int
    weakest: int | None
    threshold: int | None


_SILENT = Counted(0, None, None)


def descending(values: Ints) -> Ints:
    """Return the values, largest first."""
    return np.asarray(-np.sort(-values))


def spread_bound(values: Ints, series: int, parallel: int) -> int:
    """Return the least spread that any grouping of these cells can have.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        Descending.
    """
    return max(divisibility_bound(values, series, parallel), threshold_bounds(values, series, parallel).spread)


def weakest_bound(values: Ints, series: int, parallel: int) -> int:
    """Return the most that the weakest group can hold.

    The weakest group is at most the mean of all groups, at most that of the S·P largest cells.
    """
    richest_mean = int(values[: series * parallel].sum()) // series
    counted = threshold_bounds(values, series, parallel).weakest
    return richest_mean if counted is None else min(richest_mean, counted)


def weakest_bound_by_lots(values: Ints, lots: Ints, series: int, parallel: int) -> int | None:
    """Return the most that the weakest group can hold where every group is of one lot; None: the lots fill too few.

    A lot's a groups are at most the mean of its a·P largest cells, which falls as a grows. So for each strength a lot
    makes at most so many groups, and the lots together must make S.

    Parameters
    ----------
    values, lots : ndarray of int, shape (n,)
        In any order.
    """
    means: list[int] = []
    for lot in np.unique(lots).tolist():
        held = np.cumsum(descending(values[lots == lot]))[parallel - 1 :: parallel]
        means += (held // np.arange(1, len(held) + 1)).tolist()
    return sorted(means, reverse=True)[series - 1] if len(means) >= series else None


def divisibility_bound(values: Ints, series: int, parallel: int) -> int:
    """Return 1 where all cells are used and their total can't be shared out in equal whole steps, else 0.

    Spread 0 means S equal integer sums, so S divides the total.
    """
    everything_used = len(values) == series * parallel
    return int(everything_used and int(values.sum()) % series != 0)


def spread_bound_at(values: Ints, series: int, parallel: int, weakest: int) -> int:
    """Return 1 where no grouping with a weakest group this strong has all groups equal, else 0.

    Any choice of cells that holds less than the S·P largest holds less by at least the gap between the last of
    those and the next cell. Equal groups of at least `weakest` hold S times it in all. Where that is more than the
    gap allows, the cells hold what the largest hold, and equal groups need S to divide that.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        Descending.
    """
    places = series * parallel
    if len(values) == places:
        return divisibility_bound(values, series, parallel)
    richest, gap = int(values[:places].sum()), int(values[places - 1] - values[places])
    return int(richest % series != 0 and richest - series * weakest < gap)


def threshold_bounds(values: Ints, series: int, parallel: int) -> Counted:
    """Return bounds on spread and weakest group from counting the cells above a threshold.

    Let A be the k largest cells and K of them be used, K = q·S + r with 0 < r < S. Then some h groups,
    1 <= h < S, hold at least q + 1 of A, and the other S - h hold at most q. Those h groups hold at least
    n = max((q+1)·h, q·h + r) of A. So the largest group is at least the mean of the h groups under their
    cheapest filling (the n smallest of A, the rest from the smallest cells), and the smallest group is at
    most the mean of the others under their richest filling. The least over h, and over how many of A are
    left out, holds for every grouping; the greatest over k is the bound. k = 1 is the single huge cell,
    k = S·P - 1 the single weak one, k the size of a lot the tray of two lots.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        Descending.
    """
    cells, left_out = len(values), len(values) - series * parallel
    # S - 1 spares can always make K divisible by S, and then counting says nothing
    if series < 2 or left_out >= series - 1 or cells * series * (left_out + 1) > MOST_COUNTING_WORK:
        return _SILENT
    thresholds = np.flatnonzero(values[:-1] > values[1:]) + 1
    least_spread = np.full(len(thresholds), _OPEN)
    most_weakest = np.full(len(thresholds), -_OPEN)
    for a in range(left_out + 1):
        spread, weakest = _counted(values, series, parallel, thresholds, a)
        least_spread = np.minimum(least_spread, spread)
        most_weakest = np.maximum(most_weakest, weakest)
    told = (np.abs(least_spread) < _OPEN) & (np.abs(most_weakest) < _OPEN)
    if not told.any():
        return _SILENT
    best = int(np.argmax(np.where(told, least_spread, -_OPEN)))
    return Counted(max(0, int(least_spread[best])), int(most_weakest[told].min()), int(thresholds[best]))


_OPEN = np.iinfo(np.int64).max // 4


def _counted(values: Ints, series: int, parallel: int, thresholds: Ints, a: int) -> tuple[Ints, Ints]:
    """Return for each threshold the least spread and the strongest weakest group if `a` of A are left out.

    +open and -open where this can't happen, the other way round where counting says nothing.
    """
    cells, left_out = len(values), len(values) - series * parallel
    before = np.concatenate(([0], np.cumsum(values)))  # before[i]: sum of the i largest
    k = thresholds[:, None]
    h = np.arange(1, series)[None, :]
    can_drop = (a <= k) & (left_out - a <= cells - k)
    used = k - a
    q, r = np.divmod(used, series)
    n = np.maximum((q + 1) * h, q * h + r)
    full_rest = h * parallel - n
    short_upper = used - n
    short_rest = (series - h) * parallel - short_upper
    possible = can_drop & (r > 0)
    for count, most in ((full_rest, cells - k), (short_upper, k), (short_rest, cells - k)):
        possible = possible & (count >= 0) & (count <= most)
    n, full_rest, short_upper, short_rest = (
        np.where(possible, count, 0) for count in (n, full_rest, short_upper, short_rest)
    )
    full = before[k] - before[k - n] + before[cells] - before[cells - full_rest]
    short = before[short_upper] + before[k + short_rest] - before[k]
    short_mean = short // (series - h)
    spread = np.where(possible, -(-full // h) - short_mean, _OPEN).min(axis=1)
    weakest = np.where(possible, short_mean, -_OPEN).max(axis=1)
    silent = (can_drop & (r == 0))[:, 0]
    return np.where(silent, -_OPEN, spread), np.where(silent, _OPEN, weakest)


def deciding_threshold(values: Ints, series: int, parallel: int) -> int:
    """Return the number of largest cells to tell from the rest: where counting says most, else the widest gap.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        Descending.
    """
    counted = threshold_bounds(values, series, parallel)
    if counted.threshold is not None and counted.spread > 0:
        return counted.threshold
    return int(np.argmax(values[:-1] - values[1:])) + 1 if len(values) > 1 else len(values)
