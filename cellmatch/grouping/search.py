"""One search: the best grouping so far, what is proved so far, and what later aims have to keep."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from cellmatch.grouping import company
from cellmatch.grouping.allowance import Allowance
from cellmatch.grouping.bounds import descending, divisibility_bound, spread_bound, weakest_bound
from cellmatch.grouping.demands import Demands, Window
from cellmatch.grouping.feasible import first_grouping
from cellmatch.grouping.pool import Ints, Pool
from cellmatch.grouping.task import Task

_NO_LIMIT = 2**40


@dataclass(frozen=True, kw_only=True, slots=True)
class Wishes:
    """What the user asked for beyond the aims themselves.

    Parameters
    ----------
    group_uncertainty_mah, floor_mah : float
        [mAh] u·√P, and 2.77 times that.
    tolerances : mapping of aim to float
        How much of an aim the later ones may give away, in its own unit.
    spend_uncertainty : frozenset of str
        Aims for which capacities may differ by the group uncertainty.
    stop_at_noise : bool
        Conductances are equal enough within the noise of a resistance meter.
    floor_is_enough : bool
        A spread below the floor needs no further search.
    """

    group_uncertainty_mah: float
    floor_mah: float
    tolerances: Mapping[str, float]
    spend_uncertainty: frozenset[str]
    stop_at_noise: bool
    floor_is_enough: bool


@dataclass(kw_only=True)
class Search:
    """The state that the stages share.

    Parameters
    ----------
    pool : Pool
    rules : Demands
        What the rules ask for.
    wishes : Wishes
    allowance : Allowance
    report : callable
        Takes a better grouping and the name of the stage that found it.
    before_exact : callable
        Called before the exact engine starts.
    packs : int
        Packs that the groups make up; groups near in capacity make a pack.
    served : list of str
        Aims before this one.
    begun : bool
        `best` is a good start: other selections of cells need not be tried.
    cut : bool
        The groups in `best` stand pack after pack, for good.
    """

    pool: Pool
    rules: Demands
    wishes: Wishes
    allowance: Allowance
    report: Callable[[Ints, str], None]
    before_exact: Callable[[], None]
    packs: int = 1
    served: list[str] = field(default_factory=list)
    begun: bool = False
    cut: bool = False
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        ordered = descending(self.pool.steps)
        self.random = np.random.default_rng(self.allowance.seed)
        bound = divisibility_bound if self.packs > 1 else spread_bound
        # with all packs at spread 0 every pack's total is divisible by S, and so is the sum of them
        self.spread_bound = bound(ordered, self.pool.series // self.packs, self.pool.parallel * self.packs)
        by_rules = (rule.weakest_at_most(self.pool) for rule in self.rules.rules)
        by_cells = weakest_bound(ordered, self.pool.series, self.pool.parallel)
        self.weakest_bound = min([by_cells, *(most for most in by_rules if most is not None)])
        self._counted = self.spread_bound, self.weakest_bound
        self._kept_conductance: Window | None = None
        self.best = np.empty((0, self.pool.parallel), dtype=np.int64)

    def start(self) -> None:
        """Make a first grouping that keeps the rules."""
        self.best = first_grouping(self.capacity_task("first"), self.pool, self.random, self.allowance)
        self.report(self.best, "fold")

    @cached_property
    def conductance(self) -> Ints:
        """Conductance of each cell above the mean, see `company.conductances`; zeros without resistances."""
        values = company.conductances(self.pool)
        return np.zeros_like(self.pool.steps) if values is None else values

    def steps(self, mah: float) -> int:
        """Return the whole steps in a capacity [mAh]."""
        return int(mah / self.pool.step_mah + 1e-9)

    def spread(self) -> int:
        """Return the spread of the best grouping, inside the worst pack where there are several."""
        return self.spread_of(self.best)

    def spread_of(self, groups: Ints) -> int:
        """Return the spread of a grouping; packs stand as they are once they are cut."""
        if self.cut:
            return int(np.ptp(self.pool.steps[groups].sum(axis=1).reshape(self.packs, -1), axis=1).max())
        return self.capacity_task("").spread(groups)

    def weakest(self) -> int:
        """Return the weakest group of the best grouping."""
        return self.capacity_task("").weakest(self.best)

    def capacity_task(self, aim: str) -> Task:
        """Return the question of equal capacities, keeping what the aims before `aim` reached."""
        return self.task(self.pool.steps, aim)

    def task(self, values: Ints, aim: str) -> Task:
        """Return the question of equal sums of some values, keeping what the aims before `aim` reached."""
        return Task(
            values=values,
            series=self.pool.series,
            parallel=self.pool.parallel,
            demands=self._demands(aim),
            packs=self.packs,
        )

    def _demands(self, aim: str) -> Demands:
        demands = self.rules
        if {"weakest", "spread"} & set(self.served) and aim != "weakest":
            demands = demands.with_window(self._capacity_window(aim))
        if "conductance" in self.served:
            demands = demands.with_window(self._conductance_window())
        if "range" in self.served:
            demands = demands.with_check(company.no_wider(self.pool, self.best))
        return demands

    def _capacity_window(self, aim: str) -> Window:
        """Return the sums that keep the weakest group and the spread as they are, or nearly so where allowed."""
        sums = self.pool.steps[self.best].sum(axis=1)
        low, high = int(sums.min()), int(sums.max())
        may_widen = self._may_give("spread", aim)
        least = low - self._may_give("weakest", aim) if "weakest" in self.served else -_NO_LIMIT
        if "spread" not in self.served:
            # a weakest group was sought within a spread; its bound holds only there. Packs may differ among each other
            most = _NO_LIMIT if self.packs > 1 else self.weakest_bound + max(self.widest(), high - low)
            return Window(self.pool.steps, least, most)
        if may_widen > high - low:
            low = max(least, round(float(sums.mean())) - may_widen // 2)
            high = max(high, low + may_widen)
        return Window(self.pool.steps, low, high)

    def _may_give(self, name: str, aim: str) -> int:
        """Return how many steps of an aim before it a later one may give away."""
        spent = self.wishes.group_uncertainty_mah if aim in self.wishes.spend_uncertainty else 0.0
        return self.steps(max(spent, self.wishes.tolerances.get(name, 0.0)))

    def widest(self) -> int:
        """Return the spread within which the weakest group is sought: what was reached, or the group uncertainty."""
        if "spread" in self.served:
            return max(self.spread(), self._may_give("spread", "weakest"))
        return self.steps(self.wishes.group_uncertainty_mah)

    def forget_broken_bounds(self) -> None:
        """Fall back on what counting proved where a later aim gave away what a bound was proved under."""
        if self.spread() < self.spread_bound:
            self.spread_bound = self._counted[0]
        if self.weakest() > self.weakest_bound:
            self.weakest_bound = self._counted[1]

    def _conductance_window(self) -> Window:
        """Return the sums of conductance to keep; they stay: what is proved of a later aim is proved within them."""
        if self._kept_conductance is None:
            self._kept_conductance = self._conductances_reached()
        return self._kept_conductance

    def _conductances_reached(self) -> Window:
        sums = self.conductance[self.best].sum(axis=1)
        low, high = int(sums.min()), int(sums.max())
        given = self.wishes.tolerances.get("conductance", 0.0)
        wide = max(self.conductance_goal(), int(given * company.mean_conductance(self.pool, self.best)))
        missing = max(0, wide - (high - low))
        return Window(self.conductance, low - missing // 2, high + missing - missing // 2)

    def conductance_goal(self) -> int:
        """Return the spread of group conductances that is equal enough, in units of `company.conductances`."""
        if not self.wishes.stop_at_noise:
            return 0
        return int(company.RESISTANCE_NOISE_FRACTION * company.mean_conductance(self.pool, self.best))

    def offer(self, task: Task, groups: Ints, stage: str) -> None:
        """Take a grouping that serves the task better."""
        if task.merit(groups) < task.merit(self.best):
            self.best = groups
            self.report(groups, stage)
