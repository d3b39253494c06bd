"""Groups in series: what unequal charge costs, how long a balancer needs, what self-discharge brings.

With capacities Q and charge z of the groups, a discharge ends at min(Q z) and a charge at min(Q (1 - z)),
so that the pack holds their sum (J. Jiang and C. Zhang, Fundamentals and Application of Lithium-ion
Battery Management in Electric Drive Vehicles, Wiley 2015, eqs. 6.10 to 6.13).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cellmatch.errors import ArgumentInvalid, Problem

Array = NDArray[np.float64]

HOURS_OF_A_WEEK = 168.0
LEAST_SLOPE_V = 0.2
"""Below 2 mV per % of charge a fall of voltage says nothing about a leak: one digit of a hand meter would
be half a percent of the charge (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesBalance:
    """What groups of unequal charge make of a pack, and what brings them level at full.

    Parameters
    ----------
    usable_ah, balanced_ah : float
        [Ah] As the groups stand now, and once they are level.
    first_empty, first_full : int
        Index of the group that ends the discharge and the charge.
    missing_ah : ndarray of shape (g,)
        [Ah] Each group lacks to be full.
    bleed_ah : ndarray of shape (g,)
        [Ah] A balancer has to bleed from each group at the top.
    charge_alone_ah : ndarray of shape (g,)
        [Ah] To put into each group alone instead, so that all lack as little as the fullest.
    """

    usable_ah: float
    balanced_ah: float
    first_empty: int
    first_full: int
    missing_ah: Array
    bleed_ah: Array
    charge_alone_ah: Array

    @property
    def utilisation_fraction(self) -> float:
        """Usable now, of what it is once level."""
        return self.usable_ah / self.balanced_ah

    def bleed_hours(self, bleed_a: float, duty: float = 1.0) -> float:
        """Return how long a balancer bleeds until all groups are level [h].

        Parameters
        ----------
        bleed_a : float
            [A] Of one channel.
        duty : float
            Fraction of the time it bleeds; many work near full charge only.

        Raises
        ------
        ArgumentInvalid
            A current of 0 or below, a duty outside 0 to 1.
        """
        if not (bleed_a > 0 and 0 < duty <= 1):
            found = f"found {bleed_a:g} A at a duty of {duty:g}"
            raise ArgumentInvalid(Problem("balancer", f"{found}; above 0 A and a duty up to 1 are needed"))
        return float(self.bleed_ah.max()) / (bleed_a * duty)


def series_balance(capacity_ah: ArrayLike, soc: ArrayLike) -> SeriesBalance:
    """Return the usable capacity of groups in series, and what would bring them level.

    Parameters
    ----------
    capacity_ah : array_like of shape (g,)
        [Ah] Of each group.
    soc : float or array_like of shape (g,)
        State of charge of each group.

    Raises
    ------
    ArgumentInvalid
        A capacity of 0 or below, a charge outside 0 to 1.

    Examples
    --------
    >>> balance = series_balance([10.2, 9.8, 10.0], [0.50, 0.52, 0.47])
    >>> balance.usable_ah, balance.bleed_hours(0.060)
    (9.404, 9.93)
    """
    q = np.atleast_1d(np.asarray(capacity_ah, dtype=float))
    z = np.array(np.broadcast_to(np.asarray(soc, dtype=float), q.shape))
    problems = [
        Problem(
            f"balance, group number {k + 1}",
            f"found {q[k]:g} Ah at a charge of {z[k]:g}; 0 to 1 of a capacity",
        )
        for k in np.flatnonzero(~((q > 0) & (z >= 0) & (z <= 1)))[:10]
    ]
    if problems:
        raise ArgumentInvalid(problems)
    held, missing = q * z, q * (1.0 - z)
    return SeriesBalance(
        usable_ah=float(held.min() + missing.min()),
        balanced_ah=float(q.min()),
        first_empty=int(np.argmin(held)),
        first_full=int(np.argmin(missing)),
        missing_ah=missing,
        bleed_ah=missing.max() - missing,
        charge_alone_ah=missing - missing.min(),
    )


def group_charge(capacity_ah: ArrayLike, soc: ArrayLike, group: ArrayLike) -> tuple[Array, Array]:
    """Return capacity [Ah] and state of charge of groups from those of their cells, settled or not.

    Parameters
    ----------
    capacity_ah, soc : array_like of shape (n,)
        [Ah] Of each cell, and its state of charge.
    group : array_like of int, shape (n,)
        Group of each cell.
    """
    q = np.asarray(capacity_ah, dtype=float)
    _, inverse = np.unique(np.asarray(group), return_inverse=True)
    total = np.asarray(np.bincount(inverse, q), dtype=float)
    held = np.bincount(inverse, q * np.broadcast_to(np.asarray(soc, dtype=float), q.shape))
    return total, held / total


def leak_a(loss_v_per_day: ArrayLike, slope_v: ArrayLike, capacity_ah: ArrayLike) -> Array:
    """Return the self-discharge current behind a fall of rest voltage.

    I = K/(dU/dz) Q, K being the fall per day.

    Parameters
    ----------
    loss_v_per_day : array_like
        [V/day] Above 0 where the voltage falls; nan where it was not measured stays nan.
    slope_v : array_like
        [V] Slope of the curve there, per unit of charge.
    capacity_ah : array_like
        [Ah]

    Returns
    -------
    ndarray
        [A] nan where no leak is known: the voltage rises, so that the cell had not relaxed; or the curve is
        flatter than :data:`LEAST_SLOPE_V`, as LFP is over most of its range.

    Raises
    ------
    ArgumentInvalid
        A slope or capacity of 0 or below.

    Examples
    --------
    >>> 1e6 * leak_a(0.002, 0.9589, 2.5)
    np.float64(217.3)
    """
    loss, slope, q = (np.asarray(x, dtype=float) for x in (loss_v_per_day, slope_v, capacity_ah))
    if not ((slope > 0).all() and (q > 0).all()):
        raise ArgumentInvalid(Problem("self-discharge", "needs slopes and capacities above 0"))
    told = (loss >= 0) & (slope >= LEAST_SLOPE_V)
    return np.asarray(np.where(told, loss, np.nan) / slope * q / 24.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Drift:
    """What self-discharge does to the balance of a pack that lies or runs unbalanced.

    Parameters
    ----------
    balance : SeriesBalance
        After the time.
    apart_ah : float
        [Ah] Between the groups that lost least and most.
    steady_a : float
        [A] A balancer needs to keep up with it, at the duty given.
    """

    balance: SeriesBalance
    apart_ah: float
    steady_a: float


def drift(capacity_ah: ArrayLike, soc: ArrayLike, group_leak_a: ArrayLike, weeks: float, duty: float = 1.0) -> Drift:
    """Return the balance after some weeks of self-discharge.

    Parameters
    ----------
    capacity_ah, soc : array_like of shape (g,)
        [Ah] Of each group, and its state of charge now.
    group_leak_a : array_like of shape (g,)
        [A] Self-discharge of each group: the sum over its cells.
    weeks : float
        [weeks]
    duty : float
        Fraction of the time a balancer works.

    Raises
    ------
    ArgumentInvalid
        A leak or a time below 0 or missing; otherwise as :func:`series_balance`.

    Examples
    --------
    >>> drift([10.0, 10.0], [1.0, 1.0], [0.0001, 0.0011], weeks=10).apart_ah
    1.68
    """
    q, leak = np.asarray(capacity_ah, dtype=float), np.asarray(group_leak_a, dtype=float)
    if not ((leak >= 0).all() and weeks >= 0 and 0 < duty <= 1):
        raise ArgumentInvalid(Problem("self-discharge", "needs leaks and weeks of 0 or more, and a duty up to 1"))
    lost = leak * weeks * HOURS_OF_A_WEEK
    after = np.clip(np.asarray(soc, dtype=float) - lost / q, 0.0, 1.0)
    return Drift(
        balance=series_balance(q, after),
        apart_ah=float(lost.max() - lost.min()),
        steady_a=float(leak.max() - leak.min()) / duty,
    )
