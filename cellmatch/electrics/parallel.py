"""Joining cells in parallel: what flows at the first instant, and may it.

Between poles that touch, nothing limits the current but the cells' own resistance. Bus of cells k with
rest voltage U_k and resistance R_k::

    V = sum(U_k / R_k) / sum(1 / R_k)        I_k = (U_k - V) / R_k

(Kirchhoff's laws; I_k > 0 discharges cell k.) The resistance to use is the lowest one known, and links
count as nothing unless they were measured: both make the figure err towards caution.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.errors import ArgumentInvalid, Problem

VERDICTS = ("go", "level first", "stop")
"""From best to worst."""

_ROUNDING = 1e-9
"""A current that equals its limit but for rounding still keeps it."""


def worst_verdict(verdicts: Iterable[str]) -> str:
    """Return the worst of the verdicts; "go" where there is none.

    Raises
    ------
    ValueError
        A word that is no verdict.

    Examples
    --------
    >>> worst_verdict(["go", "level first", "go"])
    'level first'
    """
    return VERDICTS[max((VERDICTS.index(v) for v in verdicts), default=0)]


def joining_window_v(r_ohm: float, parallel: int | None, limit_a: float) -> float:
    """Return how far a cell may lie from the common voltage so that no joining current passes its limit.

    Worst case of a window of half width w: one cell at one edge, the other P - 1 at the other edge,
    so that I = 2 w (P - 1) / (P R).

    Parameters
    ----------
    r_ohm : float
        [ohm] Typical lowest resistance of one cell.
    parallel : int or None
        Cells in one group; None where it isn't known yet, which gives the narrowest window (P without end).
    limit_a : float
        [A] Largest current a cell may see at the instant of joining.

    Returns
    -------
    float
        [V] Half width; infinite for P = 1, where nothing is joined.

    Examples
    --------
    >>> 1000 * joining_window_v(0.025, 3, 1.25), 1000 * joining_window_v(0.025, 8, 1.25)
    (23.4375, 17.857)
    """
    if not (r_ohm > 0 and limit_a > 0):
        raise ArgumentInvalid(Problem("joining window", f"found {r_ohm} ohm and {limit_a} A; both must be above 0"))
    if parallel is None:
        return 0.5 * limit_a * r_ohm
    if parallel < 1:
        raise ArgumentInvalid(Problem("joining window", f"found {parallel} cells in parallel; at least 1"))
    return np.inf if parallel == 1 else 0.5 * limit_a * r_ohm * parallel / (parallel - 1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Joining:
    """What happens at the first instant when the cells of one group are joined.

    Parameters
    ----------
    bus_v : float
        [V] Common voltage at the first instant.
    currents_a : ndarray of shape (n,)
        [A] Current of each cell, above 0 where it discharges.
    worst_cell : int
        Index of the cell that comes nearest to, or furthest above, its limit.
    worst_a, limit_a : float
        [A] Magnitude of that cell's current, and its limit.
    spread_v : float
        [V] Largest minus smallest rest voltage.
    verdict : str
        One of :data:`VERDICTS`.
    why : str
        The reason in a builder's words.
    """

    bus_v: float
    currents_a: NDArray[np.float64]
    worst_cell: int
    worst_a: float
    limit_a: float
    spread_v: float
    verdict: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupJoinings:
    """The same for many groups at once: arrays with one entry a group, in rising order of `group`.

    Parameters
    ----------
    group : ndarray of int, shape (g,)
        The groups' numbers as they were given.
    size : ndarray of int, shape (g,)
        Cells in each.
    bus_v, worst_a, limit_a, spread_v : ndarray of shape (g,)
        As in :class:`Joining`.
    worst_cell : ndarray of int, shape (g,)
        Index into the cells as they were given.
    verdict : ndarray of str, shape (g,)
        One of :data:`VERDICTS` each.
    currents_a : ndarray of shape (n,)
        [A] Current of each cell, in the order the cells were given.
    """

    group: NDArray[np.int64]
    size: NDArray[np.int64]
    bus_v: NDArray[np.float64]
    worst_a: NDArray[np.float64]
    limit_a: NDArray[np.float64]
    spread_v: NDArray[np.float64]
    worst_cell: NDArray[np.int64]
    verdict: NDArray[np.str_]
    currents_a: NDArray[np.float64]

    @property
    def worst_verdict(self) -> str:
        """The worst verdict of all groups: the pack's."""
        return worst_verdict(self.verdict.tolist())


