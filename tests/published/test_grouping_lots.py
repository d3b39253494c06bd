"""Grouping on three lots of cells retired from vehicles, against the spreads that a plain method reached on them.

Capacities: 270 retired cells, derived from the open repository "Pulse-Voltage-Response-Generation" (MIT licence), rows
in the order of the file. What a draft with swaps reaches on them was computed independently: largest first to the
emptiest group, then swaps of one cell for one.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from cellmatch import group_cells
from cellmatch.cells.table import CellTable, cell_table


def lot(shared: Path, name: str, cells: int) -> CellTable:
    rows = pd.read_csv(shared / "data" / "retired_cells_270_pulse.csv", dtype={"cell": str})
    rows = rows[rows["set"] == name].head(cells)
    columns = {"ocv_v": rows["ocv_at_30pct_nom_v"].to_numpy(), "capacity_mah": 1000 * rows["q_ah"].to_numpy()}
    return cell_table(columns, ids=rows["cell"].tolist())


LOTS = (
    # lot, pack, cells, mean group [Ah], spread and smallest group that draft and swaps reach [Ah]
    ("35Ah LFP", "14s4p", 56, 118.8651, 0.288, 118.656),
    ("10Ah LMO", "13s7p", 91, 56.7018, 0.0232, 56.685),
    ("21Ah NMC", "13s4p", 52, 82.3242, 4.228, 79.144),
)


@pytest.mark.parametrize(("name", "pack", "cells", "mean_ah", "spread_ah", "smallest_ah"), LOTS)
def test_never_worse_than_draft_and_swaps(
    shared: Path, name: str, pack: str, cells: int, mean_ah: float, spread_ah: float, smallest_ah: float
) -> None:
    table = lot(shared, name, cells)
    grouping = group_cells(table, pack, ("spread",), seconds=1, reproducible=True)
    series = len(grouping.groups)
    assert float(table["capacity_mah"].sum()) / series / 1000 == pytest.approx(mean_ah, abs=5e-5)  # the same cells
    assert grouping.spread_mah / 1000 <= spread_ah
    assert grouping.weakest_mah / 1000 >= smallest_ah
    assert grouping.bound_mah <= grouping.spread_mah


def test_the_lot_that_can_not_be_balanced_is_named_with_the_cells_to_leave_out(shared: Path) -> None:
    """The group of the weakest cell and the three strongest is far below the mean, whatever the others do."""
    table = lot(shared, "21Ah NMC", 52)
    grouping = group_cells(table, "13s4p", ("spread",), seconds=1, reproducible=True)
    ordered = table["capacity_mah"].sort_values(ascending=False)
    best_of_weakest = float(ordered.iloc[:3].sum() + ordered.iloc[-1])
    others = (float(ordered.sum()) - best_of_weakest) / 12
    assert grouping.bound_mah >= others - best_of_weakest - 0.2  # counted by hand; capacities count in 0.1 mAh
    assert grouping.bound_mah > grouping.floor_mah
    (said,) = [note for note in grouping.notes if "can't be balanced" in note]
    weak = list(ordered.index[-5:])
    assert all(f"{cell} ({table.loc[cell, 'capacity_mah']:.0f} mAh)" in said for cell in weak)
    kept = CellTable(table.drop(index=weak))
    balanced = group_cells(kept, "11s4p", ("spread",), seconds=1, reproducible=True)
    assert balanced.spread_mah < balanced.floor_mah / 100
    # one more of the weak cells kept, and no grouping of 12s4p that uses all cells is within the floor
    more = group_cells(CellTable(table.drop(index=weak[1:])), "12s4p", ("spread",), seconds=1, reproducible=True)
    assert more.bound_mah > more.floor_mah
