"""Step 4: what the grouping looks for and keeps, the search while it runs, and what it found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from starlette.responses import Response

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.grouping.rules import RULE_WORDS, rule_of
from cellmatch.page.fields import said_number
from cellmatch.page.job_file import LEAST_SECONDS, MOST_SECONDS
from cellmatch.page.jobs import Job, JobFolder, now
from cellmatch.page.plans import BENCH_NAME, has_begun, has_plan, is_stale, plan_view, search_of
from cellmatch.page.searches import Search
from cellmatch.page.web import Ask, part, step_page, to_step

AIMS = {
    "weakest": "strongest weakest group",
    "spread": "least spread of capacity",
    "conductance": "equal resistance of the groups",
    "range": "least range of resistance inside a group",
}
AIM_PLACES = ("first", "second", "third", "fourth")
RULE_EXAMPLES = {
    "pin": "pin A7=2",
    "out": "out B3",
    "apart": "apart A1,A2",
    "one-lot": "one-lot",
    "lots-even": "lots-even",
    "ir-range": "ir-range 5",
    "ocv-range": "ocv-range 10",
}
"""Each form of a rule as it may be typed."""
LINE_WIDE, LINE_TALL = 560, 120


def show(ask: Ask) -> Response:
    """Show the search, or what was found."""
    return _page(ask, ask.job_folder.read())


def _page(ask: Ask, job: Job, problems: Sequence[Problem] = (), status: int = 200) -> Response:
    """Return the page; where a form can't be meant, with all that was typed and what is wrong with it."""
    folder = ask.job_folder
    search = ask.site.searches.of(folder)
    running = search is not None and not search.ended
    view = None if running else plan_view(ask.site.desk, folder)
    told = problems or (search.problems if search is not None else ())
    if view is not None and not running:
        ask.site.press.look(folder)
    return step_page(
        ask,
        "groups",
        job,
        status=status,
        refused=bool(problems),
        problems=[p for p in told if not _about_rules(p)],
        rule_problems=[p for p in told if _about_rules(p)],
        rule_forms=[(form, RULE_EXAMPLES[n], rule_of(RULE_EXAMPLES[n]).words) for n, (form, _) in RULE_WORDS.items()],
        seconds=ask.text("seconds") if problems else f"{job.seconds:g}",
        anew=bool(ask.text("anew")),
        aims=AIMS,
        places=AIM_PLACES,
        missing=_missing(job),
        search=search,
        running=running,
        line=_line(search),
        view=view,
        stale=view is not None and is_stale(folder, job, view),
        begun=has_begun(folder),
        interrupted=job.searching is not None and not running,
        history=search_line(search_of(folder, view)["steps"], view) if view and search_of(folder, view) else "",
    )


def find(ask: Ask) -> Response:
    """Begin a search."""
    folder = ask.job_folder
    problems: list[Problem] = []
    seconds = said_number(ask.text("seconds"), "seconds", problems)
    if seconds is not None and not LEAST_SECONDS <= seconds <= MOST_SECONDS:
        problems.append(Problem("seconds", f"from {LEAST_SECONDS:g} to {MOST_SECONDS:g}"))
    aims = tuple(dict.fromkeys(aim for place in AIM_PLACES if (aim := ask.text(f"aim_{place}"))))
    if strange := [aim for aim in aims if aim not in AIMS]:
        problems.append(Problem("aims", f"{strange[0]} is none; one of {', '.join(AIMS.values())}"))
    rules = tuple(line.strip() for line in ask.text("rules").splitlines() if line.strip())
    problems += _wrong_rules(rules)
    job = folder.read()
    if missing := _missing(job):
        problems.append(Problem("groups", missing))
    if has_begun(folder) and not ask.text("anew"):
        problems.append(Problem("groups", "the build has begun: tick that a new plan is wanted"))
    if problems:
        return _page(ask, replace(job, aims=aims, rules=rules), problems, 422)
    with folder.lock:
        if ask.site.searches.running(folder) is None:
            folder.change(
                lambda j: replace(j, aims=aims, rules=rules, seconds=seconds or j.seconds).told("search begun")
            )
            if has_begun(folder):
                stamp = now().replace(":", "-")
                (folder.path / BENCH_NAME).replace(folder.path / f"bench {stamp}.json")
            ask.site.searches.start(folder, seconds or job.seconds)
    return to_step(folder, "groups")


