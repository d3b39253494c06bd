"""Step 5: both faces of the pack, to look at, to swap cells on, and to lock places."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any

import numpy as np
from starlette.responses import Response

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.output.look import MINUS, number
from cellmatch.page.groups_step import plan_or_none
from cellmatch.page.jobs import Job
from cellmatch.page.plans import View, has_begun, is_stale, plan_view
from cellmatch.page.plans import swap as swap_cells
from cellmatch.page.web import Ask, part, step_page, to_step

_CIRCLE = re.compile(r'<circle cx="([-.0-9]+)" cy="([-.0-9]+)" r="([.0-9]+)"/>')
_VIEW_BOX = re.compile(r'viewBox="[-.0-9]+ [-.0-9]+ ([.0-9]+) ')
WIDE_MM = 150.0
"""[mm] A drawing wider than this is too small beside its other face, and stands above it."""
SHADES = 10
"""Steps of the colour scale; the stylesheet names their colours."""


@dataclass(frozen=True, slots=True)
class Colouring:
    """A quantity by which the map can be coloured."""

    words: str
    unit: str
    decimals: int


COLOURINGS = {
    "capacity_mah": Colouring("capacity", "mAh", 0),
    "ir_mohm": Colouring("internal resistance", "mΩ", 1),
    "ocv_v": Colouring("open-circuit voltage", "V", 3),
    "most_a": Colouring("largest current under the load", "A", 2),
    "rise_k": Colouring("highest rise under the load", "K", 1),
}


def show(ask: Ask) -> Response:
    """Show the map."""
    folder = ask.job_folder
    job = folder.read()
    view = plan_or_none(ask, folder)
    if view is None:
        return step_page(ask, "map", job, view=None, running=ask.site.searches.running(folder) is not None)
    stale = is_stale(folder, job, view)
    return step_page(ask, "map", job, stale=stale, running=False, **_board(ask, job, view))


def board(ask: Ask) -> Response:
    """Show the map in other colours, or another part of it."""
    view = _view(ask)
    return _board_part(ask, ask.job_folder.read(), view)


def cell(ask: Ask) -> Response:
    """Show what is known of one cell."""
    view, name = _view(ask), ask.query("id")
    if name not in view["cells"]:
        raise ArgumentInvalid(Problem("cell", "there is no such cell in the pack, nor among its spares"))
    job = ask.job_folder.read()
    return part(
        "map_cell.html",
        folder=ask.job_folder,
        cell=name,
        about=view["cells"][name],
        locked=name in job.pins,
        begun=has_begun(ask.job_folder),
        spares=[spare["cell"] for spare in view["spares"]],
    )


def swap(ask: Ask) -> Response:
    """Let two cells change places."""
    folder = ask.job_folder
    view = swap_cells(ask.site.desk, folder, folder.read(), ask.text("a"), ask.text("b"))
    return _changed(ask, view, f"{ask.text('a')} and {ask.text('b')} swapped on the map")


def undo(ask: Ask) -> Response:
    """Take the last swap back."""
    folder, view = ask.job_folder, _view(ask)
    if not view["swaps"]:
        raise ArgumentInvalid(Problem("undo", "nothing has been swapped"))
    one, other = view["swaps"][-1]
    after = swap_cells(ask.site.desk, folder, folder.read(), one, other, undo=True)
    return _changed(ask, after, f"swap of {one} and {other} undone")


def lock(ask: Ask) -> Response:
    """Lock the place of a cell, or unlock it."""
    folder, view, name = ask.job_folder, _view(ask), ask.text("id")
    about = view["cells"].get(name)
    if about is None or about["status"] != "used":
        raise ArgumentInvalid(Problem("lock", "only a cell in the pack has a place"))

    def turned(job: Job) -> Job:
        pins = {cell: place for cell, place in job.pins.items() if cell != name}
        if name in job.pins:
            return replace(job, pins=pins).told(f"{name}: place unlocked")
        return replace(job, pins={**pins, name: about["position"]}).told(f"{name}: locked at place {about['position']}")

    job = folder.change(turned)
    if not ask.live:
        return to_step(folder, "map")
    return _board_part(ask, job, view)


def _changed(ask: Ask, view: View, said: str) -> Response:
    folder = ask.job_folder
    job = folder.change(lambda j: j.told(said))
    ask.site.press.soon(folder)
    if not ask.live:
        return to_step(folder, "map")
    return _board_part(ask, job, view)


def _view(ask: Ask) -> View:
    view = plan_view(ask.site.desk, ask.job_folder)
    if view is None:
        raise ArgumentInvalid(Problem("map", "there is no plan yet; find groups first"))
    return view


def _board_part(ask: Ask, job: Job, view: View) -> Response:
    return part("board.html", folder=ask.job_folder, job=job, **_board(ask, job, view))


def _board(ask: Ask, job: Job, view: View) -> dict[str, Any]:
    wanted = ask.query("colour") or ask.text("colour")
    colour = wanted if wanted in COLOURINGS else ""
    parts = view["maps"]
    text = ask.query("part") or ask.text("part")
    at = min(int(text) if text.isdecimal() and len(text) < 6 else 1, len(parts)) or 1
    shades, scale = _shades(view, colour)
    here = parts[max(at, 1) - 1]
    return {
        "view": view,
        "colour": colour,
        "wide": _wide_mm(here[0]["pieces"][0]) > WIDE_MM,
        "colourings": {n: c for n, c in COLOURINGS.items() if view["has_load"] or n not in ("most_a", "rise_k")},
        "scale": scale,
        "shade_numbers": range(SHADES),
        "part": at,
        "part_count": len(parts),
        "faces": [
            {"face": face["face"], "svg": board_svg(face, view["cells"], job.pins, shades, colour)} for face in here
        ],
        "begun": has_begun(ask.job_folder),
    }


def _wide_mm(drawing: str) -> float:
    box = _VIEW_BOX.search(drawing)
    return 0.0 if box is None else float(box[1])


def _shades(view: View, colour: str) -> tuple[dict[str, int], dict[str, str] | None]:
    """Return the shade of each used cell, and the ends of the scale in words."""
    if not colour:
        return {}, None
    used = {name: about[colour] for name, about in view["cells"].items() if about["status"] == "used"}
    known = {name: value for name, value in used.items() if value is not None}
    if not known:
        return {}, {"low": "", "high": "", "words": f"no {COLOURINGS[colour].words} is known"}
    values = np.array(list(known.values()))
    low, high = float(values.min()), float(values.max())
    steps = np.zeros(len(values), dtype=int)
    if high > low:
        steps = np.minimum((SHADES * (values - low) / (high - low)).astype(int), SHADES - 1)
    look = COLOURINGS[colour]
    scale = {
        "low": number(low, look.decimals, look.unit),
        "high": number(high, look.decimals, look.unit),
        "words": look.words,
    }
    return dict(zip(known, map(int, steps), strict=True)), scale


def board_svg(
    face: Mapping[str, Any],
    cells: Mapping[str, Mapping[str, Any]],
    pins: Mapping[str, int],
    shades: Mapping[str, int],
    colour: str = "",
) -> str:
    """Return one face as a drawing whose cells can be focused, picked and moved.

    Parameters
    ----------
    face : mapping
        ``pieces`` of the drawing, each but the first beginning at a cell, and the ``cells`` in that order.
    cells : mapping of cell to what is known of it
    pins : mapping of locked cell to place
    shades : mapping of cell to shade; empty: no colours
    colour : str
        The quantity that the shades show; its value is written into each cell.
    """
    pieces: Sequence[str] = face["pieces"]
    drawn = [pieces[0].replace('role="img"', f'role="group" aria-label="{face["face"]} face"', 1)]
    for n, (name, piece) in enumerate(zip(face["cells"], pieces[1:], strict=True)):
        about = cells[name]
        shade = f" shade s{shades[name]}" if name in shades else ""
        lock = " locked" if name in pins else ""
        shows_plus = about["positive_up"] == (face["face"] == "top")
        words = (
            f"{name}, group {about['group']}, place {about['position']}, shows {'plus' if shows_plus else 'minus'}, "
            f"{number(about['capacity_mah'], 0, 'mAh')}{', locked' if lock else ''}"
        ).replace(MINUS, "-")
        drawn.append(
            f'<g class="cell{shade}{lock}" data-cell="{escape(name)}" role="button" tabindex="{0 if n == 0 else -1}" '
            f'aria-pressed="false" aria-label="{escape(words)}">'
            + _with_text(piece, number(about[colour], COLOURINGS[colour].decimals) if colour else lock and "lock")
        )
    return "".join(drawn)


def _with_text(piece: str, words: str) -> str:
    """Write a few small letters into the foot of a cell."""
    circle = _CIRCLE.search(piece)
    if not words or circle is None:
        return piece
    x, y, r = map(float, circle.groups())
    text = f'<text class="value" x="{x:g}" y="{y + 0.78 * r:g}" font-size="{0.32 * r:.3g}">{escape(words)}</text>'
    return piece.replace("</g>", f"{text}</g>", 1)
