"""Plans that papers and charts must cope with."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from cellmatch import Limits, Plan, plan_pack
from cellmatch.cells.table import CellTable, cell_table

MARKUP_ID = "<b>&\"'1"
ODD_IDS = ("電池1", "\U0001f50b2", "a very long cell identification 0001", "0004", "1E5", "=1+1", "-7", MARKUP_ID)
MORE_ODD_IDS = ("o'k", "$x^2$", "µΩ", "a\\b")


def tray(
    n: int, seed: int, *, ids: Sequence[str] | None = None, resistance: bool = True, spoilt: bool = True
) -> CellTable:
    """Draw a tray of NMC cells around 2500 mAh; spoilt: one over-discharged, one resistive, one to level."""
    rng = np.random.default_rng(seed)
    columns = {
        "ocv_v": rng.normal(3.67, 0.003, n).round(3),
        "capacity_mah": rng.normal(2500, 20, n).round(),
        "ir_mohm": rng.normal(25, 1, n).round(1),
    }
    if not resistance:
        del columns["ir_mohm"]
    cells = cell_table(columns, ids=ids or [f"C{i:03d}" for i in range(1, n + 1)])
    if spoilt:
        cells.iloc[0, 0], cells.iloc[1, 0] = 2.1, 3.9
        if resistance:
            cells.iloc[2, 2] = 60.0
    return cells


@pytest.fixture(scope="session")
def draw_tray() -> Callable[..., CellTable]:
    """Return the function that draws a tray."""
    return tray


@pytest.fixture(scope="session")
def markup_id() -> str:
    """Return an id that would break a page if it were not escaped; the plan "odd ids" holds it."""
    return MARKUP_ID


@pytest.fixture(scope="session")
def plain_plan() -> Plan:
    """Return a 13s4p plan from 60 cells: 2 rejects, 1 to level, 6 spares."""
    return plan_pack(tray(60, 1), "13s4p", seconds=0.3)


@pytest.fixture(scope="session")
def odd_plans(plain_plan: Plan) -> dict[str, Plan]:
    """Return plans with what is missing, extreme or hard to write."""
    alike = tray(12, 2, spoilt=False)
    alike["ocv_v"], alike["capacity_mah"], alike["ir_mohm"] = 3.6, 2500.0, 20.0
    stop = tray(12, 3, spoilt=False)
    stop.iloc[4, 0] = 4.15
    jobs = {
        "no resistance": (tray(20, 4, resistance=False, spoilt=False), "4s5p"),
        "one cell": (tray(5, 5, spoilt=False), "1s1p"),
        "one group": (tray(6, 5, spoilt=False), "1s6p"),
        "single cells": (tray(110, 6), "100s1p"),
        "odd ids": (tray(12, 7, ids=[*ODD_IDS, *MORE_ODD_IDS], spoilt=False), "4s3p"),
        "no spread": (alike, "4s3p"),
        "stop": (stop, "4s3p"),
    }
    plans = {name: plan_pack(cells, pack, seconds=0.2) for name, (cells, pack) in jobs.items()}
    exact = Limits(repeatability_fraction=0.0, rated_mah=2600.0, max_ir_mohm=30.0)
    plans["no floor"] = plan_pack(tray(40, 8), "6s5p", limits=exact, seconds=0.2)
    reason = {"C001": "measured again: 3.66 V & holding"}
    plans["accepted"] = plan_pack(tray(13, 9, spoilt=False), "4s3p", accept=reason, seconds=0.2)
    return {"plain": plain_plan, **plans}
