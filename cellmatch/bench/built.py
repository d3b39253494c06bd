"""What inspection has to know of a pack that was built: a short abstract of its plan."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from cellmatch.build.leaks import NOISE_V, rest_slope_v
from cellmatch.build.links import wire_pack
from cellmatch.build.meter import Meter
from cellmatch.build.pack_network import JOINT_OHM, LINK_OHM, pack_network
from cellmatch.build.steps import workbench
from cellmatch.build.taps import list_taps

if TYPE_CHECKING:
    from cellmatch.plan import Plan

IR_UNCERTAINTY = 0.03
"""Standard deviation of one cell's resistance reading (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BuiltPack:
    """The expectation that readings are held against.

    Parameters
    ----------
    groups : tuple of tuple of str
        Cell ids, group 1 first.
    cell_v : tuple of ndarray
        [V] Rest voltage of each cell of each group before joining.
    cell_ohm : tuple of ndarray
        [ohm] Resistance of each cell of each group; nan where none was given.
    cell_ah : tuple of ndarray
        [Ah]
    join_limit_a : tuple of ndarray
        [A] What each cell may see at the instant of joining.
    group_ohm : ndarray, shape (S,)
        [ohm] What each group sags per ampere from tap to tap, links counted; nan without resistances.
    joint_ohm : float
        [ohm] Expected between a cap and its bar.
    min_v, full_v, above_full_v : float
        [V] Lowest in service, full, and how far above full is overcharged; of one cell.
    meter : Meter
    noise_v : float
        [V] Standard deviation with which the meter repeats a reading.
    slope_v : float or None
        [V] Change of rest voltage per unit of state of charge, where the pack rests.
    stop_ratio : float
        Multiple of the joining limit from which the verdict is stop.
    """

    groups: tuple[tuple[str, ...], ...]
    cell_v: tuple[NDArray[np.float64], ...]
    cell_ohm: tuple[NDArray[np.float64], ...]
    cell_ah: tuple[NDArray[np.float64], ...]
    join_limit_a: tuple[NDArray[np.float64], ...]
    group_ohm: NDArray[np.float64]
    min_v: float
    full_v: float
    joint_ohm: float = JOINT_OHM
    above_full_v: float = 0.05
    meter: Meter = field(default_factory=Meter)
    noise_v: float = NOISE_V
    slope_v: float | None = None
    stop_ratio: float = 10.0

    @property
    def series(self) -> int:
        """Groups in series."""
        return len(self.groups)

    @property
    def sizes(self) -> NDArray[np.int64]:
        """Cells in each group, shape (S,)."""
        return np.array([len(group) for group in self.groups], dtype=np.int64)

    @property
    def group_v(self) -> NDArray[np.float64]:
        """Where each group settles once joined: its cells' mean by capacity, shape (S,) [V]."""
        return np.array([np.average(v, weights=q) for v, q in zip(self.cell_v, self.cell_ah, strict=True)])

    @property
    def group_ah(self) -> NDArray[np.float64]:
        """Capacity of each group, shape (S,) [Ah]."""
        return np.array([q.sum() for q in self.cell_ah])

    @property
    def cells_ohm(self) -> NDArray[np.float64]:
        """What the cells of each group make without links: 1/sum(1/R), shape (S,) [ohm]."""
        return np.array([1 / np.sum(1 / r) for r in self.cell_ohm])

    @property
    def links_ohm(self) -> NDArray[np.float64]:
        """What links and joints make of that from tap to tap, shape (S,) [ohm].

        Below 0 in an end group whose tap lies beside the terminal: the cells far from it sag less.
        """
        return self.group_ohm - self.cells_ohm

    @property
    def rounding_v(self) -> float:
        """Standard deviation of rounding to the meter's digit in its lowest range [V]."""
        # the stated digits are two; a value rounded to one digit d scatters by d/√12
        return self.meter.digits_v / 2 / math.sqrt(12)

    def without_cell_ohm(self, group: int) -> NDArray[np.float64]:
        """Return by how much the group's resistance rises when each of its cells in turn is not joined.

        The cells' own part rises from 1/sum(G) to 1/(sum(G) - g); a part of 1/sum(G)·g/(sum(G) - g).

        Returns
        -------
        ndarray, shape (cells of the group,)
            [ohm] Infinite for a group of one.
        """
        g = 1 / self.cell_ohm[group - 1]
        with np.errstate(divide="ignore"):
            return np.asarray(g / (g.sum() * np.maximum(g.sum() - g, 0.0)) if len(g) > 1 else np.full(1, np.inf))


def built_pack(plan: Plan, *, link_ohm: float | None = None, joint_ohm: float = JOINT_OHM) -> BuiltPack:
    """Return what a plan expects of the built pack.

    Parameters
    ----------
    plan : Plan
    link_ohm : float, optional
        [ohm] Each link with its joints; default: as the plan has it.
    joint_ohm : float
        [ohm] Between a cap and its bar.

    Returns
    -------
    BuiltPack
    """
    if link_ohm is None:
        link_ohm = plan.prediction.load.case.link_mohm / 1000 if plan.prediction.load else LINK_OHM
    positions = plan.holder.lay_out(plan.pack)
    wiring = wire_pack(positions, plan.holder)
    bench = workbench(plan.cells, positions, wiring, plan.holder, plan.chemistry, plan.limits)
    members = [bench.places_of(g) for g in range(1, bench.series + 1)]
    group_ohm = np.full(bench.series, np.nan)
    if not np.isnan(bench.r_ohm).any():
        taps = list_taps(positions, wiring, bench.ocv_v, bench.meter, plan.holder.length_mm)
        group_ohm = pack_network(positions, wiring, taps, bench.r_ohm + 2 * joint_ohm, link_ohm).group_ohm
    return BuiltPack(
        groups=tuple(tuple(bench.ids[i] for i in rows) for rows in members),
        cell_v=tuple(bench.ocv_v[rows] for rows in members),
        cell_ohm=tuple(bench.r_ohm[rows] for rows in members),
        cell_ah=tuple(bench.capacity_ah[rows] for rows in members),
        join_limit_a=tuple(bench.join_limit_a[rows] for rows in members),
        group_ohm=group_ohm,
        joint_ohm=joint_ohm,
        min_v=plan.chemistry.min_v if plan.limits.min_v is None else plan.limits.min_v,
        full_v=bench.full_v,
        above_full_v=plan.limits.above_full_v,
        meter=bench.meter,
        slope_v=rest_slope_v(plan.chemistry, float(np.median(bench.ocv_v))),
        stop_ratio=plan.limits.join_stop_ratio,
    )
