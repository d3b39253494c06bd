"""Groups of unequal size: what the other choice of equal shares or equal sums would give."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pandas as pd

from cellmatch.grouping.result import Grouping

SECONDS = 0.3
"""Longest look at the other choice."""
OTHER = {"share": "sum", "sum": "share"}
_WORDS = {
    "share": "each holds its share by size, so every cell carries current in step with its capacity",
    "sum": "all are to hold the same, since groups in series pass the same charge",
}


def with_other_choice(grouping: Grouping, cells: pd.DataFrame, again: Callable[[str], Grouping]) -> Grouping:
    """Return the grouping with a note that sets it beside the other choice.

    Parameters
    ----------
    grouping : Grouping
        Of groups that differ in size.
    cells : DataFrame
    again : callable
        Groups the same cells by the choice it is given.
    """
    other = again(OTHER[grouping.unequal])
    ours_ah, theirs_ah = (_usable_ah(g, cells) for g in (grouping, other))
    note = (
        f"groups of unequal size ({grouping.unequal}): {_WORDS[grouping.unequal]}; usable {ours_ah:.2f} Ah. "
        f"The other choice ({other.unequal}: {_WORDS[other.unequal]}) would give {theirs_ah:.2f} Ah"
    )
    return replace(grouping, notes=(*grouping.notes, note))


def _usable_ah(grouping: Grouping, cells: pd.DataFrame) -> float:
    """Return the least sum of any group [Ah]: in series all pass the same charge."""
    return min(float(cells.loc[list(group), "capacity_mah"].sum()) for group in grouping.groups) / 1000
