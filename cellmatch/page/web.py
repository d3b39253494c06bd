"""From a request to an answer: what every route shares.

A route is a plain function that takes an :class:`Ask` and returns a response; it runs in a thread of its
own, so that a long one holds up nobody. Errors made on purpose become a message on a page of the same look.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import import_module
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import jinja2
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from cellmatch.errors import CellmatchError, Problem
from cellmatch.output import look
from cellmatch.page.jobs import Job, JobFolder, Jobs
from cellmatch.page.security import Door, Keys
from cellmatch.page.words import unit_words, without_options

if TYPE_CHECKING:
    from cellmatch.page.desk import Desk
    from cellmatch.page.plans import Press
    from cellmatch.page.searches import Searches

MOST_FIELDS, MOST_FILES = 400, 20
SMALL_BYTES, UPLOAD_BYTES = 300_000, 25_000_000
UPLOADS = ("/upload", "/open")
"""Ends of the paths that take files."""

TO_SAID = {"hx-retarget": "#said", "hx-reswap": "innerHTML"}
"""Where a message goes that comes in place of a part of a page."""

STEPS: tuple[tuple[str, str], ...] = (
    ("job", "Job"),
    ("readings", "Readings"),
    ("screening", "Screening"),
    ("groups", "Groups"),
    ("map", "Pack map"),
    ("prediction", "Prediction"),
    ("build", "Build"),
    ("papers", "Papers"),
)
"""The steps in the order of the job: path and name."""


def most_bytes(path: str) -> int:
    """Return the longest body a path takes."""
    return UPLOAD_BYTES if path.endswith(UPLOADS) else SMALL_BYTES


@dataclass(kw_only=True, slots=True)
class Site:
    """What one running server holds: its jobs, its secrets, its child processes."""

    jobs: Jobs
    keys: Keys
    doors: tuple[Door, ...]
    desk: Desk
    searches: Searches
    press: Press


@dataclass(frozen=True, kw_only=True, slots=True)
class Ask:
    """One request, read.

    Parameters
    ----------
    request : Request
    site : Site
    folder : JobFolder or None
        The job it is about.
    fields : mapping of name to texts
        Of a form, in the order in which they stood.
    files : tuple of (name, bytes)
        Uploaded.
    """

    request: Request
    site: Site
    folder: JobFolder | None = None
    fields: Mapping[str, Sequence[str]] = field(default_factory=dict)
    files: tuple[tuple[str, bytes], ...] = ()

    @property
    def job_folder(self) -> JobFolder:
        """The job, where the route names one."""
        if self.folder is None:
            raise LookupError("this route names no job")
        return self.folder

    @property
    def live(self) -> bool:
        """A part of a page is asked for, not a whole one."""
        return self.request.headers.get("hx-request") == "true"

    @property
    def at_bench(self) -> bool:
        """It came from a paired phone."""
        host, port = self.request.scope.get("server") or ("", 0)
        return any(door.bench and (door.host, door.port) == (host, port) for door in self.site.doors)

    def text(self, name: str) -> str:
        """Return a field of the form, empty where it wasn't sent."""
        values = self.fields.get(name, ())
        return values[0].strip() if values else ""

    def query(self, name: str) -> str:
        """Return a parameter of the address."""
        return self.request.query_params.get(name, "")

    def whole(self, name: str, least: int = 1) -> int:
        """Return a whole number of the address, at least `least`."""
        text = self.query(name)
        return max(least, int(text)) if text.isdecimal() and len(text) < 10 else least


Work = Callable[[Ask], Response]


def route(name: str) -> Callable[[Request], Any]:
    """Return the endpoint that runs ``module.function`` of this folder.

    The module is imported when it is first asked for, so that the first page doesn't wait for pandas.
    """
    module, function = name.split(".")

    async def endpoint(request: Request) -> Response:
        site: Site = request.app.state.site
        folder = None
        if "job" in request.path_params:
            folder = await run_in_threadpool(site.jobs.get, request.path_params["job"])
            if folder is None:
                return message_page("There is no such job", [Problem("", "choose one from the list of jobs")], 404)
        try:
            fields, files = await _form(request) if request.method == "POST" else ({}, ())
        except ClientDisconnect:  # the browser went on before it had sent all: nothing was asked
            return Response(status_code=400)
        ask = Ask(request=request, site=site, folder=folder, fields=fields, files=files)
        return await run_in_threadpool(_answered, module, function, ask)

    return endpoint


def _answered(module: str, function: str, ask: Ask) -> Response:
    work: Work = getattr(import_module(f"cellmatch.page.{module}"), function)
    try:
        return work(ask)
    except CellmatchError as error:
        if ask.live:
            return HTMLResponse(rendered("message.html", problems=error.problems), headers=TO_SAID)
        return message_page("This can't be done as it is", error.problems, 422)


async def _form(request: Request) -> tuple[dict[str, list[str]], tuple[tuple[str, bytes], ...]]:
    fields: dict[str, list[str]] = {}
    files: list[tuple[str, bytes]] = []
    async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS) as form:
        for name, value in form.multi_items():
            if isinstance(value, UploadFile):
                if value.filename:
                    files.append((value.filename, await value.read()))
            else:
                fields.setdefault(name, []).append(value)
    return fields, tuple(files)


@lru_cache(maxsize=1)
def templates() -> jinja2.Environment:
    """Return the templates of the page, and behind them those of the papers; all that is put in is escaped."""
    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader("cellmatch.page"), jinja2.PackageLoader("cellmatch.output")]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        number=look.number,
        signs=look.SIGNS,
        nothing=look.NOTHING,
        verdict_class=look.VERDICT_CLASS,
        steps=STEPS,
        job_path=job_path,
    )
    environment.filters["plainly"] = without_options
    environment.filters["unit_words"] = unit_words
    return environment


def rendered(template: str, **values: Any) -> str:
    """Return a template with its values put in."""
    return templates().get_template(template).render(**values)


def job_path(folder: JobFolder, *parts: str) -> str:
    """Return the permanent address of a step of a job."""
    return "/" + "/".join(quote(part, safe="") for part in ("job", folder.name, *parts))


def step_page(ask: Ask, step: str, job: Job, *, status: int = 200, **values: Any) -> Response:
    """Return the page of a step."""
    names = [name for name, _ in STEPS]
    at = names.index(step)
    html = rendered(
        f"{step}.html",
        folder=ask.job_folder,
        job=job,
        step=step,
        number_of_step=at + 1,
        back=STEPS[at - 1] if at else None,
        onward=STEPS[at + 1] if at + 1 < len(STEPS) else None,
        at_bench=ask.at_bench,
        single=ask.site.jobs.single,
        **values,
    )
    return HTMLResponse(html, status_code=status)


def part(template: str, **values: Any) -> Response:
    """Return a part of a page."""
    return HTMLResponse(rendered(template, **values))


def to_step(folder: JobFolder, step: str, anchor: str = "") -> Response:
    """Send the browser to a step, after a change."""
    return RedirectResponse(job_path(folder, step) + (f"#{anchor}" if anchor else ""), status_code=303)


def message_page(title: str, problems: Sequence[Problem], status: int) -> Response:
    """Return a page that says what is wrong and what would be right."""
    return HTMLResponse(rendered("trouble.html", title=title, problems=problems), status_code=status)
