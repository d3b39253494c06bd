"""The result folder: all papers of a plan, written whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from importlib import import_module
from itertools import count
from pathlib import Path
from typing import Any

from cellmatch.errors import FolderNotWritable, Problem
from cellmatch.output.label_sheets import ASSUMED_LABEL_SHEET, LABEL_SHEETS, SHEET_OF_PAGE
from cellmatch.output.record import RECORD_NAME, plan_to_json, read_plan, record_text
from cellmatch.output.tables import cells_csv, groups_csv, positions_csv
from cellmatch.plan import Plan


def _drawn(module: str, name: str, **options: str) -> Callable[[Plan], bytes]:
    """Return the paper that `name` of a module of this folder makes; the module is loaded when it is asked for."""

    def make(plan: Plan) -> bytes:
        content: str | bytes = getattr(import_module(f"cellmatch.output.{module}"), name)(plan, **options)
        return content.encode("utf-8") if isinstance(content, str) else content

    return make


# drawing takes a second to load: whoever writes tables only does without
PAPERS: dict[str, Callable[[Plan], bytes]] = {
    "cells.csv": cells_csv,
    "positions.csv": positions_csv,
    "groups.csv": groups_csv,
    "report.html": _drawn("report", "report_html"),
    "bench.html": _drawn("bench_sheet", "bench_html"),
    "papers.html": _drawn("papers", "papers_html"),
    "balance.png": _drawn("charts", "balance_png"),
}
"""Every file that lies beside the record; a new paper is one function and one entry here."""

ON_REQUEST: dict[str, Callable[[Plan], bytes]] = {
    "labels.html": _drawn("labels", "labels_html"),
    "papers.pdf": _drawn("pdf", "papers_pdf"),
    "labels.pdf": _drawn("pdf", "labels_pdf"),
}
"""Papers that take longer than the plan of a large pack, and are made when asked for."""

ALL_PAPERS = PAPERS | ON_REQUEST

OTHER_SIZES: dict[str, Callable[[Plan], bytes]] = {
    "papers_letter.pdf": _drawn("pdf", "papers_pdf", page="letter"),
    **{
        f"labels_{sheet}.html": _drawn("labels", "labels_html", sheet=sheet)
        for sheet in LABEL_SHEETS
        if sheet != ASSUMED_LABEL_SHEET
    },
    **{
        f"labels_{sheet}.pdf": _drawn("pdf", "labels_pdf", sheet=sheet)
        for sheet in LABEL_SHEETS
        if sheet != ASSUMED_LABEL_SHEET
    },
}
"""The same for other paper. The name tells the size, so that a changed plan is written for the same paper again."""

_MAKERS = ALL_PAPERS | OTHER_SIZES


def papers_wanted(*, labels: bool = False, pdf: bool = False, page: str = "A4", sheet: str = "") -> tuple[str, ...]:
    """Return the names of the papers to write.

    Parameters
    ----------
    labels, pdf : bool
        With label sheets; with everything as PDF.
    page : str
        Paper of the PDF: ``A4`` or ``letter``.
    sheet : str
        Label sheet by name, which asks for labels; without it the usual one of the page.

    Examples
    --------
    >>> papers_wanted(pdf=True, page="letter")[-2:]
    ('papers_letter.pdf', 'labels_letter-67x25.pdf')
    """
    sheet, labels = sheet or SHEET_OF_PAGE[page], labels or bool(sheet)
    size = "" if sheet == ASSUMED_LABEL_SHEET else f"_{sheet}"
    names = [*PAPERS, *([f"labels{size}.html"] if labels else [])]
    if pdf:
        names += ["papers.pdf" if page == "A4" else f"papers_{page}.pdf", f"labels{size}.pdf"]
    return tuple(names)


def write_plan(
    plan: Plan,
    folder: str | Path,
    *,
    new_plan: bool = False,
    papers: Collection[str] | None = None,
) -> Path:
    """Write the record and all papers of a plan.

    Everything is made in a folder of its own first and then moved into place, the record last: whatever
    goes wrong before that leaves an earlier plan untouched.

    Parameters
    ----------
    plan : Plan
    folder : path
        Made if it is not there. Other files in it stay.
    new_plan : bool
        Put a plan in place of one that already holds readings or changes; that one's record is kept
        under its date.
    papers : collection of str, optional
        Which of :data:`ALL_PAPERS` or :data:`OTHER_SIZES`; without it :data:`PAPERS`. The others of an earlier plan
        are taken away: they would not fit the record beside them.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    FolderNotWritable
        The folder can't be made or written, or holds a record with history and `new_plan` is False.
    """
    target = Path(folder)
    # a change that is being written to the plan there is waited for: its line goes into the record that is kept
    with _locked(target) if (target / RECORD_NAME).is_file() else nullcontext():
        earlier = _earlier_record(target)
        if earlier.get("history") and not new_plan:
            raise FolderNotWritable(
                Problem(
                    str(target),
                    "holds a plan with readings or changes; give another folder, or --new-plan to keep its record "
                    "under its date and start anew",
                )
            )
        wanted = PAPERS if papers is None else _makers(papers)
        return _write(plan, target, wanted, keep=earlier if earlier.get("history") else {})


def rewrite_papers(folder: str | Path, papers: Collection[str]) -> Plan:
    """Write the papers of the plan in a folder again, from its record as it stands.

    Parameters
    ----------
    folder : path
        That :func:`write_plan` wrote.
    papers : collection of str
        As for :func:`write_plan`.

    Returns
    -------
    Plan

    Raises
    ------
    FileUnusable, FolderNotWritable
        The record can't be read, or the folder can't be written.
    """
    target = Path(folder)
    read_plan(target)  # a folder without a record gets no lock file
    with _locked(target):
        plan = read_plan(target)
        _write(plan, target, _makers(papers))
    return plan


def change_plan(folder: str | Path, change: Callable[[Plan], Plan]) -> Plan:
    """Change the plan in a folder; two writers at once wait for each other, so that no change is lost.

    Parameters
    ----------
    folder : path
        That :func:`write_plan` wrote; the papers it holds are written again.
    change : callable
        Takes the plan as it stands now and returns the one to keep, its history one entry longer.

    Returns
    -------
    Plan
        As kept.

    Raises
    ------
    FileUnusable, FolderNotWritable
        The record can't be read, or the folder can't be written.
    """
    target = Path(folder)
    read_plan(target)  # a folder without a record gets no lock file
    with _locked(target):
        changed = change(read_plan(target))
        papers = [entry["file"] for entry in _earlier_record(target)["files"] if entry["file"] in _MAKERS]
        _write(changed, target, _makers(papers))
    return changed


def _makers(papers: Collection[str]) -> dict[str, Callable[[Plan], bytes]]:
    return {name: _MAKERS[name] for name in papers}


def _write(
    plan: Plan, target: Path, wanted: Mapping[str, Callable[[Plan], bytes]], *, keep: Mapping[str, Any] | None = None
) -> Path:
    """Make everything beside, then move it into place; the record `keep` is put by under its date first."""
    try:
        beside = target if target.is_dir() else target.parent
        beside.mkdir(parents=True, exist_ok=True)
        workshop = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=beside))
    except OSError as error:
        raise _not_writable(target, error) from error
    try:
        hashes = {}
        for name, make in wanted.items():
            content = make(plan)
            (workshop / name).write_bytes(content)
            hashes[name] = hashlib.sha256(content).hexdigest()
        record = record_text(plan_to_json(plan, hashes))
        (workshop / RECORD_NAME).write_text(record, encoding="utf-8")
        with _uninterrupted():
            target.mkdir(exist_ok=True)
            if keep:
                # copied, not moved: whoever reads at this moment finds the one or the other
                kept = _kept_name(target, str(keep["created_at"]).replace(":", "-"))
                shutil.copy2(target / RECORD_NAME, kept)
            for name in _MAKERS.keys() - wanted.keys():
                (target / name).unlink(missing_ok=True)
            for name in (*wanted, RECORD_NAME):
                (workshop / name).replace(target / name)
    except OSError as error:
        raise _not_writable(target, error) from error
    finally:
        shutil.rmtree(workshop, ignore_errors=True)
    return target


def _kept_name(target: Path, stamp: str) -> Path:
    """Return a name for an earlier record that no other has."""
    names = (f"plan {stamp}{f' {n}' if n > 1 else ''}.json" for n in count(1))
    return next(path for name in names if not (path := target / name).exists())


def write_whole(path: Path, content: bytes) -> None:
    """Write one file whole or not at all.

    Raises
    ------
    FolderNotWritable
        It can't be written.
    """
    beside = path.with_name(f".{path.name}.new")
    try:
        try:
            beside.write_bytes(content)
            beside.replace(path)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
    except OSError as error:
        raise FolderNotWritable(
            Problem(str(path), f"can't be written ({error.strerror}); name another file")
        ) from error


def check_writable(folder: str | Path) -> None:
    """Find out before a long search whether the papers can be written.

    Raises
    ------
    FolderNotWritable
        As :func:`write_plan` would.
    """
    target = Path(folder)
    if target.exists() and not target.is_dir():
        raise FolderNotWritable(Problem(str(target), "is a file; name a folder for the results"))
    nearest = target
    while not nearest.exists() and nearest != nearest.parent:
        nearest = nearest.parent
    if not nearest.is_dir():
        raise FolderNotWritable(Problem(str(target), f"can't be made: {nearest} is a file"))
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise FolderNotWritable(Problem(str(target), f"no right to write in {nearest}; name another folder"))


def _earlier_record(target: Path) -> dict[str, Any]:
    try:
        found = json.loads((target / RECORD_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _not_writable(target: Path, error: OSError) -> FolderNotWritable:
    return FolderNotWritable(
        Problem(str(target), f"can't be written ({error.strerror or error}); name another folder with --out")
    )


@contextmanager
def _locked(target: Path) -> Iterator[None]:
    """Hold the folder's lock; the system lets it go when the process ends, however it ends."""
    try:
        lock = (target / ".lock").open("a")
    except OSError as error:
        raise _not_writable(target, error) from error
    with lock:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(lock.fileno(), msvcrt.LK_LOCK, 1)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Hold Ctrl-C back for the few moves that must all happen, then let it through."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if pressed:
        raise KeyboardInterrupt
