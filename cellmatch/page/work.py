"""What the child processes do: everything that needs the solver, the circuit or the drawing libraries."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cellmatch.cells.readings import BenchReading
from cellmatch.errors import ArgumentInvalid, JobError, Problem, RulesInfeasible
from cellmatch.grouping.result import STOPPED
from cellmatch.output.record import RECORD_NAME, read_plan
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.job import job_toml
from cellmatch.pack.limits import Limits
from cellmatch.pack.needs import CellData, Needs
from cellmatch.pack.sizing import size_pack
from cellmatch.pack.spec import Pack
from cellmatch.page.arranging import pending, swapped
from cellmatch.page.child import WRITING, Reporter
from cellmatch.page.job_file import holder_of, loaded, recorded, request_of
from cellmatch.page.jobs import Job, JobFolder, inputs_of, write_whole
from cellmatch.page.plans import SEARCH_NAME, VIEW_NAME, journal_of, view_key
from cellmatch.page.tray import tray_of
from cellmatch.page.views import load_view, view_of
from cellmatch.plain import to_plain
from cellmatch.plan import Plan, plan_pack
from cellmatch.prediction.asked import case_of
from cellmatch.prediction.load import LoadPrediction, predict_load
from cellmatch.tray import tray_standards

Journal = Sequence[Mapping[str, Any]]
JOB_FILE = "pack.toml"


def find_plan(report: Reporter, *, folder: str) -> None:
    """Search the groups of a job, and write the record; the papers follow later."""
    here = JobFolder(Path(folder))
    job = here.read()
    report.tell({"stage": "reading the cells"})
    tray = tray_of(here, job)
    if tray.cells is None or job.pack is None:
        raise JobError(tray.problems or Problem("job", "the pack and the readings come first"))
    asked = request_of(job)

    def progress(spread_mah: float, bound_mah: float, floor_mah: float, stage: str) -> None:
        report.tell({"stage": stage, "spread_mah": spread_mah, "bound_mah": bound_mah, "floor_mah": floor_mah})

    try:
        with report.interruptible():
            plan = plan_pack(
                tray.cells,
                asked.pack,
                limits=asked.limits,
                chemistry=asked.chemistry,
                accept={cell: why for cell, why in asked.accept.items() if cell in tray.cells.index},
                holder=asked.holder,
                case=case_of(asked),
                heat_placement=asked.heat_placement,
                **asked.search,
                seconds=job.seconds,
                progress=progress,
            )
    except KeyboardInterrupt:
        raise JobError(Problem("search", "it was stopped when it had ended: find groups again")) from None
    except RulesInfeasible as error:
        # a cell or a group that two rules want: the page tells it beside the rules
        told = (p if p.where.startswith("rule") else Problem(f"rules, {p.where}", p.what) for p in error.problems)
        raise RulesInfeasible(told) from None
    report.tell({"stage": WRITING})
    if report.stopped and plan.grouping.more_may_help:
        plan = replace(plan, grouping=replace(plan.grouping, ended_by=STOPPED))
    from cellmatch.output.folder import write_plan

    steps = [(float(s), float(mah)) for s, mah in plan.grouping.history]
    steps.append((plan.grouping.seconds, plan.grouping.spread_mah))
    write_plan(plan, here.path, new_plan=True, papers=())
    write_whole(here.path / JOB_FILE, job_toml(asked).encode())
    here.write_json(SEARCH_NAME, {"of": plan.created_at, "inputs": inputs_of(job), "steps": steps})
    here.write_json(VIEW_NAME, {"key": view_key(here, journal_of(here)), "view": view_of(plan)})


def check_job(report: Reporter, *, job: Job) -> None:
    """Raise what is wrong with a job's pack, its holder, its load and what it kept of a job file."""
    holder_of(job.holder)  # what has a field is told in the words of a field
    loaded(job.load)
    asked = request_of(job)
    asked.holder.lay_out(asked.pack)


def settle(report: Reporter, *, folder: str, job: Job) -> tuple[Limits, str]:
    """Return the limits that the cells of a job are held against, and where its joining window comes from."""
    tray = tray_of(JobFolder(Path(folder)), job)
    if tray.cells is None:
        raise JobError(tray.problems or Problem("readings", "they come first"))
    pack = Pack.parse(job.pack) if job.pack else None
    by = tray_standards(tray.cells, pack, limits=Limits(**job.limits), chemistry=job.chemistry)
    return by.screening_limits, by.window_words


def size(report: Reporter, *, needs: Mapping[str, float], cell: Mapping[str, float], chemistry: str) -> dict[str, Any]:
    """Return the packs that fit a load, as plain values."""
    data = CellData(
        capacity_mah=cell["capacity_mah"], current_a=cell.get("cell_current_a"), ir_mohm=cell.get("ir_mohm")
    )
    found = size_pack(Needs(**needs), data, load_chemistry(chemistry))
    names = ("nominal_v", "capacity_ah", "energy_wh", "current_per_cell_a", "limited_by", "short")
    return {
        "sizes": [
            {
                "pack": str(s.pack),
                "series": s.pack.series,
                "parallel": s.pack.parallel,
                **{n: getattr(s, n) for n in names},
            }
            for s in found.sizes
        ],
        "assumptions": found.assumptions,
    }


