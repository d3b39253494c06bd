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
    "read_cells": "cells.reading.files",
    "screen_cells": "cells.screening.screen",
    "Grouping": "grouping.solve",
    "group_cells": "grouping.solve",
    "place_cells": "build.placement",
    "LoadCase": "prediction",
    "Prediction": "prediction",
    "predict_pack": "prediction",
    "Plan": "plan",
    "plan_pack": "plan",
    "plan_packs": "packs",
    "write_plan": "output.folder",
    "read_plan": "output.record",
    "inspect_pack": "bench.inspection",
    "read_readings": "cells.readings",
    "replace_cell": "bench.replace",
    "measure_log": "cells.logs.measure",
    "quality_notes": "cells.worth.notes",
    "repeatability": "cells.quality",
    "match_uncertainty": "cells.quality",
    "bias_between": "cells.worth.bias",
    "self_discharge": "cells.worth.self_discharge",
    "size_pack": "pack.sizing",
    "possible_packs": "possible",
    "read_job": "pack.job",
    "read_trays": "pack.trays",
    "plan_trays": "jobs",
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
    "bias_between",
    "cell_table",
    "group_cells",
    "inspect_pack",
    "load_chemistry",
    "match_uncertainty",
    "measure_log",
    "place_cells",
    "plan_pack",
    "plan_packs",
    "plan_trays",
    "possible_packs",
    "predict_pack",
    "quality_notes",
    "read_cells",
    "read_job",
    "read_plan",
    "read_readings",
    "read_trays",
    "repeatability",
    "replace_cell",
    "screen_cells",
    "self_discharge",
    "size_pack",
    "write_plan",
]

if TYPE_CHECKING:
    from cellmatch.bench.inspection import inspect_pack
    from cellmatch.bench.replace import replace_cell
    from cellmatch.build.placement import place_cells
    from cellmatch.cells.logs.measure import measure_log
    from cellmatch.cells.quality import match_uncertainty, repeatability
    from cellmatch.cells.reading.files import read_cells
    from cellmatch.cells.readings import read_readings
    from cellmatch.cells.screening.screen import screen_cells
    from cellmatch.cells.table import cell_table
    from cellmatch.cells.worth.bias import bias_between
    from cellmatch.cells.worth.notes import quality_notes
    from cellmatch.cells.worth.self_discharge import self_discharge
    from cellmatch.errors import CellmatchError
    from cellmatch.grouping.solve import Grouping, group_cells
    from cellmatch.jobs import plan_trays
    from cellmatch.output.folder import write_plan
    from cellmatch.output.record import read_plan
    from cellmatch.pack.chemistry import Chemistry, load_chemistry
    from cellmatch.pack.holder import Holder
    from cellmatch.pack.job import read_job
    from cellmatch.pack.limits import Limits
    from cellmatch.pack.sizing import size_pack
    from cellmatch.pack.spec import Pack
    from cellmatch.pack.trays import read_trays
    from cellmatch.packs import plan_packs
    from cellmatch.plan import Plan, plan_pack
    from cellmatch.possible import possible_packs
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
