"""The record of a plan: plan.json, written and read.

Its shape is fixed by ``plan.schema.json`` in this folder. Missing is null, never NaN.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cellmatch import __version__
from cellmatch.build.assembly import Assembly
from cellmatch.cells.screening.screen import Screening
from cellmatch.cells.screening.window import JoiningWindow
from cellmatch.cells.table import COLUMN, INDEX_NAME, PlacedCells
from cellmatch.cells.understood import Reading
from cellmatch.errors import FileUnusable, Problem
from cellmatch.grouping.result import Grouping
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack
from cellmatch.plain import from_plain, to_plain
from cellmatch.plan import Plan
from cellmatch.prediction import Prediction

FORMAT = "cellmatch plan"
SCHEMA_VERSION = 1
RECORD_NAME = "plan.json"


def record_schema() -> dict[str, Any]:
    """Return the JSON Schema of the record."""
    text = (files("cellmatch.output") / "plan.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def record_text(record: Mapping[str, Any]) -> str:
    r"""Write a record as JSON text: a line a key, and in lists a line an item, so that a change shows as a line.

    Parameters
    ----------
    record : mapping
        Plain JSON values.

    Returns
    -------
    str

    Examples
    --------
    >>> print(record_text({"pack": {"series": 2}, "notes": ["a", "b"], "files": []}))
    {
    "pack": {"series": 2},
    "notes": [
     "a",
     "b"
    ],
    "files": []
    }
    """
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode

    def entry(value: Any) -> str:
        if isinstance(value, list) and value:
            return "[\n " + ",\n ".join(map(encode, value)) + "\n]"
        return encode(value)

    return "{\n" + ",\n".join(f"{encode(key)}: {entry(value)}" for key, value in record.items()) + "\n}"


def plan_to_json(plan: Plan, paper_sha256: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Return the record of a plan as plain JSON values.

    Parameters
    ----------
    plan : Plan
    paper_sha256 : mapping of file name to sha256, optional
        The papers that lie beside the record.

    Returns
    -------
    dict
    """
    grouping = to_plain(plan.grouping)
    groups = grouping.pop("groups")
    return {
        "format": FORMAT,
        "schema_version": SCHEMA_VERSION,
        "created_at": plan.created_at,
        "cellmatch_version": __version__,
        "sources": [{"file": f.name, "sha256": f.sha256, "rows": f.rows} for f in plan.reading.files],
        "reading": to_plain(plan.reading),
        "pack": to_plain(plan.pack),
        "chemistry": to_plain(plan.chemistry),
        "holder": to_plain(plan.holder),
        "limits": to_plain(plan.limits),
        "settings": to_plain(plan.settings),
        "assumptions": list(plan.assumptions),
        "verdict": plan.verdict,
        "verdict_reasons": list(plan.verdict_reasons),
        "provisional": plan.provisional,
        "screening": _screening_to_json(plan.screening),
        "cells": _cells_to_json(plan.cells),
        "groups": [
            {
                "group": predicted.group,
                "capacity_mah": predicted.capacity_mah,
                "ir_mohm": predicted.ir_mohm,
                "ir_method": plan.prediction.ir_method,
                "cells": ids,
            }
            for predicted, ids in zip(plan.prediction.groups, groups, strict=True)
        ],
        "grouping": grouping,
        "prediction": to_plain(plan.prediction),
        **_assembly_to_json(plan.assembly),
        "notes": list(plan.notes),
        "cautions": list(plan.cautions),
        "history": to_plain(plan.history),
        "files": [{"file": name, "sha256": value} for name, value in (paper_sha256 or {}).items()],
    }


def plan_from_json(record: Mapping[str, Any]) -> Plan:
    """Build the plan a record holds.

    Raises
    ------
    KeyError, TypeError, ValueError
        The record lacks something or holds something else.
    """
    chemistry: Chemistry = from_plain(Chemistry, record["chemistry"])
    limits: Limits = from_plain(Limits, record["limits"])
    cells = _cells_from_json(record["cells"])
    grouping_fields = {**record["grouping"], "groups": [g["cells"] for g in record["groups"]]}
    return Plan(
        pack=from_plain(Pack, record["pack"]),
        chemistry=chemistry,
        limits=limits,
        holder=from_plain(Holder, record["holder"]),
        cells=cells,
        screening=_screening_from_json(record["screening"], chemistry, cells),
        grouping=from_plain(Grouping, grouping_fields),
        prediction=from_plain(Prediction, record["prediction"]),
        assembly=_assembly_from_json(record),
        verdict=record["verdict"],
        verdict_reasons=tuple(record["verdict_reasons"]),
        provisional=record["provisional"],
        assumptions=tuple(record["assumptions"]),
        notes=tuple(record["notes"]),
        cautions=tuple(record["cautions"]),
        settings=record["settings"],
        reading=from_plain(Reading, record["reading"]),
        created_at=record["created_at"],
        history=tuple(record["history"]),
    )


