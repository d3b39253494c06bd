"""The second face: what flows when the second link of a junction closes a loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def link_currents_a(column_v: ArrayLike, column_ohm: ArrayLike) -> NDArray[np.float64]:
    """Return the current through each link of a junction at the instant it is made, one after another.

    On the second face of two finished rows, each column is one cell of group k in series with one of group
    k + 1. The first link closes no loop. The second closes one through two columns: with equal cells
    I = abs(dV_k + dV_(k+1)) / (4 R). Each further one meets all columns joined before it.

    Parameters
    ----------
    column_v : array_like, shape (links,)
        [V] Sum of the two cells of each column, with sign, in the order in which links are made.
    column_ohm : array_like, shape (links,)
        [ohm] Sum of their resistances.

    Returns
    -------
    ndarray, shape (links,)
        [A] Above 0 where the column discharges into the others; 0 for the first.

    References
    ----------
    Kirchhoff's laws; nothing has had time to level between links, which errs towards caution.

    Examples
    --------
    >>> link_currents_a([7.34, 0.0], [0.05, 0.05])
    array([  0. , -73.4])
    """
    v, r = np.asarray(column_v, dtype=float), np.asarray(column_ohm, dtype=float)
    conductance = np.cumsum(1 / r)
    bus_v = np.cumsum(v / r) / conductance
    flows = np.zeros_like(v)
    flows[1:] = (v[1:] - bus_v[:-1]) / (r[1:] + 1 / conductance[:-1])
    return flows
