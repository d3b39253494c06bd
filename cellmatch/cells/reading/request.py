"""What the user said about the files, checked before any file is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

from cellmatch.cells.reading.numbers import Decimal
from cellmatch.cells.reading.units import QUANTITY, Unit, unit_of, units_for
from cellmatch.cells.table import columns_of
from cellmatch.errors import ArgumentInvalid, Problem, nearest_name

RULES = ("median", "newest", "refuse")


@dataclass(frozen=True, slots=True)
class Request:
    """What the user said about the files."""

    columns: Mapping[str, str | int]
    units: Mapping[str, Unit]
    decimal: Decimal | None
    encoding: str | None


def request_of(
    columns: Mapping[str, str | int] | None,
    units: Mapping[str, str] | None,
    decimal: str | None,
    encoding: str | None,
    repeats: str,
) -> Request:
    """Check the arguments of :func:`~cellmatch.cells.reading.files.read_cells`, all in one go.

    Raises
    ------
    ArgumentInvalid
        Unknown columns, units, signs or rules.
    """
    problems = []
    names = ["cell_id", *(n for n in columns_of("read") if n not in ("source", "problems"))]
    for name in columns or {}:
        if name not in names:
            problems.append(Problem(f"--columns {name}", nearest_name(name, names)))
    known: dict[str, Unit] = {}
    for name, text in (units or {}).items():
        unit = unit_of(str(text))
        if name not in QUANTITY:
            problems.append(Problem(f"--units {name}", nearest_name(name, QUANTITY)))
        elif unit is None or unit not in units_for(name):
            right = ", ".join(u.symbol for u in units_for(name))
            problems.append(Problem(f"--units {name}={text}", f"right would be one of {right}"))
        else:
            known[name] = unit
    if decimal not in (None, ".", ","):
        problems.append(Problem(f"--decimal {decimal}", "right would be . or ,"))
    if repeats not in RULES:
        problems.append(Problem(f"--repeats {repeats}", f"right would be one of {', '.join(RULES)}"))
    if problems:
        raise ArgumentInvalid(problems)
    return Request(columns or {}, known, cast("Decimal | None", decimal), encoding)


def words_of(
    columns: Mapping[str, str | int] | None, units: Mapping[str, str] | None, **more: str | bool | None
) -> tuple[str, ...]:
    """Return what the user said about the files, as words of a command line; defaults are left out."""
    words = [
        word
        for option, pairs in (("--columns", columns), ("--units", units))
        for name, text in (pairs or {}).items()
        for word in (option, f"{name}={text}")
    ]
    for name, value in more.items():
        if value is True:
            words.append(f"--{name}")
        elif value and value != "median":
            words += [f"--{name}", str(value)]
    return tuple(words)
