"""The plan of a job as the server knows it: plain values that a child worked out, and the swaps since.

A swap is kept in the journal (``swaps.json``) before it is shown; the record and its papers follow in the
background. The journal may be read again at any time: what the record holds already is left out.
"""

from __future__ import annotations

import json
import threading
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from cellmatch.errors import ArgumentInvalid, CellmatchError, Problem
from cellmatch.page.desk import Desk
from cellmatch.page.jobs import RECORD_NAME, Job, JobFolder, inputs_of

SWAPPED, UNDONE = "cells swapped", "swap undone"
VIEW_NAME, JOURNAL_NAME, SEARCH_NAME, BENCH_NAME = "view.json", "swaps.json", "search.json", "bench.json"
REPORT_NAME = "report.html"
REST_S = 1.5
"""[s] Without another swap before the record and the papers are written."""

View = Mapping[str, Any]


def journal_of(folder: JobFolder) -> list[dict[str, Any]]:
    """Return the swaps that may not stand in the record yet, oldest first."""
    found = folder.read_json(JOURNAL_NAME)
    return list(found) if isinstance(found, list) else []


def has_plan(folder: JobFolder) -> bool:
    """Tell whether the job has a plan."""
    return (folder.path / RECORD_NAME).is_file()


def plan_view(desk: Desk, folder: JobFolder) -> View | None:
    """Return the plan of a job, worked out for the page; None where there is none.

    Raises
    ------
    CellmatchError
        The record is damaged, or the process that works it out died.
    """
    if not has_plan(folder):
        return None
    journal = journal_of(folder)
    key = view_key(folder, journal)
    kept = _parsed(str(folder.path / VIEW_NAME), folder.stamp(VIEW_NAME))
    if isinstance(kept, dict) and kept.get("key") == key:
        view: View = kept["view"]
        return view
    view = desk.ask("view", folder=str(folder.path), journal=journal)
    folder.write_json(VIEW_NAME, {"key": key, "view": view})
    return view


@lru_cache(maxsize=2)
def _parsed(path: str, stamp: tuple[int, int]) -> Any:
    """Return what a view file holds, parsed once as long as it isn't written again; None for none or a damaged one."""
    try:
        return json.loads(Path(path).read_bytes())
    except (OSError, ValueError):
        return None


def is_stale(folder: JobFolder, job: Job, view: View) -> bool:
    """Tell whether the job asks for something else now than when its plan was found."""
    search = folder.read_json(SEARCH_NAME)
    return isinstance(search, dict) and search["of"] == view["created_at"] and search["inputs"] != inputs_of(job)


def search_of(folder: JobFolder, view: View) -> dict[str, Any]:
    """Return how the search for a plan went; nothing where that isn't known."""
    search = folder.read_json(SEARCH_NAME)
    return search if isinstance(search, dict) and search["of"] == view["created_at"] else {}


def has_begun(folder: JobFolder) -> bool:
    """Tell whether the build has begun: something was read or ticked."""
    bench = folder.read_json(BENCH_NAME)
    return isinstance(bench, dict) and bool(bench.get("readings") or bench.get("ticks"))


def swap(desk: Desk, folder: JobFolder, job: Job, one: str, other: str, *, undo: bool = False) -> View:
    """Let two cells change places.

    Returns
    -------
    View
        With the change.

    Raises
    ------
    CellmatchError
        No plan, a build that has begun, a locked place, cells that can't be swapped.
    """
    with folder.lock:
        if has_begun(folder):
            words = "the build has begun: from here on a cell is changed by `cellmatch replace`"
            raise ArgumentInvalid(Problem("swap", words))
        locked = [cell for cell in (one, other) if cell in job.pins]
        if locked:
            raise ArgumentInvalid(Problem(f"cell {locked[0]}", "its place is locked; unlock it first"))
        when = datetime.now(UTC).isoformat(timespec="microseconds")
        now = plan_view(desk, folder)
        if now is None:
            raise ArgumentInvalid(Problem("swap", "there is no plan yet"))
        entry = {"of": now["created_at"], "what": UNDONE if undo else SWAPPED, "when": when, "cells": [one, other]}
        journal = [*journal_of(folder), entry]
        view: View = desk.ask("view", folder=str(folder.path), journal=journal)
        folder.write_json(JOURNAL_NAME, journal)
        folder.write_json(VIEW_NAME, {"key": view_key(folder, journal), "view": view})
    return view


