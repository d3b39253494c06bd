"""From discharge logs to a cell table: capacity, energy, rest voltages and DC resistance of each cell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd

from cellmatch.cells.logs.clock import SECONDS, unbroken
from cellmatch.cells.logs.columns import NEEDED, OPTIONAL, UNIT_CHOICES, LogRequest
from cellmatch.cells.logs.directions import discharge_positive
from cellmatch.cells.logs.discharges import measure_discharge
from cellmatch.cells.logs.files import Log, read_log
from cellmatch.cells.logs.measuring import LoggedDischarge, Measuring, lot_warnings
from cellmatch.cells.logs.pulses import SETTLED_S, DcResistance, dc_resistance
from cellmatch.cells.logs.runs import Run, Trace, discharge_runs, rest_current_a, stretches
from cellmatch.cells.reading.numbers import Decimal
from cellmatch.cells.table import CellTable, cell_table
from cellmatch.cells.understood import Reading
from cellmatch.errors import ArgumentInvalid, FileAmbiguous, FileUnusable, InputError, Problem, nearest_name

COMPLETE_FRACTION = 0.5
"""A discharge below this share of the cell's largest one is a partial one and not its capacity."""
PLAUSIBLE_AH = (0.05, 500.0)
"""A capacity outside says that a unit is wrong."""


@dataclass(frozen=True, slots=True)
class _CellLog:
    """One cell's part of one file."""

    cell_id: str
    log: Log
    rows: np.ndarray
    trace: Trace
    found: tuple[LoggedDischarge, ...]
    runs: tuple[Run, ...]


def measure_log(
    *paths: str | PathLike[str],
    end_v: float | None = None,
    rated_ah: float | None = None,
    cycle: str | int = "last",
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
    decimal: str | None = None,
    encoding: str | None = None,
) -> CellTable:
    """Measure capacity, energy, rest voltages and DC resistance from logs of time, voltage and current.

    A log holds one cell, or several that a column tells apart, and one discharge of each or many cycles.
    Without a column of cells the file's name is the cell's id, and that is said.

    Parameters
    ----------
    *paths : path
        Text files; a cell may be in several.
    end_v : float, optional
        [V] Voltage the capacity is counted down to, its crossing interpolated. Without it, down to where
        the tester stopped.
    rated_ah : float, optional
        [Ah] Written into ``rated_mah``.
    cycle : "last", "first", or a cycle as the file names it
        Which complete discharge of a cell counts.
    columns : mapping, optional
        ``time``, ``voltage``, ``current``, ``cell_id``, ``slot``, ``cycle``, ``mode``, ``temperature_c`` to
        heading or column number (from 1), where a heading is not understood.
    units : mapping, optional
        ``time`` (s, min, h, d, ms), ``voltage`` (V, mV), ``current`` (A, mA), where none is given.
    decimal : "." or ",", optional
    encoding : str, optional

    Returns
    -------
    CellTable
        ``capacity_mah``, ``energy_wh``, ``ocv_v`` (only where the log ends at rest), ``ocv_start_v``,
        ``ocv_end_v``, ``ir_mohm``, ``ir_method``, ``ir_ocv_v``, ``end_v``, ``discharge_a``, ``cycle``,
        ``rested_h``, ``last_direction``, ``source``, ``problems`` and what else the logs give. What was
        understood and assumed is in ``.attrs["measuring"]``.

    Raises
    ------
    FileUnusable
        A file is not there, is no log, or no cell in the files can be measured; the message says why.
    FileAmbiguous
        A file can be read in two ways; the message names the options to choose with.
    ArgumentInvalid
        An argument that can't be meant.

    References
    ----------
    IEC 61960-3: capacity at 0.2 It down to the end voltage; internal d.c. resistance by two levels.
    """
    request = _request(end_v, rated_ah, columns, units, decimal, encoding)
    if not paths:
        raise ArgumentInvalid(Problem("LOG", "no file was given"))
    logs = _logs([Path(path) for path in paths], request)
    _refuse_one_name(logs)
    said: list[str] = []
    cell_logs: dict[str, list[_CellLog]] = {}
    for log in logs:
        for part in _cells_of(log, end_v, said):
            cell_logs.setdefault(part.cell_id, []).append(part)
    rows, used = _rows(cell_logs, cycle)
    if not used:
        told = [cast("tuple[str, ...]", row["problems"]) for row in rows.values()]
        raise FileUnusable(
            [Problem(f"cell {name}", text) for name, words in zip(rows, told, strict=True) for text in words]
        )
    _refuse_implausible(logs, used)
    cells = _table(rows, rated_ah)
    every = [item for parts in cell_logs.values() for part in parts for item in part.found]
    measuring = Measuring(
        files=tuple(log.file for log in logs),
        columns=tuple(column for log in logs for column in log.columns),
        discharges=tuple(replace(item, used=any(item is u for u in used.values())) for item in every),
        assumptions=(
            *(a for log in logs for a in log.assumptions),
            *said,
            _counted_to(end_v),
            _cycles(cycle, every),
        ),
        warnings=(*(w for log in logs for w in log.warnings), *lot_warnings(cells, used, every)),
    )
    cells.attrs["measuring"] = measuring
    cells.attrs["reading"] = Reading(
        files=measuring.files,
        columns=measuring.columns,
        assumptions=measuring.assumptions,
        warnings=measuring.warnings,
    )
    return cells


