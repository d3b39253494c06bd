"""Self-discharge of cells whose voltage was read on two days, from the readings that a tray's files hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from cellmatch.cells.repeats import described_again
from cellmatch.cells.table import CellTable
from cellmatch.cells.understood import Reading, Repeat
from cellmatch.cells.worth.self_discharge import SelfDischarge, least_rest_days, self_discharge, with_self_discharge
from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.chemistry import Chemistry


def lost_between_readings(cells: CellTable, chemistry: Chemistry | None = None) -> CellTable:
    """Fill in the self-discharge of every cell that has two dated voltages: its first and its last.

    Parameters
    ----------
    cells : CellTable
        As read from one file or several, with cells that stand twice and ``tested_at`` for each reading.
    chemistry : Chemistry, optional
        Gives the leak current, and refuses where its curve is flat.

    Returns
    -------
    CellTable
        ``self_discharge_mv_per_day`` [mV/d] and ``leak_ma`` [mA] where they can be told; ``ocv_v`` of these cells is
        the last voltage, at which they would be joined. What was found stands in ``.attrs["reading"]``.

    Raises
    ------
    ArgumentInvalid
        No cell has two voltages with a date each.
    """
    reading: Reading = cells.attrs.get("reading", Reading())
    pairs = {r.cell_id: pair for r in reading.repeats if (pair := _first_and_last(r)) is not None}
    if not pairs:
        raise ArgumentInvalid(
            Problem(
                "--self-discharge",
                "no cell has two voltages with a date each; right would be a column tested_at, and each cell twice in "
                "one file or once in each of two",
            )
        )
    ids = list(pairs)
    first, last = (
        pd.DataFrame([pair[k] for pair in pairs.values()], columns=["tested_at", "ocv_v"], index=ids) for k in (0, 1)
    )
    first["capacity_mah"] = cells.loc[ids, "capacity_mah"]
    if "rested_h" in cells.columns:
        first["rested_h"] = cells.loc[ids, "rested_h"]
    found = self_discharge(first, last, chemistry=chemistry)
    table = with_self_discharge(cells, found)
    table.loc[ids, "ocv_v"] = last["ocv_v"]
    table["leak_ma"] = pd.Series(found.leak_ma, index=ids).reindex(table.index)
    table.attrs["reading"] = replace(
        reading,
        assumptions=(*reading.assumptions, f"{found.text()}{_meter_words(found)}"),
        warnings=described_again(reading, [_without_voltage(r) if r.cell_id in pairs else r for r in reading.repeats]),
        told=(*reading.told, "--self-discharge"),
    )
    return table


def _first_and_last(repeat: Repeat) -> tuple[tuple[str, float], tuple[str, float]] | None:
    """Return date and voltage of a cell's first and last dated reading, None where it has no two."""
    dates = repeat.labels.get("tested_at", ())
    dated = [(when, v) for when, v in zip(dates, repeat.readings.get("ocv_v", ()), strict=False) if when and v == v]
    if len(dated) < 2:
        return None
    stamps = pd.to_datetime(pd.Series([when for when, _ in dated]), format="ISO8601", utc=True, errors="coerce")
    if stamps.isna().any():  # told of each cell by the check of the dates
        return dated[0], dated[-1]
    order = np.argsort(stamps.to_numpy(), kind="stable")
    return dated[int(order[0])], dated[int(order[-1])]


def _without_voltage(repeat: Repeat) -> Repeat:
    return replace(repeat, readings={name: v for name, v in repeat.readings.items() if name != "ocv_v"})


def _meter_words(found: SelfDischarge) -> str:
    """Say the leak, the limit of the lot, and how long this voltmeter needs to tell it."""
    leaks = found.leak_ma[np.isfinite(found.leak_ma)]
    words = (
        f"; leak current {np.median(leaks) * 1000:.3g} µA (median), at most {leaks.max() * 1000:.3g} µA"
        if leaks.size
        else ""
    )
    limit = found.limit_mv_per_day()
    if limit > 0:
        words += (
            f"; the lot's limit is {limit:.2g} mV a day, and a voltmeter in steps of {found.step_mv:g} mV needs "
            f"{least_rest_days(found.step_mv / 1000, limit):.2g} days between the readings to tell it"
        )
    return words
