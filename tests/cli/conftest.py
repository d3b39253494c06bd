"""Commands run inside the test process: a process of its own costs seconds of imports for every test."""

from __future__ import annotations

import contextlib
import io
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import pytest

from cellmatch import cli


@dataclass(frozen=True, kw_only=True)
class Finished:
    """What a command left behind."""

    returncode: int
    stdout: str
    stderr: str


class Run(Protocol):
    """Run a command with these arguments, in this folder."""

    def __call__(self, *arguments: str, cwd: Path | None = None) -> Finished: ...


@pytest.fixture(scope="session")
def run() -> Iterator[Run]:
    """Return a function that runs one command to its end; the tests of Ctrl-C start real processes."""

    def run_here(*arguments: str, cwd: Path | None = None) -> Finished:
        out, errors = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors), contextlib.chdir(cwd or Path.cwd()):
            code = cli.run(arguments)
        return Finished(returncode=code, stdout=out.getvalue(), stderr=errors.getvalue())

    answer_to_ctrl_c = signal.getsignal(signal.SIGINT)
    yield run_here
    signal.signal(signal.SIGINT, answer_to_ctrl_c)
