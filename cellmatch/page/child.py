"""A process of its own for the heavy work, so that the page stays light and outlives whatever happens there.

The child is started anew (spawn), reads tasks from a pipe and answers on it. Its messages are ``(kind,
value)``: ``ready`` once it listens, ``progress`` while a task runs, and ``done`` or ``failed`` at its end. It ends
with the server: when the pipe breaks, however that came about, it goes.
"""

from __future__ import annotations

import _thread
import multiprocessing
import os
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from typing import Any

from cellmatch.errors import CellmatchError, JobError, Problem

STOP_GRACE_S, ENDING_S = 2.0, 20.0
"""[s] Between asking a search to end with what it has and ending its process: where it doesn't answer, and where
it answered and still doesn't end."""
ENDING, WRITING = "ending with the best so far", "writing the record"
"""Stages that a child tells of besides those of its search."""

Message = tuple[str, Any]


class ChildDied(JobError):
    """The process that worked has gone without an answer."""

    def __init__(self, code: int | None) -> None:
        words = f"the process that worked on it ended without an answer (code {code}); what was there before is kept"
        super().__init__(Problem("calculation", words))


class Child:
    """One child process and the pipe to it."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True, name="cellmatch work")
        self._process.start()
        theirs.close()

    @property
    def alive(self) -> bool:
        """The process runs."""
        return self._process.is_alive()

    @property
    def pid(self) -> int:
        """Its number."""
        return self._process.pid or 0

    def start(self, task: str, **arguments: Any) -> None:
        """Hand it a task of :data:`cellmatch.page.work.TASKS`.

        Raises
        ------
        ChildDied
        """
        try:
            self._pipe.send(("task", (task, arguments)))
        except OSError:
            raise ChildDied(self._process.exitcode) from None

    def listen(self, wait_s: float) -> Message | None:
        """Return its next message, None where none came in time.

        Raises
        ------
        ChildDied
        """
        try:
            return self._pipe.recv() if self._pipe.poll(wait_s) else None
        except (EOFError, OSError):
            self._process.join(1.0)
            raise ChildDied(self._process.exitcode) from None

    def ask_to_stop(self) -> None:
        """Ask it to end its task with the best it has."""
        with suppress(OSError):
            self._pipe.send(("stop", None))

    def end(self) -> None:
        """End the process, whatever it does."""
        self._process.terminate()
        self._process.join(STOP_GRACE_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        self._pipe.close()


def _serve(pipe: Connection) -> None:
    """Work off tasks: the child's own loop."""
    # Ctrl-C in the terminal goes to the whole group; the server says when the child ends
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    tasks: queue.Queue[tuple[str, dict[str, Any]]] = queue.Queue()
    reporter = Reporter(pipe)
    threading.Thread(target=_hear, args=(pipe, tasks, reporter), daemon=True).start()
    from cellmatch.page.work import TASKS

    reporter.send("ready", None)
    while True:
        name, arguments = tasks.get()
        try:
            answer: Message = ("done", TASKS[name](reporter, **arguments))
        except CellmatchError as error:
            answer = ("failed", tuple((p.where, p.what) for p in error.problems))
        except Exception:
            # a fault of ours: the terminal gets the whole of it, the page one line
            traceback.print_exc()
            answer = ("failed", (("calculation", "a fault of the program; the terminal shows where"),))
        reporter.send(*answer)


def _hear(pipe: Connection, tasks: queue.Queue[tuple[str, dict[str, Any]]], reporter: Reporter) -> None:
    while True:
        try:
            kind, value = pipe.recv()
        except (EOFError, OSError):
            os._exit(0)  # the server has gone
        if kind == "stop":
            reporter.stop()
        else:
            tasks.put(value)


def _interrupt_main_thread() -> None:
    """Do what Ctrl-C does.

    The signal has to reach the main thread itself: while it is inside the solver, the solver's own handler
    runs, and that one knows its search only there.
    """
    if sys.platform == "win32":
        _thread.interrupt_main()
    else:
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)


class Reporter:
    """What a task is given: a way to tell how it goes, and a part of it that can be stopped.

    Parameters
    ----------
    pipe : Connection
    """

    def __init__(self, pipe: Connection) -> None:
        self._pipe, self._lock = pipe, threading.Lock()
        self._interruptible = False
        self.stopped = False

    def send(self, kind: str, value: Any) -> None:
        """Send one message whole."""
        with self._lock:
            self._pipe.send((kind, value))

    def tell(self, value: Any) -> None:
        """Tell the server how the task goes."""
        self.send("progress", value)

    def stop(self) -> None:
        """End the part that can be stopped, as Ctrl-C does on the command line: the best so far is kept."""
        self.stopped = True
        self.tell({"stage": ENDING})
        if self._interruptible:
            _interrupt_main_thread()

    @contextmanager
    def interruptible(self) -> Iterator[None]:
        """Run a part that knows what to do on Ctrl-C; the server's stop comes as one."""
        signal.signal(signal.SIGINT, signal.default_int_handler)
        self._interruptible = True
        try:
            yield
        finally:
            self._interruptible = False
            signal.signal(signal.SIGINT, signal.SIG_IGN)
