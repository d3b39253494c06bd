"""Curves and points of the report: every value lies where its axis says, and is told in words."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest

from cellmatch import Plan, plan_pack
from cellmatch.cells.table import CellTable
from cellmatch.output.coloured import coloured
from cellmatch.output.curves import CURVES, Curve, CurveChart
from cellmatch.output.look import SCALE
from cellmatch.output.map import map_windows, pack_map_svg
from cellmatch.output.quantities import MAPPED, kind_of_cells
from cellmatch.output.report import COLOURED, report_html
from cellmatch.output.svg_curves import HEAD_PX, PLOT_PX, capacity_resistance_svg, curves_svg
from cellmatch.prediction import LoadCase


@pytest.fixture(scope="module")
def loaded_plan(draw_tray: Callable[..., CellTable]) -> Plan:
    """Return a plan with a load."""
    return plan_pack(draw_tray(14, 3), "4s3p", case=LoadCase(current_a=8.0), seconds=0.2)


def _along(svg: str, words: str) -> float:
    """Return where the figure `words` stands on the axis along, in percent."""
    found = re.search(rf'<text class="tick[a-z ]*" x="([\d.]+)%" y="{HEAD_PX + PLOT_PX + 15}">{words}</text>', svg)
    assert found, words
    return float(found[1])


def _height(svg: str, words: str) -> float:
    """Return the height of the grid line named `words`, in px; its figure stands 3 px above it."""
    found = re.search(rf'<text class="tick start" x="0" y="([\d.]+)">{words}</text>', svg)
    assert found, words
    return float(found[1]) + 3


def test_points_lie_where_the_axes_say() -> None:
    chart = CurveChart(
        title="t", x_words="x", y_words="y", curves=(Curve(x=np.array([0.0, 5.0, 10.0]), y=np.array([2.0, 4.0, 8.0])),)
    )
    svg = curves_svg(chart)
    points = [(float(a), float(b)) for a, b in re.findall(r'class="dot" cx="([\d.]+)%" cy="([\d.]+)"', svg)]
    assert [points[0][0], points[2][0]] == pytest.approx([_along(svg, "0"), _along(svg, "10")], abs=0.02)
    assert points[1][0] == pytest.approx((points[0][0] + points[2][0]) / 2, abs=0.02)
    assert [y for _, y in points] == pytest.approx([_height(svg, w) for w in ("2", "4", "8")], abs=0.2)
    (path,) = re.findall(r' d="M([^"]*)"', svg)
    corners = [tuple(map(float, p.split())) for p in path.split("L")]
    assert corners == [pytest.approx((10 * x, y - HEAD_PX), abs=0.2) for x, y in points]


def test_levels_and_band_are_told(plain_plan: Plan) -> None:
    chart = CURVES["search"](plain_plan)
    svg = curves_svg(chart)
    for _, words in chart.levels:
        assert words in svg
    assert chart.band is not None
    assert chart.band[2] in svg
    assert f"<title>{chart.title}</title>" in svg


def test_every_point_of_a_cell_lies_inside_or_is_counted_outside(odd_plans: dict[str, Plan]) -> None:
    for name, plan in odd_plans.items():
        svg = capacity_resistance_svg(plan)
        assert (svg == "") == (name == "no resistance")
        if svg:
            beyond = re.search(r"; (\d+) outside the drawing", svg)
            assert svg.count("<circle") + (int(beyond[1]) if beyond else 0) == len(plan.cells)
            kinds = set(kind_of_cells(plan)[kind_of_cells(plan) != "reject"])
            assert kinds <= set(re.findall(r'<circle class="(\w+)"', svg))


def test_the_report_shows_every_curve_there_is(loaded_plan: Plan, plain_plan: Plan) -> None:
    html = report_html(loaded_plan)
    for make in CURVES.values():
        chart = make(loaded_plan)
        assert chart.missing or f"<figcaption>{chart.title}</figcaption>" in html
    assert CURVES["discharge"](plain_plan).missing
    assert "Discharge of the groups" not in report_html(plain_plan)


def test_maps_carry_each_value_by_colour_and_in_words(loaded_plan: Plan) -> None:
    used = loaded_plan.with_status("used").sort_values("position")
    for name in COLOURED:
        figure = coloured(loaded_plan, MAPPED[name])
        assert figure is not None
        svg = pack_map_svg(loaded_plan, "top", map_windows(loaded_plan)[0], coloured=figure)
        drawn = re.findall(r'<g class="cell"><title>(.*?): (.*?)</title><circle class="q(\d)"', svg)
        by_hand = dict(zip(map(str, used.index), MAPPED[name].values(loaded_plan), strict=True))
        assert {cell: words for cell, words, _ in drawn} == {
            cell: f"{value:.{MAPPED[name].decimals}f}" for cell, value in by_hand.items()
        }
        steps = [int(step) for cell, _, step in sorted(drawn, key=lambda d: by_hand[d[0]])]
        assert steps == sorted(steps)
        assert (steps[0], steps[-1]) == (0, len(SCALE) - 1)
        assert svg.count('class="value') == len(used)


def test_a_figure_alike_in_every_cell_takes_one_colour(odd_plans: dict[str, Plan]) -> None:
    figure = coloured(odd_plans["no spread"], MAPPED["capacity_mah"])
    assert figure is not None
    assert {figure.step(v) for v in figure.values.values()} == {4}
    assert figure.finding().endswith("in every cell")
    assert coloured(odd_plans["no resistance"], MAPPED["ir_mohm"]) is None
