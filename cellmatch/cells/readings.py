"""Bench readings: what the meter showed, as the bench sheet writes it down."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from cellmatch.errors import FileUnusable, Problem, nearest_name

COLUMNS = ("kind", "target", "value", "unit", "load_a", "taken_at", "step", "reason")
NEEDED = ("kind", "target", "value", "unit")
PER_VOLT = {"V": 1.0, "mV": 1000.0}

KINDS = {
    "cell_v": "one cell by itself, red probe on the end the map shows as +; target: cell id",
    "group_v": "one group at its plates; target: group number, or 3-4 for a block",
    "tap_v": "one pin of the sense connector; target: pin number, from 0",
    "pin_v": "one pin against the plate of main -, not against pin 0; target: pin number",
    "main_v": "main + to main -; target: pack",
    "load_v": "one group under load_a; target: group number",
    "cap_drop_v": "from a cell's cap to its bar under load_a; target: cell id",
    "gap_v": "across the place of a link before it is made; target: junction, like 2-3",
}
"""Every kind of reading. The last is for the steps of the build; inspection does not need it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchReading:
    """One reading.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    target : str
        What was read: see there.
    value_v : float
        [V] With its sign; nan where it was not taken and a reason says why.
    load_a : float
        [A] Pack current while it was read; 0 at rest.
    taken_at : datetime or None
    step : str
        Step of the build it belongs to; empty where there is none.
    reason : str
        Written reason that opened the step although this was not taken or lay outside its window.
    """

    kind: str
    target: str
    value_v: float
    load_a: float = 0.0
    taken_at: datetime | None = None
    step: str = ""
    reason: str = ""

    @property
    def is_taken(self) -> bool:
        """False where only a reason stands in its place."""
        return not math.isnan(self.value_v)


def read_readings(path: str | Path) -> tuple[BenchReading, ...]:
    """Read a file of bench readings.

    Parameters
    ----------
    path : path
        CSV with the columns ``kind,target,value,unit,load_a,taken_at,step,reason``; the last four may be left out, and
        the value where a reason says why it was not taken.

    Returns
    -------
    tuple of BenchReading

    Raises
    ------
    FileUnusable
        The file can't be read, or a line holds something else; every such line is named.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise FileUnusable(Problem(f"readings {path.name}", f"can't be read: {reason}")) from error
    if text.lstrip().startswith("{"):
        what = "is progress of the bench sheet; load it there, press 'Save readings', and give that file"
        raise FileUnusable(Problem(f"readings {path.name}", what))
    rows = csv.reader(io.StringIO(text))
    header = [name.strip().lower() for name in next(rows, [])]
    missing = [name for name in NEEDED if name not in header]
    if missing:
        needed = f"column {', '.join(missing)} is missing; the header is {','.join(COLUMNS)}"
        raise FileUnusable(Problem(f"readings {path.name}, line 1", needed))
    return _parsed(rows, header, f"readings {path.name}")


def _parsed(rows: Iterable[list[str]], header: list[str], name: str) -> tuple[BenchReading, ...]:
    readings, problems = [], []
    for line, row in enumerate(rows, start=2):
        fields = [field.strip() for field in row]
        if not any(fields):
            continue
        if len(fields) != len(header):
            problems.append(Problem(f"{name}, line {line}", f"{len(fields)} fields; the header has {len(header)}"))
            continue
        try:
            readings.append(_reading(dict(zip(header, fields, strict=True))))
        except ValueError as error:
            problems.append(Problem(f"{name}, line {line}", str(error)))
    if problems:
        raise FileUnusable(problems)
    if not readings:
        raise FileUnusable(Problem(name, "holds no reading"))
    zoned = {r.taken_at.tzinfo is not None for r in readings if r.taken_at is not None}
    if len(zoned) > 1:
        raise FileUnusable(Problem(name, "some times carry a time zone and some don't; write all of one kind"))
    return tuple(readings)


def _reading(row: dict[str, str]) -> BenchReading:
    kind, unit = row["kind"], row["unit"]
    if kind not in KINDS:
        raise ValueError(f"kind '{kind}'; {nearest_name(kind, KINDS)}")
    if unit not in PER_VOLT:
        raise ValueError(f"unit '{unit}'; V or mV is needed")
    if not row["target"]:
        raise ValueError(f"no target; {kind} is {KINDS[kind]}")
    when = row.get("taken_at", "")
    try:
        taken_at = datetime.fromisoformat(when) if when else None
    except ValueError:
        raise ValueError(f"taken_at '{when}'; write it like 2031-05-17T14:30:00") from None
    load, reason = row.get("load_a", ""), row.get("reason", "")
    not_taken = reason and not row["value"]
    return BenchReading(
        kind=kind,
        target=row["target"],
        value_v=math.nan if not_taken else _number(row["value"], "value") / PER_VOLT[unit],
        load_a=_number(load, "load_a") if load else 0.0,
        taken_at=taken_at,
        step=row.get("step", ""),
        reason=reason,
    )


def _number(text: str, name: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{name} '{text}'; a number with a decimal point is needed")
    return value
