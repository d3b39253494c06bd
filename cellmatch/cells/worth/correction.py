"""Readings of several testers, slots or dates brought to one scale: only when asked for, and both values are kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from cellmatch.cells.quality import single_readings
from cellmatch.cells.repeats import described_again
from cellmatch.cells.table import CellTable
from cellmatch.cells.understood import Reading, Repeat
from cellmatch.cells.worth.bias import LEVELS, Bias, bias_between, corrected
from cellmatch.errors import ArgumentInvalid, Problem

CORRECTED = ("capacity_mah", "ir_mohm")
"""What testers read differently; a voltage that is off is the meter's, and it decides about joining as it was read."""

SHOWN_P = 0.05
"""A bias more likely than this to be chance is left alone: to correct it would add its error to every reading."""


def correct_readings(cells: CellTable, by: str) -> CellTable:
    """Bring capacities and resistances to the scale of the tester, slot or date that has the most readings.

    Parameters
    ----------
    cells : CellTable
        As read, with cells that were measured on more than one.
    by : str
        ``tester``, ``slot`` or ``date``.

    Returns
    -------
    CellTable
        Corrected, with what was read as ``capacity_mah_as_read`` and ``ir_mohm_as_read``. What was done stands in
        ``.attrs["reading"]``, each bias with its standard error.

    Raises
    ------
    ArgumentInvalid
        Another word for `by`; no cell was measured on two of them; or a reading comes from one that no shared cell
        connects to the others.
    """
    reading: Reading = cells.attrs.get("reading", Reading())
    singles = single_readings(cells)
    found = [bias for name in CORRECTED if (bias := bias_between(singles, name, by)) is not None]
    if not any(len(bias.levels) > 1 for bias in found):
        raise ArgumentInvalid(
            Problem(
                f"correction by {by}",
                f"no cell was measured by more than one {by}; measure three or more control cells on each"
                + ("" if by in LEVELS and found else f", and name the {by} in a column of its own"),
            )
        )
    words: list[str] = []
    names: list[str] = []
    for bias in found:
        if not _shown(bias):
            words.append(f"{bias.quantity} is left as read: {bias.text() or f'no {by} was compared'}")
            continue
        singles = corrected(singles, bias)
        names.append(bias.quantity)
        words.append(f"{bias.quantity} corrected to the scale of {by} {bias.reference}: {bias.text()}")
    table = cells.copy()
    repeats = _corrected_repeats(reading.repeats, singles, names)
    for name in names:
        values = singles.groupby(level=0, sort=False)[name].median()
        values.update(pd.Series({r.cell_id: _newest(r.readings[name]) for r in repeats if r.rule == "newest"}))
        table[f"{name}_as_read"] = cells[name]
        table[name] = values.reindex(cells.index).to_numpy(dtype=float)
    table.attrs["reading"] = replace(
        reading,
        repeats=repeats,
        assumptions=(*reading.assumptions, *words),
        warnings=described_again(reading, repeats),
    )
    return CellTable(table)


def _shown(bias: Bias) -> bool:
    return any(level.p_value < SHOWN_P for level in bias.levels[1:])


def _newest(values: Sequence[float]) -> float:
    return next((value for value in reversed(values) if not np.isnan(value)), float("nan"))


def _corrected_repeats(repeats: tuple[Repeat, ...], singles: pd.DataFrame, names: Sequence[str]) -> tuple[Repeat, ...]:
    """Return the repeats with corrected readings beside those as read; they stand last in `singles`, in their order."""
    done: list[Repeat] = []
    at = len(singles) - sum(len(repeat.sources) for repeat in repeats)
    for repeat in repeats:
        rows = singles.iloc[at : at + len(repeat.sources)]
        at += len(repeat.sources)
        readings = dict(repeat.readings)
        for name in names:
            readings[f"{name}_as_read"] = readings[name]
            readings[name] = tuple(rows[name].tolist())
        done.append(replace(repeat, readings=readings))
    return tuple(done)
