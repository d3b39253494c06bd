"""Job folders: all that a job is stands in its folder, and nothing of it anywhere else.

::

    jobs folder/
      dock-cart/
        job.json       what was asked for and chosen: pack, files, limits, reasons (:class:`Job`)
        tester/        the tester's files, byte for byte as they were given
        plan.json, report.html …   the record and its papers
        search.json    how the search for it went, and what it was asked
        swaps.json     what was swapped on the map and is not in the record yet
        view.json      record and swaps, worked out for the page
        bench.json     readings, ticks and reasons at the bench

Every file is written whole beside its place, brought to disk and renamed: whatever dies in between leaves
the file of before. A job is named by its folder's name, taken from the list of what is there: no path comes
from a page.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cellmatch.errors import ArgumentInvalid, FileUnusable, FolderNotWritable, Problem
from cellmatch.page.file_names import LONGEST_NAME, free_name, plain_name, safe_name
from cellmatch.plain import from_plain, to_plain

JOB_NAME, RECORD_NAME, TESTER_FOLDER = "job.json", "plan.json", "tester"
FORMAT, FORMAT_VERSION = "cellmatch job", 1


@dataclass(frozen=True, kw_only=True, slots=True)
class TesterFile:
    """One file of the tester.

    Parameters
    ----------
    name : str
        Under which it lies in the job folder, and by which messages call it.
    sha256 : str
    size : int
        [bytes]
    sheet : str
        Of a workbook with several; empty: the one that is understood.
    """

    name: str
    sha256: str
    size: int
    sheet: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Edit:
    """A reading that was put in by hand in place of the tester's.

    Parameters
    ----------
    cell : str
    column : str
        Our column.
    value : float
        In its unit.
    reason : str
    at : str
        UTC.
    """

    cell: str
    column: str
    value: float
    reason: str
    at: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """A line of the diary: what was decided, when."""

    at: str
    what: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """What was asked for and chosen.

    Parameters
    ----------
    title : str
    created_at : str
        UTC.
    pack : str or None
        Like ``10s3p``.
    chemistry : str or None
        None: assumed, and said.
    limits : mapping of limit to value
        What differs from the defaults.
    holder : mapping
        ``shape`` as it is typed, ``cell_size``, ``pitch_mm``, ``link_type``.
    load : mapping of ``current_a``, ``peak_a``, ``power_w`` to value
    files : tuple of TesterFile
    columns, units : mapping of our column to heading or number, and to unit
    decimal, encoding : str or None
    repeats : str
    edits : tuple of Edit
    excluded : mapping of cell to reason
        Cells kept out by hand.
    accept : mapping of cell to reason
        Rejects let in.
    aims : tuple of str
        Empty: as the spare cells allow.
    rules : tuple of str
        What every group must keep.
    seconds : float
        [s] Longest search.
    kept : mapping of table to mapping of key to value
        What a job file or a record said that the page has no field for, as in a job file.
    not_kept : tuple of str
        What it said that can't be kept, in words.
    pins : mapping of cell to position
        Locked on the map.
    searching : str or None
        When a search was begun that hasn't ended.
    diary : tuple of Entry
        Oldest first; nothing is ever taken out.
    """

    title: str
    created_at: str
    pack: str | None = None
    chemistry: str | None = None
    limits: Mapping[str, Any] = field(default_factory=dict)
    holder: Mapping[str, Any] = field(default_factory=dict)
    load: Mapping[str, float] = field(default_factory=dict)
    files: tuple[TesterFile, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    decimal: str | None = None
    encoding: str | None = None
    repeats: str = "median"
    edits: tuple[Edit, ...] = ()
    excluded: Mapping[str, str] = field(default_factory=dict)
    accept: Mapping[str, str] = field(default_factory=dict)
    aims: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    seconds: float = 3.0
    kept: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    not_kept: tuple[str, ...] = ()
    pins: Mapping[str, int] = field(default_factory=dict)
    searching: str | None = None
    diary: tuple[Entry, ...] = ()

    def told(self, what: str) -> Job:
        """Return the job with one more line in its diary."""
        return replace(self, diary=(*self.diary, Entry(at=now(), what=what)))


def inputs_of(job: Job) -> str:
    """Return what changes when a job asks for another plan.

    Examples
    --------
    >>> job = Job(title="a", created_at="")
    >>> inputs_of(job) == inputs_of(replace(job, title="b")), inputs_of(job) == inputs_of(replace(job, pack="2s2p"))
    (True, False)
    """
    plain = to_plain(job)
    for name in ("title", "created_at", "seconds", "pins", "searching", "diary", "not_kept"):
        plain.pop(name)
    # a job that says nothing by these keys gives what it gave before there were any: its plan isn't out of date
    plain = {"seed": 0, **{name: value for name, value in plain.items() if value or name not in ("rules", "kept")}}
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()


def now() -> str:
    """Return this moment: UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class JobFolder:
    """One job on disk.

    Parameters
    ----------
    path : Path

    Attributes
    ----------
    lock : RLock
        Held while what depends on the state of the job is changed.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lock = threading.RLock()

    @property
    def name(self) -> str:
        """What the page calls it."""
        return self.path.name

    def read(self) -> Job:
        """Return the job as it stands on disk.

        Raises
        ------
        FileUnusable
            The file is there and is damaged.
        """
        data = self.read_json(JOB_NAME)
        if data is None:
            return self._from_record()
        try:
            if data["format"] != FORMAT or data["version"] > FORMAT_VERSION:
                raise FileUnusable(
                    Problem(JOB_NAME, f"was written by another tool or a newer version: {data['format']}")
                )
            job: Job = from_plain(Job, data["job"])
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise FileUnusable(
                Problem(JOB_NAME, f"is damaged near {error}; the tester's files lie beside it")
            ) from error
        return job

    def _from_record(self) -> Job:
        """Return the job of a folder that the command line wrote: what its record tells."""
        from cellmatch.page.job_file import recorded  # which itself speaks of jobs

        try:
            return Job(title=self.name, created_at=now(), **recorded(self.read_json(RECORD_NAME)))
        except (KeyError, TypeError, ValueError, AttributeError, ArgumentInvalid):
            return Job(title=self.name, created_at=now())

    def change(self, how: Callable[[Job], Job]) -> Job:
        """Read the job, change it, and write it: two tabs can't lose each other's change."""
        with self.lock:
            before = self.read()
            after = how(before)
            if after != before or not (self.path / JOB_NAME).exists():
                self.write_json(JOB_NAME, {"format": FORMAT, "version": FORMAT_VERSION, "job": to_plain(after)})
            return after

    def read_json(self, name: str) -> Any:
        """Return what a file of this folder holds; None where it isn't there.

        Raises
        ------
        FileUnusable
            It is there and is no JSON.
        """
        try:
            return json.loads((self.path / name).read_bytes())
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise FileUnusable(Problem(f"{self.name}/{name}", f"can't be read: {error}")) from error

    def write_json(self, name: str, data: Any) -> None:
        """Write plain values whole or not at all; what a person may want to read on lines of its own."""
        indent = 1 if name == JOB_NAME else None
        write_whole(self.path / name, json.dumps(data, ensure_ascii=False, allow_nan=False, indent=indent).encode())

    def stamp(self, name: str) -> tuple[int, int]:
        """Return what changes when a file of this folder is written anew, and not when the folder is copied."""
        try:
            status = (self.path / name).stat()
        except OSError:
            return 0, 0
        return status.st_mtime_ns, status.st_size

    def tester_path(self, file: TesterFile) -> Path:
        """Return where a tester's file lies."""
        return self.path / TESTER_FOLDER / file.name

    def keep_file(self, name: str, content: bytes, sha256: str) -> TesterFile:
        """Keep a tester's file under a safe form of its own name."""
        folder = self.path / TESTER_FOLDER
        with self.lock:
            taken = {p.name.lower() for p in folder.iterdir()} if folder.is_dir() else set()
            kept = free_name(safe_name(name), taken)
            write_whole(folder / kept, content)
        return TesterFile(name=kept, sha256=sha256, size=len(content))

    def drop_file(self, name: str) -> None:
        """Delete a tester's file that the job holds."""
        for file in self.read().files:
            if file.name == name:
                self.tester_path(file).unlink(missing_ok=True)


