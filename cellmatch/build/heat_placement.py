"""Hot places get cool cells: which group at which place in the series, which cell at which place in its group.

The heat of each cell comes from a discharge under the user's load (its mean I²R, never the split at the
first instant); how warm each place gets per watt comes from the holder. Both are handed in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from cellmatch.build.placement import check_group_sizes, ids_in_order, with_places
from cellmatch.cells.table import GroupedCells, PlacedCells
from cellmatch.electrics.heat import FILM_W_PER_M2_K, Cylinder, holder_rise
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.holder import Holder
from cellmatch.pack.positions import Positions
from cellmatch.pack.spec import Pack

EMPHASIS = 16
"""Rises enter the assignment to this power, so that the hottest count most."""
_FORBIDDEN = 1e12


@dataclass(frozen=True, kw_only=True, eq=False)
class HeatPlacement:
    """Cells placed by heat, and what that is worth.

    Parameters
    ----------
    cells : PlacedCells
        Groups are renumbered where they moved in the series.
    series_order : tuple of int
        Former number of the group now at each place in the series, group 1 first.
    hottest_before_k, hottest_after_k : float
        [K] Rise of the hottest cell, in the order of ids and as placed.
    gained_k : float
        [K]
    uncertainty_k : float
        [K] How well that rise is known.
    words : str
        Both in one sentence.
    """

    cells: PlacedCells
    series_order: tuple[int, ...]
    hottest_before_k: float
    hottest_after_k: float
    gained_k: float
    uncertainty_k: float
    words: str


def place_hotness_k_per_w(positions: Positions, holder: Holder) -> NDArray[np.float64]:
    """Return how warm each place gets if every cell gives one watt, at the worst film coefficient.

    Returns
    -------
    ndarray, shape (places,)
        [K/W] From :func:`cellmatch.electrics.heat.holder_rise`.
    """
    watt = np.ones(len(positions))
    size = Cylinder(diameter_mm=holder.diameter_mm, length_mm=holder.length_mm)
    return holder_rise(positions.x_mm, positions.y_mm, (watt, watt), size).high_k


def place_by_heat(
    cells: GroupedCells,
    pack: Pack | str,
    holder: Holder | None,
    heat_w: NDArray[np.float64],
    hotness_k_per_w: NDArray[np.float64] | None = None,
    *,
    pins: Mapping[str, int] | None = None,
    move_groups: bool = True,
) -> HeatPlacement:
    """Place cells so that the hottest one stays as cool as it can.

    Parameters
    ----------
    cells : GroupedCells
    pack : Pack or str
    holder : Holder or None
    heat_w : ndarray, shape (rows of the table,)
        [W] Mean I²R of each cell; entries of cells in no group are not looked at.
    hotness_k_per_w : ndarray, shape (places,), optional
        [K/W] Rise at each place; default from :func:`place_hotness_k_per_w`.
    pins : mapping of cell id to place number, optional
        Cells that stay where they are put. Their group stays at its place in the series.
    move_groups : bool
        Groups, too, may change places in the series.

    Returns
    -------
    HeatPlacement

    Raises
    ------
    ArgumentInvalid
        Sizes that don't fit, heats that are no numbers, or pins that contradict the grouping.
    """
    pack, holder, pins = Pack.of(pack), Holder.of(holder), dict(pins or {})
    positions = holder.lay_out(pack)
    group = cells["group"].to_numpy(dtype=np.int64)
    check_group_sizes(group, pack)
    hot = place_hotness_k_per_w(positions, holder) if hotness_k_per_w is None else np.asarray(hotness_k_per_w, float)
    heat = np.asarray(heat_w, dtype=float)
    _check_heat(cells, group, heat, positions, hot)
    members = ids_in_order(cells, pack)
    pinned = _pinned_rows(cells, group, positions, pins)
    before = np.full(len(cells), -1, dtype=np.int64)
    for g, rows in enumerate(members, start=1):
        before[rows] = np.flatnonzero(positions.group == g)
    order = (
        _series_order(positions, members, heat, hot, set(group[list(pinned)] - 1))
        if move_groups
        else np.arange(pack.series)
    )
    after = _within_groups(positions, [members[g] for g in order], heat, hot, len(cells), pinned)
    used = group > 0
    rise_before, rise_after = (float(np.max(heat[used] * hot[place[used]])) for place in (before, after))
    if rise_after >= rise_before and not pins:
        after, order, rise_after = before, np.arange(pack.series), rise_before
    moved = cells.copy()
    moved["group"] = np.where(used, positions.group[after], 0)
    return _told(
        with_places(GroupedCells(moved), positions, after), tuple(int(g) + 1 for g in order), rise_before, rise_after
    )


def _told(cells: PlacedCells, order: tuple[int, ...], before_k: float, after_k: float) -> HeatPlacement:
    low, high = FILM_W_PER_M2_K
    gained, uncertainty = before_k - after_k, after_k * (1 - low / high)
    words = (
        f"placing by heat makes the hottest cell {gained:.1f} K cooler, were the load to go on until nothing changes "
        f"({before_k:.0f} K to {after_k:.0f} K rise)"
    )
    if gained <= 0:
        words = f"placing by heat gains nothing here: left on for hours, the hottest cell would rise by {after_k:.0f} K"
    elif gained < uncertainty:
        how = f"{uncertainty:.0f} K: film coefficient of {low:g} to {high:g} W/m²K"
        words += f"; that is less than the rise is known ({how})"
    return HeatPlacement(
        cells=cells,
        series_order=order,
        hottest_before_k=before_k,
        hottest_after_k=after_k,
        gained_k=gained,
        uncertainty_k=uncertainty,
        words=words,
    )


def _check_heat(
    cells: GroupedCells,
    group: NDArray[np.int64],
    heat: NDArray[np.float64],
    positions: Positions,
    hot: NDArray[np.float64],
) -> None:
    if heat.shape != group.shape or hot.shape != positions.position.shape:
        found = f"found {heat.size} heats for {len(group)} cells and {hot.size} places for {len(positions)}"
        raise ArgumentInvalid(Problem("placing by heat", found))
    wrong = np.flatnonzero((group > 0) & ~(heat >= 0))
    if len(wrong):
        names = ", ".join(str(cells.index[i]) for i in wrong[:10])
        raise ArgumentInvalid(Problem("placing by heat", f"no heat of 0 W or more for {names}"))


def _pinned_rows(
    cells: GroupedCells, group: NDArray[np.int64], positions: Positions, pins: Mapping[str, int]
) -> dict[int, int]:
    """Return row of the table -> index of the place for every pin, refusing those that can't be kept."""
    problems, pinned = [], {}
    row_of = {str(cell): row for row, cell in enumerate(cells.index)}
    index_of = {int(number): index for index, number in enumerate(positions.position)}
    if len(set(pins.values())) < len(pins):
        problems.append(Problem("pins", "two cells are pinned to one place"))
    for cell, number in pins.items():
        where = f"pin {cell} at place {number}"
        if cell not in row_of or number not in index_of:
            problems.append(Problem(where, "no such cell or place"))
            continue
        own, theirs = int(group[row_of[cell]]), int(positions.group[index_of[number]])
        if own != theirs:
            problems.append(Problem(where, f"the cell is in group {own}; the place belongs to group {theirs}"))
        pinned[row_of[cell]] = index_of[number]
    if problems:
        raise ArgumentInvalid(problems)
    return pinned


