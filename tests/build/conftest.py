"""Placed tables of invented cells for the tests of building."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from cellmatch.build.assembly import Assembly, plan_assembly
from cellmatch.build.placement import place_cells
from cellmatch.cells.table import GroupedCells, cell_table
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack


def _invented_cells(pack: Pack | str, seed: int = 0, ocv_v: float = 3.67) -> GroupedCells:
    """Return a grouped table of invented cells, two spares besides."""
    pack = Pack.of(pack)
    rng = np.random.default_rng(seed)
    n = pack.places + 2
    cells = cell_table(
        {
            "ocv_v": ocv_v + rng.normal(0, 0.003, n),
            "capacity_mah": rng.normal(2500, 30, n),
            "ir_mohm": rng.normal(25, 1, n),
        },
        ids=[f"C{i:04d}" for i in range(n)],
    )
    cells["level_to_v"] = np.nan
    cells["group"] = [*np.repeat(np.arange(1, pack.series + 1), pack.group_sizes), 0, 0]
    return GroupedCells(cells)  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def invented_cells() -> Callable[..., GroupedCells]:
    """Return a function that makes a grouped table of invented cells."""
    return _invented_cells


@pytest.fixture(scope="session")
def assemble() -> Callable[..., Assembly]:
    """Return a function that plans the building of invented cells."""

    def plan(
        pack: str, holder: Holder | None = None, chemistry: str = "nmc", ocv_v: float = 3.67, **more: float
    ) -> Assembly:
        placed = place_cells(_invented_cells(pack, ocv_v=ocv_v), pack, holder)
        return plan_assembly(placed, pack, holder, load_chemistry(chemistry), Limits(), **more)

    return plan
