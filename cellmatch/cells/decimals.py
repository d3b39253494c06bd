"""Which sign is the decimal sign: settled by the digits, or by what the readings would come to, or asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cellmatch.cells.numbers import Decimal, parse_number
from cellmatch.cells.quantities import Measured, TextColumn, measure
from cellmatch.cells.units import Unit
from cellmatch.errors import FileAmbiguous, Problem

OTHER: Mapping[Decimal, Decimal] = {".": ",", ",": "."}
RARE_FRACTION = 0.1
"""Numbers in the other sign, as a fraction of those in this one, that are taken for typing errors."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Rows whose text is a number under one decimal sign only, with the first such text."""

    rows: Mapping[Decimal, int]
    first: Mapping[Decimal, tuple[int, str]]


def evidence(columns: Mapping[str, TextColumn]) -> Evidence:
    """Collect what the texts of the number columns say about the decimal sign."""
    rows: dict[Decimal, int] = {".": 0, ",": 0}
    first: dict[Decimal, tuple[int, str]] = {}
    for column in columns.values():
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
    columns: Mapping[str, TextColumn],
    told: Decimal | None,
    units: Mapping[str, Unit],
    row_units: Mapping[str, Unit | None],
    where: str,
) -> tuple[Decimal, dict[str, Measured], str]:
    """Read all number columns of a file under the decimal sign that fits them.

    Returns
    -------
    decimal : "." or ","
    measured : dict of column name to Measured
    assumption : str
        What was taken for granted about the sign; empty where the digits settle it.

    Raises
    ------
    FileAmbiguous
        Both signs occur as decimal sign, or both give readings that can be true and differ.
    """

    def under(sign: Decimal) -> dict[str, Measured]:
        return {n: measure(c, sign, units.get(n), row_units.get(n)) for n, c in columns.items()}

    if told is not None:
        return told, under(told), ""
    if not any("," in text for column in columns.values() for text in column.texts):
        return ".", under("."), ""
    seen = evidence(columns)
    for sign, other in OTHER.items():
        if seen.rows[sign] and seen.rows[other] <= RARE_FRACTION * seen.rows[sign]:
            return sign, under(sign), ""
    if seen.rows["."]:
        dot, comma = seen.first["."], seen.first[","]
        raise FileAmbiguous(
            Problem(
                where,
                f"both decimal signs occur: '{dot[1]}' and '{comma[1]}'; say --decimal . or --decimal , "
                "(numbers in the other sign then count as unreadable), or write all in one",
            )
        )
    return _by_outcome({sign: under(sign) for sign in (",", ".")}, where)


def _by_outcome(
    readings: Mapping[Decimal, dict[str, Measured]], where: str
) -> tuple[Decimal, dict[str, Measured], str]:
    """Choose the sign under which all columns can be true, where only one is or both come to the same."""
    fitting = [sign for sign, columns in readings.items() if not any(m.question for m in columns.values())]
    if not fitting:
        # neither fits, so the units have to be asked for; the questions go with the sign that asks for less
        fitting = [min(readings, key=lambda s: sum(bool(m.question) for m in readings[s].values()))]
    sign = fitting[0]
    text = next(t for m in readings[sign].values() for t in m.column.texts if "," in t)
    if len(fitting) == 1:
        return (
            sign,
            readings[sign],
            (
                f"{where}: in '{text}' the comma is taken for the {'decimal' if sign == ',' else 'thousands'} sign, "
                f"as the other reading can't be true (--decimal {OTHER[sign]} for the other)"
            ),
        )
    if all(
        np.allclose(m.values, readings[OTHER[sign]][name].values, rtol=1e-12, atol=0, equal_nan=True)
        for name, m in readings[sign].items()
    ):
        return (
            sign,
            readings[sign],
            (f"{where}: '{text}' comes to the same whether the comma parts decimals or thousands"),
        )
    raise FileAmbiguous(
        Problem(
            where,
            f"'{text}' may be {parse_number(text, ',').value:g} or {parse_number(text, '.').value:g}: say --decimal , "
            "where the comma parts decimals or --decimal . where it parts thousands",
        )
    )
