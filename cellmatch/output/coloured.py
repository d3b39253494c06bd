"""Figures of the cells by colour on the map, each with its value in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape

from cellmatch.output.look import CHARACTER_WIDTH, DARK_STEPS, SCALE, number
from cellmatch.output.quantities import Mapped
from cellmatch.plan import Plan

LONGEST_ID = 10
"""Characters of an id on a coloured cell; of a longer one its end, the whole stands in the title."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Coloured:
    """A figure of each cell, and the scale it is coloured by.

    Parameters
    ----------
    words, unit : str
    decimals : int
    values : mapping of str to float
        Of the cells for which it is known.
    low, high : float
        Ends of the scale.
    """

    words: str
    unit: str
    decimals: int
    values: Mapping[str, float]
    low: float
    high: float

    def step(self, value: float) -> int:
        """Return which step of the scale a value takes, from 0."""
        if self.high <= self.low:
            return len(SCALE) // 2
        return min(len(SCALE) - 1, int(len(SCALE) * (value - self.low) / (self.high - self.low)))

    def finding(self) -> str:
        """Say in one sentence from where to where the values go."""
        low, high = (min(self.values, key=self.values.__getitem__), max(self.values, key=self.values.__getitem__))
        if self.high <= self.low:
            return f"{self.words.capitalize()}: {number(self.low, self.decimals, self.unit)} in every cell"
        return (
            f"{self.words.capitalize()}: {number(self.low, self.decimals)} ({low}) "
            f"to {number(self.high, self.decimals, self.unit)} ({high})"
        )

    def draw(self, cell: str, x: float, y: float, diameter: float) -> str:
        """Return one cell with its value, and its id below; a cell without a value stays white."""
        known = cell in self.values
        words = number(self.values[cell], self.decimals) if known else number(None)
        step = self.step(self.values[cell]) if known else None
        fill, ink = ("", "") if step is None else (f' class="q{step}"', " dark" if step < DARK_STEPS else "")
        name = cell if len(cell) <= LONGEST_ID else "…" + cell[1 - LONGEST_ID :]
        large, small = (
            share * diameter
            for share in (
                min(0.3, 0.84 / (CHARACTER_WIDTH * len(words))),
                min(0.2, 0.7 / (CHARACTER_WIDTH * len(name))),
            )
        )
        return (
            f'<g class="cell"><title>{escape(cell)}: {words}</title>'
            f'<circle{fill} cx="{x:g}" cy="{y:g}" r="{diameter / 2 - 0.3:g}"/>'
            f'<text class="value{ink}" x="{x:g}" y="{y - 0.08 * diameter:.5g}" font-size="{large:.3g}">{words}</text>'
            f'<text class="small-id{ink}" x="{x:g}" y="{y + 0.22 * diameter:.5g}" font-size="{small:.3g}">'
            f"{escape(name)}</text></g>"
        )

    def scale_svg(self) -> str:
        """Draw the scale as a bar with its ends in words."""
        share = 100 / len(SCALE)
        steps = "".join(
            f'<rect class="q{k}" x="{k * share:.2f}%" y="0" width="{share + 0.1:.2f}%" height="10"/>'
            for k in range(len(SCALE))
        )
        ends = (
            f'<text class="tick start" x="0" y="24">{number(self.low, self.decimals)}</text>'
            f'<text class="tick end" x="100%" y="24">{number(self.high, self.decimals, self.unit)}</text>'
        )
        return f'<svg class="scale" width="100%" height="28" aria-hidden="true">{steps}{ends}</svg>'


def coloured(plan: Plan, mapped: Mapped) -> Coloured | None:
    """Return a figure of the used cells to colour the map by.

    Parameters
    ----------
    plan : Plan
    mapped : Mapped

    Returns
    -------
    Coloured or None
        None where no cell has it.
    """
    used = plan.with_status("used").sort_values("position")
    pairs = zip(map(str, used.index), map(float, mapped.values(plan)), strict=True)
    values = {cell: value for cell, value in pairs if math.isfinite(value)}
    if not values:
        return None
    return Coloured(
        words=mapped.words,
        unit=mapped.unit,
        decimals=mapped.decimals,
        values=values,
        low=min(values.values()),
        high=max(values.values()),
    )
