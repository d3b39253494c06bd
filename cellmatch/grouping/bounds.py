"""Limits that no grouping can beat, proved by counting.

All of them take `steps`: capacities as integers in descending order, of which S·P of N are used. The proofs
stand in the docstrings; the tests hold each bound against brute force.
"""

from __future__ import annotations

import numpy as np

from cellmatch.grouping.tray import Ints

MOST_COUNTING_WORK = 100_000_000
"""Cells x groups x dropped cells above which threshold counting is left out."""


def spread_bound(steps: Ints, series: int, parallel: int) -> int:
    """Return the least spread that any grouping of these cells can have, in steps.

    Parameters
    ----------
    steps : ndarray of int, shape (n,)
        Descending.
    """
    return max(divisibility_bound(steps, series, parallel), threshold_bounds(steps, series, parallel)[0])


def weakest_bound(steps: Ints, series: int, parallel: int) -> int:
    """Return the most that the weakest group can hold, in steps.

    The weakest group is at most the mean of all groups, at most that of the S·P largest cells.
    """
    richest_mean = int(steps[: series * parallel].sum()) // series
    counted = threshold_bounds(steps, series, parallel)[1]
    return richest_mean if counted is None else min(richest_mean, counted)


def divisibility_bound(steps: Ints, series: int, parallel: int) -> int:
    """Return 1 where all cells are used and their total can't be shared out in equal whole steps, else 0.

    Spread 0 means S equal integer sums, so S divides the total.
    """
    everything_used = len(steps) == series * parallel
    return int(everything_used and int(steps.sum()) % series != 0)


def threshold_bounds(steps: Ints, series: int, parallel: int) -> tuple[int, int | None]:
    """Return a bound on the spread and one on the weakest group from counting the cells above a threshold.

    Let A be the k largest cells and K of them be used, K = q·S + r with 0 < r < S. Then some h groups,
    1 <= h < S, hold at least q + 1 of A, and the other S - h hold at most q. Those h groups hold at least
    n = max((q+1)·h, q·h + r) of A. So the largest group is at least the mean of the h groups under their
    cheapest filling (the n smallest of A, the rest from the smallest cells), and the smallest group is at
    most the mean of the others under their richest filling. The least over h, and over how many of A may be
    dropped, holds for every grouping; the greatest over k is the bound. k = 1 is the single huge cell, k the
    size of a lot the tray of two lots.

    Returns
    -------
    spread : int
        No grouping has less, in steps.
    weakest : int or None
        No grouping has a stronger weakest group, in steps; None: counting says nothing.
    """
    cells, dropped = len(steps), len(steps) - series * parallel
    nothing: tuple[int, int | None] = (0, None)
    # S - 1 spares can always make K divisible by S, and then counting says nothing
    if series < 2 or dropped >= series - 1 or cells * series * (dropped + 1) > MOST_COUNTING_WORK:
        return nothing
    before = np.concatenate(([0], np.cumsum(steps)))  # before[i]: sum of the i largest
    threshold = np.flatnonzero(steps[:-1] > steps[1:]) + 1
    if not len(threshold):
        return nothing
    k = threshold[:, None]
    h = np.arange(1, series)[None, :]
    no_limit = np.iinfo(np.int64).max // 4
    least_spread = np.full(len(threshold), no_limit)
    most_weakest = np.full(len(threshold), -no_limit)
    for a in range(dropped + 1):
        possible_drop = (a <= k) & (dropped - a <= cells - k)
        used = k - a
        q, r = np.divmod(used, series)
        n = np.maximum((q + 1) * h, q * h + r)
        from_rest_high = h * parallel - n
        in_low = used - n
        from_rest_low = (series - h) * parallel - in_low
        possible = (
            possible_drop
            & (r > 0)
            & (in_low >= 0)
            & (from_rest_high >= 0)
            & (from_rest_high <= cells - k)
            & (from_rest_low >= 0)
            & (from_rest_low <= cells - k)
        )
        n, from_rest_high, in_low, from_rest_low = (
            np.where(possible, value, 0) for value in (n, from_rest_high, in_low, from_rest_low)
        )
        high = before[k] - before[k - n] + before[cells] - before[cells - from_rest_high]
        low = before[in_low] + before[k + from_rest_low] - before[k]
        low_mean = low // (series - h)
        spread = -(-high // h) - low_mean
        least_spread = np.minimum(least_spread, np.where(possible, spread, no_limit).min(axis=1))
        most_weakest = np.maximum(most_weakest, np.where(possible, low_mean, -no_limit).max(axis=1))
        silent = (possible_drop & (r == 0))[:, 0]
        least_spread[silent] = -no_limit
        most_weakest[silent] = no_limit
    informative = (least_spread < no_limit) & (most_weakest > -no_limit) & (most_weakest < no_limit)
    if not informative.any():
        return nothing
    return max(0, int(least_spread[informative].max())), int(most_weakest[informative].min())
