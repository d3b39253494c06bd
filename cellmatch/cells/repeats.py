"""Cells that stand on several rows: combined by a stated rule, never merged in silence."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from statistics import median
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cellmatch.cells.table import texts
from cellmatch.cells.understood import Reading, Repeat

RepeatRule = Literal["median", "newest"]

TOLERANCE: Mapping[str, tuple[float, float, str]] = {
    "ocv_v": (0.010, 0.0, "V"),
    "capacity_mah": (0.0, 0.01, "mAh"),
    "ir_mohm": (0.0, 0.05, "mohm"),
}
"""Range that the repeats of one cell may have, absolute and as a fraction of their median, and the unit
(common practice, no source): 10 mV, 1 % (a hobby tester) and 5 % (contact of the probes)."""

LABELS = ("tester", "slot", "tested_at")
"""What tells one reading of a cell from another."""

MOST_SAID = 20
"""Cells whose repeats differ that are named; the rest are counted."""

MOST_AGREEING = 5
"""Cells whose repeats agree that are named."""

_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?)?")
_METHOD_ORDER = ("ac", "dc", "unknown")


def combined(rows: pd.DataFrame, rule: RepeatRule) -> tuple[pd.DataFrame, tuple[Repeat, ...], list[str]]:
    """Return one row a cell in the order of first appearance, what was combined, and warnings.

    Parameters
    ----------
    rows : DataFrame
        Index cell ids, which may stand several times; ``source`` and ``problems`` among its columns.
    rule : "median" or "newest"
        Numbers: the median of a cell's rows, or the newest reading that the cell has. Text: the newest.
        Newest is by ``tested_at`` where all rows of the repeated cells hold ISO dates, else the last row.

    Notes
    -----
    A problem of any row stays with the cell under ``median``; under ``newest`` only those of the newest
    row, as a cell is tested again for the very reason that the first test failed.
    """
    again = rows.index.duplicated(keep=False)
    if not again.any():
        return rows, (), []
    some, warnings = _one_method(rows[again].copy())
    some = _oldest_first(some)
    groups = some.groupby(level=0, sort=False)
    members = _members(groups.ngroup().to_numpy())
    repeats = _repeats(some, members, rule)
    merged = groups.last()  # the last that is given, column by column
    if rule == "median":
        for name in some.columns[[pd.api.types.is_float_dtype(t) for t in some.dtypes]]:
            merged[name] = groups[name].median()
    problems = some["problems"].to_numpy(dtype=object)
    counted = [rows if rule == "median" else rows[-1:] for rows in members]
    merged["source"] = [places(repeat.sources) for repeat in repeats]
    merged["problems"] = [sum((problems[i] for i in rows), ()) for rows in counted]
    result = rows[~rows.index.duplicated()].copy()
    place = result.index.get_indexer(merged.index)
    for name in result.columns:
        values = result[name].to_numpy(copy=True)
        new = merged[name]
        values[place] = new.where(new.notna(), None).to_numpy() if new.dtype == object else new.to_numpy()
        result[name] = pd.Series(values, index=result.index, dtype=result[name].dtype)
    return result, repeats, warnings


def _members(codes: NDArray[np.integer]) -> list[NDArray[np.intp]]:
    """Return the positions of each group, groups in the order of their numbers."""
    order = np.argsort(codes, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(codes[order])) + 1)


def _oldest_first(rows: pd.DataFrame) -> pd.DataFrame:
    if "tested_at" not in rows.columns:
        return rows
    dates = rows["tested_at"]
    if not all(isinstance(d, str) and _ISO_DATE.fullmatch(d) for d in dates) or len({len(d) for d in dates}) > 1:
        return rows
    return rows.iloc[np.argsort(dates.to_numpy(dtype=str), kind="stable")]


def _one_method(rows: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Take back resistances of another method where a cell has several: they are never averaged."""
    if "ir_method" not in rows.columns or rows["ir_method"].nunique() < 2:
        return rows, []
    rank = rows["ir_method"].map(
        lambda m: _METHOD_ORDER.index(str(m).split("_")[0]) if str(m).split("_")[0] in _METHOD_ORDER else 2
    )
    rank = rank.where(rows["ir_mohm"].notna(), len(_METHOD_ORDER))
    other = rank > rank.groupby(level=0).transform("min")
    cells = rows.index[other & rows["ir_mohm"].notna()].unique()
    rows.loc[other, "ir_mohm"] = np.nan
    rows.loc[other, "ir_method"] = None
    if not len(cells):
        return rows, []
    shown = ", ".join(cells[:5]) + (" …" if len(cells) > 5 else "")
    return rows, [
        f"{shown}: resistances by several methods; AC and DC are never combined, so the AC reading is used "
        "where there is one"
    ]


