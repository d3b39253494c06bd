"""The first page: the jobs that are there, a new one, the sample data, a job file or an older record."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field, replace
from pathlib import PurePath
from typing import Any

from starlette.background import BackgroundTask
from starlette.responses import HTMLResponse, RedirectResponse, Response

from cellmatch.errors import ArgumentInvalid, CellmatchError, FileUnusable, Problem
from cellmatch.output.samples import sample_folder
from cellmatch.pack.spec import Pack
from cellmatch.page import job_file
from cellmatch.page.app import warm_up
from cellmatch.page.jobs import RECORD_NAME, Job, JobFolder, write_whole
from cellmatch.page.web import STEPS, Ask, job_path, rendered, to_step
from cellmatch.plain import from_plain

RECORD_FORMAT = "cellmatch plan"


@dataclass(frozen=True, slots=True)
class Sample:
    """A sample tray and what is to be made of it."""

    title: str
    file: str
    pack: str
    words: str
    limits: dict[str, Any] = field(default_factory=dict)


SAMPLES = {
    "dock_cart": Sample("Dock cart", "dock_cart.csv", "13s4p", "60 new cells for a dock cart, 13s4p: the common case"),
    "launch": Sample(
        "Launch",
        "launch.csv",
        "14s8p",
        "140 salvaged cells for a launch, 14s8p: a messy tray, many rejects",
        {"salvaged": True, "rated_mah": 2600.0},
    ),
    "lanterns": Sample(
        "Lantern bank", "lanterns.csv", "4s6p", "30 new LFP cells, 4s6p: equal voltage that shows no equal charge"
    ),
}


def show(ask: Ask) -> Response:
    """List the jobs."""
    found = [_line(folder) for folder in ask.site.jobs.all()]
    html = rendered("jobs.html", found=found, root=ask.site.jobs.root, samples=SAMPLES, single=ask.site.jobs.single)
    return HTMLResponse(html, background=BackgroundTask(warm_up, ask.site))


def new(ask: Ask) -> Response:
    """Begin a job."""
    title = ask.text("title")
    if not title:
        raise ArgumentInvalid(Problem("name of the job", "give it a name, like: garden tractor"))
    return to_step(ask.site.jobs.new(title[:80]), "job")


def sample(ask: Ask) -> Response:
    """Begin a job with a sample tray, everything set."""
    chosen = SAMPLES.get(ask.request.path_params["name"])
    if chosen is None:
        raise ArgumentInvalid(Problem("sample", f"one of {', '.join(SAMPLES)}"))
    content = (sample_folder() / chosen.file).read_bytes()
    folder = ask.site.jobs.new(chosen.title)
    file = folder.keep_file(chosen.file, content, hashlib.sha256(content).hexdigest())
    folder.change(
        lambda job: replace(job, pack=chosen.pack, limits=chosen.limits, files=(file,)).told(
            f"sample data {chosen.file} taken: invented readings"
        )
    )
    return to_step(folder, "readings")


def from_file(ask: Ask) -> Response:
    """Begin a job from a job file, or from the record of an older job."""
    if not ask.files:
        raise ArgumentInvalid(Problem("file", f"choose the {RECORD_NAME} of a plan, or a job file like pack.toml"))
    name, content = ask.files[0]
    return (_job_file if name.lower().endswith(".toml") else _older_record)(ask, name, content)


def _job_file(ask: Ask, name: str, content: bytes) -> Response:
    said = job_file.opened(name, content)
    folder = ask.site.jobs.new(PurePath(name).stem[:80])
    folder.change(lambda job: replace(job, **said).told(f"opened from the job file {name}"))
    return to_step(folder, "job")


def _older_record(ask: Ask, name: str, content: bytes) -> Response:
    try:
        record = json.loads(content)
        if record["format"] != RECORD_FORMAT:
            raise KeyError("format")
        pack = record["pack"]
        title = f"{from_plain(Pack, pack)} of {str(record['created_at'])[:10]}"
    except (ValueError, KeyError, TypeError, RecursionError, ArgumentInvalid) as error:
        right = f"choose a {RECORD_NAME}, or a job file like pack.toml"
        raise FileUnusable(Problem(name, f"is no record of this tool; {right}")) from error
    folder = ask.site.jobs.new(title)
    write_whole(folder.path / RECORD_NAME, content)
    try:
        told = ask.site.desk.ask("take_over", folder=str(folder.path))
    except CellmatchError:
        # nothing half is left behind
        for path in folder.path.iterdir():
            path.unlink()
        folder.path.rmdir()
        raise
    said = f"opened from the record of {str(record['created_at'])[:16]}"
    folder.change(lambda job: replace(job, **told).told(said))
    return to_step(folder, "groups")


def resume(ask: Ask) -> Response:
    """Go to the step at which a job stands."""
    folder = ask.job_folder
    return RedirectResponse(job_path(folder, standing_at(folder, folder.read())), status_code=303)


def standing_at(folder: JobFolder, job: Job) -> str:
    """Return the step at which a job stands."""
    if (folder.path / "view.json").is_file() or (folder.path / RECORD_NAME).is_file():
        return "build" if (folder.path / "bench.json").is_file() else "map"
    if job.searching:
        return "groups"
    return "job" if not job.pack and not job.files else "readings" if not job.files else "screening"


def _line(folder: JobFolder) -> dict[str, Any]:
    try:
        job = folder.read()
    except CellmatchError as error:
        return {"folder": folder, "title": folder.name, "pack": None, "stands": str(error), "saved": ""}
    step = standing_at(folder, job)
    saved = job.diary[-1].at[:16].replace("T", " ") if job.diary else job.created_at[:16].replace("T", " ")
    return {"folder": folder, "title": job.title, "pack": job.pack, "stands": dict(STEPS)[step], "saved": saved}
