"""The exact engine: constraint models solved by OR-Tools CP-SAT. The only place that talks to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
from ortools.sat.python import cp_model

from cellmatch.grouping.tray import Ints

SOLVER = f"OR-Tools {'.'.join(version('ortools').split('.')[:2])} CP-SAT"

MOST_ASSIGNMENT_VARIABLES = 60_000
"""Cells x groups above which the assignment model is not built: it would only give up."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Effort:
    """What a search may spend.

    Parameters
    ----------
    seconds : float
        [s] Wall clock, or the solver's deterministic time where `reproducible`.
    seed : int
    reproducible : bool
        One worker and deterministic time instead of two workers and the clock.
    """

    seconds: float
    seed: int = 0
    reproducible: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """Answer of an exact search.

    Parameters
    ----------
    groups : ndarray of int, shape (S, P), or None
        Best grouping found; None where none was.
    bound : int
        Proved limit of the value sought, in steps.
    proven : bool
        The grouping is the best there is, or it is proved that there is none.
    """

    groups: Ints | None
    bound: int
    proven: bool


def assign(
    steps: Ints,
    series: int,
    parallel: int,
    hint: Ints,
    effort: Effort,
    *,
    spread_bound: int,
    weakest_bound: int,
    weakest_at_least: int | None = None,
    spread_at_most: int | None = None,
    strongest_weakest: bool = False,
    on_better: Callable[[Ints], None] | None = None,
    halt: Callable[[], bool] = lambda: False,
) -> Found:
    """Search with one yes/no variable for each cell in each group.

    The least spread is sought, with the weakest group at least `weakest_at_least`; or, with
    `strongest_weakest`, the strongest weakest group with the spread at most `spread_at_most`.

    Groups are alike, so with every cell in use they may be numbered by their first cell; cells are taken
    farthest from the middle first, because the outliers decide, and the k-th cell only goes to groups 0 … k.
    The hint is renumbered to keep that rule.
    """
    cells = len(steps)
    model = cp_model.CpModel()
    first_to_last = np.argsort(-np.abs(steps - int(np.median(steps))), kind="stable")
    everything_used = cells == series * parallel
    takes = [[model.new_bool_var("") for _ in range(series)] for _ in range(cells)]
    for rank, cell in enumerate(first_to_last):
        if everything_used:
            model.add_exactly_one(takes[cell])
            for group in range(rank + 1, series):
                model.add(takes[cell][group] == 0)
        else:
            model.add_at_most_one(takes[cell])
    widest = int(np.sort(steps)[::-1][:parallel].sum())
    narrowest = int(np.sort(steps)[:parallel].sum())
    low = model.new_int_var(narrowest if weakest_at_least is None else weakest_at_least, weakest_bound, "low")
    high = model.new_int_var(narrowest, widest, "high")
    for group in range(series):
        column = [takes[cell][group] for cell in range(cells)]
        model.add(sum(column) == parallel)
        total = cp_model.LinearExpr.weighted_sum(column, steps.tolist())
        model.add(total >= low)
        model.add(total <= high)
    model.add(high - low >= spread_bound)
    if spread_at_most is not None:
        model.add(high - low <= spread_at_most)
    if strongest_weakest:
        model.maximize(low)
    else:
        model.minimize(high - low)
    group_of = _group_of(hint, cells)
    if everything_used:
        _renumber(group_of, first_to_last)
    for cell in range(cells):
        for group in range(series):
            model.add_hint(takes[cell][group], bool(group_of[cell] == group))
    watch = _Watch(takes, series, parallel, on_better, halt)
    solver = _solver(effort)
    status = solver.solve(model, watch)
    if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        groups = _groups_of([[solver.boolean_value(t) for t in row] for row in takes], series, parallel)
        return Found(
            groups=groups, bound=round(solver.best_objective_bound), proven=status == cp_model.OPTIMAL
        )
    bound = weakest_bound if strongest_weakest else spread_bound
    return Found(groups=None, bound=bound, proven=status == cp_model.INFEASIBLE)


def _solver(effort: Effort) -> cp_model.CpSolver:
    solver = cp_model.CpSolver()
    solver.parameters.random_seed = effort.seed % 2**31
    if effort.reproducible:
        solver.parameters.num_workers = 1
        solver.parameters.max_deterministic_time = effort.seconds
    else:
        solver.parameters.num_workers = 2
        solver.parameters.max_time_in_seconds = effort.seconds
    return solver


def _group_of(groups: Ints, cells: int) -> Ints:
    group_of = np.full(cells, -1)
    group_of[groups.ravel()] = np.repeat(np.arange(len(groups)), groups.shape[1])
    return group_of


def _renumber(group_of: Ints, first_to_last: Ints) -> None:
    number: dict[int, int] = {}
    for group in group_of[first_to_last].tolist():
        number.setdefault(group, len(number))
    group_of[:] = [number[group] for group in group_of.tolist()]


def _groups_of(taken: list[list[bool]], series: int, parallel: int) -> Ints:
    return np.array([[c for c in range(len(taken)) if taken[c][g]] for g in range(series)]).reshape(
        series, parallel
    )


class _Watch(cp_model.CpSolverSolutionCallback):
    """Hand every better answer on while the solver runs, and stop it when told to."""

    def __init__(
        self,
        takes: list[list[cp_model.IntVar]],
        series: int,
        parallel: int,
        on_better: Callable[[Ints], None] | None,
        halt: Callable[[], bool],
    ) -> None:
        super().__init__()
        self._takes, self._shape, self._on_better, self._halt = takes, (series, parallel), on_better, halt

    def on_solution_callback(self) -> None:
        """Take a better answer from the solver."""
        if self._on_better is not None:
            taken = [[self.boolean_value(t) for t in row] for row in self._takes]
            self._on_better(_groups_of(taken, *self._shape))
        if self._halt():
            self.stop_search()
