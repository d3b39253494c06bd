"""Small invented trays for the tests."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from cellmatch.cells.table import CellTable, cell_table


def tray(
    capacity_mah: object, *, ir_mohm: object = None, lot: object = None, ocv_v: object = 3.6, start: int = 1
) -> CellTable:
    """Return a cell table with ids C1, C2 and so on."""
    capacity = np.asarray(capacity_mah, dtype=float)
    rows: dict[str, object] = {"ocv_v": np.broadcast_to(np.asarray(ocv_v), len(capacity)), "capacity_mah": capacity}
    if ir_mohm is not None:
        rows["ir_mohm"] = ir_mohm
    if lot is not None:
        rows["lot"] = lot
    return cell_table(rows, ids=[f"C{i}" for i in range(start, start + len(capacity))])  # type: ignore[arg-type]


KINDS = ("even", "new", "two lots", "one huge", "coarse", "weak one")


def random_capacities(kind: str, cells: int, random: Generator) -> NDArray[np.float64]:
    """Return capacities of one of the KINDS [mAh]."""
    if kind == "even":
        return random.integers(0, 60, cells).astype(float) + 2000
    new = np.round(random.normal(2500, 20, cells), 1)
    if kind == "two lots":
        better = random.random(cells) < random.uniform(0.2, 0.8)
        return np.where(better, np.round(random.normal(2900, 15, cells)), np.round(random.normal(2200, 40, cells)))
    if kind == "one huge":
        new[random.integers(cells)] += 1000
    if kind == "weak one":
        new[random.integers(cells)] -= 700
    if kind == "coarse":
        return np.round(new, -1)
    return new
