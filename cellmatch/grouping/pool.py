"""The cells that take part, as integers in one fixed order: what every stage of the search works on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cellmatch.cells.table import resistances_mohm, texts

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TENTHS_PER_MAH = 10
"""Capacities count in whole tenths of a mAh: finer than any cell tester, and exact."""

UNEQUAL = {
    "share": "each group is to hold its share, its number of cells times the mean capacity",
    "sum": "all groups are to hold the same",
    "free": "all groups are to hold the same, and the search finds how many cells each takes",
}
"""What may be compared where groups differ in size. In series all groups pass the same charge, so equal sums use
the cells best; equal shares keep the current of each cell in step with its capacity."""

TAKES_PART = ("good", "used", "spare")
"""Statuses of the cells that may be grouped."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Pool:
    """Good cells in canonical order: largest capacity first, ties by resistance, voltage, lot and id.

    The order makes the answer independent of the order of rows in the file. Capacities are kept as whole
    `steps` above the middle, where one step is the greatest common divisor of all differences: group sums
    then are small integers, and two different sums differ by at least 1.

    Where groups differ in size, blanks fill the smaller ones up to the widest. What a blank is worth says what
    is compared (:data:`UNEQUAL`): the middle, 0 steps, makes a group's sum of steps what it holds above or below
    its share, P_g times the middle; a cell of no capacity makes it the group's capacity.

    Parameters
    ----------
    ids : ndarray of object, shape (n,)
    tenths : ndarray of int, shape (n,)
        Capacity [0.1 mAh], rounded once.
    ir_mohm, ocv_v : ndarray of float, shape (n,)
        [mohm], [V]; NaN where not given.
    lot : ndarray of object, shape (n,)
        Empty text where not given.
    sizes : tuple of int
        Cells in each group.
    steps : ndarray of int, shape (n + blanks,)
        (tenths - middle) / step; for a blank 0, or that of a cell of no capacity.
    step, middle : int
        [0.1 mAh] The middle is the middle cell's capacity, or the mean of all where groups differ in size.
    unequal : str
        What is compared where groups differ in size, one of :data:`UNEQUAL`; empty where they don't.
    """

    ids: NDArray[np.object_]
    tenths: Ints
    ir_mohm: Floats
    ocv_v: Floats
    lot: NDArray[np.object_]
    sizes: tuple[int, ...]
    steps: Ints
    step: int
    middle: int
    unequal: str = ""

    @property
    def cells(self) -> int:
        """Good cells, blanks not counted."""
        return len(self.tenths)

    @property
    def series(self) -> int:
        """Groups."""
        return len(self.sizes)

    @property
    def parallel(self) -> int:
        """Places in a group, blanks counted."""
        return max(self.sizes)

    @property
    def step_mah(self) -> float:
        """One step [mAh]."""
        return self.step / TENTHS_PER_MAH

    @property
    def blank_groups(self) -> tuple[int, ...]:
        """Group, counted from 0, that each blank belongs to; nothing where the search finds the sizes."""
        if self.unequal == "free":
            return ()
        widest = self.parallel
        return tuple(g for g, size in enumerate(self.sizes) for _ in range(widest - size))

    def numbers(self, ids: Iterable[str]) -> list[int]:
        """Return the numbers of cells in canonical order."""
        return [int(np.flatnonzero(self.ids == cell)[0]) for cell in ids]

    def weakest_tenths(self, low_steps: int) -> int:
        """Return the capacity of a smallest group whose sum is `low_steps` [0.1 mAh]."""
        places = min(self.sizes) if self.unequal == "share" else self.parallel
        return places * self.middle + low_steps * self.step

    def part(self, numbers: Ints, sizes: tuple[int, ...]) -> Pool:
        """Return some of the cells (rising numbers) as a pool of their own, for groups of these sizes."""
        return replace(
            self,
            ids=self.ids[numbers],
            tenths=self.tenths[numbers],
            ir_mohm=self.ir_mohm[numbers],
            ocv_v=self.ocv_v[numbers],
            lot=self.lot[numbers],
            sizes=sizes,
            steps=self.steps[numbers],
        )


def pool_of(cells: pd.DataFrame, sizes: tuple[int, ...], unequal: str = "share") -> Pool:
    """Put the cells that take part in canonical order, so that neither rows moved nor a tie change the answer.

    Parameters
    ----------
    cells : DataFrame
        The cell table. With a ``status`` column only rows that are good, used or spare take part.
    sizes : tuple of int
        Cells in each group.
    unequal : str
        One of :data:`UNEQUAL`; of no account where all sizes are equal.
    """
    if "status" in cells.columns:
        cells = cells[cells["status"].isin(TAKES_PART).to_numpy()]
    ids = np.array([str(cell) for cell in cells.index], dtype=object)
    tenths = np.rint(cells["capacity_mah"].to_numpy(dtype=float) * TENTHS_PER_MAH).astype(np.int64)
    ir_mohm = resistances_mohm(cells)
    ocv_v = cells["ocv_v"].to_numpy(dtype=float) if "ocv_v" in cells.columns else np.full(len(cells), np.nan)
    lot = texts(cells, "lot").astype(str)
    order = np.lexsort((ids.astype(str), lot, ocv_v, ir_mohm, -tenths))
    tenths = tenths[order]
    middle = _middle(tenths, sizes)
    blanks = len(sizes) * max(sizes) - sum(sizes)
    blank = middle if unequal == "share" or not blanks else 0
    step = max(1, int(np.gcd.reduce(np.append(tenths, blank) - middle, initial=0)))
    return Pool(
        ids=ids[order],
        tenths=tenths,
        ir_mohm=ir_mohm[order],
        ocv_v=ocv_v[order],
        lot=lot[order].astype(object),
        sizes=sizes,
        steps=np.concatenate(((tenths - middle) // step, np.full(blanks, (blank - middle) // step))),
        step=step,
        middle=middle,
        unequal=unequal if blanks else "",
    )


def _middle(tenths: Ints, sizes: tuple[int, ...]) -> int:
    if not len(tenths):
        return 0
    if min(sizes) < max(sizes):
        return round(int(tenths.sum()) / len(tenths))
    return int(tenths[len(tenths) // 2])
