"""Charts of the cells: histograms, and capacity against resistance."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from cellmatch.cells.table import resistances_mohm
from cellmatch.output import look
from cellmatch.output.axes import PAPER_BOX, dress, say_nothing_to_draw
from cellmatch.output.look import number
from cellmatch.output.quantities import KINDS, Histogram, histogram, kind_of_cells
from cellmatch.plan import Plan
from cellmatch.prediction import NO_RESISTANCE

FILLS: dict[str, dict[str, Any]] = {
    "used": {"facecolor": look.ACCENT, "edgecolor": look.PAPER, "hatch": None},
    "level": {"facecolor": look.PAPER, "edgecolor": look.LEVEL, "hatch": "....."},
    "spare": {"facecolor": look.PAPER, "edgecolor": look.ACCENT, "hatch": None},
    "reject": {"facecolor": look.PAPER, "edgecolor": look.STOP, "hatch": "/////"},
}
"""How each kind of cell is drawn: told apart without colour too."""
MARKERS = {"used": "o", "level": "D", "spare": "o", "reject": "x"}
NUMBERED_GROUPS = 20
NUMBER_WIDE, NUMBER_TALL = 0.025, 0.07
"""Of the axes, what a number takes."""


def draw_ocv_histogram(ax: Axes, plan: Plan) -> Axes:
    """Draw how many cells read which open-circuit voltage, kept and rejected, with the limits."""
    return _draw_histogram(ax, plan, "ocv_v")


def draw_capacity_histogram(ax: Axes, plan: Plan) -> Axes:
    """Draw how many cells hold which capacity, kept and rejected, with the limits."""
    return _draw_histogram(ax, plan, "capacity_mah")


def draw_ir_histogram(ax: Axes, plan: Plan) -> Axes:
    """Draw how many cells show which resistance, kept and rejected, with the limits."""
    return _draw_histogram(ax, plan, "ir_mohm")


def draw_capacity_resistance(ax: Axes, plan: Plan) -> Axes:
    """Draw each cell's capacity against its resistance, and the mean of each group as its number.

    Parameters
    ----------
    ax : Axes
    plan : Plan

    Returns
    -------
    Axes
    """
    resistance, capacity = resistances_mohm(plan.cells), plan.cells["capacity_mah"].to_numpy(dtype=float)
    known, kind = np.isfinite(resistance) & np.isfinite(capacity), kind_of_cells(plan)
    if not known.any():
        return say_nothing_to_draw(ax, "Capacity against resistance", NO_RESISTANCE)
    kept = known & (kind != "reject")
    for name in KINDS:
        here = known & (kind == name)
        if here.any():
            filled = name in ("used", "level")
            colour = {"level": look.LEVEL, "reject": look.STOP}.get(name, look.ACCENT)
            style: dict[str, Any] = (
                {"c": colour} if filled or name == "reject" else {"facecolors": "none", "edgecolors": colour}
            )
            ax.scatter(
                resistance[here], capacity[here], s=16, marker=MARKERS[name], linewidths=0.9, zorder=2,
                alpha=0.55 if name == "used" else 1.0, label=f"{look.SIGNS[name]} {name} {here.sum()}", **style,
            )  # fmt: skip
    if kept.any():
        for axis, values in ((ax.set_xlim, resistance), (ax.set_ylim, capacity)):
            low, high = float(values[kept].min()), float(values[kept].max())
            margin = 0.08 * max(high - low, 1e-3 * abs(high), 1e-6)
            axis(low - margin, high + margin)
    _number_groups(ax, plan, resistance, capacity)
    ax.set_xlabel("internal resistance [mΩ]")
    ax.set_ylabel("capacity [mAh]")
    ax.legend(loc="upper left", bbox_to_anchor=(-0.02, -0.2), ncols=4, fontsize=8, frameon=False, handletextpad=0.2)
    return dress(ax, _relation(resistance[kept], capacity[kept]))


def _number_groups(ax: Axes, plan: Plan, resistance: np.ndarray, capacity: np.ndarray) -> None:
    """Write each group's number at the mean of its cells; numbers that would lie on each other give way to crosses."""
    group = plan.cells["group"].to_numpy()
    if plan.pack.series > NUMBERED_GROUPS:
        return
    here = {g: (group == g) & np.isfinite(resistance) for g in range(1, plan.pack.series + 1)}
    means = {g: (float(resistance[h].mean()), float(capacity[h].mean())) for g, h in here.items() if h.any()}
    x, y = np.array(list(means.values())).T
    a, b = np.triu_indices(len(means), 1)
    apart = np.maximum(
        np.abs(x[a] - x[b]) / (NUMBER_WIDE * abs(np.subtract(*ax.get_xlim()))),
        np.abs(y[a] - y[b]) / (NUMBER_TALL * abs(np.subtract(*ax.get_ylim()))),
    )
    if (apart < 1).any():
        ax.plot(x, y, "+", color=look.INK, markersize=8, zorder=3)
        words, at = "means of the groups", (float(x.mean()), float(y.mean()))
        ax.annotate(
            words, at, xytext=(0, 14), textcoords="offset points", ha="center", fontsize=8, fontweight="bold",
            color=look.INK, bbox=PAPER_BOX | {"alpha": 0.7}, zorder=3,
        )  # fmt: skip
        return
    for g, (r, q) in means.items():
        ax.text(
            r, q, str(g), ha="center", va="center",
            fontsize=7.5, fontweight="bold", color=look.INK, bbox=PAPER_BOX | {"alpha": 0.7}, zorder=3,
        )  # fmt: skip


