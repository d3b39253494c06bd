"""The local search: moves repeated until nothing is gained, and shaken loose again.

Every function is bounded by counts, never by a clock, so that its answer depends on the cells and the seed
alone; the allowance only ends it early.

References
----------
Frangioni, Necciari, Scutellà (2004), A multi-exchange neighborhood for minimum makespan parallel machine scheduling
problems, J. Comb. Optim. 8(2), 195-220: moves that exchange many items at once reach what single swaps can't.
Lourenço, Martin, Stützle (2003), Iterated local search, Handbook of Metaheuristics, Kluwer, 321-353.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.random import Generator

from cellmatch.grouping.allowance import Allowance
from cellmatch.grouping.moves import resplit, trade_spares, ways_tried
from cellmatch.grouping.pool import Ints
from cellmatch.grouping.task import Task

MOST_ROUNDS = 2000
CHAINS = 16
"""Groupings that are shaken side by side: numpy takes hardly longer for 16 small ones than for one."""
_PLACES_AT_ONCE = 20_000
_WORSE_ALLOWED = 1.05
_IDLE_AFTER_KICK = 6
_WORK_PER_ROUND, _WORK_PER_WAY, _KEEPING_COSTS = 4e-4, 1e-8, 4
"""[s] What a round costs, and each way to move that is looked at in it; times more where demands are kept."""


def stalled_rounds(series: int) -> int:
    """Return the rounds without a gain after which a search ends: every group should meet most others."""
    return min(80, 20 + 2 * series)


def even_out(
    task: Task,
    grouping: Ints,
    random: Generator,
    goal: float,
    allowance: Allowance,
    *,
    stalled: int | None = None,
    with_spares: bool = True,
) -> Ints:
    """Return a grouping after re-splitting pairs, and trading with the spares, until `goal` or no more gain.

    Parameters
    ----------
    grouping : ndarray of int, shape (S, P)
    goal : float
        Merit at which to stop.
    stalled : int, optional
        Rounds without a gain after which to stop.
    """
    idle = stalled_rounds(task.series) if stalled is None else stalled
    evened = even_out_all(task, grouping[None], random, goal, allowance, idle, with_spares=with_spares)
    return np.asarray(evened[0])


def even_out_all(
    task: Task,
    groupings: Ints,
    random: Generator,
    goal: float,
    allowance: Allowance,
    most_idle: int,
    *,
    with_spares: bool = True,
) -> Ints:
    """Return several groupings, shape (B, S, P), each evened out; ends when one reaches the goal or all stall.

    Even rounds pair the i-th highest group with the i-th lowest, which takes most off the spread; odd rounds pair at
    random, so that every group meets others than its opposite.
    """
    now = groupings.copy()
    best, best_merits = groupings.copy(), task.merits(groupings)
    idle = np.zeros(len(groupings), dtype=np.int64)
    trading = with_spares and not task.all_used
    spares = task.spares(now) if trading else np.empty((len(now), 0), dtype=np.int64)
    for turn in range(MOST_ROUNDS):
        if best_merits.min() <= goal or idle.min() >= most_idle or task.series < 2 or allowance.halted():
            break
        resplit(task, now, *(_random_pairs(now, random) if turn % 2 else _opposite_pairs(task, now)))
        if trading:
            trade_spares(task, now, spares, random)
        work = _WORK_PER_ROUND + _WORK_PER_WAY * len(now) * task.series * ways_tried(task)
        allowance.spend(work if task.plain else _KEEPING_COSTS * work)
        merits = task.merits(now)
        better = merits < best_merits
        best[better], best_merits[better] = now[better], merits[better]
        idle = np.where(better, 0, idle + 1)
    return best


def _opposite_pairs(task: Task, groupings: Ints) -> tuple[Ints, Ints]:
    order = np.argsort(-task.sums(groupings), axis=1, kind="stable")
    half = order.shape[1] // 2
    return order[:, :half], order[:, ::-1][:, :half]


def _random_pairs(groupings: Ints, random: Generator) -> tuple[Ints, Ints]:
    order = np.tile(np.arange(groupings.shape[1]), (len(groupings), 1))
    random.permuted(order, axis=1, out=order)
    half = order.shape[1] // 2
    return order[:, :half], order[:, half : 2 * half]


def shake(
    task: Task,
    grouping: Ints,
    random: Generator,
    goal: float,
    kicks: int,
    allowance: Allowance,
    on_better: Callable[[Ints], None],
    *,
    with_spares: bool = True,
) -> None:
    """Hand on every better grouping of many local searches, each from one of which a few groups were mixed.

    This is iterated local search (Lourenço et al.): a kick is large enough to leave the best of the neighbourhood and
    small enough to keep most of the grouping. Several chains run side by side. A kick mixes the cells of 2 to 6
    groups; its outcome is kept unless what it lacks to the goal is over 5 % more.
    """
    chains = max(1, min(CHAINS, _PLACES_AT_ONCE // task.places))
    now = np.repeat(grouping[None], chains, axis=0)
    merits = task.merits(now)
    best = float(merits[0])
    for _ in range(-(-kicks // chains)):
        if best <= goal or task.series < 2 or allowance.halted():
            break
        kicked = _kicked(now, random)
        kicked = even_out_all(task, kicked, random, goal, allowance, _IDLE_AFTER_KICK, with_spares=with_spares)
        new = task.merits(kicked)
        kept = new - goal <= _WORSE_ALLOWED * (merits - goal) + 1
        now[kept], merits[kept] = kicked[kept], new[kept]
        if new.min() < best:
            best = float(new.min())
            on_better(kicked[int(new.argmin())])


def _kicked(groupings: Ints, random: Generator) -> Ints:
    kicked = groupings.copy()
    series = groupings.shape[1]
    for grouping in kicked:
        mixed = random.choice(series, size=min(series, int(random.integers(2, 7))), replace=False)
        grouping[mixed] = random.permutation(grouping[mixed].ravel()).reshape(len(mixed), -1)
    return kicked
