"""A plan as a notebook shows it: verdict, key figures and groups."""

from __future__ import annotations

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
