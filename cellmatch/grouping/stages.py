"""For each aim the stages of its search, from the quick to the exact.

Each stage starts from the best grouping and the bound at hand, and the search for an aim ends when they meet. A
later aim keeps what the earlier ones reached, or gives away what it may: the lexicographic method with limits on the
earlier aims. Why each stage is there stands with it here; how it works, and from whom it is, in its module.

References
----------
Ehrgott (2005), Multicriteria Optimization, 2nd ed., Springer: 4.1 limits on the other aims, 5.1 lexicographic order.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from cellmatch.grouping import company
from cellmatch.grouping.bounds import descending, spread_bound, spread_bound_at
from cellmatch.grouping.columns import MOST_COLUMNS, Columns, columns_of, count_columns
from cellmatch.grouping.equal_sums import can_be_equal, equal_sums
from cellmatch.grouping.improve import even_out, shake
from cellmatch.grouping.pool import Ints
from cellmatch.grouping.search import Search
from cellmatch.grouping.split import fold, selections, with_total
from cellmatch.grouping.task import Task
from cellmatch.grouping.wander import can_wander, wander

KICKS, FEW_KICKS = 320, 64
"""Kicks of the shaken search: few where the exact columns follow."""

TINY = 1000
"""So few columns are searched at once."""

FAR = 24
"""That far from the bound the columns have much to do, and a better start is worth the kicks; nearer they are quicker
than the kicks."""

MOST_SELECTIONS, FEW_SELECTIONS = 64, 6
"""Selections of cells to start from: few where the exact columns follow."""

NEARLY = 5
"""So many steps inside the worst of several packs are left to each pack's own search."""

BRIEF = 10
"""Rounds without a gain after which a first, brief search ends."""

OUTLIERS_RULE = 5
"""With all cells used, a bound of so many steps comes from outliers; the assignment model is quick there."""

_MOST_LESS = 8
"""Steps by which a group's share may fall for the sake of a total that divides evenly."""

_BRIEF_S = 0.5

_WORK_PER_LISTED = 6e-7
"""[s] What it costs to list a column."""

_Stage = Callable[[Search, Task, int], None]


def serve_spread(search: Search) -> bool:
    """Seek the least capacity spread."""
    task = search.capacity_task("spread")
    search.spread_bound = max(search.spread_bound, _bound_given_the_weakest(search, task))
    if task.spread(search.best) == 0:
        return True
    if not search.served and not search.begun:
        _from_selections(search, task)
    elif search.served in ([], ["weakest"]):
        _from_equal_shares(search, task)
    _equalise(search, task, partial(_spread_goal, search))
    return True


def _bound_given_the_weakest(search: Search, task: Task) -> int:
    """Return what the strength of the weakest group, where it was sought before, proves about the spread."""
    lows = [window.low for window in task.demands.windows if window.values is task.values]
    if not lows or search.packs > 1:
        return 0
    return spread_bound_at(descending(task.values), task.series, task.parallel, max(lows))


def _spread_goal(search: Search) -> int:
    enough = search.steps(search.wishes.floor_mah) if search.wishes.floor_is_enough else 0
    return max(search.spread_bound, enough)


def _from_selections(search: Search, task: Task) -> None:
    """Even out the first grouping and groupings of other selections of cells, briefly.

    Which cells stay spare decides more than how the rest are shared out: alike cells make alike groups, and of two
    lots every group has to get the same number of each (`split.selections`).
    """
    goal = _spread_goal(search)
    few = count_columns(len(task.values), task.parallel) <= MOST_COLUMNS
    most = FEW_SELECTIONS if few or search.packs > 1 else MOST_SELECTIONS
    if few and task.demands.checks:
        most = 1
    _by_equal_sums(search, task)
    if task.spread(search.best) <= goal:
        return
    for tried, cells in enumerate(selections(task)):
        if tried == most or search.allowance.halted():
            break
        groups = fold(task.values, cells, task.series, task.parallel)
        groups = even_out(task, groups, search.random, goal, search.allowance, stalled=BRIEF)
        search.offer(task, groups, "selections" if tried else "re-split")
        enough = max(goal, NEARLY) if search.packs > 1 else goal
        if task.merit(search.best) <= enough or task.all_used:
            break


