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
    pack_mah : float
        [mAh] What the pack would hold with it in place of a used cell: the median over all of them.
    """

    cell: str
    ocv_v: float
    capacity_mah: float
    ir_mohm: float | None
    groups: tuple[int, ...]
    cells: int
    pack_mah: float


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
    number = np.searchsorted([g.group for g in plan.prediction.groups], group)
    # the weakest group, and what is weakest once the cell's own group is set aside
    weakest = float(capacity.min())
    others = np.array([np.delete(capacity, k).min(initial=np.inf) for k in range(len(capacity))])[number]
    least = weakest - plan.grouping.group_uncertainty_mah
    resistance = resistances_mohm(spares)
    ranked = []
    for i, (cell, row) in enumerate(spares.iterrows()):
        replaced = capacity[number] - cell_mah + float(row["capacity_mah"])
        fits = replaced >= least
        ranked.append(
            Spare(
                cell=str(cell),
                ocv_v=float(row["ocv_v"]),
                capacity_mah=float(row["capacity_mah"]),
                ir_mohm=None if np.isnan(resistance[i]) else float(resistance[i]),
                groups=tuple(int(g) for g in np.unique(group[fits])),
                cells=int(fits.sum()),
                pack_mah=float(np.median(np.minimum(replaced, others))),
            )
        )
    return tuple(sorted(ranked, key=lambda s: (-s.cells, -s.pack_mah)))
