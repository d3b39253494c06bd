"""After joining: where cells in parallel settle, how long it takes, and what a voltmeter can't show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.electrics.circuit import Circuit
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.curve import OcvCurve

Array = NDArray[np.float64]

SETTLED_C = 0.02
"""No cell carries more than this, in C: taken as settled (C/50, common practice, no source)."""
_FIRST_STEP_S = 1.0
_GROWTH = 1.02
_MOST_STEPS = 2000


@dataclass(frozen=True, kw_only=True, slots=True)
class Settling:
    """Where cells of one group end after they were joined, without load.

    Parameters
    ----------
    soc, ocv_v : float
        Common state of charge and [V] common rest voltage at the end.
    given_ah : ndarray of shape (n,)
        [Ah] Given by each cell; below 0 where it took.
    moved_ah : float
        [Ah] All that moved from cell to cell.
    heat_j : float
        [J] Turned to heat in the cells.
    tau_s : float
        [s] Slowest time constant, with the curve's mean slope over the range the cells cover.
    settled_s : float
        [s] Until no cell carries more than :data:`SETTLED_C` of its capacity, along the curve.
    """

    soc: float
    ocv_v: float
    given_ah: Array
    moved_ah: float
    heat_j: float
    tau_s: float
    settled_s: float


def settle_cells(ocv_v: ArrayLike, r_ohm: ArrayLike, capacity_ah: ArrayLike, curve: OcvCurve) -> Settling:
    """Return where cells joined in parallel settle: charge is kept, all end at one voltage.

    Parameters
    ----------
    ocv_v, r_ohm, capacity_ah : array_like of shape (n,)
        [V], [ohm], [Ah] Of each cell.
    curve : OcvCurve
        One curve for all cells.

    Raises
    ------
    ArgumentInvalid
        A voltage that is missing or 0 and below (such cells are not joined), a resistance or capacity of
        0 or below.

    Notes
    -----
    Final charge sum(Q z)/sum(Q). The heat is what the cells hold less afterwards. Time constants are the
    inverse eigenvalues of the group's linear equations; for two cells the slower one is
    (Ra + Rb)/a Qa Qb/(Qa + Qb), for equal cells R Q/a with the slope a (A. Weng et al., arXiv 2310.10396).

    Examples
    --------
    >>> straight = OcvCurve(soc_fraction=(0, 1), ocv_v=(3.0, 4.2), uncertainty_v=(0, 0), source="")
    >>> end = settle_cells([3.66, 3.54], [0.03, 0.03], [2.5, 2.5], straight)
    >>> end.tau_s, end.moved_ah, end.heat_j
    (225.0, 0.125, 27.0)
    """
    ocv = np.atleast_1d(np.asarray(ocv_v, dtype=float))
    if not (ocv > 0).all():
        cell = int(np.flatnonzero(~(ocv > 0))[0]) + 1
        right = "a cell without a voltage above 0 is never joined"
        raise ArgumentInvalid(Problem(f"settling, cell number {cell}", f"found {ocv[cell - 1]:g} V; {right}"))
    circuit = Circuit.of(capacity_ah, r_ohm, np.zeros(len(ocv), dtype=np.int64), curve)
    q = circuit.capacity_as[:, 0]
    z = curve.soc(ocv)
    end = float(np.sum(q * z) / q.sum())
    given = q * (z - end)
    return Settling(
        soc=end,
        ocv_v=float(curve.voltage(end)),
        given_ah=given / 3600.0,
        moved_ah=float(np.maximum(given, 0.0).sum()) / 3600.0,
        heat_j=float(np.sum(q * (curve.energy_v(z) - curve.energy_v(end)))),
        tau_s=_slowest_s(circuit.r_ohm[:, 0], q, _mean_slope_v(z, curve)),
        settled_s=_settled_s(circuit, z),
    )


def _mean_slope_v(z: Array, curve: OcvCurve) -> float:
    low, high = float(z.min()), float(z.max())
    if high - low < 1e-9:
        return float(curve.slope_v(low))
    return float(curve.voltage(high) - curve.voltage(low)) / (high - low)


def _slowest_s(r: Array, q: Array, slope_v: float) -> float:
    """Return the slowest time constant of dz/dt = -(slope/Q) (G - g g'/sum g) z [s]."""
    if len(r) == 1:
        return 0.0
    g, scale = 1.0 / r, np.sqrt(slope_v / q)
    laplacian = np.diag(g) - np.outer(g, g) / g.sum()
    rates = np.linalg.eigvalsh(scale[:, None] * laplacian * scale[None, :])
    return float(1.0 / rates[1])  # the first is 0: all cells charged alike


def _settled_s(circuit: Circuit, z: Array) -> float:
    """Step the group without load until it is at rest [s]."""
    state, time_s, dt = circuit.state(z[:, None]), 0.0, _FIRST_STEP_S
    small = SETTLED_C * circuit.capacity_as / 3600.0
    for _ in range(_MOST_STEPS):
        if (np.abs(circuit.share(state, 0.0).cells_a) <= small).all():
            return time_s
        _, state = circuit.step(state, 0.0, dt)
        time_s, dt = time_s + dt, dt * _GROWTH
    return np.inf


@dataclass(frozen=True, kw_only=True, slots=True)
class Hidden:
    """What two cells that read the same on a meter may still differ by.

    Parameters
    ----------
    apart_v : float
        [V] Twice the meter's accuracy.
    current_a : float
        [A] At the first instant in the worst cell, one against the rest of its group.
    soc_low, soc_high : float
        States of charge the reading leaves open, by the meter alone.
    apart_ah : float
        [Ah] Between two such cells.
    words : str
        The same in words.
    """

    apart_v: float
    current_a: float
    soc_low: float
    soc_high: float
    apart_ah: float
    words: str


def hidden_by_meter(
    reading_v: float, meter_v: float, r_ohm: float, capacity_ah: float, parallel: int, curve: OcvCurve
) -> Hidden:
    """Return what equal readings hide, in current at joining and in charge.

    Parameters
    ----------
    reading_v : float
        [V] What all cells read.
    meter_v : float
        [V] Accuracy of the meter, one way.
    r_ohm, capacity_ah : float
        [ohm], [Ah] Of a typical cell.
    parallel : int
        Cells in a group.
    curve : OcvCurve

    Raises
    ------
    ArgumentInvalid
        A value of 0 or below.
    """
    if not (min(reading_v, meter_v, r_ohm, capacity_ah) > 0 and parallel >= 1):
        found = f"found {reading_v:g} V ±{meter_v:g} V, {r_ohm:g} ohm, {capacity_ah:g} Ah, {parallel} in parallel"
        raise ArgumentInvalid(Problem("meter", f"{found}; all must be above 0"))
    current = 2 * meter_v * (parallel - 1) / (parallel * r_ohm)
    low, high = (float(z) for z in np.clip(curve.soc([reading_v - meter_v, reading_v + meter_v]), 0.0, 1.0))
    apart_ah = (high - low) * capacity_ah
    words = (
        f"a meter good to ±{1000 * meter_v:.0f} mV shows {reading_v:.3f} V for anything between "
        f"{100 * low:.0f} and {100 * high:.0f} % of charge: up to {1000 * apart_ah:.0f} mAh between two cells, "
        f"and up to {current:.2f} A when they are joined"
    )
    return Hidden(apart_v=2 * meter_v, current_a=current, soc_low=low, soc_high=high, apart_ah=apart_ah, words=words)


def voltage_words(label: str, flat: bool, hidden: Hidden) -> str | None:
    """Return the caution for a chemistry whose voltage proves little, or None where it proves enough.

    Parameters
    ----------
    label, flat : str, bool
        Of the chemistry.
    hidden : Hidden
        At the tray's voltage.
    """
    if not flat:
        return None
    return (
        f"{label}: the joining current is judged as for any cell, but equal charge is not shown by voltage: "
        f"{hidden.words}. Fully charge all cells in parallel, or count their charge, before they go in series"
    )
