"""A first grouping that keeps all rules; or, where there is none, which rule is in the way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.random import Generator

from cellmatch.errors import Problem, RulesInfeasible
from cellmatch.grouping.allowance import Allowance
from cellmatch.grouping.bounds import descending, weakest_bound
from cellmatch.grouping.demands import demands_of
from cellmatch.grouping.improve import even_out
from cellmatch.grouping.pool import Ints, Pool
from cellmatch.grouping.rules import Rule
from cellmatch.grouping.split import fold, selections
from cellmatch.grouping.task import NOTHING_BROKEN, Task

_SELECTIONS_TRIED = 6
_ROUNDS = 20
_WORK_A_RULE, _LEAST_WORK = 1.0, 0.2
"""[s] Work to look for a grouping with one rule relaxed, and for one with all rules however short the time: without a
grouping there is nothing to answer with."""


def first_grouping(task: Task, pool: Pool, random: Generator, allowance: Allowance) -> Ints:
    """Return a grouping that keeps the demands, folded or repaired, or else from the exact engine.

    Raises
    ------
    RulesInfeasible
        There is none, with the single rules that, relaxed, would make it possible; or none was found.
    """
    if pool.blank_groups and not task.demands.rules:
        return _dealt(pool)
    for tried, cells in enumerate(selections(task)):
        groups = fold(task.values, cells, task.series, task.parallel)
        if task.demands.nothing:
            return groups
        groups = even_out(task, groups, random, NOTHING_BROKEN, allowance, stalled=_ROUNDS)
        if task.keeps_all(groups):
            return groups
        if tried + 1 >= _SELECTIONS_TRIED:
            break
    found, impossible = _any_grouping(task, pool, allowance, max(_LEAST_WORK, allowance.left()))
    if found is not None:
        return found
    raise RulesInfeasible(_what_is_in_the_way(task.demands.rules, pool, allowance, impossible))


def _dealt(pool: Pool) -> Ints:
    """Return the largest cells dealt to and fro over groups that differ in size, each filled up with its blanks."""
    groups = np.full((pool.series, pool.parallel), -1)
    groups[np.arange(pool.parallel) >= np.array(pool.sizes)[:, None]] = np.arange(pool.cells, len(pool.steps))
    dealt = 0
    for place in range(pool.parallel):
        still_open = np.flatnonzero(groups[:, place] < 0)[:: -1 if place % 2 else 1]
        groups[still_open, place] = np.arange(dealt, dealt + len(still_open))
        dealt += len(still_open)
    return groups


def _any_grouping(task: Task, pool: Pool, allowance: Allowance, work: float) -> tuple[Ints | None, bool]:
    from cellmatch.grouping import exact

    if not exact.can_assign(task):
        return None, False
    weakest_at_most = weakest_bound(descending(task.values), task.series, task.parallel)
    wish = exact.Wish(spread_at_least=0, weakest_at_most=weakest_at_most, any_will_do=True)
    answer = exact.assign(task, pool, wish, None, allowance, work, workers=1)
    return answer.groups, answer.groups is None and answer.settled


def _what_is_in_the_way(rules: Sequence[Rule], pool: Pool, allowance: Allowance, impossible: bool) -> list[Problem]:
    """Return in words what stands in the way: each rule without which the others can be kept is named."""
    said = [f"'{rule.words}'" for rule in rules]
    if len(rules) == 1:
        helps = []
    else:
        helps = [said[dropped] for dropped in range(len(rules)) if _kept_without(rules, dropped, pool, allowance)]
    if impossible:
        found = f"no grouping of these cells keeps {'all of ' if len(rules) > 1 else ''}{', '.join(said)}"
    else:
        found = f"no grouping was found that keeps {', '.join(said)}; give it more seconds"
    if helps:
        return [Problem("rules", f"{found}; without {'any one of ' * (len(helps) > 1)}{', '.join(helps)} there is one")]
    return [Problem("rules", f"{found}; leaving out one rule is not enough" if impossible and rules[1:] else found)]


def _kept_without(rules: Sequence[Rule], dropped: int, pool: Pool, allowance: Allowance) -> bool:
    """Return whether a grouping was found that keeps all rules but one."""
    others = [rule for place, rule in enumerate(rules) if place != dropped]
    task = Task(values=pool.steps, series=pool.series, parallel=pool.parallel, demands=demands_of(others, pool))
    return _any_grouping(task, pool, allowance, _WORK_A_RULE)[0] is not None
