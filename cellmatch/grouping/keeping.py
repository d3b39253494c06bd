"""The moves of `moves.py` where rules or earlier aims have to be kept, or likeness is sought instead of sums.

What is broken costs more than anything else, so a grouping that breaks rules is repaired on the way.
"""

from __future__ import annotations

import numpy as np

from cellmatch.grouping import moves
from cellmatch.grouping.pool import Flags, Floats, Ints
from cellmatch.grouping.task import Task

_ENTRIES_AT_ONCE = 4_000_000
_BREAK = 1e7
"""Cost of breaking a rule once: more than any distance of sums can cost."""
_OUTSIDE, _OUTSIDE_BY_WIDTHS = 30.0, 600.0
"""Cost of a sum outside a window, and of each window width it is outside."""
_GAIN = 1e-12
"""Least relative gain that counts: above the rounding of sums of floats."""


class _Cost:
    """Cost of groups: breaks first, then sums outside the windows, then what is sought.

    Parameters
    ----------
    task : Task
    target, scale : ndarray of float, shape (m,)
        For each of the groups or pairs that will be asked about: the sum to aim at, and the unit of distance.
    """

    def __init__(self, task: Task, target: Floats, scale: Floats) -> None:
        self.task, self._target, self._scale = task, target, scale
        self.counted = (task.values, *(window.values for window in task.demands.windows))

    def of_sums(self, sums: list[Ints], part: slice = slice(None)) -> Floats:
        """Return what sums cost, shape (m, …): of the values, and of the values of each window."""
        cost: Floats = np.zeros_like(sums[0], dtype=np.float64)
        if self.task.unlike is None:
            one_each = (-1,) + (1,) * (sums[0].ndim - 1)
            target, scale = self._target[part].reshape(one_each), self._scale[part].reshape(one_each)
            cost = ((sums[0] - target) / scale) ** 2
        for window, inside in zip(self.task.demands.windows, sums[1:], strict=True):
            width = max(1, window.high - window.low)
            outside = np.maximum(0, window.low - inside) + np.maximum(0, inside - window.high)
            cost = cost + np.where(outside > 0, _OUTSIDE + _OUTSIDE_BY_WIDTHS * outside / width, 0)
        return np.asarray(cost, dtype=np.float64)

    def of_company(self, members: Ints) -> Floats:
        """Return what it costs that cells share a group, shape (…) of (…, P)."""
        rows = members.reshape(-1, members.shape[-1])
        cost = _BREAK * self.task.demands.breaks(rows)
        if self.task.unlike is not None:
            cost = cost + self.task.unlike(rows)
        return np.asarray(cost.reshape(members.shape[:-1]))

    def of(self, members: Ints, part: slice = slice(None)) -> Floats:
        """Return the whole cost of groups, shape (m, …) of (m, …, P)."""
        cost = self.of_sums([values[members].sum(axis=-1) for values in self.counted], part)
        return cost + self.of_company(members) if self.task.by_cells else cost


def _cost(task: Task, groups: Ints, repeats: int) -> _Cost:
    """Return the cost for `repeats` groups or pairs of each grouping."""
    sums = task.sums(groups)
    target = moves.centres(sums)
    scale = np.maximum(1.0, np.sqrt(((sums - target) ** 2).mean(axis=1)))
    return _Cost(task, np.repeat(target[:, 0].astype(float), repeats), np.repeat(scale, repeats))


def _less(after: Floats, now: Floats) -> Flags:
    return after < now - _GAIN * (1 + now)