def _wrong_rules(rules: Sequence[str]) -> list[Problem]:
    """Return what is wrong with rules by their words alone; the search holds them against the cells."""
    problems: list[Problem] = []
    for rule in rules:
        try:
            rule_of(rule)
        except ArgumentInvalid as error:
            problems += error.problems
    return problems


def _about_rules(problem: Problem) -> bool:
    return problem.where.startswith("rule")


def stop(ask: Ask) -> Response:
    """Ask the search to end with the best it has."""
    ask.site.searches.stop(ask.job_folder)
    return progress(ask) if ask.live else to_step(ask.job_folder, "groups")


def progress(ask: Ask) -> Response:
    """Tell how the search goes; once it has ended, have the whole page read again."""
    search = ask.site.searches.of(ask.job_folder)
    if search is None or search.ended:
        answer = part("kept.html", words="the search has ended")
        answer.headers["hx-refresh"] = "true"
        return answer
    return part("progress.html", folder=ask.job_folder, search=search, line=_line(search))


def _missing(job: Job) -> str:
    if not job.pack:
        return "say in Job how many groups in series and cells in parallel the pack has"
    return "" if job.files else "the readings come first"


def _line(search: Search | None) -> str:
    if search is None or search.spread_mah is None:
        return ""
    return search_line(search.steps, None, until_s=search.age_s, bound=search.bound_mah, floor=search.floor_mah)


def search_line(
    steps: list[Any],
    view: Any,
    *,
    until_s: float | None = None,
    bound: float | None = None,
    floor: float | None = None,
) -> str:
    """Draw best spread against time, with bound and floor, as SVG.

    Parameters
    ----------
    steps : list of (s, mAh)
    view : mapping or None
        Of the plan that was found: its bound and floor.
    until_s : float, optional
        [s] End of the line.
    bound, floor : float, optional
        [mAh]
    """
    if not steps:
        return ""
    if view is not None:
        bound, floor = view["grouping"]["bound_mah"], view["grouping"]["floor_mah"]
        until_s = view["grouping"]["seconds"]
    until_s = max(until_s or 0.0, steps[-1][0], 0.1)
    top = 1.1 * float(max(0.1, bound or 0.0, *(mah for _, mah in steps)))
    left, right, until = 8.0, LINE_WIDE - 120.0, float(until_s)

    def x(second: float) -> float:
        return left + (right - left) * min(second / until, 1.0)

    def y(mah: float) -> float:
        return 12 + (LINE_TALL - 32) * (1 - min(mah / top, 1.0))

    path = f"M{x(steps[0][0]):.1f} {y(steps[0][1]):.1f}"
    for second, mah in steps[1:]:
        path += f"H{x(second):.1f}V{y(mah):.1f}"
    path += f"H{x(until_s):.1f}"
    last = steps[-1][1]
    floor_y = y(floor or 0.0)
    parts = [
        f'<svg class="search-line" role="img" viewBox="0 0 {LINE_WIDE} {LINE_TALL}">',
        f"<title>best spread {last:.1f} mAh after {until_s:.1f} s</title>",
        f'<rect class="floor" x="{left}" y="{floor_y:.1f}" width="{right - left:.1f}" height="{y(0) - floor_y:.1f}"/>',
        f'<line class="axis" x1="{left}" x2="{right:.1f}" y1="{y(0):.1f}" y2="{y(0):.1f}"/>',
        f'<line class="limit" x1="{left}" x2="{right:.1f}" y1="{y(bound or 0):.1f}" y2="{y(bound or 0):.1f}"/>',
        f'<path class="best" d="{path}"/>',
        f'<text class="tick start" x="{right + 6:.1f}" y="{y(last) + 4:.1f}">{last:.1f} mAh</text>',
        f'<text class="tick end" x="{right:.1f}" y="{LINE_TALL - 4}">{until_s:.1f} s</text>',
        f'<text class="tick start" x="{left}" y="{LINE_TALL - 4}">0</text>',
        "</svg>",
    ]
    return "".join(parts)


def plan_or_none(ask: Ask, folder: JobFolder) -> Any:
    """Return the view of a job's plan; None while a search runs or before the first."""
    if ask.site.searches.running(folder) is not None or not has_plan(folder):
        return None
    view = plan_view(ask.site.desk, folder)
    ask.site.press.look(folder)
    return view
