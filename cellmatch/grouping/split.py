"""Grouping by sharing out and re-splitting, in numpy: fast, and on large trays already the best there is.

Groups are an integer array of shape (S, P): a row a group, cell numbers in the canonical order of the tray.
Every function is bounded by counts, never by a clock, so that its answer depends on the cells and the seed
alone.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from cellmatch.grouping.tray import Ints

WIDEST_TABLE = 8
"""Cells a group up to which all ways to split two groups' cells anew are tried: 6435 at 8."""

_EXACT_IN_FLOAT32 = 2**24
_TABLE_ENTRIES = 16_000_000

Halt = Callable[[], bool]


def spread_of(steps: Ints, groups: Ints) -> int:
    """Return largest minus smallest group sum, in steps."""
    sums = steps[groups].sum(axis=1)
    return int(sums.max() - sums.min())


def in_order(cells: Ints, series: int, parallel: int) -> Ints:
    """Return cells dealt in the order given: the first P are group 1."""
    return cells[: series * parallel].reshape(series, parallel)


def serpentine(cells: Ints, series: int, parallel: int) -> Ints:
    """Return cells dealt to and fro over the groups (1 … S, S … 1, …), largest first."""
    rows = cells[: series * parallel].reshape(parallel, series).copy()
    rows[1::2] = rows[1::2, ::-1]
    return np.ascontiguousarray(rows.T)


def fold(steps: Ints, cells: Ints, series: int, parallel: int) -> Ints:
    """Return groups by folding sorted rows onto each other, widest first.

    The cells, largest first, are cut into P rows of S. Then, again and again, the two rows with the widest
    span are added, one of them reversed, so that large meets small. This is the balanced largest differencing
    method with all steps of a row done at once.

    Parameters
    ----------
    steps : ndarray of int, shape (n,)
    cells : ndarray of int, shape (S·P,)
        Cell numbers, largest first.

    References
    ----------
    Michiels, Korst, Aarts, van Leeuwen (2003), Performance ratios for the differencing method applied to
    the balanced number partitioning problem, STACS 2003.
    """
    rows = cells[: series * parallel].reshape(parallel, series)
    bundles = [(steps[row], row[:, None]) for row in rows]
    while len(bundles) > 1:
        bundles.sort(key=lambda bundle: int(bundle[0][0] - bundle[0][-1]))
        (wide, wide_cells), (narrow, narrow_cells) = bundles.pop(), bundles.pop()
        sums = wide + narrow[::-1]
        order = np.argsort(-sums, kind="stable")
        members = np.hstack((wide_cells, narrow_cells[::-1]))
        bundles.append((sums[order], members[order]))
    return bundles[0][1]


@lru_cache(maxsize=32)
def _halves(parallel: int) -> tuple[NDArray[np.float32], NDArray[np.intp], NDArray[np.intp]]:
    """Return all ways to split 2P cells in two halves: a 0/1 table, and both halves' places."""
    first = np.array(
        [(0, *rest) for rest in combinations(range(1, 2 * parallel), parallel - 1)], dtype=np.intp
    )
    table = np.zeros((len(first), 2 * parallel), dtype=np.float32)
    np.put_along_axis(table, first, 1, axis=1)
    second = np.nonzero(table == 0)[1].reshape(len(first), parallel)
    return table, first, second