def _by_equal_sums(search: Search, task: Task) -> None:
    """Put together groups of one sum, where there are spares: then there are so many that a greedy choice will do."""
    if can_be_equal(task):
        groups = equal_sums(task, search.random, search.allowance)
        if groups is not None:
            search.offer(task, groups, "equal sums")


def _from_equal_shares(search: Search, task: Task) -> None:
    """Use cells whose total shares out evenly: to the weakest group there is, or a few steps less where that may be.

    Spread 0 needs a total that S divides; no move between groups changes the total, so the cells have to.
    """
    if task.spread(search.best) <= _spread_goal(search) or task.demands.checks:
        return
    _by_equal_sums(search, task)
    plain, start = replace(task, demands=search.rules), search.best
    spares, evened = task.spares(start[None])[0], None
    for less in range(1 if search.served else _MOST_LESS):
        if task.spread(search.best) <= _spread_goal(search) or search.allowance.halted():
            break
        total = task.series * (task.weakest(start) - less)
        cells = with_total(task.values, start.ravel(), spares, total)
        if cells is not None:
            groups = fold(task.values, cells, task.series, task.parallel)
            idle = None if search.served else BRIEF
            evened = even_out(plain, groups, search.random, 0, search.allowance, stalled=idle, with_spares=False)
            search.offer(task, evened, "selections")
    few = count_columns(len(task.values), task.parallel) <= MOST_COLUMNS
    if evened is not None and not few and task.spread(search.best) > _spread_goal(search):
        # the total stays one that shares out evenly, which trades with the spares would spoil
        offer = partial(search.offer, task, stage="shaken")
        shake(plain, evened, search.random, 0, KICKS, search.allowance, offer, with_spares=False)


def _equalise(search: Search, task: Task, goal: Callable[[], int]) -> None:
    """Bring the sums of a task's values closer together, down to the goal; note better bounds of capacity."""
    for stage in _ways_to_equalise(search, task):
        if task.merit(search.best) <= goal() or search.allowance.halted():
            break
        stage(search, task, goal())


def _ways_to_equalise(search: Search, task: Task) -> list[_Stage]:
    """Return the stages for a task, quick ones first."""
    if search.packs > 1:
        if not task.all_used and task.merit(search.best) <= NEARLY:
            return []  # with spares at hand each pack's own search does the rest
        return [_by_resplitting, _by_shaking]
    of_capacity = _of_capacity(search, task)
    columns = count_columns(len(task.values), task.parallel)
    outliers_rule = of_capacity and task.all_used and search.spread_bound >= OUTLIERS_RULE
    briefly = [_by_assignment_briefly] if outliers_rule and task.parallel > 3 else []
    # with spares equal sums were tried, which do better than a walk that has to trade
    walk = can_wander(task) and (task.all_used or not of_capacity)
    if columns <= TINY or (task.demands.checks and columns <= MOST_COLUMNS):
        return [_by_columns]  # rules make every move slow and the columns few
    if columns <= MOST_COLUMNS:
        loosen = [_by_wandering] if walk else [partial(_by_shaking, kicks=FEW_KICKS), _by_shaking_if_far]
        # a walk ends so near that columns of conductance find no more
        exactly = [_by_columns] if of_capacity or not walk else []
        exactly += [_by_assignment] if outliers_rule else []
        return [_by_resplitting, *loosen, *briefly, *exactly]
    last = [_by_assignment] if of_capacity else []
    return [_by_resplitting, *([_by_wandering] if walk else []), *briefly, _by_shaking, *last]


def _of_capacity(search: Search, task: Task) -> bool:
    return task.values is search.pool.steps


def _by_resplitting(search: Search, task: Task, goal: int) -> None:
    """Let pairs of groups share out anew: from 100 cells on this alone reaches the bound on trays of one lot."""
    groups = even_out(task, search.best, search.random, goal, search.allowance)
    search.offer(task, groups, "re-split")


