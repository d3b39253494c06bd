"""The pack's cells as arrays: how groups share one current, and what a step of time does to them.

Cells of a group share one voltage (links inside it count as part of each cell's resistance); groups
share one current. For cell k of a group with rest voltage U(z_k), resistance R_k and capacity Q_k::

    V = (sum U_k/R_k - I) / sum 1/R_k        I_k = (U_k - V)/R_k        dz_k/dt = -I_k/Q_k

Stepped by the implicit midpoint rule with the curve taken straight over one step. That makes a cell of
slope s = dU/dz look like one of resistance R_k + s dt/(2 Q_k), so that a step needs no iteration, is
stable for any length, keeps charge exactly and is exact to the second order (a linearly implicit method
of one stage: E. Hairer and G. Wanner, Solving Ordinary Differential Equations II, 2nd ed., Springer 1996,
section IV.7).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.curve import OcvCurve

Array = NDArray[np.float64]


class Share(NamedTuple):
    """How a load is shared: pack current [A], group voltages [V], cell currents [A] as laid out."""

    current_a: float
    group_v: Array
    cells_a: Array


class State(NamedTuple):
    """Charge of every cell, with the rest voltage [V] and slope [V per unit of SOC] that belong to it."""

    soc: Array
    ocv_v: Array
    slope_v: Array


@dataclass(frozen=True, kw_only=True, slots=True)
class Circuit:
    """Cells laid out as (cells of the largest group, groups); places that a group lacks are dead.

    Parameters
    ----------
    group : ndarray of int, shape (g,)
        Numbers of the groups, rising.
    place : pair of ndarray of int, shape (n,)
        Where each cell, in the order given, stands in the layout.
    live : ndarray of shape (p, g)
        1 for a cell, 0 for a dead place.
    r_ohm, capacity_as : ndarray of shape (p, g)
        [ohm], [A s] Of each cell.
    conductance : ndarray of shape (p, g)
        [1/ohm] 0 for a dead place.
    curve : OcvCurve
    kind : str
        Kind of load: ``current`` or ``power``.
    link_ohm : float
        [ohm] Links in series with all groups.
    """

    group: NDArray[np.int64]
    place: tuple[NDArray[np.int64], NDArray[np.int64]]
    live: Array
    r_ohm: Array
    capacity_as: Array
    conductance: Array
    curve: OcvCurve
    kind: str
    link_ohm: float

    @classmethod
    def of(
        cls,
        capacity_ah: ArrayLike,
        r_ohm: ArrayLike,
        group: ArrayLike,
        curve: OcvCurve,
        kind: str = "current",
        link_ohm: float = 0.0,
    ) -> Circuit:
        """Lay out cells given one by one.

        Raises
        ------
        ArgumentInvalid
            Lengths that differ; a capacity or resistance that is missing, 0 or below.
        """
        q, r = np.asarray(capacity_ah, dtype=float), np.asarray(r_ohm, dtype=float)
        number = np.asarray(group, dtype=np.int64)
        if not (q.ndim == 1 and q.shape == r.shape == number.shape and q.size):
            sizes = f"{q.size} capacities, {r.size} resistances, {number.size} group numbers"
            raise ArgumentInvalid(Problem("run", f"found {sizes}; one of each for each cell is needed"))
        problems = [
            Problem(f"run, cell number {k + 1}", f"found a {name} of {values[k]:g} {unit}; it must be above 0")
            for name, unit, values in (("capacity", "Ah", q), ("resistance", "ohm", r))
            for k in np.flatnonzero(~((values > 0) & np.isfinite(values)))[:10]
        ]
        if not (link_ohm >= 0 and np.isfinite(link_ohm)):
            problems.append(Problem("run", f"found links of {link_ohm:g} ohm; it must be 0 or more"))
        if problems:
            raise ArgumentInvalid(problems)
        label, column, size = np.unique(number, return_inverse=True, return_counts=True)
        order = np.argsort(column, kind="stable")
        row = np.empty(len(q), dtype=np.int64)
        row[order] = np.arange(len(q)) - np.repeat(np.cumsum(size) - size, size)
        shape = (int(size.max()), len(label))
        live, r_laid, q_laid = np.zeros(shape), np.ones(shape), np.full(shape, np.inf)
        live[row, column], r_laid[row, column], q_laid[row, column] = 1.0, r, 3600.0 * q
        return cls(
            group=label,
            place=(row, column),
            live=live,
            r_ohm=r_laid,
            capacity_as=q_laid,
            conductance=live / r_laid,
            curve=curve,
            kind=kind,
            link_ohm=link_ohm,
        )

    def laid_out(self, values: ArrayLike) -> Array:
        """Return one value a cell, or one for all, as laid out."""
        out = np.ones(self.live.shape)
        out[self.place] = np.asarray(values, dtype=float)
        return out

    def state(self, soc: Array) -> State:
        """Return the state that belongs to a state of charge, as laid out."""
        return State(soc, *self.curve.voltage_and_slope(soc))

    def share(self, state: State, load: float) -> Share:
        """Return what flows at this instant; nan throughout where the pack can't give the power."""
        return self._share(state.ocv_v, self.conductance, load)

    def step(self, state: State, load: float, dt_s: float) -> tuple[Share, State]:
        """Return the means over a step of time, and the state after it."""
        over_q = dt_s / self.capacity_as
        conductance = self.live / (self.r_ohm + (0.5 * state.slope_v) * over_q)
        mean = self._share(state.ocv_v, conductance, load)
        return mean, self.state(state.soc - mean.cells_a * over_q)

    def _share(self, ocv_v: Array, conductance: Array, load: float) -> Share:
        total = np.add.reduce(conductance, axis=0)
        open_v = np.add.reduce(ocv_v * conductance, axis=0) / total
        current = load
        if self.kind == "power":
            # V I = P with V = E - I R; the root that goes to P/E as R goes to 0
            e, r = float(open_v.sum()), float((1.0 / total).sum()) + self.link_ohm
            root = e * e - 4.0 * r * load
            current = 2.0 * load / (e + root**0.5) if root >= 0.0 else np.nan
        group_v = open_v - current / total
        return Share(current, group_v, (ocv_v - group_v) * conductance)
