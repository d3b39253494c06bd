"""Several packs from one tray: which groups share a pack, and each pack's own search with the spares of all.

All groups of all packs are found at once, as if they were one long pack; groups near in capacity then make a
pack, so that what differs between packs does no harm inside any. Where a pack is not yet at its bound it is
searched alone: its own cells and some of the spares, which it gives back in exchange.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from cellmatch.errors import Problem, TooFewCells
from cellmatch.grouping.columns import MOST_COLUMNS, count_columns
from cellmatch.grouping.pool import TENTHS_PER_MAH, Ints, Pool
from cellmatch.grouping.result import Grouping
from cellmatch.grouping.search import Search
from cellmatch.pack.spec import Pack

MOST_OFFERED = 40
"""Spare cells that a pack's own search may use: few enough for the exact columns in packs of a usual size."""


def in_packs(values: Ints, groups: Ints, packs: int) -> Ints:
    """Return the groups in the order of their sums, largest first, shape (packs, S, P).

    No other way to make packs of these groups has a smaller spread inside the worst pack: where two packs
    overlap, exchanging their groups so that they don't makes neither range wider than the wider was.

    Examples
    --------
    >>> import numpy as np
    >>> values = np.array([5, 1, 4, 2])
    >>> in_packs(values, np.array([[0], [1], [2], [3]]), 2).tolist()
    [[[0], [2]], [[3], [1]]]
    """
    order = np.argsort(-values[groups].sum(axis=1), kind="stable")
    return np.asarray(groups[order].reshape(packs, -1, groups.shape[1]))


def searches_of_packs(search: Search) -> Iterator[tuple[Search, Callable[[], None]]]:
    """Yield for each pack, the one with the widest spread first, its search, and how to keep its answer.

    A pack's search starts from its groups at hand and may trade with spares that no pack uses. What it finds
    counts once the function yielded with it is called; the packs' groups then stand in `search.best`, pack
    after pack.
    """
    pool, packs = search.pool, search.packs
    cut = in_packs(pool.steps, search.best, packs)
    search.best, search.cut = cut.reshape(-1, pool.parallel), True
    sums = pool.steps[cut].sum(axis=2)
    for number in np.argsort(-np.ptp(sums, axis=1), kind="stable").tolist():
        spares = search.capacity_task("").spares(search.best[None])[0]
        offered = _offered(search, spares[spares < pool.cells])
        cells = np.sort(np.concatenate((cut[number].ravel(), offered)))
        own = pool.part(cells, (pool.parallel,) * (pool.series // packs))
        alone = Search(
            pool=own,
            rules=search.rules.among(cells),
            wishes=search.wishes,
            allowance=search.allowance,
            report=lambda groups, stage: None,
            before_exact=search.before_exact,
            served=list(search.served),
            begun=True,
        )
        alone.best = np.searchsorted(cells, cut[number])

        def keep(alone: Search = alone, cells: Ints = cells, number: int = number) -> None:
            cut[number] = cells[alone.best]  # a view into the best of all

        yield alone, keep


def strongest_first(search: Search) -> None:
    """Put the packs in the order of their weakest groups, the strongest first."""
    packs = search.best.reshape(search.packs, -1, search.pool.parallel)
    weakest = search.pool.steps[packs].sum(axis=2).min(axis=1)
    search.best = packs[np.argsort(-weakest, kind="stable")].reshape(search.best.shape)


def _offered(search: Search, spares: Ints) -> Ints:
    """Return some of the spares, spaced evenly in capacity, so that the columns of the pack can be listed."""
    pool = search.pool
    places = pool.series // search.packs * pool.parallel
    most = MOST_OFFERED
    while most and count_columns(places + most, pool.parallel) > MOST_COLUMNS >= count_columns(places, pool.parallel):
        most -= 1
    if len(spares) <= most:
        return spares
    return spares[np.linspace(0, len(spares) - 1, most).astype(np.int64)] if most else spares[:0]


_SECONDS_A_TRIAL = 0.5


def most_packs(again: Callable[..., Grouping], pool: Pool, pack: Pack, capacity_mah: float, seconds: float) -> Grouping:
    """Group as many packs as reach a capacity, halving what lies between those that do and those that can't.

    Whoever can build K packs can build fewer; and the S·P·K largest cells must hold S·K times the capacity.

    Raises
    ------
    TooFewCells
        Not even one pack reaches it.
    """
    trial = min(seconds, _SECONDS_A_TRIAL)
    largest = np.cumsum(-np.sort(-pool.tenths))
    most = 0
    for count in range(1, pool.cells // pack.places + 1):
        if largest[count * pack.places - 1] >= capacity_mah * TENTHS_PER_MAH * pack.series * count:
            most = count
    reached, best = 0, 0.0
    while most and reached < most:
        count = most if reached == 0 and not best else (reached + most + 1) // 2
        found = again(packs=count, seconds=trial)
        best = max(best, found.weakest_mah)
        if found.weakest_mah >= capacity_mah:
            reached = count
        else:
            most = count - 1
    if not reached:
        if not best and pool.cells >= pack.places:
            best = float(largest[pack.places - 1]) / pack.series / TENTHS_PER_MAH
        raise TooFewCells(
            Problem(
                f"packs {pack} of {capacity_mah:g} mAh",
                f"these {pool.cells} good cells don't make one; the most that one could hold is {best:.0f} mAh",
            )
        )
    return again(packs=reached, seconds=seconds)
