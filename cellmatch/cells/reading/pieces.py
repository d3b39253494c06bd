"""From one sheet to the readings of its cells, with everything in it that could not be read."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from cellmatch.cells.reading.assign import Assignment, assign, join_units_beside
from cellmatch.cells.reading.cycles import charge_column, direction
from cellmatch.cells.reading.decimals import read_quantities
from cellmatch.cells.reading.ids import Ids, cleaned, read_ids
from cellmatch.cells.reading.layout import Sheet, header_score
from cellmatch.cells.reading.marks import judged
from cellmatch.cells.reading.numbers import SPACES, Decimal
from cellmatch.cells.reading.quantities import INFERRED, Measured, TextColumn, median_of
from cellmatch.cells.reading.request import Request
from cellmatch.cells.reading.units import QUANTITY
from cellmatch.cells.repeats import TOLERANCE
from cellmatch.cells.table import COLUMNS
from cellmatch.cells.understood import ColumnRead
from cellmatch.errors import FileAmbiguous, FileUnusable, Problem

WORDS = {
    "ocv_v": "open-circuit voltage",
    "capacity_mah": "capacity",
    "ir_mohm": "resistance",
    "rated_mah": "rated capacity",
    "temperature_c": "temperature",
    "self_discharge_mv_per_day": "self-discharge",
    "rested_h": "hours at rest",
    "mass_g": "mass",
}
NEEDED = ("ocv_v", "capacity_mah", "ir_mohm")
"""Readings whose absence in a row is told, where the file has the column."""
BLANK = "{} blank"
"""Working column: the problem to tell if no other row of the cell gives the reading."""

_SLASHED = re.compile(r"([0-9]{1,2})/([0-9]{1,2})/[0-9]{2,4}")


@dataclass(slots=True)
class Piece:
    """The cells of one sheet.

    Parameters
    ----------
    sheet : Sheet
    assignment : Assignment
    decimal : "." or ","
    frame : DataFrame
        A row a row of the sheet, index the ids ("line N" where there is none).
    nameless : ndarray of bool
        Rows without an id.
    faults : list of (row, Problem)
    columns : tuple of ColumnRead
    steps : dict of column name to smallest step of its digits
    """

    sheet: Sheet
    assignment: Assignment
    decimal: Decimal
    frame: pd.DataFrame
    nameless: np.ndarray
    faults: list[tuple[int, Problem]]
    columns: tuple[ColumnRead, ...]
    steps: dict[str, float] = field(default_factory=dict)

    @property
    def has_blanks(self) -> bool:
        """Whether a needed reading is missing in any row."""
        return any(BLANK.format(name) in self.frame.columns for name in NEEDED)


def interpret(sheet: Sheet, request: Request) -> Piece:
    """Read the cells of a sheet.

    Raises
    ------
    FileAmbiguous
        A column, a unit or the decimal sign has to be chosen.
    FileUnusable
        No ids, no reading at all in a needed column.
    """
    join_units_beside(sheet)
    assignment = assign(sheet, request.columns)
    _need_ids(sheet, assignment)
    _leave_charges_out(sheet, assignment)
    texts = [
        TextColumn.of(name, place + 1, sheet.headings[place], sheet.texts(place))
        for name, place in [*assignment.places.items(), *(("ir_mohm", place) for place in assignment.beside)]
        if name in QUANTITY
    ]
    row_units = {c.number: sheet.units[c.number - 1] for c in texts} if sheet.units else {}
    decimal, readings, assumption = read_quantities(texts, request.decimal, request.units, row_units, sheet.head)
    measured = _one_each(sheet, readings)
    if assumption:
        sheet.assumptions.append(assumption)
    _drop_unusable(sheet, assignment, measured)
    _ask_or_say_units(sheet, measured)
    ids = read_ids(sheet.texts(assignment.places["cell_id"]), sheet.at)
    sheet.warnings.extend(ids.warnings)
    faults = sorted(_faults(sheet, assignment, measured, ids), key=lambda fault: fault[0])
    _refuse_second_table(sheet, faults)
    _say_dates(sheet, assignment)
    columns = tuple(
        _column_read(sheet, name, place, measured.get(name))
        for name, place in [*assignment.places.items(), *(("ir_mohm", place) for place in assignment.beside)]
    )
    frame, nameless = _frame(sheet, assignment, measured, ids, faults)
    steps = {n: m.step for n, m in measured.items() if m.step == m.step}
    return Piece(sheet, assignment, decimal, frame, nameless, faults, columns, steps)


def _need_ids(sheet: Sheet, assignment: Assignment) -> None:
    if "cell_id" not in assignment.places:
        found = ", ".join(h.text for h in sheet.headings if h.text)
        told = assignment.absent.get("cell_id")
        raise FileUnusable(
            told or Problem(sheet.head, f"no cell id column; headings found: {found}; name it with --columns cell_id=…")
        )


def _leave_charges_out(sheet: Sheet, assignment: Assignment) -> None:
    """Leave the charge rows out of a table with a row per cycle and mode: their capacity is none of discharge."""
    place = charge_column(sheet, assignment)
    if place is None:
        return
    kept = [i for i, text in enumerate(sheet.texts(place)) if direction(text) != "charge"]
    sheet.left_out = len(sheet.rows) - len(kept)
    sheet.assumptions.append(
        f"{sheet.file}: {sheet.left_out} rows with a charge in {sheet.column_at(place)} were left out; only what a "
        "cell gave on discharge is its capacity"
    )
    moved = {old: new for new, old in enumerate(kept)}
    sheet.odd = {moved[i]: why for i, why in sheet.odd.items() if i in moved}
    sheet.rows, sheet.lines = [sheet.rows[i] for i in kept], [sheet.lines[i] for i in kept]


def _one_each(sheet: Sheet, readings: Sequence[Measured]) -> dict[str, Measured]:
    """Return one reading for each quantity; several that stand side by side become their median."""
    parts: dict[str, list[Measured]] = {}
    for m in readings:
        parts.setdefault(m.column.name, []).append(m)
    result = {}
    for name, some in parts.items():
        if len(some) == 1:
            result[name] = some[0]
            continue
        result[name], ranges = median_of(some)
        absolute, fraction, unit = TOLERANCE[name]
        wide = np.flatnonzero(ranges > absolute + fraction * np.abs(result[name].readings))
        for row in wide[:20]:
            sheet.warnings.append(
                f"{sheet.at(int(row))}: the {len(some)} {WORDS[name]} readings differ by {ranges[row]:.3g} {unit} "
                f"around {result[name].readings[row]:.4g} {unit}; the median is used; test again"
            )
        if len(wide) > 20:
            sheet.warnings.append(f"{sheet.file}: {len(wide) - 20} more rows with {WORDS[name]} readings that differ")
    return result


def _drop_unusable(sheet: Sheet, assignment: Assignment, measured: dict[str, Measured]) -> None:
    """Drop optional columns that hold nothing or mostly what can't be true; refuse needed ones without a reading."""
    problems = []
    for name, m in list(measured.items()):
        readable = int(np.isfinite(m.readings).sum())
        if name in ("ocv_v", "capacity_mah"):
            if not readable and not m.question:
                row = next(iter(m.faults), 0)
                why = f"'{m.column.text(row)}', {m.faults[row]}" if m.faults else "only empty fields"
                problems.append(
                    Problem(
                        f"{sheet.file}, {sheet.column_at(m.column.number - 1)}",
                        f"no {WORDS[name]} can be read in any row (found {why}); choose the column with "
                        f"--columns {name}=…",
                    )
                )
        elif (m.blanks.all() and not m.faults) or (name != "ir_mohm" and readable < len(m.readings) / 2 and m.faults):
            del measured[name], assignment.places[name]
            if m.faults:
                row = next(iter(m.faults))
                sheet.warnings.append(
                    f"{sheet.file}, {sheet.column_at(m.column.number - 1)}: left out, most of it is no {WORDS[name]} "
                    f"(like '{m.column.text(row)}')"
                )
            else:
                assignment.unread.append(m.column.heading.text)
    if problems:
        raise FileUnusable(problems)


