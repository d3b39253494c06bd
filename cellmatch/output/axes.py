"""The common look of all charts, put on one axes at a time."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes

from cellmatch.output import look

PAPER_BOX: dict[str, Any] = {"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.0}
"""Ground under words that lie on lines."""


def say_at_right(ax: Axes, y: float, words: str) -> None:
    """Write words beside the axes, level with `y`."""
    ax.text(1.008, y, words, transform=ax.get_yaxis_transform(), fontsize=8, color=look.MUTED, va="center")


def say_nothing_to_draw(ax: Axes, title: str, words: str) -> Axes:
    """Write why there is nothing to draw."""
    ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center", va="center", color=look.MUTED)
    ax.set_xticks([])
    ax.set_yticks([])
    return dress(ax, title)


def dress(ax: Axes, title: str) -> Axes:
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
