"""Step 2: the tester's files, what each column was taken for, what can't be read, and what is put right by hand."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

import numpy as np
from starlette.responses import Response

from cellmatch.cells.reading.pieces import WORDS
from cellmatch.cells.reading.request import RULES
from cellmatch.cells.reading.units import QUANTITY, units_for
from cellmatch.cells.table import COLUMN, CellTable, resistances_mohm, texts
from cellmatch.cells.understood import Reading
from cellmatch.errors import ArgumentInvalid, CellmatchError, Problem
from cellmatch.page.fields import said_number
from cellmatch.page.jobs import Job, JobFolder, now
from cellmatch.page.peek import Peek, peek
from cellmatch.page.tray import EDITABLE, Tray, checked_edit, edit_words, reading_of, refuse_too_long, tray_of
from cellmatch.page.web import Ask, part, step_page, to_step

ALWAYS_ASKED = ("cell_id", "ocv_v", "capacity_mah", "ir_mohm")
CHOOSABLE = (*ALWAYS_ASKED, "rated_mah", "temperature_c", "self_discharge_mv_per_day", "mass_g", "rested_h", "lot",
             "model", "chemistry", "tester", "slot", "tested_at", "last_direction", "mark", "note")  # fmt: skip
UNITED = tuple(name for name in CHOOSABLE if name in QUANTITY)
PAGE_ROWS = 200
MOST_FILES = 40
MOST_REASON = 300


def show(ask: Ask) -> Response:
    """Show what was understood of the files."""
    return _page(ask, ask.job_folder.read(), ())


def table(ask: Ask) -> Response:
    """Show one page of the readings."""
    job = ask.job_folder.read()
    tray = tray_of(ask.job_folder, job)
    return part("readings_table.html", folder=ask.job_folder, **_rows(ask, tray, job))


def upload(ask: Ask) -> Response:
    """Keep files; one that is no table at all is refused at once, and the others are kept."""
    folder = ask.job_folder
    refused: list[Problem] = []
    for name, content in ask.files:
        try:
            _keep(folder, name, content)
        except CellmatchError as error:
            refused += error.problems
    if not ask.files:
        refused.append(Problem("files", "none was chosen"))
    if refused:
        return _page(ask, folder.read(), tuple(refused), status=422)
    return to_step(folder, "readings")


def remove(ask: Ask) -> Response:
    """Take a file out of the job."""
    name, folder = ask.text("name"), ask.job_folder
    if any(file.name == name for file in folder.read().files):
        folder.drop_file(name)
        folder.change(
            lambda job: replace(job, files=tuple(f for f in job.files if f.name != name)).told(f"file {name} taken out")
        )
    return to_step(folder, "readings")


def choices(ask: Ask) -> Response:
    """Keep what the user said about the files."""
    columns = {name: said for name in CHOOSABLE if (said := ask.text(f"column_{name}"))}
    units = {name: said for name in UNITED if (said := ask.text(f"unit_{name}"))}
    decimal, repeats = ask.text("decimal") or None, ask.text("repeats") or "median"
    sheets = {f.name: ask.text(f"sheet_{f.name}") for f in ask.job_folder.read().files}
    if repeats not in RULES or decimal not in (None, ".", ","):
        raise ArgumentInvalid(Problem("choices", "a choice that isn't offered"))

    def keep(job: Job) -> Job:
        files = tuple(replace(f, sheet=sheets.get(f.name, "")) for f in job.files)
        after = replace(
            job,
            columns=columns,
            units=units,
            decimal=decimal,
            encoding=ask.text("encoding")[:40] or None,
            repeats=repeats,
            files=files,
        )
        said = ", ".join([*(f"{k} from {v}" for k, v in columns.items()), *(f"{k} in {v}" for k, v in units.items())])
        return after.told(f"said about the files: {said or 'nothing'}") if after != job else job

    ask.job_folder.change(keep)
    return to_step(ask.job_folder, "readings", "understood")


def cell(ask: Ask) -> Response:
    """Show one cell, with what can be done by hand."""
    job = ask.job_folder.read()
    cells = _cells(ask.job_folder, job)
    name = _known(cells, ask.query("id"))
    row = cells.loc[name]
    return step_page(
        ask, "readings", job, cell=name, tray=None, refused=(),
        readings=[
            {"column": c, "words": WORDS[c], "unit": units_for(c)[0].symbol, "value": reading_of(cells, name, c)}
            for c in EDITABLE
        ],
        problems=row["problems"], source=row["source"], excluded=job.excluded.get(name),
        edits=[e for e in job.edits if e.cell == name],
    )  # fmt: skip


def edit(ask: Ask) -> Response:
    """Put a reading in by hand."""
    job = ask.job_folder.read()
    cells = _cells(ask.job_folder, job)
    problems: list[Problem] = []
    column = ask.text("column")
    value = said_number(ask.text("value"), WORDS.get(column, "reading"), problems)
    if problems:
        raise ArgumentInvalid(problems)
    made = checked_edit(cells, _known(cells, ask.text("id")), column, value, ask.text("reason")[:MOST_REASON], now())
    before = reading_of(cells, made.cell, column)
    ask.job_folder.change(lambda j: replace(j, edits=(*j.edits, made)).told(f"{made.cell}: {edit_words(made, before)}"))
    return to_step(ask.job_folder, "readings", "table")


def exclude(ask: Ask) -> Response:
    """Leave a cell out, or take it in again."""
    job = ask.job_folder.read()
    name, reason = _known(_cells(ask.job_folder, job), ask.text("id")), ask.text("reason")[:MOST_REASON]
    back = bool(ask.text("back"))
    if not back and not reason:
        raise ArgumentInvalid(Problem(f"cell {name}", "write why it is left out: it stays with the cell"))

    def keep(job: Job) -> Job:
        others = {cell: why for cell, why in job.excluded.items() if cell != name}
        if back:
            return replace(job, excluded=others).told(f"{name}: taken in again")
        return replace(job, excluded={**others, name: reason}).told(f"{name}: left out: {reason}")

    ask.job_folder.change(keep)
    return to_step(ask.job_folder, ask.text("to") if ask.text("to") == "screening" else "readings", "table")


def _page(ask: Ask, job: Job, refused: tuple[Problem, ...], status: int = 200) -> Response:
    folder = ask.job_folder
    tray = tray_of(folder, job)
    peeks = [peek(folder.tester_path(f), f.name, job.encoding) for f in job.files] if job.files else []
    return step_page(
        ask, "readings", job, status=status, cell=None, tray=tray, refused=refused, reading=tray.reading, peeks=peeks,
        headings=_headings(tray.reading, peeks), choosable=CHOOSABLE, always=ALWAYS_ASKED, united=UNITED,
        words={name: _word(name) for name in CHOOSABLE},
        unit_names={name: [unit.symbol for unit in units_for(name)] for name in UNITED},
        taken={c.name: c for c in reversed(tray.reading.columns)}, repeat_rules=RULES,
        **_rows(ask, tray, job),
    )  # fmt: skip


def _keep(folder: JobFolder, name: str, content: bytes) -> None:
    refuse_too_long(name, content)
    digest = hashlib.sha256(content).hexdigest()
    job = folder.read()
    twin = next((f.name for f in job.files if f.sha256 == digest), None)
    if twin:
        raise ArgumentInvalid(Problem(name, f"is already there, as {twin}"))
    if len(job.files) >= MOST_FILES:
        raise ArgumentInvalid(Problem(name, f"a job holds up to {MOST_FILES} files"))
    file = folder.keep_file(name, content, digest)
    folder.change(lambda j: replace(j, files=(*j.files, file)).told(f"file {file.name} given, {file.size} bytes"))


def _cells(folder: JobFolder, job: Job) -> CellTable:
    cells = tray_of(folder, job).cells
    if cells is None:
        raise ArgumentInvalid(Problem("readings", "there are none yet that can be read"))
    return cells


def _known(cells: CellTable, name: str) -> str:
    if name not in cells.index:
        raise ArgumentInvalid(Problem("cell", "there is no such cell in the readings"))
    return name


def _word(name: str) -> str:
    return "cell id" if name == "cell_id" else WORDS.get(name) or COLUMN[name].meaning


def _headings(reading: Reading, peeks: list[Peek]) -> list[tuple[str, str]]:
    """Return what can be chosen as a column: value and words. A heading that stands twice is told by its number."""
    found: dict[str, str] = {}
    for seen in peeks:
        heads = seen.rows[0] if seen.rows else ()
        for number, head in enumerate(heads, start=1):
            sample = ", ".join(row[number - 1] for row in seen.rows[1:3] if len(row) >= number)
            value = str(number) if not head or heads.count(head) > 1 or head.isdecimal() else head
            found.setdefault(value, f"{number}: {head or '(no heading)'} ({sample})")
    for column in reading.columns:
        found.setdefault(column.header or str(column.number), f"{column.number}: {column.header}")
    return list(found.items())


def _rows(ask: Ask, tray: Tray, job: Job) -> dict[str, Any]:
    """Return one page of the table, cells with something wrong first."""
    if tray.cells is None:
        return {"rows": [], "page": 1, "pages": 1, "total": 0, "wanted": "", "wrong": 0}
    cells = tray.cells
    wrong = np.fromiter((bool(p) for p in cells["problems"]), dtype=bool, count=len(cells))
    order = np.argsort(~wrong, kind="stable")
    wanted = ask.query("id")[:60]
    if wanted:
        order = order[[wanted.casefold() in str(cells.index[i]).casefold() for i in order]]
    pages = max(1, -(-len(order) // PAGE_ROWS))
    page = min(ask.whole("page"), pages)
    rows = cells.iloc[order[(page - 1) * PAGE_ROWS : page * PAGE_ROWS]]
    edited = {e.cell for e in job.edits}
    columns = zip(
        map(str, rows.index), rows["ocv_v"], rows["capacity_mah"], resistances_mohm(rows), rows["problems"],
        texts(rows, "source"), strict=True,
    )  # fmt: skip
    return {
        "rows": [
            {"cell": cell, "ocv_v": float(v), "capacity_mah": float(q), "ir_mohm": float(r), "problems": problems,
             "source": source, "edited": cell in edited, "excluded": cell in job.excluded}
            for cell, v, q, r, problems, source in columns
        ],
        "page": page, "pages": pages, "total": len(order), "wanted": wanted, "wrong": int(wrong.sum()),
    }  # fmt: skip
