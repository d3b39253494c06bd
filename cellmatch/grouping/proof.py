"""Exact answers in small groups: the interval between bound and best is halved until nothing is left of it.

Every step asks one question of the listed columns: is there a grouping whose sums all lie in a window?
Most windows are decided by counting (`columns.py`); what is left goes to the exact engine as a cover.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cellmatch.grouping import exact
from cellmatch.grouping.allowance import Allowance
from cellmatch.grouping.columns import Columns, cover_problems
from cellmatch.grouping.pool import Ints

_WORK_PER_WINDOW, _WORK_PER_COLUMN = 2e-4, 1.5e-8
"""[s] What counting costs for each window, and for each column in it."""
_WORK_PER_MODEL, _WORK_PER_VARIABLE = 3e-3, 2e-5
"""[s] What it costs to build a model for the exact engine, beside solving it."""
_LARGEST_SHARE, _SHARE_OF_A_BUNDLE = 2 / 3, 1 / 3
"""Of what is left, the most that one question may take, and of that a bundle of windows: another may be easier."""
_BUNDLED = 4
"""Windows are bundled whose lows lie within so much of what their width is beyond the counted bound: of more, the
bundle soon holds a grouping, or is too wide for the counting."""


@dataclass(frozen=True, slots=True)
class Reply:
    """Groups in the window, or none; `sure` where the question is settled."""

    groups: Ints | None
    sure: bool


def ask(columns: Columns, lows: Ints, width: int, allowance: Allowance) -> Reply:
    """Ask whether some grouping has all its sums in low … low + width for one of the lows.

    Neighbouring windows are asked about together, as one that holds them all: a no settles every one of them.
    Only where that wide window does hold a grouping, but a wider one than wanted, is the bundle split.

    Parameters
    ----------
    columns : Columns
    lows : ndarray of int, shape (windows,)
        Rising.
    width : int
    """
    sure = True
    until = allowance.left() * (1 - _LARGEST_SHARE)
    bundles = _bundles(columns, lows, width)[::-1]
    while bundles:
        if allowance.halted() or allowance.left() <= until:
            return Reply(None, False)
        bundle = bundles.pop()
        share = 1 if len(bundle) == 1 else _SHARE_OF_A_BUNDLE
        reply = _ask_one(columns, int(bundle[0]), int(bundle[-1]) + width, allowance, until, share)
        if reply.groups is not None and int(np.ptp(columns.sums_of(reply.groups))) <= width:
            return reply
        if len(bundle) == 1:
            sure &= reply.sure
        elif reply.groups is not None or not reply.sure:
            half = len(bundle) // 2
            bundles += [bundle[half:], bundle[:half]]
    return Reply(None, sure)


def _ask_one(columns: Columns, low: int, high: int, allowance: Allowance, until: float, share: float) -> Reply:
    """Ask whether some grouping has all its sums in low … high, with a share of the work down to `until`."""
    sure = True
    held = columns.held(low, high)
    allowance.spend(_WORK_PER_WINDOW + _WORK_PER_COLUMN * (held.stop - held.start))
    for problem in cover_problems(columns, low, high):
        allowance.spend(_WORK_PER_MODEL + _WORK_PER_VARIABLE * problem.members.shape[1])
        found = exact.cover(problem, columns.series, allowance, max(0.01, share * (allowance.left() - until)))
        if found.groups is not None:
            return Reply(columns.order[found.groups], True)
        sure &= found.settled
    return Reply(None, sure)


def _bundles(columns: Columns, lows: Ints, width: int) -> list[Ints]:
    """Return the lows in bundles of neighbours, those with most columns first; lows with too few are left out."""
    held = np.searchsorted(columns.sums, lows + width + 1) - np.searchsorted(columns.sums, lows)
    lows, held = lows[held >= columns.series], held[held >= columns.series]
    if not len(lows):
        return []
    span = 1 + max(0, width - columns.counted) // _BUNDLED
    starts = np.flatnonzero(np.diff((lows - lows[0]) // span, prepend=-1))
    order = np.argsort(-np.maximum.reduceat(held, starts), kind="stable")
    bundles = np.split(lows, starts[1:])
    return [bundles[place] for place in order]


def _lows_of(columns: Columns, width: int) -> Ints:
    """Return the lowest sums that a grouping of that spread can have, rising."""
    series = columns.series
    lowest, highest = -(-columns.poorest_total() // series) - width, columns.richest_total() // series
    return np.unique(columns.sums[(columns.sums >= lowest) & (columns.sums <= highest)])


def least_spread(
    columns: Columns,
    best: int,
    bound: int,
    allowance: Allowance,
    on_better: Callable[[Ints], None],
    *,
    nearly_there: bool,
) -> int:
    """Return the greatest bound proved on the spread, starting from the best and the bound at hand.

    A window that holds no grouping raises the bound for good, and one that does gives a better grouping, so that
    bound and best close in on each other however the questions end.

    `nearly_there`: the best is likely the best there is, so the step just below it is asked for first.
    """

    def question(width: int) -> Reply:
        return ask(columns, _lows_of(columns, width), width, allowance)

    def spread(groups: Ints) -> int:
        sums = columns.sums_of(groups)
        return int(sums.max() - sums.min())

    return _halve(question, spread, best, bound, allowance, on_better, nearly_there=nearly_there)


def strongest_weakest(
    columns: Columns,
    best: int,
    bound: int,
    spread_at_most: int,
    allowance: Allowance,
    on_better: Callable[[Ints], None],
) -> int:
    """Return the least bound proved on the weakest group, the spread kept within its limit."""

    def question(negative: int) -> Reply:
        low = -negative
        lows = np.array([low])
        if columns.richest_total() - columns.series * low > spread_at_most:
            # the limit on the spread is not kept by itself: one window for each weakest group
            lows = np.unique(columns.sums[(columns.sums >= low) & (columns.sums <= bound)])
        return ask(columns, lows, spread_at_most, allowance)

    def negative_weakest(groups: Ints) -> int:
        return -int(columns.sums_of(groups).min())

    return -_halve(question, negative_weakest, -best, -bound, allowance, on_better, nearly_there=False)


def _halve(
    question: Callable[[int], Reply],
    value: Callable[[Ints], int],
    best: int,
    bound: int,
    allowance: Allowance,
    on_better: Callable[[Ints], None],
    *,
    nearly_there: bool,
) -> int:
    """Return the greatest lower bound proved on a value, halving what lies between it and the best."""
    unanswered: list[int] = []
    while bound < best and not allowance.halted() and allowance.left() > 0:
        # a no just below the best settles all, and any no makes it likely that the best is the best there is
        just_below = (nearly_there or best - bound <= 2) and best - 1 not in unanswered
        level = best - 1 if just_below else _middle(bound, best, unanswered)
        if level is None:
            break
        reply = question(level)
        if reply.groups is not None:
            best, nearly_there = value(reply.groups), False
            on_better(reply.groups)
        elif reply.sure:
            bound, nearly_there = level + 1, True
        else:
            unanswered.append(level)
    return bound


def _middle(bound: int, best: int, unanswered: list[int]) -> int | None:
    """Return the middle; with unanswered questions that of what lies above them, then of what lies below."""
    between = [level for level in unanswered if bound <= level < best]
    for low, high in ((max(between, default=bound - 1) + 1, best), (bound, min(between, default=best))):
        if low < high:
            return (low + high - 1) // 2
    return None
