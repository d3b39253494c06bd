"""Two cells change places: what of a plan changes with them, and what stays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from cellmatch.cells.table import PlacedCells
from cellmatch.errors import ArgumentInvalid, Problem, nearest_name
from cellmatch.grouping.result import Grouping
from cellmatch.page.plans import SWAPPED, UNDONE
from cellmatch.plan import Plan, consequences
from cellmatch.prediction import LoadCase, Prediction

PLACE_COLUMNS = ("status", "group", "position", "row", "column", "x_mm", "y_mm", "positive_up")
NOTE = "cells were swapped by hand after the search: proofs hold for the grouping as it was found"


def swapped(plan: Plan, entry: Mapping[str, Any], case: LoadCase | None) -> Plan:
    """Return the plan with two cells in each other's place.

    Parameters
    ----------
    plan : Plan
    entry : mapping
        Of the journal: ``of`` (the plan's ``created_at``), ``when`` (UTC), ``cells`` (two ids), ``what``
        (``cells swapped`` or ``swap undone``).
    case : LoadCase or None
        The load to predict with; None leaves the load out, which is much faster.

    Returns
    -------
    Plan
        Its history one entry longer.

    Raises
    ------
    ArgumentInvalid
        A cell that is not in the pack's tray, is a reject, or two spares.
    """
    one, other = (str(cell) for cell in entry["cells"])
    _check(plan.cells, one, other)
    cells = _exchanged(plan.cells, one, other)
    made = consequences(cells, plan.pack, plan.holder, plan.chemistry, plan.limits, plan.screening, case)
    grouping = _regrouped(plan.grouping, one, other, made.prediction)
    kept = {
        "what": entry["what"],
        "when": entry["when"],
        "before": _figures(plan.grouping),
        "after": {"cells": [one, other], **_figures(grouping)},
        "reason": "by hand on the map",
    }
    return replace(
        plan,
        cells=cells,
        grouping=grouping,
        prediction=made.prediction,
        assembly=made.assembly,
        verdict=made.verdict,
        verdict_reasons=made.verdict_reasons,
        history=(*plan.history, kept),
    )


def pending(plan: Plan, journal: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the entries of the journal about this plan that its record doesn't hold yet."""
    held = {entry["when"] for entry in plan.history}
    return [entry for entry in journal if entry["of"] == plan.created_at and entry["when"] not in held]


def standing_swaps(plan: Plan) -> list[tuple[str, str]]:
    """Return the swaps that were made and not undone, the last one last."""
    standing: list[tuple[str, str]] = []
    for entry in plan.history:
        if entry["what"] == SWAPPED:
            one, other = entry["after"]["cells"]
            standing.append((one, other))
        elif entry["what"] == UNDONE and standing:
            standing.pop()
    return standing


def _check(cells: PlacedCells, one: str, other: str) -> None:
    problems = [
        Problem(f"cell {cell}", f"there is no such cell; {nearest_name(cell, map(str, cells.index))}")
        for cell in (one, other)
        if cell not in cells.index
    ]
    if not problems:
        status = {cell: str(cells["status"].loc[cell]) for cell in (one, other)}
        problems += [
            Problem(f"cell {cell}", "is rejected: no swap brings it in")
            for cell, found in status.items()
            if found not in ("used", "spare")
        ]
        if one == other or "used" not in status.values():
            problems.append(Problem("swap", "two different cells are needed, one of them in the pack"))
    if problems:
        raise ArgumentInvalid(problems)


def _exchanged(cells: PlacedCells, one: str, other: str) -> PlacedCells:
    changed = cells.copy()
    order = [str(cell) for cell in cells.index]
    i, j = order.index(one), order.index(other)
    for name in PLACE_COLUMNS:
        values = changed[name].to_numpy(copy=True)
        values[[i, j]] = values[[j, i]]
        changed[name] = values
    return PlacedCells(changed)


def _regrouped(grouping: Grouping, one: str, other: str, prediction: Prediction) -> Grouping:
    """Return the grouping after the exchange; within one group nothing of it changes."""
    turned = {one: other, other: one}
    groups = tuple(tuple(turned.get(cell, cell) for cell in group) for group in grouping.groups)
    if [set(g) for g in groups] == [set(g) for g in grouping.groups]:
        return grouping
    sums = [round(g.capacity_mah, 1) for g in prediction.groups]
    return replace(
        grouping,
        groups=groups,
        spares=tuple(turned.get(cell, cell) for cell in grouping.spares),
        aims=(),
        spread_mah=round(max(sums) - min(sums), 1),
        proven=False,
        weakest_mah=min(sums),
        weakest_proven=False,
        notes=tuple(dict.fromkeys((*grouping.notes, NOTE))),
    )


def _figures(grouping: Grouping) -> dict[str, float]:
    return {"spread_mah": grouping.spread_mah, "weakest_mah": grouping.weakest_mah}
