"""The searches that run: one child process each, its best so far, and how it ended."""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

from cellmatch.errors import CellmatchError, JobError, Problem
from cellmatch.page.child import ENDING, ENDING_S, STOP_GRACE_S, WRITING, Child, ChildDied
from cellmatch.page.desk import Desk
from cellmatch.page.jobs import Job, JobFolder, now
from cellmatch.page.plans import Press

POLL_S = 0.1
MOST_SEARCHES = 2
"""At once; each takes a processor."""
HEARD = (ENDING, WRITING)
"""Stages of a child that has heard the stop, or has ended its search anyway: it is left to write."""


@dataclass(slots=True)
class Search:
    """One search and where it stands.

    Parameters
    ----------
    folder : JobFolder
    child : Child
    began : float or None
        [s] Monotonic; when it was first heard how good the best is: importing the solver is no searching.
    seconds : float
        [s] It may take.
    stage : str
        What it does now; ``starting`` until it is heard of.
    spread_mah, bound_mah, floor_mah : float or None
        [mAh] Best so far; None until it is heard of.
    steps : list of (float, float)
        [s], [mAh] When the best became what.
    ended : str
        Empty while it runs; ``done``, ``failed``, ``stopped`` (ended without an answer after a stop) or ``died``.
    problems : tuple of Problem
    stop_asked : float or None
        [s] When.
    """

    folder: JobFolder
    child: Child
    seconds: float
    began: float | None = None
    stage: str = "starting"
    spread_mah: float | None = None
    bound_mah: float | None = None
    floor_mah: float | None = None
    steps: list[tuple[float, float]] = field(default_factory=list)
    ended: str = ""
    problems: tuple[Problem, ...] = ()
    stop_asked: float | None = None
    lasted: float = 0.0

    @property
    def age_s(self) -> float:
        """How long it has run [s]."""
        return 0.0 if self.began is None else self.lasted or time.monotonic() - self.began

    def hear(self, value: dict[str, Any]) -> None:
        """Take in what the child told."""
        self.stage = value["stage"]
        if value.get("spread_mah") is not None:
            self.spread_mah, self.bound_mah = value["spread_mah"], value["bound_mah"]
            self.floor_mah = value["floor_mah"]
            now_s = time.monotonic()
            self.began = now_s if self.began is None else self.began
            if not self.steps or self.steps[-1][1] != self.spread_mah:
                self.steps.append((now_s - self.began, value["spread_mah"]))


def _ended(job: Job) -> Job:
    return replace(job, searching=None)


def _lifted(job: Job) -> Job:
    """Other cells sit in the places now: no lock holds any more."""
    after = replace(job, searching=None, pins={}).told("plan found")
    return after.told("locks lifted: the places hold other cells") if job.pins else after


class Searches:
    """All searches of this server, at most one a job.

    Parameters
    ----------
    press : Press
        Takes a search's process over, once it has found a plan, and has it write the papers.
    """

    def __init__(self, press: Press) -> None:
        self._press = press
        self._by_job: dict[str, Search] = {}
        self._lock = threading.Lock()

    def of(self, folder: JobFolder) -> Search | None:
        """Return the running or last search of a job since the server started."""
        return self._by_job.get(str(folder.path))

    def running(self, folder: JobFolder) -> Search | None:
        """Return the search of a job while it runs."""
        search = self.of(folder)
        return search if search is not None and not search.ended else None

    def start(self, folder: JobFolder, seconds: float) -> Search:
        """Start a search; where one runs for this job, return that one.

        Raises
        ------
        JobError
            Too many run.
        """
        with self._lock:
            if (search := self.running(folder)) is not None:
                return search
            if sum(not s.ended for s in self._by_job.values()) >= MOST_SEARCHES:
                words = f"{MOST_SEARCHES} searches run already; wait for one to end, or stop it"
                raise JobError(Problem("groups", words))
            search = Search(folder=folder, child=Child(), seconds=seconds)
            self._by_job[str(folder.path)] = search
        folder.change(lambda job: replace(job, searching=now()))
        threading.Thread(target=self._follow, args=(search,), daemon=True).start()
        return search

    def stop(self, folder: JobFolder) -> None:
        """Ask the search of a job to end with its best."""
        search = self.running(folder)
        if search is not None and search.stop_asked is None:
            search.stop_asked = time.monotonic()
            search.child.ask_to_stop()

    def close(self) -> None:
        """End every search."""
        for search in tuple(self._by_job.values()):
            if not search.ended:
                search.child.end()

    def _follow(self, search: Search) -> None:
        ended = "died"
        problems: tuple[Problem, ...] = ()
        try:
            search.child.start("find_plan", folder=str(search.folder.path))
            ended, problems = self._until_end(search)
        except ChildDied as error:
            ended, problems = ("stopped" if search.stop_asked is not None else "died"), error.problems
        finally:
            search.lasted = search.age_s
            search.problems = problems
            with suppress(CellmatchError):  # the folder may have gone
                search.folder.change(_lifted if ended == "done" else _ended)
            if ended == "done":
                self._press.claim(search.folder)
                # everything is imported there already
                threading.Thread(
                    target=self._press.write, args=(search.folder, Desk(search.child)), daemon=True
                ).start()
            else:
                search.child.end()
            search.ended = ended

    def _until_end(self, search: Search) -> tuple[str, tuple[Problem, ...]]:
        while True:
            message = search.child.listen(POLL_S)
            if message is not None:
                kind, value = message
                if kind == "progress":
                    search.hear(value)
                elif kind == "done":
                    return "done", ()
                elif kind == "failed":
                    return "failed", tuple(Problem(where, what) for where, what in value)
            asked = search.stop_asked
            patience_s = ENDING_S if search.stage in HEARD else STOP_GRACE_S
            if asked is not None and time.monotonic() - asked > patience_s:
                words = "it did not end in time and was ended: nothing of it was kept; what was there before is"
                return "stopped", (Problem("search", words),)
