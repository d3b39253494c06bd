"""Step 7: the build, one step a screen, on this computer or on a paired phone at the bench."""

from __future__ import annotations

import io
from functools import wraps
from typing import Any

from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response

from cellmatch.errors import ArgumentInvalid, CellmatchError, JobError, Problem
from cellmatch.page.benchwork import (
    Bench,
    bench_of,
    frontier,
    gated,
    judge,
    keep,
    key_of,
    locks,
    out_of_window,
    readings_csv,
    tick_names,
    typed_readings,
)
from cellmatch.page.fields import number_or_none
from cellmatch.page.groups_step import plan_or_none
from cellmatch.page.jobs import now
from cellmatch.page.plans import View, is_stale, plan_view
from cellmatch.page.readings_step import MOST_REASON
from cellmatch.page.server import pairing_address
from cellmatch.page.web import Ask, Work, job_path, part, rendered, step_page


def one_at_a_time(work: Work) -> Work:
    """Let the changes of one build wait for each other: a quick hand, or two devices, lose nothing."""

    @wraps(work)
    def waiting(ask: Ask) -> Response:
        with ask.job_folder.lock:
            return work(ask)

    return waiting


def show(ask: Ask) -> Response:
    """Go to the step at which the build stands."""
    folder = ask.job_folder
    view = plan_or_none(ask, folder)
    if view is None:
        running = ask.site.searches.running(folder) is not None
        return step_page(ask, "build", folder.read(), view=None, running=running)
    at = frontier(view, bench_of(folder, view))
    return RedirectResponse(job_path(folder, "build", str(at)), status_code=303)


def step(ask: Ask) -> Response:
    """Show one step."""
    folder = ask.job_folder
    view = _view(ask)
    bench = bench_of(folder, view)
    last = frontier(view, bench)
    number = min(_number(ask), last)
    job = folder.read()
    bench_door = next((door for door in ask.site.doors if door.bench), None)
    return step_page(
        ask,
        "build",
        job,
        view=view,
        running=False,
        stale=is_stale(folder, job, view),
        last=last,
        at=number,
        total=len(view["steps"]),
        here=view["steps"][number - 1] if number <= len(view["steps"]) else None,
        bench_door=bench_door,
        **(_state(view, bench, view["steps"][number - 1]) if number <= len(view["steps"]) else {}),
    )


@one_at_a_time
def read(ask: Ask) -> Response:
    """Keep one reading, and judge it."""
    view, bench, here = _open_step(ask)
    index = _index(ask, here)
    key, text = key_of(here, index), ask.text("value")
    value = number_or_none(text.removesuffix("V").removesuffix("v"))
    trouble = ""
    if not text:
        bench["readings"].pop(key, None)
        keep(ask.job_folder, bench, f"{key}: reading taken back")
    elif value is None or abs(value) > 10_000:
        trouble = "✗ no number: write like 3.61 or 3,61"
    else:
        bench["readings"][key] = {"v": value, "at": now()}
        keep(ask.job_folder, bench, f"{key}: {here['expected'][index]['target']} reads {value:g} V")
    return _row(ask, view, bench, here, index, trouble, text if trouble else "")


@one_at_a_time
def reason(ask: Ask) -> Response:
    """Keep the reason that opens a lock, where one may."""
    view, bench, here = _open_step(ask)
    index = _index(ask, here)
    key, words = key_of(here, index), ask.text("reason")[:MOST_REASON]
    if not here["expected"][index]["reason_opens"]:
        raise ArgumentInvalid(Problem("reason", "no reason opens this: only a new reading or a new plan does"))
    bench["reasons"][key] = words
    keep(ask.job_folder, bench, f"{key}: reason: {words}" if words else f"{key}: reason taken back")
    return _row(ask, view, bench, here, index)


@one_at_a_time
def tick(ask: Ask) -> Response:
    """Keep a tick, or take it off."""
    view, bench, here = _open_step(ask)
    name = ask.text("name")
    if name not in tick_names(here):
        raise ArgumentInvalid(Problem("tick", "there is no such line in this step"))
    if ask.text("on"):
        if gated(view, bench, here):
            raise ArgumentInvalid(Problem("tick", "the readings before it come first"))
        bench["ticks"][name] = now()
    else:
        bench["ticks"].pop(name, None)
    keep(ask.job_folder, bench, f"{name}: {'ticked' if ask.text('on') else 'tick taken off'}")
    return part("build_state.html", folder=ask.job_folder, here=here, apart=True, **_state(view, bench, here))


