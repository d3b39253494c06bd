"""Step 3: the limits, the verdict on every cell, and the reasons by which a reject is let in."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from starlette.responses import Response

from cellmatch.cells.screening.screen import tray_chemistry
from cellmatch.errors import ArgumentInvalid, CellmatchError, Problem
from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.limits import LIMIT_WORDS, Limits
from cellmatch.pack.spec import Pack
from cellmatch.page.fields import said_number
from cellmatch.page.jobs import Job
from cellmatch.page.readings_step import MOST_REASON
from cellmatch.page.sorting import KIND_WORDS, KINDS, Sorted, checked_limits, shown_rows, sort_cells
from cellmatch.page.strips import strips
from cellmatch.page.tray import tray_of
from cellmatch.page.web import Ask, part, step_page, to_step


@dataclass(frozen=True, slots=True)
class Slider:
    """One limit as it is set on the page.

    Parameters
    ----------
    name : str
        Field of :class:`Limits`.
    words, unit : str
    factor : float
        What the page shows, of the limit's own unit.
    least, most, step : float
        Of the slider, as shown.
    under : str
        Column whose histogram it stands under; empty: with the others.
    """

    name: str
    words: str
    unit: str
    factor: float
    least: float
    most: float
    step: float
    under: str = ""


SLIDERS = (
    Slider("min_v", "lowest in service", "V", 1, 2.0, 4.0, 0.01, "ocv_v"),
    Slider("join_window_mv", "joining window, to each side", "mV", 1, 1, 200, 1, "ocv_v"),
    Slider("min_capacity_fraction", "least capacity, of rated", "%", 100, 30, 100, 1, "capacity_mah"),
    Slider("max_ir_ratio", "highest resistance, of the median of its kind", "×", 1, 1.05, 4, 0.05, "ir_mohm"),
    Slider("outlier_k", "outliers from, in robust standard deviations", "", 1, 2, 12, 0.5),
    Slider("max_ir_mohm", "highest resistance at all", "mΩ", 1, 1, 200, 0.5),
    Slider("max_v", "full", "V", 1, 2.5, 4.5, 0.01),
    Slider("floor_v", "floor: never use a cell found below", "V", 1, 1.0, 3.0, 0.05),
    Slider("above_full_v", "overcharged when this far above full", "mV", 1000, 0, 200, 5),
    Slider("join_limit_c", "joining current, of capacity", "C", 1, 0.05, 2, 0.05),
    Slider("charge_limit_a", "charge limit of a cell, in place of it", "A", 1, 0.1, 20, 0.1),
    Slider("join_stop_ratio", "stop from this multiple of the joining limit", "×", 1, 2, 50, 1),
    Slider("worn_out_fraction", "worn out below, of rated", "%", 100, 20, 80, 1),
    Slider("repeatability_fraction", "repeatability of one capacity reading (1 σ)", "%", 100, 0, 5, 0.05),
    Slider("mass_loss_fraction", "leaked when lighter than its lot by", "%", 100, 0.5, 10, 0.5),
    Slider("meter_fraction", "voltmeter accuracy, of the reading", "%", 100, 0.01, 2, 0.01),
    Slider("meter_digits_v", "voltmeter accuracy, last digits", "mV", 1000, 0, 20, 1),
)


def show(ask: Ask) -> Response:
    """Show limits and verdicts."""
    job = ask.job_folder.read()
    return step_page(ask, "screening", job, kinds=KINDS, kind_words=KIND_WORDS, **_view(ask, job))


def table(ask: Ask) -> Response:
    """Show one page of cells."""
    job = ask.job_folder.read()
    return part("screening_table.html", folder=ask.job_folder, kinds=KINDS, kind_words=KIND_WORDS, **_view(ask, job))


def limits(ask: Ask) -> Response:
    """Keep the limits and judge again, while they are moved."""
    folder = ask.job_folder
    job = folder.read()
    cells = tray_of(folder, job).cells
    if cells is None:
        return to_step(folder, "readings")
    chemistry, _ = tray_chemistry(cells, job.chemistry)
    chosen = _chosen(ask, job, chemistry)
    after = replace(job, limits=chosen)
    found = sort_cells(ask.site.desk, folder, after, cells)
    folder.change(lambda j: replace(j, limits=chosen))
    if not ask.live:
        return to_step(folder, "screening")
    return part(
        "verdicts.html",
        apart=True,
        folder=folder,
        job=after,
        kinds=KINDS,
        kind_words=KIND_WORDS,
        **_found(ask, after, found),
    )


def accept(ask: Ask) -> Response:
    """Let a reject in for a written reason, where one may; or take that back."""
    folder, name, back = ask.job_folder, ask.text("id"), bool(ask.text("back"))
    reason = ask.text("reason")[:MOST_REASON]
    job = folder.read()
    cells = tray_of(folder, job).cells
    if back and name in job.accept:
        why = job.accept[name]
        others = {cell: w for cell, w in job.accept.items() if cell != name}
        folder.change(lambda j: replace(j, accept=others).told(f"{name}: no longer used anyway (it was: {why})"))
        return to_step(folder, "screening", "cells")
    if cells is None or name not in cells.index:
        raise ArgumentInvalid(Problem("cell", "there is no such cell in the readings"))
    if not reason:
        raise ArgumentInvalid(Problem(f"cell {name}", "write why it is used anyway: it stays marked for ever"))
    after = replace(job, accept={**job.accept, name: reason})
    found = sort_cells(ask.site.desk, folder, after, cells)
    at = list(map(str, found.cells.index)).index(name)
    if found.kind[at] == "reject":
        told = "; ".join(found.cells["reasons"].iloc[at])
        raise ArgumentInvalid(Problem(f"cell {name}", told))
    was = "; ".join(sort_cells(ask.site.desk, folder, job, cells).cells["reasons"].iloc[at])
    folder.change(
        lambda j: replace(j, accept={**j.accept, name: reason}).told(f"{name}: used anyway though {was}: {reason}")
    )
    return to_step(folder, "screening", "cells")


def _chosen(ask: Ask, job: Job, chemistry: Chemistry) -> dict[str, Any]:
    problems: list[Problem] = []
    given: dict[str, Any] = {name: job.limits[name] for name in ("salvaged", "rated_mah") if name in job.limits}
    for slider in SLIDERS:
        value = said_number(ask.text(slider.name), slider.words, problems)
        given[slider.name] = None if value is None else round(value / slider.factor, 9)
    if problems:
        raise ArgumentInvalid(problems)
    return checked_limits(given, chemistry, job.limits)


def _view(ask: Ask, job: Job) -> dict[str, Any]:
    cells = tray_of(ask.job_folder, job).cells
    if cells is None:
        return {"found": None, "problems": (), "sliders": ()}
    try:
        found = sort_cells(ask.site.desk, ask.job_folder, job, cells)
    except CellmatchError as error:
        return {"found": None, "problems": error.problems, "sliders": ()}
    return {"problems": (), "sliders": [_slider(s, job, found) for s in SLIDERS], **_found(ask, job, found)}


def _found(ask: Ask, job: Job, found: Sorted) -> dict[str, Any]:
    wanted, kind = ask.query("id")[:60], ask.query("kind")
    needed = Pack.parse(job.pack).places if job.pack else None
    rated = "rated_mah" in job.limits or "rated_mah" in found.cells.columns
    return {
        "found": found,
        "charts": strips(found),
        "strangers": [cell for cell in job.accept if cell not in found.cells.index],
        "needed": needed,
        "rated": rated,
        "wanted": wanted,
        "kind": kind if kind in KINDS else "",
        **shown_rows(found, ask.whole("page"), wanted, (kind,) if kind in KINDS else KINDS),
    }


def _slider(slider: Slider, job: Job, found: Sorted) -> dict[str, Any]:
    """Return a limit with its value, its default, and where the slider stands."""
    default = getattr(Limits(salvaged=bool(job.limits.get("salvaged"))).settled(found.screening.chemistry), slider.name)
    given = job.limits.get(slider.name)
    if slider.name == "join_window_mv":
        default = 1000 * found.screening.window.half_width_v if given is None else None
    if slider.name == "repeatability_fraction" and given is None:
        default = found.screening.limits.repeatability_fraction
    least = slider.least
    if slider.name in ("min_v", "floor_v"):
        least = getattr(found.screening.chemistry, slider.name)
    stands = given if given is not None else default
    return {
        "name": slider.name,
        "words": slider.words,
        "unit": slider.unit,
        "under": slider.under,
        "least": least,
        "most": max(slider.most, least + 1 if slider.name == "min_v" else slider.most),
        "step": slider.step,
        "given": None if given is None else round(given * slider.factor, 6),
        "default": None if default is None else round(default * slider.factor, 1 if slider.unit == "mV" else 3),
        "stands": slider.most if stands is None else round(stands * slider.factor, 6),
        "option": LIMIT_WORDS[slider.name].words,
    }
