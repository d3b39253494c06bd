"""Group cells: which stage runs when, and until when. The only place that looks at a clock."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from cellmatch.cells.table import GroupedCells
from cellmatch.errors import ArgumentInvalid, Problem, TooFewCells, nearest_name
from cellmatch.grouping import split
from cellmatch.grouping.bounds import spread_bound, weakest_bound
from cellmatch.grouping.check import check_grouping
from cellmatch.grouping.result import FLOOR_FACTOR, AimResult, Grouping
from cellmatch.grouping.tray import TENTHS_PER_MAH, Ints, Tray, tray_of
from cellmatch.pack.spec import Pack

__all__ = ["AimResult", "Grouping", "assign_groups", "check_grouping", "group_cells"]

AIMS = ("weakest", "spread", "conductance", "range")
NOT_NEEDED = "not needed: bound met"

Progress = Callable[[float, float, float, str], None]


def group_cells(
    cells: pd.DataFrame,
    pack: Pack | str,
    aims: Sequence[str] | None = None,
    rules: Sequence[Any] = (),
    seed: int = 0,
    seconds: float = 3.0,
    repeatability_fraction: float = 0.01,
    *,
    rated_mah: float | None = None,
    progress: Progress | None = None,
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
        Like ``10s3p``.
    aims : sequence of str, optional
        What to aim at, the first first. Default: least spread, then equal conductance; with spare cells,
        strongest weakest group before them.
    seed : int
        Of the random parts of the search.
    seconds : float
        [s] Time the search may take.
    repeatability_fraction : float
        Standard deviation of one capacity reading, of `rated_mah`, or else of the median capacity.
    rated_mah : float, optional
        [mAh]
    progress : callable, optional
        Called with best spread, bound and floor [mAh], and the name of the stage.
    stop : callable, optional
        Asked often; the search ends with the best so far once it returns True.

    Returns
    -------
    Grouping

    Raises
    ------
    TooFewCells
        Fewer good cells than places.
    ArgumentInvalid
        An aim that is not known.
    """
    pack = Pack.of(pack)
    tray = tray_of(cells)
    _require_enough(tray, pack)
    aims = _aims_of(aims, tray, pack)
    u_mah = repeatability_fraction * (
        rated_mah if rated_mah else float(np.median(tray.tenths)) / TENTHS_PER_MAH
    )
    search = _Search(
        tray, pack, u_mah * math.sqrt(max(pack.group_sizes)), seed, seconds, progress, stop, reproducible
    )
    grouping = search.run(aims)
    check_grouping(cells, pack, grouping)
    return grouping


def assign_groups(cells: pd.DataFrame, grouping: Grouping) -> GroupedCells:
    """Return the table with the group of each cell, 0 for none, and good cells turned to used or spare."""
    table = cells.copy()
    number = {cell: g for g, group in enumerate(grouping.groups, start=1) for cell in group}
    table["group"] = np.array([number.get(str(cell), 0) for cell in table.index], dtype=np.int64)
    if "status" in table.columns:
        takes_part = table["status"].isin(("good", "used", "spare"))
        table.loc[takes_part & (table["group"] > 0), "status"] = "used"
        table.loc[takes_part & (table["group"] == 0), "status"] = "spare"
    return GroupedCells(table)  # type: ignore[arg-type]


def _require_enough(tray: Tray, pack: Pack) -> None:
    good, places = len(tray), pack.places
    if good >= places:
        return
    widest = max(pack.group_sizes)
    fits = [f"{pack.series}s{good // pack.series}p"] if good >= pack.series else []
    fits += [f"{good // widest}s{widest}p"] if good >= widest else []
    would = f"; would go: {' or '.join(dict.fromkeys(fits))}" if fits else ""
    raise TooFewCells(
        Problem(f"pack {pack}", f"{good} good cells for {places} places, {places - good} are missing{would}")
    )


def _aims_of(aims: Sequence[str] | None, tray: Tray, pack: Pack) -> tuple[str, ...]:
    if aims is None:
        return ("weakest", "spread", "conductance") if len(tray) > pack.places else ("spread", "conductance")
    unknown = [Problem(f"aim '{name}'", nearest_name(name, AIMS)) for name in aims if name not in AIMS]
    if unknown or not aims:
        raise ArgumentInvalid(unknown or Problem("aims", f"none given; known: {', '.join(AIMS)}"))
    return tuple(dict.fromkeys(aims))


