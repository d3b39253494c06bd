"""The early shape of grouping: exact cells, honest figures."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.cells.table import cell_table
from cellmatch.errors import ArgumentInvalid, TooFewCells
from cellmatch.grouping.solve import assign_groups, group_cells


def test_every_good_cell_is_used_once_or_spare() -> None:
    random = np.random.default_rng(1)
    cells = cell_table({"ocv_v": np.full(34, 3.6), "capacity_mah": random.normal(2500, 20, 34).round(1)})
    cells["status"] = ["reject"] + ["good"] * 33
    grouping = group_cells(cells, "10s3p", aims=("spread",), seconds=1)
    used = [cell for group in grouping.groups for cell in group]
    assert sorted([*used, *grouping.spares]) == sorted(cells.index[1:])
    assert len(set(used)) == 30
    table = assign_groups(cells, grouping)
    assert table["status"].value_counts().to_dict() == {"used": 30, "spare": 3, "reject": 1}


def test_too_few_cells_says_what_would_go() -> None:
    cells = cell_table({"ocv_v": np.full(20, 3.6), "capacity_mah": np.full(20, 2500.0)})
    with pytest.raises(TooFewCells, match=r"20 good cells for 30 places, 10 are missing; would go: 10s2p or 6s3p"):
        group_cells(cells, "10s3p")


def test_unknown_aim_names_the_nearest() -> None:
    cells = cell_table({"ocv_v": np.full(6, 3.6), "capacity_mah": np.full(6, 2500.0)})
    with pytest.raises(ArgumentInvalid, match="did you mean spread"):
        group_cells(cells, "2s3p", aims=("sprad",))