def _ask_or_say_units(sheet: Sheet, measured: Mapping[str, Measured]) -> None:
    questions = [
        Problem(f"{sheet.file}, {sheet.column_at(m.column.number - 1)}", f"{WORDS[m.column.name]}: {m.question}")
        for m in measured.values()
        if m.question
    ]
    if questions:
        raise FileAmbiguous(questions)
    taken, inferred = [], []
    for m in measured.values():
        given = np.abs(m.readings[np.isfinite(m.readings)])
        if m.how == INFERRED and len(given):
            median = float(np.median(given)) / m.unit.factor - m.unit.before
            place = sheet.column_at(m.column.number - 1)
            inferred.append(m.column.name)
            taken.append(
                f"{WORDS[m.column.name]} ({place}) is taken to be in {m.unit.symbol}, as its median is {median:.6g}"
            )
    if taken:
        sheet.assumptions.append(
            f"{sheet.file}: no unit is given: {'; '.join(taken)}; --units {inferred[0]}=… for another"
        )


def _say_dates(sheet: Sheet, assignment: Assignment) -> None:
    """Say that dates are left as they stand where day and month can't be told apart."""
    if "tested_at" not in assignment.places:
        return
    found = [m for t in set(sheet.texts(assignment.places["tested_at"])) if (m := _SLASHED.match(t.strip(SPACES)))]
    if found and all(int(m[1]) <= 12 and int(m[2]) <= 12 for m in found):
        place = sheet.column_at(assignment.places["tested_at"])
        sheet.assumptions.append(
            f"{sheet.file}, {place}: in {min(m[0] for m in found)} day and month can't be told apart; "
            "the dates are kept as they stand"
        )