class Jobs:
    """All jobs of one folder.

    Parameters
    ----------
    root : Path
        Folder of job folders; or one job folder, which then is the only job.
    """

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()
        self.single = any((self.root / name).is_file() for name in (JOB_NAME, RECORD_NAME))
        self._open: dict[str, JobFolder] = {}
        self._lock = threading.Lock()

    def all(self) -> Iterator[JobFolder]:
        """Yield the jobs that are there, by name."""
        if self.single:
            yield self._folder(self.root)
        elif self.root.is_dir():
            for path in sorted(self.root.iterdir()):
                if not path.name.startswith(".") and any((path / n).is_file() for n in (JOB_NAME, RECORD_NAME)):
                    yield self._folder(path)

    def get(self, name: str) -> JobFolder | None:
        """Return the job of that name, None where there is none."""
        return next((folder for folder in self.all() if folder.name == name), None)

    def new(self, title: str) -> JobFolder:
        """Make a job.

        Raises
        ------
        FolderNotWritable
            The folder can't be written, or is one job itself.
        """
        if self.single:
            raise FolderNotWritable(
                Problem(str(self.root), "is one job's own folder; start the page on another folder")
            )
        stem = plain_name(title.lower()).strip("-._")[:LONGEST_NAME] or "job"
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            name = free_name(stem, {p.name.lower() for p in self.root.iterdir()})
            (self.root / name).mkdir()
        except OSError as error:
            raise FolderNotWritable(Problem(str(self.root), f"can't be written ({error.strerror})")) from error
        folder = self._folder(self.root / name)
        folder.change(lambda job: replace(job, title=title.strip() or name).told("job begun"))
        return folder

    def _folder(self, path: Path) -> JobFolder:
        with self._lock:
            return self._open.setdefault(str(path), JobFolder(path))


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, and bring it to disk.

    Raises
    ------
    FolderNotWritable
        It can't be written.
    """
    beside = path.with_name(f".{path.name}.{threading.get_ident()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with beside.open("wb") as out:
                out.write(content)
                out.flush()
                os.fsync(out.fileno())
            beside.replace(path)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
    except OSError as error:
        raise FolderNotWritable(Problem(path.name, f"can't be written ({error.strerror or error})")) from error
