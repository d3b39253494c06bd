"""A cell is dented, missing or fails: the least change that mends the plan, and what it takes to join it.

Cells that are already joined stay where they are. Recorded voltages decide nothing about joining: the cell
and the group are read now.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from dataclasses import replace as changed

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cellmatch.cells.table import PlacedCells, resistances_mohm
from cellmatch.electrics.parallel import Joining, join_cells
from cellmatch.errors import ArgumentInvalid, JobError, Problem, TooFewCells, nearest_name
from cellmatch.grouping.result import Grouping
from cellmatch.plan import Plan, consequences
from cellmatch.prediction import joining_limit_a

PLACE_COLUMNS = ("group", "position", "row", "column", "x_mm", "y_mm", "positive_up")


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """One cell that takes a place.

    Parameters
    ----------
    cell : str
    from_group : int
        0 for a spare.
    to_group : int
    position : int
        Place it takes.
    """

    cell: str
    from_group: int
    to_group: int
    position: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Replacement:
    """The least change that mends a plan.

    Parameters
    ----------
    out : str
        Cell that leaves.
    moves : tuple of Move
        In the order in which they are made.
    cells : PlacedCells
        The table after them.
    spread_before_mah, spread_after_mah : float
        [mAh] Largest minus smallest group.
    floor_mah : float
        [mAh] Below it two groups can't be told apart.
    read_now : tuple of str
        Readings to take before anything is joined.
    words : str
    """

    out: str
    moves: tuple[Move, ...]
    cells: PlacedCells
    spread_before_mah: float
    spread_after_mah: float
    floor_mah: float
    read_now: tuple[str, ...]
    words: str


def replace_cell(plan: Plan, cell: str, *, joined: Collection[str] = ()) -> Replacement:
    """Find the least number of moves that takes a cell out and keeps the spread within the floor.

    First one spare in its place; where that leaves the spread above the floor (or above the plan's own), a
    spare for a cell of another group that takes the place instead. Every such choice is tried.

    Parameters
    ----------
    plan : Plan
    cell : str
        The cell that leaves.
    joined : collection of str
        Cells that are already joined and stay.

    Returns
    -------
    Replacement

    Raises
    ------
    ArgumentInvalid
        A cell that the plan does not have or use.
    TooFewCells
        There is no spare.
    """
    table, size = plan.cells, plan.pack.series
    _check_cells(table, cell, joined)
    spares = table.index[(table["status"] == "spare").to_numpy()]
    if not len(spares):
        raise TooFewCells(Problem(f"cell {cell}", "there is no spare left; test more cells and plan again"))
    group = table["group"].to_numpy(dtype=np.int64)
    capacity = table["capacity_mah"].to_numpy(dtype=float)
    sums = np.bincount(group, capacity, minlength=size + 1)[1:].astype(np.float64)
    before = float(np.ptp(sums))
    limit = max(plan.grouping.floor_mah, before)
    row_of = {str(c): i for i, c in enumerate(table.index)}
    out, spare = row_of[cell], np.array([row_of[str(c)] for c in spares])
    hole = int(group[out])
    sums[hole - 1] -= capacity[out]
    moves, after = _one_move(sums, hole, capacity, spare)
    if after > limit:
        stay = {row_of[c] for c in joined} | {out}
        movable = np.array([i for i in np.flatnonzero(group > 0) if i not in stay and group[i] != hole], dtype=np.int64)
        two, better = _two_moves(sums, hole, capacity, spare, movable, group)
        if better < after:
            moves, after = two, better
    return _told(plan, table, out, moves, group, before, after)


def _check_cells(table: PlacedCells, cell: str, joined: Collection[str]) -> None:
    known = {str(c) for c in table.index}
    problems = [Problem(f"cell {c}", nearest_name(c, known)) for c in (cell, *joined) if c not in known]
    if not problems and int(table["group"].to_numpy(dtype=np.int64)[[str(c) for c in table.index].index(cell)]) == 0:
        problems.append(Problem(f"cell {cell}", "is in no group, so nothing has to be replaced"))
    if problems:
        raise ArgumentInvalid(problems)


def _one_move(
    sums: NDArray[np.float64], hole: int, capacity: NDArray[np.float64], spare: NDArray[np.int64]
) -> tuple[list[tuple[int, int]], float]:
    """Return the best spare for the hole as (row, to group), and the spread it makes."""
    others = np.delete(sums, hole - 1)
    filled = sums[hole - 1] + capacity[spare]
    high, low = others.max(initial=-np.inf), others.min(initial=np.inf)
    spread = np.maximum(high, filled) - np.minimum(low, filled)
    best = int(np.argmin(spread))
    return [(int(spare[best]), hole)], float(spread[best])


def _two_moves(
    sums: NDArray[np.float64],
    hole: int,
    capacity: NDArray[np.float64],
    spare: NDArray[np.int64],
    movable: NDArray[np.int64],
    group: NDArray[np.int64],
) -> tuple[list[tuple[int, int]], float]:
    """Return the best spare for a cell of another group that takes the hole, and the spread that makes."""
    best: tuple[list[tuple[int, int]], float] = ([], float("inf"))
    for g in np.unique(group[movable]):
        others = np.delete(sums, [hole - 1, g - 1])
        high, low = others.max(initial=-np.inf), others.min(initial=np.inf)
        moved = movable[group[movable] == g]
        filled = (sums[hole - 1] + capacity[moved])[:, None]
        given = sums[g - 1] - capacity[moved][:, None] + capacity[spare][None, :]
        spread = np.maximum(high, np.maximum(filled, given)) - np.minimum(low, np.minimum(filled, given))
        i, j = np.unravel_index(int(np.argmin(spread)), spread.shape)
        if spread[i, j] < best[1]:
            best = ([(int(moved[i]), hole), (int(spare[j]), int(g))], float(spread[i, j]))
    return best


def _told(
    plan: Plan,
    table: PlacedCells,
    out: int,
    moves: list[tuple[int, int]],
    group: NDArray[np.int64],
    before: float,
    after: float,
) -> Replacement:
    """Make the table after the moves, and say what they are."""
    ids = [str(c) for c in table.index]
    free, made = out, []
    for row, to in moves:
        made.append(
            Move(
                cell=ids[row],
                from_group=int(group[row]),
                to_group=to,
                position=int(table["position"].to_numpy(dtype=np.int64)[free]),
            )
        )
        free = row
    fresh = _moved(table, [out, *(row for row, _ in moves)])
    floor = plan.grouping.floor_mah
    steps = "; ".join(
        f"{m.cell} from {'the spares' if not m.from_group else f'group {m.from_group}'} to place {m.position} in group "
        f"{m.to_group}"
        for m in made
    )
    worth = "within" if after <= max(floor, before) else "above"
    limit = f"the floor of {floor:.0f} mAh" if floor >= before else f"the plan's own {before:.0f} mAh"
    return Replacement(
        out=ids[out],
        moves=tuple(made),
        cells=fresh,
        spread_before_mah=before,
        spread_after_mah=after,
        floor_mah=floor,
        read_now=tuple(f"cell {m.cell}, and group {m.to_group} as it stands now" for m in made),
        words=f"{ids[out]} leaves: {steps}. Spread {before:.0f} mAh before, {after:.0f} mAh after, {worth} {limit}.",
    )


def _moved(table: PlacedCells, chain: list[int]) -> PlacedCells:
    """Return the table in which each row of the chain takes the place of the one before it; the first goes."""
    fresh = table.copy()
    # the last of the chain was a spare: its empty place goes to the cell that leaves
    for name in PLACE_COLUMNS:
        values = table[name].to_numpy(copy=True)
        values[chain] = values[[chain[-1], *chain[:-1]]]
        fresh[name] = values
    status = table["status"].to_numpy(dtype=object, copy=True)
    status[chain] = ["reject", *["used"] * (len(chain) - 1)]
    fresh["status"] = pd.Series(status, index=table.index, dtype=table["status"].dtype)
    return PlacedCells(fresh)


def joining_now(
    cell_v: float,
    group_v: float,
    cell_ohm: float,
    others_ohm: Sequence[float],
    limit_a: float,
    *,
    stop_ratio: float = 10.0,
) -> Joining:
    """Return what flows when a cell is joined to the others of its group as both read now.

    Parameters
    ----------
    cell_v, group_v : float
        [V] Present readings of the cell and of the group it joins; never the recorded ones.
    cell_ohm : float
        [ohm]
    others_ohm : sequence of float
        [ohm] The other cells of the group.
    limit_a : float
        [A] Joining limit of the cell.
    stop_ratio : float
        Multiple of the limit from which the verdict is stop.

    Returns
    -------
    Joining
        The cell is the first.

    Raises
    ------
    JobError
        A wrong sign.

    Examples
    --------
    >>> joining_now(3.67, 4.15, 0.025, [0.025] * 3, 1.25).worst_a
    14.4
    """
    if min(cell_v, group_v) <= 0:
        raise JobError(Problem("joining", f"cell {cell_v:.3f} V, group {group_v:.3f} V: a wrong sign is a stop"))
    return join_cells([cell_v, *(group_v for _ in others_ohm)], [cell_ohm, *others_ohm], limit_a, stop_ratio=stop_ratio)


def joining_of_move(plan: Plan, change: Replacement, move: Move, *, cell_v: float, group_v: float) -> Joining:
    """Return what flows when the cell of a move is joined, from present readings of it and of its group.

    Raises
    ------
    JobError
        A wrong sign, or a resistance that was not given.
    """
    table = change.cells
    ids = [str(c) for c in table.index]
    group = table["group"].to_numpy(dtype=np.int64)
    r_ohm = resistances_mohm(table) / 1000
    row = ids.index(move.cell)
    others = np.setdiff1d(np.flatnonzero(group == move.to_group), [row])
    if np.isnan(r_ohm[row]) or np.isnan(r_ohm[others]).any():
        raise JobError(Problem(f"joining {move.cell}", "current not known: no resistance given"))
    limit = float(joining_limit_a(table, plan.limits)[row])
    return joining_now(
        cell_v, group_v, float(r_ohm[row]), r_ohm[others].tolist(), limit, stop_ratio=plan.limits.join_stop_ratio
    )


def replaced_plan(plan: Plan, change: Replacement, *, when: str, reason: str) -> Plan:
    """Return the plan after a change, with the change in its history; nothing is overwritten.

    Parameters
    ----------
    plan : Plan
    change : Replacement
    when : str
        UTC, ISO 8601.
    reason : str
        Written reason.

    Returns
    -------
    Plan

    Raises
    ------
    ArgumentInvalid
        No reason was given.
    """
    if not reason.strip():
        raise ArgumentInvalid(Problem("reason", "write why the cell leaves; it stays in the record"))
    cells = PlacedCells(change.cells.copy())
    reasons = cells["reasons"].to_numpy(dtype=object, copy=True)
    row = [str(c) for c in cells.index].index(change.out)
    reasons[row] = (*reasons[row], f"taken out at the bench: {reason.strip()}")
    cells["reasons"] = reasons
    case = plan.prediction.load.case if plan.prediction.load else None
    follows = consequences(cells, plan.pack, plan.holder, plan.chemistry, plan.limits, plan.screening, case)
    entry = {
        "what": "cell replaced",
        "when": when,
        "before": {"groups": [list(g) for g in plan.grouping.groups], "spread_mah": change.spread_before_mah},
        "after": {"out": change.out, "moves": [[m.cell, m.from_group, m.to_group, m.position] for m in change.moves]},
        "reason": reason.strip(),
    }
    return changed(
        plan,
        cells=cells,
        grouping=_regrouped(plan.grouping, cells, change),
        **follows._asdict(),
        history=(*plan.history, entry),
    )


def _regrouped(grouping: Grouping, cells: PlacedCells, change: Replacement) -> Grouping:
    """Return the grouping after the moves. What was proven of the first one is not proven of this one."""
    place = {m.cell: m.to_group for m in change.moves}
    gone = {change.out, *place}
    groups = [[c for c in group if c not in gone] for group in grouping.groups]
    for cell, to in place.items():
        groups[to - 1].append(cell)
    sums = [float(cells.loc[group, "capacity_mah"].sum()) for group in groups]
    return changed(
        grouping,
        groups=tuple(tuple(group) for group in groups),
        spares=tuple(c for c in grouping.spares if c not in gone),
        aims=(),
        spread_mah=change.spread_after_mah,
        proven=False,
        weakest_mah=min(sums),
        weakest_proven=False,
        notes=(*grouping.notes, f"{change.out} was replaced after the search: bounds are those of the first plan"),
    )