def _column_read(sheet: Sheet, name: str, place: int, measured: Measured | None) -> ColumnRead:
    return ColumnRead(
        file=sheet.file,
        number=place + 1,
        header=sheet.headings[place].text,
        name=name,
        unit=measured.unit.symbol if measured else "",
        factor=measured.unit.factor if measured else 1.0,
        how=measured.how if measured else "text",
    )


def _faults(
    sheet: Sheet, assignment: Assignment, measured: Mapping[str, Measured], ids: Ids
) -> Iterator[tuple[int, Problem]]:
    """Yield everything in a row that can't be read or makes the cell one to keep out."""
    for name, m in measured.items():
        place = sheet.column_at(m.column.number - 1)
        for row, why in m.faults.items():
            if row not in sheet.odd:
                yield (
                    row,
                    Problem(
                        f"{sheet.at(row)}, {place}",
                        f"{WORDS[name]}: found '{_shown(m.column.text(row))}', {why}",
                    ),
                )
    for row, why in sheet.odd.items():
        yield row, Problem(sheet.at(row), why)
    for row, why in ids.faults.items():
        yield row, Problem(f"{sheet.at(row)}, {sheet.column_at(assignment.places['cell_id'])}", why)
    for row, text in enumerate(ids.ids):
        if not text:
            yield row, Problem(sheet.at(row), "the row has no cell id, so nobody can tell which cell it is")
    if "mark" in assignment.places:
        yield from _mark_faults(sheet, assignment.places["mark"], blank_is_none=assignment.own)
    if "problems" in assignment.places:
        for row, text in enumerate(sheet.texts(assignment.places["problems"])):
            for words in filter(None, cleaned(text).split("; ")):
                yield row, Problem("", words)


def _shown(text: str) -> str:
    """Return a field as it is quoted in a message: short, on one line, nothing that can't be printed."""
    safe = "".join(c if c.isprintable() else f"<{ord(c):04X}>" for c in text)
    return safe if len(safe) <= 60 else safe[:57] + "…"