def _table(rows: Mapping[str, Mapping[str, object]], rated_ah: float | None) -> CellTable:
    table = pd.DataFrame.from_dict(dict(rows), orient="index")
    needed = ["ocv_v", "capacity_mah", "problems", "source"]
    table = table[[name for name in table.columns if name in needed or table[name].notna().any()]]
    if rated_ah is not None:
        table = table.assign(rated_mah=rated_ah * 1000.0)
    return cell_table(table)


def _counted_to(end_v: float | None) -> str:
    if end_v is not None:
        return f"capacity is counted down to {end_v:g} V"
    return "capacity is counted down to where the tester stopped; --end-v counts all down to one voltage"


def _cycles(cycle: str | int, every: Sequence[LoggedDischarge]) -> str:
    what = f"the {cycle} complete discharge" if cycle in ("last", "first") else f"cycle {cycle}"
    return f"{what} of each cell counts ({len(every)} discharge(s) found)"


def _refuse_implausible(logs: Sequence[Log], used: Mapping[str, LoggedDischarge]) -> None:
    """Refuse units that lead to a capacity that no cell has.

    Raises
    ------
    FileAmbiguous
        With the units to choose.
    """
    middle_ah = float(np.median([item.discharge.capacity_ah for item in used.values()]))
    if PLAUSIBLE_AH[0] <= middle_ah <= PLAUSIBLE_AH[1]:
        return
    problems = []
    for log in logs:
        columns = [column for column in log.columns if column.name in NEEDED]
        taken = ", ".join(f"{c.name} in {c.unit} ({c.how})" for c in columns)
        options = " or ".join(f"--units {c.name}=…" for c in columns)
        what = f"with {taken} the median capacity would be {middle_ah:.4g} Ah, which no cell has; say {options}"
        problems.append(Problem(log.file.name, what))
    raise FileAmbiguous(problems)


def _request(
    end_v: float | None,
    rated_ah: float | None,
    columns: Mapping[str, str | int] | None,
    units: Mapping[str, str] | None,
    decimal: str | None,
    encoding: str | None,
) -> LogRequest:
    problems = []
    if end_v is not None and not 0.5 <= end_v <= 5.0:
        problems.append(Problem("--end-v", f"found {end_v}; an end voltage of one cell lies between 0.5 and 5 V"))
    if rated_ah is not None and not 0 < rated_ah <= 1000:
        problems.append(Problem("--rated-mah", f"found {rated_ah} Ah; a rated capacity in Ah is above 0"))
    parts = (*NEEDED, *OPTIONAL)
    problems += [Problem(f"--columns {name}", nearest_name(name, parts)) for name in columns or {} if name not in parts]
    choices: dict[str, tuple[str, ...]] = {
        "time": tuple(SECONDS),
        **{n: tuple(c) for n, c in UNIT_CHOICES.items()},
    }
    for name, unit in (units or {}).items():
        if name not in choices:
            problems.append(Problem(f"--units {name}", nearest_name(name, choices)))
        elif unit not in choices[name]:
            problems.append(Problem(f"--units {name}={unit}", f"right would be one of {', '.join(choices[name])}"))
    if decimal not in (None, ".", ","):
        problems.append(Problem(f"--decimal {decimal}", "right would be . or ,"))
    if problems:
        raise ArgumentInvalid(problems)
    return LogRequest(
        columns=columns or {}, units=units or {}, decimal=cast("Decimal | None", decimal), encoding=encoding
    )


