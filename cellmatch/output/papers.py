"""The bench papers as one HTML file to print: kit, hazards, pick lists, checks, sense leads, first charge."""

from __future__ import annotations

from cellmatch.output.map import map_windows, pack_map_svg
from cellmatch.output.report import templates
from cellmatch.output.sheets import sheets_of
from cellmatch.pack.positions import FACES
from cellmatch.plan import Plan


def papers_html(plan: Plan) -> str:
    """Write the bench papers of a plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One HTML document; it asks for nothing from anywhere and needs no script.
    """
    links = plan.assembly.wiring.links
    return (
        templates()
        .get_template("papers.html")
        .render(
            plan=plan,
            title=f"{plan.pack} bench papers",
            made=f"{plan.created_at[:10]} {plan.created_at[11:16]} UTC",
            sheets=sheets_of(plan),
            maps=[[(face, pack_map_svg(plan, face, window, links)) for face in FACES] for window in map_windows(plan)],
        )
    )
