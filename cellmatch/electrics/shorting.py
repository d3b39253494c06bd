"""The worst that can flow, and what keeps it away: short circuit, fuse, pre-charge of a load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.errors import ArgumentInvalid, Problem

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class ShortCircuit:
    """Prospective current of a dead short, links counted as nothing.

    Parameters
    ----------
    group : ndarray of int, shape (g,)
        Numbers of the groups.
    group_a : ndarray of shape (g,)
        [A] A short across one group.
    pack_a : float
        [A] A short across the terminals.
    pack_v : float
        [V] Of the full pack: what a fuse has to break.
    """

    group: NDArray[np.int64]
    group_a: Array
    pack_a: float
    pack_v: float

    @property
    def fuse_words(self) -> str:
        """What to look for on a fuse's data sheet."""
        return (
            f"fuse: DC rating of at least {self.pack_v:.1f} V, breaking capacity of at least "
            f"{self.pack_a:.0f} A, fitted before any load lead"
        )


def short_circuit(full_v: float, r_ohm: ArrayLike, group: ArrayLike) -> ShortCircuit:
    """Return the prospective short-circuit currents of the full pack and of each group.

    Parameters
    ----------
    full_v : float
        [V] Of one full cell.
    r_ohm : array_like of shape (n,)
        [ohm] Lowest resistance known of each cell.
    group : array_like of int, shape (n,)
        Group of each cell.

    Raises
    ------
    ArgumentInvalid
        A voltage or resistance of 0 or below or missing.

    Examples
    --------
    >>> short = short_circuit(4.2, [0.025] * 112, [k // 8 + 1 for k in range(112)])
    >>> short.pack_a, short.pack_v
    (1344.0, 58.8)
    """
    r, number = np.atleast_1d(np.asarray(r_ohm, dtype=float)), np.asarray(group, dtype=np.int64)
    if not (full_v > 0 and r.shape == number.shape and (r > 0).all()):
        raise ArgumentInvalid(Problem("short circuit", "needs a full voltage and a resistance above 0 for every cell"))
    label, inverse = np.unique(number, return_inverse=True)
    conductance = np.bincount(inverse, 1.0 / r)
    return ShortCircuit(
        group=label,
        group_a=np.asarray(full_v * conductance, dtype=float),
        pack_a=float(len(label) * full_v / (1.0 / conductance).sum()),
        pack_v=len(label) * full_v,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Precharge:
    """Charging a load's capacitors through a resistor before the last lead is made.

    Parameters
    ----------
    tau_s, time_s : float
        [s] Time constant, and time to the fraction asked for.
    first_a, first_w : float
        [A] At the first instant, and [W] in the resistor then.
    energy_j : float
        [J] Left in the capacitors, and as much again in the resistor.
    left_v : float
        [V] Between pack and capacitors after that time.
    """

    tau_s: float
    time_s: float
    first_a: float
    first_w: float
    energy_j: float
    left_v: float


def precharge_capacitor(pack_v: float, capacitance_f: float, resistor_ohm: float, fraction: float = 0.95) -> Precharge:
    """Return what a pre-charge resistor does.

    Parameters
    ----------
    pack_v : float
        [V]
    capacitance_f : float
        [F] Of the load.
    resistor_ohm : float
        [ohm]
    fraction : float
        Of the pack's voltage that the capacitors shall reach; 0.95 takes three time constants
        (common practice, no source).

    Raises
    ------
    ArgumentInvalid
        A value of 0 or below, a fraction outside 0 to 1.

    Examples
    --------
    >>> pre = precharge_capacitor(58.8, 0.001, 100.0)
    >>> pre.tau_s, pre.energy_j, pre.first_w, pre.time_s
    (0.1, 1.729, 34.57, 0.2996)
    """
    if not (min(pack_v, capacitance_f, resistor_ohm) > 0 and 0 < fraction < 1):
        found = f"found {pack_v:g} V, {capacitance_f:g} F, {resistor_ohm:g} ohm, to {fraction:g}"
        raise ArgumentInvalid(Problem("pre-charge", f"{found}; all must be above 0, the fraction below 1"))
    tau = resistor_ohm * capacitance_f
    return Precharge(
        tau_s=tau,
        time_s=-tau * float(np.log1p(-fraction)),
        first_a=pack_v / resistor_ohm,
        first_w=pack_v**2 / resistor_ohm,
        energy_j=0.5 * capacitance_f * pack_v**2,
        left_v=(1.0 - fraction) * pack_v,
    )
