"""The pack map with matplotlib: cells in their places with links, or coloured by a quantity."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection, PatchCollection
from matplotlib.colors import Normalize
from matplotlib.patches import Circle, Polygon, Rectangle
from numpy.typing import NDArray

from cellmatch.output import look
from cellmatch.output.axes import say_nothing_to_draw
from cellmatch.output.look import MINUS, number
from cellmatch.output.map import (
    LINK_WIDTHS,
    MARGIN_MM,
    OTHER_LINK_WIDTH,
    Place,
    Window,
    across,
    group_labels,
    id_lines,
    link_bars,
    places_on_face,
    terminals,
    window_around,
)
from cellmatch.output.quantities import MAPPED, Mapped
from cellmatch.plan import Plan

SCALE = "cividis"
"""Perceptually even, the same to most eyes."""
RIM_MM = 0.3


def draw_map(
    ax: Axes, plan: Plan, quantity: str | None = None, face: str = "top", window: Window | None = None
) -> Axes:
    """Draw the cells in their places with id and end; with links and terminals, or with a quantity.

    Parameters
    ----------
    ax : Axes
    plan : Plan
    quantity : str, optional
        One of the figures that can be mapped, like ``capacity_mah`` or ``current``: by colour and value. None: groups
        in two tints, with the links of the face.
    face : str
        ``top`` or ``bottom``; the bottom is mirrored.
    window : Window, optional
        Only this part of the holder.

    Returns
    -------
    Axes
    """
    whole = window_around(plan, plan.with_status("used").index)
    part = window or whole
    places = places_on_face(plan, face, part)
    (left, right), margin = across(face, whole, part), MARGIN_MM if quantity is None else 0.0
    title = f"{face.capitalize()} face"
    if quantity is not None:
        mapped = MAPPED[quantity]
        at = [p.position - 1 for p in places]
        values = mapped.values(plan)[at]
        if not np.isfinite(values).any():
            return say_nothing_to_draw(ax, f"Map of {mapped.words}", mapped.missing)
    ax.set_xlim(left - margin, right + margin)
    ax.set_ylim(part.bottom + margin, part.top - margin)
    ax.set_aspect("equal")
    if quantity is None:
        _draw_ground(ax, plan, places, left)
        _draw_links(ax, plan, places, face)
        _draw_circles(ax, plan, places, [look.PAPER] * len(places))
        _write_cells(ax, plan, places)
        for x, y, words in terminals(plan, face, whole, part):
            ax.text(x, y, words, ha="center", fontsize=9, fontweight="bold", color=look.INK)
        _mark_corner(ax, face, whole, part)
    else:
        scale, words = _scale_of(ax, values, mapped)
        fills = [scale.to_rgba(v) if np.isfinite(v) else look.PAPER for v in values]
        _draw_circles(ax, plan, places, fills)
        _write_cells(ax, plan, places, [number(float(v), mapped.decimals) for v in values], fills)
        title += f", {mapped.words}: {words}"
    ax.set_axis_off()
    ax.set_title(title, loc="left", fontsize=10.5, color=look.INK)
    return ax


def _draw_ground(ax: Axes, plan: Plan, places: Sequence[Place], left: float) -> None:
    """Tint the ground of each group, two tints taking turns, and write its number."""
    pitch = plan.holder.spacing_mm
    side = pitch + 0.1
    squares = [Rectangle((p.x - side / 2, p.y - side / 2), side, side) for p in places]
    tints = [look.TINTS[(p.group - 1) % 2] for p in places]
    ax.add_collection(PatchCollection(squares, facecolors=tints, linewidths=0, zorder=1))
    for x, y, group, inside in group_labels(places, left, pitch):
        style: dict[str, Any] = {"ha": "left", "va": "top"} if inside else {"ha": "right", "va": "center"}
        size = min(10.0, 0.2 * pitch * points_per_mm(ax)) if inside else 10.0
        ax.text(x, y, str(group), fontsize=size, fontweight="bold", color=look.MUTED, zorder=5, **style)


def _draw_links(ax: Axes, plan: Plan, places: Sequence[Place], face: str) -> None:
    diameter, points = plan.holder.diameter_mm, points_per_mm(ax)
    links = [link for link in plan.assembly.wiring.links if link.face == face]
    for kind, bars in link_bars(places, links).items():
        wide = LINK_WIDTHS.get(kind, OTHER_LINK_WIDTH) * diameter * points
        lines = [[(a.x, a.y), (b.x, b.y)] for a, b in bars]
        colour = look.INK if kind == "series" else look.MUTED
        ax.add_collection(LineCollection(lines, linewidths=wide, colors=colour, zorder=2))


def _draw_circles(ax: Axes, plan: Plan, places: Sequence[Place], fills: Sequence[Any]) -> None:
    circles = [Circle((p.x, p.y), plan.holder.diameter_mm / 2 - RIM_MM) for p in places]
    drawn = PatchCollection(circles, facecolors=list(fills), edgecolors=look.INK, linewidths=0.6, zorder=3)
    ax.add_collection(drawn)


def _scale_of(ax: Axes, values: NDArray[np.float64], mapped: Mapped) -> tuple[ScalarMappable, str]:
    """Return the scale of a quantity, its labelled bar drawn, and the range in words."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    widen = 0.5 * 10.0**-mapped.decimals if high == low else 0.0
    scale = ScalarMappable(Normalize(low - widen, high + widen), SCALE)
    if ax.figure is not None:
        bar = ax.figure.colorbar(scale, cax=ax.inset_axes((1.02, 0.1, 0.03, 0.8)))
        bar.set_label(f"{mapped.words} [{mapped.unit}]", fontsize=8.5)
        bar.ax.tick_params(labelsize=8)
        bar.ax.ticklabel_format(useOffset=False, style="plain")
    return scale, f"{number(low, mapped.decimals)} to {number(high, mapped.decimals, mapped.unit)}"


