"""The report of a plan: one HTML file that stands alone, on a screen and on paper."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import jinja2
import numpy as np

from cellmatch import __version__
from cellmatch.build.placement import natural_key
from cellmatch.cells.quality import expected_largest
from cellmatch.cells.table import resistances_mohm, texts
from cellmatch.grouping.telling import costs_of_aims
from cellmatch.output import look
from cellmatch.output.coloured import Coloured, coloured
from cellmatch.output.command import repeat_command
from cellmatch.output.curves import CURVES
from cellmatch.output.look import number
from cellmatch.output.map import Window, map_windows, pack_map_svg
from cellmatch.output.quantities import MAPPED, QUANTITIES, group_balance, histogram
from cellmatch.output.spares import ranked_spares
from cellmatch.output.svg_charts import BalanceScale, histogram_svg
from cellmatch.output.svg_curves import capacity_resistance_svg, curves_svg
from cellmatch.pack.limits import LIMIT_WORDS, Limits, option_name
from cellmatch.pack.positions import FACES
from cellmatch.plan import Plan
from cellmatch.prediction import CellLoad

MOST_LOADED = 8
"""Cells told of under load: those that carry most."""
COLOURED = ("capacity_mah", "ir_mohm", "current", "temperature")
"""Figures that the report's maps are coloured by."""


@lru_cache(maxsize=1)
def templates() -> jinja2.Environment:
    """Return the templates of papers and page; whatever is put into them is escaped."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("cellmatch.output"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(number=number, signs=look.SIGNS, nothing=look.NOTHING, verdict_class=look.VERDICT_CLASS)
    return environment


def report_html(plan: Plan) -> str:
    """Write the report of a plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One HTML document; it asks for nothing from anywhere and needs no script.
    """
    windows = map_windows(plan)
    balance = group_balance(plan)
    scale = BalanceScale(balance)
    histograms = [histogram(plan, name) for name in QUANTITIES]
    charts = {name: make(plan) for name, make in CURVES.items()}
    return templates().get_template("report.html").render(
        plan=plan,
        prediction=plan.prediction,
        grouping=plan.grouping,
        version=__version__,
        title=f"{plan.pack} pack plan",
        made=f"{plan.created_at[:10]} {plan.created_at[11:16]} UTC",
        counts={s: int((plan.cells["status"] == s).sum()) for s in ("used", "spare", "reject")},
        sources=[f.name for f in plan.reading.files],
        balance=balance,
        balance_head=scale.head(),
        balance_rows=[scale.row(i) for i in range(len(balance.group))],
        capacity_decimals=look.decimals_of([g.capacity_mah for g in plan.prediction.groups]),
        histograms=[(h, histogram_svg(h)) for h in histograms],
        kinds=[(kind, f"{look.SIGNS[kind]} {kind}") for kind in look.SIGNS if any(h.totals[kind] for h in histograms)],
        maps=[
            [(face, pack_map_svg(plan, face, window, plan.assembly.wiring.links)) for face in FACES]
            for window in windows
        ],
        coloured_maps=_coloured_maps(plan, windows),
        points=capacity_resistance_svg(plan),
        curves={name: (chart, curves_svg(chart)) for name, chart in charts.items() if not chart.missing},
        to_level=_to_level(plan),
        rejects=_rejects(plan),
        remarked=_remarked(plan),
        spares=ranked_spares(plan),
        loaded=_most_loaded(plan),
        costs=costs_of_aims(plan.grouping.figures),
        ranges=look.ranges,
        least_true_spread_mah=2 * expected_largest(plan.pack.series) * plan.grouping.group_uncertainty_mah,
        limits=_limit_rows(plan),
        command=repeat_command(plan),
    )  # fmt: skip


def _coloured_maps(plan: Plan, windows: Sequence[Window]) -> list[tuple[Coloured, list[str]]]:
    """Return each figure that the cells have, with its maps of the top face."""
    found = (coloured(plan, MAPPED[name]) for name in COLOURED)
    return [(c, [pack_map_svg(plan, "top", w, coloured=c) for w in windows]) for c in found if c is not None]


def _sorted_rows(cells: Any) -> list[tuple[str, Any]]:
    return sorted(((str(cell), row) for cell, row in cells.iterrows()), key=lambda item: natural_key(item[0]))


def _to_level(plan: Plan) -> list[dict[str, Any]]:
    used = plan.with_status("used")
    outside = used[np.isfinite(used["level_to_v"].to_numpy(dtype=float))]
    return [
        {
            "cell": cell,
            "group": int(row["group"]),
            "ocv_v": float(row["ocv_v"]),
            "to_v": float(row["level_to_v"]),
            "from_above": float(row["ocv_v"]) > float(row["level_to_v"]),
        }
        for cell, row in _sorted_rows(outside)
    ]


def _rejects(plan: Plan) -> list[dict[str, Any]]:
    rejects = plan.with_status("reject")
    resistance = dict(zip(map(str, rejects.index), resistances_mohm(rejects), strict=True))
    source = dict(zip(map(str, rejects.index), texts(rejects, "source"), strict=True))
    return [
        {
            "cell": cell,
            "ocv_v": float(row["ocv_v"]),
            "capacity_mah": float(row["capacity_mah"]),
            "ir_mohm": float(resistance[cell]),
            "reasons": row["reasons"],
            "source": source[cell],
        }
        for cell, row in _sorted_rows(rejects)
    ]


def _remarked(plan: Plan) -> list[dict[str, Any]]:
    kept = plan.cells[plan.cells["status"] != "reject"]
    return [
        {"cell": cell, "status": row["status"], "group": int(row["group"]), "remarks": row["remarks"]}
        for cell, row in _sorted_rows(kept)
        if row["remarks"]
    ]


def _most_loaded(plan: Plan) -> list[CellLoad]:
    """Return the cells that carry most under the load, the first few."""
    load = plan.prediction.load
    return sorted(load.cells, key=lambda c: -c.most_a)[:MOST_LOADED] if load else []


def _limit_rows(plan: Plan) -> list[dict[str, str]]:
    """Return every limit with its value and where that came from."""
    default = Limits(salvaged=plan.limits.salvaged)
    settled = default.settled(plan.chemistry)
    rows = []
    for name, told in LIMIT_WORDS.items():
        value = getattr(plan.limits, name)
        if name == "join_window_mv" and value is None:
            value, origin = 1000 * plan.screening.window.half_width_v, "worked out"
        elif value is True or value != getattr(settled, name):
            origin = "set"
        else:
            origin = plan.chemistry.label if name in ("floor_v", "min_v", "max_v") else "default"
        if isinstance(value, bool):
            shown = "yes" if value else "no"
        else:
            shown = "none" if value is None else number(value * told.factor, told.decimals, told.unit)
        rows.append({"words": told.short, "value": shown, "origin": origin, "option": option_name(name)})
    return rows