def read_plan(folder: str | Path) -> Plan:
    """Read the plan that lies in a folder.

    Parameters
    ----------
    folder : path
        The folder `plan` wrote, or its plan.json.

    Returns
    -------
    Plan

    Raises
    ------
    FileUnusable
        There is no record, it is damaged, or it was written by a newer version.
    """
    path = Path(folder)
    path = path / RECORD_NAME if path.is_dir() else path
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileUnusable(
            Problem(str(path), f"no record could be read ({error.strerror}); name a folder that `plan` wrote")
        ) from error
    except ValueError as error:
        raise FileUnusable(
            Problem(path.name, f"is not a whole record ({error}); plan again from the tester's file")
        ) from error
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise FileUnusable(Problem(path.name, f"is no record of this tool: it lacks format = '{FORMAT}'"))
    if record.get("schema_version", 0) > SCHEMA_VERSION:
        raise FileUnusable(
            Problem(
                path.name,
                f"was written by version {record.get('cellmatch_version')}, which is newer; update cellmatch",
            )
        )
    try:
        return plan_from_json(record)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise FileUnusable(
            Problem(path.name, f"the record is damaged near {error}; plan again from the tester's file")
        ) from error


def _cells_to_json(cells: PlacedCells) -> list[dict[str, Any]]:
    names = list(cells.columns)
    columns = [[to_plain(v) for v in cells[name].tolist()] for name in names]
    return [
        {INDEX_NAME: cell, **dict(zip(names, row, strict=True))}
        for cell, row in zip(cells.index, zip(*columns, strict=True), strict=True)
    ]


def _cells_from_json(rows: list[dict[str, Any]]) -> PlacedCells:
    index = pd.Index([row[INDEX_NAME] for row in rows], dtype=object, name=INDEX_NAME)
    frame = pd.DataFrame(index=index)
    for name in (n for n in rows[0] if n != INDEX_NAME):
        frame[name] = _column_from_json(name, [row[name] for row in rows], index)
    return PlacedCells(frame)  # type: ignore[arg-type]


def _column_from_json(name: str, values: list[Any], index: pd.Index) -> pd.Series:
    kind = COLUMN[name].kind if name in COLUMN else ""
    found = {type(v) for v in values}
    if found == {int}:
        return pd.Series(np.array(values, dtype=np.int64), index=index)
    if kind == "number" or (not kind and float in found and found <= {int, float, type(None)}):
        return pd.Series(np.array([np.nan if v is None else v for v in values], dtype=float), index=index)
    if kind == "texts":
        values = [tuple(v) for v in values]
    return pd.Series(values, index=index, dtype=object)


def _assembly_to_json(assembly: Assembly) -> dict[str, Any]:
    """Return links, taps, hazards and steps, which stand at the top of the record."""
    plain: dict[str, Any] = to_plain(assembly)
    wiring = plain.pop("wiring")
    top = {name: plain.pop(name) for name in ("taps", "hazards", "steps")}
    return {"links": wiring.pop("links"), **top, "assembly": {**plain, "wiring": wiring}}


def _assembly_from_json(record: Mapping[str, Any]) -> Assembly:
    data = dict(record["assembly"])
    data["wiring"] = {**data["wiring"], "links": record["links"]}
    built: Assembly = from_plain(Assembly, {**data, **{name: record[name] for name in ("taps", "hazards", "steps")}})
    return built


def _screening_to_json(screening: Screening) -> dict[str, Any]:
    plain: dict[str, Any] = to_plain(screening)
    # told once, at the top of the record
    for name in ("chemistry",):
        plain.pop(name)
    return plain


def _screening_from_json(data: Mapping[str, Any], chemistry: Chemistry, cells: PlacedCells) -> Screening:
    level_to_v = cells["level_to_v"].to_numpy(dtype=float)
    window = from_plain(JoiningWindow, data["window"], level_to_v=level_to_v)
    screening: Screening = from_plain(Screening, data, chemistry=chemistry, window=window)
    return screening
