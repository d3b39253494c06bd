"""A user's own map of places, read from a CSV file: position, x, y, group, and which end is up."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cellmatch.errors import ArgumentInvalid, FileUnusable, Problem

COLUMNS_NEEDED = ("position", "x_mm", "y_mm", "group")
SHORT_NAMES = {"x": "x_mm", "y": "y_mm"}
ENDS_UP = {"positive": True, "+": True, "negative": False, "-": False, "−": False, "": None}


@dataclass(frozen=True, kw_only=True, slots=True)
class MapPlace:
    """One place of a map.

    Parameters
    ----------
    position : int
        Number of the place, counted from 1.
    group : int
        Group that sits there, 1 at pack negative.
    x_mm, y_mm : float
        [mm] Centre, seen from the top: x across, y down.
    positive_up : bool or None
        The positive end shows on the top face; None: by the rule that every second group is turned over.
    """

    position: int
    group: int
    x_mm: float
    y_mm: float
    positive_up: bool | None = None


def read_map(path: str | Path) -> tuple[MapPlace, ...]:
    """Read the places of a holder from a CSV file.

    Parameters
    ----------
    path : path
        Columns ``position, x_mm, y_mm, group`` (``x`` and ``y`` will do) and, if wanted, ``end_up``
        (``positive`` or ``negative``, as seen from the top).

    Returns
    -------
    tuple of MapPlace

    Raises
    ------
    FileUnusable
        The file can't be read, lacks a column, or a line holds something else; every fault is named.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise FileUnusable(Problem(f"holder map {path.name}", f"can't be read: {reason}")) from error
    rows = csv.reader(io.StringIO(text))
    header = [SHORT_NAMES.get(name, name) for name in (n.strip().lower() for n in next(rows, []))]
    missing = [name for name in COLUMNS_NEEDED if name not in header]
    if missing:
        needed = f"column {', '.join(missing)} is missing; needed: {', '.join(COLUMNS_NEEDED)} and, if wanted, end_up"
        raise FileUnusable(Problem(f"holder map {path.name}, line 1", needed))
    places, problems = [], []
    for line, row in enumerate(rows, start=2):
        if not any(field.strip() for field in row):
            continue
        where = f"holder map {path.name}, line {line}"
        try:
            places.append(_place(dict(zip(header, row, strict=True))))
        except ValueError as error:
            problems.append(Problem(where, str(error)))
    if problems:
        raise FileUnusable(problems)
    check_numbers(places, f"holder map {path.name}")
    return tuple(places)


def check_numbers(places: Sequence[MapPlace], where: str) -> None:
    """Refuse a map whose places are not numbered 1, 2, 3 … each once.

    Raises
    ------
    ArgumentInvalid
    """
    numbers = sorted(p.position for p in places)
    if numbers != list(range(1, len(numbers) + 1)) or not numbers:
        twice = sorted({n for n in numbers if numbers.count(n) > 1})
        gaps = sorted(set(range(1, len(numbers) + 1)) - set(numbers))
        found = f"places {twice} stand twice" if twice else f"places {gaps[:10]} are missing" if gaps else "no place"
        raise ArgumentInvalid(Problem(where, f"{found}; number the places 1, 2, 3 …, each once"))


def _place(row: dict[str, str]) -> MapPlace:
    end_up = row.get("end_up", "").strip().lower()
    if end_up not in ENDS_UP:
        raise ValueError(f"end_up '{end_up}'; write positive or negative, the end that shows on the top face")
    return MapPlace(
        position=_whole(row, "position"),
        group=_whole(row, "group"),
        x_mm=_length(row, "x_mm"),
        y_mm=_length(row, "y_mm"),
        positive_up=ENDS_UP[end_up],
    )


def _whole(row: dict[str, str], name: str) -> int:
    text = row[name].strip()
    if not text.isdigit() or int(text) < 1:
        raise ValueError(f"{name} '{text}'; a whole number from 1 is needed")
    return int(text)


def _length(row: dict[str, str], name: str) -> float:
    text = row[name].strip()
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{name} '{text}'; a length in mm is needed, with a decimal point")
    return value
