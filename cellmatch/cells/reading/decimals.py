"""Which sign is the decimal sign: settled by the digits, or by what the readings would come to, or asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cellmatch.cells.reading.numbers import Decimal, parse_number
from cellmatch.cells.reading.quantities import Measured, TextColumn, measure
from cellmatch.cells.reading.units import Unit
from cellmatch.errors import FileAmbiguous, Problem

OTHER: Mapping[Decimal, Decimal] = {".": ",", ",": "."}
RARE_FRACTION = 0.1
"""Numbers in the other sign, as a fraction of those in this one, that are taken for typing errors."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Rows whose text is a number under one decimal sign only, with the first such text."""

    rows: Mapping[Decimal, int]
    first: Mapping[Decimal, tuple[int, str]]


def evidence(columns: Sequence[TextColumn]) -> Evidence:
    """Collect what the texts of the number columns say about the decimal sign."""
    rows: dict[Decimal, int] = {".": 0, ",": 0}
    first: dict[Decimal, tuple[int, str]] = {}
    for column in columns:
        counts = np.bincount(column.codes, minlength=len(column.texts))
        for code, text in enumerate(column.texts):
            if "," not in text and "." not in text:
                continue
            reads = {sign: not parse_number(text, sign).fault for sign in OTHER}
            if reads["."] == reads[","]:
                continue
            sign: Decimal = "." if reads["."] else ","
            rows[sign] += int(counts[code])
            if sign not in first:
                first[sign] = (int(np.argmax(column.codes == code)), text)
    return Evidence(rows, first)


def read_quantities(
    columns: Sequence[TextColumn],
    told: Decimal | None,
    units: Mapping[str, Unit],
    row_units: Mapping[int, Unit | None],
    where: str,
) -> tuple[Decimal, list[Measured], str]:
    """Read all number columns of a file under the decimal sign that fits them.

    Returns
    -------
    decimal : "." or ","
    measured : list of Measured, one a column
    assumption : str
        What was taken for granted about the sign; empty where the digits settle it.

    Raises
    ------
    FileAmbiguous
        Both signs occur as decimal sign, or both give readings that can be true and differ.
    """

    def under(sign: Decimal) -> list[Measured]:
        return [measure(c, sign, units.get(c.name), row_units.get(c.number)) for c in columns]

    if told is not None:
        return told, under(told), ""
    if not any("," in text for column in columns for text in column.texts):
        return ".", under("."), ""
    seen = evidence(columns)
    for sign, other in OTHER.items():
        if seen.rows[sign] and seen.rows[other] <= RARE_FRACTION * seen.rows[sign]:
            measured = under(sign)
            _refuse_other_sign(sign, measured, under, seen, where)
            return sign, measured, ""
    if seen.rows["."]:
        raise _both_signs(where, seen.first["."][1], seen.first[","][1])
    return _by_outcome({sign: under(sign) for sign in (",", ".")}, where)


def _refuse_other_sign(
    sign: Decimal, measured: Sequence[Measured], under: Callable[[Decimal], list[Measured]], seen: Evidence, where: str
) -> None:
    """Raise where a column can't be true under the sign of the others, and can under the other sign."""
    if not any(map(_unfit, measured)):
        return
    other = OTHER[sign]
    for column, otherwise in zip(measured, under(other), strict=True):
        text = next((t for t in column.column.texts if other in t), None)
        if text is not None and _unfit(column) and not _unfit(otherwise):
            raise _both_signs(where, seen.first[sign][1], text)


def _both_signs(where: str, one: str, other: str) -> FileAmbiguous:
    return FileAmbiguous(
        Problem(
            where,
            f"both decimal signs occur: '{one}' and '{other}'; say --decimal . or --decimal , "
            "(numbers in the other sign then count as unreadable), or write all in one",
        )
    )


def _by_outcome(readings: Mapping[Decimal, list[Measured]], where: str) -> tuple[Decimal, list[Measured], str]:
    """Choose the sign under which all columns can be true, where only one is or both come to the same."""
    fitting = [sign for sign, columns in readings.items() if not any(map(_unfit, columns))]
    if not fitting:
        # neither fits, so the units have to be asked for; the questions go with the sign that asks for less
        fitting = [min(readings, key=lambda s: sum(map(_unfit, readings[s])))]
    sign = fitting[0]
    other = readings[OTHER[sign]]
    if len(fitting) == 1:
        text = next(t for m in readings[sign] for t in m.column.texts if "," in t)
        return (
            sign,
            readings[sign],
            f"{where}: in '{text}' the comma is taken for the {'decimal' if sign == ',' else 'thousands'} sign, "
            f"as the other reading can't be true (--decimal {OTHER[sign]} for the other)",
        )
    apart = [m for m, o in zip(readings[sign], other, strict=True) if not _same(m, o)]
    if not apart:
        return sign, readings[sign], f"{where}: commas come to the same as decimal and as thousands sign"
    text = next(t for t in apart[0].column.texts if "," in t)
    raise FileAmbiguous(
        Problem(
            f"{where}, column {apart[0].column.number} '{apart[0].column.heading.text}'",
            f"'{text}' may be {parse_number(text, ',').value:g} or {parse_number(text, '.').value:g}: say --decimal , "
            "where the comma parts decimals, or --decimal . where it parts thousands",
        )
    )


def _unfit(measured: Measured) -> bool:
    """Tell whether a column can't be meant so: its unit can't be right, or most of it can't be read."""
    return bool(measured.question) or 2 * len(measured.faults) > len(measured.readings) - measured.blanks.sum()


def _same(one: Measured, other: Measured) -> bool:
    return bool(np.allclose(one.readings, other.readings, rtol=1e-12, atol=0, equal_nan=True))
