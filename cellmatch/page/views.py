"""A plan as plain values for the pages: numbers, drawings and the steps of the build."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from cellmatch.build.preparing import STALE_H
from cellmatch.build.steps import Step
from cellmatch.cells.table import resistances_mohm
from cellmatch.grouping import split
from cellmatch.output.bench_sheet import MOST_CELLS_IN_HAND, NAMES, face_of_step
from cellmatch.output.map import TILE_COLUMNS, map_windows, pack_map_svg, window_around
from cellmatch.output.quantities import group_balance
from cellmatch.output.spares import ranked_spares
from cellmatch.output.svg_charts import BalanceScale
from cellmatch.pack.positions import FACES
from cellmatch.page.arranging import standing_swaps
from cellmatch.page.plans import SWAPPED, UNDONE
from cellmatch.plain import to_plain
from cellmatch.plan import Plan

MOST_SPARES = 60
_CELL = re.compile(r'<g class="cell">')


def view_of(plan: Plan) -> dict[str, Any]:
    """Return everything the pages show of a plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        Plain JSON values.
    """
    balance = group_balance(plan)
    scale = BalanceScale(balance)
    prediction = to_plain(plan.prediction)
    load = prediction.pop("load")
    grouping = to_plain(plan.grouping)
    for name in ("groups", "spares", "aims"):
        grouping.pop(name)
    return {
        "created_at": plan.created_at,
        "pack": str(plan.pack),
        "series": plan.pack.series,
        "chemistry": plan.chemistry.label,
        "joint": plan.holder.joint,
        "verdict": plan.verdict,
        "verdict_reasons": list(plan.verdict_reasons),
        "notes": list(plan.notes),
        "cautions": list(plan.cautions),
        "aims": to_plain(plan.grouping.aims),
        "grouping": grouping,
        "prediction": prediction,
        "has_load": load is not None,
        "balance": {
            "finding": balance.finding(),
            "mean_mah": balance.mean_mah,
            "deviation_mah": to_plain(balance.deviation_mah.tolist()),
            "weakest": balance.weakest,
            "head": scale.head(),
            "rows": [scale.row(i) for i in range(len(balance.group))],
        },
        "compared": compared(plan),
        "cells": _cells(plan, load),
        "counts": {s: int((plan.cells["status"] == s).sum()) for s in ("used", "spare", "reject")},
        "accepted": [
            {"cell": str(cell), "reason": why} for cell, why in plan.cells["accepted"].items() if isinstance(why, str)
        ],
        "maps": _maps(plan),
        "spares": [
            {"cell": s.cell, "capacity_mah": s.capacity_mah, "ir_mohm": s.ir_mohm, "ocv_v": s.ocv_v}
            for s in ranked_spares(plan)[:MOST_SPARES]
        ],
        "steps": [_step(plan, step) for step in plan.assembly.steps],
        "steps_id": hashlib.sha256(json.dumps(to_plain(plan.assembly.steps)).encode()).hexdigest()[:16],
        "stale_h": STALE_H,
        "groups": [list(group) for group in plan.groups],
        "swaps": [list(pair) for pair in standing_swaps(plan)],
        "last_change": _last_change(plan),
        "meter": {"fraction": plan.limits.meter_fraction, "digits_v": plan.limits.meter_digits_v},
    }


def compared(plan: Plan) -> list[dict[str, Any]]:
    """Return what the same good cells would give, grouped in two ways that need no search.

    Returns
    -------
    list of dict
        ``name``, ``weakest_mah``, ``spread_mah``; the plan itself first.
    """
    good = plan.cells[plan.cells["status"] != "reject"]
    tenths = np.round(10 * good["capacity_mah"].to_numpy(dtype=float)).astype(np.int64)
    series, parallel = plan.pack.series, max(plan.pack.group_sizes)
    ways = (
        ("in the order of the file", split.in_order(np.arange(len(tenths)), series, parallel)),
        (
            "serpentine: to and fro from the strongest",
            split.serpentine(np.argsort(-tenths, kind="stable"), series, parallel),
        ),
    )
    found = [{"name": "as planned", "weakest_mah": plan.grouping.weakest_mah, "spread_mah": plan.grouping.spread_mah}]
    if len(set(plan.pack.group_sizes)) == 1:
        for name, groups in ways:
            sums = tenths[groups].sum(axis=1)
            found.append(
                {"name": name, "weakest_mah": sums.min() / 10, "spread_mah": float(sums.max() - sums.min()) / 10}
            )
    return to_plain(found)  # type: ignore[no-any-return]


def _cells(plan: Plan, load: dict[str, Any] | None) -> dict[str, dict[str, Any]]:
    """Return what is told of each cell that is used or spare."""
    under_load = {} if load is None else {c["cell"]: c for c in load["cells"]}
    kept = plan.cells[plan.cells["status"] != "reject"]
    columns = zip(
        map(str, kept.index), kept["status"], kept["group"], kept["position"], kept["positive_up"], kept["ocv_v"],
        kept["capacity_mah"], resistances_mohm(kept), kept["level_to_v"], kept["remarks"], kept["accepted"],
        strict=True,
    )  # fmt: skip
    return {
        cell: to_plain(
            {
                "status": status, "group": int(group), "position": int(position), "positive_up": bool(up),
                "ocv_v": float(ocv), "capacity_mah": float(mah), "ir_mohm": float(ir), "level_to_v": float(to_v),
                "remarks": remarks, "accepted": accepted,
                "most_a": under_load.get(cell, {}).get("most_a"),
                "rise_k": (under_load.get(cell, {}).get("rise_k") or [None, None])[1],
            }
        )
        for cell, status, group, position, up, ocv, mah, ir, to_v, remarks, accepted in columns
    }  # fmt: skip


def _maps(plan: Plan) -> list[list[dict[str, Any]]]:
    """Return both faces of each part of the holder, each cell marked with its place in ``cells``.

    The drawing is that of the papers; it says nothing of which cell a group of shapes is, so its cells are
    counted: they stand in the order of their places.
    """
    windows = map_windows(plan)
    links = plan.assembly.wiring.links
    used = plan.with_status("used").sort_values("position")
    x, y = used["x_mm"].to_numpy(dtype=float), used["y_mm"].to_numpy(dtype=float)
    parts = []
    for window in windows:
        ids = [str(cell) for cell in used.index[window.holds(x, y)]] if len(windows) > 1 else list(map(str, used.index))
        faces = []
        for face in FACES:
            svg = pack_map_svg(plan, face, window if len(windows) > 1 else None, links)
            pieces = _CELL.split(svg)
            if len(pieces) != len(ids) + 1:
                raise RuntimeError(f"the map draws {len(pieces) - 1} cells; {len(ids)} are there")
            faces.append({"face": face, "pieces": pieces, "cells": ids})
        parts.append(faces)
    return parts


def _step(plan: Plan, step: Step) -> dict[str, Any]:
    """Return a step of the build with the names of its readings and a drawing of the cells in hand."""
    plain: dict[str, Any] = to_plain(step)
    for expected, shown in zip(step.expected, plain["expected"], strict=True):
        what, where = NAMES[expected.kind](expected, plan)
        shown |= {"what": what, "where": where, "decimals": 3 if abs(expected.value_v) < 6 else 2}
    plain["drawing"] = _drawing(plan, step)
    return plain


def _drawing(plan: Plan, step: Step) -> str:
    if not 1 < len(step.cells) <= MOST_CELLS_IN_HAND:
        return ""
    window = window_around(plan, step.cells)
    if window.right - window.left > (TILE_COLUMNS + 0.5) * plan.holder.spacing_mm:
        return ""
    wiring = plan.assembly.wiring
    links = [link for link in wiring.links if step.junction and step.junction == link.junction]
    return pack_map_svg(plan, face_of_step(step, wiring), window, links)


def _last_change(plan: Plan) -> dict[str, Any] | None:
    """Return the last swap with its figures before and after."""
    entry = plan.history[-1] if plan.history else None
    if entry is None or entry["what"] not in (SWAPPED, UNDONE):
        return None
    after = entry["after"]
    return {"what": entry["what"], "cells": list(after["cells"]), "before": entry["before"], "after": after}


def load_view(load: Any, ids: Sequence[str]) -> dict[str, Any]:
    """Return what a load does, as plain values, the most loaded cells first."""
    plain: dict[str, Any] = to_plain(load)
    plain["cells"] = sorted(plain["cells"], key=lambda c: -c["most_a"])
    return plain
