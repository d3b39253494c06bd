"""Charts with matplotlib: each takes an axes and a plan, draws, and returns the axes.

Nothing here shows or saves; :func:`balance_figure` composes charts and :func:`balance_png` is the only
one that makes bytes. Every title says what the chart shows.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from cellmatch.output import look
from cellmatch.output.axes import dress, say_at_right, say_nothing_to_draw
from cellmatch.output.cell_charts import (
    draw_capacity_histogram,
    draw_capacity_resistance,
    draw_ir_histogram,
    draw_ocv_histogram,
)
from cellmatch.output.curves import CURVES
from cellmatch.output.look import number
from cellmatch.output.map_chart import draw_map
from cellmatch.output.quantities import GroupBalance, group_balance
from cellmatch.plan import Plan
from cellmatch.prediction import NO_RESISTANCE

LABELLED_GROUPS = 20
"""Up to this many groups each bar carries its own figure."""


def draw_balance(ax: Axes, plan: Plan) -> Axes:
    """Draw each group's capacity as its deviation from the mean, with the floor as a band.

    Parameters
    ----------
    ax : Axes
    plan : Plan

    Returns
    -------
    Axes
    """
    balance = group_balance(plan)
    half_floor = balance.floor_mah / 2
    reach = max(float(np.abs(balance.deviation_mah).max()), half_floor, 0.5)
    if half_floor > 0:
        ax.axhspan(-half_floor, half_floor, color=look.GRID, linewidth=0, zorder=0)
        say_at_right(
            ax,
            0.0,
            f"floor {number(balance.floor_mah, 0, 'mAh')}:\ngroups inside\nthe band can't\nbe told apart",
        )
    ax.axhline(0, color=look.MUTED, linewidth=0.8)
    ax.bar(balance.group, balance.deviation_mah, width=0.5, color=look.ACCENT)
    ax.plot(balance.group, balance.deviation_mah, linestyle="none", marker="o", markersize=3.5, color=look.ACCENT)
    if len(balance.group) <= LABELLED_GROUPS:
        _label_bars(ax, balance.group, balance.deviation_mah, 0.035 * reach, skip=balance.weakest)
    if len(balance.group) > 1 and np.ptp(balance.deviation_mah):
        _mark_weakest(ax, balance, reach)
    ax.set_ylim(-1.5 * reach, 1.3 * reach)
    _group_axis(ax, balance.group)
    mean = number(balance.mean_mah / 1000, 3, "Ah")
    ax.set_ylabel(f"capacity, deviation from\nthe mean of {mean} [mAh]")
    return dress(ax, balance.finding())


def draw_group_resistance(ax: Axes, plan: Plan) -> Axes:
    """Draw the resistance of each group, links left out.

    Parameters
    ----------
    ax : Axes
    plan : Plan

    Returns
    -------
    Axes
    """
    groups = [g for g in plan.prediction.groups if g.ir_mohm is not None]
    if not groups:
        return say_nothing_to_draw(ax, "Group resistance", NO_RESISTANCE)
    group = np.array([g.group for g in groups])
    ir_mohm = np.array([g.ir_mohm for g in groups], dtype=float)
    mean = float(ir_mohm.mean())
    decimals = 2 if mean < 10 else 1
    reach = max(float(np.abs(ir_mohm - mean).max()), 10.0**-decimals)
    ax.axhline(mean, color=look.MUTED, linewidth=0.8)
    ax.vlines(group, mean, ir_mohm, color=look.MUTED, linewidth=0.8)
    ax.scatter(group, ir_mohm, s=22, color=look.ACCENT, zorder=3)
    say_at_right(ax, mean, f"mean\n{number(mean, decimals, 'mΩ')}")
    ax.set_ylim(mean - 1.6 * reach, mean + 1.6 * reach)
    _group_axis(ax, np.array([g.group for g in plan.prediction.groups]))
    method = plan.prediction.ir_method
    ax.set_ylabel("group resistance,\nlinks left out [mΩ]" + (f"\n{look.drawable(method)}" if method else ""))
    highest = group[int(ir_mohm.argmax())]
    told = f"Group resistance {number(mean, decimals, 'mΩ')} on average"
    if np.ptp(ir_mohm) > 0:
        told += f"; highest group {highest}, {number(float(ir_mohm.max()), decimals, 'mΩ')}"
    return dress(ax, told)


def draw_curves(ax: Axes, plan: Plan, name: str) -> Axes:
    """Draw curves: how the search went, what leaving cells out is worth, how the groups discharge.

    Parameters
    ----------
    ax : Axes
    plan : Plan
    name : str
        One of the charts of curves, like ``search``.

    Returns
    -------
    Axes
    """
    chart = CURVES[name](plan)
    if chart.missing:
        return say_nothing_to_draw(ax, chart.title, chart.missing)
    if chart.band:
        low, high, words = chart.band
        ax.axhspan(low, high, color=look.GRID, linewidth=0, zorder=0)
        say_at_right(ax, high, words.replace(" ", "\n", 1))
    for curve in chart.curves:
        colour = look.INK if curve.main and len(chart.curves) > 1 else look.ACCENT
        style: dict[str, Any] = {"linewidth": 1.7, "zorder": 3} if curve.main else {"linewidth": 0.8, "alpha": 0.6}
        ax.plot(curve.x, curve.y, color=colour, drawstyle="steps-post" if chart.steps else "default", **style)
        if chart.points:
            ax.plot(curve.x, curve.y, "o", markersize=3.5, color=colour)
        elif curve.main:
            ax.plot(curve.x[-1], curve.y[-1], "o", markersize=6, color=colour, zorder=4)
    for value, words in chart.levels:
        ax.axhline(value, color=look.INK, linewidth=0.9, linestyle=(0, (4, 3)))
        say_at_right(ax, value, words)
    last = max(float(curve.x[-1]) for curve in chart.curves)
    ax.set_xlim(-0.02 * last if chart.whole_x else 0, 1.02 * last)
    if chart.whole_x:
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.set_xlabel(chart.x_words)
    ax.set_ylabel(chart.y_words.replace(", ", ",\n"))
    return dress(ax, chart.title)


CHARTS: dict[str, Callable[[Axes, Plan], Axes]] = {
    "balance": draw_balance,
    "group resistance": draw_group_resistance,
    "voltage histogram": draw_ocv_histogram,
    "capacity histogram": draw_capacity_histogram,
    "resistance histogram": draw_ir_histogram,
    "capacity against resistance": draw_capacity_resistance,
    "map": draw_map,
    "capacity map": partial(draw_map, quantity="capacity_mah"),
    "resistance map": partial(draw_map, quantity="ir_mohm"),
    "current map": partial(draw_map, quantity="current"),
    "temperature map": partial(draw_map, quantity="temperature"),
    **{name: partial(draw_curves, name=name) for name in CURVES},
}
"""Every chart; a new one is one function and one entry here."""


def balance_figure(plan: Plan) -> Figure:
    """Compose the balance of the groups and the cells before and after screening.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Figure
        Not shown and not saved.
    """
    # margins by hand: a layout engine draws everything twice to find the same
    figure = Figure(figsize=(10.5, 9.0), facecolor=look.PAPER)
    grid = figure.add_gridspec(
        3, 3, height_ratios=[1.35, 1.0, 1.0], left=0.085, right=0.905, top=0.965, bottom=0.115, hspace=0.42, wspace=0.27
    )
    CHARTS["balance"](figure.add_subplot(grid[0, :]), plan)
    CHARTS["group resistance"](figure.add_subplot(grid[1, :]), plan)
    for column, name in enumerate(("voltage histogram", "capacity histogram", "resistance histogram")):
        CHARTS[name](figure.add_subplot(grid[2, column]), plan)
    return figure


def balance_png(plan: Plan) -> bytes:
    """Return :func:`balance_figure` as a PNG image."""
    with io.BytesIO() as content:
        balance_figure(plan).savefig(content, format="png", dpi=130, metadata={"Software": "cellmatch"})
        return content.getvalue()


def _label_bars(ax: Axes, x: np.ndarray, y: np.ndarray, gap: float, skip: int) -> None:
    decimals = look.decimals_of(y.tolist())
    for k, (at, value) in enumerate(zip(x, y, strict=True)):
        if k != skip or not np.ptp(y):
            up = value >= 0
            ax.text(
                at, value + (gap if up else -gap), number(float(value), decimals, signed=True),
                ha="center", va="bottom" if up else "top", fontsize=7.5, color=look.INK,
            )  # fmt: skip


def _mark_weakest(ax: Axes, balance: GroupBalance, reach: float) -> None:
    group, deviation = int(balance.group[balance.weakest]), float(balance.deviation_mah[balance.weakest])
    across = (group - balance.group.min()) / np.ptp(balance.group)
    # near an end the words lean inwards
    leans, foot = ("left", 0.0) if across < 0.15 else ("right", 1.0) if across > 0.85 else ("center", 0.5)
    ax.annotate(
        f"weakest: group {group}, {number(deviation, 1, 'mAh')}",
        xy=(group, deviation),
        xytext=(group, -1.34 * reach),
        ha=leans,
        va="center",
        fontsize=8.5,
        fontweight="bold",
        color=look.INK,
        arrowprops={"arrowstyle": "-", "color": look.INK, "linewidth": 0.9, "relpos": (foot, 0.5)},
    )


def _group_axis(ax: Axes, group: np.ndarray) -> None:
    ax.set_xlim(group.min() - 0.7, group.max() + 0.7)
    step = next(n for n in (1, 2, 5, 10, 20, 50, 100, len(group)) if len(group) <= 25 * n)
    ax.set_xticks([int(g) for g in group if g % step == 0 or len(group) == 1])
    ax.set_xlabel("group (1 at pack negative)")
