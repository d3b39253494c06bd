"""Group cells: which aim is served when, and until when. The only place that looks at a clock."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from cellmatch.cells.table import GroupedCells
from cellmatch.errors import ArgumentInvalid, Problem, TooFewCells, nearest_name
from cellmatch.grouping import company
from cellmatch.grouping.check import check_grouping
from cellmatch.grouping.demands import demands_of
from cellmatch.grouping.numbering import number_groups
from cellmatch.grouping.pool import TAKES_PART, TENTHS_PER_MAH, Ints, Pool, pool_of
from cellmatch.grouping.result import FLOOR_FACTOR, AimResult, Figures, Grouping
from cellmatch.grouping.rules import KeepOut, Rule, rule_of
from cellmatch.grouping.search import Search, Wishes
from cellmatch.grouping.stages import SERVE
from cellmatch.pack.spec import Pack

__all__ = ["AimResult", "Grouping", "assign_groups", "check_grouping", "group_cells"]

AIMS = tuple(SERVE)
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
    packs: int = 1,
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
    packs : int
        Packs to build from the same cells.

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
    _check_numbers(seconds, repeatability_fraction, packs)
    left_out = {rule.cell for rule in kept if isinstance(rule, KeepOut)}
    pool = pool_of(_without(cells, left_out), pack.group_sizes)
    _require_known(kept, pool, left_out, cells)
    _require_enough(pool, pack, len(left_out))
    aims = _aims_of(aims, pool, pack)
    reading_mah = rated_mah or float(np.median(pool.tenths)) / TENTHS_PER_MAH
    uncertainty_mah = repeatability_fraction * reading_mah * math.sqrt(pool.parallel)
    wishes = Wishes(
        group_uncertainty_mah=uncertainty_mah,
        floor_mah=FLOOR_FACTOR * uncertainty_mah,
        tolerances=_known_aims(tolerances or {}, "tolerance"),
        spend_uncertainty=frozenset(_known_aims(dict.fromkeys(spend_uncertainty, 0.0), "spend uncertainty on")),
        stop_at_noise=stop_at_noise,
        floor_is_enough=floor_is_enough,
    )
    clock = _Clock(seconds, seed, reproducible, stop)
    run = _Run(cells, pack, kept, pool, wishes, clock, progress, on_answer, tuple(sorted(left_out)))
    return run.serve(aims)


def _without(cells: pd.DataFrame, left_out: set[str]) -> pd.DataFrame:
    return cells[[str(cell) not in left_out for cell in cells.index]] if left_out else cells


def _check_numbers(seconds: float, repeatability_fraction: float, packs: int) -> None:
    problems = []
    if not 0 <= seconds < math.inf:
        problems.append(Problem("seconds", f"found {seconds}; a number of 0 or more is needed"))
    if not 0 <= repeatability_fraction <= 1:
        problems.append(Problem("repeatability", f"found {repeatability_fraction}; a fraction of 0 to 1 is needed"))
    if packs < 1:
        problems.append(Problem("packs", f"found {packs}; at least 1 is needed"))
    if problems:
        raise ArgumentInvalid(problems)


def _require_known(rules: Sequence[Rule], pool: Pool, left_out: set[str], cells: pd.DataFrame) -> None:
    problems = [problem for rule in rules for problem in rule.problems(pool)]
    names = {str(cell) for cell in cells.index}
    problems += [
        Problem(f"rule 'cell {cell} kept out'", nearest_name(cell, names)) for cell in sorted(left_out - names)
    ]
    if problems:
        raise ArgumentInvalid(problems)


def _require_enough(pool: Pool, pack: Pack, kept_out: int) -> None:
    good, places = pool.cells, pack.places
    if good >= places:
        return
    widest = max(pack.group_sizes)
    fits = [f"{pack.series}s{good // pack.series}p"] if good >= pack.series else []
    fits += [f"{good // widest}s{widest}p"] if good >= widest else []
    would = f"; would go: {' or '.join(dict.fromkeys(fits))}" if fits else ""
    kept = f" ({kept_out} more are kept out)" if kept_out else ""
    raise TooFewCells(
        Problem(f"pack {pack}", f"{good} good cells{kept} for {places} places, {places - good} are missing{would}")
    )


def _aims_of(aims: Sequence[str] | None, pool: Pool, pack: Pack) -> tuple[str, ...]:
    if aims is None:
        return ("weakest", "spread", "conductance") if pool.cells > pack.places else ("spread", "conductance")
    if not aims:
        raise ArgumentInvalid(Problem("aims", f"none given; known: {', '.join(AIMS)}"))
    return tuple(_known_aims(dict.fromkeys(aims, 0.0), "aim"))


def _known_aims(given: Mapping[str, float], what: str) -> Mapping[str, float]:
    unknown = [Problem(f"{what} '{name}'", nearest_name(name, AIMS)) for name in given if name not in AIMS]
    if unknown:
        raise ArgumentInvalid(unknown)
    return given


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


_WORK_PER_SECOND = 1 / 3
"""Work that a search may do for each second it may take: on most machines the work runs out before the clock."""


class _Clock:
    """What may still be spent (`Allowance`): work, and unless the run must be reproducible, time."""

    def __init__(self, seconds: float, seed: int, reproducible: bool, stop: Callable[[], bool] | None) -> None:
        self.seed, self.reproducible = seed, reproducible
        self._seconds, self._stop = seconds, stop
        self._started, self._work = time.monotonic(), 0.0
        self._until_s, self._until_work = seconds, seconds * _WORK_PER_SECOND
        self.stopped = self.ran_out = self.by_clock = False

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

    def note_race(self) -> None:
        """Note that an answer came from threads in a race."""
        self.by_clock = True

    def halted(self) -> bool:
        """Return whether to stop now."""
        if self._stop is not None and not self.stopped and self._stop():
            self.stopped = True
        late = not self.reproducible and self.elapsed() >= self._until_s
        self.by_clock |= late
        self.ran_out |= late or self.left() <= 0
        return self.stopped or late or self.left() <= 0


_SHARE_BEFORE_OTHERS = 0.6
"""Of the time left, what an aim may take when others follow."""


class _Run:
    """One call of group_cells: serves the aims in order and keeps what a person wants to know."""

    def __init__(
        self,
        cells: pd.DataFrame,
        pack: Pack,
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
        self.solver = NOT_NEEDED
        self.search = Search(
            pool=pool,
            rules=demands_of(rules, pool),
            wishes=wishes,
            allowance=clock,
            report=self._report,
            before_exact=self._before_exact,
        )

    def serve(self, aims: tuple[str, ...]) -> Grouping:
        """Serve the aims in order and return the grouping, checked."""
        search = self.search
        search.start()
        for place, aim in enumerate(aims):
            self.clock.give(1.0 if place + 1 == len(aims) else _SHARE_BEFORE_OTHERS)
            try:
                if not self.clock.stopped and SERVE[aim](search):
                    search.served.append(aim)
            except KeyboardInterrupt:
                self.clock.stopped = True
            self.figures.append(self._figures(aim))
        grouping = self._grouping(aims)
        check_grouping(self.cells, self.pack, grouping, self.rules)
        return grouping

    def _report(self, groups: Ints, stage: str) -> None:
        sums = self.pool.steps[groups].sum(axis=1)
        spread_mah = int(sums.max() - sums.min()) * self.pool.step_mah
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

    def _figures(self, aim: str) -> Figures:
        pool, groups = self.pool, self.search.best
        known = company.known_resistances(pool).any()
        ocv_known = bool(np.isfinite(pool.ocv_v).any())
        return Figures(
            aim=aim,
            weakest_mah=pool.weakest_tenths(self.search.weakest()) / TENTHS_PER_MAH,
            spread_mah=self.search.spread() * pool.step / TENTHS_PER_MAH,
            conductance_fraction=company.conductance_fraction(pool, groups),
            ir_range_mohm=float(company.ranges(pool, pool.ir_mohm, groups).mean()) if known else None,
            ocv_range_mv=1000 * float(company.ranges(pool, pool.ocv_v, groups).mean()) if ocv_known else None,
        )

    def _aim_result(self, aim: str) -> AimResult | None:
        pool, search = self.pool, self.search
        value: float
        bound: float | None
        if aim == "weakest":
            value = pool.weakest_tenths(search.weakest()) / TENTHS_PER_MAH
            bound = pool.weakest_tenths(search.weakest_bound) / TENTHS_PER_MAH
            return AimResult(name=aim, value=value, bound=bound, proven=value == bound, unit="mAh")
        if aim == "spread":
            value = search.spread() * pool.step / TENTHS_PER_MAH
            bound = search.spread_bound * pool.step / TENTHS_PER_MAH
            return AimResult(name=aim, value=value, bound=bound, proven=value == bound, unit="mAh")
        if aim == "conductance":
            fraction = company.conductance_fraction(pool, search.best)
            if fraction is None:
                return None
            return AimResult(name=aim, value=fraction, bound=None, proven=fraction == 0, unit="fraction")
        value = float(company.unlikeness(pool)(search.best).mean())
        return AimResult(name=aim, value=value, bound=None, proven=value == 0, unit="fraction")

    def _ended_by(self) -> str:
        if self.clock.stopped:
            return "stopped by the user"
        if self.search.spread() == self.search.spread_bound:
            return "spread equals its bound"
        if self.wishes.floor_is_enough and self.search.spread() * self.pool.step_mah <= self.wishes.floor_mah:
            return "spread below the floor, which is enough"
        return "time limit" if self.clock.ran_out else "all stages done"

    def _grouping(self, aims: tuple[str, ...]) -> Grouping:
        pool, search = self.pool, self.search
        groups = number_groups(search.best, search.rules, pool)
        used = {cell for group in groups for cell in group}
        by_name = {name: result for name in AIMS if (result := self._aim_result(name)) is not None}
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
            history=tuple(self.history),
            figures=tuple(self.figures),
            notes=tuple(search.notes),
            by_clock=self.clock.by_clock,
        )
