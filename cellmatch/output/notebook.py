"""A plan as a notebook shows it: verdict, key figures, groups and map."""

from __future__ import annotations

import base64

from cellmatch.output.map import map_windows, pack_map_svg
from cellmatch.output.report import templates
from cellmatch.output.summary import grouping_words, pack_words
from cellmatch.plan import Plan


def plan_html(plan: Plan) -> str:
    """Return a plan as a fragment of HTML for a notebook cell.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        Verdict with its reasons, the pack in one line, the groups as a table, and how sure the grouping is.
    """
    return (
        templates()
        .get_template("notebook.html")
        .render(plan=plan, pack_words=pack_words(plan), grouping_words=grouping_words(plan))
    )


def map_html(plan: Plan, face: str = "top") -> str:
    """Return the map of one face as pictures in HTML, for a notebook cell.

    Parameters
    ----------
    plan : Plan
    face : str
        ``top``, or ``bottom``: mirrored, as seen once the pack is turned over like a page.

    Returns
    -------
    str
        Picture elements that carry their own style, so that it does not reach the rest of the notebook.

    Raises
    ------
    ValueError
        Another face.
    """
    environment = templates()
    look = environment.get_template("look.css").render()
    pictures = []
    for window in map_windows(plan):
        drawn = pack_map_svg(plan, face, window, plan.assembly.wiring.links)
        opening, rest = drawn.split(">", 1)
        styled = f"{opening}><style>{look} svg {{ font-family: sans-serif; }}</style>{rest}"
        data = base64.b64encode(styled.encode()).decode()
        pictures.append(f'<img alt="{plan.pack}, {face} face" src="data:image/svg+xml;base64,{data}">')
    return "\n".join(pictures)
