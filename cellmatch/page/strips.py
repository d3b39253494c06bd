"""Histograms of a screened tray with the limits that cells are held against, as SVG.

Drawn from the cells as they are screened now, so that they follow a limit while it is moved.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from html import escape

import numpy as np

from cellmatch.cells.screening.screen import Screening
from cellmatch.cells.table import ScreenedCells, resistances_mohm
from cellmatch.cells.tray import Tray
from cellmatch.output.look import number
from cellmatch.page.sorting import Sorted

WIDE, TALL, HEAD, FOOT = 320, 96, 43, 18
FEWEST_BINS, MOST_BINS = 10, 40
REACH = 1.5
"""The scale reaches this many widths of the kept cells beyond them; strays are counted at the side."""
CHARACTER = 5.6

Lines = list[tuple[float, str]]


def _voltage_lines(tray: Tray, screening: Screening) -> Lines:
    window, limits = screening.window, screening.limits
    lines: Lines = [(limits.min_v or 0.0, "lowest"), (limits.max_v or 0.0, "full")]
    if window.center_v is not None:
        low, high = window.center_v - window.half_width_v, window.center_v + window.half_width_v
        lines += [(low, "joining"), (high, "window")]
    return lines


def _capacity_lines(tray: Tray, screening: Screening) -> Lines:
    least = (tray.limits.min_capacity_fraction or 0.0) * tray.rated_mah
    return [(float(v), "least") for v in np.unique(least[np.isfinite(least) & (least > 0)])]


def _resistance_lines(tray: Tray, screening: Screening) -> Lines:
    most = (tray.limits.max_ir_ratio or np.inf) * tray.median_within(tray.ir_mohm, tray.kind)
    most = np.fmin(most, np.inf if tray.limits.max_ir_mohm is None else tray.limits.max_ir_mohm)
    return [(float(v), "highest") for v in np.unique(most[np.isfinite(most)])]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A reading that is drawn, and the limits that hold for all cells alike."""

    name: str
    words: str
    unit: str
    decimals: int
    lines: Callable[[Tray, Screening], Lines]


QUANTITIES = (
    Quantity("ocv_v", "open-circuit voltage", "V", 2, _voltage_lines),
    Quantity("capacity_mah", "capacity", "mAh", 0, _capacity_lines),
    Quantity("ir_mohm", "internal resistance", "mΩ", 1, _resistance_lines),
)


def strips(found: Sorted) -> dict[str, str]:
    """Return the histogram of each quantity.

    Returns
    -------
    dict of column name to SVG
    """
    screening = found.screening
    tray = Tray(found.cells, screening.limits, screening.chemistry)
    return {q.name: _strip(q, _values(found.cells, q.name), found.kind, q.lines(tray, screening)) for q in QUANTITIES}


def _values(cells: ScreenedCells, name: str) -> np.ndarray:
    return resistances_mohm(cells) if name == "ir_mohm" else cells[name].to_numpy(dtype=float)


def _strip(quantity: Quantity, values: np.ndarray, kind: np.ndarray, lines: Lines) -> str:
    known = np.isfinite(values)
    rejected = kind == "reject"
    told = f"{quantity.words}: {int((known & ~rejected).sum())} kept, {int((known & rejected).sum())} rejected"
    if not known.any():
        return f'<p class="muted small">no {escape(quantity.words)} given</p>'
    kept = values[known & ~rejected]
    low, high = _scale(kept if kept.size else values[known], values[known], lines, 10.0**-quantity.decimals)
    edges = np.linspace(low, high, int(np.clip(2 * np.sqrt(known.sum()), FEWEST_BINS, MOST_BINS)) + 1)
    layers = [
        (name, np.histogram(values[known & mask], edges)[0])
        for name, mask in (("used", ~rejected & (kind != "level")), ("level", kind == "level"), ("reject", rejected))
    ]
    floor = HEAD + TALL
    parts = [
        f'<svg class="panel strip-chart" role="img" viewBox="0 0 {WIDE} {floor + FOOT}">',
        f"<title>{escape(told)}</title>",
        *_bars(layers, edges, quantity),
        f'<line class="axis" x1="0" x2="{WIDE}" y1="{floor}" y2="{floor}"/>',
        *_lines([(v, w) for v, w in lines if low <= v <= high], low, high),
        *_beyond(quantity, lines, low, high),
        *_ends(quantity, low, high, int((values[known] < low).sum()), int((values[known] > high).sum())),
        "</svg>",
    ]
    return "".join(parts)


