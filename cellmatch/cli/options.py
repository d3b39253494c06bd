"""Options that several commands share, and what they mean."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.limits import LIMIT_WORDS, Limits, option_name

if TYPE_CHECKING:
    from cellmatch.cells.table import CellTable


def with_limits(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command one option per limit."""
    for limit in reversed(fields(Limits)):
        words, default = LIMIT_WORDS[limit.name][:2]
        name = option_name(limit.name)
        text = f"{words}.  [default: {default}]"
        option = (
            click.option(name, is_flag=True, help=text)
            if limit.name == "salvaged"
            else click.option(name, type=float, default=None, help=text, metavar="NUMBER")
        )
        command = option(command)
    return command


def with_reading(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say what a file means."""
    for option in (
        click.option(
            "--strict", is_flag=True, help="Stop at any reading that can't be read, instead of leaving its cell out."
        ),
        click.option(
            "--repeats",
            type=click.Choice(["median", "newest", "refuse"]),
            default="median",
            show_default=True,
            help="What to do with several readings of one cell.",
        ),
        click.option(
            "--correct",
            type=click.Choice(["tester", "slot", "date"]),
            help="Bring readings of several to one scale, by the cells measured on more than one; both are kept.",
        ),
        click.option("--encoding", help="Text encoding of the files, like gbk."),
        click.option("--decimal", type=click.Choice([".", ","]), help="Decimal sign of the files."),
        click.option("--units", multiple=True, metavar="NAME=UNIT,…", help="Units of columns, like capacity_mah=Ah."),
        click.option(
            "--columns",
            multiple=True,
            metavar="NAME=HEADER,…",
            help="Which column is what, like ocv_v=U,capacity_mah=4.",
        ),
        click.option(
            "--chemistry",
            metavar="NAME",
            help="nmc, nca, lco, lmo, lfp, lto, or a TOML file.  [default: nmc, and said]",
        ),
        click.option(
            "--accept",
            metavar="CELL=REASON",
            multiple=True,
            help="Let a rejected cell in, with a written reason; it stays marked for ever. Repeat per cell.",
        ),
    ):
        command = option(command)
    return command


with_self_discharge = click.option(
    "--self-discharge",
    is_flag=True,
    help="Work out what cells lose a day, from the first and the last dated voltage of each.",
)


def read_tables(paths: tuple[Path, ...], options: Mapping[str, Any]) -> CellTable:
    """Read the files as the options of :func:`with_reading` say, and ``with_self_discharge`` where it is there."""
    arguments = reading_from(options)

    from cellmatch.cells.reading.files import read_cells

    cells = read_cells(*paths, **arguments)
    if not options.get("self_discharge"):
        return cells
    from cellmatch.cells.screening.screen import tray_chemistry
    from cellmatch.cells.worth.leaks import lost_between_readings

    return lost_between_readings(cells, tray_chemistry(cells, options["chemistry"])[0])


def reading_from(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the arguments of :func:`cellmatch.read_cells` as the options of :func:`with_reading` say."""
    return {
        "columns": named_choices(options, "columns"),
        "units": named_choices(options, "units"),
        **{name: options[name] for name in ("decimal", "encoding", "repeats", "strict", "correct")},
    }


def named_choices(options: Mapping[str, Any], name: str) -> dict[str, str] | None:
    """Return what --columns or --units say, None where nothing was typed."""
    form = {"columns": "NAME=HEADER,…", "units": "NAME=UNIT,…"}[name]
    return pairs(_split(options[name]), f"--{name}", form) or None


def accepted_from(options: Mapping[str, Any]) -> dict[str, str]:
    """Return cell ids and written reasons; ids stay as they were typed."""
    return pairs(options["accept"], "--accept", "CELL=REASON")


def limits_from(options: Mapping[str, Any]) -> Limits:
    """Return the limits as the options of :func:`with_limits` say."""
    return Limits(**typed_limits(options))


def typed_limits(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return only the limits that were typed; the flag counts as typed when it is set."""
    names = [limit.name for limit in fields(Limits)]
    return {name: options[name] for name in names if options[name] is not None and options[name] is not False}


def pairs(texts: Iterable[str], option: str, form: str) -> dict[str, str]:
    """Read NAME=VALUE texts.

    Raises
    ------
    ArgumentInvalid
        A text without "=", or a name given twice.
    """
    found: dict[str, str] = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name:
            raise ArgumentInvalid(Problem(f"{option} {text}", f"write it as {form}"))
        if name in found:
            raise ArgumentInvalid(Problem(f"{option} {text}", f"{name} is given twice"))
        found[name] = value.strip()
    return found


def _split(texts: tuple[str, ...]) -> list[str]:
    """Split at commas that stand before another NAME=; a header may hold commas of its own."""
    return [part.strip() for text in texts for part in re.split(r",(?=\s*\w+=)", text)]
