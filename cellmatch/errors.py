"""Everything that can go wrong on purpose, and how a process that met it should end.

::

    CellmatchError
    ├── InputError            exit 2: nothing written, the input has to change
    │   ├── FileUnusable          the file is not there, empty, a log, a pointer …
    │   ├── FileAmbiguous         two readings of the file are possible: a choice is asked for
    │   ├── ArgumentInvalid       an option, a pack text, a number out of its range
    │   └── FolderNotWritable     the result folder can't be written or holds a record to keep
    └── JobError              exit 1: understood, but the job can't be done or must stop
        ├── TooFewCells           fewer good cells than places
        ├── MixedChemistries      cells of two chemistries in one pack
        └── RulesInfeasible       no grouping keeps all rules

Each error carries one or several :class:`Problem`: where, and what was found and would be right.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong.

    Parameters
    ----------
    where : str
        File, line and column, an option, a cell: the place a person has to look at.
    what : str
        What stood there and what would be right.
    """

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}" if self.where else self.what


class CellmatchError(Exception):
    """Base of every error this package raises on purpose.

    Parameters
    ----------
    problems : Problem, str or iterable of Problem
        What went wrong; all of it, so that one run tells everything.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, problems: Problem | str | Iterable[Problem]) -> None:
        if isinstance(problems, str):
            problems = Problem("", problems)
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class InputError(CellmatchError):
    """The input can't be used as it is."""

    exit_code = 2


class FileUnusable(InputError):
    """A file can't be read as what it should be."""


class FileAmbiguous(InputError):
    """A file can be read in more than one way; the message holds the choice to make."""


class ArgumentInvalid(InputError):
    """An argument, option or job key is wrong."""


class FolderNotWritable(InputError):
    """The result folder can't be written, or holds a record that must not be lost."""


class JobError(CellmatchError):
    """The job was understood and can't be done, or must stop."""


class TooFewCells(JobError):
    """Fewer good cells than the pack has places."""


class MixedChemistries(JobError):
    """Cells of more than one chemistry were given for one pack."""


class RulesInfeasible(JobError):
    """No grouping keeps all the rules."""


def nearest_name(name: str, known: Iterable[str]) -> str:
    """Return a sentence that names the nearest known name, or lists what is known.

    Examples
    --------
    >>> nearest_name("nmcc", ["nmc", "lfp"])
    'did you mean nmc? Known: lfp, nmc'
    """
    names = sorted(known)
    close = get_close_matches(name, names, n=1)
    listing = ", ".join(names[:20]) + (" …" if len(names) > 20 else "")
    return f"did you mean {close[0]}? Known: {listing}" if close else f"known: {listing}"
