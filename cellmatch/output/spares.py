"""Which spare could stand in for which group."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cellmatch.cells.table import resistances_mohm
from cellmatch.plan import Plan


@dataclass(frozen=True, kw_only=True, slots=True)
class Spare:
    """One spare, and what it could do.

    Parameters
    ----------
    cell : str
    ocv_v, capacity_mah : float
        [V], [mAh]
    ir_mohm : float or None
        [mohm]
    groups : tuple of int
        Groups in which it could stand in for some cell without that group falling below the weakest by
        more than the group uncertainty.
    cells : int
        For how many cells of the pack it could do so.
    nearest : str
        The used cell it comes closest to in capacity.
    nearest_group : int
    change_mah : float
        [mAh] What that group's capacity would change by.
    """

    cell: str
    ocv_v: float
    capacity_mah: float
    ir_mohm: float | None
    groups: tuple[int, ...]
    cells: int
    nearest: str
    nearest_group: int
    change_mah: float


def ranked_spares(plan: Plan) -> tuple[Spare, ...]:
    """Rank the spares of a plan: the one that could replace the most cells first.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    tuple of Spare
    """
    used, spares = plan.with_status("used"), plan.with_status("spare")
    cell_mah = used["capacity_mah"].to_numpy(dtype=float)
    group = used["group"].to_numpy(dtype=np.int64)
    capacity = np.array([g.capacity_mah for g in plan.prediction.groups])
    of_group = capacity[np.searchsorted([g.group for g in plan.prediction.groups], group)]
    least = capacity.min() - plan.grouping.group_uncertainty_mah
    resistance = resistances_mohm(spares)
    ranked = []
    for i, (cell, row) in enumerate(spares.iterrows()):
        change = float(row["capacity_mah"]) - cell_mah
        fits = of_group + change >= least
        nearest = int(np.abs(change).argmin())
        ranked.append(
            Spare(
                cell=str(cell),
                ocv_v=float(row["ocv_v"]),
                capacity_mah=float(row["capacity_mah"]),
                ir_mohm=None if np.isnan(resistance[i]) else float(resistance[i]),
                groups=tuple(int(g) for g in np.unique(group[fits])),
                cells=int(fits.sum()),
                nearest=str(used.index[nearest]),
                nearest_group=int(group[nearest]),
                change_mah=float(change[nearest]),
            )
        )
    return tuple(sorted(ranked, key=lambda s: (-s.cells, abs(s.change_mah))))
