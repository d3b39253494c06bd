"""Joining what is more than one cell: strings, modules and whole packs, by the same rule as cells.

Anything with two terminals is a branch: a rest voltage behind a resistance, with the largest current that
overloads none of its cells. Branches side by side are joined like cells (:mod:`.parallel`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from cellmatch.electrics.parallel import Joining, join_cells
from cellmatch.errors import ArgumentInvalid, Problem


@dataclass(frozen=True, kw_only=True, slots=True)
class Branch:
    """Something with two terminals, seen from them.

    Parameters
    ----------
    ocv_v, r_ohm : float
        [V], [ohm] Rest voltage and lowest resistance.
    limit_a : float
        [A] Largest current at the terminals that keeps every cell inside its joining limit.
    """

    ocv_v: float
    r_ohm: float
    limit_a: float


def string_of(ocv_v: ArrayLike, r_ohm: ArrayLike, limit_a: ArrayLike, link_ohm: float = 0.0) -> Branch:
    """Return cells in series as one branch.

    A column of cells that hangs on nothing but its series links is such a string. The second series link
    of a junction joins two of them: with two cells each, the loop holds four resistances.

    Parameters
    ----------
    ocv_v, r_ohm : array_like of shape (s,)
        [V], [ohm] Of each cell.
    limit_a : float or array_like of shape (s,)
        [A] Joining limit of each cell.
    link_ohm : float
        [ohm] All links of the string, where they were measured.
    """
    ocv, r, limit = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (ocv_v, r_ohm, limit_a)))
    return Branch(ocv_v=float(ocv.sum()), r_ohm=float(r.sum()) + link_ohm, limit_a=float(limit.min()))


def module_of(
    ocv_v: ArrayLike, r_ohm: ArrayLike, group: ArrayLike, limit_a: ArrayLike, link_ohm: float = 0.0
) -> Branch:
    """Return a module or pack of groups in series as one branch.

    At the first instant the terminals' current divides in each group by conductance, so cell k of group g
    keeps its limit L_k up to L_k R_k sum(1/R) at the terminals.

    Parameters
    ----------
    ocv_v, r_ohm : array_like of shape (n,)
        [V], [ohm] Of each cell, joined within its group and at rest.
    group : array_like of int, shape (n,)
        Group of each cell.
    limit_a : float or array_like of shape (n,)
        [A] Joining limit of each cell.
    link_ohm : float
        [ohm] Links in series, where they were measured.

    Raises
    ------
    ArgumentInvalid
        A resistance of 0 or below.
    """
    ocv, r, limit = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (ocv_v, r_ohm, limit_a)))
    if not (r > 0).all():
        raise ArgumentInvalid(Problem("module", "found a resistance that is not above 0"))
    _, inverse = np.unique(np.asarray(group), return_inverse=True)
    conductance = np.bincount(inverse, 1.0 / r)
    voltage = np.bincount(inverse, ocv / r) / conductance
    return Branch(
        ocv_v=float(voltage.sum()),
        r_ohm=float((1.0 / conductance).sum()) + link_ohm,
        limit_a=float((limit * r * conductance[inverse]).min()),
    )


def join_branches(branches: Sequence[Branch], *, stop_ratio: float = 10.0) -> Joining:
    """Return the first instant of joining branches at their terminals: see :func:`.parallel.join_cells`.

    Examples
    --------
    One reversed cell in the second column, found when the second series link closes the loop:

    >>> good, wrong = string_of([3.67, 3.67], [0.025] * 2, 1.25), string_of([3.67, -3.67], [0.025] * 2, 1.25)
    >>> joined = join_branches([good, wrong])
    >>> joined.worst_a, joined.verdict
    (73.4, 'stop')
    """
    return join_cells(
        [b.ocv_v for b in branches],
        [b.r_ohm for b in branches],
        [b.limit_a for b in branches],
        stop_ratio=stop_ratio,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Levelling:
    """How two branches are brought together through a resistor before they are joined.

    Parameters
    ----------
    resistor_ohm : float
        [ohm] Smallest resistor that keeps both inside their limits; 0 where none is needed.
    first_a, first_w : float
        [A] At the first instant, and [W] in the resistor then.
    time_s : float
        [s] Until they may be joined without it.
    energy_j : float
        [J] Heat in the resistor until then.
    """

    resistor_ohm: float
    first_a: float
    first_w: float
    time_s: float
    energy_j: float


def level_through_resistor(
    one: Branch, other: Branch, capacity_ah: tuple[float, float], slope_v: tuple[float, float]
) -> Levelling:
    """Return the resistor that brings two branches to one voltage without passing a limit.

    With straight curves of slope a the difference D of the rest voltages decays with
    tau = R/(a1/Q1 + a2/Q2), R being the whole loop; joined directly, the current is D/(R1 + R2), so the
    resistor may go as soon as D has come down to the smaller limit times R1 + R2.

    Parameters
    ----------
    one, other : Branch
    capacity_ah : pair of float
        [Ah] Of each branch.
    slope_v : pair of float
        [V] Slope of each branch's rest voltage per unit of its charge: S times that of a cell.

    Raises
    ------
    ArgumentInvalid
        A capacity or slope of 0 or below.
    """
    if not all(v > 0 for v in (*capacity_ah, *slope_v)):
        raise ArgumentInvalid(Problem("levelling", "capacities and slopes must be above 0"))
    inside, limit = one.r_ohm + other.r_ohm, min(one.limit_a, other.limit_a)
    apart, allowed = abs(one.ocv_v - other.ocv_v), limit * inside
    resistor = max(apart / limit - inside, 0.0)
    loop = inside + resistor
    first = apart / loop
    stiffness = sum(a / (3600.0 * q) for a, q in zip(slope_v, capacity_ah, strict=True))  # V per A s
    after = min(apart, allowed)
    return Levelling(
        resistor_ohm=resistor,
        first_a=first,
        first_w=first**2 * resistor,
        time_s=float(loop / stiffness * np.log(apart / after)) if resistor > 0 else 0.0,
        energy_j=0.5 * (apart**2 - after**2) / stiffness * resistor / loop,
    )
