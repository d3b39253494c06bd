"""An old pack: which cells of a tray bring its weak group nearest to the others, and what that is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from cellmatch.cells.table import CellTable, ScreenedCells
from cellmatch.errors import ArgumentInvalid, Problem, TooFewCells

MOST_CELLS = 200
"""Cells of a tray looked at: those nearest to what is wanted."""
HONEST = (
    "New cells beside old ones do not make a new pack: the other groups go on fading, and soon one of them is the "
    "weakest. The mended group will have less resistance than its peers, so it stays cooler and drifts apart from them "
    "in balance. Compare resistance and self-discharge too, and read the whole pack again after ten cycles."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Mending:
    """Cells that take the place of a weak group.

    Parameters
    ----------
    group : int
        The weakest group.
    cells : tuple of str
        Cells of the tray that replace all of it.
    before_mah, after_mah, others_mah : float
        [mAh] The group before and after, and the median of the others.
    weakest_before_mah, weakest_after_mah : float
        [mAh] Weakest group of the pack before and after: what the pack gives.
    exact : bool
        No other choice of cells comes nearer, to 1 mAh.
    words : str
    level_to_v : float or None
        [V] Where the other groups rest: the cells are brought there first. None where that was not read.
    """

    group: int
    cells: tuple[str, ...]
    before_mah: float
    after_mah: float
    others_mah: float
    weakest_before_mah: float
    weakest_after_mah: float
    exact: bool
    words: str
    level_to_v: float | None = None


def mend_group(
    group_mah: Sequence[float], parallel: int, tray_ids: Sequence[str], tray_mah: Sequence[float]
) -> Mending:
    """Choose the cells that bring the weakest group of an old pack nearest to the median of the others.

    Exact by counting: which sums of k cells of the tray exist is kept as bits of a whole number, cell by
    cell, and the sum nearest to the median is traced back (dynamic programming of the subset-sum problem:
    R. Bellman, Dynamic Programming, Princeton 1957), in steps of 1 mAh.

    Parameters
    ----------
    group_mah : sequence of float, length S
        [mAh] Measured capacity of each group now.
    parallel : int
        Cells in a group.
    tray_ids, tray_mah : sequence, length N
        Good cells at hand and their capacities [mAh].

    Returns
    -------
    Mending

    Raises
    ------
    ArgumentInvalid
        Fewer than two groups, or a capacity that is none.
    TooFewCells
        The tray holds fewer cells than the group needs.

    Examples
    --------
    >>> mend_group([7400, 6100, 7500], 3, ["a", "b", "c", "d"], [2500, 2450, 2400, 2600]).cells
    ('b', 'c', 'd')
    """
    groups, tray = np.asarray(group_mah, dtype=float), np.asarray(tray_mah, dtype=float)
    if len(groups) < 2 or not (groups > 0).all() or not (tray > 0).all():
        raise ArgumentInvalid(Problem("old pack", "two groups or more and capacities above 0 mAh are needed"))
    if len(tray) < parallel:
        raise TooFewCells(Problem("tray", f"{len(tray)} cells; a group takes {parallel}"))
    weak = int(np.argmin(groups))
    target = float(np.median(np.delete(groups, weak)))
    near = np.argsort(np.abs(tray - target / parallel), kind="stable")[:MOST_CELLS]
    near = np.sort(near)
    chosen = near[_nearest_sum([round(q) for q in tray[near]], parallel, round(target))]
    after = float(tray[chosen].sum())
    mended = groups.copy()
    mended[weak] = after
    ids = tuple(str(tray_ids[i]) for i in chosen)
    return Mending(
        group=weak + 1,
        cells=ids,
        before_mah=float(groups[weak]),
        after_mah=after,
        others_mah=target,
        weakest_before_mah=float(groups.min()),
        weakest_after_mah=float(mended.min()),
        exact=len(tray) <= MOST_CELLS,
        words=f"{', '.join(ids)} in place of group {weak + 1}: {groups[weak]:.0f} mAh becomes {after:.0f} mAh, the "
        f"others' median is {target:.0f} mAh; the pack gives {mended.min():.0f} instead of {groups.min():.0f} mAh",
    )


def mend_from_tray(groups: CellTable, tray: ScreenedCells, parallel: int) -> Mending:
    """Choose cells for an old pack from a screened tray; only good ones, and none without a capacity.

    Parameters
    ----------
    groups : CellTable
        One row a group of the old pack, group 1 first: ``ocv_v`` and ``capacity_mah`` as measured now.
    tray : ScreenedCells
        Cells at hand, from :func:`cellmatch.screen_cells`.
    parallel : int
        Cells in a group.

    Returns
    -------
    Mending

    Raises
    ------
    ArgumentInvalid
        Fewer than two groups, or a capacity that is missing.
    TooFewCells
        The tray holds fewer good cells than the group needs.
    """
    capacity = groups["capacity_mah"]
    if capacity.isna().any():
        names = ", ".join(map(str, groups.index[capacity.isna()]))
        raise ArgumentInvalid(Problem(f"group {names}", "has no capacity: measure every group of the old pack"))
    good = tray[(tray["status"] == "good") & tray["capacity_mah"].notna()]
    if len(good) < parallel:
        what = f"{len(good)} good cells with a capacity of {len(tray)}; a group takes {parallel}"
        raise TooFewCells(Problem("tray", what))
    mended = mend_group(capacity.tolist(), parallel, [str(c) for c in good.index], good["capacity_mah"].tolist())
    peers_v = float(np.median(np.delete(groups["ocv_v"].to_numpy(dtype=float), mended.group - 1)))
    return replace(mended, level_to_v=peers_v if np.isfinite(peers_v) else None)


def _nearest_sum(values: list[int], count: int, target: int) -> list[int]:
    """Return which `count` of the values add up nearest to the target."""
    # sums[k] after each value: bit s is set where k of the values so far add up to s
    history = [[1] + [0] * count]
    for value in values:
        last = history[-1]
        history.append([last[0], *(last[k] | last[k - 1] << value for k in range(1, count + 1))])
    reached = history[-1][count]
    low = (reached & ((1 << (target + 1)) - 1)).bit_length() - 1
    above = reached >> target
    high = target + (above & -above).bit_length() - 1 if above else -1
    best = min((s for s in (low, high) if s >= 0), key=lambda s: abs(s - target))
    chosen: list[int] = []
    for i in range(len(values) - 1, -1, -1):
        k = count - len(chosen)
        if not history[i][k] >> best & 1:
            chosen.append(i)
            best -= values[i]
    return sorted(chosen)
