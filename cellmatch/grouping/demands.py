"""All that one stage of the search must keep, rules and earlier aims alike, ready for arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from cellmatch.errors import Problem, RulesInfeasible
from cellmatch.grouping.pool import Flags, Ints, Pool
from cellmatch.grouping.rules import Breaks, KeepApart, Pin, Rule


@dataclass(frozen=True, slots=True)
class Window:
    """An earlier aim as a rule: every group's sum of `values` lies between `low` and `high`.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
    low, high : int
    """

    values: Ints
    low: int
    high: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Demands:
    """What every group must keep.

    Parameters
    ----------
    must : ndarray of bool, shape (n,)
        Cells that may not stay spare.
    pinned : tuple of (int, int)
        Cell and its group, both counted from 0; blanks are among them.
    checks : tuple of callable
        Breaks of rules, counted from the members of groups.
    windows : tuple of Window
        Limits on sums.
    rules : tuple of Rule
        For the exact model.
    """

    must: Flags
    pinned: tuple[tuple[int, int], ...] = ()
    checks: tuple[Breaks, ...] = ()
    windows: tuple[Window, ...] = ()
    rules: tuple[Rule, ...] = ()

    @property
    def nothing(self) -> bool:
        """No group can break anything."""
        return not (self.checks or self.windows or self.must.any())

    def breaks(self, members: Ints) -> Ints:
        """Return how badly each group (row) breaks the rules; windows not counted."""
        total = np.zeros(len(members), dtype=np.int64)
        for check in self.checks:
            total += check(members)
        return total

    def overflow(self, members: Ints) -> Ints:
        """Return by how much each group (row) lies outside the windows."""
        total = np.zeros(len(members), dtype=np.int64)
        for window in self.windows:
            sums = window.values[members].sum(axis=1)
            total += np.maximum(0, window.low - sums) + np.maximum(0, sums - window.high)
        return total

    def kept_by(self, members: Ints) -> Flags:
        """Return which groups (rows) break nothing."""
        return np.asarray((self.breaks(members) == 0) & (self.overflow(members) == 0))

    def among(self, cells: Ints) -> Demands:
        """Return the same demands on some of the cells, which get new numbers in the order given.

        The exact model can't be told of them any more, so what it answers has to be checked again.
        """

        def renumbered(check: Breaks) -> Breaks:
            return lambda members: check(cells[members])

        windows = tuple(replace(window, values=window.values[cells]) for window in self.windows)
        return Demands(must=self.must[cells], checks=tuple(map(renumbered, self.checks)), windows=windows)

    def with_check(self, check: Breaks) -> Demands:
        """Return the demands with one more check."""
        return replace(self, checks=(*self.checks, check))

    def with_window(self, window: Window) -> Demands:
        """Return the demands with one more window."""
        return replace(self, windows=(*self.windows, window))


def no_demands(pool: Pool) -> Demands:
    """Return demands that any grouping keeps."""
    return Demands(must=np.zeros(len(pool.steps), dtype=bool))


def demands_of(rules: Sequence[Rule], pool: Pool) -> Demands:
    """Turn rules into demands on arrays.

    Raises
    ------
    RulesInfeasible
        Counting alone shows that no grouping keeps them.
    """
    blanks = [(pool.cells + i, group) for i, group in enumerate(pool.blank_groups)]
    pinned = [(pool.numbers([rule.cell])[0], rule.group - 1) for rule in rules if isinstance(rule, Pin)]
    apart = [tuple(pool.numbers((r.first, r.second))) for r in rules if isinstance(r, KeepApart)]
    pinned = list(dict.fromkeys(pinned))
    _require_possible(rules, pinned, apart, pool)
    pinned += blanks
    must = np.zeros(len(pool.steps), dtype=bool)
    must[[cell for cell, _ in pinned]] = True
    if len(pool.steps) > pool.series * pool.parallel:
        must[pool.cells :] = True  # blanks never stay spare
    checks = [check for rule in rules if (check := rule.breaks(pool)) is not None]
    checks += _company_checks(pinned, apart, pool)
    return Demands(must=must, pinned=tuple(pinned), checks=tuple(checks), rules=tuple(rules))


def _require_possible(
    rules: Sequence[Rule],
    pinned: list[tuple[int, int]],
    apart: list[tuple[int, ...]],
    pool: Pool,
) -> None:
    problems = [Problem(f"rule '{r.words}'", why) for r in rules if (why := r.shortage(pool))]
    group_of: dict[int, int] = {}
    for cell, group in pinned:
        if group_of.setdefault(cell, group) != group:
            groups = f"groups {group_of[cell] + 1} and {group + 1}"
            problems.append(Problem(f"cell {pool.ids[cell]}", f"is wanted in {groups}; a cell has one group"))
    for group, size in enumerate(pool.sizes):
        wanted = sum(g == group for g in group_of.values())
        if wanted > size:
            problems.append(Problem(f"group {group + 1}", f"{wanted} cells are wanted in it, it takes {size}"))
    for a, b in apart:
        if a in group_of and group_of[a] == group_of.get(b):
            both = f"cells {pool.ids[a]} and {pool.ids[b]}"
            problems.append(Problem(both, f"are wanted apart and in group {group_of[a] + 1} both"))
    if problems:
        raise RulesInfeasible(problems)


def _company_checks(pinned: list[tuple[int, int]], apart: list[tuple[int, ...]], pool: Pool) -> list[Breaks]:
    """Return the checks on who shares a group with whom.

    A pin speaks about one group too: pinned cells of different groups never share one, and those of the same
    group always do. Which number a group gets is settled at the end.
    """
    if not pinned and not apart:
        return []
    concerned = sorted({cell for cell, _ in pinned} | {cell for pair in apart for cell in pair})
    place = np.zeros(len(pool.steps), dtype=np.int64)  # 0: not concerned
    place[concerned] = np.arange(1, len(concerned) + 1)
    clash = np.zeros((len(concerned) + 1, len(concerned) + 1), dtype=np.int64)
    for a, b in apart:
        clash[place[a], place[b]] = clash[place[b], place[a]] = 1
    label = np.full(len(concerned) + 1, -1)
    for cell, group in pinned:
        label[place[cell]] = group
    strangers = (label[:, None] >= 0) & (label[None, :] >= 0) & (label[:, None] != label[None, :])
    clash[strangers] = 1

    def clashes(members: Ints) -> Ints:
        places = np.sort(place[members], axis=1)[:, ::-1]
        places = places[:, : int((places > 0).sum(axis=1).max(initial=0))]
        return np.asarray(clash[places[:, :, None], places[:, None, :]].sum(axis=(1, 2)) // 2)

    wanted = np.bincount([group for _, group in pinned], minlength=pool.series)

    def torn(members: Ints) -> Ints:
        """Count the pinned cells that miss a companion."""
        labels = label[place[members]]
        total = np.zeros(len(members), dtype=np.int64)
        for group in np.flatnonzero(wanted > 1).tolist():
            held = (labels == group).sum(axis=1)
            total += np.where(held > 0, wanted[group] - held, 0)
        return total

    return [clashes, torn] if (wanted > 1).any() else [clashes]