def _relation(resistance: np.ndarray, capacity: np.ndarray) -> str:
    if len(resistance) < 3 or not np.ptp(resistance) or not np.ptp(capacity):
        return "Capacity against resistance"
    correlation = float(np.corrcoef(resistance, capacity)[0, 1])
    return f"Capacity and resistance of the kept cells: correlation {number(correlation, 2, signed=True)}"


def _draw_histogram(ax: Axes, plan: Plan, name: str) -> Axes:
    found = histogram(plan, name)
    quantity = found.quantity
    if found.empty:
        return say_nothing_to_draw(ax, found.finding(), f"no {quantity.words} given")
    left, width = found.edges[:-1], found.edges[1] - found.edges[0]
    base = np.zeros(len(left))
    told = [kind for kind in KINDS if found.totals[kind]]
    for kind in told:
        count = found.counts[kind]
        some = count > 0
        ax.bar(left[some], count[some], width, base[some], align="edge", linewidth=0.7, **FILLS[kind])
        base = base + count
    ax.set_xlim(found.edges[0], found.edges[-1])
    ax.set_ylim(0, 1.3 * found.tallest)
    _draw_limits(ax, found)
    for beyond, x, side, words in (
        (found.lower, 0.0, "left", "◂ {} lower"),
        (found.higher, 1.0, "right", "{} higher ▸"),
    ):
        if beyond:
            ax.text(
                x,
                0.45,
                words.format(beyond),
                transform=ax.transAxes,
                fontsize=8,
                color=look.INK,
                ha=side,
                bbox=PAPER_BOX,
            )
    ax.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    ax.xaxis.set_major_locator(MaxNLocator(nbins=4))
    ax.ticklabel_format(axis="x", useOffset=False, style="plain")
    ax.set_xlabel(f"{quantity.words} [{quantity.unit}]")
    ax.set_ylabel("cells")
    ax.legend(
        handles=[Patch(linewidth=0.7, **FILLS[kind]) for kind in told],
        labels=[f"{look.SIGNS[kind]} {kind} {found.totals[kind]}" for kind in told],
        loc="upper left", bbox_to_anchor=(-0.02, -0.27), ncols=2, fontsize=8, frameon=False,
        handlelength=1.3, columnspacing=1.5, borderpad=0,
    )  # fmt: skip
    return dress(ax, found.finding())


def _draw_limits(ax: Axes, found: Histogram) -> None:
    """Draw each limit as a dashed line; its word stands above the bars, on the roomier side."""
    for words in dict.fromkeys(words for _, words in found.limits):
        at = [value for value, w in found.limits if w == words]
        for value in at:
            ax.axvline(value, color=look.INK, linewidth=0.9, linestyle=(0, (4, 3)))
        middle = sum(at) / len(at)
        leans = "left" if middle < (found.edges[0] + found.edges[-1]) / 2 else "right"
        ax.text(
            middle, 1.27 * found.tallest, f" {words} ", fontsize=7.5, color=look.INK, va="top",
            ha="center" if len(at) == 2 else leans,
        )  # fmt: skip