@one_at_a_time
def done(ask: Ask) -> Response:
    """Close a step and go to the next."""
    view, bench, here = _open_step(ask)
    if why := locks(view, bench, here):
        raise ArgumentInvalid(Problem(f"step {here['number']}", f"it is locked: {', '.join(why)}"))
    bench["done"].setdefault(str(here["number"]), now())
    keep(ask.job_folder, bench, f"step {here['number']} done")
    return RedirectResponse(job_path(ask.job_folder, "build", str(here["number"] + 1)), status_code=303)


def findings(ask: Ask) -> Response:
    """Hold everything that was read against the plan."""
    view = _view(ask)
    bench = bench_of(ask.job_folder, view)
    readings = typed_readings(view, bench)
    if not readings:
        return part("findings.html", found=(), readings=0, outside=0, problems=())
    try:
        found = ask.site.desk.ask("findings", folder=str(ask.job_folder.path), readings=readings)
        problems: tuple[Problem, ...] = ()
    except CellmatchError as error:
        found, problems = (), error.problems
    outside = out_of_window(view, bench)
    return part("findings.html", found=found, readings=len(readings), outside=outside, problems=problems)


def record(ask: Ask) -> Response:
    """Keep readings and findings in the record of the plan."""
    view = _view(ask)
    readings = typed_readings(view, bench_of(ask.job_folder, view))
    if not readings:
        raise ArgumentInvalid(Problem("record", "nothing has been read yet"))
    ask.site.desk.ask("keep_findings", folder=str(ask.job_folder.path), readings=readings)
    ask.job_folder.change(lambda job: job.told(f"{len(readings)} bench readings and their findings kept in the record"))
    return RedirectResponse(job_path(ask.job_folder, "build", str(len(view["steps"]) + 1)), status_code=303)


def csv_file(ask: Ask) -> Response:
    """Hand the readings out as the file that inspection reads."""
    view = _view(ask)
    text = readings_csv(typed_readings(view, bench_of(ask.job_folder, view)))
    told = 'attachment; filename="readings.csv"'
    return PlainTextResponse(text, media_type="text/csv", headers={"content-disposition": told})


def bench_list(ask: Ask) -> Response:
    """List the packs that can be built: the first page of a phone."""
    ready = [folder for folder in ask.site.jobs.all() if (folder.path / "plan.json").is_file()]
    return HTMLResponse(rendered("bench.html", found=[(folder, folder.read()) for folder in ready]))


def pairing(ask: Ask) -> Response:
    """Show a code that lets one phone in, once."""
    import segno

    door = next((door for door in ask.site.doors if door.bench), None)
    if door is None:
        raise JobError(Problem("phone", "the page was started without --bench: no phone can reach it"))
    address = pairing_address(door, ask.site.keys)
    drawn = io.BytesIO()
    segno.make(address, error="m").save(drawn, kind="svg", xmldecl=False, scale=6, border=4, svgclass="code")
    return part("pairing.html", address=address, code=drawn.getvalue().decode(), paired=ask.site.keys.devices)


def _view(ask: Ask) -> View:
    view = plan_view(ask.site.desk, ask.job_folder)
    if view is None:
        raise ArgumentInvalid(Problem("build", "there is no plan yet; find groups first"))
    return view


def _number(ask: Ask) -> int:
    text = str(ask.request.path_params["number"])
    return max(1, int(text)) if text.isdecimal() and len(text) < 6 else 1


def _open_step(ask: Ask) -> tuple[View, Bench, Any]:
    """Return view, state and step; a step behind the first open one can't be worked on."""
    view = _view(ask)
    bench = bench_of(ask.job_folder, view)
    number = _number(ask)
    if number > min(frontier(view, bench), len(view["steps"])):
        raise ArgumentInvalid(Problem(f"step {number}", "the steps before it come first"))
    return view, bench, view["steps"][number - 1]


def _index(ask: Ask, here: Any) -> int:
    text = ask.text("index")
    if not text.isdecimal() or int(text) >= len(here["expected"]) or here["expected"][int(text)]["kind"] == "spread_v":
        raise ArgumentInvalid(Problem("reading", "there is no such reading in this step"))
    return int(text)


def _state(view: View, bench: Bench, here: Any) -> dict[str, Any]:
    return {
        "bench": bench,
        "judged": [judge(view, bench, here, i) for i in range(len(here["expected"]))],
        "locks": locks(view, bench, here),
        "gate": gated(view, bench, here),
        "ticks": tick_names(here),
        "done_at": bench["done"].get(str(here["number"])),
    }


def _row(ask: Ask, view: View, bench: Bench, here: Any, index: int, trouble: str = "", typed: str = "") -> Response:
    answer = part(
        "build_row_alone.html",
        folder=ask.job_folder,
        here=here,
        index=index,
        trouble=trouble,
        typed=typed,
        apart=True,
        **_state(view, bench, here),
    )
    answer.headers["hx-trigger"] = "reading"
    return answer
