"""Charts of the cells: histograms, capacity against resistance, the map coloured by a quantity."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.patches import Circle, Patch, Rectangle
from matplotlib.ticker import MaxNLocator

from cellmatch.cells.table import resistances_mohm
from cellmatch.output import look
from cellmatch.output.axes import PAPER_BOX, dress, say_nothing_to_draw
from cellmatch.output.look import MINUS, number
from cellmatch.output.map import id_lines
from cellmatch.output.quantities import KINDS, MAPPED, Histogram, Mapped, histogram, kind_of_cells
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
SCALE = "cividis"
"""Perceptually even, the same to most eyes."""


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
    _number_groups(ax, plan, resistance, capacity)
    if kept.any():
        for axis, values in ((ax.set_xlim, resistance), (ax.set_ylim, capacity)):
            low, high = float(values[kept].min()), float(values[kept].max())
            margin = 0.08 * max(high - low, 1e-3 * abs(high), 1e-6)
            axis(low - margin, high + margin)
    ax.set_xlabel("internal resistance [mΩ]")
    ax.set_ylabel("capacity [mAh]")
    ax.legend(loc="upper left", bbox_to_anchor=(-0.02, -0.2), ncols=4, fontsize=8, frameon=False, handletextpad=0.2)
    return dress(ax, _relation(resistance[kept], capacity[kept]))


def _number_groups(ax: Axes, plan: Plan, resistance: np.ndarray, capacity: np.ndarray) -> None:
    """Write each group's number at the mean of its cells; more groups than can be read are left out."""
    group = plan.cells["group"].to_numpy()
    if plan.pack.series > NUMBERED_GROUPS:
        return
    for g in range(1, plan.pack.series + 1):
        here = (group == g) & np.isfinite(resistance)
        if here.any():
            ax.text(
                float(resistance[here].mean()), float(capacity[here].mean()), str(g), ha="center", va="center",
                fontsize=7.5, fontweight="bold", color=look.INK, bbox=PAPER_BOX | {"alpha": 0.7}, zorder=3,
            )  # fmt: skip


def _relation(resistance: np.ndarray, capacity: np.ndarray) -> str:
    if len(resistance) < 3 or not np.ptp(resistance) or not np.ptp(capacity):
        return "Capacity against resistance"
    correlation = float(np.corrcoef(resistance, capacity)[0, 1])
    return f"Capacity and resistance of the kept cells: correlation {number(correlation, 2, signed=True)}"


def draw_map(ax: Axes, plan: Plan, quantity: str | None = None, face: str = "top") -> Axes:
    """Draw the cells in their places with id, end and, where asked, a quantity by colour and value.

    Parameters
    ----------
    ax : Axes
    plan : Plan
    quantity : str, optional
        One of the figures that can be mapped, like ``capacity_mah`` or ``current``; None: groups in two tints.
    face : str
        ``top`` or ``bottom``; the bottom is mirrored.

    Returns
    -------
    Axes
    """
    used = plan.with_status("used").sort_values("position")
    x, y = used["x_mm"].to_numpy(dtype=float), used["y_mm"].to_numpy(dtype=float)
    x = x if face == "top" else x.min() + x.max() - x
    pitch, radius = plan.holder.spacing_mm, plan.holder.diameter_mm / 2
    mapped = MAPPED[quantity] if quantity else None
    values = mapped.values(plan) if mapped else None
    title = f"{face.capitalize()} face"
    if values is not None and mapped is not None:
        if not np.isfinite(values).any():
            return say_nothing_to_draw(ax, f"Map of {mapped.words}", mapped.missing)
        title += _colour_cells(ax, x, y, radius, values, mapped)
    else:
        for g, a, b in zip(used["group"], x, y, strict=True):
            ax.add_patch(_square(a, b, pitch, look.TINTS[(int(g) - 1) % 2]))
        for a, b in zip(x, y, strict=True):
            ax.add_patch(_circle(a, b, radius - 0.3))
    ax.set_xlim(x.min() - pitch, x.max() + pitch)
    ax.set_ylim(y.max() + pitch, y.min() - pitch)
    ax.set_aspect("equal")
    _write_cells(ax, plan, x, y, values, mapped, face)
    ax.set_axis_off()
    ax.set_title(title, loc="left", fontsize=10.5, color=look.INK)
    return ax


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


