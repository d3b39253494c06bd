"""Who carries how much of a load: at load-on, settled, in between for two cells, and against limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.electrics.discharge import Run
from cellmatch.electrics.load import Load
from cellmatch.errors import ArgumentInvalid, JobError, Problem

Array = NDArray[np.float64]


def conductance_share(r_ohm: ArrayLike) -> Array:
    """Return each cell's share of the group's current at load-on, from equal rest voltages.

    Parameters
    ----------
    r_ohm : array_like of shape (n,)
        [ohm] Each cell with its contacts.

    Returns
    -------
    ndarray of shape (n,)
        Fractions that sum to 1.

    Examples
    --------
    >>> conductance_share([0.025, 0.025, 0.025, 0.0375])
    array([0.273, 0.273, 0.273, 0.182])
    """
    return _fraction(1.0 / _above_zero("resistance", "ohm", r_ohm))


def capacity_share(capacity_ah: ArrayLike) -> Array:
    """Return each cell's share once it has settled on a straight piece of the curve: by capacity."""
    return _fraction(_above_zero("capacity", "Ah", capacity_ah))


def largest_current_a(r_ohm: ArrayLike, group: ArrayLike, limit_a: ArrayLike) -> float:
    """Return the largest pack current at which every cell keeps its limit at load-on [A].

    Parameters
    ----------
    r_ohm : array_like of shape (n,)
        [ohm] Each cell with its contacts.
    group : array_like of int, shape (n,)
        Group of each cell.
    limit_a : float or array_like of shape (n,)
        [A] Of each cell.

    Examples
    --------
    >>> largest_current_a([0.02, 0.03, 0.025, 0.025], [1, 1, 2, 2], 10.0)
    16.667
    """
    r = _above_zero("resistance", "ohm", r_ohm)
    _, inverse = np.unique(np.asarray(group), return_inverse=True)
    return float((np.asarray(limit_a, dtype=float) * r * np.bincount(inverse, 1.0 / r)[inverse]).min())


def refuse_overload(current_a: float, group: ArrayLike, limit_a: ArrayLike) -> None:
    """Refuse a load that some group can't carry however well its cells share.

    Parameters
    ----------
    current_a : float
        [A] Of the pack.
    group : array_like of int, shape (n,)
        Group of each cell.
    limit_a : float or array_like of shape (n,)
        [A] Of each cell.

    Raises
    ------
    JobError
        The limits of a group's cells together are below the current.
    """
    label, inverse = np.unique(np.asarray(group), return_inverse=True)
    together = np.bincount(inverse, np.broadcast_to(np.asarray(limit_a, dtype=float), inverse.shape))
    weakest = int(np.argmin(together))
    if abs(current_a) > together[weakest] * (1 + 1e-9):
        size = int(np.sum(inverse == weakest))
        words = (
            f"{abs(current_a):g} A is more than group {label[weakest]} may carry: its {size} cells may carry "
            f"{together[weakest]:g} A together; take a smaller load or more cells in parallel"
        )
        raise JobError(Problem("load", words))


def _fraction(values: Array) -> Array:
    return np.asarray(values / values.sum())


def _above_zero(name: str, unit: str, values: ArrayLike) -> Array:
    array = np.atleast_1d(np.asarray(values, dtype=float))
    problems = [
        Problem(f"sharing, cell number {k + 1}", f"found a {name} of {array[k]:g} {unit}; it must be above 0")
        for k in np.flatnonzero(~(array > 0))[:10]
    ]
    if problems:
        raise ArgumentInvalid(problems)
    return array


@dataclass(frozen=True, kw_only=True, slots=True)
class TwoCells:
    """How two cells in parallel share a constant current on a straight curve.

    Parameters
    ----------
    tau_s : float
        [s] Time constant.
    kappa_per_a : float
        [1/A] Difference of charge (of the first minus of the second cell) that a steady ampere settles to.
    soc_difference : ndarray of shape (m,)
        First minus second cell, at each time.
    currents_a : ndarray of shape (m, 2)
        [A] Above 0 where a cell discharges.
    """

    tau_s: float
    kappa_per_a: float
    soc_difference: Array
    currents_a: Array


