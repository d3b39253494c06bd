"""One look for charts, papers and page: colours, and how numbers and ids are written.

Colour never carries a meaning alone: a word or a sign stands beside it. The stylesheet names the same
colours; a test holds the two together.
"""

from __future__ import annotations

import math
from functools import lru_cache

INK = "#16191a"
MUTED = "#566063"
RULE = "#c4cacb"
GRID = "#e6e9e9"
PAPER = "#ffffff"
ACCENT = "#0f5c63"
LEVEL = "#a84e08"
STOP = "#9f1d20"
TINTS = ("#f3f0e8", "#dfe8e8")
"""Blocks of odd and even groups: pale, apart in grey too, and no more than two."""
SCALE = ("#00224e", "#213b6e", "#4c556c", "#6c6e72", "#8e8978", "#b1a570", "#d9c55c", "#fee838")
"""Low to high: eight steps of the perceptually even scale "cividis", the same to most eyes."""
DARK_STEPS = 4
"""As many steps of the scale, from its low end, carry words in white."""

CHARACTER_WIDTH = 0.66
"""Of the type size, in a common bold sans type."""

THIN = "\u2009"
"""Thin space, between a number and its unit."""
MINUS = "\u2212"
NOTHING = "–"
"""Stands where no value is known."""

SIGNS = {"used": "✓", "spare": "○", "level": "↕", "reject": "✗"}
"""Sign of each status of a cell, always beside its word."""
VERDICT_CLASS = {"go": "go", "level first": "level", "stop": "stop"}


def number(value: float | None, decimals: int = 0, unit: str = "", *, signed: bool = False) -> str:
    """Write a number for people.

    Parameters
    ----------
    value : float or None
        Not a number and None are written as a dash.
    decimals : int
    unit : str
        Stands after a thin space.
    signed : bool
        Show the plus sign too.

    Returns
    -------
    str

    Examples
    --------
    >>> number(-12.25, 1), number(3.5, 2, signed=True), number(None), number(-0.01, 1)
    ('−12.2', '+3.50', '–', '0.0')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    digits = f"{abs(value):.{decimals}f}"
    is_zero = not digits.strip("0.")
    sign = "" if is_zero else MINUS if value < 0 else "+" if signed else ""
    return f"{sign}{digits}{THIN}{unit}" if unit else f"{sign}{digits}"


def decimals_of(values: list[float | None], most: int = 1) -> int:
    """Return how many decimals a column needs so that every value of it is told apart, at most `most`.

    Examples
    --------
    >>> decimals_of([2500.0, 2510.0, None]), decimals_of([25.13, 24.0], most=1)
    (0, 1)
    """
    known = [v for v in values if v is not None and math.isfinite(v)]
    for decimals in range(most):
        if all(abs(v - round(v, decimals)) < 1e-9 * max(1.0, abs(v)) for v in known):
            return decimals
    return most


def ranges(numbers: list[int]) -> str:
    """Write whole numbers shortly.

    Examples
    --------
    >>> ranges([1, 2, 3, 5, 7, 8])
    '1–3, 5, 7, 8'
    """
    parts: list[list[int]] = []
    for n in sorted(numbers):
        if parts and n == parts[-1][-1] + 1:
            parts[-1].append(n)
        else:
            parts.append([n])
    return ", ".join(f"{p[0]}–{p[-1]}" if len(p) > 2 else ", ".join(map(str, p)) for p in parts)


def drawable(text: str) -> str:
    r"""Return `text` with every character the chart font lacks written as its code point.

    Examples
    --------
    >>> drawable("A1"), drawable("\U0001F50B7")
    ('A1', '[U+1F50B]7')
    """
    if text.isascii() and text.isprintable():
        return text
    known = _font_characters()
    return "".join(c if ord(c) in known and (c.isprintable() or c == THIN) else f"[U+{ord(c):04X}]" for c in text)


@lru_cache(maxsize=1)
def _font_characters() -> frozenset[int]:
    from matplotlib.font_manager import findfont, get_font

    return frozenset(get_font(findfont("DejaVu Sans")).get_charmap())