def _logs(paths: Sequence[Path], request: LogRequest) -> list[Log]:
    logs, errors = [], []
    for path in paths:
        try:
            logs.append(read_log(path, request))
        except InputError as error:
            errors.append(error)
    if errors:
        raise type(errors[0])([problem for error in errors for problem in error.problems])
    return logs


def _refuse_one_name(logs: Sequence[Log]) -> None:
    """Refuse files of one name that don't say which cell they hold: two cells would become one.

    Raises
    ------
    FileAmbiguous
        With what to change.
    """
    nameless = Counter(log.file.name for log in logs if log.cell_id is None and not log.named)
    twice = [name for name, count in nameless.items() if count > 1]
    if twice:
        what = "stands more than once and does not name its cell; give each file its cell's name, or a column of ids"
        raise FileAmbiguous([Problem(name, what) for name in twice])


def _cells_of(log: Log, end_v: float | None, said: list[str]) -> list[_CellLog]:
    current_a, how = discharge_positive(log.voltage_v, log.current_a, log.mode, log.file.name)
    said.append(f"{log.file.name}: {how}")
    stem = Path(log.file.name).stem
    if log.cell_id is not None:
        names = np.array([name or "(no id)" for name in log.cell_id], dtype=object)
    elif log.slot is not None and len(set(log.slot)) > 1:
        names = np.array([f"{log.named or stem} slot {slot}" for slot in log.slot], dtype=object)
        said.append(f"{log.file.name}: no column of cell ids; cells are named by file and slot")
    else:
        names = np.full(len(log.line), log.named or stem, dtype=object)
        said.append(f"{log.file.name}: cell id '{names[0]}' from the {'lines above' if log.named else 'file name'}")
    codes, unique = pd.factorize(names)
    return [
        _cell_log(str(name), log, current_a, np.flatnonzero(codes == code), end_v, said)
        for code, name in enumerate(unique)
    ]


def _cell_log(
    cell_id: str, log: Log, current_a: np.ndarray, rows: np.ndarray, end_v: float | None, said: list[str]
) -> _CellLog:
    current = current_a[rows]
    rest_a = rest_current_a(current)
    times = unbroken(log.times.time_s[rows], np.abs(current) <= rest_a, log.line[rows], wraps=log.times.wraps)
    said += [f"{log.file.name}, cell {cell_id}: {note}" for note in times.notes]
    trace = Trace(times.time_s, log.voltage_v[rows], current, log.line[rows], rest_a)
    runs = discharge_runs(trace)
    found = []
    for number, run in enumerate(runs, start=1):
        measured = measure_discharge(trace, run, end_v)
        broken = tuple(problem for k, problem in times.breaks.items() if run.start < k < run.stop)
        if broken:
            measured = replace(measured, capacity_ah=np.nan, energy_wh=np.nan, refused=(*broken, *measured.refused))
        name = log.cycle[int(rows[run.start])] if log.cycle is not None else str(number)
        comparable = number > 1 and measured.capacity_ah > 0
        ratio = measured.charged_before_ah / measured.capacity_ah if comparable else float("nan")
        found.append(
            LoggedDischarge(cell_id=cell_id, file=log.file.name, cycle=name, discharge=measured, coulombic_ratio=ratio)
        )
    return _CellLog(cell_id, log, rows, trace, tuple(found), runs)


def _rows(
    cell_logs: Mapping[str, Sequence[_CellLog]], cycle: str | int
) -> tuple[dict[str, dict[str, object]], dict[str, LoggedDischarge]]:
    """Return the table's rows, and the discharge that each measured cell's capacity comes from."""
    rows: dict[str, dict[str, object]] = {}
    used: dict[str, LoggedDischarge] = {}
    for cell_id, parts in cell_logs.items():
        every = [(part, number) for part in parts for number in range(len(part.found))]
        chosen = _chosen([part.found[number] for part, number in every], cycle)
        if chosen is None:
            rows[cell_id] = {
                **_present_state(parts[-1]),
                "capacity_mah": np.nan,
                "problems": _why_none(parts, cycle),
                "source": ", ".join(part.log.file.name for part in parts),
            }
            continue
        part, number = every[chosen]
        used[cell_id] = part.found[number]
        rows[cell_id] = {
            **_row(part, number),
            **_present_state(parts[-1]),
            **_resistance(part, number, parts),
        }
    return rows, used


