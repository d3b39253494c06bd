"""Many trays: one plan each, in parallel, and one summary of them all.

The trays are shared out through joblib, so whatever backend is active takes the work: processes on this machine
by default, or a cluster (``joblib.parallel_config``). Every worker reads its tray's file and writes its result
folder itself, so on a cluster all machines must see the same folders.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import joblib

from cellmatch.errors import CellmatchError
from cellmatch.output.folder import PAPERS, check_writable, write_plan, write_whole
from cellmatch.output.tables import csv_bytes
from cellmatch.pack.trays import SUMMARY_NAME, TrayJob

SECONDS_EACH = 0.1
"""Longest search of one tray of many, in seconds."""
TABLES = tuple(name for name in PAPERS if name.endswith(".csv"))
"""Papers that are written for each of many trays; the others on request."""
FAILED = "failed"
INTERRUPTED = "interrupted before it was planned"


@dataclass(frozen=True, kw_only=True, slots=True)
class TrayResult:
    """One row of the summary; empty where the tray failed.

    Parameters
    ----------
    name, file, pack : str
        As in the list.
    verdict : str
        go, level first, stop, or failed.
    used, spare, reject : int or None
        Cells.
    capacity_mah, spread_mah, floor_mah : float or None
        [mAh] Weakest group; largest minus smallest group; what the tester can tell apart.
    proven : bool or None
        Of the spread.
    energy_wh : float or None
        [Wh]
    ended_by : str
        Why the search ended.
    problem : str
        What went wrong.
    """

    name: str
    file: str
    pack: str
    verdict: str
    used: int | None = None
    spare: int | None = None
    reject: int | None = None
    capacity_mah: float | None = None
    spread_mah: float | None = None
    floor_mah: float | None = None
    proven: bool | None = None
    energy_wh: float | None = None
    ended_by: str = ""
    problem: str = ""


def plan_trays(
    trays: Sequence[TrayJob],
    out: str | Path,
    *,
    workers: int | None = None,
    reports: bool = False,
    new_plan: bool = False,
    reading: Mapping[str, Any] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[TrayResult, ...]:
    """Plan many trays, one result folder each, and write the summary.

    Parameters
    ----------
    trays : sequence of TrayJob
        From :func:`cellmatch.pack.trays.read_trays`.
    out : path
        Folder for the result folders and ``summary.csv``.
    workers : int, optional
        How many at a time; None: all that the machine or the active joblib backend has.
    reports : bool
        Write report and picture too, not only the record and the tables.
    new_plan : bool
        As in :func:`cellmatch.write_plan`.
    reading : mapping, optional
        Arguments of :func:`cellmatch.read_cells`.
    progress : callable, optional
        Called with the trays done and those of them that failed.

    Returns
    -------
    tuple of TrayResult
        In the order of `trays`. A tray that fails is a row, not the end; so is one that Ctrl-C came before.

    Raises
    ------
    FolderNotWritable
        Nothing can be written to `out`.
    """
    # a worker started by an earlier call may stand in another folder
    folder = Path(out).absolute()
    check_writable(folder)
    folder.mkdir(parents=True, exist_ok=True)
    task = joblib.delayed(plan_tray)
    papers = tuple(PAPERS) if reports else TABLES
    found = (replace(tray, file=tray.file.absolute()) for tray in trays)
    work = (task(tray, folder / tray.name, papers, new_plan, dict(reading or {})) for tray in found)
    # -1 asks for every worker there is, also of a cluster
    share_out = joblib.Parallel(n_jobs=-1 if workers is None else workers, return_as="generator")
    results = tuple(_gathered(share_out(work), trays, progress))
    results = tuple(replace(result, file=str(tray.file)) for result, tray in zip(results, trays, strict=True))
    write_whole(folder / SUMMARY_NAME, summary_csv(results))
    return results


def plan_tray(
    tray: TrayJob, folder: Path, papers: Sequence[str], new_plan: bool, reading: Mapping[str, Any]
) -> TrayResult:
    """Plan one tray and write its folder; whatever goes wrong becomes its row.

    Parameters
    ----------
    tray : TrayJob
    folder : Path
    papers : sequence of str
        Which of :data:`cellmatch.output.folder.PAPERS`.
    new_plan : bool
    reading : mapping
        Arguments of :func:`cellmatch.read_cells`.

    Returns
    -------
    TrayResult
    """
    from cellmatch.cells.reading.files import read_cells
    from cellmatch.plan import plan_pack
    from cellmatch.prediction.asked import case_of

    job = tray.job
    try:
        plan = plan_pack(
            read_cells(tray.file, **reading),
            job.pack,
            limits=job.limits,
            chemistry=job.chemistry,
            accept=job.accept,
            holder=job.holder,
            case=case_of(job),
            heat_placement=job.heat_placement,
            **job.search,
            seconds=SECONDS_EACH if job.seconds is None else job.seconds,
        )
        write_plan(plan, folder, new_plan=new_plan, papers=papers)
    except CellmatchError as error:
        return _failed(tray, "; ".join(str(problem) for problem in error.problems))
    except Exception as error:  # one tray's fault of this program must not cost the others
        return _failed(tray, f"fault of this program: {type(error).__name__}: {error}")
    counts = plan.cells["status"].value_counts()
    return TrayResult(
        name=tray.name,
        file=str(tray.file),
        pack=str(job.pack),
        verdict=plan.verdict,
        used=int(counts.get("used", 0)),
        spare=int(counts.get("spare", 0)),
        reject=int(counts.get("reject", 0)),
        capacity_mah=plan.prediction.capacity_mah,
        spread_mah=plan.grouping.spread_mah,
        floor_mah=plan.grouping.floor_mah,
        proven=plan.grouping.proven,
        energy_wh=plan.prediction.energy_wh,
        ended_by=plan.grouping.ended_by,
    )


def summary_csv(results: Iterable[TrayResult]) -> bytes:
    """Return the summary as CSV, a row a tray."""
    names = [f.name for f in fields(TrayResult)]
    return csv_bytes(names, ([getattr(result, name) for name in names] for result in results))


def _failed(tray: TrayJob, problem: str) -> TrayResult:
    return TrayResult(name=tray.name, file=str(tray.file), pack=str(tray.job.pack), verdict=FAILED, problem=problem)


def _gathered(
    coming: Iterable[TrayResult], trays: Sequence[TrayJob], progress: Callable[[int, int], None] | None
) -> list[TrayResult]:
    results: list[TrayResult] = []
    failed = 0
    try:
        for result in coming:
            results.append(result)
            failed += result.verdict == FAILED
            if progress is not None:
                progress(len(results), failed)
    except KeyboardInterrupt:
        results += [_failed(tray, INTERRUPTED) for tray in trays[len(results) :]]
    return results
