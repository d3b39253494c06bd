"""The bench sheet: one HTML file that leads through the build, opened from disk on a phone or tablet.

Without scripts it is a list of steps to print. With them it shows one step a screen, compares each reading
with its window, and opens the next step only when this one is read, ticked and covered.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable
from importlib.resources import files
from typing import Any

from cellmatch.build.links import Wiring
from cellmatch.build.steps import Expected, Step
from cellmatch.output.look import MINUS, number
from cellmatch.output.map import TILE_COLUMNS, pack_map_svg, pack_overview_svg, window_around
from cellmatch.output.report import templates
from cellmatch.pack.positions import FACES
from cellmatch.plan import Plan

MOST_CELLS_IN_HAND = 60
"""A step with more cells than this is not drawn: the overview shows where they are."""
CSV_HEADER = "kind,target,value,unit,load_a,taken_at,step,reason"


def bench_html(plan: Plan) -> str:
    """Write the bench sheet of a plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One HTML document; it asks for nothing from anywhere.
    """
    assembly = plan.assembly
    data = [_step_data(step, plan) for step in assembly.steps]
    script = (files("cellmatch.output") / "templates" / "bench.js").read_text(encoding="utf-8")
    identity = hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()[:16]
    return (
        templates()
        .get_template("bench.html")
        .render(
            plan=plan,
            title=f"{plan.pack} bench sheet",
            made=f"{plan.created_at[:10]} {plan.created_at[11:16]} UTC",
            steps=[_step_page(step, plan, assembly.wiring) for step in assembly.steps],
            overviews=[(face, pack_overview_svg(plan, face)) for face in FACES],
            cautions=plan.cautions,
            data={"plan": identity, "name": f"{plan.pack}", "header": CSV_HEADER, "steps": data},
            script=script,
            script_hash="sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        )
    )


def face_of_step(step: Step, wiring: Wiring) -> str:
    """Return the face that is worked on in a step: the one its junction or its title names, else the top."""
    for junction in wiring.junctions:
        if step.junction and junction.number == step.junction:
            return junction.face
    return next((face for face in FACES if step.title.lower().startswith(face)), FACES[0])


def _step_data(step: Step, plan: Plan) -> dict[str, Any]:
    """Return what the script needs to judge a step."""
    return {
        "number": step.number,
        "gated": step.junction > 0,
        "ticks": len(step.do),
        "cover": bool(step.cover),
        "places": [int(p) for p in plan.cells.loc[list(step.cells), "position"]],
        "readings": [_reading_data(e, plan) for e in step.expected],
    }


def _reading_data(e: Expected, plan: Plan) -> dict[str, Any]:
    data: dict[str, Any] = {
        "kind": e.kind,
        "target": e.target,
        "before": e.when == "before",
        "low": round(e.low_v, 6),
        "high": round(e.high_v, 6),
        "opens": e.reason_opens,
        "hard": [None if v is None else round(v, 6) for v in (e.hard_low_v, e.hard_high_v)],
    }
    if e.kind == "spread_v":
        data["cells"] = list(plan.groups[int(e.target) - 1])
    return data


def _step_page(step: Step, plan: Plan, wiring: Wiring) -> dict[str, Any]:
    """Return what a step shows."""
    rows = [_row(step, i, e, plan) for i, e in enumerate(step.expected)]
    read = {e.target for e in step.expected if e.kind == "cell_v"}
    return {
        "number": step.number,
        "title": step.title,
        "ready": step.have_ready,
        "do": step.do,
        "cover": step.cover,
        "live": number(step.live_v, 1, "V"),
        "before": [row for row in rows if row["before"]],
        "after": [row for row in rows if not row["before"]],
        "others": () if (drawing := _drawing(step, plan, wiring)) else [c for c in step.cells if c not in read],
        "drawing": drawing,
    }


def _drawing(step: Step, plan: Plan, wiring: Wiring) -> str:
    if not 1 < len(step.cells) <= MOST_CELLS_IN_HAND:
        return ""
    window = window_around(plan, step.cells)
    if window.right - window.left > (TILE_COLUMNS + 0.5) * plan.holder.spacing_mm:
        return ""
    face = face_of_step(step, wiring)
    links = [link for link in wiring.links if step.junction and step.junction == link.junction]
    groups = {int(g) for g in plan.cells.loc[list(step.cells), "group"]}
    links += [link for link in wiring.links if step.junction and link.group in groups]
    return pack_map_svg(plan, face, window, links)


def _cell_name(e: Expected, plan: Plan) -> tuple[str, str]:
    row: Any = plan.cells.loc[e.target]
    return e.target, f"place {row['position']}, {'+' if row['positive_up'] else MINUS} up"


def _group_name(e: Expected, plan: Plan) -> tuple[str, str]:
    if "-" in e.target:
        return f"groups {e.target.replace('-', '–')}", "in series"
    return f"group {e.target}", ""


NAMES: dict[str, Callable[[Expected, Plan], tuple[str, str]]] = {
    "cell_v": _cell_name,
    "group_v": _group_name,
    "tap_v": lambda e, plan: (f"pin {e.target}", "against pin 0"),
    "main_v": lambda e, plan: ("whole pack", f"main + to main {MINUS}"),
    "gap_v": lambda e, plan: (f"gap {e.target.replace('-', '–')}", ""),
    "spread_v": lambda e, plan: (f"group {e.target}", "its cells, apart"),
}
"""How each kind of reading is named: what is read, and where."""


def _row(step: Step, index: int, e: Expected, plan: Plan) -> dict[str, Any]:
    what, where = NAMES[e.kind](e, plan)
    decimals = _decimals(e.value_v)
    window = f"{number(e.low_v, decimals)} to {number(e.high_v, decimals, 'V')}"
    return {
        "key": f"{step.number}-{index}",
        "before": e.when == "before",
        "what": what,
        "where": where,
        "words": e.words,
        "typed": e.kind != "spread_v",
        "window": "worked out from the latest reading of each cell" if e.kind == "spread_v" else window,
        "expect": "" if e.kind in ("spread_v", "gap_v") else number(e.value_v, decimals, "V"),
        "opens": e.reason_opens,
    }


def _decimals(volts: float) -> int:
    """Return the decimals a hand meter shows in the range in which `volts` is read."""
    return 3 if abs(volts) < 6 else 2 if abs(volts) < 60 else 1