def _chosen(found: Sequence[LoggedDischarge], cycle: str | int) -> int | None:
    capacities = np.array([item.discharge.capacity_ah for item in found])
    complete = np.flatnonzero(np.isfinite(capacities))
    if not complete.size:
        return None
    complete = complete[capacities[complete] >= COMPLETE_FRACTION * capacities[complete].max()]
    if cycle not in ("last", "first"):
        complete = np.array([k for k in complete if found[k].cycle == str(cycle)], dtype=int)
    if not complete.size:
        return None
    return int(complete[0] if cycle == "first" else complete[-1])


def _why_none(parts: Sequence[_CellLog], cycle: str | int) -> tuple[str, ...]:
    refused = [
        str(Problem(f"{item.file} {problem.where}", problem.what))
        for part in parts
        for item in part.found
        for problem in item.discharge.refused
    ]
    if refused:
        return tuple(refused)
    names = ", ".join(part.log.file.name for part in parts)
    cycles = [item.cycle for part in parts for item in part.found]
    if cycles:
        return (f"{names}: no complete discharge is called cycle {cycle}; found: {', '.join(cycles[:10])}",)
    guessed = [c for part in parts for c in part.log.columns if c.how.startswith(("inferred", "assumed"))]
    units = f" (is {' and '.join(f'{c.name} in {c.unit}' for c in guessed)}? --units says otherwise)" if guessed else ""
    return (f"{names}: no discharge in it{units}; a full discharge with its current is needed",)


def _row(part: _CellLog, number: int) -> dict[str, object]:
    discharge, run = part.found[number].discharge, part.runs[number]
    row: dict[str, object] = {
        "capacity_mah": discharge.capacity_ah * 1000.0,
        "energy_wh": discharge.energy_wh,
        "ocv_start_v": discharge.ocv_start_v,
        "ocv_end_v": discharge.ocv_end_v,
        "end_v": discharge.end_v,
        "discharge_a": discharge.current_a,
        "cycle": part.found[number].cycle,
        "problems": (),
        "source": f"{part.log.file.name} lines {discharge.lines[0]} to {discharge.lines[1]}",
    }
    if part.log.slot is not None:
        row["slot"] = part.log.slot[int(part.rows[run.start])]
    if part.log.temperature_c is not None:
        under_load = part.log.temperature_c[part.rows[run.start : run.stop]]
        row["temperature_c"] = float(np.nanmean(under_load)) if np.isfinite(under_load).any() else np.nan
    if part.log.times.start is not None:
        began = part.log.times.start + pd.Timedelta(part.trace.time_s[run.start], unit="s")
        row["tested_at"] = began.isoformat(timespec="seconds")
    return row


def _present_state(part: _CellLog) -> dict[str, object]:
    """Return what the end of a cell's log says of it now: a rest voltage only where it ends at rest."""
    pieces = stretches(part.trace.current_a, part.trace.rest_a)
    state: dict[str, object] = {"ocv_v": np.nan, "rested_h": np.nan, "last_direction": None}
    flowed = [piece.kind for piece in pieces if piece.kind != "rest"]
    if flowed:
        state["last_direction"] = {"discharge": "discharged", "charge": "charged"}[flowed[-1]]
    if pieces and pieces[-1].kind == "rest":
        begin = max(pieces[-1].start - 1, 0)
        rested_s = float(part.trace.time_s[-1] - part.trace.time_s[begin])
        if rested_s >= SETTLED_S:
            state |= {"ocv_v": float(part.trace.voltage_v[-1]), "rested_h": rested_s / 3600.0}
    return state


def _resistance(part: _CellLog, number: int, parts: Sequence[_CellLog]) -> dict[str, object]:
    """Return the resistance from the discharge that counts, else from the cell's other logs."""
    start = part.runs[number - 1].stop if number else 0
    tried = [part.trace.part(start, part.runs[number].stop), *(other.trace for other in parts)]
    found: DcResistance | None = next((r for r in map(dc_resistance, tried) if r is not None), None)
    if found is None:
        return {"ir_mohm": np.nan, "ir_method": None, "ir_ocv_v": np.nan, "ir_how": None}
    return {
        "ir_mohm": found.r_ohm * 1000.0,
        "ir_method": found.method,
        "ir_ocv_v": found.ocv_v,
        "ir_how": found.how,
    }
