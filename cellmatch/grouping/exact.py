"""The exact engine: models solved by OR-Tools CP-SAT. The only place that talks to it.

The solver runs in a thread of its own, so that the one who waits can stop it at any moment, by Ctrl-C too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from threading import Event, Thread

import numpy as np
from ortools.sat.python import cp_model

from cellmatch.grouping.allowance import Allowance
from cellmatch.grouping.columns import CoverProblem
from cellmatch.grouping.pool import Ints, Pool
from cellmatch.grouping.task import Task

SOLVER = f"OR-Tools {'.'.join(version('ortools').split('.')[:2])} CP-SAT"

MOST_VARIABLES = 60_000
"""Kinds of cells x groups above which the assignment model is not built: it would only give up."""

_POLL_S = 0.05
_LINEAR_FOR_COVERS = 2
"""All constraints go into the linear relaxation, which for covers is nearly whole: many windows are refuted in a tenth
of a second that the usual level leaves open after eight."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What an exact search found.

    Parameters
    ----------
    groups : ndarray of int, shape (S, P), or None
        The best found; None where none was.
    settled : bool
        Nothing is better than `groups`; with None, no grouping exists.
    bound : float
        Proved limit of the value sought.
    """

    groups: Ints | None
    settled: bool
    bound: float


def cover(problem: CoverProblem, series: int, allowance: Allowance, work: float) -> Answer:
    """Choose S of the columns such that no cell stands in two and no cell that must be used in none.

    That is set partitioning, and set packing for cells that may stay spare. One worker: the answer is then the same
    in every run, and these models are too small for two.
    """
    model = cp_model.CpModel()
    order = np.lexsort(problem.members[::-1])
    members = problem.members[:, order].T
    chosen = [model.new_bool_var("") for _ in range(len(members))]
    holding: list[list[cp_model.IntVar]] = [[] for _ in range(len(problem.must))]
    for column, cells in zip(chosen, members.tolist(), strict=True):
        for cell in cells:
            holding[cell].append(column)
    for cell, columns in enumerate(holding):
        if problem.must[cell]:
            model.add_exactly_one(columns)
        elif columns:
            model.add_at_most_one(columns)
    model.add(sum(chosen) == series)
    upper = cp_model.LinearExpr.weighted_sum(chosen, problem.upper[order].tolist())
    model.add(upper == problem.upper_used)
    solver = _Run(model, allowance, work, workers=1, linear_level=_LINEAR_FOR_COVERS)
    if solver.found:
        taken = [column for column, variable in enumerate(chosen) if solver.true(variable)]
        return Answer(groups=members[taken], settled=True, bound=0)
    return Answer(groups=None, settled=solver.impossible, bound=0)


class _Run:
    """One run of the solver in a thread, stopped when the allowance says so."""

    def __init__(
        self,
        model: cp_model.CpModel,
        allowance: Allowance,
        work: float,
        workers: int,
        watch: cp_model.CpSolverSolutionCallback | None = None,
        linear_level: int | None = None,
    ) -> None:
        self.solver = cp_model.CpSolver()
        parameters = self.solver.parameters
        parameters.random_seed = allowance.seed % 2**31
        parameters.catch_sigint_signal = False
        parameters.num_workers = 1 if allowance.reproducible else workers
        parameters.max_deterministic_time = max(0.0, work)
        if linear_level is not None:
            parameters.linearization_level = linear_level
        self.status = cp_model.UNKNOWN
        self.failure: BaseException | None = None
        self._solve(model, watch, allowance)
        allowance.spend(self.solver.deterministic_time)

    def _solve(
        self, model: cp_model.CpModel, watch: cp_model.CpSolverSolutionCallback | None, allowance: Allowance
    ) -> None:
        done = Event()

        def work() -> None:
            try:
                self.status = self.solver.solve(model, watch)
            except BaseException as failure:
                self.failure = failure
            finally:
                done.set()

        thread = Thread(target=work, daemon=True)
        thread.start()
        try:
            while not done.wait(_POLL_S):
                if allowance.halted():
                    self.solver.stop_search()
        except KeyboardInterrupt:
            self.solver.stop_search()
            done.wait()
            thread.join()
            raise
        thread.join()
        if self.failure is not None:
            raise self.failure

    @property
    def found(self) -> bool:
        return self.status in (cp_model.OPTIMAL, cp_model.FEASIBLE)

    @property
    def optimal(self) -> bool:
        return self.status == cp_model.OPTIMAL

    @property
    def impossible(self) -> bool:
        return self.status == cp_model.INFEASIBLE

    def true(self, variable: cp_model.IntVar) -> bool:
        return bool(self.solver.boolean_value(variable))


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """What the assignment model looks for.

    Parameters
    ----------
    spread_at_least, weakest_at_most : int
        Proved bounds.
    spread_at_most, weakest_at_least : int or None
        Limits to keep.
    strongest_weakest : bool
        Maximise the weakest group; else minimise the spread.
    any_will_do : bool
        Stop at the first grouping that keeps all demands.
    """

    spread_at_least: int
    weakest_at_most: int
    spread_at_most: int | None = None
    weakest_at_least: int | None = None
    strongest_weakest: bool = False
    any_will_do: bool = False


def assign(
    task: Task,
    pool: Pool,
    wish: Wish,
    hint: Ints | None,
    allowance: Allowance,
    work: float,
    workers: int,
    on_better: Callable[[Ints], None] | None = None,
) -> Answer:
    """Search with one variable for each kind of cell in each group: how many of them it takes.

    Cells of equal value are of one kind, unless a rule looks at cells one by one: most trays of many cells have few
    different values. Groups are alike unless cells are pinned, so where all cells are used they may be numbered by
    their first cell: the k-th cell only goes to groups 0 … k. Cells are taken farthest from the middle first, because
    the outliers decide. A hint is renumbered to keep that rule.

    References
    ----------
    Law, Lee (2006), Symmetry breaking constraints for value symmetries in constraint satisfaction, Constraints 11,
    doi:10.1007/s10601-006-7095-8: value precedence, here with groups as values.
    """
    model = _Assignment(task, pool)
    low, high = model.sums_between(wish)
    if wish.strongest_weakest:
        model.model.maximize(low)
    elif not wish.any_will_do:
        model.model.minimize(high - low)
    if hint is not None:
        model.hint(hint)
    watch = _Watch(model, on_better)
    solver = _Run(model.model, allowance, work, workers, watch)
    fallback = wish.weakest_at_most if wish.strongest_weakest else wish.spread_at_least
    if solver.found:
        bound = fallback if wish.any_will_do else solver.solver.best_objective_bound
        return Answer(groups=model.groups(solver.solver.value), settled=solver.optimal, bound=bound)
    return Answer(groups=None, settled=solver.impossible, bound=fallback)


def can_assign(task: Task) -> bool:
    """Return whether the assignment model of a task is small enough to be worth building."""
    return len(_kinds(task)) * task.series <= MOST_VARIABLES


def _kinds(task: Task) -> list[list[int]]:
    """Return the cells of each kind: those that no sum tells apart, or each by itself where rules may."""
    if task.demands.rules or task.by_cells or (task.demands.must.any() and not task.all_used):
        return [[cell] for cell in range(len(task.values))]
    told_apart_by = np.stack([task.values, *(window.values for window in task.demands.windows)])
    kind = np.unique(told_apart_by, axis=1, return_inverse=True)[1].ravel()
    order = np.argsort(kind, kind="stable")
    return [cells.tolist() for cells in np.split(order, np.flatnonzero(np.diff(kind[order])) + 1)]


class _Assignment:
    """How many cells of each kind each group takes, and what rules may say about every group (`GroupModel`).

    Rules name cells; with rules each cell is a kind of its own, in the order of the cells.
    """

    def __init__(self, task: Task, pool: Pool) -> None:
        self.task, self.kinds = task, _kinds(task)
        self.model = cp_model.CpModel()
        first = np.array([cells[0] for cells in self.kinds])
        self.takes = [[self._count(len(cells)) for _ in range(task.series)] for cells in self.kinds]
        for cells, row in zip(self.kinds, self.takes, strict=True):
            self._share_out(row, len(cells), all_of_them=task.all_used or bool(task.demands.must[cells[0]]))
        self.numbered: list[int] | None = None
        if task.all_used and not task.demands.pinned:
            distance = np.abs(task.values[first] - int(np.median(task.values)))
            self.numbered = np.argsort(-distance, kind="stable").tolist()
            self._number_groups(self.numbered)
        for group in range(task.series):
            self.model.add(sum(self._column(group, range(len(first)))) == task.parallel)
        for cell, group in task.demands.pinned:
            self.model.add(self.takes[cell][group] == 1)
        for window in task.demands.windows:
            for group in range(task.series):
                total = self._total(group, window.values[first])
                self.model.add_linear_constraint(total, window.low, window.high)
        for rule in task.demands.rules:
            rule.constrain(pool, self)

    def _count(self, cells: int) -> cp_model.IntVar:
        most = min(cells, self.task.parallel)
        return self.model.new_bool_var("") if most == 1 else self.model.new_int_var(0, most, "")

    def _share_out(self, row: list[cp_model.IntVar], cells: int, *, all_of_them: bool) -> None:
        if cells == 1:
            (self.model.add_exactly_one if all_of_them else self.model.add_at_most_one)(row)
        elif all_of_them:
            self.model.add(sum(row) == cells)
        else:
            self.model.add(sum(row) <= cells)

    def _number_groups(self, numbered: Sequence[int]) -> None:
        """Let the groups be numbered by their first cell: a kind opens at most as many new ones as it has cells."""
        opened = 0
        for kind in numbered:
            opened += len(self.kinds[kind])
            for group in range(opened, self.task.series):
                self.model.add(self.takes[kind][group] == 0)

    def _column(self, group: int, kinds: Sequence[int]) -> list[cp_model.IntVar]:
        return [self.takes[kind][group] for kind in kinds]

    def _total(self, group: int, values: Ints) -> cp_model.LinearExprT:
        return cp_model.LinearExpr.weighted_sum(self._column(group, range(len(values))), values.tolist())

    def sums_between(self, wish: Wish) -> tuple[cp_model.IntVar, cp_model.IntVar]:
        """Add the smallest and the largest group sum, within what is known and wished."""
        ordered = np.sort(self.task.values)
        least, most = int(ordered[: self.task.parallel].sum()), int(ordered[-self.task.parallel :].sum())
        if wish.weakest_at_least is not None:
            least = max(least, wish.weakest_at_least)
        low = self.model.new_int_var(least, max(least, wish.weakest_at_most), "low")
        high = self.model.new_int_var(min(least, most), most, "high")
        values = self.task.values[[cells[0] for cells in self.kinds]]
        for group in range(self.task.series):
            total = self._total(group, values)
            self.model.add(total >= low)
            self.model.add(total <= high)
        self.model.add(high - low >= wish.spread_at_least)
        if wish.spread_at_most is not None:
            self.model.add(high - low <= wish.spread_at_most)
        return low, high

    def hint(self, groups: Ints) -> None:
        """Hint at a grouping, renumbered by first cells where groups are numbered so."""
        group_of = np.full(len(self.task.values), -1)
        group_of[groups.ravel()] = np.repeat(np.arange(len(groups)), groups.shape[1])
        if self.numbered is not None:
            number: dict[int, int] = {}
            for kind in self.numbered:
                for group in group_of[self.kinds[kind]].tolist():
                    number.setdefault(group, len(number))
            group_of = np.array([number[group] for group in group_of.tolist()])
        for cells, row in zip(self.kinds, self.takes, strict=True):
            for group, takes in enumerate(row):
                self.model.add_hint(takes, int((group_of[cells] == group).sum()))

    def groups(self, value: Callable[[cp_model.IntVar], int]) -> Ints:
        """Read the groups from a solution: which cells of a kind go where is all one."""
        groups: list[list[int]] = [[] for _ in range(self.task.series)]
        for cells, row in zip(self.kinds, self.takes, strict=True):
            given = 0
            for group, takes in zip(groups, row, strict=True):
                count = value(takes)
                group += cells[given : given + count]
                given += count
        return np.array(groups, dtype=np.int64)

    def at_most(self, cells: Sequence[int], most: int) -> None:
        """Let a group hold at most so many of these cells."""
        for group in range(self.task.series):
            self.model.add(sum(self._column(group, cells)) <= most)

    def at_least(self, cells: Sequence[int], least: int) -> None:
        """Let a group hold at least so many of these cells."""
        for group in range(self.task.series):
            self.model.add(sum(self._column(group, cells)) >= least)

    def one_kind(self, kinds: Sequence[Sequence[int]]) -> None:
        """Let a group hold cells of one of these kinds only."""
        for group in range(self.task.series):
            of_kind = [self.model.new_bool_var("") for _ in kinds]
            self.model.add_exactly_one(of_kind)
            for kind, cells in zip(of_kind, kinds, strict=True):
                for takes in self._column(group, cells):
                    self.model.add_implication(takes, kind)

    def within(self, cells: Sequence[int], values: Ints, limit: int) -> None:
        """Let the values of a group's cells differ by at most `limit`."""
        least, most = int(values[cells].min()), int(values[cells].max())
        for group in range(self.task.series):
            lowest = self.model.new_int_var(least, most, "")
            for cell in cells:
                takes = self.takes[cell][group]
                self.model.add(lowest <= int(values[cell])).only_enforce_if(takes)
                self.model.add(lowest >= int(values[cell]) - limit).only_enforce_if(takes)


class _Watch(cp_model.CpSolverSolutionCallback):
    """Hand every better grouping on while the solver runs."""

    def __init__(self, model: _Assignment, on_better: Callable[[Ints], None] | None) -> None:
        super().__init__()
        self._model, self._on_better = model, on_better

    def on_solution_callback(self) -> None:
        """Take a better grouping from the solver."""
        if self._on_better is not None:
            self._on_better(self._model.groups(self.value))
