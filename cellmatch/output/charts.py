"""Charts with matplotlib: each takes an axes and a plan, draws, and returns the axes.

Nothing here shows or saves; :func:`balance_figure` composes charts and :func:`balance_png` is the only
one that makes bytes. Every title says what the chart shows.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from cellmatch.output import look
from cellmatch.output.look import number
from cellmatch.output.quantities import KINDS, GroupBalance, Histogram, group_balance, histogram
from cellmatch.plan import Plan
from cellmatch.prediction import NO_RESISTANCE

LABELLED_GROUPS = 20
"""Up to this many groups each bar carries its own figure."""

_FILLS: dict[str, dict[str, Any]] = {
    "used": {"facecolor": look.ACCENT, "edgecolor": look.PAPER, "hatch": None},
    "level": {"facecolor": look.PAPER, "edgecolor": look.LEVEL, "hatch": "....."},
    "spare": {"facecolor": look.PAPER, "edgecolor": look.ACCENT, "hatch": None},
    "reject": {"facecolor": look.PAPER, "edgecolor": look.STOP, "hatch": "/////"},
}

_PAPER_BOX = {"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.0}


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
        _at_right(
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
    return _dress(ax, balance.finding())


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
        return _nothing(ax, "Group resistance", NO_RESISTANCE)
    group = np.array([g.group for g in groups])
    ir_mohm = np.array([g.ir_mohm for g in groups], dtype=float)
    mean = float(ir_mohm.mean())
    decimals = 2 if mean < 10 else 1
    reach = max(float(np.abs(ir_mohm - mean).max()), 10.0**-decimals)
    ax.axhline(mean, color=look.MUTED, linewidth=0.8)
    ax.vlines(group, mean, ir_mohm, color=look.MUTED, linewidth=0.8)
    ax.scatter(group, ir_mohm, s=22, color=look.ACCENT, zorder=3)
    _at_right(ax, mean, f"mean\n{number(mean, decimals, 'mΩ')}")
    ax.set_ylim(mean - 1.6 * reach, mean + 1.6 * reach)
    _group_axis(ax, np.array([g.group for g in plan.prediction.groups]))
    method = plan.prediction.ir_method
    ax.set_ylabel("group resistance,\nlinks left out [mΩ]" + (f"\n{look.drawable(method)}" if method else ""))
    highest = group[int(ir_mohm.argmax())]
    told = f"Group resistance {number(mean, decimals, 'mΩ')} on average"
    if np.ptp(ir_mohm) > 0:
        told += f"; highest group {highest}, {number(float(ir_mohm.max()), decimals, 'mΩ')}"
    return _dress(ax, told)


def draw_ocv_histogram(ax: Axes, plan: Plan) -> Axes:
    """Draw how many cells read which open-circuit voltage, kept and rejected, with the limits."""
    return _draw_histogram(ax, plan, "ocv_v")


def draw_capacity_histogram(ax: Axes, plan: Plan) -> Axes:
    """Draw how many cells hold which capacity, kept and rejected, with the limits."""
    return _draw_histogram(ax, plan, "capacity_mah")


def draw_ir_histogram(ax: Axes, plan: Plan) -> Axes:
    """Draw how many cells show which resistance, kept and rejected, with the limits."""
    return _draw_histogram(ax, plan, "ir_mohm")


CHARTS: dict[str, Callable[[Axes, Plan], Axes]] = {
    "balance": draw_balance,
    "group resistance": draw_group_resistance,
    "voltage histogram": draw_ocv_histogram,
    "capacity histogram": draw_capacity_histogram,
    "resistance histogram": draw_ir_histogram,
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
    figure = Figure(figsize=(10.5, 9.0), layout="constrained", facecolor=look.PAPER)
    grid = figure.add_gridspec(3, 3, height_ratios=[1.35, 1.0, 1.0])
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


def _draw_histogram(ax: Axes, plan: Plan, name: str) -> Axes:
    found = histogram(plan, name)
    quantity = found.quantity
    if found.empty:
        return _nothing(ax, found.finding(), f"no {quantity.words} given")
    left, width = found.edges[:-1], found.edges[1] - found.edges[0]
    base = np.zeros(len(left))
    told = [kind for kind in KINDS if found.totals[kind]]
    for kind in told:
        count = found.counts[kind]
        some = count > 0
        ax.bar(left[some], count[some], width, base[some], align="edge", linewidth=0.7, **_FILLS[kind])
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
                bbox=_PAPER_BOX,
            )
    ax.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    ax.xaxis.set_major_locator(MaxNLocator(nbins=4))
    ax.ticklabel_format(axis="x", useOffset=False, style="plain")
    ax.set_xlabel(f"{quantity.words} [{quantity.unit}]")
    ax.set_ylabel("cells")
    ax.legend(
        handles=[Patch(linewidth=0.7, **_FILLS[kind]) for kind in told],
        labels=[f"{look.SIGNS[kind]} {kind} {found.totals[kind]}" for kind in told],
        loc="upper left", bbox_to_anchor=(-0.02, -0.27), ncols=2, fontsize=8, frameon=False,
        handlelength=1.3, columnspacing=1.5, borderpad=0,
    )  # fmt: skip
    return _dress(ax, found.finding())


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


def _at_right(ax: Axes, y: float, words: str) -> None:
    """Write words beside the axes, level with `y`."""
    ax.text(1.008, y, words, transform=ax.get_yaxis_transform(), fontsize=8, color=look.MUTED, va="center")


def _group_axis(ax: Axes, group: np.ndarray) -> None:
    ax.set_xlim(group.min() - 0.7, group.max() + 0.7)
    step = next(n for n in (1, 2, 5, 10, 20, 50, 100, len(group)) if len(group) <= 25 * n)
    ax.set_xticks([int(g) for g in group if g % step == 0 or len(group) == 1])
    ax.set_xlabel("group (1 at pack negative)")


def _nothing(ax: Axes, title: str, words: str) -> Axes:
    ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center", va="center", color=look.MUTED)
    ax.set_xticks([])
    ax.set_yticks([])
    return _dress(ax, title)


def _dress(ax: Axes, title: str) -> Axes:
    """Give an axes the common look."""
    ax.set_title(look.drawable(title), loc="left", fontsize=10.5, color=look.INK, parse_math=False)
    ax.grid(axis="y", color=look.GRID, linewidth=0.8)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(look.RULE)
    ax.tick_params(colors=look.INK, labelsize=8.5, length=3, color=look.RULE)
    ax.xaxis.label.set_fontsize(9)
    ax.yaxis.label.set_fontsize(9)
    return ax