def take_over(report: Reporter, *, folder: str) -> dict[str, Any]:
    """Read a record that lies in a folder and return what its plan was asked for."""
    read_plan(Path(folder))  # raises what is wrong with it
    return recorded(JobFolder(Path(folder)).read_json(RECORD_NAME))


def view(report: Reporter, *, folder: str, journal: Journal) -> dict[str, Any]:
    """Return the plan of a folder, with its swaps, worked out for the page."""
    return view_of(_DESK_PLAN.at(Path(folder), journal))


def papers(report: Reporter, *, folder: str, journal: Journal, pdf: bool) -> None:
    """Bring the swaps into the record, and write the papers; the PDFs, which take longest, where they are asked for."""
    from cellmatch.output.folder import ALL_PAPERS, change_plan, rewrite_papers

    here = Path(folder)

    def with_swaps(plan: Plan) -> Plan:
        for entry in pending(plan, journal):
            plan = swapped(plan, entry, plan.prediction.load.case if plan.prediction.load else None)
        return plan

    if pending(read_plan(here), journal):
        change_plan(here, with_swaps)
    there = {name for name in ALL_PAPERS if (here / name).is_file()}
    wanted = {name for name in ALL_PAPERS if pdf or not name.endswith(".pdf")}
    if not wanted <= there:
        rewrite_papers(here, wanted | there)


def under_load(report: Reporter, *, folder: str, journal: Journal, load: Mapping[str, float]) -> dict[str, Any]:
    """Return what a load does to the plan of a folder."""
    plan = _DESK_PLAN.at(Path(folder), journal)
    case = loaded(load)
    if case is None:
        raise ArgumentInvalid(Problem("load", "a current or a power is needed"))
    found = predict_load(plan.cells, plan.pack, plan.holder, plan.chemistry, plan.limits, case)
    if not isinstance(found, LoadPrediction):
        raise JobError(Problem("load", found))
    return load_view(found, [str(cell) for cell in plan.cells.index])


def findings(report: Reporter, *, folder: str, readings: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return what the readings of a build say, the most dangerous first."""
    from cellmatch.bench.inspection import inspect_pack

    plan = _DESK_PLAN.at(Path(folder), ())
    found = inspect_pack(plan, bench_readings(readings), now=datetime.now(UTC))
    return [{**to_plain(f), "sure": f.sure, "is_fault": f.is_fault} for f in found]


def keep_findings(report: Reporter, *, folder: str, readings: Sequence[Mapping[str, Any]]) -> None:
    """Add readings and findings to the history of the plan."""
    from cellmatch.bench.inspection import inspect_pack
    from cellmatch.output.findings import history_entry
    from cellmatch.output.folder import change_plan

    read = bench_readings(readings)

    def with_findings(plan: Plan) -> Plan:
        now = datetime.now(UTC)
        entry = history_entry(read, inspect_pack(plan, read, now=now), now)
        return replace(plan, history=(*plan.history, entry))

    change_plan(Path(folder), with_findings)


def bench_readings(readings: Sequence[Mapping[str, Any]]) -> list[BenchReading]:
    """Return what was typed at the bench in the terms of inspection."""
    return [
        BenchReading(
            kind=r["kind"],
            target=r["target"],
            value_v=math.nan if r["value_v"] is None else r["value_v"],
            taken_at=None if r["taken_at"] is None else datetime.fromisoformat(r["taken_at"]),
            step=r["step"],
            reason=r["reason"],
        )
        for r in readings
    ]


class _DeskPlan:
    """The plan that was asked about last, with its swaps: the next question is mostly about it too."""

    def __init__(self) -> None:
        self._key: tuple[Any, ...] = ()
        self._applied: list[str] = []
        self._plan: Plan | None = None

    def at(self, folder: Path, journal: Journal) -> Plan:
        """Return the plan of a folder with the swaps of its journal."""
        status = (folder / RECORD_NAME).stat()
        key = (str(folder), status.st_mtime_ns, status.st_size)
        wanted = [entry["when"] for entry in journal]
        if self._plan is None or key != self._key or wanted[: len(self._applied)] != self._applied:
            self._plan, self._key, self._applied = read_plan(folder), key, []
        for entry in pending(self._plan, journal):
            # the load is left out: it takes longer than all the rest, and the record brings it back
            self._plan = swapped(self._plan, entry, None)
        self._applied = wanted
        return self._plan


_DESK_PLAN = _DeskPlan()


TASKS: dict[str, Callable[..., Any]] = {
    task.__name__: task
    for task in (find_plan, check_job, settle, size, take_over, view, papers, under_load, findings, keep_findings)
}
"""Every task a child may be given, by name."""
