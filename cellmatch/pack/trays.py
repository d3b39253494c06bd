"""The list of many trays, ``trays.csv``: a name, a file of readings and a pack each."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from cellmatch.errors import ArgumentInvalid, CellmatchError, FileUnusable, Problem
from cellmatch.pack.job import Job, job_of

COLUMNS = ("name", "file", "pack")
SUMMARY_NAME = "summary.csv"
_NO_FOLDER_NAME = re.compile(r"[/\\:*?\"<>|\x00-\x1f]|^\.+$|^[ ]|[. ]$")


@dataclass(frozen=True, kw_only=True, slots=True)
class TrayJob:
    """One tray of many.

    Parameters
    ----------
    name : str
        Names its result folder.
    file : Path
        Its readings.
    job : Job
        What it is to become.
    """

    name: str
    file: Path
    job: Job


def read_trays(path: str | Path) -> tuple[TrayJob, ...]:
    """Read a list of trays.

    Parameters
    ----------
    path : path
        CSV with the columns ``name, file, pack``; others are left alone. ``pack`` is a shape like ``10s3p`` or
        a job file. Paths count from the folder of the list.

    Returns
    -------
    tuple of TrayJob
        In the order of the file. Whether a tray's readings are there is found out when it is planned.

    Raises
    ------
    FileUnusable
        The list can't be read, is empty or lacks a column.
    ArgumentInvalid
        Names or packs that can't be used: all of them at once.
    """
    path = Path(path)
    rows = _rows(path)
    problems: list[Problem] = []
    seen: dict[str, int] = {}
    trays = []
    for line, row in rows:
        where = f"{path.name} line {line}"
        name, file, pack = (row[column] for column in COLUMNS)
        problems += _name_problems(where, name, seen)
        seen.setdefault(name.casefold(), line)
        if not file:
            problems.append(Problem(where, "no file is named; the path of the tray's readings is needed"))
        try:
            trays.append(TrayJob(name=name, file=path.parent / file, job=job_of(pack, path.parent)))
        except CellmatchError as error:
            problems += [Problem(f"{where}: {p.where}", p.what) for p in error.problems]
    if problems:
        raise ArgumentInvalid(problems)
    return tuple(trays)


def _rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Return line number and the three fields of every row that says something."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise FileUnusable(Problem(str(path), f"can't be read ({error.strerror})")) from error
    except UnicodeDecodeError as error:
        raise FileUnusable(Problem(str(path), "is not UTF-8 text; save it as CSV in UTF-8")) from error
    first = text.splitlines()[0] if text.strip() else ""
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    head = [field.strip().casefold() for field in next(reader, [])]
    lacking = [name for name in COLUMNS if head.count(name) != 1]
    if lacking:
        raise FileUnusable(
            [
                Problem(f"{path.name} column {name}", f"is needed once; found {', '.join(head) or 'nothing'}")
                for name in lacking
            ]
        )
    rows = []
    for fields in reader:
        if any(field.strip() for field in fields):
            padded = [field.strip() for field in fields] + [""] * len(head)
            rows.append((reader.line_num, {name: padded[head.index(name)] for name in COLUMNS}))
    if not rows:
        raise FileUnusable(Problem(path.name, "names no tray; a line of name, file and pack each is needed"))
    return rows


def _name_problems(where: str, name: str, seen: dict[str, int]) -> list[Problem]:
    if not name:
        return [Problem(where, "no name; it names the tray's result folder")]
    if _NO_FOLDER_NAME.search(name) or name.casefold() == SUMMARY_NAME:
        return [Problem(where, f"found the name {name!r}; it has to serve as the name of a folder")]
    if name.casefold() in seen:
        return [
            Problem(where, f"the name {name!r} stands in line {seen[name.casefold()]} too; each tray needs its own")
        ]
    return []