def join_cells(ocv_v: ArrayLike, r_ohm: ArrayLike, limit_a: ArrayLike, *, stop_ratio: float = 10.0) -> Joining:
    """Return what flows at the first instant when the cells of one group are joined.

    Parameters
    ----------
    ocv_v : array_like of shape (n,)
        [V] Voltage of each cell at rest, with its sign.
    r_ohm : array_like of shape (n,)
        [ohm] Lowest resistance known of each cell, plus its links where those were measured.
    limit_a : float or array_like of shape (n,)
        [A] Joining limit of each cell.
    stop_ratio : float
        Multiple of the limit from which the verdict is "stop": a fault to look for, no levelling job. A cell at 0 V
        or below is a stop whatever flows, alone in its group too.

    Raises
    ------
    ArgumentInvalid
        A resistance or limit of 0 or below, or that is infinite.
    ValueError
        A value is missing (NaN): whether to go on without it is the caller's decision.

    Examples
    --------
    >>> joined = join_cells([3.72, 3.62, 3.62], [0.025] * 3, 1.25)
    >>> joined.worst_a, joined.verdict
    (2.667, 'level first')
    """
    ocv = np.atleast_1d(np.asarray(ocv_v, dtype=float))
    many = join_groups(ocv, r_ohm, np.zeros(len(ocv), dtype=np.int64), limit_a, stop_ratio=stop_ratio)
    return Joining(
        bus_v=float(many.bus_v[0]),
        currents_a=many.currents_a,
        worst_cell=int(many.worst_cell[0]),
        worst_a=float(many.worst_a[0]),
        limit_a=float(many.limit_a[0]),
        spread_v=float(many.spread_v[0]),
        verdict=str(many.verdict[0]),
        why=_why(ocv, many),
    )


def join_groups(
    ocv_v: ArrayLike, r_ohm: ArrayLike, group: ArrayLike, limit_a: ArrayLike, *, stop_ratio: float = 10.0
) -> GroupJoinings:
    """Return the first instant of joining for every group of a pack at once.

    Parameters
    ----------
    ocv_v, r_ohm : array_like of shape (n,)
        [V], [ohm] As in :func:`join_cells`.
    group : array_like of int, shape (n,)
        Number of the group each cell goes to.
    limit_a : float or array_like of shape (n,)
        [A] Joining limit of each cell.
    stop_ratio : float
        As in :func:`join_cells`.

    Raises
    ------
    ArgumentInvalid, ValueError
        As in :func:`join_cells`; also where no cell is given or lengths differ.

    Examples
    --------
    >>> joined = join_groups([3.7, 3.7, 4.1, 3.7], [0.05] * 4, [1, 1, 2, 2], 1.25)
    >>> joined.worst_a, joined.verdict.tolist(), joined.worst_verdict
    (array([0., 4.]), ['go', 'level first'], 'level first')
    """
    ocv, r, limit = _checked(ocv_v, r_ohm, limit_a)
    label, inverse, size = np.unique(np.asarray(group, dtype=np.int64), return_inverse=True, return_counts=True)
    if len(inverse) != len(ocv):
        raise ArgumentInvalid(Problem("joining", f"{len(inverse)} group numbers for {len(ocv)} cells"))
    conductance = 1.0 / r
    # voltages are taken from the group's first cell, so that equal cells give a current of exactly 0
    order = np.argsort(inverse, kind="stable")
    first = np.concatenate(([0], np.cumsum(size)[:-1]))
    reference = ocv[order[first]]
    above = ocv - reference[inverse]
    bus_above = np.bincount(inverse, above * conductance) / np.bincount(inverse, conductance)
    currents = (above - bus_above[inverse]) * conductance
    currents[size[inverse] == 1] = 0.0

    load = np.abs(currents) / limit
    # the last of each group after sorting by group and then by load is its most loaded cell
    worst = np.lexsort((load, inverse))[np.cumsum(size) - 1]
    low, high = np.minimum.reduceat(ocv[order], first), np.maximum.reduceat(ocv[order], first)
    code = np.where(load[worst] <= 1.0 + _ROUNDING, 0, 1)
    stop = (load[worst] >= stop_ratio * (1.0 - _ROUNDING)) | (low <= 0.0)
    code[stop] = 2
    return GroupJoinings(
        group=label,
        size=size,
        bus_v=reference + bus_above,
        worst_a=np.abs(currents[worst]),
        limit_a=limit[worst],
        spread_v=high - low,
        worst_cell=worst,
        verdict=np.array(VERDICTS)[code],
        currents_a=currents,
    )


