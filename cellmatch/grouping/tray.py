"""The cells that take part, as integers in one fixed order: what every stage of the search works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cellmatch.cells.table import resistances_mohm, texts

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

TENTHS_PER_MAH = 10
"""Capacities count in whole tenths of a mAh: finer than any cell tester, and exact."""

_TAKES_PART = ("good", "used", "spare")


@dataclass(frozen=True, kw_only=True, slots=True)
class Tray:
    """Cells in canonical order: largest capacity first, ties by resistance, voltage, lot and id.

    The order makes the answer independent of the order of rows in the file. Capacities are kept as whole
    `steps` above the middle cell, where one step is the greatest common divisor of all differences: group
    sums then are small integers, and two different sums differ by at least 1.

    Parameters
    ----------
    ids : ndarray of object, shape (n,)
    tenths : ndarray of int, shape (n,)
        Capacity [0.1 mAh], rounded once.
    ir_mohm, ocv_v : ndarray of float, shape (n,)
        [mohm], [V]; NaN where not given.
    lot : ndarray of object, shape (n,)
        Empty text where not given.
    steps : ndarray of int, shape (n,)
        (tenths - middle) / step.
    step : int
        [0.1 mAh]
    middle : int
        [0.1 mAh] Capacity that counts as 0 steps.
    """

    ids: NDArray[np.object_]
    tenths: Ints
    ir_mohm: Floats
    ocv_v: Floats
    lot: NDArray[np.object_]
    steps: Ints
    step: int
    middle: int

    def __len__(self) -> int:
        return len(self.tenths)

    @property
    def step_mah(self) -> float:
        """One step [mAh]."""
        return self.step / TENTHS_PER_MAH

    def sums_mah(self, groups: Ints) -> Floats:
        """Return the capacity of each group (rows of cell numbers) [mAh]."""
        return np.asarray(self.tenths[groups].sum(axis=1) / TENTHS_PER_MAH)


def tray_of(cells: pd.DataFrame) -> Tray:
    """Put the cells that take part in canonical order.

    Parameters
    ----------
    cells : DataFrame
        The cell table. With a ``status`` column only rows that are good, used or spare take part.
    """
    if "status" in cells.columns:
        cells = cells[cells["status"].isin(_TAKES_PART).to_numpy()]
    ids = cells.index.to_numpy(dtype=object)
    tenths = np.rint(cells["capacity_mah"].to_numpy(dtype=float) * TENTHS_PER_MAH).astype(np.int64)
    ir_mohm = resistances_mohm(cells)
    ocv_v = cells["ocv_v"].to_numpy(dtype=float) if "ocv_v" in cells.columns else np.full(len(cells), np.nan)
    lot = texts(cells, "lot").astype(str)
    order = np.lexsort((ids.astype(str), lot, ocv_v, ir_mohm, -tenths))
    tenths = tenths[order]
    middle = int(tenths[len(tenths) // 2]) if len(tenths) else 0
    step = max(1, int(np.gcd.reduce(tenths - middle))) if len(tenths) else 1
    return Tray(
        ids=ids[order],
        tenths=tenths,
        ir_mohm=ir_mohm[order],
        ocv_v=ocv_v[order],
        lot=lot[order].astype(object),
        steps=(tenths - middle) // step,
        step=step,
        middle=middle,
    )