def share_two_cells(
    r_ohm: tuple[float, float],
    capacity_ah: tuple[float, float],
    slope_v: float,
    current_a: float,
    time_s: ArrayLike,
    soc_difference: float = 0.0,
) -> TwoCells:
    """Return the closed form for two cells in parallel whose curve is straight.

    With a = dU/dz and Q in A s::

        tau = (Ra + Rb)/a Qa Qb/(Qa + Qb)          kappa = (Ra Qa - Rb Qb)/(a (Qa + Qb))
        dz(t) = dz0 exp(-t/tau) + kappa I (1 - exp(-t/tau))
        Ia - Ib = (2 a dz - (Ra - Rb) I)/(Ra + Rb)

    The difference stays 0 for ever where Ra Qa = Rb Qb.

    Parameters
    ----------
    r_ohm, capacity_ah : pair of float
        [ohm], [Ah] Of the two cells.
    slope_v : float
        [V] Of the curve, per unit of charge.
    current_a : float
        [A] Of both together, above 0 in discharge.
    time_s : array_like of shape (m,)
        [s] Since load-on.
    soc_difference : float
        At load-on.

    Raises
    ------
    ArgumentInvalid
        A resistance, capacity or slope of 0 or below.

    References
    ----------
    A. Weng et al., "Current imbalance in dissimilar parallel-connected batteries and the fate of
    degradation convergence", arXiv 2310.10396 (2023).

    Examples
    --------
    >>> two = share_two_cells((0.06, 0.05), (4.0, 5.0), 1.2, 3.0, [0.0, 600.0])
    >>> two.tau_s, two.currents_a[:, 0]
    (733.333, array([1.363636, 1.346704]))
    """
    ra, rb = _above_zero("resistance", "ohm", r_ohm)
    qa, qb = 3600.0 * _above_zero("capacity", "Ah", capacity_ah)
    (a,) = _above_zero("slope", "V", slope_v)
    t = np.atleast_1d(np.asarray(time_s, dtype=float))
    tau = (ra + rb) / a * qa * qb / (qa + qb)
    kappa = (ra * qa - rb * qb) / (a * (qa + qb))
    faded = np.exp(-t / tau)
    dz = soc_difference * faded + kappa * current_a * (1.0 - faded)
    apart = (2.0 * a * dz - (ra - rb) * current_a) / (ra + rb)
    return TwoCells(
        tau_s=float(tau),
        kappa_per_a=float(kappa),
        soc_difference=dz,
        currents_a=0.5 * np.stack((current_a + apart, current_a - apart), axis=1),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitCheck:
    """One kind of limit, held against the cell that comes nearest to it.

    Parameters
    ----------
    name : str
        ``continuous``, ``peak`` or ``contact``.
    cell : int
        Index of the most loaded cell.
    current_a, limit_a : float
        [A] What it carries, and what it may.
    at_s : float or None
        [s] When; None for a mean over the run.
    kept : bool
        The limit is kept.
    why : str
        In a builder's words.
    """

    name: str
    cell: int
    current_a: float
    limit_a: float
    at_s: float | None
    kept: bool
    why: str


def hold_against_limits(
    run: Run,
    load: Load,
    *,
    continuous_a: float | None = None,
    peak_a: float | None = None,
    contact_a: float | None = None,
) -> tuple[LimitCheck, ...]:
    """Hold what each cell carried against its limits.

    The largest current over the whole run counts, not the split at load-on: a cell of high resistance
    carries least there and most at the end. Only where the load varies and a peak limit is given does the
    continuous limit meet the root mean square instead.

    Parameters
    ----------
    run : Run
    load : Load
        The load of that run.
    continuous_a, peak_a, contact_a : float, optional
        [A] Limits of one cell, and of the holder's contact to one cell; the checks without one are left out.

    Returns
    -------
    tuple of LimitCheck
    """
    varies = not load.constant and peak_a is not None
    checks = (
        ("continuous", continuous_a, varies),
        ("peak", peak_a, False),
        ("contact", contact_a, varies),
    )
    return tuple(_check(run, name, limit, mean) for name, limit, mean in checks if limit is not None)


def _check(run: Run, name: str, limit_a: float, mean: bool) -> LimitCheck:
    currents = run.cell_rms_a if mean else run.cell_max_a
    cell = int(np.argmax(currents))
    current = float(currents[cell])
    kept = current <= limit_a * (1 + 1e-9)
    when = None if mean else float(run.cell_max_at_s[cell])
    how = "on average (root mean square)" if when is None else f"{when / 60:.0f} min after load-on"
    what = {"continuous": "its continuous limit", "peak": "its peak limit", "contact": "the contact's limit"}[name]
    side = "within" if kept else "above"
    return LimitCheck(
        name=name,
        cell=cell,
        current_a=current,
        limit_a=limit_a,
        at_s=when,
        kept=kept,
        why=f"the most loaded cell carries {current:.2f} A {how}, {side} {what} of {limit_a:.2f} A",
    )
