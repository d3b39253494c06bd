"""Exact search in small groups: every possible group is a column, and some S columns share out the cells.

With few cells a group (P <= 4) all possible groups can be listed. Asked whether a grouping has all its sums
between `low` and `high`, most columns can be ruled out by counting before any solver is called.

**The ledger argument.** Take any of the bounds: the richest S·P cells, say, hold R in all. In a grouping whose
sums all reach `low`, write what each group holds above `low`, and for each cell what it costs that a poorer one
was used in the place of a richer one. All these entries are at least 0, and together they make exactly
R - S·low. So each column has a price, all prices paid add up to a known total, and a column whose price and the
least price of everything else exceed that total is in no such grouping. The same holds from above (the
poorest cells, `high`), and for two classes of cells, where the groups with more of the upper class are
weighed against `high` and the others against `low`: this is threshold counting (`bounds.py`) as a ledger,
and it decides trays of two lots. The prices play the part of reduced costs, which fix a variable as soon as its
own exceeds the gap (Atamtürk, Nemhauser, Savelsbergh 1996); but they come from counting, in whole numbers,
without a linear program. The proof is this paragraph; the tests hold it against exhaustion.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import comb

import numpy as np

from cellmatch.grouping.bounds import deciding_threshold, spread_bound
from cellmatch.grouping.pool import Flags, Ints
from cellmatch.grouping.task import Task

MOST_COLUMNS = 1_000_000
WIDEST_GROUP = 4
"""Cells a group up to which columns are listed."""

_NEVER = np.iinfo(np.int64).max // 16


@dataclass(frozen=True, kw_only=True, slots=True)
class Columns:
    """All groups that keep the demands, by rising sum.

    Parameters
    ----------
    order : ndarray of int, shape (n,)
        Cells from the largest value to the smallest; columns name cells by their place in it.
    values : ndarray of int, shape (n,)
        In that order.
    must : ndarray of bool, shape (n,)
        Cells that may not stay spare, in that order.
    members : ndarray of int, shape (P, columns)
    sums : ndarray of int, shape (columns,)
    series : int
    threshold : int
        Cells of the upper class.
    counted : int
        Bound on the spread that counting alone proves.
    upper : ndarray of int, shape (columns,)
        Cells of the upper class in each column.
    """

    order: Ints
    values: Ints
    must: Flags
    members: Ints
    sums: Ints
    series: int
    threshold: int
    counted: int
    upper: Ints

    @property
    def parallel(self) -> int:
        """Cells a group."""
        return len(self.members)

    @property
    def places(self) -> int:
        """Cells that the groups take."""
        return self.series * self.parallel

    def sums_of(self, groups: Ints) -> Ints:
        """Return the sums of groups of cell numbers."""
        by_cell = np.empty_like(self.values)
        by_cell[self.order] = self.values
        return np.asarray(by_cell[groups].sum(axis=1))

    def held(self, low: int, high: int) -> slice:
        """Return the columns whose sums lie in low … high."""
        first, last = np.searchsorted(self.sums, [low, high + 1]).tolist()
        return slice(first, last)

    def richest_total(self) -> int:
        """Return the sum of the S·P largest cells."""
        return int(self.values[: self.places].sum())

    def poorest_total(self) -> int:
        """Return the sum of the S·P smallest cells."""
        return int(self.values[len(self.values) - self.places :].sum())


def count_columns(cells: int, parallel: int) -> int:
    """Return how many groups there are to list, or a number too large where groups are too wide."""
    return comb(cells, parallel) if parallel <= WIDEST_GROUP else MOST_COLUMNS + 1


def columns_of(task: Task) -> Columns:
    """List all groups that keep the demands."""
    order = np.argsort(-task.values, kind="stable")
    values = task.values[order]
    members = _combinations(len(order), task.parallel)
    if not task.demands.nothing:
        members = members[task.demands.kept_by(order[members])]
    sums = values[members].sum(axis=1)
    by_sum = np.argsort(sums, kind="stable")
    members = np.ascontiguousarray(members[by_sum].T)
    threshold = deciding_threshold(values, task.series, task.parallel)
    return Columns(
        order=order,
        values=values,
        must=task.demands.must[order] | task.all_used,
        members=members,
        sums=sums[by_sum],
        series=task.series,
        threshold=threshold,
        counted=spread_bound(values, task.series, task.parallel),
        upper=(members < threshold).sum(axis=0),
    )


def _combinations(cells: int, choose: int) -> Ints:
    chosen = np.arange(cells)[:, None]
    for _ in range(choose - 1):
        last = chosen[:, -1]
        following = cells - 1 - last
        row = np.repeat(np.arange(len(chosen)), following)
        first = np.cumsum(following) - following
        extra = np.arange(len(row)) - first[row] + last[row] + 1
        chosen = np.hstack((chosen[row], extra[:, None]))
    return chosen


@dataclass(frozen=True, kw_only=True, slots=True)
class CoverProblem:
    """Columns left after counting, for the exact engine.

    Parameters
    ----------
    members : ndarray of int, shape (P, columns)
        Places in the order of the columns.
    must : ndarray of bool, shape (n,)
    upper : ndarray of int, shape (columns,)
        Cells of the upper class in each column.
    upper_used : int
        How many of them the grouping uses.
    """

    members: Ints
    must: Flags
    upper: Ints
    upper_used: int


@dataclass(frozen=True, slots=True)
class _Case:
    """How many cells of the upper class are used: `full` groups hold q + 1 of them, the others q."""

    upper: int
    used: int
    q: int
    full: int


def cover_problems(columns: Columns, low: int, high: int) -> Iterator[CoverProblem]:
    """Yield what is left to decide whether some grouping has all its sums in low … high.

    No grouping has unless one of the problems has a solution; none left means no.
    """
    held = columns.held(low, high)
    sums, upper = columns.sums[held], columns.upper[held]
    if len(sums) < columns.series or columns.series * low > columns.richest_total():
        return
    for case in _cases(columns, int(upper.min()), int(upper.max())):
        must = columns.must.copy()
        if case.used == case.upper:
            must[: case.upper] = True
        if columns.places - case.used == len(must) - case.upper:
            must[case.upper :] = True
        kept = np.arange(held.start, held.stop)
        if case.full in (0, columns.series) and case.upper < len(must):
            kept = kept[upper == case.q + (case.full > 0)]
        for ledger in _ledgers(columns, case, low, high):
            kept = _affordable(columns, ledger, kept, case.q, must, low, high)
            if len(kept) < columns.series:
                break
        else:
            counted = columns.upper[kept] if case.upper < len(must) else np.full(len(kept), columns.parallel)
            yield CoverProblem(members=columns.members[:, kept], must=must, upper=counted, upper_used=case.used)


def _cases(columns: Columns, least: int, most: int) -> Iterator[_Case]:
    cells, places, upper = len(columns.values), columns.places, columns.threshold
    if most - least > 1:
        # more than two kinds of group: all cells are one class
        yield _Case(upper=cells, used=places, q=columns.parallel, full=0)
        return
    for full in range(columns.series + 1 if most > least else 1):
        used = least * columns.series + full
        if used <= upper and places - used <= cells - upper:
            yield _Case(upper=upper, used=used, q=least, full=full)


@dataclass(frozen=True, slots=True)
class _Ledger:
    """Prices of one argument; the first of each pair is for groups with q of the upper class, the other for q + 1.

    Parameters
    ----------
    above_low, below_high : (int, int)
        Price of each step of a group's sum above `low`, and below `high`.
    cell : (ndarray, ndarray)
        Price of each cell in a group.
    spare : ndarray
        Price of each cell left spare.
    total : int
        All prices paid.
    """

    above_low: tuple[int, int]
    below_high: tuple[int, int]
    cell: tuple[Ints, Ints]
    spare: Ints
    total: int

    def prices(self, columns: Columns, kept: Ints, q: int, low: int, high: int) -> tuple[Ints, Ints]:
        """Return the columns that are not too dear by themselves, and their prices."""
        full = (columns.upper[kept] > q).astype(np.int64)
        sums = columns.sums[kept]
        above_low, below_high = np.array(self.above_low), np.array(self.below_high)
        prices: Ints = np.asarray(above_low[full] * (sums - low) + below_high[full] * (high - sums), dtype=np.int64)
        cheap = prices <= self.total
        kept, full, prices = kept[cheap], full[cheap], prices[cheap]
        cell = np.stack(self.cell)
        for cells in columns.members:
            prices += cell[full, cells[kept]]
        cheap = prices <= self.total
        return kept[cheap], prices[cheap]


def _ledgers(columns: Columns, case: _Case, low: int, high: int) -> Iterator[_Ledger]:
    values, series, parallel = columns.values, columns.series, columns.parallel
    full, short = case.full, series - case.full
    if case.upper < len(values) and full and short:
        above = (case.q + 1) * full
        poor, use, leave = _filling(values, case.upper, above, full * parallel - above, richest=False)
        of_full = _Ledger((0, 0), (0, 1), (leave, use), leave, full * high - poor)
        above = case.q * short
        rich, use, leave = _filling(values, case.upper, above, short * parallel - above, richest=True)
        of_short = _Ledger((1, 0), (0, 0), (use, leave), leave, rich - short * low)
        yield _Ledger(
            (full, 0),
            (0, short),
            (
                short * of_full.cell[0] + full * of_short.cell[0],
                short * of_full.cell[1] + full * of_short.cell[1],
            ),
            short * of_full.spare + full * of_short.spare,
            short * of_full.total + full * of_short.total,
        )
        yield of_full
        yield of_short
    lower_used = columns.places - case.used
    rich, use, leave = _filling(values, case.upper, case.used, lower_used, richest=True)
    yield _Ledger((1, 1), (0, 0), (use, use), leave, rich - series * low)
    poor, use, leave = _filling(values, case.upper, case.used, lower_used, richest=False)
    yield _Ledger((0, 0), (1, 1), (use, use), leave, series * high - poor)


def _filling(values: Ints, upper: int, from_upper: int, from_lower: int, *, richest: bool) -> tuple[int, Ints, Ints]:
    """Return the total of the richest (poorest) choice of cells, and the price of straying from it.

    The prices are those of using a cell that is not in the choice and of leaving out one that is: the
    distance of its value from that of the last cell chosen in its class.
    """
    use, leave = np.zeros(len(values), dtype=np.int64), np.zeros(len(values), dtype=np.int64)
    total = 0
    for start, stop, count in ((0, upper, from_upper), (upper, len(values), from_lower)):
        if not count:
            continue
        ours = values[start:stop]
        if richest:
            total += int(ours[:count].sum())
            behind = ours[count - 1] - ours
        else:
            total += int(ours[len(ours) - count :].sum())
            behind = ours - ours[len(ours) - count]
        use[start:stop] = np.maximum(0, behind)
        leave[start:stop] = np.maximum(0, -behind)
    return total, use, leave


def _affordable(columns: Columns, ledger: _Ledger, kept: Ints, q: int, must: Flags, low: int, high: int) -> Ints:
    """Return which columns can be part of a cover whose prices add up to at most the ledger's total.

    A cell outside a column is paid for too: it is in another column, and its share of the least price of
    those is a P-th, or it stays spare. And one other column costs all of the least price of any such cell.
    Taking columns out raises the least prices, so this is repeated.
    """
    total, parallel = ledger.total, columns.parallel
    kept, prices = ledger.prices(columns, kept, q, low, high)
    while len(kept) >= columns.series:
        members = columns.members[:, kept]
        least = np.full(len(must), _NEVER)
        for cells in members:
            np.minimum.at(least, cells, prices)
        if (least[must] == _NEVER).any():
            return kept[:0]
        share = np.minimum(least, np.where(must, _NEVER, ledger.spare * parallel))
        rest = int(share.sum()) - share[members].sum(axis=0)
        good = parallel * prices + rest <= parallel * total
        good &= prices + _dearest_outside(members, np.where(must, least, 0)) <= total
        if good.all():
            break
        kept, prices = kept[good], prices[good]
    return kept


def _dearest_outside(members: Ints, price: Ints) -> Ints:
    """Return for each column the largest price of any cell not in it."""
    dearest = np.zeros(members.shape[1], dtype=np.int64)
    for cell in np.argsort(-price, kind="stable")[len(members) :: -1].tolist():
        dearest = np.where((members == cell).any(axis=0), dearest, price[cell])
    return dearest
