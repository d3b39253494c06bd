"""From a column of texts to readings in our unit, with how the unit is known and what could not be read."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cellmatch.cells.reading.headers import Heading
from cellmatch.cells.reading.numbers import MISSING, SPACES, Decimal, Numbers, parse_numbers
from cellmatch.cells.reading.units import AS, PLAUSIBLE, QUANTITY, Plausible, Unit, unit_of
from cellmatch.cells.table import COLUMN

INFERRED = "inferred from the range"
SWAPPED_LEAST = 100.0
"""A reading this many times off the median that fits it in another unit was typed in that unit."""
SWAPPED_NEAR = 5.0
FILL_VALUES = frozenset((999.0, 999.9, 9999.0, 9999.9, 99999.0, 32767.0, 65535.0))
"""What testers write where they have no reading (common practice, no source)."""
FILL_RATIO = 10.0
MIXED_FRACTION = 0.4
"""Above this fraction of readings in another unit, a column without a stated unit is asked about."""
NOT_ZERO = frozenset(("capacity_mah", "ir_mohm"))
NO_UNIT_IN_ZERO = frozenset(("voltage", "capacity", "resistance", "mass"))
"""Quantities of which a zero is a dead cell or an empty slot, and tells nothing of the unit."""
ZERO_IS_BLANK = frozenset(("rated_mah", "mass_g"))

_PER_CENT = re.compile(r"[^\d\s]\s*[\[(/]?\s*%\s*[\])]?$")
"""A heading that ends in % as its unit: Capacity (%), but not OCV @ 50 %."""


@dataclass(slots=True)
class TextColumn:
    """The texts of one column: the distinct ones, and which one stands in each row (from 0)."""

    name: str
    number: int
    heading: Heading
    texts: list[str]
    codes: NDArray[np.intp]

    @classmethod
    def of(cls, name: str, number: int, heading: Heading, fields: Sequence[str]) -> TextColumn:
        """Collect the distinct texts of `fields`."""
        array = np.empty(len(fields), dtype=object)
        array[:] = fields
        codes, texts = pd.factorize(array)
        return cls(name, number, heading, [str(t) for t in texts], codes)

    def text(self, row: int) -> str:
        """Return the text of one row, without the spaces around it."""
        return self.texts[int(self.codes[row])].strip(SPACES)


@dataclass(slots=True)
class Measured:
    """One number column as read.

    Parameters
    ----------
    readings : ndarray of float, shape (rows,)
        In our unit, NaN where `faults` has a word for the row.
    unit, how : Unit, str
        What the column's numbers without a unit of their own are in, and how that is known.
    faults : dict of row index to str
        What stood there and why it is no reading.
    blanks : ndarray of bool, shape (rows,)
        Rows in which nothing was read.
    step : float
        Smallest step that the digits show, in our unit.
    question : str
        Not empty: the unit can't be told; what to choose.
    """

    column: TextColumn
    readings: NDArray[np.float64]
    unit: Unit
    how: str
    blanks: NDArray[np.bool_]
    step: float = math.nan
    faults: dict[int, str] = field(default_factory=dict)
    question: str = ""

    def refuse(self, row: int, why: str) -> None:
        """Take the reading of one row back, with the reason."""
        self.faults[row] = why
        self.readings[row] = np.nan


def measure(column: TextColumn, decimal: Decimal, told: Unit | None = None, row_unit: Unit | None = None) -> Measured:
    """Read a number column under one decimal sign.

    Parameters
    ----------
    column : TextColumn
    decimal : "." or ","
    told : Unit, optional
        Unit given by the user.
    row_unit : Unit, optional
        Unit from a units row.
    """
    numbers = parse_numbers(column.texts, decimal)
    bare = numbers.found.copy()
    bare[[i for i, n in numbers.others.items() if n.unit]] = np.nan
    rows = bare[column.codes] if len(column.codes) else bare[:0]
    sizes = np.abs(rows[np.isfinite(rows)])
    if QUANTITY[column.name] in NO_UNIT_IN_ZERO and sizes.any():
        sizes = sizes[sizes > 0]
    unit, how, question = _unit(column, sizes, told, row_unit, numbers)
    values, wrong = _converted(column, numbers, unit)
    blank = np.zeros(len(column.texts), dtype=bool)
    blank[[i for i, n in numbers.others.items() if n.fault == MISSING]] = True
    result = Measured(
        column,
        values[column.codes] if len(column.codes) else values[:0],
        unit,
        how,
        blank[column.codes] if len(column.codes) else blank[:0],
        step=_step(numbers, unit),
        question=question,
    )
    if wrong:
        bad = np.zeros(len(column.texts), dtype=bool)
        bad[list(wrong)] = True
        for row in np.flatnonzero(bad[column.codes]):
            result.faults[int(row)] = wrong[int(column.codes[row])]
    if not question:
        _refuse_fill_values(result)
        _typed_in_another_unit(result)
    return result


def median_of(parts: Sequence[Measured]) -> tuple[Measured, NDArray[np.float64]]:
    """Combine several readings of one quantity that stand side by side in each row.

    Returns
    -------
    Measured
        The medians; a row with a fault in any of its readings keeps the fault and has no value.
    ranges : ndarray of float, shape (rows,)
        Largest less smallest reading of each row, in our unit; NaN with fewer than two.
    """
    first = parts[0]
    values = np.stack([m.readings for m in parts])
    given = np.isfinite(values)
    some = given.any(axis=0)
    medians = np.full(values.shape[1], np.nan)
    medians[some] = np.nanmedian(values[:, some], axis=0)
    several = given.sum(axis=0) > 1
    ranges = np.full(values.shape[1], np.nan)
    ranges[several] = np.nanmax(values[:, several], axis=0) - np.nanmin(values[:, several], axis=0)
    whole = Measured(
        first.column,
        medians,
        first.unit,
        first.how,
        np.all([m.blanks for m in parts], axis=0),
        max(m.step for m in parts),
    )
    whole.question = next((m.question for m in parts if m.question), "")
    for m in reversed(parts):
        for row, why in m.faults.items():
            found = "" if m is first else f"in column {m.column.number} '{m.column.text(row)}', "
            whole.refuse(row, found + why)
    return whole, ranges


def _step(numbers: Numbers, unit: Unit) -> float:
    plain = np.ones(len(numbers.decimals), dtype=bool)
    plain[list(numbers.others)] = False
    digits = int(numbers.decimals[plain].max()) if plain.any() else 8
    return float(10.0**-digits * unit.factor) if digits < 8 else math.nan


def _unit(
    column: TextColumn,
    sizes: NDArray[np.float64],
    told: Unit | None,
    row_unit: Unit | None,
    numbers: Numbers,
) -> tuple[Unit, str, str]:
    """Return the unit of the numbers that carry none, how it is known, and a question where it is not."""
    name = column.name
    choices = PLAUSIBLE[QUANTITY[name]]
    if told is not None:
        return told, "told", ""
    if not len(sizes):
        return choices[0].unit, "cell" if any(n.unit for n in numbers.others.values()) else "header", ""
    median = float(np.median(sizes))
    stated = row_unit or column.heading.unit
    if stated is not None:
        how = "unit row" if row_unit is not None else "header"
        return stated, how, _unlikely(name, stated, median, choices)
    if _PER_CENT.search(column.heading.text):
        return choices[0].unit, "", f"% is no unit of {QUANTITY[name]}; {_right(choices)}"
    likely = [p for p in choices if p.likely_most > 0 and p.likely_least <= median <= p.likely_most]
    if len(likely) == 1:
        return likely[0].unit, INFERRED, ""
    options = " or ".join(f"--units {name}={p.unit.symbol}" for p in choices if p.likely_most > 0)
    return choices[0].unit, "", f"no unit is given and the median {median:g} fits none surely; say {options}"


def _right(choices: Sequence[Plausible]) -> str:
    return f"right would be one of {', '.join(p.unit.symbol for p in choices)}"


def _unlikely(name: str, stated: Unit, median: float, choices: Sequence[Plausible]) -> str:
    if stated.quantity != QUANTITY[name]:
        return f"{stated.symbol} is no unit of {QUANTITY[name]}; {_right(choices)}"
    own = next(p for p in choices if p.unit == stated)
    if own.least <= median <= own.most:
        return ""
    fitting = [
        p.unit.symbol for p in choices if p.unit not in (stated, AS) and p.likely_least <= median <= p.likely_most
    ]
    said = f"the unit {stated.symbol} can't be right, as the median is {median:g} {stated.symbol}"
    if not fitting:
        return f"{said}; choose the column with --columns {name}=…, or mend the file"
    options = " or ".join(f"--units {name}={symbol}" for symbol in fitting)
    return f"{said}; say {options} (--units {name}={stated.symbol} if it is meant)"


def _converted(column: TextColumn, numbers: Numbers, unit: Unit) -> tuple[NDArray[np.float64], dict[int, str]]:
    """Return the value of each distinct text in our unit, and the words for those that have none."""
    limits = COLUMN[column.name]
    values = _scaled(numbers, unit)
    wrong = {i: n.fault for i, n in numbers.others.items() if n.fault and n.fault != MISSING}
    units = {i: unit_of(n.unit) for i, n in numbers.others.items() if n.unit}
    for i, own in units.items():
        if own is None or own.quantity != QUANTITY[column.name]:
            values[i] = np.nan
            wrong[i] = f"and '{numbers.others[i].unit}' is no unit of {QUANTITY[column.name]}"
        else:
            values[i] = scaled(numbers.found[i], int(numbers.decimals[i]), own)
    for i in map(int, np.flatnonzero((values < limits.least) | (values > limits.most))):
        negative = values[i] < 0 <= limits.least
        own = units.get(i) or unit
        wrong[i] = "which is negative" if negative else _out_of_range(column.name, float(numbers.found[i]), own)
        values[i] = np.nan
    for i in map(int, np.flatnonzero(values == 0)):
        if column.name in NOT_ZERO:
            wrong[i] = "which can't be true: nothing was measured, or the cell gives nothing"
        if column.name in NOT_ZERO or column.name in ZERO_IS_BLANK:
            values[i] = np.nan
    return values, wrong


def _out_of_range(name: str, number: float, unit: Unit) -> str:
    """Say what is wrong with a number outside what can be true, and the unit in which it would be right."""
    for likely in PLAUSIBLE[QUANTITY[name]]:
        if likely.unit != unit and likely.likely_least <= abs(number) <= likely.likely_most:
            symbol = likely.unit.symbol
            return f"which can't be true in {unit.symbol} but looks like {symbol}; if so, write the unit behind it"
    limits = COLUMN[name]
    return f"which can't be true: right would be {limits.least:g} to {limits.most:g}"


def _scaled(numbers: Numbers, unit: Unit) -> NDArray[np.float64]:
    """Return all numbers in our unit, as if none carried its own."""
    if unit.factor == 1 and not unit.before:
        return numbers.found.copy()
    pairs = zip(numbers.found.tolist(), numbers.decimals.tolist(), strict=True)
    return np.array([scaled(value, decimals, unit) for value, decimals in pairs], dtype=float)


def scaled(number: float, decimals: int, unit: Unit) -> float:
    """Return a number in our unit, free of the rounding that a plain product would add."""
    if unit.factor == 1 and not unit.before:
        return number
    value = (number + unit.before) * unit.factor
    shift = math.log10(unit.factor)
    if unit.before or shift != round(shift) or decimals - shift > 12 or math.isnan(value):
        return value
    return round(value, max(0, decimals - round(shift)))


def _typed_in_another_unit(measured: Measured) -> None:
    """Refuse readings that are far off, and near in another unit: they were typed in that unit."""
    quantity = QUANTITY[measured.column.name]
    sizes = np.abs(np.where(measured.readings == 0, np.nan, measured.readings))
    if quantity not in ("voltage", "capacity", "resistance") or np.isnan(sizes).all():
        return
    middle = float(np.nanmedian(sizes))
    others = [p.unit for p in PLAUSIBLE[quantity] if p.unit not in (measured.unit, AS)]
    swapped = np.flatnonzero((sizes > middle * SWAPPED_LEAST) | (sizes < middle / SWAPPED_LEAST))
    for row in map(int, swapped):
        for other in others:
            value = float(sizes[row]) / measured.unit.factor * other.factor
            if middle / SWAPPED_NEAR < value < middle * SWAPPED_NEAR:
                measured.refuse(
                    row,
                    f"which looks like {other.symbol} where the others are {measured.unit.symbol}; "
                    f"if so, write the unit behind it ({measured.column.text(row)} {other.symbol})",
                )
                break
    if measured.how == INFERRED and len(swapped) > max(1, MIXED_FRACTION * len(sizes)):
        measured.question = (
            f"{len(swapped)} of {len(sizes)} numbers look like another unit than the rest and no unit is given; "
            "write the unit behind each number"
        )


def _refuse_fill_values(measured: Measured) -> None:
    """Refuse the round numbers that testers write where they have no reading."""
    given = measured.readings[np.isfinite(measured.readings)]
    if not len(given):
        return
    large = measured.readings > float(np.median(np.abs(given))) * FILL_RATIO
    for row in map(int, np.flatnonzero(large)):
        if round(float(measured.readings[row]) / measured.unit.factor, 6) in FILL_VALUES:
            measured.refuse(row, "which is what a tester writes where it has no reading")
