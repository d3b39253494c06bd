"""The routes of the page, and the application behind the gate."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from cellmatch.page.desk import Desk
from cellmatch.page.jobs import Jobs
from cellmatch.page.plans import Press
from cellmatch.page.searches import Searches
from cellmatch.page.security import Door, Gate, Keys
from cellmatch.page.web import Site, message_page, most_bytes, route

ROUTES: tuple[tuple[str, str, str], ...] = (
    ("GET", "/", "opening.show"),
    ("POST", "/new", "opening.new"),
    ("POST", "/sample/{name}", "opening.sample"),
    ("POST", "/open", "opening.from_file"),
    ("GET", "/job/{job}", "opening.resume"),
    ("GET", "/job/{job}/job", "job_step.show"),
    ("POST", "/job/{job}/job", "job_step.save"),
    ("POST", "/job/{job}/job/leave-out", "job_step.leave_out"),
    ("POST", "/job/{job}/job/sizes", "job_step.sizes"),
    ("GET", "/job/{job}/readings", "readings_step.show"),
    ("GET", "/job/{job}/readings/table", "readings_step.table"),
    ("POST", "/job/{job}/readings/upload", "readings_step.upload"),
    ("POST", "/job/{job}/readings/remove", "readings_step.remove"),
    ("POST", "/job/{job}/readings/choices", "readings_step.choices"),
    ("GET", "/job/{job}/readings/cell", "readings_step.cell"),
    ("POST", "/job/{job}/readings/edit", "readings_step.edit"),
    ("POST", "/job/{job}/readings/exclude", "readings_step.exclude"),
    ("GET", "/job/{job}/screening", "screening_step.show"),
    ("GET", "/job/{job}/screening/table", "screening_step.table"),
    ("POST", "/job/{job}/screening/limits", "screening_step.limits"),
    ("POST", "/job/{job}/screening/accept", "screening_step.accept"),
    ("GET", "/job/{job}/groups", "groups_step.show"),
    ("POST", "/job/{job}/groups/find", "groups_step.find"),
    ("POST", "/job/{job}/groups/stop", "groups_step.stop"),
    ("GET", "/job/{job}/groups/progress", "groups_step.progress"),
    ("GET", "/job/{job}/map", "map_step.show"),
    ("GET", "/job/{job}/map/board", "map_step.board"),
    ("GET", "/job/{job}/map/cell", "map_step.cell"),
    ("POST", "/job/{job}/map/swap", "map_step.swap"),
    ("POST", "/job/{job}/map/undo", "map_step.undo"),
    ("POST", "/job/{job}/map/lock", "map_step.lock"),
    ("GET", "/job/{job}/prediction", "prediction_step.show"),
    ("POST", "/job/{job}/prediction/load", "prediction_step.under_load"),
    ("GET", "/job/{job}/build", "build_step.show"),
    ("GET", "/job/{job}/build/findings", "build_step.findings"),
    ("GET", "/job/{job}/build/readings.csv", "build_step.csv_file"),
    ("POST", "/job/{job}/build/record", "build_step.record"),
    ("GET", "/job/{job}/build/{number}", "build_step.step"),
    ("POST", "/job/{job}/build/{number}/read", "build_step.read"),
    ("POST", "/job/{job}/build/{number}/reason", "build_step.reason"),
    ("POST", "/job/{job}/build/{number}/tick", "build_step.tick"),
    ("POST", "/job/{job}/build/{number}/done", "build_step.done"),
    ("GET", "/bench", "build_step.bench_list"),
    ("POST", "/pairing", "build_step.pairing"),
    ("GET", "/job/{job}/papers", "papers_step.show"),
    ("GET", "/job/{job}/papers/list", "papers_step.listing"),
    ("POST", "/job/{job}/papers/pdf", "papers_step.pdfs"),
    ("GET", "/job/{job}/papers/file/{name}", "papers_step.download"),
    ("GET", "/job/{job}/papers/all.zip", "papers_step.everything"),
)
"""Method, path, and the function that answers, as module.function of this folder."""

STATIC = {
    "look.css": ("cellmatch.output", "templates/look.css", "text/css"),
    "page.css": ("cellmatch.page", "static/page.css", "text/css"),
    "page.js": ("cellmatch.page", "static/page.js", "text/javascript"),
    "htmx.min.js": ("cellmatch.page", "static/htmx.min.js", "text/javascript"),
}
"""Every file that is handed out as it lies in the package."""


def make_app(root: Path, doors: tuple[Door, ...], keys: Keys) -> Starlette:
    """Return the application that serves the jobs of a folder.

    Parameters
    ----------
    root : Path
        Folder of job folders, or one job folder.
    doors : tuple of Door
        The addresses it will be bound to.
    keys : Keys

    Returns
    -------
    Starlette
        With ``state.site``; nothing heavy has been imported yet.
    """
    press = Press()
    site = Site(jobs=Jobs(root), keys=keys, doors=doors, desk=Desk(), searches=Searches(press), press=press)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        site.press.close()
        site.searches.close()
        site.desk.close()

    routes = [Route(path, route(name), methods=[method]) for method, path, name in ROUTES]
    app = Starlette(
        routes=[*routes, Route("/static/{name}", _static)],
        lifespan=lifespan,
        exception_handlers={404: _not_found, 413: _in_words, 400: _in_words, 405: _in_words, 500: _fault},
    )
    app.state.site = site
    app.add_middleware(Gate, doors=doors, keys=keys, most_bytes=most_bytes, bench_paths=for_the_bench)
    return app


def for_the_bench(path: str) -> bool:
    """Tell whether a paired phone may have a path: the list of packs, their build pages, and how they look."""
    parts = path.strip("/").split("/")
    return parts == ["bench"] or parts[0] == "static" or (parts[0] == "job" and parts[2:3] == ["build"])


def warm_up(site: Site) -> None:
    """Import in the background what the next pages need."""

    def work() -> None:
        import cellmatch.page.readings_step
        import cellmatch.page.screening_step  # noqa: F401

        site.desk.warm_up()

    threading.Thread(target=work, daemon=True).start()


def _static(request: Request) -> Response:
    found = STATIC.get(request.path_params["name"])
    if found is None:
        raise HTTPException(404)
    package, path, kind = found
    return Response((files(package) / path).read_bytes(), media_type=kind)


async def _not_found(request: Request, error: Exception) -> Response:
    return message_page("There is no such page", [], 404)


async def _in_words(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 400
    words = error.detail if isinstance(error, HTTPException) else ""
    return PlainTextResponse(f"cellmatch: {words}\n", status_code=status)


async def _fault(request: Request, error: Exception) -> Response:
    return message_page("A fault of the program", [], 500)