def resplit(steps: Ints, groups: Ints, high: Ints, low: Ints) -> Ints:
    """Return groups where each pair (high[i], low[i]) shares its cells out anew, as evenly as it can.

    For at most 8 cells a group all splits of the pair are tried, else all swaps of one cell for one. A pair
    only ever comes closer together, so the spread never grows.
    """
    parallel = groups.shape[1]
    if parallel > WIDEST_TABLE:
        return _swap_best(steps, groups, high, low)
    groups = groups.copy()
    table, first, second = _halves(parallel)
    exact32 = 2 * parallel * int(np.abs(steps).max(initial=0)) < _EXACT_IN_FLOAT32
    table = table if exact32 else table.astype(np.float64)
    chunk = max(1, _TABLE_ENTRIES // len(table))
    for start in range(0, len(high), chunk):
        pair_high, pair_low = high[start : start + chunk], low[start : start + chunk]
        pool = np.hstack((groups[pair_high], groups[pair_low]))
        values = steps[pool].astype(table.dtype)
        total = values.sum(axis=1)
        gap = np.abs(2 * (values @ table.T) - total[:, None])
        best = gap.argmin(axis=1)
        now = np.abs(2 * values[:, :parallel].sum(axis=1) - total)
        better = gap[np.arange(len(best)), best] < now
        rows, splits = np.flatnonzero(better), best[better]
        groups[pair_high[rows]] = np.take_along_axis(pool[rows], first[splits], axis=1)
        groups[pair_low[rows]] = np.take_along_axis(pool[rows], second[splits], axis=1)
    return groups


def _swap_best(steps: Ints, groups: Ints, high: Ints, low: Ints) -> Ints:
    groups = groups.copy()
    parallel = groups.shape[1]
    chunk = max(1, _TABLE_ENTRIES // (parallel * parallel))
    for start in range(0, len(high), chunk):
        a, b = high[start : start + chunk], low[start : start + chunk]
        gap = steps[groups[a]].sum(axis=1) - steps[groups[b]].sum(axis=1)
        moved = steps[groups[a]][:, :, None] - steps[groups[b]][:, None, :]
        after = np.abs(gap[:, None] - 2 * moved.reshape(len(a), -1))
        best = after.argmin(axis=1)
        rows = np.flatnonzero(after[np.arange(len(a)), best] < np.abs(gap))
        place_a, place_b = np.divmod(best[rows], parallel)
        a, b = a[rows], b[rows]
        groups[a, place_a], groups[b, place_b] = groups[b, place_b], groups[a, place_a]
    return groups


def _opposite_pairs(steps: Ints, groups: Ints) -> tuple[Ints, Ints]:
    order = np.argsort(-steps[groups].sum(axis=1), kind="stable")
    half = len(order) // 2
    return order[:half], order[::-1][:half]


def _random_pairs(groups: Ints, random: Generator) -> tuple[Ints, Ints]:
    order = random.permutation(len(groups))
    half = len(order) // 2
    return order[:half], order[half : 2 * half]


def even_out(
    steps: Ints,
    groups: Ints,
    spares: Ints,
    random: Generator,
    goal: int,
    *,
    stalled_rounds: int = 20,
    most_rounds: int = 2000,
    halt: Halt = lambda: False,
) -> tuple[Ints, Ints]:
    """Return groups and spares after re-splitting pairs until the spread is at most `goal` or stalls.

    Even rounds pair the i-th highest group with the i-th lowest, odd rounds pair at random. With spares, the
    groups farthest from the middle also choose their cells anew from their own and a few spare ones.
    """
    best, stalled = spread_of(steps, groups), 0
    for turn in range(most_rounds):
        if best <= goal or stalled >= stalled_rounds or len(groups) < 2 or halt():
            break
        pairs = _random_pairs(groups, random) if turn % 2 else _opposite_pairs(steps, groups)
        groups = resplit(steps, groups, *pairs)
        if len(spares):
            groups, spares = _trade_spares(steps, groups, spares, random)
        spread = spread_of(steps, groups)
        stalled = 0 if spread < best else stalled + 1
        best = min(best, spread)
    return groups, spares


@lru_cache(maxsize=64)
def _choices(of: int, choose: int) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]:
    chosen = np.array(list(combinations(range(of), choose)), dtype=np.intp)
    table = np.zeros((len(chosen), of))
    np.put_along_axis(table, chosen, 1, axis=1)
    left = np.nonzero(table == 0)[1].reshape(len(chosen), of - choose)
    return table, chosen, left


def _spares_at_once(parallel: int, spares: int) -> int:
    """Return how many spares one group tries together: all choices must stay a few thousand."""
    return min(spares, parallel if parallel <= 5 else 3 if parallel <= 10 else 1)


def _trade_spares(steps: Ints, groups: Ints, spares: Ints, random: Generator) -> tuple[Ints, Ints]:
    parallel = groups.shape[1]
    at_once = _spares_at_once(parallel, len(spares))
    sums = steps[groups].sum(axis=1)
    target = int(np.partition(sums, len(sums) // 2)[len(sums) // 2])
    off = np.abs(sums - target)
    worst = np.argsort(-off, kind="stable")[: len(spares) // at_once]
    worst = worst[off[worst] > 0]
    if not len(worst):
        return groups, spares
    groups, spares = groups.copy(), random.permutation(spares)
    offered = spares[: len(worst) * at_once].reshape(len(worst), at_once)
    pool = np.hstack((groups[worst], offered))
    table, chosen, left = _choices(parallel + at_once, parallel)
    after = np.abs(steps[pool] @ table.T - target)
    best = after.argmin(axis=1)
    rows = np.flatnonzero(after[np.arange(len(worst)), best] < off[worst])
    groups[worst[rows]] = np.take_along_axis(pool[rows], chosen[best[rows]], axis=1)
    offered[rows] = np.take_along_axis(pool[rows], left[best[rows]], axis=1)
    return groups, spares
