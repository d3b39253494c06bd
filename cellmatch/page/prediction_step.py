"""Step 6: what will flow when groups are joined, and what the pack does under a load that can be moved."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from cellmatch.errors import ArgumentInvalid, CellmatchError, Problem
from cellmatch.page.fields import said_number
from cellmatch.page.groups_step import plan_or_none
from cellmatch.page.job_file import load_of
from cellmatch.page.plans import View, is_stale, journal_of, plan_view
from cellmatch.page.web import Ask, part, step_page

LOAD_WORDS = {"cell_a": "a cell may carry", "cell_peak_a": "a cell may carry for seconds", "link_mohm": "one link"}
MOST_C = 3.0
"""[C] End of the slider for the load."""
SHOWN_CELLS = 8


def show(ask: Ask) -> Response:
    """Show the prediction; with a load in the job, under that load."""
    folder = ask.job_folder
    job = folder.read()
    view = plan_or_none(ask, folder)
    if view is None:
        return step_page(ask, "prediction", job, view=None, running=ask.site.searches.running(folder) is not None)
    kind = "power_w" if "power_w" in job.load else "current_a"
    load: dict[str, Any] | None = None
    problems: tuple[Problem, ...] = ()
    asked = load_of(job)
    if "current_a" in job.load or "power_w" in job.load:
        try:
            load = _loaded(ask, asked)
        except CellmatchError as error:
            problems = error.problems
    return step_page(
        ask,
        "prediction",
        job,
        view=view,
        running=False,
        stale=is_stale(folder, job, view),
        kind=kind,
        value=job.load.get(kind),
        asked=asked,
        most=_most(view, kind),
        load=load,
        shown=SHOWN_CELLS,
        problems=problems,
    )


def under_load(ask: Ask) -> Response:
    """Predict for the load that is set on the page; the job keeps its own."""
    view = plan_view(ask.site.desk, ask.job_folder)
    if view is None:
        raise ArgumentInvalid(Problem("prediction", "there is no plan yet; find groups first"))
    problems: list[Problem] = []
    kind = ask.text("kind")
    if kind not in ("current_a", "power_w"):
        problems.append(Problem("load", "a current or a power is needed"))
    given = {kind: said_number(ask.text("value"), "load", problems)}
    given |= {name: said_number(ask.text(name), words, problems) for name, words in LOAD_WORDS.items()}
    if not problems and given[kind] is None:
        problems.append(Problem("load", "a number above 0 is needed"))
    try:
        if problems:
            raise ArgumentInvalid(problems)
        load = _loaded(ask, {name: value for name, value in given.items() if value is not None})
        problems = []
    except CellmatchError as error:
        load, problems = None, list(error.problems)
    return part("load.html", load=load, problems=problems, view=view, shown=SHOWN_CELLS)


def _loaded(ask: Ask, load: dict[str, float]) -> dict[str, Any]:
    folder = ask.job_folder
    found: dict[str, Any] = ask.site.desk.ask(
        "under_load", folder=str(folder.path), journal=journal_of(folder), load=load
    )
    return found


def _most(view: View, kind: str) -> float:
    """Return the end of the slider: [A], or [W]."""
    current_a = MOST_C * float(view["prediction"]["capacity_mah"]) / 1000
    return round(current_a if kind == "current_a" else current_a * float(view["prediction"]["nominal_v"]), 0)
