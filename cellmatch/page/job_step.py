"""Step 1: which pack is to be made, of which cells, in which holder, for which load."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from starlette.responses import Response

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.pack.chemistry import ASSUMED_CHEMISTRY, chemistry_names, load_chemistry
from cellmatch.pack.spec import Pack
from cellmatch.page.fields import number_or_none, said_number
from cellmatch.page.job_file import kept_keys, without_key
from cellmatch.page.jobs import Job
from cellmatch.page.web import Ask, part, step_page, to_step

SHAPES = {
    "straight": "straight rows: one group a row",
    "offset": "offset rows: every second row nested",
    "folded": "a brick: groups along a line that turns at each row's end",
    "strips": "strips: rows one group wide, side by side",
}
LINK_TYPES = {"": "not settled: bolted is assumed", "bolted": "bolted", "welded": "welded"}
CELL_SIZES = ("18650", "21700", "26650", "32650", "14500", "4680")
LOAD = {
    "current_a": "continuous current",
    "peak_a": "peak current",
    "power_w": "continuous power",
    "cell_a": "what a cell may carry",
}
NEEDS = ("voltage_v", "least_v", "most_v", "capacity_ah", "energy_wh", "current_a", "peak_a", "power_w")
CELL_DATA = ("capacity_mah", "cell_current_a", "ir_mohm")


def show(ask: Ask) -> Response:
    """Show the form."""
    job = ask.job_folder.read()
    pack = Pack.parse(job.pack) if job.pack else None
    return step_page(
        ask,
        "job",
        job,
        pack=pack,
        chemistries={name: load_chemistry(name) for name in chemistry_names()},
        assumed=ASSUMED_CHEMISTRY,
        shapes=SHAPES,
        link_types=LINK_TYPES,
        cell_sizes=CELL_SIZES,
        kept=kept_keys(job),
    )


def save(ask: Ask) -> Response:
    """Keep what was asked for, once it can be meant."""
    changed = _asked_for(ask)
    limits = changed.pop("limits")
    title = ask.text("title")[:80]

    def keep(job: Job) -> Job:
        kept = {name: value for name, value in job.limits.items() if name not in ("salvaged", "rated_mah")}
        after = replace(job, **changed, title=title or job.title, limits={**kept, **limits})
        said = f"job: {after.pack or 'no pack yet'}, {after.chemistry or 'chemistry not stated'}"
        return after.told(said) if after != job else job

    if changed["pack"] is not None:
        ask.site.desk.ask("check_job", job=keep(ask.job_folder.read()))
    job = ask.job_folder.change(keep)
    if ask.live:
        needed = f"{job.pack}, {Pack.parse(job.pack).places} cells are needed" if job.pack else "no pack yet"
        return part("kept.html", words=f"kept: {needed}")
    return to_step(ask.job_folder, "readings")


def leave_out(ask: Ask) -> Response:
    """Drop a key that was kept of the opened file, or the lines on what could not be kept."""
    table, name = ask.text("table"), ask.text("name")
    if not name:
        ask.job_folder.change(lambda job: replace(job, not_kept=()))
        return to_step(ask.job_folder, "job")

    def without(job: Job) -> Job:
        after = without_key(job, table, name)
        return after if after == job else after.told(f"[{table}] {name} left out")

    ask.job_folder.change(without)
    return to_step(ask.job_folder, "job", "kept")


def sizes(ask: Ask) -> Response:
    """Work out which packs would give a voltage, a capacity and a current."""
    problems: list[Problem] = []
    needs = {name: said_number(ask.text(f"need_{name}"), name, problems) for name in NEEDS}
    cell = {name: said_number(ask.text(f"need_{name}"), name, problems) for name in CELL_DATA}
    if cell["capacity_mah"] is None:
        problems.append(Problem("rated capacity of a cell", "a number of mAh is needed"))
    if problems:
        raise ArgumentInvalid(problems)
    found = ask.site.desk.ask(
        "size", needs=needs, cell=cell, chemistry=_chemistry(ask.text("chemistry")) or ASSUMED_CHEMISTRY
    )
    return part("sizes.html", **found)


def _asked_for(ask: Ask) -> dict[str, Any]:
    problems: list[Problem] = []
    series = said_number(ask.text("series"), "groups in series", problems)
    unequal = _group_sizes(ask.text("parallel"))
    parallel = None if unequal else said_number(ask.text("parallel"), "cells in parallel", problems)
    pack = None
    if not ask.text("series") and not ask.text("parallel"):
        pass  # it may come later: the readings don't need it
    elif unequal and series is not None and not series % 1:
        pack = str(Pack(int(series), unequal))
    elif series is None or parallel is None or series % 1 or parallel % 1:
        problems.append(Problem("pack", "whole numbers are needed: groups in series, and cells in parallel in each"))
    else:
        pack = str(Pack(int(series), int(parallel)))
    limits: dict[str, Any] = {"salvaged": True} if ask.text("salvaged") else {}
    if (rated := said_number(ask.text("rated_mah"), "rated capacity", problems)) is not None:
        limits["rated_mah"] = rated
    load = {
        name: value
        for name, words in LOAD.items()
        if (value := said_number(ask.text(name), words, problems)) is not None
    }
    holder = _holder(ask, problems)
    chemistry = _chemistry(ask.text("chemistry"))
    if problems:
        raise ArgumentInvalid(problems)
    return {"pack": pack, "chemistry": chemistry, "limits": limits, "holder": holder, "load": load}


def _group_sizes(text: str) -> tuple[int, ...]:
    """Return the cells of each group where they are told one by one, else nothing.

    Examples
    --------
    >>> _group_sizes("4 + 3+3"), _group_sizes("3")
    ((4, 3, 3), ())
    """
    sizes = [part.strip() for part in text.split("+")]
    told = len(sizes) > 1 and all(size.isdecimal() and len(size) < 10 for size in sizes)
    return tuple(map(int, sizes)) if told else ()


def _chemistry(name: str) -> str | None:
    """Return a chemistry of the package by its name: never a path."""
    if not name:
        return None
    if name not in chemistry_names():
        raise ArgumentInvalid(Problem("chemistry", f"one of {', '.join(chemistry_names())}"))
    return name


def _holder(ask: Ask, problems: list[Problem]) -> Mapping[str, Any]:
    """Return the holder in the words of a job file: never a path."""
    shape = ask.text("shape") or "straight"
    if shape not in SHAPES:
        problems.append(Problem("holder", f"one of {', '.join(SHAPES)}"))
    rows, columns = (number_or_none(ask.text(name)) for name in ("rows", "columns"))
    if shape in ("folded", "strips"):
        if rows is None or columns is None:
            problems.append(Problem("holder", f"{shape} needs its rows and columns"))
        else:
            shape = f"{'strips ' if shape == 'strips' else ''}{rows:.0f}x{columns:.0f}"
    holder: dict[str, Any] = {"shape": shape}
    if size := ask.text("cell_size"):
        holder["cell_size"] = size
    if (pitch := said_number(ask.text("pitch_mm"), "pitch", problems)) is not None:
        holder["pitch_mm"] = pitch
    if link := ask.text("link_type"):
        holder["link_type"] = link
    return holder