def _mark_corner(ax: Axes, face: str, whole: Window, part: Window) -> None:
    """Mark the same corner of the holder on both faces: first column, first row."""
    if part.left > whole.left or part.top > whole.top:
        return
    left, right = across(face, whole, part)
    x, inward = (left - 8, 1) if face == "top" else (right + 8, -1)
    y = part.top - 8
    ax.add_patch(Polygon([(x, y), (x + 6 * inward, y), (x, y + 6)], facecolor=look.INK))
    side = "left" if inward > 0 else "right"
    ax.text(x + 7.5 * inward, y + 3, "corner", fontsize=7, ha=side, color=look.MUTED)


def points_per_mm(ax: Axes) -> float:
    """Return how large a millimetre of an axes with equal scales will be drawn [pt]."""
    box, figure = ax.get_position(), ax.get_figure(root=True)
    inches = figure.get_size_inches() if figure is not None else np.array([6.4, 4.8])
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    return float(72 * min(box.width * inches[0] / abs(right - left), box.height * inches[1] / abs(top - bottom)))


def _write_cells(
    ax: Axes, plan: Plan, places: Sequence[Place], values: Sequence[str] = (), fills: Sequence[Any] = ()
) -> None:
    """Write id, end and value of each cell, in type that fits its circle."""
    diameter, points = plan.holder.diameter_mm, points_per_mm(ax)
    for i, p in enumerate(places):
        lines = [look.drawable(line) for line in id_lines(p.cell)]
        size = points * min(0.27 * diameter, 0.8 * diameter / (0.7 * max(map(len, lines))))
        ink = look.INK
        if values:
            lines, size, ink = [*lines, values[i]], 0.8 * size, _readable_on(fills[i])
        style: dict[str, Any] = {
            "ha": "center", "va": "center", "color": ink, "parse_math": False, "clip_on": True, "zorder": 4,
        }  # fmt: skip
        end = 0.34 * diameter * points
        ax.text(p.x, p.y - 0.27 * diameter, "+" if p.positive else MINUS, fontsize=end, fontweight="bold", **style)
        ax.text(p.x, p.y + 0.12 * diameter, "\n".join(lines), fontsize=size, linespacing=1.0, **style)


def _readable_on(fill: Any) -> str:
    """Return black or white, whichever stands out more on a fill (relative luminance, WCAG 2.1)."""
    if isinstance(fill, str):
        return look.INK
    rgb = np.asarray(fill[:3])
    luminance = float(np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])
    return "#000000" if luminance > 0.179 else look.PAPER
