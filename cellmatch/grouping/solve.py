"""Group cells: which aim is served when, and until when. The only place that looks at a clock."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np
import pandas as pd

from cellmatch.cells.table import GroupedCells
from cellmatch.grouping import unequal as unequal_groups
from cellmatch.grouping.asking import AIMS, aims_of, require_aims, require_enough, require_known, require_sensible
from cellmatch.grouping.check import check_grouping
from cellmatch.grouping.demands import demands_of
from cellmatch.grouping.numbering import number_groups
from cellmatch.grouping.packs import most_packs, searches_of_packs, strongest_first
from cellmatch.grouping.pool import TAKES_PART, TENTHS_PER_MAH, Ints, Pool, pool_of
from cellmatch.grouping.result import FLOOR_FACTOR, STOPPED, TIME_LIMIT, WORK_SPENT, AimResult, Figures, Grouping
from cellmatch.grouping.rules import KeepOut, Rule, rule_of
from cellmatch.grouping.search import Search, Wishes
from cellmatch.grouping.stages import SERVE
from cellmatch.grouping.telling import aim_result, figures_of
from cellmatch.grouping.unbalanced import unbalanced_words
from cellmatch.pack.spec import Pack

__all__ = ["AimResult", "Grouping", "assign_groups", "check_grouping", "group_cells"]

NOT_NEEDED = "not needed: bound met"

Progress = Callable[[float, float, float, str], None]


def group_cells(
    cells: pd.DataFrame,
    pack: Pack | str,
    aims: Sequence[str] | None = None,
    rules: Sequence[Rule | str] = (),
    seed: int = 0,
    seconds: float = 3.0,
    repeatability_fraction: float = 0.01,
    *,
    rated_mah: float | None = None,
    tolerances: Mapping[str, float] | None = None,
    spend_uncertainty: Sequence[str] = (),
    stop_at_noise: bool = True,
    floor_is_enough: bool = False,
    progress: Progress | None = None,
    on_answer: Callable[[Grouping], None] | None = None,
    stop: Callable[[], bool] | None = None,
    reproducible: bool = False,
    packs: int | str = 1,
    pack_capacity_mah: float | None = None,
    unequal: str = "share",
    compare_unequal: bool = True,
) -> Grouping:
    """Share good cells out into the groups of a pack.

    Parameters
    ----------
    cells : DataFrame
        The cell table; with a ``status`` column only good cells take part.
    pack : Pack or str
        Like ``10s3p``; with a tuple for `parallel` where groups differ in size.
    aims : sequence of str, optional
        What to aim at, the first first: ``weakest``, ``spread``, ``conductance``, ``range``. Default: least
        spread, then equal conductance; with spare cells the strongest weakest group before them.
    rules : sequence of Rule or str
        What every group must keep, see :mod:`cellmatch.grouping.rules`.
    seed : int
        Of the random parts of the search.
    seconds : float
        [s] Time the search may take.
    repeatability_fraction : float
        Standard deviation of one capacity reading, of `rated_mah`, or else of the median capacity.
    rated_mah : float, optional
        [mAh]
    tolerances : mapping of aim to float, optional
        How much of an aim the later ones may give away, in its own unit: mAh, or a fraction.
    spend_uncertainty : sequence of str
        Aims for which group capacities may differ by the group uncertainty, which can't be measured anyway.
    stop_at_noise : bool
        Conductances within 0.5 %, the noise of a resistance meter, are equal enough.
    floor_is_enough : bool
        Stop as soon as the spread is below the floor, 2.77 group uncertainties.
    progress : callable, optional
        Called with best spread, bound and floor [mAh], and the name of the stage.
    on_answer : callable, optional
        Called with the best grouping so far before the exact solver starts.
    stop : callable, optional
        Asked often; the search ends with the best so far once it returns True.
    reproducible : bool
        Count work instead of seconds, so that the same input gives the same groups on every machine.
    packs : int or str
        Packs to build from the same cells: spread then counts inside each pack, and the spares are shared. With
        ``max`` as many as reach `pack_capacity_mah`.
    pack_capacity_mah : float, optional
        [mAh] What the weakest group of every pack is to hold.
    unequal : str
        What is compared where groups differ in size: ``share``, P_g times the mean capacity; ``sum``, equal sums;
        ``free``, equal sums with sizes that the search finds, the number of cells kept.
    compare_unequal : bool
        Note what the other of share and sum would give.

    Returns
    -------
    Grouping

    Raises
    ------
    TooFewCells
        Fewer good cells than places.
    RulesInfeasible
        No grouping keeps the rules.
    ArgumentInvalid
        An aim or rule that is not known, a number that can't be meant.
    """
    pack = Pack.of(pack)
    kept = tuple(rule_of(rule) if isinstance(rule, str) else rule for rule in rules)
    require_sensible(
        seconds=seconds,
        repeatability_fraction=repeatability_fraction,
        packs=packs,
        pack_capacity_mah=pack_capacity_mah,
        unequal=unequal,
        pack=pack,
        rules=kept,
    )
    if pack_capacity_mah is not None:
        again = partial(
            group_cells, cells, pack, aims, kept, seed,
            repeatability_fraction=repeatability_fraction, rated_mah=rated_mah, tolerances=tolerances,
            spend_uncertainty=spend_uncertainty, stop_at_noise=stop_at_noise, floor_is_enough=floor_is_enough,
            progress=progress, on_answer=on_answer, stop=stop, reproducible=reproducible,
        )  # fmt: skip
        return most_packs(again, pool_of(cells, pack.group_sizes), pack, pack_capacity_mah, seconds)
    count = int(packs)
    left_out = {rule.cell for rule in kept if isinstance(rule, KeepOut)}
    pool = pool_of(_without(cells, left_out), pack.group_sizes * count, unequal)
    require_known(kept, pool, left_out, cells)
    require_enough(pool.cells, pack, count, len(left_out))
    aims = aims_of(aims, spares=pool.cells > count * pack.places)
    require_aims(tolerances or (), "tolerance")
    require_aims(spend_uncertainty, "spend uncertainty on")
    reading_mah = rated_mah or float(np.median(pool.tenths)) / TENTHS_PER_MAH
    uncertainty_mah = repeatability_fraction * reading_mah * math.sqrt(pool.parallel)
    wishes = Wishes(
        group_uncertainty_mah=uncertainty_mah,
        floor_mah=FLOOR_FACTOR * uncertainty_mah,
        tolerances=tolerances or {},
        spend_uncertainty=frozenset(spend_uncertainty),
        stop_at_noise=stop_at_noise,
        floor_is_enough=floor_is_enough,
    )
    clock = _Clock(seconds, seed, reproducible, stop)
    run = _Run(cells, pack, count, kept, pool, wishes, clock, progress, on_answer, tuple(sorted(left_out)))
    grouping = run.serve(aims)
    if pool.unequal in unequal_groups.OTHER and compare_unequal:
        again = partial(
            group_cells, cells, pack, ("spread",), kept, seed,
            seconds=min(seconds, unequal_groups.SECONDS), compare_unequal=False,
        )  # fmt: skip
        grouping = unequal_groups.with_other_choice(grouping, cells, lambda choice: again(unequal=choice))
    return grouping


def _without(cells: pd.DataFrame, left_out: set[str]) -> pd.DataFrame:
    return cells[[str(cell) not in left_out for cell in cells.index]] if left_out else cells


def assign_groups(cells: pd.DataFrame, grouping: Grouping) -> GroupedCells:
    """Return the table with the group of each cell, 0 for none, and good cells turned to used or spare."""
    table = cells.copy()
    number = {cell: g for g, group in enumerate(grouping.groups, start=1) for cell in group}
    table["group"] = np.array([number.get(str(cell), 0) for cell in table.index], dtype=np.int64)
    if "status" in table.columns:
        takes_part = table["status"].isin(TAKES_PART)
        table.loc[takes_part & (table["group"] > 0), "status"] = "used"
        table.loc[takes_part & (table["group"] == 0), "status"] = "spare"
    return GroupedCells(table)  # type: ignore[arg-type]


_WORK_PER_SECOND = 1 / 2
"""Work that a search may do for each second it may take: on most machines the work runs out before the clock."""
_REST_OF_WORK = 1e-3
"""Work too little to begin anything with [s]."""


class _Clock:
    """What may still be spent (`Allowance`): work, and unless the run must be reproducible, time."""

    def __init__(self, seconds: float, seed: int, reproducible: bool, stop: Callable[[], bool] | None) -> None:
        self.seed, self.reproducible = seed, reproducible
        self._seconds, self._stop = seconds, stop
        self._started, self._work = time.monotonic(), 0.0
        self._until_s, self._until_work = seconds, seconds * _WORK_PER_SECOND
        self.stopped = self.late = self.spent = self.by_clock = False

    def elapsed(self) -> float:
        """Return the seconds since the start."""
        return time.monotonic() - self._started

    def give(self, share: float) -> None:
        """Give the next aim a share of what is left."""
        now, most_work = self.elapsed(), self._seconds * _WORK_PER_SECOND
        self._until_s = now + share * max(0.0, self._seconds - now)
        self._until_work = self._work + share * max(0.0, most_work - self._work)

    def left(self) -> float:
        """Return the work left [s]."""
        return max(0.0, self._until_work - self._work)

    def spend(self, work: float) -> None:
        """Note work done [s]."""
        self._work += work
        self.spent |= self.left() <= _REST_OF_WORK

    def note_race(self) -> None:
        """Note that an answer came from threads in a race."""
        self.by_clock = True

    def halted(self) -> bool:
        """Return whether to stop now."""
        if self._stop is not None and not self.stopped and self._stop():
            self.stopped = True
        late = not self.reproducible and self.elapsed() >= self._until_s
        self.by_clock |= late
        self.late |= late
        self.spent |= self.left() <= _REST_OF_WORK
        return self.stopped or late or self.left() <= _REST_OF_WORK


_SHARE_OF_A_PACK = 3
"""Of an even share of the time left, so many times may a pack take: those searched later are easier."""
_SHARE_BEFORE_OTHERS = 0.6
"""Of the time left, what an aim may take when others follow."""


class _Run:
    """One call of group_cells: serves the aims in order and keeps what a person wants to know."""

    def __init__(
        self,
        cells: pd.DataFrame,
        pack: Pack,
        packs: int,
        rules: tuple[Rule, ...],
        pool: Pool,
        wishes: Wishes,
        clock: _Clock,
        progress: Progress | None,
        on_answer: Callable[[Grouping], None] | None,
        left_out: tuple[str, ...],
    ) -> None:
        self.cells, self.pack, self.rules, self.pool, self.wishes = cells, pack, rules, pool, wishes
        self.clock, self.progress, self.on_answer, self.left_out = clock, progress, on_answer, left_out
        self.history: list[tuple[float, float]] = []
        self.figures: list[Figures] = []
        self.results: list[AimResult] = []
        self.solver, self.found_by = NOT_NEEDED, ""
        self.search = Search(
            pool=pool,
            rules=demands_of(rules, pool),
            wishes=wishes,
            allowance=clock,
            report=self._report,
            before_exact=self._before_exact,
            packs=packs,
        )

    def serve(self, aims: tuple[str, ...]) -> Grouping:
        """Serve the aims in order and return the grouping, checked."""
        self.search.start()
        if self.search.packs > 1:
            self._serve_packs(aims)
        else:
            for place, aim in enumerate(aims):
                self.clock.give(1.0 if place + 1 == len(aims) else _SHARE_BEFORE_OTHERS)
                self._serve(aim, self.search)
                self.figures.append(figures_of(self.search, aim))
        self._note_unbalanced()
        grouping = self._grouping(aims)
        check_grouping(self.cells, self.pack, grouping, self.rules)
        return grouping

    def _serve(self, aim: str, search: Search) -> None:
        try:
            if not self.clock.stopped and SERVE[aim](search):
                search.served.append(aim)
            search.forget_broken_bounds()
        except KeyboardInterrupt:
            self.clock.stopped = True

    def _serve_packs(self, aims: tuple[str, ...]) -> None:
        """Serve weakest group and spread for all packs together, then each pack alone."""
        search = self.search
        self.clock.give(_SHARE_BEFORE_OTHERS)
        if "weakest" in aims:
            self._serve("weakest", search)
        # capacities first, whatever the aims: groups near in capacity share a pack
        before = tuple(search.served)
        self._serve("spread", search)
        search.served[:] = before
        self.figures.append(figures_of(search, "spread"))
        later = [aim for aim in aims if aim != "weakest"]
        for done, (alone, keep) in enumerate(searches_of_packs(search)):
            if alone.spread() == 0 and later in ([], ["spread"]):
                break  # the widest comes first
            self.clock.give(min(1.0, _SHARE_OF_A_PACK / (search.packs - done)))
            for aim in later:
                self._serve(aim, alone)
            keep()
            search.notes += [note for note in alone.notes if note not in search.notes]
        strongest_first(search)
        self._report(search.best, "packs")
        self.figures.append(figures_of(search, aims[-1]))

    def _note_unbalanced(self) -> None:
        """Say so where it is proved that these cells can't be balanced, unless it was the rules that did it."""
        pool, search = self.pool, self.search
        if search.packs == 1 and not pool.unequal and not self.rules and "weakest" not in search.served:
            words = unbalanced_words(pool, search.spread_bound, self.wishes.floor_mah)
            search.notes += [words] if words else []

    def _report(self, groups: Ints, stage: str) -> None:
        self.found_by = stage
        spread_mah = self.search.spread_of(groups) * self.pool.step_mah
        if not self.history or spread_mah != self.history[-1][1]:
            self.history.append((self.clock.elapsed(), spread_mah))
        if self.progress is not None:
            bound_mah = self.search.spread_bound * self.pool.step_mah
            self.progress(spread_mah, bound_mah, self.wishes.floor_mah, stage)

    def _before_exact(self) -> None:
        from cellmatch.grouping import exact

        self.solver = exact.SOLVER
        if self.on_answer is not None:
            self.on_answer(self._grouping(tuple(self.search.served)))

    def _ended_by(self) -> str:
        if self.clock.stopped:
            return STOPPED
        cut_short = TIME_LIMIT if self.clock.late else WORK_SPENT if self.clock.spent else ""
        search = self.search
        weakest_open = "weakest" in search.served and search.weakest() < search.weakest_bound
        if search.spread() == search.spread_bound and not (weakest_open and cut_short):
            return "spread equals its bound"
        if self.wishes.floor_is_enough and search.spread() * self.pool.step_mah <= self.wishes.floor_mah:
            return "spread below the floor, which is enough"
        return cut_short or "all stages done"

    def _grouping(self, aims: tuple[str, ...]) -> Grouping:
        pool, search = self.pool, self.search
        groups = number_groups(search.best, search.rules, pool, search.packs if search.cut else 1)
        packs = tuple(number for number in range(1, search.packs + 1) for _ in range(pool.series // search.packs))
        used = {cell for group in groups for cell in group}
        by_name = {name: result for name in AIMS if (result := aim_result(search, name)) is not None}
        weakest, spread = by_name["weakest"], by_name["spread"]
        return Grouping(
            groups=tuple(tuple(str(pool.ids[cell]) for cell in group) for group in groups),
            spares=(*(str(pool.ids[c]) for c in range(pool.cells) if c not in used), *self.left_out),
            aims=tuple(by_name[name] for name in aims if name in by_name),
            spread_mah=spread.value,
            bound_mah=spread.bound or 0.0,
            proven=spread.proven,
            weakest_mah=weakest.value,
            weakest_bound_mah=weakest.bound or 0.0,
            weakest_proven=weakest.proven,
            group_uncertainty_mah=self.wishes.group_uncertainty_mah,
            floor_mah=self.wishes.floor_mah,
            ended_by=self._ended_by(),
            seconds=self.clock.elapsed(),
            seed=self.clock.seed,
            solver=self.solver,
            packs=packs if search.packs > 1 else None,
            unequal=pool.unequal,
            history=tuple(self.history),
            figures=tuple(self.figures),
            notes=tuple(search.notes),
            found_by=self.found_by,
            by_clock=self.clock.by_clock,
        )
