"""Small charts as SVG for papers and page: they stretch with the page, their words don't.

Lengths across are percentages, so that a chart fills a phone as well as a sheet of paper; classes settle
what it looks like; every mark has a title.
"""

from __future__ import annotations

import itertools
from html import escape

import numpy as np

from cellmatch.output import look
from cellmatch.output.look import number
from cellmatch.output.quantities import KINDS, GroupBalance, Histogram

ROW_PX = 28
PANEL_PX, FOOT_PX, HEAD_PX = 150, 34, 18


class BalanceScale:
    """Where a deviation in mAh lies across a row, in percent.

    Parameters
    ----------
    balance : GroupBalance
    """

    def __init__(self, balance: GroupBalance) -> None:
        self.balance = balance
        furthest = float(np.abs(balance.deviation_mah).max())
        self.reach_mah = 1.1 * max(furthest, balance.floor_mah / 2, 0.5)

    def percent(self, deviation_mah: float) -> float:
        """Return 0 for the left end, 50 for the mean, 100 for the right end."""
        return 50 + 50 * deviation_mah / self.reach_mah

    def head(self) -> str:
        """Return the head of the column of rows: the ends of the floor and the mean."""
        half = self.balance.floor_mah / 2
        ticks = [(0.0, "mean")]
        if self.percent(half) > 62:
            ticks = [(-half, number(-half, 0)), (0.0, "mean"), (half, number(half, 0, signed=True))]
        words = "".join(f'<text class="tick" x="{self.percent(v):.2f}%" y="20">{w}</text>' for v, w in ticks)
        return f'<svg class="row" width="100%" height="{ROW_PX}" aria-hidden="true">{words}</svg>'

    def row(self, index: int) -> str:
        """Return one group's row: the floor as a band, the deviation as a bar with a dot at its end."""
        group, deviation = self.balance.group[index], float(self.balance.deviation_mah[index])
        half = self.percent(self.balance.floor_mah / 2) - 50
        at = self.percent(deviation)
        words = f"group {group}: {number(deviation, 1, 'mAh', signed=True)} from the mean"
        if self.balance.floor_mah > 0:
            words += f"; floor {number(self.balance.floor_mah, 1, 'mAh')}"
        weakest = " weakest" if index == self.balance.weakest and self.balance.deviation_mah.any() else ""
        return (
            f'<svg class="row{weakest}" role="img" width="100%" height="{ROW_PX}"><title>{escape(words)}</title>'
            f'<rect class="floor" x="{50 - half:.2f}%" y="0" width="{2 * half:.2f}%" height="100%"/>'
            f'<line class="mean" x1="50%" x2="50%" y1="0" y2="100%"/>'
            f'<line class="bar" x1="50%" x2="{at:.2f}%" y1="50%" y2="50%"/>'
            f'<circle class="dot" cx="{at:.2f}%" cy="50%" r="3.5"/></svg>'
        )


def histogram_svg(found: Histogram) -> str:
    """Draw a histogram of cells, kept and rejected, with the limits.

    Parameters
    ----------
    found : Histogram

    Returns
    -------
    str
        An SVG element to stand in HTML.
    """
    quantity = found.quantity
    told = ", ".join(f"{found.totals[kind]} {kind}" for kind in KINDS if found.totals[kind])
    height = HEAD_PX + PANEL_PX + FOOT_PX
    head = f'<svg class="panel" role="img" width="100%" height="{height}"><title>{escape(found.finding())}</title>'
    if found.empty:
        return f'{head}<text class="tick" x="50%" y="50%">no {escape(quantity.words)} given</text></svg>'
    span = float(found.edges[-1] - found.edges[0])
    places = [100 * float(e - found.edges[0]) / span for e in found.edges]
    parts = [
        head,
        f"<desc>{escape(quantity.words)}: {escape(told)}</desc>",
        *_bars(found, places),
        *_limits(found),
    ]
    floor = HEAD_PX + PANEL_PX
    parts.append(f'<line class="axis" x1="0" x2="100%" y1="{floor}" y2="{floor}"/>')
    for edge, x, side in ((found.edges[0], 0, "start"), (found.edges[-1], 100, "end")):
        parts.append(
            f'<text class="tick {side}" x="{x}%" y="{floor + 14}">{number(float(edge), quantity.decimals)}</text>'
        )
    parts.append(f'<text class="tick" x="50%" y="{floor + 14}">{escape(quantity.short)} [{quantity.unit}]</text>')
    if found.lower:
        parts.append(f'<text class="tick start" x="0" y="{floor + 29}">◂ {found.lower} lower</text>')
    if found.higher:
        parts.append(f'<text class="tick end" x="100%" y="{floor + 29}">{found.higher} higher ▸</text>')
    return "".join([*parts, "</svg>"])


def _bars(found: Histogram, places: list[float]) -> list[str]:
    drawn = []
    unit_px = PANEL_PX / (1.08 * found.tallest)
    for i, (left, right) in enumerate(itertools.pairwise(places)):
        base = float(HEAD_PX + PANEL_PX)
        between = (
            f"{number(float(found.edges[i]), found.quantity.decimals)} to "
            f"{number(float(found.edges[i + 1]), found.quantity.decimals, found.quantity.unit)}"
        )
        for kind in KINDS:
            count = int(found.counts[kind][i])
            if count:
                tall = count * unit_px
                base -= tall
                drawn.append(
                    f'<rect class="{kind}" x="{left:.2f}%" y="{base:.1f}" width="{right - left:.2f}%" '
                    f'height="{tall:.1f}"><title>{count} {kind}, {between}</title></rect>'
                )
    return drawn


def _limits(found: Histogram) -> list[str]:
    drawn = []
    span = float(found.edges[-1] - found.edges[0])
    for words in dict.fromkeys(words for _, words in found.limits):
        at = [100 * float(value - found.edges[0]) / span for value, w in found.limits if w == words]
        drawn += [
            f'<line class="limit" x1="{x:.2f}%" x2="{x:.2f}%" y1="{HEAD_PX - 4}" y2="{HEAD_PX + PANEL_PX}"/>'
            for x in at
        ]
        middle = sum(at) / len(at)
        side = "start" if middle < 33 else "end" if middle > 67 else ""
        drawn.append(f'<text class="tick {side}" x="{middle:.2f}%" y="11">{escape(words)}</text>')
    return drawn


def kinds_key(found: Histogram) -> list[tuple[str, str]]:
    """Return the kinds of cell a histogram tells apart, each with its sign and word.

    Returns
    -------
    list of (kind, words)
    """
    return [(kind, f"{look.SIGNS[kind]} {kind}") for kind in KINDS if found.totals[kind]]