def _by_wandering(search: Search, task: Task, goal: int) -> None:
    """Walk among groupings near the sums that would be the best there could be, where pairs can gain no more."""
    within = None
    if _of_capacity(search, task) and task.all_used:
        within = search.weakest_bound, search.weakest_bound + search.spread_bound
    offer = partial(search.offer, task, stage="wandering")
    wander(task, search.best, search.random, goal, search.allowance, offer, within)


def _by_shaking(search: Search, task: Task, goal: int, kicks: int = KICKS) -> None:
    """Mix a few groups and even out again: the way out of a grouping that no pair can better, at any size."""
    offer = partial(search.offer, task, stage="shaken")
    shake(task, search.best, search.random, goal, kicks, search.allowance, offer)


def _by_shaking_if_far(search: Search, task: Task, goal: int) -> None:
    if task.merit(search.best) - goal > FAR:
        _by_shaking(search, task, goal)


def _by_columns(search: Search, task: Task, goal: int) -> None:
    """List all groups and ask which windows of sums hold a grouping: proves the answer in groups of up to 4."""
    from cellmatch.grouping import proof

    search.before_exact()
    bound = proof.least_spread(
        _listed(search, task),
        task.spread(search.best),
        goal,
        search.allowance,
        partial(search.offer, task, stage="columns"),
        nearly_there=task.all_used and _of_capacity(search, task),
    )
    _raise_bound(search, task, bound, goal)


def _listed(search: Search, task: Task) -> Columns:
    search.allowance.spend(_WORK_PER_LISTED * count_columns(len(task.values), task.parallel))
    return columns_of(task)


def _by_assignment_briefly(search: Search, task: Task, goal: int) -> None:
    """Give the assignment model a short turn: with outliers numbered first it often proves the bound at once."""
    _assign(search, task, goal, work=min(_BRIEF_S, search.allowance.left() / 3), workers=1)


def _by_assignment(search: Search, task: Task, goal: int) -> None:
    """Let two workers race with what is left: the last resort."""
    before = search.best
    _assign(search, task, goal, work=search.allowance.left(), workers=2)
    if search.best is not before:
        search.allowance.note_race()


def _assign(search: Search, task: Task, goal: int, work: float, workers: int) -> None:
    from cellmatch.grouping import exact

    if not exact.can_assign(task):
        return
    search.before_exact()
    wish = exact.Wish(spread_at_least=goal, weakest_at_most=search.weakest_bound)
    offer = partial(search.offer, task, stage="CP-SAT")
    answer = exact.assign(task, search.pool, wish, search.best, search.allowance, work, workers, offer)
    if answer.groups is not None:
        offer(answer.groups)
    _raise_bound(search, task, round(answer.bound), goal)


def _raise_bound(search: Search, task: Task, bound: int, goal: int) -> None:
    """Take a bound on the spread. That of a search that would have ended at the goal is a proof only above it."""
    if _of_capacity(search, task) and bound > goal:
        search.spread_bound = max(search.spread_bound, bound)


def serve_weakest(search: Search) -> bool:
    """Seek the strongest weakest group whose spread stays within the group uncertainty, or what it was before."""
    task = search.capacity_task("weakest")
    widest = search.widest()
    found = _strongest_selection(search, task, widest)
    if "spread" in search.served and (found is None or task.weakest(found) <= search.weakest()):
        found = search.best
    if found is None:
        if not search.served:
            _from_selections(search, task)
        _equalise(search, task, lambda: max(search.spread_bound, widest))
        found = search.best if task.merit(search.best) <= widest else None
    if found is None:
        search.notes.append(
            f"weakest group: no grouping was found whose spread lies within the group uncertainty of "
            f"{search.wishes.group_uncertainty_mah:.1f} mAh, so the spread rules"
        )
        return False
    search.best = found
    search.report(found, "selections")
    _prove_weakest(search, task, widest)
    return True


