"""What the grouping is compared with: drafts by hand, number partitioning, and two solvers on the plain model.

Every one takes whole capacities [mAh], S, P and seconds, and returns the spread [mAh] and whether it proved it.
Where there are spare cells all of them get the same run of the sorted cells, the one with the least variance.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import highspy
import numberpartitioning
import numpy as np
import prtpy
from numpy.typing import NDArray
from ortools.sat.python import cp_model

Ints = NDArray[np.int64]

EQUAL_COUNTS = 100_000
"""Added to every capacity, so that number partitioning keeps the counts equal to keep the sums equal."""


class Found(NamedTuple):
    """Spread [mAh], None where nothing was found in time."""

    spread: int | None
    proven: bool = False


def most_alike(values: Ints, count: int) -> Ints:
    """Return the run of so many sorted values with the least variance, largest first."""
    ordered = -np.sort(-values)
    runs = [ordered[start : start + count] for start in range(len(ordered) - count + 1)]
    return min(runs, key=lambda run: float(run.var()))


def _spread(sums: Ints) -> Found:
    return Found(int(sums.max() - sums.min()))


def serpentine(values: Ints, series: int, parallel: int, seconds: float) -> Found:
    """Deal the sorted cells to and fro."""
    rows = most_alike(values, series * parallel).reshape(parallel, series).copy()
    rows[1::2] = rows[1::2, ::-1]
    return _spread(rows.sum(axis=0))


def largest_first(values: Ints, series: int, parallel: int, seconds: float) -> Found:
    """Give each cell, largest first, to the lightest group that has room."""
    sums, counts = np.zeros(series, dtype=np.int64), np.zeros(series, dtype=np.int64)
    for value in most_alike(values, series * parallel).tolist():
        group = int(np.argmin(np.where(counts < parallel, sums, np.iinfo(np.int64).max)))
        sums[group] += value
        counts[group] += 1
    return _spread(sums)


def _of_parts(parts: list[list[float]], series: int, parallel: int) -> Found:
    if [len(part) for part in parts] != [parallel] * series:
        return Found(None)
    return _spread(np.array([round(sum(part)) for part in parts]))


def prtpy_kk(values: Ints, series: int, parallel: int, seconds: float) -> Found:
    """Karmarkar-Karp of prtpy."""
    items = (most_alike(values, series * parallel) + EQUAL_COUNTS).tolist()
    parts = prtpy.partition(algorithm=prtpy.partitioning.karmarkar_karp, numbins=series, items=items)
    return _of_parts(parts, series, parallel)


def numberpartitioning_kk(values: Ints, series: int, parallel: int, seconds: float) -> Found:
    """Karmarkar-Karp of numberpartitioning."""
    items = (most_alike(values, series * parallel) + EQUAL_COUNTS).tolist()
    return _of_parts(numberpartitioning.karmarkar_karp(items, series).partition, series, parallel)


def highs(values: Ints, series: int, parallel: int, seconds: float) -> Found:
    """Solve the plain model as a mixed-integer program in HiGHS."""
    solver = highspy.Highs()  # type: ignore[no-untyped-call]
    solver.silent()
    solver.setOptionValue("time_limit", seconds)
    solver.setOptionValue("mip_rel_gap", 0.0)
    centred = values - int(np.median(values))
    takes = [[solver.addBinary() for _ in range(series)] for _ in centred]
    reach = int(np.abs(centred).sum())
    low, high = solver.addVariable(-reach, reach), solver.addVariable(-reach, reach)
    for row in takes:
        used = sum(row[1:], row[0])
        solver.addConstr(used == 1) if len(centred) == series * parallel else solver.addConstr(used <= 1)
    for group in range(series):
        column = [row[group] for row in takes]
        solver.addConstr(sum(column[1:], column[0]) == parallel)
        total = sum((int(v) * x for v, x in zip(centred, column, strict=True)), 0 * column[0])
        solver.addConstr(total >= low)
        solver.addConstr(total <= high)
    solver.minimize(high - low)
    info = solver.getInfo()
    if info.primal_solution_status != 2:
        return Found(None)
    return Found(round(info.objective_function_value), solver.getModelStatus() == highspy.HighsModelStatus.kOptimal)


def cp_sat(values: Ints, series: int, parallel: int, seconds: float) -> Found:
    """Solve the plain model in CP-SAT, two workers."""
    model = cp_model.CpModel()
    centred = (values - int(np.median(values))).tolist()
    takes = [[model.new_bool_var("") for _ in range(series)] for _ in centred]
    reach = sum(abs(v) for v in centred)
    low, high = model.new_int_var(-reach, reach, ""), model.new_int_var(-reach, reach, "")
    for row in takes:
        model.add(sum(row) == 1) if len(centred) == series * parallel else model.add(sum(row) <= 1)
    for group in range(series):
        column = [row[group] for row in takes]
        model.add(sum(column) == parallel)
        total = cp_model.LinearExpr.weighted_sum(column, centred)
        model.add(total >= low)
        model.add(total <= high)
    model.minimize(high - low)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 2
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Found(None)
    return Found(round(solver.objective_value), status == cp_model.OPTIMAL)


PEERS: dict[str, Callable[[Ints, int, int, float], Found]] = {
    "serpentine": serpentine,
    "largest first": largest_first,
    "prtpy KK": prtpy_kk,
    "numberpartitioning KK": numberpartitioning_kk,
    "HiGHS": highs,
    "plain CP-SAT": cp_sat,
}
SOLVERS = ("HiGHS", "plain CP-SAT")
