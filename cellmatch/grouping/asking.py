"""What was asked of a grouping, checked before any work: every fault at once, each with what would be right."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import pandas as pd

from cellmatch.errors import ArgumentInvalid, Problem, TooFewCells, nearest_name
from cellmatch.grouping.pool import UNEQUAL, Pool
from cellmatch.grouping.rules import Pin, Rule
from cellmatch.grouping.stages import SERVE
from cellmatch.pack.spec import Pack

AIMS = tuple(SERVE)
MOST_PACKS = "max"
"""As many packs as reach a stated capacity."""


def require_sensible(
    *,
    seconds: float,
    repeatability_fraction: float,
    packs: int | str,
    pack_capacity_mah: float | None,
    unequal: str,
    pack: Pack,
    rules: Sequence[Rule],
) -> None:
    """Raise ArgumentInvalid for numbers that can't be meant, and for choices that don't go together."""
    problems = []
    if not 0 <= seconds < math.inf:
        problems.append(Problem("seconds", f"found {seconds}; a number of 0 or more is needed"))
    if not 0 <= repeatability_fraction <= 1:
        problems.append(Problem("repeatability", f"found {repeatability_fraction}; a fraction of 0 to 1 is needed"))
    if unequal not in UNEQUAL:
        problems.append(Problem(f"unequal '{unequal}'", nearest_name(unequal, UNEQUAL)))
    if not (packs == MOST_PACKS or (isinstance(packs, int) and packs >= 1)):
        problems.append(Problem("packs", f"found {packs}; a whole number of at least 1, or max, is needed"))
    if packs == MOST_PACKS and not 0 < (pack_capacity_mah or 0) < math.inf:
        problems.append(Problem("packs max", "needs the capacity that every pack is to reach, a number above 0"))
    if packs != MOST_PACKS and pack_capacity_mah is not None:
        problems.append(Problem("pack capacity", "is for packs max: as many packs as reach it"))
    if packs != 1:
        if len(set(pack.group_sizes)) > 1:
            problems.append(Problem(f"pack {pack}", "several packs at once need groups of one size"))
        problems += [
            Problem(f"rule '{rule.words}'", "needs a single pack: of several none is the first beforehand")
            for rule in rules
            if isinstance(rule, Pin)
        ]
    if problems:
        raise ArgumentInvalid(problems)


def require_known(rules: Sequence[Rule], pool: Pool, left_out: set[str], cells: pd.DataFrame) -> None:
    """Raise ArgumentInvalid for rules that mean nothing with these cells."""
    problems = [problem for rule in rules for problem in rule.problems(pool)]
    names = {str(cell) for cell in cells.index}
    problems += [
        Problem(f"rule 'cell {cell} kept out'", nearest_name(cell, names)) for cell in sorted(left_out - names)
    ]
    if problems:
        raise ArgumentInvalid(problems)


def require_enough(good: int, pack: Pack, packs: int, kept_out: int) -> None:
    """Raise TooFewCells, with what would go instead, where there are fewer good cells than places."""
    places = packs * pack.places
    if good >= places:
        return
    widest = max(pack.group_sizes)
    if packs > 1:
        fits = [f"{good // pack.places} of them"] if good >= pack.places else []
    else:
        fits = [f"{pack.series}s{good // pack.series}p"] if good >= pack.series else []
        fits += [f"{good // widest}s{widest}p"] if good >= widest else []
    would = f"; would go: {' or '.join(dict.fromkeys(fits))}" if fits else ""
    kept = f" ({kept_out} more are kept out)" if kept_out else ""
    what = f"pack {pack}" if packs == 1 else f"{packs} packs {pack}"
    raise TooFewCells(Problem(what, f"{good} good cells{kept} for {places} places, {places - good} are missing{would}"))


def aims_of(aims: Sequence[str] | None, *, spares: bool) -> tuple[str, ...]:
    """Return the aims in order, each once; those that suit the spare cells where none are given."""
    if aims is None:
        return ("weakest", "spread", "conductance") if spares else ("spread", "conductance")
    if not aims:
        raise ArgumentInvalid(Problem("aims", f"none given; known: {', '.join(AIMS)}"))
    require_aims(aims, "aim")
    return tuple(dict.fromkeys(aims))


def require_aims(given: Iterable[str], what: str) -> None:
    """Raise ArgumentInvalid for names that are no aims."""
    unknown = [Problem(f"{what} '{name}'", nearest_name(name, AIMS)) for name in given if name not in AIMS]
    if unknown:
        raise ArgumentInvalid(unknown)