def _series_order(
    positions: Positions,
    members: list[NDArray[np.int64]],
    heat: NDArray[np.float64],
    hot: NDArray[np.float64],
    pinned: set[int],
) -> NDArray[np.int64]:
    """Return which group (index) goes to which place in the series, by the best each could do there."""
    series = len(members)
    places = [np.sort(hot[positions.group == g]) for g in range(1, series + 1)]
    heats = [np.sort(heat[rows])[::-1] for rows in members]
    cost = np.full((series, series), _FORBIDDEN)
    scale = float(heat[np.concatenate(members)].max() * hot.max()) or 1.0
    for size in {len(h) for h in heats}:
        same = [g for g in range(series) if len(heats[g]) == size]
        # a group of other size can't take these places
        q, h = np.array([heats[g] for g in same]), np.array([places[g] for g in same])
        cost[np.ix_(same, same)] = (q / scale) ** EMPHASIS @ (h**EMPHASIS).T
    for g in pinned:
        stay = cost[g, g]
        cost[g, :], cost[:, g] = _FORBIDDEN, _FORBIDDEN
        cost[g, g] = stay
    _, place = linear_sum_assignment(cost)
    return np.argsort(place)


def _within_groups(
    positions: Positions,
    members: list[NDArray[np.int64]],
    heat: NDArray[np.float64],
    hot: NDArray[np.float64],
    rows_of_table: int,
    pinned: Mapping[int, int],
) -> NDArray[np.int64]:
    """Return the place (an index) of every row of the table, -1 for none."""
    place = np.full(rows_of_table, -1, dtype=np.int64)
    scale = float(heat[np.concatenate(members)].max() * hot.max()) or 1.0
    for g, rows in enumerate(members, start=1):
        here = np.flatnonzero(positions.group == g)
        cost = (np.outer(heat[rows], hot[here]) / scale) ** EMPHASIS
        for i, row in enumerate(rows):
            if int(row) in pinned:
                cost[i, :] = np.where(here == pinned[int(row)], 0.0, _FORBIDDEN)
        who, where = linear_sum_assignment(cost)
        place[rows[who]] = here[where]
    return place
