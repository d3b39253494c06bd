"""Short questions about a plan, answered by one child process that stays."""

from __future__ import annotations

import threading
from typing import Any

from cellmatch.errors import JobError, Problem
from cellmatch.page.child import Child, ChildDied

LONGEST_S = 120.0
"""[s] A question that takes longer is given up, and the process with it."""


class Desk:
    """The child that answers questions, started when it is first needed and again after it died.

    Parameters
    ----------
    child : Child, optional
        One that is there already.
    """

    def __init__(self, child: Child | None = None) -> None:
        self._child = child
        self._lock = threading.Lock()

    def warm_up(self) -> None:
        """Start the process, so that the first question doesn't wait for it."""
        with self._lock:
            self._ready()

    def ask(self, task: str, **arguments: Any) -> Any:
        """Ask for a task of :data:`cellmatch.page.work.TASKS`, and wait for the answer.

        Raises
        ------
        JobError
            What the task raised on purpose; or the process died.
        """
        with self._lock:
            child = self._ready()
            try:
                child.start(task, **arguments)
                kind, value = self._answer(child)
            except ChildDied:
                self._child = None
                raise
        if kind == "failed":
            raise JobError(Problem(where, what) for where, what in value)
        return value

    def close(self) -> None:
        """End the process."""
        with self._lock:
            if self._child is not None:
                self._child.end()
                self._child = None

    def _ready(self) -> Child:
        if self._child is None or not self._child.alive:
            self._child = Child()
        return self._child

    def _answer(self, child: Child) -> tuple[str, Any]:
        while True:
            message = child.listen(LONGEST_S)
            if message is None:
                child.end()
                raise ChildDied(None)
            if message[0] in ("done", "failed"):
                return message
