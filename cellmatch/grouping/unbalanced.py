"""Trays that no grouping balances: which cells are to blame, and what the others would make.

A few cells far from the rest leave a spread that no partner can make up. The bounds prove it; which cells to leave
out is then tried, farthest from the middle first, until the others can be grouped within the floor.
"""

from __future__ import annotations

import numpy as np

from cellmatch.grouping.allowance import NoLimit
from cellmatch.grouping.bounds import descending, spread_bound
from cellmatch.grouping.demands import no_demands
from cellmatch.grouping.improve import even_out
from cellmatch.grouping.pool import TENTHS_PER_MAH, Ints, Pool
from cellmatch.grouping.split import fold
from cellmatch.grouping.task import Task

MOST_LEFT_OUT = 24
"""So many cells at most are named: where more are to blame they are a lot of their own."""
_STALLED = 10


def unbalanced_words(pool: Pool, bound: int, floor_mah: float) -> str:
    """Return that no grouping comes within the floor, and what to do about it; empty text where one may.

    Parameters
    ----------
    pool : Pool
        Of a single pack with groups of one size.
    bound : int
        Proved bound on the spread [steps].
    floor_mah : float
        [mAh] Spread that can't be measured any more.
    """
    floor = int(floor_mah / pool.step_mah)
    if bound <= floor:
        return ""
    start = (
        f"these cells can't be balanced: no grouping has a spread below {bound * pool.step_mah:.0f} mAh, "
        f"the floor is {floor_mah:.0f} mAh"
    )
    farthest = np.argsort(-np.abs(pool.steps - int(np.median(pool.steps))), kind="stable")
    for count in range(1, min(MOST_LEFT_OUT, pool.cells // 4) + 1):
        left = np.sort(farthest[count:])
        series = min(pool.series, len(left) // pool.parallel)
        spread = _quick_spread(pool.part(left, (pool.parallel,) * series), floor)
        if spread is not None:
            named = ", ".join(
                f"{pool.ids[cell]} ({pool.tenths[cell] / TENTHS_PER_MAH:.0f} mAh)" for cell in farthest[:count]
            )
            spread_mah = spread * pool.step_mah
            made = f"the other {len(left)} make {series}s{pool.parallel}p with a spread of {spread_mah:.0f} mAh"
            return f"{start}. Leave out {named}: {made}"
    return f"{start}. No few cells are to blame: the tray holds cells of different capacities; group each kind apart"


def _quick_spread(pool: Pool, floor: int) -> int | None:
    """Return a spread within the floor that the heuristics find at once, None where there is none."""
    values: Ints = pool.steps
    series, parallel = pool.series, pool.parallel
    if not series or spread_bound(descending(values), series, parallel) > floor:
        return None
    task = Task(values=values, series=series, parallel=parallel, demands=no_demands(pool))
    middle = (len(values) - task.places) // 2  # of the sorted cells, those in the middle
    groups = fold(values, np.arange(middle, middle + task.places), series, parallel)
    groups = even_out(task, groups, np.random.default_rng(0), 0, NoLimit(), stalled=_STALLED)
    return task.spread(groups) if task.spread(groups) <= floor else None
