"""Cells that stand on several rows: combined by a stated rule, never merged in silence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
import pandas as pd

from cellmatch.cells.understood import Repeat

RepeatRule = Literal["median", "newest", "refuse"]

CAPACITY_DIFFERS_FRACTION = 0.01
"""Of the median; the repeatability of a hobby tester (common practice, no source)."""
IR_DIFFERS_FRACTION = 0.05
"""Of the median (common practice, no source)."""
OCV_DIFFERS_V = 0.010
"""Common practice, no source."""

_TOLERANCE: Mapping[str, tuple[float, float, str]] = {
    "ocv_v": (OCV_DIFFERS_V, 0.0, "V"),
    "capacity_mah": (0.0, CAPACITY_DIFFERS_FRACTION, "mAh"),
    "ir_mohm": (0.0, IR_DIFFERS_FRACTION, "mohm"),
}


def combined(rows: pd.DataFrame, rule: RepeatRule) -> tuple[pd.DataFrame, tuple[Repeat, ...]]:
    """Return one row a cell in the order of first appearance, and what was combined.

    Parameters
    ----------
    rows : DataFrame
        Index cell ids, which may stand several times; ``source`` and ``problems`` among its columns.
    rule : "median" or "newest"
        Numbers: the median of a cell's rows, or the last reading that a cell has. Text: the last one given.
    """
    again = rows.index.duplicated(keep=False)
    if not again.any():
        return rows, ()
    repeats, merged = [], {}
    for cell_id, group in rows[again].groupby(level=0, sort=False):
        record: dict[str, object] = {}
        for name, column in group.items():
            record[str(name)] = _COMBINE.get(str(name), _value)(column, rule)
        merged[str(cell_id)] = record
        repeats.append(_described(str(cell_id), group, rule))
    result = rows[~rows.index.duplicated()].copy()
    for name in result.columns:
        column = result[name].to_numpy(dtype=object if result[name].dtype == object else None, copy=True)
        for position in np.flatnonzero(result.index.isin(list(merged))):
            column[position] = merged[result.index[position]][name]
        result[name] = column
    return result, tuple(repeats)


def _value(column: pd.Series, rule: str) -> object:
    given = column.dropna()
    if given.empty:
        return column.iloc[-1]
    if rule == "median" and pd.api.types.is_float_dtype(column):
        return float(np.median(given.to_numpy()))
    return given.iloc[-1]


def _sources(column: pd.Series, rule: str) -> object:
    return ", ".join(column)


def _problems(column: pd.Series, rule: str) -> object:
    return tuple(p for problems in column for p in problems)


_COMBINE = {"source": _sources, "problems": _problems}


def _described(cell_id: str, group: pd.DataFrame, rule: str) -> Repeat:
    readings = {n: tuple(group[n].astype(float)) for n in _TOLERANCE if n in group.columns}
    differ = []
    for name, (absolute, fraction, unit) in _TOLERANCE.items():
        given = np.array([v for v in readings.get(name, ()) if v == v])
        if len(given) > 1 and np.ptp(given) > absolute + fraction * abs(np.median(given)) + 1e-9:
            differ.append(f"{name} {given.min():g} to {given.max():g} {unit}")
    return Repeat(
        cell_id=cell_id,
        sources=tuple(group["source"]),
        readings=readings,
        rule=rule,
        differ=tuple(differ),
    )