def view_key(folder: JobFolder, journal: list[dict[str, Any]]) -> list[Any]:
    """Return what changes when a kept view no longer shows the plan as it is."""
    return [*folder.stamp(RECORD_NAME), [entry["when"] for entry in journal]]


class Press:
    """Writes records and papers in the background, one job after another, each in a process of its own."""

    def __init__(self) -> None:
        self._waiting: dict[str, threading.Timer] = {}
        self._failed: dict[str, tuple[Problem, ...]] = {}
        self._claims: Counter[str] = Counter()
        self._lock, self._turn = threading.Lock(), threading.Lock()
        self._closed = False

    def busy(self, folder: JobFolder) -> bool:
        """Tell whether papers of a job are being written, or soon will be."""
        name = str(folder.path)
        return name in self._waiting or self._claims[name] > 0

    def failed(self, folder: JobFolder) -> tuple[Problem, ...]:
        """Return what went wrong the last time."""
        return self._failed.get(str(folder.path), ())

    def look(self, folder: JobFolder) -> None:
        """Write what an earlier end of the server, or a search, left unwritten."""
        unwritten = bool(journal_of(folder)) or not (folder.path / REPORT_NAME).is_file()
        if unwritten and not self.busy(folder) and not self.failed(folder):
            self.soon(folder, 0.0)

    def soon(self, folder: JobFolder, rest_s: float = REST_S, *, pdf: bool = False) -> None:
        """Write the papers of a job once it has been left alone for a moment; with `pdf` those too."""
        name = str(folder.path)
        with self._lock:
            if self._closed:
                return
            if (earlier := self._waiting.pop(name, None)) is not None:
                earlier.cancel()
            timer = threading.Timer(rest_s, self._begin, (folder, pdf))
            timer.daemon = True
            self._waiting[name] = timer
            timer.start()

    def close(self) -> None:
        """Begin nothing more; what was not written is written when the job is opened again."""
        with self._lock:
            self._closed = True
            for timer in self._waiting.values():
                timer.cancel()

    def claim(self, folder: JobFolder) -> None:
        """Say that the papers of a job are in hand; :meth:`write` has to follow."""
        with self._lock:
            self._claims[str(folder.path)] += 1
            self._waiting.pop(str(folder.path), None)

    def _begin(self, folder: JobFolder, pdf: bool) -> None:
        self.claim(folder)
        self.write(folder, Desk(), pdf=pdf)

    def write(self, folder: JobFolder, own_desk: Desk, *, pdf: bool = False) -> None:
        """Write the papers of a job that was claimed, in a process that ends with it."""
        name = str(folder.path)
        with self._turn:
            journal = journal_of(folder)
            problems: tuple[Problem, ...] = ()
            try:
                own_desk.ask("papers", folder=str(folder.path), journal=journal, pdf=pdf)
                _forget(folder, journal)
            except CellmatchError as error:
                problems = error.problems
            finally:
                own_desk.close()
                self._failed[name] = problems
                with self._lock:
                    self._claims[name] -= 1


def _forget(folder: JobFolder, written: list[dict[str, Any]]) -> None:
    """Take what stands in the record now out of the journal."""
    done = {entry["when"] for entry in written}
    with folder.lock:
        left = [entry for entry in journal_of(folder) if entry["when"] not in done]
        folder.write_json(JOURNAL_NAME, left)