def _mark_faults(sheet: Sheet, place: int, *, blank_is_none: bool) -> Iterator[tuple[int, Problem]]:
    """Yield the rows whose mark is no pass; a blank one is unsettled, but in a file of ours, where it is no mark."""
    texts = sheet.texts(place)
    verdicts = {text: judged(text, sheet.headings[place].text) for text in set(texts)}
    if not any(text.strip(SPACES) for text in verdicts):
        return
    for row, text in enumerate(texts):
        if verdicts[text] != "pass" and (text.strip(SPACES) or not blank_is_none):
            shown = f"'{_shown(text.strip(SPACES))}'" if text.strip(SPACES) else "empty"
            what = (
                f"the tester's mark says NG ({shown})"
                if verdicts[text] == "fail"
                else f"the tester's mark is unsettled ({shown}); settle it, or let the cell in with --accept"
            )
            yield row, Problem(f"{sheet.at(row)}, {sheet.column_at(place)}", what)


def _refuse_second_table(sheet: Sheet, faults: list[tuple[int, Problem]]) -> None:
    for row in {row for row, _ in faults}:
        if header_score(sheet.rows[row]) >= (2, 3):
            raise FileUnusable(
                Problem(
                    sheet.at(row),
                    "a second table with other headings begins here; one table per file would be right",
                )
            )


def _frame(
    sheet: Sheet,
    assignment: Assignment,
    measured: Mapping[str, Measured],
    ids: Ids,
    faults: list[tuple[int, Problem]],
) -> tuple[pd.DataFrame, np.ndarray]:
    places = assignment.places
    data: dict[str, object] = {}
    for name in (c.name for c in COLUMNS):
        if name in measured:
            data[name] = measured[name].readings
            data[name][list(sheet.odd)] = np.nan  # type: ignore[index]
        elif name in places and name not in ("problems", "source"):
            texts = sheet.texts(places[name])
            if name == "tested_at":  # a workbook's dates carry a time of day even where none was typed
                texts = [t.removesuffix(" 00:00:00") for t in texts]
            data[name] = _text_column(texts)
        elif name == "ir_method" and "ir_mohm" in measured:
            method = sheet.headings[places["ir_mohm"]].method or "unknown"
            data[name] = _objects([method] * len(sheet.rows))
    data["source"] = _objects([f"{sheet.file} {sheet.word} {line}" for line in sheet.lines])
    data["problems"] = _problems_column(len(sheet.rows), faults)
    for name in NEEDED:
        if (
            name in measured
            and (measured[name].blanks.any() or sheet.odd)
            and not (assignment.own and name == "ir_mohm")
        ):
            data[BLANK.format(name)] = _blank_column(sheet, measured[name])
    named = np.array([bool(i) for i in ids.ids])
    index = [i or f"{sheet.word} {line}" for i, line in zip(ids.ids, sheet.lines, strict=True)]
    frame = pd.DataFrame(data)
    frame.index = pd.Index(index, dtype=object)
    return frame, ~named


def _objects(values: Sequence[object]) -> pd.Series:
    """Return values as a column of plain objects; the frame's index is set afterwards."""
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return pd.Series(array, dtype=object)


def _text_column(texts: list[str]) -> pd.Series:
    known = {t: cleaned(t) or None for t in set(texts)}
    return _objects([known[t] for t in texts])


def _problems_column(rows: int, faults: list[tuple[int, Problem]]) -> pd.Series:
    problems = np.empty(rows, dtype=object)
    problems.fill(())
    for row, problem in faults:
        problems[row] = (*problems[row], str(problem))
    return pd.Series(problems, dtype=object)


def _blank_column(sheet: Sheet, measured: Measured) -> pd.Series:
    column = np.full(len(measured.readings), None, dtype=object)
    place = sheet.column_at(measured.column.number - 1)
    for row in map(int, np.flatnonzero(measured.blanks)):
        if row not in sheet.odd:
            text = measured.column.text(row)
            found = f"found '{_shown(text)}', which is no reading" if text else "the reading is empty or missing"
            column[row] = f"{sheet.at(row)}, {place}: {WORDS[measured.column.name]}: {found}"
    return pd.Series(column, dtype=object)