def _repeats(some: pd.DataFrame, members: Sequence[NDArray[np.integer]], rule: RepeatRule) -> tuple[Repeat, ...]:
    """Describe what was combined, cell by cell."""
    sources = some["source"].to_numpy(dtype=object)
    columns = {n: some[n].to_numpy(dtype=float).tolist() for n in TOLERANCE if n in some.columns}
    labels = {n: texts(some, n).tolist() for n in LABELS if n in some.columns}
    return tuple(
        Repeat(
            cell_id=str(some.index[rows[0]]),
            sources=tuple(sources[i] for i in rows),
            readings=(readings := {n: tuple(values[i] for i in rows) for n, values in columns.items()}),
            rule=rule,
            differ=tuple(words for n, values in readings.items() if (words := _difference(n, values))),
            labels={n: tuple(values[i] for i in rows) for n, values in labels.items()},
        )
        for rows in map(np.ndarray.tolist, members)
    )


def _difference(name: str, values: Sequence[float]) -> str:
    """Return the range of some readings in words where it is more than the repeatability, else nothing."""
    absolute, fraction, unit = TOLERANCE[name]
    given = sorted(v for v in values if v == v)
    if len(given) < 2 or given[-1] - given[0] <= absolute + fraction * abs(median(given)) + 1e-9:
        return ""
    return f"{name} {given[0]:g} to {given[-1]:g} {unit}"


def described(repeats: Sequence[Repeat]) -> list[str]:
    """Return a warning for each cell whose repeats differ, and one for all those that agree."""
    differing = [r for r in repeats if r.differ]
    said = [
        f"{_stands(r)} and the readings differ: {'; '.join(r.differ)}; the {r.rule} is used; test again"
        for r in differing[:MOST_SAID]
    ]
    if len(differing) > MOST_SAID:
        said.append(f"{len(differing) - MOST_SAID} more cells stand several times and differ; test them again")
    agreeing = [r for r in repeats if not r.differ and _measured_again(r)]
    if agreeing:
        more = f"; and {len(agreeing) - MOST_AGREEING} more" if len(agreeing) > MOST_AGREEING else ""
        said.append(
            f"within the repeatability, so the {agreeing[0].rule} is used: "
            f"{'; '.join(f'{_stands(r)}{_ranges(r)}' for r in agreeing[:MOST_AGREEING])}{more}"
        )
    return said


def described_again(reading: Reading, repeats: Sequence[Repeat]) -> tuple[str, ...]:
    """Return a reading's warnings with those about repeats made anew, for readings that were changed since."""
    before = set(described(reading.repeats))
    plain = [
        replace(
            r,
            readings=(given := {n: v for n, v in r.readings.items() if n in TOLERANCE}),
            differ=tuple(words for n, v in given.items() if (words := _difference(n, v))),
        )
        for r in repeats
    ]
    return (*described(plain), *(w for w in reading.warnings if w not in before))


def _stands(repeat: Repeat) -> str:
    return f"{repeat.cell_id} stands {times(len(repeat.sources))} ({places(repeat.sources)})"


def _measured_again(repeat: Repeat) -> bool:
    """Tell whether any reading stands on more than one row, rather than each row giving another reading."""
    return any(sum(v == v for v in values) > 1 for values in repeat.readings.values())


def _ranges(repeat: Repeat) -> str:
    """Return the readings of a cell that are not all the same, smallest to largest."""
    parts = []
    for name, values in repeat.readings.items():
        given = [v for v in values if v == v]
        if given and min(given) < max(given):
            parts.append(f" {name} {min(given):g} to {max(given):g} {TOLERANCE[name][2]}")
    return ",".join(parts)


def places(sources: Iterable[str]) -> str:
    """Return where several rows stand, each file named once.

    Examples
    --------
    >>> places(["tray.csv line 4", "tray.csv line 10", "b.csv line 2"])
    'tray.csv lines 4, 10; b.csv line 2'
    """
    numbers: dict[str, list[str]] = {}
    for source in sources:
        file, _, number = source.rpartition(" ")
        numbers.setdefault(file, []).append(number)
    return "; ".join(f"{file}{'s' * (len(some) > 1)} {', '.join(some)}" for file, some in numbers.items())


def times(count: int) -> str:
    """Return a count in words: twice, three times, 4 times."""
    return {2: "twice", 3: "three times"}.get(count, f"{count} times")
