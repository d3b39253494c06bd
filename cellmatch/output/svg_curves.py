"""Curves and points as SVG for papers: they stretch with the page, their words don't.

Lengths across are percentages; the words of an axis stand inside, on its lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np

from cellmatch.cells.table import resistances_mohm
from cellmatch.output.curves import Curve, CurveChart
from cellmatch.output.look import number
from cellmatch.output.quantities import KINDS, kind_of_cells
from cellmatch.plan import Plan

HEAD_PX, PLOT_PX, FOOT_PX = 20, 180, 36
MOST_POINTS = 100
"""Of one curve: no screen shows more."""
TICKS = 6


class Scale:
    """Where values lie on a drawing.

    Parameters
    ----------
    x, y : tuple of float
        Lowest and highest value along each axis.
    """

    def __init__(self, x: tuple[float, float], y: tuple[float, float]) -> None:
        self.x_low, self.x_high = x
        self.y_low, self.y_high = y

    def percent(self, value: float) -> float:
        """Return how far to the right a value lies, from 0 to 100."""
        return 100 * (value - self.x_low) / (self.x_high - self.x_low)

    def px(self, value: float) -> float:
        """Return how far below the upper edge a value lies."""
        return HEAD_PX + PLOT_PX * (self.y_high - value) / (self.y_high - self.y_low)


def ticks(low: float, high: float, *, whole: bool = False) -> list[float]:
    """Return a few round numbers within a range.

    Examples
    --------
    >>> ticks(0, 1), ticks(2.4, 4.2), ticks(0, 7, whole=True)
    ([0.0, 0.2, 0.4, 0.6, 0.8, 1.0], [2.5, 3.0, 3.5, 4.0], [0.0, 2.0, 4.0, 6.0])
    """
    rough = (high - low) / TICKS
    decade = 10.0 ** math.floor(math.log10(rough))
    step = next(m * decade for m in (1, 2, 5, 10) if m * decade >= rough)
    if whole:
        step = max(1.0, step)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 12) for k in range(first, math.floor(high / step + 1e-9) + 1)]


def curves_svg(chart: CurveChart) -> str:
    """Draw curves, with the heights to compare them with.

    Parameters
    ----------
    chart : CurveChart
        That has something to draw.

    Returns
    -------
    str
        An SVG element to stand in HTML.
    """
    heights = np.concatenate([c.y for c in chart.curves] + [[v for v, _ in chart.levels], list((chart.band or ())[:2])])
    last = max(float(c.x[-1]) for c in chart.curves)
    scale = Scale((-0.09 * last, 1.02 * last), _widened(float(heights.min()), float(heights.max())))
    parts = []
    if chart.band:
        low, high, words = chart.band
        top = scale.px(high)
        parts.append(f'<rect class="band" x="0" y="{top:.1f}" width="100%" height="{scale.px(low) - top:.1f}"/>')
        parts.append(f'<text class="tick end" x="100%" y="{top + 13:.1f}">{escape(words)}</text>')
    parts += _axes(chart.x_words, chart.y_words, scale, whole_x=chart.whole_x)
    parts += [_line(c, chart, scale) for c in chart.curves]
    for value, words in chart.levels:
        y = scale.px(value)
        parts.append(f'<line class="limit" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>')
        # discharge curves fall at the right: their end is named where it is still far below them
        side = 'end" x="100%"' if chart.points else 'start" x="12%"'
        parts.append(f'<text class="tick told {side} y="{y - 4:.1f}">{escape(words)}</text>')
    for curve in chart.curves:
        parts += _marks(curve, chart, scale)
    told = "; ".join(words for _, words in chart.levels)
    return _panel(chart.title, f"{chart.y_words} against {chart.x_words}; {told}", parts)


def capacity_resistance_svg(plan: Plan) -> str:
    """Draw each cell's capacity against its resistance, told by what becomes of it.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        An SVG element to stand in HTML; empty where no cell has both readings.
    """
    resistance, capacity = resistances_mohm(plan.cells), plan.cells["capacity_mah"].to_numpy(dtype=float)
    known, kind = np.isfinite(resistance) & np.isfinite(capacity), kind_of_cells(plan)
    kept = known & (kind != "reject")
    if not kept.any():
        return ""
    x, y = (_widened(float(v[kept].min()), float(v[kept].max())) for v in (resistance, capacity))
    scale = Scale((x[0] - 0.06 * (x[1] - x[0]), x[1]), y)  # room for the figures of the heights
    inside = known & (resistance >= x[0]) & (resistance <= x[1]) & (capacity >= y[0]) & (capacity <= y[1])
    parts = _axes("resistance [mΩ]", "capacity [mAh]", scale)
    for cell, name, a, b in zip(
        plan.cells.index[inside], kind[inside], resistance[inside], capacity[inside], strict=True
    ):
        words = f"{cell}, {name}: {number(a, 1, 'mΩ')}, {number(b, 0, 'mAh')}"
        place = f'cx="{scale.percent(a):.2f}%" cy="{scale.px(b):.1f}"'
        parts.append(
            f'<circle class="{name}" {place} r="{4 if name == "level" else 3}"><title>{escape(words)}</title></circle>'
        )
    beyond = int((known & ~inside).sum())
    told = ", ".join(f"{int((inside & (kind == k)).sum())} {k}" for k in KINDS if (inside & (kind == k)).any())
    if beyond:
        told += f"; {beyond} outside the drawing"
    return _panel("Capacity against resistance of each cell", told, parts)


def _widened(low: float, high: float) -> tuple[float, float]:
    """Return a range with a margin, never of no width."""
    margin = 0.1 * (high - low) or 0.01 * abs(high) or 1.0
    return low - margin, high + margin


def _panel(title: str, words: str, parts: Sequence[str]) -> str:
    height = HEAD_PX + PLOT_PX + FOOT_PX
    return (
        f'<svg class="panel" role="img" width="100%" height="{height}"><title>{escape(title)}</title>'
        f"<desc>{escape(words)}</desc>{''.join(parts)}</svg>"
    )


def _axes(x_words: str, y_words: str, scale: Scale, *, whole_x: bool = False) -> list[str]:
    """Draw grid and axes: figures of the heights stand on their lines, the axis is named above."""
    foot = HEAD_PX + PLOT_PX
    drawn = [f'<text class="tick start" x="0" y="12">{escape(y_words)}</text>']
    heights = ticks(scale.y_low, scale.y_high)
    for value, words in zip(heights, _figures(heights), strict=True):
        y = scale.px(value)
        drawn.append(f'<line class="grid" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>')
        drawn.append(f'<text class="tick start" x="0" y="{y - 3:.1f}">{words}</text>')
    drawn.append(f'<line class="axis" x1="0" x2="100%" y1="{foot}" y2="{foot}"/>')
    along = ticks(scale.x_low, scale.x_high, whole=whole_x)
    for value, words in zip(along, _figures(along), strict=True):
        at = scale.percent(value)
        side = " start" if at < 4 else " end" if at > 96 else ""
        drawn.append(f'<text class="tick{side}" x="{at:.2f}%" y="{foot + 15}">{words}</text>')
        drawn.append(f'<line class="axis" x1="{at:.2f}%" x2="{at:.2f}%" y1="{foot}" y2="{foot + 4}"/>')
    drawn.append(f'<text class="tick end" x="100%" y="{foot + 31}">{escape(x_words)}</text>')
    return drawn


def _figures(values: Sequence[float]) -> list[str]:
    """Write round numbers with as few decimals as tell them all apart."""
    for decimals in range(7):
        if all(abs(v - round(v, decimals)) < 1e-9 for v in values):
            break
    return [number(v, decimals) for v in values]


def _line(curve: Curve, chart: CurveChart, scale: Scale) -> str:
    """Draw one curve in a frame that stretches; its line doesn't."""
    some = np.unique(np.linspace(0, len(curve.x) - 1, min(len(curve.x), MOST_POINTS)).round().astype(int))
    points = [(10 * scale.percent(float(curve.x[i])), scale.px(float(curve.y[i])) - HEAD_PX) for i in some]
    path = f"M{points[0][0]:.1f} {points[0][1]:.1f}"
    for x, y in points[1:]:
        path += f"H{x:.1f}V{y:.1f}" if chart.steps else f"L{x:.1f} {y:.1f}"
    name = "curve main" if curve.main else "curve"
    title = f"<title>{escape(curve.words)}</title>" if curve.words else ""
    return (
        f'<svg y="{HEAD_PX}" width="100%" height="{PLOT_PX}" viewBox="0 0 1000 {PLOT_PX}" preserveAspectRatio="none">'
        f'<path class="{name}" vector-effect="non-scaling-stroke" d="{path}">{title}</path></svg>'
    )


def _marks(curve: Curve, chart: CurveChart, scale: Scale) -> list[str]:
    """Mark the values of a curve, or its end."""
    if chart.points:
        # steps end where time ran out: no value was found there
        found = list(zip(curve.x, curve.y, strict=True))[: -1 if chart.steps else None]
        return [
            f'<circle class="dot" cx="{scale.percent(float(x)):.2f}%" cy="{scale.px(float(y)):.1f}" r="3"/>'
            for x, y in found
        ]
    if not curve.main:
        return []
    x, y = scale.percent(float(curve.x[-1])), scale.px(float(curve.y[-1]))
    return [
        f'<circle class="dot" cx="{x:.2f}%" cy="{y:.1f}" r="4"/>',
        f'<text class="tick end told" x="{x - 2:.2f}%" y="{y + 14:.1f}">{escape(curve.words)}</text>',
    ]