def _checked(
    ocv_v: ArrayLike, r_ohm: ArrayLike, limit_a: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the three as float arrays of one length, each value usable."""
    ocv = np.atleast_1d(np.asarray(ocv_v, dtype=float))
    r = np.atleast_1d(np.asarray(r_ohm, dtype=float))
    if ocv.ndim != 1 or ocv.shape != r.shape or not len(ocv):
        raise ArgumentInvalid(
            Problem("joining", f"{ocv.size} voltages and {r.size} resistances; one of each per cell is needed")
        )
    limit = np.array(np.broadcast_to(np.asarray(limit_a, dtype=float), ocv.shape))
    for name, values in (("voltage", ocv), ("resistance", r), ("joining limit", limit)):
        if np.isnan(values).any():
            missing = np.flatnonzero(np.isnan(values)) + 1
            raise ValueError(f"joining: no {name} for cell number {', '.join(map(str, missing[:10]))}")
    problems = [
        Problem(f"joining, cell number {k + 1}", f"found a {name} of {values[k]:g} {unit}; it must be above 0")
        for name, unit, values in (("resistance", "ohm", r), ("joining limit", "A", limit))
        for k in np.flatnonzero(~((values > 0) & np.isfinite(values)))[:10]
    ]
    if problems:
        raise ArgumentInvalid(problems)
    return ocv, r, limit


def _why(ocv: NDArray[np.float64], many: GroupJoinings) -> str:
    """Return the reason for the verdict on a single group in a builder's words."""
    dead = np.flatnonzero(ocv <= 0.0)
    if len(dead):
        numbers = ", ".join(f"{k + 1} ({ocv[k]:.3f} V)" for k in dead[:10])
        wrong = f"cell number {numbers} reads 0 V or less: a reversed cell, wrap or probe, or a dead cell"
        return wrong if len(ocv) == 1 else f"{wrong}; joined, up to {many.worst_a[0]:.0f} A would flow"
    if len(ocv) == 1:
        return "one cell: nothing is joined in parallel"
    worst_a, limit_a, spread_v = many.worst_a[0], many.limit_a[0], many.spread_v[0]
    spread = f"{1000 * spread_v:.0f} mV between the highest and the lowest cell"
    flow = f"{spread} drive up to {worst_a:.2f} A through one cell"
    verdict = str(many.verdict[0])
    if verdict == "go":
        return f"{flow}; its limit is {limit_a:.2f} A"
    if verdict == "level first":
        return f"{flow}, above its limit of {limit_a:.2f} A: bring the cells to one voltage first"
    times = f"{worst_a / limit_a:.0f} times its limit of {limit_a:.2f} A"
    return f"{flow}, {times}: look for a wrong cell or reading"