def _circle(x: float, y: float, radius: float, fill: Any = look.PAPER) -> Circle:
    return Circle((x, y), radius, facecolor=fill, edgecolor=look.INK, linewidth=0.6)


def _square(x: float, y: float, side: float, fill: str) -> Rectangle:
    return Rectangle((x - side / 2, y - side / 2), side, side, facecolor=fill, linewidth=0)


def _colour_cells(ax: Axes, x: np.ndarray, y: np.ndarray, radius: float, values: np.ndarray, mapped: Mapped) -> str:
    """Fill the cells by their values and add the labelled bar; return what to add to the title."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    widen = 0.5 * 10.0**-mapped.decimals if high == low else 0.0
    scale = ScalarMappable(Normalize(low - widen, high + widen), SCALE)
    for a, b, value in zip(x, y, values, strict=True):
        ax.add_patch(_circle(a, b, radius - 0.3, scale.to_rgba(value) if np.isfinite(value) else look.PAPER))
    if ax.figure is not None:
        bar = ax.figure.colorbar(scale, cax=ax.inset_axes((1.02, 0.1, 0.03, 0.8)))
        bar.set_label(f"{mapped.words} [{mapped.unit}]", fontsize=8.5)
        bar.ax.tick_params(labelsize=8)
        bar.ax.ticklabel_format(useOffset=False, style="plain")
    span = f"{number(low, mapped.decimals)} to {number(high, mapped.decimals, mapped.unit)}"
    return f", {mapped.words}: {span}"


def _write_cells(
    ax: Axes, plan: Plan, x: np.ndarray, y: np.ndarray, values: np.ndarray | None, mapped: Mapped | None, face: str
) -> None:
    """Write id, end and value of each cell, in type that fits its circle."""
    used = plan.with_status("used").sort_values("position")
    diameter = plan.holder.diameter_mm
    box, figure = ax.get_position(), ax.get_figure(root=True)
    inches = figure.get_size_inches() if figure is not None else np.array([6.4, 4.8])
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    points_per_mm = 72 * min(box.width * inches[0] / abs(right - left), box.height * inches[1] / abs(top - bottom))
    for i, (cell, up) in enumerate(zip(used.index, used["positive_up"], strict=True)):
        lines = [look.drawable(line) for line in id_lines(str(cell))]
        size = points_per_mm * min(0.27 * diameter, 0.8 * diameter / (0.7 * max(map(len, lines))))
        ink = look.INK
        if values is not None and mapped is not None:
            lines = [*lines, number(float(values[i]), mapped.decimals)]
            size *= 0.8
            ink = _readable_on(ax.patches[i].get_facecolor())
        end = "+" if bool(up) == (face == "top") else MINUS
        style: dict[str, Any] = {"ha": "center", "color": ink, "parse_math": False, "clip_on": True}
        ax.text(
            x[i],
            y[i] - 0.27 * diameter,
            end,
            va="center",
            fontsize=0.34 * diameter * points_per_mm,
            fontweight="bold",
            **style,
        )
        ax.text(x[i], y[i] + 0.12 * diameter, "\n".join(lines), va="center", fontsize=size, linespacing=1.0, **style)


def _readable_on(fill: Any) -> str:
    """Return black or white, whichever stands out more on a fill (relative luminance, WCAG 2.1)."""
    rgb = np.asarray(fill[:3])
    luminance = float(np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])
    return "#000000" if luminance > 0.179 else look.PAPER
