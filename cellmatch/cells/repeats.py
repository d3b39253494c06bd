"""Cells that stand on several rows: combined by a stated rule, never merged in silence."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
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
    problems = some["problems"].tolist()
    counted = [(rows if rule == "median" else rows[-1:]).tolist() for rows in members]
    merged["source"] = [places(repeat.sources) for repeat in repeats]
    merged["problems"] = [sum([problems[i] for i in rows], ()) for rows in counted]
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
    sources = some["source"].tolist()
    columns = {n: some[n].to_numpy(dtype=float) for n in TOLERANCE if n in some.columns}
    labels = {n: texts(some, n).tolist() for n in LABELS if n in some.columns}
    differing = _differing(columns, members)
    lists = {n: values.tolist() for n, values in columns.items()}
    ids = some.index.tolist()
    found = []
    for k, rows in enumerate(map(np.ndarray.tolist, members)):
        readings = {n: tuple([values[i] for i in rows]) for n, values in lists.items()}
        found.append(
            Repeat(
                cell_id=str(ids[rows[0]]),
                sources=tuple([sources[i] for i in rows]),
                readings=readings,
                rule=rule,
                differ=differing[k],
                labels={n: tuple([values[i] for i in rows]) for n, values in labels.items()} if labels else {},
            )
        )
    return tuple(found)


def _differing(
    columns: Mapping[str, NDArray[np.float64]], members: Sequence[NDArray[np.integer]]
) -> list[tuple[str, ...]]:
    """Return, cell by cell, the ranges in words that are more than the repeatability."""
    order = np.concatenate(members)
    sizes = [len(rows) for rows in members]
    starts = np.cumsum([0, *sizes[:-1]])
    cell = np.repeat(np.arange(len(members)), sizes)
    found: list[tuple[str, ...]] = [()] * len(members)
    for name, values in columns.items():
        ranked = values[order]
        least, most = np.fmin.reduceat(ranked, starts), np.fmax.reduceat(ranked, starts)
        middle = np.asarray(pd.Series(ranked).groupby(cell).median(), dtype=np.float64)
        for k in np.flatnonzero(_too_far(name, most - least, middle)).tolist():
            found[k] = (*found[k], _range_words(name, float(least[k]), float(most[k])))
    return found


def _too_far(name: str, apart: NDArray[np.float64], middle: NDArray[np.float64]) -> NDArray[np.bool_]:
    absolute, fraction, _ = TOLERANCE[name]
    return np.asarray(apart > absolute + fraction * np.abs(middle) + 1e-9)


def _range_words(name: str, least: float, most: float) -> str:
    return f"{name} {least:g} to {most:g} {TOLERANCE[name][2]}"


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
    plain = [replace(r, readings={n: v for n, v in r.readings.items() if n in TOLERANCE}) for r in repeats]
    if plain:
        columns = {
            name: np.array([v for r in plain for v in r.readings.get(name, [np.nan] * len(r.sources))])
            for name in TOLERANCE
        }
        ends = np.cumsum([len(r.sources) for r in plain])
        differing = _differing(columns, np.split(np.arange(ends[-1]), ends[:-1]))
        plain = [replace(r, differ=words) for r, words in zip(plain, differing, strict=True)]
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