def resplit(task: Task, groups: Ints, high: Ints, low: Ints) -> None:
    """Let each pair of groups (high[b, i], low[b, i]) share its cells out anew at the least cost."""
    cost = _cost(task, groups, high.shape[1])
    rows = groups.reshape(-1, task.parallel)  # a view: its changes are the groups'
    first_row = task.series * np.arange(len(groups))[:, None]
    high, low = (high + first_row).ravel(), (low + first_row).ravel()
    move = _split if moves.splits_by_table(task) else _swap
    at_once = max(1, _ENTRIES_AT_ONCE // moves.ways_tried(task))
    for start in range(0, len(high), at_once):
        move(cost, rows, high, low, slice(start, start + at_once))


def _split(cost: _Cost, rows: Ints, high: Ints, low: Ints, part: slice) -> None:
    parallel = rows.shape[1]
    high, low = high[part], low[part]
    table, first, second = moves.ways_to_split(parallel)
    cells = np.concatenate((rows[high], rows[low]), axis=1)
    counted = [values[cells] for values in cost.counted]
    ones = [np.rint(values @ table.T).astype(np.int64) for values in counted]
    others = [values.sum(axis=1)[:, None] - one for values, one in zip(counted, ones, strict=True)]
    after = cost.of_sums(ones, part) + cost.of_sums(others, part)
    if cost.task.by_cells:
        after += cost.of_company(cells[:, first]) + cost.of_company(cells[:, second])
    best = after.argmin(axis=1)
    now = cost.of(rows[high], part) + cost.of(rows[low], part)
    better = np.flatnonzero(_less(after[np.arange(len(best)), best], now))
    moves.take_split(rows, high[better], low[better], cells[better], first[best[better]], second[best[better]])


def _swap(cost: _Cost, rows: Ints, high: Ints, low: Ints, part: slice) -> None:
    high, low = high[part], low[part]
    ones, others = [], []
    for values in cost.counted:
        here, there = values[rows[high]], values[rows[low]]
        moved = (here[:, :, None] - there[:, None, :]).reshape(len(high), -1)
        ones.append(here.sum(axis=1)[:, None] - moved)
        others.append(there.sum(axis=1)[:, None] + moved)
    after = cost.of_sums(ones, part) + cost.of_sums(others, part)
    if cost.task.by_cells:
        after += _company_after_swaps(cost, rows[high], rows[low])
    best = after.argmin(axis=1)
    now = cost.of(rows[high], part) + cost.of(rows[low], part)
    better = np.flatnonzero(_less(after[np.arange(len(best)), best], now))
    moves.take_swap(rows, high[better], low[better], best[better])


def _company_after_swaps(cost: _Cost, ones: Ints, others: Ints) -> Floats:
    """Return the cost of company in both groups after every swap of one cell for one, shape (pairs, P·P)."""
    pairs, parallel = ones.shape
    total = np.zeros((pairs, parallel, parallel))
    for here, there, turned in ((ones, others, False), (others, ones, True)):
        members = np.broadcast_to(here[:, None, None, :], (pairs, parallel, parallel, parallel)).copy()
        for place in range(parallel):
            members[:, place, :, place] = there
        company = cost.of_company(members)
        total += company.transpose(0, 2, 1) if turned else company
    return total.reshape(pairs, -1)


def trade_spares(task: Task, groups: Ints, spares: Ints) -> None:
    """Let the dearest groups choose their cells anew; cells that must be used stay."""
    series, parallel = task.series, task.parallel
    now = _cost(task, groups, series).of(groups.reshape(-1, parallel)).reshape(groups.shape[:2])
    if parallel > moves.WIDEST_CHOICE:
        most = max(1, moves.MOST_TRADING // len(groups))
        for grouping in range(len(groups)):
            cost = _cost(task, groups[grouping : grouping + 1], 1)
            for group in np.argsort(-now[grouping], kind="stable")[:most].tolist():
                _trade_one(cost, groups[grouping, group], spares[grouping], float(now[grouping, group]))
        return
    choosing = moves.Choosing(groups, spares, now)
    _, chosen, left = moves.ways_to_choose(choosing.cells.shape[2], parallel)
    cells = choosing.cells.reshape(-1, choosing.cells.shape[2])
    after = _cost(task, groups, choosing.cells.shape[1]).of(cells[:, chosen])
    after += _BREAK * task.demands.must[cells[:, left]].sum(axis=2)
    best = after.argmin(axis=1).reshape(choosing.now.shape)
    choosing.take(best, _less(after.min(axis=1).reshape(choosing.now.shape), np.asarray(choosing.now, dtype=float)))


def _trade_one(cost: _Cost, group: Ints, spares: Ints, now: float) -> None:
    """Trade one cell of a group for a spare."""
    parallel = len(group)
    sums = [values[group].sum() - values[group] + values[spares][:, None] for values in cost.counted]
    after = cost.of_sums([each[None] for each in sums])[0]
    if cost.task.by_cells:
        members = np.broadcast_to(group, (len(spares), parallel, parallel)).copy()
        places = np.arange(parallel)
        members[:, places, places] = spares[:, None]
        after += cost.of_company(members)
    after[:, cost.task.demands.must[group]] = np.inf
    spare, place = np.divmod(int(after.argmin()), parallel)
    if after[spare, place] < now - _GAIN * (1 + now):
        group[place], spares[spare] = spares[spare], group[place]