def _scale(kept: np.ndarray, known: np.ndarray, lines: Lines, step: float) -> tuple[float, float]:
    low, high = float(kept.min()), float(kept.max())
    reach = REACH * max(high - low, 10 * step)
    near = np.concatenate([known, [v for v, _ in lines]])
    near = near[(near >= low - reach) & (near <= high + reach)]
    low, high = min(low, float(near.min())), max(high, float(near.max()))
    margin = 0.05 * max(high - low, 10 * step)
    return low - margin, high + margin


def _bars(layers: list[tuple[str, np.ndarray]], edges: np.ndarray, quantity: Quantity) -> list[str]:
    tallest = max(1, int(np.sum([counts for _, counts in layers], axis=0).max()))
    wide = WIDE / (len(edges) - 1)
    drawn = []
    for i in range(len(edges) - 1):
        base = float(HEAD + TALL)
        between = f"{number(edges[i], quantity.decimals)} to {number(edges[i + 1], quantity.decimals, quantity.unit)}"
        for name, counts in layers:
            if counts[i]:
                tall = counts[i] / tallest * TALL
                base -= tall
                drawn.append(
                    f'<rect class="{name}" x="{i * wide:.1f}" y="{base:.1f}" width="{wide:.1f}" height="{tall:.1f}">'
                    f"<title>{counts[i]} {name}, {between}</title></rect>"
                )
    return drawn


def _lines(lines: Lines, low: float, high: float) -> list[str]:
    """Draw the limits; words that would run into each other take two heights."""
    drawn, ends = [], [-np.inf, -np.inf]
    for value, words in sorted(lines):
        x = (value - low) / (high - low) * WIDE
        half = len(words) * CHARACTER / 2
        middle = float(np.clip(x, half, WIDE - half))
        row = 0 if ends[0] < middle - half else 1
        ends[row] = middle + half + 4
        y = 37 if row == 0 else 24
        drawn.append(
            f'<line class="limit" x1="{x:.1f}" x2="{x:.1f}" y1="{y + 3}" y2="{HEAD + TALL}"/>'
            f'<text class="tick" x="{middle:.1f}" y="{y}">{escape(words)}</text>'
        )
    return drawn


def _beyond(quantity: Quantity, lines: Lines, low: float, high: float) -> list[str]:
    """Name the nearest limit on either side that lies off the scale."""
    below, above = [line for line in lines if line[0] < low], [line for line in lines if line[0] > high]
    drawn = []
    if below:
        value, words = max(below)
        drawn.append(
            f'<text class="tick start" x="0" y="11">◂ {escape(words)} {number(value, quantity.decimals)}</text>'
        )
    if above:
        value, words = min(above)
        told = f"{escape(words)} {number(value, quantity.decimals)} ▸"
        drawn.append(f'<text class="tick end" x="{WIDE}" y="11">{told}</text>')
    return drawn


def _ends(quantity: Quantity, low: float, high: float, lower: int, higher: int) -> list[str]:
    y = HEAD + TALL + 14
    left = f"◂ {lower} lower" if lower else number(low, quantity.decimals)
    right = f"{higher} higher ▸" if higher else number(high, quantity.decimals)
    return [
        f'<text class="tick start" x="0" y="{y}">{left}</text>',
        f'<text class="tick" x="{WIDE / 2}" y="{y}">{escape(quantity.words)} [{quantity.unit}]</text>',
        f'<text class="tick end" x="{WIDE}" y="{y}">{right}</text>',
    ]
