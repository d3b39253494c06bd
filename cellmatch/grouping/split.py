"""First groupings: cells shared out by a fixed scheme, and which cells to start from when there are spares."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from cellmatch.grouping.pool import Ints
from cellmatch.grouping.task import Task

MOST_STARTS = 64
"""Selections of cells from which a search with spares starts at most."""

_FAR_WIDER = 4


def in_order(cells: Ints, series: int, parallel: int) -> Ints:
    """Return cells dealt in the order given: the first P are group 1."""
    return cells[: series * parallel].reshape(series, parallel)


def serpentine(cells: Ints, series: int, parallel: int) -> Ints:
    """Return cells, largest first, dealt to and fro over the groups: 1 … S, S … 1, and so on."""
    rows = cells[: series * parallel].reshape(parallel, series).copy()
    rows[1::2] = rows[1::2, ::-1]
    return np.ascontiguousarray(rows.T)


def fold(values: Ints, cells: Ints, series: int, parallel: int) -> Ints:
    """Return groups made by folding sorted rows onto each other, widest first.

    The cells are sorted, largest first, and cut into P rows of S. Then, again and again, the two rows with
    the widest span are added, one of them reversed, so that large meets small, and sorted anew. This is the
    balanced largest differencing method with all steps of a row done at once.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
    cells : ndarray of int, shape (S·P,)

    References
    ----------
    Michiels, Korst, Aarts, van Leeuwen (2003), Performance ratios for the differencing method applied to
    the balanced number partitioning problem, STACS 2003.

    Examples
    --------
    >>> import numpy as np
    >>> fold(np.array([9, 7, 6, 4, 3, 1]), np.arange(6), 3, 2).tolist()
    [[3, 2], [4, 1], [5, 0]]
    """
    ordered = cells[np.argsort(-values[cells], kind="stable")]
    rows = ordered.reshape(parallel, series)
    bundles = [(values[row], row[:, None]) for row in rows]
    while len(bundles) > 1:
        bundles.sort(key=lambda bundle: int(bundle[0][0] - bundle[0][-1]))
        (wide, wide_cells), (narrow, narrow_cells) = bundles.pop(), bundles.pop()
        sums = wide + narrow[::-1]
        order = np.argsort(-sums, kind="stable")
        members = np.hstack((wide_cells, narrow_cells[::-1]))
        bundles.append((sums[order], members[order]))
    return bundles[0][1]


def selections(task: Task, *, strongest_first: bool = False) -> Iterator[Ints]:
    """Yield selections of S·P cells to start from, the most alike first, or the strongest first.

    Neighbours in the sorted cells are alike, so a selection is a run of them. In a tray of two lots it is
    also a run of each lot, and those come first that hold the same number of the better lot for every group.
    Second comes the selection that leaves every so-manieth cell spare: there every cell has a spare that is
    nearly like it.
    """
    must = np.flatnonzero(task.demands.must)
    free = np.flatnonzero(~task.demands.must)
    free = free[np.argsort(-task.values[free], kind="stable")]
    values, take = task.values[free], task.places - len(must)
    chosen = _runs(len(free), take)
    better = _better_lot(values)
    if better:
        chosen += _two_runs(better, len(free) - better, task.series, take)

    def rank(runs: _Runs) -> tuple[int, float]:
        taken = _taken(values, runs)
        if strongest_first:
            return 0, -float(taken.sum())
        above = sum(max(0, min(stop, better) - start) for start, stop in runs)
        return min(above % task.series, 1), float(taken.var())

    for place, runs in enumerate(sorted(chosen, key=rank)[:MOST_STARTS]):
        yield np.concatenate((must, _taken(free, runs)))
        if place == 0 and not strongest_first and len(free) > take:
            yield np.concatenate((must, free[_all_but_spaced(len(free), take)]))


def _better_lot(values: Ints) -> int:
    """Return how many cells stand above a gap that is far wider than any other, 0 where there is none."""
    if len(values) < 3:
        return 0
    gaps = values[:-1] - values[1:]
    second, widest = np.sort(gaps)[-2:].tolist()
    return int(np.argmax(gaps)) + 1 if widest > _FAR_WIDER * max(1, second) else 0


_Runs = tuple[tuple[int, int], ...]
"""Runs of the sorted cells, each from its first up to and without its last; a million cells take no room so."""


def _taken(of: Ints, runs: _Runs) -> Ints:
    return np.concatenate([of[start:stop] for start, stop in runs])


def _runs(cells: int, take: int) -> list[_Runs]:
    starts = np.unique(np.linspace(0, cells - take, MOST_STARTS // 2).astype(np.int64))
    return [((start, start + take),) for start in starts.tolist()]


def _all_but_spaced(cells: int, take: int) -> Ints:
    spare = ((np.arange(cells - take) + 0.5) * cells / (cells - take)).astype(np.int64)
    return np.setdiff1d(np.arange(cells), spare)


def _two_runs(upper: int, lower: int, series: int, take: int) -> list[_Runs]:
    """Return runs of both lots that hold a multiple of S cells of the better one."""
    chosen: list[_Runs] = []
    for above in range(0, min(upper, take) + 1, series):
        below = take - above
        if below > lower:
            continue
        for first in np.unique(np.linspace(0, upper - above, 4).astype(np.int64)).tolist():
            for second in np.unique(np.linspace(0, lower - below, 4).astype(np.int64)).tolist():
                start = upper + second
                chosen.append(((first, first + above), (start, start + below)))
    return chosen


def with_total(values: Ints, cells: Ints, spares: Ints, total: int) -> Ints | None:
    """Return the selection with one or two cells swapped for spares so that its total is the one wanted.

    Of each side the cells nearest to the other are tried, which change the total least.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
    cells, spares : ndarray of int
        Selected, and not.
    total : int
        Wanted sum of values, below the present one.
    """
    excess = int(values[cells].sum()) - total
    if excess == 0:
        return cells
    given = cells[np.argsort(values[cells], kind="stable")][:_NEAR]
    taken = spares[np.argsort(-values[spares], kind="stable")][:_NEAR]
    swaps = [(int(values[g] - values[t]), int(g), int(t)) for g in given for t in taken]
    by_change: dict[int, list[tuple[int, int]]] = {}
    for change, give, take in swaps:
        by_change.setdefault(change, []).append((give, take))
    if excess in by_change:
        return _swapped(cells, by_change[excess][:1])
    for change, give, take in swaps:
        for other in by_change.get(excess - change, []):
            if other[0] != give and other[1] != take:
                return _swapped(cells, [(give, take), other])
    return None


_NEAR = 24


def _swapped(cells: Ints, swaps: list[tuple[int, int]]) -> Ints:
    taken_for = dict(swaps)
    return np.array([taken_for.get(cell, cell) for cell in cells.tolist()], dtype=np.int64)
