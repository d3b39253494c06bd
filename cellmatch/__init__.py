"""From a cell tester's file to a battery pack plan.

The public names below resolve on first use, so that ``import cellmatch`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_HOME = {
    "Pack": "pack.spec",
    "Limits": "pack.limits",
    "Chemistry": "pack.chemistry",
    "load_chemistry": "pack.chemistry",
    "Holder": "pack.holder",
    "cell_table": "cells.table",
    "read_cells": "cells.files",
    "screen_cells": "cells.screening",
    "Grouping": "grouping.solve",
    "group_cells": "grouping.solve",
    "place_cells": "build.placement",
    "LoadCase": "prediction",
    "Prediction": "prediction",
    "predict_pack": "prediction",
    "Plan": "plan",
    "plan_pack": "plan",
    "write_plan": "output.folder",
    "read_plan": "output.record",
    "CellmatchError": "errors",
}

__all__ = [
    "CellmatchError",
    "Chemistry",
    "Grouping",
    "Holder",
    "Limits",
    "LoadCase",
    "Pack",
    "Plan",
    "Prediction",
    "cell_table",
    "group_cells",
    "load_chemistry",
    "place_cells",
    "plan_pack",
    "predict_pack",
    "read_cells",
    "read_plan",
    "screen_cells",
    "write_plan",
]

if TYPE_CHECKING:
    from cellmatch.build.placement import place_cells
    from cellmatch.cells.files import read_cells
    from cellmatch.cells.screening import screen_cells
    from cellmatch.cells.table import cell_table
    from cellmatch.errors import CellmatchError
    from cellmatch.grouping.solve import Grouping, group_cells
    from cellmatch.output.folder import write_plan
    from cellmatch.output.record import read_plan
    from cellmatch.pack.chemistry import Chemistry, load_chemistry
    from cellmatch.pack.holder import Holder
    from cellmatch.pack.limits import Limits
    from cellmatch.pack.spec import Pack
    from cellmatch.plan import Plan, plan_pack
    from cellmatch.prediction import LoadCase, Prediction, predict_pack


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("cellmatch")
    if name not in _HOME:
        raise AttributeError(f"module 'cellmatch' has no attribute {name!r}")
    return getattr(import_module(f"cellmatch.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