class _Search:
    """One run: the best so far, the bounds so far, the clock."""

    def __init__(
        self,
        tray: Tray,
        pack: Pack,
        group_uncertainty_mah: float,
        seed: int,
        seconds: float,
        progress: Progress | None,
        stop: Callable[[], bool] | None,
        reproducible: bool,
    ) -> None:
        self.tray, self.pack = tray, pack
        self.series, self.parallel = pack.series, max(pack.group_sizes)
        self.group_uncertainty_mah = group_uncertainty_mah
        self.seed, self.seconds, self.reproducible = seed, seconds, reproducible
        self.progress, self.stop = progress, stop
        self.random = np.random.default_rng(seed)
        self.started = time.monotonic()
        self.solver = NOT_NEEDED
        self.ended_by = ""
        self.notes: list[str] = []
        self.history: list[tuple[float, float]] = []
        self.spread_bound = spread_bound(tray.steps, self.series, self.parallel)
        self.weakest_bound = weakest_bound(tray.steps, self.series, self.parallel)

    def halt(self) -> bool:
        if self.stop is not None and self.stop():
            self.ended_by = "stopped by the user"
        elif time.monotonic() - self.started > self.seconds:
            self.ended_by = "time limit"
        return bool(self.ended_by)

    def report(self, groups: Ints, stage: str) -> None:
        spread = split.spread_of(self.tray.steps, groups) * self.tray.step_mah
        if not self.history or spread != self.history[-1][1]:
            self.history.append((time.monotonic() - self.started, spread))
        if self.progress is not None:
            floor = FLOOR_FACTOR * self.group_uncertainty_mah
            self.progress(spread, self.spread_bound * self.tray.step_mah, floor, stage)

    def run(self, aims: tuple[str, ...]) -> Grouping:
        steps = self.tray.steps
        self.best = split.fold(steps, np.arange(self.series * self.parallel), self.series, self.parallel)
        self.report(self.best, "fold")
        weakest_proven = False
        least_weakest: int | None = None
        try:
            if "weakest" in aims:
                weakest_proven = self.strongest_weakest()
                least_weakest = int(steps[self.best].sum(axis=1).min())
            self.least_spread(least_weakest)
        except KeyboardInterrupt:
            self.ended_by = "stopped by the user"
        if "conductance" in aims and np.isnan(self.tray.ir_mohm).all():
            self.notes.append("no resistance given: the aim conductance is left out")
        return self.grouping(aims, weakest_proven)

    def strongest_weakest(self) -> bool:
        """Slide a window of S·P cells down from the strongest until the spread fits the group uncertainty."""
        steps, places = self.tray.steps, self.series * self.parallel
        widest = int(self.group_uncertainty_mah / self.tray.step_mah)
        best, best_low = None, None
        for start in range(len(steps) - places + 1):
            window = np.arange(start, start + places)
            mean = int(steps[window].sum()) // self.series
            if (best_low is not None and mean <= best_low) or self.halt():
                break
            groups, _ = self.heuristic(window, np.empty(0, dtype=np.int64), goal=0)
            low, spread = int(steps[groups].sum(axis=1).min()), split.spread_of(steps, groups)
            if spread <= widest and (best_low is None or low > best_low):
                best, best_low = groups, low
        if best is None or best_low is None:
            self.notes.append(
                "no grouping found with the spread inside the group uncertainty: least spread instead"
            )
            return False
        self.best = best
        self.report(best, "windows")
        if best_low < self.weakest_bound and not self.halt() and self.small_enough():
            found = self.ask_assignment(spread_at_most=widest, strongest_weakest=True)
            self.weakest_bound = min(self.weakest_bound, found.bound)
        return int(steps[self.best].sum(axis=1).min()) >= self.weakest_bound

    def least_spread(self, least_weakest: int | None) -> None:
        steps = self.tray.steps
        if least_weakest is None:
            start = max(0, (len(steps) - self.series * self.parallel) // 2)
            window = np.arange(start, start + self.series * self.parallel)
            spares = np.setdiff1d(np.arange(len(steps)), window)
            groups, _ = self.heuristic(window, spares, goal=self.spread_bound)
            if split.spread_of(steps, groups) < split.spread_of(steps, self.best):
                self.best = groups
            self.report(self.best, "re-split")
        if split.spread_of(steps, self.best) > self.spread_bound and not self.halt() and self.small_enough():
            found = self.ask_assignment(weakest_at_least=least_weakest)
            self.spread_bound = max(self.spread_bound, found.bound)
        if not self.ended_by:
            met = split.spread_of(steps, self.best) == self.spread_bound
            self.ended_by = "spread equals its bound" if met else "time limit"

    def heuristic(self, window: Ints, spares: Ints, goal: int) -> tuple[Ints, Ints]:
        groups = split.fold(self.tray.steps, window, self.series, self.parallel)
        return split.even_out(self.tray.steps, groups, spares, self.random, goal, halt=self.halt)

    def small_enough(self) -> bool:
        from cellmatch.grouping import exact

        return len(self.tray) * self.series <= exact.MOST_ASSIGNMENT_VARIABLES

    def ask_assignment(
        self,
        *,
        weakest_at_least: int | None = None,
        spread_at_most: int | None = None,
        strongest_weakest: bool = False,
    ) -> Any:
        from cellmatch.grouping import exact

        self.solver = exact.SOLVER
        left = max(0.05, self.seconds - (time.monotonic() - self.started))
        found = exact.assign(
            self.tray.steps,
            self.series,
            self.parallel,
            self.best,
            exact.Effort(seconds=left, seed=self.seed, reproducible=self.reproducible),
            spread_bound=self.spread_bound,
            weakest_bound=self.weakest_bound,
            weakest_at_least=weakest_at_least,
            spread_at_most=spread_at_most,
            strongest_weakest=strongest_weakest,
            on_better=lambda groups: self.report(groups, "CP-SAT"),
            halt=self.halt,
        )
        if found.groups is not None:
            steps = self.tray.steps
            new, old = steps[found.groups].sum(axis=1), steps[self.best].sum(axis=1)
            better = new.min() > old.min() if strongest_weakest else np.ptp(new) < np.ptp(old)
            if better:
                self.best = found.groups
        return found

    def grouping(self, aims: tuple[str, ...], weakest_proven: bool) -> Grouping:
        tray = self.tray
        groups = np.sort(self.best, axis=1)
        groups = groups[np.argsort(groups[:, 0], kind="stable")]
        sums = tray.tenths[groups].sum(axis=1)
        spread = int(sums.max() - sums.min())
        bound = self.spread_bound * tray.step
        weakest = int(sums.min())
        weakest_limit = self.parallel * tray.middle + self.weakest_bound * tray.step
        proven = spread == bound
        values = {
            "weakest": AimResult(
                name="weakest",
                value=weakest / 10,
                bound=weakest_limit / 10,
                proven=weakest == weakest_limit,
                unit="mAh",
            ),
            "spread": AimResult(
                name="spread", value=spread / 10, bound=bound / 10, proven=proven, unit="mAh"
            ),
        }
        used = set(groups.ravel().tolist())
        return Grouping(
            groups=tuple(tuple(str(tray.ids[c]) for c in row) for row in groups),
            spares=tuple(str(tray.ids[c]) for c in range(len(tray)) if c not in used),
            aims=tuple(values[name] for name in aims if name in values),
            spread_mah=spread / 10,
            bound_mah=bound / 10,
            proven=proven,
            weakest_mah=weakest / 10,
            weakest_bound_mah=weakest_limit / 10,
            weakest_proven=weakest == weakest_limit,
            group_uncertainty_mah=self.group_uncertainty_mah,
            floor_mah=FLOOR_FACTOR * self.group_uncertainty_mah,
            ended_by=self.ended_by,
            seconds=time.monotonic() - self.started,
            seed=self.seed,
            solver=self.solver,
            history=tuple(self.history),
            notes=tuple(self.notes),
        )
