"""What each aim cost the others, in words; and the identity that the words rest on."""

from __future__ import annotations

import numpy as np
import pytest

from cellmatch.cells.table import CellTable
from cellmatch.grouping.result import Figures, Grouping
from cellmatch.grouping.solve import group_cells
from cellmatch.grouping.telling import BETWEEN_AND_INSIDE, costs_of_aims
from tests.grouping.invented import tray


def _figures(aim: str, spread_mah: float, conductance_fraction: float | None) -> Figures:
    return Figures(
        aim=aim,
        weakest_mah=7500,
        spread_mah=spread_mah,
        conductance_fraction=conductance_fraction,
        ir_range_mohm=None if conductance_fraction is None else 3.0,
        ocv_range_mv=None,
    )


def test_only_what_changed_is_told() -> None:
    told = costs_of_aims([_figures("spread", 1.0, 0.1), _figures("conductance", 12.5, 0.004)])
    assert told[0] == "conductance, sought after spread: spread 1.0 to 12.5 mAh, spread of conductance 10.00 to 0.40 %"
    assert told[1] == BETWEEN_AND_INSIDE
    same = costs_of_aims([_figures("weakest", 1.0, None), _figures("spread", 1.0, None)])
    assert same == ("spread, sought after weakest: nothing changed",)
    assert costs_of_aims([_figures("spread", 1.0, 0.1)]) == ()


def _between_and_inside(cells: CellTable, grouping: Grouping) -> tuple[float, float]:
    """Return the sums of squares of resistance between the groups and inside them."""
    groups = np.array([cells.loc[list(group), "ir_mohm"].to_numpy() for group in grouping.groups])
    means = groups.mean(axis=1, keepdims=True)
    between = groups.shape[1] * float(((means - groups.mean()) ** 2).sum())
    return between, float(((groups - means) ** 2).sum())


def test_what_goes_from_between_the_groups_goes_inside_them() -> None:
    """Total = between + within sum of squares (R. A. Fisher 1925, Statistical Methods for Research Workers)."""
    random = np.random.default_rng(4)
    cells = tray(np.round(random.normal(2500, 20, 40)), ir_mohm=np.round(random.normal(25, 3, 40), 1))
    plain = group_cells(cells, "10s4p", ("spread",))
    equal = group_cells(cells, "10s4p", ("spread", "conductance"), spend_uncertainty=("conductance",))
    (between, inside), (less_between, more_inside) = (_between_and_inside(cells, g) for g in (plain, equal))
    assert less_between < between / 4
    assert more_inside > inside
    assert less_between + more_inside == pytest.approx(between + inside)