def _strongest_selection(search: Search, task: Task, widest: int) -> Ints | None:
    """Slide down the sorted cells, the strongest selection first, until no mean can beat the weakest group."""
    best: Ints | None = None
    for tried, cells in enumerate(selections(task, strongest_first=True)):
        mean = int(task.values[cells].sum()) // task.series
        if search.allowance.halted() or (best is not None and mean <= task.weakest(best)):
            break
        goal = spread_bound(descending(task.values[cells]), task.series, task.parallel)
        groups = fold(task.values, cells, task.series, task.parallel)
        groups = even_out(task, groups, search.random, goal, search.allowance, with_spares=False)
        if not tried and task.spread(groups) > goal:
            shaken = [groups]
            shake(task, groups, search.random, goal, KICKS, search.allowance, shaken.append, with_spares=False)
            groups = shaken[-1]
        if task.merit(groups) <= widest and (best is None or task.weakest(groups) > task.weakest(best)):
            best = groups
    return best


def _prove_weakest(search: Search, task: Task, widest: int) -> None:
    """Raise the weakest group and lower its bound until they meet."""

    def offer(groups: Ints, stage: str) -> None:
        if task.merit(groups) <= widest and task.weakest(groups) > search.weakest():
            search.best = groups
            search.report(groups, stage)

    def open_still() -> bool:
        return search.weakest() < search.weakest_bound and not search.allowance.halted()

    if not open_still() or search.packs > 1:
        return
    search.before_exact()
    if count_columns(len(task.values), task.parallel) <= MOST_COLUMNS:
        from cellmatch.grouping import proof

        search.weakest_bound = proof.strongest_weakest(
            _listed(search, task),
            search.weakest(),
            search.weakest_bound,
            widest,
            search.allowance,
            partial(offer, stage="columns"),
        )
    from cellmatch.grouping import exact

    if open_still() and exact.can_assign(task):
        wish = exact.Wish(
            spread_at_least=0,
            weakest_at_most=search.weakest_bound,
            spread_at_most=widest,
            weakest_at_least=search.weakest(),
            strongest_weakest=True,
        )
        watch, before = partial(offer, stage="CP-SAT"), search.best
        work = search.allowance.left()
        answer = exact.assign(task, search.pool, wish, search.best, search.allowance, work, 2, watch)
        if answer.groups is not None:
            watch(answer.groups)
        if search.best is not before:
            search.allowance.note_race()
        search.weakest_bound = min(search.weakest_bound, round(answer.bound))


def serve_conductance(search: Search) -> bool:
    """Seek equal group conductances, down to the noise of a resistance meter.

    Groups in series carry one current; with equal conductances they sag and warm alike, so none reaches a limit of
    voltage first. Capacities keep what was reached, or differ by the group uncertainty where that may be spent.
    """
    if not company.known_resistances(search.pool).any():
        search.notes.append("no resistance given: the aim conductance is left out")
        return False
    missing = int((~company.known_resistances(search.pool)).sum())
    if missing:
        search.notes.append(f"conductance: {missing} cells without a resistance count with the median")
    task = search.task(search.conductance, "conductance")
    goal = search.conductance_goal()
    _equalise(search, task, lambda: goal)
    if goal and task.spread(search.best) <= goal:
        search.notes.append("conductance: equal within 0.5 %, the noise of a resistance meter")
    return True


def serve_range(search: Search) -> bool:
    """Seek cells in each group that are alike in resistance and voltage: they share current, and settle gently."""
    task = replace(search.capacity_task("range"), unlike=company.unlikeness(search.pool))
    search.offer(task, even_out(task, search.best, search.random, -1, search.allowance), "re-split")
    _by_shaking(search, task, -1, FEW_KICKS)
    return True


SERVE: dict[str, Callable[[Search], bool]] = {
    "weakest": serve_weakest,
    "spread": serve_spread,
    "conductance": serve_conductance,
    "range": serve_range,
}
"""The aims: a new one is a function and its line here. Returns False where the aim had to be left out."""
