"""Time stamps of a log: from texts to seconds that never fall.

Only differences count, so dates need not be told apart from each other's spelling where the days agree: of
the spellings that fit every row, the one with the shortest log is taken.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cellmatch.cells.reading.numbers import SPACES, Decimal, parse_number
from cellmatch.cells.reading.units import Unit
from cellmatch.errors import Problem

DAY_S = 86400.0
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": DAY_S, "ms": 0.001}
"""Seconds in each unit a time column may be in; the keys are what ``--units time=`` takes."""
EPOCH_S = (3.0e8, 1.0e10)
EPOCH_MS = (3.0e11, 1.0e13)
SERIAL_DAYS = (20_000.0, 80_000.0)
"""Spreadsheet dates, days since 1900, from 1954 to 2119."""
OUT_OF_ORDER = 2.0
"""Rows may stand out of order by this many usual intervals; they are put in line."""

_CLOCK = re.compile(r"(?:(?P<d>\d+)\s*(?:d|days?|\.)\s*)?(?P<h>\d+):(?P<m>[0-5]?\d):(?P<s>[0-5]?\d(?:[.,]\d+)?)")
_PLAIN = {".": b"0123456789.+-eE ", ",": b"0123456789,+-eE "}
"""Characters of plain numbers; a text of others goes to the strict parser."""
_DATES = (
    "ISO8601",
    *(
        f"{day}{comma} {clock}"
        for day in (
            "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d.%m.%Y", "%d-%m-%Y", "%d.%m.%y", "%d/%m/%y", "%m/%d/%y",
            "%d-%b-%y", "%d-%b-%Y", "%d %b %Y",
        )
        for comma in ("", ",")
        for clock in ("%H:%M:%S", "%H:%M:%S.%f", "%I:%M:%S %p", "%H:%M")
    ),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Times:
    """Time stamps as seconds.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        [s] As they stand in the file, NaN where a text is no time.
    unit : str
        ``s``, ``min`` …, ``clock`` or ``date``.
    how : str
        How that is known.
    start : pandas.Timestamp or None
        What second 0 stands for where the stamps are dates.
    wraps : bool
        Times of day that begin anew at midnight.
    """

    time_s: np.ndarray
    unit: str
    how: str
    start: pd.Timestamp | None = None
    wraps: bool = False


def numbers(fields: Sequence[str], decimal: Decimal) -> np.ndarray:
    """Return a column of texts as numbers, NaN where a text is none.

    The strict parser reads every text; plain columns take a faster way that accepts nothing more.

    Parameters
    ----------
    fields : sequence of str, length n
    decimal : "." or ","

    Returns
    -------
    ndarray of float, shape (n,)
    """
    joined = "".join(fields)
    if joined.isascii() and not joined.encode().translate(None, _PLAIN[decimal]):
        try:
            points = fields if decimal == "." else [field.replace(",", ".") for field in fields]
            return np.array(list(map(float, points)))
        except ValueError:
            pass
    return np.array([_strict(field, decimal) for field in fields])


def _strict(field: str, decimal: Decimal) -> float:
    number = parse_number(field, decimal)
    return float("nan") if number.fault or number.unit else number.value


def read_times(
    fields: Sequence[str], decimal: Decimal, stated: Unit | str | None = None, *, told: bool = False
) -> Times | None:
    """Read a time column: numbers, ``h:mm:ss`` or dates; None where it is none of them.

    Parameters
    ----------
    fields : sequence of str, length n
    decimal : "." or ","
    stated : Unit or str, optional
        Unit of the numbers, from the heading or from the user.
    told : bool
        It comes from the user.

    Returns
    -------
    Times or None
    """
    sample = [f for f in fields[:200] if f.strip(SPACES)]
    if not sample:
        return None
    readers: tuple[Callable[[Sequence[str]], Times | None], ...] = (
        lambda texts: _as_numbers(texts, decimal, stated, told),
        _as_clock,
        _as_dates,
    )
    for reader in readers:
        tried = reader(sample)
        if tried is not None and np.mean(np.isfinite(tried.time_s)) > 0.9:
            return reader(fields)
    return None


def _as_numbers(fields: Sequence[str], decimal: Decimal, stated: Unit | str | None, told: bool) -> Times | None:
    values = numbers(fields, decimal)
    known = values[np.isfinite(values)]
    if not known.size:
        return None
    symbol = stated.symbol if isinstance(stated, Unit) else stated
    if symbol in SECONDS:
        return Times(time_s=values * SECONDS[symbol], unit=symbol, how="told" if told else "header")
    middle = float(np.median(known))
    for unit, (low, high) in (("s", EPOCH_S), ("ms", EPOCH_MS), ("d", SERIAL_DAYS)):
        if low <= middle <= high:
            stamps = np.where((values >= low) & (values <= high), values, np.nan)
            first = float(stamps[np.isfinite(stamps)][0])
            origin = "1899-12-30" if unit == "d" else "1970-01-01"
            start = pd.Timestamp(origin) + pd.Timedelta(first * SECONDS[unit], unit="s")
            seconds = (stamps - first) * SECONDS[unit]
            return Times(time_s=seconds, unit=unit, how="inferred: a count since a date", start=start)
    return Times(time_s=values, unit="s", how="assumed: seconds")


def _as_clock(fields: Sequence[str]) -> Times | None:
    match = _CLOCK.fullmatch
    found = [match(field.strip(SPACES)) for field in fields]
    if not any(found):
        return None
    seconds = np.array(
        [
            (float(f["d"] or 0) * 24 + float(f["h"])) * 3600 + float(f["m"]) * 60 + float(f["s"].replace(",", "."))
            if f
            else np.nan
            for f in found
        ]
    )
    days = any(f and f["d"] for f in found[:1])
    return Times(time_s=seconds, unit="clock", how="h:mm:ss", wraps=not days)


def _as_dates(fields: Sequence[str]) -> Times | None:
    texts = pd.Series([field.strip(SPACES) for field in fields], dtype=object)
    fitting = []
    for spelling in _DATES:
        stamps = pd.to_datetime(texts.iloc[:200], format=spelling, errors="coerce", utc=True)
        if stamps.notna().mean() > 0.9:
            fitting.append(spelling)
    best: tuple[float, pd.Series[pd.Timestamp]] | None = None
    for spelling in fitting:
        stamps = pd.to_datetime(texts, format=spelling, errors="coerce", utc=True)
        length = (stamps.max() - stamps.min()).total_seconds() if stamps.notna().any() else np.inf
        if best is None or length < best[0]:
            best = (length, stamps)
    if best is None:
        return None
    start = best[1].dropna().iloc[0]
    seconds = ((best[1] - start) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)
    return Times(time_s=seconds, unit="date", how="date and time", start=start.tz_convert(None))


@dataclass(frozen=True, slots=True)
class Unbroken:
    """Times that never fall.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        [s]
    breaks : dict of row index to Problem
        Rows before which an unknown time passed while current flowed.
    notes : tuple of str
        What was mended.
    """

    time_s: np.ndarray
    breaks: dict[int, Problem]
    notes: tuple[str, ...]


def unbroken(time_s: np.ndarray, resting: np.ndarray, line: np.ndarray, *, wraps: bool = False) -> Unbroken:
    """Chain times across clock resets, midnight and rows out of order.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        [s] As read.
    resting : ndarray of bool, shape (n,)
        Rows without current: a reset there costs nothing.
    line : ndarray of int, shape (n,)
        For messages.
    wraps : bool
        Times of day.

    Returns
    -------
    Unbroken
    """
    steps = np.diff(time_s)
    falls = np.flatnonzero(steps < 0) + 1
    if not falls.size:
        return Unbroken(time_s, {}, ())
    usual_s = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    shift = np.zeros(len(time_s))
    breaks: dict[int, Problem] = {}
    counted = {"out of order": 0, "midnight": 0, "restarted": 0}
    for k in falls.tolist():
        back_s = -float(steps[k - 1])
        if back_s <= OUT_OF_ORDER * usual_s:
            counted["out of order"] += 1
        elif wraps and 0 < DAY_S - back_s < DAY_S / 2:
            shift[k] = DAY_S
            counted["midnight"] += 1
        else:
            shift[k] = back_s + usual_s
            counted["restarted"] += 1
            begins_anew = abs(time_s[k] - time_s[0]) <= OUT_OF_ORDER * usual_s or time_s[k] <= OUT_OF_ORDER * usual_s
            if not begins_anew and not (resting[k] or resting[k - 1]):
                what = (
                    f"the clock goes back by {back_s:.6g} s while current flows, so the time between is not known; "
                    "test again, or cut the file there"
                )
                breaks[k] = Problem(f"line {int(line[k])}", what)
    words = {
        "out of order": "{} row(s) stood out of time order and were put in line",
        "midnight": "times of day pass midnight {} time(s)",
        "restarted": "the clock restarts {} time(s); each time one usual interval was taken to have passed",
    }
    notes = tuple(words[kind].format(n) for kind, n in counted.items() if n)
    return Unbroken(np.maximum.accumulate(time_s + np.cumsum(shift)), breaks, notes)
